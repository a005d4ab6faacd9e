"""The networks as modules and as ONNX files: equal numbers, small files, geometry inside."""

from __future__ import annotations

import json
import math

import numpy as np
import onnx
import pytest
import torch

from train.checkpoint import Config, Progress
from train.export import HALF_PARITY, OPSET, PARITY, export, export_run
from train.losses import SPOT_CELLS, centre_loss, finder_loss, map_losses, reader_loss, spots
from train.model import Finder, Reader, build_network, up
from train.validate import peaks, pieces
from vision.classify import look_twice, read_patch
from vision.models import CLASSES, FOLDER, MAPS, SCHEMA, WORDS, load
from vision.patch import cut_patch


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    torch.manual_seed(3)
    folder = tmp_path_factory.mktemp("models")
    for which, network in (("finder", Finder()), ("reader", Reader())):
        shaken = network.train()  # let the running statistics differ from their start, as after training
        with torch.no_grad():
            for _ in range(2):
                shaken(torch.rand(2, 3, 256, 256))
        exact, rounded = export(network, which, folder / f"{which}.onnx")
        assert exact <= PARITY and rounded <= HALF_PARITY
    return folder


def test_files_are_small_checked_and_of_one_opset(folder):
    assert sum((folder / f"{name}.onnx").stat().st_size for name in ("finder", "reader")) < 6e6
    for name in ("finder", "reader"):
        model = onnx.load(folder / f"{name}.onnx")
        assert model.opset_import[0].version == OPSET
        card = json.loads(next(p.value for p in model.metadata_props if p.key == SCHEMA))
        assert card["which"] == name and card["classes"] == list(CLASSES) and card["maps"] == list(MAPS)


@pytest.mark.parametrize("which", ["finder", "reader"])
def test_shipped_file_agrees_with_the_checkpoint_it_came_from(which, tmp_path):
    runs = FOLDER.parent.parent / "build" / "runs" / which
    if not (runs / "average.pt").exists():
        pytest.skip("no checkpoint here: networks are trained by `make model`")
    fresh, shipped = load(export_run(runs, tmp_path), which), load(FOLDER / f"{which}.onnx", which)
    picture = np.random.default_rng(5).integers(0, 256, (1, 256, 256, 3), dtype=np.uint8)
    for name, mine in fresh.run(picture).items():
        assert np.abs(mine - shipped.run(picture)[name]).max() <= PARITY * max(1.0, float(np.abs(mine).max()))


def test_run_time_reading_is_that_of_the_module(folder):
    rng = np.random.default_rng(0)
    pixels = rng.integers(0, 256, (300, 300, 3), dtype=np.uint8)
    model = load(folder / "reader.onnx", "reader")
    patch = cut_patch(pixels, (150.0, 150.0), 90.0, 20.0)
    reading = read_patch(patch, model=model)
    assert reading.maps.shape == (5, 256, 256) and 0.0 <= reading.maps.min() <= reading.maps.max() <= 1.0
    assert set(reading.family.probabilities) == set(WORDS["family"])
    raw, second = look_twice(pixels, (150.0, 150.0), 90.0, model=model)
    assert second.rgb.shape == (256, 256, 3) and raw.feature.shape == (128,)


def test_finder_takes_any_multiple_of_32(folder):
    finder = load(folder / "finder.onnx", "finder")
    for height, width in ((32, 512), (512, 288), (384, 512)):
        out = finder.run(np.zeros((1, height, width, 3), np.uint8))["probability"]
        assert out.shape == (1, len(CLASSES), height // 4, width // 4)
        assert np.allclose(out.sum(1), 1.0, atol=1e-5)


def test_heat_maps_give_their_mean_in_patch_pixels():
    reader = Reader()
    heat = torch.full((1, 2, 64, 64), -30.0)
    heat[0, 0, 10, 20] = heat[0, 0, 10, 21] = 30.0
    heat[0, 1, 63, 0] = 30.0
    points, spread = reader.places(heat)
    # cell k of 4 px has its centre at 4 (k + 1/2) - 1/2
    assert points[0].tolist() == [pytest.approx([83.5, 41.5], abs=0.05), pytest.approx([1.5, 253.5])]
    assert spread[0].tolist() == pytest.approx([2.0, 0.0], abs=1e-3)


def test_of_two_likely_places_one_is_taken_and_the_spread_tells():
    heat = torch.full((1, 2, 64, 64), -30.0)
    heat[0, :, 10, 10], heat[0, :, 50, 10] = math.log(0.6), math.log(0.4)
    points, spread = Reader().places(heat)
    assert points[0, 0].tolist() == pytest.approx([41.5, 41.5], abs=0.1)  # the mean would be 64 px away
    assert float(spread[0, 0]) == pytest.approx(math.sqrt(0.4) * 160.0, rel=1e-3)


def test_frame_hangs_on_axis_and_tail():
    points = torch.tensor([[[127.5, 127.5], [127.5, 27.5]]])  # tail up
    along, across = Reader().frame(points)[0]
    assert along[0, 32] > 1.9 and along[63, 32] < -1.9
    assert across[32, 63] > 1.9 and across[32, 0] < -1.9
    turned = Reader().frame(torch.tensor([[[127.5, 127.5], [227.5, 127.5]]]))[0]  # tail to the right
    assert torch.allclose(turned[0], along.T.flip(1), atol=1e-4)


def test_losses_fall_to_near_nothing_on_a_perfect_answer():
    n = 2
    maps = (torch.rand(n, 5, 256, 256, generator=torch.Generator().manual_seed(0)) > 0.7).float()
    maps = up(up(maps[:, :, ::4, ::4])).round()
    points = torch.tensor([[[100.0, 120.0], [100.0, 30.0]], [[130.0, 90.0], [200.0, 90.0]]])
    words = torch.tensor([[3, 1, 0, 1, 1], [-1, -1, -1, -1, 0]])
    logits = torch.cat(
        [torch.nn.functional.one_hot(words[:, i].clamp_min(0), len(w)) * 12.0 for i, w in enumerate(WORDS.values())], 1
    )
    centres = torch.full((n, 2, 5, 2), torch.nan)
    centres[:, :, 0] = points
    truth = {"maps": maps, "points": points, "hub": torch.tensor([50.0, torch.nan]), "words": words, "centres": centres}
    good = {
        "maps": (torch.nn.functional.interpolate(maps, scale_factor=0.5, mode="area") - 0.5) * 40,
        "heat": torch.zeros(n, 2, 64, 64),
        "points": points.clone(),
        "hub_log": torch.zeros(n, 1),
        "words": logits,
        "centres": (spots(points, 64, snap=True)[:, :2] == 1.0).float() * 60.0 - 30.0,
    }
    losses = {name: float(value) for name, value in reader_loss(good, truth).items()}
    assert losses["place"] < 1e-6 and losses["tail"] < 1e-5 and losses["hub"] < 1e-6 and losses["centres"] < 1e-6
    wrong = {**good, "points": points.flip(1), "words": -logits, "maps": -good["maps"], "hub_log": torch.ones(n, 1)}
    wrong["centres"] = -good["centres"]
    for name, value in reader_loss(wrong, truth).items():
        assert float(value) > losses[name] + 0.05 or name == "heat"


def test_loss_of_centres_is_the_published_formula():
    # Zhou, Wang & Krähenbühl 2019 (arXiv 1904.07850), eq. 1 with alpha 2 and beta 4, summed cell by cell
    logits = torch.randn(1, 1, 16, 16, generator=torch.Generator().manual_seed(4), dtype=torch.float64)
    centres = torch.tensor([[[[100.0, 60.0], [180.0, 200.0], [torch.nan, torch.nan]]]], dtype=torch.float64)
    total = 0.0
    for row in range(16):
        for column in range(16):
            p = 1.0 / (1.0 + math.exp(-float(logits[0, 0, row, column])))
            away = [((column - cx) ** 2 + (row - cy) ** 2) for cx, cy in ((6, 3), (11, 12))]  # cells of 16 px
            y = max(math.exp(-0.5 * d / SPOT_CELLS**2) for d in away)
            total -= (1 - p) ** 2 * math.log(p) if y == 1.0 else (1 - y) ** 4 * p**2 * math.log(1 - p)
    assert float(centre_loss(logits, centres)) == pytest.approx(total / 2.0, rel=1e-9)


def test_a_small_hole_weighs_as_much_as_a_large_one():
    maps = torch.zeros(2, 5, 64, 64)
    maps[:, 0, 4:60, 4:60] = 1.0
    maps[0, 1, 10:14, 10:14] = maps[1, 1, 10:30, 10:30] = 1.0
    perfect = maps * 40.0 - 20.0
    missed = []
    for picture in (0, 1):
        logits = perfect.clone()
        logits[picture, 1] = -20.0
        missed.append(float(map_losses(logits, maps)["openings"]))
    assert map_losses(perfect, maps)["openings"] < 1e-3
    assert missed[0] == pytest.approx(missed[1], rel=0.1) and missed[0] > 0.2


def test_peaks_and_pieces_are_counted():
    logits = torch.full((2, 64, 64), -5.0)
    logits[0, 10, 10], logits[0, 10, 11], logits[0, 40, 20], logits[0, 50, 50] = 3.0, 1.0, 2.0, -1.0
    assert peaks(logits).tolist() == [2, 0]
    maps = torch.full((2, 5, 64, 64), -5.0)
    maps[0, 1, 4:10, 4:10] = maps[0, 4, 30:36, 30:36] = maps[1, 1, 4:7, 4:7] = 5.0  # a hole, a screw head, a speck
    assert pieces(maps).tolist() == [2, 0]


def test_unknown_cells_do_not_count():
    logits = torch.zeros(1, len(CLASSES), 4, 4)
    classes = torch.full((1, 4, 4), 7)
    classes[0, 0, 0] = 1
    logits[0, 1, 0, 0] = 20.0
    assert float(finder_loss(logits, classes)) < 0.3
    logits[0, :, 1:] = torch.randn(len(CLASSES), 3, 4, generator=torch.Generator().manual_seed(0)) * 9
    assert float(finder_loss(logits, classes)) < 0.3


def test_card_carries_config_data_and_code(tmp_path):
    network = build_network("reader")
    config, progress = Config("reader", 4), Progress(7, 9, 3.0)
    from dataclasses import asdict

    record = {
        "config": asdict(config),
        "progress": asdict(progress),
        "average": network.state_dict(),
        "code": "0123abc",
    }
    record["data"] = [{"folder": "fast", "pictures": 3, "sha256": "0" * 64}]
    torch.save(record, tmp_path / "last.pt")
    (tmp_path / "log.jsonl").write_text(
        '{"squares": 9}\n{"began_from": "average.pt", "sha256": "0123456789abcdef77"}\n'
    )
    card = load(export_run(tmp_path, tmp_path), "reader").card
    assert card["training"]["began_from"] == "average.pt 0123456789abcdef"
    assert card["training"]["step"] == 7 and card["training"]["steps"] == 9 and card["training"]["seed"] == 1
    assert card["data"][0]["pictures"] == 3 and card["code"] == "0123abc"
