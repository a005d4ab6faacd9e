"""How well a part of the list agrees with the part read: what puts near twins in order, and what a photo refuses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shop.calliper import mirrored
from shop.draws import MODEL_U_MM, Draws
from shop.judging import FitOptions, seat_of, seats_of, sides_of
from shop.measured import UNMEASURED_MM, Array, MeasuredPart
from shop.parts import Part
from shop.parts_table import PartsTable, table_of, word_chances
from shop.reasons import top
from shop.turning import Seat, Seats
from vision.vocabulary import BOTTOMS

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
ANY_RADIUS_U_MM: Final = 10.0  # more than any hole's radius
Z_99: Final = 2.3263  # one-sided, of the normal distribution
OTHER_U_MM: Final = {"diameter": 0.75, "hole": 1.5}  # as UNMEASURED_MM, for holes

# Chance that a screw hole whose edge was measured is read as countersunk, from the screw side, where the list has a
# countersink and where it has none. Of 680 countersunk and 831 plain ones on 1,117 path-traced pictures 94 and 6 % were; that
# a list leaves a countersink out is as likely again and more (ours). From the plug side no countersink is seen.
SEEN_SUNK: Final = 0.94
SEEN_PLAIN: Final = 0.15

Fewer = int | None  # which of the read holes is taken to be none
Way = tuple[bool, Fewer]  # whether the photo shows the other face than stated, and that


@dataclass(frozen=True, slots=True, eq=False)
class _Likely:
    """Some parts of one make compared: as many holes, and the same lengths listed."""

    parts: list[Part]  # kept alive, since they are found again by their identity
    faces: dict[bool, Array]  # (P,), `by_face`
    seats: dict[Way, tuple[Seats, NDArray[np.intp]] | None]  # and which of the seats each part has
    agrees: dict[Way, NDArray[np.bool_]]  # (P,)


class Likeness:
    """Compares parts of a list with the part read; many at once, and those with the same holes share the work."""

    def __init__(self, measured: MeasuredPart, draws: Draws, options: FitOptions, listed: int = 1) -> None:
        self.draws, self.options, self.listed = draws, options, listed
        self.measured = {False: measured, True: mirrored(measured)}
        self.known = [k for k, name in enumerate(measured.names) if measured.is_measured(name)]
        self.told = [k for k, name in enumerate(measured.names) if _tells(measured, name)]
        self.floor = (options.list_u95_mm / 2.0) ** 2 + MODEL_U_MM**2  # variance of a listed length, mm²
        self._sides = sides_of(measured)
        self._words = {turned: _words_of(self.measured[turned]) for _, turned in self._sides}
        self._inverse: dict[Any, Array] = {}
        self._found: dict[int, tuple[_Likely, int]] = {}  # by the part's identity

    def prepare(self, table: PartsTable, rows: Sequence[int]) -> None:
        """Compare parts of a list all at once, so that the questions after it are answered at once."""
        left = np.array([row for row in rows if id(table.parts[row]) not in self._found], dtype=np.intp)
        if not len(left):
            return
        make = 4 * table.holes[left] + 2 * np.isnan(table.tail_width[left]) + np.isnan(table.hub_diameter[left])
        for one in np.unique(make):
            alike = left[make == one]
            found = self._compare(table, alike)
            self._found |= {id(part): (found, k) for k, part in enumerate(found.parts)}

    def seat(self, part: Part, *, turned: bool = False) -> Seat | None:
        """The best seat over the holes read, or None when the part has too few holes."""
        found, k = self._of(part)
        if (turned, None) not in found.seats:
            return seat_of(self.measured[turned], part, self.draws, self.options)
        seats = found.seats[turned, None]
        return None if seats is None else seats[0].seat(int(seats[1][k]))

    def sameness(self, part: Part) -> float:
        """Log-likelihood, up to a constant, that the part read is this very part; either face and a false hole counted.

        A blunder of the scale or the drawing makes the numbers it touches tell nothing: each is then put as unlikely as
        a value anywhere in the usual range.
        """
        return log_sum(tuple(self.by_face(part).values()))

    def by_face(self, part: Part) -> dict[bool, float]:
        """`sameness` for each face that the photo may show: as stated (False) and the other."""
        found, k = self._of(part)
        return {turned: float(values[k]) for turned, values in found.faces.items()}

    def as_read(self) -> float:
        """The least `sameness` to be expected of the very part read: chi-squared at what it exceeds once in a hundred.

        Below it the part read is likely to be another one: non-conformity wants proof (ISO 14253-1).
        """
        freedom = len(self.told)
        expected = 0.5 * chi2_limit(freedom) if freedom else 0.0
        return math.log(max(1.0 - self.measured[False].doubts.void, 1e-12)) - expected

    def agrees_with_fewer(self, part: Part) -> bool:
        """Whether the part agrees with all that was read once one of the holes read is taken to be none."""
        if len(part.holes) != len(self.measured[False].holes) - 1:
            return False
        found, k = self._of(part)
        return any(bool(agrees[k]) for agrees in found.agrees.values())

    def cannot_be_told(self, part: Part, words: float) -> bool:
        """Whether a photo speaks against a part only by being too unsure to speak for it.

        With an uncertainty as wide as what is allowed, the probability of a fit is small even for the very part read. So
        a part is refused only when its own numbers lie outside what the reading allows: non-conformity, too, wants proof
        (ISO 14253-1). The test is chi-squared over the lengths measured, for each face the photo may show. `words` is the
        probability that the words agree.
        """
        if self.measured[False].sha256 is None or words <= self.options.not_up_to:
            return False
        return any(share > self.options.not_up_to and self._agrees(part, turned) for share, turned in self._sides)

    def _of(self, part: Part) -> tuple[_Likely, int]:
        if id(part) not in self._found:
            self.prepare(table_of([part]), [0])
        return self._found[id(part)]

    def _agrees(self, part: Part, turned: bool) -> bool:
        """With all holes that were read: a part with fewer never does."""
        found, k = self._of(part)
        return (turned, None) in found.agrees and bool(found.agrees[turned, None][k])

    def _ways(self, holes: int) -> list[tuple[Fewer, float]]:
        """Which of the holes read may be none, with chances; all stand for a part that has as many holes or more."""
        measured = self.measured[False]
        n, drawing = len(measured.holes), measured.doubts.drawing
        if holes != n - 1 or drawing <= 0.0:
            return [(None, 1.0)]
        return [(i, drawing / n) for i in range(n)]

    def _compare(self, table: PartsTable, rows: NDArray[np.intp]) -> _Likely:
        holes = int(table.holes[rows[0]])
        missed = max(holes - len(self.measured[False].holes), 0)
        likely = max(0.5 * self.measured[False].doubts.drawing, LEAST_MISSED)
        patterns, which = np.unique(table.pattern[rows], return_inverse=True)
        found = _Likely([table.parts[row] for row in rows.tolist()], {}, {}, {})
        for share, turned in self._sides:
            seen = self.measured[turned]
            outline, bottoms = self._words[turned]
            words = outline[table.family[rows], table.hand[rows]] * bottoms[table.bottom[rows]]
            sinks = sinks_told(seen)
            total = np.full(len(rows), -np.inf)
            for fewer, chance in self._ways(holes):
                seats = seats_of(seen, table, patterns, self.draws, self.options, fewer=fewer)
                found.seats[turned, fewer] = None if seats is None else (seats, which)
                found.agrees[turned, fewer] = np.zeros(len(rows), dtype=np.bool_)
                if seats is None:
                    continue
                off = differences(seen, table, rows, seats.holes[which], fewer)
                found.agrees[turned, fewer] = self._all_agree(turned, off)
                if share * chance > 0.0:
                    left = [i for i in range(len(sinks)) if i != fewer]
                    sunk = np.take_along_axis(table.hole_sunk[rows], seats.holes[which], axis=1)
                    one = self._one_way(turned, off) + np.log(np.maximum(words, 1e-12)) + sunk @ sinks[left] / len(left)
                    total = np.logaddexp(total, math.log(share * chance) + one)
            found.faces[turned] = total + missed * math.log(likely)
        return found

    def _all_agree(self, turned: bool, off: Array) -> NDArray[np.bool_]:
        """Whether the lengths measured agree within 99 %, (P,); `off` is (P, K)."""
        seen = self.measured[turned]
        kinds = ("reach", "tail_width") if seen.doubts.diameters > 0.0 else ("reach", "tail_width", "diameter")
        listed = [k for k in self.known if not math.isnan(off[0, k])]
        kept = [k for k in listed if seen.names[k].endswith((".x", ".y", *kinds))]
        if not kept:
            return np.ones(len(off), dtype=np.bool_)
        return np.asarray(self._squares(turned, kept, off, refusing=True) <= chi2_limit(len(kept)))

    def _one_way(self, turned: bool, off: Array) -> Array:
        """Log-likelihood of the lengths (P, K) with the photo taken to show one face, (P,)."""
        rows = [k for k in self.told if not math.isnan(off[0, k])]
        total = np.zeros(len(off))
        if not rows:
            return total
        doubts = self.measured[turned].doubts
        lengths = [k for k in rows if k < len(UNMEASURED_MM)]
        total[:] = -np.inf
        if doubts.void < 1.0:
            total = math.log(1.0 - doubts.void) - 0.5 * self._squares(turned, rows, off)
        if doubts.drawing > 0.0:
            alone = self._squares(turned, lengths, off) if lengths else 0.0
            cost = VOID_NATS * (len(rows) - len(lengths))
            total = np.logaddexp(total, math.log(doubts.drawing) - 0.5 * alone - cost)
        if doubts.void > 0.0:
            void = math.log(max(doubts.lengths, 0.1 * doubts.void)) - VOID_NATS * len(rows)
            total = np.logaddexp(total, void)
        return total

    def _squares(self, turned: bool, rows: Sequence[int], off: Array, *, refusing: bool = False) -> Array:
        """Squared distance of parts (P, K) from what was read, in standard uncertainties, (P,)."""
        some = off[:, list(rows)]
        return np.asarray(((some @ self._inverse_of(turned, tuple(rows), refusing=refusing)) * some).sum(axis=1))

    def _inverse_of(self, turned: bool, rows: tuple[int, ...], *, refusing: bool = False) -> Array:
        """Inverse of the covariance of these rows, with what the list and the photo add to it."""
        key = turned, rows, refusing
        if key not in self._inverse:
            seen = self.measured[turned]
            added = np.full(len(rows), self.floor)
            if seen.sha256 is not None:
                added += np.array([self._photo_u_mm(seen, k, refusing) for k in rows]) ** 2
            wide = seen.covariance + self._of_no_radius(turned)
            inverse: Array = np.linalg.inv(np.asarray(wide[np.ix_(rows, rows)] + np.diag(added), dtype=float))
            self._inverse[key] = inverse
        return self._inverse[key]

    def _of_no_radius(self, turned: bool) -> Array:
        """What makes the radius of a hole that was not measured tell nothing, as a covariance (K, K), mm².

        Such a hole stands at the usual radius of cams; without this a listed part would gain by having its holes there.
        """
        seen = self.measured[turned]
        added = np.zeros_like(seen.covariance)
        for i in range(len(seen.holes)):
            rows = np.ix_(seen.hole_rows(i), seen.hole_rows(i))
            radius = float(np.hypot(*seen.hole_xy_mm[i]))
            along = seen.hole_xy_mm[i] / max(radius, 1e-6)
            if float(along @ seen.covariance[rows] @ along) >= (TOLD_BELOW * OTHER_U_MM["hole"]) ** 2:
                added[rows] = ANY_RADIUS_U_MM**2 * np.outer(along, along)
        return added

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
    measured: MeasuredPart, table: PartsTable, rows: NDArray[np.intp], seated: NDArray[np.intp], fewer: Fewer = None
) -> Array:
    """By how much the part read is above parts of a list, in the order of its state, (P, K), mm; NaN for what one lacks.

    `seated` (P, n) names the hole on each thread. Those of the hole `fewer` are not compared.
    """
    wanted = np.full((len(rows), len(measured.names)), np.nan)
    own = {"reach": table.reach, "tail_width": table.tail_width, "hub_diameter": table.hub_diameter}
    for k, name in enumerate(UNMEASURED_MM):
        wanted[:, k] = own[name][rows]
    left = [i for i in range(len(measured.holes)) if i != fewer]
    for at, i in enumerate(left):
        wanted[:, 3 + 3 * i : 5 + 3 * i] = table.hole_xy[rows, seated[:, at]]
        wanted[:, 5 + 3 * i] = table.hole_diameter[rows, seated[:, at]]
    return np.asarray(measured.mean - wanted)


def sinks_told(measured: MeasuredPart) -> Array:
    """Log-odds of each hole read, (n,), for one listed with a countersink over one listed plain; 0 where nothing tells.

    Holes of one part are countersunk alike and misread alike, so a part counts with their mean.
    """
    if measured.sha256 is None or top(measured.facing) != "screw":
        return np.zeros(len(measured.holes))
    seen, unseen = math.log(SEEN_SUNK / SEEN_PLAIN), math.log((1.0 - SEEN_SUNK) / (1.0 - SEEN_PLAIN))
    return np.array([seen if h.countersunk == 1.0 else unseen if h.countersunk < 0.5 else 0.0 for h in measured.holes])


def _words_of(measured: MeasuredPart) -> tuple[Array, Array]:
    """Probability of family and hand together, (F, H), and of the bottom, (B,), for the face as this reading has it."""
    return word_chances(measured, mirrored=False)[0], np.array([measured.bottom[word] for word in BOTTOMS])


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
