"""Edges against scikit-image's contours and against drawn discs whose radius is known exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from shapely.geometry import LineString, Polygon
from skimage.measure import find_contours

from vision.outline import (
    agree_with_neighbours,
    along_rays,
    level_curves,
    outward_normals,
    resample_closed,
    signed_area,
    smooth_closed,
    snap_to_photo,
)
from vision.outline_words import DIRECTIONS, FAR, signature


def soft_disc(size: int, centre: tuple[float, float], radius: float, blur: float = 1.2) -> np.ndarray:
    """A disc with a soft edge that passes one half exactly at its radius."""
    y, x = np.mgrid[:size, :size]
    distance = np.hypot(x - centre[0], y - centre[1]) - radius
    return (0.5 - 0.5 * np.tanh(distance / blur)).astype(np.float32)


def test_level_curve_agrees_with_scikit_image():
    disc = soft_disc(128, (60.3, 66.8), 30.4)
    ours = level_curves(disc)[0]
    theirs = find_contours(disc, 0.5)[0][:, ::-1]  # scikit-image: rows, columns
    for curve in (ours, theirs):
        radius = np.hypot(*(curve - (60.3, 66.8)).T)
        assert radius.mean() == pytest.approx(30.4, abs=0.03)
        assert radius.std() < 0.05
    assert abs(signed_area(resample_closed(ours, 400))) == pytest.approx(abs(signed_area(theirs)), rel=2e-3)


def test_curves_come_largest_first_and_specks_are_left_out():
    two = np.maximum(soft_disc(128, (30, 30), 9.0), soft_disc(128, (85, 80), 25.0))
    two[0, 0] = 1.0
    curves = level_curves(two)
    assert len(curves) == 2
    assert np.hypot(*(curves[0] - (85, 80)).T).mean() > np.hypot(*(curves[1] - (30, 30)).T).mean()


def test_normals_point_outwards_in_either_direction():
    ring = np.column_stack(
        [np.cos(np.linspace(0, 2 * np.pi, 90, endpoint=False)), np.sin(np.linspace(0, 2 * np.pi, 90, endpoint=False))]
    )
    for points in (ring, ring[::-1].copy()):
        assert ((outward_normals(points) * points).sum(axis=1) > 0.99).all()


@pytest.mark.parametrize("brighter", [True, False])
@pytest.mark.parametrize("offset", [-1.3, 0.0, 1.4])
def test_snapping_finds_the_drawn_edge(brighter, offset):
    rng = np.random.default_rng(5)
    disc = soft_disc(200, (101.2, 98.7), 60.0, blur=1.6)
    inside, outside = (180.0, 60.0) if brighter else (50.0, 190.0)
    grey = outside + (inside - outside) * disc + rng.normal(0.0, 2.5, disc.shape)
    picture = np.clip(np.repeat(grey[:, :, None], 3, axis=2), 0, 255).astype(np.uint8)
    angle = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    start = np.column_stack([101.2 + (60.0 + offset) * np.cos(angle), 98.7 + (60.0 + offset) * np.sin(angle)])
    edge = snap_to_photo(picture, start, reach_px=4.0, prior_px=2.0)
    good = agree_with_neighbours(edge, 1.0)
    radius = np.hypot(*(edge.points_px[good] - (101.2, 98.7)).T)
    assert good.mean() > 0.95
    assert radius.mean() == pytest.approx(60.0, abs=0.08)
    assert radius.std() < 0.2


def test_equally_bright_colours_still_show_an_edge():
    disc = soft_disc(160, (80, 80), 45.0)[:, :, None]
    red, green = np.array([200.0, 60.0, 60.0]), np.array([60.0, 131.0, 60.0])
    picture = np.clip(green + (red - green) * disc, 0, 255).astype(np.uint8)
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    assert np.ptp(grey.astype(float)) < 25  # nearly one grey
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    start = 80 + 46.5 * np.column_stack([np.cos(angle), np.sin(angle)])
    edge = snap_to_photo(picture, start, reach_px=4.0, prior_px=2.0)
    assert edge.found.all()
    assert np.hypot(*(edge.points_px - 80).T).mean() == pytest.approx(45.0, abs=0.15)


def test_no_edge_is_not_invented():
    flat = np.full((120, 120, 3), 128, dtype=np.uint8)
    angle = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    start = 60 + 30 * np.column_stack([np.cos(angle), np.sin(angle)])
    edge = snap_to_photo(flat, start, reach_px=4.0, prior_px=2.0)
    assert not edge.found.any()
    np.testing.assert_allclose(edge.points_px, start)


def test_smoothing_keeps_the_mean_and_removes_noise():
    noise = np.random.default_rng(1).normal(size=256)
    smooth = smooth_closed(noise, 4.0)
    assert smooth.mean() == pytest.approx(noise.mean(), abs=1e-12)
    assert smooth.std() < 0.4 * noise.std()


def test_samples_along_rays_agree_with_scipy_also_beyond_the_border():
    rng = np.random.default_rng(3)
    picture = cv2.GaussianBlur(rng.integers(0, 256, (60, 90, 3)).astype(np.uint8), (0, 0), 2.0)
    turn = rng.uniform(0.0, 2.0 * np.pi, 40)
    points, ways = rng.uniform(-5.0, (94.0, 64.0), (40, 2)), np.column_stack([np.cos(turn), np.sin(turn)])
    distances = np.linspace(-6.0, 6.0, 17)
    ours = along_rays(picture, points, ways, distances)
    where = points[:, None] + distances[:, None] * ways[:, None]
    theirs = [
        map_coordinates(picture[..., k].astype(float), where.T[::-1], order=1, mode="nearest").T for k in range(3)
    ]
    assert ours.shape == (40, 17, 3)
    # OpenCV rounds places to 1/32 pixel and values to whole grey levels
    assert ours == pytest.approx(
        np.stack(theirs, axis=2), abs=1.0 + np.abs(np.diff(picture.astype(float), axis=1)).max() / 16.0
    )


def test_rays_beside_the_picture_see_nothing():
    picture = np.zeros((40, 40, 3), dtype=np.uint8)
    assert along_rays(picture, np.array([[60.0, 20.0]]), np.array([[1.0, 0.0]]), np.arange(3.0)).size == 0


def test_area_is_shapelys_whichever_way_the_outline_runs():
    points = np.random.default_rng(4).normal(0.0, 1.0, (7, 2))
    star = points[np.argsort(np.arctan2(points[:, 1], points[:, 0]))] * 3.0 + 20.0
    assert signed_area(star) == pytest.approx(Polygon(star).area)
    assert signed_area(star[::-1]) == pytest.approx(-Polygon(star).area)


def test_signature_is_where_shapelys_rays_cross_the_outline():
    rng = np.random.default_rng(5)
    turn = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    far = 8.0 + 5.0 * np.cos(turn) + rng.uniform(0.0, 3.0, 60)  # jagged: some rays cross several times
    outline = np.column_stack([far * np.sin(turn) + 3.0, far * np.cos(turn)])  # the axis near the edge
    ring = LineString(np.vstack([outline, outline[:1]]))
    seen = signature(outline, 2.0)
    for k in range(DIRECTIONS):
        angle = 2.0 * np.pi * k / DIRECTIONS
        crossed = ring.intersection(LineString([(0.0, 0.0), (100.0 * np.sin(angle), 100.0 * np.cos(angle))]))
        away = [float(np.hypot(p.x, p.y)) / 2.0 for p in getattr(crossed, "geoms", [crossed]) if not p.is_empty]
        expected = (min(away), max(away)) if away else (0.0, 0.0)
        assert seen[:, k] == pytest.approx(np.minimum(expected, FAR), abs=1e-5)
