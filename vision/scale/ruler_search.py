"""Where a ruler may lie: places where gradients of one direction come and go with one period."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

LONG_SIDES_PX: Final = (2048, 1024)  # two sizes of picture, so that fine and coarse graduations both fit a tile
TILE_PX: Final = 64
STRIDE_PX: Final = 32
PERIODS_PX: Final = (2.6, 24.0)  # below, the camera's own pixels are as coarse as the graduation
OVERSAMPLING: Final = 4
MIN_REPEAT: Final = 0.30  # correlation of a tile's gradient profile with itself one period on; text has about 0.2
TRANSFORM: Final = 256
BINS: Final = 96  # of one pixel: a tile's diagonal


@dataclass(frozen=True, slots=True)
class Seed:
    """A place that looks graduated. `direction` runs along the ruler, `period_px` is the step from mark to mark."""

    centre_px: NDArray[np.float64]  # (2,) in the full picture
    direction: NDArray[np.float64]  # (2,) unit
    period_px: float
    repeat: float  # 0 to 1
    support: float  # summed repeat of the tiles in line with this one


def find_seeds(
    gray: NDArray[np.uint8],
    *,
    allowed: NDArray[np.bool_] | None = None,
    limit: int = 12,
    long_sides_px: tuple[int, ...] = LONG_SIDES_PX,
) -> list[Seed]:
    """Candidate places on graduated edges, best first.

    Parameters
    ----------
    gray : ndarray of shape (H, W), uint8
    allowed : ndarray of shape (h, w), bool, optional
        Where to look, over the whole picture at any size; everywhere when None.
    limit : int
        The most that is returned.
    long_sides_px : tuple of int
        Sizes the picture is looked at in.

    Returns
    -------
    list of Seed
        At most one for each line of tiles in one direction with one period.
    """
    height, width = gray.shape
    box = (0, 0, width, height)
    if allowed is not None:  # only what lies round the places allowed is looked at
        rows, columns = np.flatnonzero(allowed.any(axis=1)), np.flatnonzero(allowed.any(axis=0))
        if rows.size == 0:
            return []
        to_y, to_x = height / allowed.shape[0], width / allowed.shape[1]
        room = 0.05 * max(gray.shape)  # enough of the ground to tell its noise by
        box = (
            max(0, int(columns[0] * to_x - room)),
            max(0, int(rows[0] * to_y - room)),
            min(width, int((columns[-1] + 1) * to_x + room)),
            min(height, int((rows[-1] + 1) * to_y + room)),
        )
        grid = cv2.resize(allowed.astype(np.uint8), (max(width // 8, 1), max(height // 8, 1)))
        allowed = grid[box[1] // 8 : -(-box[3] // 8), box[0] // 8 : -(-box[2] // 8)] > 0
    cut = np.ascontiguousarray(gray[box[1] : box[3], box[0] : box[2]])
    sizes = {min(1.0, long_side_px / max(gray.shape)) for long_side_px in long_sides_px}
    tiles: list[Seed] = []
    for scale in sorted(sizes):
        tiles += _periodic_tiles(_reduced(cut, scale), 1.0 / scale, allowed)
    offset = np.array([box[0], box[1]], float)
    return [replace(s, centre_px=s.centre_px + offset) for s in _lines_of_tiles(tiles, limit)]


def _reduced(gray: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    if scale == 1.0:
        return gray
    return np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)


def _periodic_tiles(gray: NDArray[np.uint8], to_full: float, allowed: NDArray[np.bool_] | None) -> list[Seed]:
    height, width = gray.shape
    if min(height, width) < TILE_PX:
        return []
    smooth = cv2.GaussianBlur(gray, (3, 3), 0.6)
    gx = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125), np.float32)
    gy = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125), np.float32)
    size = cv2.magnitude(gx, gy)
    rows = (height - TILE_PX) // STRIDE_PX + 1
    columns = (width - TILE_PX) // STRIDE_PX + 1

    def tile_mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
        cut = values[: (rows + 1) * STRIDE_PX, : (columns + 1) * STRIDE_PX]
        cells = cv2.resize(cut, (columns + 1, rows + 1), interpolation=cv2.INTER_AREA)
        return np.asarray(0.25 * (cells[:-1, :-1] + cells[1:, :-1] + cells[:-1, 1:] + cells[1:, 1:]))

    noise = float(np.median(size))
    strong = np.where(size > max(2.0 * noise, 2.5), size, 0.0).astype(np.float32)
    # four-fold moment: a graduation and the edge it stands on are at right angles and add up instead of cancelling
    a, b = gx * gx - gy * gy, 2.0 * gx * gy
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.where(strong > 0, 1.0 / np.maximum(size, 1e-3) ** 3, 0.0).astype(np.float32)
    c4, s4 = tile_mean((a * a - b * b) * weight), tile_mean(2.0 * a * b * weight)
    total = tile_mean(strong)
    busy = total > max(0.25 * noise, 0.25)
    aligned = np.hypot(c4, s4) > 0.25 * total
    keep = busy & aligned
    if allowed is not None:
        cover = np.asarray(cv2.resize(allowed.astype(np.float32), (width, height)), np.float32)
        keep &= tile_mean(cover) > 0.1
    iy, ix = np.nonzero(keep)
    if iy.size == 0:
        return []
    best = np.argsort(-np.hypot(c4, s4)[iy, ix] / total[iy, ix])[:1200]
    iy, ix = iy[best], ix[best]
    angle = 0.25 * np.arctan2(s4[iy, ix], c4[iy, ix])
    seeds: list[Seed] = []
    for turn in (0.0, np.pi / 2.0):
        dx, dy = np.cos(angle + turn), np.sin(angle + turn)
        repeat, period = _repeats(gx, gy, strong, iy * STRIDE_PX, ix * STRIDE_PX, dx, dy)
        for k in np.nonzero(repeat >= MIN_REPEAT)[0]:
            middle = np.array([ix[k] * STRIDE_PX, iy[k] * STRIDE_PX]) + (TILE_PX - 1) / 2.0
            centre = (middle + 0.5) * to_full - 0.5
            seeds.append(
                Seed(centre, np.array([dx[k], dy[k]], float), float(period[k]) * to_full, float(repeat[k]), 0.0)
            )
    return seeds


def _repeats(
    gx: NDArray[np.float32],
    gy: NDArray[np.float32],
    strong: NDArray[np.float32],
    top: NDArray[np.intp],
    left: NDArray[np.intp],
    dx: NDArray[np.float32],
    dy: NDArray[np.float32],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How well each tile's signed gradient along its direction repeats, and after how many pixels."""
    profiles = np.zeros((top.size, BINS))
    offset = (np.arange(TILE_PX) - (TILE_PX - 1) / 2.0).astype(np.float32)
    for k in range(top.size):
        rows, columns = slice(top[k], top[k] + TILE_PX), slice(left[k], left[k] + TILE_PX)
        along = gx[rows, columns] * dx[k] + gy[rows, columns] * dy[k]
        size = strong[rows, columns]
        use = np.flatnonzero((np.abs(along) > 0.9 * size) & (size > 0.0))
        bins = (offset[use % TILE_PX] * dx[k] + offset[use // TILE_PX] * dy[k] + (BINS + 1) / 2.0).astype(np.intp)
        profiles[k] = np.bincount(bins, weights=along.ravel()[use], minlength=BINS)[:BINS]
    power = np.abs(np.fft.rfft(profiles, TRANSFORM, axis=1)) ** 2
    padded = np.zeros((top.size, TRANSFORM * OVERSAMPLING // 2 + 1))
    padded[:, : power.shape[1]] = power
    correlation = np.fft.irfft(padded, axis=1)[:, : int(PERIODS_PX[1] * OVERSAMPLING) + 3]
    zero = np.maximum(correlation[:, :1], 1e-9)
    lag = np.arange(correlation.shape[1]) / OVERSAMPLING
    usual = correlation / zero * (TILE_PX / (TILE_PX - np.minimum(lag, TILE_PX / 2)))
    middle = usual[:, 1:-1]
    peak = (middle >= usual[:, :-2]) & (middle >= usual[:, 2:]) & (lag[1:-1] >= PERIODS_PX[0])
    value = np.where(peak, middle, 0.0)
    highest = value.max(axis=1)
    first = np.argmax(value >= 0.8 * np.maximum(highest, 1e-9)[:, None], axis=1)
    chosen = value[np.arange(top.size), first]
    # a lone pair of edges repeats nothing: between two marks the correlation must fall below zero
    before = np.where(np.arange(usual.shape[1])[None, :] <= first[:, None], usual, np.inf).min(axis=1)
    return np.where(before < 0.0, chosen, 0.0), lag[1:-1][first]


def _lines_of_tiles(tiles: list[Seed], limit: int) -> list[Seed]:
    """Tiles in one line with one period support each other; the best of each line stands for it."""
    tiles = sorted(tiles, key=lambda s: -s.repeat)[:400]
    if not tiles:
        return []
    centre = np.stack([s.centre_px for s in tiles])
    direction = np.stack([s.direction for s in tiles])
    period = np.array([s.period_px for s in tiles])
    repeat = np.array([s.repeat for s in tiles])
    between = centre[None, :, :] - centre[:, None, :]
    across = np.abs(between[..., 0] * direction[:, None, 1] - between[..., 1] * direction[:, None, 0])
    along = np.abs(between[..., 0] * direction[:, None, 0] + between[..., 1] * direction[:, None, 1])
    turn = np.abs(direction[:, None, 0] * direction[None, :, 1] - direction[:, None, 1] * direction[None, :, 0])
    ratio = np.abs(np.log(period[None, :] / period[:, None]))
    friends = (
        (across < 4.0 * period[:, None] + 0.07 * along)
        & (turn < 0.15)
        & (ratio < 0.2 + 0.004 * along / period[:, None])
    )
    support = (friends * repeat[None, :]).sum(axis=1)
    left = np.ones(len(tiles), bool)
    chosen: list[Seed] = []
    while left.any() and len(chosen) < limit:
        k = int(np.argmax(np.where(left, support * repeat, -1.0)))
        s = tiles[k]
        chosen.append(Seed(s.centre_px, s.direction, s.period_px, s.repeat, float(support[k])))
        same = (across[k] < 3.0 * period[k] + 0.03 * along[k]) & (turn[k] < 0.2) & (ratio[k] < 0.25)
        left &= ~same
        left[k] = False
    return chosen
