"""Cams of the held-out set, drawn by geometry of their own: nothing here is shared with `shape.py` but the definition of the words.

Every outline is a half-width function along the tail (how far the metal reaches to the left and to the right of the
tail's line at each height), joined to a hub given by its support radius over the angle. The two hands' sides have
fillets of their own. Ranges are the trade's common practice from memory and serve as defaults only, never as check values.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from synthetic.definition import reads_as
from synthetic.plate import Cam, Plate, PlateError, PlateHole, plate_mesh, ring_of
from vision.vocabulary import BOTTOMS, FAMILIES, angle_from_clock, xy_from_angle

LEAST_CUT_SHARE = 0.12  # of the hub's diameter, the depth below which a cut-out might be called a flat

Sides = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]  # heights -> left and right x of the tail


@dataclass(frozen=True, slots=True)
class Tail:
    """A tail as left and right edges over the height, from inside the hub to the tip."""

    top_mm: float
    sides: Sides
    fillet_left_mm: float
    fillet_right_mm: float
    slot: Polygon | None = None
    hand: str = "none"
    extra: tuple[BaseGeometry, ...] = ()


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """A draw that favours the middle of a range but reaches its ends."""
    return low + (high - low) * float(rng.beta(1.2, 1.2))


def superellipse_tip(heights: np.ndarray, top: float, depth: float, power: float) -> np.ndarray:
    """Share of the full width that is left at each height when the last `depth` closes along a superellipse."""
    u = np.clip((heights - (top - depth)) / depth, 0.0, 1.0)
    return np.asarray((1.0 - u**power) ** (1.0 / power))


def _band(tail: Tail, start: float) -> Polygon:
    """The tail's polygon from its two edges, traced with fine steps near the tip."""
    s = np.linspace(0.0, 1.0, 420)
    y = start + (tail.top_mm - start) * (1.0 - (1.0 - s) ** 1.8)
    left, right = tail.sides(y)
    polygon = Polygon(np.vstack([np.column_stack([right, y]), np.column_stack([left, y])[::-1]]))
    return polygon if polygon.is_valid else polygon.buffer(0)


def _finger(rng: np.random.Generator, d: float, top: float) -> Tail:
    half = d * _between(rng, 0.235, 0.57) / 2
    power = float(rng.choice([2.0, 2.4, 5.0, 9.0]))
    depth = half if power < 3 else min(half, float(rng.uniform(0.8, 2.4)))

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        if power < 3:
            w = half * superellipse_tip(y, top, depth, power)
        else:  # a flat end with rounded corners of radius `depth`
            u = np.clip((y - (top - depth)) / depth, 0.0, 1.0)
            w = half - depth * (1.0 - np.sqrt(1.0 - u**2))
        return -w, w

    r = float(rng.uniform(0.6, 3.6))
    return Tail(top, sides, r, r)


def _taper(rng: np.random.Generator, d: float, top: float) -> Tail:
    root, tip = d * _between(rng, 0.68, 1.0) / 2, d * _between(rng, 0.19, 0.46) / 2
    skew = float(rng.normal(0.0, 0.02)) * d
    low = 0.1 * d
    corner = float(rng.uniform(0.35, 1.0)) * tip

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        s = np.clip((y - low) / (top - low), 0.0, 1.0)
        u = np.clip((y - (top - corner)) / corner, 0.0, 1.0)
        lost = corner * (1.0 - np.sqrt(1.0 - u**2))
        w = root + (tip - root) * s - lost
        return -w + skew * s, w + skew * s

    return Tail(top, sides, float(rng.uniform(0.5, 4.0)), float(rng.uniform(0.5, 4.0)))


def _paddle(rng: np.random.Generator, d: float, top: float) -> Tail:
    neck, end = d * _between(rng, 0.28, 0.52) / 2, d * _between(rng, 0.63, 1.13) / 2
    end = max(end, neck * 1.42)
    length = top - d / 2
    blade = max(float(rng.uniform(0.34, 0.72)) * length, float(rng.uniform(4.5, 8.0)))  # the broad end
    flare = float(rng.uniform(0.15, 0.95)) * max(0.0, length - blade) + 0.8
    power = float(rng.choice([2.0, 2.6, 4.0, 8.0]))
    depth = min(blade * 0.85, end * (1.0 if power < 3 else 0.45))
    bow = float(rng.uniform(-0.06, 0.10))

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        s = np.clip((y - (top - blade - flare)) / flare, 0.0, 1.0)
        step = s * s * (3 - 2 * s)
        along = np.clip((y - (top - blade)) / blade, 0.0, 1.0)
        w = neck + (end - neck) * step * (1 + bow * (along - 0.5))
        w = w * superellipse_tip(y, top, depth, power)
        return -w, w

    r = float(rng.uniform(0.6, 3.5))
    return Tail(top, sides, r, r)


def _cloverleaf(rng: np.random.Generator, d: float, top: float) -> Tail:
    leaf = d * _between(rng, 0.48, 0.92) / 2
    side = min(d * _between(rng, 0.33, 0.62) / 2, 0.95 * leaf)
    centre = top - leaf
    at = float(rng.uniform(109, 133))
    out = d / 2 + float(rng.uniform(-0.15, 0.45)) * side
    waist = leaf * float(rng.uniform(0.45, 0.8))

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        round_part = np.sqrt(np.clip(leaf**2 - (y - centre) ** 2, 0.0, None))
        w = np.where(y < centre, np.maximum(round_part, waist), round_part)
        return -w, w

    leaves = tuple(Point(*xy_from_angle(a, out)).buffer(side, 48) for a in (at, 360.0 - at))
    r = float(rng.uniform(1.5, 4.0))
    return Tail(top, sides, r, r, extra=leaves)


def _hook(rng: np.random.Generator, d: float, top: float) -> Tail:
    half = d * _between(rng, 0.235, 0.50) / 2
    foot = max(1.4, 2 * half * _between(rng, 0.28, 0.93))
    deep = min(float(rng.uniform(0.20, 0.45)) * (top - d / 2) + 1.0, 7.0)
    side = float(rng.choice([-1.0, 1.0]))
    tilt = math.tan(math.radians(float(rng.uniform(-6, 14))))  # of the foot's underside
    corner = float(rng.uniform(0.5, 1.5))

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        u = np.clip((y - (top - corner)) / corner, 0.0, 1.0)
        lost = corner * (1.0 - np.sqrt(1.0 - u**2))
        plain = half - lost
        reach = np.where(y > top - deep, foot, 0.0)
        rise = np.clip((y - (top - deep)) / max(abs(tilt) * foot, 1e-3), 0.0, 1.0)
        footed = half + reach * rise - lost
        return (-plain, footed) if side > 0 else (-footed, plain)

    r = float(rng.uniform(0.6, 3.0))
    return Tail(top, sides, r, r, hand="right" if side > 0 else "left")


def _offset(rng: np.random.Generator, d: float, top: float) -> Tail:
    half = d * _between(rng, 0.225, 0.50) / 2
    shift = d * _between(rng, 0.14, 0.37) * float(rng.choice([-1.0, 1.0]))
    corner = half * float(rng.choice([0.3, 0.5, 1.0]))

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        u = np.clip((y - (top - corner)) / corner, 0.0, 1.0)
        w = half - corner * (1.0 - np.sqrt(1.0 - u**2))
        return shift - w, shift + w

    return Tail(
        top, sides, float(rng.uniform(0.5, 3.0)), float(rng.uniform(0.5, 3.0)), hand="right" if shift > 0 else "left"
    )


def _hammer(rng: np.random.Generator, d: float, top: float) -> Tail:
    neck, bar = d * _between(rng, 0.225, 0.48) / 2, d * _between(rng, 0.77, 1.34) / 2
    deep = float(rng.uniform(2.8, 6.3))
    corner = float(rng.uniform(0.15, 0.48)) * deep
    crown = float(rng.uniform(0.0, 0.25)) * deep  # the bar's top is arched by this much

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        floor = top - deep
        low = np.clip((floor + corner - y) / corner, 0.0, 1.0)
        high = np.clip((y - (top - crown - corner)) / (crown + corner), 0.0, 1.0)
        across = (
            bar
            - corner * (1 - np.sqrt(1 - low**2))
            - (bar * 0.35 if crown > 0.4 else corner) * (1 - np.sqrt(1 - high**2))
        )
        w = np.where(y < floor, neck, across)
        return -w, w

    r = float(rng.uniform(0.5, 2.0))
    return Tail(top, sides, r, r)


def _fork(rng: np.random.Generator, d: float, top: float) -> Tail:
    half = d * _between(rng, 0.38, 0.80) / 2
    slot = 2 * half * _between(rng, 0.285, 0.52)
    deep = (top - d / 2) * _between(rng, 0.28, 0.64)
    deep = max(deep, slot * 0.8, 3.0)
    prong = (2 * half - slot) / 2
    corner = min(prong * float(rng.uniform(0.3, 0.95)), 3.0)
    floor = top - deep
    if rng.random() < 0.5:
        cut = LineString([(0, floor + slot / 2), (0, top + 9)]).buffer(slot / 2, 48)
    else:
        cut = shapely.box(-slot / 2, floor, slot / 2, top + 9).buffer(-0.3).buffer(0.3)

    def sides(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        u = np.clip((y - (top - corner)) / corner, 0.0, 1.0)
        w = half - corner * (1.0 - np.sqrt(1.0 - u**2))
        return -w, w

    r = float(rng.uniform(0.5, 3.0))
    return Tail(top, sides, r, r, slot=cut)


TAILS: dict[str, Callable[[np.random.Generator, float, float], Tail]] = {
    "finger": _finger,
    "taper": _taper,
    "paddle": _paddle,
    "cloverleaf": _cloverleaf,
    "hook": _hook,
    "offset": _offset,
    "hammer": _hammer,
    "fork": _fork,
}


def _hub(rng: np.random.Generator, d: float) -> Polygon:
    """A round hub; sometimes with flats beside the screws or a flat bottom that leaves most of the circle."""
    angle = np.linspace(0.0, 2 * math.pi, 361)[:-1]
    radius = np.full(angle.shape, d / 2)
    kind = rng.random()
    cuts: list[tuple[float, float]] = []
    if kind < 0.12:
        cuts = [(0.0, 0.94), (math.pi, 0.94)]
    elif kind < 0.20:
        cuts = [(-math.pi / 2, float(rng.uniform(0.90, 0.96)))]
    for at, share in cuts:
        along = np.cos(angle - at)
        limit = share * d / 2
        radius = np.where(along * radius > limit, limit / np.maximum(along, 1e-6), radius)
    return Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


def _bottom_cut(rng: np.random.Generator, d: float) -> Polygon:
    half = d * _between(rng, 0.285, 0.57) / 2
    floor = -d * float(rng.uniform(0.0, 0.31))
    low = -d
    kind = int(rng.integers(4))
    if kind == 0:  # round floor
        cut: BaseGeometry = LineString([(0, floor - half), (0, low)]).buffer(half, 48)
    elif kind == 1:  # slanted sides
        narrow = half * float(rng.uniform(0.35, 0.7))
        cut = Polygon([(-narrow, floor), (narrow, floor), (half * 1.15, -d / 2), (half * 1.6, low), (-half * 1.6, low)])
        cut = (
            Polygon([(-narrow, floor), (narrow, floor), (half, -d / 2), (half, low), (-half, low), (-half, -d / 2)])
            .buffer(-narrow * 0.4)
            .buffer(narrow * 0.4)
        )
    elif kind == 2:  # flat floor, small corners
        corner = float(rng.uniform(0.3, 1.2))
        cut = shapely.box(-half, low, half, floor).buffer(-corner).buffer(corner, 24)
    else:  # a round chamber with a narrower mouth
        radius = min(half * 1.05, 0.26 * d)
        mouth = max(radius * float(rng.uniform(0.6, 0.85)), 0.15 * d)
        cut = shapely.union_all(
            [Point(0, floor - radius).buffer(radius, 48), shapely.box(-mouth, low, mouth, floor - radius)]
        )
    return Polygon(cut.exterior) if isinstance(cut, Polygon) else Polygon(cut.geoms[0].exterior)


def _filleted(shape: BaseGeometry, left: float, right: float) -> BaseGeometry:
    """Concave corners rounded by one radius on the left of the axis and another on the right."""
    if left == right:
        return shape.buffer(left, 32).buffer(-left, 32)
    far = 200.0
    parts = []
    for radius, side in ((left, shapely.box(-far, -far, 1e-3, far)), (right, shapely.box(-1e-3, -far, far, far))):
        parts.append(shape.buffer(radius, 32).buffer(-radius, 32).intersection(side))
    return shapely.union_all(parts)


def joined(
    rng: np.random.Generator, tail: Tail, bottom: str, d: float, keep_off: BaseGeometry | None = None
) -> BaseGeometry:
    """Hub and tail as one outline, with fillets, cut-out and rounded corners.

    A cut-out that would come into `keep_off` is made shallower until it does not.

    Raises
    ------
    PlateError
        If too little of the cut-out is left to be one.
    """
    hub = _hub(rng, d)
    shape: BaseGeometry = shapely.union_all([hub, _band(tail, 0.0), *tail.extra])
    shape = _filleted(shape, tail.fillet_left_mm, tail.fillet_right_mm)
    if tail.slot is not None:
        shape = shape.difference(tail.slot)
    if bottom == "open":
        cut: BaseGeometry = _bottom_cut(rng, d)
        shape = shape.difference(cut if keep_off is None else _lowered(cut, keep_off, d))
    corner = float(rng.uniform(0.2, 0.5))
    shape = shape.buffer(-corner, 16).buffer(corner, 16).buffer(0.25, 16).buffer(-0.25, 16)
    return shape.simplify(0.002)  # the finest steps are smaller than anything that shows


def _lowered(cut: BaseGeometry, keep_off: BaseGeometry, d: float) -> BaseGeometry:
    while cut.intersects(keep_off):
        cut = shapely.affinity.translate(cut, 0.0, -0.1)
    if cut.bounds[3] > -(0.5 - LEAST_CUT_SHARE) * d:
        return cut
    raise PlateError("no room for an open bottom between the holes")


def told_by_its_word(shape: BaseGeometry, family: str, d: float, reach: float, hand: str) -> Polygon:
    """The outline, when it is one piece and reads as its family.

    Raises
    ------
    PlateError
        If it does not.
    """
    if not isinstance(shape, Polygon) or shape.interiors:
        raise PlateError("the outline falls apart")
    if not reads_as(family, shape.simplify(0.02), d, reach, hand):
        raise PlateError("the outline could be called by another word")
    return shape


def _outline(rng: np.random.Generator, family: str, bottom: str, d: float, reach: float) -> tuple[Polygon, str]:
    tail = TAILS[family](rng, d, reach)
    return told_by_its_word(joined(rng, tail, bottom, d), family, d, reach, tail.hand), tail.hand


def _clock_pattern(rng: np.random.Generator) -> list[tuple[float | None, float]]:
    """Screw holes as (clock angle or None for the centre, radius)."""
    r = float(rng.uniform(3.4, 7.2))
    jitter = float(rng.normal(0.0, 2.0))
    u = rng.random()
    if u < 0.26:
        return [(angle_from_clock("2") + jitter, r), (angle_from_clock("7") + jitter, r)]
    if u < 0.48:
        return [(90.0 + jitter, r), (270.0 + jitter, r)]
    if u < 0.60:
        return [(90.0 + jitter, r), (None, 0.0)]
    if u < 0.70:
        return [(float(rng.uniform(0, 360)), r)]
    if u < 0.88:
        first = float(rng.uniform(0, 360))
        return [(first, r), (first + float(rng.uniform(80, 280)), r * float(rng.uniform(0.85, 1.1)))]
    count = int(rng.integers(3, 5))
    start = float(rng.uniform(0, 360))
    return [(start + k * 360.0 / count + float(rng.normal(0, 5)), r) for k in range(count)]


def _holes(rng: np.random.Generator, outline: Polygon, thickness: float) -> tuple[PlateHole, ...] | None:
    diameter = float(rng.uniform(2.5, 4.75))
    sunk = rng.random() < 0.6
    angle = float(rng.choice([82.0, 90.0]))
    wide = diameter + min(
        float(rng.uniform(1.6, 3.2)), 2 * (thickness - 0.35) * math.tan(math.radians(angle / 2)), 7.4 - diameter
    )
    sunk = sunk and wide > diameter + 1.0
    made = []
    for clock, radius in _clock_pattern(rng):
        x, y = (0.0, 0.0) if clock is None else xy_from_angle(clock, radius)
        made.append(PlateHole(x, y, diameter, wide if sunk else None, angle))
    inside = outline.buffer(-0.6)
    rings = [Point(h.x_mm, h.y_mm).buffer((h.countersink_diameter_mm or h.diameter_mm) / 2) for h in made]
    if not all(inside.contains(ring) for ring in rings):
        return None
    if any(a.distance(b) < 0.7 for i, a in enumerate(rings) for b in rings[:i]):
        return None
    return tuple(made)


def openings(rng: np.random.Generator, outline: Polygon, holes: tuple[PlateHole, ...]) -> tuple[np.ndarray, ...]:
    """Openings that take no screw: wide, oblong or tiny, so that none can be mistaken for a screw hole."""
    u = rng.random()
    if u < 0.72:
        return ()
    kind = int(rng.integers(4))
    x, y = (0.0, 0.0) if rng.random() < 0.5 else tuple(rng.uniform(-5, 5, 2) + (0, 3))
    if kind == 0:
        shape: BaseGeometry = Point(x, y).buffer(float(rng.uniform(2.9, 4.2)), 48)
    elif kind == 1:
        shape = LineString([(x - 2.4, y), (x + 2.4, y)]).buffer(float(rng.uniform(0.9, 1.6)), 24)
        shape = shapely.affinity.rotate(shape, float(rng.uniform(0, 180)))
    elif kind == 2:
        half = float(rng.uniform(1.8, 3.0))
        shape = shapely.box(x - half, y - half * 0.8, x + half, y + half * 0.8).buffer(-0.4).buffer(0.4)
    else:
        shape = Point(x, y).buffer(float(rng.uniform(0.5, 0.8)), 24)
    blocked = shapely.union_all(
        [Point(h.x_mm, h.y_mm).buffer((h.countersink_diameter_mm or h.diameter_mm) / 2 + 0.8) for h in holes]
    )
    if not outline.buffer(-1.2).contains(shape) or shape.intersects(blocked):
        return ()
    return (ring_of(shape.exterior, counter_clockwise=True),)


def finished(
    rng: np.random.Generator, outline: Polygon, thickness: float, holes: tuple[PlateHole, ...],
    opened: tuple[np.ndarray, ...],
) -> tuple[Plate, bool]:  # fmt: skip
    """The plate with edges as stamping or casting leaves them, and whether it is cast.

    Raises
    ------
    PlateError
        If it cannot be made.
    """
    cast = rng.random() < 0.4
    plate = Plate(
        ring_of(outline.exterior, counter_clockwise=True),
        thickness,
        holes,
        opened,
        float(rng.uniform(0.15, 0.35)) if cast else float(rng.uniform(0.04, 0.2)),
        float(rng.uniform(0.1, 0.3)) if cast else float(rng.uniform(0.03, 0.08)),
    )
    plate_mesh(plate, 2.0)  # only to see whether it can be made
    return plate, cast


def sample_cam(
    rng: np.random.Generator,
    *,
    family: str | None = None,
    bottom: str | None = None,
    holes: tuple[PlateHole, ...] | None = None,
) -> Cam:
    """A cam of the held-out geometry; whatever is not asked for is drawn.

    Parameters
    ----------
    rng : numpy.random.Generator
        All of the chance.
    family, bottom : str, optional
        Words of the vocabulary.
    holes : tuple of PlateHole, optional
        Screw holes in mm, seen from the screw side.

    Raises
    ------
    PlateError
        If no cam with the holes asked for comes out in 400 tries.
    """
    family = family or str(rng.choice(FAMILIES))
    bottom = bottom or str(rng.choice(BOTTOMS))
    for _ in range(400):
        d = float(rng.uniform(14.4, 25.0))
        long_enough = d / 2 + {"hook": 7.0, "fork": 6.0, "paddle": 7.0, "hammer": 5.5, "offset": 5.0}.get(family, 4.0)
        reach = float(rng.uniform(max(13.5, long_enough), max(33.0, long_enough + 1)))
        thickness = float(rng.uniform(1.4, 3.4))
        try:
            outline, hand = _outline(rng, family, bottom, d, reach)
            drilled = holes if holes is not None else _holes(rng, outline, thickness)
            if drilled is None:
                continue
            opened = openings(rng, outline, drilled) if holes is None else ()
            plate, cast = finished(rng, outline, thickness, drilled, opened)
        except PlateError:
            continue
        return Cam(family, bottom, hand, plate, d, cast)
    raise PlateError(f"no {family} cam with an {bottom} bottom came out; ask for other holes")
