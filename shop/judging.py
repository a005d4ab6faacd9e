"""Candidates worked out on the draws: how likely tail, bottom and screws agree, for either face of the photo."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shop.doubts import FITS_ANYHOW
from shop.draws import Draws, Unmeasured, length_off
from shop.measured import Array, MeasuredPart
from shop.parts import Part
from shop.parts_table import PartsTable, table_of, word_chances
from shop.serving import AT_ONCE, Serving, Single
from shop.threads import THREADS
from shop.turning import Seat, Seats, best_seats

LEAST_DRAWS: Final = 500
SETTLED_VOID: Final = 0.05  # a reading this likely to be void is looked at before anything is settled
FEW_AGREE: Final = 200
ONE_FACE_FROM: Final = 0.999  # a facing this sure is taken as known


@dataclass(frozen=True, slots=True)
class FitOptions:
    """What is allowed, and how carefully it is worked out."""

    reach_tolerance_mm: float = 0.5
    tail_width_tolerance_mm: float = 0.5
    most_turn_deg: float = 3.0
    most_lift_mm: float = 0.2  # of a countersunk head
    screws: tuple[str, ...] = ()  # threads of the cylinder when known
    list_u95_mm: float = 0.05  # how well the list's numbers are known
    draws: int = 20_000
    seed: int = 1
    fits_from: float = 0.95
    not_up_to: float = 0.05

    def __post_init__(self) -> None:
        for name in ("reach_tolerance_mm", "tail_width_tolerance_mm", "most_turn_deg", "most_lift_mm", "list_u95_mm"):
            if not 0.0 <= getattr(self, name) <= 30.0:
                raise ValueError(f"{name} is {getattr(self, name):g}; allowed: 0 to 30")
        if self.draws < LEAST_DRAWS:
            raise ValueError(f"{self.draws} draws; allowed: {LEAST_DRAWS} and more")
        unknown = [screw for screw in self.screws if screw not in THREADS]
        if unknown:
            raise ValueError(f"{unknown[0]!r} is no thread known here; allowed: {', '.join(THREADS)}")


@dataclass(frozen=True, slots=True)
class Side:
    """One way the photo may show the part: its probability, and how the candidate then does."""

    share: float
    mirrored: bool
    probability: float
    screws: float


@dataclass(frozen=True, slots=True, eq=False)
class Rated:
    """P candidates' probabilities, and what is said of them; F faces, T screws tried."""

    probability: Array  # (P,)
    error: Array  # (P,), its standard error
    likely: Array  # (P,), the probability were the reading certainly sound
    tail: Array  # (P,)
    bottom: Array  # (P,)
    words: Array  # (P,), that the words agree, facing summed over
    screws: Array  # (P,)
    by_screw: Array  # (P, T), the same for each screw tried; NaN for one that was not drawn
    share: Array  # (P, F), of each face
    chance: Array  # (P, F), that the candidate fits when the photo shows that face
    serves: Array  # (P, F), the same for the screws alone

    def sides(self, k: int) -> tuple[Side, ...]:
        """The faces the photo may show, for one candidate."""
        rows = zip(self.share[k].tolist(), self.chance[k].tolist(), self.serves[k].tolist(), strict=True)
        return tuple(Side(share, turned > 0, chance, serves) for turned, (share, chance, serves) in enumerate(rows))

    def put(self, rows: NDArray[np.intp], better: Rated) -> None:
        """Take these rows from others, which were worked out on more draws."""
        for one in fields(Rated):
            getattr(self, one.name)[rows] = getattr(better, one.name)


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One candidate worked out on N draws."""

    part: Part
    probability: float
    tail: float
    bottom: float
    screws: float
    each: Array  # (N,), probability that it fits, given the draw: words, facing and a void reading summed over
    plain: Array  # (N,), the same were the reading certainly sound
    lengths_each: Array  # (N,), the same for all but the screws
    words: float  # that the words agree, facing summed over
    void: float  # that the reading is void
    screws_each: Array  # (N,), the same for the screws alone
    by_screw: Array  # (T,), the same for each screw tried; NaN for one that was not drawn
    states: Array  # (N, K), the draws' states as used
    sides: tuple[Side, ...]
    of_none: Array  # (N,), 1 for a draw of a part that is none of the list's

    @property
    def settled(self) -> float:
        """Chance that all but the screws agrees, given that the screws do; 0 while the reading may be void.

        What follows is a trial, which shows the screws alone, and near twins share those. So a listed part that agrees
        settles nothing: what was measured and seen must do so for a part that is none of the list's. But one that does not
        agree, and that the part read may well be, leaves it open.
        """
        if self.void > SETTLED_VOID:
            return 0.0
        rest, screws = self.rest
        chances = []
        for counted in (self.of_none, np.ones(len(rest))):
            agreeing = float((screws * counted).sum())
            chances.append(float((rest * counted).sum()) / agreeing if agreeing > 0.0 else 0.0)
        return min(*chances, 1.0)

    @property
    def rest(self) -> tuple[Array, Array]:
        """All that must agree, and the screws alone, (N,) each; with too few draws whose screws do, the rest alone."""
        if float((self.screws_each * self.of_none).sum()) < FEW_AGREE:
            return self.lengths_each, np.ones(len(self.lengths_each))
        return self.plain, self.screws_each


def sides_of(measured: MeasuredPart) -> tuple[tuple[float, bool], ...]:
    """The two ways the photo may show the part: probability, and whether it is the other face than stated."""
    as_stated = max(measured.facing.values())
    return ((as_stated, False),) if as_stated > ONE_FACE_FROM else ((as_stated, False), (1.0 - as_stated, True))


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """P candidates on N draws, (P, N) each, in single precision; what they are is said at `Judged`."""

    each: Single
    plain: Single
    lengths_each: Single
    screws_each: Single
    rated: Rated


class Judge:
    """Works out candidates on one set of draws; those with the same holes share the work."""

    def __init__(self, measured: MeasuredPart, draws: Draws, options: FitOptions) -> None:
        self.measured, self.draws, self.options = measured, draws, options
        self._unmeasured = Unmeasured(draws, measured)
        self._sides = sides_of(measured)
        self._of_none = draws.of_none()
        # What a listed part is like is known whatever the photo says; how likely it is allows for a void reading.
        void = measured.doubts.void * self._of_none
        self._void, self._sound = void.astype(np.float32), (1.0 - void).astype(np.float32)
        counts = [draws.face_share(share, mirrored=turned) for share, turned in self._sides]
        self._counts = [one.astype(np.float32) for one in counts]
        self._words = [word_chances(measured, mirrored=turned) for _, turned in self._sides]
        self._serving: list[Serving] = []
        for _, turned in self._sides:
            self._serving.append(Serving(draws, self._unmeasured.places(mirrored=turned), options.most_turn_deg))
        drawn = [draws.which == k for k in range(len(draws.threads))]
        self._drawn = [(one / (one.sum() if one.any() else math.nan)).astype(np.float32) for one in drawn]

    def rate(self, table: PartsTable, rows: NDArray[np.intp], possible: NDArray[np.bool_]) -> Rated:
        """Probability that parts of a list fit, and of each check by itself.

        `possible` (R, F) says, for either face the photo may show, whether their holes need looking at.
        """
        step = max(AT_ONCE // len(self._void), 1)
        serves = self._serves(table, rows, possible)
        found = [
            self._weigh(table, rows[at : at + step], [one[at : at + step] for one in serves]).rated
            for at in range(0, max(len(rows), 1), step)
        ]
        names = [one.name for one in fields(Rated)]
        return Rated(*(np.concatenate([getattr(part, name) for part in found]) for name in names))

    def weigh(self, table: PartsTable, rows: NDArray[np.intp], possible: NDArray[np.bool_]) -> Weighed:
        """As `rate`, with what each draw says: for few."""
        return self._weigh(table, rows, self._serves(table, rows, possible))

    def judged(self, part: Part, weighed: Weighed, k: int) -> Judged:
        """One of the parts weighed, by itself."""
        rated = weighed.rated
        return Judged(
            part=part,
            probability=float(rated.probability[k]),
            tail=float(rated.tail[k]),
            bottom=float(rated.bottom[k]),
            screws=float(rated.screws[k]),
            each=weighed.each[k].astype(float),
            plain=weighed.plain[k].astype(float),
            lengths_each=weighed.lengths_each[k].astype(float),
            words=float(rated.words[k]),
            void=float(self._void.mean()),
            screws_each=weighed.screws_each[k].astype(float),
            by_screw=rated.by_screw[k],
            states=self._unmeasured.states(part, mirrored=False),
            sides=rated.sides(k),
            of_none=self._of_none,
        )

    def judge(self, part: Part) -> Judged:
        """One part, which need not be in a list."""
        all_faces = np.ones((1, len(self._sides)), dtype=np.bool_)
        return self.judged(part, self.weigh(table_of([part]), np.zeros(1, dtype=np.intp), all_faces), 0)

    def _serves(
        self, table: PartsTable, rows: NDArray[np.intp], possible: NDArray[np.bool_]
    ) -> list[NDArray[np.bool_]]:
        """In which draws the parts' holes serve, (R, N) for each face; their other lengths have no say in that."""
        found = []
        for face, serving in enumerate(self._serving):
            agree = np.zeros((len(rows), len(self._void)), dtype=np.bool_)
            asked = np.nonzero(possible[:, face])[0]
            patterns, which = np.unique(table.pattern[rows[asked]], return_inverse=True)
            agree[asked] = serving.agree(table, patterns)[which]
            found.append(agree)
        return found

    def _weigh(self, table: PartsTable, rows: NDArray[np.intp], serves: Sequence[NDArray[np.bool_]]) -> Weighed:
        count = len(self._void)
        lengths, told = self._lengths_agree(table, rows)
        plain, anyhow, screws_each, lengths_each = np.zeros((4, len(rows), count), dtype=np.float32)
        tail, all_words = np.zeros((2, len(rows)))
        bottom = np.ones(len(rows))
        share, chance, screws = np.zeros((3, len(rows), len(self._sides)))
        for face in range(len(self._sides)):
            outline, bottoms = self._words[face]
            words, bottom = outline[table.family[rows], table.hand[rows]], bottoms[table.bottom[rows]]
            both_words = words * bottom
            column = both_words.astype(np.float32)[:, None]
            counts, agree = self._counts[face], serves[face]
            whole = max(float(counts.sum()), 1e-12)
            counted, fitting, served = lengths * counts, (lengths & agree) * counts, agree * counts
            told_counts = counts if told is None else told * counts
            chance[:, face] = (
                both_words
                * (_weighted(fitting, self._sound) + FITS_ANYHOW * _weighted(told_counts, self._void))
                / whole
            )
            share[:, face] = whole / count
            screws[:, face] = served.sum(axis=1) / whole
            tail += words * counted.mean(axis=1)
            all_words += both_words * whole / count
            plain += np.multiply(fitting, column, out=fitting)
            anyhow += np.float32(FITS_ANYHOW) * column * told_counts
            lengths_each += np.multiply(counted, column, out=counted)
            screws_each += served
        each = self._sound * plain + self._void * anyhow
        rated = Rated(
            probability=each.mean(axis=1),
            # Where all draws say the same, one more might not.
            error=np.hypot(each.std(axis=1) / math.sqrt(count), 1.0 / count),
            likely=plain.mean(axis=1),
            tail=tail,
            bottom=bottom,
            words=all_words,
            screws=screws_each.mean(axis=1),
            by_screw=np.stack([_weighted(screws_each, one) for one in self._drawn], axis=1),
            share=share,
            chance=chance,
            serves=screws,
        )
        return Weighed(each, plain, lengths_each, screws_each, rated)

    def _lengths_agree(
        self, table: PartsTable, rows: NDArray[np.intp]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_] | None]:
        """In which draws reach and, where known, tail width are within their tolerances of the candidates', (R, N).

        And the same for what a calliper has told, which holds even where the photo is void; None when it has told neither.
        """
        taken = self.measured.taken
        told: NDArray[np.bool_] | None = None
        agree = np.abs(self._unmeasured.reach_off(table.reach[rows])) <= self.options.reach_tolerance_mm
        if "reach" in taken:
            told = agree
        if self.measured.is_measured("tail_width") or "tail-width" in taken:
            # Not compared where the list does not name it.
            width = ~(np.abs(length_off(self.draws, 1, table.tail_width[rows])) > self.options.tail_width_tolerance_mm)
            agree = agree & width if self.measured.is_measured("tail_width") else agree
            if "tail-width" in taken:
                told = width if told is None else told & width
        return agree, told


def _weighted(rows: Single, weights: Single) -> Array:
    """Sum of each row (P, N) by these weights (N,): not a matrix product, whose threads cost more than they save here."""
    return np.asarray(np.einsum("...n,n->...", rows, weights))


def seats_of(
    measured: MeasuredPart,
    table: PartsTable,
    rows: NDArray[np.intp],
    draws: Draws,
    options: FitOptions,
    *,
    fewer: int | None = None,
) -> Seats | None:
    """How the holes of parts of a list lie best over the old holes' centres, with the likeliest screw.

    The parts have as many holes each. The old hole `fewer` is left out. None when they have too few.
    """
    thread = draws.threads[int(np.argmax(draws.shares))]
    lifted, sunk = float(draws.head_offset_mm[0]), draws.sunk_share > 0.5
    holes = int(table.holes[rows[0]])
    play = 0.5 * (table.hole_diameter[rows, :holes] - thread.major_mm)
    limits = np.where(table.hole_sunk[rows, :holes] | sunk, np.minimum(play, lifted), play)
    old = measured.hole_xy_mm
    if fewer is not None:
        old = np.delete(old, fewer, axis=0)
    return best_seats(old, table.hole_xy[rows, :holes], limits, options.most_turn_deg)


def seat_of(measured: MeasuredPart, part: Part, draws: Draws, options: FitOptions) -> Seat | None:
    """`seats_of` of one part."""
    seats = seats_of(measured, table_of([part]), np.zeros(1, dtype=np.intp), draws, options)
    return None if seats is None else seats.seat(0)
