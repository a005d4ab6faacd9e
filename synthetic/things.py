"""What lies beside a part: coins, rulers, cards, screws, the end of a cylinder, pencils, fingers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

from synthetic.coin_table import COINS, HOLE_MM, coin_outline
from synthetic.openings import Opening
from synthetic.outline import disc, even_steps, largest, round_corners
from synthetic.shape import sample_part
from synthetic.surfaces import Metal, hue, sample_metal, three

if TYPE_CHECKING:
    from synthetic.scene import Slab


def _slab(kind: str, name: str, outline: np.ndarray, z1: float, metal: Metal, **more: Any) -> Slab:
    from synthetic.scene import Slab

    return Slab(kind, name, outline, 0.0, z1, metal, **more)


def matte(
    colour: np.ndarray, *, gloss: float = 0.03, roughness: float = 0.4, seed: int = 0, name: str = "matte"
) -> Metal:
    """A surface that is no metal."""
    return Metal(
        name,
        (gloss, gloss, gloss),
        roughness,
        (float(colour[0]), float(colour[1]), float(colour[2])),
        wave=0.02,
        seed=seed,
    )


def length(slab: Slab) -> float:
    return float(np.ptp(slab.outline_mm[:, 0]))


def half_width(slab: Slab) -> float:
    """Half of what a thing takes up across."""
    return slab.radius_mm if slab.kind == "coin" else float(np.ptp(slab.outline_mm[:, 1])) / 2


def spread(slab: Slab) -> float:
    return slab.radius_mm


def coin(rng: np.random.Generator, name: str | None = None) -> Slab:
    """A coin of a known size with an invented relief."""
    name = name or str(rng.choice(list(COINS)))
    diameter, thickness, metal, form = COINS[name]
    only = {"copper": "copper", "nickel": "nickel", "brass": "brass", "aluminium": "aluminium"}.get(
        metal, "nickel" if metal == "bimetal-silver-rim" else "brass"
    )
    surface = sample_metal(rng, only=only)
    worn = float(rng.uniform(0, 1))
    surface = replace(
        surface,
        roughness=float(0.10 + 0.32 * rng.random()),
        brushed=0.0,
        grain=0.01 + 0.03 * worn,
        turned=0.0,
        scratches=int(rng.choice((0, 10, 60))),
        tarnish=float(rng.choice((0.0, rng.uniform(0.2, 1.0)))),
        wave=0.01,
    )
    if metal == "copper" and rng.random() < 0.6:  # old copper is brown
        k = rng.uniform(0.35, 0.8)
        surface = replace(surface, mirror=(0.72 * k, 0.42 * k, 0.28 * k), matte=(0.10 * k, 0.05 * k, 0.03 * k))
    elif rng.random() < 0.3:  # and old silver dark grey
        k = float(rng.uniform(0.2, 0.7))
        surface = replace(
            surface, mirror=three(k * np.array(surface.mirror)), matte=three(0.06 * np.array(surface.mirror))
        )
    shape = coin_outline(name)
    openings: tuple[Opening, ...] = ()
    if form == "holed":
        r = HOLE_MM[name] / 2
        openings = (Opening("relief", 0.0, 0.0, 2 * r, None, even_steps(disc(0, 0, r))),)
    return _slab(
        "coin",
        name,
        even_steps(shape, 0.25),
        thickness,
        surface,
        openings=openings,
        edge_mm=0.15 + 0.2 * worn,
        texture=f"coin:{metal}",
        seed=int(rng.integers(2**31)),
        size_mm=diameter,
    )


def ruler(rng: np.random.Generator) -> Slab:
    """A straight ruler of steel, plastic or wood with mm or inch marks along its upper edge (and perhaps its lower)."""
    kind = str(rng.choice(("steel", "plastic", "wood"), p=(0.45, 0.35, 0.2)))
    unit = str(rng.choice(("mm", "inch"), p=(0.7, 0.3)))
    run, width = float(rng.choice((100.0, 150.0, 200.0, 300.0))), float(rng.uniform(12, 34))
    thick = {"steel": rng.uniform(0.4, 1.2), "plastic": rng.uniform(1.2, 3.0), "wood": rng.uniform(2.0, 4.0)}[kind]
    if kind == "steel":
        surface = replace(
            sample_metal(rng, only="stainless"),
            brushed=0.6,
            tarnish=0.0,
            dirt=0.0,
            roughness=float(rng.uniform(0.2, 0.45)),
        )
    elif kind == "plastic":
        surface = matte(
            hue(rng, saturation=float(rng.choice((0.0, 0.1, 0.8))), value=rng.uniform(0.7, 0.98)),
            gloss=0.05,
            roughness=0.15,
            seed=int(rng.integers(2**31)),
        )
    else:
        surface = matte(
            np.array([0.55, 0.36, 0.18]) * rng.uniform(0.7, 1.3),
            gloss=0.04,
            roughness=0.35,
            seed=int(rng.integers(2**31)),
        )
    outline = even_steps(
        largest(
            round_corners(
                box(-run / 2 - 4, -width / 2, run / 2 + 4, width / 2), float(rng.choice((0.3, 1.5, width * 0.3)))
            )
        ),
        2.0,
    )
    return _slab(
        "ruler",
        f"{kind}-{unit}",
        outline,
        float(thick),
        surface,
        edge_mm=0.1,
        texture=f"ruler:{unit}:{'both' if rng.random() < 0.5 else 'one'}",
        seed=int(rng.integers(2**31)),
        size_mm=run,
    )


def card(rng: np.random.Generator) -> Slab:
    """A printed card of square markers."""
    w, h = float(rng.uniform(60, 110)), float(rng.uniform(28, 80))
    surface = matte(np.full(3, rng.uniform(0.7, 0.88)), gloss=0.02, roughness=0.5, seed=int(rng.integers(2**31)))
    return _slab(
        "card",
        "printed-card",
        even_steps(box(-w / 2, -h / 2, w / 2, h / 2), 2.0),
        0.15,
        surface,
        edge_mm=0.02,
        texture="card",
        seed=int(rng.integers(2**31)),
        size_mm=h,
    )


def cylinder_end(rng: np.random.Generator) -> Slab:
    """The back end of a mortise cylinder, standing on the bench or in the hand, its end at z = 0."""
    diameter = float(rng.uniform(28.6, 29.5))
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    outline = np.c_[np.cos(turn), np.sin(turn)] * (diameter / 2)
    metal = replace(
        sample_metal(rng, only=str(rng.choice(("brass", "nickel", "bronze", "brass-red")))),
        turned=float(rng.uniform(0.01, 0.05)),
    )
    slab = _slab(
        "other",
        "cylinder",
        outline,
        0.0,
        metal,
        edge_mm=0.4,
        texture="cylinder",
        seed=int(rng.integers(2**31)),
        size_mm=float(rng.uniform(12.4, 13.2)),
    )
    return replace(slab, z0_mm=-float(rng.uniform(18, 34)), kind="clutter")


def screw_in_hole(rng: np.random.Generator, opening: Opening, thickness: float, part: Slab) -> Slab:
    """The head of a screw that fills an opening: flush in a countersink, else a low dome on the face."""
    flush = opening.countersink_mm is not None
    diameter = (
        opening.countersink_mm * rng.uniform(0.88, 0.99)
        if opening.countersink_mm is not None
        else opening.diameter_mm * rng.uniform(1.5, 1.9)
    )
    diameter = float(min(diameter, 8.0))
    z1 = thickness + (float(rng.uniform(-0.25, 0.3)) if flush else float(rng.uniform(0.9, 2.2)))
    z0 = z1 - 0.3 if flush else thickness
    drive = str(rng.choice(("slot", "cross", "hex", "combi"), p=(0.5, 0.36, 0.08, 0.06)))
    metal = sample_metal(rng, only=str(rng.choice(("steel", "brass", "zinc-plated", "black-oxide", "stainless"))))
    slab = _slab(
        "screw_head",
        "screw",
        even_steps(disc(0, 0, diameter / 2), 0.2),
        z1,
        metal,
        edge_mm=0.25 if flush else float(rng.uniform(0.4, 1.4)),
        texture=f"drive:{drive}",
        seed=int(rng.integers(2**31)),
        size_mm=diameter,
    )
    x, y = part.to_bench(np.array([[opening.x_mm, opening.y_mm]]))[0]
    return replace(slab, z0_mm=z0, x_mm=float(x), y_mm=float(y), turn_deg=float(rng.uniform(0, 360)))


def lying_screw(rng: np.random.Generator) -> Slab:
    """A screw on its side."""
    d, run = float(rng.uniform(2.5, 5)), float(rng.uniform(6, 30))
    head = d * rng.uniform(1.6, 2.1)
    pitch = d * 0.2
    x = np.arange(0, run, pitch / 4)
    tooth = d / 2 - 0.1 * d * np.abs((x / pitch) % 1 - 0.5) * 2
    shank = Polygon(np.r_[np.c_[x, tooth], np.c_[x[::-1], -tooth[::-1]]])
    flat = Polygon([(-head * 0.35, -head / 2), (-head * 0.35, head / 2), (0.2, d / 2), (0.2, -d / 2)])
    top = flat if rng.random() < 0.6 else round_corners(box(-d * 0.7, -head / 2, 0.2, head / 2), d * 0.25)
    shape = affinity.translate(shank.union(top), -run / 2, 0)
    return _slab(
        "clutter",
        "screw",
        even_steps(largest(shape), 0.3),
        d,
        sample_metal(rng),
        edge_mm=d * 0.45,
        seed=int(rng.integers(2**31)),
    )


def washer(rng: np.random.Generator) -> Slab:
    outer = float(rng.uniform(3, 9))
    inner = outer * float(rng.uniform(0.35, 0.7))
    hole = Opening("relief", 0, 0, 2 * inner, None, even_steps(disc(0, 0, inner)))
    return _slab(
        "clutter",
        "washer",
        even_steps(disc(0, 0, outer), 0.2),
        float(rng.uniform(0.6, 2)),
        sample_metal(rng),
        openings=(hole,),
        seed=int(rng.integers(2**31)),
    )


def pencil(rng: np.random.Generator) -> Slab:
    run = float(rng.uniform(70, 175))
    shape = box(-run / 2, -3.5, run / 2 - 18, 3.5).union(
        Polygon([(run / 2 - 18.1, -3.5), (run / 2 - 18.1, 3.5), (run / 2, 0.3), (run / 2, -0.3)])
    )
    return _slab(
        "clutter",
        "pencil",
        even_steps(largest(shape), 2.0),
        7.0,
        matte(hue(rng, saturation=0.8, value=rng.uniform(0.3, 0.95)), gloss=0.05, roughness=0.2),
        edge_mm=3.0,
        texture="pencil",
        seed=int(rng.integers(2**31)),
        size_mm=run,
    )


def blank_key(rng: np.random.Generator) -> Slab:
    """A key without bitting: a bow and a straight blade."""
    bow, run, blade = float(rng.uniform(9, 14)), float(rng.uniform(22, 34)), float(rng.uniform(6.5, 9.5))
    head: BaseGeometry = disc(0, 0, bow)
    style = rng.random()
    if style < 0.3:
        head = round_corners(box(-bow, -bow * 0.9, bow, bow * 0.9), bow * rng.uniform(0.2, 0.6))
    elif style < 0.5:
        turn = np.arange(6) * np.pi / 3
        head = round_corners(Polygon(np.c_[np.cos(turn), np.sin(turn)] * bow), 2)
    y0 = float(rng.uniform(-1.5, 1.5))
    shape = head.union(box(0, y0 - blade / 2, bow + run, y0 + blade / 2 - rng.uniform(0, 1.5)))
    shape = shape.union(box(bow * 0.8, y0 - blade * 0.65, bow + 3, y0 + blade * 0.65))
    shape = largest(
        shape.difference(Polygon([(bow + run + 1, y0 + blade), (bow + run + 1, y0 - 0.5), (bow + run - 4, y0 + blade)]))
    )
    r = float(rng.uniform(1.5, 3.2))
    hole = Opening("relief", -bow * 0.6, 0, 2 * r, None, even_steps(disc(-bow * 0.6, 0, r)))
    outline, shift = even_steps(shape, 0.3), np.array([(run) / 2, 0])
    moved = replace(hole, x_mm=hole.x_mm - shift[0], polygon_mm=hole.polygon_mm - shift)
    return _slab(
        "clutter",
        "blank-key",
        outline - shift,
        float(rng.uniform(1.8, 2.4)),
        sample_metal(rng, only=str(rng.choice(("nickel", "brass", "steel")))),
        openings=(moved,),
        texture="groove",
        seed=int(rng.integers(2**31)),
        size_mm=y0,
    )


def other_cam(rng: np.random.Generator) -> Slab:
    part = sample_part(rng)
    return _slab(
        "clutter",
        "cam",
        part.outline_mm,
        part.thickness_mm,
        sample_metal(rng, cast=part.cast),
        openings=part.openings,
        edge_mm=part.edge_screw_mm,
        seed=int(rng.integers(2**31)),
    )


def blob(rng: np.random.Generator) -> Slab:
    """Something unknown: a smooth random outline in any colour."""
    turn = np.linspace(0, 2 * np.pi, 160, endpoint=False)
    r = float(rng.uniform(4, 22)) * np.exp(
        sum(rng.normal(0, 0.25 / k) * np.cos(k * turn + rng.uniform(0, 6.28)) for k in range(1, 7))
    )
    surface = (
        sample_metal(rng)
        if rng.random() < 0.3
        else matte(
            hue(rng, saturation=rng.uniform(0, 0.9), value=rng.uniform(0.05, 0.95)),
            gloss=float(rng.choice((0.02, 0.05))),
            roughness=float(rng.uniform(0.1, 0.5)),
        )
    )
    return _slab(
        "clutter",
        "thing",
        np.c_[r * np.cos(turn), r * np.sin(turn)],
        float(rng.uniform(0.2, 12)),
        surface,
        edge_mm=float(rng.uniform(0.1, 3)),
        seed=int(rng.integers(2**31)),
    )


def stick(rng: np.random.Generator) -> Slab:
    """A long thing: a screwdriver's blade, a tape, a cable, the edge of a book."""
    run, width = float(rng.uniform(40, 160)), float(rng.uniform(2, 30))
    bow = LineString([(-run / 2, 0), (0, rng.normal(0, 0.05) * run), (run / 2, 0)]).buffer(
        width / 2, cap_style="flat" if rng.random() < 0.5 else "round"
    )
    surface = (
        sample_metal(rng)
        if rng.random() < 0.4
        else matte(hue(rng, saturation=rng.uniform(0, 0.9), value=rng.uniform(0.05, 0.95)), gloss=0.04, roughness=0.3)
    )
    return _slab(
        "clutter",
        "stick",
        even_steps(largest(bow), 1.0),
        float(rng.uniform(0.3, 10)),
        surface,
        edge_mm=width * float(rng.uniform(0.02, 0.4)),
        seed=int(rng.integers(2**31)),
    )


def clutter(rng: np.random.Generator) -> Slab:
    makers = (lying_screw, washer, pencil, blank_key, other_cam, blob, stick)
    return makers[int(rng.choice(len(makers), p=(0.3, 0.15, 0.1, 0.1, 0.07, 0.16, 0.12)))](rng)


def finger_at(rng: np.random.Generator, radius: float) -> Slab:
    """A finger tip that reaches in from a side and may touch the edge of the main object."""
    a = float(rng.uniform(0, 360))
    width = float(rng.uniform(12, 19))
    tip = radius * float(rng.uniform(0.75, 1.15))
    shape = LineString([(tip + width / 2, 0), (tip + 150, rng.normal(0, 15))]).buffer(width / 2, quad_segs=24)
    skin = np.array([0.50, 0.27, 0.18]) * rng.uniform(0.15, 1.15) * (1 + rng.normal(0, 0.06, 3))
    slab = _slab(
        "occluder",
        "finger",
        even_steps(largest(shape), 1.0),
        width * 0.8,
        matte(skin, gloss=0.035, roughness=0.35),
        edge_mm=width * 0.42,
        texture="skin",
        seed=int(rng.integers(2**31)),
        size_mm=width,
    )
    return replace(slab, z0_mm=float(rng.uniform(0, 4)), turn_deg=a)
