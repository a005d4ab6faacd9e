"""Every screw hole drawn into the photo as the camera must see it, plain or countersunk, wherever it may lie.

A hole in a plate seen aslant is a lens between its upper edge and its lower one, and the through edge of a countersunk
hole lies deep under the face. Once the plane is known both can be drawn. Each drawing is weighed by what the photo shows
along it and by a network that looks at the hole as a whole, and the holes of one part speak for each other's size; the mean
over all drawings is measured, their spread stated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.fitting import median
from vision.hole_evidence import (
    FaceMaps,
    Window,
    maps_without_reader,
    mouth_evidence,
    through_evidence,
    window_round,
)
from vision.hole_net import HoleDensity, see_holes
from vision.measure import HoleEdges
from vision.plane import Plane

Array = NDArray[np.float64]

PLACES: Final = np.arange(-2, 3)  # steps from the network's place, either way
STEP_MM: Final = (0.12, 0.3)  # between places that are tried: the network's spread, no less and no more than this
RADIUS_STEP: Final = 0.09  # of the logarithm
RADII: Final = np.arange(-5, 11)  # steps from the reader's radius
PLAIN_RADII: Final = 5  # the widest plain hole
CONE_RADII: Final = -2  # the narrowest countersink
CONES: Final = np.log(1.25) + RADIUS_STEP * np.arange(8)  # over its through hole: 5-7.5 mm over 2.6-4.6 mm (memory)
MOUTHS: Final = 60  # countersinks' edges that a through hole is sought under
DEEPEST: Final = 0.9  # of the thickness
LEAN_MM: Final = (0.2, 0.9)  # depth at which the reader sees plain holes and countersunk ones
REFINED: Final = 8  # drawings of a hole that are split, each step in three
THIRDS: Final = np.arange(-1, 2) / 3.0
USUAL_MM: Final = (0.5, 1.7, 4.0)  # a hole's radius as the reader sees it: far outside, the scale is wrong and not used
SURE: Final = 0.03  # no map is surer of a cone or of none
# What each piece of evidence weighs: a conditional logistic regression for the true drawing among some 6,000 of each hole, on
# 1,044 holes of path-traced pictures; on 545 and 797 holes of others they do as well.
PLAIN: Final = np.array(
    [18.96, 14.62, 11.95, -4.34, -2.91, -6.55, -14.78, 8.10, -3.38, -5.48, 9.57, -2.13, -0.94, -0.85, -1.75, -2.72]
)
CONE_MOUTH: Final = np.array([13.02, 10.13, 9.27, -8.13, -5.02, -4.25, -4.93, 2.98, -2.24, 1.10, 4.55, -3.60])
CONE_THROUGH: Final = np.array([15.31, -0.22, 0.25, -0.22, -0.77, -3.95, -1.28, 10.64, -8.00])
CONE_ODDS: Final = (-8.71, 1.08)  # of a cone at all, and for each unit of the log-odds that the map gives it
EDGE_RANGE: Final = np.linspace(-0.16, 0.16, 33)  # of the logarithm
EDGE_WEIGHT: Final = 30.0
U_ON_EDGE_MM: Final = 0.05  # of a size that the drawings agree on
ALIKE: Final = 0.8  # how often all holes of a part are alike: they take like screws (common practice, no source)
U_ALIKE: Final = (0.05, 0.06)  # of the logarithm of radii read of like holes: through, countersink
SIZES: Final = np.arange(np.log(0.4), np.log(6.0), 0.05)  # logarithm of radii in mm, on which holes are compared
KIND_ODDS: Final = 0.5  # of either kind, before anything is seen
SIZE_RANGE: Final = (0.9, 0.6)  # of the logarithms of radii, within which either may lie
HOLE_MM: Final = 5.2  # a little beyond the usual 2.6-4.6 mm (memory): no wider through hole is reported
SMALL_MM: Final = 2.4  # a little under the usual 2.6 mm (memory): a glint, a shadow's hole or a lens
U_SMALL_MM: Final = 0.35  # a hole read smaller than any screw's: its centre lies somewhere in what is really there
U_UNFITTED: Final = 0.12  # of the radius, for a hole that nothing drawn fits
# The drawings' spread ranks holes by their true error (rank correlation 0.6 to 0.7 of places, 0.5 of diameters). Where it is
# small they err less than it says and where it is wide more, about as its square: powers of 2.1 and 1.6, by quantile
# regression of the 95th percentile on 966 holes of path-traced pictures, 131 of a third renderer's among them. What is stated is
# the spread, times its ratio to the first of each pair in mm, and no more than times the second; they are chosen with
# what `vision.measure` adds, and so wide that what is stated holds on pictures of other renderers, too.
U_PLACE: Final = (0.07, 2.1)
U_SIZE: Final = (0.028, 3.2)  # of a radius


@dataclass(frozen=True, slots=True)
class _Drawings:
    """Ways to see one hole (K, 4): x, y off the reader's centre, radius, that of the countersink or 0; their score (K,)."""

    rows: Array
    score: Array
    width: Array  # (K,) share of a whole step of the grid that each stands for
    step: float  # between places, in the plane's unit

    def weight(self) -> Array:
        w = self.width * np.exp(self.score - self.score.max())
        return np.asarray(w / w.sum())

    def cones(self) -> NDArray[np.bool_]:
        return np.asarray(self.rows[:, 3] > 0.0)


def fit_holes(
    pixels: NDArray[np.uint8],
    holes: tuple[HoleEdges, ...],
    plane: Plane,
    thickness_mm: float,
    screw_side: float,
    unit_mm: float = 1.0,
    maps: FaceMaps | None = None,
) -> tuple[HoleEdges, ...]:
    """The edges of every hole, and how far off they may be, by all drawings; a hole with no window stays as it was.

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
    maps : FaceMaps, optional
        What the reader sees of face and openings; without it the edges of `holes` stand for them.
    """
    maps = maps_without_reader(pixels.shape, holes) if maps is None else maps
    found = [_unfitted(hole) for hole in holes]
    if not holes:
        return ()
    radii = maps.radii_px(holes)
    usual = median(radii) * plane.mm_per_px_at(np.array(holes[0].center_px), thickness_mm)
    if not USUAL_MM[0] < usual * unit_mm < USUAL_MM[2]:
        unit_mm = USUAL_MM[1] / usual
    seen = []
    for i, hole in enumerate(holes):
        if hole.through_px is None or len(hole.through_px) < 8:
            continue
        window = window_round(pixels, np.array(hole.center_px), float(radii[i]), plane, thickness_mm, maps, unit_mm)
        if window is not None:
            seen.append((i, window, log_odds(screw_side if hole.cone is None else hole.cone)))
    looks = see_holes(pixels, maps, [window for _, window, _ in seen], [odds for *_, odds in seen], unit_mm)
    drawn = [
        _drawings(window, look, odds, thickness_mm, unit_mm)
        for (_, window, odds), look in zip(seen, looks, strict=True)
    ]
    for (i, window, odds), look, drawings, others in zip(seen, looks, drawn, _alike(drawn, unit_mm), strict=True):
        drawings = replace(drawings, score=drawings.score + _lookup(others, drawings.rows, unit_mm))
        fine = _refined(window, look, drawings, odds, thickness_mm, unit_mm, others)
        found[i] = _edges(window, fine, thickness_mm, unit_mm)
    return tuple(found)


def log_odds(probability: float) -> float:
    """Of a countersink, by the map's probability, which is never surer than it may be."""
    p = min(max(probability, SURE), 1.0 - SURE)
    return float(np.log(p / (1.0 - p)))


def _unfitted(hole: HoleEdges) -> HoleEdges:
    edge = next((e for e in (hole.head_px, hole.through_px, hole.countersink_px) if e is not None), None)
    if edge is None:
        return hole
    u = U_UNFITTED * float(np.sqrt(max(np.prod(np.ptp(edge, axis=0)), 1.0))) / 2.0
    return replace(hole, u_center_px=u, u_edge_px=u)


def _drawings(window: Window, look: HoleDensity, odds: float, thickness: float, unit_mm: float) -> _Drawings:
    """Plain holes and countersunk ones on a grid of places and sizes about where the network sees the hole."""
    middle, spread = look.place()
    step = float(np.clip(spread * unit_mm, *STEP_MM)) / unit_mm
    x, y, k = (
        v.ravel() for v in np.meshgrid(middle[0] + step * PLACES, middle[1] + step * PLACES, RADII, indexing="ij")
    )
    mouths = np.column_stack([x, y, window.radius * np.exp(RADIUS_STEP * k)])
    evidence = mouth_evidence(window, *mouths.T)
    narrow = k <= PLAIN_RADII
    plain = np.column_stack([mouths[narrow], np.zeros(int(narrow.sum()))])
    plain_score = _plain_score(window, look, plain, evidence[narrow], unit_mm)
    score = np.where(k >= CONE_RADII, evidence @ CONE_MOUTH, -np.inf)
    best = np.argsort(-score)[:MOUTHS]
    mouths, score = mouths[best], score[best]
    rows = np.repeat(mouths, len(CONES), axis=0)
    cones = np.column_stack([rows[:, :2], rows[:, 2] / np.tile(np.exp(CONES), len(mouths)), rows[:, 2]])
    cone_score = np.repeat(score, len(CONES)) + _through_score(window, look, cones, odds, thickness, unit_mm)
    everything = np.concatenate([plain, cones])
    return _Drawings(everything, np.concatenate([plain_score, cone_score]), np.ones(len(everything)), step)


def _plain_score(window: Window, look: HoleDensity, rows: Array, evidence: Array, unit_mm: float) -> Array:
    score = np.hstack([evidence, _by_reader(window, rows, LEAN_MM[0], unit_mm)]) @ PLAIN
    return np.asarray(score + look.log_of(rows))


def _through_score(
    window: Window, look: HoleDensity, rows: Array, odds: float, thickness: float, unit_mm: float
) -> Array:
    """Of the through holes under countersinks, rows x, y, radius, that of the countersink, and of both by the network."""
    x, y, radius, outer = rows.T
    through = through_evidence(window, x, y, radius, _depth(rows, thickness))
    ratio = np.log(outer / radius)
    reader = _by_reader(window, rows, LEAN_MM[1], unit_mm)
    score = np.column_stack([through, reader, ratio, ratio * ratio]) @ CONE_THROUGH
    seen = look.log_of(rows) + np.log(RADIUS_STEP)  # one step more of the grid than a plain hole's density is over
    return np.asarray(score + CONE_ODDS[0] + CONE_ODDS[1] * odds + seen)


def _depth(rows: Array, thickness: float) -> Array:
    """How deep the through edge lies: a cone of about 90 degrees."""
    return np.where(rows[:, 3] > 0.0, np.minimum(rows[:, 3] - rows[:, 2], DEEPEST * thickness), 0.0)


def _by_reader(window: Window, rows: Array, lean_mm: float, unit_mm: float) -> Array:
    """How far drawings are from where and how wide the reader saw the hole, (K, 4)."""
    slope = window.slope
    steep = float(np.linalg.norm(slope))
    along = slope / steep if steep > 1e-9 else np.array([1.0, 0.0])
    off = (rows[:, :2] + slope * lean_mm / unit_mm) * unit_mm
    size = np.log(rows[:, 2] / window.radius)
    return np.column_stack(
        [
            np.sqrt(1.0 + (off @ along / 0.2) ** 2),
            np.sqrt(1.0 + (off @ (-along[1], along[0]) / 0.15) ** 2),
            size,
            np.sqrt(1.0 + (size / 0.08) ** 2),
        ]
    )


def _cells(rows: Array, unit_mm: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where the radii of drawings lie on SIZES: through hole, countersink."""
    logs = (np.log(np.maximum(rows[:, k] * unit_mm, 1e-6)) for k in (2, 3))
    inner, outer = (np.clip(np.round((v - SIZES[0]) / 0.05), 0, len(SIZES) - 1).astype(np.intp) for v in logs)
    return inner, outer


def _lookup(others: tuple[Array, Array], rows: Array, unit_mm: float) -> Array:
    inner, outer = _cells(rows, unit_mm)
    return np.where(rows[:, 3] > 0.0, others[1][inner, outer], others[0][inner])


def _alike(drawn: list[_Drawings], unit_mm: float) -> list[tuple[Array, Array]]:
    """For each hole what the others say, as log likelihoods: of a plain one by its size, of a cone by both its sizes."""
    n = len(SIZES)
    kernels = [np.exp(-0.5 * ((SIZES[:, None] - SIZES) / u) ** 2) / (u * np.sqrt(2.0 * np.pi)) for u in U_ALIKE]
    said = []
    for drawings in drawn:
        weight, cones = drawings.weight(), drawings.cones()
        inner, outer = _cells(drawings.rows, unit_mm)
        plain = np.bincount(inner[~cones], weight[~cones], n)
        both = np.bincount(inner[cones] * n + outer[cones], weight[cones], n * n).reshape(n, n)
        plain = kernels[0] @ plain * SIZE_RANGE[0] / KIND_ODDS
        both = kernels[0] @ both @ kernels[1] * SIZE_RANGE[0] * SIZE_RANGE[1] / KIND_ODDS
        said.append((np.log(1.0 - ALIKE + ALIKE * plain), np.log(1.0 - ALIKE + ALIKE * both)))
    nothing = (np.zeros(n), np.zeros((n, n)))
    return [
        (
            sum((s[0] for j, s in enumerate(said) if j != i), nothing[0]),
            sum((s[1] for j, s in enumerate(said) if j != i), nothing[1]),
        )
        for i in range(len(drawn))
    ]


def _refined(
    window: Window,
    look: HoleDensity,
    coarse: _Drawings,
    odds: float,
    thickness: float,
    unit_mm: float,
    others: tuple[Array, Array],
) -> _Drawings:
    """The likeliest drawings split in three along each of their sizes, beside all others as they were."""
    order = np.argsort(-coarse.score)
    split, kept = coarse.rows[order[:REFINED]], order[REFINED:]
    cones = split[:, 3] > 0.0
    dx, dy, dk = (v.ravel() for v in np.meshgrid(THIRDS, THIRDS, THIRDS, indexing="ij"))
    moves = np.column_stack([coarse.step * dx, coarse.step * dy, RADIUS_STEP * dk])
    rows, scores, widths = [coarse.rows[kept]], [coarse.score[kept]], [np.ones(len(kept))]
    if (~cones).any():
        a = np.repeat(split[~cones], len(moves), axis=0)
        m = np.tile(moves, (int((~cones).sum()), 1))
        plain = np.column_stack([a[:, :2] + m[:, :2], a[:, 2] * np.exp(m[:, 2]), a[:, 3]])
        rows.append(plain)
        evidence = mouth_evidence(window, *plain.T[:3])
        scores.append(_plain_score(window, look, plain, evidence, unit_mm) + _lookup(others, plain, unit_mm))
        widths.append(np.full(len(plain), 1.0 / len(moves)))
    if cones.any():
        a = np.repeat(split[cones], len(moves), axis=0)
        m = np.tile(moves, (int(cones.sum()), 1))
        mouths = np.column_stack([a[:, :2] + m[:, :2], a[:, 3] * np.exp(m[:, 2])])
        score = np.repeat(mouth_evidence(window, *mouths.T) @ CONE_MOUTH, 3)
        inner = np.repeat(a[:, 2] * np.exp(m[:, 2]), 3) * np.exp(np.tile(THIRDS * RADIUS_STEP, len(mouths)))
        mouths = np.repeat(mouths, 3, axis=0)
        cone = np.column_stack([mouths[:, :2], inner, mouths[:, 2]])
        score = score + _through_score(window, look, cone, odds, thickness, unit_mm) + _lookup(others, cone, unit_mm)
        rows.append(cone)
        scores.append(score)
        widths.append(np.full(len(cone), 1.0 / (3 * len(moves))))
    return _Drawings(np.concatenate(rows), np.concatenate(scores), np.concatenate(widths), coarse.step)


def _on_edge(window: Window, row: Array, spread: float, thickness: float, unit_mm: float) -> tuple[float, float]:
    """Radii of through hole and countersink (or 0) where the photo's edges are strongest, within what the drawings leave.

    The drawings' mean knows which edge is meant; the edge itself tells best where it lies.
    """
    stretch = np.exp(EDGE_RANGE)
    x, y = np.full((2, len(stretch)), row[:2, None])
    depth = np.full(len(stretch), float(_depth(row[None], thickness)[0]))
    found = [0.0, 0.0]
    for k, deep in ((2, depth), (3, np.zeros(len(stretch)))):
        if row[k] > 0.0:
            radius = row[k] * stretch
            gradient = window.edge(x, y, radius, deep)
            strength = (gradient / (gradient + np.float32(window.strong))).mean(axis=1)
            away = (radius - row[k]) ** 2 / (spread**2 + (U_ON_EDGE_MM / unit_mm) ** 2)
            score = EDGE_WEIGHT * strength - 0.5 * away
            weight = np.exp(score - score.max())
            found[k - 2] = float(weight @ radius / weight.sum())
    return found[0], found[1]


def _edges(window: Window, drawings: _Drawings, thickness: float, unit_mm: float) -> HoleEdges:
    """The mean drawing of the likelier kind about the mean place of all, and the spread."""
    weight, cones = drawings.weight(), drawings.cones()
    cone = bool(weight[cones].sum() > 0.5)
    place = weight @ drawings.rows[:, :2]
    off = drawings.rows[:, :2] - place
    spread = float(np.sqrt(weight @ (off * off).sum(axis=1) / 2.0))
    own = np.where(cones == cone, weight, 0.0)
    inner, outer = (own / own.sum()) @ drawings.rows[:, 2:]
    sizes = float(np.sqrt(weight @ (drawings.rows[:, 2] - inner) ** 2))
    inner, outer = _on_edge(window, np.array([*place, inner, outer]), sizes, thickness, unit_mm)
    depth = float(_depth(np.array([[*place, inner, outer]]), thickness)[0])

    def circle(radius: float, depth: float) -> Array:
        one = np.ones(1)
        x, y = window.places(place[0] * one, place[1] * one, radius * one, depth * one)
        return np.column_stack([x[0], y[0]]).astype(np.float64) + window.origin

    through: Array | None = circle(inner, depth)
    countersink = circle(outer, 0.0) if cone else None
    centre = window.centre_px + window.affine @ place
    px = float(np.sqrt(abs(np.linalg.det(window.affine))))
    small = not cone and 2.0 * inner * unit_mm < SMALL_MM
    u_centre, u_edge = (
        s * min(s * unit_mm / usual, most) * px for s, (usual, most) in ((spread, U_PLACE), (sizes, U_SIZE))
    )
    u_centre += U_SMALL_MM * px / unit_mm if small else 0.0
    if small:  # a size that no screw hole has is not reported
        through, countersink = None, None
    elif (
        not cone and 2.0 * inner * unit_mm > HOLE_MM
    ):  # nor is this one: it is the countersink, and its hole is not seen
        through, countersink = None, through
    at = (float(centre[0]), float(centre[1]))
    return HoleEdges(through, countersink, None, at, u_centre, u_edge)
