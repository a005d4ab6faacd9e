"""The shop's own parts: one record a part, read from and written to CSV as spreadsheets write it."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

from shop.threads import find_thread
from vision.vocabulary import (
    BOTTOMS,
    CENTRE,
    CENTRE_HOLE_RADIUS_PER_DIAMETER,
    FAMILIES,
    HANDED_FAMILIES,
    HANDS,
    clock_from_angle,
    wrap_deg,
    xy_from_angle,
)

MOST_HOLES: Final = 4
# Wider than any cam (15-32 mm over all), narrow enough to catch inches, metres and slipped decimal points.
REACH_MM: Final = (5.0, 80.0)
HUB_MM: Final = (5.0, 60.0)
TAIL_WIDTH_MM: Final = (1.0, 60.0)
THICKNESS_MM: Final = (0.3, 10.0)
HOLE_DIAMETER_MM: Final = (1.0, 10.0)
HOLE_RADIUS_MM: Final = (0.0, 30.0)
COUNTERSINK_MM: Final = (1.5, 20.0)
MOST_STOCK: Final = 1_000_000
LONGEST_TEXT: Final = {"part": 60, "bin": 60, "note": 1000}
HOLES_FORM: Final = (
    "angle@radius:diameter, ';' between holes, centre:diameter for one in the centre, as 61@4.55:3.3; centre:3.3"
)


@dataclass(frozen=True, slots=True)
class PartHole:
    """One screw hole: clock angle in degrees (None in the centre), radius and diameter in mm, seen from the screw side.

    `countersink_mm` is the outer diameter of its countersink, None for a plain hole or one of which it is not known.
    """

    angle_deg: float | None
    radius_mm: float
    diameter_mm: float
    countersink_mm: float | None = None

    @property
    def xy_mm(self) -> tuple[float, float]:
        """Centre, x to 3 o'clock and y to 12 o'clock."""
        return (0.0, 0.0) if self.angle_deg is None else xy_from_angle(self.angle_deg, self.radius_mm)

    @property
    def position(self) -> str:
        """Clock position to the nearest half hour, or ``"centre"``."""
        if self.angle_deg is None or self.radius_mm < CENTRE_HOLE_RADIUS_PER_DIAMETER * self.diameter_mm:
            return CENTRE
        return clock_from_angle(self.angle_deg)


@dataclass(frozen=True, slots=True)
class Part:
    """One row of the parts list. Lengths in mm; `screw` is a thread as the trade writes it."""

    part: str
    family: str
    bottom: str
    hand: str
    reach_mm: float
    holes: tuple[PartHole, ...]
    hub_diameter_mm: float | None = None
    tail_width_mm: float | None = None
    thickness_mm: float | None = None
    screw: str | None = None
    bin: str = ""
    stock: int | None = None
    note: str = ""

    @property
    def clock(self) -> tuple[str, ...]:
        """Clock positions of the holes, in the order they stand."""
        return tuple(hole.position for hole in self.holes)


@dataclass(frozen=True, slots=True)
class Problem:
    """One bad cell: where it stands and what is allowed. `line` counts from 1; 0 without a file."""

    line: int
    column: str
    text: str

    def __str__(self) -> str:
        place = f"line {self.line}, " if self.line else ""
        return f"{place}column {self.column}: {self.text}" if self.column else f"{place}{self.text}"


@dataclass(frozen=True, slots=True)
class PartsFile:
    """What a CSV file held. With problems and without `skip_bad` there are no parts."""

    parts: tuple[Part, ...]
    problems: tuple[Problem, ...]


class PartsError(ValueError):
    """A value no part may have; `problems` lists every one."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(str(problem) for problem in self.problems))


# ---------------------------------------------------------------------------------------------------- cells


def number_from_text(text: str) -> float:
    """A number as a person or a spreadsheet writes it: ``"21.4"``, ``"21,4"``, ``"21.4 mm"``, ``"61°"``.

    Raises
    ------
    ValueError
        If it is none, or could be read in two ways (``"1,234.5"``).
    """
    cleaned = re.sub(r"\s*(mm|°|deg)$", "", text.strip().replace("\u00a0", " "), flags=re.IGNORECASE)
    if "," in cleaned and "." not in cleaned and cleaned.count(",") == 1:
        cleaned = cleaned.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", cleaned):
        raise ValueError(f"{text.strip()!r} is no number")
    return float(cleaned)


def _length(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        allowed = f"allowed: {low:g} to {high:g} mm"
        try:
            value = number_from_text(text)
        except ValueError as error:
            raise ValueError(f"{error}; {allowed}") from error
        if not low <= value <= high:
            raise ValueError(f"{text.strip()} is out of range; {allowed}")
        return value

    return read


def _word(words: tuple[str, ...]) -> Callable[[str], str]:
    def read(text: str) -> str:
        word = text.strip().lower()
        if word not in words:
            raise ValueError(f"{text.strip()!r} is not allowed; allowed: {', '.join(words)}")
        return word

    return read


def _text(column: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        stripped = text.strip()
        if len(stripped) > LONGEST_TEXT[column]:
            raise ValueError(f"has {len(stripped)} characters; allowed: up to {LONGEST_TEXT[column]}")
        if any(ord(letter) < 32 for letter in stripped if letter not in "\n\t"):
            raise ValueError("holds control characters; allowed: plain text")
        return stripped

    return read


def _stock(text: str) -> int:
    allowed = f"allowed: a whole number, 0 to {MOST_STOCK}"
    try:
        value = number_from_text(text)
    except ValueError as error:
        raise ValueError(f"{error}; {allowed}") from error
    if value != int(value) or not 0 <= value <= MOST_STOCK:
        raise ValueError(f"{text.strip()} is not allowed; {allowed}")
    return int(value)


_HOLE = re.compile(
    r"(?:(?P<centre>cent(?:re|er))|(?P<angle>[^@:/;]+)@(?P<radius>[^@:/;]+)):(?P<diameter>[^@:/;]+)(?:/(?P<sink>[^@:/;]+))?",
    re.IGNORECASE,
)


def split_holes(text: str) -> list[dict[str, str | None]]:
    """The pieces of a `holes` text, still as text: keys centre, angle, radius, diameter, sink.

    Raises
    ------
    ValueError
        If a hole is not in the form, or there are none or more than four.
    """
    pieces = [piece.strip() for piece in text.split(";") if piece.strip()]
    if not 1 <= len(pieces) <= MOST_HOLES:
        raise ValueError(f"{len(pieces)} holes given; allowed: 1 to {MOST_HOLES}, written {HOLES_FORM}")
    matches = []
    for piece in pieces:
        match = _HOLE.fullmatch(piece.replace(" ", ""))
        if match is None:
            raise ValueError(f"{piece!r} is no hole; write {HOLES_FORM}")
        matches.append(match.groupdict())
    return matches


def parse_holes(text: str) -> tuple[PartHole, ...]:
    """Holes as the list writes them: ``"61@4.55:3.3; 209@4.55:3.3"``, ``"centre:3.3"``.

    A countersink's outer diameter may follow after a slash: ``"61@4.55:3.3/6.2"``.

    Raises
    ------
    ValueError
        With the hole that is wrong and what is allowed.
    """
    holes = []
    for i, piece in enumerate(split_holes(text), start=1):
        try:
            diameter = _length(*HOLE_DIAMETER_MM)(piece["diameter"] or "")
            sink = None if piece["sink"] is None else _length(*COUNTERSINK_MM)(piece["sink"])
            if sink is not None and sink <= diameter:
                raise ValueError(f"countersink {sink:g} mm is no wider than its hole, {diameter:g} mm")
            if piece["centre"]:
                holes.append(PartHole(None, 0.0, diameter, sink))
                continue
            angle = number_from_text(piece["angle"] or "")
            if not 0.0 <= angle <= 360.0:
                raise ValueError(f"angle {angle:g} is out of range; allowed: 0 to 360 degrees")
            holes.append(PartHole(wrap_deg(angle), _length(*HOLE_RADIUS_MM)(piece["radius"] or ""), diameter, sink))
        except ValueError as error:
            raise ValueError(f"hole {i}: {error}") from error
    for i, hole in enumerate(holes):
        for j, other in enumerate(holes[:i]):
            if math.dist(hole.xy_mm, other.xy_mm) < 0.5 * (hole.diameter_mm + other.diameter_mm):
                raise ValueError(f"holes {j + 1} and {i + 1} overlap")
    return tuple(holes)


def _number_text(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def format_holes(holes: Iterable[PartHole]) -> str:
    """Holes as the list writes them; `parse_holes` reads the same holes back."""
    texts = []
    for hole in holes:
        place = CENTRE if hole.angle_deg is None else f"{_number_text(hole.angle_deg)}@{_number_text(hole.radius_mm)}"
        sink = "" if hole.countersink_mm is None else f"/{_number_text(hole.countersink_mm)}"
        texts.append(f"{place}:{_number_text(hole.diameter_mm)}{sink}")
    return "; ".join(texts)


# ---------------------------------------------------------------------------------------------------- rows

_READ: Final[dict[str, Callable[[str], Any]]] = {
    "part": _text("part"),
    "family": _word(FAMILIES),
    "bottom": _word(BOTTOMS),
    "hand": _word(HANDS),
    "reach_mm": _length(*REACH_MM),
    "hub_diameter_mm": _length(*HUB_MM),
    "tail_width_mm": _length(*TAIL_WIDTH_MM),
    "thickness_mm": _length(*THICKNESS_MM),
    "holes": parse_holes,
    "screw": lambda text: find_thread(text).name,
    "bin": _text("bin"),
    "stock": _stock,
    "note": _text("note"),
}
COLUMNS: Final = tuple(_READ)
NEEDED: Final = ("part", "family", "bottom", "reach_mm", "holes")  # hand too, for the families that have one


def part_from_texts(cells: Mapping[str, str], line: int = 0) -> Part:
    """One part from the texts of its cells, every one checked; a blank cell is a value not given.

    Raises
    ------
    PartsError
        Naming every bad cell and what is allowed.
    """
    problems: list[Problem] = []
    values: dict[str, Any] = {}
    for column, read in _READ.items():
        text = (cells.get(column) or "").strip()
        if not text:
            if column in NEEDED:
                problems.append(Problem(line, column, "is empty; a value is needed"))
            continue
        try:
            values[column] = read(text)
        except ValueError as error:
            problems.append(Problem(line, column, str(error)))
    family, hand = values.get("family"), values.get("hand")
    if family in HANDED_FAMILIES and "hand" not in {p.column for p in problems} and hand not in ("left", "right"):
        problems.append(Problem(line, "hand", f"a {family} has a hand; allowed: left, right"))
    if family is not None and family not in HANDED_FAMILIES and hand in ("left", "right"):
        problems.append(Problem(line, "hand", f"a {family} has no hand; allowed: none"))
    hub, width = values.get("hub_diameter_mm"), values.get("tail_width_mm")
    if hub is not None and "reach_mm" in values and values["reach_mm"] < hub / 2:
        problems.append(
            Problem(line, "reach_mm", f"a reach of {values['reach_mm']:g} mm ends inside the hub, Ø {hub:g} mm")
        )
    if width is not None and "reach_mm" in values and width > 2 * values["reach_mm"]:
        problems.append(Problem(line, "tail_width_mm", f"{width:g} mm is wider than twice the reach"))
    if problems:
        raise PartsError(problems)
    return Part(**{"hand": "none", **values})


def part_to_texts(part: Part) -> dict[str, str]:
    """The texts of a part's cells, as `part_from_texts` reads them."""

    def text(value: Any) -> str:
        return "" if value is None else _number_text(value) if isinstance(value, float) else str(value)

    return {
        column: format_holes(part.holes) if column == "holes" else text(getattr(part, column)) for column in COLUMNS
    }


def check_part(part: Part) -> Part:
    """The same part with its words and thread in the list's form, or a `PartsError` that names every bad value."""
    return part_from_texts(part_to_texts(part))


def edit_part(part: Part, changes: Mapping[str, str]) -> Part:
    """A part with some cells written anew, checked as a row of a file is.

    Raises
    ------
    PartsError
        Naming every bad cell, or a column that does not exist.
    """
    unknown = [
        Problem(0, name, f"no such column; allowed: {', '.join(COLUMNS)}") for name in changes if name not in COLUMNS
    ]
    if unknown:
        raise PartsError(unknown)
    return part_from_texts({**part_to_texts(part), **changes})


def part_from_reading(reading: Mapping[str, Any], part: str, changes: Mapping[str, str] | None = None) -> Part:
    """A new part of the list from a reading (``camdial.reading/1``), with the cells the user corrects.

    Parameters
    ----------
    reading : mapping
        The JSON object of a reading.
    part : str
        The shop's own number for it.
    changes : mapping of str to str, optional
        Cells as a row writes them: what the calliper says goes before what the photo says.

    Raises
    ------
    PartsError
        Naming every value that is missing or out of range.
    """

    def value(record: Any, digits: int) -> str:
        return "" if record is None else f"{record['value']:.{digits}f}"

    holes = []
    for hole in (reading.get("pattern") or {}).get("holes", ()):
        if (hole.get("radius") is None and hole.get("position") != CENTRE) or hole.get("diameter") is None:
            continue
        sink = f"/{value(hole['countersink_diameter'], 2)}" if hole.get("countersink_diameter") else ""
        place = CENTRE if hole.get("angle") is None else f"{value(hole['angle'], 1)}@{value(hole['radius'], 2)}"
        holes.append(f"{place}:{value(hole['diameter'], 2)}{sink}")
    dimensions = reading.get("dimensions") or {}
    cells = {
        "part": part,
        "family": (reading.get("family") or {}).get("label") or "",
        "bottom": (reading.get("bottom") or {}).get("label") or "",
        "hand": (reading.get("hand") or {}).get("label") or "",
        "reach_mm": value(dimensions.get("reach"), 2),
        "hub_diameter_mm": value(dimensions.get("hub_diameter"), 2),
        "tail_width_mm": value(dimensions.get("tail_width"), 2),
        "holes": "; ".join(holes),
    }
    if cells["family"] not in HANDED_FAMILIES:
        cells["hand"] = "none"
    return part_from_texts({**cells, **(changes or {})})


# ---------------------------------------------------------------------------------------------------- files

_FORMULA_START: Final = ("=", "+", "-", "@", "'")  # a spreadsheet would run such a text as a formula


def _decode(raw: bytes) -> str | Problem:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Problem(1, "", "the file is UTF-16; save it as CSV UTF-8")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        return Problem(line, "", "a letter that is not UTF-8; save the file as CSV UTF-8")


def _read_text(source: str | Path | bytes | IO[bytes] | IO[str]) -> str | Problem:
    if isinstance(source, (str, Path)):
        return _decode(Path(source).read_bytes())
    raw = source if isinstance(source, bytes) else source.read()
    return raw.removeprefix("\ufeff") if isinstance(raw, str) else _decode(raw)


def _delimiter(header: str) -> str:
    return max(";,\t", key=header.count)


def _header(cells: list[str], line: int) -> tuple[list[str], list[Problem]]:
    names = [re.sub(r"[\s-]+", "_", cell.strip().lower()) for cell in cells]
    problems = [
        Problem(line, name, f"no such column; allowed: {', '.join(COLUMNS)}")
        for name in names
        if name and name not in COLUMNS
    ]
    problems += [Problem(line, name, "stands twice in the header") for name in COLUMNS if names.count(name) > 1]
    problems += [Problem(line, name, "is missing from the header") for name in NEEDED if name not in names]
    return names, problems


def read_csv(source: str | Path | bytes | IO[bytes] | IO[str], *, skip_bad: bool = False) -> PartsFile:
    """Read a parts list from CSV: UTF-8 with or without a mark, commas, semicolons or tabs, decimal points or commas.

    Parameters
    ----------
    source : path, bytes, or open file
        One header row, one row a part.
    skip_bad : bool
        Take the good rows although others are bad; a bad header still takes none.

    Returns
    -------
    PartsFile
        All parts, or the problems; with `skip_bad` the good parts and the problems.

    Raises
    ------
    OSError
        If a path cannot be read.
    """
    text = _read_text(source)
    if isinstance(text, Problem):
        return PartsFile((), (text,))
    lines = text.splitlines(keepends=True)
    skipped = 0
    separator = None
    if lines and re.fullmatch(r"sep=.\s*", lines[0], re.IGNORECASE):
        separator, skipped = lines[0][4], 1
    if "\0" in text:
        return PartsFile((), (Problem(text[: text.index("\0")].count("\n") + 1, "", "the file is no text"),))
    body = "".join(lines[skipped:])
    if not body.strip():
        return PartsFile((), (_empty(),))
    # Strict, or a quote never closed would swallow the rest of the file without a word.
    rows = csv.reader(io.StringIO(body, newline=""), delimiter=separator or _delimiter(lines[skipped]), strict=True)
    return _read_rows(rows, skipped, skip_bad)


def _empty() -> Problem:
    return Problem(1, "", f"the file is empty; the first line names the columns: {','.join(COLUMNS)}")


def _read_rows(rows: Any, skipped: int, skip_bad: bool) -> PartsFile:
    parts: list[Part] = []
    problems: list[Problem] = []
    names: list[str] = []
    first_line: dict[str, int] = {}
    last = 0
    try:
        for cells in rows:
            line, last = last + 1 + skipped, rows.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if not names:
                names, wrong = _header(cells, line)
                if wrong:
                    return PartsFile((), tuple(wrong))
                continue
            if any(cell.strip() for cell in cells[len(names) :]):
                problems.append(Problem(line, "", f"has {len(cells)} cells; the header has {len(names)}"))
                continue
            try:
                part = part_from_texts({n: _unguard(c) for n, c in zip(names, cells, strict=False) if n}, line)
            except PartsError as error:
                problems.extend(error.problems)
                continue
            if part.part in first_line:
                problems.append(Problem(line, "part", f"{part.part!r} stands on line {first_line[part.part]} already"))
                continue
            first_line[part.part] = line
            parts.append(part)
    except csv.Error as error:
        problems.append(Problem(last + 1 + skipped, "", f"no CSV: {error}"))
    if not names and not problems:
        problems.append(_empty())  # separators only
    return PartsFile(tuple(parts) if skip_bad or not problems else (), tuple(problems))


def _unguard(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_FORMULA_START) else cell


def write_csv(parts: Iterable[Part], target: IO[str]) -> None:
    """Write parts as CSV with commas, decimal points and CRLF (RFC 4180); `read_csv` reads the same parts back.

    A text that a spreadsheet would run as a formula gets an apostrophe before it, which `read_csv` takes away again.
    Open `target` with ``newline=""``.
    """
    writer = csv.writer(target)
    writer.writerow(COLUMNS)
    for part in parts:
        cells = part_to_texts(part)
        for column in LONGEST_TEXT:
            if cells[column].startswith(_FORMULA_START):
                cells[column] = "'" + cells[column]
        writer.writerow(cells[column] for column in COLUMNS)
