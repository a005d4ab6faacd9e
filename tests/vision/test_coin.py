"""The coin in a picture: coins drawn through OpenCV's camera with wall and shadow, and scikit-image's picture of 24 coins."""

import cv2
import numpy as np
import pytest
from skimage import data

from vision.fitting import fit_ellipse
from vision.models import CLASSES
from vision.photo import Photo
from vision.plane import Plane, fit_plane, focal_px
from vision.quantity import NotMeasured, Quantity
from vision.scale import Scale, coin
from vision.scale.coin import find_coin, find_rims, named_rim
from vision.scale.coins import COINS, coin_by_name
from vision.scale.rim import Rim
from vision.segment import Regions

SIZE = (960, 720)
F35 = 70.0  # a phone's threefold lens: the coin's radius is near 95 px
FOCAL = focal_px(F35, SIZE)
SUPER = 3  # drawn so many times larger, then averaged


@pytest.fixture(autouse=True)
def _gradients_alone(monkeypatch):
    """These tests are about the tracer that needs no network."""
    monkeypatch.setattr(coin, "_rim_network", lambda: None)


def project(points_mm: np.ndarray, height_mm: float, tilt: np.ndarray, distance_mm: float) -> np.ndarray:
    scene = np.column_stack([points_mm[:, 0], -points_mm[:, 1], np.full(len(points_mm), -height_mm)])
    camera = np.array([[FOCAL, 0, (SIZE[0] - 1) / 2], [0, FOCAL, (SIZE[1] - 1) / 2], [0, 0, 1]])
    px = cv2.projectPoints(scene, np.array([*tilt, 0.0]), np.array([0, 0, distance_mm]), camera, None)[0]
    return px.reshape(-1, 2)


def circle(x: float, y: float, diameter: float, n: int = 360) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.array([x, y]) + diameter / 2 * np.column_stack([np.cos(turn), np.sin(turn)])


def paint(canvas: np.ndarray, edge: np.ndarray, colour: tuple[int, int, int]) -> None:
    fixed = np.round(((edge + 0.5) * SUPER - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(canvas, [fixed], colour, cv2.LINE_8, 4)


def draw(
    coins, tilt=(0.0, 0.0), distance=250.0, bench=(196, 190, 178), seed=0
) -> tuple[Photo, Regions, list[np.ndarray]]:
    """Coins as (name, x, y, colour) on a bench, each with shadow, wall, rim and relief; their true rims in pixels."""
    rng = np.random.default_rng(seed)
    canvas = np.full((SIZE[1] * SUPER, SIZE[0] * SUPER, 3), bench, np.uint8)
    grain = cv2.resize(rng.normal(0, 5, (60, 400)), (canvas.shape[1], canvas.shape[0]), interpolation=cv2.INTER_LINEAR)
    canvas = np.clip(canvas + grain[:, :, None], 0, 255).astype(np.uint8)
    rims, tilt = [], np.asarray(tilt, float)
    for name, x, y, colour in coins:
        known = coin_by_name(name)
        thick = known.height.value
        shade = np.zeros((SIZE[1], SIZE[0]), np.uint8)
        shadow = project(circle(x + 1.0, y - 1.4, known.mean_diameter_mm), 0.0, tilt, distance)
        cv2.fillPoly(shade, [np.round(shadow).astype(np.int32)], 115)
        soft = cv2.resize(cv2.GaussianBlur(shade, (0, 0), 5.0), (canvas.shape[1], canvas.shape[0]))
        canvas = cv2.multiply(canvas, cv2.merge([255 - soft] * 3), scale=1 / 255)
        for height in np.linspace(0.0, thick, 6):
            dark = tuple(int(c * 0.55) for c in colour)
            paint(canvas, project(circle(x, y, known.mean_diameter_mm), height, tilt, distance), dark)
        face = circle(x, y, known.mean_diameter_mm)
        paint(canvas, project(face, thick, tilt, distance), colour)
        inner = project(circle(x, y, 0.90 * known.mean_diameter_mm), thick - 0.1, tilt, distance)
        paint(canvas, inner, tuple(int(c * 0.88) for c in colour))
        for _ in range(6):
            at = rng.uniform(-0.25, 0.25, 2) * known.mean_diameter_mm
            blot = project(circle(x + at[0], y + at[1], 3.0), thick, tilt, distance)
            paint(canvas, blot, tuple(int(c * rng.uniform(0.7, 1.1)) for c in colour))
        rims.append(project(face, thick, tilt, distance))
    small = cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 0.9) + rng.normal(0, 2.0, (SIZE[1], SIZE[0], 3))
    return Photo(np.clip(small, 0, 255).astype(np.uint8), "drawn", "0", F35), regions(rims), rims


def regions(rims: list[np.ndarray]) -> Regions:
    """What a finder network would say: soft, and a cell of ten pixels large."""
    step = 10.0
    shape = (int(np.ceil(SIZE[1] / step)), int(np.ceil(SIZE[0] / step)))
    fine = np.zeros((shape[0] * 8, shape[1] * 8), np.uint8)
    for rim in rims:
        cv2.fillPoly(fine, [np.round((rim + 0.5) / step * 8).astype(np.int32)], 1)
    seen = cv2.resize(fine.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
    probability = np.zeros((len(CLASSES), *shape), np.float32)
    probability[CLASSES.index("coin")] = cv2.GaussianBlur(seen, (0, 0), 0.6)
    probability[0] = 1.0 - probability.sum(axis=0)
    return Regions(probability, step)


def axes(edge: np.ndarray) -> tuple[float, float]:
    _, (a, b), _ = cv2.fitEllipse(edge.astype(np.float32))
    return max(a, b) / 2, min(a, b) / 2


def centre(edge: np.ndarray) -> tuple[float, float]:
    return cv2.fitEllipse(edge.astype(np.float32))[0]


@pytest.mark.parametrize("colour", [(150, 152, 150), (172, 112, 76), (90, 84, 78)])
@pytest.mark.parametrize("tilt_deg", [0.0, 18.0])
def test_the_rim_is_found_not_the_foot_nor_the_shadow_nor_the_inner_ring(colour, tilt_deg):
    tilt = np.radians(tilt_deg) * np.array([0.6, -0.8])
    photo, seen, (rim,) = draw([("us-quarter", 14.0, 6.0, colour)], tilt)
    scale = find_coin(photo, "us-quarter", regions=seen)
    assert isinstance(scale, Scale)
    found, true = axes(scale.references[0].edge_px), axes(rim)
    assert found == pytest.approx(true, rel=0.02)  # foot and shadow lie 3 to 6 % outside, the inner ring 10 % inside
    assert centre(scale.references[0].edge_px) == pytest.approx(centre(rim), abs=2.5)
    assert abs(found[0] / true[0] - 1.0) < 2.0 * scale.u_size_relative


@pytest.mark.parametrize("tilt_deg", [0.0, 15.0])
def test_a_length_beside_the_coin_lies_within_its_stated_uncertainty(tilt_deg):
    tilt = np.radians(tilt_deg) * np.array([-0.3, 0.95])
    photo, seen, _ = draw([("eu-2", 12.0, -8.0, (180, 172, 140))], tilt, distance=280.0, seed=2)
    scale = find_coin(photo, "eu-2", regions=seen)
    hub = project(circle(-14.0, 0.0, 19.0), 2.3, tilt, 280.0)
    plane = fit_plane(scale.references, image_size=SIZE, focal_35mm=F35, part_circles=[(hub, Quantity(2.3, 0.2))])
    assert isinstance(plane, Plane)
    ends = project(np.array([[-14.0, 0.0], [-14.0, 20.0]]), 2.3, tilt, 280.0)
    measured = float(np.linalg.norm(np.diff(plane.to_mm(ends, 2.3), axis=0)))
    assert abs(measured - 20.0) < 20.0 * min(2.0 * np.sqrt(plane.covariance[3, 3]) + 0.004, 0.03)


def test_among_several_coins_the_named_one_is_told_by_size():
    coins = [
        ("us-dime", -32, 10, (160, 160, 158)),
        ("us-quarter", 4, -14, (150, 152, 150)),
        ("us-cent", 34, 12, (172, 112, 76)),
    ]
    photo, seen, rims = draw(coins)
    for (name, *_), rim in zip(coins, rims, strict=True):
        scale = find_coin(photo, name, regions=seen)
        assert centre(scale.references[0].edge_px) == pytest.approx(centre(rim), abs=3.0)
        assert [w.code for w in scale.warnings] == ["several-coins"]


def test_a_coin_with_sides_is_measured_by_its_own_shape():
    coin_50p = COINS["gb-50p"]
    rng = np.random.default_rng(4)
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    place = (turn * 7 / (2 * np.pi) + 0.3) % 1.0
    radius = np.interp(place, np.linspace(0, 1, 121), coin_50p.edge_mm)
    edge = project(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]), 1.78, np.zeros(2), 250.0)
    canvas = np.full((SIZE[1] * SUPER, SIZE[0] * SUPER, 3), (70, 84, 66), np.uint8)
    paint(canvas, edge, (188, 190, 192))
    pixels = cv2.GaussianBlur(cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.9)
    pixels = np.clip(pixels + rng.normal(0, 2, pixels.shape), 0, 255).astype(np.uint8)
    scale = find_coin(Photo(pixels, "drawn", "0", F35), "gb-50p", regions=regions([edge]))
    assert isinstance(scale, Scale)
    long, short = axes(scale.references[0].edge_px)
    expected = coin_50p.mean_diameter_mm / 2 * FOCAL / (250.0 - 1.78)
    assert (long, short) == pytest.approx((expected, expected), rel=0.006)


def test_all_24_coins_of_scikit_images_picture_are_found(monkeypatch):
    """skimage.data.coins: 24 old, irregular coins in four rows of six, counted by eye."""
    monkeypatch.setattr(coin, "LEAST_SUPPORT_ALONE", 0.5)  # they are nowhere near round
    grey = data.coins()
    photo = Photo(np.dstack([grey] * 3), "coins.png", "0")
    rims = find_rims(photo, most=40)
    assert len(rims) == 24
    places = np.array([r.centre_px for r in rims])
    rows = np.sort(places[:, 1]).reshape(4, 6)
    assert (np.ptp(rows, axis=1) < 30).all() and (np.diff(rows.mean(axis=1)) > 50).all()


def test_without_a_network_the_coin_is_found_by_its_round_edge():
    photo, _, (rim,) = draw([("us-quarter", 14.0, 6.0, (150, 152, 150))])
    scale = find_coin(photo, "us-quarter")
    assert isinstance(scale, Scale)
    assert axes(scale.references[0].edge_px)[0] == pytest.approx(axes(rim)[0], rel=0.015)


@pytest.mark.parametrize("name", ["brick", "grass", "gravel", "text"])
def test_no_coin_in_pictures_of_other_things(name):
    picture = np.asarray(getattr(data, name)())
    pixels = np.dstack([picture] * 3) if picture.ndim == 2 else picture[:, :, :3]
    found = find_coin(Photo(np.ascontiguousarray(pixels, dtype=np.uint8), name, "0"), "us-quarter")
    assert isinstance(found, NotMeasured) and found.code == "coin-not-found"


def test_a_coin_cut_by_the_frame_is_not_used():
    photo, seen, _ = draw([("us-quarter", 58.0, 0.0, (150, 152, 150))])
    assert isinstance(find_coin(photo, "us-quarter", regions=seen), NotMeasured)


def test_an_unknown_name_is_the_callers_error():
    photo, seen, _ = draw([])
    with pytest.raises(ValueError, match="no coin is called"):
        find_coin(photo, "us-doubloon", regions=seen)


def test_two_of_the_same_coin_are_used_together():
    photo, seen, _ = draw([("us-cent", -20, 0, (172, 112, 76)), ("us-cent", 20, 0, (172, 112, 76))])
    rims = find_rims(photo, coin=COINS["us-cent"], regions=seen)
    assert len(rims) == 2 and named_rim(rims, COINS["us-cent"]) in rims
    scale = find_coin(photo, "us-cent", regions=seen)
    assert len(scale.references) == 2 and not scale.warnings
    assert len(find_coin(photo, "19.05mm", regions=seen).references) == 1  # of a plain round thing nothing is known


def test_a_coin_seldom_met_is_not_seen_in_a_shadow():
    """The sizes of a quarter, a cent, a dime and a nickel, the last two 2 to 3 % too large by a dark shadow's rim.

    Without a word on what is common, the nickel as a quarter would make the quarter a dollar (26.49 mm) of nearly that size.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    rims = []
    for diameter in (107.6, 84.4, 86.5, 100.8):
        edge = diameter / 2.0 * ring
        rims.append(
            Rim(fit_ellipse(edge), edge, edge, support=1.0, confidence=0.8, u_radius_relative=0.01, u_edge_px=0.5)
        )
    assert named_rim(rims, COINS["us-quarter"]) is rims[0]
    assert named_rim(rims, COINS["us-cent"]) is rims[1]


def test_a_rim_beside_the_coin_that_the_finder_saw_is_a_doubt():
    photo, seen, _ = draw([("us-quarter", 14.0, 6.0, (150, 152, 150))])
    usual = find_coin(photo, "us-quarter", regions=seen)
    moved = Regions(np.roll(seen.probability, 2, axis=2), seen.step_px)  # 20 px of a radius of 95
    beside = find_coin(photo, "us-quarter", regions=moved)
    assert isinstance(usual, Scale) and isinstance(beside, Scale)
    assert usual.u_size_relative < 0.05 < 0.15 < beside.u_size_relative
