"""A plate drawn by shapely, its edges projected by OpenCV: the wall is where and as wide as said, and is taken off."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, MultiPoint, Point, Polygon, box
from shapely.ops import unary_union

from vision.face_edge import OVERLAP, PITCH, PLACES, ROWS, WALL_STEPS, edge_of_face, unroll, wall_width
from vision.lean import first_edge_of_face
from vision.measure import FaceEdges
from vision.outline import outward_normals, resample_closed
from vision.patch import Patch
from vision.plane import Plane

SIDE, FINE = 520, 3
FOCAL, DISTANCE, THICKNESS = 1500.0, 160.0, 2.6
CENTRE = (SIDE - 1) / 2.0


def plate() -> Polygon:
    shape = unary_union([Point(-6.0, 0.0).buffer(9.5, 64), box(-6.0, -4.0, 18.0, 4.0)])
    return shape.buffer(0.8, 32).buffer(-1.6, 32).buffer(0.8, 32)


def bench(across: float, along: float) -> Plane:
    parameters = np.array([FOCAL, across, along, np.log(DISTANCE / FOCAL)])
    return Plane(parameters, np.zeros((4, 4)), (CENTRE, CENTRE), True)


def projected(points_mm: np.ndarray, height: float, across: float, along: float) -> np.ndarray:
    """By OpenCV: bench axes x right, y up and z towards the camera, turned by the two tilts (docs of cv2.projectPoints)."""
    turn = cv2.Rodrigues(np.array([across, along, 0.0]))[0] @ np.diag([1.0, -1.0, -1.0])
    camera = np.array([[FOCAL, 0.0, CENTRE], [0.0, FOCAL, CENTRE], [0.0, 0.0, 1.0]])
    solid = np.column_stack([points_mm, np.full(len(points_mm), height)])
    shift = np.array([0.0, 0.0, DISTANCE])
    return cv2.projectPoints(solid, cv2.Rodrigues(turn)[0], shift, camera, np.zeros(5))[0][:, 0]


def seen(across: float, along: float) -> tuple[np.ndarray, Polygon]:
    """The face's outline and everything that shows of the plate, pixels."""
    ring = resample_closed(np.asarray(plate().exterior.coords)[:-1], 2 * ROWS)
    top, foot = (projected(ring, height, across, along) for height in (THICKNESS, 0.0))
    sides = [MultiPoint([top[i - 1], top[i], foot[i], foot[i - 1]]).convex_hull.buffer(1e-6) for i in range(len(ring))]
    return top, unary_union([Polygon(top), Polygon(foot), *sides])


def painted(layers: list[tuple[np.ndarray, int]], bench_grey: int) -> np.ndarray:
    picture = np.full((SIDE * FINE, SIDE * FINE), bench_grey, np.uint8)
    for points, shade in layers:
        cv2.fillPoly(picture, [np.round((points + 0.5) * FINE - 0.5).astype(np.int32)], int(shade))
    small = cv2.GaussianBlur(cv2.resize(picture, (SIDE, SIDE), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    noisy = small + np.random.default_rng(4).normal(0.0, 3.0, small.shape)
    return np.repeat(noisy.clip(0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


def given(
    pixels: np.ndarray, outline: np.ndarray, mapped: np.ndarray
) -> tuple[np.ndarray, FaceEdges, np.ndarray, Patch]:
    """The photo, a face with that outline, and the reader's map: the polygon `mapped`, soft as it is, over its patch."""
    scale = SIDE / 256.0
    patch = Patch(
        cv2.resize(pixels, (256, 256), interpolation=cv2.INTER_AREA), np.array([[scale, 0, 0], [0, scale, 0]])
    )
    face_map = np.zeros((256, 256), np.uint8)
    cv2.fillPoly(face_map, [np.round(mapped / scale * 16).astype(np.int32)], 255, shift=4)
    soft = cv2.GaussianBlur(face_map.astype(np.float32) / 255.0, (0, 0), 1.2)
    face = FaceEdges(outline, 0.4, (), np.array([200.0, 260.0]), np.array([300.0, 260.0]), 90.0, 3.0, 2.0)
    return pixels, face, soft, patch


def looked_at(pixels: np.ndarray, outline: np.ndarray, mapped: np.ndarray, plane: Plane) -> np.ndarray:
    """The outline after the network's look."""
    return edge_of_face(*given(pixels, outline, mapped), plane, THICKNESS).outline_px


def away(points: np.ndarray, polygon: np.ndarray) -> np.ndarray:
    ring = Polygon(polygon).exterior
    return np.array([ring.distance(Point(*p)) for p in points])


@pytest.mark.parametrize(("across", "along"), [(0.35, 0.0), (-0.2, 0.3), (0.1, 0.4)])
def test_the_wall_is_as_wide_as_the_projected_plate_shows_it(across, along):
    top, whole = seen(across, along)
    width, normal = wall_width(top, bench(across, along), THICKNESS), outward_normals(top, 1.0)
    shows = np.array([whole.exterior.distance(Point(*p)) for p in top])
    hull = Polygon(top).convex_hull.exterior
    bulging = np.array([hull.distance(Point(*p)) < 0.3 for p in top])  # in a hollow other walls lie before a point
    assert bulging.mean() > 0.4
    assert (width[bulging & (shows > 1.5)] > 0.0).all()
    assert (shows[bulging & (width < 0.0)] < 0.2).all()
    checked = 0
    for i in range(0, len(top), 3):
        ray = LineString([top[i] + 0.05 * normal[i], top[i] + 40.0 * normal[i]]).intersection(whole)
        if width[i] < 3.0 or ray.geom_type != "LineString":
            continue  # the hollow beside the tail shows the wall across
        neighbours = np.arange(i - 5, i + 6) % len(top)
        if np.ptp(np.unwrap(np.arctan2(normal[neighbours, 1], normal[neighbours, 0]))) < 0.02:  # straight on both sides
            assert ray.length == pytest.approx(width[i], rel=0.06)
            checked += 1
    assert checked >= 2


def test_the_strip_shows_what_lies_across_the_outline():
    top, _ = seen(0.3, 0.1)
    pixels = painted([(top, 60)], 190)
    mapped = np.zeros((256, 256), np.float32)
    strip = unroll(pixels, top, mapped, Patch(pixels[:256, :256], np.eye(2, 3)), np.full(2 * ROWS, 3.0))
    assert strip.picture.shape == (ROWS, PLACES, 5)
    assert np.abs(strip.picture[:, :14, :3].astype(int) - 60).mean() < 12.0  # hollows meet the bench again
    assert np.median(strip.picture[:, -14:, 0]) == pytest.approx(190, abs=4)
    assert (strip.picture[..., 3] == 0).all()
    assert strip.pitch_px == pytest.approx(PITCH * cv2.minEnclosingCircle(top.astype(np.float32))[1], rel=1e-6)
    assert strip.picture[0, 0, 4] == round(3.0 / strip.pitch_px * WALL_STEPS)
    assert OVERLAP < ROWS


@pytest.mark.parametrize(("face", "wall"), [(150, 70), (110, 170), (215, 120)])
@pytest.mark.parametrize(("across", "along"), [(0.36, 0.0), (-0.2, 0.3)])
def test_a_wall_that_was_taken_in_is_taken_off(across, along, face, wall):
    top, whole = seen(across, along)
    outer = resample_closed(np.asarray(whole.exterior.coords)[:-1], 2 * ROWS)
    pixels = painted([(outer, wall), (top, face)], 235 if face < 200 else 60)
    after = looked_at(pixels, outer, outer, bench(across, along))
    before = away(outer, top)
    walled = before > 2.0
    assert walled.mean() > 0.25
    # flat greys are like no picture the networks learned from: with bright faces on dark benches more is left
    assert np.median(away(after, top)[walled]) < 0.6 * np.median(before[walled])


@pytest.mark.parametrize(("face", "wall"), [(150, 70), (110, 170), (215, 120)])
def test_a_true_outline_stays(face, wall):
    top, whole = seen(0.36, 0.0)
    outer = np.asarray(whole.exterior.coords)[:-1]
    pixels = painted([(outer, wall), (top, face)], 235 if face < 200 else 60)
    after = looked_at(pixels, top, top, bench(0.36, 0.0))
    assert np.quantile(away(after, top), 0.9) < 2.0  # 0.2 mm


@pytest.mark.parametrize(("face", "wall"), [(150, 70), (215, 120)])
@pytest.mark.parametrize(("across", "along"), [(0.36, 0.0), (-0.36, 0.0), (-0.2, 0.3), (0.05, -0.35)])
def test_the_wall_tells_to_which_side_the_part_leans(across, along, face, wall):
    top, whole = seen(across, along)
    outer = np.asarray(whole.exterior.coords)[:-1]
    pixels = painted([(outer, wall), (top, face)], 235 if face < 200 else 60)
    edges, drop = first_edge_of_face(*given(pixels, top, top))
    assert np.quantile(away(edges.outline_px, top), 0.9) < 4.5  # px, of a wall of 8
    axis = np.array([[-6.0, 0.0]])
    true = (projected(axis, 0.0, across, along) - projected(axis, THICKNESS, across, along))[0]  # by OpenCV
    turned = np.array([[0.0, -1.0], [1.0, 0.0]]) @ true
    odds = drop.evidence(np.stack([true, -true, turned, -turned, 0.0 * true]))
    assert odds[0] > odds[1:].max() + 0.7  # twice as likely as the mirrored tilt, those across it and none
