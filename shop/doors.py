"""Where the part came from: what the door says of the family. A prior that moves a doubt, never one that overrules.

Which family is met where is common practice without a source, the numbers beside it are from memory; what the shop
itself counts takes their place as it comes in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from shop.measured import MeasuredPart
from vision.vocabulary import FAMILIES

DOORS: Final = ("storefront", "all-glass", "mortise-case", "other")
# Share of each family on such doors. Storefront: aluminium stiles with latch, dead and hook bolts. All-glass: floor
# bolts in the rails. Mortise-case: commercial lock cases, each with its own tail.
_SHARES: Final[dict[str, dict[str, float]]] = {
    "storefront": {"cloverleaf": 0.65, "finger": 0.12},
    "all-glass": {"finger": 0.75, "cloverleaf": 0.07},
    "mortise-case": {"finger": 0.13, "cloverleaf": 0.07},
    "other": {},
}
WEIGHT_OF_SHARES: Final = 20.0  # the shares count as so many parts; after that many of its own the shop's counts lead
UNDECIDED_BELOW: Final = 0.8  # an outline surer than this is left alone
MOST_FACTOR: Final = 10.0  # the door never moves one family against another by more than this
SELDOM: Final = 0.05


def door_prior(door: str, counts: Mapping[str, int] | None = None) -> dict[str, float]:
    """Probability of each family on a kind of door: stated shares and the shop's own counts, pooled.

    Parameters
    ----------
    door : str
        One of `DOORS`.
    counts : mapping of str to int, optional
        How many parts of each family the shop has met on such doors.

    Raises
    ------
    ValueError
        If there is no such kind of door, or a count is negative.
    """
    if door not in DOORS:
        raise ValueError(f"door is {door!r}; allowed: {', '.join(DOORS)}")
    counted = dict(counts or {})
    if any(count < 0 for count in counted.values()):
        raise ValueError("a count of parts is not negative")
    stated = _SHARES[door]
    rest = [family for family in FAMILIES if family not in stated]
    left = 1.0 - sum(stated.values())
    shares = {family: stated.get(family, left / len(rest) if rest else 0.0) for family in FAMILIES}
    total = WEIGHT_OF_SHARES + sum(counted.get(family, 0) for family in FAMILIES)
    return {f: (WEIGHT_OF_SHARES * shares[f] + counted.get(f, 0)) / total for f in FAMILIES}


def apply_door(measured: MeasuredPart, door: str, counts: Mapping[str, int] | None = None) -> MeasuredPart:
    """The part with its family weighed by the door it came off; a note says what that did.

    Only families the outline leaves plausible are weighed against each other, and only when the outline is undecided.
    """
    prior = door_prior(door, counts)
    before = dict(measured.family)
    first = max(before, key=lambda family: before[family])
    plausible = [family for family in FAMILIES if family in measured.plausible_families and before[family] > 0.0]
    where = "other doors" if door == "other" else f"{door} doors"
    if len(plausible) < 2 or before[first] >= UNDECIDED_BELOW:
        text = f"the outline decides: {first} ({before[first]:.2f}); the door changes nothing"
        if prior[first] < SELDOM:
            text += f", though a {first} is seldom met on {where}"
        return replace(measured, notes=(*measured.notes, text))
    strongest = max(prior[family] for family in plausible)
    factor = {family: max(prior[family] / strongest, 1.0 / MOST_FACTOR) for family in plausible}
    mass = sum(before[family] for family in plausible)
    weighed = {family: before[family] * factor[family] for family in plausible}
    scale = mass / sum(weighed.values())
    after = before | {family: p * scale for family, p in weighed.items()}
    then = max(after, key=lambda family: after[family])
    source = "shares from common practice"
    own = sum((counts or {}).get(family, 0) for family in FAMILIES)
    if own:
        source += f" and {own} of the shop's own"
    if then == first:
        text = f"{where} ({source}) move {first} from {before[first]:.2f} to {after[first]:.2f}"
    else:
        text = (
            f"{where} ({source}) put {then} ({before[then]:.2f} to {after[then]:.2f}) before {first} "
            f"({before[first]:.2f} to {after[first]:.2f}); the outline alone left both open"
        )
    return replace(measured, family=after, notes=(*measured.notes, text))
