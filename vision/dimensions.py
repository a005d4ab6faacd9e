"""Sizes of an outline in the part's own frame: x to 3 o'clock, y to 12, origin on the axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.outline import smooth_closed

Array = NDArray[np.float64]

TAIL_SECTOR_DEG = 75.0  # the tail lies within this of 12 o'clock, also a hook's foot and a hammer's bar


def reach(outline: Array) -> float:
    """Axis to the farthest point of the tail.

    A maximum over noisy points reads high, so the distance is smoothed over its nearest neighbours first.
    """
    distance = smooth_closed(np.linalg.norm(outline, axis=1), 0.7)
    turn = np.degrees(np.abs(np.arctan2(outline[:, 0], outline[:, 1])))
    tail = turn <= TAIL_SECTOR_DEG
    return float(distance[tail].max()) if tail.any() else float(distance.max())


def length(outline: Array) -> float:
    """Over all along the tail direction."""
    return float(np.ptp(smooth_closed(outline[:, 1], 0.7)))


def width(outline: Array) -> float:
    """Over all across the tail direction."""
    return float(np.ptp(smooth_closed(outline[:, 0], 0.7)))


def crossings(outline: Array, y: float) -> Array:
    """The x at which the outline passes a height y, ascending; shape (K,)."""
    a, b = outline, np.roll(outline, -1, axis=0)
    crosses = (a[:, 1] > y) != (b[:, 1] > y)
    a, b = a[crosses], b[crosses]
    return np.sort(a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))


def tail_width(outline: Array, at: float) -> float | None:
    """Width of the outline at a height above the axis, from its outermost crossings; None where it has none."""
    x = crossings(outline, at)
    return float(x[-1] - x[0]) if len(x) >= 2 else None


def tail_end(outline: Array) -> float:
    """Where the 12 o'clock ray from the axis leaves the part for good; the reach where it meets no edge."""
    turned = np.column_stack([-outline[:, 1], outline[:, 0]])  # x and y change places: the ray is a row now
    leaves = -crossings(turned, 0.0)
    ahead = leaves[leaves > 0.0]
    return float(ahead.max()) if len(ahead) else reach(outline)
