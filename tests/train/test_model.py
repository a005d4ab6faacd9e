"""The networks as modules and as ONNX files: equal numbers, small files, geometry inside."""

from __future__ import annotations

import json

import numpy as np
import onnx
import pytest
import torch

from train.export import OPSET, PARITY, export, export_run
from train.loop import Config, Progress, build_network, finder_loss, reader_loss
from train.model import Finder, Reader, up
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
        assert export(network, which, folder / f"{which}.onnx") <= PARITY
    return folder


def test_files_are_small_checked_and_of_one_opset(folder):
    assert sum((folder / f"{name}.onnx").stat().st_size for name in ("finder", "reader")) < 10e6
    for name in ("finder", "reader"):
        model = onnx.load(folder / f"{name}.onnx")
        assert model.opset_import[0].version == OPSET
        card = json.loads(next(p.value for p in model.metadata_props if p.key == SCHEMA))
        assert card["which"] == name and card["classes"] == list(CLASSES) and card["maps"] == list(MAPS)


@pytest.mark.parametrize("which", ["finder", "reader"])
def test_shipped_file_agrees_with_the_checkpoint_it_came_from(which, tmp_path):
    runs = FOLDER.parent.parent / "build" / "runs" / which
    if not (runs / "final.pt").exists():
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
    assert points[0].tolist() == [pytest.approx([83.5, 41.5]), pytest.approx([1.5, 253.5])]
    assert spread[0].tolist() == pytest.approx([2.0, 0.0], abs=1e-3)


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
    truth = {"maps": maps, "points": points, "hub": torch.tensor([50.0, torch.nan]), "words": words}
    good = {
        "maps": (torch.nn.functional.interpolate(maps, scale_factor=0.5, mode="area") - 0.5) * 40,
        "heat": torch.zeros(n, 2, 64, 64),
        "points": points.clone(),
        "hub_log": torch.zeros(n, 1),
        "words": logits,
    }
    losses = {name: float(value) for name, value in reader_loss(good, truth).items()}
    assert losses["place"] < 1e-6 and losses["tail"] < 1e-5 and losses["hub"] < 1e-6
    wrong = {**good, "points": points.flip(1), "words": -logits, "maps": -good["maps"], "hub_log": torch.ones(n, 1)}
    for name, value in reader_loss(wrong, truth).items():
        assert float(value) > losses[name] + 0.05 or name == "heat"


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
    config, progress = Config("reader", 1.0, 4, 1e-3, 1), Progress(7, 3.0)
    from dataclasses import asdict

    record = {"config": asdict(config), "progress": asdict(progress), "average": network.state_dict()}
    record["data"] = [{"folder": "fast", "pictures": 3, "sha256": "0" * 64}]
    torch.save(record, tmp_path / "last.pt")
    card = load(export_run(tmp_path, tmp_path), "reader").card
    assert card["training"]["step"] == 7 and card["training"]["seed"] == 1
    assert card["data"][0]["pictures"] == 3 and len(card["code"]) >= 7
