"""What a graduated edge is graduated in: told by which marks are longer, every 5th and 10th or every 8th and 16th."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.quantity import NotMeasured
from vision.scale.ruler_track import SAMPLES, Edge, Pyramid, sample, swing

Array = NDArray[np.float64]

INCH_MM: Final = 25.4  # exact since 1959
ROWS: Final = np.arange(-16.0, 16.0 + 0.125, 0.25)  # periods to either side of the line through the marks
FEW_ROWS: Final = np.arange(-9.0, 9.0 + 0.05, 0.1)  # for wide steps, whose marks are short in periods
WIDE_PX: Final = 9.0
MIN_MARKS: Final = 14  # a whole centimetre and some: fewer show no pattern twice
MIN_RUN: Final = 9  # marks without a gap; a part may cover a ruler in several places
FLOOR: Final = 0.12  # periods; lengths are read to about half a row
TAIL: Final = 8.0  # spreads; a mark that a cover or a figure makes longer or shorter counts no more than this
MIN_GAIN: Final = 9.0  # log likelihood ratio of a graduation against marks of one length, and against the next best
SURE_GAIN: Final = 100.0  # with this nothing is expected of the gaps between the marks
LEANS: Final = np.arange(-0.06, 0.061, 0.015)
MOST: Final = 0.7  # part of the figures that must agree: a cover or glare hides some
INCH_OVER_HALF: Final = 1.15  # least ratio of their lengths on common rulers: common practice, no source
CLEARLY_OVER_HALF: Final = 1.25  # no figure makes most of the longest marks longer by this
APART: Final = 0.75  # of pairs of longest and second longest marks that must differ
ALIKE: Final = 0.4  # at most this much: marks of one kind
MIN_STEP: Final = 0.07  # a longer class is longer by at least this part of the shorter


@dataclass(frozen=True, slots=True)
class Graduation:
    """One way to divide a length. Classes are in order of length; index 0 of `classes` is the longest kind of mark."""

    name: str
    unit: Literal["mm", "inch"] | None  # None: no ruler is divided like that
    division_mm: float
    classes: tuple[int, ...]


def _binary(parts: int) -> tuple[int, ...]:
    top = int(math.log2(parts))
    return tuple(top if k == 0 else (k & -k).bit_length() - 1 for k in range(parts))


GRADUATIONS: Final = (
    Graduation("mm 1/5/10", "mm", 1.0, (2, 0, 0, 0, 0, 1, 0, 0, 0, 0)),
    Graduation("mm 1/5", "mm", 1.0, (1, 0, 0, 0, 0)),
    Graduation("mm 1/10", "mm", 1.0, (1, 0, 0, 0, 0, 0, 0, 0, 0, 0)),
    Graduation("mm 0.5/1/5/10", "mm", 0.5, tuple(3 if k == 0 else 2 if k == 10 else 1 - k % 2 for k in range(20))),
    Graduation("mm 0.5/1/5", "mm", 0.5, tuple(2 if k == 0 else 1 - k % 2 for k in range(10))),
    Graduation("inch 1/8", "inch", INCH_MM / 8, _binary(8)),
    Graduation("inch 1/16", "inch", INCH_MM / 16, _binary(16)),
    Graduation("inch 1/32", "inch", INCH_MM / 32, _binary(32)),
    Graduation("inch 1/64", "inch", INCH_MM / 64, _binary(64)),
    *(Graduation(f"every {n}", None, 0.0, (1, *([0] * (n - 1)))) for n in (2, 3, 4, 6, 7, 8, 9, 11, 12, 16)),
    Graduation("quarters", None, 0.0, (2, 0, 1, 0)),
)


@dataclass(frozen=True, slots=True)
class Marks:
    """An edge with its unit."""

    graduation: Graduation
    zero: int  # index of one mark of the longest kind
    index: NDArray[np.intp]  # (N,) of the marks seen
    side: float  # +1 or -1: to which side of the line the marks grow
    base: float  # row, in periods, where all marks begin
    short: float  # length of the shortest kind, periods
    gain: float  # how much better than marks of one length, in log likelihood
    figures: bool = False  # the figures beside the inches bear it out


@dataclass(frozen=True, slots=True)
class Strip:
    """An edge straightened out: marks are columns at whole indices, rows are periods across."""

    index: NDArray[np.intp]  # (N,)
    rows: Array  # (rows,) periods from the line through the marks
    contrast: Array  # (rows, N) of each mark
    inside: NDArray[np.bool_]  # (rows, N): within the picture
    ink: Array  # (rows, N): any contrast at all near the mark


def straighten(pyramid: Pyramid, edge: Edge) -> Strip:
    """Sample the edge and its surroundings with marks at whole numbers of columns."""
    height, width = pyramid.full.shape
    index = np.arange(edge.first, edge.last + 1)
    middle = edge.points(index.astype(float), np.zeros(index.size))
    inside = (middle > -0.5).all(axis=1) & (middle[:, 0] < width - 0.5) & (middle[:, 1] < height - 0.5)
    index = index[inside]
    rows = FEW_ROWS if index.size and float(np.median(edge.period(index))) > WIDE_PX else ROWS
    if index.size < 3:
        nothing = np.zeros((rows.size, index.size))
        return Strip(index, rows, nothing, nothing > 0, nothing)
    grid = np.arange((index[0] - 1) * SAMPLES, (index[-1] + 1) * SAMPLES + 1) / SAMPLES
    period = edge.period(grid)
    points = edge.points(grid[None, :], rows[:, None] * edge.row_px(grid)[None, :])
    grey = sample(pyramid, points, float(np.median(period)))
    dark = swing(grey) * edge.polarity
    at = (np.arange(index.size) + 1) * SAMPLES
    contrast = _upright(dark, at, rows)
    finite = np.isfinite(grey)
    loose = np.where(finite, grey, np.nanmean(grey))
    rough = np.abs(loose - cv2.blur(loose, (4 * SAMPLES + 1, 9), borderType=cv2.BORDER_REFLECT))
    ink = cv2.blur(rough, (SAMPLES + 1, 1), borderType=cv2.BORDER_REFLECT)[:, at]
    return Strip(index, rows, np.asarray(contrast), np.asarray(finite[:, at]), np.asarray(ink))


def _upright(dark: Array, at: NDArray[np.intp], across: Array) -> Array:
    """Contrast of each mark by row, along the lean that shows the long marks best; the short band knows it poorly."""
    best: tuple[float, Array] | None = None
    rows = np.arange(across.size)[:, None]
    for lean in LEANS:
        column = at[None, :] + lean * across[:, None] * SAMPLES
        low = np.clip(np.floor(column).astype(np.intp), 1, dark.shape[1] - 3)
        part = np.clip(column - low, 0.0, 1.0)
        left = dark[rows, low - 1] + 2.0 * dark[rows, low] + dark[rows, low + 1]
        right = dark[rows, low] + 2.0 * dark[rows, low + 1] + dark[rows, low + 2]
        contrast = 0.25 * ((1.0 - part) * left + part * right)
        strength = float((np.maximum(contrast, 0.0) ** 2).sum())
        if best is None or strength > best[0]:
            best = (strength, contrast)
    assert best is not None
    return best[1]


def read_pattern(pyramid: Pyramid, edge: Edge) -> tuple[Edge, Marks] | NotMeasured:
    """Which graduation an edge carries.

    Returns
    -------
    tuple of Edge and Marks, or NotMeasured
        The edge comes back with the polarity that shows the pattern.
        `ruler-few-marks` below 14 marks; `ruler-no-pattern` for marks of one length, as of a comb, a thread or text;
        `ruler-unit-unclear` where two ways of dividing explain the lengths about equally well.
    """
    first = _read(straighten(pyramid, edge))
    if isinstance(first, Marks) and first.gain > SURE_GAIN:
        return edge, first
    second = _read(straighten(pyramid, edge.inverted()))
    if isinstance(second, Marks) and (isinstance(first, NotMeasured) or second.gain > first.gain):
        return edge.inverted(), second
    return first if isinstance(first, NotMeasured) else (edge, first)


def _read(strip: Strip) -> Marks | NotMeasured:
    if strip.index.size < MIN_MARKS:
        return NotMeasured("ruler-few-marks", f"{strip.index.size} marks in a row are too few to tell a ruler by")
    rows = strip.rows
    smooth = np.asarray(cv2.blur(strip.contrast, (1, 3)), np.float64)
    middle = _band_of_all(smooth, rows)
    if middle is None:
        return NotMeasured("ruler-no-pattern", "no row that all marks reach")
    band = np.abs(rows - rows[middle]) <= 0.4
    mean = smooth[band].mean(axis=0)
    typical = float(np.median(mean[mean > 0.3 * np.percentile(mean, 90)])) if (mean > 0).any() else 0.0
    noise = 1.4826 * float(np.median(np.abs(smooth - np.median(smooth))))
    seen = mean > max(0.35 * typical, 1.0)
    if typical > 0 and (_longest_run(seen) < MIN_RUN or seen.mean() < 0.3):
        return NotMeasured("ruler-few-marks", "marks that come and go are no ruler's")
    if typical <= 0 or seen.sum() < MIN_MARKS:
        return NotMeasured("ruler-few-marks", f"{int(seen.sum())} clear marks in a row are too few to tell a ruler by")
    best: Marks | None = None
    fail = NotMeasured("ruler-no-pattern", "marks of one length: no ruler's pattern of longer marks is seen")
    for side in (1.0, -1.0):
        length, valid = _lengths(smooth, strip.inside, rows, middle, mean, seen, side, noise)
        base, base_ok = _lengths(smooth, strip.inside, rows, middle, mean, seen, -side, noise)
        if valid.sum() < MIN_MARKS:
            continue
        result = _best_graduation(strip.index[valid], length[valid])
        if isinstance(result, NotMeasured):
            if result.code == "ruler-unit-unclear":
                fail = result
            continue
        graduation, zero, gain, short = result.graduation, result.zero, result.gain, result.short
        start = float(np.median(base[base_ok])) if base_ok.any() else 0.0
        told = _by_figures(strip, graduation, zero, side, side * rows[middle] + length[valid], valid)
        if told is None and result.doubtful:
            text = (
                f"an inch may be {len(graduation.classes)} marks or twice as many: show more of the ruler, figures too"
            )
            fail = NotMeasured("ruler-unit-unclear", text)
            continue
        graduation = graduation if told is None else told
        if best is None or gain > best.gain:
            base_row = float(rows[middle]) - side * start
            best = Marks(graduation, zero, strip.index[seen], side, base_row, short + start, gain, told is not None)
    return fail if best is None else best


def _longest_run(seen: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.view(np.int8), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0


def _band_of_all(contrast: Array, rows: Array) -> int | None:
    """The middle row of the band that the shortest marks reach too: two in three marks are dark there."""
    common = np.percentile(contrast, 35, axis=1)
    near = np.where(np.abs(rows) <= 9.0, common, 0.0)
    peak = int(np.argmax(near))
    if near[peak] <= 0.0:
        return None
    inside = near > 0.5 * near[peak]
    low, high = peak, peak
    while low > 0 and inside[low - 1]:
        low -= 1
    while high < inside.size - 1 and inside[high + 1]:
        high += 1
    return (low + high) // 2


def _lengths(
    contrast: Array,
    inside: NDArray[np.bool_],
    across: Array,
    zero: int,
    mean: Array,
    seen: NDArray[np.bool_],
    side: float,
    noise: float,
) -> tuple[Array, NDArray[np.bool_]]:
    """How far each mark runs from row `zero` to one side, in periods, and for which marks that is known."""
    rows = contrast[zero:] if side > 0 else contrast[zero::-1]
    there = inside[zero:] if side > 0 else inside[zero::-1]
    level = np.maximum(0.45 * mean, 1.2 * noise)
    dark = rows >= level[None, :]
    bridged = dark.copy()
    bridged[1:-1] |= dark[:-2] & dark[2:]
    bridged[0] = True
    end = np.argmin(bridged, axis=0)
    end = np.where(bridged.all(axis=0), rows.shape[0] - 1, end)
    column = np.arange(rows.shape[1])
    above, below = rows[np.maximum(end - 1, 0), column], rows[end, column]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.clip((above - level) / (above - below), 0.0, 1.0)
    length = (end - 1 + np.where(np.isfinite(part), part, 0.5)) * (across[1] - across[0])
    known = seen & there[np.minimum(end + 1, rows.shape[0] - 1), column]
    return np.maximum(length, 0.0), known


@dataclass(frozen=True, slots=True)
class _Fit:
    graduation: Graduation
    zero: int
    short: float
    off: Array  # (N,) absolute, of each length from the middle of its class
    ordered: bool
    kinds: int

    def score(self, spread: float) -> float:
        """Log likelihood, Laplace with a floor under its tails, less BIC's price of the classes and of the start."""
        n = self.off.size
        price = 0.5 * self.kinds * math.log(n) + math.log(max(len(self.graduation.classes), 1))
        return -float(np.minimum(self.off / spread, TAIL).sum()) - price


def _residue_middles(index: NDArray[np.intp], length: Array, cycle: int) -> tuple[Array, Array]:
    """Median length and count of the marks of each remainder of the index by `cycle`; zero where there are none."""
    remainder = index % cycle
    order = np.lexsort((length, remainder))
    count = np.bincount(remainder, minlength=cycle)
    end = np.cumsum(count)
    low, high = end - count + (count - 1) // 2, end - count + count // 2
    line = length[order]
    last = line.size - 1
    middle = 0.5 * (line[np.clip(low, 0, last)] + line[np.clip(high, 0, last)])
    return np.where(count > 0, middle, 0.0), count.astype(np.float64)


def _fit_classes(index: NDArray[np.intp], length: Array, graduation: Graduation) -> list[_Fit]:
    """The best start of the pattern with its classes in order of length, and the best with them in any order."""
    cycle = len(graduation.classes)
    table = np.array(graduation.classes)
    kinds = int(table.max()) + 1
    middle, count = _residue_middles(index, length, cycle)
    kind_of = table[(np.arange(cycle)[None, :] - np.arange(cycle)[:, None]) % cycle]  # (zero, remainder)
    members = kind_of[:, :, None] == np.arange(kinds)  # (zero, remainder, kind)
    total = (members * count[None, :, None]).sum(axis=1)
    middles = (members * (count * middle)[None, :, None]).sum(axis=1) / np.maximum(total, 1.0)
    off = np.abs(length[None, :] - np.take_along_axis(middles, kind_of[:, index % cycle], axis=1))
    cost = np.where((total >= 2).all(axis=1), np.minimum(off, 2.5).sum(axis=1), np.inf)
    rise = np.diff(middles, axis=1)
    clear = (rise > MIN_STEP * middles[:, :-1]) & (rise > FLOOR)
    if (
        graduation.unit == "inch"
    ):  # some makers draw neighbouring kinds alike: never shorter, the inch longest, three kinds
        ordered = (clear | (rise > -0.5 * FLOOR)).all(axis=1) & clear[:, -1] & (clear.sum(axis=1) >= 2)
    else:
        ordered = clear.all(axis=1)
    best = []
    for order in (True, False):
        which = np.where(ordered == order, cost, np.inf)
        zero = int(np.argmin(which))
        if np.isfinite(which[zero]):
            best.append(_Fit(graduation, zero, float(middles[zero, 0]), off[zero], order, kinds))
    return best


@dataclass(frozen=True, slots=True)
class _Choice:
    graduation: Graduation
    zero: int
    gain: float
    short: float
    doubtful: bool  # the inch may be twice as many marks: only figures can tell


def _best_graduation(index: NDArray[np.intp], length: Array) -> _Choice | NotMeasured:
    fits = [fit for graduation in GRADUATIONS for fit in _fit_classes(index, length, graduation)]
    even = _Fit(Graduation("even", None, 0.0, (0,)), 0, 0.0, np.abs(length - np.median(length)), False, 1)
    spread = max(min(float(np.minimum(f.off, 2.5).mean()) for f in [*fits, even]), FLOOR)
    ranked = sorted(fits, key=lambda f: -f.score(spread))
    strange = [f for f in ranked if f.graduation.unit is None]
    null = even.score(spread)
    usable = [f for f in ranked if f.ordered and f.graduation.unit is not None]
    if not usable or usable[0].score(spread) - null < MIN_GAIN:
        return NotMeasured("ruler-no-pattern", "marks of one length: no ruler's pattern of longer marks is seen")
    best = usable[0]
    if best.graduation.name in ("mm 1/5", "mm 1/10") and (
        index.size < 25 or best.score(spread) - null < 3.0 * MIN_GAIN
    ):
        return NotMeasured("ruler-no-pattern", "some marks are longer, but too few are seen to be sure")
    if strange and strange[0].score(spread) - best.score(spread) > -0.4 * MIN_GAIN:
        text = f"longer marks come {strange[0].graduation.name}: no ruler is divided like that"
        return NotMeasured("ruler-no-pattern", text)
    rival = next((f for f in usable[1:] if f.graduation.division_mm != best.graduation.division_mm), None)
    gain = best.score(spread) - null
    close = rival is not None and best.score(spread) - rival.score(spread) < 0.4 * MIN_GAIN
    if best.graduation.unit != "inch":
        if close and rival is not None:
            names = f"{best.graduation.name} or {rival.graduation.name}"
            return NotMeasured("ruler-unit-unclear", f"the marks could be {names}: show more of the ruler")
        return _Choice(best.graduation, best.zero, gain, best.short, doubtful=False)
    if close and rival is not None:
        if rival.graduation.unit != "inch":
            names = f"{best.graduation.name} or {rival.graduation.name}"
            return NotMeasured("ruler-unit-unclear", f"the marks could be {names}: show more of the ruler")
        best = max(best, rival, key=lambda f: len(f.graduation.classes))
    graduation, doubtful = best.graduation, False
    while len(graduation.classes) > 8:
        cycle = len(graduation.classes)
        apart = _told_apart(index, length, best.zero, cycle)
        if apart is None:
            doubtful = doubtful or close or cycle > 16
            if cycle == 16 and not close:
                break
        elif apart >= APART:
            doubtful = False
            break
        else:
            doubtful = apart > ALIKE
        graduation = next(g for g in GRADUATIONS if g.unit == "inch" and 2 * len(g.classes) == cycle)
    zero = best.zero % len(graduation.classes)
    doubtful = doubtful or _uneven(index, length, zero, len(graduation.classes))
    return _Choice(graduation, zero, gain, best.short, doubtful)


def _told_apart(index: NDArray[np.intp], length: Array, zero: int, cycle: int) -> float | None:
    """How often a longest mark is longer than one half way between: 1 where the inch is what it seems, about a half where
    a cover or a figure made a few longer or shorter, and the inch would be taken for twice what it is."""
    inch, half = length[(index - zero) % cycle == 0], length[(index - zero) % cycle == cycle // 2]
    if min(inch.size, half.size) < 2:
        return None
    if np.median(inch) > CLEARLY_OVER_HALF * np.median(half):
        return 1.0
    return float((inch[:, None] > INCH_OVER_HALF * half[None, :]).mean())


def _uneven(index: NDArray[np.intp], length: Array, zero: int, cycle: int) -> bool:
    """Whether every other one of the longest marks is longer: the inch may be twice what it seems."""
    inch, other = (length[(index - zero) % (2 * cycle) == place] for place in (0, cycle))
    if min(inch.size, other.size) == 0:
        return True
    if np.median(inch) < np.median(other):
        inch, other = other, inch
    return float((inch[:, None] > INCH_OVER_HALF * other[None, :]).mean()) >= APART


def _by_figures(
    strip: Strip, graduation: Graduation, zero: int, side: float, length: Array, valid: NDArray[np.bool_]
) -> Graduation | None:
    """Where the inch and its half are marked alike, the pattern looks like one of half as many parts: figures tell.

    None where the figures say nothing.
    """
    cycle = len(graduation.classes)
    if graduation.unit != "inch" or cycle not in (8, 16, 32):
        return None
    kind = np.array(graduation.classes)[(strip.index[valid] - zero) % cycle]
    longest = float(np.median(length[kind == kind.max()]))
    rows = (strip.rows * side > longest + 0.3) & (strip.rows * side < longest + 0.3 + 4.5 / graduation.division_mm)
    if rows.sum() < 3:
        return None
    known = strip.inside[rows].all(axis=0)
    known &= (strip.index >= strip.index[valid].min()) & (strip.index <= strip.index[valid].max())
    ink = strip.ink[rows].mean(axis=0)
    place = (strip.index - zero) % (2 * cycle)
    here, between = ink[known & (place == 0)], ink[known & (place == cycle)]
    rest = ink[known & (np.minimum(place % cycle, cycle - place % cycle) > cycle // 4)]
    if min(here.size, between.size) < 2 or rest.size == 0:
        return None
    if np.median(here) < np.median(between):
        here, between = between, here
    level = 2.2 * float(np.median(rest))
    if (here > level).mean() >= MOST and (between > 0.7 * level).mean() <= 1.0 - MOST:
        return next(g for g in GRADUATIONS if g.unit == "inch" and len(g.classes) == 2 * cycle)
    return graduation if (between > level).mean() >= MOST else None
