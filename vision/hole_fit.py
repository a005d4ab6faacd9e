"""Every screw hole drawn into the photo as the camera must see it: plain or countersunk, and moved until its edges fit.

A hole in a plate seen aslant is a lens between its upper edge and its lower one, and the through edge of a countersunk
hole lies deep under the face. Once the plane is known both can be drawn, so that the edge that is measured is the right
one and lies at its own height.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.clock import circle_through
from vision.measure import HoleEdges
from vision.plane import Plane

Array = NDArray[np.float64]

AROUND: Final = 40  # points on a drawn circle
TURN: Final = np.linspace(0.0, 2.0 * np.pi, AROUND, endpoint=False)
UNIT: Final = np.column_stack([np.cos(TURN), np.sin(TURN)])
NEIGHBOURS: Final = (-1.0, 0.0, 1.0)
PLAIN_MOVES: Final = np.array(list(product(NEIGHBOURS, NEIGHBOURS, NEIGHBOURS, (0.0,))))
CONE_MOVES: Final = np.array(list(product(NEIGHBOURS, repeat=4)))
SMOOTHING_PX: Final = 0.8
RADII: Final = (0.5, 2.3)  # over the network's radius: it may have taken a lens or a countersink for the hole
CONES: Final = (1.28, 2.6)  # countersink over through hole: 5-7.5 mm over 2.6-4.6 mm (memory)
COARSE: Final = 0.11  # of the network's radius: first step of the search
SHIFT: Final = 0.7  # of the network's radius: how far its centre may be off
KEPT: Final = 5  # plain circles that are tried as parts of a cone
CONE_COST: Final = 0.22  # a second circle always finds some edge
ODDS: Final = 0.12  # of a cone's score for each unit of the log-odds that the map gives it
SURE: Final = 0.03  # no map is surer of a cone or of none
LEAST_OF_PAIR: Final = 0.3
LEAST_OF_HINT: Final = 0.08  # where the network sees a countersink's edge as well
LENS_CLEAR: Final = 0.3  # of the radius: the two edges of a plain hole this far apart are told from each other
FOUND: Final = 0.25  # the rings found without a camera stand unless another drawing is this much better
HOLE_MM: Final = (2.1, 5.2)  # a little beyond the usual 2.6-4.6 mm (memory)
CONE_MM: Final = (4.2, 9.5)  # a little beyond the usual 5-7.5 mm (memory)
UNLIKE_COST: Final = 0.15  # holes of one part take like screws (common practice, no source)
UNLIKE: Final = 1.2
LEAST_EDGE: Final = 0.22  # mean strength over the window's own: less is no edge
# How far a hole may be off, from the errors on 449 holes of 251 path-traced pictures: it grows with the plate's parallax
# (which edge was found, and how deep it lies) and with how far the fit moved from where the hole was first seen.
# Where the reader's hole lies was compared with the drawn one on 225 holes of 118 path-traced pictures: square to the
# plate's parallax the reader errs by 0.05 mm in the median and never much, along it by what shows of the lower edge. The
# drawn one is better where the two agree and may sit on the bright lens between both edges where they do not.
LEAN_MM: Final = (0.25, 0.6)  # depth at which the reader sees a plain hole, and one with a countersink
TRUST_MM: Final = (0.25, 0.2)  # along the parallax and square to it: farther apart the reader counts more
TRUST_DIAMETER_MM: Final = 0.15
MORE_TRUST: Final = (3.0, 6.0)  # in the drawn hole's place and size, where its second edge is seen as well
U_DEPTH_MM: Final = 0.18
U_QUARREL: Final = 0.45  # of the distance between the two
U_SIZES: Final = 0.6
U_LENS: Final = 0.26  # of the parallax over the whole thickness: a lens taken for a circle
U_SMALL_MM: Final = 0.35  # a hole read smaller than any screw's: its centre lies somewhere in what is really there
U_UNFITTED: Final = 0.12  # of the radius, for a hole that nothing drawn fits
SMALL_MM: Final = 2.4  # a little under the usual 2.6 mm (memory): a glint, a shadow's hole or a lens


@dataclass(frozen=True, slots=True)
class _Window:
    """The photo round one hole: colour gradient (H, W, 6), its strength that counts as half, and the local camera."""

    gradient: NDArray[np.float32]
    half: float
    floor: float
    origin: Array  # (2,) photo pixels
    centre_px: Array  # (2,) the network's, on the face
    affine: Array  # (2, 2) mm on the face to pixels
    drop: Array  # (2,) pixels by which a point moves for each mm that it lies lower
    radius: float  # the network's, mm

    def places(self, x: Array, y: Array, radius: Array, depth: Array) -> tuple[Array, Array]:
        """Where drawn circles lie in the photo, x and y (K, AROUND) each."""
        (ax, bx), (ay, by) = self.affine
        circle_x, circle_y = self.affine @ UNIT.T
        middle_x = self.centre_px[0] + ax * x + bx * y + depth * self.drop[0]
        middle_y = self.centre_px[1] + ay * x + by * y + depth * self.drop[1]
        return middle_x[:, None] + radius[:, None] * circle_x, middle_y[:, None] + radius[:, None] * circle_y

    def edge(self, x: Array, y: Array, radius: Array, depth: Array) -> NDArray[np.float32]:
        """Strength (K, AROUND) of the photo's edges along drawn circles, 0 to 1."""
        across = UNIT @ np.linalg.inv(self.affine)  # normal of the ellipse
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        to_right, down = across.astype(np.float32).T
        at = (p - o for p, o in zip(self.places(x, y, radius, depth), self.origin, strict=True))
        level, upright = (np.asarray(v, dtype=np.float32) for v in at)
        g = cv2.remap(self.gradient, level, upright, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        red, green, blue = (g[..., i] * to_right + g[..., 3 + i] * down for i in range(3))
        strength = np.sqrt(red * red + (green * green + blue * blue))
        return np.asarray(strength / (strength + np.float32(self.half)), dtype=np.float32)

    def mean_edge(self, x: Array, y: Array, radius: Array, depth: Array) -> Array:
        """Their mean strength above the window's own, (K,)."""
        return np.asarray(self.edge(x, y, radius, depth).mean(axis=1, dtype=np.float64) - self.floor)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """One way to see a hole: centre off the network's and radii in mm; `outer` is 0 for a plain hole."""

    x: float
    y: float
    inner: float
    outer: float
    score: float


def fit_holes(
    pixels: NDArray[np.uint8],
    holes: tuple[HoleEdges, ...],
    plane: Plane,
    thickness_mm: float,
    screw_side: float,
    unit_mm: float = 1.0,
) -> tuple[HoleEdges, ...]:
    """The edges of every hole where the drawn hole fits the photo best; a hole that fits nowhere stays as it was.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    holes : tuple of HoleEdges
    plane : Plane
    thickness_mm : float
        In the plane's own unit.
    screw_side : float
        Probability that the screw side is seen: only there are countersinks. A hole's own `cone` tells better.
    unit_mm : float
        Millimetres in the plane's unit, as far as they are known without a scale.
    """
    windows = [_window(pixels, hole, plane, thickness_mm) for hole in holes]
    ways = [
        []
        if w is None
        else _ways(
            w,
            thickness_mm,
            _log_odds(screw_side if hole.cone is None else hole.cone),
            _as_found(w, hole, plane, thickness_mm),
            _hint(w, hole, plane, thickness_mm),
            unit_mm,
        )
        for w, hole in zip(windows, holes, strict=True)
    ]
    seen = [i for i, way in enumerate(ways) if way]
    found = [_unfitted(hole) for hole in holes]
    if not seen:
        return tuple(found)
    best = max(product(*(ways[i] for i in seen)), key=_together)
    for i, drawn in zip(seen, best, strict=True):
        window = windows[i]
        assert window is not None
        fine = _refined(window, drawn, thickness_mm)
        found[i] = _edges(window, fine, _as_seen(holes[i], plane, thickness_mm), thickness_mm, unit_mm)
    return tuple(found)


def _log_odds(probability: float) -> float:
    p = min(max(probability, SURE), 1.0 - SURE)
    return float(np.log(p / (1.0 - p)))


def _unfitted(hole: HoleEdges) -> HoleEdges:
    edge = next((e for e in (hole.head_px, hole.through_px, hole.countersink_px) if e is not None), None)
    if edge is None:
        return hole
    u = U_UNFITTED * float(np.sqrt(max(np.prod(np.ptp(edge, axis=0)), 1.0))) / 2.0
    return replace(hole, u_center_px=u, u_edge_px=u)


def _together(drawn: tuple[_Drawn, ...]) -> float:
    sizes = [d.inner for d in drawn]
    return sum(d.score for d in drawn) - (0.0 if max(sizes) < UNLIKE * min(sizes) else UNLIKE_COST)


def _window(pixels: NDArray[np.uint8], hole: HoleEdges, plane: Plane, thickness: float) -> _Window | None:
    if hole.through_px is None or len(hole.through_px) < 8:
        return None
    at = np.array(hole.center_px)
    radius_px = float(np.sqrt(max(np.prod(np.ptp(hole.through_px, axis=0)), 1.0))) / 2.0
    reach = (RADII[1] + SHIFT) * radius_px + 4.0
    h, w = pixels.shape[:2]
    x0, y0 = (int(max(v, 0)) for v in np.floor(at - reach))
    x1, y1 = int(min(at[0] + reach + 1, w)), int(min(at[1] + reach + 1, h))
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    colour = cv2.GaussianBlur(pixels[y0:y1, x0:x1].astype(np.float32), (0, 0), SMOOTHING_PX)
    gradient = np.concatenate(
        [cv2.Sobel(colour, cv2.CV_32F, 1, 0, ksize=3) / 8.0, cv2.Sobel(colour, cv2.CV_32F, 0, 1, ksize=3) / 8.0], axis=2
    )
    size = np.sqrt((gradient**2).sum(axis=2))
    half = max(0.3 * float(np.quantile(size, 0.97)), 1.5)
    floor = float(np.median(size / (size + half)))
    face = plane.to_mm(at[None], thickness)[0]
    near = plane.to_px(face + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]]), thickness)
    affine = np.stack([near[1] - near[0], near[2] - near[0]], axis=1) / 0.5
    step = 0.25 * thickness
    drop = (plane.to_px(face[None], thickness - step)[0] - near[0]) / step
    unit = float(np.sqrt(abs(np.linalg.det(affine))))
    return _Window(gradient, half, floor, np.array([x0, y0], dtype=float), at, affine, drop, radius_px / unit)


def _as_found(window: _Window, hole: HoleEdges, plane: Plane, thickness: float) -> _Drawn:
    """The hole as it was found without a camera, drawn with one."""
    assert hole.through_px is not None
    at = plane.to_mm(window.centre_px[None], thickness)[0]
    centre, inner = circle_through(plane.to_mm(hole.through_px, thickness))
    outer = 0.0
    if hole.countersink_px is not None:
        centre, outer = circle_through(plane.to_mm(hole.countersink_px, thickness))
    x, y = centre - at
    drawn = _Drawn(float(x), float(y), inner, outer, 0.0)
    return replace(drawn, score=float(_score(window, np.array([[x, y, inner, outer]]), thickness)[0]))


def _hint(window: _Window, hole: HoleEdges, plane: Plane, thickness: float) -> _Drawn | None:
    """The circle where the network sees the countersink's edge, None where it sees none."""
    if hole.cone_px is None or len(hole.cone_px) < 8:
        return None
    centre, radius = circle_through(plane.to_mm(hole.cone_px, thickness))
    x, y = centre - plane.to_mm(window.centre_px[None], thickness)[0]
    return _Drawn(float(x), float(y), radius, 0.0, 0.0)


def _ways(
    window: _Window, thickness: float, odds: float, found: _Drawn, hint: _Drawn | None, unit_mm: float
) -> list[_Drawn]:
    """The hole as found, the best few plain holes, and the best cones built on them."""
    step = COARSE * window.radius
    offset = np.arange(-SHIFT, SHIFT + 1e-9, COARSE * 1.5) * window.radius
    radius = np.arange(RADII[0] * window.radius, RADII[1] * window.radius, step)
    x, y, r = (v.ravel() for v in np.meshgrid(offset, offset, radius, indexing="ij"))
    value = window.mean_edge(x, y, r, np.zeros(len(r)))
    plain: list[_Drawn] = []
    order = np.argsort(-value)
    for i in order[:400]:
        if value[i] < LEAST_EDGE or len(plain) >= KEPT:
            break
        if all(abs(r[i] - p.inner) > 1.5 * step or np.hypot(x[i] - p.x, y[i] - p.y) > 4.0 * step for p in plain):
            d = _Drawn(float(x[i]), float(y[i]), float(r[i]), 0.0, float(value[i]))
            plain.append(_climb(window, d, thickness, step / 2.0))
    if 0.0 < 2.0 * found.outer * unit_mm < CONE_MM[0]:
        found = replace(found, inner=found.outer, outer=0.0)  # too small for a countersink: the hole's own edge
    as_found = _climb(window, found, thickness, step / 4.0)
    wide = as_found.outer == 0.0 and _too_wide(as_found, unit_mm)
    cone = 1.0 / (1.0 + np.exp(-odds))
    bonus = 0.0 if wide else FOUND * float(1.0 - cone)
    if as_found.outer > 0.0:
        bonus = FOUND * float(cone) + ODDS * odds
    ways = [replace(as_found, score=as_found.score + bonus), *plain]
    cost = CONE_COST - ODDS * odds
    outers = [(outer, LEAST_OF_PAIR) for outer in plain]
    if hint is not None:
        outers.append((_climb(window, hint, thickness, step / 2.0), LEAST_OF_HINT))
    for outer, least in outers:
        if CONE_MM[0] < 2.0 * outer.inner * unit_mm < CONE_MM[1]:
            cone = _cone(window, outer, radius, step, thickness, least)
            if cone is not None and HOLE_MM[0] < 2.0 * cone.inner * unit_mm < HOLE_MM[1]:
                ways.append(replace(cone, score=cone.score - cost))
    return ways


def _too_wide(drawn: _Drawn, unit_mm: float) -> bool:
    return 2.0 * drawn.inner * unit_mm > HOLE_MM[1]


def _cone(window: _Window, outer: _Drawn, radius: Array, step: float, thickness: float, least: float) -> _Drawn | None:
    """The best through hole under a circle taken for a countersink's edge."""
    inner = radius[(radius > outer.inner / CONES[1]) & (radius < outer.inner / CONES[0])]
    if not len(inner) or outer.score < least:
        return None
    depth = np.minimum(outer.inner - inner, 0.9 * thickness)
    shift = np.linspace(-0.2, 0.2, 5) * outer.inner
    dx, dy, rank = (v.ravel() for v in np.meshgrid(shift, shift, np.arange(len(inner)), indexing="ij"))
    k = rank.astype(int)
    x, y = np.asarray(outer.x + dx, dtype=np.float64), np.asarray(outer.y + dy, dtype=np.float64)
    edges = window.mean_edge(x, y, inner[k], depth[k])
    edges = edges - np.hypot(dx, dy) / outer.inner  # the two circles have one axis, but for the cone's angle
    best = int(np.argmax(edges))
    if edges[best] < least:
        return None
    cone = _Drawn(outer.x, outer.y, float(inner[k[best]]), outer.inner, 0.0)
    return _climb(window, cone, thickness, step / 2.0)


def _score(window: _Window, d: Array, thickness: float, *, lower: bool = True) -> Array:
    """Score of rows x, y, inner, outer; `lower` counts a plain hole's lower edge in, which tells but does not measure."""
    outer = d[:, 3]
    cone = outer[0] > 0.0
    depth = np.minimum(np.maximum(outer - d[:, 2], 0.0), 0.9 * thickness) if cone else np.zeros(len(d))
    value = window.mean_edge(d[:, 0], d[:, 1], d[:, 2], depth)
    if cone:
        value = value + window.mean_edge(d[:, 0], d[:, 1], outer, np.zeros(len(d)))
    elif lower:
        value = value + _lower_arc(window, d, thickness)
    return np.asarray(value)


def _lower_arc(window: _Window, d: Array, thickness: float) -> Array:
    """Edge strength where a plain hole's lower edge shows through its upper one, for rows x, y, radius, 0."""
    off = np.linalg.inv(window.affine) @ (window.drop * thickness)
    apart = float(np.linalg.norm(off))
    shows = (UNIT @ off)[None, :] < -apart * apart / (2.0 * d[:, 2:3])
    edge = window.edge(d[:, 0], d[:, 1], d[:, 2], np.full(len(d), thickness)) - window.floor
    clear = np.minimum(apart / (LENS_CLEAR * d[:, 2]), 1.0)
    return np.asarray(clear * (edge * shows).mean(axis=1))


def _climb(window: _Window, drawn: _Drawn, thickness: float, step: float, *, lower: bool = True) -> _Drawn:
    """The best of the neighbours, again and again, on one step."""
    at = np.array([drawn.x, drawn.y, drawn.inner, drawn.outer])
    cone = drawn.outer > 0.0
    moves = CONE_MOVES if cone else PLAIN_MOVES
    score = -np.inf
    for _ in range(6):
        rows = at + step * moves
        rows = rows[rows[:, 2] > 0.3 * window.radius]
        if cone:
            ratio = rows[:, 3] / rows[:, 2]
            rows = rows[(ratio > CONES[0]) & (ratio < CONES[1])]
        if not len(rows):
            break
        value = _score(window, rows, thickness, lower=lower)
        k = int(np.argmax(value))
        if value[k] <= score + 1e-9:
            break
        at, score = rows[k], float(value[k])
    x, y, inner, outer = (float(v) for v in at)
    return _Drawn(x, y, inner, outer, score if np.isfinite(score) else drawn.score)


def _refined(window: _Window, drawn: _Drawn, thickness: float) -> _Drawn:
    for part in (0.5, 0.25, 0.12, 0.06):
        drawn = _climb(window, drawn, thickness, part * COARSE * window.radius, lower=False)
    return drawn


def _as_seen(hole: HoleEdges, plane: Plane, thickness: float) -> float:
    """Radius of the through edge before anything was drawn, in the plane's unit."""
    assert hole.through_px is not None
    return float(np.sqrt(np.prod(np.ptp(plane.to_mm(hole.through_px, thickness), axis=0)))) / 2.0


def _second_edge(window: _Window, drawn: _Drawn, thickness: float) -> float:
    """Edge strength where the second edge of the drawn hole must be: its countersink's, or the lower one where it shows."""
    row = np.array([[drawn.x, drawn.y, drawn.inner, drawn.outer]])
    if drawn.outer > 0.0:
        return max(float(window.mean_edge(row[:, 0], row[:, 1], row[:, 3], np.zeros(1))[0]), 0.0)
    return max(2.0 * float(_lower_arc(window, row, thickness)[0]), 0.0)  # it shows on less than half the circle


def _with_reader(
    window: _Window, drawn: _Drawn, seen_radius: float, thickness: float, unit_mm: float
) -> tuple[_Drawn, float, float]:
    """The drawn hole drawn back to where the reader saw it, the farther the more; and how far the two were apart.

    Returns
    -------
    drawn, distance between the two centres and between the two radii; all in the plane's unit
    """
    off = np.linalg.inv(window.affine) @ window.drop  # along the face for each mm of depth
    slope = float(np.linalg.norm(off))
    along = off / slope if slope > 1e-9 else np.array([1.0, 0.0])
    basis = np.stack([along, [-along[1], along[0]]])
    reader = basis @ (-off * LEAN_MM[1 if drawn.outer > 0.0 else 0] / unit_mm)
    own = basis @ (drawn.x, drawn.y)
    gap = reader - own
    second = _second_edge(window, drawn, thickness)
    place, size = (1.0 + more * second for more in MORE_TRUST)
    share = 1.0 / (1.0 + (gap * unit_mm / (place * np.array(TRUST_MM))) ** 2)
    x, y = basis.T @ (reader - share * gap)
    apart = seen_radius - drawn.inner
    inner = seen_radius - apart / (1.0 + (2.0 * apart * unit_mm / (size * TRUST_DIAMETER_MM)) ** 2)
    if drawn.outer > 0.0:
        inner = min(inner, drawn.outer / CONES[0])
    return replace(drawn, x=float(x), y=float(y), inner=float(inner)), float(np.linalg.norm(gap)), abs(apart)


def _edges(window: _Window, drawn: _Drawn, seen_radius: float, thickness: float, unit_mm: float) -> HoleEdges:
    drawn, gap, sizes = _with_reader(window, drawn, seen_radius, thickness, unit_mm)
    cone = drawn.outer > 0.0
    depth = min(drawn.outer - drawn.inner, 0.9 * thickness) if cone else 0.0

    def circle(radius: float, depth: float) -> Array:
        one = np.ones(1)
        x, y = window.places(drawn.x * one, drawn.y * one, radius * one, depth * one)
        return np.column_stack([x[0], y[0]])

    inner: Array | None = circle(drawn.inner, depth)
    outer = circle(drawn.outer, 0.0) if cone else None
    centre = window.centre_px + window.affine @ (drawn.x, drawn.y)
    drop = float(np.linalg.norm(window.drop))
    px = float(np.sqrt(abs(np.linalg.det(window.affine))))
    mm_px = px / unit_mm
    small = not cone and 2.0 * drawn.inner * unit_mm < SMALL_MM
    u_centre = float(np.hypot(U_QUARREL * gap * px, drop * U_DEPTH_MM / unit_mm)) + (
        U_SMALL_MM * mm_px if small else 0.0
    )
    u_edge = float(np.hypot(U_SIZES * sizes * px, U_LENS * drop * thickness))
    if small:  # a size that no screw hole has is not reported
        inner, outer = None, None
    elif not cone and _too_wide(drawn, unit_mm):  # nor is this one: it is the countersink, and its hole is not seen
        inner, outer = None, inner
    return HoleEdges(inner, outer, None, (float(centre[0]), float(centre[1])), u_centre, u_edge)
