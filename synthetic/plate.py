"""A flat plate with rounded edges, countersunk holes and openings as a closed triangle mesh."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import Point, Polygon

BEND_FROM = 0.35  # of the way from axis to tip, where a bend begins
Profile = list[tuple[float, float, float, float]]  # offset into the material, z, normal across the edge, normal along z


class PlateError(ValueError):
    """The plate cannot be built: openings cross each other or the edge."""


@dataclass(frozen=True, slots=True)
class PlateHole:
    """A round hole. The countersink, if any, opens on the screw side."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    countersink_diameter_mm: float | None = None
    countersink_angle_deg: float = 90.0
    filled: bool = False

    def countersink_depth_mm(self) -> float:
        """Depth of the cone between its two diameters; 0 without a countersink."""
        if self.countersink_diameter_mm is None:
            return 0.0
        half = math.radians(self.countersink_angle_deg / 2.0)
        return (self.countersink_diameter_mm - self.diameter_mm) / 2.0 / math.tan(half)


@dataclass(frozen=True, slots=True)
class Plate:
    """A plate seen from its screw side, which is its upper face (z = thickness); x to 3 o'clock, y to 12, in mm."""

    outline_mm: np.ndarray  # (N, 2), counter-clockwise
    thickness_mm: float
    holes: tuple[PlateHole, ...] = ()
    openings_mm: tuple[np.ndarray, ...] = ()
    upper_edge_mm: float = 0.15  # radius of the rounding on the screw side
    lower_edge_mm: float = 0.05
    chamfered: bool = False  # both edges broken at 45 degrees instead of rounded


@dataclass(frozen=True, slots=True)
class Cam:
    """A cam for the path tracer: its words and its plate, whichever geometry drew it."""

    family: str
    bottom: str
    hand: str
    plate: Plate
    hub_diameter_mm: float
    cast: bool = False
    slotted: tuple[
        tuple[int, float, float, float], ...
    ] = ()  # of `plate.openings_mm`, those that take a screw: place, x, y, width
    bend_mm: float = 0.0  # how far the tip stands out of the screw side

    def lift_mm(self, y_mm: np.ndarray) -> np.ndarray:
        """What the bend adds to the height at each y."""
        high = float(self.plate.outline_mm[:, 1].max())
        start = BEND_FROM * high
        return np.asarray(self.bend_mm * np.clip((np.asarray(y_mm, float) - start) / (high - start), 0, 1) ** 2)

    def mesh(self) -> Mesh:
        """The plate as a mesh, its tail bent.

        Raises
        ------
        PlateError
            If the plate cannot be built.
        """
        mesh = plate_mesh(self.plate)
        if not self.bend_mm:
            return mesh
        high = float(self.plate.outline_mm[:, 1].max())
        start = BEND_FROM * high
        slope = 2 * self.bend_mm / (high - start) * np.clip((mesh.vertices[:, 1] - start) / (high - start), 0, 1)
        vertices, normals = mesh.vertices.copy(), mesh.normals.copy()
        vertices[:, 2] += self.lift_mm(vertices[:, 1])
        normals[:, 1] -= slope * normals[:, 2]
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        return Mesh(vertices, mesh.faces, normals, mesh.uv, mesh.extra)

    def reach_mm(self) -> float:
        """Axis to the farthest point of the tail."""
        tail = self.plate.outline_mm[self.plate.outline_mm[:, 1] > 0]
        return float(np.hypot(tail[:, 0], tail[:, 1]).max())

    def hub_shows(self) -> bool:
        """Whether enough of the hub's circle lies on the outline to be measured."""
        turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
        rim = shapely.points(np.c_[np.cos(turn), np.sin(turn)] * self.hub_diameter_mm / 2)
        edge = shapely.LinearRing(self.plate.outline_mm)
        return bool(np.mean(shapely.distance(rim, edge) < 0.12) > 0.2)

    def length_mm(self) -> float:
        """Over all along the tail direction."""
        return float(np.ptp(self.plate.outline_mm[:, 1]))

    def width_mm(self) -> float:
        """Over all across the tail direction."""
        return float(np.ptp(self.plate.outline_mm[:, 0]))

    def tail_width_mm(self) -> float:
        """Outermost to outermost across the tail at half the reach."""
        y = self.reach_mm() / 2.0
        cut = Polygon(self.plate.outline_mm).intersection(shapely.LineString([(-99.0, y), (99.0, y)]))
        low, _, high, _ = cut.bounds
        return float(high - low)

    def tail_tip_mm(self) -> tuple[float, float]:
        """Where the 12 o'clock ray from the axis last leaves the outline."""
        cut = Polygon(self.plate.outline_mm).intersection(shapely.LineString([(0.0, 0.0), (0.0, 99.0)]))
        return 0.0, float(cut.bounds[3])


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles with their own normals and texture coordinates.

    Creases have two vertices at one place, so the mesh is closed by place, not by index.
    """

    vertices: np.ndarray  # (V, 3) mm
    faces: np.ndarray  # (F, 3)
    normals: np.ndarray  # (V, 3)
    uv: np.ndarray  # (V, 2)
    extra: dict[str, float] = field(default_factory=dict)

    def moved(self, rotation: np.ndarray, shift: np.ndarray) -> Mesh:
        """The mesh turned by a (3, 3) rotation, then shifted."""
        return Mesh(self.vertices @ rotation.T + shift, self.faces, self.normals @ rotation.T, self.uv, self.extra)


def join(meshes: list[Mesh]) -> Mesh:
    """Several meshes as one."""
    starts = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + s for m, s in zip(meshes, starts, strict=True)]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate([m.uv for m in meshes]),
    )


def resample(ring: np.ndarray, step: float) -> np.ndarray:
    """Add points to a ring (first point not repeated) so that no side is longer than `step`; all points stay."""
    closed = np.vstack([ring, ring[:1]])
    out = []
    for a, b in pairwise(closed):
        n = max(1, math.ceil(float(np.hypot(*(b - a))) / step))
        out.append(a + (b - a) * (np.arange(n) / n)[:, None])
    return np.concatenate(out)


def ring_of(polygon_ring: shapely.LinearRing, *, counter_clockwise: bool) -> np.ndarray:
    """The (N, 2) points of a shapely ring in the direction asked for, first point not repeated."""
    points = np.asarray(polygon_ring.coords, dtype=float)[:, :2]
    points = points[:-1]
    keep = np.hypot(*(points - np.roll(points, 1, axis=0)).T) > 1e-6
    points = points[keep]
    return points if shapely.is_ccw(shapely.LinearRing(points)) == counter_clockwise else points[::-1].copy()


def ring_normals(ring: np.ndarray) -> np.ndarray:
    """Unit normals (N, 2) to the right of the direction of travel, lengthened so that an offset keeps sides parallel."""
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    sides = []
    for side in (before, after):
        unit = side / np.linalg.norm(side, axis=1, keepdims=True)
        sides.append(np.column_stack([unit[:, 1], -unit[:, 0]]))
    total = sides[0] + sides[1]
    square = np.maximum((total**2).sum(axis=1, keepdims=True), 0.4)
    return 2.0 * total / square


def wall(ring: np.ndarray, profile: Profile) -> tuple[Mesh, np.ndarray, np.ndarray]:
    """The wall along a ring with the material on its left, and the rings where it starts and ends."""
    normals = ring_normals(ring)
    unit = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    vertices, shading, uv, faces = [], [], [], []
    n = len(ring)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T))])[:-1]
    levels = []
    for offset, z, across, up in profile:
        place = ring - offset * normals
        levels.append(place)
        vertices.append(np.column_stack([place, np.full(n, z)]))
        shading.append(np.column_stack([unit * across, np.full(n, up)]))
        uv.append(np.column_stack([along, np.full(n, z)]))
    i = np.arange(n)
    j = (i + 1) % n
    for k in range(len(profile) - 1):
        if profile[k][:2] == profile[k + 1][:2]:
            continue
        a, b, c, d = k * n + i, k * n + j, (k + 1) * n + j, (k + 1) * n + i
        faces += [np.column_stack([a, b, c]), np.column_stack([a, c, d])]
    mesh = Mesh(np.concatenate(vertices), np.concatenate(faces), np.concatenate(shading), np.concatenate(uv))
    return mesh, levels[0], levels[-1]


def face(outer: np.ndarray, inner: list[np.ndarray], z: float, *, upward: bool) -> Mesh:
    """A flat face between an outer ring and the rings of its openings.

    Raises
    ------
    PlateError
        If the rings cross.
    """
    polygon = Polygon(outer, inner)
    if not polygon.is_valid:
        raise PlateError("the openings cross each other or the edge")
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    corners = np.array([np.asarray(t.exterior.coords)[:3] for t in triangles])
    flat = corners.reshape(-1, 2)
    points, index = np.unique(flat, axis=0, return_inverse=True)
    faces = index.reshape(-1, 3)
    a, b, c = (points[faces[:, k]] for k in range(3))
    turn = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    wrong = (turn > 0.0) != upward
    faces[wrong] = faces[wrong][:, ::-1]
    normal = np.array([0.0, 0.0, 1.0 if upward else -1.0])
    return Mesh(
        np.column_stack([points, np.full(len(points), z)]), faces, np.tile(normal, (len(points), 1)), points.copy()
    )


def rounded(start_z: float, end_z: float, lower: float, upper: float, steps: int = 4) -> Profile:
    """A straight wall with rounded lower and upper edges."""
    profile: Profile = []
    for k in range(steps + 1):
        turn = math.pi / 2.0 * (1.0 - k / steps)
        profile.append(
            (lower * (1 - math.cos(turn)), start_z + lower * (1 - math.sin(turn)), math.cos(turn), -math.sin(turn))
        )
    for k in range(steps + 1):
        turn = math.pi / 2.0 * k / steps
        profile.append(
            (upper * (1 - math.cos(turn)), end_z - upper * (1 - math.sin(turn)), math.cos(turn), math.sin(turn))
        )
    return profile


def chamfered(start_z: float, end_z: float, lower: float, upper: float) -> Profile:
    """A straight wall with edges broken at 45 degrees."""
    half = math.sqrt(0.5)
    return [
        (lower, start_z, 0.0, -1.0), (lower, start_z, half, -half), (0.0, start_z + lower, half, -half),
        (0.0, start_z + lower, 1.0, 0.0), (0.0, end_z - upper, 1.0, 0.0), (0.0, end_z - upper, half, half),
        (upper, end_z, half, half), (upper, end_z, 0.0, 1.0),
    ]  # fmt: skip


def hole_profile(hole: PlateHole, thickness: float, edge: float = 0.06) -> Profile:
    """The wall of a hole from the plug side to the screw side."""
    depth = hole.countersink_depth_mm()
    if depth <= 0.0 or hole.countersink_diameter_mm is None:
        return rounded(0.0, thickness, edge, edge, 2)
    if depth > thickness - edge - 0.1:
        raise PlateError("a countersink is deeper than the plate")
    half = math.radians(hole.countersink_angle_deg / 2.0)
    wide = (hole.countersink_diameter_mm - hole.diameter_mm) / 2.0
    profile = rounded(0.0, thickness, edge, 0.0, 2)[:3]
    profile.append((0.0, thickness - depth, 1.0, 0.0))
    profile.append((0.0, thickness - depth, math.cos(half), math.sin(half)))
    profile.append((wide, thickness, math.cos(half), math.sin(half)))
    return profile


def circle(x: float, y: float, radius: float, *, clockwise: bool = False, points: int = 72) -> np.ndarray:
    """A ring of points on a circle, scaled so that its polygon has the area of the circle."""
    turn = np.arange(points) * (2 * math.pi / points)
    scale = radius * math.sqrt(2 * math.pi / points / math.sin(2 * math.pi / points))
    ring = np.column_stack([x + scale * np.cos(turn), y + scale * np.sin(turn)])
    return ring[::-1].copy() if clockwise else ring


def plate_mesh(plate: Plate, step_mm: float = 0.25) -> Mesh:
    """The plate as one closed mesh, screw side up; texture coordinates in mm on the faces.

    Raises
    ------
    PlateError
        If openings cross each other or the edge, or a countersink is deeper than the plate.
    """
    body = Polygon(plate.outline_mm)
    for hole in plate.holes:
        wide = (hole.countersink_diameter_mm or hole.diameter_mm) / 2.0
        if not body.contains(Point(hole.x_mm, hole.y_mm).buffer(wide + 0.15)):
            raise PlateError("a hole comes too near the edge")
    outer = resample(ring_of(shapely.LinearRing(plate.outline_mm), counter_clockwise=True), step_mm)
    t, upper, lower = plate.thickness_mm, plate.upper_edge_mm, plate.lower_edge_mm
    for _ in range(5):
        side, low, high = wall(outer, (chamfered if plate.chamfered else rounded)(0.0, t, lower, upper))
        if Polygon(low).is_valid and Polygon(high).is_valid:
            break
        upper, lower = upper / 2.0, lower / 2.0
    else:
        raise PlateError("the outline has corners too sharp for its rounding")
    meshes, lows, highs = [side], [], []
    for hole in plate.holes:
        ring = circle(hole.x_mm, hole.y_mm, hole.diameter_mm / 2.0, clockwise=True)
        mesh, first, last = wall(ring, hole_profile(hole, t))
        meshes.append(mesh)
        lows.append(first)
        highs.append(last)
    for opening in plate.openings_mm:
        ring = resample(ring_of(shapely.LinearRing(opening), counter_clockwise=False), step_mm)
        mesh, first, last = wall(ring, rounded(0.0, t, 0.04, 0.06, 2))
        meshes.append(mesh)
        lows.append(first)
        highs.append(last)
    meshes.append(face(high, highs, t, upward=True))
    meshes.append(face(low, lows, 0.0, upward=False))
    return join(meshes)


def is_closed(mesh: Mesh) -> bool:
    """Whether every edge, by place, is used once in each direction."""
    _, index = np.unique(np.round(mesh.vertices, 7), axis=0, return_inverse=True)
    f = index.reshape(-1)[mesh.faces]
    edges = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    edges = edges[edges[:, 0] != edges[:, 1]]
    forward, counts = np.unique(edges, axis=0, return_counts=True)
    backward = np.unique(edges[:, ::-1], axis=0)
    return bool((counts == 1).all()) and np.array_equal(forward, backward)


def volume_mm3(mesh: Mesh) -> float:
    """Volume inside a closed mesh."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
