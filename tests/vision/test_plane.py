"""The bench plane against independent projections by OpenCV, and its stated uncertainty against real errors."""

import cv2
import numpy as np
import pytest

from vision.plane import PartWall, Plane, doubted, fit_plane, focal_px, square_plane
from vision.quantity import NotMeasured, Quantity, jacobian, propagate
from vision.scale import CircleReference, PointReference
from vision.tilt import WallDrop

SIZE = (1600, 1200)
CENTRE = ((SIZE[0] - 1) / 2.0, (SIZE[1] - 1) / 2.0)
COIN_MM, COIN_THICK_MM, PART_THICK_MM = 24.26, 1.75, 2.3  # United States Mint, "Coin Specifications": quarter


def project(
    points_mm: np.ndarray, height_mm: float, focal: float, tilt: np.ndarray, distance_mm: float, k1: float = 0.0
) -> np.ndarray:
    """OpenCV's camera, a pinhole but for k1: bench points (x right, y up, seen) at a height, in pixels."""
    scene = np.column_stack([points_mm[:, 0], -points_mm[:, 1], np.full(len(points_mm), -height_mm)])
    camera = np.array([[focal, 0, CENTRE[0]], [0, focal, CENTRE[1]], [0, 0, 1]])
    turn, shift = np.array([tilt[0], tilt[1], 0.0]), np.array([0.0, 0.0, distance_mm])
    return cv2.projectPoints(scene, turn, shift, camera, np.array([k1, 0.0, 0.0, 0.0]))[0].reshape(-1, 2)


def circle(x: float, y: float, diameter: float, n: int = 180, arc: tuple[float, float] = (0.0, 360.0)) -> np.ndarray:
    turn = np.radians(np.linspace(*arc, n, endpoint=False))
    return np.array([x, y]) + diameter / 2.0 * np.column_stack([np.cos(turn), np.sin(turn)])


def plane_of(focal: float, tilt: np.ndarray, distance: float) -> Plane:
    return Plane(np.array([focal, *tilt, np.log(distance / focal)]), np.zeros((4, 4)), CENTRE, True)


@pytest.mark.parametrize("tilt_deg", [0.0, 7.0, 25.0])
def test_projection_is_opencvs_and_its_own_inverse(tilt_deg):
    rng = np.random.default_rng(int(tilt_deg))
    turn = rng.uniform(0, 2 * np.pi)
    tilt = np.radians(tilt_deg) * np.array([np.cos(turn), np.sin(turn)])
    plane = plane_of(1400.0, tilt, 250.0)
    points = rng.uniform(-40, 40, (30, 2))
    for height in (0.0, 2.3):
        seen = plane.to_px(points, height)
        assert seen == pytest.approx(project(points, height, 1400.0, tilt, 250.0), abs=1e-6)
        assert plane.to_mm(seen, height) == pytest.approx(points, abs=1e-9)
    assert plane.tilt_deg.value == pytest.approx(tilt_deg, abs=1e-9)
    assert plane.distance_mm == pytest.approx(250.0)


def test_a_face_nearer_the_camera_is_larger_by_the_height_over_what_is_left():
    """Magnification Z / (Z - t): 1.75 mm at 300 mm is +0.59 %."""
    plane = plane_of(1500.0, np.zeros(2), 300.0)
    ratio = plane.mm_per_px_at(np.array(CENTRE), 0.0) / plane.mm_per_px_at(np.array(CENTRE), 1.75)
    assert ratio == pytest.approx(300.0 / (300.0 - 1.75), rel=1e-9)
    assert 100.0 * (ratio - 1.0) == pytest.approx(0.59, abs=0.005)


@pytest.mark.parametrize(
    ("tilt_deg", "flat"), [(5, 0.99619), (10, 0.98481), (15, 0.96593), (20, 0.93969), (30, 0.86603)]
)
def test_a_tilted_circle_far_away_is_flattened_by_the_cosine(tilt_deg, flat):
    """Parallel projection: minor over major axis is the cosine of the tilt."""
    plane = plane_of(2e6, np.array([np.radians(tilt_deg), 0.0]), 2e5)
    (_, axes, _) = cv2.fitEllipseDirect(plane.to_px(circle(0, 0, 20.0)).astype(np.float32))
    assert min(axes) / max(axes) == pytest.approx(flat, abs=2e-4)


def scene(rng: np.random.Generator, tilt_deg: float, focal: float, noise_px: float):
    """A quarter and a hub of three quarters of a circle, seen under a tilt; their edges err slowly along the rim."""
    turn = rng.uniform(0, 2 * np.pi)
    tilt = np.radians(tilt_deg) * np.array([np.cos(turn), np.sin(turn)])
    distance = focal * 24.0 / 300.0 * rng.uniform(0.8, 1.3)
    at = rng.uniform(-8, 8, 2)
    start = rng.uniform(0, 360)

    def seen(points: np.ndarray, height: float) -> np.ndarray:
        px = project(points, height, focal, tilt, distance)
        slow = rng.normal(0, noise_px, (len(px) // 9 + 2))
        out = px - px.mean(axis=0)
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        return px + out * np.interp(np.arange(len(px)) / 9.0, np.arange(len(slow)), slow)[:, None]

    coin = seen(circle(at[0] + 24, at[1], COIN_MM), COIN_THICK_MM)
    hub = seen(circle(at[0] - 14, at[1], 19.0, 140, (start, start + 270.0)), PART_THICK_MM)
    reach = project(np.array([[at[0] - 14, at[1]], [at[0] - 14, at[1] + 21.0]]), PART_THICK_MM, focal, tilt, distance)
    return coin, hub, reach


def length(plane: Plane, ends_px: np.ndarray) -> float:
    return float(np.linalg.norm(np.diff(plane.to_mm(ends_px, PART_THICK_MM), axis=0)))


def u_length(plane: Plane, ends_px: np.ndarray) -> float:
    step = np.sqrt(np.diag(plane.covariance))
    d = jacobian(lambda p: np.array([length(plane.moved(p), ends_px)]), plane.parameters, step)
    return float(np.sqrt(propagate(d, plane.covariance)[0, 0]))


def fitted(coin: np.ndarray, hub: np.ndarray, f35: float | None) -> Plane:
    reference = CircleReference(coin, Quantity(COIN_MM, 0.036), Quantity(COIN_THICK_MM, 0.06))
    part = [(hub, Quantity(PART_THICK_MM, 0.25))]
    plane = fit_plane([reference], image_size=SIZE, focal_35mm=f35, part_circles=part)
    assert isinstance(plane, Plane)
    return plane


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("tilt_deg", [0.0, 4.0, 12.0, 25.0])
def test_stated_uncertainty_covers_the_real_error(tilt_deg, known):
    rng = np.random.default_rng([int(tilt_deg), known])
    relative, tilts, stated = [], [], []
    for _ in range(14):
        f35 = rng.uniform(23.0, 29.0)
        coin, hub, reach = scene(rng, tilt_deg, focal_px(f35, SIZE), 0.35)
        plane = fitted(coin, hub, f35 * (1.0 + 0.01 * rng.normal()) if known else None)
        u = u_length(plane, reach)
        relative.append((length(plane, reach) - 21.0) / u)
        stated.append(u / 21.0)
        tilts.append(plane.tilt_deg.value - tilt_deg)
    assert np.mean(np.abs(relative) < 2.0) >= 0.85
    assert np.median(stated) < 0.012  # within the reading's "0.01-0.02 with a lone coin" at two standard uncertainties
    if tilt_deg >= 4.0:
        assert np.median(np.abs(tilts)) < 1.0


def test_first_order_propagation_agrees_with_monte_carlo():
    """JCGM 101:2008, clause 8: with a nearly linear model both ways give the same standard uncertainty."""
    rng = np.random.default_rng(5)
    coin, hub, reach = scene(rng, 12.0, focal_px(26.0, SIZE), 0.2)
    plane = fitted(coin, hub, 26.0)
    draws = rng.multivariate_normal(plane.parameters, plane.covariance, 4000)
    lengths = [length(plane.moved(p), reach) for p in draws]
    assert np.std(lengths) == pytest.approx(u_length(plane, reach), rel=0.1)


def test_an_unknown_focal_length_hardly_touches_lengths_near_the_coin():
    rng = np.random.default_rng(6)
    coin, hub, reach = scene(rng, 10.0, focal_px(26.0, SIZE), 0.2)
    with_focal, without = fitted(coin, hub, 26.0), fitted(coin, hub, None)
    assert np.sqrt(without.covariance[0, 0]) > 3.0 * np.sqrt(with_focal.covariance[0, 0])
    assert u_length(without, reach) < 3.0 * u_length(with_focal, reach)


def test_without_the_parts_circle_the_sign_of_the_tilt_is_open_and_that_is_said():
    """One small ellipse far off allows two tilts; both lie within the stated uncertainty."""
    focal, tilt = focal_px(26.0, SIZE), np.radians([14.0, 0.0])
    distance = focal * 24.0 / 120.0  # 5 px a mm: hardly any perspective within the coin
    coin = project(circle(4, 3, COIN_MM), COIN_THICK_MM, focal, tilt, distance)
    reference = CircleReference(coin, Quantity(COIN_MM, 0.036), Quantity(COIN_THICK_MM, 0.06))
    plane = fit_plane([reference], image_size=SIZE, focal_35mm=26.0)
    away = plane.parameters[1:3] - tilt
    u = np.sqrt(np.diag(plane.covariance)[1:3])
    assert np.all(np.abs(away) < 2.5 * u)
    assert u.max() > np.radians(8.0)


def test_a_card_of_points_gives_the_full_plane():
    rng = np.random.default_rng(7)
    focal, tilt = focal_px(26.0, SIZE), np.array([0.12, -0.2])
    pattern = np.array([(x, y) for x in (-45.0, 0.0, 45.0) for y in (-30.0, 30.0)])
    image = project(pattern, 0.0, focal, tilt, 240.0) + rng.normal(0, 0.1, (6, 2))
    reference = PointReference(image, pattern + (7.0, -3.0), 0.1, Quantity(0.0, 0.05))
    plane = fit_plane([reference], image_size=SIZE, focal_35mm=26.0)
    assert plane.parameters[1:3] == pytest.approx(tilt, abs=0.01)
    assert plane.distance_mm == pytest.approx(240.0, rel=0.015)  # the focal length is known to 3 %
    ends = project(np.array([[0.0, 0.0], [0.0, 21.0]]), 2.3, focal, tilt, 240.0)
    assert length(plane, ends) == pytest.approx(21.0, rel=0.003)


def test_a_ruler_on_one_line_gives_scale_along_it():
    focal, tilt = focal_px(26.0, SIZE), np.array([0.0, 0.15])
    marks = np.column_stack([np.arange(0.0, 81.0), np.zeros(81)])
    image = project(marks + (-40.0, 12.0), 0.0, focal, tilt, 260.0)
    plane = fit_plane([PointReference(image, marks, 0.2, Quantity(0.0, 0.3))], image_size=SIZE, focal_35mm=26.0)
    ends = image[[10, 60]]
    assert np.linalg.norm(np.diff(plane.to_mm(ends), axis=0)) == pytest.approx(50.0, rel=0.003)


def test_a_rulers_marks_as_lines_give_the_full_plane():
    """Marks 3 mm long but given as 2: known across themselves to 0.1 px, along themselves to 2 px; tilt honest."""
    rng = np.random.default_rng(9)
    focal = focal_px(26.0, SIZE)
    x = np.arange(0.0, 101.0)
    true = np.concatenate([np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + 3.0])])
    given = true * (1.0, 2.0 / 3.0)
    z = []
    for _ in range(24):
        turn, roll = rng.uniform(0, 2 * np.pi, 2)
        tilt = rng.uniform(0.05, 0.4) * np.array([np.cos(turn), np.sin(turn)])
        flat = (true - (50.0, 25.0)) @ np.array([[np.cos(roll), np.sin(roll)], [-np.sin(roll), np.cos(roll)]])
        image = project(flat, 0.0, focal, tilt, 260.0)
        marks = np.tile(image[101:] - image[:101], (2, 1))
        along = marks / np.linalg.norm(marks, axis=1, keepdims=True)
        across = np.column_stack([along[:, 1], -along[:, 0]])
        image = image + rng.normal(0, 0.1, (202, 1)) * across + rng.normal(0, 2.0, (202, 1)) * along
        reference = PointReference(image, given, 0.1, Quantity(0.0, 0.01), across, 2.0)
        plane = fit_plane([reference], image_size=SIZE, focal_35mm=26.0)
        off = plane.parameters[1:3] - tilt
        z.append(off @ np.linalg.solve(plane.covariance[1:3, 1:3], off) / 2.0)
    assert np.sqrt(np.mean(z)) == pytest.approx(1.0, abs=0.35)


def test_a_ruler_tells_what_the_lens_bends():
    """The lens is OpenCV's (`projectPoints`, k1), 1 % at the picture's corner, the ruler off the middle, the part beyond it."""
    focal, tilt, distance = focal_px(26.0, SIZE), np.array([0.25, -0.2]), 260.0

    def seen(points: np.ndarray, k1: float) -> np.ndarray:
        return project(points, 0.0, focal, tilt, distance, k1)

    x = np.arange(0.0, 101.0)
    pattern = np.concatenate([np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + 3.0])])
    ends = np.array([[-45.0, 60.0], [-45.0, 81.0]])  # mm, beside and beyond
    errors = {}
    for share in (-0.01, 0.0, 0.01):
        k1 = share * (focal / np.hypot(*CENTRE)) ** 2
        image = seen(pattern + (-20.0, 35.0), k1)
        marks = np.tile(image[101:] - image[:101], (2, 1))
        along = marks / np.linalg.norm(marks, axis=1, keepdims=True)
        across = np.column_stack([along[:, 1], -along[:, 0]])
        reference = PointReference(image, pattern, 0.02, Quantity(0.0, 0.01), across, 2.0)
        plane = fit_plane([reference], image_size=SIZE, focal_35mm=26.0)
        assert isinstance(plane, Plane)
        assert plane.parameters[4] == pytest.approx(share, abs=0.0015)
        on_bench = plane.to_mm(seen(ends, k1))
        assert plane.to_px(on_bench) == pytest.approx(seen(ends, k1), abs=0.02)
        errors[share] = float(np.linalg.norm(on_bench[1] - on_bench[0])) / 21.0 - 1.0
        pinhole = plane.moved(plane.parameters[:4])
        if share:
            bent = pinhole.to_mm(seen(ends, k1))
            assert abs(float(np.linalg.norm(bent[1] - bent[0])) / 21.0 - 1.0) > 3.0 * abs(errors[share])
    assert max(abs(e) for e in errors.values()) < 0.002


def test_a_ruler_seen_steeply_through_a_wide_lens_is_fitted_from_any_start():
    """Seen as if square it would lie half as far again: the fit must not stay there. Points by OpenCV's projection."""
    focal, tilt = focal_px(20.0, SIZE), np.array([-0.37, 0.21])
    x = np.arange(0.0, 142.0, 3.2)
    pattern = np.concatenate([np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + 1.3])])
    turn = np.array([[0.56, -0.83], [0.83, 0.56]])
    image = project((pattern - (70.0, 0.0)) @ turn + (-100.0, 65.0), 0.0, focal, tilt, 200.0)
    count = len(x)
    marks = np.tile(image[count:] - image[:count], (2, 1))
    along = marks / np.linalg.norm(marks, axis=1, keepdims=True)
    across = np.column_stack([along[:, 1], -along[:, 0]])
    reference = PointReference(image, pattern, 0.1, Quantity(0.0, 0.1), across, 3.0)
    plane = fit_plane([reference], image_size=SIZE, focal_35mm=20.0)
    assert isinstance(plane, Plane)
    assert plane.residual_px < 0.3 and plane.distance_mm == pytest.approx(200.0, rel=0.06)


def test_what_two_estimates_quarrel_about_is_doubted_in_that_measure():
    """Where the covariances hold, half of the quarrel is exponential with mean 1, and E max(1, X) = 1 + 1/e."""
    rng = np.random.default_rng(3)
    wide, narrow = np.diag([50.0, 0.05, 0.03, 0.01]) ** 2, np.diag([40.0, 0.02, 0.01, 0.006]) ** 2
    at = np.array([2000.0, 0.1, 0.2, -2.0])
    factors = []
    for _ in range(4000):
        together = Plane(at + rng.multivariate_normal(np.zeros(4), narrow), narrow, CENTRE, True)
        alone = Plane(together.parameters + rng.multivariate_normal(np.zeros(4), wide - narrow), wide, CENTRE, True)
        factors.append(doubted(together, alone).covariance[3, 3] / narrow[3, 3])
    assert np.mean(factors) == pytest.approx(1.0 + np.exp(-1.0), abs=0.05)
    away = Plane(at + [0.0, 0.5, 0.5, 0.0], wide, CENTRE, True)
    assert doubted(Plane(at, narrow, CENTRE, True), away).covariance == pytest.approx(9.0 * narrow)


def test_without_a_reference_the_part_is_made_square_but_has_no_unit():
    rng = np.random.default_rng(8)
    focal, tilt = focal_px(26.0, SIZE), np.radians([0.0, 20.0])
    hub = project(circle(0, 0, 40.0), PART_THICK_MM, focal, tilt, 120.0)
    hub = hub + rng.normal(0, 0.05, hub.shape)
    plane = square_plane([(hub, Quantity(40.0, 5.0))], image_size=SIZE, focal_35mm=26.0)
    assert not plane.metric
    assert plane.tilt_deg.value == pytest.approx(20.0, abs=1.5)
    frontal = square_plane([], image_size=SIZE, focal_35mm=None)
    assert frontal.tilt_deg.value == 0.0
    assert frontal.tilt_deg.u == pytest.approx(14.3, abs=0.5)


def test_no_reference_is_not_measured():
    nothing = fit_plane([], image_size=SIZE, focal_35mm=26.0)
    assert isinstance(nothing, NotMeasured) and nothing.code == "plane-not-fitted"


def wall_that_says(drop_px: np.ndarray, spread_px: float, axis_px: np.ndarray) -> PartWall:
    density = np.array([[0.0, *drop_px, np.log(spread_px)]])
    return PartWall(WallDrop(density, np.array([[1.0, 4.0]]), 1.0), axis_px, Quantity(PART_THICK_MM, 0.05))


@pytest.mark.parametrize("tilt", [(0.3, 0.1), (-0.25, 0.2), (0.05, -0.3)])
def test_a_walls_drop_tells_the_tilt_and_its_side(tilt):
    """The drop is as OpenCV projects it; the axis lies beside the picture's middle."""
    axis, tilt = np.array([[14.0, -9.0]]), np.array(tilt)
    top, foot = (project(axis, height, 1400.0, tilt, 250.0)[0] for height in (PART_THICK_MM, 0.0))
    wall = wall_that_says(foot - top, 0.3, top)
    cameras = np.array([[1400.0, *t, np.log(250.0 / 1400.0)] for t in (tilt, -tilt, np.zeros(2), tilt[::-1])])
    odds = wall.evidence(cameras, np.array(CENTRE))
    assert odds[0] > odds[1:].max() + 0.8
    seen = square_plane((), image_size=SIZE, focal_35mm=30.3, wall=wall_that_says((foot - top), 0.3, top))
    assert not seen.metric  # without a scale the unit is the pixel: a thickness of 2.3 of those shows no wall at all
    unit = 1400.0 / 250.0
    wall = PartWall(wall.drop, top, Quantity(PART_THICK_MM * unit, 0.05 * unit))
    seen = square_plane((), image_size=SIZE, focal_35mm=1400.0 * 43.2666 / np.hypot(*SIZE), wall=wall)
    off = np.degrees(np.hypot(*(seen.parameters[1:3] - tilt)))
    assert off < 3.5 < np.degrees(np.hypot(*tilt)) and seen.tilt_deg.u < 6.0


def test_a_ruler_and_a_wall_together_tell_a_tilt_across_the_ruler():
    """A line of marks knows nothing of a tilt about itself; the part's wall does."""
    tilt, marks = np.array([0.28, 0.0]), np.column_stack([np.arange(0.0, 60.0), np.full(60, -25.0)])
    axis = np.array([[10.0, 5.0]])
    top, foot = (project(axis, height, 1400.0, tilt, 250.0)[0] for height in (PART_THICK_MM, 0.0))
    ruler = PointReference(project(marks, 0.0, 1400.0, tilt, 250.0), marks, 0.3, Quantity(0.0, 0.1))
    f35 = 1400.0 * 43.2666 / np.hypot(*SIZE)
    alone = fit_plane([ruler], image_size=SIZE, focal_35mm=f35)
    both = fit_plane([ruler], image_size=SIZE, focal_35mm=f35, wall=wall_that_says(foot - top, 0.3, top))
    assert isinstance(alone, Plane) and isinstance(both, Plane)
    errors = [np.degrees(np.hypot(*(p.parameters[1:3] - tilt))) for p in (alone, both)]
    assert errors[0] > 8.0 and errors[1] < 4.0
    assert both.covariance[1, 1] < 0.3 * alone.covariance[1, 1]
