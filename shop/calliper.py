"""What a calliper or a look can tell of a part: names, where the jaws go, and how a value found is taken in."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shop.doubts import after_a_length
from shop.measured import (
    CALLIPER_U95_MM,
    MEASURED_BELOW_MM,
    UNMEASURED_DIAMETER_MM,
    UNMEASURED_MM,
    UNMEASURED_RADIUS_MM,
    Array,
    MeasuredPart,
    quantity_from_text,
)
from vision.quantity import COVERAGE_FACTOR, Quantity, jacobian
from vision.vocabulary import BOTTOMS, CENTRE, FACINGS, FAMILIES, HANDED_FAMILIES, HANDS

SURPRISE: Final = 4.0  # a value this many standard uncertainties off what the photo said is worth a second look
CYLINDER_RADIUS_MM: Final = 14.5  # usual, from memory; only tells where to draw a jaw
TAIL_HALF_DEG: Final = 40.0  # within this of 12 o'clock the hub's edge is hidden by the tail
DRAWING: Final = ("right", "wrong")
LOOKS: Final = {"bottom": BOTTOMS, "facing": FACINGS, "hand": HANDS, "family": FAMILIES, "drawing": DRAWING}
RELAID_DOUBT: Final = 0.4  # that 12 o'clock was laid wrong, when the outline turns out to be of the other kind (ours)
VOID_FROM: Final = 0.5  # a scale more likely void than sound is given up
TRIAL: Final = "trial"

WORDS: Final = {
    "reach": "reach",
    "tail-width": "tail width at half reach",
    "hub-diameter": "hub diameter",
    "hole-diameter": "hole diameter",
    "hole-distance": "distance between hole centres",
    "over-holes": "distance over the far edges of the holes",
    "wall": "wall between hole and hub edge",
    "screw-diameter": "outside diameter of a screw",
    "thread-distance": "distance between the threaded holes of the cylinder",
    "bottom": "bottom, open or closed",
    "facing": "face that the photo shows",
    "hand": "hand",
    "family": "outline family",
    "drawing": "drawing on the photo",
}
_OF_HOLES: Final = {"hole-diameter": 1, "wall": 1, "hole-distance": 2, "over-holes": 2, "thread-distance": 2}


@dataclass(frozen=True, slots=True)
class CalliperQuantity:
    """One thing to measure: its kind, and the holes it is taken at (0 for the first)."""

    kind: str
    holes: tuple[int, ...] = ()

    @property
    def is_look(self) -> bool:
        """Whether it is seen by eye and has no unit."""
        return self.kind in LOOKS


@dataclass(frozen=True, slots=True)
class Finding:
    """A value found: a length with its standard uncertainty, or a word for what is seen by eye."""

    quantity: CalliperQuantity
    value: Quantity | str


def key_of(quantity: CalliperQuantity, measured: MeasuredPart) -> str:
    """What to write before the ``=``: ``"hole-distance"``, or ``"hole-distance:1-3"`` where several are possible."""
    wanted = _OF_HOLES.get(quantity.kind, 0)
    if not wanted or len(measured.holes) == wanted:
        return quantity.kind
    return f"{quantity.kind}:{'-'.join(str(i + 1) for i in quantity.holes)}"


def words_of(quantity: CalliperQuantity, measured: MeasuredPart) -> str:
    """The quantity in plain words, with the clock positions where several are possible."""
    words = WORDS[quantity.kind]
    wanted = _OF_HOLES.get(quantity.kind, 0)
    if not wanted or len(measured.holes) == wanted:
        return words
    return f"{words}, {' and '.join(hole_name(measured, i) for i in quantity.holes)}"


def hole_name(measured: MeasuredPart, i: int) -> str:
    """``"hole at 7"`` or ``"hole in the centre"``."""
    position = measured.holes[i].position
    return "hole in the centre" if position == CENTRE else f"hole at {position}"


def parse_finding(text: str, measured: MeasuredPart) -> Finding:
    """Read ``QUANTITY=VALUE[±U]`` as written after ``--measured``: ``"hole-distance=8.72±0.05"``, ``"bottom=open"``.

    U is the half-width of a 95 % interval, 0.05 mm when it is not given. The quantity may also stand in the words of
    the report (``"distance between hole centres=8.72"``).

    Raises
    ------
    ValueError
        If the quantity is not known, does not fit the part, or the value is none of its kind.
    """
    name, equals, value = text.partition("=")
    name = re.sub(r"\s+", " ", name.strip().lower())
    kind, _, place = name.partition(":")
    by_words = {words: known for known, words in WORDS.items()}
    kind = by_words.get(kind, re.sub(r"[ _]", "-", kind))
    if not equals or kind not in WORDS:
        raise ValueError(f"{text.strip()!r}: write QUANTITY=VALUE[±U]; quantities: {', '.join(WORDS)}")
    if kind in LOOKS:
        word = value.strip().lower()
        if word not in LOOKS[kind]:
            raise ValueError(f"{kind} is {word!r}; allowed: {', '.join(LOOKS[kind])}")
        if kind == "drawing" and word == "wrong":
            raise ValueError(
                "with a wrong drawing nothing of this reading holds: take the photo anew, or give the part by hand"
            )
        return Finding(CalliperQuantity(kind), word)
    wanted, n = _OF_HOLES.get(kind, 0), len(measured.holes)
    holes: tuple[int, ...] = ()
    if wanted:
        if place:
            if not re.fullmatch(r"\d+(-\d+)*", place):
                raise ValueError(f"{name!r}: name holes by number, as {kind}:{'1-2' if wanted == 2 else '1'}")
            holes = tuple(int(number) - 1 for number in place.split("-"))
        elif n >= wanted and (n == wanted or kind == "hole-diameter"):
            holes = tuple(range(wanted))
        if len(holes) != wanted or len(set(holes)) != wanted or not all(0 <= i < n for i in holes):
            say = ", ".join(f"{i + 1} is the {hole_name(measured, i)}" for i in range(n))
            raise ValueError(f"{name!r}: say which, as {kind}:{'1-2' if wanted == 2 else '1'}; {say}")
    quantity = quantity_from_text(value, CALLIPER_U95_MM)
    if quantity.value <= 0.0:
        raise ValueError(f"{name} is {quantity.value:g} mm; allowed: above 0")
    return Finding(CalliperQuantity(kind, holes), Quantity(quantity.value, max(quantity.u, 1e-4)))


# ------------------------------------------------------------------------------------------- what it would show


def value_of(quantity: CalliperQuantity, states: Array) -> Array:
    """What an ideal calliper would show on parts of these states.

    Parameters
    ----------
    states : ndarray of shape (N, K)
        Rows in the order of `MeasuredPart.names`.

    Returns
    -------
    ndarray of shape (N,), mm
    """

    def centre(i: int) -> Array:
        return states[:, 3 + 3 * i : 5 + 3 * i]

    def diameter(i: int) -> Array:
        return states[:, 5 + 3 * i]

    result: Array
    match quantity.kind:
        case "reach" | "tail-width" | "hub-diameter":
            result = states[:, ("reach", "tail-width", "hub-diameter").index(quantity.kind)]
        case "hole-diameter":
            result = diameter(quantity.holes[0])
        case "hole-distance" | "over-holes":
            i, j = quantity.holes
            apart = centre(i) - centre(j)
            result = np.hypot(apart[:, 0], apart[:, 1])
            if quantity.kind == "over-holes":
                result = result + 0.5 * (diameter(i) + diameter(j))
        case "wall":
            (i,) = quantity.holes
            at = centre(i)
            result = 0.5 * states[:, 2] - np.hypot(at[:, 0], at[:, 1]) - 0.5 * diameter(i)
        case _:
            raise ValueError(f"{quantity.kind} is no length of the part")
    return result


def part_quantities(measured: MeasuredPart) -> tuple[CalliperQuantity, ...]:
    """The lengths of this part that a calliper can take, easiest first."""
    n = range(len(measured.holes))
    pairs = [(i, j) for i in n for j in n if i < j]
    found = [CalliperQuantity("hole-distance", pair) for pair in pairs]
    found += [CalliperQuantity("reach"), CalliperQuantity("tail-width")]
    found += [CalliperQuantity("hole-diameter", (i,)) for i in n]
    if measured.is_measured("hub_diameter"):
        for i in n:
            angle = abs(math.degrees(math.atan2(*measured.hole_xy_mm[i])))
            if measured.holes[i].position != CENTRE and angle > TAIL_HALF_DEG:
                found.append(CalliperQuantity("wall", (i,)))
    return tuple(found)


def jaws_mm(quantity: CalliperQuantity, measured: MeasuredPart) -> tuple[tuple[float, float], ...]:
    """The two points the jaws touch, in the part's mm as read; none for what is not measured on the part."""
    xy, diameters = measured.hole_xy_mm, measured.hole_diameters_mm
    reach, width, hub = (float(value) for value in measured.mean[:3])
    match quantity.kind:
        case "reach":
            below = hub / 2.0 if _hub_edge_at_6(measured) else CYLINDER_RADIUS_MM
            points = np.array([(0.0, reach), (0.0, -below)])
        case "tail-width":
            points = np.array([(-width / 2.0, reach / 2.0), (width / 2.0, reach / 2.0)])
        case "hub-diameter":
            points = np.array([(-hub / 2.0, 0.0), (hub / 2.0, 0.0)])
        case "hole-diameter":
            (i,) = quantity.holes
            points = xy[i] + np.array([(-0.5, 0.0), (0.5, 0.0)]) * diameters[i]
        case "hole-distance" | "over-holes" | "thread-distance":
            i, j = quantity.holes
            along = (xy[j] - xy[i]) / max(float(np.hypot(*(xy[j] - xy[i]))), 1e-9)
            points = np.array([xy[i] - along * diameters[i] / 2.0, xy[j] + along * diameters[j] / 2.0])
        case "wall":
            (i,) = quantity.holes
            radius = float(np.hypot(*xy[i]))
            out = xy[i] / max(radius, 1e-9)
            points = np.array([out * (radius + diameters[i] / 2.0), out * hub / 2.0])
        case _:
            return ()
    return tuple((float(x), float(y)) for x, y in points)


def _hub_edge_at_6(measured: MeasuredPart) -> bool:
    """Whether the hub's round edge is there opposite the tail: no cut-out, no leaves whose hollow lies there."""
    return not (_is_likely(measured.family, "cloverleaf") or _is_likely(measured.bottom, "open"))


def _is_likely(words: Mapping[str, float], word: str) -> bool:
    return words.get(word, 0.0) >= 0.5


def how_to(quantity: CalliperQuantity, measured: MeasuredPart) -> str:
    """Where the jaws go, or where to look, in one or two plain sentences."""
    match quantity.kind:
        case "reach":
            if _hub_edge_at_6(measured):
                return (
                    "Outside jaws over all, from the tip of the tail to the hub's edge at 6 o'clock; then across the hub, "
                    "and take away half of that."
                )
            why = "side leaves leave" if _is_likely(measured.family, "cloverleaf") else "a cut-out leaves"
            return (
                f"Screwed on its cylinder, since {why} no hub's edge at 6 o'clock: tail up, outside jaws "
                "from the tip of the tail to the cylinder's edge below; then turn the key by half a turn, and measure with the "
                "depth rod how far the tip stands beyond that same edge (minus, if it stays inside). Half of the sum is "
                "the reach."
            )
        case "hub-diameter":
            return "Outside jaws across the hub, from 3 to 9 o'clock."
        case "hole-diameter":
            name = hole_name(measured, quantity.holes[0])
            return f"Inside jaws in the {name}, below any countersink; or the largest drill shank that enters."
        case "hole-distance":
            i, j = quantity.holes
            one = float(measured.hole_diameters_mm[[i, j]].mean())
            both = f"{hole_name(measured, i)} and the {hole_name(measured, j)}"
            return f"Inside jaws in the {both}, spread to the far edges; take away one hole diameter ({one:.2f} mm)."
        case "over-holes":
            i, j = quantity.holes
            both = f"{hole_name(measured, i)} and the {hole_name(measured, j)}"
            return f"Inside jaws in the {both}, spread to the far edges."
        case "wall":
            name = hole_name(measured, quantity.holes[0])
            return f"One jaw in the {name}, the other on the hub's edge beside it, straight outwards."
        case "thread-distance":
            return (
                "Turn the screws a few threads into the bare cylinder; outside jaws over both screws; take away one "
                "screw diameter."
            )
        case "screw-diameter":
            return "Take out one screw; outside jaws over its threads."
        case "bottom":
            return "Look at the hub's edge at 6 o'clock: whole is closed, cut out is open."
        case "facing":
            return "See which face the photo shows: heads or countersinks are on the screw side, none on the plug side."
        case "hand":
            return "Screw side towards you, tail up: say on which side the foot or the offset lies."
        case "family":
            return "Compare the outline with the drawings of the families."
        case "drawing":
            return (
                "Lay the part beside the picture of the reading: a circle on every screw hole and on nothing else, the "
                "cross on the axis, the line through the middle of the tail."
            )
        case _:
            return (
                "Put the new part on the cylinder by hand: every screw must start by hand and its head must sit flat."
            )


# ------------------------------------------------------------------------------------------- taking a value in


def take_in(measured: MeasuredPart, findings: Sequence[Finding]) -> MeasuredPart:
    """The part with values found later taken into account.

    Lengths condition the normal distribution of the part's state (for a distance, which is not linear, the derivative
    is taken anew at each of a few steps); words make their label certain. A note says when a value is far from what
    the photo said.
    """
    for finding in findings:
        key = key_of(finding.quantity, measured)
        measured = _take_one(measured, finding)
        measured = replace(measured, taken=(*measured.taken, key))
    return measured


def _take_one(measured: MeasuredPart, finding: Finding) -> MeasuredPart:
    kind, value = finding.quantity.kind, finding.value
    if kind == "drawing":
        return replace(measured, doubts=replace(measured.doubts, drawing=0.0))
    if isinstance(value, str):
        before = getattr(measured, kind)
        notes = measured.notes
        if before.get(value, 0.0) < 0.05:
            notes = (*notes, f"{kind} seen as {value}; the photo gave that {before.get(value, 0.0):.2f}: look again")
        certain = {word: float(word == value) for word in before}
        if kind == "family":
            doubts = measured.doubts
            read = max(before, key=lambda word: before[word])
            if doubts.drawing > 0.0 and (read in HANDED_FAMILIES) != (value in HANDED_FAMILIES):
                doubts = replace(doubts, drawing=max(doubts.drawing, RELAID_DOUBT))
            return replace(measured, family=certain, plausible_families=(value,), notes=notes, doubts=doubts)
        if kind == "facing" and max(before, key=lambda word: before[word]) != value:
            turned = mirrored(measured)
            return replace(turned, facing=certain, notes=notes)
        if kind == "facing":
            return replace(measured, facing=certain, notes=notes)
        if kind == "hand":
            return _with_hand(measured, value, notes)
        return replace(measured, bottom=certain, notes=notes)
    if kind == "screw-diameter":
        return replace(measured, screw_diameter_mm=value)
    if kind == "thread-distance":
        i, j = finding.quantity.holes
        return replace(measured, thread_distances_mm=(*measured.thread_distances_mm, (i, j, value)))
    return _condition(measured, finding.quantity, value)


def _with_hand(measured: MeasuredPart, value: str, notes: tuple[str, ...]) -> MeasuredPart:
    """The part with its hand seen, screw side towards the person: that tells of the photo's face, too (Bayes' rule).

    A hand read with the stated face up reads as the other one when the photo shows the other face.
    """
    certain = {word: float(word == value) for word in measured.hand}
    sided = measured.hand["left"] + measured.hand["right"]
    agrees = measured.hand[value] / sided if value != "none" and sided > 0.0 else 0.5
    stated = max(measured.facing, key=lambda word: measured.facing[word])
    other = next(word for word in FACINGS if word != stated)
    as_stated = measured.facing[stated] * agrees
    turned = measured.facing[other] * (1.0 - agrees)
    p = as_stated / (as_stated + turned) if as_stated + turned > 0.0 else measured.facing[stated]
    seen = measured if p >= 0.5 else mirrored(measured)
    return replace(seen, hand=certain, hand_seen=True, facing={stated: p, other: 1.0 - p}, notes=notes)


def mirrored(measured: MeasuredPart) -> MeasuredPart:
    """The same photo read as one of the other face: every x and the hand turned over."""
    signs = np.array([-1.0 if name.endswith(".x") else 1.0 for name in measured.names])
    swap = {"left": "right", "right": "left"}
    clock = {hole.position: hole.position for hole in measured.holes}
    for position in clock:
        if position != CENTRE:
            hours, _, minutes = position.partition(":")
            clock[position] = _mirror_clock(int(hours), minutes == "30")
    return replace(
        measured,
        hand=measured.hand if measured.hand_seen else {swap.get(w, w): p for w, p in measured.hand.items()},
        facing={"screw": measured.facing["plug"], "plug": measured.facing["screw"]},
        holes=tuple(replace(hole, position=clock[hole.position]) for hole in measured.holes),
        mean=measured.mean * signs,
        covariance=measured.covariance * np.outer(signs, signs),
    )


def _mirror_clock(hours: int, half: bool) -> str:
    halves = (-(2 * (hours % 12) + int(half))) % 24
    return f"{halves // 2 or 12}{':30' if halves % 2 else ''}"


def _condition(measured: MeasuredPart, quantity: CalliperQuantity, value: Quantity) -> MeasuredPart:
    """Iterated linear update of a normal state by one scalar observation."""
    prior, covariance = measured.mean, measured.covariance
    step = np.minimum(np.sqrt(np.maximum(np.diag(covariance), 1e-12)), 0.05)

    def shown(state: NDArray[np.float64]) -> NDArray[np.float64]:
        return value_of(quantity, state[None, :])

    at = prior
    for _ in range(5):
        row = jacobian(shown, at, step)[0]
        spread = float(row @ covariance @ row) + value.u**2
        gain = covariance @ row / spread
        residual = value.value - float(shown(at)[0]) - float(row @ (prior - at))
        at = prior + gain * residual
    row = jacobian(shown, at, step)[0]
    spread = float(row @ covariance @ row) + value.u**2
    gain = covariance @ row / spread
    left = np.eye(len(prior)) - np.outer(gain, row)
    after = left @ covariance @ left.T + value.u**2 * np.outer(gain, gain)
    notes, doubts = measured.notes, measured.doubts
    expected = float(shown(prior)[0])
    if quantity.kind == "hole-diameter":
        doubts = replace(doubts, diameters=0.0)
    elif math.sqrt(spread) < MEASURED_BELOW_MM["reach"]:
        void = after_a_length(doubts.lengths, value.value - expected, spread, expected)
        doubts = replace(doubts, lengths=void)
        if void > VOID_FROM:
            return _without_lengths(measured, quantity, value, expected)
    if abs(value.value - expected) > SURPRISE * math.sqrt(spread) and math.sqrt(spread) < MEASURED_BELOW_MM["hole"]:
        said = f"{expected:.2f}±{COVERAGE_FACTOR * math.sqrt(spread):.2f} mm"
        name = words_of(quantity, measured)
        notes = (*notes, f"{name}: {value.value:.2f} mm found, {said} expected from before; measure once more")
    return replace(measured, mean=at, covariance=0.5 * (after + after.T), notes=notes, doubts=doubts)


def _without_lengths(
    measured: MeasuredPart, quantity: CalliperQuantity, value: Quantity, expected: float
) -> MeasuredPart:
    """The part with its lengths given up, since a calliper's has shown the photo's scale to be void; angles stay."""
    mean, covariance = measured.mean.copy(), np.zeros_like(measured.covariance)
    for i, (middle, u) in enumerate(UNMEASURED_MM.values()):
        mean[i], covariance[i, i] = middle, u * u
    for i, hole in enumerate(measured.holes):
        rows = list(measured.hole_rows(i))
        block = measured.covariance[np.ix_(rows, rows)]
        radius = float(np.hypot(*mean[rows]))
        if hole.position == CENTRE or radius < 1e-6:
            covariance[np.ix_(rows, rows)] = block
        else:
            along = mean[rows] / radius
            across = np.array([along[1], -along[0]])
            middle, u = UNMEASURED_RADIUS_MM
            u_across = middle / radius * math.sqrt(float(across @ block @ across))
            mean[rows] = middle * along
            covariance[np.ix_(rows, rows)] = u * u * np.outer(along, along) + u_across**2 * np.outer(across, across)
        middle, u = UNMEASURED_DIAMETER_MM
        mean[5 + 3 * i], covariance[5 + 3 * i, 5 + 3 * i] = middle, u * u
    name = words_of(quantity, measured)
    said = f"{name}: {value.value:.2f} mm found where the photo gave {expected:.2f} mm: its scale is void, only angles hold"
    bare = replace(
        measured,
        mean=mean,
        covariance=covariance,
        notes=(*measured.notes, said),
        doubts=replace(measured.doubts, lengths=0.0, diameters=0.0),
    )
    return _condition(bare, quantity, value)
