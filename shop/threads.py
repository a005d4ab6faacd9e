"""Machine screw threads met in cams: major diameters and their clearance holes, as data with sources."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

MM_PER_INCH: Final = 25.4


@dataclass(frozen=True, slots=True)
class ClearanceHoles:
    """Smallest hole diameters, mm, that let a screw of one size through freely."""

    close_mm: float
    normal_mm: float
    loose_mm: float


@dataclass(frozen=True, slots=True)
class Thread:
    """One thread as the trade writes it. `major_mm` is the basic major diameter: the largest screw of that name."""

    name: str  # "#5-40", "M3"
    size: str  # "#5", "M3"
    series: str  # UNC, UNF or coarse
    major_mm: float
    pitch_mm: float
    clearance: ClearanceHoles | None  # None where no table of it was at hand


def numbered_major_mm(number: int) -> float:
    """Basic major diameter of a numbered inch size, mm: 0.060 in + 0.013 in a number (ASME B1.1, as given by tables).

    Raises
    ------
    ValueError
        If `number` is outside 0 to 12, the sizes that have numbers.
    """
    if not 0 <= number <= 12:
        raise ValueError(f"#{number} is no numbered screw size: #0 to #12 are")
    return (0.060 + 0.013 * number) * MM_PER_INCH


def _inch_holes(close_in: float, normal_in: float, loose_in: float) -> ClearanceHoles:
    return ClearanceHoles(*(round(hole * MM_PER_INCH, 4) for hole in (close_in, normal_in, loose_in)))


# ASME B18.2.8-1999 (R2017), smallest hole = drill, as given by Machinery's Handbook, 31st ed., table 1a of its chapter
# on clearance holes. Tap-drill charts print another, tighter pair under "close" and "free": not the same convention.
_INCH_HOLES: Final = {
    4: _inch_holes(0.120, 0.128, 0.144),
    5: _inch_holes(0.141, 0.156, 0.172),
    6: _inch_holes(0.154, 0.170, 0.185),
    8: _inch_holes(0.180, 0.196, 0.213),
}
# Threads an inch (coarse, fine): ASME B1.1, as given by trade tables.
_THREADS_AN_INCH: Final = {2: (56, 64), 3: (48, 56), 4: (40, 48), 5: (40, 44), 6: (32, 40), 8: (32, 36), 10: (24, 32)}
# ISO 273:1979 fine, medium, coarse, as given by trade tables.
_METRIC_HOLES: Final = {
    2.5: ClearanceHoles(2.7, 2.9, 3.1),
    3.0: ClearanceHoles(3.2, 3.4, 3.6),
    3.5: ClearanceHoles(3.7, 3.9, 4.2),
    4.0: ClearanceHoles(4.3, 4.5, 4.8),
}
_METRIC_PITCH_MM: Final = {2.5: 0.45, 3.0: 0.5, 3.5: 0.6, 4.0: 0.7}  # ISO coarse series, from memory


def _all_threads() -> dict[str, Thread]:
    threads: dict[str, Thread] = {}
    for number, pitches in _THREADS_AN_INCH.items():
        for series, per_inch in zip(("UNC", "UNF"), pitches, strict=True):
            name = f"#{number}-{per_inch}"
            threads[name] = Thread(
                name, f"#{number}", series, numbered_major_mm(number), MM_PER_INCH / per_inch, _INCH_HOLES.get(number)
            )
    for size, pitch in _METRIC_PITCH_MM.items():
        name = f"M{size:g}"
        threads[name] = Thread(name, name, "coarse", size, pitch, _METRIC_HOLES[size])
    return threads


THREADS: Final = _all_threads()
THREAD_FORM: Final = "#5-40, #6-32, #8-32, M3, M4 …"
# The screws that hold cams, most met first (common practice, no source): a hole's likely screws are taken from these.
CAM_SCREWS: Final = ("#5-40", "#6-32", "#8-32", "#4-40", "M3", "M4", "M3.5", "M2.5", "#3-48", "#2-56")

_INCH = re.compile(r"(?:#|no\.?|nr\.?)?\s*(\d{1,2})\s*[-x–]\s*(\d{2})(?:\s*un[cf])?", re.IGNORECASE)
_METRIC = re.compile(r"m\s*(\d(?:[.,]\d)?)(?:\s*[x×]\s*0[.,]\d{1,2})?", re.IGNORECASE)


def find_thread(text: str) -> Thread:
    """The thread a person wrote: ``"#6-32"``, ``"6-32"``, ``"M3"``, ``"M3x0.5"``, ``"m3,5"``.

    Raises
    ------
    ValueError
        If it names no thread of the table; the message says what is allowed.
    """
    stripped = text.strip()
    inch, metric = _INCH.fullmatch(stripped), _METRIC.fullmatch(stripped)
    if inch:
        name = f"#{int(inch[1])}-{int(inch[2])}"
    elif metric:
        name = f"M{float(metric[1].replace(',', '.')):g}"
    else:
        name = stripped
    if name not in THREADS:
        raise ValueError(f"{stripped!r} is no thread known here; allowed: {', '.join(THREADS)}")
    return THREADS[name]
