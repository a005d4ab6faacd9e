"""One description of a photographed bench: what lies where, under which light, taken by which phone.

Everything is in the bench frame: mm, x right, y up as seen from above, z towards the camera, the bench top at `bench_z_mm`
(0 unless the part is still on its cylinder, whose end is then z = 0). A `Slab` is anything with an outline and a height.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field, replace

import numpy as np
from shapely.geometry import Polygon

from synthetic import negatives, things
from synthetic.benches import BENCHES
from synthetic.openings import Opening
from synthetic.reflections import Light, sample_lights
from synthetic.shape import Part, sample_part
from synthetic.surfaces import Metal, sample_metal

PHOTO_SIZES = ((1280, 960), (1600, 1200), (2048, 1536), (2592, 1944), (3264, 2448), (4032, 3024))
FULL_FRAME_DIAGONAL_MM = 43.267  # of 36 mm x 24 mm, the frame that 35 mm equivalents refer to


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole with a little radial distortion, aimed at a point of the bench plane z = 0."""

    width: int
    height: int
    focal_35mm: float
    distance_mm: float
    tilt_deg: float
    tilt_towards_deg: float
    roll_deg: float
    aim_mm: tuple[float, float]
    k1: float  # relative displacement at the corner of the picture

    @property
    def focal_px(self) -> float:
        return self.focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(self.width, self.height)

    def axes(self) -> tuple[np.ndarray, np.ndarray]:
        """Rows: picture right, picture down, forward, in the bench frame; and the lens centre."""
        return _axes(self)

    def project(self, xy_mm: np.ndarray, z_mm: float | np.ndarray) -> np.ndarray:
        """Photo pixels of points (N, 2) at a height."""
        rows, lens = self.axes()
        xy = np.asarray(xy_mm, float)
        points = np.empty((len(xy), 3))
        points[:, :2], points[:, 2] = xy, z_mm
        u, v, depth = ((points - lens) @ rows.T).T
        flat = np.stack([u, v], 1) * (self.focal_px / depth)[:, None]
        corner = math.hypot(self.width, self.height) / 2
        squared = (flat**2).sum(1, keepdims=True) / corner**2
        return ((self.width - 1) / 2, (self.height - 1) / 2) + flat * (1 + self.k1 * squared)


@functools.lru_cache(maxsize=64)
def _axes(camera: Camera) -> tuple[np.ndarray, np.ndarray]:
    t, a = math.radians(camera.tilt_deg), math.radians(camera.tilt_towards_deg)
    eye = np.array([math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)])
    forward = -eye
    right = np.array([1.0, 0, 0]) - forward[0] * forward
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    r = math.radians(camera.roll_deg)
    right, down = right * math.cos(r) + down * math.sin(r), down * math.cos(r) - right * math.sin(r)
    return np.array([right, down, forward]), np.array([*camera.aim_mm, 0.0]) + camera.distance_mm * eye


@dataclass(frozen=True, slots=True)
class Slab:
    """A plate with vertical walls. Outline and openings are in its own frame; then turned and moved onto the bench."""

    kind: str  # a shape kind of the label
    name: str
    outline_mm: np.ndarray
    z0_mm: float
    z1_mm: float
    metal: Metal
    openings: tuple[Opening, ...] = ()
    edge_mm: float = 0.2
    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0  # counter-clockwise
    texture: str = ""
    seed: int = 0
    size_mm: float = 0.0  # meaning depends on the texture
    bend_mm: float = 0.0
    chamfered: bool = False  # the edge is a flat at 45 degrees, `edge_mm` wide, not a rounding

    def to_bench(self, xy_mm: np.ndarray) -> np.ndarray:
        t = math.radians(self.turn_deg)
        c, s = math.cos(t), math.sin(t)
        xy = np.asarray(xy_mm, float)
        return np.c_[xy[:, 0] * c - xy[:, 1] * s + self.x_mm, xy[:, 0] * s + xy[:, 1] * c + self.y_mm]

    @property
    def radius_mm(self) -> float:
        """Of the circle about its own origin that holds it."""
        return float(np.hypot(*self.outline_mm.T).max())


@dataclass(frozen=True, slots=True)
class Taking:
    """What the phone does to the light. Lengths in pixels of the photo."""

    defocus_px: float
    motion_px: float
    motion_deg: float
    noise: float
    grain_px: float
    sharpen: float
    exposure: float
    shoulder: float
    contrast: float
    saturation: float
    white: tuple[float, float, float]
    vignette: float
    smear: bool
    haze: float
    jpeg: int


@dataclass(frozen=True, slots=True)
class Scene:
    """One picture to be taken."""

    seed: int
    part: Part | None
    facing: str | None
    main: Slab | None  # the part, or the main object of a picture without one
    slabs: tuple[Slab, ...]  # drawn in this order, below the main object
    fillings: tuple[tuple[int, Slab], ...]  # screws in the openings of that index
    occluders: tuple[Slab, ...]
    bench: str
    bench_z_mm: float
    bench_turn_deg: float
    light: str
    lights: tuple[Light, ...]
    phone_shadow: float
    camera: Camera
    taking: Taking
    scale_kind: str | None
    scale_reference: str | None
    tags: dict[str, str] = field(default_factory=dict)


def seen_part(part: Part, facing: str) -> tuple[np.ndarray, tuple[Opening, ...]]:
    """Outline and openings as they lie when the given face looks up; from the plug side mirrored and without cones."""
    if facing == "screw":
        return part.outline_mm, part.openings
    flip = np.array([-1.0, 1.0])
    openings = tuple(
        replace(o, x_mm=-o.x_mm, countersink_mm=None, polygon_mm=np.ascontiguousarray((o.polygon_mm * flip)[::-1]))
        for o in part.openings
    )
    return np.ascontiguousarray((part.outline_mm * flip)[::-1]), openings


def sample_camera(rng: np.random.Generator, around_mm: tuple[float, float], span_mm: float) -> Camera:
    """A phone held over the bench so that about `span_mm` fits, mostly with room to spare."""
    width, height = PHOTO_SIZES[int(rng.choice(len(PHOTO_SIZES), p=(0.12, 0.13, 0.15, 0.15, 0.2, 0.25)))]
    if rng.random() < 0.5:
        width, height = height, width
    focal = float(
        rng.choice(
            (rng.uniform(13, 24), rng.uniform(24, 28), rng.uniform(28, 48), rng.uniform(48, 77)),
            p=(0.05, 0.40, 0.16, 0.39),
        )
    )
    distance = 150 + 300 * float(rng.beta(1.1, 2.2))
    frame_per_mm = min(width, height) / (focal / FULL_FRAME_DIAGONAL_MM * math.hypot(width, height))
    if distance * frame_per_mm > 3.5 * span_mm and rng.random() < 0.75:  # most people come nearer than that
        distance = max(150.0, min(distance, span_mm * float(rng.uniform(1.12, 3.5)) / frame_per_mm))
    distance = min(520.0, max(distance, 1.12 * span_mm / frame_per_mm))  # or step back rather than cut the scene
    view = distance * frame_per_mm
    spare = max(0.0, (view - span_mm) / 2) * 0.7
    aim = (around_mm[0] + rng.uniform(-1, 1) * min(spare, 60), around_mm[1] + rng.uniform(-1, 1) * min(spare, 60))
    tilt = float(abs(rng.normal(0, 9))) if rng.random() < 0.8 else float(rng.uniform(0, 30))
    k1 = float(rng.normal(0, 0.006)) if rng.random() < 0.7 else float(rng.uniform(-0.025, 0.025))
    return Camera(
        width, height, focal, distance, min(tilt, 31.0), float(rng.uniform(0, 360)), float(rng.uniform(0, 360)), aim, k1
    )


def sample_taking(rng: np.random.Generator, width: int, difficulty: str) -> Taking:
    """The phone's own doings; a hard picture is blurred, noisy or badly exposed."""
    sharp = width / 4032
    hard = difficulty == "hard"
    return Taking(
        defocus_px=sharp * float(rng.gamma(1.5, 0.9) if not hard else rng.uniform(2, 9)) + 0.45,
        motion_px=sharp * float(rng.uniform(2, 24) if hard and rng.random() < 0.5 else rng.exponential(1.2)),
        motion_deg=float(rng.uniform(0, 180)), noise=float(rng.uniform(0.03, 0.09) if hard and rng.random() < 0.5 else rng.gamma(1.6, 0.008)),
        grain_px=float(rng.uniform(0.4, 1.1)), sharpen=float(rng.uniform(0, 1.4) if rng.random() < 0.75 else 0),
        exposure=float(rng.uniform(0.15, 0.52) * (rng.choice((0.55, 1.9)) if hard and rng.random() < 0.4 else 1)),
        shoulder=float(rng.uniform(0, 1)), contrast=float(rng.uniform(0, 0.55)), saturation=float(rng.uniform(0.75, 1.3)),
        white=(float(np.exp(rng.normal(0, 0.07))), 1.0, float(np.exp(rng.normal(0, 0.09)))), vignette=float(rng.uniform(0, 0.35)),
        smear=bool(rng.random() < 0.25), haze=float(rng.uniform(0, 0.06) if rng.random() < 0.3 else 0), jpeg=int(rng.integers(60, 96)),
    )  # fmt: skip


def _free_place(
    rng: np.random.Generator, radius: float, taken: list[tuple[float, float, float]], reach: float
) -> tuple[float, float] | None:
    """Somewhere within `reach` of the origin where a circle of `radius` touches nothing placed before."""
    for _ in range(30):
        a, d = rng.uniform(0, 2 * math.pi), rng.uniform(0, reach)
        x, y = d * math.cos(a), d * math.sin(a)
        if all(math.hypot(x - tx, y - ty) > radius + tr + 1.0 for tx, ty, tr in taken):
            return x, y
    return None


def sample_scene(rng: np.random.Generator, *, negative: bool, held_out: bool = False) -> Scene:
    """Draw a scene.

    Parameters
    ----------
    rng : numpy.random.Generator
        The only source of chance.
    negative : bool
        Whether the main object is no cam.
    held_out : bool
        Whether negatives come from the kinds kept for evaluation alone.
    """
    difficulty = str(rng.choice(("easy", "usual", "hard"), p=(0.32, 0.52, 0.16)))
    part: Part | None = None
    facing: str | None = None
    fillings: list[tuple[int, Slab]] = []
    slabs: list[Slab] = []
    bench_z = 0.0
    not_cam = ""
    mounted = False
    if negative:
        not_cam, main = negatives.sample(rng, held_out=held_out)
        if main is not None:
            main = replace(main, turn_deg=float(rng.uniform(0, 360)))
    else:
        part = sample_part(rng)
        mounted = bool(rng.random() < 0.10)
        facing = "screw" if mounted or rng.random() < 0.75 else "plug"
        outline, openings = seen_part(part, facing)
        edge = part.edge_screw_mm if facing == "screw" else part.edge_plug_mm
        main = Slab(
            "part", "cam", outline, 0.0, part.thickness_mm, sample_metal(rng, cast=part.cast), openings, edge,
            turn_deg=float(rng.uniform(0, 360)), texture=str(rng.choice(("", "stamp", "gate", "ring", "boss"), p=(0.62, 0.14, 0.08, 0.06, 0.10))),
            seed=int(rng.integers(2**31)), bend_mm=part.bend_mm if facing == "screw" else -part.bend_mm, chamfered=part.chamfered,
        )  # fmt: skip
        if mounted or (facing == "screw" and rng.random() < 0.04):  # heads sit on the screw side
            for i, o in enumerate(openings):
                if o.kind == "screw" and o.round and rng.random() < 0.93:
                    fillings.append((i, things.screw_in_hole(rng, o, part.thickness_mm, main)))
        if mounted:
            cylinder = things.cylinder_end(rng)
            slabs.append(cylinder)
            bench_z = cylinder.z0_mm
    span = main.radius_mm * 2 if main is not None else 40.0
    taken = [(0.0, 0.0, main.radius_mm if main is not None else 0.0)]
    if mounted:
        taken = [(0.0, 0.0, max(taken[0][2], 16.0))]
    scale_kind: str | None = "cylinder" if mounted else None
    reference: str | None = "mortise-cylinder" if mounted else None
    extras: list[Slab] = []
    if not mounted and not_cam != "empty":
        draw = rng.random()
        if draw < 0.62:
            coin = things.coin(rng)
            extras.append(coin)
            scale_kind, reference = "coin", coin.name
            if rng.random() < 0.08:
                extras.append(things.coin(rng))
        elif draw < 0.76:
            extras.append(things.ruler(rng))
            scale_kind, reference = "ruler", extras[0].name
        elif draw < 0.86:
            extras.append(things.card(rng))
            scale_kind, reference = "card", extras[0].name
    placed: list[Slab] = []
    for extra in extras:
        near = (
            (main.radius_mm if main is not None else 10.0)
            + things.half_width(extra)
            + float(rng.exponential(8.0))
            + 1.5
        )
        if extra.kind in ("ruler", "card"):  # long things lie beside the part, square to the line between them
            a = float(rng.uniform(0, 360))
            x, y = near * math.cos(math.radians(a)), near * math.sin(math.radians(a))
            along = float(rng.uniform(-0.35, 0.35)) * things.length(extra)
            turn = a + 90 + float(rng.normal(0, 6)) + (180 if rng.random() < 0.5 else 0)
            x, y = x + along * math.cos(math.radians(a + 90)), y + along * math.sin(math.radians(a + 90))
        else:
            spot = _free_place(rng, extra.radius_mm, taken, near + extra.radius_mm + 6)
            if spot is None:
                a = float(rng.uniform(0, 2 * math.pi))
                spot = (near * math.cos(a), near * math.sin(a))
            (x, y), turn = spot, float(rng.uniform(0, 360))
        moved = replace(extra, x_mm=x, y_mm=y, turn_deg=turn)
        placed.append(moved)
        if extra.kind == "coin":
            taken.append((x, y, extra.radius_mm))
            span = max(span, 2 * (math.hypot(x, y) + extra.radius_mm))
        else:  # a row of circles along it keeps clutter off
            half = things.half_width(extra)
            for t in np.arange(-things.length(extra) / 2 + half, things.length(extra) / 2, half):
                p = moved.to_bench(np.array([[t, 0.0]]))[0]
                taken.append((float(p[0]), float(p[1]), half * 1.1))
            span = max(span, 2 * near + things.half_width(extra))
    for _ in range(int(rng.choice((0, 1, 2, 4, 7), p=(0.5, 0.2, 0.15, 0.1, 0.05)))):
        thing = things.clutter(rng)
        spot = _free_place(rng, things.spread(thing), taken, span * 1.6 + 40)
        if spot is not None and (main is None or math.hypot(*spot) > main.radius_mm + things.spread(thing)):
            moved = replace(
                thing,
                x_mm=spot[0],
                y_mm=spot[1],
                turn_deg=float(rng.uniform(0, 360)),
                z0_mm=bench_z + thing.z0_mm,
                z1_mm=bench_z + thing.z1_mm,
            )
            placed.append(moved)
            taken.append((*spot, things.spread(thing)))
    slabs = sorted(placed, key=lambda s: s.z1_mm) + slabs if mounted else sorted(placed, key=lambda s: s.z1_mm)
    occluders: list[Slab] = []
    if rng.random() < 0.07 and main is not None and not mounted:
        occluders.append(things.finger_at(rng, main.radius_mm))
    light, lights = sample_lights(rng)
    camera = sample_camera(rng, (0.0, 0.0), span * float(rng.uniform(0.95, 1.3)))
    return Scene(
        seed=int(rng.integers(2**31)), part=part, facing=facing, main=main, slabs=tuple(slabs), fillings=tuple(fillings),
        occluders=tuple(occluders), bench=str(rng.choice(BENCHES, p=_BENCH_ODDS)), bench_z_mm=bench_z, bench_turn_deg=float(rng.choice((0, 90)) + rng.normal(0, 12)),
        light=light, lights=lights, phone_shadow=float(rng.uniform(0.1, 0.65)) if rng.random() < 0.35 else 0.0, camera=camera,
        taking=sample_taking(rng, max(camera.width, camera.height), difficulty), scale_kind=scale_kind, scale_reference=reference,
        tags={"difficulty": difficulty, "bench": "", "light": light, "metal": main.metal.name if main is not None else "none", **({"not_cam": not_cam} if not_cam else {}),
              **({"construction": part.construction} if part is not None else {}), **({"mounted": "yes"} if mounted else {})},
    )  # fmt: skip


_BENCH_WEIGHT = {
    "white-paper": 5,
    "grey-paper": 2,
    "colour-paper": 2,
    "card": 2,
    "wood": 4,
    "noise": 1.2,
    "stripes": 0.4,
    "grid": 0.7,
    "text": 1.2,
    "cloth": 1.5,
    "steel": 1.5,
    "concrete": 1.5,
}
_weights = np.array([_BENCH_WEIGHT.get(b, 0.8) for b in BENCHES])
_BENCH_ODDS = _weights / _weights.sum()


def slab_polygon(slab: Slab) -> Polygon:
    """Its outline on the bench."""
    return Polygon(slab.to_bench(slab.outline_mm))
