"""Holes drawn by shapely as a known camera sees them are read back, though what was first seen is a lens or one edge."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon

from vision.hole_fit import fit_holes
from vision.measure import HoleEdges, _hole
from vision.plane import Plane

SIDE, FINE = 160, 4  # pixels, and how many times finer the drawing is
FACE, WALL, BENCH, CONE = 190, 120, 60, 150
THICKNESS_MM = 2.3
RING = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)


def camera(tilt_deg: float, turn_deg: float) -> Plane:
    focal, distance = 2500.0, 250.0
    tilt, turn = np.radians([tilt_deg, turn_deg])
    parameters = np.array([focal, tilt * np.cos(turn), tilt * np.sin(turn), np.log(distance / focal)])
    return Plane(parameters, np.zeros((4, 4)), ((SIDE - 1) / 2.0, (SIDE - 1) / 2.0), True)


def circle(plane: Plane, centre: np.ndarray, diameter: float, height: float) -> np.ndarray:
    return plane.to_px(centre + np.column_stack([np.cos(RING), np.sin(RING)]) * diameter / 2.0, height)


def drawn(layers: list[tuple[np.ndarray, int]]) -> np.ndarray:
    """Filled polygons, later over earlier, on a face; smoothed to pixels."""
    picture = np.full((SIDE * FINE, SIDE * FINE), FACE, dtype=np.uint8)
    for points, shade in layers:
        cv2.fillPoly(picture, [np.round((points + 0.5) * FINE - 0.5).astype(np.int32)], int(shade))
    small = cv2.resize(picture, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    noisy = small + np.random.default_rng(1).normal(0.0, 2.0, small.shape)
    return np.repeat(noisy.clip(0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


def lens(plane: Plane, centre: np.ndarray, diameter: float) -> np.ndarray:
    upper = Polygon(circle(plane, centre, diameter, THICKNESS_MM))
    lower = Polygon(circle(plane, centre, diameter, 0.0))
    return np.asarray(upper.intersection(lower).exterior.coords)[:-1]


def edges(points: np.ndarray) -> HoleEdges:
    at = points.mean(axis=0)
    return HoleEdges(points, None, None, (float(at[0]), float(at[1])))


@pytest.mark.parametrize("turn_deg", [20.0, 140.0, 260.0])
def test_a_plain_hole_seen_aslant_is_no_lens(turn_deg):
    plane, centre, diameter = camera(13.0, turn_deg), np.array([0.4, -0.3]), 3.3
    through = lens(plane, centre, diameter)
    picture = drawn([(circle(plane, centre, diameter, THICKNESS_MM), WALL), (through, BENCH)])
    first = edges(through)
    off, small, _ = _hole(first, plane, THICKNESS_MM, 0.0)
    assert np.hypot(*(off - centre)) > 0.12 and small < diameter - 0.2  # what the lens alone would have said
    (hole,) = fit_holes(picture, (first,), plane, THICKNESS_MM, 0.3)
    at, read, countersink = _hole(hole, plane, THICKNESS_MM, 0.0)
    assert np.hypot(*(at - centre)) < 0.06
    assert read == pytest.approx(diameter, abs=0.1)
    assert np.isnan(countersink)
    assert hole.u_center_px > 0.0 and hole.u_edge_px > 0.0


@pytest.mark.parametrize("turn_deg", [75.0, 200.0])
def test_a_countersunk_hole_is_read_at_its_depth(turn_deg):
    plane, centre, diameter, wide = camera(13.0, turn_deg), np.array([-0.2, 0.5]), 3.3, 5.6
    depth = (wide - diameter) / 2.0  # a cone of 90 degrees (ISO 7721-1 heads of metric countersunk screws)
    inner = circle(plane, centre, diameter, THICKNESS_MM - depth)
    picture = drawn([(circle(plane, centre, wide, THICKNESS_MM), CONE), (inner, BENCH)])
    first = edges(inner)
    assert np.hypot(*(_hole(first, plane, THICKNESS_MM, 0.0)[0] - centre)) > 0.2
    (hole,) = fit_holes(picture, (first,), plane, THICKNESS_MM, 0.9)
    at, read, countersink = _hole(hole, plane, THICKNESS_MM, 0.0)
    assert np.hypot(*(at - centre)) < 0.06
    assert read == pytest.approx(diameter, abs=0.12)
    assert countersink == pytest.approx(wide, abs=0.12)


def test_a_hole_wider_than_any_screws_is_its_countersink():
    plane, centre = camera(4.0, 0.0), np.zeros(2)
    rim = circle(plane, centre, 6.2, THICKNESS_MM)
    (hole,) = fit_holes(drawn([(rim, BENCH)]), (edges(rim),), plane, THICKNESS_MM, 0.9)
    assert hole.through_px is None and hole.countersink_px is not None


def test_a_glint_is_no_hole_size():
    plane, centre = camera(4.0, 0.0), np.zeros(2)
    spot = circle(plane, centre, 1.6, THICKNESS_MM)
    (hole,) = fit_holes(drawn([(spot, BENCH)]), (edges(spot),), plane, THICKNESS_MM, 0.2)
    assert hole.through_px is None and hole.countersink_px is None
    assert np.hypot(*(plane.to_mm(np.array([hole.center_px]), THICKNESS_MM)[0] - centre)) < 0.1
    assert hole.u_center_px * plane.mm_per_px_at(np.array(hole.center_px), THICKNESS_MM) > 0.3


def test_where_nothing_is_drawn_the_hole_stays():
    plane = camera(4.0, 0.0)
    first = edges(circle(plane, np.zeros(2), 3.3, THICKNESS_MM))
    flat = np.full((SIDE, SIDE, 3), FACE, dtype=np.uint8)
    (hole,) = fit_holes(flat, (first,), plane, THICKNESS_MM, 0.5)
    at, read, _ = _hole(hole, plane, THICKNESS_MM, 0.0)
    assert np.hypot(*at) < 0.5 and (np.isnan(read) or read == pytest.approx(3.3, abs=0.6))
    assert hole.u_center_px > 0.0


@pytest.mark.parametrize("turn_deg", [30.0, 170.0])
def test_a_faint_countersink_is_found_where_the_network_sees_it(turn_deg):
    """The cone is hardly another grey than the face: the through edge alone would pass for a plain hole beside its place."""
    plane, centre, diameter, wide = camera(18.0, turn_deg), np.array([0.2, 0.1]), 3.3, 5.8
    inner = circle(plane, centre, diameter, THICKNESS_MM - (wide - diameter) / 2.0)
    picture = drawn([(circle(plane, centre, wide, THICKNESS_MM), FACE - 14), (inner, BENCH)])
    rough = circle(plane, centre + (0.15, -0.1), wide + 0.3, THICKNESS_MM)
    first = replace(edges(inner), cone=0.95, cone_px=rough)
    (hole,) = fit_holes(picture, (first,), plane, THICKNESS_MM, 0.5)
    at, read, countersink = _hole(hole, plane, THICKNESS_MM, 0.0)
    assert np.hypot(*(at - centre)) < 0.12
    assert read == pytest.approx(diameter, abs=0.15)
    assert countersink == pytest.approx(wide, abs=0.3)


def half_in_shadow(plane: Plane, centre: np.ndarray, diameter: float, dim: int) -> tuple[np.ndarray, list]:
    """A plain hole whose bench is bright on one side only; all else of it is nearly as dark as the face."""
    mouth = Polygon(circle(plane, centre, diameter, THICKNESS_MM))
    lit = mouth.intersection(Polygon(circle(plane, centre + (0.9, 0.3), diameter, 0.0)))
    ring = np.asarray(lit.exterior.coords)[:-1]
    return ring, [(circle(plane, centre, diameter, THICKNESS_MM), dim), (ring, 235)]


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 210.0])
def test_the_lit_part_of_a_hole_is_not_taken_for_the_hole(turn_deg):
    plane, centre, diameter = camera(8.0, turn_deg), np.array([0.1, 0.2]), 3.9
    lit, layers = half_in_shadow(plane, centre, diameter, FACE - 40)
    first = edges(lit)
    assert np.hypot(*(_hole(first, plane, THICKNESS_MM, 0.0)[0] - centre)) > 0.35  # what the lit part alone says
    (hole,) = fit_holes(drawn(layers), (first,), plane, THICKNESS_MM, 0.03)
    at, read, _ = _hole(hole, plane, THICKNESS_MM, 0.0)
    assert np.hypot(*(at - centre)) < 0.1
    assert read == pytest.approx(diameter, abs=0.2)


def test_what_is_stated_is_more_for_the_hole_that_hardly_shows():
    plane, centre = camera(8.0, 30.0), np.zeros(2)
    stated = []
    for dim in (FACE - 90, FACE - 6):
        lit, layers = half_in_shadow(plane, centre, 3.6, dim)
        (hole,) = fit_holes(drawn(layers), (edges(lit),), plane, THICKNESS_MM, 0.03)
        stated.append(hole.u_center_px)
    assert stated[1] > 1.5 * stated[0]


def test_holes_of_one_part_speak_for_each_others_size():
    """Of two holes one shows its lit part only; beside a clear one of the same size it is read nearer its own place."""
    plane, clear, dim = camera(6.0, 30.0), np.array([-4.5, 0.0]), np.array([4.5, 0.0])
    lit, layers = half_in_shadow(plane, dim, 3.6, FACE - 9)
    rim = circle(plane, clear, 3.6, THICKNESS_MM)
    picture = drawn([*layers, (rim, BENCH)])
    (alone,) = fit_holes(picture, (edges(lit),), plane, THICKNESS_MM, 0.03)
    beside, _ = fit_holes(picture, (edges(lit), edges(rim)), plane, THICKNESS_MM, 0.03)
    off = [np.hypot(*(_hole(h, plane, THICKNESS_MM, 0.0)[0] - dim)) for h in (alone, beside)]
    size = [abs(_hole(h, plane, THICKNESS_MM, 0.0)[1] - 3.6) for h in (alone, beside)]
    assert off[1] < off[0] and size[1] < size[0]
