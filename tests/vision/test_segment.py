"""Regions of the finder: geometry of cells, pieces against scikit-image, and refusal of files we don't understand."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

import numpy as np
import onnx
import pytest
from skimage.measure import label, regionprops

from vision.models import CLASSES, FOLDER, SCHEMA, ModelError, load
from vision.segment import LONG_SIDE_PX, STRIDE, Regions, find_regions, finder_input


@dataclass(frozen=True)
class Picture:
    pixels: np.ndarray


def regions_of(layer: np.ndarray, kind: str = "cam", step: float = 10.0) -> Regions:
    probability = np.zeros((len(CLASSES), *layer.shape), np.float32)
    probability[CLASSES.index(kind)] = layer
    probability[0] = 1.0 - layer
    return Regions(probability, step)


def test_pieces_agree_with_skimage():
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:96, :128]
    layer = np.zeros((96, 128), np.float32)
    for _ in range(5):
        cx, cy, r = rng.uniform(10, 118), rng.uniform(10, 86), rng.uniform(3, 9)
        layer = np.maximum(layer, (np.hypot(x - cx, y - cy) < r) * rng.uniform(0.6, 1.0)).astype(np.float32)
    pieces = regions_of(layer).components("cam")
    theirs = regionprops(label(layer >= 0.5, connectivity=2), intensity_image=layer)
    assert sorted(p.area_px for p in pieces) == pytest.approx(sorted(r.area * 100.0 for r in theirs))
    assert sorted(p.confidence for p in pieces) == pytest.approx(sorted(r.intensity_mean for r in theirs), rel=1e-5)
    masses = [p.area_px * p.confidence for p in pieces]
    assert masses == sorted(masses, reverse=True)


def test_a_disc_gives_its_centre_and_radius_in_photo_pixels():
    y, x = np.mgrid[:96, :128]
    layer = (np.hypot(x - 40, y - 30) <= 12.0).astype(np.float32)
    (piece,) = regions_of(layer, step=8.0).components("cam")
    assert piece.centre_px == pytest.approx(((40 + 0.5) * 8 - 0.5, (30 + 0.5) * 8 - 0.5), abs=1.0)
    assert piece.radius_px == pytest.approx(12.5 * 8, rel=0.03)
    assert not piece.touches_frame
    (cut,) = regions_of(np.roll(layer, -40, axis=1) * (x < 60), step=8.0).components("cam")
    assert cut.touches_frame


def test_specks_and_absent_classes_give_nothing():
    layer = np.zeros((96, 128), np.float32)
    layer[50, 50:53] = 1.0  # three cells
    assert regions_of(layer).components("cam") == ()
    assert regions_of(layer).components("coin") == ()
    assert regions_of(layer).main_part() is None


def test_main_part_prefers_a_faint_cam_to_a_clear_other_thing():
    probability = np.zeros((len(CLASSES), 40, 40), np.float32)
    probability[CLASSES.index("other"), 5:15, 5:15] = 0.9
    probability[CLASSES.index("cam"), 25:35, 25:35] = 0.3
    part = Regions(probability, 4.0).main_part()
    assert part is not None and part.kind == "cam"
    probability[CLASSES.index("cam")] = 0.0
    part = Regions(probability, 4.0).main_part()
    assert part is not None and part.kind == "other"


@pytest.mark.parametrize("size", [(3024, 4032), (4032, 3024), (333, 1000), (100, 60), (512, 512)])
def test_input_keeps_the_shape_and_one_step_serves_both_axes(size):
    height, width = size
    y, x = np.mgrid[:height, :width]
    picture = np.stack([x * 255 / width, y * 255 / height, np.zeros(size)], 2).astype(np.uint8)
    small, (rows, columns), step = finder_input(picture)
    assert max(rows, columns) == LONG_SIDE_PX and small.shape[0] % 32 == 0 and small.shape[1] % 32 == 0
    assert step == max(size) / LONG_SIDE_PX
    for r, c in ((rows // 4, columns // 3), (rows - 2, columns - 2)):
        at = ((c + 0.5) * step - 0.5, (r + 0.5) * step - 0.5)  # where the cell claims to be, in the photo
        assert small[r, c, 0] == pytest.approx(at[0] * 255 / width, abs=2.5)
        assert small[r, c, 1] == pytest.approx(at[1] * 255 / height, abs=2.5)


def test_probability_lookup_by_photo_point():
    layer = np.zeros((20, 30), np.float32)
    layer[5, 7] = 1.0
    regions = regions_of(layer, step=4.0)
    assert regions.at_px("cam", np.array([[7 * 4 + 1.5, 5 * 4 + 1.5], [0.0, 0.0], [-9.0, 999.0]])).tolist() == [1, 0, 0]


def finder_file(tmp_path, card: object):
    """A network of one operator that says `cam` everywhere, with a card."""
    from onnx import TensorProto, helper

    shape = [1, len(CLASSES), 96, 128]
    value = np.zeros(shape, np.float32)
    value[:, CLASSES.index("cam")] = 1.0
    constant = helper.make_node("Constant", [], ["probability"], value=onnx.numpy_helper.from_array(value))
    graph = helper.make_graph(
        [constant],
        "finder",
        [helper.make_tensor_value_info("rgb", TensorProto.UINT8, ["n", "h", "w", 3])],
        [helper.make_tensor_value_info("probability", TensorProto.FLOAT, shape)],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    if card is not None:
        helper.set_model_props(model, {SCHEMA: json.dumps(card)})
    path = tmp_path / "finder.onnx"
    onnx.save(model, path)
    return path


def good_card():
    from vision.models import MAPS, WORDS, default_calibration

    return {
        "schema": SCHEMA,
        "which": "finder",
        "classes": list(CLASSES),
        "maps": list(MAPS),
        "words": {word: list(labels) for word, labels in WORDS.items()},
        "calibration": default_calibration(),
    }


def test_find_regions_cuts_the_padding_off(tmp_path):
    model = load(finder_file(tmp_path, good_card()), "finder")
    regions = find_regions(Picture(np.zeros((768, 1024, 3), np.uint8)), model=model)
    assert regions.probability.shape == (len(CLASSES), 96, 128)
    assert regions.step_px == 1024 / LONG_SIDE_PX * STRIDE
    narrow = find_regions(Picture(np.zeros((300, 1024, 3), np.uint8)), model=model)
    assert narrow.probability.shape == (len(CLASSES), math.ceil(150 / STRIDE), 128)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (None, "no card"),
        ({"schema": "camdial.model/9"}, "no card"),
        ({"which": "reader"}, "which"),
        ({"classes": ["background", "cam"]}, "classes"),
        ({"words": {"family": ["finger"]}}, "words"),
        ({"calibration": {}}, "incomplete"),
    ],
)
def test_a_network_we_do_not_understand_is_refused(tmp_path, change, message):
    card = None if change is None else {**good_card(), **change}
    with pytest.raises(ModelError, match=message):
        load(finder_file(tmp_path, card), "finder")


def test_missing_and_broken_files_are_refused(tmp_path):
    with pytest.raises(ModelError, match="missing"):
        load(tmp_path / "finder.onnx", "finder")
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"not a network")
    with pytest.raises(ModelError, match="cannot be opened"):
        load(broken, "finder")


@pytest.mark.skipif(not (FOLDER / "finder.onnx").exists(), reason="the networks are not trained yet")
def test_shipped_networks_are_small_and_calibrated():
    finder, reader = load(FOLDER / "finder.onnx", "finder"), load(FOLDER / "reader.onnx", "reader")
    assert sum((FOLDER / f"{name}.onnx").stat().st_size for name in ("finder", "reader")) < 10e6
    assert finder.card["data"] and reader.card["data"] and reader.card["calibrated_on"]
    assert reader.calibration.features is not None and reader.calibration.distance_threshold is not None
