"""Search the list by words and by pattern, as a person asks: ``two holes, 3 and 9, open bottom``."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from shop.parts import Part, number_from_text
from shop.threads import THREADS, find_thread
from vision.vocabulary import CENTRE, FAMILIES, HALF_HOUR_DEG, angle_from_clock, clock_from_angle, difference_deg

NEAR_MM: Final = 0.5  # a length asked for without "over" or "to" may be this far off
_COUNTS: Final = {"one": 1, "a": 1, "single": 1, "two": 2, "three": 3, "four": 4}
_LENGTHS: Final = {
    "reach": "reach_mm",
    "hub": "hub_diameter_mm",
    "tail": "tail_width_mm",
    "thickness": "thickness_mm",
    "thick": "thickness_mm",
}
_SAID: Final = {
    "reach_mm": "reach",
    "hub_diameter_mm": "hub",
    "tail_width_mm": "tail width",
    "thickness_mm": "thickness",
}
_FILLERS: Final = frozenset(
    ("and", "with", "at", "the", "a", "an", "in", "of", "for", "on", "by", "hole", "holes", "screw", "screws", "mm")
    + ("pattern", "position", "positions", "bottom", "o'clock", "oclock", "tail", "hub", "cam", "cams", "part", "parts")
    + ("hand", "family", "one", "two", "three", "four", "both")
)
_NUMBER: Final = r"\d+(?:[.,]\d+)?"


@dataclass(frozen=True, slots=True)
class SearchResult:
    """The parts found, in the list's order, and how the question was understood."""

    parts: tuple[Part, ...]
    understood: tuple[str, ...]


Test = Callable[[Part], bool]


def search(parts: Iterable[Part], text: str) -> SearchResult:
    """Find the parts to which all that is asked applies.

    Understood are: families, ``open``/``closed`` bottom, ``left``/``right``, a number of holes, clock positions
    (``3 and 9``, ``2:30``, ``centre``), lengths (``reach 21.4``, ``reach 20 to 22``, ``hub over 19``), threads
    (``#6-32``), ``in stock`` and ``bin C4``. What is left over must stand in number, bin or note.
    """
    tests, understood = _understand(text)
    return SearchResult(tuple(part for part in parts if all(test(part) for test in tests)), tuple(understood))


def _understand(text: str) -> tuple[list[Test], list[str]]:
    rest = " " + re.sub(r"\s+", " ", text.casefold()) + " "
    tests: list[Test] = []
    said: list[str] = []
    for take in (_quoted, _threads, _stock, _bins, _lengths, _hole_count, _bottom, _hand, _families, _clock, _words):
        rest = take(rest, tests, said)
    return tests, said


def _quoted(rest: str, tests: list[Test], said: list[str]) -> str:
    for phrase in re.findall(r'"([^"]+)"', rest):
        tests.append(_holds(phrase.strip()))
        said.append(f'text "{phrase.strip()}"')
    return re.sub(r'"[^"]*"', " ", rest)


def _threads(rest: str, tests: list[Test], said: list[str]) -> str:
    for match in re.findall(r"#\d{1,2}-\d{2}|(?<![\w#])\d{1,2}-\d{2}(?![\w-])|\bm[2-4](?:[.,]5)?\b", rest):
        try:
            name = find_thread(match).name
        except ValueError:
            continue
        tests.append(lambda part, name=name: part.screw == name)  # type: ignore[misc]
        said.append(f"screw {name}")
        rest = rest.replace(match, " ")
    for match in re.findall(r"#\d{1,2}\b", rest):
        sizes = {thread.size for thread in THREADS.values()}
        if match in sizes:
            tests.append(lambda part, size=match: part.screw is not None and THREADS[part.screw].size == size)  # type: ignore[misc]
            said.append(f"screw {match}")
            rest = rest.replace(match, " ")
    return rest


def _stock(rest: str, tests: list[Test], said: list[str]) -> str:
    if re.search(r"\bin stock\b", rest):
        tests.append(lambda part: bool(part.stock))
        said.append("in stock")
    return re.sub(r"\bin stock\b", " ", rest)


def _bins(rest: str, tests: list[Test], said: list[str]) -> str:
    for name in re.findall(r"\bbin ([\w-]+)", rest):
        tests.append(lambda part, name=name: part.bin.casefold() == name)  # type: ignore[misc]
        said.append(f"bin {name}")
    return re.sub(r"\bbin [\w-]+", " ", rest)


def _lengths(rest: str, tests: list[Test], said: list[str]) -> str:
    pattern = re.compile(
        rf"\b(?P<what>reach|hub|tail|thickness|thick)(?: diameter| width| ø)?(?: of)? ?"
        rf"(?:(?P<over>over|above|from|at least|>=?)|(?P<under>under|below|up to|at most|<=?))? ?"
        rf"(?P<low>{_NUMBER})(?: ?mm)?(?: ?(?:-|–|to|\.\.) ?(?P<high>{_NUMBER}))?(?: ?mm)?(?![\d:])"
    )
    for match in pattern.finditer(rest):
        column = _LENGTHS[match["what"]]
        low = number_from_text(match["low"])
        if match["high"]:
            bounds = low, number_from_text(match["high"])
            words = f"{low:g} to {bounds[1]:g} mm"
        elif match["over"]:
            bounds, words = (low, float("inf")), f"from {low:g} mm"
        elif match["under"]:
            bounds, words = (0.0, low), f"up to {low:g} mm"
        else:
            bounds, words = (low - NEAR_MM, low + NEAR_MM), f"{low:g} ± {NEAR_MM:g} mm"
        tests.append(_between(column, *bounds))
        said.append(f"{_SAID[column]} {words}")
    return pattern.sub(" ", rest)


def _between(column: str, low: float, high: float) -> Test:
    def test(part: Part) -> bool:
        value = getattr(part, column)
        return value is not None and low - 1e-9 <= value <= high + 1e-9

    return test


def _hole_count(rest: str, tests: list[Test], said: list[str]) -> str:
    pattern = r"\b([1-4]|one|two|three|four|single)(?:[ -]screw)?[ -](?:holes?|screws?)\b"
    for word in re.findall(pattern, rest):
        count = int(word) if word.isdecimal() else _COUNTS[word]
        tests.append(lambda part, count=count: len(part.holes) == count)  # type: ignore[misc]
        said.append(f"{count} hole{'' if count == 1 else 's'}")
    return re.sub(pattern, " ", rest)


def _bottom(rest: str, tests: list[Test], said: list[str]) -> str:
    for word in ("open", "closed"):
        if re.search(rf"\b{word}\b", rest):
            tests.append(lambda part, word=word: part.bottom == word)  # type: ignore[misc]
            said.append(f"{word} bottom")
            rest = re.sub(rf"\b{word}\b", " ", rest)
    return rest


def _hand(rest: str, tests: list[Test], said: list[str]) -> str:
    for word in ("left", "right"):
        if re.search(rf"\b{word}\b", rest):
            tests.append(lambda part, word=word: part.hand == word)  # type: ignore[misc]
            said.append(f"hand {word}")
            rest = re.sub(rf"\b{word}\b", " ", rest)
    return rest


def _families(rest: str, tests: list[Test], said: list[str]) -> str:
    wanted = [family for family in FAMILIES if re.search(rf"\b{family}s?\b", rest)]
    if wanted:
        tests.append(lambda part: part.family in wanted)
        said.append(" or ".join(wanted))
        rest = re.sub(rf"\b({'|'.join(wanted)})s?\b", " ", rest)
    return rest


def _clock(rest: str, tests: list[Test], said: list[str]) -> str:
    positions: list[str] = []
    if re.search(r"\bcent(re|er)\b", rest):
        positions.append(CENTRE)
        rest = re.sub(r"\bcent(re|er)\b", " ", rest)
    pattern = r"(?<![\w.,:#-])(1[0-2]|[1-9])(:30|:00)?(?: ?o'clock)?(?=[ ,;]|$)(?! ?mm\b)"
    rest = re.sub(r"(?<![\w-])(\d{1,2}) ?[/&-] ?(?=\d{1,2}\b)", r"\1 ", rest)
    for match in re.finditer(pattern, rest):
        positions.append(match[1] + (":30" if match[2] == ":30" else ""))
    if positions:
        tests.append(lambda part: _has_holes(part, positions))
        said.append(f"holes at {' and '.join(positions)}")
    return re.sub(pattern, " ", rest)


def _has_holes(part: Part, positions: list[str]) -> bool:
    """Whether each position has a hole of its own, to within half an hour."""
    free = list(part.holes)
    for position in positions:
        for hole in free:
            if position == CENTRE or hole.position == CENTRE:
                near = position == hole.position
            else:
                assert hole.angle_deg is not None
                near = abs(difference_deg(hole.angle_deg, angle_from_clock(position))) <= HALF_HOUR_DEG + 1e-9
            if near:
                free.remove(hole)
                break
        else:
            return False
    return True


def _words(rest: str, tests: list[Test], said: list[str]) -> str:
    for word in re.findall(r"[^\s,;]+", rest):
        bare = word.strip(".,;:!?()'&/")
        if bare and bare not in _FILLERS:
            tests.append(_holds(bare))
            said.append(f'text "{bare}"')
    return ""


def _holds(text: str) -> Test:
    return lambda part: any(text in cell.casefold() for cell in (part.part, part.bin, part.note, part.screw or ""))


def clock_of(part: Part) -> str:
    """The pattern in words: ``"2 and 7"``, ``"3 and centre"``."""
    return " and ".join(
        CENTRE if hole.position == CENTRE or hole.angle_deg is None else clock_from_angle(hole.angle_deg)
        for hole in part.holes
    )
