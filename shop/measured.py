"""The part in question: what a reading or a calliper says of it, with the full covariance, for the fit decision."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shop.doubts import SURE, Doubts, doubts_of, is_doubted
from shop.parts import MOST_HOLES, Part, number_from_text, split_holes
from shop.threads import find_thread
from vision.quantity import COVERAGE_FACTOR, Quantity
from vision.vocabulary import (
    BOTTOMS,
    CENTRE,
    CENTRE_HOLE_RADIUS_PER_DIAMETER,
    FACINGS,
    FAMILIES,
    HANDED_FAMILIES,
    HANDS,
    clock_from_angle,
    mirror_hand,
    wrap_deg,
)

Array = NDArray[np.float64]

READING_SCHEMA: Final = "camdial.reading/1"
CALLIPER_U95_MM: Final = 0.05  # a shop calliper in practised hands; the contract's default
CALLIPER_U95_DEG: Final = 1.0
# What is taken of a length that was not measured: mean and standard uncertainty, mm, from the usual ranges of cams
# (trade knowledge from memory). So wide that nothing is called a fit by it.
UNMEASURED_MM: Final = {"reach": (23.0, 5.0), "tail_width": (9.0, 4.0), "hub_diameter": (19.0, 2.5)}
UNMEASURED_RADIUS_MM: Final = (5.2, 1.0)
UNMEASURED_DIAMETER_MM: Final = (3.6, 0.5)
# What a photo's numbers carry besides their stated uncertainties, for a reading that only leaves the face open, and for one
# in doubt. Tail width: where half reach lies is itself uncertain, and tails are seldom of one width there; on 102
# path-traced pictures it was off by 0.2 and 0.3 mm in the middle and by 1.1 and 2.8 mm once in twenty.
TAIL_WIDTH_U_MM: Final = (0.2, 0.35)
# An axis found beside its place shifts every hole and the reach alike (same pictures: the holes' distance from the axis
# held within its u95 in 87 and 93 %).
AXIS_U_MM: Final = (0.08, 0.12)
# A standard uncertainty above MEASURED_BELOW_MM means: not measured.
PLAUSIBLE_AT_LEAST: Final = 0.06  # a word the reading cannot rule out is not ruled out here: above `not_up_to`
MEASURED_BELOW_MM: Final = {"reach": 1.0, "tail_width": 1.0, "hub_diameter": 1.0, "hole": 0.6, "diameter": 0.3}


@dataclass(frozen=True, slots=True)
class MeasuredHole:
    """One screw hole of the part read: clock position and the probability that it is countersunk."""

    position: str
    countersunk: float


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredPart:
    """One part as measured. Label probabilities add up to 1; lengths in mm, standard uncertainties (k = 1).

    `names` orders `mean` (K,) and `covariance` (K, K): reach, tail_width, hub_diameter, then x, y and diameter of each
    hole as ``holes[i].x`` …; a length that was not measured stands there with a very wide uncertainty.
    """

    name: str
    sha256: str | None
    family: Mapping[str, float]
    bottom: Mapping[str, float]
    hand: Mapping[str, float]
    facing: Mapping[str, float]
    holes: tuple[MeasuredHole, ...]
    names: tuple[str, ...]
    mean: Array
    covariance: Array
    plausible_families: tuple[str, ...] = FAMILIES
    screws: tuple[str, ...] = ()  # the threads of the cylinder, when known
    screw_diameter_mm: Quantity | None = None  # over the threads of a screw taken out
    thread_distances_mm: tuple[tuple[int, int, Quantity], ...] = ()  # between threads of the cylinder, centre to centre
    notes: tuple[str, ...] = field(default=())
    doubts: Doubts = SURE  # that the reading itself is void
    hand_seen: bool = False  # the hand was told by a person, screw side up: it holds whatever face the photo shows
    taken: tuple[str, ...] = ()  # what a calliper or a look has told already, as `shop.calliper.key_of` names it

    def quantity(self, name: str) -> Quantity | None:
        """One length of the part, or None when it was not measured."""
        if not self.is_measured(name):
            return None
        i = self.names.index(name)
        return Quantity(float(self.mean[i]), math.sqrt(max(float(self.covariance[i, i]), 0.0)))

    def is_measured(self, name: str) -> bool:
        """Whether a length is known better than by the usual range of cams."""
        i = self.names.index(name)
        kind = "diameter" if name.endswith(".diameter") else name if name in UNMEASURED_MM else "hole"
        return bool(math.sqrt(max(float(self.covariance[i, i]), 0.0)) < MEASURED_BELOW_MM[kind])

    def hole_rows(self, i: int) -> tuple[int, int]:
        """Where the centre of hole `i` stands in the state."""
        first = 3 + 3 * i
        return first, first + 1

    @property
    def hole_xy_mm(self) -> Array:
        """Hole centres (n, 2)."""
        return np.array([self.mean[list(self.hole_rows(i))] for i in range(len(self.holes))]).reshape(-1, 2)

    @property
    def hole_diameters_mm(self) -> Array:
        """Hole diameters (n,)."""
        return self.mean[5::3].copy()

    def is_complete(self) -> bool:
        """Whether all that a fit needs was measured: the reach and the place of every hole."""
        return self.is_measured("reach") and self.holes_measured()

    def holes_measured(self) -> bool:
        """Whether the place of every hole is known in mm."""
        return all(self.is_measured(f"holes[{i}].{axis}") for i in range(len(self.holes)) for axis in "xy")


def state_names(holes: int) -> tuple[str, ...]:
    """Names of the lengths in the order of a `MeasuredPart`'s state."""
    return (*UNMEASURED_MM, *(f"holes[{i}].{what}" for i in range(holes) for what in ("x", "y", "diameter")))


# ---------------------------------------------------------------------------------------------- from a reading


def measured_part_from_reading(reading: Mapping[str, Any], *, screws: Sequence[str] = ()) -> MeasuredPart:
    """The part a reading (``camdial.reading/1``) speaks of.

    Parameters
    ----------
    reading : mapping
        The JSON object. When it carries ``covariance`` (``quantities`` and ``matrix``, mm², k = 1), that goes before
        the single uncertainties.
    screws : sequence of str
        Threads of the cylinder when known, as ``"#6-32"``.

    Raises
    ------
    ValueError
        If the object is no reading of this version, or one of a picture without a readable cam.
    """
    if reading.get("schema") != READING_SCHEMA:
        raise ValueError(f"this is no reading of version {READING_SCHEMA}")
    photo = reading.get("photo") or {}
    name = str(photo.get("name") or "the photo")
    outcome = reading.get("outcome")
    if outcome not in ("read", "unsure"):
        why = {"not-a-cam": "shows no cam", "retake": "could not be read; take it again"}
        raise ValueError(f"{name} {why.get(str(outcome), 'holds no reading')}: there is nothing to compare")
    holes = list((reading.get("pattern") or {}).get("holes") or ())
    if not 1 <= len(holes) <= MOST_HOLES:
        raise ValueError(f"{name}: {len(holes)} screw holes read; the comparison needs 1 to {MOST_HOLES}")
    notes: list[str] = []
    names = state_names(len(holes))
    mean, covariance = np.zeros(len(names)), np.zeros((len(names), len(names)))
    dimensions = reading.get("dimensions") or {}
    for i, (key, (centre, u)) in enumerate(UNMEASURED_MM.items()):
        value = _quantity(dimensions.get(key))
        mean[i], covariance[i, i] = (centre, u * u) if value is None else (value.value, value.u**2)
    facing = _probabilities(reading.get("facing"), FACINGS)
    records = []
    for i, hole in enumerate(holes):
        angle, radius = _quantity(hole.get("angle")), _quantity(hole.get("radius"))
        if hole.get("position") == CENTRE or angle is None:
            angle = None
        diameter = _quantity(hole.get("diameter"))
        _place(mean, covariance, i, angle, radius)
        centre, u = UNMEASURED_DIAMETER_MM if diameter is None else (diameter.value, diameter.u)
        mean[5 + 3 * i], covariance[5 + 3 * i, 5 + 3 * i] = centre, u * u
        # A countersink shows on the screw side only: its absence there means a plain hole, elsewhere it means nothing.
        hidden = facing["plug"] if hole.get("diameter") is not None else 1.0
        sunk = 1.0 if hole.get("countersink_diameter") else 0.5 * hidden
        records.append(MeasuredHole(_position(angle), sunk))
    _full_covariance(reading.get("covariance"), names, covariance, notes)
    for i, hole in enumerate(holes):  # the direction in which a hole in the centre is off is not stated
        if records[i].position == CENTRE and hole.get("radius"):
            covariance[3 + 3 * i, 3 + 3 * i] += 0.5 * float(hole["radius"]["value"]) ** 2
            covariance[4 + 3 * i, 4 + 3 * i] += 0.5 * float(hole["radius"]["value"]) ** 2
    if outcome == "unsure":
        doubted = is_doubted(reading)
        covariance[1, 1] += TAIL_WIDTH_U_MM[doubted] ** 2
        for axis in (3, 4):
            shifted = np.array([float(k >= 3 and (k - axis) % 3 == 0) for k in range(len(names))])
            shifted[0] = float(axis == 4)
            covariance += AXIS_U_MM[doubted] ** 2 * np.outer(shifted, shifted)
    plausible = tuple((reading.get("family") or {}).get("plausible") or FAMILIES)
    return MeasuredPart(
        name=name,
        sha256=photo.get("sha256"),
        family=_probabilities(reading.get("family"), FAMILIES),
        bottom=_probabilities(reading.get("bottom"), BOTTOMS),
        hand=_probabilities(reading.get("hand"), HANDS),
        facing=facing,
        holes=tuple(records),
        names=names,
        mean=mean,
        covariance=covariance,
        plausible_families=plausible,
        screws=tuple(find_thread(screw).name for screw in screws),
        notes=tuple(notes),
        doubts=doubts_of(reading),
    )


def _quantity(record: Any) -> Quantity | None:
    if record is None:
        return None
    return Quantity(float(record["value"]), max(float(record["u95"]) / COVERAGE_FACTOR, 1e-4))


def _probabilities(record: Any, words: Sequence[str]) -> dict[str, float]:
    """Probabilities of all words: the stated ones, the label's own, and what is left spread over the rest."""
    stated: dict[str, float] = {}
    if record:
        stated = {w: float(p) for w, p in (record.get("probabilities") or {}).items() if w in words}
        label = record.get("label")
        if label in words and record.get("probability") is not None and label not in stated:
            stated[label] = float(record["probability"])
    rest = [w for w in words if w not in stated]
    left = max(0.0, 1.0 - sum(stated.values()))
    full = {w: stated.get(w, left / len(rest) if rest else 0.0) for w in words}
    plausible = (record or {}).get("plausible") or ()
    if len(plausible) > 1:
        full |= {w: max(full[w], PLAUSIBLE_AT_LEAST) for w in plausible if w in full}
    total = sum(full.values())
    return {w: p / total for w, p in full.items()} if total > 0.0 else dict.fromkeys(words, 1.0 / len(words))


def _position(angle: Quantity | None) -> str:
    return CENTRE if angle is None else clock_from_angle(angle.value)


def _place(mean: Array, covariance: Array, i: int, angle: Quantity | None, radius: Quantity | None) -> None:
    """Enter the centre of hole `i` from clock angle (deg) and radius (mm)."""
    rows = slice(3 + 3 * i, 5 + 3 * i)
    if angle is None:
        off = 0.1 if radius is None else radius.u
        mean[rows], covariance[rows, rows] = 0.0, np.eye(2) * off * off
        return
    r, u_r = UNMEASURED_RADIUS_MM if radius is None else (radius.value, radius.u)
    turn = math.radians(angle.value)
    along = np.array([math.sin(turn), math.cos(turn)])
    across = np.array([along[1], -along[0]])
    u_t = r * math.radians(angle.u)
    mean[rows] = r * along
    covariance[rows, rows] = u_r**2 * np.outer(along, along) + u_t**2 * np.outer(across, across)


def _full_covariance(record: Any, names: tuple[str, ...], covariance: Array, notes: list[str]) -> None:
    """Put the reading's own covariance in place of the single uncertainties, for the quantities it covers."""
    if not record:
        return
    listed = list(record["quantities"])
    matrix = np.asarray(record["matrix"], dtype=float)
    known = [(i, names.index(name)) for i, name in enumerate(listed) if name in names]
    if matrix.shape != (len(listed), len(listed)) or not np.isfinite(matrix).all():
        raise ValueError(f"the reading's covariance is {matrix.shape} for {len(listed)} quantities")
    if not known:
        return
    source, target = (list(index) for index in zip(*known, strict=True))
    part = matrix[np.ix_(source, source)]
    part = 0.5 * (part + part.T)
    values, vectors = np.linalg.eigh(part)
    if values.min() < -1e-6 * max(values.max(), 1e-12):
        notes.append("the reading's covariance was not positive; its negative part was left out")
    covariance[np.ix_(target, target)] = (vectors * np.maximum(values, 1e-10)) @ vectors.T


# ---------------------------------------------------------------------------------------------- by hand

_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")


def quantity_from_text(text: str, u95: float) -> Quantity:
    """A value with its u95 as a person writes it, ``"61±0.5"``, ``"61+-0.5"`` or ``"61"``; returned with k = 1.

    Raises
    ------
    ValueError
        If the text is no number, or the half-width is negative.
    """
    value, *given = _PLUS_MINUS.split(text.strip())
    if len(given) > 1:
        raise ValueError(f"{text.strip()!r} is no number with an uncertainty; write 21.4±0.05")
    half = number_from_text(given[0]) if given else u95
    if half < 0.0:
        raise ValueError(f"{text.strip()!r}: an uncertainty is not negative")
    return Quantity(number_from_text(value), half / COVERAGE_FACTOR)


def measured_part_by_hand(
    family: str,
    bottom: str,
    hand: str | None,
    reach: str | float,
    tail_width: str | float | None,
    holes_text: str,
    *,
    hub_diameter: str | float | None = None,
    screws: Sequence[str] = (),
    name: str = "the part measured by hand",
) -> MeasuredPart:
    """The part as a person with a calliper states it, seen from the screw side.

    Parameters
    ----------
    family, bottom, hand : str
        Words of the vocabulary; `hand` may be None for families without one.
    reach, tail_width, hub_diameter : str or float
        mm; a text may carry its u95 as ``"21.4±0.1"``, otherwise 0.05 mm.
    holes_text : str
        As in the list, each number with its u95 if wanted: ``"61±0.5@4.55±0.03:3.3; centre:3.3"``; otherwise 0.05 mm
        and 1°. A slash and the outer diameter make a countersunk hole.

    Raises
    ------
    ValueError
        With the value that is wrong and what is allowed.
    """
    for what, word, words in (("family", family, FAMILIES), ("bottom", bottom, BOTTOMS)):
        if word not in words:
            raise ValueError(f"{what} is {word!r}; allowed: {', '.join(words)}")
    hand = hand or "none"
    if family in HANDED_FAMILIES and hand not in ("left", "right"):
        raise ValueError(f"a {family} has a hand; allowed: left, right")
    if family not in HANDED_FAMILIES and hand != "none":
        raise ValueError(f"a {family} has no hand; allowed: none")
    pieces = split_holes(holes_text)
    names = state_names(len(pieces))
    mean, covariance = np.zeros(len(names)), np.zeros((len(names), len(names)))
    given = {"reach": reach, "tail_width": tail_width, "hub_diameter": hub_diameter}
    for i, (key, unmeasured) in enumerate(UNMEASURED_MM.items()):
        length = given[key]
        value = Quantity(*unmeasured) if length is None else quantity_from_text(str(length), CALLIPER_U95_MM)
        if value.value <= 0.0:
            raise ValueError(f"{key.replace('_', ' ')} is {value.value:g} mm; allowed: above 0")
        mean[i], covariance[i, i] = value.value, max(value.u, 1e-4) ** 2
    records = []
    for i, piece in enumerate(pieces):
        diameter = quantity_from_text(piece["diameter"] or "", CALLIPER_U95_MM)
        angle = radius = None
        if not piece["centre"]:
            angle = quantity_from_text(piece["angle"] or "", CALLIPER_U95_DEG)
            radius = quantity_from_text(piece["radius"] or "", CALLIPER_U95_MM)
            angle = Quantity(wrap_deg(angle.value), angle.u)
        if diameter.value <= 0.0 or (radius is not None and radius.value < 0.0):
            raise ValueError(f"hole {i + 1}: diameter and radius are above 0")
        _place(mean, covariance, i, angle, radius or Quantity(0.0, CALLIPER_U95_MM / COVERAGE_FACTOR))
        mean[5 + 3 * i], covariance[5 + 3 * i, 5 + 3 * i] = diameter.value, max(diameter.u, 1e-4) ** 2
        near = radius is not None and radius.value < CENTRE_HOLE_RADIUS_PER_DIAMETER * diameter.value
        records.append(MeasuredHole(CENTRE if near else _position(angle), 1.0 if piece["sink"] else 0.0))
    return MeasuredPart(
        name=name,
        sha256=None,
        family=_certain(family, FAMILIES),
        bottom=_certain(bottom, BOTTOMS),
        hand=_certain(hand, HANDS),
        facing=_certain("screw", FACINGS),
        holes=tuple(records),
        names=names,
        mean=mean,
        covariance=covariance,
        plausible_families=(family,),
        screws=tuple(find_thread(screw).name for screw in screws),
    )


def part_as_measured(part: Part, u95_mm: float = CALLIPER_U95_MM) -> MeasuredPart:
    """A part of the list as if it had just been measured: what would serve instead of it?"""
    angle_u95 = {i: math.degrees(u95_mm / max(h.radius_mm, 1.0)) for i, h in enumerate(part.holes)}
    texts = []
    for i, hole in enumerate(part.holes):
        sink = "" if hole.countersink_mm is None else f"/{hole.countersink_mm!r}"
        place = (
            CENTRE if hole.angle_deg is None else f"{hole.angle_deg!r}±{angle_u95[i]:.4f}@{hole.radius_mm!r}±{u95_mm!r}"
        )
        texts.append(f"{place}:{hole.diameter_mm!r}±{u95_mm!r}{sink}")
    return measured_part_by_hand(
        part.family,
        part.bottom,
        part.hand,
        f"{part.reach_mm!r}±{u95_mm!r}",
        None if part.tail_width_mm is None else f"{part.tail_width_mm!r}±{u95_mm!r}",
        "; ".join(texts),
        hub_diameter=part.hub_diameter_mm,
        screws=() if part.screw is None else (part.screw,),
        name=part.part,
    )


def _certain(word: str, words: Sequence[str]) -> dict[str, float]:
    return {w: float(w == word) for w in words}


def hand_probability(measured: MeasuredPart, family: str, hand: str, *, mirrored: bool) -> float:
    """Probability of a hand given the family; with `mirrored`, of the part turned over from what the reading says."""
    if family not in HANDED_FAMILIES:
        return float(hand == "none")
    asked = mirror_hand(hand) if mirrored and not measured.hand_seen else hand
    left, right = measured.hand.get("left", 0.0), measured.hand.get("right", 0.0)
    total = left + right
    if asked not in ("left", "right"):
        return 0.0
    return 0.5 if total <= 0.0 else (left if asked == "left" else right) / total
