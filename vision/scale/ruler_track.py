"""From one graduated place along the whole edge: every mark gets its whole number, in spite of tilt, gaps and covers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.scale.ruler_search import PERIODS_PX, Seed

SAMPLES: Final = 8  # a period
HALF_WINDOW: Final = 6  # periods to either side of a window's middle
STEP: Final = 5  # periods between windows
ROW_STEP: Final = 0.25  # periods between rows
ROWS_HALF: Final = 6.0  # periods of edge looked at to either side of the band of marks
MAX_GAP: Final = 9  # windows without marks before the edge is taken to end: 45 marks lie under a part or a thumb
MAX_WINDOWS: Final = 140
MAX_BEND: Final = 0.02  # of the length; a phone's lens leaves 0.002, a wide industrial one 0.01
STRONG_SUPPORT: Final = 8.0
MIN_PURITY: Final = 0.18  # part of the grey variance in the band that swings with the period

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spacing:
    """Where equal steps on a straight edge come to lie in the picture: (a x + b) / (1 + c x) + k (x^3 - x).

    x is the index, shifted and scaled to [-1, 1]; the fraction is the pinhole's picture, the cubic what a lens bends.
    """

    middle: float
    half: float
    a: float
    b: float
    c: float
    k: float

    def position(self, index: Array) -> Array:
        x = (index - self.middle) / self.half
        return np.asarray((self.a * x + self.b) / (1.0 + self.c * x) + self.k * (x**3 - x))

    def step(self, index: Array) -> Array:
        """Pixels from one index to the next."""
        x = (index - self.middle) / self.half
        slope = (self.a - self.b * self.c) / (1.0 + self.c * x) ** 2 + self.k * (3.0 * x**2 - 1.0)
        return np.asarray(slope / self.half)


@dataclass(frozen=True, slots=True)
class Edge:
    """A graduated edge, straight but for the lens, with marks at whole indices."""

    origin_px: Array  # (2,)
    direction: Array  # (2,) unit, towards higher indices
    spacing: Spacing
    bow: Array  # (4,) polynomial of the spacing's x, highest power first: px to the normal's side
    slant: Array  # (2,): marks run by normal + (slant[0] + slant[1] * along) * direction
    first: int
    last: int
    polarity: float  # 1 for dark marks, -1 for bright ones
    residual_px: float

    def inverted(self) -> Edge:
        """The same edge read as bright marks instead of dark ones or the other way: marks lie half a step on."""
        return replace(self, spacing=replace(self.spacing, middle=self.spacing.middle - 0.5), polarity=-self.polarity)

    def position(self, index: Array) -> Array:
        return self.spacing.position(index)

    def period(self, index: Array) -> Array:
        return self.spacing.step(index)

    def row_px(self, index: Array) -> Array:
        """What one row of one period measures across the edge: it shrinks with the distance, the periods with its square."""
        return np.asarray(np.sqrt(np.maximum(self.period(index), 0.0) * self.period(np.array(self.spacing.middle))))

    def points(self, index: Array, rows_px: Array) -> Array:
        """Picture points (..., 2) at `index` along the edge and `rows_px` to the normal's side of it."""
        normal = np.array([-self.direction[1], self.direction[0]])
        along = self.position(index)
        tilt = self.slant[0] + self.slant[1] * along
        where = along + tilt * rows_px
        x = np.clip((index - self.spacing.middle) / self.spacing.half, -1.2, 1.2)
        off = rows_px + np.polyval(self.bow, x)
        result = np.empty((*np.broadcast_shapes(where.shape, off.shape), 2))
        for k in range(2):
            result[..., k] = self.origin_px[k] + where * self.direction[k] + off * normal[k]
        return result


@dataclass(frozen=True, slots=True)
class _Window:
    rows: Array  # complex swing of each row
    purity: float
    amplitude: float
    phase_index: float  # fractional index of the window's middle
    period_px: float
    slant: float
    shift_px: float  # of the band across the edge
    polarity: float


@dataclass(frozen=True, slots=True)
class _State:
    origin: Array
    direction: Array
    period: float
    slant: float
    template: Array  # size of the swing by row
    band: NDArray[np.bool_]


class Pyramid:
    """The picture at full, half, quarter … size; `level_for` picks one that shows a period of 6 to 12 pixels."""

    def __init__(self, gray: NDArray[np.uint8]) -> None:
        self._levels = [gray]

    def level_for(self, period_px: float) -> tuple[NDArray[np.uint8], float]:
        k = max(0, int(np.floor(np.log2(max(period_px, 1.0) / 6.0))))
        while len(self._levels) <= k and min(self._levels[-1].shape) > 32:
            half = cv2.resize(self._levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            self._levels.append(np.asarray(half, np.uint8))
        k = min(k, len(self._levels) - 1)
        return self._levels[k], float(2**k)

    @property
    def full(self) -> NDArray[np.uint8]:
        return self._levels[0]


def sample(pyramid: Pyramid, points_px: Array, period_px: float) -> Array:
    """Grey values at picture points (..., 2), from the level that suits the period; NaN outside the picture."""
    image, factor = pyramid.level_for(period_px)
    at = ((points_px + 0.5) / factor - 0.5).astype(np.float32)
    shape = at.shape[:-1]
    flat = at.reshape(shape[0], -1, 2) if len(shape) > 1 else at.reshape(1, -1, 2)
    values = cv2.remap(image, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    height, width = image.shape
    out = (flat[..., 0] < 0) | (flat[..., 1] < 0) | (flat[..., 0] > width - 1) | (flat[..., 1] > height - 1)
    result = values.astype(np.float64)
    result[out] = np.nan
    return result.reshape(shape)


def swing(grey: Array, samples: int = SAMPLES) -> Array:
    """Darkness about the mean of one period, row by row; zero where the picture ends."""
    bad = ~np.isfinite(grey)
    if bad.any():
        grey = np.where(bad, grey[~bad].mean() if not bad.all() else 0.0, grey)
    filled = grey
    mean = cv2.blur(filled, (samples + 1 - samples % 2, 1), borderType=cv2.BORDER_REFLECT)
    result = mean - filled
    result[bad] = 0.0
    return np.asarray(result)


def track(pyramid: Pyramid, seed: Seed) -> Edge | None:
    """Follow the marks from a seed to both ends of the edge.

    Returns
    -------
    Edge or None
        None where what looked like marks is not one straight edge of them.
    """
    periods = _fundamental(pyramid, seed)
    if seed.support > STRONG_SUPPORT:  # long marks may stand out where the short ones between them are faint
        periods += [seed.period_px / n for n in (5, 10) if seed.period_px / n >= PERIODS_PX[0]]
    for period in periods:
        edge = _track_with(pyramid, seed, period)
        if edge is not None:
            return edge
    return None


def _fundamental(pyramid: Pyramid, seed: Seed) -> list[float]:
    """Periods to try: near the edge itself every mark is there, farther in only each second, fifth or tenth."""
    normal = np.array([-seed.direction[1], seed.direction[0]])
    span = float(np.clip(10.0 * seed.period_px, 60.0, 260.0))
    u = np.arange(-span, span + 1.0)
    deep = 40.0 + 2.0 * seed.period_px
    rows = np.arange(-deep, deep + 1.0, 2.0)
    points = seed.centre_px + u[None, :, None] * seed.direction + rows[:, None, None] * normal
    grey = sample(pyramid, points, 1.0)
    bad = ~np.isfinite(grey)
    grey = np.where(bad, grey[~bad].mean() if not bad.all() else 0.0, grey)
    window = max(5, int(2.0 * seed.period_px) | 1)
    dark = grey - cv2.blur(grey, (window, 1), borderType=cv2.BORDER_REFLECT)
    dark = np.asarray(cv2.blur(dark, (1, 3)), np.float64)
    limit = float(np.percentile(np.abs(dark), 98)) + 1e-6
    dark = np.clip(dark, -limit, limit)
    size = int(2 ** np.ceil(np.log2(2 * u.size)))
    power = np.abs(np.fft.rfft(dark, size, axis=1)) ** 2
    padded = np.zeros((rows.size, size * 2 + 1))
    padded[:, : power.shape[1]] = power
    r = np.fft.irfft(padded, axis=1)[:, : int(4 * 1.3 * seed.period_px) + 4]
    lag = np.arange(r.shape[1]) / 4.0
    r = r / np.maximum(r[:, :1], 1e-6) * (u.size / (u.size - lag))
    energy = dark.std(axis=1)
    tall = (r[:, 1:-1] >= r[:, :-2]) & (r[:, 1:-1] >= r[:, 2:]) & (lag[1:-1] >= PERIODS_PX[0])
    value = np.where(tall, r[:, 1:-1], 0.0)
    highest = value.max(axis=1)
    first = np.argmax(value >= 0.75 * np.maximum(highest, 1e-6)[:, None], axis=1)
    period = lag[1:-1][first]
    times = seed.period_px / period
    good = (
        (highest > 0.3)
        & (energy > 0.15 * energy.max())
        & (np.abs(times - np.rint(times)) < 0.12 * np.maximum(times, 1.0) ** 0.5)
    )
    candidates: list[tuple[float, float]] = []
    for k in np.nonzero(good)[0]:
        votes = float(highest[good & (np.abs(np.log(period / period[k])) < 0.06)].sum())
        candidates.append((float(period[k]), votes))
    out: list[float] = []
    for p, votes in sorted(candidates):
        if votes >= 2.0 and all(abs(np.log(p / q)) > 0.1 for q in out):
            near = [q for q, _ in candidates if abs(np.log(q / p)) < 0.06]
            out.append(float(np.median(near)))
    if all(abs(np.log(seed.period_px / q)) > 0.1 for q in out):
        out.append(seed.period_px)
    return out[:3]


def _look(pyramid: Pyramid, state: _State, rows: Array, half: int = HALF_WINDOW) -> _Window:
    """One window of the edge: what swings with the period, row by row."""
    normal = np.array([-state.direction[1], state.direction[0]])
    u = np.arange(-half * SAMPLES, half * SAMPLES + 1) / SAMPLES * state.period
    v = rows * state.period
    points = (
        state.origin + (u[None, :, None] + state.slant * v[:, None, None]) * state.direction + v[:, None, None] * normal
    )
    dark = swing(sample(pyramid, points, state.period))
    weight = np.hanning(u.size + 2)[1:-1]
    wave = np.exp(-2j * np.pi * u / state.period)
    c = (dark * (weight * wave)).sum(axis=1) / weight.sum()
    middle = u.size // 2
    side = np.hanning(middle + 3)[1:-1]
    c_left = (dark[:, : middle + 1] * (side * wave[: middle + 1])).sum(axis=1)
    c_right = (dark[:, middle:] * (side * wave[middle:])).sum(axis=1)
    band = state.band
    whole = c[band].sum()
    variance = float(((dark**2 * weight).sum(axis=1) / weight.sum())[band].mean())
    amplitude = float(np.abs(whole)) / max(int(band.sum()), 1)
    purity = 2.0 * amplitude**2 / max(variance, 1e-9)
    # the swing of narrow marks has strong harmonics: phase of the fundamental is their centre for either polarity
    turn = float(np.angle((c_right[band] * np.conj(c_left[band])).sum()))
    frequency = 1.0 / state.period + turn / (2.0 * np.pi * half * state.period)
    pairs = (c[1:] * np.conj(c[:-1]))[band[1:] & band[:-1]].sum()
    slant = state.slant - float(np.angle(pairs)) / (2.0 * np.pi * ROW_STEP)
    size = np.abs(c)
    shift = _row_shift(size, state.template) * ROW_STEP * state.period
    index = float(np.angle(whole)) / (2.0 * np.pi)  # fractional index at the middle
    third = dark[band].mean(axis=0)
    polarity = float(np.sign((third**3 * weight).sum()) or 1.0)
    return _Window(c, purity, amplitude, index, 1.0 / frequency, slant, shift, polarity)


def _row_shift(size: Array, template: Array) -> float:
    """Rows by which `size` is moved against `template`, within two periods, with a parabola between rows."""
    if not template.any() or not size.any():
        return 0.0
    reach = 6
    a = size / np.linalg.norm(size)
    b = template / np.linalg.norm(template)
    scores = np.array(
        [float((a[reach + k : a.size - reach + k] * b[reach : b.size - reach]).sum()) for k in range(-reach, reach + 1)]
    )
    k = int(np.argmax(scores))
    if k in (0, 2 * reach):
        return float(k - reach)
    left, top, right = scores[k - 1 : k + 2]
    bend = left - 2.0 * top + right
    return float(k - reach + (0.5 * (left - right) / bend if bend < -1e-12 else 0.0))


def _start(pyramid: Pyramid, seed: Seed, period: float) -> _State | None:
    reach = max(ROWS_HALF, (40.0 + 2.0 * seed.period_px) / period)
    rows = np.arange(-reach, reach + ROW_STEP / 2, ROW_STEP)
    every = np.ones(rows.size, bool)
    state = _State(seed.centre_px, seed.direction, period, 0.0, np.zeros(rows.size), every)
    for turn in range(3):
        window = _look(pyramid, state, rows, half=8)
        size = _column_blur(np.abs(window.rows), 5)
        peak = int(np.argmax(size))
        inside = size > 0.5 * size[peak]
        low, high = peak, peak
        while low > 0 and inside[low - 1]:
            low -= 1
        while high < rows.size - 1 and inside[high + 1]:
            high += 1
        band = np.zeros(rows.size, bool)
        band[low : high + 1] = True
        if turn == 0:
            state = _State(state.origin, state.direction, state.period, state.slant, size, band)
            window = _look(pyramid, state, rows, half=8)
        slant = float(np.clip(window.slant, -0.6, 0.6))
        ratio = window.period_px / state.period
        if not 0.8 < ratio < 1.25:
            return None
        middle = 0.5 * (rows[low] + rows[high]) * state.period
        normal = np.array([-state.direction[1], state.direction[0]])
        origin = state.origin + middle * (normal + slant * state.direction)
        # marks lean against the normal mostly because the direction is off: turn the axis by half of it at first
        direction = state.direction
        state = _State(origin, direction, state.period * ratio, slant, size, band)
        if turn == 0:
            half_high = 0.5 * (high - low) * ROW_STEP
            rows = np.arange(-max(ROWS_HALF, half_high + 4), max(ROWS_HALF, half_high + 4) + ROW_STEP / 2, ROW_STEP)
        state = _State(
            state.origin, direction, state.period, slant, np.zeros(rows.size), np.abs(rows) <= max(1.0, half_high)
        )
    rows = np.arange(-ROWS_HALF, ROWS_HALF + ROW_STEP / 2, ROW_STEP)
    band = np.abs(rows) <= min(max(0.75, half_high), 3.0)
    state = _State(state.origin, state.direction, state.period, state.slant, np.zeros(rows.size), band)
    window = _look(pyramid, state, rows, half=8)
    if window.purity < MIN_PURITY:
        return None
    return replace(state, template=_column_blur(np.abs(window.rows), 3))


def _track_with(pyramid: Pyramid, seed: Seed, period: float) -> Edge | None:
    begun = _start(pyramid, seed, period)
    if begun is None:
        return None
    turned = _turned(pyramid, begun)
    if turned is None:
        return None
    start = turned
    window = _look(pyramid, start, _rows())
    height, width = pyramid.full.shape
    found: list[tuple[int, Array, float, float, float]] = []  # index, point, slant, amplitude, polarity
    for way in (1.0, -1.0):
        state, gap = start, 0
        last_index, last_origin, last_period = window.phase_index, start.origin, start.period
        reference = window.amplitude
        centres: list[Array] = [start.origin]
        for _ in range(MAX_WINDOWS):
            origin = state.origin + way * STEP * state.period * state.direction
            if not (0 <= origin[0] < width and 0 <= origin[1] < height):
                break
            state = _State(origin, state.direction, state.period, state.slant, state.template, state.band)
            seen = _look(pyramid, state, _rows())
            fits = seen.purity >= MIN_PURITY and seen.amplitude > 0.25 * reference
            fits = fits and abs(np.log(seen.period_px / state.period)) < (0.06 if gap == 0 else 0.1)
            if not fits:
                gap += 1
                if gap > MAX_GAP:
                    break
                continue
            distance = float((origin - last_origin) @ start.direction)
            expected = last_index + distance / (0.5 * (last_period + seen.period_px))
            whole = round(expected - seen.phase_index)
            index_here = whole + seen.phase_index
            off = abs(index_here - expected)
            if off > 0.3:
                gap += 1
                if gap > MAX_GAP:
                    break
                continue
            gap = 0
            normal = np.array([-state.direction[1], state.direction[0]])
            nudge = float(np.clip(seen.shift_px, -0.5 * state.period, 0.5 * state.period)) * 0.5
            origin = origin + nudge * (normal + state.slant * state.direction)
            period_now = state.period + 0.5 * (seen.period_px - state.period)
            slant = state.slant + 0.3 * float(np.clip(seen.slant - state.slant, -0.1, 0.1))
            centres.append(origin)
            direction = state.direction
            if len(centres) >= 4:
                recent = np.stack(centres[-12:])
                fit = np.linalg.svd(recent - recent.mean(axis=0), full_matrices=False)[2][0]
                fit = fit * np.sign(fit @ direction)
                direction = direction + 0.3 * (fit - direction)
                direction = direction / np.linalg.norm(direction)
            nearest = round(index_here)
            point = origin + (nearest - index_here) * period_now * state.direction
            found.append((nearest, point, slant, seen.amplitude, seen.polarity))
            last_index, last_origin, last_period = index_here, origin, period_now
            reference = 0.9 * reference + 0.1 * seen.amplitude
            state = _State(origin, direction, period_now, slant, state.template, state.band)
    nearest = round(window.phase_index)
    found.append((nearest, start.origin + (nearest - window.phase_index) * start.period * start.direction, start.slant, window.amplitude, window.polarity))  # fmt: skip
    return _edge(found, start.direction)


def _column_blur(values: Array, width: int) -> Array:
    return np.asarray(cv2.blur(values.reshape(-1, 1), (1, width)), np.float64).ravel()


def _rows() -> Array:
    return np.arange(-ROWS_HALF, ROWS_HALF + ROW_STEP / 2, ROW_STEP)


def _turned(pyramid: Pyramid, state: _State) -> _State | None:
    """Turn the axis until the band keeps its rows from one end of a wide window to the other."""
    for _ in range(3):
        ends = []
        for way in (-1.0, 1.0):
            there = _State(state.origin + way * 6 * state.period * state.direction, state.direction, state.period, state.slant, state.template, state.band)  # fmt: skip
            ends.append(_look(pyramid, there, _rows()))
        if min(e.purity for e in ends) < 0.5 * MIN_PURITY:
            return state
        rise = (ends[1].shift_px - ends[0].shift_px) / (12.0 * state.period)
        if abs(rise) > 0.35:
            return None
        normal = np.array([-state.direction[1], state.direction[0]])
        direction = state.direction + rise * normal
        direction = direction / np.linalg.norm(direction)
        slant = state.slant + rise  # the marks stay where they are while the axis turns
        state = _State(state.origin, direction, state.period, slant, state.template, state.band)
        seen = _look(pyramid, state, _rows())
        if not 0.85 < seen.period_px / state.period < 1.18:
            return None
        template = _column_blur(np.abs(seen.rows), 3)
        slant = float(np.clip(seen.slant, -0.7, 0.7))
        state = _State(state.origin, direction, seen.period_px, slant, template, state.band)
        if abs(rise) < 0.004:
            break
    return state


def _edge(found: list[tuple[int, Array, float, float, float]], direction: Array) -> Edge | None:
    """The edge through the windows' marks; None where they do not keep to one."""
    if len(found) < 4:
        return None
    index = np.array([f[0] for f in found], float)
    points = np.stack([f[1] for f in found])
    slants = np.array([f[2] for f in found])
    keep = np.ones(len(found), bool)
    for _ in range(5):
        origin = points[keep].mean(axis=0)
        axis = np.linalg.svd(points[keep] - origin, full_matrices=False)[2][0]
        axis = axis * np.sign(axis @ direction)
        along = (points - origin) @ axis
        across = (points - origin) @ np.array([-axis[1], axis[0]])
        spacing = fit_spacing(index[keep], along[keep], bend=True)
        x = (index - spacing.middle) / spacing.half
        bow = np.zeros(4)
        order = 0 if keep.sum() < 6 else 1 if keep.sum() < 8 else 3
        bow[3 - order :] = np.polyfit(x[keep], across[keep], order)
        period = float(np.median(spacing.step(index[keep])))
        off = along - spacing.position(index)
        aside = across - np.polyval(bow, x)
        kept = np.abs(off) <= max(3.0 * 1.4826 * float(np.median(np.abs(off[keep]))), 0.1 * abs(period))
        kept &= np.abs(aside) <= max(3.0 * 1.4826 * float(np.median(np.abs(aside[keep]))), 0.4 * abs(period))
        if kept.sum() < 4 or (kept == keep).all():
            break
        keep = kept
    first, last = int(index[keep].min()), int(index[keep].max())
    steps = spacing.step(np.linspace(first - 6.0, last + 6.0, 9))
    length = float(np.ptp(along[keep]))
    bent = float(np.ptp(np.polyval(bow, x[keep])))
    if (steps <= 0.0).any() or steps.max() > 4.0 * steps.min() or max(bent, abs(spacing.k)) > MAX_BEND * length + 0.5:
        return None
    rms = float(np.sqrt((off[keep] ** 2).mean()))
    if rms > 0.12 * period:
        return None
    slant = np.array([float(np.median(slants[keep])), 0.0])
    if keep.sum() >= 8:
        rise, level = np.polyfit(along[keep], slants[keep], 1)
        slant = np.array([level, rise])
    polarity = float(np.sign(sum(f[3] * f[4] for f, k in zip(found, keep, strict=True) if k)) or 1.0)
    edge = Edge(origin, axis, spacing, bow, slant, first - HALF_WINDOW, last + HALF_WINDOW, 1.0, rms)
    return edge if polarity > 0 else edge.inverted()


def edge_through(edge: Edge, points_px: Array, index: NDArray[np.intp]) -> Edge:
    """The edge again from marks that are sure, with room at both ends for half as many more."""
    count = index.size
    origin = points_px.mean(axis=0)
    axis = np.linalg.svd(points_px - origin, full_matrices=False)[2][0]
    axis = axis * np.sign(axis @ edge.direction)
    number = index.astype(np.float64)
    along = (points_px - origin) @ axis
    across = (points_px - origin) @ np.array([-axis[1], axis[0]])
    spacing = fit_spacing(number, along, bend=count >= 60)
    x = (number - spacing.middle) / spacing.half
    order = 3 if count >= 60 else 1
    bow = np.zeros(4)
    bow[3 - order :] = np.polyfit(x, across, order)
    room = max(count // 2, 12)
    first, last = int(index.min()) - room, int(index.max()) + room
    steps = spacing.step(np.arange(first, last + 1.0))
    usual = float(spacing.step(np.array(spacing.middle)))
    sane = np.flatnonzero((steps > 0.3 * usual) & (steps < 3.0 * usual)) + first
    return replace(
        edge,
        origin_px=origin,
        direction=axis,
        spacing=spacing,
        bow=bow,
        slant=np.array(
            [edge.slant[0] + edge.slant[1] * float((origin - edge.origin_px) @ edge.direction), edge.slant[1]]
        ),
        first=int(sane.min()),
        last=int(sane.max()),
    )


def fit_spacing(index: Array, along: Array, *, bend: bool) -> Spacing:
    """Least squares for the picture of equal steps on a straight edge.

    Parameters
    ----------
    index, along : ndarray of shape (N,)
        Whole numbers and pixels along the edge.
    bend : bool
        Whether a cubic for the lens is fitted too; only from ten marks on.

    Returns
    -------
    Spacing
        Its c is zero for fewer than six marks.
    """
    middle, half = float(index.mean()), max(float(np.ptp(index)) / 2.0, 1.0)
    x = (index - middle) / half
    a, b = (float(v) for v in np.polyfit(x, along, 1))
    c, k = 0.0, 0.0
    if index.size >= 6:
        cubic = x**3 - x
        for _ in range(6):  # Gauss-Newton on the residual itself, not on the linearised one, which is biased
            below = 1.0 + c * x
            value = (a * x + b) / below
            columns = [x / below, 1.0 / below, -value * x / below]
            if bend and index.size >= 10:
                columns.append(cubic)
            step = np.linalg.lstsq(np.stack(columns, axis=1), along - value - k * cubic, rcond=None)[0]
            a, b, c = a + step[0], b + step[1], float(np.clip(c + step[2], -0.6, 0.6))
            k += float(step[3]) if step.size == 4 else 0.0
    return Spacing(middle, half, float(a), float(b), c, k)
