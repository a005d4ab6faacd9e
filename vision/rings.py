"""Photo -> the round edges about one place: a hole's through edge and its countersink, told from the glints between."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import median, quantile
from vision.outline import along_rays, length

Array = NDArray[np.float64]

RAYS: Final = 96
PEAKS: Final = 6  # edges kept on a ray
LEAST_SAMPLES: Final = 4  # on a ray: a local maximum needs a neighbour on either side
TRIALS: Final = 260
DRAWN: Final = 6  # rays a trial ring goes through
INLIER: Final = 0.045  # of a ring's radius
LEAST_INLIER_PX: Final = 0.9
MOST_FLAT: Final = 0.16  # amplitude of cos 2 over the radius: a circle seen at about 45 degrees
MOST_SHIFT: Final = 0.45  # of the first radius: how far off the network's centre a ring's may lie
SAME: Final = 1.06
NO_ARC: Final = 1e-9 * np.eye(5)  # keeps a fit to rays that lie too close together from failing
APART: Final = 1.16  # two rings nearer in radius than this are one edge seen twice


@dataclass(frozen=True, slots=True)
class Ring:
    """One round edge: its points (N, 2) in photo pixels, mean radius, and the share of directions that see it."""

    points_px: Array
    radius_px: float
    support: float
    strength: float


def find_rings(
    pixels: NDArray[np.uint8], centre_px: Array, radius_px: float, search: tuple[float, float], least_support: float
) -> tuple[Ring, ...]:
    """Round edges near a first circle, the widest first.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    centre_px : ndarray of shape (2,)
    radius_px : float
    search : (float, float)
        Least and greatest radius looked at, over the first.
    least_support : float
        Share of the directions that must see a ring.
    """
    angle = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    step = max(0.35, radius_px / 24.0)
    distance = np.arange(search[0] * radius_px, search[1] * radius_px, step)
    if len(distance) < LEAST_SAMPLES:
        return ()
    colour = along_rays(pixels, np.broadcast_to(centre_px, unit.shape), unit, distance).astype(np.float32)
    if not colour.size:
        return ()
    smooth = cv2.GaussianBlur(colour, (0, 0), sigmaX=max(0.8, 0.8 / step), sigmaY=1.0)
    gradient = length(np.gradient(np.asarray(smooth, dtype=np.float64), axis=1)) / step
    place, height = _peaks(gradient, distance, step)
    strong = height > max(0.2 * float(quantile(height[:, 0], 0.7)), 1.2)
    if strong.any(axis=1).mean() < least_support:
        return ()
    place = np.where(strong, place, -1e9)
    design = np.column_stack(
        [np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)]
    )
    fits = _trial_rings(design, place, strong)
    fine = (np.hypot(fits[:, 3], fits[:, 4]) < MOST_FLAT * fits[:, 0]) & (fits[:, 0] > search[0] * radius_px)
    fits = fits[fine & (np.hypot(fits[:, 1], fits[:, 2]) < MOST_SHIFT * radius_px)]
    rings: list[Ring] = []
    weight = np.sqrt(np.where(strong, height, 0.0) / max(float(quantile(height[:, 0], 0.9)), 1e-9)).clip(0.0, 1.0)
    room = np.maximum(INLIER * fits[:, :1], LEAST_INLIER_PX)
    rings_at, counts = fits @ design.T, 0.35 + 0.65 * weight
    score = np.zeros_like(rings_at)  # (fits, RAYS)
    for edges, counted in zip(place.T, counts.T, strict=True):
        np.maximum(score, (np.abs(edges - rings_at) < room) * counted, out=score)
    score = score.mean(axis=1)
    while len(fits) and len(rings) < 4:
        best = int(np.argmax(score))
        ring = _settled(design, place, height, fits[best], centre_px, unit)
        if ring is not None and ring.support >= least_support:
            if all(not 1.0 / SAME < ring.radius_px / other.radius_px < SAME for other in rings):
                rings.append(ring)
        elif score[best] < 0.5 * least_support:
            break
        ratio = fits[:, 0] / fits[best, 0]
        others = (ratio > APART) | (ratio < 1.0 / APART)
        fits, score = fits[others], score[others]
    return tuple(sorted(rings, key=lambda r: -r.radius_px))


def _peaks(gradient: Array, distance: Array, step: float) -> tuple[Array, Array]:
    """The strongest local maxima on every ray, sub-sample: distances and heights, (RAYS, PEAKS), fewer on short rays."""
    before, here, after = gradient[:, :-2], gradient[:, 1:-1], gradient[:, 2:]
    height = np.where((here > before) & (here >= after), here, 0.0)
    order = np.argsort(-height, axis=1)[:, :PEAKS]
    b, h, a = (np.take_along_axis(v, order, axis=1) for v in (before, here, after))
    bend = b - 2.0 * h + a
    shift = np.where(np.abs(bend) > 1e-9, 0.5 * (b - a) / np.where(np.abs(bend) > 1e-9, bend, 1.0), 0.0)
    return distance[order + 1] + np.clip(shift, -1.0, 1.0) * step, np.take_along_axis(height, order, axis=1)


@lru_cache(maxsize=64)
def _draws(rays: int, peaks: int) -> tuple[NDArray[np.intp], Array]:
    """Which of some rays each trial goes through, (TRIALS, DRAWN) or fewer, and numbers that choose among a ray's edges,
    (TRIALS, peaks): always the same, so that a photo reads the same."""
    rng = np.random.default_rng(0)
    chosen = np.argsort(rng.random((TRIALS, rays)), axis=1)[:, : min(DRAWN, rays)]
    return np.ascontiguousarray(chosen), rng.random((TRIALS, peaks))


def _trial_rings(design: Array, place: Array, strong: NDArray[np.bool_]) -> Array:
    """Radius coefficients through edges of a few random rays each, (TRIALS, 5); edges of like rank are drawn together."""
    rays = np.flatnonzero(strong.any(axis=1))
    drawn, ranks = _draws(len(rays), place.shape[1])
    chosen = rays[drawn]
    first = place[chosen[:, 0], np.argmax(strong[chosen[:, 0]] * ranks, axis=1)]
    nearest = np.argmin(np.abs(place[chosen] - first[:, None, None]), axis=2)  # a ring is about equally far everywhere
    a = design[chosen]
    y = np.take_along_axis(place[chosen], nearest[:, :, None], axis=2)[:, :, 0]
    normal = np.einsum("tri,trj->tij", a, a) + 1e-3 * np.diag([0.0, 0.05, 0.05, 1.0, 1.0]) + 1e-9 * np.eye(5)
    return np.asarray(np.linalg.solve(normal, np.einsum("tri,tr->ti", a, y)[:, :, None])[:, :, 0])


def _settled(design: Array, place: Array, height: Array, fit: Array, centre: Array, unit: Array) -> Ring | None:
    """Refit a trial ring to all edges near it."""
    for _ in range(4):
        away = np.abs(place - (design @ fit)[:, None])
        nearest = np.argmin(away, axis=1)
        rows = np.flatnonzero(away[np.arange(len(away)), nearest] < max(INLIER * fit[0], LEAST_INLIER_PX))
        if len(rows) < 12:
            return None
        values = place[rows, nearest[rows]]
        own = design[rows]
        fit = np.linalg.solve(own.T @ own + NO_ARC, own.T @ values)
    points = centre + values[:, None] * unit[rows]
    return Ring(points, float(fit[0]), len(rows) / len(place), median(height[rows, nearest[rows]]))
