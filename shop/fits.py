"""May this part go on instead of that one? Reading and list -> candidates, each with a probability and a verdict."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shop.calliper import mirrored
from shop.doubts import FITS_ANYHOW, Doubts
from shop.draws import Draws, draw
from shop.judging import LEAST_DRAWS, SETTLED_VOID, FitOptions, Judge, Judged, seat_of, sides_of
from shop.measure_next import Asker, DecideBy
from shop.measured import (
    UNMEASURED_MM,
    Array,
    MeasuredPart,
    hand_probability,
    measured_part_by_hand,
    measured_part_from_reading,
)
from shop.parts import Part
from shop.parts_table import PartsTable, label_probabilities, lengths_possible, screws_possible, table_of
from shop.reasons import notes_of, reasons_of, short_reasons
from shop.turning import Seat

__all__ = [
    "Candidate",
    "FitOptions",
    "FitReport",
    "decide",
    "measured_part_by_hand",
    "measured_part_from_reading",
]

SCHEMA: Final = "camdial.fits/1"
FITS, MEASURE, DOES_NOT_FIT = "fits", "measure", "does-not-fit"
LEAST_LABEL: Final = 1e-3  # below this the words alone say no
REFINE_FROM: Final = 0.02  # on the first few draws; below it the answer is no whatever the rest says
MIDDLE_DRAWS: Final = 6000
NEAR: Final = 0.02  # this near a limit of the verdict, all draws are used
FEW: Final = 8  # with so few candidates, always
MODEL_U_MM: Final = 0.02  # two parts of one number differ by about this
VOID_NATS: Final = 2.0  # what a void number costs: its normal peak against a usual range about eight times as wide
Z_99: Final = 2.3263  # one-sided, of the normal distribution
RANKED_ASIDE: Final = 40  # of the parts set aside, as many are put in order by what still speaks for them
MOST_ASKED: Final = 20  # so many undecided candidates, best first, get their deciding measurement worked out


@dataclass(frozen=True, slots=True)
class Candidate:
    """One part of the list beside the part read. `checks` holds None for what was not worth working out."""

    part: str
    verdict: str
    probability: float
    checks: dict[str, float | None]
    rotation_deg: float | None  # of the new part, clockwise
    reasons: tuple[str, ...]
    decide_by: DecideBy | None
    bin: str
    stock: int | None

    def to_record(self) -> dict[str, Any]:
        """The candidate as JSON values."""
        return {
            "part": self.part,
            "verdict": self.verdict,
            "probability": round(self.probability, 4),
            "checks": {name: None if p is None else round(p, 4) for name, p in self.checks.items()},
            "rotation_deg": None if self.rotation_deg is None else round(self.rotation_deg, 2),
            "reasons": list(self.reasons),
            "decide_by": None if self.decide_by is None else self.decide_by.to_record(),
            "bin": self.bin or None,
            "stock": self.stock,
        }


@dataclass(frozen=True, slots=True)
class FitReport:
    """All candidates, best first, and what was assumed."""

    reading: str | None  # SHA-256 of the photo, None without one
    candidates: tuple[Candidate, ...]
    notes: tuple[str, ...] = ()

    def to_record(self) -> dict[str, Any]:
        """The report as JSON values."""
        return {
            "schema": SCHEMA,
            "reading": self.reading,
            "candidates": [candidate.to_record() for candidate in self.candidates],
            "notes": list(self.notes),
        }

    def to_json(self) -> str:
        """The report as one JSON object."""
        return json.dumps(self.to_record(), ensure_ascii=False)


def _sameness(
    measured: MeasuredPart, part: Part, seat: Seat | None, options: FitOptions, known: Sequence[int]
) -> float:
    """Log-likelihood, up to a constant, that the part read is this very part: what puts near twins in order.

    A blunder of the scale or the drawing makes the numbers it touches tell nothing: each is then put as unlikely as a
    value anywhere in the usual range.
    """
    if seat is None:
        return -math.inf
    rows, off = _differences(measured, part, seat, known)
    spread = measured.covariance[np.ix_(rows, rows)] + _floor(options) * np.eye(len(rows))
    of_holes = [k >= len(UNMEASURED_MM) for k in rows]
    agreement = _agreement(off, spread, np.array(of_holes, dtype=bool), measured.doubts)
    extra = len(part.holes) - len(measured.holes)
    words = measured.family[part.family] * measured.bottom[part.bottom]
    words *= hand_probability(measured, part.family, part.hand, mirrored=False)
    return agreement - 5.0 * extra + math.log(max(words, 1e-12))


def _floor(options: FitOptions) -> float:
    """Variance of a length of the list, and of parts of one number, mm²."""
    return (options.list_u95_mm / 2.0) ** 2 + MODEL_U_MM**2


def _differences(measured: MeasuredPart, part: Part, seat: Seat, known: Sequence[int]) -> tuple[list[int], Array]:
    """Rows of the state that both know, and by how much the part read is above the candidate, mm.

    `known` are the rows that were measured.
    """
    wanted: dict[str, float | None] = {
        "reach": part.reach_mm,
        "tail_width": part.tail_width_mm,
        "hub_diameter": part.hub_diameter_mm,
    }
    for i, j in enumerate(seat.holes):
        hole = part.holes[j]
        (x, y) = hole.xy_mm
        wanted |= {f"holes[{i}].x": x, f"holes[{i}].y": y, f"holes[{i}].diameter": hole.diameter_mm}
    rows = [k for k in known if wanted.get(measured.names[k]) is not None]
    off = measured.mean[rows] - np.array([wanted[measured.names[k]] for k in rows], dtype=float)
    return rows, off


def _agreement(off: Array, spread: Array, of_holes: NDArray[np.bool_], doubts: Doubts) -> float:
    """Log-likelihood of the differences, with the chance that lengths, holes or both are void."""
    if not len(off):
        return 0.0

    def normal(rows: NDArray[np.bool_]) -> float:
        if not rows.any():
            return 0.0
        part = off[rows]
        return -0.5 * float(part @ np.linalg.solve(spread[np.ix_(rows, rows)], part))

    every = np.ones(len(off), dtype=np.bool_)
    lost, holes = VOID_NATS * len(off), VOID_NATS * int(of_holes.sum())
    terms = [(normal(every), 1.0 - doubts.void)]
    if doubts.void > 0.0:
        terms += [
            (normal(~of_holes) - holes, doubts.drawing),
            (-lost, max(doubts.lengths, 0.1 * doubts.void)),
        ]
    top = max(value for value, weight in terms if weight > 0.0)
    return top + math.log(sum(weight * math.exp(value - top) for value, weight in terms if weight > 0.0))


def decide(
    measured: MeasuredPart,
    parts: Sequence[Part] | PartsTable,
    options: FitOptions | None = None,
    *,
    rng: np.random.Generator | None = None,
) -> FitReport:
    """Compare the part read with every part of a list.

    Parameters
    ----------
    measured : MeasuredPart
        From a reading, from a calliper, or either with later findings taken in.
    parts : sequence of Part, or PartsTable
        Parts set aside in one sweep because nothing near them is possible come last, with a probability of 0.
    options : FitOptions, optional
    rng : numpy.random.Generator, optional
        Otherwise one seeded with ``options.seed``: the same question gets the same answer.

    Returns
    -------
    FitReport
        `fits` at 0.95 and above, `does-not-fit` at 0.05 and below, `measure` between, with what to measure.
    """
    options = options or FitOptions()
    rng = rng or np.random.default_rng(options.seed)
    table = parts if isinstance(parts, PartsTable) else table_of(parts)
    draws = draw(
        measured,
        options.draws,
        rng,
        most_lift_mm=options.most_lift_mm,
        list_u95_mm=options.list_u95_mm,
        listed_screws=table.screws,
        screws=options.screws,
    )
    alive, aside, against, chances = _sweep(table, measured, draws, options)
    seats = _Seats(measured, draws, options)
    judges = [Judge(measured, draws.first(count), options) for count in (LEAST_DRAWS, MIDDLE_DRAWS, options.draws)]
    ranked: list[tuple[tuple[float, ...], Judged, Seat | None, str]] = []
    for row, possible in alive:
        part = table.parts[row]
        judged = judges[2 if len(alive) <= FEW else 0].judge(part, possible)
        if len(alive) > FEW and float(judged.plain.mean()) >= REFINE_FROM:
            judged = judges[1].judge(part, possible)
            if any(abs(judged.probability - at) < NEAR for at in (options.fits_from, options.not_up_to)):
                judged = judges[2].judge(part, possible)
        seat = seats.of(part)
        score = math.log(max(judged.probability, 1e-9)) + _sameness(measured, part, seat, options, seats.known)
        verdict = verdict_of(judged.probability, measured, options)
        if verdict == DOES_NOT_FIT and _cannot_be_told(measured, judged, seats, options):
            verdict = MEASURE
        ranked.append(((float(verdict == DOES_NOT_FIT), -score), judged, seat, verdict))
    ranked.sort(key=lambda entry: entry[0])
    asker, asked = Asker(measured, draws, rng), 0
    candidates = []
    for _, judged, seat, verdict in ranked:
        decide_by = None
        if verdict == MEASURE and asked < MOST_ASKED:
            asked += 1
            decide_by = asker.best(judged)
        candidates.append(_candidate(judged, verdict, measured, draws, seat, decide_by, options))
    aside, against, chances = _in_order(table, measured, seats, options, aside, against, chances)
    about = asker.about_the_reading() if chances and max(chances) > options.not_up_to else None
    candidates += _set_aside(table, aside, against, chances, measured, options, about)
    return FitReport(measured.sha256, tuple(candidates), notes_of(measured, draws, options.screws))


def verdict_of(probability: float, measured: MeasuredPart, options: FitOptions) -> str:
    """The word for a probability; nothing is called a fit while a length it rests on was not measured."""
    if probability >= options.fits_from:
        return FITS if measured.is_complete() else MEASURE
    return DOES_NOT_FIT if probability <= options.not_up_to else MEASURE


class _Seats:
    """Best seats of parts over the holes read, for either face of the photo; parts with the same holes share them."""

    def __init__(self, measured: MeasuredPart, draws: Draws, options: FitOptions) -> None:
        self.draws, self.options = draws, options
        self.measured = {False: measured, True: mirrored(measured)}
        self.known = [k for k, name in enumerate(measured.names) if measured.is_measured(name)]
        self._found: dict[Any, Seat | None] = {}

    def of(self, part: Part, *, turned: bool = False) -> Seat | None:
        """The best seat, or None when the part has too few holes."""
        key = part.holes, turned
        if key not in self._found:
            self._found[key] = seat_of(self.measured[turned], part, self.draws, self.options)
        return self._found[key]


def _cannot_be_told(measured: MeasuredPart, judged: Judged, seats: _Seats, options: FitOptions) -> bool:
    """Whether a photo speaks against a part only by being too unsure to speak for it.

    With an uncertainty as wide as what is allowed, the probability of a fit is small even for the very part read. So a
    part is refused only when its own numbers lie outside what the reading allows: non-conformity, too, wants proof
    (ISO 14253-1). The test is chi-squared over the lengths measured, for each face the photo may show.
    """
    if measured.doubts.void <= 0.0 or judged.words <= options.not_up_to:
        return False
    kinds = ("reach", "tail_width") if measured.doubts.diameters > 0.0 else ("reach", "tail_width", "diameter")
    for share, turned in sides_of(measured):
        seen, seat = seats.measured[turned], seats.of(judged.part, turned=turned)
        if share <= options.not_up_to or seat is None:
            continue
        rows, off = _differences(seen, judged.part, seat, seats.known)
        kept = [k for k, row in enumerate(rows) if seen.names[row].endswith((".x", ".y", *kinds))]
        if not kept:
            return True
        spread = seen.covariance[np.ix_(rows, rows)][np.ix_(kept, kept)] + _floor(options) * np.eye(len(kept))
        if float(off[kept] @ np.linalg.solve(spread, off[kept])) <= chi2_limit(len(kept)):
            return True
    return False


def chi2_limit(freedom: int) -> float:
    """What chi-squared exceeds once in a hundred (Wilson and Hilferty 1931; within 0.03 of the tables from 2 up)."""
    ninth = 2.0 / (9.0 * freedom)
    return freedom * (1.0 - ninth + Z_99 * math.sqrt(ninth)) ** 3


def _candidate(
    judged: Judged,
    verdict: str,
    measured: MeasuredPart,
    draws: Draws,
    seat: Seat | None,
    decide_by: DecideBy | None,
    options: FitOptions,
) -> Candidate:
    part = judged.part
    return Candidate(
        part=part.part,
        verdict=verdict,
        probability=judged.probability,
        checks={"tail": judged.tail, "bottom": judged.bottom, "screws": judged.screws},
        rotation_deg=None if seat is None else seat.turn_deg,
        reasons=reasons_of(
            measured, part, draws, seat, judged.sides, judged.screws_each,
            options.reach_tolerance_mm, options.tail_width_tolerance_mm,
        ),
        decide_by=decide_by,
        bin=part.bin,
        stock=part.stock,
    )  # fmt: skip


def _sweep(
    table: PartsTable, measured: MeasuredPart, draws: Draws, options: FitOptions
) -> tuple[list[tuple[int, list[bool]]], list[int], list[list[bool]], list[float]]:
    """Rows worth drawing for, with the faces for which their holes may do; the other rows, and what speaks against them.

    Against them may speak: outline, lengths, bottom, holes. Last come the chances that they fit all the same, because
    the reading is void.
    """
    count = len(table.parts)
    words = np.zeros(count)
    tail, bottom = np.zeros(count), np.zeros(count)
    faces = []
    thinnest = min(thread.major_mm for thread in draws.threads)
    for share, turned in sides_of(measured):
        one_tail, bottom = label_probabilities(table, measured, mirrored=turned)
        possible = screws_possible(table, measured, thinnest, options.most_turn_deg, mirrored=turned)
        words += share * one_tail * bottom * possible
        tail += share * one_tail
        faces.append(possible)
    lengths = lengths_possible(table, measured, "reach", options.reach_tolerance_mm)
    lengths &= lengths_possible(table, measured, "tail_width", options.tail_width_tolerance_mm)
    screws = np.any(faces, axis=0)
    alive = (words > LEAST_LABEL) & lengths
    against = np.stack([tail <= LEAST_LABEL, ~lengths, bottom <= LEAST_LABEL, ~screws], axis=1)
    off = np.abs(table.reach - measured.mean[0]) if measured.is_measured("reach") else np.zeros(count)
    rest = np.nonzero(~alive)[0]
    rest = rest[np.lexsort((off[rest], against[rest].sum(axis=1)))]
    kept = np.nonzero(alive)[0]
    possible = np.stack(faces, axis=1)[kept]
    chances = FITS_ANYHOW * measured.doubts.void * tail[rest] * bottom[rest]
    return (
        list(zip(kept.tolist(), possible.tolist(), strict=True)),
        rest.tolist(),
        against[rest].tolist(),
        chances.tolist(),
    )


def _in_order(
    table: PartsTable,
    measured: MeasuredPart,
    seats: _Seats,
    options: FitOptions,
    rows: list[int],
    against: list[list[bool]],
    chances: list[float],
) -> tuple[list[int], list[list[bool]], list[float]]:
    """The likeliest of the parts set aside put in order, when the reading leaves room for doubt; the rest as they were."""
    if not rows or measured.doubts.void <= SETTLED_VOID:
        return rows, against, chances
    by_chance = sorted(range(len(rows)), key=lambda k: -chances[k])
    first, rest = by_chance[:RANKED_ASIDE], by_chance[RANKED_ASIDE:]
    parts = {k: table.parts[rows[k]] for k in first}
    score = {k: _sameness(measured, part, seats.of(part), options, seats.known) for k, part in parts.items()}
    first.sort(key=lambda k: (chances[k] <= options.not_up_to, -score[k]))
    order = [*first, *rest]
    return [rows[k] for k in order], [against[k] for k in order], [chances[k] for k in order]


def _set_aside(
    table: PartsTable,
    rows: list[int],
    against: list[list[bool]],
    chances: list[float],
    measured: MeasuredPart,
    options: FitOptions,
    about: DecideBy | None,
) -> list[Candidate]:
    reasons = short_reasons(measured, table, rows, against, options.reach_tolerance_mm, options.tail_width_tolerance_mm)
    candidates = []
    known: dict[tuple[bool, ...], dict[str, float | None]] = {}
    for row, (tail, lengths, bottom, screws), said, chance in zip(rows, against, reasons, chances, strict=True):
        part = table.parts[row]
        kind = tail or lengths, bottom, screws
        checks = known.get(kind)
        if checks is None:  # one for all alike: a list of ten thousand has a dozen kinds
            checks = {name: 0.0 if no else None for name, no in zip(("tail", "bottom", "screws"), kind, strict=True)}
            known[kind] = checks
        verdict = MEASURE if chance > options.not_up_to else DOES_NOT_FIT
        decide_by = about if verdict == MEASURE else None
        candidates.append(Candidate(part.part, verdict, chance, checks, None, said, decide_by, part.bin, part.stock))
    return candidates
