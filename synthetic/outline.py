"""Outlines by shapely: discs, strips, fillets, dense rings. Lengths in mm."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

CHORD_ERROR_MM = 0.002  # of arcs drawn as chords


ARC_STEP_MM = 0.1  # longest step between neighbouring outline points


def disc(x: float, y: float, radius: float) -> Polygon:
    return Point(x, y).buffer(radius, quad_segs=max(6, min(40, int(10 * math.sqrt(radius)))))


def fill_corners(shape: BaseGeometry, radius: float) -> BaseGeometry:
    """Round concave corners to a radius."""
    return _offset_and_back(shape, radius)


def round_corners(shape: BaseGeometry, radius: float) -> BaseGeometry:
    """Round convex corners to a radius."""
    return _offset_and_back(shape, -radius)


def _offset_and_back(shape: BaseGeometry, distance: float) -> BaseGeometry:
    segments = int(min(32, max(4, math.ceil(abs(distance) * 10))))
    there = shape.buffer(distance, quad_segs=segments).simplify(CHORD_ERROR_MM, preserve_topology=False)
    return there.buffer(-distance, quad_segs=segments).simplify(CHORD_ERROR_MM, preserve_topology=False)


def strip(y0: float, w0: float, y1: float, w1: float, x: float = 0.0) -> Polygon:
    """A trapezoid about the line x, `w0` wide at `y0` and `w1` wide at `y1`."""
    return Polygon([(x - w0 / 2, y0), (x + w0 / 2, y0), (x + w1 / 2, y1), (x - w1 / 2, y1)])


def largest(shape: BaseGeometry) -> Polygon:
    if isinstance(shape, MultiPolygon):
        shape = max(shape.geoms, key=lambda g: g.area)
    return shape if isinstance(shape, Polygon) else Polygon()


def even_steps(polygon: Polygon, step: float = ARC_STEP_MM) -> np.ndarray:
    """The outer ring, counter-clockwise, with points no farther apart than `step`, the first not repeated."""
    ring = shapely.geometry.polygon.orient(polygon, 1.0).exterior
    return np.asarray(ring.segmentize(step).coords)[:-1]


def pick(rng: np.random.Generator, odds: dict[str, float]) -> str:
    p = np.array(list(odds.values()))
    return str(rng.choice(list(odds), p=p / p.sum()))


def width_across(shape: Polygon, y: float, x: float = 0.0) -> float:
    """Outermost to outermost width of an outline along the line at height `y`, of the piece or pieces about `x`."""
    cut = shape.intersection(LineString([(-80, y), (80, y)]))
    return 0.0 if cut.is_empty else float(cut.bounds[2] - cut.bounds[0])
