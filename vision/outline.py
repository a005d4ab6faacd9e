"""Sub-pixel edges: from the network's maps to closed curves, then to the strongest edge of the photo nearby."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import medians

Array = NDArray[np.float64]
F = TypeVar("F", np.float32, np.float64)

UPSAMPLING: Final = 4  # contour vertices every quarter of a map pixel before they are moved onto the level
MARGIN: Final = 8  # map pixels about what is over the level: no step onto the level looks farther
NEIGHBOURS: Final = 6  # points to either side that a point must move with
PROFILE_STEP: Final = 0.5  # sampling along the normal, in units of the picture's own pixel (or coarser when blurred)


@dataclass(frozen=True, slots=True)
class Edge:
    """A closed edge in photo pixels, with how far each point was moved onto the photo's own edge."""

    points_px: Array  # (N, 2), anticlockwise as seen in the picture (y down: clockwise in image axes)
    moved_px: Array  # (N,) signed, outwards positive
    contrast: Array  # (N,) grey levels across the edge, 0 where the photo showed none
    width_px: Array  # (N,) spread of the edge along the normal, standard deviation

    @property
    def found(self) -> NDArray[np.bool_]:
        """Where the photo itself shows an edge."""
        return self.contrast > 0.0


def level_curves(values: NDArray[np.float32], level: float = 0.5) -> list[Array]:
    """Closed curves on which a map passes a level, outer borders only, largest first.

    Parameters
    ----------
    values : ndarray of shape (H, W), float32
    level : float

    Returns
    -------
    list of ndarray of shape (N, 2)
        Columns x, y in pixels of the map (first pixel's centre at 0, 0).
    """
    x0, y0, w, h = cv2.boundingRect((values > level).astype(np.uint8))
    if w == 0:
        return []
    x0, y0, x1, y1 = max(x0 - MARGIN, 0), max(y0 - MARGIN, 0), x0 + w + MARGIN, y0 + h + MARGIN
    values = values[y0:y1, x0:x1]
    h, w = values.shape
    large = cv2.resize(values, (w * UPSAMPLING, h * UPSAMPLING), interpolation=cv2.INTER_LINEAR)
    mask = (large > level).astype(np.uint8)
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    layers = _with_gradient(values)
    curves = []
    for contour in sorted(found, key=cv2.contourArea, reverse=True):
        if len(contour) < 4 * UPSAMPLING:
            continue
        points = (contour[:, 0, :].astype(np.float64) + 0.5) / UPSAMPLING - 0.5 + (x0, y0)
        curves.append(_onto_level(layers, points, level, (x0, y0)))
    return curves


def _with_gradient(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """The map smoothed a little, and its change to the right and down, (H, W, 3)."""
    smooth = cv2.GaussianBlur(values, (0, 0), 0.6)
    changes = (cv2.Sobel(smooth, cv2.CV_32F, *way, ksize=3, scale=0.125) for way in ((1, 0), (0, 1)))
    return np.asarray(cv2.merge([smooth, *changes]), dtype=np.float32)


def _onto_level(layers: NDArray[np.float32], points: Array, level: float, origin: tuple[int, int]) -> Array:
    """Move contour vertices along the map's gradient onto the level (two Newton steps, at most one pixel each)."""
    for _ in range(2):
        at = points.astype(np.float32).astype(np.float64) - origin  # rounded as on the whole map: the same samples
        value, dx, dy = sample(layers, at).T
        steep = dx * dx + dy * dy
        step = np.clip((level - value) / np.maximum(steep, 1e-4), -40.0, 40.0)
        move = np.stack([dx, dy], axis=1) * step[:, None]
        length = np.linalg.norm(move, axis=1, keepdims=True)
        points = points + move / np.maximum(length, 1.0)
    return points


def sample(image: NDArray[Any], points: Array) -> Array:
    """Bilinear samples of a (H, W) or (H, W, C) image at points (…, 2), clamped at the border."""
    return samples(image, points).astype(np.float64)


def samples(image: NDArray[Any], points: Array) -> NDArray[Any]:
    """The same in the image's own type."""
    flat = points.reshape(-1, 2).astype(np.float32)
    rows = []
    limit = 30000  # cv2.remap takes maps below 32768 in each direction
    for start in range(0, len(flat), limit):
        part = flat[start : start + limit]
        rows.append(cv2.remap(image, part[:, :1], part[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0])
    found = np.concatenate(rows)
    return found.reshape(*points.shape[:-1], *image.shape[2:])


def along_rays(image: NDArray[np.uint8], points: Array, ways: Array, distances: Array) -> NDArray[np.uint8]:
    """Bilinear samples at `points` + `distances` * `ways`, clamped at the border.

    Parameters
    ----------
    image : ndarray of shape (H, W, C), uint8
    points, ways : ndarray of shape (N, 2)
        Where rays start and where they go; pixels.
    distances : ndarray of shape (K,)
        Ascending or descending: a ray's ends tell what part of the image is needed.

    Returns
    -------
    ndarray of shape (N, K, C), uint8
        With C colours; of shape (0, 0, C) where there is next to nothing of the image.
    """
    ends = np.concatenate([points + distance * ways for distance in (distances[0], distances[-1])])
    x0, y0 = np.maximum(np.floor(ends.min(axis=0)).astype(int) - 2, 0)
    x1, y1 = np.ceil(ends.max(axis=0)).astype(int) + 3
    window = image[y0:y1, x0:x1]
    if min(window.shape[:2]) < 3:
        return window[:0, :0]
    x, y = (
        (points[:, k, None] + distances * ways[:, k, None] - start).astype(np.float32)
        for k, start in ((0, x0), (1, y0))
    )
    found = cv2.remap(window, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, dtype=np.uint8)


def length(vectors: NDArray[F]) -> NDArray[F]:
    """Lengths of vectors (…, 3), as of colours: NumPy sums so short a last axis several times slower."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    return np.asarray(np.sqrt(x * x + (y * y + z * z)), dtype=vectors.dtype)


def resample_closed(points: Array, count: int) -> Array:
    """The closed polygon through `points` at `count` places of equal arc length, as an (count, 2) array."""
    closed = np.concatenate([points, points[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0.0, length[-1], count, endpoint=False)
    return np.stack([np.interp(at, length, closed[:, 0]), np.interp(at, length, closed[:, 1])], axis=1)


@lru_cache(maxsize=16)
def _gaussian_response(n: int, sigma: float) -> Array:
    return np.asarray(np.exp(-2.0 * (np.pi * np.fft.rfftfreq(n) * sigma) ** 2), dtype=np.float64)


def smooth_closed(values: Array, sigma: float) -> Array:
    """Gaussian smoothing along a closed curve; `sigma` in samples; values of shape (N,) or (N, C)."""
    if sigma <= 0.0:
        return values
    n = len(values)
    response = _gaussian_response(n, sigma)
    spectrum = np.fft.rfft(values, axis=0)
    return np.fft.irfft(spectrum * (response if values.ndim == 1 else response[:, None]), n=n, axis=0)


def outward_normals(points: Array, smooth: float = 2.0) -> Array:
    """Unit normals of a closed curve that point out of it; image axes (y down) or mm alike."""
    around = np.concatenate([points[-1:], points, points[:1]])
    along = smooth_closed(around[2:] - around[:-2], smooth)
    x, y = along[:, 0], along[:, 1]
    size = np.maximum(np.sqrt(x * x + y * y), 1e-12)
    if signed_area(points) <= 0.0:
        size = -size
    return np.stack([y / size, -x / size], axis=1)


def signed_area(points: Array) -> float:
    """Shoelace area of a closed polygon (N, 2); positive when it runs anticlockwise in axes with y up."""
    x, y = points[:, 0], points[:, 1]
    within = x[:-1] @ y[1:] - x[1:] @ y[:-1]
    return float(0.5 * (within + x[-1] * y[0] - x[0] * y[-1]))


def snap_to_photo(pixels: NDArray[np.uint8], points: Array, reach_px: float, prior_px: float) -> Edge:
    """Move each point of a closed curve along its normal to the photo's own edge.

    The colour contrast across the curve is projected on its main direction, so that edges between things of equal
    brightness count too; the edge is the centroid of the gradient's peak, weighted by the distance from where the
    network saw it.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    points : ndarray of shape (N, 2)
        A closed curve in photo pixels.
    reach_px : float
        How far to look on either side.
    prior_px : float
        Standard deviation of the network's own edge.
    """
    normal = outward_normals(points)
    step = max(PROFILE_STEP, reach_px / 12.0)
    half = int(np.ceil(reach_px / step)) + 2
    offset = np.asarray(np.arange(-half, half + 1) * step, dtype=np.float64)
    colour = along_rays(pixels, points, normal, offset).astype(np.float64)
    colour = smooth_closed(colour.reshape(len(points), -1), 1.0).reshape(colour.shape)
    third = max(2, half // 2)
    contrast = colour[:, -third:].mean(axis=1) - colour[:, :third].mean(axis=1)
    direction = contrast / np.maximum(length(contrast), 1e-6)[:, None]
    red, green, blue = (colour[..., k] * direction[:, k, None] for k in range(3))
    profile = red + green + blue
    gradient = np.gradient(profile, step, axis=1)
    weight = np.exp(-0.5 * (offset / prior_px) ** 2) * (np.abs(offset) <= reach_px)
    score = np.clip(gradient, 0.0, None) * weight
    peak = np.argmax(score, axis=1)
    rising = np.clip(gradient, 0.0, None)
    moved = offset[peak]
    wide = max(1.8, 1.8 * step)
    for _ in range(5):  # mean shift on the bare gradient: the prior chose the peak, it must not bias its place
        local = rising * np.exp(-0.5 * ((offset[None, :] - moved[:, None]) / wide) ** 2)
        total = local.sum(axis=1)
        moved = np.where(total > 0.0, (local * offset).sum(axis=1) / np.maximum(total, 1e-9), moved)
    spread = np.sqrt((local * (offset - moved[:, None]) ** 2).sum(axis=1) / np.maximum(total, 1e-9))
    height = total * step
    good = (height > 6.0) & (np.abs(moved) <= reach_px)
    moved = np.where(good, moved, 0.0)
    return Edge(
        points_px=points + moved[:, None] * normal,
        moved_px=moved,
        contrast=np.where(good, height, 0.0),
        width_px=np.where(good, spread, 0.0),
    )


def agree_with_neighbours(edge: Edge, limit_px: float) -> NDArray[np.bool_]:
    """Which points moved as their neighbours did: False for burrs, glare and jumps to another edge."""
    beyond = np.concatenate([edge.moved_px[-NEIGHBOURS:], edge.moved_px, edge.moved_px[:NEIGHBOURS]])
    around = np.lib.stride_tricks.sliding_window_view(beyond, 2 * NEIGHBOURS + 1)
    return np.asarray(edge.found & (np.abs(edge.moved_px - medians(around)) <= limit_px), dtype=np.bool_)


def ellipse_residual(points: Array) -> Array:
    """Distance of points from their own ellipse, over its mean radius; positive outside; shape (N,)."""
    (cx, cy), (a, b), turn = cv2.fitEllipseDirect(points.astype(np.float32).reshape(-1, 1, 2))
    angle = np.radians(turn)
    d = points - (cx, cy)
    u = d[:, 0] * np.cos(angle) + d[:, 1] * np.sin(angle)
    v = -d[:, 0] * np.sin(angle) + d[:, 1] * np.cos(angle)
    return np.asarray(np.hypot(u / max(a / 2.0, 1e-6), v / max(b / 2.0, 1e-6)) - 1.0, dtype=np.float64)
