"""May this part go on instead of that one? Reading and list -> candidates, each with a probability and a verdict."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shop.doubts import FITS_ANYHOW
from shop.draws import Draws, Same, draw
from shop.judging import LEAST_DRAWS, FitOptions, Judge, Rated, sides_of
from shop.likeness import Likeness
from shop.measure_next import Asker, DecideBy
from shop.measured import Array, MeasuredPart, measured_part_by_hand, measured_part_from_reading
from shop.parts import Part
from shop.parts_table import PartsTable, label_probabilities, lengths_possible, screws_possible, table_of
from shop.reasons import notes_of, reasons_of, short_reasons
from shop.same_number import chances_of, same_parts
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
FIRST_DRAWS: Final = 2000  # enough to name the screws
MORE_DRAWS: Final = 2000  # after LEAST_DRAWS, where these leave the verdict open
MIDDLE_DRAWS: Final = 6000  # after those
# so many, likeliest first, get a probability from many draws; of the others only the verdict counts
CLOSELY: Final = 24
NEAR: Final = 3.0  # this many standard errors from a limit of the verdict, more draws are used
FEW: Final = 8  # with so few candidates, always
RANKED_ASIDE: Final = 40  # of the parts set aside, as many are put in order by what still speaks for them
# An open bottom serves where a closed one did, a closed one never where an open one did: so of two parts alike but for the
# bottom the open one comes first unless the closed one is this many times as likely (ours). Of 1,323 readings six said
# open with 20 to 48 %, four of them the pictures this was chosen by: all six were.
OPEN_FIRST: Final = 5.0
MOST_ASKED: Final = 10  # so many undecided candidates, best first, get their deciding measurement worked out


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


@dataclass(frozen=True, slots=True, eq=False)
class Aside:
    """R parts of a list that are not worth drawing for."""

    rows: NDArray[np.intp]  # (R,)
    against: NDArray[np.bool_]  # (R, 4), what speaks against them: outline, lengths, bottom, holes
    chances: Array  # (R,), that they fit all the same, because the reading is void

    def in_order(self, order: NDArray[np.intp]) -> Aside:
        """The same parts in another order."""
        return Aside(self.rows[order], self.against[order], self.chances[order])


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

    def drawn(count: int, same: Sequence[Same] = ()) -> Draws:
        return draw(
            measured,
            count,
            rng,
            most_lift_mm=options.most_lift_mm,
            list_u95_mm=options.list_u95_mm,
            listed_screws=table.screws,
            screws=options.screws,
            same=same,
        )

    first = drawn(FIRST_DRAWS)
    alive, possible, aside = _sweep(table, measured, first, options)
    likeness = Likeness(measured, first, options, len(table.parts))
    likeness.prepare(table, alive.tolist())
    parts = [table.parts[row] for row in alive.tolist()]
    same = same_parts(likeness, parts)
    draws = drawn(options.draws, same)
    sameness = np.array([likeness.sameness(part) for part in parts])
    few = len(parts) <= FEW
    judge = Judge(measured, draws if few else draws.first(MIDDLE_DRAWS), options)
    weighed = judge.weigh(table, alive, possible) if few else None
    rated = (
        _rated(measured, draws, judge, table, alive, possible, sameness, options) if weighed is None else weighed.rated
    )
    # The very part read fits, whatever outline the photo took it for: lengths that are all one listed part's speak for that, too.
    # Not for its bottom: parts are made alike with either, and a closed one never goes on for an open one.
    chances = chances_of(same)
    very_part = np.array([chances.get(part.part, 0.0) for part in parts])
    rated.probability[:] = np.maximum(rated.probability, very_part * rated.bottom)
    verdicts = [verdict_of(p, measured, options) for p in rated.probability.tolist()]
    for k, part in enumerate(parts):
        if verdicts[k] == DOES_NOT_FIT and likeness.cannot_be_told(part, float(rated.words[k])):
            verdicts[k] = MEASURE
    serving = sameness + np.log([OPEN_FIRST if part.bottom == "open" else 1.0 for part in parts])
    order = sorted(range(len(parts)), key=lambda k: (verdicts[k] == DOES_NOT_FIT, -serving[k]))
    asked = [k for k in order if verdicts[k] == MEASURE][:MOST_ASKED]
    asker = Asker(measured, draws, rng, (options.reach_tolerance_mm, options.tail_width_tolerance_mm))
    if weighed is None:
        weighed, places = judge.weigh(table, alive[asked], possible[asked]), list(range(len(asked)))
    else:
        places = asked
    decide_by = {k: asker.best(judge.judged(parts[k], weighed, at)) for k, at in zip(asked, places, strict=True)}
    candidates = [
        _candidate(
            parts[k], rated, k, verdicts[k], measured, draws, likeness.seat(parts[k]), decide_by.get(k), options
        )
        for k in order
    ]  # fmt: skip
    aside = _in_order(table, measured, likeness, options, aside)
    about = asker.about_the_reading() if (aside.chances > options.not_up_to).any() else None
    candidates += _set_aside(table, aside, measured, options, about)
    return FitReport(measured.sha256, tuple(candidates), notes_of(measured, draws, options.screws))


def verdict_of(probability: float, measured: MeasuredPart, options: FitOptions) -> str:
    """The word for a probability; nothing is called a fit while a length it rests on was not measured."""
    if probability >= options.fits_from:
        return FITS if measured.is_complete() else MEASURE
    return DOES_NOT_FIT if probability <= options.not_up_to else MEASURE


def _rated(
    measured: MeasuredPart, draws: Draws, judge: Judge, table: PartsTable, rows: NDArray[np.intp],
    possible: NDArray[np.bool_], sameness: Array, options: FitOptions,
) -> Rated:  # fmt: skip
    """Probabilities of many parts, on as many draws as each needs: few, more (those of `judge`), or all."""
    rated = Judge(measured, draws.first(LEAST_DRAWS), options).rate(table, rows, possible)
    closely = np.zeros(len(rows), dtype=np.bool_)
    closely[np.argsort(-sameness, kind="stable")[:CLOSELY]] = True
    worth = rated.likely >= REFINE_FROM

    def open_still() -> NDArray[np.bool_]:
        limits = np.array([options.fits_from, options.not_up_to])
        off = np.abs(rated.probability[:, None] - limits).min(axis=1)
        return np.asarray(off < NEAR * rated.error)

    def again(which: NDArray[np.bool_], better: Judge) -> None:
        at = np.nonzero(worth & which)[0]
        rated.put(at, better.rate(table, rows[at], possible[at]))

    again(~closely & open_still(), Judge(measured, draws.first(MORE_DRAWS), options))
    again(closely | open_still(), judge)
    again(closely & open_still(), Judge(measured, draws, options))
    return rated


def _candidate(
    part: Part, rated: Rated, k: int, verdict: str, measured: MeasuredPart, draws: Draws, seat: Seat | None,
    decide_by: DecideBy | None, options: FitOptions,
) -> Candidate:  # fmt: skip
    checks: dict[str, float | None] = {
        "tail": float(rated.tail[k]), "bottom": float(rated.bottom[k]), "screws": float(rated.screws[k])
    }  # fmt: skip
    return Candidate(
        part=part.part,
        verdict=verdict,
        probability=float(rated.probability[k]),
        checks=checks,
        rotation_deg=None if seat is None else seat.turn_deg,
        reasons=reasons_of(
            measured, part, draws, seat, rated.sides(k), rated.by_screw[k],
            options.reach_tolerance_mm, options.tail_width_tolerance_mm,
        ),
        decide_by=decide_by,
        bin=part.bin,
        stock=part.stock,
    )  # fmt: skip


def _sweep(
    table: PartsTable, measured: MeasuredPart, draws: Draws, options: FitOptions
) -> tuple[NDArray[np.intp], NDArray[np.bool_], Aside]:
    """Rows worth drawing for, and for which faces their holes may do; and the others."""
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
    # Where the reading is void a part may fit all the same, but not against what a calliper has told.
    told = np.ones(count, dtype=np.bool_)
    if "reach" in measured.taken:
        told &= lengths_possible(table, measured, "reach", options.reach_tolerance_mm)
    if "tail-width" in measured.taken:
        told &= lengths_possible(table, measured, "tail_width", options.tail_width_tolerance_mm)
    chances = FITS_ANYHOW * measured.doubts.void * tail[rest] * bottom[rest] * told[rest]
    return kept, possible, Aside(rest, against[rest], chances)


def _in_order(
    table: PartsTable, measured: MeasuredPart, likeness: Likeness, options: FitOptions, aside: Aside
) -> Aside:
    """The likeliest of the parts set aside put in order, when the reading leaves room for doubt; the rest as they were.

    A part that agrees with all but one of the holes read is right when that hole is none.
    """
    if not len(aside.rows) or measured.doubts.void <= 0.0:
        return aside
    drawing, chances = measured.doubts.drawing, aside.chances.copy()
    if drawing > options.not_up_to:
        fewer = table.holes[aside.rows] == len(measured.holes) - 1
        maybe = np.nonzero(fewer & aside.against[:, 3] & ~aside.against[:, :3].any(axis=1))[0].tolist()
        likeness.prepare(table, aside.rows[maybe].tolist())
        for k in maybe:
            if likeness.agrees_with_fewer(table.parts[aside.rows[k]]):
                chances[k] = max(chances[k], drawing)
    aside = Aside(aside.rows, aside.against, chances)
    if float(chances.max()) <= options.not_up_to:
        return aside
    by_chance = np.argsort(-chances, kind="stable")
    rows = aside.rows[by_chance[:RANKED_ASIDE]].tolist()
    likeness.prepare(table, rows)
    scores = np.array([likeness.sameness(table.parts[row]) for row in rows])
    settled = chances[by_chance[:RANKED_ASIDE]] <= options.not_up_to
    by_chance[:RANKED_ASIDE] = by_chance[np.lexsort((-scores, settled))]
    return aside.in_order(by_chance)


def _set_aside(
    table: PartsTable, aside: Aside, measured: MeasuredPart, options: FitOptions, about: DecideBy | None
) -> list[Candidate]:
    rows, against = aside.rows.tolist(), aside.against.tolist()
    reasons = short_reasons(measured, table, rows, against, options.reach_tolerance_mm, options.tail_width_tolerance_mm)
    candidates = []
    known: dict[tuple[bool, ...], dict[str, float | None]] = {}
    for row, (tail, lengths, bottom, screws), said, chance in zip(
        rows, against, reasons, aside.chances.tolist(), strict=True
    ):
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
