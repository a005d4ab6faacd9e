"""What is true of a picture: the window it is taken through, and the Label with every outline in its pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon, box

from synthetic.openings import Opening
from synthetic.scene import Camera, Scene, Slab
from vision.label import Label, Shape
from vision.tilt import lean_of

RENDERER = "fast"
COUNTERSINK_HALF_DEG = 41.0  # half the included angle of the usual 82 degree head
SIMPLIFY_PX = 0.06
SIMPLIFY_MM = 0.004


@dataclass(frozen=True, slots=True)
class View:
    """A window of the photo, resampled: picture pixel = (photo pixel + 0.5 - (x0, y0)) * scale - 0.5."""

    camera: Camera
    x0: float
    y0: float
    scale: float
    width: int
    height: int

    def project(self, xy_mm: np.ndarray, z_mm: float | np.ndarray) -> np.ndarray:
        """Picture pixels of bench points (N, 2) at a height."""
        return (self.camera.project(xy_mm, z_mm) + 0.5 - (self.x0, self.y0)) * self.scale - 0.5

    def unproject(self, px: np.ndarray, z_mm: float) -> np.ndarray:
        """Bench points (N, 2) at a height of picture pixels."""
        camera = self.camera
        photo = (np.asarray(px, float) + 0.5) / self.scale + (self.x0, self.y0) - 0.5
        bent = photo - ((camera.width - 1) / 2, (camera.height - 1) / 2)
        corner = math.hypot(camera.width, camera.height) / 2
        flat = bent.copy()
        for _ in range(6):
            flat = bent / (1 + camera.k1 * (flat**2).sum(1, keepdims=True) / corner**2)
        rows, lens = camera.axes()
        rays = np.c_[flat / camera.focal_px, np.ones(len(flat))] @ rows
        distance = (z_mm - lens[2]) / rays[:, 2]
        return np.asarray(lens[:2] + rays[:, :2] * distance[:, None])

    def px_per_mm(self, z_mm: float, at_mm: tuple[float, float] | None = None) -> float:
        """Picture pixels a mm (root of the area ratio), at a bench point or the middle of the picture."""
        at = (
            np.array(at_mm)
            if at_mm is not None
            else self.unproject(np.array([[(self.width - 1) / 2, (self.height - 1) / 2]]), z_mm)[0]
        )
        p = self.project(np.array([at, at + (0.5, 0), at + (0, 0.5)]), z_mm)
        j = (p[1:] - p[0]) / 0.5
        return float(math.sqrt(abs(np.linalg.det(j))))


def circle_mm(x: float, y: float, diameter: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    return np.c_[x + np.cos(turn) * diameter / 2, y + np.sin(turn) * diameter / 2]


def cone_depth_mm(opening: Opening, thickness_mm: float) -> float:
    """How deep the cone of a countersink goes; 0 for a plain hole."""
    if opening.countersink_mm is None:
        return 0.0
    deep = (opening.countersink_mm - opening.diameter_mm) / 2 / math.tan(math.radians(COUNTERSINK_HALF_DEG))
    return min(deep, 0.88 * thickness_mm)


def lift_at(slab: Slab, y_mm: float) -> float:
    """Height that a bent tail adds at one point."""
    high = float(slab.outline_mm[:, 1].max())
    start = 0.35 * high
    return slab.bend_mm * min(1.0, max(0.0, (y_mm - start) / max(1e-6, high - start))) ** 2


def lift(slab: Slab, points_mm: np.ndarray) -> np.ndarray:
    """The same for points (N, 2)."""
    high = float(slab.outline_mm[:, 1].max())
    start = 0.35 * high
    return np.asarray(slab.bend_mm * np.clip((points_mm[:, 1] - start) / max(1e-6, high - start), 0, 1) ** 2)


def face_px(view: View, slab: Slab) -> np.ndarray:
    """Outline of the face nearer the camera."""
    return view.project(slab.to_bench(slab.outline_mm), slab.z1_mm + lift(slab, slab.outline_mm))


def body_px(view: View, slab: Slab) -> np.ndarray:
    """Silhouette, walls included."""
    rim = slab.outline_mm
    shift = (slab.z1_mm - slab.z0_mm) * view.px_per_mm(0.0)
    if shift < 0.5:
        return face_px(view, slab)
    rim = np.asarray(LineString(np.r_[rim, rim[:1]]).simplify(min(0.05, 0.15 / view.px_per_mm(0.0))).coords)[:-1]
    top = view.project(slab.to_bench(rim), slab.z1_mm + lift(slab, rim))
    foot = view.project(slab.to_bench(rim), slab.z0_mm + lift(slab, rim))
    flat = Polygon(rim)
    if flat.area > 0.9995 * flat.convex_hull.area:
        return np.asarray(
            shapely.MultiPoint(
                np.r_[face_px(view, slab), view.project(slab.to_bench(slab.outline_mm), slab.z0_mm)]
            ).convex_hull.exterior.coords
        )[:-1]
    quads = np.stack([top, np.roll(top, -1, 0), np.roll(foot, -1, 0), foot], 1)
    walls = shapely.make_valid(shapely.polygons(quads))
    whole = shapely.union_all(
        [shapely.make_valid(Polygon(face_px(view, slab))), shapely.make_valid(Polygon(foot)), *walls]
    )
    if whole.geom_type != "Polygon":
        whole = max(getattr(whole, "geoms", [whole]), key=lambda g: g.area)
    return np.asarray(whole.exterior.coords)[:-1]


def _shape(kind: str, points: np.ndarray, tolerance: float = SIMPLIFY_PX) -> Shape:
    ring = LineString(np.r_[points, points[:1]]).simplify(tolerance)
    return Shape(kind, tuple((round(float(x), 2), round(float(y), 2)) for x, y in np.asarray(ring.coords)[:-1]))


def _in_picture(view: View, points: np.ndarray) -> bool:
    x, y = points.T
    return bool((x > -0.5).any() and (y > -0.5).any() and (x < view.width).any() and (y < view.height).any())


def sample_view(rng: np.random.Generator, scene: Scene, kind: str) -> View | None:
    """The window for a full frame or a close-up; None when the main object would not be wholly in the picture."""
    camera = scene.camera
    if kind == "full":
        side = int(rng.choice((512, 512, 640, 768, 1024)))
        scale = side / max(camera.width, camera.height)
        view = View(camera, 0.0, 0.0, scale, round(camera.width * scale), round(camera.height * scale))
        if scene.main is None:
            return view
        points = face_px(view, scene.main)
        inside = (
            (points.min(0) > 2).all()
            and (points[:, 0].max() < view.width - 3)
            and (points[:, 1].max() < view.height - 3)
        )
        share = float(np.ptp(points, axis=0).max()) / min(view.width, view.height)
        return view if inside and 0.04 < share < 0.85 else None
    side = int(rng.integers(320, 385))
    whole = View(camera, 0.0, 0.0, 1.0, camera.width, camera.height)
    if scene.main is not None:
        points = face_px(whole, scene.main)
        circle = shapely.minimum_bounding_circle(shapely.MultiPoint(points))
        centre, radius = np.array(circle.centroid.coords[0]), math.sqrt(circle.area / math.pi)
    else:
        target = scene.slabs[0] if scene.slabs and rng.random() < 0.7 else None
        centre = whole.project(np.array([[target.x_mm, target.y_mm]] if target else [rng.normal(0, 15, 2)]), 0.0)[0]
        radius = rng.uniform(12, 25) * whole.px_per_mm(0)
    window = 2 * radius / rng.uniform(0.45, 0.95)
    off = rng.uniform(-0.15, 0.15, 2) * window
    limit = max(0.0, window / 2 - radius) + 0.03 * radius  # the part stays in the window
    centre = centre + np.clip(off, -limit, limit) + 0.5
    view = View(camera, float(centre[0] - window / 2), float(centre[1] - window / 2), side / window, side, side)
    if scene.main is not None:
        points = face_px(view, scene.main)
        if (points < 0).any() or (points > side - 1).any():
            return None
        if not (0 <= centre[0] < camera.width and 0 <= centre[1] < camera.height) or 2 * radius < 40:
            return None
    return view


def _leans(scene: Scene) -> dict[str, tuple[float, float] | None]:
    """How the part's face and the coin that gives the scale lean towards the camera."""
    axes, lens = scene.camera.axes()
    coins = [slab for slab in scene.slabs if slab.kind == "coin" and slab.name == scene.scale_reference]
    things = (scene.main if scene.part is not None else None, coins[0] if coins else None)
    leans = [
        None if slab is None else lean_of(axes[:, 2], axes @ (np.array([slab.x_mm, slab.y_mm, slab.z1_mm]) - lens))
        for slab in things
    ]
    return {"lean_rad": leans[0], "reference_lean_rad": leans[1]}


def label(scene: Scene, view: View, name: str) -> Label:
    """The Label of a scene seen through a window."""
    shapes: list[Shape] = []
    for slab in scene.slabs:  # of a coin the rim, the circle that scales; of all else whatever shows
        outline = face_px(view, slab) if slab.kind == "coin" else body_px(view, slab)
        if _in_picture(view, outline):
            shapes.append(_shape(slab.kind, outline))
    main, part = scene.main, scene.part
    holes = []
    axis = tail = None
    if main is not None:
        shapes.append(_shape("body" if part is not None else "other", body_px(view, main)))
        if part is not None:
            shapes.append(_shape("part", face_px(view, main)))
            filled = {i for i, _ in scene.fillings}
            for i, (seen, true) in enumerate(zip(main.openings, part.openings, strict=True)):
                up = main.z1_mm + lift_at(main, seen.y_mm)
                if seen.countersink_mm is not None:
                    shapes.append(
                        _shape(
                            "countersink",
                            view.project(main.to_bench(circle_mm(seen.x_mm, seen.y_mm, seen.countersink_mm)), up),
                        )
                    )
                edge = view.project(main.to_bench(seen.polygon_mm), up - cone_depth_mm(seen, main.z1_mm - main.z0_mm))
                shapes.append(_shape("hole" if seen.kind == "screw" else "relief", edge))
                centre = view.project(main.to_bench(np.array([[seen.x_mm, seen.y_mm]])), up)[0]
                holes.append(replace(true.hole(), filled=i in filled, center_px=(float(centre[0]), float(centre[1]))))
            axis = view.project(main.to_bench(np.zeros((1, 2))), main.z1_mm)[0]
            ray = Polygon(main.outline_mm).intersection(LineString([(0, 0), (0, 90)]))
            exit_mm = np.array([[0.0, ray.bounds[3] if not ray.is_empty else part.hub_diameter_mm / 2]])
            tail = view.project(main.to_bench(exit_mm), main.z1_mm + lift(main, exit_mm))[0]
    for _, slab in scene.fillings:
        shapes.append(_shape("screw_head", body_px(view, slab)))
    for slab in scene.occluders:
        outline = body_px(view, slab)
        if _in_picture(view, outline):
            clipped = Polygon(outline).buffer(0).intersection(box(-50, -50, view.width + 50, view.height + 50))
            if clipped.geom_type == "Polygon" and not clipped.is_empty:
                shapes.append(_shape(slab.kind, np.asarray(clipped.exterior.coords)[:-1]))
    tags = {**scene.tags, "renderer": RENDERER, "bench": scene.bench}
    face = main.z1_mm if main is not None else 0.0
    common: dict[str, Any] = {
        "picture": name,
        "width": view.width,
        "height": view.height,
        "shapes": tuple(shapes),
        "scale_kind": scene.scale_kind,
        "scale_reference": scene.scale_reference,
        "mm_per_px": 1 / view.px_per_mm(face, (0.0, 0.0)),
        "tilt_deg": scene.camera.tilt_deg,
        "distance_mm": scene.camera.distance_mm,
        "focal_35mm": scene.camera.focal_35mm,
        "tags": tags,
        **_leans(scene),
    }
    if part is None:
        return Label(family=None, **common)
    outline_mm = np.asarray(LineString(np.r_[part.outline_mm, part.outline_mm[:1]]).simplify(SIMPLIFY_MM).coords)[:-1]
    cones = scene.facing == "screw" and any(o.countersink_mm is not None for o in part.openings)
    assert axis is not None and tail is not None
    return Label(
        family=part.family, bottom=part.bottom, hand=part.hand, facing=scene.facing, facing_shows=cones or bool(scene.fillings),
        reach_mm=part.reach_mm, hub_diameter_mm=part.hub_diameter_mm if part.hub_shows else None, length_mm=part.length_mm, width_mm=part.width_mm,
        tail_width_mm=part.tail_width_mm, thickness_mm=part.thickness_mm, outline_mm=tuple((round(float(x), 3), round(float(y), 3)) for x, y in outline_mm),
        holes=tuple(holes), axis_px=(float(axis[0]), float(axis[1])), tail_px=(float(tail[0]), float(tail[1])), **common,
    )  # fmt: skip


def bare_label(name: str, width: int, height: int, kind: str) -> Label:
    """The Label of a picture about which nothing is known but that no cam is in it."""
    return Label(picture=name, width=width, height=height, family=None, tags={"renderer": "photo", "not_cam": kind})
