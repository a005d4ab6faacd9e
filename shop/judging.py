"""One candidate worked out on the draws: how likely tail, bottom and screws agree, for either face of the photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shop.doubts import FITS_ANYHOW
from shop.draws import Draws, Unmeasured, lengths_agree, screws_agree, told_lengths_agree
from shop.measured import Array, MeasuredPart, hand_probability
from shop.parts import Part
from shop.threads import THREADS
from shop.turning import Seat, best_seat

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
    states: Array  # (N, K), the draws' states as used
    sides: tuple[Side, ...]
    of_none: Array  # (N,), 1 for a draw of a part that is none of the list's

    @property
    def settled(self) -> float:
        """Chance that all but the screws agrees, given that the screws do, for a part that is none of the list's.

        0 while the reading may be void. What follows is a trial, which shows the screws alone, and near twins share those:
        so nothing counts here but what was measured and seen.
        """
        rest, agree = (each * self.of_none for each in self.rest)
        agreeing = float(agree.sum())
        return 0.0 if self.void > SETTLED_VOID or agreeing <= 0.0 else min(float(rest.sum()) / agreeing, 1.0)

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


class Judge:
    """Works out candidates on one set of draws; candidates with the same holes share the work."""

    def __init__(self, measured: MeasuredPart, draws: Draws, options: FitOptions) -> None:
        self.measured, self.draws, self.options = measured, draws, options
        self._screws: dict[Any, NDArray[np.bool_]] = {}
        self._unmeasured = Unmeasured(draws, measured)
        self._tolerances = options.reach_tolerance_mm, options.tail_width_tolerance_mm
        self._told = any(name in measured.taken for name in ("reach", "tail-width"))
        self._width = measured.is_measured("tail_width")

    def screws(self, part: Part, states: Array, mirrored: bool) -> NDArray[np.bool_]:
        """In which draws the part's holes serve, (N,); its other lengths have no say in that."""
        key = part.holes, mirrored
        if key not in self._screws:
            turn = self.options.most_turn_deg
            self._screws[key] = screws_agree(self.draws, states, part.holes, turn, mirrored=mirrored)
        return self._screws[key]

    def judge(self, part: Part, possible: Sequence[bool] = (True, True)) -> Judged:
        """Probability that a part fits, and of each check by itself.

        `possible` says, for either face the photo may show, whether the holes need looking at.
        """
        measured, count = self.measured, len(self.draws.states)
        of_none = self.draws.of_none()
        # What a listed part is like is known whatever the photo says; how likely it is allows for a void reading.
        void = measured.doubts.void * of_none
        plain, anyhow, screws_each, lengths_each = np.zeros((4, count))
        bottom = 1.0 if part.bottom == "open" else measured.bottom["closed"]
        tail, all_words, sides, used = 0.0, 0.0, [], self.draws.states
        for (share, turned), worth in zip(sides_of(measured), possible, strict=False):
            states = self._unmeasured.states(part, mirrored=turned)
            lengths = lengths_agree(self.draws, states, part, *self._tolerances, width_known=self._width)
            told: NDArray[np.bool_] | float = 1.0
            if self._told:
                told = told_lengths_agree(self.draws, measured, states, part, *self._tolerances)
            words = measured.family[part.family] * hand_probability(measured, part.family, part.hand, mirrored=turned)
            agree = self.screws(part, states, turned) if worth else np.zeros(len(states), dtype=np.bool_)
            used = used if turned else states
            both = lengths & agree
            counts = self.draws.face_share(share, mirrored=turned)
            whole = float(counts.sum())
            plain += counts * words * bottom * both
            anyhow += counts * words * bottom * FITS_ANYHOW * told
            lengths_each += counts * words * bottom * lengths
            all_words += whole / count * words * bottom
            screws_each += counts * agree
            tail += words * float((counts * lengths).sum()) / count
            chance = float((counts * ((1.0 - void) * both + void * FITS_ANYHOW * told)).sum()) / max(whole, 1e-12)
            screws = float((counts * agree).sum()) / max(whole, 1e-12)
            sides.append(Side(whole / count, turned, words * bottom * chance, screws))
        each = (1.0 - void) * plain + void * anyhow
        return Judged(
            part=part,
            probability=float(each.mean()),
            tail=tail,
            bottom=bottom,
            screws=float(screws_each.mean()),
            each=each,
            plain=plain,
            lengths_each=lengths_each,
            words=all_words,
            void=float(void.mean()),
            screws_each=screws_each,
            states=used,
            sides=tuple(sides),
            of_none=of_none,
        )


def seat_of(
    measured: MeasuredPart, part: Part, draws: Draws, options: FitOptions, *, fewer: int | None = None
) -> Seat | None:
    """How the part's holes lie best over the old holes' centres, with the likeliest screw; the old hole `fewer` left out."""
    thread = draws.threads[int(np.argmax(draws.shares))]
    lifted, sunk = float(draws.head_offset_mm[0]), draws.sunk_share > 0.5
    play = [0.5 * (hole.diameter_mm - thread.major_mm) for hole in part.holes]
    limits = np.array(
        [min(p, lifted) if sunk or h.countersink_mm is not None else p for p, h in zip(play, part.holes, strict=True)]
    )
    old = measured.hole_xy_mm
    if fewer is not None:
        old = np.delete(old, fewer, axis=0)
    return best_seat(old, np.array([h.xy_mm for h in part.holes]), limits, options.most_turn_deg)
