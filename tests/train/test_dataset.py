"""From Labels to targets: areas against shapely, painter's order, and that pictures, maps and points move together."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
import torch
from scipy.fft import dctn, idctn
from shapely.geometry import Polygon

from tests.train.toy import draw, write_folder
from train.augment import JPEG_TABLE, Dice, finder_batch, jpeg, other_bench, reader_batch
from train.dataset import (
    CAM,
    CLASS_BITS,
    FACTS,
    FINDER_PX,
    IGNORE,
    MAP_BIT,
    STORE_PX,
    build_store,
    describe,
    finder_picture,
    first_of,
    labelled,
    part_circle,
    read_example,
    reader_facts,
    reader_squares,
    shared_out,
    shown_centres,
    truth_map,
)
from vision.label import Hole, Label, Shape
from vision.models import MAPS, WORDS

SAME = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def disc(x: float, y: float, r: float, n: int = 60) -> tuple[tuple[float, float], ...]:
    turns = [2 * math.pi * k / n for k in range(n)]
    return tuple((x + r * math.cos(t), y + r * math.sin(t)) for t in turns)


def test_area_of_a_drawn_polygon_is_shapelys():
    polygon = disc(60.3, 55.8, 33.4)
    truth = truth_map([Shape("part", polygon)], SAME, (120, 130))
    # fillPoly also draws the border pixels, so about half a pixel more along the edge
    grown = Polygon(polygon).buffer(0.5)
    assert (truth > 0).sum() == pytest.approx(grown.area, rel=0.01)


def test_painters_order():
    shapes = [
        Shape("ruler", disc(20, 50, 18)),
        Shape("body", disc(52, 50, 34)),
        Shape("part", disc(50, 50, 34)),
        Shape("countersink", disc(40, 50, 8)),
        Shape("hole", disc(40, 50, 4)),
        Shape("hole", disc(60, 50, 4)),
        Shape("relief", disc(50, 70, 4)),
        Shape("screw_head", disc(60, 50, 7)),
        Shape("occluder", disc(50, 84, 12)),
        Shape("coin", disc(90, 90, 6)),
    ]
    truth = truth_map(shapes, SAME, (100, 100))

    def at(x: int, y: int) -> tuple[int, set[str]]:
        return int(truth[y, x] & CLASS_BITS), {name for name in MAPS if truth[y, x] & MAP_BIT[name]}

    assert at(5, 50) == (4, set())
    assert at(25, 50) == (CAM, {"face"})  # the part lies over the ruler
    assert at(85, 50) == (CAM, set())  # the wall shows, the face does not
    assert at(40, 50) == (CAM, {"face", "countersink", "hole"})
    assert at(40, 44) == (CAM, {"face", "countersink"})
    assert at(60, 50) == (CAM, {"face", "screw_head"})  # the screw hides its hole
    assert at(50, 70) == (CAM, {"face", "relief"})
    assert at(50, 80) == (0, set())  # a finger over the part takes all of it away
    assert at(90, 90) == (3, set())
    assert at(2, 2) == (0, set())


def test_facts_are_those_the_picture_shows():
    _, label = draw(4 * 8 + 4, (512, 384), close=False, cam=True)  # a hook
    hand = reader_facts(replace(label, hand="left", facing="screw"), SAME)[FACTS.index("hand")]
    mirrored = reader_facts(replace(label, hand="left", facing="plug"), SAME)[FACTS.index("hand")]
    assert WORDS["hand"][int(hand)] == "left" and WORDS["hand"][int(mirrored)] == "right"
    facts = reader_facts(label, np.array([[2.0, 0.0, 5.0], [0.0, 2.0, -3.0]]))
    assert label.axis_px is not None and label.hub_diameter_mm is not None and label.mm_per_px is not None
    assert facts[0] == pytest.approx(2 * label.axis_px[0] + 5, abs=1e-3)
    assert facts[1] == pytest.approx(2 * label.axis_px[1] - 3, abs=1e-3)
    assert facts[FACTS.index("hub_radius")] == pytest.approx(label.hub_diameter_mm / label.mm_per_px)
    nothing = reader_facts(Label("x.jpg", 9, 9, None), SAME)
    assert nothing[FACTS.index("cam")] == 0 and np.isnan(np.delete(nothing, FACTS.index("cam"))).all()


def test_main_part_is_the_one_that_holds_the_axis():
    label = Label(
        "x.jpg", 300, 300, "finger", axis_px=(200.0, 200.0), shapes=(Shape("body", disc(60, 60, 50)), Shape("body", disc(200, 200, 30)))
    )  # fmt: skip
    circle = part_circle(label)
    assert circle is not None
    assert circle[0] == pytest.approx((200, 200), abs=0.5) and circle[1] == pytest.approx(30, abs=0.5)


def square_with_a_disc_on_the_axis() -> tuple[torch.Tensor, torch.Tensor]:
    """A stored square whose hole is a disc round the axis, and whose red channel is that hole."""
    axis, tail = (150.0, 190.0), (230.0, 120.0)
    shapes = [Shape("part", disc(176, 176, 90)), Shape("hole", disc(*axis, 12)), Shape("relief", disc(*tail, 9))]
    truth = truth_map(shapes, SAME, (STORE_PX, STORE_PX))
    rgb = np.zeros((STORE_PX, STORE_PX, 3), np.uint8)
    rgb[..., 0] = (truth & MAP_BIT["hole"] > 0) * 255
    facts = np.full(len(FACTS), np.nan, np.float32)
    facts[:5] = (*axis, *tail, 40.0)
    facts[FACTS.index("hand")], facts[FACTS.index("facing")], facts[FACTS.index("cam")] = 1, 0, 1
    for name, (x, y) in (("screw_0", axis), ("relief_0", tail)):
        facts[FACTS.index(f"{name}_x")], facts[FACTS.index(f"{name}_y")] = x, y
    return torch.from_numpy(np.dstack([rgb, truth])), torch.from_numpy(facts)


@pytest.mark.parametrize("plain", [True, False])
def test_points_maps_and_pixels_move_together(plain):
    square, facts = square_with_a_disc_on_the_axis()
    n = 24
    dice = Dice(torch.Generator().manual_seed(5), torch.device("cpu"))
    still = ("benches", "occluders", "photometric")
    batch = reader_batch(square.expand(n, -1, -1, -1), facts.expand(n, -1).clone(), dice, plain=plain, without=still)
    hands, turned = set(), []
    for i in range(n):
        for name, point in (("hole", batch["points"][i, 0]), ("relief", batch["points"][i, 1])):
            mask = batch["maps"][i, MAPS.index(name)].numpy()
            if mask.sum() < 50 or mask[[0, -1]].any() or mask[:, [0, -1]].any():
                continue
            y, x = np.argwhere(mask > 0).mean(0)
            assert (x, y) == pytest.approx(point.tolist(), abs=1.0)  # perspective moves a disc's centre a little
        red = batch["rgb"][i, 0].numpy() > 0.5
        hole = batch["maps"][i, 1].numpy() > 0.5
        assert (red ^ hole).mean() < 2e-3
        axis, tail = batch["points"][i]
        assert torch.equal(batch["centres"][i, 0, 0], axis) and torch.equal(batch["centres"][i, 1, 0], tail)
        assert batch["centres"][i, :, 1:].isnan().all()
        turned.append(math.degrees(math.atan2(float(tail[0] - axis[0]), float(axis[1] - tail[1]))))
        hands.add(int(batch["words"][i, 2]))
        assert batch["words"][i, 3] == 0  # a mirrored picture still shows the same side
    assert hands == ({1} if plain else {1, 2})
    near_up = sum(abs(t) < 14.0 for t in turned)
    assert near_up >= n // 4 and (plain or near_up < n)


def test_only_centres_that_show_are_kept():
    axis, under = (40.0, 40.0), (70.0, 70.0)
    shapes = [Shape("part", disc(50, 50, 45)), Shape("hole", disc(*axis, 6)), Shape("hole", disc(*under, 6))]
    label = Label(
        "x.jpg", 100, 100, "finger", axis_px=axis,
        holes=(Hole("screw", 0, 0, 3, center_px=axis), Hole("screw", 3, 3, 3, center_px=under), Hole("relief", 0, 5, 3, center_px=(140.0, 40.0))),
    )  # fmt: skip
    facts = reader_facts(label, np.array([[0.5, 0.0, 1.0], [0.0, 0.5, 2.0]]))
    assert facts[FACTS.index("screw_1_x")] == 36.0 and facts[FACTS.index("relief_0_y")] == 22.0
    facts = reader_facts(label, SAME)
    bare = shown_centres(facts, truth_map(shapes, SAME, (100, 100)))
    covered = shown_centres(facts, truth_map([*shapes, Shape("occluder", disc(*under, 12))], SAME, (100, 100)))
    names = ("screw_0_x", "screw_1_x", "screw_2_x", "relief_0_x")
    assert [bool(np.isnan(bare[FACTS.index(n)])) for n in names] == [False, False, True, True]
    assert [bool(np.isnan(covered[FACTS.index(n)])) for n in names] == [False, True, True, True]


def test_another_bench_leaves_the_things_on_it_alone():
    n, size = 20, 64
    rgb = torch.rand(n, 3, size, size, generator=torch.Generator().manual_seed(3)) * 0.2 + 0.4
    classes = torch.zeros(n, size, size, dtype=torch.int64)
    classes[:, 16:48, 16:48], classes[:, :8] = CAM, 3
    changed = other_bench(rgb, classes, Dice(torch.Generator().manual_seed(4), torch.device("cpu"))) != rgb
    assert not changed.permute(0, 2, 3, 1)[classes != 0].any() and not changed[n // 5 :].any()
    assert changed[: n // 5].any(1)[classes[: n // 5] == 0].float().mean() > 0.95


def test_finder_truth_follows_its_picture():
    picture = np.zeros((384, 512, 3), np.uint8)
    cv2.circle(picture, (300, 150), 60, (255, 255, 255), -1)
    label = Label("x.jpg", 512, 384, None, shapes=(Shape("coin", disc(300, 150, 60)),))
    store = torch.from_numpy(finder_picture(picture, label))[None].expand(6, -1, -1, -1)
    dice = Dice(torch.Generator().manual_seed(5), torch.device("cpu"))
    plain = finder_batch(store, dice, plain=True)
    white = plain["rgb"][0, 0].numpy()[2::4, 2::4] > 0.5
    assert ((plain["classes"][0].numpy() == 3) ^ white).mean() < 0.01
    wild = finder_batch(store, dice, size=(512, 384))
    assert wild["rgb"].shape == (6, 3, 512, 384) and wild["classes"].shape == (6, 128, 96)
    assert set(wild["classes"].unique().tolist()) <= {0, 3, IGNORE}


def test_upright_pictures_lie_on_their_side_and_padding_is_unknown():
    tall = finder_picture(np.zeros((900, 500, 3), np.uint8), Label("x.jpg", 500, 900, None))
    assert tall.shape == (*FINDER_PX, 4)
    unknown = (tall[..., 3] == IGNORE).mean()
    assert unknown == pytest.approx(1 - (512 * 512 * 500 / 900) / (384 * 512), abs=0.01)


def test_jpeg_at_high_quality_changes_little_and_at_low_more():
    dice = Dice(torch.Generator().manual_seed(1), torch.device("cpu"))
    y, x = np.mgrid[:64, :64] / 63.0
    smooth = torch.tensor(np.stack([x, y, (x + y) / 2]), dtype=torch.float32)[None].expand(40, -1, -1, -1)
    changed = (jpeg(smooth, dice) - smooth).abs().amax(dim=(1, 2, 3))
    assert (changed < 0.12).all() and 5 < (
        changed > 1e-3
    ).sum() < 35  # half of the pictures, and not beyond a file's error


def test_jpeg_blocks_are_scipys_quantised_cosine_transform(monkeypatch):
    monkeypatch.setattr(Dice, "chance", lambda self, share, *size: torch.ones(size, dtype=torch.bool))
    monkeypatch.setattr(
        Dice, "uniform", lambda self, low, high, *size: torch.full(size, 50.0)
    )  # table K.1 as it stands
    dice = Dice(torch.Generator(), torch.device("cpu"))
    grey = torch.rand(1, 1, 16, 24, generator=torch.Generator().manual_seed(2))
    got = jpeg(grey.expand(-1, 3, -1, -1), dice)[0, 0].numpy() * 255.0
    table = np.array(JPEG_TABLE, float)
    for top in (0, 8):
        for left in (0, 8, 16):
            block = dctn(grey[0, 0, top : top + 8, left : left + 8].double().numpy() * 255.0, norm="ortho")
            expected = idctn(np.round(block / table) * table, norm="ortho")
            assert np.abs(got[top : top + 8, left : left + 8] - expected).max() < 0.05


def test_store_of_a_folder(tmp_path):
    folder = write_folder(tmp_path / "toy", 12, close_share=0.5)
    squares = build_store([folder], "reader", workers=2)
    assert 12 <= len(squares.rows) <= 24 and squares.facts.shape == (len(squares.rows), len(FACTS))
    picture, label = read_example(sorted(folder.glob("*.json"))[3])
    expected = reader_squares(picture, label, 0)[0][0]
    row = squares.rows[next(i for i, row in enumerate(squares.rows) if row // 2 == 3)]
    assert (squares.pixels[row] == expected).all()
    share = build_store([folder], "reader", workers=1, rank=1, world=3)
    assert {int(n) for n in share.name} <= {int(n) for n in squares.name} and len(set(share.name)) == 4
    whole = build_store([folder], "finder", workers=2)
    assert len(whole.rows) == sum(max(read_example(p)[0].shape) >= 448 for p in folder.glob("*.json"))
    with pytest.raises(ValueError, match="no pictures"):
        build_store([tmp_path], "reader")


def test_first_pictures_of_a_store_are_those_of_a_store_of_the_first_pictures(tmp_path):
    many = write_folder(tmp_path / "many", 12, close_share=0.5)
    few = write_folder(tmp_path / "few", 4, first=50, close_share=0.5)
    assert shared_out(8, (12, 4)) == [6, 2] and shared_out(None, (12, 4)) == shared_out(99, (12, 4)) == [12, 4]
    whole = build_store([many, few], "reader", workers=1)
    for ours, built in (
        (first_of(whole, [many, few], (6, 2)), build_store([many, few], "reader", limit=8, workers=1)),
        (first_of(whole, [many, few], (0, 4)), build_store([few], "reader", workers=1)),
    ):
        assert (ours.pixels[ours.rows] == built.pixels[built.rows]).all()
        assert np.array_equal(ours.facts, built.facts, equal_nan=True) and ours.data == built.data
        assert (ours.source == built.source).all() and (ours.name == built.name).all()
    with pytest.raises(ValueError, match="is left"):
        first_of(whole, [many, few], (0, 0))


def test_version_of_the_data_changes_with_a_label(tmp_path):
    folder = write_folder(tmp_path / "toy", 3)
    before = describe(folder, labelled(folder))
    assert before == describe(folder, labelled(folder)) and before["pictures"] == 3 and before["folder"] == "toy"
    path = folder / "000001.json"
    path.write_text(replace(Label.from_json(path.read_text()), reach_mm=1.0).to_json())
    assert describe(folder, labelled(folder)) != before


def test_a_picture_of_another_size_than_its_label_is_refused(tmp_path):
    folder = write_folder(tmp_path / "toy", 1)
    cv2.imwrite(str(folder / "000000.jpg"), np.zeros((10, 10, 3), np.uint8))
    with pytest.raises(ValueError, match="no picture of"):
        read_example(folder / "000000.json")


def test_a_few_broken_pictures_are_passed_over_and_many_are_not(tmp_path, monkeypatch):
    folder = write_folder(tmp_path / "toy", 6)
    (folder / "000002.json").write_text('{"schema": "camdial.la')
    with pytest.raises(ValueError, match=r"1 of 6 pictures cannot be read, 000002\.json"):
        build_store([folder], "reader", workers=1)
    monkeypatch.setattr("train.dataset.BROKEN_SHARE", 0.2)
    assert {int(row) // 2 for row in build_store([folder], "reader", workers=1).rows} == {0, 1, 3, 4, 5}
