"""Reading -> text as a locksmith reads it: words with how sure they are, holes by the clock, sizes with their ±."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from shop.settle import checks_of, question_about, questions_of, remarks_of
from vision.vocabulary import CENTRE, angle_from_clock, clock_from_angle, mirror_angle, mirror_hand

MM_PER_INCH: Final = 25.4  # exact, international inch of 1959
SURE: Final = 0.98  # one word left and at least this probable: "sure"
FAIRLY_SURE: Final = 0.90

OUTCOME_TEXT: Final[Mapping[str, str]] = {
    "read": "read",
    "unsure": "read, but check what is marked",
    "not-a-cam": "no cam",
    "retake": "take the photo again",
}
DIMENSION_TEXT: Final[Mapping[str, str]] = {
    "reach": "reach",
    "hub_diameter": "hub",
    "length": "length over all",
    "width": "width over all",
    "tail_width": "tail width",
}
DIMENSION_HELP: Final[Mapping[str, str]] = {
    "reach": "axis to the farthest point of the tail",
    "hub_diameter": "diameter of the round body",
    "length": "along the tail",
    "width": "across the tail",
    "tail_width": "at half reach",
}
SCALE_TEXT: Final[Mapping[str, str]] = {
    "coin": "coin",
    "ruler": "ruler",
    "card": "printed card",
    "cylinder": "cylinder",
}


def reading_text(reading: Mapping[str, Any], *, inch: bool = False) -> str:
    """The reading as a few lines of plain text.

    Parameters
    ----------
    reading : mapping
        The JSON object of schema ``camdial.reading/1``.
    inch : bool
        Put decimal inches behind the millimetres.
    """
    head = f"{reading['photo']['name']}: {answer_line(reading)}"
    asked, checks = questions_of(reading), checks_of(reading)
    lines = [f"{head}; check:" if asked or (checks and reading.get("pattern")) else head]
    for question in asked:
        lines.append(f"  ? {question.ask} {question.option}")
        if question.about == "facing":
            lines.append(f"    with the plug side up: {mirror_line(reading)}")
        elif question.answers:
            lines.append(f"    {question.how}")
    lines += [f"  ! {text}" for text in checks]
    rows = [*word_rows(reading), *hole_rows(reading, inch=inch), *size_rows(reading, inch=inch), *scale_rows(reading)]
    wide = max((len(name) for name, _ in rows), default=0)
    lines += [f"  {name:<{wide}}  {value}" for name, value in rows]
    lines += [f"  ({text})" for text in remarks_of(reading)]
    return "\n".join(lines)


def answer_line(reading: Mapping[str, Any]) -> str:
    """The answer in one line that can be told over the telephone; words in doubt stand with their rivals."""
    family, bottom, hand = reading.get("family"), reading.get("bottom"), reading.get("hand")
    if not reading.get("pattern") or not family or not bottom:
        return OUTCOME_TEXT[reading["outcome"]]
    pieces = [_or(family)]
    if hand and hand["label"] != "none":
        pieces.append(f"{hand['label']} hand")
    pieces.append(f"{_or(bottom)} bottom")
    pieces.append(screws_text(reading["pattern"]["clock"]))
    return ", ".join(pieces)


def check_lines(reading: Mapping[str, Any]) -> list[str]:
    """What to look at before relying on a reading, for a printed page: questions, checks, remarks."""
    asked = [
        f"{question.ask} {question.how}"
        + (f" If the plug side was up: {mirror_line(reading)}." if question.about == "facing" else "")
        for question in questions_of(reading)
    ]
    return [*asked, *checks_of(reading), *remarks_of(reading)]


def side_line(reading: Mapping[str, Any], *, other: bool = False) -> str:
    """Hand and screws as read, or as they are if the photo showed the other side than the reading takes.

    Where the clock has the same words for both, a side is told by its angles.
    """
    hand = (reading.get("hand") or {}).get("label", "none")
    clock = list(reading["pattern"]["clock"])
    mirrored = mirrored_clock(clock)
    if hand == "none" and mirrored == clock:
        read = [hole["angle"]["value"] for hole in reading["pattern"]["holes"] if hole.get("angle")]
        degrees = sorted(map(mirror_angle, read)) if other else read
        return f"screws at {_and([*(f'{angle:.0f}°' for angle in degrees), *([CENTRE] * clock.count(CENTRE))])}"
    sided = [] if hand == "none" else [f"{mirror_hand(hand) if other else hand} hand"]
    return ", ".join([*sided, screws_text(mirrored if other else clock)])


def mirror_line(reading: Mapping[str, Any]) -> str:
    """Hand and screws as they are if the photo showed the other side than the reading takes."""
    return side_line(reading, other=True)


def mirrored_clock(clock: Sequence[str]) -> list[str]:
    """Clock positions as the other face shows them, in the order of the clock; the centre stays last."""
    around = sorted(mirror_angle(angle_from_clock(position)) for position in clock if position != CENTRE)
    return [clock_from_angle(angle) for angle in around] + [CENTRE] * list(clock).count(CENTRE)


def screws_text(clock: Sequence[str]) -> str:
    """``"screws at 2 and 7 o'clock"``, ``"one screw in the centre"``, ``"no screw hole seen"``."""
    if not clock:
        return "no screw hole seen"
    if len(clock) == 1:
        return "one screw in the centre" if clock[0] == CENTRE else f"one screw at {pattern_text(clock)}"
    return f"screws at {pattern_text(clock)}"


def _or(word: Mapping[str, Any]) -> str:
    """A word with its rivals: ``"hook or offset"``."""
    rivals = [label for label in word.get("plausible", ()) if label != word["label"]]
    if not rivals or len(rivals) > 2:
        return f"{word['label']} or another" if rivals else str(word["label"])
    return f"{', '.join([word['label'], *rivals[:-1]])} or {rivals[-1]}"


# ------------------------------------------------------------------------------------------------- rows


def word_rows(reading: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Outline, bottom, hand and the side seen, as name and value; empty for a picture that was not read."""
    rows = []
    family, hand = reading.get("family"), reading.get("hand")
    if family:
        rows.append(("outline", f"{family['label']}, {sureness(family)}"))
    if reading.get("bottom"):
        rows.append(("bottom", f"{reading['bottom']['label']}, {sureness(reading['bottom'])}"))
    if hand and hand["label"] != "none":
        rows.append(("hand", f"{hand['label']}, {sureness(hand)}"))
    if reading.get("facing"):
        facing = reading["facing"]
        rows.append(("side seen", f"{facing['label']} side, {side_sureness(reading)}"))
    return rows


def hole_rows(reading: Mapping[str, Any], *, inch: bool = False) -> list[tuple[str, str]]:
    """One row for the pattern, one for each screw hole."""
    pattern = reading.get("pattern")
    if not pattern:
        return []
    holes = pattern["holes"]
    rows = [("screw holes", pattern_text(pattern["clock"]))]
    for hole in holes:
        pieces = []
        if hole["angle"] is not None:
            pieces.append(quantity_text(hole["angle"], "°"))
        if hole["radius"] is not None and hole["position"] != CENTRE:
            pieces.append(f"{quantity_text(hole['radius'], 'mm', inch=inch)} from the axis")
        if hole["diameter"] is not None:
            pieces.append(f"Ø {quantity_text(hole['diameter'], 'mm', inch=inch)}")
        if hole.get("countersink_diameter") is not None:
            pieces.append(f"countersink Ø {quantity_text(hole['countersink_diameter'], 'mm', inch=inch)}")
        rows.append((f"  {place_text(hole['position'])}", ", ".join(pieces) or "not measured"))
    return rows


def size_rows(reading: Mapping[str, Any], *, inch: bool = False) -> list[tuple[str, str]]:
    """The sizes that were measured; those that were not are named by a warning of the reading."""
    sizes = reading.get("dimensions") or {}
    return [
        (words, quantity_text(sizes[name], "mm", inch=inch))
        for name, words in DIMENSION_TEXT.items()
        if sizes.get(name) is not None
    ]


def scale_rows(reading: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What gave the millimetres, and how square the photo was taken."""
    scale = reading.get("scale")
    if not scale:
        return []
    kind, reference = SCALE_TEXT.get(scale["kind"], scale["kind"]), str(scale["reference"])
    named = kind if reference in ("", scale["kind"]) else f"{kind} {reference}"
    pieces = [named, f"lengths ± {100 * scale['u95_relative']:.1f} %"]
    if scale.get("tilt"):
        pieces.append(f"photo tilted {scale['tilt']['value']:.0f}°")
    return [("scale", ", ".join(pieces))]


# ------------------------------------------------------------------------------------------------- words


def sureness(word: Mapping[str, Any]) -> str:
    """How sure a word is, in plain language with its probability; names the alternatives that remain."""
    others = [label for label in word.get("plausible", ()) if label != word["label"]]
    percent = chance_text(word["probability"])
    if others:
        return f"{percent}, {_and(others)} not ruled out"
    if word["probability"] >= SURE:
        return f"sure ({percent})"
    return f"fairly sure ({percent})" if word["probability"] >= FAIRLY_SURE else f"not sure ({percent})"


def side_sureness(reading: Mapping[str, Any]) -> str:
    """How sure the side seen is; says so when the part reads the same from both and the side is not asked for."""
    facing, clock = reading["facing"], (reading.get("pattern") or {}).get("clock", [])
    hand = (reading.get("hand") or {}).get("label", "none")
    asked = any(question_about(warning) == "facing" for warning in reading["warnings"])
    alike = hand == "none" and clock and mirrored_clock(clock) == list(clock)
    if facing["probability"] < FAIRLY_SURE and alike and not asked:
        return f"{chance_text(facing['probability'])}; it reads the same from the other side"
    return sureness(facing)


def chance_text(probability: float) -> str:
    """A probability in per cent, never rounded to certainty."""
    if 0.0 < probability < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < probability < 1.0 else f"{100.0 * probability:.0f} %"


def pattern_text(clock: Sequence[str]) -> str:
    """``"2 and 7 o'clock"``, ``"3 o'clock and centre"``, ``"none seen"``."""
    around = [position for position in clock if position != CENTRE]
    middle = [CENTRE] * (len(clock) - len(around))
    if not clock:
        return "none seen"
    hours = [f"{_and(around)} o'clock"] if around else []
    return " and ".join(hours + middle)


def place_text(position: str) -> str:
    """``"at 2"`` or ``"centre"``."""
    return CENTRE if position == CENTRE else f"at {position}"


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


# ------------------------------------------------------------------------------------------------- numbers


def decimals_for(u95: float) -> int:
    """Decimals that leave the uncertainty one or two significant digits (JCGM 100:2008, 7.2.6); at most three."""
    if u95 <= 0.0:
        return 2
    exponent = math.floor(math.log10(u95))
    leading = u95 / 10.0**exponent
    return max(0, min(3, -exponent + (1 if leading < 2.95 else 0)))


def quantity_text(quantity: Mapping[str, float], unit: str, *, inch: bool = False) -> str:
    """A measured number with its 95 % interval: ``"21.4 ± 0.3 mm"``, with inches ``"21.4 ± 0.3 mm (0.843 in)"``."""
    places = decimals_for(quantity["u95"])
    value, u95 = f"{quantity['value']:.{places}f}", f"{quantity['u95']:.{places}f}"
    if unit == "°":
        return f"{value}° ± {u95}°"
    behind = f" ({quantity['value'] / MM_PER_INCH:.3f} in)" if inch and unit == "mm" else ""
    return f"{value} ± {u95} {unit}{behind}"


def budget_text(rows: Any, *, output: str | None = None, shown: int = 6) -> str:
    """What each uncertainty comes from, largest first.

    Parameters
    ----------
    rows : iterable of vision.reading.BudgetLine
    output : str, optional
        Only this quantity, as ``"reach"``.
    shown : int
        So many inputs for each quantity; the rest is added up in one line.
    """
    by_output: dict[str, list[Any]] = {}
    for row in rows:
        if output is None or row.output == output:
            by_output.setdefault(row.output, []).append(row)
    lines = ["where the uncertainty comes from (standard uncertainties, k = 1)"]
    for name, entries in by_output.items():
        entries.sort(key=lambda row: -row.contribution)
        unit = entries[0].unit
        total = math.sqrt(sum(row.contribution**2 for row in entries))
        lines.append(f"  {name}: {total:.3g} {unit}")
        for row in entries[:shown]:
            lines.append(f"    {row.source:<26} {row.contribution:8.3g} {unit}  from {row.u:.3g} {row.input_unit}")
        rest = math.sqrt(sum(row.contribution**2 for row in entries[shown:]))
        if rest > 0.0:
            lines.append(f"    {'all others together':<26} {rest:8.3g} {unit}")
    return "\n".join(lines)
