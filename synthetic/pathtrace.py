"""Photo-real pictures of cams by path tracing, each with its Label beside it.

``python -m synthetic.pathtrace --out DIR --count N --seed S --set train|heldout`` writes NNNNNN.jpg and NNNNNN.json.
The two sets share no metal, bench, light map, coin face or not-a-cam object, and their cams come from different geometry
code. A picture depends on the seed, its own number and the set alone. Numbers already there are left as they are.
With ``--views K`` each scene is taken K times, by another phone from another place: pictures K n to K n + K - 1 are of scene n.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import multiprocessing
import sys
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon

from synthetic import traced_light, traced_mounted, traced_props, traced_surfaces
from synthetic.plate import Cam, Mesh, Plate, PlateError, PlateHole, join
from synthetic.traced_camera import Camera, Chain, develop, focal_px, jpeg_bytes, look_at, sample_chain, write_whole
from synthetic.traced_marks import marked
from synthetic.traced_props import Prop
from synthetic.traced_scene import Flash, Scene, load_mitsuba, render
from synthetic.traced_surfaces import LIGHT_SHEETS, Surface
from synthetic.traced_truth import Placed, cam_label, other_label
from vision.label import Label
from vision.vocabulary import BOTTOMS, FAMILIES

Array = np.ndarray
W = TypeVar("W")  # a piece of work, and what comes of it
R = TypeVar("R")
SETS = ("train", "heldout")
SCALES = {
    "train": (("coin", 0.60), ("ruler", 0.13), ("card", 0.09), ("cylinder", 0.09), ("none", 0.09)),
    "heldout": (("coin", 1.0),),
}
MAX_TILT_DEG = {"train": 30.0, "heldout": 20.0}
FOCALS_35MM = (
    (13.0, 0.03),
    (20.0, 0.04),
    (24.0, 0.10),
    (26.0, 0.20),
    (28.0, 0.08),
    (35.0, 0.12),
    (48.0, 0.14),
    (52.0, 0.16),
    (65.0, 0.08),
    (77.0, 0.12),
)
DISTANCE_MM = (150.0, 450.0)
SUNK_DEG = 82.0  # of the training set, in both renderers
PART_SHARE = (0.15, 0.60)  # of the frame's short side


class Unlucky(Exception):
    """This draw cannot be made into a picture; the next one is tried."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the command asks for; with a seed and a number it fixes a picture."""

    seed: int
    set_name: str
    long_side: int = 1280
    spp: int = 64
    max_tilt_deg: float | None = None  # 30 in the training set, 20 in the held-out one
    scales: tuple[tuple[str, float], ...] | None = None
    negatives: float = 0.12
    plug_share: float = 0.2
    clutter: float = 0.35
    fingers: float = 0.05
    hard: float = 0.08
    bench: str | None = None
    metal: str | None = None
    light: str | None = None
    coin: str | None = None


@dataclass(frozen=True, slots=True)
class Laid:
    """What lies on the bench, and what of it a picture must show."""

    main: Placed | Prop
    props: list[Prop]
    must_show_mm: Array  # (N, 3)
    size_mm: float
    middle_mm: Array  # (2,)
    roomy: bool  # the part may be small in the frame
    hard: bool
    tags: dict[str, str]


@dataclass(frozen=True, slots=True)
class Take:
    """One picture before it is rendered."""

    scene: Scene
    label: Label
    chain: Chain
    exif_focal_35mm: float | None
    laid: Laid | None = None  # None: a picture arranged by hand, which is not taken again


def cam_from_part(part: Any) -> Cam:
    """A `synthetic.shape.Part` for the path tracer."""
    holes, openings, slotted = [], [], []
    for o in part.openings:
        if o.kind == "screw" and not o.round:
            slotted.append((len(openings), o.x_mm, o.y_mm, o.diameter_mm))
        if o.kind == "screw" and o.round:
            sunk, angle = o.countersink_mm, SUNK_DEG
            if sunk is not None:  # in a thin plate the cone is flatter, as the fast renderer has it
                room, wide = 0.88 * part.thickness_mm - 0.05, (sunk - o.diameter_mm) / 2
                angle = max(SUNK_DEG, 2 * math.degrees(math.atan2(wide, room)))
            holes.append(PlateHole(o.x_mm, o.y_mm, o.diameter_mm, sunk, angle))
        else:
            openings.append(np.asarray(o.polygon_mm))
    plate = Plate(
        np.asarray(part.outline_mm),
        part.thickness_mm,
        tuple(holes),
        tuple(openings),
        part.edge_screw_mm,
        part.edge_plug_mm,
        part.chamfered,
    )
    return Cam(
        part.family, part.bottom, part.hand, plate, part.hub_diameter_mm, part.cast, tuple(slotted), part.bend_mm
    )  # fmt: skip


def _cam(rng: np.random.Generator, options: Options, number: int) -> Cam:
    family = FAMILIES[number % len(FAMILIES)]
    bottom = BOTTOMS[number // len(FAMILIES) % 2]
    if options.set_name == "heldout":
        from synthetic.proxy import sample_cam

        return sample_cam(rng, family=family, bottom=bottom)
    from synthetic.shape import sample_part

    return cam_from_part(sample_part(rng, family, bottom))


def _turned(turn_deg: float, mirrored: bool) -> Array:
    """The (2, 2) map from the part's own x, y to the bench."""
    t = np.radians(turn_deg)
    rotation = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    return rotation @ np.diag([-1.0 if mirrored else 1.0, 1.0])


def cam_placed(rng: np.random.Generator, cam: Cam, surface: Surface, facing: str, turn_deg: float) -> Placed:
    """A cam laid on the bench with its axis at the origin, turned anticlockwise as seen from above."""
    if (
        cam.bend_mm * (1 if facing == "screw" else -1) < 0
    ):  # a tail bent towards the bench would lift the hub: laid flat
        cam = dataclasses.replace(cam, bend_mm=0.0)
    mesh = cam.mesh()
    flat = _turned(turn_deg, facing == "plug")
    turn = np.eye(3)
    turn[:2, :2] = flat
    shift = np.array([0.0, 0.0, 0.02])
    if facing == "plug":
        turn[2, 2] = -1.0
        shift[2] += cam.plate.thickness_mm
    laid = _turned(float(rng.uniform(0, 360)), False)
    start = rng.uniform(0, 1, 2)
    uv = mesh.uv @ laid.T / surface.extent_mm + start
    surface = marked(rng, surface, cam, laid, start, screw_side=facing == "screw")
    mesh = Mesh(mesh.vertices, mesh.faces, mesh.normals, uv).moved(turn, shift)
    return Placed(cam, flat, np.zeros(2), facing, mesh, surface)


def _beside(rng: np.random.Generator, taken: Array, outline: Array, gap: tuple[float, float]) -> Array:
    """Where to put an outline so that it lies beside what is taken, at a gap in mm."""
    body, thing = shapely.convex_hull(shapely.MultiPoint(taken)), Polygon(outline)
    away = float(rng.uniform(*gap))
    turn = float(rng.uniform(0, 2 * np.pi))
    step = np.array([np.cos(turn), np.sin(turn)])
    low, high = 0.0, 400.0
    for _ in range(24):
        middle = (low + high) / 2
        near = body.distance(affinity.translate(thing, *(middle * step))) < away
        low, high = (middle, high) if near else (low, middle)
    return np.asarray(high * step)


def put(prop: Prop, turn_deg: float, at: Array) -> Prop:
    """A prop turned and moved on the bench."""
    flat = _turned(turn_deg, False)
    turn = np.eye(3)
    turn[:2, :2] = flat
    return Prop(
        prop.kind, prop.name, prop.mesh.moved(turn, np.array([at[0], at[1], 0.01])), prop.surface,
        prop.outline_mm @ flat.T + at, prop.outline_z_mm + 0.01, prop.height_mm,
        tuple(ring @ flat.T + at for ring in prop.holes_mm), prop.base_mm,
    )  # fmt: skip


def _lifted(thing: Placed | Prop, by_mm: float) -> Placed | Prop:
    """The main object on top of a sheet."""
    mesh = thing.mesh.moved(np.eye(3), np.array([0.0, 0.0, by_mm]))
    if isinstance(thing, Placed):
        return dataclasses.replace(thing, mesh=mesh, base_mm=thing.base_mm + by_mm)
    return dataclasses.replace(
        thing, mesh=mesh, outline_z_mm=thing.outline_z_mm + by_mm, height_mm=thing.height_mm + by_mm,
        base_mm=thing.base_mm + by_mm,
    )  # fmt: skip


def _dropped(prop: Prop, to_mm: float) -> Prop:
    """A prop on a bench that lies at another height."""
    moved = _lifted(prop, to_mm)
    assert isinstance(moved, Prop)
    return moved


def _pick(rng: np.random.Generator, names: list[str], wanted: str | None) -> str:
    return wanted if wanted is not None else str(rng.choice(names))


def _clutter(rng: np.random.Generator, metals: dict[str, traced_surfaces.Maker]) -> Prop:
    kind = int(rng.integers(5))
    metal = metals[str(rng.choice(list(metals)))](rng)
    if kind == 0:
        return traced_props.screw(rng, metal)
    if kind == 1:
        paint = traced_surfaces.painted(rng, "pencil")
        return traced_props.pencil(rng, paint)
    shape = (traced_props.washer_shape, traced_props.key_blank, traced_props.nut_shape)[kind - 2](rng)
    name = ("washer", "key-blank", "nut")[kind - 2]
    return traced_props.from_outline("clutter", name, shape, float(rng.uniform(0.8, 2.4)), metal)


def _reference(rng: np.random.Generator, options: Options, metals: dict[str, traced_surfaces.Maker]) -> Prop | None:
    kinds, weights = zip(*(options.scales or SCALES[options.set_name]), strict=True)
    kind = str(rng.choice(list(kinds), p=np.array(weights) / sum(weights)))
    heldout = options.set_name == "heldout"
    if kind == "coin":
        name = _pick(rng, list(traced_props.COINS), options.coin)
        return traced_props.coin(rng, name, heldout=heldout)
    if kind == "ruler":
        return traced_props.ruler(rng, str(rng.choice(["mm", "inch"])), heldout=heldout)
    if kind == "card":
        return traced_props.card(rng)
    if kind == "cylinder":
        return traced_mounted.cylinder(rng, metals[str(rng.choice(list(metals)))](rng))
    if kind == "none":
        return None
    raise ValueError(f"no scale of kind {kind!r}: write coin, ruler, card, cylinder or none")


def _frame(
    rng: np.random.Generator, options: Options, size_mm: float, must_show: Array, middle: Array, *, roomy: bool
) -> tuple[Camera, float]:
    """A camera that shows the points (N, 3) with a margin, the part at a usual share of the frame."""
    long_side = options.long_side
    short = long_side * 3 // 4
    focals, odds = zip(*FOCALS_35MM, strict=True)
    for _ in range(300):
        w, h = (long_side, short) if rng.random() < 0.7 else (short, long_side)
        f35 = float(rng.choice(focals, p=np.array(odds) / sum(odds)))
        distance = float(rng.uniform(*DISTANCE_MM))
        focal = focal_px(f35, w, h)
        share = size_mm * focal / distance / short
        if not (PART_SHARE[0] * (0.5 if roomy else 1.0)) <= share <= PART_SHARE[1]:
            continue
        spread = 0.12 * short * distance / focal
        target = middle + rng.normal(0, spread, 2)
        most = MAX_TILT_DEG[options.set_name] if options.max_tilt_deg is None else options.max_tilt_deg
        if options.set_name == "train":
            tilt = (
                min(abs(float(rng.normal(0, 0.3 * most))), most) if rng.random() < 0.75 else float(rng.uniform(0, most))
            )
        else:
            tilt = most * float(rng.beta(1.1, 1.3))
        k1 = 0.0 if rng.random() < 0.3 else float(np.clip(rng.normal(0, 0.008), -0.025, 0.025))
        turns = rng.uniform(0, 360, 2)
        camera = look_at(w, h, focal, target, distance, tilt, float(turns[0]), float(turns[1]), k1)
        seen = camera.project(must_show)
        margin = 0.015 * short
        if (seen > margin).all() and (seen < np.array([w - 1 - margin, h - 1 - margin])).all():
            return camera, f35
    raise Unlucky


def compose(options: Options, number: int, attempt: int = 0) -> Take:
    """Draw everything about picture `number`.

    Raises
    ------
    Unlucky
        If this draw gives no picture; try the next `attempt`.
    """
    words = (options.seed, number, SETS.index(options.set_name), attempt)
    rng = np.random.default_rng(np.random.SeedSequence(words))
    heldout = options.set_name == "heldout"
    metals = traced_surfaces.HELDOUT_METALS if heldout else traced_surfaces.TRAIN_METALS
    benches = traced_surfaces.HELDOUT_BENCHES if heldout else traced_surfaces.TRAIN_BENCHES
    lights = traced_light.HELDOUT if heldout else traced_light.TRAIN
    negative = rng.random() < options.negatives
    sheets = [b for b in benches if b in LIGHT_SHEETS]
    others = [b for b in benches if b not in LIGHT_SHEETS]
    bench_name = _pick(rng, sheets if rng.random() < 0.42 else others, options.bench)
    metal_name = _pick(rng, list(metals), options.metal)
    light_name = _pick(rng, list(lights), options.light)
    hard = rng.random() < options.hard
    tags = {
        "renderer": "path-traced", "set": options.set_name, "metal": metal_name, "bench": bench_name, "light": light_name,
        "difficulty": "hard" if hard else "usual", "sheet": "light" if bench_name in LIGHT_SHEETS else "textured",
    }  # fmt: skip
    surface = metals[metal_name](rng)
    try:
        reference = _reference(rng, options, metals)
    except PlateError as error:
        raise Unlucky from error
    mounted = reference is not None and reference.name == "cylinder"
    if mounted:
        negative = False
        tags["mounted"] = "yes"
    heads: list[tuple[Mesh, PlateHole, float, float, float]] = []
    heads_metal = surface
    try:
        main: Placed | Prop
        if negative:
            table = traced_props.OTHERS_HELDOUT if heldout else traced_props.OTHERS_TRAIN
            kind = str(rng.choice(list(table)))
            tags["not_cam"] = kind
            thing = traced_props.from_outline("other", kind, table[kind](rng), float(rng.uniform(1.0, 4.0)), surface)
            main = put(thing, float(rng.uniform(0, 360)), np.zeros(2))
            outline, top = main.outline_mm, main.height_mm
        else:
            cam = _cam(rng, options, number)
            facing = "plug" if rng.random() < options.plug_share and not mounted else "screw"
            if mounted or (facing == "screw" and rng.random() < 0.05):
                heads_metal = metals[str(rng.choice(list(metals)))](rng)
                cam, heads = traced_mounted.heads(rng, cam, heads_metal, 0.93 if mounted else 0.8)
            main = cam_placed(rng, cam, surface, facing, float(rng.uniform(0, 360)))
            main = dataclasses.replace(main, heads=tuple(h[1:] for h in heads))
            outline, top = main.outline_mm(), cam.plate.thickness_mm
        props: list[Prop] = [reference] if mounted and reference is not None else []
        bench_z = props[0].base_mm if mounted else 0.0
        points = [np.column_stack([outline, np.full(len(outline), top)])]
        taken = outline
        if mounted:
            taken = np.vstack([taken, props[0].outline_mm])
        if reference is not None and not mounted:
            turn = float(rng.uniform(0, 360))
            turned = put(reference, turn, np.zeros(2))
            under = reference.kind == "card"
            at = (
                rng.uniform(-6, 6, 2)
                if under
                else _beside(rng, taken, turned.outline_mm, (2.5, 14.0) if reference.kind == "coin" else (1.5, 10.0))
            )
            placed = put(reference, turn, at)
            props.append(placed)
            taken = np.vstack([taken, placed.outline_mm])
            if reference.kind == "coin":
                points.append(np.column_stack([placed.outline_mm, np.full(len(placed.outline_mm), placed.height_mm)]))
            elif under:
                main = _lifted(main, placed.height_mm + 0.02)
                ring = placed.outline_mm[2:]  # the upper corners; the bar below may lie outside the frame
                points.append(np.column_stack([ring, np.full(len(ring), placed.height_mm)]))
        if rng.random() < options.clutter:
            for _ in range(int(rng.integers(1, 4))):
                extra = _clutter(rng, metals)
                turned = put(extra, float(rng.uniform(0, 360)), np.zeros(2))
                at = _beside(rng, taken, turned.outline_mm, (3.0, 25.0))
                props.append(put(turned, 0.0, at))
                taken = np.vstack([taken, props[-1].outline_mm])
                if mounted:
                    props[-1] = _dropped(props[-1], bench_z)
        if rng.random() < options.fingers and not mounted:
            reach = float(np.hypot(*outline.T).max())
            props.append(put(traced_mounted.finger(rng, reach), float(rng.uniform(0, 360)), np.zeros(2)))
    except PlateError as error:
        raise Unlucky from error
    must = np.vstack(points)
    size = float(max(np.ptp(outline[:, 0]), np.ptp(outline[:, 1])))
    middle = (must[:, :2].min(axis=0) + must[:, :2].max(axis=0)) / 2
    roomy = negative or (reference is not None and reference.kind == "card")
    camera, f35 = _frame(rng, options, size, must, middle, roomy=roomy)
    flash_on = light_name == "dark-flash" or rng.random() < 0.06
    screws = []
    if isinstance(main, Placed) and heads:
        t = np.eye(3)
        t[:2, :2] = main.flat
        raised = np.array([*main.shift, main.base_mm])
        lifted = [
            h[0].moved(np.eye(3), np.array([0.0, 0.0, float(main.cam.lift_mm(np.asarray(h[1].y_mm)))])) for h in heads
        ]
        screws = [(join([m.moved(t, raised) for m in lifted]), heads_metal)]  # one slot holds them all
    things = [(main.mesh, main.surface), *screws, *((p.mesh, p.surface) for p in props)]
    scene = Scene(
        camera, benches[bench_name](rng), float(rng.uniform(0, 360)), tuple(things), lights[light_name](rng),
        float(rng.uniform(0, 360)),
        Flash(_beside_the_lens(rng, camera), 2.5, float(rng.uniform(1500, 7000)) if flash_on else 0.0),
        bench_z_mm=bench_z,
    )  # fmt: skip
    aperture, focus = _lens(rng, hard=hard, heldout=heldout)
    scene = dataclasses.replace(scene, aperture_mm=aperture, focus_mm=focus)
    if flash_on:
        tags["flash"] = "on"
    chain = sample_chain(rng, hard=hard, wide=not heldout)
    exif = f35 if rng.random() < 0.8 else None
    laid = Laid(main, props, must, size, middle, roomy, hard, tags)
    return Take(scene, _label_of(laid, number, camera, exif), chain, exif, laid)


def _label_of(laid: Laid, number: int, camera: Camera, exif: float | None) -> Label:
    name = f"{number:06d}.jpg"
    if isinstance(laid.main, Placed):
        return cam_label(name, camera, laid.main, laid.props, exif, laid.tags)
    return other_label(name, camera, laid.main, laid.props, exif, laid.tags)


def taken_again(take: Take, options: Options, number: int, view: int) -> Take:
    """The same scene from another place, by another phone; `number` is the picture's own.

    Raises
    ------
    Unlucky
        If no place shows all that must be seen.
    """
    laid, heldout = take.laid, options.set_name == "heldout"
    if laid is None:
        raise ValueError("only a picture whose scene was drawn can be taken again")
    rng = np.random.default_rng(np.random.SeedSequence((options.seed, number, SETS.index(options.set_name), 60 + view)))
    camera, f35 = _frame(rng, options, laid.size_mm, laid.must_show_mm, laid.middle_mm, roomy=laid.roomy)
    flash = dataclasses.replace(take.scene.flash, position_mm=_beside_the_lens(rng, camera))
    aperture, focus = _lens(rng, hard=laid.hard, heldout=heldout)
    scene = dataclasses.replace(take.scene, camera=camera, flash=flash, aperture_mm=aperture, focus_mm=focus)
    chain = sample_chain(rng, hard=laid.hard, wide=not heldout)
    exif = f35 if rng.random() < 0.8 else None
    return Take(scene, _label_of(laid, number, camera, exif), chain, exif, laid)


def _beside_the_lens(rng: np.random.Generator, camera: Camera) -> Array:
    """Where a phone's flash is."""
    away = float(rng.uniform(8, 16)) * camera.axes[0] + float(rng.uniform(-6, 6)) * camera.axes[1]
    return np.asarray(camera.centre_mm + away)


def _lens(rng: np.random.Generator, *, hard: bool, heldout: bool) -> tuple[float, float]:
    """Aperture, and how far behind the part's face the phone is focussed, mm."""
    aperture = float(rng.uniform(0.2, 1.3) if heldout else rng.uniform(0.15, 2.0))
    return aperture, float(rng.normal(0, 1.5) if heldout else rng.normal(0, 12.0 if hard else 2.5))


def composed(options: Options, number: int) -> Take:
    """The first draw of picture `number` that works out."""
    for attempt in range(60):
        try:
            return compose(options, number, attempt)
        except Unlucky:
            continue
    raise RuntimeError(f"picture {number} of seed {options.seed} did not work out in 60 draws")


def shoot(mi: Any, take: Take, options: Options, number: int, built: dict[str, Any] | None = None) -> Array:
    """Render picture `number` and develop it to 8-bit pixels; `built` as in `traced_scene.render`."""
    seed = zlib.crc32(f"{options.seed} {number} {options.set_name}".encode())
    return shoot_at(mi, take, options.spp, seed, built)


def shoot_at(mi: Any, take: Take, spp: int, seed: int, built: dict[str, Any] | None = None) -> Array:
    """Render a take and develop it to 8-bit pixels."""
    linear = render(mi, take.scene, spp=spp, seed=seed, built=built)
    above = np.cos(np.radians((np.arange(len(take.scene.light_map)) + 0.5) * 180.0 / len(take.scene.light_map)))
    weight = np.clip(above, 0.0, None)[:, None, None]  # what falls on the bench from above
    light = (take.scene.light_map * weight * np.sqrt(1 - above**2)[:, None, None]).sum(axis=(0, 1))
    albedo = float((take.scene.bench.colour.reshape(-1, 3)[::997].mean(axis=0) ** 2.2).mean())
    key = float(np.clip(0.10 + 0.55 * albedo, 0.1, 0.55))  # phones render a white sheet light and a black mat dark
    return develop(linear, take.chain, np.random.default_rng(seed), light, key)


def write_pictures(mi: Any, options: Options, scene: int, views: int, out: Path) -> float:
    """Make all pictures of a scene; a Label is written last, so that a picture with a Label is whole. Returns seconds."""
    start = time.perf_counter()
    first = take = composed(options, scene)
    built: dict[str, Any] = {}
    for view in range(views):
        number = views * scene + view
        if view:
            try:
                take = taken_again(first, options, number, view)
            except Unlucky:
                continue
        elif views > 1:
            take = dataclasses.replace(first, label=dataclasses.replace(first.label, picture=f"{number:06d}.jpg"))
        if (out / f"{number:06d}.json").exists():
            continue
        pixels = shoot(mi, take, options, number, built if views > 1 else None)
        write_whole(out / f"{number:06d}.jpg", jpeg_bytes(pixels, take.chain, take.exif_focal_35mm))
        write_whole(out / f"{number:06d}.json", take.label.to_json().encode())
    return time.perf_counter() - start


_mitsuba: Any = None


def _start(variant: str) -> None:
    global _mitsuba
    _mitsuba = load_mitsuba(variant)


def _one(work: tuple[Options, int, int, Path]) -> tuple[int, float, str]:
    options, number, views, out = work
    try:
        return number, write_pictures(_mitsuba, options, number, views, out), ""
    except Exception as error:  # one bad sample must not stop the run
        return number, 0.0, f"{type(error).__name__}: {error}"


def worked_off(
    one: Callable[[W], R], work: Sequence[W], processes: int, start: Callable[[str], None], variant: str
) -> Iterator[R]:
    """What comes of each piece of work, as it is done, in so many processes that `start` made ready with the variant."""
    if processes <= 1:
        start(variant)
        yield from map(one, work)
        return
    context = multiprocessing.get_context("spawn")
    with context.Pool(processes, start, (variant,), maxtasksperchild=400) as pool:
        yield from pool.imap_unordered(one, work)


def shares(text: str) -> tuple[tuple[str, float], ...]:
    pairs = (item.split("=") for item in text.split(","))
    return tuple((name.strip(), float(share)) for name, share in pairs)


def main(arguments: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="python -m synthetic.pathtrace", description=__doc__.split("\n")[0] if __doc__ else ""
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--start", type=int, default=0, help="number of the first scene")
    parser.add_argument("--views", type=int, default=1, help="pictures of each scene")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--set", dest="set_name", choices=SETS, default="train")
    parser.add_argument("--size", type=int, default=1280, help="long side in pixels")
    parser.add_argument("--spp", type=int, default=64, help="samples a pixel")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--variant", default="auto", choices=("auto", "cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb"))
    parser.add_argument(
        "--max-tilt", type=float, help="degrees; 30 in the training set, 20 in the held-out one unless said"
    )
    parser.add_argument(
        "--scales",
        type=shares,
        help="shares, such as coin=0.55,ruler=0.2,card=0.15,cylinder=0.05,none=0.05; coins alone in the held-out set unless said",
    )
    parser.add_argument("--negatives", type=float, default=0.12, help="share of pictures without a cam")
    parser.add_argument("--clutter", type=float, default=0.35, help="share of pictures with other things about")
    parser.add_argument("--hard", type=float, default=0.08, help="share of blurred, noisy or badly exposed pictures")
    a = parser.parse_args(arguments)
    a.out.mkdir(parents=True, exist_ok=True)
    options = Options(
        a.seed, a.set_name, a.size, a.spp, a.max_tilt, a.scales, a.negatives, clutter=a.clutter, hard=a.hard
    )  # fmt: skip
    last = a.views - 1  # a scene is done when its last picture is there
    todo = [i for i in range(a.start, a.start + a.count) if not (a.out / f"{a.views * i + last:06d}.json").exists()]
    work = [(options, i, a.views, a.out) for i in todo]
    begin, done, failed = time.perf_counter(), 0, 0

    def report(result: tuple[int, float, str]) -> None:
        nonlocal done, failed
        number, seconds, error = result
        done, failed = done + 1, failed + bool(error)
        rate = done / (time.perf_counter() - begin)
        print(
            f"{number:06d} {seconds:6.2f} s  {done}/{len(work)}  {rate:.3f} scenes/s {error}",
            file=sys.stderr,
            flush=True,
        )

    for result in worked_off(_one, work, a.processes, _start, a.variant):
        report(result)
    return 1 if failed and failed == len(work) else 0


if __name__ == "__main__":
    sys.exit(main())
