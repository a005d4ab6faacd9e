"""The shipped rim network on drawn coins: rims of every make are told from inner rings, washers and the part's own hub.

The truth is where the picture's own geometry, OpenCV's camera, puts the rim.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.vision.test_coin import SIZE, SUPER, axes, centre, circle, draw, paint, project
from vision.models import CLASSES
from vision.photo import Photo
from vision.pipeline import _scale_of_reference, of_another_thing
from vision.quantity import NotMeasured
from vision.scale import Scale
from vision.scale.coin import find_coin
from vision.scale.coins import COINS, coin_by_name
from vision.segment import Regions

LEVEL = np.zeros(2)


def seen(shape_px: np.ndarray | None = None, kind: str = "coin", step: float = 10.0) -> Regions:
    """A finder that sees nothing, or one thing."""
    size = (int(np.ceil(SIZE[0] / step)), int(np.ceil(SIZE[1] / step)))
    probability = np.zeros((len(CLASSES), size[1], size[0]), np.float32)
    if shape_px is not None:
        layer = np.zeros((size[1], size[0]), np.uint8)
        cv2.fillPoly(layer, [np.round((shape_px + 0.5) / step - 0.5).astype(np.int32)], 1)
        probability[CLASSES.index(kind)] = 0.9 * cv2.GaussianBlur(layer.astype(np.float32), (0, 0), 0.6)
    probability[0] = 1.0 - probability.sum(axis=0)
    return Regions(probability, step)


def with_ring(photo: Photo, name: str, x: float, y: float, share: float, colour: tuple[int, int, int]) -> Photo:
    """The same photo with a disc of another metal in the coin's middle."""
    canvas = cv2.resize(photo.pixels, None, fx=SUPER, fy=SUPER, interpolation=cv2.INTER_CUBIC)
    known = coin_by_name(name)
    paint(canvas, project(circle(x, y, share * known.mean_diameter_mm), known.height.value, LEVEL, 250.0), colour)
    small = cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA)
    return Photo(np.asarray(cv2.GaussianBlur(small, (0, 0), 0.8), np.uint8), photo.name, photo.sha256, photo.focal_35mm)


@pytest.mark.parametrize("finder", ["coin", "nothing"])
@pytest.mark.parametrize(
    ("name", "colour", "bench", "tilt_deg"),
    [
        ("us-quarter", (150, 152, 150), (196, 190, 178), 0.0),
        ("us-cent", (172, 112, 76), (120, 90, 64), 15.0),
        ("gb-10p", (168, 170, 168), (178, 178, 174), 8.0),
        ("eu-50c", (190, 160, 96), (70, 84, 66), 12.0),
    ],
)
def test_the_rim_lies_where_the_camera_puts_it(name, colour, bench, tilt_deg, finder):
    tilt = np.radians(tilt_deg) * np.array([0.6, -0.8])
    photo, regions, (rim,) = draw([(name, 12.0, -5.0, colour)], tilt, bench=bench, seed=3)
    scale = find_coin(photo, name, regions=regions if finder == "coin" else seen())
    assert isinstance(scale, Scale)
    found, true = axes(scale.references[0].edge_px), axes(rim)
    assert found == pytest.approx(true, rel=0.02)
    assert centre(scale.references[0].edge_px) == pytest.approx(centre(rim), abs=3.0)


@pytest.mark.parametrize("name", ["eu-1", "eu-2", "gb-2"])
def test_the_inner_metal_of_two_is_not_the_rim(name):
    """The whole coin is 1.3 to 1.5 times its middle: a ring as strong as the rim, and as round."""
    photo, regions, (rim,) = draw([(name, 10.0, 4.0, (186, 160, 104))])
    photo = with_ring(photo, name, 10.0, 4.0, 0.72, (176, 178, 178))
    for finder in (regions, seen()):
        scale = find_coin(photo, name, regions=finder)
        assert isinstance(scale, Scale)
        assert axes(scale.references[0].edge_px)[0] == pytest.approx(axes(rim)[0], rel=0.02)


def test_a_washer_that_the_finder_takes_for_another_thing_is_not_the_coin():
    coins = [("us-quarter", -20.0, 2.0, (170, 170, 168)), ("us-dime", 20.0, 0.0, (140, 142, 140))]
    photo, _, (washer, rim) = draw(coins)
    canvas = cv2.resize(photo.pixels, None, fx=SUPER, fy=SUPER, interpolation=cv2.INTER_CUBIC)
    paint(canvas, project(circle(-20.0, 2.0, 12.0), 0.0, LEVEL, 250.0), (150, 146, 138))
    small = np.asarray(cv2.GaussianBlur(cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.8), np.uint8)
    both = np.maximum(seen(washer, "other").probability, seen(rim).probability)
    both[0] = 1.0 - both[1:].sum(axis=0)
    scale = find_coin(Photo(small, "drawn", "0", 70.0), "us-dime", regions=Regions(both, 10.0))
    assert isinstance(scale, Scale)
    assert centre(scale.references[0].edge_px) == pytest.approx(centre(rim), abs=3.0)


def test_a_coin_that_the_finder_takes_for_another_thing_has_its_say():
    """Of a 50 cent and two 10 cent coins the finder knows one; sizes alone tell which is the 50 cent coin."""
    grey = (96, 96, 98)
    coins = [("eu-50c", -24.0, -8.0, grey), ("eu-10c", 6.0, 16.0, grey), ("eu-10c", 26.0, -12.0, grey)]
    photo, _, rims = draw(coins, distance=260.0, bench=(214, 214, 214), seed=4)
    regions = seen(rims[1], "coin")
    for rim in (rims[0], rims[2]):
        other = seen(rim, "other").probability[CLASSES.index("other")]
        regions.probability[CLASSES.index("other")] += other
        regions.probability[0] -= other
    scale = find_coin(photo, "eu-50c", regions=regions)
    assert isinstance(scale, Scale)
    assert centre(scale.references[0].edge_px) == pytest.approx(centre(rims[0]), abs=3.0)
    assert axes(scale.references[0].edge_px)[0] == pytest.approx(axes(rims[0])[0], rel=0.02)


def test_what_sizes_alone_cannot_tell_is_stated_so_that_either_coin_is_within():
    """20 centimes beside 10, asked for the 20: were the smaller one the 20, the larger would be a franc (Swissmint's sizes)."""
    twenty, ten, franc = (COINS[name].mean_diameter_mm for name in ("ch-20c", "ch-10c", "ch-1"))
    assert twenty / ten * twenty == pytest.approx(franc, rel=0.005)
    photo, regions, _ = draw([("ch-20c", -20.0, 2.0, (150, 150, 148)), ("ch-10c", 20.0, -4.0, (150, 150, 148))])
    scale = find_coin(photo, "ch-20c", regions=regions)
    assert isinstance(scale, Scale)
    assert {note.code for note in scale.warnings} >= {"several-coins", "coin-unsure"}
    assert 2.0 * scale.u_size_relative > twenty / ten - 1.0 - 0.01  # each rim is found to half a per cent
    photo, regions, _ = draw([("ch-20c", -20.0, 2.0, (150, 150, 148))])
    alone = find_coin(photo, "ch-20c", regions=regions)
    assert isinstance(alone, Scale) and alone.u_size_relative < 0.02


def test_where_the_likeliest_may_be_no_coin_any_of_those_seen_is_within(monkeypatch):
    """Sizes say which of a quarter and a dime (United States Mint: 24.26 and 17.91 mm) is the quarter; that neither is surely a
    coin opens it again."""
    coins = [("us-quarter", -20.0, 2.0, (150, 150, 148)), ("us-dime", 20.0, -4.0, (150, 150, 148))]
    photo, regions, _ = draw(coins)
    sure = find_coin(photo, "us-quarter", regions=regions)
    assert isinstance(sure, Scale) and sure.u_size_relative < 0.02
    monkeypatch.setattr("vision.scale.coin.SURE_COIN", 1.01)
    doubted = find_coin(photo, "us-quarter", regions=regions)
    assert isinstance(doubted, Scale)
    assert {note.code for note in doubted.warnings} >= {"several-coins", "coin-unsure"}
    assert 2.0 * doubted.u_size_relative > np.log(24.26 / 17.91) - 0.02


@pytest.mark.parametrize("washer_mm", [16.0, 30.0])  # outer diameters for M8 and M16: ISO 7089:2000, table 1
def test_a_washer_taken_for_a_quarter_gives_no_lengths(washer_mm):
    note = NotMeasured("coin-unsure", "")
    doubted = Scale("coin", "us-quarter", (), 0.006, (note,))
    clear = replace(doubted, warnings=())
    for hub, reach in ((17.0, 16.0), (20.0, 24.0), (24.0, 31.0)):  # the usual ranges: hubs 15-24, reaches 14-32 mm
        assert not any(of_another_thing(scale, hub, reach) for scale in (doubted, clear, None))
    larger = COINS["us-quarter"].mean_diameter_mm / washer_mm
    hub, reach = (23.0, 30.0) if larger > 1.0 else (15.5, 20.0)
    assert of_another_thing(doubted, larger * hub, larger * reach)
    assert of_another_thing(clear, larger * hub, larger * reach) == (larger > 1.0)  # a reach of 45 mm is unheard of


def test_beside_no_part_the_scale_is_that_of_the_coins_own_face():
    photo, regions, (rim,) = draw([("us-quarter", 6.0, -4.0, (150, 152, 150))])
    used = _scale_of_reference(photo, find_coin(photo, "us-quarter", regions=regions))
    assert used.mm_per_px == pytest.approx(COINS["us-quarter"].mean_diameter_mm / (2.0 * axes(rim)[0]), rel=0.01)


def test_the_parts_own_hub_is_not_the_coin():
    photo, _, (hub,) = draw([("us-quarter", 0.0, 0.0, (150, 152, 150))])
    part = seen(hub, "cam")
    mask = part.probability[CLASSES.index("cam")] > 0.4
    assert isinstance(find_coin(photo, "us-quarter", regions=part, part_mask=mask), NotMeasured)


def test_a_coin_with_sides_is_measured_by_its_own_shape():
    known = COINS["gb-50p"]
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius = np.interp((turn * 7 / (2 * np.pi) + 0.3) % 1.0, np.linspace(0, 1, 121), known.edge_mm)
    edge = project(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]), 1.78, LEVEL, 250.0)
    canvas = np.full((SIZE[1] * SUPER, SIZE[0] * SUPER, 3), (70, 84, 66), np.uint8)
    paint(canvas, edge, (188, 190, 192))
    pixels = cv2.GaussianBlur(cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.9)
    scale = find_coin(Photo(np.asarray(pixels, np.uint8), "drawn", "0", 70.0), "gb-50p", regions=seen(edge))
    assert isinstance(scale, Scale)
    long, short = axes(scale.references[0].edge_px)
    middle = np.linalg.norm(edge - edge.mean(axis=0), axis=1).mean()
    assert (long, short) == pytest.approx((middle, middle), rel=0.015)
