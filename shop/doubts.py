"""How far a reading is to be trusted beyond what its uncertainties say: the chance that a photo was plainly misread.

A standard uncertainty speaks of small errors. That a tail, an axis, a hole or a coin's rim was taken for something else
is another matter: such blunders are rare, large, and covered by no interval. Here they have a probability of their own,
so that no part is called a fit while the reading itself is in doubt.

The figures are shares seen on path-traced pictures of a kind that the networks never saw (`synthetic.pathtrace --set
heldout`), rounded up; `python -m tests.bench.fits_on_photos` plays them through. Where no other number stands beside them
they come from 118 pictures, and what was met too seldom there (fewer than ten times) keeps the share of an earlier 81
pictures, or a guess. 371 pictures read since, 148 to tune, 145 and 78 to confirm, bear them out or are named beside them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

# Chance that a part fits although what the photo said of it is void: of the parts of one outline in a shop's list,
# about every fourth has the same reach and screws (the demo list's share; no source).
FITS_ANYHOW: Final = 0.25


@dataclass(frozen=True, slots=True)
class Doubts:
    """Chances that a part of the reading is void, each 0 to 1."""

    drawing: float = 0.0  # axis, 12 o'clock or a screw hole lies elsewhere than drawn: a look at the drawing tells
    lengths: float = 0.0  # the scale, and with it every length: one length by calliper tells
    diameters: float = 0.0  # a hole's edge is its countersink's or a shadow's: the hole's diameter by calliper tells

    @property
    def void(self) -> float:
        """Chance that drawing or lengths are void."""
        return 1.0 - (1.0 - self.drawing) * (1.0 - self.lengths)


SURE: Final = Doubts()
_READ: Final = Doubts(0.005, 0.005, 0.05)  # the outcome `read`, none of 67 was void, and one hole was mis-sized
_SIDE_OPEN: Final = Doubts(0.03, 0.01, 0.1)  # nothing but the side seen is open: 1 of 120 drawn wrongly, 1 scale void
# Something did, whatever it was: 1 of 76 drawn wrongly, no scale of 184 void. The drawing's share stays above
# `FitOptions.not_up_to`: below it the part that lacks one of the holes read is refused, and the one was such a part.
_DOUBTED: Final = Doubts(0.06, 0.04, 0.1)
# Which face is up, and what only widens a length, say nothing against the drawing or the scale.
_HARMLESS: Final = frozenset(
    {"facing-unknown", "card-size-unchecked", "few-pixels", "first-picture", "cylinder-diameter-assumed"}
)
_BY_CODE: Final[Mapping[str, Doubts]] = {
    "tail-unsure": Doubts(drawing=0.5),
    "words-disagree": Doubts(drawing=0.3),
    "hole-unsure": Doubts(drawing=0.15),  # 10 of 102 drawn wrongly: 3 of 49, 6 of 42 and 1 of 11
    "no-holes": Doubts(drawing=0.5),
    "cam-unsure": Doubts(drawing=0.2),
    "size-unusual": Doubts(drawing=0.1, lengths=0.6),
    "scales-disagree": Doubts(lengths=0.4),
    "coin-half-seen": Doubts(lengths=0.1),
    "coin-unsure": Doubts(lengths=0.25),  # no scale of 37 void; at 0.06 one right part more was refused, of 660
    "cylinder-half-seen": Doubts(lengths=0.1),
    "several-coins": Doubts(lengths=0.1),
    "no-focal-length": Doubts(lengths=0.05),
    "hole-size-unsure": Doubts(drawing=0.4, diameters=0.6),  # 4 of 11 drawn wrongly
}


def doubts_of(reading: Mapping[str, Any]) -> Doubts:
    """The doubts that a reading's outcome and warnings leave (``camdial.reading/1``): the largest of each kind."""
    codes = _codes(reading)
    start = _DOUBTED if is_doubted(reading) else _READ if reading.get("outcome") == "read" else _SIDE_OPEN
    return _largest([start, *(doubts for code, doubts in _BY_CODE.items() if code in codes)])


def is_doubted(reading: Mapping[str, Any]) -> bool:
    """Whether a reading is unsure of more than which face is up."""
    return reading.get("outcome") != "read" and bool(_codes(reading) - _HARMLESS or not _codes(reading))


def _codes(reading: Mapping[str, Any]) -> set[str]:
    return {str(warning.get("code")) for warning in reading.get("warnings") or ()}


def _largest(doubts: Iterable[Doubts]) -> Doubts:
    rows = list(doubts)
    return Doubts(
        max(row.drawing for row in rows), max(row.lengths for row in rows), max(row.diameters for row in rows)
    )


def after_a_length(doubt: float, residual: float, variance: float, expected: float) -> float:
    """Chance that the scale is void, once a calliper's length is known (Bayes' rule for two normal densities).

    With a sound scale the length lies within the reading's `variance`; with a void one anywhere about it, by a quarter
    of its size (the spread is ours).
    """
    if doubt <= 0.0 or variance <= 0.0:
        return doubt
    wide = variance + (0.25 * expected) ** 2
    # Ratio of the densities, void to sound; the exponent is held so that it neither overflows nor vanishes.
    exponent = 0.5 * residual * residual * (1.0 / variance - 1.0 / wide)
    ratio = math.sqrt(variance / wide) * math.exp(min(exponent, 60.0))
    return doubt * ratio / (doubt * ratio + 1.0 - doubt)
