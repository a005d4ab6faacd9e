"""The Label of a path-traced picture: everything projected from the same millimetres that the meshes were made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from synthetic.plate import Cam, Mesh, PlateHole, circle
from synthetic.traced_camera import Camera
from synthetic.traced_props import Prop
from synthetic.traced_surfaces import Surface
from vision.label import Hole, Label, Shape
from vision.tilt import lean_of

Array = np.ndarray


@dataclass(frozen=True, slots=True)
class Placed:
    """A cam lying on the bench: `flat` (2, 2) and `shift` (2,) take its own x, y to the bench."""

    cam: Cam
    flat: Array
    shift: Array
    facing: str
    mesh: Mesh
    surface: Surface
    base_mm: float = 0.02  # what it lies on, over the bench
    heads: tuple[tuple[PlateHole, float, float, float], ...] = ()  # screws: hole, radius, foot and top in the part

    def bench(self, points: Array) -> Array:
        """The part's own points (N, 2) on the bench."""
        return np.asarray(np.asarray(points, dtype=float) @ self.flat.T + self.shift)

    def outline_mm(self) -> Array:
        """The outline on the bench."""
        return self.bench(self.cam.plate.outline_mm)

    def height(self, z_screw_up: float, y_mm: float | Array = 0.0) -> Array:
        """Height over the bench of a height in the part (0 at the plug side), at y in the part: its tail may be bent."""
        z = z_screw_up + self.cam.lift_mm(np.asarray(y_mm, dtype=float))
        return np.asarray(self.base_mm + (z if self.facing == "screw" else self.cam.plate.thickness_mm - z))


def _polygon(points: Array) -> tuple[tuple[float, float], ...]:
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in points)


def thinned(points: Array, tolerance: float) -> Array:
    """A ring with the points left out that lie within `tolerance` of the line."""
    simple = Polygon(points).simplify(tolerance)
    ring = np.asarray(simple.exterior.coords)[:-1]
    return ring if len(ring) >= 3 else points


def silhouette(camera: Camera, outline_mm: Array, low_mm: float, high_mm: float) -> Array:
    """Everything that shows of a straight-sided body: its two outlines and the walls between them, in pixels."""
    return swept(camera, thinned(outline_mm, 0.01), low_mm, high_mm)


def swept(camera: Camera, outline: Array, low_mm: float | Array, high_mm: float | Array) -> Array:
    """The same for heights that differ along the outline (N, 2)."""
    low, high = camera.flat(outline, low_mm), camera.flat(outline, high_mm)
    pieces = [Polygon(low), Polygon(high)]
    for i in range(len(outline)):
        j = (i + 1) % len(outline)
        pieces.append(shapely.MultiPoint([low[i], low[j], high[j], high[i]]).convex_hull)
    whole = shapely.union_all([p.buffer(0) for p in pieces if p.area > 0])
    if whole.geom_type != "Polygon":
        whole = max(whole.geoms, key=lambda g: g.area)
    return np.asarray(whole.exterior.coords)[:-1]


def _prop_shapes(camera: Camera, prop: Prop) -> list[Shape]:
    shown = silhouette(camera, prop.outline_mm, prop.base_mm, prop.outline_z_mm)
    if prop.kind == "coin":  # the rim's outer edge, the circle that scales
        shown = camera.flat(prop.outline_mm, prop.outline_z_mm)
    if prop.kind == "occluder":  # runs far out of the picture
        frame = shapely.box(-50, -50, camera.width + 50, camera.height + 50)
        seen = Polygon(shown).buffer(0).intersection(frame)
        if not isinstance(seen, Polygon) or seen.is_empty:
            return []
        shown = np.asarray(seen.exterior.coords)[:-1]
    return [Shape(prop.kind, _polygon(shown))]


def _inside(shape: Shape, camera: Camera) -> bool:
    xy = np.asarray(shape.polygon_px)
    return bool(
        ((xy[:, 0] > 0) & (xy[:, 0] < camera.width - 1) & (xy[:, 1] > 0) & (xy[:, 1] < camera.height - 1)).any()
    )


def _beside(camera: Camera, props: list[Prop]) -> list[Shape]:
    shapes = [s for p in props for s in _prop_shapes(camera, p)]
    return [s for s in shapes if _inside(s, camera)]


def _scale(props: list[Prop]) -> tuple[str | None, str | None]:
    for prop in props:
        if prop.kind in ("coin", "ruler", "card"):
            return prop.kind, prop.name
        if prop.name == "cylinder":
            return "cylinder", "mortise-cylinder"
    return None, None


def _leans(camera: Camera, part_mm: Array | None, props: list[Prop]) -> dict[str, tuple[float, float] | None]:
    """How the part's face, at a point (3,) of it, and the coin that gives the scale lean towards the camera."""
    coins = [p for p in props if p.kind == "coin"][:1]
    at = [part_mm, *(np.append(p.outline_mm.mean(axis=0), p.height_mm) for p in coins)]
    leans = [None if p is None else lean_of(camera.axes[:, 2], camera.axes @ (p - camera.centre_mm)) for p in at]
    return {"lean_rad": leans[0], "reference_lean_rad": leans[1] if len(leans) > 1 else None}


def cam_label(
    name: str, camera: Camera, placed: Placed, props: list[Prop], focal_35mm: float | None, tags: dict[str, str]
) -> Label:
    """The Label of a picture of a cam."""
    cam, plate = placed.cam, placed.cam.plate
    t = plate.thickness_mm
    screw_up = placed.facing == "screw"
    seen_z = t if screw_up else 0.0
    face_z = float(placed.height(seen_z))
    edge = plate.upper_edge_mm if screw_up else plate.lower_edge_mm
    over = [p for p in props if p.kind == "occluder"]
    shapes = _beside(camera, [p for p in props if p.kind != "occluder"])
    rough = thinned(plate.outline_mm, 0.01)
    low, high = placed.height(t - seen_z, rough[:, 1]), placed.height(seen_z, rough[:, 1]) - edge
    shapes.append(Shape("body", _polygon(swept(camera, placed.bench(rough), low, high))))
    # the full outline stands where the edge's rounding begins
    fine = thinned(plate.outline_mm, 0.003)
    shapes.append(Shape("part", _polygon(camera.flat(placed.bench(fine), placed.height(seen_z, fine[:, 1]) - edge))))
    holes, openings = [], []
    for hole in plate.holes:
        middle = np.array([[hole.x_mm, hole.y_mm]])
        up = float(placed.height(seen_z, hole.y_mm))
        centre = camera.flat(placed.bench(middle), up)[0]
        holes.append(
            Hole(
                "screw", hole.x_mm, hole.y_mm, hole.diameter_mm, hole.countersink_diameter_mm, hole.filled,
                (float(centre[0]), float(centre[1])),
            )
        )  # fmt: skip
        depth = hole.countersink_depth_mm() if screw_up else 0.0
        if depth > 0 and hole.countersink_diameter_mm is not None:
            rim = circle(hole.x_mm, hole.y_mm, hole.countersink_diameter_mm / 2)
            shapes.append(Shape("countersink", _polygon(camera.flat(placed.bench(rim), up))))
        rim = circle(hole.x_mm, hole.y_mm, hole.diameter_mm / 2)
        openings.append(Shape("hole", _polygon(camera.flat(placed.bench(rim), up - depth))))
    slots = {k: (x, y, wide) for k, x, y, wide in cam.slotted}
    for k, ring in enumerate(plate.openings_mm):
        polygon = Polygon(ring)
        kind = "screw" if k in slots else "relief"
        x, y, wide = slots.get(k, (polygon.centroid.x, polygon.centroid.y, 2 * math.sqrt(polygon.area / math.pi)))
        up = float(placed.height(seen_z, y))
        centre = camera.flat(placed.bench(np.array([[x, y]])), up)[0]
        holes.append(Hole(kind, float(x), float(y), float(wide), None, False, (float(centre[0]), float(centre[1]))))
        shape = "hole" if kind == "screw" else "relief"
        openings.append(Shape(shape, _polygon(camera.flat(placed.bench(ring), up))))
    for hole, radius, foot, top in placed.heads:
        rim = placed.bench(circle(hole.x_mm, hole.y_mm, radius, points=48))
        z0, z1 = (float(placed.height(z, hole.y_mm)) for z in (foot, top))
        openings.append(Shape("screw_head", _polygon(silhouette(camera, rim, z0, z1))))
    openings += [s for p in over for s in _prop_shapes(camera, p)]
    axis = camera.flat(placed.bench(np.zeros((1, 2))), face_z)[0]
    tip = np.array([cam.tail_tip_mm()])
    tail = camera.flat(placed.bench(tip), placed.height(seen_z, tip[:, 1]))[0]
    scale_kind, reference = _scale(props)
    axis_mm = np.append(placed.shift, face_z)
    return Label(
        picture=name, width=camera.width, height=camera.height, family=cam.family, bottom=cam.bottom, hand=cam.hand,
        facing=placed.facing,
        facing_shows=screw_up and any(h.countersink_diameter_mm or h.filled for h in plate.holes),
        reach_mm=cam.reach_mm(), hub_diameter_mm=cam.hub_diameter_mm if cam.hub_shows() else None, length_mm=cam.length_mm(), width_mm=cam.width_mm(),
        tail_width_mm=cam.tail_width_mm(), thickness_mm=t,
        outline_mm=tuple((round(float(x), 4), round(float(y), 4)) for x, y in thinned(plate.outline_mm, 0.003)),
        holes=tuple(holes), axis_px=(float(axis[0]), float(axis[1])), tail_px=(float(tail[0]), float(tail[1])),
        shapes=tuple(shapes + openings), scale_kind=scale_kind, scale_reference=reference,
        mm_per_px=camera.mm_per_px(placed.shift, face_z), tilt_deg=camera.tilt_deg,
        distance_mm=float(np.linalg.norm(camera.centre_mm - axis_mm)), focal_35mm=focal_35mm, tags=tags,
        **_leans(camera, axis_mm, props),
    )  # fmt: skip


def other_label(
    name: str, camera: Camera, thing: Prop, props: list[Prop], focal_35mm: float | None, tags: dict[str, str]
) -> Label:
    """The Label of a picture without a cam."""
    kind, reference = _scale(props)
    over = [p for p in props if p.kind == "occluder"]
    shapes = _beside(camera, [p for p in props if p.kind != "occluder"]) + _prop_shapes(camera, thing)
    shapes += [s for p in over for s in _prop_shapes(camera, p)]
    middle = thing.outline_mm.mean(axis=0)
    return Label(
        picture=name, width=camera.width, height=camera.height, family=None, shapes=tuple(shapes), scale_kind=kind,
        scale_reference=reference, mm_per_px=camera.mm_per_px(middle, thing.height_mm), tilt_deg=camera.tilt_deg,
        distance_mm=float(np.linalg.norm(camera.centre_mm - np.append(middle, thing.height_mm))), focal_35mm=focal_35mm,
        tags=tags, **_leans(camera, None, props),
    )  # fmt: skip
