"""The table of words and the peers: counted by hand on made-up looks, and run once through everything."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.train.toy import write_folder
from train.calibrate import Look
from train.evaluate import judge, main, model_card, percent, table
from train.export import export
from train.model import Finder, MobileNet, Reader
from train.peers import MASK_PEERS, hog_features, mask_peer, network_peer, region_features
from vision.label import Label
from vision.models import WORDS, load


@pytest.fixture(scope="module")
def models(tmp_path_factory):
    folder = tmp_path_factory.mktemp("models")
    for which, network in (("finder", Finder()), ("reader", Reader())):
        export(network, which, folder / f"{which}.onnx")
    return folder


def look(
    truth: dict[str, str], said: dict[str, str], *, cam: bool = True, found: bool = True, shows: bool = True
) -> Look:
    """A look whose logits are sure of what was `said`, and whose Label is the `truth`."""
    label = Label("x.jpg", 10, 10, **(truth if cam else {"family": None}), facing_shows=shows and cam)
    seen = {word: WORDS[word].index(value) for word, value in truth.items()} if cam else dict.fromkeys(WORDS, -1)
    seen["cam"] = int(cam)
    logits = {word: np.full(len(labels), -6.0, np.float32) for word, labels in WORDS.items()}
    for word, value in said.items():
        logits[word][WORDS[word].index(value)] = 6.0
    nothing = None if not found else logits
    feature = np.ones(4, np.float32) if found else None
    return Look(Path("x.json"), label, seen, found, nothing, feature, None, None)


def test_table_counts_as_by_hand(models):
    truth = {"family": "hook", "bottom": "open", "hand": "left", "facing": "screw"}
    right = {**truth, "cam": "cam"}
    reader = load(models / "reader.onnx", "reader")
    verdicts = judge(
        [
            look(truth, right),
            look(truth, {**right, "family": "fork"}),
            look(
                truth, {**right, "hand": "right", "facing": "plug"}, shows=False
            ),  # the mirror image: its hand is left
            look(truth, {}, found=False),
            look(truth, {**right, "cam": "not-a-cam"}),
            look({}, {**right, "cam": "not-a-cam"}, cam=False),
            look({}, right, cam=False),
        ],
        reader,
    )
    figures = table(verdicts)
    assert figures["cams"] == 5 and figures["not-cams"] == 2
    assert figures["family"] == pytest.approx(3 / 5) and figures["bottom"] == pytest.approx(4 / 5)
    assert figures["hand as seen, where there is one"] == pytest.approx(3 / 5)
    assert figures["hand, where there is one"] == pytest.approx(3 / 4)  # of the four whose facing shows, one not found
    assert figures["facing, where it shows"] == pytest.approx(3 / 4) and figures["facing, all"] == pytest.approx(3 / 5)
    assert figures["cams refused or not found"] == pytest.approx(2 / 5)
    assert figures["not-cams refused"] == pytest.approx(1 / 2)
    assert figures["wrong and sure"] == pytest.approx(2 / 7)  # the fork, and the thing taken for a cam
    assert figures["family set size"] == pytest.approx(1.0) and figures["family coverage"] == pytest.approx(3 / 4)
    # one of the four hands that were read is wrong, and each set holds one label
    assert figures["hand as seen coverage"] == pytest.approx(3 / 4) and figures["hand as seen set size"] == 1.0
    assert figures["facing set size, where it shows"] == figures["facing set size, where it does not"] == 1.0
    card = model_card(verdicts, reader, reader, {"reader": 1.0}, {}, 9.5)
    assert "| family | 60.0 % |" in card and "### By family" in card and "## Limits" in card


def test_shares_and_counts_are_written_differently():
    assert percent(0.5) == "50.0 %" and percent(7) == "7" and percent(None) == "–"


def masks(family: int, count: int, rng: np.random.Generator) -> list[Look]:
    """Discs with a tail as narrow or as wide as the family says, with a little noise in size."""
    looks = []
    y, x = np.mgrid[:256, :256]
    for _ in range(count):
        r, w = rng.uniform(45, 60), (10, 40)[family] + rng.uniform(-3, 3)
        face = (np.hypot(x - 128, y - 160) < r) | ((abs(x - 128) < w) & (y < 160) & (y > 30))
        truth = {"family": family, "bottom": family, "hand": 1 + family, "facing": 0, "cam": 1}
        rgb = np.repeat(face[..., None], 3, 2).astype(np.uint8) * 255
        looks.append(
            Look(Path("x.json"), Label("x.jpg", 1, 1, "finger", facing_shows=True), truth, True, None, None, face, rgb)
        )
    return looks


@pytest.mark.parametrize("name", list(MASK_PEERS))
def test_mask_peers_tell_narrow_from_wide(name):
    rng = np.random.default_rng(0)
    training = masks(0, 12, rng) + masks(1, 12, rng)
    figures = mask_peer(MASK_PEERS[name], training, masks(0, 6, rng) + masks(1, 6, rng))
    assert figures["family"] == 1.0 and figures["bottom"] == 1.0 and figures["hand"] == 1.0 and 0 <= figures["ece"] <= 1


def test_features_have_their_length_and_survive_an_empty_mask():
    assert hog_features(np.zeros((256, 256), bool)).shape == (
        7 * 7 * 2 * 2 * 9,
    )  # 8 x 8 cells, blocks of 2 x 2, 9 bins
    assert region_features(np.zeros((256, 256), bool)).shape == region_features(np.eye(256, dtype=bool)).shape == (12,)


def test_network_peer_reads_a_run(tmp_path):
    import torch

    torch.save({"average": MobileNet().state_dict()}, tmp_path / "average.pt")
    rng = np.random.default_rng(0)
    figures = network_peer(tmp_path, masks(0, 3, rng) + masks(1, 3, rng))
    assert 0.0 <= figures["family"] <= 1.0 and 0.0 <= figures["facing"] <= 1.0


def test_command_prints_the_table_and_writes_the_card(models, tmp_path):
    pictures = write_folder(tmp_path / "toy", 10)
    log = tmp_path / "log.jsonl"
    log.write_text('{"step": 1}\n{"validation": {"family": 0.1}}\n{"validation": {"family": 0.862, "bottom": 0.5}}\n')
    arguments = ["--models", str(models), "--data", str(pictures), "--card", str(tmp_path / "card.md")]
    arguments += ["--log", f"other network={log}"]
    result = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "family" in result.output and "not-cams refused" in result.output
    card = (tmp_path / "card.md").read_text()
    assert "# Model card" in card and "| other network | 86.2 % | 50.0 % | – |" in card
    assert "| family | fork |" in card and "### By things lying about" in card
    missing = CliRunner().invoke(main, [*arguments, "--log", f"other={tmp_path / 'none.jsonl'}"])
    assert missing.exit_code == 2 and "no log with a validation" in missing.output
