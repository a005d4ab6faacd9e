"""Edges in pixels and a Plane -> the part's frame, screw pattern and sizes in mm, with their joint covariance.

Everything is one function of a short list of inputs (plane, thickness, edges, axis, tail); its derivatives give the
covariance (JCGM 100:2008, 5.2) and the budget a person can read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision import dimensions
from vision.axis import settle_axis
from vision.clock import (
    LOST_DEG,
    Guess,
    Hub,
    Tail,
    circle_through,
    combine_axis,
    find_hub,
    find_tail,
    mirror_line,
    tail_direction,
    tail_elsewhere,
    tail_leaf,
)
from vision.plane import Plane
from vision.quantity import Quantity, jacobian, propagate
from vision.vocabulary import CENTRE_HOLE_RADIUS_PER_DIAMETER, HANDED_FAMILIES

Array = NDArray[np.float64]

# What no single photo shows, chosen so that what is stated holds about 95 % on path-traced pictures with known truth.
# docs/accuracy.md says how often the intervals hold on others.
U_EDGE_MM: Final = 0.04  # where the part's edge lies: chamfer, wall and shadow move it together, all round
# What every hole has beside what its drawings leave open (`vision.hole_fit`), with the share of a pixel below: what is
# stated holds for 97 % of angles with the side right, 97 % of radii and 96 % of diameters (803, 1,031 and 1,002 holes of path-traced
# pictures, a fifth of them by two other renderers), for 94 to 99 % of each with coin, ruler and card and in every band of tilt.
U_HOLE_EDGE_MM: Final = 0.01
U_HOLE_CENTRE_MM: Final = 0.01
# All that is measured is measured from the axis, and where a plate leans otherwise than thought, hub, holes and tip are off
# together: the errors of axis and holes correlate by 0.34 across the radius and 0.17 along it (584 holes of path-traced pictures).
SHARED: Final = 0.25  # of the axis' variance
U_TAPER_DEG: Final = 1.4  # tapers drawn with unequal flanks: 1.45 and 1.39 degrees rms on 16 and on 55 of them
U_TAIL_BLIND_DEG: Final = 12.0  # a handed tail whose flanks were not found: the network was up to 21 degrees off there
U_TAIL_LOST_DEG: Final = 8.0  # any tail whose own edges say otherwise than the network
LEAST_EDGE_MM: Final = 0.02  # no hub's edge is truer than this
HUB_RADIUS_MM: Final = 9.75  # middle of the hubs' range (memory): only tells a unit where there is no scale
U_RELIEF_MM: Final = 0.15  # of a relief's middle, beyond what a pixel tells
# The outline's edge errs together over about a twelfth of it: wall, shadow, chamfer. What is stated for angles and radii
# decides: with 5.5 angles held 99 %. Of the axis alone 95 in 100 lie within 1.2 to 1.3 times what is stated, then 1.0.
HUB_ARCS: Final = 12.0
AREA_OFF_DEG: Final = 12.0  # a tail's area farther from the network's direction than this is not believed
LINE_OFF: Final = 0.1  # hub radii
FLANKS_OFF_DEG: Final = 32.0  # flanks are: the network goes by the area of an unsymmetric tail too
# Of each length alone, what wall, shadow and chamfer do at its own two ends, in mm: more where the networks themselves doubt
# where the edge lies there. Fitted on 708 parts of path-traced pictures with coin, ruler or card, 98 of them by two other renderers:
# with the square of the doubt half of all parts are stated a seventh narrower than with its mean all round, and all hold alike.
U_ENDS_MM: Final = {"reach": 0.105, "hub_diameter": 0.12, "length": 0.145, "width": 0.13, "tail_width": 0.155}
USUAL_DOUBT_MM: Final = 0.12
LEAST_ENDS: Final = 0.8  # of the above where nothing is in doubt,
MOST_ENDS: Final = 6.0  # and at most
# Where the networks doubt an end by more than this, it was not seen: in 3 of 1,002 path-traced parts, a tail that went on beyond
# where it seemed to end, one burnt out and one in shadow, all off by 2 to 12 mm.
LOST_END_MM: Final = 0.7
NEAR_END: Final = 0.06  # of the hub's radius: outline points as near as this make an end
NEAR_FLANK: Final = 0.12
U_HOLE_PX: Final = 0.18  # edge of a hole
U_HOLE_CENTRE_PX: Final = 0.05
U_LENS_RELATIVE: Final = 0.0015  # radial distortion left over between the reference and the part


@dataclass(frozen=True, slots=True)
class HoleEdges:
    """The edges seen of one screw hole, photo pixels; any may be missing."""

    through_px: Array | None  # (M, 2)
    countersink_px: Array | None
    head_px: Array | None  # a screw sits in the hole
    center_px: tuple[float, float]
    u_center_px: float = 0.0  # standard uncertainties beyond those that every hole has
    u_edge_px: float = 0.0
    cone: float | None = None  # probability that a countersink shows
    cone_px: Array | None = None  # (K, 2) where the network sees its edge


@dataclass(frozen=True, slots=True)
class FaceEdges:
    """What the photo shows of the face nearer the camera, photo pixels."""

    outline_px: Array  # (N, 2)
    u_edge_px: float  # standard uncertainty of one edge point
    holes: tuple[HoleEdges, ...]
    axis_px: Array  # the network's, (2,)
    tail_px: Array  # a point up the tail, (2,)
    hub_radius_px: float
    u_axis_px: float
    u_tail_deg: float
    reliefs_px: Array | None = None  # (K, 2) middles of openings that take no screw
    doubts_px: Array | None = None  # (N,) spread of where the outline may lie, by the networks that looked for it


@dataclass(frozen=True, slots=True)
class Frame:
    """The part's frame as seen: axis, tail direction and the circle it hangs on."""

    axis_mm: Array
    tail_deg: float
    hub_radius_mm: float
    hub: Hub | None
    tail: Tail | None
    guess: Guess
    axis_covariance: Array  # (2, 2) mm
    axis_shift: Array  # (2,) mm, from the axis that hub and network give to the one the openings speak for as well


@dataclass(frozen=True, slots=True)
class Measurement:
    """Named outputs with their covariance; lengths in mm (or in the plane's own unit without a scale)."""

    names: tuple[str, ...]
    values: Array
    covariance: Array
    inputs: tuple[str, ...]
    input_u: Array
    derivatives: Array
    frame: Frame
    axis_px: tuple[float, float]
    tail_px: tuple[float, float]
    order: tuple[int, ...]  # places of FaceEdges.holes in the pattern's order
    centred: tuple[bool, ...]

    outline_seen: Array  # (N, 2) in the part's frame as seen: tail up, x right

    def quantity(self, name: str) -> Quantity | None:
        """One output by its name, or None when the photo did not show it."""
        if name not in self.names:
            return None
        i = self.names.index(name)
        if not np.isfinite(self.values[i]):
            return None
        return Quantity(float(self.values[i]), float(np.sqrt(max(self.covariance[i, i], 0.0))))


def hub_of(
    face: FaceEdges, plane: Plane, thickness_mm: float, rng: np.random.Generator | None = None
) -> tuple[Array, Guess, Hub | None]:
    """The rectified outline (N, 2), the network's guess of the frame on it, and the hub."""
    outline = plane.to_mm(face.outline_px, thickness_mm)
    marks = plane.to_mm(np.stack([face.axis_px, face.tail_px]), thickness_mm)
    unit = plane.mm_per_px_at(face.axis_px, thickness_mm)
    up = marks[1] - marks[0]
    guess = Guess(
        marks[0],
        face.u_axis_px * unit,
        float(np.degrees(np.arctan2(up[0], up[1]))),
        face.u_tail_deg,
        face.hub_radius_px * unit,
    )
    return outline, guess, find_hub(outline, guess, rng or np.random.default_rng(0))


def frame_of(
    face: FaceEdges, plane: Plane, thickness_mm: float, family: str, rng: np.random.Generator | None = None
) -> Frame:
    """Axis, tail direction and hub on the rectified face, and which outline points carry them."""
    outline, guess, hub = hub_of(face, plane, thickness_mm, rng)
    unit = plane.mm_per_px_at(face.axis_px, thickness_mm)
    by_hub, radius, by_hub_covariance = _axis(outline, hub, guess, face.u_edge_px * unit)
    leaf_open, line = False, None
    if family == "cloverleaf":
        leaf, leaf_open = tail_leaf(outline, by_hub, guess.tail_deg)
        guess = replace(guess, tail_deg=leaf)
    if family not in HANDED_FAMILIES:
        line = mirror_line(outline, by_hub, radius, guess.tail_deg)
        line = line if _believed(line, radius, guess.tail_deg) else None
    by_all = (by_hub, radius, by_hub_covariance)
    axis, covariance = _settled(face, plane, thickness_mm, by_all, hub, guess, outline, line)
    tail = find_tail(outline, axis, radius, guess.tail_deg, family, None if line is None else line[1])
    direction = guess.tail_deg if tail is None else tail_direction(outline, axis, tail)
    off = abs((direction - guess.tail_deg + 180.0) % 360.0 - 180.0)
    if off > (FLANKS_OFF_DEG if tail is not None and tail.kind == "flanks" else AREA_OFF_DEG):
        tail = None if family in HANDED_FAMILIES else tail_elsewhere(outline, axis, radius, guess.tail_deg)
        direction = guess.tail_deg if tail is None else tail_direction(outline, axis, tail)
    if tail is not None and leaf_open:
        tail = replace(tail, apart_deg=LOST_DEG, u_deg=LOST_DEG / 2.0)  # another leaf may be the tail
    return Frame(axis, direction, radius, hub, tail, guess, covariance, axis - by_hub)


def _believed(line: tuple[float, float], hub_radius: float, tail_deg: float) -> bool:
    """Whether a mirror line is near enough to axis and tail to be the part's, not one of its leaves' or of its hub."""
    return abs(line[0]) < LINE_OFF * hub_radius and abs(line[1] - tail_deg) < AREA_OFF_DEG


def _settled(
    face: FaceEdges,
    plane: Plane,
    thickness: float,
    by_hub: tuple[Array, float, Array],
    hub: Hub | None,
    guess: Guess,
    outline: Array,
    line: tuple[float, float] | None,
) -> tuple[Array, Array]:
    """The axis by hub, network, mirror line and openings together, and its covariance; in the plane's unit."""
    axis, radius, covariance = by_hub
    mm = 1.0 if plane.metric else HUB_RADIUS_MM / radius
    unit = plane.mm_per_px_at(face.axis_px, thickness) * mm
    centres = [_hole(hole, plane, thickness, 0.0)[0] for hole in face.holes]
    u = [math.hypot(U_HOLE_CENTRE_MM, U_HOLE_CENTRE_PX * unit, hole.u_center_px * unit) for hole in face.holes]
    if face.reliefs_px is not None and len(face.reliefs_px):
        centres += list(plane.to_mm(face.reliefs_px, thickness))
        u += [math.hypot(U_RELIEF_MM, U_HOLE_CENTRE_PX * unit)] * len(face.reliefs_px)
    fitted = None
    if hub is not None:
        fitted = _circle(
            outline[hub.on_hub], len(outline), max(face.u_edge_px * unit / mm, hub.rms_mm, LEAST_EDGE_MM / mm)
        )
    settled, spread = settle_axis(
        axis * mm,
        covariance * mm * mm,
        None if fitted is None else (fitted[0] * mm, fitted[2] * mm * mm),
        guess.axis_mm * mm,
        guess.u_axis_mm * mm,
        np.array(centres).reshape(-1, 2) * mm,
        np.array(u),
        np.arange(len(centres)) < len(face.holes),
        None if line is None else (line[0] * mm, line[1]),
    )
    return settled / mm, (1.0 - SHARED) * spread / (mm * mm)


def _axis(outline: Array, hub: Hub | None, guess: Guess, u_edge_mm: float) -> tuple[Array, float, Array]:
    """The axis by hub and network, the hub's radius, and the axis' covariance."""
    if hub is None:
        return guess.axis_mm, guess.hub_radius_mm, np.eye(2) * guess.u_axis_mm**2
    centre, radius, covariance = _circle(outline[hub.on_hub], len(outline), max(u_edge_mm, hub.rms_mm, LEAST_EDGE_MM))
    axis, covariance, _ = combine_axis(centre, covariance, guess)
    return axis, radius, covariance


def _circle(points: Array, outline_points: int, u_edge: float) -> tuple[Array, float, Array]:
    """Centre, radius and the centre's covariance of the circle through the hub's points."""
    centre, radius = circle_through(points)
    d = points - centre
    rho = np.maximum(np.linalg.norm(d, axis=1), 1e-9)
    jac = np.column_stack([-d / rho[:, None], -np.ones(len(points))])
    normal = jac.T @ jac / (u_edge * u_edge * max(1.0, outline_points / HUB_ARCS)) + np.eye(3) * 1e-9
    return centre, radius, np.linalg.inv(normal)[:2, :2]


def measure(
    face: FaceEdges,
    plane: Plane,
    thickness_mm: Quantity,
    family: str,
    *,
    mirrored: bool = False,
    rng: np.random.Generator | None = None,
) -> Measurement:
    """The part's frame, holes and sizes with their covariance.

    Parameters
    ----------
    face : FaceEdges
    plane : Plane
    thickness_mm : Quantity
        Height of the face above the bench; in the plane's own unit without a scale.
    family : str
        Tells whether the tail's area or its flanks give 12 o'clock.
    mirrored : bool
        True when the plug side is seen.
    """
    frame = frame_of(face, plane, thickness_mm.value, family, rng)
    unit = plane.mm_per_px_at(face.axis_px, thickness_mm.value)
    u_axis = np.sqrt(np.diag(frame.axis_covariance))
    nominal = _rectify(face, plane, thickness_mm.value, 0.0, frame)
    at_nominal, names, order, centred = _outputs(nominal, frame, mirrored)

    n_holes = len(face.holes)
    k = len(plane.parameters)
    inputs = ["focal length", "tilt across", "tilt along", "distance and scale", "lens at the corners"][:k]
    inputs += ["part thickness", "lens distortion"]
    inputs += ["axis, x", "axis, y", "tail direction", "outline edge"]
    inputs += [f"hole {i + 1} {c}" for i in range(n_holes) for c in ("edge", "centre, x", "centre, y")]
    if frame.tail is None:
        u_tail = U_TAIL_BLIND_DEG if family in HANDED_FAMILIES else U_TAIL_LOST_DEG
    else:
        u_tail = float(np.hypot(U_TAPER_DEG if family == "taper" else 0.0, frame.tail.u_deg))
    scale_mm = 1.0 if plane.metric else frame.hub_radius_mm / 10.0  # a hub is about 20 mm across
    plane_u = np.sqrt(np.maximum(np.diag(plane.covariance), 0.0))
    hole_u = [
        (
            math.hypot(U_HOLE_EDGE_MM * scale_mm, U_HOLE_PX * unit, hole.u_edge_px * unit),
            *[math.hypot(U_HOLE_CENTRE_MM * scale_mm, U_HOLE_CENTRE_PX * unit, hole.u_center_px * unit)] * 2,
        )
        for hole in face.holes
    ]
    nudge_u = np.array([u_axis[0], u_axis[1], u_tail, U_EDGE_MM * scale_mm, *np.ravel(hole_u)])
    input_u = np.concatenate([plane_u, [thickness_mm.u, U_LENS_RELATIVE], nudge_u])

    def by_camera(z: Array) -> Array:
        moved = plane.moved(plane.parameters + z[:k])
        again = _rectify(face, moved, thickness_mm.value + float(z[k]), float(z[k + 1]), frame)
        return _outputs(again, frame, mirrored, order=order)[0]

    def by_nudge(z: Array) -> Array:
        return _outputs(nominal, frame, mirrored, nudge=z, order=order)[0]

    derivatives = np.zeros((len(names), len(inputs)))
    by = k + 2  # inputs of the camera; then axis, tail and edge, then the holes
    derivatives[:, :by] = jacobian(by_camera, np.zeros(by), input_u[:by])
    frame_only = np.arange(len(nudge_u)) < 4
    derivatives[:, by : by + 4] = jacobian(
        lambda z: by_nudge(np.append(z, np.zeros(3 * n_holes))), np.zeros(4), nudge_u[:4]
    )
    for way in range(3 if n_holes else 0):  # one hole's edge moves no other hole: all are moved at once
        z = np.where(~frame_only & (np.arange(len(nudge_u)) % 3 == (4 + way) % 3), nudge_u, 0.0)
        change = (by_nudge(z) - by_nudge(-z)) / 2.0
        for place, i in enumerate(order):
            rows = slice(5 + 6 * place, 11 + 6 * place)
            derivatives[rows, by + 4 + 3 * i + way] = change[rows] / nudge_u[4 + 3 * i + way]
    _unwrap(derivatives, names, input_u)
    ends = np.zeros((len(names), len(U_ENDS_MM)))
    for column, name in enumerate(U_ENDS_MM):
        ends[names.index(name), column] = 1.0
    derivatives = np.hstack([derivatives, ends])
    inputs += [f"ends of {name.replace('_', ' ')}" for name in U_ENDS_MM]
    own = _part_frame(plane.to_mm(face.outline_px, thickness_mm.value), frame.axis_mm, frame.tail_deg, False)
    doubts = _doubts_at_ends(own, face.doubts_px, unit / scale_mm, frame)
    input_u = np.concatenate([input_u, scale_mm * np.array([_end_u(name, doubts[name]) for name in U_ENDS_MM])])
    for name, doubt in doubts.items():
        if doubt.max() > LOST_END_MM:
            at_nominal[names.index(name)] = np.nan
    covariance_in = np.diag(input_u**2)
    covariance_in[:k, :k] = plane.covariance
    covariance_in[by : by + 2, by : by + 2] = frame.axis_covariance
    derivatives = np.nan_to_num(derivatives)
    covariance = propagate(derivatives, covariance_in)

    axis_px = plane.to_px(frame.axis_mm[None], thickness_mm.value)[0]
    turn = np.radians(frame.tail_deg)
    tip = frame.axis_mm + dimensions.tail_end(own) * np.array([np.sin(turn), np.cos(turn)])
    tail_px = plane.to_px(tip[None], thickness_mm.value)[0]
    return Measurement(
        names,
        at_nominal,
        covariance,
        tuple(inputs),
        input_u,
        derivatives,
        frame,
        (float(axis_px[0]), float(axis_px[1])),
        (float(tail_px[0]), float(tail_px[1])),
        order,
        centred,
        own,
    )


def _doubts_at_ends(own: Array, doubts_px: Array | None, mm_per_px: float, frame: Frame) -> dict[str, Array]:
    """How far off the edge may be at the ends of each length of `U_ENDS_MM`, mm, one or two each.

    `own` (N, 2) is the outline in the part's frame, tail up, in the plane's unit; `doubts_px` (N,) belong to its points.
    """
    if doubts_px is None:
        return {name: np.full(1, USUAL_DOUBT_MM) for name in U_ENDS_MM}
    x, y = own.T
    near, flank = NEAR_END * frame.hub_radius_mm, np.abs(y - 0.5 * y.max()) < NEAR_FLANK * frame.hub_radius_mm
    tip, foot, everywhere = y > y.max() - near, y < y.min() + near, np.full(len(x), True)
    ends: dict[str, tuple[NDArray[np.bool_], ...]] = {
        "reach": (tip,),
        "hub_diameter": (everywhere if frame.hub is None else frame.hub.on_hub,),
        "length": (tip, foot),
        "width": (x > x.max() - near, x < x.min() + near),
        "tail_width": (flank & (x > 0.0), flank & (x <= 0.0)),
    }
    seen = {name: [end for end in both if end.any()] or [everywhere] for name, both in ends.items()}
    return {
        name: mm_per_px * np.array([math.sqrt(float(np.mean(doubts_px[end] ** 2))) for end in both])
        for name, both in seen.items()
    }


def _end_u(name: str, doubts_mm: Array) -> float:
    """Standard uncertainty of a length for what happens at its own ends, mm."""
    square = float(np.mean(doubts_mm**2)) / USUAL_DOUBT_MM**2
    return U_ENDS_MM[name] * math.hypot(LEAST_ENDS, min(square, MOST_ENDS))


def _unwrap(derivatives: Array, names: tuple[str, ...], u: Array) -> None:
    """Angles jump at 360°: bring their differences back to the short way round, in place."""
    for row, name in enumerate(names):
        if name.endswith(".angle"):
            turn = 360.0 / (2.0 * np.maximum(u, 1e-12))
            derivatives[row] = (derivatives[row] + turn / 2.0) % turn - turn / 2.0


def _part_frame(points: Array, axis: Array, tail_deg: float, mirrored: bool) -> Array:
    turn = np.radians(tail_deg)
    d = points - axis
    x = d @ np.array([np.cos(turn), -np.sin(turn)])
    y = d @ np.array([np.sin(turn), np.cos(turn)])
    return np.column_stack([-x if mirrored else x, y])


@dataclass(frozen=True, slots=True)
class _Rectified:
    """All that depends on the camera: edges in mm, before axis, tail and hole are nudged."""

    outline: Array
    axis: Array
    radius: float
    up_deg: float  # of the network's tail, for a part whose own tail could not be followed
    holes: tuple[tuple[Array, float, float], ...]  # centre, through diameter, countersink diameter


def _rectify(face: FaceEdges, plane: Plane, thickness: float, lens: float, frame: Frame) -> _Rectified:
    outline = plane.to_mm(face.outline_px, thickness) * (1.0 + lens)
    marks = plane.to_mm(np.stack([face.axis_px, face.tail_px]), thickness) * (1.0 + lens)
    guess = replace(frame.guess, axis_mm=marks[0])
    axis, radius, _ = _axis(outline, frame.hub, guess, frame.guess.u_axis_mm * face.u_edge_px / face.u_axis_px)
    up = marks[1] - marks[0]
    holes = tuple(_hole(hole, plane, thickness, lens) for hole in face.holes)
    return _Rectified(outline, axis + frame.axis_shift, radius, float(np.degrees(np.arctan2(up[0], up[1]))), holes)


def _outputs(
    seen: _Rectified, frame: Frame, mirrored: bool, *, nudge: Array | None = None, order: tuple[int, ...] | None = None
) -> tuple[Array, tuple[str, ...], tuple[int, ...], tuple[bool, ...]]:
    """All outputs; the choice of points (hub, tail) and the order of the holes stay as they were.

    `nudge` holds axis x, axis y, tail turn, outline edge, then edge and centre x, y of every hole.
    """
    z = np.zeros(4 + 3 * len(seen.holes)) if nudge is None else nudge
    edge = float(z[3])
    axis = seen.axis + z[:2]
    # what the axis errs by is in the tail's own uncertainty: their edges err together, so it must not count twice
    direction = seen.up_deg if frame.tail is None else tail_direction(seen.outline, seen.axis, frame.tail)
    direction += float(z[2])
    own = _part_frame(seen.outline, axis, direction, mirrored)
    reach = dimensions.reach(own) + edge
    across = dimensions.tail_width(own, 0.5 * reach)
    values: list[float] = [
        reach,
        2.0 * (seen.radius + edge) if frame.hub is not None else np.nan,
        dimensions.length(own) + 2.0 * edge,
        dimensions.width(own) + 2.0 * edge,
        np.nan if across is None else across + 2.0 * edge,
    ]
    names = ["reach", "hub_diameter", "length", "width", "tail_width"]
    rows = []
    for i, (centre, diameter, countersink) in enumerate(seen.holes):
        hole_edge = float(z[4 + 3 * i])
        x, y = _part_frame((centre + z[5 + 3 * i : 7 + 3 * i])[None], axis, direction, mirrored)[0]
        rows.append((float(x), float(y), diameter + 2.0 * hole_edge, countersink + 2.0 * hole_edge))
    centred = tuple(
        bool(np.hypot(r[0], r[1]) < CENTRE_HOLE_RADIUS_PER_DIAMETER * (r[2] if np.isfinite(r[2]) else 0.15 * reach))
        for r in rows
    )
    if order is None:
        angle = [
            (-1.0 if c else np.degrees(np.arctan2(r[0], r[1])) % 360.0) for r, c in zip(rows, centred, strict=True)
        ]
        order = tuple(int(i) for i in np.argsort(angle, kind="stable"))
    for place, i in enumerate(order):
        x, y, diameter, countersink = rows[i]
        names += [f"holes[{place}].{q}" for q in ("x", "y", "diameter", "countersink", "radius", "angle")]
        values += [x, y, diameter, countersink, float(np.hypot(x, y)), float(np.degrees(np.arctan2(x, y)) % 360.0)]
    return np.array(values), tuple(names), order, tuple(centred[i] for i in order)


def _hole(hole: HoleEdges, plane: Plane, thickness: float, lens: float) -> tuple[Array, float, float]:
    """Centre, through diameter and countersink diameter of one hole, as seen; NaN for what is not seen.

    The through edge of a countersunk hole lies below the face by the cone's depth, so it is read on that plane.
    """
    diameter = countersink = np.nan
    centre: Array | None = None
    if hole.countersink_px is not None:
        centre, radius = circle_through(plane.to_mm(hole.countersink_px, thickness) * (1.0 + lens))
        countersink = 2.0 * radius
    if hole.through_px is not None:
        on_face, flat = circle_through(plane.to_mm(hole.through_px, thickness) * (1.0 + lens))
        if np.isfinite(countersink):
            depth = min(max((countersink - 2.0 * flat) / 2.0, 0.0), 0.9 * thickness)  # a cone of about 90 degrees
            on_face, flat = circle_through(plane.to_mm(hole.through_px, thickness - depth) * (1.0 + lens))
        diameter = 2.0 * flat
        centre = on_face if centre is None else centre
    if hole.head_px is not None and centre is None:
        centre, _ = circle_through(plane.to_mm(hole.head_px, thickness) * (1.0 + lens))
    if centre is None:
        centre = plane.to_mm(np.array([hole.center_px]), thickness)[0]
    return centre, diameter, countersink
