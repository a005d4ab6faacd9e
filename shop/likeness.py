"""How well a part of the list agrees with the part read: what puts near twins in order, and what a photo refuses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from shop.calliper import mirrored
from shop.draws import MODEL_U_MM, Draws
from shop.judging import FitOptions, Judged, seat_of, sides_of
from shop.measured import UNMEASURED_MM, Array, MeasuredPart, hand_probability
from shop.parts import Part
from shop.turning import Seat

# What a photo's length carries besides its stated uncertainty, one length apart from the other, when twins are put in
# order: a covariance that ties all lengths to one scale lets a hole's own small blunder speak for another scale, and so
# for another reach. On 118 path-traced pictures, each part among twins 0.8 mm longer and shorter, the right part came
# first in 64 % with nothing added and in 74 % with these. Tail width: tails are seldom of one width at half reach.
# On 148 and 145 pictures read since, 0.1 mm gave 80 and 82 %, 0.2 mm 82 and 83 %, and 0.3 mm less on 78 of the demo list's
# own parts: where a scale was read, a reach off by more than half of the 0.8 mm decides, not what is added here.
PHOTO_U_MM: Final = 0.2
PHOTO_TAIL_U_MM: Final = 0.5
# And before it refuses a part: a photo's errors have longer tails than a normal distribution with the stated u. Once in
# twenty the reach of the same pictures was off by 1.1 to 1.7 mm, the tail width by 1.4 to 2.3, a hole by 0.5 to 0.8.
# Now it is 0.6 to 0.7 and 0.5 mm (371 pictures). With half of these the right part agrees in 99.2 % instead of 99.4 % and
# was refused once more, with none in 98.3 %, for 0.1 and 0.7 % fewer pairs to measure: they stay.
REFUSING_U_MM: Final = {"reach": 0.4, "tail_width": 0.7, "diameter": 0.3, "hole": 0.25}
TOLD_BELOW: Final = 0.6  # a length still tells something while its u is below this share of what is known without it
VOID_NATS: Final = 2.0  # what a void number costs: its normal peak against a usual range about eight times as wide
LEAST_MISSED: Final = 0.01  # chance that a screw hole was not seen, when nothing spoke of it
Z_99: Final = 2.3263  # one-sided, of the normal distribution
OTHER_U_MM: Final = {"diameter": 0.75, "hole": 1.5}  # as UNMEASURED_MM, for holes

Fewer = int | None  # which of the read holes is taken to be none


class Likeness:
    """Compares parts of a list with the part read; parts with the same holes share the work."""

    def __init__(self, measured: MeasuredPart, draws: Draws, options: FitOptions, listed: int = 1) -> None:
        self.draws, self.options, self.listed = draws, options, listed
        self.measured = {False: measured, True: mirrored(measured)}
        self.known = [k for k, name in enumerate(measured.names) if measured.is_measured(name)]
        self.told = [k for k, name in enumerate(measured.names) if _tells(measured, name)]
        self.floor = (options.list_u95_mm / 2.0) ** 2 + MODEL_U_MM**2  # variance of a listed length, mm²
        self._seats: dict[Any, Seat | None] = {}
        self._inverse: dict[Any, Array] = {}
        self._faces: dict[int, tuple[Part, dict[bool, float]]] = {}  # by the part's identity; the part is kept alive

    def seat(self, part: Part, *, turned: bool = False, fewer: Fewer = None) -> Seat | None:
        """The best seat over the holes read, or None when the part has too few holes."""
        key = part.holes, turned, fewer
        if key not in self._seats:
            self._seats[key] = seat_of(self.measured[turned], part, self.draws, self.options, fewer=fewer)
        return self._seats[key]

    def sameness(self, part: Part) -> float:
        """Log-likelihood, up to a constant, that the part read is this very part; either face and a false hole counted.

        A blunder of the scale or the drawing makes the numbers it touches tell nothing: each is then put as unlikely as
        a value anywhere in the usual range.
        """
        return log_sum(tuple(self.by_face(part).values()))

    def by_face(self, part: Part) -> dict[bool, float]:
        """`sameness` for each face that the photo may show: as stated (False) and the other."""
        if id(part) in self._faces:
            return self._faces[id(part)][1]
        missed = max(len(part.holes) - len(self.measured[False].holes), 0)
        likely = max(0.5 * self.measured[False].doubts.drawing, LEAST_MISSED)
        found = {}
        for share, turned in sides_of(self.measured[False]):
            terms = []
            for fewer, chance in self._ways(part):
                one = self._one_way(part, turned, fewer)
                if one is not None and share * chance > 0.0:
                    terms.append(math.log(share * chance) + one)
            found[turned] = log_sum(terms) + missed * math.log(likely)
        self._faces[id(part)] = part, found
        return found

    def as_read(self) -> float:
        """The least `sameness` to be expected of the very part read: chi-squared at what it exceeds once in a hundred.

        Below it the part read is likely to be another one: non-conformity wants proof (ISO 14253-1).
        """
        freedom = len(self.told)
        expected = 0.5 * chi2_limit(freedom) if freedom else 0.0
        return math.log(max(1.0 - self.measured[False].doubts.void, 1e-12)) - expected

    def agrees_with_fewer(self, part: Part) -> bool:
        """Whether the part agrees with all that was read once one of the holes read is taken to be none."""
        return len(part.holes) == len(self.measured[False].holes) - 1 and any(
            self._agrees(part, turned, fewer)
            for _, turned in sides_of(self.measured[False])
            for fewer, _ in self._ways(part)
        )

    def cannot_be_told(self, judged: Judged) -> bool:
        """Whether a photo speaks against a part only by being too unsure to speak for it.

        With an uncertainty as wide as what is allowed, the probability of a fit is small even for the very part read. So
        a part is refused only when its own numbers lie outside what the reading allows: non-conformity, too, wants proof
        (ISO 14253-1). The test is chi-squared over the lengths measured, for each face the photo may show.
        """
        if self.measured[False].sha256 is None or judged.words <= self.options.not_up_to:
            return False
        return any(
            share > self.options.not_up_to and self._agrees(judged.part, turned, None)
            for share, turned in sides_of(self.measured[False])
        )

    def _ways(self, part: Part) -> list[tuple[Fewer, float]]:
        """Which of the holes read may be none, with chances; all stand for a part that has as many holes or more."""
        measured = self.measured[False]
        n, drawing = len(measured.holes), measured.doubts.drawing
        if len(part.holes) != n - 1 or drawing <= 0.0:
            return [(None, 1.0)]
        return [(i, drawing / n) for i in range(n)]

    def _agrees(self, part: Part, turned: bool, fewer: Fewer) -> bool:
        seen, seat = self.measured[turned], self.seat(part, turned=turned, fewer=fewer)
        if seat is None:
            return False
        rows, off = differences(seen, part, seat, self.known, fewer)
        kinds = ("reach", "tail_width") if seen.doubts.diameters > 0.0 else ("reach", "tail_width", "diameter")
        kept = [k for k, row in enumerate(rows) if seen.names[row].endswith((".x", ".y", *kinds))]
        if not kept:
            return True
        inverse = self._inverse_of(turned, tuple(rows[k] for k in kept), refusing=True)
        part_off = off[kept]
        return float(part_off @ inverse @ part_off) <= chi2_limit(len(kept))

    def _one_way(self, part: Part, turned: bool, fewer: Fewer) -> float | None:
        """Log-likelihood with the photo taken to show one face and one of the holes, or none of them, to be false."""
        seen, seat = self.measured[turned], self.seat(part, turned=turned, fewer=fewer)
        if seat is None:
            return None
        words = seen.family[part.family] * seen.bottom[part.bottom]
        words *= hand_probability(seen, part.family, part.hand, mirrored=False)
        rows, off = differences(seen, part, seat, self.told, fewer)
        if not len(off):
            return math.log(max(words, 1e-12))
        doubts = seen.doubts
        lengths = sum(k < len(UNMEASURED_MM) for k in rows)
        photo = doubts.void > 0.0
        every = off @ self._inverse_of(turned, tuple(rows)) @ off
        terms = [math.log(1.0 - doubts.void) - 0.5 * float(every)] if doubts.void < 1.0 else []
        if doubts.drawing > 0.0:
            bare = off[:lengths]
            alone = bare @ self._inverse_of(turned, tuple(rows[:lengths])) @ bare if lengths else 0.0
            terms.append(math.log(doubts.drawing) - 0.5 * float(alone) - VOID_NATS * (len(rows) - lengths))
        if photo:
            terms.append(math.log(max(doubts.lengths, 0.1 * doubts.void)) - VOID_NATS * len(rows))
        return log_sum(terms) + math.log(max(words, 1e-12))

    def _inverse_of(self, turned: bool, rows: tuple[int, ...], *, refusing: bool = False) -> Array:
        """Inverse of the covariance of these rows, with what the list and the photo add to it."""
        key = turned, rows, refusing
        if key not in self._inverse:
            seen = self.measured[turned]
            added = np.full(len(rows), self.floor)
            if seen.sha256 is not None:
                added += np.array([self._photo_u_mm(seen, k, refusing) for k in rows]) ** 2
            inverse: Array = np.linalg.inv(
                np.asarray(seen.covariance[np.ix_(rows, rows)] + np.diag(added), dtype=float)
            )
            self._inverse[key] = inverse
        return self._inverse[key]

    @staticmethod
    def _photo_u_mm(seen: MeasuredPart, row: int, refusing: bool) -> float:
        """What a photo's length carries besides; nothing once a calliper has told it."""
        name = seen.names[row]
        if name.replace("_", "-") in seen.taken:
            return 0.0
        if refusing:
            return REFUSING_U_MM.get(name.rpartition(".")[2], REFUSING_U_MM["hole"])
        return PHOTO_TAIL_U_MM if name == "tail_width" else PHOTO_U_MM


def differences(
    measured: MeasuredPart, part: Part, seat: Seat, known: Sequence[int], fewer: Fewer = None
) -> tuple[list[int], Array]:
    """Rows of the state that both know, and by how much the part read is above the candidate, mm.

    `known` are the rows of the state that count, in rising order; those of the hole `fewer` do not.
    """
    wanted: dict[str, float | None] = {
        "reach": part.reach_mm,
        "tail_width": part.tail_width_mm,
        "hub_diameter": part.hub_diameter_mm,
    }
    left = [i for i in range(len(measured.holes)) if i != fewer]
    for i, j in zip(left, seat.holes, strict=True):
        hole = part.holes[j]
        (x, y) = hole.xy_mm
        wanted |= {f"holes[{i}].x": x, f"holes[{i}].y": y, f"holes[{i}].diameter": hole.diameter_mm}
    rows = [k for k in known if wanted.get(measured.names[k]) is not None]
    off = measured.mean[rows] - np.array([wanted[measured.names[k]] for k in rows], dtype=float)
    return rows, off


def chi2_limit(freedom: int) -> float:
    """What chi-squared exceeds once in a hundred (Wilson and Hilferty 1931; within 0.03 of the tables from 2 up)."""
    ninth = 2.0 / (9.0 * freedom)
    return freedom * (1.0 - ninth + Z_99 * math.sqrt(ninth)) ** 3


def _tells(measured: MeasuredPart, name: str) -> bool:
    """Whether a length is known better than without the photo: weaker than measured, and still enough to rank by."""
    u = math.sqrt(max(float(measured.covariance[(i := measured.names.index(name)), i]), 0.0))
    kind = "diameter" if name.endswith(".diameter") else "hole"
    return u < TOLD_BELOW * (UNMEASURED_MM[name][1] if name in UNMEASURED_MM else OTHER_U_MM[kind])


def log_sum(terms: Sequence[float]) -> float:
    """Logarithm of a sum of exponentials; minus infinity for none."""
    if not terms:
        return -math.inf
    highest = max(terms)
    return highest + math.log(sum(math.exp(term - highest) for term in terms))
