"""A cam still on its cylinder, screws in its holes, and a finger in the picture, as meshes. numpy, Pillow, shapely."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import shapely

from synthetic.plate import Cam, Mesh, Plate, PlateHole, circle, join, plate_mesh, ring_of
from synthetic.traced_props import Prop, lathe, planar_uv
from synthetic.traced_surfaces import SIZE, Surface, noise

Array = np.ndarray
CYLINDER_DIAMETER_MM = (28.6, 29.5)  # over the thread
PITCH_MM = 25.4 / 32
PLUG_DIAMETER_MM = (12.4, 13.2)


def cylinder(rng: np.random.Generator, surface: Surface) -> Prop:
    """The threaded body of a mortise cylinder, standing so that its back end is z = 0."""
    r, long = float(rng.uniform(*CYLINDER_DIAMETER_MM)) / 2, float(rng.uniform(18, 34))
    profile = [(0.0, 0.0), (r - 0.6, 0.0)]
    z = 0.1
    while z < long - 0.9:
        profile += [(r - 0.5, z), (r, z + PITCH_MM / 2)]
        z += PITCH_MM
    profile += [(r - 0.45, long - 0.35), (r - 0.7, long), (0.0, long)]
    body = lathe("clutter", "cylinder", profile, surface, lying=False)
    extent = 2.2 * r
    n = surface.height_mm.shape[0]
    yy, xx = np.mgrid[0:n, 0:n].astype(np.float32)
    x, y = ((xx + 0.5) / n - 0.5) * extent, -((yy + 0.5) / n - 0.5) * extent
    plug = float(rng.uniform(*PLUG_DIAMETER_MM)) / 2
    groove = np.exp(-(((np.hypot(x, y) - plug) / 0.12) ** 2))
    for _ in range(int(rng.integers(0, 4))):  # pins, and the chamber's plug
        turn, away, size = rng.uniform(0, 2 * math.pi), rng.uniform(8, 11), rng.uniform(0.8, 1.7)
        groove = np.maximum(groove, np.hypot(x - away * math.cos(turn), y - away * math.sin(turn)) < size)
    height = surface.height_mm - 0.25 * groove
    colour = surface.colour * (1 - 0.55 * groove[..., None])
    marked = dataclasses.replace(surface, colour=colour, height_mm=height.astype(np.float32), extent_mm=extent)
    mesh = planar_uv(body.mesh, extent).moved(np.eye(3), np.array([0.0, 0.0, -long]))
    return dataclasses.replace(
        body, mesh=mesh, surface=marked, outline_mm=circle(0, 0, r, points=180), outline_z_mm=0.0, height_mm=0.0,
        base_mm=-long,
    )  # fmt: skip


def _recess(kind: str, r: float) -> shapely.Polygon | None:
    wide = max(0.35, 0.14 * r)
    if kind == "slot":
        return shapely.box(-0.90 * r, -wide, 0.90 * r, wide)
    if kind == "cross":
        a, b = shapely.box(-0.58 * r, -wide, 0.58 * r, wide), shapely.box(-wide, -0.58 * r, wide, 0.58 * r)
        return a.union(b).buffer(0.12).buffer(-0.24).buffer(0.12)
    if kind == "hex":
        turn = np.arange(6) * np.pi / 3
        return shapely.Polygon(np.c_[np.cos(turn), np.sin(turn)] * 0.52 * r)
    return None


def screw_head(
    rng: np.random.Generator, hole: PlateHole, thickness: float, surface: Surface
) -> tuple[Mesh, float, float, float] | None:
    """The head of a screw in a hole, in the part's own frame: mesh, radius, height of its foot and of its top."""
    proud = float(rng.uniform(-0.25, 0.3))
    if hole.countersink_diameter_mm is not None:
        r = hole.countersink_diameter_mm / 2 * float(rng.uniform(0.88, 0.99))
        if proud < 0:  # below the face the cone is narrower
            r = min(
                r, hole.countersink_diameter_mm / 2 + proud * math.tan(math.radians(hole.countersink_angle_deg / 2))
            )
        top, edge = thickness + proud, float(rng.uniform(0.06, 0.25))
        foot = max(0.1, top - 1.0)
    else:
        r = min(hole.diameter_mm / 2 * float(rng.uniform(1.5, 1.9)), 4.0)
        foot = thickness
        top = thickness + float(rng.uniform(0.9, 2.2))
        edge = float(rng.uniform(0.2, min(0.8, 0.3 * r, top - foot - 0.15)))
    if r < 1.2 or top - foot < 0.4:
        return None
    kind = str(rng.choice(("slot", "cross", "hex"), p=(0.5, 0.4, 0.1)))
    recess = _recess(kind, r - edge)
    floor = top - min(top - foot - 0.1, float(rng.uniform(0.45, 1.1)))
    ring = circle(0, 0, r, points=64)
    openings = () if recess is None else (ring_of(recess.exterior, counter_clockwise=True),)
    head = plate_mesh(Plate(ring, top - floor, (), openings, edge, 0.02)).moved(np.eye(3), np.array([0, 0, floor]))
    base = plate_mesh(Plate(ring, floor - foot + 0.02, (), (), 0.01, 0.01)).moved(np.eye(3), np.array([0, 0, foot]))
    turn = float(rng.uniform(0, 2 * math.pi))
    spin = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1.0]])
    mesh = join([head, base]).moved(spin, np.array([hole.x_mm, hole.y_mm, 0.0]))
    return planar_uv(mesh, surface.extent_mm), r, foot, top


def heads(
    rng: np.random.Generator, cam: Cam, surface: Surface, share: float
) -> tuple[Cam, list[tuple[Mesh, PlateHole, float, float, float]]]:
    """Screws in most of a cam's round holes: the cam with those holes filled, and each head's mesh and measures."""
    made, holes = [], []
    for hole in cam.plate.holes:
        head = screw_head(rng, hole, cam.plate.thickness_mm, surface) if rng.random() < share else None
        filled = dataclasses.replace(hole, filled=head is not None)
        holes.append(filled)
        if head is not None:
            made.append((head[0], filled, head[1], head[2], head[3]))
    plate = dataclasses.replace(cam.plate, holes=tuple(holes))
    return dataclasses.replace(cam, plate=plate), made


def finger(rng: np.random.Generator, reach_mm: float) -> Prop:
    """A finger that lies on the bench and ends near the part, which is about the origin; the caller turns it."""
    r, long = float(rng.uniform(6.5, 9.5)), 140.0
    tip = np.linspace(0, math.pi / 2, 14)
    rows = [(r * math.sin(a), r * 1.1 * (1 - math.cos(a))) for a in tip]
    along = np.linspace(r * 1.1, long, 60)[1:]
    joint = float(rng.uniform(22, 30))
    rows += [(r * (1 + 0.10 * (x / long) + 0.035 * math.exp(-(((x - joint) / 4) ** 2))), float(x)) for x in along]
    rows.append((0.0, long))
    skin = np.array([0.86, 0.66, 0.54]) * float(rng.uniform(0.35, 1.12)) * (1 + rng.normal(0, 0.03, 3))
    n = SIZE
    extent = 2 * long + 20
    x = (((np.arange(n) + 0.5) / n - 0.5) * extent)[None, :]
    y = (((np.arange(n) + 0.5) / n - 0.5) * extent)[:, None]
    blotch = noise(rng, n, 1.8)
    colour = np.clip(skin * (1 + 0.05 * blotch[..., None] * np.array([0.6, 1.0, 1.0])), 0.02, 0.95)
    rough = np.full((n, n), float(rng.uniform(0.35, 0.55)), np.float32)
    if rng.random() < 0.6:
        nail = 1 / (1 + np.exp(np.clip(6 * (((x - 0.95 * r) / (0.75 * r)) ** 2 + (y / (0.62 * r)) ** 2 - 1), -30, 30)))
        colour = colour * (1 - nail[..., None]) + nail[..., None] * np.clip(skin * 1.12, 0, 0.95)
        rough = rough * (1 - nail) + 0.18 * nail
    wrinkle = np.exp(-(((x - joint) / 2.2) ** 2)) * np.sin(2.4 * x)
    height = 0.03 * noise(rng, n, 0.9) + 0.12 * wrinkle
    surface = Surface("skin", colour.astype(np.float32), rough.astype(np.float32), height.astype(np.float32), extent)
    body = lathe("occluder", "finger", rows, surface, lying=True)
    shift = np.array([reach_mm * float(rng.uniform(0.75, 1.2)), 0.0, float(rng.uniform(0.2, 3.5))])
    mesh = planar_uv(body.mesh, extent).moved(np.eye(3), shift)
    half = np.array([(z, rad) for rad, z in rows])
    outline = np.vstack([half, half[::-1] * [1, -1]])[1:-1] + shift[:2]
    return dataclasses.replace(
        body, mesh=mesh, surface=surface, outline_mm=np.asarray(shapely.Polygon(outline).buffer(0).exterior.coords)[:-1],
        outline_z_mm=r + shift[2], height_mm=2 * r + shift[2], base_mm=r + shift[2],
    )  # fmt: skip
