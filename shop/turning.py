"""One small rotation that brings holes over threads: solved by intersecting intervals, never searched by a grid."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
WORTH_PICKING: Final = 0.8  # with a smaller share of draws near enough, those are picked out first


def allowed_turns(thread_mm: Array, hole_mm: Array, limit_mm: Array) -> tuple[Array, Array]:
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


def fits_by_turning(threads_mm: Array, holes_mm: Array, limits_mm: Array, most_rad: float) -> NDArray[np.bool_]:
    """Whether some turn of at most `most_rad` brings one hole, each its own, over every thread.

    Parameters
    ----------
    threads_mm : ndarray of shape (..., n, 2)
    holes_mm : ndarray of shape (..., m, 2)
    limits_mm : ndarray of shape (..., m)

    Returns
    -------
    ndarray of shape (...), bool
    """
    shape = np.broadcast_shapes(threads_mm.shape[:-2], holes_mm.shape[:-2], limits_mm.shape[:-1])
    n, m = threads_mm.shape[-2], limits_mm.shape[-1]
    swing = 2.0 * math.sin(0.5 * most_rad)
    near: dict[tuple[int, int], NDArray[np.bool_]] = {}  # where a turn may do at all
    for i, j in itertools.product(range(n), range(m)):
        hole = holes_mm[..., j, :]
        apart = threads_mm[..., i, :] - hole
        room = limits_mm[..., j] + swing * np.hypot(hole[..., 0], hole[..., 1])
        close = apart[..., 0] ** 2 + apart[..., 1] ** 2 <= room * np.abs(room)
        if bool(close.any()):
            near[i, j] = np.broadcast_to(close, shape)
    choices = [
        choice for choice in itertools.permutations(range(m), n) if all(pair in near for pair in enumerate(choice))
    ]
    fits = np.zeros(shape, dtype=np.bool_)
    if not choices:
        return fits
    rows = np.logical_or.reduce([np.logical_and.reduce([near[pair] for pair in enumerate(one)]) for one in choices])
    if len(shape) == 1 and holes_mm.ndim == 2 and np.count_nonzero(rows) < WORTH_PICKING * rows.size:
        if rows.any():
            fits[rows] = _some_turn(threads_mm[rows], holes_mm, limits_mm[rows], most_rad, choices)
        return fits
    return _some_turn(threads_mm, holes_mm, limits_mm, most_rad, choices)


def _some_turn(
    threads_mm: Array, holes_mm: Array, limits_mm: Array, most_rad: float, choices: Sequence[tuple[int, ...]]
) -> NDArray[np.bool_]:
    """`fits_by_turning` for some ways of giving holes to threads."""
    turns: dict[tuple[int, int], tuple[Array, Array]] = {}
    for i, j in sorted({pair for choice in choices for pair in enumerate(choice)}):
        middle, half = allowed_turns(threads_mm[..., i, :], holes_mm[..., j, :], limits_mm[..., j])
        closed = half < 0.0
        low, high = np.maximum(middle - half, -most_rad), np.minimum(middle + half, most_rad)
        turns[i, j] = np.where(closed, np.inf, low), np.where(closed, -np.inf, high)
    agree = []
    for choice in choices:
        pairs = [turns[pair] for pair in enumerate(choice)]
        low = np.maximum.reduce([pair[0] for pair in pairs])
        high = np.minimum.reduce([pair[1] for pair in pairs])
        agree.append(low <= high)
    return np.asarray(np.logical_or.reduce(agree))


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


def best_seat(threads_mm: Array, holes_mm: Array, limits_mm: Array, most_deg: float) -> Seat | None:
    """The seat whose largest distance, as a share of its limit, is least, over all turns and assignments.

    Squared shares are A - B cos(turn - C), so the least maximum lies at one's own minimum, where two are equal (a
    linear equation in cos and sin), or at an end: a handful of turns, each tried.

    Parameters
    ----------
    threads_mm, holes_mm : ndarray of shape (n, 2) and (m, 2)
    limits_mm : ndarray of shape (m,)

    Returns
    -------
    Seat or None
        None when there are fewer holes than threads.
    """
    n, m = len(threads_mm), len(holes_mm)
    if m < n or n == 0:
        return None
    most = math.radians(most_deg)
    # share² of thread i in hole j = constant - cosine cos(turn) - sine sin(turn), turn clockwise
    terms: dict[tuple[int, int], tuple[float, float, float]] = {}
    for (i, (x, y)), (j, (p, q)) in itertools.product(enumerate(threads_mm.tolist()), enumerate(holes_mm.tolist())):
        inverse = 1.0 / max(float(limits_mm[j]), 1e-3) ** 2
        squares = x * x + y * y + p * p + q * q
        terms[i, j] = squares * inverse, 2.0 * (x * p + y * q) * inverse, 2.0 * (x * q - y * p) * inverse
    best: tuple[float, float, tuple[int, ...]] | None = None
    for choice in itertools.permutations(range(m), n):
        pairs = [terms[i, j] for i, j in enumerate(choice)]
        for turn in _turns_to_try(pairs, most):
            c, s = math.cos(turn), math.sin(turn)
            share = max(constant - cosine * c - sine * s for constant, cosine, sine in pairs)
            if best is None or share < best[0] - 1e-12:
                best = share, turn, choice
    assert best is not None
    _, turn, choice = best
    turned = turn_holes(holes_mm[list(choice)], math.degrees(turn))
    distances = np.hypot(*(turned - threads_mm).T)
    return Seat(math.degrees(turn), choice, tuple(map(float, distances)), tuple(float(limits_mm[j]) for j in choice))


def _turns_to_try(pairs: list[tuple[float, float, float]], most: float) -> list[float]:
    """No turn, both ends, where each share is least, and where two are equal; only those allowed."""
    turns = [0.0, -most, most, *(math.atan2(sine, cosine) for _, cosine, sine in pairs)]
    for (c0, a0, b0), (c1, a1, b1) in itertools.combinations(pairs, 2):
        a, b, c = a0 - a1, b0 - b1, c0 - c1
        length = math.hypot(a, b)
        if length > 1e-12 and abs(c) <= length:
            base, swing = math.atan2(b, a), math.acos(c / length)
            turns += [_half_turn(base + swing), _half_turn(base - swing)]
    return [turn for turn in turns if abs(turn) <= most + 1e-12]


def turn_holes(points_mm: Array, turn_deg: float) -> Array:
    """Points (..., 2) turned clockwise about the axis."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    x, y = points_mm[..., 0], points_mm[..., 1]
    return np.stack([c * x + s * y, -s * x + c * y], axis=-1)


def _half_turn(angle: float) -> float:
    return math.remainder(angle, 2.0 * math.pi)
