"""One small rotation that brings holes over threads: solved by intersecting intervals, never searched by a grid."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Real = NDArray[np.floating[Any]]  # in single precision, too, where there is much to do
Pair = tuple[Real, Real]  # x and y of points, apart: arithmetic on whole arrays wants them so


def allowed_turns(thread_mm: Real, hole_mm: Real, limit_mm: Real) -> tuple[Real, Real]:
    """The turns of a hole about the axis that bring it within its limit of a thread: one interval.

    A hole at radius b turned to an angle d away from a thread at radius a is sqrt(a² + b² - 2 a b cos d) from it, so
    the turns are those within acos((a² + b² - limit²) / 2 a b) of the turn that lines both up.

    Parameters
    ----------
    thread_mm, hole_mm : ndarray of shape (..., 2)
    limit_mm : ndarray of shape (...)
        Largest distance allowed; negative when no screw passes the hole.

    Returns
    -------
    middle, half : ndarray of shape (...), radians
        The turn (clockwise) that lines hole and thread up, and the half-width of the interval; negative when no turn
        will do, infinite when any will.
    """
    x, y, p, q = thread_mm[..., 0], thread_mm[..., 1], hole_mm[..., 0], hole_mm[..., 1]
    thread_r2, hole_r2 = x * x + y * y, p * p + q * q
    product = np.sqrt(thread_r2 * hole_r2)
    need = 0.5 * (thread_r2 + hole_r2 - limit_mm * limit_mm)
    cosine = np.where(product > 1e-12, need / np.maximum(product, 1e-12), np.where(need <= 0.0, -2.0, 2.0))
    half = np.arccos(np.clip(cosine, -1.0, 1.0))
    half = np.where(cosine <= -1.0, np.inf, np.where((cosine > 1.0) | (limit_mm < 0.0), -1.0, half))
    # Clock angles run clockwise, so the turn from hole (p, q) to thread (x, y) is minus the usual signed angle.
    return np.arctan2(x * q - y * p, x * p + y * q), half


def allowed_spans(thread_mm: Pair, hole_mm: Pair, limit_mm: Real, most_rad: float) -> tuple[Real, Real]:
    """`allowed_turns` of up to `most_rad`, as u = tan(turn / 2): there they are roots of a quadratic, and quickly found.

    With cos and sin of the turn as (1 - u²) / (1 + u²) and 2 u / (1 + u²), the squared distance is within the limit where
    lead u² - 2 across u + rest <= 0.

    Parameters
    ----------
    thread_mm, hole_mm : pair of ndarray, x and y
    limit_mm : ndarray
        All of shapes that broadcast together.
    most_rad : float
        Below π.

    Returns
    -------
    low, high : ndarray of the shape they broadcast to
        NaN when no turn will do; beyond `most_rad` where more is allowed.
    """
    (x, y), (p, q) = thread_mm, hole_mm
    thread_r2, hole_r2, p2, q2 = x * x + y * y, p * p + q * q, 2.0 * p, 2.0 * q
    need = (thread_r2 + hole_r2) - limit_mm * limit_mm
    lead = x * p2 + y * q2 + need
    across = x * q2 - y * p2
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(thread_r2 * (4.0 * hole_r2) - need * need)
        low, high = np.asarray((across - root) / lead), np.asarray((across + root) / lead)
    # Where hole and thread lie within the limit of the axis, nearly any turn will do.
    if float(lead.min(initial=1.0)) <= 0.0:
        near = np.asarray(lead <= 0.0)
        parts = [np.broadcast_to(one, near.shape)[near] for one in (x, y, p, q, limit_mm)]
        thread, hole = np.stack(parts[:2], axis=-1), np.stack(parts[2:4], axis=-1)
        middle, half = allowed_turns(thread, hole, parts[4])
        low[near] = np.tan(0.5 * np.clip(middle - half, -most_rad, math.pi / 2.0))
        high[near] = np.tan(0.5 * np.clip(middle + half, -math.pi / 2.0, most_rad))
    if float(limit_mm.min(initial=0.0)) < 0.0:
        low = np.where(limit_mm < 0.0, np.nan, low)
    return low, high


def turns_together(
    threads_mm: Sequence[Pair], holes_mm: Sequence[Pair], limits_mm: Sequence[Real], most_rad: float
) -> NDArray[np.bool_]:
    """Whether one turn of at most `most_rad` brings every hole over its thread, each given in its thread's place.

    Parameters
    ----------
    threads_mm, holes_mm : sequence of n pairs of ndarray, x and y
    limits_mm : sequence of n ndarray
        How far each hole may stand off its thread; all shapes broadcast together.

    Returns
    -------
    ndarray of bool, of the shape they broadcast to
    """
    most = math.tan(0.5 * most_rad)
    spans = [allowed_spans(*one, most_rad) for one in zip(threads_mm, holes_mm, limits_mm, strict=True)]
    low, high = spans[0]
    for first, last in spans[1:]:
        low, high = np.maximum(low, first), np.minimum(high, last)
    return np.asarray((low <= high) & (low <= most) & (high >= -most))


@dataclass(frozen=True, slots=True)
class Seat:
    """How a part's holes lie best over the threads: the turn, which hole serves which thread, and what is left over."""

    turn_deg: float  # clockwise
    holes: tuple[int, ...]  # for each thread, the index of its hole
    distances_mm: tuple[float, ...]  # thread to hole after the turn
    limits_mm: tuple[float, ...]

    @property
    def worst(self) -> float:
        """Largest distance as a share of its limit: 1 is just allowed."""
        return max(d / r if r > 0.0 else math.inf for d, r in zip(self.distances_mm, self.limits_mm, strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Seats:
    """The best seats of P parts."""

    turn_rad: Array  # (P,), clockwise
    holes: NDArray[np.intp]  # (P, n), for each thread the index of its hole
    distances_mm: Array  # (P, n)
    limits_mm: Array  # (P, n)

    def seat(self, k: int) -> Seat:
        """One of them."""
        holes, distances, limits = (tuple(row[k].tolist()) for row in (self.holes, self.distances_mm, self.limits_mm))
        return Seat(math.degrees(float(self.turn_rad[k])), holes, distances, limits)


def best_seats(threads_mm: Array, holes_mm: Array, limits_mm: Array, most_deg: float) -> Seats | None:
    """For each of P parts the seat whose largest distance, as a share of its limit, is least, over turns and assignments.

    Squared shares are A - B cos(turn - C), so the least maximum lies at one's own minimum, where two are equal (a
    linear equation in cos and sin), or at an end: a handful of turns, each tried.

    Parameters
    ----------
    threads_mm, holes_mm : ndarray of shape (n, 2) and (P, m, 2)
    limits_mm : ndarray of shape (P, m)

    Returns
    -------
    Seats or None
        None when there are fewer holes than threads.
    """
    n, m = len(threads_mm), holes_mm.shape[1]
    if m < n or n == 0:
        return None
    most = math.radians(most_deg)
    orders = np.array(list(itertools.permutations(range(m), n)))  # (C, n)
    (x, y), (p, q) = (points.T[..., None] for points in (threads_mm, holes_mm.transpose(1, 0, 2)))
    # share² of thread i in hole j = constant - cosine cos(turn) - sine sin(turn), turn clockwise; (n, P, m) each
    x, y, p, q = x[:, :, None], y[:, :, None], p[None, ..., 0], q[None, ..., 0]
    inverse = 1.0 / np.maximum(limits_mm, 1e-3) ** 2
    terms = (
        (x * x + y * y + p * p + q * q) * inverse, 2.0 * (x * p + y * q) * inverse, 2.0 * (x * q - y * p) * inverse
    )  # fmt: skip
    ways = np.arange(n)
    constant, cosine, sine = (term.transpose(1, 0, 2)[:, ways, orders] for term in terms)  # (P, C, n)
    turns = _turns_to_try(constant, cosine, sine, most)  # (P, C, T)
    c, s = np.cos(turns), np.sin(turns)
    share = constant[..., :1] - cosine[..., :1] * c - sine[..., :1] * s
    for i in range(1, n):
        share = np.maximum(share, constant[..., i, None] - cosine[..., i, None] * c - sine[..., i, None] * s)
    flat = np.where(np.isnan(share), np.inf, share).reshape(len(share), -1)
    # Of equal ones the first, whatever the last digit says.
    best = np.argmax(flat <= flat.min(axis=1, keepdims=True) + 1e-12, axis=1)
    parts = np.arange(len(flat))
    turn = turns.reshape(len(flat), -1)[parts, best]
    chosen = orders[best // turns.shape[2]]
    at = np.take_along_axis(holes_mm, chosen[..., None], axis=1)
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    off_x = c * at[..., 0] + s * at[..., 1] - threads_mm[:, 0]
    off_y = c * at[..., 1] - s * at[..., 0] - threads_mm[:, 1]
    return Seats(turn, chosen, np.hypot(off_x, off_y), np.take_along_axis(limits_mm, chosen, axis=1))


def best_seat(threads_mm: Array, holes_mm: Array, limits_mm: Array, most_deg: float) -> Seat | None:
    """`best_seats` of a single part: holes (m, 2), limits (m,)."""
    seats = best_seats(threads_mm, holes_mm[None], limits_mm[None], most_deg)
    return None if seats is None else seats.seat(0)


def _turns_to_try(constant: Array, cosine: Array, sine: Array, most: float) -> Array:
    """No turn, both ends, where each share is least, and where two are equal, (..., T); NaN for those not allowed."""
    fixed = np.broadcast_to(np.array([0.0, -most, most]), (*constant.shape[:-1], 3))
    turns = [fixed, np.arctan2(sine, cosine)]
    for i, j in itertools.combinations(range(constant.shape[-1]), 2):
        a, b, c = (term[..., i] - term[..., j] for term in (cosine, sine, constant))
        length = np.hypot(a, b)
        equal = (length > 1e-12) & (np.abs(c) <= length)
        base = np.arctan2(b, a)
        swing = np.where(equal, np.arccos(np.clip(c / np.maximum(length, 1e-12), -1.0, 1.0)), np.nan)
        both = np.stack([base + swing, base - swing], axis=-1)
        turns.append(both - 2.0 * math.pi * np.round(both / (2.0 * math.pi)))
    found = np.concatenate(turns, axis=-1)
    return np.asarray(np.where(np.abs(found) <= most + 1e-12, found, np.nan))


def turn_holes(points_mm: Array, turn_deg: float) -> Array:
    """Points (..., 2) turned clockwise about the axis."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    x, y = points_mm[..., 0], points_mm[..., 1]
    return np.stack([c * x + s * y, -s * x + c * y], axis=-1)
