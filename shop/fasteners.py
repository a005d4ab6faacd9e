"""Screw heads and twist drills as data with sources: what a countersunk cam screw of a given name looks like.

Heads are kept with both limits, because the advice on drilling works from the end that is safe. A figure written from
memory stands in its row's `memory`; tests never check against those.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from shop.threads import MM_PER_INCH


@dataclass(frozen=True, slots=True)
class HeadKind:
    """One standard's countersunk head. The included angle of the cone lies between the two limits, degrees."""

    id: str
    name: str
    angle_low_deg: float
    angle_high_deg: float
    source: str
    memory: tuple[str, ...] = ()  # names of the fields that are from memory


@dataclass(frozen=True, slots=True)
class Slot:
    """Limits of a head's own slot, mm."""

    width_min_mm: float
    width_max_mm: float
    depth_min_mm: float
    depth_max_mm: float


@dataclass(frozen=True, slots=True)
class Head:
    """One size of one kind of head, mm.

    `edge_*` are the limits of the diameter a calliper finds across the top; `height_max_mm` is the tabulated height,
    which belongs to the theoretical sharp cone and so is more than the cone under the real edge reaches. `gage_mm` and
    `protrusion_*` say how far the head stands out of a sharp-edged gage of that diameter.
    """

    kind: str
    size: str
    edge_min_mm: float
    edge_max_mm: float
    height_max_mm: float
    height_min_mm: float | None = None
    sharp_max_mm: float | None = None
    slot: Slot | None = None
    gage_mm: float | None = None
    protrusion_min_mm: float | None = None
    protrusion_max_mm: float | None = None
    undercut_to_length_mm: float | None = None  # screws up to this length have the undercut head
    memory: tuple[str, ...] = ()


HEAD_KINDS: Final = {
    kind.id: kind
    for kind in (
        HeadKind(
            "slotted-82",
            "flat countersunk 82°, inch",
            80.0,
            82.0,
            "ASME B18.6.3-2013, as given by Machinery's Handbook, 31st ed., p. 1777",
        ),
        HeadKind(
            "undercut-82",
            "undercut flat countersunk 82°, inch (short screws)",
            80.0,
            82.0,
            "ASME B18.6.3, undercut heads, as given by a fastener trade table",
        ),
        HeadKind(
            "flat-100",
            "flat countersunk 100°, inch",
            99.0,
            101.0,
            "ASME B18.6.3, 100° heads, as given by fastener trade tables",
            memory=("angle_low_deg", "angle_high_deg"),
        ),
        HeadKind(
            "socket-82",
            "hexagon socket flat 82°, inch",
            80.0,
            82.0,
            "ASME B18.3, as given by a trade table",
            memory=("angle_low_deg",),
        ),
        HeadKind(
            "iso-90",
            "countersunk 90°, ISO 2009 slotted or ISO 7046 cross recess",
            90.0,
            92.0,
            "ISO 7046-2 and ISO 7721, as given by trade tables",
            memory=("angle_high_deg",),
        ),
        HeadKind(
            "din-90",
            "countersunk 90°, older DIN 963 slotted or DIN 965 cross recess",
            90.0,
            92.0,
            "DIN 965, as given by a trade table",
            memory=("angle_high_deg",),
        ),
        HeadKind(
            "socket-90",
            "hexagon socket countersunk 90°, ISO 10642",
            90.0,
            92.0,
            "ISO 10642, as given by trade tables",
            memory=("angle_high_deg",),
        ),
    )
}


def _mm(inches: float) -> float:
    return round(inches * MM_PER_INCH, 4)


# ASME B18.6.3-2013, slotted flat countersunk, inch; Machinery's Handbook, 31st ed., p. 1777, table 3.
# size: A max, A min, H ref, slot J max, J min, slot depth T max, T min, gage G, protrusion F max, F min
_SLOTTED_82: Final = {
    2: (0.162, 0.144, 0.051, 0.031, 0.023, 0.023, 0.015, 0.124, 0.029, 0.017),
    3: (0.187, 0.167, 0.059, 0.035, 0.027, 0.027, 0.017, 0.148, 0.031, 0.018),
    4: (0.212, 0.191, 0.067, 0.039, 0.031, 0.030, 0.020, 0.172, 0.032, 0.019),
    5: (0.237, 0.215, 0.075, 0.043, 0.035, 0.034, 0.022, 0.196, 0.034, 0.020),
    6: (0.262, 0.238, 0.083, 0.048, 0.039, 0.038, 0.024, 0.220, 0.036, 0.021),
    8: (0.312, 0.285, 0.100, 0.054, 0.045, 0.045, 0.029, 0.267, 0.039, 0.023),
    10: (0.362, 0.333, 0.116, 0.060, 0.050, 0.053, 0.034, 0.313, 0.042, 0.025),
}
# Undercut heads: H max, H min, longest undercut screw, inch; trade table. The edge is that of the full head. The table
# has no #5: its heights are the middle between #4 and #6, and its row says that they are not from a table.
_UNDERCUT_82: Final = {
    4: (0.047, 0.038, 3 / 16),
    5: (0.053, 0.043, 3 / 16),
    6: (0.059, 0.048, 3 / 16),
    8: (0.070, 0.058, 1 / 4),
    10: (0.081, 0.068, 5 / 16),
}
_UNDERCUT_TO_LENGTH: Final = {
    2: 1 / 8,
    3: 1 / 8,
    4: 3 / 16,
    5: 3 / 16,
    6: 3 / 16,
    8: 1 / 4,
    10: 5 / 16,
}  # inch, same table
_FLAT_100: Final = {  # A max, A min, H, inch; trade tables
    4: (0.212, 0.188, 0.049),
    6: (0.262, 0.235, 0.060),
    8: (0.312, 0.282, 0.072),
    10: (0.362, 0.329, 0.083),
}
_SOCKET_82: Final = {  # ASME B18.3, inch: A theoretical sharp max, A min, H ref; trade table
    2: (0.197, 0.168, 0.064),
    4: (0.255, 0.218, 0.083),
    5: (0.281, 0.240, 0.090),
    6: (0.307, 0.263, 0.097),
    8: (0.359, 0.311, 0.112),
    10: (0.411, 0.359, 0.127),
}
# ISO 7046-2 actual dk max, min, k max; ISO 7721 theoretical sharp dk max; mm, trade tables
_ISO_90: Final = {
    "M2.5": (4.7, 4.4, 1.5, 5.5),
    "M3": (5.5, 5.2, 1.65, 6.3),
    "M3.5": (7.3, 6.9, 2.35, 8.2),
    "M4": (8.4, 8.0, 2.7, 9.4),
}
_DIN_90: Final = {  # dk max, dk min, k max, mm; trade table
    "M2.5": (4.7, 4.4, 1.5),
    "M3": (5.6, 5.3, 1.65),
    "M3.5": (6.5, 6.14, 1.93),
    "M4": (7.5, 7.14, 2.2),
}
# Slot: nominal width n, depth t max, t min, mm. The width's limits are not in the table used: n + 0.06 to n + 0.20
# (0.8 and under) or n + 0.31 are from memory, so both widths are in the rows' `memory`.
_DIN_SLOT: Final = {"M2.5": (0.6, 0.7, 0.5), "M3": (0.8, 0.85, 0.6), "M4": (1.0, 1.1, 0.8)}  # trade table of F heads
_ISO_SLOT: Final = {
    "M2.5": (0.6, 0.75, 0.5),
    "M3": (0.8, 0.85, 0.6),
    "M3.5": (1.0, 1.2, 0.9),
    "M4": (1.2, 1.3, 1.0),
}  # memory
_SOCKET_90: Final = {"M3": (6.72, 5.54, 1.86), "M4": (8.96, 7.53, 2.48)}  # sharp max, dk min from memory, k max


def _metric_slot(row: tuple[float, float, float] | None) -> Slot | None:
    if row is None:
        return None
    width, depth_max, depth_min = row
    return Slot(round(width + 0.06, 3), round(width + (0.2 if width < 1.0 else 0.31), 3), depth_min, depth_max)


def _all_heads() -> dict[tuple[str, str], Head]:
    heads: list[Head] = []
    for n, (a_max, a_min, h, j_max, j_min, t_max, t_min, gage, f_max, f_min) in _SLOTTED_82.items():
        heads.append(
            Head(
                "slotted-82",
                f"#{n}",
                _mm(a_min),
                _mm(a_max),
                _mm(h),
                slot=Slot(_mm(j_min), _mm(j_max), _mm(t_min), _mm(t_max)),
                gage_mm=_mm(gage),
                protrusion_min_mm=_mm(f_min),
                protrusion_max_mm=_mm(f_max),
                undercut_to_length_mm=_mm(_UNDERCUT_TO_LENGTH[n]),
            )
        )
    for n, (h_max, h_min, length) in _UNDERCUT_82.items():
        a_max, a_min = _SLOTTED_82[n][:2]
        heads.append(
            Head(
                "undercut-82",
                f"#{n}",
                _mm(a_min),
                _mm(a_max),
                _mm(h_max),
                height_min_mm=_mm(h_min),
                undercut_to_length_mm=_mm(length),
                memory=("height_min_mm", "height_max_mm") if n == 5 else (),
            )
        )
    for n, (a_max, a_min, h) in _FLAT_100.items():
        heads.append(Head("flat-100", f"#{n}", _mm(a_min), _mm(a_max), _mm(h)))
    for n, (sharp, a_min, h) in _SOCKET_82.items():
        heads.append(Head("socket-82", f"#{n}", _mm(a_min), _mm(sharp), _mm(h), sharp_max_mm=_mm(sharp)))
    for size, (dk_max, dk_min, k, sharp) in _ISO_90.items():
        slot = _metric_slot(_ISO_SLOT.get(size))
        heads.append(Head("iso-90", size, dk_min, dk_max, k, sharp_max_mm=sharp, slot=slot, memory=("slot",)))
    for size, (dk_max, dk_min, k) in _DIN_90.items():
        slot = _metric_slot(_DIN_SLOT.get(size))
        heads.append(
            Head("din-90", size, dk_min, dk_max, k, slot=slot, memory=("slot.width_min_mm", "slot.width_max_mm"))
        )
    for size, (sharp, dk_min, k) in _SOCKET_90.items():
        heads.append(Head("socket-90", size, dk_min, sharp, k, sharp_max_mm=sharp, memory=("edge_min_mm",)))
    return {(head.kind, head.size): head for head in heads}


HEADS: Final = _all_heads()


def heads_of(size: str, kind: str | None = None) -> tuple[Head, ...]:
    """The heads a screw of this size can have: one for a named kind, all tabulated ones when the kind is not known.

    Raises
    ------
    ValueError
        If `kind` is no head kind, or no table here has the size in that kind; the message says what there is.
    """
    if kind is not None and kind not in HEAD_KINDS:
        raise ValueError(f"{kind!r} is no head known here; allowed: {', '.join(HEAD_KINDS)}")
    found = tuple(head for head in HEADS.values() if head.size == size and kind in (None, head.kind))
    if not found:
        having = [head.kind for head in HEADS.values() if head.size == size]
        raise ValueError(
            f"no table here has a {size} screw with head {kind}; {size} is known as: {', '.join(having) or 'none'}"
        )
    return found


@dataclass(frozen=True, slots=True)
class Drill:
    """A stock twist drill. `system` is number, fraction or metric; `memory` marks a diameter written from memory."""

    name: str
    diameter_mm: float
    system: str
    memory: bool = False


# ASME B94.11M number drills #1 to #60, inch, as given by several charts; #5 and #28 to four places from memory.
_NUMBER_DRILLS: Final = """
.2280 .2210 .2130 .2090 .2055 .2040 .2010 .1990 .1960 .1935 .1910 .1890 .1850 .1820 .1800 .1770 .1730 .1695 .1660 .1610
.1590 .1570 .1540 .1520 .1495 .1470 .1440 .1405 .1360 .1285 .1200 .1160 .1130 .1110 .1100 .1065 .1040 .1015 .0995 .0980
.0960 .0935 .0890 .0860 .0820 .0810 .0785 .0760 .0730 .0700 .0670 .0635 .0595 .0550 .0520 .0465 .0430 .0420 .0410 .0400
"""
_NUMBERS_FROM_MEMORY: Final = (5, 28)


def _fraction_name(sixty_fourths: int) -> str:
    numerator, denominator = sixty_fourths, 64
    while numerator % 2 == 0:
        numerator, denominator = numerator // 2, denominator // 2
    return f"{numerator}/{denominator} in"


def _all_drills() -> tuple[Drill, ...]:
    numbers = [
        Drill(f"#{n}", _mm(float(inches)), "number", n in _NUMBERS_FROM_MEMORY)
        for n, inches in enumerate(_NUMBER_DRILLS.split(), start=1)
    ]
    fractions = [Drill(_fraction_name(n), _mm(n / 64), "fraction") for n in range(3, 25)]
    # Metric stock steps, BS 328 as given by an encyclopedia: 1.0 to 2.95 by 0.05, from 3.0 by 0.1 mm.
    metric = [Drill(f"{n * 0.05:.4g} mm", round(n * 0.05, 2), "metric") for n in range(20, 60)]
    metric += [Drill(f"{n * 0.1:.4g} mm", round(n * 0.1, 1), "metric") for n in range(30, 91)]
    return tuple(sorted(numbers + fractions + metric, key=lambda drill: drill.diameter_mm))


DRILLS: Final = _all_drills()
DRILL_SYSTEMS: Final = ("number", "fraction", "metric")


def find_drill(text: str) -> Drill:
    """The stock drill a person wrote: ``"#18"``, ``"11/64"``, ``"4.3 mm"``, ``"4.3"``; a bare whole number is refused.

    Raises
    ------
    ValueError
        If no stock size has that name.
    """
    wanted = text.strip().lower().replace(",", ".").replace(" ", "").removesuffix('"')
    if wanted.startswith("#"):
        system, name = "number", wanted
    elif "/" in wanted:
        system, name = "fraction", f"{wanted.removesuffix('in')} in"
    else:
        bare = wanted.removesuffix("mm")
        system = "metric" if bare != wanted or "." in wanted else ""
        name = f"{bare.rstrip('0').rstrip('.') if '.' in bare else bare} mm"
    for drill in DRILLS:
        if (drill.system, drill.name) == (system, name):
            return drill
    raise ValueError(
        f"{text.strip()!r} is no stock drill here: write #1 to #60, a fraction from 3/64 to 3/8, or mm as in 4.3 mm"
    )


def smallest_above(diameter_mm: float, drills: Iterable[Drill] = DRILLS) -> dict[str, Drill]:
    """The smallest stock drill of each system that is larger than a diameter, by system."""
    found: dict[str, Drill] = {}
    for drill in sorted(drills, key=lambda one: one.diameter_mm):
        if drill.diameter_mm > diameter_mm:
            found.setdefault(drill.system, drill)
    return found
