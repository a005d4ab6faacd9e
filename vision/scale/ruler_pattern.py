"""What a graduated edge is graduated in: told by which marks are longer, every 5th and 10th or every 8th and 16th."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
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
MOST_SPREAD: Final = 0.25  # periods; of the lengths of one kind, above which a line of marks was not followed well
TOUCHED: Final = 3.0  # the same for one of the longest marks that is longer than the others: figures touch one in four
MIN_GAIN: Final = 9.0  # log likelihood ratio of a graduation against marks of one length, and against the next best
SURE_GAIN: Final = 100.0  # with this nothing is expected of the gaps between the marks
LEANS: Final = np.arange(-0.06, 0.061, 0.015)
MOST: Final = 0.7  # part of the figures that must agree: a cover or glare hides some
INCH_OVER_HALF: Final = (1.1, 1.8)  # ratio of their lengths on common rulers; a mark longer than that touches a figure
PARTS: Final = {8: -1.5, 16: 0.0, 32: -0.7, 64: -2.5}  # log odds of an inch's parts: common practice, no source
ALIKE: Final = -3.0  # log odds that an inch and its half are marked alike: common practice, no source
FIGURES: Final = 5.0  # log odds of figures at every inch and none between, or at both, where several of each are seen
FEW_FIGURES: Final = 2.5  # where one of either is seen
UNSURE: Final = 3.0  # log odds of the best reading against the next under which neither is taken: 1 in 20
USUAL: Final = 0.9  # part of the marks that their scatter is taken from
MOST_DRIFT: Final = 1.0  # periods from end to end
CAM_MM: Final = 33.0  # longest extent; 22 to 46 by the ranges of hub and reach: memory
CAM_SPREAD: Final = 0.25  # of its logarithm: half as wide again as those ranges, for tilt and for parts of other makes
CAM_ASTRAY: Final = 0.02  # over the likelihood at its peak: one mask in fourteen shows more or less than the part
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


def read_pattern(pyramid: Pyramid, edge: Edge, part_px: float | None = None) -> tuple[Edge, Marks] | NotMeasured:
    """Which graduation an edge carries.

    Parameters
    ----------
    pyramid : Pyramid
    edge : Edge
    part_px : float, optional
        Longest extent of the part in the photo: cams are 22 to 46 mm long, which tells an eighth of an inch from a
        sixteenth where the marks leave that open.

    Returns
    -------
    tuple of Edge and Marks, or NotMeasured
        The edge comes back with the polarity that shows the pattern.
        `ruler-few-marks` below 14 marks; `ruler-no-pattern` for marks of one length, as of a comb, a thread or text;
        `ruler-unit-unclear` where two ways of dividing explain the lengths about equally well.
    """
    part_steps = None if part_px is None else part_px / float(edge.period(np.array(0.5 * (edge.first + edge.last))))
    first = _read(straighten(pyramid, edge), part_steps)
    if isinstance(first, Marks) and first.gain > SURE_GAIN:
        return edge, first
    other = edge.inverted()
    second = _read(straighten(pyramid, other), part_steps)
    told = [(e, m) for e, m in ((edge, first), (other, second)) if isinstance(m, Marks)]
    unclear = [m for m in (first, second) if isinstance(m, NotMeasured) and m.code == "ruler-unit-unclear"]
    if not told:
        return unclear[0] if unclear else NotMeasured("ruler-no-pattern", "no ruler's pattern of longer marks is seen")
    best = max(told, key=lambda t: t[1].gain)
    return (
        best if not unclear or best[1].gain > SURE_GAIN else unclear[0]
    )  # the gaps do not tell what their marks leave open


def _read(strip: Strip, part_steps: float | None) -> Marks | NotMeasured:
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
        index, kept = strip.index[valid], length[valid]
        kept = kept - _drift(index, kept)
        figures = _Figures(strip, side, middle, side * rows[middle] + kept, valid)
        result = _best_graduation(index, kept, part_steps, figures)
        if isinstance(result, NotMeasured):
            if result.code == "ruler-unit-unclear":
                fail = result
            continue
        start = float(np.median(base[base_ok])) if base_ok.any() else 0.0
        if best is None or result.gain > best.gain:
            base_row = float(rows[middle]) - side * start
            best = Marks(result.graduation, result.zero, strip.index[seen], side, base_row, result.short + start, result.gain, result.figures)  # fmt: skip
    return fail if best is None else best


def _drift(index: NDArray[np.intp], length: Array) -> Array:
    """What a line that is not quite parallel to the ruler adds to the lengths: told by the short half of the marks, which
    are of one kind with every division."""
    x = (index - index.mean()) / max(float(np.ptp(index)), 1.0)
    rise = 0.0
    for _ in range(6):
        off = length - rise * x
        low = off <= np.median(off)
        rise = float(np.clip(np.polyfit(x[low], length[low], 1)[0], -MOST_DRIFT, MOST_DRIFT))
    return np.asarray(rise * x)


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
    known = seen & there[np.minimum(end + 1, rows.shape[0] - 1), column] & ~bridged.all(axis=0)
    return np.maximum(length, 0.0), known


@dataclass(frozen=True, slots=True)
class _Fit:
    graduation: Graduation
    zero: int
    short: float
    off: Array  # (N,) absolute, of each length from the middle of its class
    tail: Array  # (N,) the most that each may cost, in spreads
    ordered: bool
    kinds: int

    def score(self, spread: float) -> float:
        """Log likelihood, Laplace with a floor under its tails, less BIC's price of the classes and of the start."""
        n = self.off.size
        price = 0.5 * self.kinds * math.log(n) + math.log(max(len(self.graduation.classes), 1))
        return -float(np.minimum(self.off / spread, self.tail).sum()) - price


def _residue_middles(index: NDArray[np.intp], length: Array, cycle: int) -> tuple[Array, Array, Array]:
    """Median length, the upper median and count of the marks of each remainder of the index by `cycle`; zero where there are
    none."""
    remainder = index % cycle
    order = np.lexsort((length, remainder))
    count = np.bincount(remainder, minlength=cycle)
    end = np.cumsum(count)
    low, high = end - count + (count - 1) // 2, end - count + count // 2
    line = length[order]
    last = line.size - 1
    upper = line[np.clip(high, 0, last)]
    middle = 0.5 * (line[np.clip(low, 0, last)] + upper)
    return np.where(count > 0, middle, 0.0), np.where(count > 0, upper, 0.0), count.astype(np.float64)


def _fit_classes(index: NDArray[np.intp], length: Array, graduation: Graduation) -> list[_Fit]:
    """The best start of the pattern with its classes in order of length, and the best with them in any order."""
    cycle = len(graduation.classes)
    table = np.array(graduation.classes)
    kinds = int(table.max()) + 1
    middle, upper, count = _residue_middles(index, length, cycle)
    kind_of = table[(np.arange(cycle)[None, :] - np.arange(cycle)[:, None]) % cycle]  # (zero, remainder)
    members = kind_of[:, :, None] == np.arange(kinds)  # (zero, remainder, kind)
    total = (members * count[None, :, None]).sum(axis=1)
    middles = (members * (count * middle)[None, :, None]).sum(axis=1) / np.maximum(total, 1.0)
    if graduation.unit == "inch":  # of the two that may be seen of the longest a cover cuts one short
        middles[:, -1] = (members[:, :, -1] * upper[None, :]).sum(axis=1)  # one remainder alone is of that kind
    off = np.abs(length[None, :] - np.take_along_axis(middles, kind_of[:, index % cycle], axis=1))
    enough = (total >= 2).all(axis=1)
    if graduation.unit == "inch":  # a single inch mark among halves tells the inch, unless a figure makes it longer
        ratio = middles[:, -1] / np.maximum(middles[:, -2], 1e-9)
        lone = (total[:, :-2] >= 2).all(axis=1) & (total[:, -2:] >= 1).all(axis=1)
        enough |= lone & (ratio > INCH_OVER_HALF[0]) & (ratio < INCH_OVER_HALF[1])
    cost = np.where(enough, np.minimum(off, 2.5).sum(axis=1), np.inf)
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
            tail = np.full(index.size, TAIL)
            if graduation.unit == "inch":
                longest = kind_of[zero, index % cycle] == kinds - 1
                off[zero, longest], tail[longest] = _with_figures(length[longest])
            best.append(_Fit(graduation, zero, float(middles[zero, 0]), off[zero], tail, order, kinds))
    return best


def _with_figures(length: Array) -> tuple[Array, Array]:
    """How far each of the longest marks is from their common length, and the most that this may cost: figures touch some
    and make them longer, nothing makes them shorter but a cover."""
    best: tuple[float, Array, Array] | None = None
    for level in np.quantile(length, (0.25, 0.5, 0.75), method="nearest"):
        off = np.abs(length - level)
        tail = np.where(length > level, TOUCHED, TAIL)
        cost = float(np.minimum(off / FLOOR, tail).sum())
        if best is None or cost < best[0]:
            best = (cost, off, tail)
    assert best is not None
    return best[1], best[2]


@dataclass(frozen=True, slots=True)
class _Choice:
    graduation: Graduation
    zero: int
    gain: float
    short: float
    figures: bool = False  # they bear it out


def _by_size(graduation: Graduation, part_steps: float | None) -> float:
    """Log of how likely a cam is as long as the part would be."""
    if part_steps is None:
        return 0.0
    off = math.log(part_steps * graduation.division_mm / CAM_MM) / CAM_SPREAD
    return math.log(math.exp(-0.5 * off**2) + CAM_ASTRAY)


def _best_graduation(
    index: NDArray[np.intp], length: Array, part_steps: float | None, figures: _Figures
) -> _Choice | NotMeasured:
    fits = [fit for graduation in GRADUATIONS for fit in _fit_classes(index, length, graduation)]
    even = _Fit(Graduation("even", None, 0.0, (0,)), 0, 0.0, np.abs(length - np.median(length)), np.full(index.size, TAIL), False, 1)  # fmt: skip
    within = int(np.ceil(USUAL * index.size))  # a cover or a figure spoils some
    spread = max(min(float(np.sort(f.off)[:within].mean()) for f in [*fits, even]), FLOOR)
    ranked = sorted(fits, key=lambda f: -f.score(spread))
    strange = [f for f in ranked if f.graduation.unit is None]
    null = even.score(spread)
    usable = [f for f in ranked if f.ordered and f.graduation.unit is not None]
    if not usable or usable[0].score(spread) - null < MIN_GAIN:
        return NotMeasured("ruler-no-pattern", "marks of one length: no ruler's pattern of longer marks is seen")
    best = usable[0]
    gain = best.score(spread) - null
    if best.graduation.name in ("mm 1/5", "mm 1/10") and (index.size < 25 or gain < 3.0 * MIN_GAIN):
        return NotMeasured("ruler-no-pattern", "some marks are longer, but too few are seen to be sure")
    if strange and strange[0].score(spread) - best.score(spread) > -0.4 * MIN_GAIN:
        text = f"longer marks come {strange[0].graduation.name}: no ruler is divided like that"
        return NotMeasured("ruler-no-pattern", text)
    rivals = [
        (f.score(spread) + _by_size(f.graduation, part_steps), f, False) for f in usable if f.graduation.unit == "mm"
    ]
    rivals += _inches([f for f in usable if f.graduation.unit == "inch"], index, length, spread, part_steps, figures)
    rivals.sort(key=lambda r: -r[0])
    odds, chosen, told = rivals[0]
    other = next((r for r in rivals[1:] if r[1].graduation.division_mm != chosen.graduation.division_mm), None)
    if chosen.graduation.unit == "inch" and spread > MOST_SPREAD:
        return NotMeasured("ruler-unit-unclear", "the marks' lengths are too uneven to tell the inch's parts by")
    if other is not None and odds - other[0] < UNSURE:
        names = f"{chosen.graduation.name} or {other[1].graduation.name}"
        return NotMeasured("ruler-unit-unclear", f"the marks could be {names}: show more of the ruler, figures too")
    return _Choice(chosen.graduation, chosen.zero, gain, chosen.short, told)


def _inches(
    fits: list[_Fit], index: NDArray[np.intp], length: Array, spread: float, part_steps: float | None, figures: _Figures
) -> list[tuple[float, _Fit, bool]]:
    """Log odds of each number of parts of the inch, with a fit for it and whether figures bear it out.

    The inch may be twice what the marks show, where no two of the longest are seen, or all inches and halves are alike.
    """
    if not fits:
        return []
    best: dict[int, tuple[float, _Fit]] = {}
    for parts in PARTS:
        graduation = next(g for g in GRADUATIONS if g.unit == "inch" and len(g.classes) == parts)
        own = [(f.score(spread), f) for f in fits if f.graduation is graduation]
        less = best.get(parts // 2)
        if less is not None:
            zero = less[1].zero
            ends = [length[(index - zero) % parts == place] for place in (0, parts // 2)]
            alike = less[0]
            if min(e.size for e in ends):  # figures only make marks longer, so the shorter ones of each tell
                low, high = sorted(float(np.quantile(e, 0.25, method="nearest")) for e in ends)
                alike += ALIKE if high < INCH_OVER_HALF[0] * low else 0.0
            own.append((alike, replace(less[1], graduation=graduation)))
        if own:
            best[parts] = max(own, key=lambda o: o[0])
    spoken = {parts: figures.say(fit.graduation, fit.zero) for parts, (_, fit) in best.items()}
    result = []
    for parts, (score, fit) in best.items():
        odds = score + PARTS[parts] + _by_size(fit.graduation, part_steps)
        odds += sum(0.5 * (word if parts > cycle else -word) for cycle, word in spoken.items())
        told = spoken[parts] < 0.0 or spoken.get(parts // 2, 0.0) > 0.0
        result.append((odds, fit, told))
    return result


@dataclass(frozen=True, slots=True)
class _Figures:
    """Where the figures stand beside the marks; `length` (N,) are the ends of the `valid` marks, in rows from the line
    through the marks; they are measured from the row `middle`."""

    strip: Strip
    side: float
    middle: int
    length: Array
    valid: NDArray[np.bool_]

    def say(self, graduation: Graduation, zero: int) -> float:
        """Log odds that the inch is twice as many marks: a figure stands at every other one of the longest marks, or at all.

        0 where the figures say nothing.
        """
        strip, cycle = self.strip, len(graduation.classes)
        kind = np.array(graduation.classes)[(strip.index[self.valid] - zero) % cycle]
        if not ((kind == kind.max()).any() and (kind == kind.max() - 1).any()):
            return 0.0
        longest = float(np.median(self.length[kind == kind.max()]))
        above = self.length - strip.rows[self.middle] * self.side
        half = float(np.median(above[kind == kind.max() - 1]))
        turn = (strip.index[self.valid] - zero) % (2 * cycle)
        touched = [above[turn == place] > INCH_OVER_HALF[1] * half for place in (0, cycle)]
        if all(t.size and t.mean() >= MOST for t in touched):  # the figures touch the marks
            return -FIGURES if min(t.size for t in touched) >= 2 else -FEW_FIGURES
        beyond = strip.rows * self.side - longest
        rows = (beyond > 0.3) & (beyond < 0.3 + 4.5 / graduation.division_mm)
        if rows.sum() < 3:
            return 0.0
        first, last = strip.index[self.valid].min(), strip.index[self.valid].max()
        known = strip.inside[rows].all(axis=0) & (strip.index >= first) & (strip.index <= last)
        ink = strip.ink[rows].mean(axis=0)
        place = (strip.index - zero) % (2 * cycle)
        at, amid = known & (place == 0), known & (place == cycle)
        rest = ink[known & (np.minimum(place % cycle, cycle - place % cycle) > cycle // 4)]
        if not (at.any() and amid.any() and rest.size):
            return 0.0
        if np.median(ink[at]) < np.median(ink[amid]):
            at, amid = amid, at
        here, between = ink[at], ink[amid]
        within = (strip.index >= first + 2) & (strip.index <= last - 2)
        bare = ink[amid & within]  # no 0 need stand where a ruler begins
        worth = FIGURES if min(here.size, between.size) >= 2 else FEW_FIGURES
        level = 2.2 * float(np.median(rest))
        if bare.size and (here > level).mean() >= MOST and (bare > 0.7 * level).mean() <= 1.0 - MOST:
            return worth
        return -0.5 * worth if (between > level).mean() >= MOST else 0.0  # anything else may lie there as well
