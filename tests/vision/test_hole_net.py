"""The hole network's view as OpenCV projects a hole, its densities as scipy counts them, and what it says of drawn holes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import scipy.stats
from shapely.geometry import Point

import vision.hole_net
from tests.vision.test_hole_fit import BENCH, CONE, THICKNESS_MM, WALL, camera, circle, drawn, edges, lens
from vision.hole_evidence import FaceMaps, maps_without_reader, window_round
from vision.hole_net import ANYWHERE, BLUNT, U_LEAST_MM, HoleDensity, density_of, hole_network, see_holes
from vision.hole_view import CONES, HALF, PLAINS, SCHEMA, SIDE, view_of, view_to_px
from vision.models import FOLDER, ModelError, open_with_card


@pytest.mark.parametrize(("tilt_deg", "turn_deg"), [(5.0, 10.0), (25.0, 70.0), (25.0, 200.0), (30.0, 315.0)])
def test_a_view_lays_the_face_square_and_lower_things_to_the_right(tilt_deg, turn_deg):
    """A circle on the face and one deep under it, projected by cv2.projectPoints for a camera far away."""
    tilt, turn = np.radians([tilt_deg, turn_deg])
    about = cv2.Rodrigues(tilt * np.array([np.cos(turn), np.sin(turn), 0.0]))[0] @ np.diag([1.0, -1.0, -1.0])
    focal, away, radius = 60_000.0, 6_000.0, 2.0
    ring = 2.0 * np.pi * np.arange(90) / 90.0
    solid = np.column_stack([radius * np.cos(ring), radius * np.sin(ring), 0.0 * ring])
    depth = 1.0
    points = np.vstack([solid, np.zeros((1, 3)), [[0.0, 0.0, -depth]]])
    lens_matrix = np.array([[focal, 0.0, 300.0], [0.0, focal, 200.0], [0.0, 0.0, 1.0]])
    at = cv2.projectPoints(points, cv2.Rodrigues(about)[0], np.array([0.0, 0.0, away]), lens_matrix, np.zeros(5))[0][
        :, 0
    ]
    middle, drop = at[-2], at[-1] - at[-2]
    radius_px = np.sqrt(cv2.contourArea(at[:90].astype(np.float32)) / np.pi)
    to_px = view_to_px(middle, radius_px, drop / np.hypot(*drop) * np.tan(tilt))
    in_view = np.linalg.solve(to_px[:, :2], (at - to_px[:, 2]).T).T - (SIDE - 1.0) / 2.0
    in_view /= SIDE / 2.0 / HALF
    assert np.hypot(*in_view[:90].T) == pytest.approx(np.ones(90), abs=0.01)
    assert in_view[-1] == pytest.approx([depth * np.tan(tilt) / radius, 0.0], abs=0.01)


def test_a_view_shows_photo_and_maps_where_they_lie():
    """Discs as shapely fills them, in the photo and on a map of another scale."""
    middle, radius_px = np.array([70.3, 52.6]), 9.0
    inside = [[Point(*middle).buffer(radius_px).contains(Point(x, y)) for x in range(140)] for y in range(110)]
    photo = np.repeat(np.where(inside, 40, 200).astype(np.uint8)[:, :, None], 3, axis=2)
    opening = cv2.resize(np.array(inside, dtype=np.float32), (70, 55), interpolation=cv2.INTER_AREA)
    maps = FaceMaps(1.0 - opening, opening, opening, np.array([[0.5, 0.0, -0.25], [0.0, 0.5, -0.25]]))
    view = view_of(photo, maps, view_to_px(middle, radius_px, np.zeros(2)))
    assert view.shape == (SIDE, SIDE, 6) and view.dtype == np.uint8
    true = Point((SIDE - 1) / 2, (SIDE - 1) / 2).buffer(SIDE / 2 / HALF)
    for seen in (200.0 - view[:, :, 0], view[:, :, 4].astype(float), 255.0 - view[:, :, 3]):
        share = seen / seen.max()
        rows, columns = np.mgrid[:SIDE, :SIDE]
        assert share.sum() == pytest.approx(true.area, rel=0.05)
        assert (share * columns).sum() / share.sum() == pytest.approx(true.centroid.x, abs=0.3)
        assert (share * rows).sum() / share.sum() == pytest.approx(true.centroid.y, abs=0.3)


def some_density(unit_mm: float = 1.0) -> HoleDensity:
    rng = np.random.default_rng(8)
    share = np.log(scipy.stats.dirichlet.rvs(np.ones(PLAINS + CONES), random_state=rng)[0])
    middle, u = rng.normal(0.0, 0.2, (2, PLAINS + CONES, 4))
    u = -2.0 + u
    plain = np.column_stack([share, middle[:, :3], u[:, :3]])[:PLAINS]
    cone = np.column_stack([share, middle, u])[PLAINS:]
    to_view = np.array([[0.5, -0.2], [0.25, 0.6]])
    return density_of(plain, cone, 0.9, to_view, 1.7 / unit_mm, unit_mm)


def test_the_log_of_a_density_is_what_scipy_says():
    density = some_density()
    rng = np.random.default_rng(2)
    rows = np.column_stack([rng.normal(0.0, 0.5, (40, 2)), rng.uniform(1.2, 2.2, 40), rng.uniform(2.3, 3.4, 40)])
    rows[::3, 3] = 0.0
    for row, log in zip(rows, density.log_of(rows), strict=True):
        d = 3 if row[3] == 0.0 else 4
        at = np.concatenate([density.to_view @ row[:2], np.log(row[2:d] / 1.7)])
        own = range(PLAINS) if d == 3 else range(PLAINS, PLAINS + CONES)
        parts = [
            density.share[k]
            * scipy.stats.multivariate_normal(density.middle[k, :d], np.diag(density.u[k, :d] ** 2)).pdf(at)
            for k in own
        ]
        assert log == pytest.approx(np.log(sum(parts) + ANYWHERE), abs=1e-9)


def test_mean_and_spread_of_a_place_are_those_of_its_samples():
    density = some_density()
    rng = np.random.default_rng(4)
    kind = rng.choice(PLAINS + CONES, 200_000, p=density.share)
    at = rng.normal(density.middle[kind, :2], density.u[kind, :2]) @ np.linalg.inv(density.to_view).T
    mean, spread = density.place()
    assert mean == pytest.approx(at.mean(axis=0), abs=0.01)
    square = np.linalg.det(np.cov((at @ density.to_view.T).T)) ** 0.25 / np.sqrt(np.linalg.det(density.to_view))
    assert spread == pytest.approx(square, rel=0.1)  # of both directions together


def test_no_place_and_no_radius_is_told_better_than_the_least_in_any_unit():
    for unit_mm in (1.0, 2.5):
        density = some_density(unit_mm)
        raw = np.sqrt(density.u[:, :3] ** 2 - (U_LEAST_MM / 1.7) ** 2) / BLUNT
        assert np.log(raw).mean() == pytest.approx(-2.0, abs=0.2)
        assert np.nanmin(density.u) > U_LEAST_MM / 1.7


@pytest.mark.parametrize(("tilt_deg", "turn_deg"), [(4.0, 0.0), (13.0, 140.0), (20.0, 260.0)])
@pytest.mark.parametrize("countersunk", [False, True])
def test_the_network_alone_finds_a_drawn_hole(tilt_deg, turn_deg, countersunk):
    """No photo: flat greys, edges without a bevel. What was first seen of it is the lens or the deep edge beside its place.

    Its size must be right within twice what the network states, and that must not be wide.
    """
    plane, centre, diameter, wide = camera(tilt_deg, turn_deg), np.array([0.4, -0.3]), 3.3, 5.6
    if countersunk:
        through = circle(plane, centre, diameter, THICKNESS_MM - (wide - diameter) / 2.0)
        picture = drawn([(circle(plane, centre, wide, THICKNESS_MM), CONE), (through, BENCH)])
    else:
        through = lens(plane, centre, diameter)
        picture = drawn([(circle(plane, centre, diameter, THICKNESS_MM), WALL), (through, BENCH)])
    hole = edges(through)
    maps = maps_without_reader(picture.shape, (hole,))
    radius = float(maps.radii_px((hole,))[0])
    first = np.array(hole.center_px)
    window = window_round(picture, first, radius, plane, THICKNESS_MM, maps, 1.0)
    assert window is not None
    (said,) = see_holes(picture, maps, [window], [2.0 if countersunk else -2.0], 1.0)
    mean, spread = said.place()
    begun = plane.to_mm(first[None], THICKNESS_MM)[0] - centre
    assert np.hypot(*(begun + mean)) < 0.16
    assert tilt_deg < 10.0 or np.hypot(*(begun + mean)) < 0.8 * np.hypot(*begun)
    assert 0.03 < spread < 0.3
    assert (said.share[PLAINS:].sum() > 0.5) == countersunk
    own = slice(PLAINS, None) if countersunk else slice(None, PLAINS)
    share = said.share[own] / said.share[own].sum()
    size = share @ said.middle[own]
    spread = np.sqrt(share @ (said.u[own] ** 2 + (said.middle[own] - size) ** 2))
    assert abs(size[2] - np.log(diameter / 2.0 / said.radius)) < 2.0 * spread[2] and spread[2] < 0.17
    assert not countersunk or 2.0 * said.radius * np.exp(size[3]) == pytest.approx(wide, abs=0.7)
    assert said.real > 0.8


def test_no_holes_are_nothing_to_look_at():
    assert see_holes(np.zeros((9, 9, 3), np.uint8), maps_without_reader((9, 9), ()), [], [], 1.0) == []


def test_a_network_of_another_version_is_refused(tmp_path, monkeypatch):
    with pytest.raises(ModelError, match="no card"):
        open_with_card(FOLDER / "lean.onnx", SCHEMA)
    monkeypatch.setattr(vision.hole_net, "FOLDER", tmp_path)
    hole_network.cache_clear()
    with pytest.raises(ModelError, match="missing"):
        hole_network()
    hole_network.cache_clear()


def test_all_networks_together_are_small():
    assert sum(path.stat().st_size for path in FOLDER.glob("*.onnx")) < 10e6
