"""Random cams in millimetres: one function a family, shared hubs, bottoms, screw patterns, reliefs and wear.

All coordinates are the part's own: x to 3 o'clock, y to 12 o'clock, origin on the axis, screw side seen. The ranges are
those of the trade description (from memory, never check values) and about a tenth beyond on either side. Everything the
label says about size is measured on the finished polygon; only the hub's diameter is the nominal one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from vision.label import Hole
from vision.vocabulary import BOTTOMS, FAMILIES, xy_from_angle

CHORD_ERROR_MM = 0.002  # of arcs drawn as chords
ARC_STEP_MM = 0.1  # longest step between neighbouring outline points
HUB_DIAMETER_MM = (14.0, 25.5)
REACH_MM = (13.0, 34.0)
THICKNESS_MM = (1.4, 3.4)
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
class Part:
    """One cam. Lengths in mm; polygons (N, 2) run counter-clockwise and are not closed by a repeated point."""

    family: str
    bottom: str
    hand: str
    outline_mm: np.ndarray
    openings: tuple[Opening, ...]
    thickness_mm: float
    hub_diameter_mm: float
    hub_shows: bool  # enough of the hub's circle is on the outline to be measured
    reach_mm: float  # axis to the farthest point of the tail
    length_mm: float  # over all along 12 o'clock
    width_mm: float  # over all across it
    tail_width_mm: float  # outermost to outermost across, at half the reach
    tail_tip_mm: tuple[float, float]  # where the 12 o'clock ray from the axis (for hook and offset: the tail's centre line) ends
    edge_screw_mm: float  # radius of the rounded edge of the screw side
    edge_plug_mm: float
    bend_mm: float  # how far the tip is bent towards the screw side (negative: towards the plug side)
    cast: bool  # die cast, else stamped or cut from plate
    construction: str  # how the outline was made, for the tags only

    def polygon(self) -> Polygon:
        """The plate with its openings as a shapely polygon."""
        return Polygon(self.outline_mm, [o.polygon_mm for o in self.openings])


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
    there = shape.buffer(distance, quad_segs=segments).simplify(CHORD_ERROR_MM)
    return there.buffer(-distance, quad_segs=segments).simplify(CHORD_ERROR_MM)


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


@dataclass(frozen=True, slots=True)
class _Tail:
    shape: BaseGeometry
    fillet: float  # at the hub
    hand: str = "none"
    cut: BaseGeometry | None = None  # taken out after the fillets are made
    x: float = 0.0  # of the centre line
    whole: bool = False  # `shape` is already the whole outline, hub included
    construction: str = ""


def _finished_tip(rng: np.random.Generator, tail: BaseGeometry, reach: float, width: float, x: float = 0.0, *, rounded: bool = True) -> tuple[BaseGeometry, str]:
    """Cut a tail that runs on beyond `reach` to one of the usual tip forms, its farthest y at about `reach`."""
    kind = pick(rng, {"round": 3 if rounded else 0, "arc": 1.5, "concentric": 1, "square": 3, "chamfered": 1, "skew": 0.5, "crown": 0.5, "one-corner": 0.4})
    far = box(x - 60, -60, x + 60, reach)
    if kind == "round":
        tail = tail.intersection(far)
        cap = disc(x, reach - width / 2, width / 2)
        tail = tail.intersection(box(-60, -60, 60, reach - width / 2)).union(cap.intersection(tail))
    elif kind == "arc":
        r = width * rng.uniform(0.55, 1.6)
        tail = tail.intersection(disc(x, reach - r, r).union(box(x - 60, -60, x + 60, reach - r)))
    elif kind == "concentric":
        tail = tail.intersection(disc(0, 0, reach))
    elif kind == "skew":
        tail = tail.intersection(affinity.rotate(far, rng.uniform(-9, 9), origin=(x, reach)))
    elif kind == "crown":
        r = width * rng.uniform(1.6, 4)
        tail = tail.intersection(disc(x, reach - r, r).union(box(x - 60, -60, x + 60, reach - 2 * width)))
    else:
        tail = tail.intersection(far)
    if kind == "chamfered":
        c = width * rng.uniform(0.12, 0.34)
        for side in (-1, 1):
            corner = affinity.rotate(box(-c, -c, c, c), 45, origin=(0, 0))
            tail = tail.difference(affinity.translate(affinity.scale(corner, 0.72, 0.72), x + side * width / 2, reach))
    if kind == "one-corner":
        r = width * rng.uniform(0.25, 0.45)
        side = rng.choice((-1, 1))
        keep = round_corners(tail, r)
        tail = tail.difference(box(x, reach - 2 * r, x + side * 60, 60)).union(keep) if side > 0 else tail.difference(box(x - 60, reach - 2 * r, x, 60)).union(keep)
    if kind in ("square", "chamfered", "skew", "crown", "concentric", "one-corner", "arc"):
        tail = round_corners(tail, min(width * 0.3, rng.uniform(0.1, 1.8)))
    return tail, kind


def _reach(rng: np.random.Generator, hub: float, least_tail: float) -> float:
    low = max(REACH_MM[0], hub / 2 + least_tail)
    return float(rng.uniform(low, max(low + 1.0, REACH_MM[1])))


def finger(rng: np.random.Generator, hub: float) -> _Tail:
    """One narrow tail with parallel sides, centred."""
    width = hub * rng.uniform(0.23, 0.59)
    fillet = _fillet(rng)
    reach = _reach(rng, hub, 4.0 + 0.8 * fillet)
    draft = rng.uniform(0.97, 1.0) if rng.random() < 0.3 else 1.0  # a cast part leaves its mould
    tail, tip = _finished_tip(rng, strip(0, width, reach + 5, width * draft), reach, width * draft)
    return _Tail(tail, fillet, construction=tip)


def taper(rng: np.random.Generator, hub: float) -> _Tail:
    """Wide at the hub, straight flanks that narrow to the tip."""
    root, tip_width = hub * rng.uniform(0.70, 1.0), hub * rng.uniform(0.20, 0.46)
    reach = _reach(rng, hub, 5.0)
    if rng.random() < 0.3:  # flanks tangent to the hub
        tip_radius = tip_width / 2
        tip_disc = disc(0, reach - tip_radius, tip_radius)
        return _Tail(disc(0, 0, hub / 2).union(tip_disc).convex_hull, 0.0, construction="tangent")
    y0 = math.sqrt(max(0.0, (hub / 2) ** 2 - (root / 2) ** 2))
    lean = rng.normal(0, 0.02) * hub if rng.random() < 0.25 else 0.0  # unequal flanks
    flank = Polygon([(-root / 2 + lean, y0), (root / 2 + lean, y0), (tip_width / 2, reach), (-tip_width / 2, reach)])
    slope = (root - tip_width) / 2 / (reach - y0)
    if rng.random() < 0.4:  # flanks run tangent into a round tip
        round_tip = flank.intersection(box(-60, -60, 60, reach - tip_width)).union(disc(0, reach - tip_width / 2, tip_width / 2)).convex_hull
        return _Tail(round_tip.union(strip(0, root * 0.9, y0 + 0.01, root)), _fillet(rng), construction="round")
    over = strip(reach, tip_width, reach + 3, max(0.2, tip_width - 6 * slope))
    tail, tip = _finished_tip(rng, flank.union(over).union(strip(0, root * 0.9, y0 + 0.01, root)), reach, tip_width * 0.98, rounded=False)
    return _Tail(tail, _fillet(rng), construction=tip)


def paddle(rng: np.random.Generator, hub: float) -> _Tail:
    """A narrow neck that widens to a broad end."""
    neck, end = hub * rng.uniform(0.28, 0.50), hub * rng.uniform(0.65, 1.15)
    end = max(end, 1.55 * neck)
    kind = pick(rng, {"flare": 3, "disc": 1.5, "block": 2, "ellipse": 1.2, "fan": 1.2, "drop": 1.0, "curve": 1.0})
    if kind == "flare":  # straight flanks, then a parallel end
        flare, parallel = max(rng.uniform(3.5, 9.0), 0.8 * (end - neck) / 2), rng.uniform(0.0, 8.0)
        parallel = max(parallel, 6.5 - flare)
        reach = _reach(rng, hub, 2.0 + flare + parallel)
        y = reach - parallel
        tail = strip(0, neck, y - flare, neck).union(strip(y - flare, neck, y, end)).union(strip(y, end, reach, end))
        tail = fill_corners(tail, rng.uniform(0.2, 5.0))
        tail = round_corners(tail, min(end * 0.35, rng.choice((rng.uniform(0.3, 1.5), rng.uniform(1.5, 6.0)))))
    elif kind == "fan":  # widens all the way from the hub
        reach = _reach(rng, hub, 7.5)
        y0 = hub * rng.uniform(0.30, 0.5)
        tail = strip(0, neck, y0, neck).union(strip(y0, neck, reach + 4, end * (reach + 4 - y0) / (reach - y0) + neck * (1 - (reach + 4 - y0) / (reach - y0))))
        tail = tail.intersection(disc(0, 0, reach) if rng.random() < 0.5 else box(-60, -60, 60, reach))
        tail = round_corners(tail, rng.uniform(0.3, end * 0.22))
    elif kind == "block":  # a rounded rectangle on a neck, too deep to be a crossbar
        depth = rng.uniform(7.8, 14.0)
        reach = _reach(rng, hub, 1.8 + depth)
        block = round_corners(box(-end / 2, reach - depth, end / 2, reach), min(rng.uniform(0.4, 5.0), end * 0.45, depth * 0.45))
        tail = fill_corners(strip(0, neck, reach - depth + 3, neck).union(block), rng.uniform(0.5, 4.0))
    elif kind == "curve":  # flanks run out in a smooth S
        reach = _reach(rng, hub, 8.5)
        y = np.linspace(0, reach, 120)
        y0, y1 = hub / 2 * rng.uniform(0.8, 1.1), reach - rng.uniform(0.5, 3.0)
        t = np.clip((y - y0) / max(1.0, y1 - y0), 0, 1)
        half = 0.5 * (neck + (end - neck) * t**2 * (3 - 2 * t))
        tail = Polygon(np.r_[np.c_[half, y], np.c_[-half, y][::-1]])
        tail = round_corners(tail.intersection(disc(0, 0, reach)) if rng.random() < 0.5 else tail, rng.uniform(0.3, end * 0.3))
    else:
        depth = {"disc": end, "ellipse": end * rng.uniform(0.75, 1.35), "drop": end * rng.uniform(0.9, 1.3)}[kind]
        depth = max(depth, 7.5)
        reach = _reach(rng, hub, 1.5 + depth)
        head: BaseGeometry = affinity.scale(disc(0, reach - depth / 2, 1.0), end / 2, depth / 2)
        if kind == "drop":  # tangents from the neck to a round end
            r = end / 2
            head = disc(0, reach - r, r).union(strip(reach - depth, neck, reach - depth + 0.1, neck)).convex_hull
        tail = fill_corners(strip(0, neck, reach - depth / 2, neck).union(head), rng.uniform(0.5, 4.0))
    if rng.random() < 0.15:  # a crowned or hollow end edge
        r = end * rng.uniform(1.5, 4.0)
        tail = tail.difference(disc(0, tail.bounds[3] + r - rng.uniform(0.2, 0.6), r)) if rng.random() < 0.4 else tail.intersection(disc(0, tail.bounds[3] - r, r).union(box(-60, -60, 60, tail.bounds[3] - end / 2)))
    return _Tail(tail, _fillet(rng), construction=kind)


def cloverleaf(rng: np.random.Generator, hub: float) -> _Tail:
    """Three round leaves joined by concave fillets: the tail at 12, two smaller at about 4 and 8."""
    top = hub * rng.uniform(0.48, 0.92) / 2
    side = hub * rng.uniform(0.34, 0.62) / 2
    side = min(side, top * 0.92)
    kind = pick(rng, {"hub": 3, "hub-small": 2, "arms": 1.5, "web": 1.5, "arcs": 1.5, "trefoil": 1.8})
    body = {"hub": hub / 2, "hub-small": hub / 2 * rng.uniform(0.65, 0.95), "arms": hub / 2 * rng.uniform(0.5, 0.9)}.get(kind, hub / 2 * rng.uniform(0.45, 0.8))
    reach = float(rng.uniform(max(REACH_MM[0], body + 0.75 * top + 1.0, 2.1 * top), REACH_MM[1]))
    if kind == "trefoil":  # three leaves close together, deep hollows between them
        reach = max(REACH_MM[0], (body + rng.uniform(0.5, 1.2) * top) + top)
    stand_out = rng.uniform(0.35, 1.9) * side if kind != "trefoil" else rng.uniform(1.2, 2.0) * side
    out = max(body - side + max(stand_out, 0.10 * hub), 0.22 * hub)
    turn = rng.uniform(108, 135)
    uneven = rng.normal(0, 3.0) if rng.random() < 0.25 else 0.0
    centres = [(0.0, reach - top, top)]
    for sign in (1, -1):
        x, y = xy_from_angle(sign * turn + uneven, out * (1 + (rng.normal(0, 0.02) if uneven else 0.0)))
        centres.append((x, y, side * (1 + (rng.normal(0, 0.02) if uneven else 0.0))))
    leaves = [disc(*c) for c in centres]
    if rng.random() < 0.2:  # the tail leaf is longer than wide
        leaves[0] = leaves[0].union(disc(0, reach - top - rng.uniform(0.2, 0.6) * top, top)).convex_hull
    shape: BaseGeometry = shapely.union_all([disc(0, 0, body), *leaves])
    joint = rng.uniform(0.45, 0.85)
    if kind in ("arms", "web", "hub-small") or shape.buffer(-0.2).geom_type != "Polygon":
        neck = 2 * top * joint
        shape = shape.union(strip(0, neck * rng.uniform(0.9, 1.25), reach - top, neck))
    if kind in ("arms", "web"):
        for x, y, r in centres[1:]:
            shape = shape.union(LineString([(0, 0), (x, y)]).buffer(r * rng.uniform(0.6, 0.95), cap_style="flat"))
    if kind == "web":
        shape = shape.union(Polygon([(c[0] * 0.8, c[1] * 0.8) for c in centres]))
    radius = rng.uniform(3.0, 14.0) if kind in ("arcs", "web") else rng.uniform(0.8, 6.0)
    return _Tail(fill_corners(shape, radius), 0.0, whole=True, construction=kind)


def hook(rng: np.random.Generator, hub: float) -> _Tail:
    """A parallel tail with a foot to one side at its tip."""
    width = hub * rng.uniform(0.23, 0.50)
    foot, depth = width * rng.uniform(0.30, 0.95), rng.uniform(2.4, 6.5)
    foot = max(foot, 1.4)
    fillet = _fillet(rng)
    reach = _reach(rng, hub, depth + 2.2 + 0.5 * fillet)
    right = rng.random() < 0.5
    shift = rng.uniform(-0.06, 0.06) * hub if rng.random() < 0.3 else 0.0
    kind = pick(rng, {"square": 3, "slope-under": 1.2, "barb": 1.2, "round-end": 1.5, "quarter": 1.2, "slope-over": 0.8})
    edge = width / 2
    bar: BaseGeometry = box(-edge, 0, edge, reach)
    x1 = edge + foot
    if kind == "slope-under":
        add: BaseGeometry = Polygon([(0, reach), (x1, reach), (x1, reach - depth), (edge, reach - depth - foot * rng.uniform(0.3, 1.0))])
        add = add.union(box(0, reach - depth, edge, reach))
    elif kind == "barb":
        add = Polygon([(0, reach), (x1, reach), (x1, reach - depth - rng.uniform(0.4, 0.9) * depth), (edge + foot * 0.35, reach - depth), (0, reach - depth)])
    elif kind == "slope-over":
        add = Polygon([(0, reach), (edge, reach), (x1, reach - rng.uniform(0.1, 0.35) * depth), (x1, reach - depth), (0, reach - depth)])
    else:
        add = box(0, reach - depth, x1, reach)
        if kind == "round-end":
            add = round_corners(add.union(box(-depth, reach - depth, 0, reach)), min(depth * 0.49, foot * 0.9)).intersection(box(0, 0, 60, 60))
        elif kind == "quarter":
            r = min(depth, foot) * rng.uniform(0.7, 1.0)
            add = add.difference(box(x1 - r, reach - r, x1 + 1, reach + 1)).union(disc(x1 - r, reach - r, r).intersection(add))
    shape = fill_corners(bar.union(add), rng.uniform(0.1, 2.5))
    if rng.random() < 0.35:  # the heel is rounded or bevelled
        r = rng.uniform(0.15, 0.6) * width
        heel = box(-edge - 1, reach - r, -edge + r, reach + 1)
        shape = shape.difference(heel).union(disc(-edge + r, reach - r, r).intersection(shape)) if rng.random() < 0.6 else shape.difference(Polygon([(-edge - 1, reach - r - 1), (-edge + r + 1, reach + 1), (-edge - 1, reach + 1)]))
    if rng.random() < 0.2:
        shape = shape.intersection(disc(0, 0, reach))
    shape = round_corners(shape, rng.uniform(0.1, 0.9))
    shape = affinity.translate(shape, shift, 0)
    if not right:
        shape, shift = affinity.scale(shape, -1, 1, origin=(0, 0)), -shift
    return _Tail(shape, fillet, "right" if right else "left", x=shift, construction=kind)


def offset(rng: np.random.Generator, hub: float) -> _Tail:
    """A parallel tail whose centre line passes beside the axis."""
    width = hub * rng.uniform(0.22, 0.52)
    shift = hub * rng.uniform(0.145, 0.375)
    fillet = _fillet(rng)
    reach = _reach(rng, hub, 4.0 + 0.5 * fillet)
    right = rng.random() < 0.5
    kind = pick(rng, {"plain": 3, "flush": 1.2, "shoulder": 1.0})
    if kind == "flush":  # the outer flank runs tangent into the hub
        shift = min(0.375 * hub, max(0.15 * hub, hub / 2 - width / 2))
    tail, tip = _finished_tip(rng, strip(0, width, reach + 5, width, shift), reach, width, shift)
    if kind == "shoulder":
        y = hub / 2 + rng.uniform(-1.0, 1.2)
        tail = tail.union(box(min(0.0, shift - width / 2), 0, shift, min(y, reach - 4.0)))
    if not right:
        tail = affinity.scale(tail, -1, 1, origin=(0, 0))
    return _Tail(tail, fillet, "right" if right else "left", x=shift if right else -shift, construction=f"{kind}-{tip}")


def hammer(rng: np.random.Generator, hub: float) -> _Tail:
    """A narrow neck with a crossbar at its tip."""
    neck, bar, depth = hub * rng.uniform(0.22, 0.50), hub * rng.uniform(0.78, 1.36), rng.uniform(2.8, 6.3)
    bar = max(bar, 1.75 * neck)
    fillet = _fillet(rng)
    reach = _reach(rng, hub, depth + 2.5 + 0.5 * fillet)
    kind = pick(rng, {"square": 3, "round-ends": 2, "arc": 1.5, "bevel": 1.2, "bow": 0.8, "wedge": 0.8, "uneven": 0.6})
    half = bar / 2
    head: BaseGeometry = box(-half, reach - depth, half, reach)
    if kind == "round-ends":
        head = round_corners(head, depth * 0.495)
    elif kind == "arc":  # both long edges concentric with the axis
        wedge = Polygon([(0, 0), (half * 3, reach * 3), (-half * 3, reach * 3)])
        head = disc(0, 0, reach).difference(disc(0, 0, reach - depth)).intersection(wedge)
        head = round_corners(head, rng.uniform(0.1, depth * 0.4))
    elif kind == "bevel":
        c = depth * rng.uniform(0.25, 0.7)
        head = Polygon([(-half, reach - depth), (half, reach - depth), (half, reach - c), (half - c, reach), (-half + c, reach), (-half, reach - c)])
    elif kind == "bow":
        r = bar * rng.uniform(0.9, 2.0)
        head = head.intersection(disc(0, reach - r, r).union(box(-60, -60, 60, reach - depth * 0.9)))
    elif kind == "wedge":  # the arms grow thinner outwards
        thin = depth * rng.uniform(0.5, 0.8)
        head = Polygon([(-half, reach), (half, reach), (half, reach - thin), (0, reach - depth), (-half, reach - thin)])
    elif kind == "uneven":
        head = affinity.translate(head, rng.uniform(-0.04, 0.04) * bar, 0)
    neck_top = neck * rng.uniform(0.85, 1.15)
    shape = strip(0, neck, reach - depth / 2, neck_top).union(head)
    shape = fill_corners(shape, rng.uniform(0.1, 2.6))
    return _Tail(round_corners(shape, min(depth * 0.45, rng.uniform(0.1, 1.8))), fillet, construction=kind)


def fork(rng: np.random.Generator, hub: float) -> _Tail:
    """A tail split by a slot from its tip."""
    width = hub * rng.uniform(0.42, 0.95)
    slot = max(1.6, width * rng.uniform(0.29, 0.51))
    fillet = _fillet(rng)
    reach = _reach(rng, hub, 6.0)
    spread = rng.uniform(0.85, 1.2) if rng.random() < 0.4 else 1.0
    tail, tip = _finished_tip(rng, strip(0, width, reach + 5, width * spread * (1 + 0 * reach)), reach, width * (1 + (spread - 1) * reach / (reach + 5)))
    length = (reach - hub / 2 * rng.uniform(0.7, 1.0)) * rng.uniform(0.32, 0.62)
    length = max(length, 3.0)
    kind = pick(rng, {"round": 3, "square": 2, "vee": 0.8, "flared": 1.0, "drop": 0.5})
    y0 = reach - length
    if kind == "round":
        cut: BaseGeometry = strip(y0 + slot / 2, slot, reach + 5, slot).union(disc(0, y0 + slot / 2, slot / 2))
    elif kind == "vee":
        cut = round_corners(strip(y0, slot * 0.35, reach, slot * 1.15).union(strip(reach, slot * 1.15, reach + 5, slot * 1.8)), 0.15 * slot)
    elif kind == "flared":
        cut = strip(y0, slot * 0.85, reach, slot * 1.1).union(strip(reach, slot * 1.1, reach + 5, slot * 1.3))
        cut = round_corners(cut, rng.uniform(0.1, 0.4) * slot)
    elif kind == "drop":
        cut = strip(y0 + slot / 2, slot * 0.8, reach + 5, slot * 0.8).union(disc(0, y0 + slot * 0.6, slot * 0.6))
    else:
        cut = round_corners(strip(y0, slot, reach + 5, slot), rng.uniform(0.05, 0.35) * slot)
    mouth = rng.uniform(0.2, 1.2)
    prongs = round_corners(tail.difference(cut), min(mouth, (width - slot) / 2 * 0.4))
    return _Tail(tail, fillet, cut=tail.difference(prongs).buffer(-0.01).buffer(0.012), construction=f"{kind}-{tip}")


FAMILY_TAILS: dict[str, Callable[[np.random.Generator, float], _Tail]] = {
    "finger": finger, "taper": taper, "paddle": paddle, "cloverleaf": cloverleaf,
    "hook": hook, "offset": offset, "hammer": hammer, "fork": fork,
}  # fmt: skip


def _fillet(rng: np.random.Generator) -> float:
    return float(rng.choice((0.0, rng.uniform(0.3, 1.5), rng.uniform(1.0, 4.4)), p=(0.08, 0.42, 0.5)))


def _hub(rng: np.random.Generator, diameter: float, bottom: str) -> BaseGeometry:
    """The round body, sometimes with flats, a flat foot or straight shoulders."""
    r = diameter / 2
    hub: BaseGeometry = disc(0, 0, r)
    kind = rng.random()
    if kind < 0.08:  # flats at the sides
        x = r * rng.uniform(0.88, 0.98)
        hub = hub.intersection(box(-x, -60, x if rng.random() < 0.7 else 60, 60))
    elif kind < 0.14 and bottom == "closed":
        hub = hub.intersection(box(-60, -r * rng.uniform(0.86, 0.97), 60, 60))
    elif kind < 0.19:  # a square-shouldered lower half
        hub = hub.union(round_corners(box(-r, -r * rng.uniform(0.3, 0.75), r, 0), r * rng.uniform(0.1, 0.3)))
    elif kind < 0.24:
        hub = affinity.scale(hub, 1.0, rng.uniform(0.95, 1.04))
    elif kind < 0.29:  # a locating notch or lug in the rim
        x, y = xy_from_angle(float(rng.choice((60, 90, 120, 240, 270, 300))) + rng.normal(0, 8), r)
        size = rng.uniform(0.5, 1.3)
        hub = hub.difference(disc(x, y, size)) if rng.random() < 0.6 else hub.union(disc(x * 0.97, y * 0.97, size))
    return hub


def _bottom_cut(rng: np.random.Generator, hub: float) -> tuple[BaseGeometry, str]:
    """The opening at 6 o'clock: what it takes away, and its form."""
    width = hub * rng.uniform(0.29, 0.57)
    floor = -hub * rng.uniform(0.0, 0.31)
    kind = pick(rng, {"U": 3, "flat": 2.2, "V": 1.2, "keyhole": 1.2, "arch": 0.8, "dovetail": 0.4})
    edge = -hub / 2
    if kind == "U":
        r = width / 2
        cut: BaseGeometry = box(-r, -60, r, floor - r).union(disc(0, floor - r, r))
    elif kind == "flat":
        cut = round_corners(box(-width / 2, -60, width / 2, floor), rng.uniform(0.05, 0.42) * width)
    elif kind == "V":
        apex = rng.uniform(0.05, 0.35) * width
        slope = (width - apex) / (floor - edge)
        cut = round_corners(strip(-60, apex + slope * (floor + 60), floor, apex), rng.uniform(0.2, 0.5) * apex)
    elif kind == "keyhole":
        r = width * rng.uniform(0.56, 0.72)
        cut = box(-width / 2, -60, width / 2, floor - r).union(disc(0, floor - r, r))
        cut = fill_corners(cut, rng.uniform(0.1, 0.6))
    elif kind == "arch":  # a shallow arc with a centre on or beyond the edge
        depth = floor - edge
        r = ((width / 2) ** 2 + depth**2) / (2 * depth) if depth > 0 else width / 2
        cut = disc(0, floor - r, r).union(box(-width / 2, -60, width / 2, edge))
    else:
        cut = round_corners(strip(-60, width, edge, width).union(strip(edge, width, floor, width * rng.uniform(1.08, 1.25))), 0.3)
    return affinity.translate(cut, rng.normal(0, 0.012) * hub, 0), kind


def _worn(rng: np.random.Generator, shape: Polygon) -> Polygon:
    """Dents, burrs and a slightly uneven edge, all of them small beside what the families differ by."""
    centroid_free = shape
    for _ in range(int(rng.choice((0, 1, 2, 4), p=(0.6, 0.2, 0.12, 0.08)))):
        at = shape.exterior.interpolate(rng.uniform(0, shape.exterior.length))
        size = rng.uniform(0.3, 1.4)
        bite = rng.uniform(0.1, 0.45)
        away = rng.uniform(0, 2 * math.pi)
        mark = disc(at.x + math.cos(away) * (size - bite * 0.5), at.y + math.sin(away) * (size - bite * 0.5), size)
        burr = disc(at.x, at.y, rng.uniform(0.1, 0.3))
        candidate = centroid_free.difference(mark.intersection(at.buffer(size * 0.5))) if rng.random() < 0.7 else centroid_free.union(burr)
        if isinstance(candidate, Polygon) and not candidate.interiors:
            centroid_free = candidate
    points = even_steps(centroid_free)
    amplitude = float(rng.choice((0.0, rng.uniform(0.005, 0.03), rng.uniform(0.03, 0.06)), p=(0.5, 0.42, 0.08)))
    if amplitude:
        n = len(points)
        waves = np.fft.rfft(rng.normal(size=n))
        cut_off = int(rng.uniform(8, 90))
        waves[cut_off:] = 0
        wave = np.fft.irfft(waves, n)
        tangent = np.roll(points, -1, 0) - np.roll(points, 1, 0)
        normal = np.c_[tangent[:, 1], -tangent[:, 0]] / np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
        points = points + normal * (amplitude * wave / max(float(wave.std()), 1e-9))[:, None]
    return largest(Polygon(points).buffer(0))


def _pattern(rng: np.random.Generator) -> list[tuple[float | None, float]]:
    """Screw positions as (clock angle, radius); None for one in the centre."""
    radius = float(rng.uniform(*SCREW_RADIUS_MM))
    jitter = float(rng.choice((0.0, 3.0, 8.0)))

    def r() -> float:
        return radius if same else float(rng.uniform(*SCREW_RADIUS_MM))

    same = rng.random() < 0.65
    kind = rng.random()
    angles: list[float | None]
    if kind < 0.22:
        angles = [60.0, 210.0]
    elif kind < 0.42:
        angles = [90.0, 270.0]
    elif kind < 0.52:
        angles = [90.0, None]
    elif kind < 0.58:
        angles = [180.0 + (start := float(rng.uniform(0, 180))), start]
    else:
        count = int(rng.choice((1, 2, 3, 4), p=(0.17, 0.45, 0.22, 0.16)))
        start = float(rng.uniform(0, 360))
        even = rng.random() < 0.4
        angles = [start + i * 360 / count if even else float(rng.uniform(0, 360)) for i in range(count)]
        if rng.random() < 0.15:
            angles[0] = None
    return [(None if a is None else a + jitter * float(rng.uniform(-1, 1)), r()) for a in angles]


def _rounded_opening(x: float, y: float, diameter: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, max(48, int(math.pi * diameter / ARC_STEP_MM)), endpoint=False)
    return np.c_[x + np.cos(turn) * diameter / 2, y + np.sin(turn) * diameter / 2]


def _screws(rng: np.random.Generator, inner: Polygon) -> tuple[list[Opening], BaseGeometry] | None:
    """Screw holes with metal all round, and what they take up; None when the pattern does not go into this plate."""
    diameter = float(rng.uniform(*SCREW_DIAMETER_MM))
    sunk = float(rng.uniform(max(COUNTERSINK_MM[0], diameter + 1.2), max(COUNTERSINK_MM[1], diameter + 1.6))) if rng.random() < 0.55 else None
    oblong = rng.random() < 0.06
    openings: list[Opening] = []
    taken: BaseGeometry = Polygon()
    for angle, radius in _pattern(rng):
        x, y = (float(rng.normal(0, 0.08)), float(rng.normal(0, 0.08))) if angle is None else xy_from_angle(angle, radius)
        d = diameter * float(rng.uniform(0.97, 1.03)) if rng.random() < 0.8 else float(rng.uniform(*SCREW_DIAMETER_MM))
        d = min(max(d, SCREW_DIAMETER_MM[0]), SCREW_DIAMETER_MM[1])
        cone = sunk if sunk is not None and sunk > d + 1.0 and rng.random() < 0.94 else None
        if oblong and cone is None and angle is not None:
            half = d * float(rng.uniform(0.12, 0.4))
            along = math.radians(angle) if rng.random() < 0.5 else math.radians(angle + 90)
            axis = LineString([(x - math.sin(along) * half, y - math.cos(along) * half), (x + math.sin(along) * half, y + math.cos(along) * half)])
            polygon: np.ndarray = even_steps(axis.buffer(d / 2, quad_segs=32))
        else:
            polygon = _rounded_opening(x, y, d)
        foot = Polygon(polygon).union(disc(x, y, cone / 2)) if cone else Polygon(polygon)
        if not inner.contains(foot) or taken.distance(foot) < WEB_MM:
            return None
        taken = taken.union(foot)
        openings.append(Opening("screw", x, y, d, cone, polygon, not (oblong and cone is None and angle is not None)))
    return openings, taken


def _reliefs(rng: np.random.Generator, inner: Polygon, taken: BaseGeometry, hub: float, reach: float) -> list[Opening]:
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
            kind = pick(rng, {"round": 3, "stadium": 2, "square": 1, "rectangle": 1, "D": 0.8, "hexagon": 0.5, "cross": 0.5, "kidney": 0.6})
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
                shape = LineString(np.c_[r * np.sin(arc), r * np.cos(arc) - r]).buffer(rng.uniform(0.7, 1.6), quad_segs=24)
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


def width_across(shape: Polygon, y: float, x: float = 0.0) -> float:
    """Outermost to outermost width of an outline along the line at height `y`, of the piece or pieces about `x`."""
    cut = shape.intersection(LineString([(-80, y), (80, y)]))
    return 0.0 if cut.is_empty else float(cut.bounds[2] - cut.bounds[0])


def _unambiguous(family: str, shape: Polygon, hub: float, reach: float) -> bool:
    """Whether the finished outline still reads as its own family and no other."""
    top_y = shape.bounds[3]
    ys = np.linspace(hub / 2 * 0.9, top_y - 0.6, 40)
    widths = np.array([width_across(shape, float(y)) for y in ys])
    if not np.all(widths > 1.0) or reach > REACH_MM[1] + 1.0 or reach < REACH_MM[0]:
        return False
    free = widths[ys > hub / 2 + 0.4]
    if family == "cloverleaf":
        # the side leaves stand out: below the axis the outline is waisted between each of them and the tail
        upper = min(width_across(shape, float(y)) for y in np.linspace(0, 0.75 * reach, 30))
        lower = max(width_across(shape, float(y)) for y in np.linspace(-0.6 * hub, -0.05 * hub, 20))
        top = max(width_across(shape, float(y)) for y in np.linspace(0.6 * reach, reach, 20))
        if not (upper < 0.82 * lower and upper < 0.92 * top):
            return False
        turn = np.radians(np.arange(0, 360, 4))
        rays = shapely.linestrings([[(0, 0), (60 * math.sin(t), 60 * math.cos(t))] for t in turn])
        hits = shapely.intersection(rays, shape.exterior)
        radii = np.array([0.0 if h.is_empty else max(math.hypot(*p) for p in shapely.get_coordinates(h)) for h in hits])
        degrees = np.degrees(turn)
        for low, high in ((20, 100), (260, 340)):
            waist = radii[(degrees > low) & (degrees < high)].min()
            leaf = radii[(degrees > 100) & (degrees < 145)] if high == 100 else radii[(degrees > 215) & (degrees < 260)]
            if leaf.max() < 1.24 * waist:
                return False
        return True
    if len(free) < 4:
        return False
    mid = float(np.median(free))
    if family in ("finger", "offset"):
        return bool(np.sum(np.abs(free - mid) < 0.06 * mid + 0.1) * (reach - hub / 2) / len(free) > 2.4) and mid < 0.64 * hub
    if family == "taper":
        return bool(widths[0] > 1.35 * widths[-8]) and float(widths[0]) > 0.6 * hub
    if family == "paddle":
        return float(widths.max()) > 1.4 * float(widths[: int(np.argmax(widths)) + 1].min())
    if family == "hammer":
        neck = float(free.min())
        return float(free.max()) > 1.6 * neck
    return True


def sample_part(rng: np.random.Generator, family: str | None = None, bottom: str | None = None) -> Part:
    """Draw one cam.

    Parameters
    ----------
    rng : numpy.random.Generator
        The only source of chance.
    family, bottom : str, optional
        Words of the vocabulary; drawn evenly (bottom: 45 % open) when not given.

    Returns
    -------
    Part
        A single piece of metal that reads as its family and no other, with all openings inside it.
    """
    family = family or str(rng.choice(FAMILIES))
    bottom = bottom or (BOTTOMS[1] if rng.random() < 0.45 else BOTTOMS[0])
    while True:
        part = _try_part(rng, family, bottom)
        if part is not None:
            return part


def _try_part(rng: np.random.Generator, family: str, bottom: str) -> Part | None:
    hub = float(rng.uniform(*HUB_DIAMETER_MM))
    tail = FAMILY_TAILS[family](rng, hub)
    body = _hub(rng, hub, bottom)
    if tail.whole:
        shape: BaseGeometry = tail.shape
    else:
        shape = body.union(tail.shape)
        if tail.fillet > 0:  # only near the hub, so that the tail's own corners keep theirs
            near = disc(0, 0, hub / 2 + 1.3 * tail.fillet)
            shape = shape.union(fill_corners(shape, tail.fillet).intersection(near))
    if tail.cut is not None:
        shape = shape.difference(tail.cut)
    construction = tail.construction
    if bottom == "open":
        cut, form = _bottom_cut(rng, hub)
        before = shape.area
        shape = shape.difference(cut)
        construction += f"/{form}"
        if before - shape.area < 0.02 * hub * hub:
            return None
    shape = largest(round_corners(shape, float(rng.choice((0.06, rng.uniform(0.1, 0.4), rng.uniform(0.3, 0.8))))))
    if any(Polygon(ring).area > 0.05 for ring in shape.interiors):
        return None
    shape = Polygon(shape.exterior)  # slivers left by rounding
    if shape.is_empty:
        return None
    if bottom == "open":  # both horns beside the cut must be metal worth the name
        horns = shape.intersection(box(-60, -60, 60, -0.33 * hub))
        if not isinstance(horns, MultiPolygon) or min(g.area for g in horns.geoms) < 4.0:
            return None
        if shape.buffer(-1.0).geom_type != "Polygon":
            return None
    shape = _worn(rng, shape)
    outline = even_steps(shape)
    upper = outline[outline[:, 1] > 0]
    reach = float(np.hypot(upper[:, 0], upper[:, 1]).max())
    if not _unambiguous(family, shape, hub, reach):
        return None
    inner = shape.buffer(-WEB_MM, quad_segs=6)
    shapely.prepare(inner)
    for _ in range(12):
        screws = _screws(rng, inner)
        if screws is not None:
            break
    else:
        return None
    openings, taken = screws
    openings += _reliefs(rng, inner, taken, hub, reach)
    plate = Polygon(outline, [o.polygon_mm for o in openings])
    if not plate.is_valid:
        return None
    x0, y0, x1, y1 = shape.bounds
    ray = shape.intersection(LineString([(tail.x, 0), (tail.x, 60)]))
    tip_y = ray.bounds[3] if not ray.is_empty else reach
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    rim = shapely.points(np.c_[np.cos(turn), np.sin(turn)] * hub / 2)
    on_rim = float(np.mean(shapely.distance(rim, shape.exterior) < 0.12))
    cast = bool(rng.random() < 0.4)
    soft, sharp = float(rng.uniform(0.15, 0.6)), float(rng.uniform(0.03, 0.15))
    edges = (soft, soft * float(rng.uniform(0.7, 1.2))) if cast else ((soft, sharp) if rng.random() < 0.6 else (sharp, soft))
    if not cast and rng.random() < 0.2:
        edges = (sharp, sharp)
    return Part(
        family=family, bottom=bottom, hand=tail.hand, outline_mm=outline, openings=tuple(openings),
        thickness_mm=float(rng.uniform(*THICKNESS_MM)), hub_diameter_mm=hub, hub_shows=on_rim > 0.2, reach_mm=reach,
        length_mm=y1 - y0, width_mm=x1 - x0, tail_width_mm=width_across(shape, reach / 2), tail_tip_mm=(tail.x, float(tip_y)),
        edge_screw_mm=edges[0], edge_plug_mm=edges[1],
        bend_mm=float(rng.uniform(-0.8, 0.8)) if rng.random() < 0.12 else 0.0, cast=cast, construction=construction,
    )  # fmt: skip
