"""Photo -> the rim of a named coin, sub-pixel, told from the part, from holes and from other round things."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.outline import ellipse_residual, sample
from vision.photo import Photo
from vision.quantity import NotMeasured
from vision.scale import CircleReference, Scale
from vision.scale.coins import COINS, Coin, coin_by_name, twins
from vision.segment import Regions

Array = NDArray[np.float64]

RAYS: Final = 180
SEARCH: Final = (0.72, 1.32)  # of the first radius: how far the rim is looked for
SEARCH_AGAIN: Final = (0.90, 1.12)
TRIALS: Final = 200
PEAKS: Final = 4  # edges kept on a ray: outer rim, inner rim, relief, shadow
LEAST_SUPPORT: Final = 0.5  # of the rays must see the rim
OUTER_SUPPORT: Final = 0.72  # an outer ring with this share of the best ring's support is the rim, the best is its inner edge
INLIER: Final = 0.012  # of the radius
LEAST_RADIUS_PX: Final = 14.0
MOST_ELONGATED: Final = 0.62  # short over long axis: a coin seen at over 50 degrees is no reference
SIGMA_PX: Final = 0.4


@dataclass(frozen=True, slots=True)
class Rim:
    """One round rim in the picture: its ellipse, edge points, and how much of it was seen."""

    centre_px: tuple[float, float]
    axes_px: tuple[float, float]  # semi-axes, long first
    edge_px: Array
    support: float
    confidence: float
    rms_px: float

    @property
    def radius_px(self) -> float:
        """Long semi-axis: what a tilt leaves as it is."""
        return self.axes_px[0]


def find_coin(
    photo: Photo, coin: str, *, regions: Regions | None = None, part_mask: NDArray[np.bool_] | None = None
) -> Scale | NotMeasured:
    """The named coin in the photo.

    Parameters
    ----------
    photo : Photo
    coin : str
        A name of the table, or the diameter of any round thing as ``24.75mm``.
    regions : Regions, optional
        What the finder network saw; without it round edges are looked for in the whole picture.
    part_mask : ndarray of bool, optional
        Cells of `regions` that are the part: no coin lies there.

    Returns
    -------
    Scale or NotMeasured
        `coin-not-found` when no whole round rim was seen.

    Raises
    ------
    ValueError
        If no coin has that name.
    """
    known = coin_by_name(coin)
    rims = find_rims(photo, regions=regions, part_mask=part_mask)
    if not rims:
        text = "the coin was not found: lay it flat beside the part, whole in the picture and clear of its shadow"
        return NotMeasured("coin-not-found", text)
    chosen = named_rim(rims, known)
    notes: list[NotMeasured] = []
    if len(rims) > 1:
        notes.append(NotMeasured("several-coins", f"{len(rims)} coins are seen; the one whose size fits {known.id} best was used"))
    if chosen.support < 0.7:
        notes.append(NotMeasured("coin-half-seen", "the coin's rim is only partly clear: sizes are less sure"))
    sigma = float(np.clip(np.hypot(SIGMA_PX, chosen.rms_px), SIGMA_PX, 3.0))
    circle = CircleReference(chosen.edge_px, known.measured, known.height, sigma)
    return Scale("coin", known.id, (circle,), known.measured.u / known.measured.value, tuple(notes))


def twin_note(coin: Coin) -> NotMeasured | None:
    """A word on coins of the same size, which no photo tells apart; None where there is none."""
    same = twins(coin)
    if not same:
        return None
    return NotMeasured("coin-twin", f"{', '.join(same)} has nearly the same size as {coin.id}: it serves as well")


def find_rims(
    photo: Photo, *, regions: Regions | None = None, part_mask: NDArray[np.bool_] | None = None
) -> tuple[Rim, ...]:
    """All coin-like rims, the surest first."""
    pixels = photo.pixels
    starts = _network_starts(regions) if regions is not None else []
    if not starts:
        starts = _round_starts(pixels, regions, part_mask)
    rims: list[Rim] = []
    for centre, radius, confidence in starts[:6]:
        rim = trace_rim(pixels, centre, radius, confidence)
        if rim is None or any(np.hypot(*np.subtract(rim.centre_px, r.centre_px)) < 0.6 * r.radius_px for r in rims):
            continue
        rims.append(rim)
    return tuple(sorted(rims, key=lambda r: -r.support * r.confidence))


def named_rim(rims: Sequence[Rim], coin: Coin) -> Rim:
    """Which of several rims is the named coin: the one that makes the others' sizes those of struck coins, too."""
    if len(rims) == 1:
        return rims[0]
    family = coin.id.split("-")[0] + "-"
    sizes = np.array([c.mean_diameter_mm for c in COINS.values() if c.id.startswith(family)] or [coin.mean_diameter_mm])

    def misfit(rim: Rim) -> float:
        mm_per_px = coin.mean_diameter_mm / (2.0 * rim.radius_px)
        total = 0.0
        for other in rims:
            if other is not rim:
                relative = np.abs(2.0 * other.radius_px * mm_per_px / sizes - 1.0)
                total += min(float(relative.min()) / 0.02, 3.0)
        return total - 0.2 * rim.confidence * rim.support

    return min(rims, key=misfit)


def _network_starts(regions: Regions) -> list[tuple[Array, float, float]]:
    starts = []
    for piece in regions.components("coin", at_least=0.4):
        if piece.touches_frame or piece.confidence < 0.5:
            continue
        # equal-area radius: an enclosing circle grows with every stray cell
        radius = float(np.sqrt(piece.area_px / np.pi))
        rows, columns = np.nonzero(piece.mask)
        centre = (np.array([columns.mean(), rows.mean()]) + 0.5) * regions.step_px - 0.5
        if radius >= LEAST_RADIUS_PX and radius > 0.72 * piece.radius_px:
            starts.append((centre, radius, piece.confidence))
    return starts


def _round_starts(
    pixels: NDArray[np.uint8], regions: Regions | None, part_mask: NDArray[np.bool_] | None
) -> list[tuple[Array, float, float]]:
    """Round edges of the whole picture by the gradient Hough transform, for pictures where the network saw no coin."""
    shrink = max(1.0, max(pixels.shape[:2]) / 900.0)
    size = (round(pixels.shape[1] / shrink), round(pixels.shape[0] / shrink))
    grey = cv2.medianBlur(cv2.cvtColor(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY), 5)
    least = max(10, round(0.02 * max(size)))
    found = cv2.HoughCircles(
        grey, cv2.HOUGH_GRADIENT_ALT, 1.5, 2 * least, param1=220, param2=0.72, minRadius=least, maxRadius=max(size) // 4
    )
    if found is None:
        return []
    starts = []
    for x, y, r in found.reshape(-1, 3)[:12]:
        centre = (np.array([x, y]) + 0.5) * shrink - 0.5
        if part_mask is not None and regions is not None:
            row, column = ((centre[::-1] + 0.5) / regions.step_px).astype(int)
            if part_mask[min(row, part_mask.shape[0] - 1), min(column, part_mask.shape[1] - 1)]:
                continue
        starts.append((centre, float(r) * shrink, 0.5))
    return starts


def trace_rim(pixels: NDArray[np.uint8], centre: Array, radius: float, confidence: float = 1.0) -> Rim | None:
    """The outermost well-supported ellipse near a first circle.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    centre : ndarray of shape (2,)
    radius : float
        First guess, px; the rim is looked for from 0.72 to 1.32 of it, then closer.
    """
    if radius < LEAST_RADIUS_PX:
        return None
    shape = np.array([radius, 0.0, 0.0, 0.0, 0.0])
    for search in (SEARCH, SEARCH_AGAIN):
        found = _ring(pixels, centre, shape, search)
        if found is None:
            return None
        coefficients, _, _ = found
        centre = centre + coefficients[1:3]
        shape = np.array([coefficients[0], 0.0, 0.0, coefficients[3], coefficients[4]])
    found = _ring(pixels, centre, shape, SEARCH_AGAIN)
    if found is None:
        return None
    _, points, support = found
    if support < LEAST_SUPPORT or len(points) < 30:
        return None
    (cx, cy), (d1, d2), _ = cv2.fitEllipseDirect(points.astype(np.float32).reshape(-1, 1, 2))
    long, short = max(d1, d2) / 2.0, min(d1, d2) / 2.0
    if not np.isfinite(long) or short < MOST_ELONGATED * long or long < LEAST_RADIUS_PX:
        return None
    stray = ellipse_residual(points) * long
    kept = np.abs(stray) < max(3.0 * 1.4826 * float(np.median(np.abs(stray))), 0.4)
    points = points[kept]
    return Rim((float(cx), float(cy)), (long, short), points, support * float(kept.mean()), confidence, float(stray[kept].std()))


def _design(angle: Array) -> Array:
    """An ellipse's radius to first order in its shift and flattening."""
    return np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])


def _ring(
    pixels: NDArray[np.uint8], centre: Array, shape: Array, search: tuple[float, float]
) -> tuple[Array, Array, float] | None:
    """Radius coefficients, edge points and the share of rays of the outermost ring that most rays see."""
    angle = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    first = _design(angle) @ shape
    radius = float(shape[0])
    step = max(0.5, radius * (search[1] - search[0]) / 160.0)
    offset = np.arange(radius * (search[0] - 1.0), radius * (search[1] - 1.0) + step, step)
    where = centre + (first[:, None] + offset[None, :])[:, :, None] * unit[:, None, :]
    height, width = pixels.shape[:2]
    inside = ((where >= 0) & (where <= (width - 1, height - 1))).all(axis=2)
    if inside.mean() < 0.7:
        return None
    colour = sample(_window(pixels, where), where - _corner(pixels, where)).astype(np.float32)
    sigma = max(0.7, 0.006 * radius / step)
    smooth = cv2.GaussianBlur(colour, (0, 0), sigmaX=sigma, sigmaY=0.8, borderType=cv2.BORDER_REPLICATE)
    gradient = np.linalg.norm(np.gradient(smooth, axis=1), axis=2) / step
    gradient[~inside] = 0.0
    position, strength = _peaks(gradient, offset, step)
    strong = strength > max(0.25 * float(np.quantile(strength[:, 0], 0.75)), 1.0)
    rays = np.flatnonzero(strong.any(axis=1))
    if len(rays) < 0.4 * RAYS:
        return None
    return _outermost(angle, unit, centre, first, position, strength, strong, radius)


def _corner(pixels: NDArray[np.uint8], where: Array) -> Array:
    low = np.floor(where.reshape(-1, 2).min(axis=0)).astype(int) - 2
    return np.maximum(low, 0).astype(float)


def _window(pixels: NDArray[np.uint8], where: Array) -> NDArray[np.uint8]:
    x0, y0 = _corner(pixels, where).astype(int)
    x1, y1 = np.ceil(where.reshape(-1, 2).max(axis=0)).astype(int) + 3
    return np.ascontiguousarray(pixels[y0 : max(y1, y0 + 2), x0 : max(x1, x0 + 2)])


def _peaks(gradient: Array, offset: Array, step: float) -> tuple[Array, Array]:
    """The strongest local maxima on every ray, sub-sample: positions and strengths, (rays, PEAKS)."""
    before, here, after = gradient[:, :-2], gradient[:, 1:-1], gradient[:, 2:]
    peak = (here > before) & (here >= after)
    strength = np.where(peak, here, 0.0)
    order = np.argsort(-strength, axis=1)[:, :PEAKS]
    take = np.take_along_axis
    b, h, a = (take(v, order, axis=1) for v in (before, here, after))
    bend = b - 2.0 * h + a
    shift = np.where(np.abs(bend) > 1e-9, 0.5 * (b - a) / np.where(np.abs(bend) > 1e-9, bend, 1.0), 0.0)
    return offset[order + 1] + np.clip(shift, -1.0, 1.0) * step, take(strength, order, axis=1)


def _trial_rings(design: Array, target: Array, strong: NDArray[np.bool_]) -> Array:
    """Radius coefficients through the edges of seven random rays each, (TRIALS, 5)."""
    rng = np.random.default_rng(0)
    rays = np.flatnonzero(strong.any(axis=1))
    chosen = rays[np.argsort(rng.random((TRIALS, len(rays))), axis=1)[:, :7]]
    column = np.argmax(strong[chosen] * rng.random((TRIALS, 7, PEAKS)), axis=2)
    a, y = design[chosen], target[chosen, column]
    normal = np.einsum("tri,trj->tij", a, a) + 1e-6 * np.eye(5)
    return np.asarray(np.linalg.solve(normal, np.einsum("tri,tr->ti", a, y)[:, :, None])[:, :, 0])


def _outermost(
    angle: Array,
    unit: Array,
    centre: Array,
    first: Array,
    position: Array,
    strength: Array,
    strong: NDArray[np.bool_],
    radius: float,
) -> tuple[Array, Array, float] | None:
    design = _design(angle)
    tolerance = max(INLIER * radius, 0.8)
    weight = np.where(strong, np.sqrt(strength / max(float(np.quantile(strength[:, 0], 0.9)), 1e-9)).clip(0.3, 1.0), 0.0)
    target = np.where(strong, first[:, None] + position, -1e9)
    fits = _trial_rings(design, target, strong)
    plausible = (np.hypot(fits[:, 3], fits[:, 4]) < 0.24 * radius) & (fits[:, 0] > 0.5 * radius)
    fits = fits[plausible & (np.hypot(fits[:, 1], fits[:, 2]) < 0.35 * radius)]
    if not len(fits):
        return None
    near = np.abs(target[None] - (fits @ design.T)[:, :, None]) < tolerance
    score = (near * weight).max(axis=2).sum(axis=1) / RAYS
    good = score >= OUTER_SUPPORT * score.max()
    fit = fits[good][np.argmax(fits[good, 0] + 0.02 * radius * score[good] / score.max())]
    support, points = 0.0, np.empty((0, 2))
    for _ in range(4):
        away = np.abs(target - (design @ fit)[:, None])
        nearest = np.argmin(away, axis=1)
        rows = np.flatnonzero(np.take_along_axis(away, nearest[:, None], axis=1)[:, 0] < tolerance)
        if len(rows) < 20:
            return None
        values = target[rows, nearest[rows]]
        fit = np.linalg.lstsq(design[rows], values, rcond=None)[0]
        support = len(rows) / RAYS
        points = centre + values[:, None] * unit[rows]
    return fit, points, support
