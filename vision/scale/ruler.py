"""Photo -> Scale from a ruler's graduations, in any direction, partly covered or out of the frame.

`ruler_search` proposes graduated places, `ruler_track` gives every mark of an edge its number, `ruler_pattern` tells
from the lengths of the marks what one step is; here the marks' middles are found to a fraction of a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo
from vision.quantity import NotMeasured, Quantity
from vision.scale import PointReference, Scale
from vision.scale.ruler_pattern import Marks, read_pattern
from vision.scale.ruler_search import LONG_SIDES_PX, find_seeds
from vision.scale.ruler_track import Edge, Pyramid, edge_through, fit_spacing, sample, track

Array = NDArray[np.float64]
Unit = Literal["mm", "inch"]

# Steel rules keep 0.05-0.1 mm on 300 mm, moulded and wooden ones shrink and swell by a few tenths: memory, no source.
U_SIZE: Final = 0.001
RULER_HEIGHT_MM: Final = Quantity(1.4, 0.9)  # graduated face over the bench: steel 0.5, plastic 1-2, wood 3; memory
MIN_MARKS: Final = 12
BEND_WARNING: Final = 0.001  # rms bend per length: then a local size is off by about 1 % at the ends
MAX_TRIES: Final = (30, 18, 14)  # seeds followed: where a ruler is likely, in the small picture, in the large one
PATIENCE: Final = 3  # times that one line of marks may prove no ruler's: combs and print are alike all along
HURRIED_TRIES: Final = 10
MAX_SCATTER: Final = 0.1  # of a step; good marks scatter by 0.01, coarsely printed ones by 0.06
MORE_TRIES: Final = 8
MAX_EDGES: Final = 2
MARKS_USED: Final = 40  # of an edge, for the plane: what is left of errors after that is common to all of them
COMMON: Final = 1.2  # neighbouring marks share blur and grain: what they scatter by averages out a little less
LOOSE_PX: Final = 3.0  # how well it is known where along itself a mark was looked at
NEAR_AND_FAR: Final = ((0.12, 0.42), (0.58, 0.88))  # of the shortest mark's length
AGREE: Final = 0.04  # two edges of one ruler may differ by this part where tilt changes the size from one to the other


@dataclass(frozen=True, slots=True)
class RulerEdge:
    """One graduated edge read to a fraction of a pixel."""

    unit: Unit
    division_mm: float
    graduation: str
    index: NDArray[np.intp]  # (N,) in divisions; zero is some mark of the longest kind
    image_px: Array  # (N, 2) middles of marks, all at one distance from the base of the marks
    near_px: Array  # (N, 2) the same marks close to where they begin
    far_px: Array  # (N, 2) and where the short ones end
    across_px: Array  # (N, 2) unit, square to each mark in the picture
    sigma_px: float  # scatter, and what the lens bends
    bent_px: float  # rms of that bend
    gain: float
    figures: bool  # beside the inches, where they should be
    mm_per_px: float  # along the edge, at its middle


def find_ruler(
    photo: Photo,
    unit: Unit | None = None,
    *,
    ruler_probability: NDArray[np.float32] | None = None,
    exclude_mask: NDArray[np.bool_] | None = None,
    part_px: float | None = None,
    hurried: bool = False,
) -> Scale | NotMeasured:
    """Find a ruler and the millimetres along it.

    Parameters
    ----------
    photo : Photo
    unit : {"mm", "inch"}, optional
        What the user says; checked against the pattern of longer marks. None: the pattern alone decides.
    ruler_probability : ndarray of shape (h, w), float, optional
        Over the whole picture at any size; the search starts where it is high, and goes everywhere if that fails.
    exclude_mask : ndarray of shape (h, w), bool, optional
        Where no ruler is looked for, such as the part itself; over the whole picture at any size.
    part_px : float, optional
        Longest extent of the part in the photo: it tells divisions apart that the marks alone leave open.
    hurried : bool
        Nobody says that there is a ruler: where none is likely, only the best places of a small picture are tried.

    Returns
    -------
    Scale or NotMeasured
        One `PointReference` for each graduated edge; `ruler-not-found`, `ruler-unit-conflict`, `ruler-unit-unclear`
        or `ruler-edges-disagree`.
    """
    result = find_edges(photo, unit, ruler_probability=ruler_probability, exclude_mask=exclude_mask, part_px=part_px, hurried=hurried)  # fmt: skip
    if isinstance(result, NotMeasured):
        return result
    warnings: tuple[NotMeasured, ...] = ()
    worst = max(e.bent_px / (np.ptp(e.index) * e.division_mm / e.mm_per_px) for e in result)
    if worst > BEND_WARNING:
        text = f"the ruler looks bent by {100 * worst:.1f} % of its length: lay it flat, and keep it near the photo's middle"
        warnings = (NotMeasured("ruler-bent", text),)
    references = tuple(_reference(e) for e in result)
    return Scale("ruler", f"{result[0].unit}-ruler", references, U_SIZE, warnings)


def _reference(edge: RulerEdge) -> PointReference:
    """Marks of an edge, evenly taken, each at both ends: along the ruler they tell size and tilt, and as lines that run
    together in the distance the tilt about the ruler."""
    few = np.unique(np.linspace(0, edge.index.size - 1, MARKS_USED).astype(np.intp))
    image_px = np.concatenate([edge.near_px[few], edge.far_px[few]])
    apart = float(np.median(np.linalg.norm(edge.far_px - edge.near_px, axis=1))) * edge.mm_per_px
    along = edge.near_px[-1] - edge.near_px[0]
    side = float(np.sign(((edge.far_px - edge.near_px) @ np.array([along[1], -along[0]])).sum()))  # y in mm runs up
    x = edge.index[few] * edge.division_mm
    plane_mm = np.concatenate([np.stack([x, np.zeros(x.size)], 1), np.stack([x, np.full(x.size, side * apart)], 1)])
    return PointReference(image_px, plane_mm, edge.sigma_px, RULER_HEIGHT_MM, np.tile(edge.across_px[few], (2, 1)), LOOSE_PX)  # fmt: skip


def find_edges(
    photo: Photo,
    unit: Unit | None = None,
    *,
    ruler_probability: NDArray[np.float32] | None = None,
    exclude_mask: NDArray[np.bool_] | None = None,
    part_px: float | None = None,
    hurried: bool = False,
) -> tuple[RulerEdge, ...] | NotMeasured:
    """The graduated edges behind `find_ruler`, surest first."""
    gray = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    pyramid = Pyramid(gray)
    searches: list[tuple[NDArray[np.bool_] | None, tuple[int, ...], int]] = []
    if ruler_probability is not None and float(ruler_probability.max()) > 0.5:
        reach = max(3, int(0.03 * max(ruler_probability.shape)) | 1)
        likely = cv2.dilate((ruler_probability > 0.3).astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
        searches.append((likely, LONG_SIDES_PX, MAX_TRIES[0]))
    everywhere = None if exclude_mask is None else ~exclude_mask
    small, large = sorted(LONG_SIDES_PX)
    if hurried:
        searches.append((everywhere, (small,), HURRIED_TRIES))
    else:
        searches += [(everywhere, (small,), MAX_TRIES[1]), (everywhere, (large,), MAX_TRIES[2])]
    fail = NotMeasured(
        "ruler-not-found", "no ruler's graduation is seen: show at least 3 cm of it, sharp and uncovered"
    )
    for allowed, sizes, tries in searches:
        edges: list[RulerEdge] = []
        tracked: list[Edge] = []
        refused: list[Edge] = []
        more = MORE_TRIES
        for seed in find_seeds(gray, allowed=allowed, limit=tries, long_sides_px=sizes):
            if any(_on_edge(e, seed.centre_px, seed.direction) for e in tracked):
                continue
            if sum(_on_edge(e, seed.centre_px, seed.direction) for e in refused) >= PATIENCE:
                continue
            if tracked:  # the other edge of the same ruler, not anything else
                more -= 1
                if more < 0 or not _beside(tracked[0], seed.centre_px, seed.direction):
                    continue
            edge = track(pyramid, seed)
            if edge is None or any(_on_edge(e, edge.origin_px, edge.direction) for e in tracked):
                continue
            told = read_pattern(pyramid, edge, part_px)
            if isinstance(told, NotMeasured):
                refused.append(edge)
                if told.code == "ruler-unit-unclear":
                    fail = told
                continue
            edge, marks = told
            read = _measure(pyramid, edge, marks)
            if read is None:
                continue
            edge, read = _grown(pyramid, edge, read, part_px)
            tracked.append(edge)
            edges.append(read)
            if len(edges) >= MAX_EDGES:
                break
        if edges:
            return _choose(edges, unit)
    return fail


def _on_edge(edge: Edge, point_px: Array, direction: Array) -> bool:
    """Whether a seed lies on an edge that is read already."""
    along = float((point_px - edge.origin_px) @ edge.direction)
    across = float(abs((point_px - edge.origin_px) @ np.array([-edge.direction[1], edge.direction[0]])))
    ends = edge.position(np.array([edge.first, edge.last], float))
    middle = 0.5 * (edge.first + edge.last)
    period = float(edge.period(np.array(middle)))
    parallel = abs(float(direction @ edge.direction)) > 0.97
    return parallel and across < 5.0 * period and ends.min() - 10 * period < along < ends.max() + 10 * period


def _beside(edge: Edge, point_px: Array, direction: Array) -> bool:
    """Whether a seed can be the other edge of the ruler: parallel, beside it, not farther off than rulers are wide."""
    along = float((point_px - edge.origin_px) @ edge.direction)
    across = float(abs((point_px - edge.origin_px) @ np.array([-edge.direction[1], edge.direction[0]])))
    ends = edge.position(np.array([edge.first, edge.last], float))
    length = float(ends.max() - ends.min())
    parallel = abs(float(direction @ edge.direction)) > 0.96
    return parallel and across < 0.5 * length and ends.min() < along < ends.max()


def _grown(pyramid: Pyramid, edge: Edge, read: RulerEdge, part_px: float | None) -> tuple[Edge, RulerEdge]:
    """Go on from the marks that are sure, as long as more of the same turn up: tracking may have left the ruler."""
    for _ in range(3):
        wider = edge_through(edge, read.image_px, read.index)
        told = read_pattern(pyramid, wider, part_px)
        if isinstance(told, NotMeasured) or told[1].graduation.name != read.graduation:
            break
        more = _measure(pyramid, *told)
        if more is None or more.index.size <= read.index.size + 1:
            break
        edge, read = told[0], more
    return edge, read


def _lone(index: Array, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Marks in groups of under four with a gap of over three about them: a long lever with little to hold it."""
    where = np.flatnonzero(good)
    groups = np.split(where, np.flatnonzero(np.diff(index[where]) > 3.5) + 1)
    lone = np.zeros(good.size, bool)
    for group in groups:
        lone[group] = group.size < 4
    return lone


def _measure(pyramid: Pyramid, edge: Edge, marks: Marks) -> RulerEdge | None:
    """Middles of the marks at full resolution, by least squares against the edge's own mean mark."""
    index = marks.index.astype(np.float64)
    period = edge.period(index)
    typical = float(np.median(period))
    n = int(np.clip(np.ceil(2.0 * 0.45 * typical * 1.5), 9, 41)) | 1
    x = np.linspace(-0.45, 0.45, n)
    part = np.linspace(0.12, 0.88, 9)
    inner = part * marks.short
    rows = marks.base + marks.side * inner
    lines = index[:, None, None] + x[None, None, :]
    rows_px = rows[None, :, None] * edge.row_px(index)[:, None, None]
    grey = sample(pyramid, edge.points(lines, rows_px), min(typical, 11.0))
    ok = np.isfinite(grey).all(axis=(1, 2))
    if ok.sum() < MIN_MARKS:
        return None
    index, grey = index[ok], grey[ok]
    profile = grey.mean(axis=1)
    floor, top = profile.min(axis=1, keepdims=True), profile.max(axis=1, keepdims=True)
    shape = np.median((profile - floor) / np.maximum(top - floor, 1.0), axis=0)
    shape = 0.5 * (shape + shape[::-1])
    shift, contrast, misfit = _shifts(x, profile, shape)
    clear = contrast > 0.35 * np.median(contrast)
    good = clear & (misfit < 4.0 * np.median(misfit) + 1.0) & (np.abs(shift) < 0.29)
    lone = _lone(index, good)
    good &= ~lone
    along = edge.position(index + shift)
    for _ in range(6):
        if good.sum() < MIN_MARKS:
            return None
        fit = fit_spacing(index[good], along[good], bend=True)
        off = along - fit.position(index)
        kept = clear & ~lone & (np.abs(off) <= max(3.5 * 1.4826 * float(np.median(np.abs(off[good]))), 0.05))
        if (kept == good).all():
            break
        good = kept
    count = int(good.sum())
    sigma = float(np.sqrt((off[good] ** 2).sum() / max(count - 4, 1)))
    if sigma > max(MAX_SCATTER * typical, 0.25):
        return None
    straight = fit_spacing(index[good], along[good], bend=False)
    bent = fit.position(index[good]) - straight.position(index[good])
    bent_px = float(np.sqrt((bent**2).mean()))
    index, shift, grey = index[good], shift[good], grey[good]
    unit_px = edge.row_px(index)
    ends, scatter = [], []
    for low, high in NEAR_AND_FAR:
        use = (part >= low) & (part <= high)
        moved = _shifts(x, grey[:, use].mean(axis=1), shape)[0]
        ends.append(edge.points(index + moved, float(rows[use].mean()) * unit_px))
        off = edge.position(index + moved) - fit.position(index)
        off = off - np.polyval(np.polyfit(index, off, 2), index)  # the lines run together
        scatter.append(1.4826 * float(np.median(np.abs(off))))
    where = edge.points(index + shift, float(rows.mean()) * unit_px)
    lean = edge.slant[0] + edge.slant[1] * edge.position(index)
    across = edge.direction - lean[:, None] * np.array([-edge.direction[1], edge.direction[0]])
    across = across / np.linalg.norm(across, axis=1, keepdims=True)
    # the plane's fit knows of a lens; a bend beyond is common to neighbours: as many marks as there are bends average it out
    beyond = max(bent_px - BEND_WARNING * float(np.ptp(fit.position(index))), 0.0)
    sigma = float(np.hypot(COMMON * max(sigma, *scatter), beyond * np.sqrt(max(count / 8.0, 1.0))))
    division = marks.graduation.division_mm
    number = (index - marks.zero).astype(np.intp)
    mm_per_px = division / float(fit.step(np.array(np.median(index))))
    unit: Unit = "mm" if marks.graduation.unit == "mm" else "inch"
    return RulerEdge(
        unit, division, marks.graduation.name, number, where, ends[0], ends[1], across,
        max(sigma, 0.03), bent_px, marks.gain, marks.figures, mm_per_px,
    )  # fmt: skip


def _shifts(x: Array, profiles: Array, shape: Array) -> tuple[Array, Array, Array]:
    """Shift, contrast and misfit of each profile (N, n) against the mean mark (n,), by linear least squares in turns.

    Grey = contrast * mark(x - shift) + level + slope * x; the shift enters by the mark's own derivative.
    """
    shift = np.zeros(len(profiles))
    for _ in range(3):
        at = x[None, :] - shift[:, None]
        moved = np.interp(at, x, shape)
        design = np.stack(
            [moved, -np.gradient(moved, x, axis=1), np.ones_like(moved), np.broadcast_to(x, moved.shape)], 2
        )
        normal = design.transpose(0, 2, 1) @ design + 1e-9 * np.eye(4)
        value = np.linalg.solve(normal, design.transpose(0, 2, 1) @ profiles[:, :, None])[:, :, 0]
        contrast = value[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            move = np.where(np.abs(contrast) > 1.0, value[:, 1] / contrast, 0.0)
        shift = np.clip(shift + np.clip(move, -0.15, 0.15), -0.3, 0.3)
    misfit = np.std(profiles - (design @ value[:, :, None])[:, :, 0], axis=1)
    return shift, contrast, misfit


def _choose(edges: list[RulerEdge], unit: Unit | None) -> tuple[RulerEdge, ...] | NotMeasured:
    edges = sorted(edges, key=lambda e: -e.gain)
    wanted = [e for e in edges if unit is None or e.unit == unit]
    if not wanted:
        text = (
            f"the ruler's marks follow {edges[0].graduation}, not {unit}: name the other unit, or turn the ruler over"
        )
        return NotMeasured("ruler-unit-conflict", text)
    if len(edges) == 2:
        ratio = edges[0].mm_per_px / edges[1].mm_per_px
        disagree = abs(ratio - 1.0) > 0.25 + AGREE  # no tilt changes the size so much within a ruler's width
        told = [e for e in wanted if e.figures]
        if disagree and len(told) == 1:
            return tuple(told)
        if disagree:
            return NotMeasured(
                "ruler-edges-disagree",
                f"two graduated edges give sizes that differ by {100 * abs(ratio - 1):.0f} %: leave one ruler in the photo",
            )
    return tuple(wanted)
