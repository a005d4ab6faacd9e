"""Things that are no cams, one function a kind, as main objects of pictures labelled without a family.

`TRAINING` kinds go into training; `HELD_OUT` kinds are drawn only when asked for, so that an evaluation can meet things the
network has never seen. Both lists are part of the data's description: don't move a kind without a new data set.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from synthetic import things
from synthetic.openings import Opening
from synthetic.outline import disc, even_steps, fill_corners, largest, round_corners
from synthetic.surfaces import hue, sample_metal

if TYPE_CHECKING:
    from synthetic.scene import Slab

Made = tuple[BaseGeometry, list[Opening], float]  # outline, openings, thickness


def _hole(x: float, y: float, d: float, sunk: float | None = None) -> Opening:
    return Opening("screw", x, y, d, sunk, even_steps(disc(x, y, d / 2)))


def _opening(shape: BaseGeometry) -> Opening:
    ring = largest(shape)
    return Opening(
        "relief", ring.centroid.x, ring.centroid.y, 2 * math.sqrt(ring.area / math.pi), None, even_steps(ring), False
    )


def _ring_of_holes(rng: np.random.Generator, radius: float, count: int, d: float) -> list[Opening]:
    start = rng.uniform(0, 2 * math.pi)
    sunk = float(d + rng.uniform(1.5, 3)) if rng.random() < 0.35 else None
    return [
        _hole(
            radius * math.cos(start + 2 * math.pi * i / count),
            radius * math.sin(start + 2 * math.pi * i / count),
            d,
            sunk,
        )
        for i in range(count)
    ]


def washer(rng: np.random.Generator) -> Made:
    r = float(rng.uniform(6, 20))
    inner = r * float(rng.uniform(0.3, 0.75))
    shape: BaseGeometry = disc(0, 0, r)
    if rng.random() < 0.25:  # tab or tooth washers
        for i in range(int(rng.integers(1, 9))):
            shape = shape.union(affinity.rotate(box(r * 0.8, -r * 0.12, r * 1.2, r * 0.12), 45 * i, origin=(0, 0)))
    return shape, [_opening(disc(0, 0, inner))], float(rng.uniform(0.8, 3))


def nut(rng: np.random.Generator) -> Made:
    r, sides = float(rng.uniform(5, 14)), int(rng.choice((6, 6, 6, 4, 12)))
    turn = np.arange(sides) * 2 * np.pi / sides
    shape = round_corners(Polygon(np.c_[np.cos(turn), np.sin(turn)] * r), r * 0.06)
    return shape, [_opening(disc(0, 0, r * float(rng.uniform(0.4, 0.62))))], r * float(rng.uniform(0.4, 1.0))


def bracket(rng: np.random.Generator) -> Made:
    a, b, w = rng.uniform(18, 45), rng.uniform(14, 40), rng.uniform(8, 16)
    shape: BaseGeometry = box(0, 0, a, w).union(box(0, 0, w, b))
    if rng.random() < 0.3:
        shape = shape.union(box(a - w, 0, a, b * rng.uniform(0.4, 1)))
    if rng.random() < 0.3:
        shape = box(-a / 2, 0, a / 2, w).union(box(-w / 2, -b, w / 2, w))
    shape = round_corners(fill_corners(shape, rng.uniform(0.3, 4)), rng.uniform(0.2, 4))
    d = float(rng.uniform(3, 5))
    spots = [(a - w / 2, w / 2), (w / 2, b - w / 2), (w / 2, w / 2), (a / 2, w / 2), (0.0, -b + w / 2)]
    holes = [
        _hole(float(x), float(y), d)
        for x, y in spots
        if shape.buffer(-1).contains(disc(x, y, d / 2)) and rng.random() < 0.8
    ]
    return shape, holes, float(rng.uniform(1.5, 4))


def plate(rng: np.random.Generator) -> Made:
    """A rectangle, or a lozenge, with holes."""
    w, h = rng.uniform(12, 40), rng.uniform(8, 26)
    shape: BaseGeometry = round_corners(box(-w / 2, -h / 2, w / 2, h / 2), rng.uniform(0.2, 0.49) * min(w, h))
    if rng.random() < 0.3:
        shape = disc(0, 0, h / 2).union(disc(-w / 2, 0, h / 4)).union(disc(w / 2, 0, h / 4)).convex_hull
    holes = [
        _hole(sx * w * 0.36, sy * h * 0.25, float(rng.uniform(2.5, 4.5)))
        for sx in (-1, 1)
        for sy in ((-1, 1) if rng.random() < 0.4 else (0,))
    ]
    if rng.random() < 0.4:
        holes.append(_opening(disc(0, 0, h * rng.uniform(0.15, 0.3))))
    return shape, holes, float(rng.uniform(1, 4))


def drilled_disc(rng: np.random.Generator) -> Made:
    r = float(rng.uniform(7, 22))
    count = int(rng.integers(1, 7))
    holes = _ring_of_holes(rng, r * float(rng.uniform(0.4, 0.75)), count, float(rng.uniform(1.8, 4.4)))
    if rng.random() < 0.5:
        holes.append(_opening(disc(0, 0, r * float(rng.uniform(0.1, 0.25)))))
    shape: BaseGeometry = disc(0, 0, r)
    if rng.random() < 0.35:  # with a notch, as a tail-less cousin
        shape = shape.difference(
            affinity.rotate(box(-r * 0.25, r * 0.4, r * 0.25, r * 2), float(rng.uniform(0, 360)), origin=(0, 0))
        )
    return shape, holes, float(rng.uniform(1, 4))


def flange(rng: np.random.Generator) -> Made:
    r, count = float(rng.uniform(6, 12)), int(rng.choice((2, 3, 4)))
    shape: BaseGeometry = disc(0, 0, r)
    holes = []
    far = r * float(rng.uniform(1.2, 1.7))
    for i in range(count):
        a = 2 * math.pi * i / count
        x, y = far * math.cos(a), far * math.sin(a)
        ear = disc(x, y, r * 0.35)
        shape = shape.union(
            ear.union(disc(0, 0, r * 0.9)).convex_hull
            if count == 2
            else ear.union(LineString([(0, 0), (x, y)]).buffer(r * 0.3))
        )
        holes.append(_hole(x, y, r * 0.33))
    holes.append(_opening(disc(0, 0, r * float(rng.uniform(0.3, 0.7)))))
    return fill_corners(shape, float(rng.uniform(0.5, 5))), holes, float(rng.uniform(1.5, 5))


def lever(rng: np.random.Generator) -> Made:
    """A bar or link without a hub."""
    run, w = float(rng.uniform(20, 60)), float(rng.uniform(5, 13))
    bend = float(rng.normal(0, 0.12)) * run if rng.random() < 0.5 else 0.0
    line = LineString([(-run / 2, 0), (0, bend), (run / 2, 0)])
    shape = line.buffer(w / 2, cap_style="round" if rng.random() < 0.7 else "square")
    d = w * float(rng.uniform(0.25, 0.55))
    holes = [_hole(-run / 2, 0, d)]
    if rng.random() < 0.8:
        holes.append(_hole(run / 2, 0, d))
    elif rng.random() < 0.5:
        holes.append(_opening(LineString([(run / 2 - w, bend * w * 2 / run), (run / 2, 0)]).buffer(d / 2)))
    return shape, holes, float(rng.uniform(1, 4))


def link_two_discs(rng: np.random.Generator) -> Made:
    """Two equal eyes joined by a bar: near to a paddle, but with a bore at either end."""
    r, run = float(rng.uniform(5, 10)), float(rng.uniform(18, 40))
    bar = box(-run / 2, -r * 0.4, run / 2, r * 0.4)
    shape = fill_corners(disc(-run / 2, 0, r).union(disc(run / 2, 0, r)).union(bar), float(rng.uniform(0.5, 4)))
    d = r * float(rng.uniform(0.8, 1.3))
    return shape, [_opening(disc(-run / 2, 0, d / 2)), _opening(disc(run / 2, 0, d / 2))], float(rng.uniform(1.5, 5))


def blob(rng: np.random.Generator) -> Made:
    turn = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    r = float(rng.uniform(7, 22)) * np.exp(
        sum(rng.normal(0, 0.22 / k) * np.cos(k * turn + rng.uniform(0, 6.28)) for k in range(1, 8))
    )
    shape = largest(Polygon(np.c_[r * np.cos(turn), r * np.sin(turn)]).buffer(0))
    return shape, _holes_anywhere(rng, shape), float(rng.uniform(0.5, 5))


def polygon(rng: np.random.Generator) -> Made:
    n = int(rng.integers(3, 10))
    turn = np.sort(rng.uniform(0, 2 * np.pi, n))
    r = rng.uniform(8, 24, n)
    shape: BaseGeometry = Polygon(np.c_[r * np.cos(turn), r * np.sin(turn)]).buffer(0)
    if rng.random() < 0.6:
        shape = round_corners(fill_corners(shape, rng.uniform(0, 3)), rng.uniform(0, 2))
    shape = largest(shape)
    if shape.area < 30:
        return blob(rng)
    return shape, _holes_anywhere(rng, shape), float(rng.uniform(0.5, 5))


def composed(rng: np.random.Generator) -> Made:
    """Random discs and bars put together: metal-part-like, but nobody's cam."""
    shape: BaseGeometry = box(-4, -4, 4, 4)
    for _ in range(int(rng.integers(2, 6))):
        x, y = rng.uniform(-14, 14, 2)
        piece = (
            disc(x, y, rng.uniform(2.5, 8))
            if rng.random() < 0.4
            else affinity.rotate(
                box(x - rng.uniform(2, 12), y - rng.uniform(2, 5), x + rng.uniform(2, 12), y + rng.uniform(2, 5)),
                float(rng.choice((0, 45, 90, rng.uniform(0, 180)))),
            )
        )
        shape = shape.union(piece) if rng.random() < 0.75 else shape.difference(piece)
    shape = largest(round_corners(fill_corners(shape, rng.uniform(0.2, 3)), rng.uniform(0.1, 1.5)))
    if shape.area < 60:
        return plate(rng)
    return Polygon(shape.exterior), _holes_anywhere(rng, shape), float(rng.uniform(1, 4))


def star(rng: np.random.Generator) -> Made:
    """A knob or star: too many lobes for a cloverleaf."""
    n = int(rng.choice((2, 4, 5, 6, 8)))
    turn = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    wave = np.cos(n * turn)
    r = float(rng.uniform(8, 18)) * (
        1 + float(rng.uniform(0.1, 0.4)) * (np.sign(wave) * np.abs(wave) ** float(rng.uniform(0.4, 2)))
    )
    shape = largest(round_corners(Polygon(np.c_[r * np.cos(turn), r * np.sin(turn)]).buffer(0), 0.6))
    return (
        shape,
        [_opening(disc(0, 0, float(rng.uniform(1.5, 4))))] if rng.random() < 0.8 else [],
        float(rng.uniform(2, 8)),
    )


def circlip(rng: np.random.Generator) -> Made:
    r = float(rng.uniform(6, 18))
    w = r * float(rng.uniform(0.1, 0.25))
    gap = math.radians(float(rng.uniform(12, 60)))
    arc = np.linspace(gap / 2, 2 * math.pi - gap / 2, 120)
    shape: BaseGeometry = LineString(np.c_[r * np.cos(arc), r * np.sin(arc)]).buffer(w / 2, cap_style="flat")
    holes = []
    for a in (arc[0], arc[-1]):
        shape = shape.union(disc(r * math.cos(a), r * math.sin(a), w))
        holes.append(_hole(r * math.cos(a), r * math.sin(a), w * 0.8))
    return shape, holes, float(rng.uniform(0.8, 2))


def spanner(rng: np.random.Generator) -> Made:
    run, w, jaw = float(rng.uniform(50, 110)), float(rng.uniform(5, 10)), float(rng.uniform(9, 16))
    head = disc(run / 2, 0, jaw).difference(
        affinity.rotate(box(run / 2 - jaw * 0.2, -jaw * 0.5, run / 2 + 2 * jaw, jaw * 0.5), 15, origin=(run / 2, 0))
    )
    shape = fill_corners(
        box(-run / 2, -w / 2, run / 2 - jaw * 0.6, w / 2).union(head).union(disc(-run / 2, 0, jaw * 0.8)), 2.0
    )
    return shape, [_opening(disc(-run / 2, 0, jaw * 0.5))], float(rng.uniform(3, 6))


def blank_key(rng: np.random.Generator) -> Made:
    slab = things.blank_key(rng)
    return Polygon(slab.outline_mm), list(slab.openings), slab.z1_mm


def lying_screw(rng: np.random.Generator) -> Made:
    slab = things.lying_screw(rng)
    return affinity.scale(Polygon(slab.outline_mm), 1.5, 1.5, origin=(0, 0)), [], slab.z1_mm * 1.5


def strike_plate(rng: np.random.Generator) -> Made:
    w, h = float(rng.uniform(20, 34)), float(rng.uniform(40, 75))
    shape = round_corners(box(-w / 2, -h / 2, w / 2, h / 2), float(rng.choice((0.6, 3.0, w * 0.45))))
    slot = box(-w * 0.25, -h * 0.18, w * 0.25, h * 0.18)
    d = float(rng.uniform(3.5, 5))
    return (
        shape,
        [_opening(slot), _hole(0, h * 0.38, d, d * 1.8), _hole(0, -h * 0.38, d, d * 1.8)],
        float(rng.uniform(1, 3)),
    )


# held out from here on


def gear(rng: np.random.Generator) -> Made:
    n, r = int(rng.integers(8, 32)), float(rng.uniform(8, 22))
    depth = 2.2 * r / n
    turn = np.linspace(0, 2 * np.pi, n * 12, endpoint=False)
    teeth = np.clip(1.6 * np.sin(n * turn), -0.8, 0.8)
    shape = Polygon(np.c_[(r + depth * teeth) * np.cos(turn), (r + depth * teeth) * np.sin(turn)])
    bore = r * float(rng.uniform(0.15, 0.4))
    holes = [
        _opening(
            disc(0, 0, bore).union(box(-bore * 0.25, 0, bore * 0.25, bore * 1.3))
            if rng.random() < 0.4
            else disc(0, 0, bore)
        )
    ]
    if rng.random() < 0.4:
        holes += _ring_of_holes(rng, r * 0.65, int(rng.integers(3, 7)), r * 0.2)
    return shape, holes, float(rng.uniform(1.5, 6))


def hinge(rng: np.random.Generator) -> Made:
    w, h, barrel = float(rng.uniform(14, 30)), float(rng.uniform(25, 60)), float(rng.uniform(2, 4))
    shape: BaseGeometry = round_corners(box(-w, -h / 2, w, h / 2), 1.0).union(
        box(-barrel, -h / 2 - 1, barrel, h / 2 + 1)
    )
    knuckles = int(rng.integers(3, 7))
    for i in range(1, knuckles):
        y = -h / 2 + h * i / knuckles
        shape = shape.difference(box(-w * 0.3 if i % 2 else 0, y - 0.25, 0 if i % 2 else w * 0.3, y + 0.25))
    d = float(rng.uniform(3, 4.5))
    holes = [_hole(sx * w * 0.62, y, d, d * 1.8) for sx in (-1, 1) for y in (-h * 0.33, h * 0.33)]
    return (
        largest(shape),
        [o for o in holes if shape.contains(Point(o.x_mm, o.y_mm).buffer(d))],
        float(rng.uniform(1.2, 2.5)),
    )


def spring(rng: np.random.Generator) -> Made:
    n, r, wire = int(rng.integers(5, 14)), float(rng.uniform(3, 8)), float(rng.uniform(0.7, 1.6))
    pitch = wire * float(rng.uniform(1.7, 3))
    t = np.linspace(0, n * math.pi, n * 16)
    line = LineString(np.c_[r * np.cos(t), t / math.pi * pitch - n * pitch / 2])
    shape = line.buffer(wire / 2)
    return (
        Polygon(largest(shape).exterior),
        [_opening(Polygon(i)) for i in largest(shape).interiors if Polygon(i).area > 0.3],
        wire * 2,
    )


def wing_nut(rng: np.random.Generator) -> Made:
    r = float(rng.uniform(4, 7))
    shape: BaseGeometry = disc(0, 0, r)
    for side in (-1, 1):
        wing = affinity.rotate(affinity.scale(disc(0, 0, 1), r * 1.3, r * 0.75), 18 * side, origin=(0, 0))
        shape = shape.union(affinity.translate(wing, side * r * 1.7, r * 0.4))
    return fill_corners(shape, 2), [_opening(disc(0, 0, r * 0.55))], float(rng.uniform(3, 9))


def chain_link(rng: np.random.Generator) -> Made:
    r, run = float(rng.uniform(5, 9)), float(rng.uniform(10, 22))
    line = LineString([(-run / 2, 0), (run / 2, 0)])
    return line.buffer(r), [_opening(line.buffer(r * float(rng.uniform(0.4, 0.65))))], float(rng.uniform(2, 5))


def rosette(rng: np.random.Generator) -> Made:
    r = float(rng.uniform(14, 26))
    shape: BaseGeometry = disc(0, 0, r) if rng.random() < 0.5 else round_corners(box(-r * 0.6, -r, r * 0.6, r), 3)
    profile = disc(0, 4, 4.5).union(box(-2.5, -8, 2.5, 4))
    return shape, [_opening(profile), _hole(r * 0.5, 0, 3), _hole(-r * 0.5, 0, 3)], float(rng.uniform(1.5, 4))


TRAINING: dict[str, Callable[[np.random.Generator], Made]] = {
    "washer": washer, "nut": nut, "plate": plate, "drilled-disc": drilled_disc, "flange": flange, "lever": lever,
    "link": link_two_discs, "blob": blob, "polygon": polygon, "composed": composed, "star": star, "circlip": circlip,
    "blank-key": blank_key, "screw": lying_screw, "strike-plate": strike_plate,
}  # fmt: skip
HELD_OUT: dict[str, Callable[[np.random.Generator], Made]] = {
    "gear": gear,
    "hinge": hinge,
    "spring": spring,
    "wing-nut": wing_nut,
    "chain-link": chain_link,
    "rosette": rosette,
    "bracket": bracket,
    "spanner": spanner,
}
BARE = ("empty", "coin-alone")  # no main object at all; both sides have them


def _holes_anywhere(rng: np.random.Generator, shape: Polygon) -> list[Opening]:
    x0, y0, x1, y1 = shape.bounds
    holes: list[Opening] = []
    for _ in range(int(rng.integers(0, 5))):
        d = float(rng.uniform(2, 5))
        x, y = float(rng.uniform(x0, x1)), float(rng.uniform(y0, y1))
        if shape.buffer(-0.8).contains(disc(x, y, d / 2)) and all(
            math.hypot(x - o.x_mm, y - o.y_mm) > d + 2.5 for o in holes
        ):
            holes.append(
                _hole(x, y, d, d + 2 if rng.random() < 0.3 and shape.contains(disc(x, y, d / 2 + 1.5)) else None)
            )
    return holes


def sample(rng: np.random.Generator, *, held_out: bool) -> tuple[str, Slab | None]:
    """A kind of not-a-cam and its main object at the origin (None for a bench without one)."""
    from synthetic.scene import Slab

    if rng.random() < 0.14:
        return str(rng.choice(BARE)), None
    kinds = HELD_OUT if held_out else TRAINING
    kind = str(rng.choice(list(kinds)))
    shape, openings, thickness = kinds[kind](rng)
    outer = largest(shape)
    middle = np.array(outer.minimum_rotated_rectangle.centroid.coords[0])
    metal = (
        sample_metal(rng)
        if rng.random() < 0.85
        else things.matte(hue(rng, saturation=rng.uniform(0, 0.9), value=rng.uniform(0.1, 0.9)), gloss=0.05)
    )
    moved = tuple(
        replace(o, x_mm=o.x_mm - middle[0], y_mm=o.y_mm - middle[1], polygon_mm=o.polygon_mm - middle) for o in openings
    )
    outline = even_steps(outer, 0.25) - middle
    return kind, Slab(
        "other",
        kind,
        outline,
        0.0,
        float(thickness),
        metal,
        moved,
        float(rng.uniform(0.05, 0.6)),
        seed=int(rng.integers(2**31)),
        texture=str(rng.choice(("", "stamp"), p=(0.8, 0.2))),
    )
