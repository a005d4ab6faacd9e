"""Which of the listed parts the part read may be: parts come by numbers, and a shop lists those it meets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from shop.draws import Same
from shop.likeness import Likeness, log_sum
from shop.measured import UNMEASURED_MM, Array
from shop.parts import Part

# Share of the parts brought to a shop that its list does not name, and as many parts again for what a short list cannot
# name (both ours, no source): a list of 60 names the part with odds of 7 to 3, one of ten with 5 to 4.
UNLISTED: Final = 0.25
UNLISTED_PARTS: Final = 5
MOST_SAME: Final = 24
LEAST_SAME: Final = 1e-3  # what is less likely counts with the parts of no number


def same_parts(likeness: Likeness, parts: Sequence[Part]) -> tuple[Same, ...]:
    """The listed parts that the one in the photo may be, likeliest first; their weights leave room for a part of no number.

    A part of no number is held as likely as at the start, however well a listed part agrees with photo and calliper: it
    may be a near twin, which shares most lengths. It gains where no listed part agrees as well as the very part read would in 99 of 100 photos.
    Had it lost with each length found to be a listed part's own (Bayes' rule, for a part whose lengths are its own
    alone), a fifth of near twins kept off their list would have been called fits.

    Parameters
    ----------
    likeness : Likeness
        Of the part read.
    parts : sequence of Part
        The list, or those parts of it whose words and lengths are possible.

    Returns
    -------
    tuple of Same
        None for a part measured by hand, whose numbers say all, and for a few candidates, which are no shop's list.
    """
    measured = likeness.measured[False]
    if measured.sha256 is None or likeness.listed < UNLISTED_PARTS:
        return ()
    found = [
        (value, turned, part) for part in parts for turned, value in likeness.by_face(part).items() if value > -math.inf
    ]
    total = log_sum([value for value, _, _ in found])
    if total == -math.inf:
        return ()
    unlisted = (UNLISTED * likeness.listed + UNLISTED_PARTS) / ((1.0 - UNLISTED) * likeness.listed)
    odds = math.log(unlisted) + max(likeness.as_read() - total, 0.0)
    named = 1.0 / (1.0 + math.exp(min(odds, 60.0)))
    found.sort(key=lambda entry: -entry[0])
    same = []
    for value, turned, part in found[:MOST_SAME]:
        weight = named * math.exp(value - total)
        if weight < LEAST_SAME:
            break
        mean = lengths_of(likeness, part, turned)
        if mean is not None:
            same.append(Same(weight, mean, turned, part.part))
    return tuple(same)


def chances_of(same: Sequence[Same]) -> dict[str, float]:
    """Probability that the part read is a listed one, whichever face the photo shows, by its number."""
    chances: dict[str, float] = {}
    for one in same:
        chances[one.part] = chances.get(one.part, 0.0) + one.weight
    return chances


def lengths_of(likeness: Likeness, part: Part, turned: bool) -> Array | None:
    """The state that the photo would show of a listed part, (K,), NaN for what is not listed; None for other holes."""
    measured, seat = likeness.measured[False], likeness.seat(part, turned=turned)
    if seat is None or len(part.holes) != len(measured.holes):
        return None
    mean = np.full(len(measured.names), np.nan)
    own = {"reach": part.reach_mm, "tail_width": part.tail_width_mm, "hub_diameter": part.hub_diameter_mm}
    for row, name in enumerate(UNMEASURED_MM):
        if own[name] is not None:
            mean[row] = own[name]
    for i, j in enumerate(seat.holes):
        x, y = part.holes[j].xy_mm
        mean[3 + 3 * i : 6 + 3 * i] = (-x if turned else x), y, part.holes[j].diameter_mm
    return mean
