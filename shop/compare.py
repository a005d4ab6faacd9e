"""Two photos side by side: does B fit where A was, what differs by how much, and both outlines over each other."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final
from xml.sax.saxutils import escape

import numpy as np

from shop.calliper import parse_finding, take_in
from shop.doubts import Doubts
from shop.draws import UNMEASURED_LENGTH_U_MM, UNMEASURED_RADIUS_U_MM, draw
from shop.fits import Candidate, FitReport, verdict_of
from shop.judging import FitOptions, Judge, Judged, seat_of
from shop.measure_next import Asker
from shop.measured import Array, MeasuredPart, measured_part_from_reading
from shop.parts import MOST_HOLES, Part, PartHole
from shop.reasons import notes_of, reasons_of, top
from vision.quantity import COVERAGE_FACTOR
from vision.vocabulary import CENTRE, HANDED_FAMILIES, angle_from_xy

SCHEMA: Final = "camdial.comparison/1"
WORTH_MARKING_MM: Final = 0.3  # outlines nearer than this are drawn, not marked
MOST_MARKS: Final = 6
MARKS_APART_MM: Final = 4.0
WITHOUT_SCALE_REACH_MM: Final = 20.0  # outlines without a unit are drawn with this reach
POINT_WEIGHT: Final = 20.0  # how much the hole centres may bend the picture's scale off a plain one, 1/mm


@dataclass(frozen=True, slots=True)
class Difference:
    """One length in both photos, mm; `off` is B minus A with its u95. A hole's is its distance, always positive."""

    name: str
    a_mm: float | None
    b_mm: float | None
    off_mm: float
    u95_mm: float


@dataclass(frozen=True, slots=True)
class Mark:
    """Where the outlines lie farthest apart: a point of A's outline, the nearest of B's, and the gap, mm."""

    a_mm: tuple[float, float]
    b_mm: tuple[float, float]
    gap_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """B as the only candidate for A's place, what differs, and both outlines in the part's mm (N, 2)."""

    report: FitReport
    differences: tuple[Difference, ...]
    marks: tuple[Mark, ...]
    outline_a_mm: Array
    outline_b_mm: Array
    holes_a: tuple[PartHole, ...]
    holes_b: tuple[PartHole, ...]
    names: tuple[str, str]
    has_scale: bool

    def to_record(self) -> dict[str, Any]:
        """The comparison as JSON values: the report's own, with the differences beside it."""
        return {
            **self.report.to_record(),
            "comparison": {
                "schema": SCHEMA,
                "a": self.names[0],
                "b": self.names[1],
                "differences": [
                    {
                        "quantity": d.name,
                        "a": None if d.a_mm is None else round(d.a_mm, 3),
                        "b": None if d.b_mm is None else round(d.b_mm, 3),
                        "difference": {"value": round(d.off_mm, 3), "u95": round(d.u95_mm, 3)},
                    }
                    for d in self.differences
                ],
                "outline_gaps": [
                    {"at_mm": [round(m.a_mm[0], 2), round(m.a_mm[1], 2)], "gap_mm": round(m.gap_mm, 2)}
                    for m in self.marks
                ],
            },
        }

    def to_json(self) -> str:
        """The comparison as one JSON object."""
        return json.dumps(self.to_record(), ensure_ascii=False)


def compare(
    reading_a: Mapping[str, Any],
    reading_b: Mapping[str, Any],
    options: FitOptions | None = None,
    *,
    found_a: Sequence[str] = (),
    found_b: Sequence[str] = (),
    rng: np.random.Generator | None = None,
) -> Comparison:
    """May the part in photo B go where the part in photo A was?

    Parameters
    ----------
    reading_a, reading_b : mapping
        JSON objects of two readings (``camdial.reading/1``): the part that came off, and the one meant to go on.
    options : FitOptions, optional
        As for `shop.fits.decide`; B's own uncertainty stands in for the list's.
    found_a, found_b : sequence of str
        What a calliper or a look has told of either part, as ``"reach=21.4"``.
    rng : numpy.random.Generator, optional

    Raises
    ------
    ValueError
        If one of them is no reading of a cam, or something found is not understood.
    """
    options = options or FitOptions()
    rng = rng or np.random.default_rng(options.seed)
    a, b = measured_part_from_reading(reading_a, screws=options.screws), measured_part_from_reading(reading_b)
    a, b = (take_in(m, [parse_finding(text, m) for text in found]) for m, found in ((a, found_a), (b, found_b)))
    report = _decide(a, b, options, rng)
    outline_a, outline_b = outline_mm(reading_a, a), outline_mm(reading_b, b)
    has_scale = a.is_measured("reach") and b.is_measured("reach")
    return Comparison(
        report=report,
        differences=_differences(a, b),
        marks=_marks(outline_a, outline_b) if has_scale else (),
        outline_a_mm=outline_a,
        outline_b_mm=outline_b,
        holes_a=_holes(a),
        holes_b=_holes(b),
        names=(a.name, b.name),
        has_scale=has_scale,
    )


# ------------------------------------------------------------------------------------------------ the decision


def part_of(measured: MeasuredPart) -> Part:
    """A measured part as a row of a list: its likeliest words and its mean lengths."""
    width, hub = measured.quantity("tail_width"), measured.quantity("hub_diameter")
    family = top(measured.family)
    hand = "none"
    if family in HANDED_FAMILIES:
        hand = "left" if measured.hand["left"] >= measured.hand["right"] else "right"
    return Part(
        part=measured.name,
        family=family,
        bottom=top(measured.bottom),
        hand=hand,
        reach_mm=float(measured.mean[0]),
        holes=_holes(measured),
        hub_diameter_mm=None if hub is None else hub.value,
        tail_width_mm=None if width is None else width.value,
    )


def _holes(measured: MeasuredPart) -> tuple[PartHole, ...]:
    holes = []
    for hole, (x, y), diameter in zip(measured.holes, measured.hole_xy_mm, measured.hole_diameters_mm, strict=True):
        sunk = 2.0 * float(diameter) if hole.countersunk > 0.5 else None
        angle = None if hole.position == CENTRE else angle_from_xy(float(x), float(y))
        radius = 0.0 if angle is None else math.hypot(float(x), float(y))
        holes.append(PartHole(angle, radius, float(diameter), sunk))
    return tuple(holes)


def _decide(a: MeasuredPart, b: MeasuredPart, options: FitOptions, rng: np.random.Generator) -> FitReport:
    full = _filled(b, a)
    part = part_of(full)
    draws = draw(a, options.draws, rng, most_lift_mm=options.most_lift_mm, list_u95_mm=0.0, screws=options.screws)
    # B's errors take the place of the list's.
    values, vectors = np.linalg.eigh(full.covariance)
    errors = rng.standard_normal((options.draws, len(values))) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    n = len(b.holes)
    at = errors[:, 3:].reshape(options.draws, n, 3)
    lengths = np.column_stack([errors[:, 0], errors[:, 1], at[:, :, 2].mean(axis=1)])
    centres = np.zeros((options.draws, MOST_HOLES, 2))
    centres[:, :n] = at[:, :, :2]
    draws = replace(draws, list_xy=centres, list_length=lengths)
    judged = _both_words(Judge(_unsure_as(a, b), draws, options).judge(part), a, b, part)
    verdict = verdict_of(judged.probability, a if b.is_complete() else b, options)
    seat = seat_of(a, part, draws, options)
    reasons = reasons_of(
        a, part, draws, seat, judged.sides, judged.by_screw,
        options.reach_tolerance_mm, options.tail_width_tolerance_mm,
    )  # fmt: skip
    asker = Asker(a, draws, rng, (options.reach_tolerance_mm, options.tail_width_tolerance_mm))
    decide_by = asker.best(judged) if verdict == "measure" else None
    candidate = Candidate(
        part=part.part,
        verdict=verdict,
        probability=judged.probability,
        checks={"tail": judged.tail, "bottom": judged.bottom, "screws": judged.screws},
        rotation_deg=None if seat is None else seat.turn_deg,
        reasons=reasons,
        decide_by=decide_by,
        bin="",
        stock=None,
    )
    return FitReport(a.sha256, (candidate,), (*notes_of(a, draws, options.screws), *b.notes))


def _filled(b: MeasuredPart, a: MeasuredPart) -> MeasuredPart:
    """B with what was not measured of it taken as A's, with the uncertainty of a length not measured."""
    mean, covariance = b.mean.copy(), b.covariance.copy()
    if not b.is_measured("reach"):
        mean[0], covariance[0, :], covariance[:, 0] = a.mean[0], 0.0, 0.0
        covariance[0, 0] = UNMEASURED_LENGTH_U_MM**2
    for i, hole in enumerate(b.holes):
        if hole.position == CENTRE or all(b.is_measured(f"holes[{i}].{axis}") for axis in "xy"):
            continue
        rows = list(b.hole_rows(i))
        along = mean[rows] / float(np.hypot(*mean[rows]))
        radii = np.hypot(*a.hole_xy_mm.T)
        across = np.array([along[1], -along[0]])
        radius = float(radii[int(np.argmax((a.hole_xy_mm @ along) / np.maximum(radii, 1e-6)))])
        u_across = math.sqrt(float(across @ covariance[np.ix_(rows, rows)] @ across))
        mean[rows] = radius * along
        covariance[rows, :], covariance[:, rows] = 0.0, 0.0
        spread = UNMEASURED_RADIUS_U_MM**2 * np.outer(along, along) + u_across**2 * np.outer(across, across)
        covariance[np.ix_(rows, rows)] = spread
    return replace(b, mean=mean, covariance=covariance)


def _unsure_as(a: MeasuredPart, b: MeasuredPart) -> MeasuredPart:
    """A with the facing of both: turned over together they agree, turned over alone they do not."""
    pa, pb = max(a.facing.values()), max(b.facing.values())
    together = pa * pb + (1.0 - pa) * (1.0 - pb)
    stated = top(a.facing)
    other = "plug" if stated == "screw" else "screw"
    if together < 0.5:  # `sides_of` takes the likelier word for the stated one
        together = 0.5
    doubts = Doubts(
        1.0 - (1.0 - a.doubts.drawing) * (1.0 - b.doubts.drawing),
        1.0 - (1.0 - a.doubts.lengths) * (1.0 - b.doubts.lengths),
        a.doubts.diameters,
    )
    return replace(a, facing={stated: together, other: 1.0 - together}, doubts=doubts)


def _both_words(judged: Judged, a: MeasuredPart, b: MeasuredPart, part: Part) -> Judged:
    """The same judgement with the doubt about B's words taken in."""
    family = sum(a.family[word] * b.family[word] for word in a.family) / max(a.family[part.family], 1e-9)
    bottom = 1.0 - a.bottom["open"] * b.bottom["closed"]
    bottom /= max(1.0 if part.bottom == "open" else a.bottom["closed"], 1e-9)
    hand = 1.0
    if part.family in HANDED_FAMILIES:
        pa, pb = (m.hand["left"] / max(m.hand["left"] + m.hand["right"], 1e-9) for m in (a, b))
        hand = (pa * pb + (1.0 - pa) * (1.0 - pb)) / max(pa if part.hand == "left" else 1.0 - pa, 1e-9)
    factor = family * bottom * hand
    return replace(
        judged,
        probability=min(judged.probability * factor, 1.0),
        tail=min(judged.tail * family * hand, 1.0),
        bottom=min(judged.bottom * bottom, 1.0),
        each=np.minimum(judged.each * factor, 1.0),
        plain=np.minimum(judged.plain * factor, 1.0),
        lengths_each=np.minimum(judged.lengths_each * factor, 1.0),
        words=min(judged.words * factor, 1.0),
        sides=tuple(replace(side, probability=min(side.probability * factor, 1.0)) for side in judged.sides),
    )


def _differences(a: MeasuredPart, b: MeasuredPart) -> tuple[Difference, ...]:
    found = []
    for name in ("reach", "tail_width", "hub_diameter"):
        first, second = a.quantity(name), b.quantity(name)
        if first is not None and second is not None:
            u95 = COVERAGE_FACTOR * math.hypot(first.u, second.u)
            found.append(Difference(name.replace("_", " "), first.value, second.value, second.value - first.value, u95))
    if not (a.holes_measured() and b.holes_measured()):
        return tuple(found)
    xy_b = b.hole_xy_mm
    for i, at in enumerate(a.hole_xy_mm):
        j = int(np.argmin(np.hypot(*(xy_b - at).T)))
        rows_a, rows_b = list(a.hole_rows(i)), list(b.hole_rows(j))
        spread = a.covariance[np.ix_(rows_a, rows_a)] + b.covariance[np.ix_(rows_b, rows_b)]
        u95 = COVERAGE_FACTOR * math.sqrt(float(np.linalg.eigvalsh(spread)[-1]))
        name = "hole in the centre" if a.holes[i].position == CENTRE else f"hole at {a.holes[i].position}"
        found.append(Difference(f"{name}, to the nearest", None, None, float(np.hypot(*(xy_b[j] - at))), u95))
    return tuple(found)


# ------------------------------------------------------------------------------------------------ the outlines


def outline_mm(reading: Mapping[str, Any], measured: MeasuredPart) -> Array:
    """The outline in the part's own mm, axis at 0, tail up, screw side seen; (N, 2), empty if there is none.

    The reading states the outline in pixels and some points in both units: the axis, the direction of the tail, and the
    holes. A plain scaling through axis and tail is bent (affinely) as far as the holes ask for it.
    """
    outline = reading.get("outline") or {}
    polygon = np.asarray(outline.get("polygon_px") or [], dtype=float).reshape(-1, 2)
    if len(polygon) < 3 or not outline.get("axis_px") or not outline.get("tail_px"):
        return np.zeros((0, 2))
    axis, tail = np.asarray(outline["axis_px"], dtype=float), np.asarray(outline["tail_px"], dtype=float)
    up = (tail - axis) / max(float(np.hypot(*(tail - axis))), 1e-9)
    right = np.array([-up[1], up[0]])  # image y runs down: to the right of the tail as seen
    if top(measured.facing) == "plug":
        right = -right
    scale = (reading.get("scale") or {}).get("mm_per_px")
    if not scale:
        scale = WITHOUT_SCALE_REACH_MM / max(float(((polygon - axis) @ up).max()), 1e-9)
    plain = scale * np.stack([right, up])
    bent = plain if not reading.get("scale") else _bent(plain, axis, up, reading, measured)
    placed: Array = (polygon - axis) @ bent.T
    return placed


def _bent(plain: Array, axis: Array, up: Array, reading: Mapping[str, Any], measured: MeasuredPart) -> Array:
    rows, wanted = [], []
    for hole, (x, y) in zip((reading.get("pattern") or {}).get("holes", ()), measured.hole_xy_mm, strict=True):
        if hole.get("center_px") and hole.get("position") != CENTRE and hole.get("radius"):
            offset = np.asarray(hole["center_px"], dtype=float) - axis
            rows += [np.r_[offset, 0.0, 0.0], np.r_[0.0, 0.0, offset]]
            wanted += [x, y]
    if not rows:
        return plain
    length = float(np.hypot(*rows[0][:2]))
    rows.append(np.r_[up * length, 0.0, 0.0])  # 12 o'clock stays at x = 0
    wanted.append(0.0)
    stay = np.eye(4) * length / POINT_WEIGHT
    stacked, target = np.vstack([*rows, *stay]), np.r_[wanted, stay @ plain.ravel()]
    bent: Array = np.linalg.lstsq(stacked, target, rcond=None)[0].reshape(2, 2)
    return bent


def _marks(a: Array, b: Array) -> tuple[Mark, ...]:
    """The widest gaps between two outlines, each farther than a few mm from the next."""
    if len(a) < 3 or len(b) < 3:
        return ()
    found = []
    for points, other, flipped in ((_dense(a), _dense(b), False), (_dense(b), _dense(a), True)):
        apart = np.hypot(points[:, None, 0] - other[None, :, 0], points[:, None, 1] - other[None, :, 1])
        nearest = apart.argmin(axis=1)
        for i in np.argsort(-apart.min(axis=1))[: 40 * MOST_MARKS]:
            here, there = points[i], other[nearest[i]]
            pair = (there, here) if flipped else (here, there)
            found.append((float(apart[i, nearest[i]]), pair))
    marks: list[Mark] = []
    for gap, (on_a, on_b) in sorted(found, key=lambda entry: -entry[0]):
        middle = 0.5 * (on_a + on_b)
        far = all(
            math.dist(middle, (0.5 * (m.a_mm[0] + m.b_mm[0]), 0.5 * (m.a_mm[1] + m.b_mm[1]))) > MARKS_APART_MM
            for m in marks
        )
        if gap >= WORTH_MARKING_MM and far and len(marks) < MOST_MARKS:
            marks.append(Mark((float(on_a[0]), float(on_a[1])), (float(on_b[0]), float(on_b[1])), gap))
    return tuple(marks)


def _dense(polygon: Array, step_mm: float = 0.25) -> Array:
    """Points along a closed polygon, at most `step_mm` apart."""
    closed = np.vstack([polygon, polygon[:1]])
    lengths = np.hypot(*np.diff(closed, axis=0).T)
    at = np.r_[0.0, np.cumsum(lengths)]
    where = np.arange(0.0, at[-1], step_mm)
    return np.column_stack([np.interp(where, at, closed[:, 0]), np.interp(where, at, closed[:, 1])])


# ------------------------------------------------------------------------------------------------ the drawing

COLOUR_A: Final = "#0b57a4"
COLOUR_B: Final = "#b3400e"
INK: Final = "#1f2328"
NO_SCALE: Final = "no scale in one of the photos: drawn with the same reach"
LONGEST_NAME: Final = 40  # letters


def comparison_svg(comparison: Comparison, width_px: int = 640) -> str:
    """Both outlines over each other, axis on axis and tail on tail, to scale, with gaps marked in mm; one SVG.

    A is drawn solid, B dashed, so that colour is not needed to tell them apart.
    """
    points = [p for p in (comparison.outline_a_mm, comparison.outline_b_mm) if len(p)]
    points += [np.array([hole.xy_mm]) for hole in (*comparison.holes_a, *comparison.holes_b)]
    both = np.vstack(points) if points else np.zeros((1, 2))
    low, high = both.min(axis=0) - 3.5, both.max(axis=0) + 3.5
    names = [f"{letter}: {_shortened(name)}" for letter, name in zip("AB", comparison.names, strict=True)]
    foot_mm = [5.5 + _text_mm(name, 1.2) for name in names]
    if not comparison.has_scale:
        foot_mm.append(_text_mm(NO_SCALE, 1.2))
    high[0] = max(high[0], low[0] + 30.0, low[0] + 1.5 + max(foot_mm))
    for mark in comparison.marks:  # numbers beside the outlines, too, lie inside the drawing
        x, _, text, size, anchor = _mark_place(mark)
        long = _text_mm(text, size)
        start = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * long
        low[0], high[0] = min(low[0], start - 0.5), max(high[0], start + long + 0.5)
    w, h = high - low
    foot = 6.5
    title = f"{comparison.names[0]} and {comparison.names[1]}, axis on axis and tail on tail"
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_px}" height="{width_px * (h + foot) / w:.0f}" '
        f'viewBox="{low[0]:.2f} {-high[1]:.2f} {w:.2f} {h + foot:.2f}" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect x="{low[0]:.2f}" y="{-high[1]:.2f}" width="{w:.2f}" height="{h + foot:.2f}" fill="#ffffff"/>',
    ]
    for outline, holes, colour, dash in (
        (comparison.outline_a_mm, comparison.holes_a, COLOUR_A, ""),
        (comparison.outline_b_mm, comparison.holes_b, COLOUR_B, ' stroke-dasharray="0.9 0.5"'),
    ):
        style = f'fill="{colour}" fill-opacity="0.08" stroke="{colour}" stroke-width="0.22"{dash}'
        if len(outline):
            path = " ".join(f"{x:.2f},{-y:.2f}" for x, y in outline)
            out.append(f'<polygon points="{path}" {style}/>')
        for hole in holes:
            x, y = hole.xy_mm
            out.append(f'<circle cx="{x:.2f}" cy="{-y:.2f}" r="{hole.diameter_mm / 2:.2f}" {style}/>')
    out.append(f'<path d="M-1,0H1M0,-1V1" stroke="{INK}" stroke-width="0.12" fill="none"/>')
    for mark in comparison.marks:
        (x1, y1), (x2, y2) = mark.a_mm, mark.b_mm
        out.append(f'<path d="M{x1:.2f},{-y1:.2f}L{x2:.2f},{-y2:.2f}" stroke="{INK}" stroke-width="0.3"/>')
        x, y, text, size, anchor = _mark_place(mark)
        out.append(_text(x, y, text, INK, size, anchor))
    x, y = low[0] + 1.0, -low[1]
    out.append(f'<path d="M{x:.2f},{y:.2f}h4" stroke="{COLOUR_A}" stroke-width="0.3"/>')
    out.append(_text(x + 5.0, y + 0.4, names[0], INK, 1.2))
    out.append(f'<path d="M{x:.2f},{y + 2:.2f}h4" stroke="{COLOUR_B}" stroke-width="0.3" stroke-dasharray="0.9 0.5"/>')
    out.append(_text(x + 5.0, y + 2.4, names[1], INK, 1.2))
    if comparison.has_scale:
        out.append(f'<path d="M{x:.2f},{y + 4:.2f}h10M{x:.2f},{y + 3.6:.2f}v0.8M{x + 10:.2f},{y + 3.6:.2f}v0.8" '
                   f'stroke="{INK}" stroke-width="0.15" fill="none"/>')  # fmt: skip
        out.append(_text(x + 10.6, y + 4.4, "10 mm", INK, 1.2))
    else:
        out.append(_text(x, y + 4.4, NO_SCALE, INK, 1.2))
    out.append("</svg>")
    return "\n".join(out)


def _mark_place(mark: Mark) -> tuple[float, float, str, float, str]:
    """Where the gap's number goes: away from the axis, so that numbers do not run into the part or each other."""
    (x1, y1), (x2, y2) = mark.a_mm, mark.b_mm
    x, y = 0.5 * (x1 + x2), 0.5 * (y1 + y2)
    text = f"{mark.gap_mm:.2f} mm"
    if abs(x) < 0.12 * abs(y):
        return x, -max(y1, y2) - 0.5 if y > 0 else -min(y1, y2) + 1.4, text, 1.1, "middle"
    if x < 0.0:
        return min(x1, x2) - 0.4, -y + 0.4, text, 1.1, "end"
    return max(x1, x2) + 0.4, -y + 0.4, text, 1.1, "start"


def _text_mm(text: str, size: float) -> float:
    """How wide a text is at most, sans-serif: the drawing must hold it whatever font shows it."""
    return 0.62 * size * len(text)


def _shortened(name: str) -> str:
    """A long file name with its middle left out."""
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME // 2 - 1]}…{name[-LONGEST_NAME // 2 + 1 :]}"


def _text(x: float, y: float, text: str, colour: str, size: float, anchor: str = "start") -> str:
    place = f'x="{x:.2f}" y="{y:.2f}" font-size="{size}" font-family="sans-serif" text-anchor="{anchor}"'
    return f'<text {place} fill="{colour}">{escape(text)}</text>'
