"""Outline and hole edges -> axis, tail, screw pattern: the one place that turns picture axes into the part's.

Points arrive in millimetres as seen in the picture (x right, y up); angles are clockwise from 12 o'clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.fitting import MAD_TO_SIGMA, median, quantile
from vision.outline import outward_normals, signed_area, smooth_closed
from vision.vocabulary import HANDED_FAMILIES

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

HUB_TOLERANCE: Final = 0.02  # of the hub's radius: how far off the circle an edge point of the hub may lie
HUB_LEAST_ARC_DEG: Final = 70.0  # under this much arc the circle's centre hangs on noise; the network's axis leads then
TRIALS: Final = 150
NO_LINE: Final = 1e-12  # on the diagonal: keeps a circle through points on a line from failing
MOST_RADIAL: Final = 0.2  # sine of the angle between an edge on the hub and the circle's tangent
TAIL_STARTS: Final = 1.06  # hub radii: beyond this the outline is tail, clear of most fillets
FLANK_TURN_DEG: Final = 12.0  # a flank point's normal is square to the tail within this
FLANK_TRIALS_DEG: Final = (0.0, -12.0, 12.0, -24.0, 24.0)  # from the network's tail: it errs most on unsymmetric tails
LEAST_BETTER: Final = 1.3  # flanks found off the network's direction must be this much longer
STEP_DEG: Final = 0.5  # of the rays that look for the tail's symmetry
HALF_TAIL_DEG: Final = 60.0
TRIM: Final = 0.8  # share of the rays, those that match best, that tell the symmetry: burrs and spurs fall out
UNSYMMETRIC: Final = 0.05  # of the hub's radius: mean mismatch of a tail with its mirror image
HALF_SLOT: Final = 0.45  # of the hub's radius: wider than half a fork's slot, narrower than half its tail
NO_TAIL_DEG: Final = 15.0
MUCH_BETTER: Final = 0.5  # of the mismatch about the network's direction
LOST_DEG: Final = 16.0  # what a tail found against the network is doubted by
QUARREL_DEG: Final = 5.0  # flanks and area this far apart: the tail may lie beside the axis
LONG_FLANK: Final = 0.05  # of the outline's points
# Directions of flanks: a line's weight goes with the cube of its points over its squared scatter where they err alone;
# they err together in part, and a smaller power serves either half of 321 path-traced tails better. So do the factors.
FLANK_POWER: Final = 1.5
LEAST_SCATTER: Final = 0.0008  # of the outline's greatest distance from the axis: 0.02 mm
FLANK_TOGETHER: Final = 3.0
FLANK_QUARREL: Final = 0.65
LEAST_FLANKS_DEG: Final = 0.12
LINE_SEARCH: Final = 0.026  # hub radii (0.25 mm): how far from a place a flank's points are first looked for
LINE_HALF_WIDTH: Final = 0.009  # 0.09 mm: 0.12 to 0.3 do no better on any of three sets
LEAST_LINE: Final = 0.205  # 2 mm
LONE_FLANK: Final = 0.3  # 3 mm
NOT_PARALLEL_DEG: Final = 35.0
LEANS_DEG: Final = (0.0, -12.0, 12.0, -24.0, 24.0)
U_LONE_DEG: Final = 1.0  # of a flank without its fellow, beyond its own scatter
NO_FLANKS: Final = ("taper", "cloverleaf")  # families without parallel flanks: what passes for one is short and leans
UNSYMMETRIC_LOOSE: Final = 4.0  # times as far off lie area and mirror line of such a tail
LEAF_DEG: Final = 120.0  # between a cloverleaf's leaves, about
LEAF_OFF_DEG: Final = 14.0
# The mismatch about the tail's line over the lesser one about another leaf's: 0.05 in the middle, 0.27 in 95 of 100 and
# 0.61 at most among 178 cloverleaves by three renderers; the network had taken another leaf of 7 of them, this of none.
LEAF_CLEAR: Final = 0.6
# What the ways to tell a symmetric tail's direction err by, degrees: chosen on 209 path-traced parts. Each fails at times,
# so each counts as a mixture that lets the others outvote it: Student's t.
U_AREA_DEG: Final = 0.4
U_MIRROR_DEG: Final = 0.4
U_FLANK_DEG: Final = 0.1  # at least, beyond what the flanks themselves say of their direction
U_NETWORK_DEG: Final = 0.7
TAIL_FREEDOM: Final = 3.0
U_LINE_DEG: Final = 0.15  # of the line about which the whole outline mirrors: half of what the others err by
TUKEY: Final = 3.0  # biweight constant: burrs, walls and what else has no mirror image are to fall out
MIRRORED_EVERY: Final = 4  # outline points between two that are mirrored
MIRROR_STEPS: Final = 6
MIRROR_REACH: Final = 0.15  # hub radii: an edge that faces otherwise counts as this much farther away
LEAST_MISMATCH: Final = 0.003  # hub radii
# What is left to err grows much faster than their spread, which the surest of them holds small: with its fourth power on
# either half of 720 path-traced tails, of which 95 in 100 lie within two of it, with little spread as with much.
USUAL_SPREAD_DEG: Final = 0.145
SPREAD_POWER: Final = 4.0
U_TAIL_DEG: Final = 0.21
LEAST_TAIL_DEG: Final = 0.08
MOST_TAIL_DEG: Final = 0.65  # or the spread itself: of 33 tails with more than 0.21 none erred by 1.8
SPREAD_DEG: Final = 10.0  # the directions weighed lie within this of the area's


@dataclass(frozen=True, slots=True)
class Guess:
    """What the network says of the part's frame, mm as seen, with standard deviations from its calibration."""

    axis_mm: Array  # (2,)
    u_axis_mm: float
    tail_deg: float  # clockwise from the picture's up
    u_tail_deg: float
    hub_radius_mm: float


@dataclass(frozen=True, slots=True)
class Hub:
    """Which outline points lie on the hub, and the arc they cover."""

    on_hub: Mask  # (N,)
    arc_deg: float
    rms_mm: float


@dataclass(frozen=True, slots=True)
class Tail:
    """Which outline points carry the tail's direction, and how: its area's centre or its parallel flanks."""

    kind: str  # "area" or "flanks"
    first: NDArray[np.intp]  # area: the tail's points in order; flanks: the left flank's
    second: NDArray[np.intp]  # flanks: the right flank's; empty for "area"
    rms_mm: float
    turn_deg: float = 0.0  # area: from the area's centre to where all ways to tell the direction put it together
    apart_deg: float = 0.0  # between the ways to tell the direction: twice their spread
    u_deg: float = 0.0  # standard uncertainty of the direction, by its own edges


def circle_through(points: Array, weights: Array | None = None) -> tuple[Array, float]:
    """Least-squares circle by Gauss-Newton on the geometric distance; centre (2,) and radius."""
    middle = points.mean(axis=0)
    p = np.ascontiguousarray((points - middle).T)
    jac = np.ones((3, p.shape[1]))  # derivatives of the distance to the circle, with the sign turned
    jac[:2] = 2.0 * p
    weighted = jac if weights is None else jac * weights
    x, y, c = _least_squares(weighted @ jac.T, weighted @ (p[0] * p[0] + p[1] * p[1]))
    radius = math.sqrt(max(c + x * x + y * y, 1e-12))
    d = np.empty_like(p)
    for _ in range(5):
        np.subtract(p[0], x, out=d[0])
        np.subtract(p[1], y, out=d[1])
        rho = np.maximum(np.sqrt(d[0] * d[0] + d[1] * d[1]), 1e-9)
        np.divide(d, rho, out=jac[:2])
        weighted = jac if weights is None else jac * weights
        dx, dy, grown = _least_squares(weighted @ jac.T, weighted @ (rho - radius))
        x, y, radius = x + dx, y + dy, radius + grown
        if max(abs(dx), abs(dy), abs(grown)) < 1e-7 * radius:
            break
    return np.array([x, y]) + middle, radius


def _least_squares(normal: Array, right: Array) -> tuple[float, float, float]:
    """Three unknowns from their normal equations, by LDL': a camera's derivatives fit a hundred circles, and NumPy takes
    longer to call its solver than to sum a circle's points."""
    (a, b, c), (_, d, e), (_, _, f) = normal.tolist()
    p, q, r = right.tolist()
    a += NO_LINE
    by_a, by_c = b / a, c / a
    d, e, q = max(d + NO_LINE - by_a * b, NO_LINE), e - by_a * c, q - by_a * p
    by_d = e / d
    z = (r - by_c * p - by_d * q) / max(f + NO_LINE - by_c * c - by_d * e, NO_LINE)
    y = (q - e * z) / d
    return (p - b * y - c * z) / a, y, z


def find_hub(outline_mm: Array, guess: Guess, rng: np.random.Generator) -> Hub | None:
    """The outline points that lie on one circle near the network's hub, by random sample consensus.

    Parameters
    ----------
    outline_mm : ndarray of shape (N, 2)
    guess : Guess
    rng : numpy.random.Generator

    Returns
    -------
    Hub or None
        None when no arc near the guess is long enough to fit.
    """
    r0 = guess.hub_radius_mm
    d = outline_mm - guess.axis_mm
    rho = np.linalg.norm(d, axis=1)
    near = np.flatnonzero(np.abs(rho - r0) < max(0.14 * r0, 3.0 * guess.u_axis_mm))
    if len(near) < 12:
        return None
    along = np.roll(outline_mm, -2, axis=0) - np.roll(outline_mm, 2, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    tolerance = HUB_TOLERANCE * r0
    trials = outline_mm[near[rng.integers(0, len(near), (TRIALS, 3))]]
    centres, radii, proper = _circles_of_three(trials)
    off = np.linalg.norm(centres - guess.axis_mm, axis=1)
    proper &= (off <= 4.0 * guess.u_axis_mm) & (np.abs(radii - r0) <= 0.15 * r0)
    if not proper.any():
        return None
    centres, radii, off = centres[proper], radii[proper], off[proper]
    to_x, to_y = (outline_mm[:, k] - centres[:, k, None] for k in (0, 1))  # apart: NumPy sums so short an axis slowly
    rho_all = np.sqrt(to_x * to_x + to_y * to_y)
    radial = np.abs(to_x * along[:, 0] + to_y * along[:, 1]) < MOST_RADIAL * rho_all
    masks = (np.abs(rho_all - radii[:, None]) < tolerance) & radial
    prior = np.exp(-0.5 * (off / (1.5 * guess.u_axis_mm)) ** 2 - 0.5 * ((radii - r0) / (0.08 * r0)) ** 2)
    best_mask = masks[int(np.argmax(masks.sum(axis=1) * prior))]
    if best_mask.sum() < 8:
        return None
    for _ in range(3):
        centre, radius = circle_through(outline_mm[best_mask])
        mask = _on_circle(outline_mm, along, centre, radius, tolerance)
        if mask.sum() < 8:
            break
        best_mask = mask
    centre, radius = circle_through(outline_mm[best_mask])
    e = outline_mm[best_mask] - centre
    residual = np.linalg.norm(e, axis=1) - radius
    angle = np.degrees(np.arctan2(e[:, 0], e[:, 1]))
    covered = len(set(np.round(angle / 4.0).tolist())) * 4.0
    return Hub(best_mask, float(min(covered, 360.0)), float(np.sqrt(np.mean(residual**2))))


def _circles_of_three(p: Array) -> tuple[Array, Array, Mask]:
    """Centres (T, 2) and radii (T,) of the circles through three points each (T, 3, 2); False where they are on a line."""
    a = 2.0 * (p[:, 1:] - p[:, :1])
    b = (p[:, 1:] ** 2).sum(axis=2) - (p[:, :1] ** 2).sum(axis=2)
    det = a[:, 0, 0] * a[:, 1, 1] - a[:, 0, 1] * a[:, 1, 0]
    proper = np.abs(det) > 1e-3
    safe = np.where(proper, det, 1.0)
    x = (b[:, 0] * a[:, 1, 1] - b[:, 1] * a[:, 0, 1]) / safe
    y = (a[:, 0, 0] * b[:, 1] - a[:, 1, 0] * b[:, 0]) / safe
    centre = np.column_stack([x, y])
    return centre, np.linalg.norm(p[:, 0] - centre, axis=1), np.asarray(proper, dtype=np.bool_)


def _on_circle(points: Array, along: Array, centre: Array, radius: float, tolerance: float) -> Mask:
    d = points - centre
    rho = np.linalg.norm(d, axis=1)
    radial = np.abs((d * along).sum(axis=1)) / np.maximum(rho, 1e-9)  # sine between the edge and the circle's tangent
    on: Mask = (np.abs(rho - radius) < tolerance) & (radial < MOST_RADIAL)
    return on


def find_tail(
    outline_mm: Array,
    axis_mm: Array,
    hub_radius_mm: float,
    tail_deg: float,
    family: str,
    line_deg: float | None = None,
) -> Tail | None:
    """Which outline points tell the tail's direction for a part of this family.

    A symmetric tail goes by the centre of the area beyond the hub, which lies on its centre line and averages its whole
    edge, by the direction about which the outline mirrors best, by the line about which it does (`line_deg`, from
    `mirror_line`), by its parallel flanks where its family has such, and by the network, each weighed by how it errs; area and mirror line count for less where the outline is clearly
    unsymmetric. `hook` and `offset` go by their flanks alone, and have no direction where those are not found.
    """
    if family in HANDED_FAMILIES:  # the area's centre lies beside 12 o'clock here: no stand-in
        flanks = _best_flanks(outline_mm, axis_mm, hub_radius_mm, tail_deg)
        if flanks is None:  # a short tail, where one of the two is all fillet
            flanks = _best_flanks(outline_mm, axis_mm, hub_radius_mm, tail_deg, lone=True)
        if flanks is None:
            return None
        u = flanks_direction(outline_mm, axis_mm, flanks)[1]
        return replace(flanks, apart_deg=2.0 * u, u_deg=max(u, LEAST_FLANKS_DEG))
    area = _area(outline_mm, axis_mm, hub_radius_mm, tail_deg, family == "fork")
    if area is None:
        return None
    mirror, mismatch = symmetry(outline_mm, axis_mm, tail_deg)
    loose = UNSYMMETRIC_LOOSE if mismatch > UNSYMMETRIC * hub_radius_mm else 1.0
    by_area = tail_direction(outline_mm, axis_mm, area)
    said = [
        (0.0, loose * U_AREA_DEG),
        (_turn(mirror, by_area), loose * U_MIRROR_DEG),
        (_turn(tail_deg, by_area), U_NETWORK_DEG),
    ]
    if line_deg is not None:
        said.append((_turn(line_deg, by_area), U_LINE_DEG))
    flanks = None if family in NO_FLANKS else _best_flanks(outline_mm, axis_mm, hub_radius_mm, tail_deg)
    if flanks is not None:  # a tail beside the axis may mirror about a line through it
        by_flanks, u = flanks_direction(outline_mm, axis_mm, flanks)
        off = _turn(by_flanks, by_area)
        if abs(off) > QUARREL_DEG and _shorter_flank(flanks) > LONG_FLANK * len(outline_mm):
            return replace(flanks, apart_deg=abs(off), u_deg=abs(off) / 2.0)
        said.append((off, max(u, U_FLANK_DEG)))
    turn, spread = settle_turn(said)
    u = U_TAIL_DEG * (spread / USUAL_SPREAD_DEG) ** SPREAD_POWER
    u = float(np.clip(u, LEAST_TAIL_DEG, max(MOST_TAIL_DEG, spread)))
    return replace(area, turn_deg=turn, apart_deg=2.0 * spread, u_deg=u)


def settle_turn(said: list[tuple[float, float]]) -> tuple[float, float]:
    """Mean and standard deviation of a small angle by all that tell it, each (degrees, scale of its Student's t)."""
    turns = np.linspace(-SPREAD_DEG, SPREAD_DEG, 401)
    log = np.zeros_like(turns)
    for at, u in said:
        log -= 0.5 * (TAIL_FREEDOM + 1.0) * np.log1p(((turns - at) / u) ** 2 / TAIL_FREEDOM)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float(weight @ turns)
    return mean, float(np.sqrt(weight @ (turns - mean) ** 2))


def _turn(to_deg: float, from_deg: float) -> float:
    """The short way round from one direction to another, degrees."""
    return (to_deg - from_deg + 180.0) % 360.0 - 180.0


def tail_leaf(outline_mm: Array, axis_mm: Array, tail_deg: float) -> tuple[float, bool]:
    """The direction of the leaf of a cloverleaf that is its tail, degrees, and whether the outline leaves open which it is.

    The whole outline mirrors about the tail's line: the other leaves lie to either side of it, and an open bottom on it.
    The network goes by the leaf that stands out, which at times is a longer one beside a broader tail.
    """
    leaves = [tail_deg, tail_deg + LEAF_DEG, tail_deg - LEAF_DEG]
    mirrors = [
        symmetry(outline_mm, axis_mm, leaf, within_deg=LEAF_OFF_DEG, half_deg=180.0, kept=1.0) for leaf in leaves
    ]
    away = np.array([mismatch for _, mismatch in mirrors])
    best = int(np.argmin(away))
    clear = bool(away[best] < LEAF_CLEAR * np.delete(away, best).min())
    return (mirrors[best][0] if clear and best > 0 else tail_deg), not clear


def tail_elsewhere(outline_mm: Array, axis_mm: Array, hub_radius_mm: float, tail_deg: float) -> Tail | None:
    """The longest stretch beyond the hub, wherever it points, when the outline mirrors much better about it.

    For a network's tail that the outline does not bear out. The angle to it stays in `apart_deg` as a doubt.
    """
    d = outline_mm - axis_mm
    run = _largest_run(np.linalg.norm(d, axis=1) > TAIL_STARTS * hub_radius_mm)
    if not 8 <= len(run) < len(outline_mm):
        return None
    tail = Tail("area", run, np.empty(0, dtype=np.intp), 0.0)
    direction = tail_direction(outline_mm, axis_mm, tail)
    here = symmetry(outline_mm, axis_mm, direction, within_deg=4.0)[1]
    there = symmetry(outline_mm, axis_mm, tail_deg, within_deg=4.0)[1]
    off = (np.degrees(np.arctan2(d[:, 0], d[:, 1])) - tail_deg + 180.0) % 360.0 - 180.0
    ahead = np.linalg.norm(d[np.abs(off) < NO_TAIL_DEG], axis=1)
    bare = len(ahead) == 0 or float(ahead.max()) < TAIL_STARTS * hub_radius_mm  # nothing but hub where it was sought
    return replace(tail, apart_deg=LOST_DEG, u_deg=LOST_DEG / 2.0) if bare or here < MUCH_BETTER * there else None


def _area(
    outline_mm: Array, axis_mm: Array, hub_radius_mm: float, tail_deg: float, slotted: bool = False
) -> Tail | None:
    tail = _beyond_hub(outline_mm, axis_mm, hub_radius_mm, tail_deg, slotted)
    return None if len(tail) < 8 else Tail("area", tail, np.empty(0, dtype=np.intp), 0.0)


def _beyond_hub(
    outline_mm: Array, axis_mm: Array, hub_radius_mm: float, tail_deg: float, slotted: bool = False
) -> NDArray[np.intp]:
    d = outline_mm - axis_mm
    turn = np.radians(tail_deg)
    up = d @ np.array([np.sin(turn), np.cos(turn)])
    beyond = (np.linalg.norm(d, axis=1) > TAIL_STARTS * hub_radius_mm) & (up > 0.0)
    if slotted:  # the slot may reach into the hub: both prongs are the tail, and the slot's floor between them
        right = d @ np.array([np.cos(turn), -np.sin(turn)])
        beyond |= (up > 0.0) & (np.abs(right) < HALF_SLOT * hub_radius_mm)
    return _largest_run(beyond)


def _best_flanks(
    outline_mm: Array, axis_mm: Array, hub_radius_mm: float, tail_deg: float, lone: bool = False
) -> Tail | None:
    """The longest pair of parallel flanks near the network's direction; `lone`: the longest single flank."""
    best: Tail | None = None
    for step in FLANK_TRIALS_DEG:
        turn = np.radians(tail_deg + step)
        right, up = np.array([np.cos(turn), -np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
        d = outline_mm - axis_mm
        tail = _beyond_hub(outline_mm, axis_mm, hub_radius_mm, tail_deg + step)
        if len(tail) < 8:
            continue
        found = _flanks(outline_mm, tail, d @ right, d @ up, right, hub_radius_mm, lone)
        if found is None:
            continue
        if best is None or _shorter_flank(found) > LEAST_BETTER * _shorter_flank(best):
            best = found
    return best


def _shorter_flank(tail: Tail) -> int:
    return min(len(tail.first), len(tail.second)) if len(tail.second) else len(tail.first)


def symmetry(
    outline_mm: Array,
    axis_mm: Array,
    tail_deg: float,
    *,
    within_deg: float = 24.0,
    half_deg: float = HALF_TAIL_DEG,
    kept: float = TRIM,
) -> tuple[float, float]:
    """The direction near `tail_deg` about which the tail mirrors best, degrees, and the mean mismatch left, mm.

    The outline's farthest distance in every direction within `half_deg` is compared with that of its mirror image; only
    the share `kept` of the directions that match best counts, so that a spur on one side does not turn the tail.
    """
    d = outline_mm - axis_mm
    angle = np.degrees(np.arctan2(d[:, 0], d[:, 1])) % 360.0
    rho = np.linalg.norm(d, axis=1)
    n = round(360.0 / STEP_DEG)
    far = np.zeros(n)
    a, b = angle, np.roll(angle, -1)
    span = (b - a + 180.0) % 360.0 - 180.0
    for share in np.linspace(0.0, 1.0, 5)[:-1]:  # a few places on every side, then the farthest in every direction
        place = np.floor(((a + share * span) % 360.0) / STEP_DEG).astype(int) % n
        np.maximum.at(far, place, rho + share * (np.roll(rho, -1) - rho))
    known = np.flatnonzero(far > 0.0)
    far = np.interp(np.arange(n), np.concatenate([known - n, known, known + n]), np.tile(far[known], 3))
    far = smooth_closed(far, 1.0)
    half = np.arange(1, round(half_deg / STEP_DEG) + 1)
    first = 2.0 * (tail_deg / STEP_DEG - 0.5)  # twice the mirror's place: whole numbers are rays and their middles
    trials = np.round(first) + np.arange(-round(2.0 * within_deg / STEP_DEG), round(2.0 * within_deg / STEP_DEG) + 1)
    rays = max(4, round(kept * len(half)))
    left = np.floor(trials / 2.0).astype(int)[:, None] - half
    right = np.ceil(trials / 2.0).astype(int)[:, None] + half
    away = np.sort(np.abs(far[left % n] - far[right % n]), axis=1)[:, :rays].mean(axis=1)
    k = int(np.argmin(away))
    shift = 0.0
    if 0 < k < len(away) - 1:
        bend = away[k - 1] - 2.0 * away[k] + away[k + 1]
        shift = float(np.clip(0.5 * (away[k - 1] - away[k + 1]) / bend, -0.5, 0.5)) if bend > 1e-12 else 0.0
    return float(((trials[k] + shift) / 2.0 + 0.5) * STEP_DEG), float(away[k])


def _largest_run(mask: Mask) -> NDArray[np.intp]:
    """Indices of the longest cyclic run of True, in order."""
    n = len(mask)
    if mask.all():
        return np.arange(n)
    start = int(np.flatnonzero(~mask)[0])
    rolled = np.roll(mask, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], rolled, [False]]).astype(np.int8)))
    if len(edges) == 0:
        return np.empty(0, dtype=np.intp)
    runs = edges.reshape(-1, 2)
    a, b = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return (np.arange(a, b) + start) % n


def _flanks(
    outline_mm: Array, tail: NDArray[np.intp], x: Array, y: Array, right: Array, hub_radius_mm: float, lone: bool
) -> Tail | None:
    along = np.roll(outline_mm, -3, axis=0) - np.roll(outline_mm, 3, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    lean = np.abs(along @ right)[tail]
    steep = lean < np.sin(np.radians(FLANK_TURN_DEG))
    turning = 1.0 if signed_area(outline_mm) > 0.0 else -1.0
    outward_x = turning * (along[:, 1] * right[0] - along[:, 0] * right[1])[tail]
    sides = []
    for sign in (-1.0, 1.0):
        index = tail[steep & (sign * outward_x > 0.0)]
        line = _longest_line(x[index] / hub_radius_mm, y[index] / hub_radius_mm)
        if line is not None:
            sides.append(index[line])
    if lone:
        return _lone_flank(sides, tail[lean < np.sin(np.radians(NOT_PARALLEL_DEG))], x, y, hub_radius_mm)
    if len(sides) < 2:
        return None
    both = [np.polyfit(y[i], x[i], 1) for i in sides]
    rms = float(np.sqrt(np.mean([np.var(x[i] - np.polyval(p, y[i])) for i, p in zip(sides, both, strict=True)])))
    if abs(both[0][0] - both[1][0]) > 0.14:  # eight degrees apart: not two parallel flanks
        return None
    return Tail("flanks", sides[0], sides[1], rms)


def _lone_flank(
    sides: list[NDArray[np.intp]], upright: NDArray[np.intp], x: Array, y: Array, hub_radius_mm: float
) -> Tail | None:
    """The longer of the flanks found, unless its fellow is as straight and leans: then the two are not parallel."""
    if not sides:
        return None
    longest = max(sides, key=lambda index: float(np.ptp(y[index])))
    across = float(x[longest].mean())
    fellow = upright[np.abs(x[upright] - across) > LONE_FLANK * hub_radius_mm]
    if float(np.ptp(y[longest])) < LONE_FLANK * hub_radius_mm:
        return None
    for lean in np.radians(LEANS_DEG):
        turned_x = (x[fellow] * np.cos(lean) - y[fellow] * np.sin(lean)) / hub_radius_mm
        turned_y = (x[fellow] * np.sin(lean) + y[fellow] * np.cos(lean)) / hub_radius_mm
        line = _longest_line(turned_x, turned_y)
        if line is not None and float(np.ptp(turned_y[line])) > LONE_FLANK:
            return None
    return Tail("flanks", longest, np.empty(0, dtype=np.intp), 0.0)


def _longest_line(x: Array, y: Array) -> NDArray[np.intp] | None:
    """Points of the near-upright line that most points share, in hub radii; about 2 mm long at least."""
    if len(x) < 6:
        return None
    x, y = x - x.mean(), y - y.mean()
    places = quantile(x, np.linspace(0.02, 0.98, 25))
    inside = np.abs(x - places[:, None]) < LINE_SEARCH
    for _ in range(2):
        lean, foot = _lines(y, x, inside)
        refitted = np.abs(x - lean[:, None] * y - foot[:, None]) < LINE_HALF_WIDTH
        enough = (inside.sum(axis=1) >= 5) & (_spans(y, inside) >= 0.5 * LEAST_LINE)
        inside = np.where(enough[:, None], refitted, inside)
    count = np.where(_spans(y, inside) >= LEAST_LINE, inside.sum(axis=1), 0)
    best = int(np.argmax(count))
    return np.flatnonzero(inside[best]) if count[best] >= 5 else None


def _spans(y: Array, inside: Mask) -> Array:
    """From the least to the greatest value among those of each row of (K, N), (K,)."""
    return np.asarray(np.where(inside, y, -np.inf).max(axis=1) - np.where(inside, y, np.inf).min(axis=1))


def _lines(y: Array, x: Array, inside: Mask) -> tuple[Array, Array]:
    """Slope and offset of x over y, least squares, for the points of each row of (K, N), (K,) each."""
    weight = inside.astype(np.float64)
    count = np.maximum(weight.sum(axis=1), 1.0)
    middle_y, middle_x = weight @ y / count, weight @ x / count
    away = weight * (y - middle_y[:, None])
    slope = (away @ x) / np.maximum((away * away).sum(axis=1), 1e-12)
    return slope, middle_x - slope * middle_y


def tail_direction(outline_mm: Array, axis_mm: Array, tail: Tail) -> float:
    """The tail's direction in degrees, clockwise from the picture's up, from the points that carry it."""
    if tail.kind == "flanks":
        return flanks_direction(outline_mm, axis_mm, tail)[0]
    p = outline_mm[tail.first]
    p = p - axis_mm
    q = np.roll(p, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    centroid = ((p + q) * cross[:, None]).sum(axis=0) / max(abs(float(cross.sum())) * 3.0, 1e-9) * np.sign(cross.sum())
    return float(np.degrees(np.arctan2(centroid[0], centroid[1]))) + tail.turn_deg


def flanks_direction(outline_mm: Array, axis_mm: Array, tail: Tail) -> tuple[float, float]:
    """The direction of two flanks and its standard uncertainty, degrees.

    Each flank counts by its length and how straight it is seen. The uncertainty is that of a line through points that err
    alone (in a line's slope: scatter over length, times the root of twelve over their number), times what they err
    together, and the flanks' own disagreement as far as both count.
    """
    turns, weights, precisions = np.zeros(2), np.zeros(2), np.zeros(2)
    size = float(np.linalg.norm(outline_mm - axis_mm, axis=1).max())
    for side, index in enumerate((tail.first, tail.second)):
        if len(index) == 0:
            continue
        p = outline_mm[index]
        middle = p.mean(axis=0)
        _, spread, vt = np.linalg.svd(p - middle, full_matrices=False)
        v = vt[0] if vt[0] @ (middle - axis_mm) > 0.0 else -vt[0]
        scatter = float(np.hypot(spread[1] / np.sqrt(len(p)), LEAST_SCATTER * size))
        slope = scatter / max(float(np.ptp(p @ v)), 1e-9) * np.sqrt(12.0 / len(p))
        turns[side] = np.degrees(np.arctan2(v[0], v[1]))
        weights[side] = len(p) ** FLANK_POWER / scatter**2
        precisions[side] = 1.0 / np.degrees(slope) ** 2
    share = weights[1] / weights.sum()
    apart = _turn(turns[1], turns[0])
    together = FLANK_TOGETHER / np.sqrt(precisions.sum())
    quarrel = FLANK_QUARREL * abs(apart) * np.sqrt(min(share, 1.0 - share)) if len(tail.second) else U_LONE_DEG
    return float(turns[0] + share * apart), float(np.hypot(together, quarrel))


def mirror_line(outline_mm: Array, axis_mm: Array, hub_radius_mm: float, tail_deg: float) -> tuple[float, float]:
    """The line about which the whole outline mirrors best: how far to the right of the axis it passes, and its direction.

    The mirrored outline is laid on the outline by the distances along its normals, each to the nearest point whose edge
    faces the same way, by least squares with Tukey's biweight (iterated closest points: Chen & Medioni 1992, Image and
    Vision Computing 10, 145). Unlike `symmetry` it needs no axis, and a narrow tail's flanks count in full.

    Returns
    -------
    offset in the outline's unit, direction in degrees
    """
    normals = outward_normals(outline_mm, 1.5)
    points, facing = outline_mm[::MIRRORED_EVERY] - axis_mm, normals[::MIRRORED_EVERY]
    target = outline_mm - axis_mm
    unlike = (MIRROR_REACH * hub_radius_mm) ** 2
    placed = np.column_stack([target, np.sqrt(unlike) * normals])  # near in place and in facing: one distance for both
    size = (placed * placed).sum(axis=1)
    offset, direction = 0.0, tail_deg
    for _ in range(MIRROR_STEPS):
        turn = np.radians(direction)
        right = np.array([np.cos(turn), -np.sin(turn)])
        over = np.eye(2) - 2.0 * np.outer(right, right)
        there = points @ over + 2.0 * offset * right
        sought = np.column_stack([there, np.sqrt(unlike) * (facing @ over)])
        nearest = np.argmin(size - 2.0 * sought @ placed.T, axis=1)
        normal = normals[nearest]
        away = ((there - target[nearest]) * normal).sum(axis=1)
        turned = 2.0 * np.column_stack([there[:, 1], -there[:, 0]])
        jac = np.column_stack([2.0 * normal @ right, (turned * normal).sum(axis=1)])
        scale = max(MAD_TO_SIGMA * median(np.abs(away)), LEAST_MISMATCH * hub_radius_mm)
        weight = np.clip(1.0 - (away / (TUKEY * scale)) ** 2, 0.0, None) ** 2
        weighted = jac * weight[:, None]
        step = -np.linalg.solve(weighted.T @ jac + 1e-9 * np.eye(2), weighted.T @ away)
        offset, direction = offset + float(step[0]), direction + float(np.degrees(step[1]))
        if abs(step[0]) < 1e-4 * hub_radius_mm and abs(step[1]) < 2e-4:
            break
    return offset, direction


def combine_axis(fitted: Array, covariance: Array, guess: Guess) -> tuple[Array, Array, Array]:
    """Weighted mean of the hub's centre and the network's axis: axis (2,), covariance (2, 2), weight of the fit (2, 2)."""
    prior = np.eye(2) * guess.u_axis_mm**2
    gain = prior @ np.linalg.inv(prior + covariance)
    axis = guess.axis_mm + gain @ (fitted - guess.axis_mm)
    return axis, gain @ covariance, gain
