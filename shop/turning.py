"""One small rotation that brings holes over threads: solved by intersecting intervals, never searched by a grid."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def allowed_turns(threads_mm: Array, holes_mm: Array, limits_mm: Array) -> tuple[Array, Array]:
    """For each thread and hole, the turns of the hole about the axis that bring it within its limit of the thread.

    A hole at radius b turned to an angle d away from a thread at radius a is sqrt(a² + b² - 2 a b cos d) from it, so
    the turns are those within acos((a² + b² - limit²) / 2 a b) of the turn that lines both up: one interval.

    Parameters
    ----------
    threads_mm : ndarray of shape (..., n, 2)
    holes_mm : ndarray of shape (..., m, 2)
    limits_mm : ndarray of shape (..., m)
        Largest distance allowed for each hole; negative when no screw passes it.

    Returns
    -------
    middle, half : ndarray of shape (..., n, m), radians
        The turn (clockwise) that lines hole and thread up, and the half-width of the interval; negative when no turn
        will do, infinite when any will.
    """
    x, y = threads_mm[..., :, None, 0], threads_mm[..., :, None, 1]
    p, q = holes_mm[..., None, :, 0], holes_mm[..., None, :, 1]
    limit = limits_mm[..., None, :]
    product = np.sqrt((x * x + y * y) * (p * p + q * q))
    need = 0.5 * (x * x + y * y + p * p + q * q - limit * limit)
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = np.where(product > 1e-12, need / product, np.where(need <= 0.0, -2.0, 2.0))
    half = np.where(cosine <= -1.0, np.inf, np.where(cosine > 1.0, -1.0, np.arccos(np.clip(cosine, -1.0, 1.0))))
    # Clock angles run clockwise, so the turn from hole (p, q) to thread (x, y) is minus the usual signed angle.
    middle = np.arctan2(x * q - y * p, x * p + y * q)
    return middle, np.where(limit < 0.0, -1.0, half)


def fits_by_turning(threads_mm: Array, holes_mm: Array, limits_mm: Array, most_rad: float) -> NDArray[np.bool_]:
    """Whether some turn of at most `most_rad` brings one hole, each its own, over every thread.

    Shapes as for `allowed_turns`; the result has shape (...).
    """
    middle, half = allowed_turns(threads_mm, holes_mm, limits_mm)
    low, high = np.maximum(middle - half, -most_rad), np.minimum(middle + half, most_rad)
    low, high = np.where(half < 0.0, np.inf, low), np.where(half < 0.0, -np.inf, high)
    n, m = low.shape[-2:]
    fits = np.zeros(low.shape[:-2], dtype=np.bool_)
    usable = [[bool((low[..., i, j] <= high[..., i, j]).any()) for j in range(m)] for i in range(n)]
    for choice in itertools.permutations(range(m), n):
        if not all(usable[i][j] for i, j in enumerate(choice)):
            continue
        rows = range(n)
        fits |= low[..., rows, choice].max(axis=-1) <= high[..., rows, choice].min(axis=-1)
    return fits


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
    scale = np.maximum(limits_mm, 1e-3)
    thread_r2, hole_r2 = (threads_mm**2).sum(axis=1), (holes_mm**2).sum(axis=1)
    best: tuple[float, float, tuple[int, ...]] | None = None
    for choice in itertools.permutations(range(m), n):
        taken = list(choice)
        inverse = 1.0 / scale[taken] ** 2
        # share² = constant - cosine cos(turn) - sine sin(turn), turn clockwise
        x, y, p, q = threads_mm[:, 0], threads_mm[:, 1], holes_mm[taken, 0], holes_mm[taken, 1]
        constant = (thread_r2 + hole_r2[taken]) * inverse
        cosine, sine = 2.0 * (x * p + y * q) * inverse, 2.0 * (x * q - y * p) * inverse
        turns = [-most, most, 0.0, *np.arctan2(sine, cosine)]
        for i, j in itertools.combinations(range(n), 2):
            a, b, c = cosine[i] - cosine[j], sine[i] - sine[j], constant[i] - constant[j]
            length = math.hypot(a, b)
            if length > 1e-12 and abs(c) <= length:
                base, swing = math.atan2(b, a), math.acos(c / length)
                turns += [_half_turn(base + swing), _half_turn(base - swing)]
        tried = np.array([turn for turn in turns if abs(turn) <= most + 1e-12])
        shares = (constant - np.outer(np.cos(tried), cosine) - np.outer(np.sin(tried), sine)).max(axis=1)
        least = int(shares.argmin())
        if best is None or shares[least] < best[0] - 1e-12:
            best = float(shares[least]), float(tried[least]), choice
    assert best is not None
    _, turn, choice = best
    turned = turn_holes(holes_mm[list(choice)], math.degrees(turn))
    distances = np.hypot(*(turned - threads_mm).T)
    return Seat(
        math.degrees(turn), choice, tuple(map(float, distances)), tuple(float(limits_mm[j]) for j in choice)
    )


def turn_holes(points_mm: Array, turn_deg: float) -> Array:
    """Points (..., 2) turned clockwise about the axis."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    x, y = points_mm[..., 0], points_mm[..., 1]
    return np.stack([c * x + s * y, -s * x + c * y], axis=-1)


def _half_turn(angle: float) -> float:
    return math.remainder(angle, 2.0 * math.pi)
