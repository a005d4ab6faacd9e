"""Screw holes by the patterns of practice and any other, and reliefs that take no screw. Lengths in mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from synthetic.outline import ARC_STEP_MM, disc, even_steps, largest, pick, round_corners
from vision.label import Hole
from vision.vocabulary import xy_from_angle

SCREW_RADIUS_MM = (3.3, 7.4)


SCREW_DIAMETER_MM = (2.5, 4.8)


COUNTERSINK_MM = (4.8, 7.8)


WEB_MM = 0.7  # least metal between an opening and the next edge


LARGEST_SCREW_HOLE_ROUND_MM = 5.4  # a wider round opening reads as a relief


@dataclass(frozen=True, slots=True)
class Opening:
    """One opening right through the plate.

    `polygon_mm` is the through edge; `countersink_mm` the outer diameter of the cone on the screw side, else None.
    `diameter_mm` is that of the through hole (across the slot for an oblong hole, of the circle of equal area for a relief).
    """

    kind: str  # screw or relief
    x_mm: float
    y_mm: float
    diameter_mm: float
    countersink_mm: float | None
    polygon_mm: np.ndarray
    round: bool = True

    def hole(self) -> Hole:
        """The same opening as the label says it."""
        return Hole(self.kind, self.x_mm, self.y_mm, self.diameter_mm, self.countersink_mm)


@dataclass(frozen=True, slots=True)
class ScrewPlan:
    """What is settled about the screws before they are tried in a plate, so that hard patterns are not drawn less often."""

    pattern: str
    sunk: bool
    oblong: bool


def screw_plan(rng: np.random.Generator) -> ScrewPlan:
    """A pattern of practice (over half of the time) or any other: `any-3` means three holes anywhere."""
    odds = {"2-7": 0.22, "3-9": 0.20, "3-centre": 0.09, "opposite": 0.06}
    odds |= {"any-1": 0.08, "any-2": 0.17, "any-3": 0.10, "any-4": 0.08}
    return ScrewPlan(pick(rng, odds), bool(rng.random() < 0.55), bool(rng.random() < 0.06))


def _pattern(rng: np.random.Generator, kind: str) -> list[tuple[float | None, float]]:
    """Screw positions as (clock angle, radius); None for one in the centre."""
    radius = float(rng.uniform(*SCREW_RADIUS_MM))
    jitter = float(rng.choice((0.0, 3.0, 8.0)))
    same = rng.random() < 0.65
    start = float(rng.uniform(0, 360))
    angles: list[float | None]
    if kind.startswith("any-"):
        count = int(kind[-1])
        even = rng.random() < 0.5
        angles = [start + i * 360 / count if even else float(rng.uniform(0, 360)) for i in range(count)]
        if rng.random() < 0.15:
            angles[0] = None
    else:
        angles = {
            "2-7": [60.0, 210.0],
            "3-9": [90.0, 270.0],
            "3-centre": [90.0, None],
            "opposite": [start, start + 180],
        }[kind]
    return [
        (
            None if a is None else a + jitter * float(rng.uniform(-1, 1)),
            radius if same else float(rng.uniform(*SCREW_RADIUS_MM)),
        )
        for a in angles
    ]


def _rounded_opening(x: float, y: float, diameter: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, max(48, int(math.pi * diameter / ARC_STEP_MM)), endpoint=False)
    return np.c_[x + np.cos(turn) * diameter / 2, y + np.sin(turn) * diameter / 2]


def screws(
    rng: np.random.Generator, inner: Polygon, plan: ScrewPlan, *, small: float = 1.0
) -> tuple[list[Opening], BaseGeometry] | None:
    """Screw holes with metal all round, and what they take up; None when this draw does not go into the plate.

    `inner` is the plate less a web all round; `small` below 1 keeps the holes and cones to the lower part of their ranges.
    """
    low, high = SCREW_DIAMETER_MM
    high = low + small * (high - low)
    diameter = float(rng.uniform(low, high))
    least = max(COUNTERSINK_MM[0], diameter + 1.2)
    widest = max(COUNTERSINK_MM[0] + small * (COUNTERSINK_MM[1] - COUNTERSINK_MM[0]), diameter + 1.6)
    sunk = float(rng.uniform(least, widest)) if plan.sunk else None
    oblong = plan.oblong
    openings: list[Opening] = []
    taken: BaseGeometry = Polygon()
    for angle, radius in _pattern(rng, plan.pattern):
        x, y = (
            (float(rng.normal(0, 0.08)), float(rng.normal(0, 0.08))) if angle is None else xy_from_angle(angle, radius)
        )
        d = diameter * float(rng.uniform(0.97, 1.03)) if rng.random() < 0.8 else float(rng.uniform(low, high))
        d = min(max(d, SCREW_DIAMETER_MM[0]), SCREW_DIAMETER_MM[1])
        cone = sunk if sunk is not None and sunk > d + 1.0 and rng.random() < 0.94 else None
        at = Point(x, y)
        need = max(d, cone or 0.0) / 2
        if not inner.contains(at) or inner.exterior.distance(at) < need:
            return None
        if any(
            math.hypot(x - o.x_mm, y - o.y_mm) < need + max(o.diameter_mm, o.countersink_mm or 0.0) / 2 + WEB_MM
            for o in openings
        ):
            return None
        if oblong and cone is None and angle is not None:
            half = d * float(rng.uniform(0.12, 0.4))
            along = math.radians(angle) if rng.random() < 0.5 else math.radians(angle + 90)
            axis = LineString(
                [
                    (x - math.sin(along) * half, y - math.cos(along) * half),
                    (x + math.sin(along) * half, y + math.cos(along) * half),
                ]
            )
            polygon: np.ndarray = even_steps(axis.buffer(d / 2, quad_segs=32))
        else:
            polygon = _rounded_opening(x, y, d)
        foot = Polygon(polygon).union(disc(x, y, cone / 2)) if cone else Polygon(polygon)
        if not inner.contains(foot) or taken.distance(foot) < WEB_MM:
            return None
        taken = taken.union(foot)
        openings.append(Opening("screw", x, y, d, cone, polygon, not (oblong and cone is None and angle is not None)))
    return openings, taken


def reliefs(rng: np.random.Generator, inner: Polygon, taken: BaseGeometry, hub: float, reach: float) -> list[Opening]:
    """Openings that take no screw, told from screw holes by form, size or place."""
    openings: list[Opening] = []
    for _ in range(int(rng.choice((0, 1, 2), p=(0.66, 0.27, 0.07)))):
        for _attempt in range(6):
            where = pick(rng, {"centre": 3, "hub": 2, "tail": 2})
            if where == "centre":
                x = y = 0.0
            elif where == "hub":
                x, y = xy_from_angle(float(rng.uniform(0, 360)), float(rng.uniform(0.1, 0.38) * hub))
            else:
                x, y = float(rng.normal(0, 0.05 * hub)), float(rng.uniform(hub / 2, reach - 2))
            kind = pick(
                rng,
                {
                    "round": 3,
                    "stadium": 2,
                    "square": 1,
                    "rectangle": 1,
                    "D": 0.8,
                    "hexagon": 0.5,
                    "cross": 0.5,
                    "kidney": 0.6,
                },
            )
            if kind == "round":
                small = rng.random() < 0.3
                size = rng.uniform(0.9, 1.9) if small else rng.uniform(LARGEST_SCREW_HOLE_ROUND_MM, 9.5)
                if where == "tail" and math.hypot(x, y) > SCREW_RADIUS_MM[1] + 2.5:
                    size = rng.uniform(1.5, 6.0)
                shape: BaseGeometry = disc(0, 0, size / 2)
            elif kind == "stadium":
                half, w = rng.uniform(0.8, 3.5), rng.uniform(1.5, 4.5)
                shape = LineString([(-half, 0), (half, 0)]).buffer(w / 2, quad_segs=32)
            elif kind == "D":
                size = rng.uniform(4.0, 8.0)
                shape = disc(0, 0, size / 2).intersection(box(-size, -size, size, size * rng.uniform(0.1, 0.35)))
            elif kind == "hexagon":
                turn = np.arange(6) * np.pi / 3
                shape = Polygon(np.c_[np.cos(turn), np.sin(turn)] * rng.uniform(2.0, 4.0))
            elif kind == "cross":
                a, w = rng.uniform(2.0, 4.0), rng.uniform(0.5, 1.1)
                shape = box(-a, -w, a, w).union(box(-w, -a, w, a))
            elif kind == "kidney":
                r = rng.uniform(4.0, 7.0)
                arc = np.linspace(-0.4, 0.4, 24)
                shape = LineString(np.c_[r * np.sin(arc), r * np.cos(arc) - r]).buffer(
                    rng.uniform(0.7, 1.6), quad_segs=24
                )
            else:
                a = rng.uniform(2.0, 7.0)
                b = a if kind == "square" else a * rng.uniform(0.3, 0.7)
                shape = round_corners(box(-a / 2, -b / 2, a / 2, b / 2), min(a, b) * rng.uniform(0.02, 0.25))
            shape = affinity.rotate(shape, float(rng.choice((0, 90, rng.uniform(0, 360)))), origin=(0, 0))
            shape = largest(affinity.translate(shape, x, y))
            if inner.contains(shape) and (taken.is_empty or taken.distance(shape) > WEB_MM):
                taken = taken.union(shape)
                centre = shape.centroid
                equal = 2 * math.sqrt(shape.area / math.pi)
                openings.append(Opening("relief", centre.x, centre.y, equal, None, even_steps(shape), kind == "round"))
                break
    return openings
