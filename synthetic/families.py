"""The tails of the eight families, each in several makers' constructions.

A function a family: a random tail for a hub of a given diameter, in mm, the axis at the origin and 12 o'clock up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

from synthetic.outline import disc, fill_corners, pick, round_corners, strip
from vision.vocabulary import xy_from_angle

REACH_MM = (13.0, 34.0)


@dataclass(frozen=True, slots=True)
class Tail:
    shape: BaseGeometry
    fillet: float  # at the hub
    hand: str = "none"
    cut: BaseGeometry | None = None  # taken out after the fillets are made
    x: float = 0.0  # of the centre line
    whole: bool = False  # `shape` is already the whole outline, hub included
    construction: str = ""


def _finished_tip(
    rng: np.random.Generator, tail: BaseGeometry, reach: float, width: float, x: float = 0.0, *, rounded: bool = True
) -> tuple[BaseGeometry, str]:
    """Cut a tail that runs on beyond `reach` to one of the usual tip forms, its farthest y at about `reach`."""
    kind = pick(
        rng,
        {
            "round": 3 if rounded else 0,
            "arc": 1.5,
            "concentric": 1,
            "square": 3,
            "chamfered": 1,
            "skew": 0.5,
            "crown": 0.5,
            "one-corner": 0.4,
        },
    )
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
        tail = (
            tail.difference(box(x, reach - 2 * r, x + side * 60, 60)).union(keep)
            if side > 0
            else tail.difference(box(x - 60, reach - 2 * r, x, 60)).union(keep)
        )
    if kind in ("square", "chamfered", "skew", "crown", "concentric", "one-corner", "arc"):
        tail = round_corners(tail, min(width * 0.3, rng.uniform(0.1, 1.8)))
    return tail, kind


def _reach(rng: np.random.Generator, hub: float, least_tail: float) -> float:
    low = max(REACH_MM[0], hub / 2 + least_tail)
    return float(rng.uniform(low, max(low + 1.0, REACH_MM[1])))


def _fillet(rng: np.random.Generator) -> float:
    return float(rng.choice((0.0, rng.uniform(0.3, 1.5), rng.uniform(1.0, 4.4)), p=(0.08, 0.42, 0.5)))


def finger(rng: np.random.Generator, hub: float) -> Tail:
    """One narrow tail with parallel sides, centred."""
    width = hub * rng.uniform(0.23, 0.59)
    fillet = _fillet(rng)
    reach = _reach(rng, hub, 4.0 + 0.8 * fillet)
    draft = rng.uniform(0.97, 1.0) if rng.random() < 0.3 else 1.0  # a cast part leaves its mould
    tail, tip = _finished_tip(rng, strip(0, width, reach + 5, width * draft), reach, width * draft)
    return Tail(tail, fillet, construction=tip)


def taper(rng: np.random.Generator, hub: float) -> Tail:
    """Wide at the hub, straight flanks that narrow to the tip."""
    root, tip_width = hub * rng.uniform(0.67, 1.0), hub * rng.uniform(0.18, 0.47)
    reach = _reach(rng, hub, 5.0)
    if rng.random() < 0.3:  # flanks tangent to the hub
        tip_radius = tip_width / 2
        tip_disc = disc(0, reach - tip_radius, tip_radius)
        return Tail(disc(0, 0, hub / 2).union(tip_disc).convex_hull, 0.0, construction="tangent")
    y0 = math.sqrt(max(0.0, (hub / 2) ** 2 - (root / 2) ** 2))
    lean = rng.normal(0, 0.02) * hub if rng.random() < 0.25 else 0.0  # unequal flanks
    flank = Polygon([(-root / 2 + lean, y0), (root / 2 + lean, y0), (tip_width / 2, reach), (-tip_width / 2, reach)])
    slope = (root - tip_width) / 2 / (reach - y0)
    if rng.random() < 0.4:  # flanks run tangent into a round tip
        round_tip = (
            flank.intersection(box(-60, -60, 60, reach - tip_width))
            .union(disc(0, reach - tip_width / 2, tip_width / 2))
            .convex_hull
        )
        return Tail(round_tip.union(strip(0, root * 0.9, y0 + 0.01, root)), _fillet(rng), construction="round")
    over = strip(reach, tip_width, reach + 3, max(0.2, tip_width - 6 * slope))
    tail, tip = _finished_tip(
        rng, flank.union(over).union(strip(0, root * 0.9, y0 + 0.01, root)), reach, tip_width * 0.98, rounded=False
    )
    return Tail(tail, _fillet(rng), construction=tip)


def _rounded_end(tail: BaseGeometry, corner: float, neck: float, to: float) -> BaseGeometry:
    """Round the corners of a broad end. A radius of more than half the neck would take the neck away; it is put back."""
    rounded = round_corners(tail, corner)
    return rounded if corner < 0.48 * neck else fill_corners(rounded.union(strip(0, neck, to, neck)), 0.8)


def paddle(rng: np.random.Generator, hub: float) -> Tail:
    """A narrow neck that widens to a broad end."""
    neck, end = hub * rng.uniform(0.28, 0.53), hub * rng.uniform(0.62, 1.15)
    end = max(end, 1.45 * neck)
    kind = pick(rng, {"flare": 3, "disc": 1.5, "block": 2, "ellipse": 1.2, "fan": 1.2, "drop": 1.0, "curve": 1.0})
    if kind == "flare":  # straight flanks, then a parallel end
        flare, parallel = max(rng.uniform(3.5, 9.0), 0.8 * (end - neck) / 2), rng.uniform(0.0, 8.0)
        parallel = max(parallel, 6.5 - flare)
        reach = _reach(rng, hub, 2.0 + flare + parallel)
        y = reach - parallel
        tail = strip(0, neck, y - flare, neck).union(strip(y - flare, neck, y, end)).union(strip(y, end, reach, end))
        tail = fill_corners(tail, rng.uniform(0.2, 5.0))
        corner = min(end * 0.35, rng.choice((rng.uniform(0.3, 1.5), rng.uniform(1.5, 6.0))))
        tail = _rounded_end(tail, corner, neck, y)
    elif kind == "fan":  # widens all the way from the hub
        reach = _reach(rng, hub, 7.5)
        y0 = hub * rng.uniform(0.30, 0.5)
        tail = strip(0, neck, y0, neck).union(
            strip(
                y0,
                neck,
                reach + 4,
                end * (reach + 4 - y0) / (reach - y0) + neck * (1 - (reach + 4 - y0) / (reach - y0)),
            )
        )
        tail = tail.intersection(disc(0, 0, reach) if rng.random() < 0.5 else box(-60, -60, 60, reach))
        tail = _rounded_end(tail, rng.uniform(0.3, end * 0.22), neck, (y0 + reach) / 2)
    elif kind == "block":  # a rounded rectangle on a neck, too deep to be a crossbar
        depth = rng.uniform(7.8, 14.0)
        reach = _reach(rng, hub, 1.8 + depth)
        block = round_corners(
            box(-end / 2, reach - depth, end / 2, reach), min(rng.uniform(0.4, 5.0), end * 0.45, depth * 0.45)
        )
        tail = fill_corners(strip(0, neck, reach - depth + 3, neck).union(block), rng.uniform(0.5, 4.0))
    elif kind == "curve":  # flanks run out in a smooth S
        reach = _reach(rng, hub, 8.5)
        y = np.linspace(0, reach, 120)
        y0, y1 = hub / 2 * rng.uniform(0.8, 1.1), reach - rng.uniform(0.5, 3.0)
        t = np.clip((y - y0) / max(1.0, y1 - y0), 0, 1)
        half = 0.5 * (neck + (end - neck) * t**2 * (3 - 2 * t))
        tail = Polygon(np.r_[np.c_[half, y], np.c_[-half, y][::-1]])
        tail = tail.intersection(disc(0, 0, reach)) if rng.random() < 0.5 else tail
        tail = _rounded_end(tail, rng.uniform(0.3, end * 0.3), neck, (y0 + y1) / 2)
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
        tail = (
            tail.difference(disc(0, tail.bounds[3] + r - rng.uniform(0.2, 0.6), r))
            if rng.random() < 0.4
            else tail.intersection(disc(0, tail.bounds[3] - r, r).union(box(-60, -60, 60, tail.bounds[3] - end / 2)))
        )
    return Tail(tail, _fillet(rng), construction=kind)


def cloverleaf(rng: np.random.Generator, hub: float) -> Tail:
    """Three round leaves joined by concave fillets: the tail at 12, two smaller at about 4 and 8."""
    top = hub * rng.uniform(0.48, 0.92) / 2
    side = hub * rng.uniform(0.34, 0.62) / 2
    side = min(side, top * 0.92)
    kind = pick(rng, {"hub": 3, "hub-small": 2, "arms": 1.5, "web": 1.5, "arcs": 1.5, "trefoil": 1.8})
    body = {
        "hub": hub / 2,
        "hub-small": hub / 2 * rng.uniform(0.65, 0.95),
        "arms": hub / 2 * rng.uniform(0.5, 0.9),
    }.get(kind, hub / 2 * rng.uniform(0.45, 0.8))
    reach = float(rng.uniform(max(REACH_MM[0], body + 0.75 * top + 1.0, 2.1 * top), REACH_MM[1]))
    if kind == "trefoil":  # three leaves close together, deep hollows between them
        reach = max(REACH_MM[0], (body + rng.uniform(0.5, 1.2) * top) + top)
    stand_out = rng.uniform(0.35, 1.9) * side if kind != "trefoil" else rng.uniform(1.2, 2.0) * side
    out = max(body - side + max(stand_out, 0.08 * hub), 0.22 * hub)
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
    return Tail(fill_corners(shape, radius), 0.0, whole=True, construction=kind)


def hook(rng: np.random.Generator, hub: float) -> Tail:
    """A parallel tail with a foot to one side at its tip."""
    width = hub * rng.uniform(0.23, 0.50)
    foot, depth = width * rng.uniform(0.28, 0.95), rng.uniform(2.4, 6.5)
    foot = max(foot, 1.4)
    fillet = _fillet(rng)
    reach = _reach(rng, hub, depth + 2.6 + 0.6 * fillet)
    right = rng.random() < 0.5
    shift = rng.uniform(-0.06, 0.06) * hub if rng.random() < 0.3 else 0.0
    kind = pick(
        rng, {"square": 3, "slope-under": 1.2, "barb": 1.2, "round-end": 1.5, "quarter": 1.2, "slope-over": 0.8}
    )
    edge = width / 2
    bar: BaseGeometry = box(-edge, 0, edge, reach)
    x1 = edge + foot
    if kind == "slope-under":
        add: BaseGeometry = Polygon(
            [(0, reach), (x1, reach), (x1, reach - depth), (edge, reach - depth - foot * rng.uniform(0.3, 1.0))]
        )
        add = add.union(box(0, reach - depth, edge, reach))
    elif kind == "barb":
        add = Polygon(
            [
                (0, reach),
                (x1, reach),
                (x1, reach - depth - rng.uniform(0.4, 0.9) * depth),
                (edge + foot * 0.35, reach - depth),
                (0, reach - depth),
            ]
        )
    elif kind == "slope-over":
        add = Polygon(
            [
                (0, reach),
                (edge, reach),
                (x1, reach - rng.uniform(0.1, 0.35) * depth),
                (x1, reach - depth),
                (0, reach - depth),
            ]
        )
    else:
        add = box(0, reach - depth, x1, reach)
        if kind == "round-end":
            add = round_corners(
                add.union(box(-depth, reach - depth, 0, reach)), min(depth * 0.49, foot * 0.9)
            ).intersection(box(0, 0, 60, 60))
        elif kind == "quarter":
            r = min(depth, foot) * rng.uniform(0.7, 1.0)
            add = add.difference(box(x1 - r, reach - r, x1 + 1, reach + 1)).union(
                disc(x1 - r, reach - r, r).intersection(add)
            )
    shape = fill_corners(bar.union(add), rng.uniform(0.1, 2.5))
    if rng.random() < 0.35:  # the heel is rounded or bevelled
        r = rng.uniform(0.15, 0.6) * width
        heel = box(-edge - 1, reach - r, -edge + r, reach + 1)
        shape = (
            shape.difference(heel).union(disc(-edge + r, reach - r, r).intersection(shape))
            if rng.random() < 0.6
            else shape.difference(
                Polygon([(-edge - 1, reach - r - 1), (-edge + r + 1, reach + 1), (-edge - 1, reach + 1)])
            )
        )
    if rng.random() < 0.2:
        shape = shape.intersection(disc(0, 0, reach))
    shape = round_corners(shape, rng.uniform(0.1, 0.9))
    shape = affinity.translate(shape, shift, 0)
    if not right:
        shape, shift = affinity.scale(shape, -1, 1, origin=(0, 0)), -shift
    return Tail(shape, fillet, "right" if right else "left", x=shift, construction=kind)


def offset(rng: np.random.Generator, hub: float) -> Tail:
    """A parallel tail whose centre line passes beside the axis."""
    width = hub * rng.uniform(0.22, 0.52)
    shift = hub * rng.uniform(0.14, 0.375)
    fillet = _fillet(rng)
    reach = _reach(rng, hub, 4.5 + 0.7 * fillet)
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
    return Tail(tail, fillet, "right" if right else "left", x=shift if right else -shift, construction=f"{kind}-{tip}")


def hammer(rng: np.random.Generator, hub: float) -> Tail:
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
        head = Polygon(
            [
                (-half, reach - depth),
                (half, reach - depth),
                (half, reach - c),
                (half - c, reach),
                (-half + c, reach),
                (-half, reach - c),
            ]
        )
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
    return Tail(round_corners(shape, min(depth * 0.45, rng.uniform(0.1, 1.8))), fillet, construction=kind)


def fork(rng: np.random.Generator, hub: float) -> Tail:
    """A tail split by a slot from its tip."""
    width = hub * rng.uniform(0.42, 0.88)
    slot = max(1.6, width * rng.uniform(0.29, 0.51))
    fillet = _fillet(rng)
    reach = _reach(rng, hub, 6.8)
    spread = rng.uniform(0.85, 1.2) if rng.random() < 0.4 else 1.0
    tail, tip = _finished_tip(
        rng, strip(0, width, reach + 5, width * spread), reach, width * (1 + (spread - 1) * reach / (reach + 5))
    )
    length = (reach - hub / 2 * rng.uniform(0.7, 1.0)) * rng.uniform(0.32, 0.62)
    length = max(length, 3.8)
    kind = pick(rng, {"round": 3, "square": 2, "vee": 0.8, "flared": 1.0, "drop": 0.5})
    y0 = reach - length
    if kind == "round":
        cut: BaseGeometry = strip(y0 + slot / 2, slot, reach + 5, slot).union(disc(0, y0 + slot / 2, slot / 2))
    elif kind == "vee":
        cut = round_corners(
            strip(y0, slot * 0.35, reach, slot * 1.15).union(strip(reach, slot * 1.15, reach + 5, slot * 1.8)),
            0.15 * slot,
        )
    elif kind == "flared":
        cut = strip(y0, slot * 0.85, reach, slot * 1.1).union(strip(reach, slot * 1.1, reach + 5, slot * 1.3))
        cut = round_corners(cut, rng.uniform(0.1, 0.4) * slot)
    elif kind == "drop":
        cut = strip(y0 + slot / 2, slot * 0.8, reach + 5, slot * 0.8).union(disc(0, y0 + slot * 0.6, slot * 0.6))
    else:
        cut = round_corners(strip(y0, slot, reach + 5, slot), rng.uniform(0.05, 0.35) * slot)
    mouth = rng.uniform(0.2, 1.2)
    prongs = round_corners(tail.difference(cut), min(mouth, (width - slot) / 2 * 0.4))
    return Tail(tail, fillet, cut=tail.difference(prongs).buffer(-0.01).buffer(0.012), construction=f"{kind}-{tip}")


FAMILY_TAILS: dict[str, Callable[[np.random.Generator, float], Tail]] = {
    "finger": finger, "taper": taper, "paddle": paddle, "cloverleaf": cloverleaf,
    "hook": hook, "offset": offset, "hammer": hammer, "fork": fork,
}  # fmt: skip
