"""The words and the clock that code, data, page and report share. Standard library only.

The clock is seen from the screw side with the tail at 12 o'clock; angles run clockwise in degrees from the tail.
In millimetres x points to 3 o'clock and y to 12 o'clock, with the origin on the axis of the plug.
"""

from __future__ import annotations

import math
from typing import Final

FAMILIES: Final = ("finger", "taper", "paddle", "cloverleaf", "hook", "offset", "hammer", "fork")
BOTTOMS: Final = ("closed", "open")
HANDS: Final = ("none", "left", "right")
FACINGS: Final = ("screw", "plug")
HANDED_FAMILIES: Final = frozenset({"hook", "offset"})  # the asymmetric outlines; all others have hand "none"

CENTRE: Final = "centre"
HALF_HOUR_DEG: Final = 15.0
CENTRE_HOLE_RADIUS_PER_DIAMETER: Final = 0.25  # nearer the axis than this many diameters, a hole has no clock position


def wrap_deg(angle_deg: float) -> float:
    """The same direction as an angle in [0, 360)."""
    wrapped = math.fmod(angle_deg, 360.0)
    wrapped = wrapped + 360.0 if wrapped < 0.0 else wrapped
    return 0.0 if wrapped >= 360.0 else wrapped


def difference_deg(a_deg: float, b_deg: float) -> float:
    """Signed smallest turn from `b_deg` to `a_deg`, in [-180, 180)."""
    return wrap_deg(a_deg - b_deg + 180.0) - 180.0


def clock_from_angle(angle_deg: float) -> str:
    """The nearest half hour of a clock angle, as the trade says it: ``"2"``, ``"2:30"``, ``"12"``."""
    halves = round(wrap_deg(angle_deg) / HALF_HOUR_DEG) % 24
    hour = halves // 2 or 12
    return f"{hour}:30" if halves % 2 else f"{hour}"


def angle_from_clock(position: str) -> float:
    """The clock angle in degrees of a position such as ``"7"`` or ``"2:30"``.

    Raises
    ------
    ValueError
        If `position` is no clock position.
    """
    hour, _, minutes = position.partition(":")
    if not hour.isdecimal() or not 1 <= int(hour) <= 12 or minutes not in ("", "00", "30"):
        raise ValueError(f"{position!r} is no clock position: write 1 to 12, or with :30")
    return (int(hour) % 12) * 30.0 + (15.0 if minutes == "30" else 0.0)


def angle_from_xy(x_mm: float, y_mm: float) -> float:
    """Clock angle in degrees of a point given as x to 3 o'clock, y to 12 o'clock."""
    return wrap_deg(math.degrees(math.atan2(x_mm, y_mm)))


def xy_from_angle(angle_deg: float, radius_mm: float) -> tuple[float, float]:
    """The point (x to 3 o'clock, y to 12 o'clock) at a clock angle and a radius."""
    turn = math.radians(angle_deg)
    return radius_mm * math.sin(turn), radius_mm * math.cos(turn)


def mirror_angle(angle_deg: float) -> float:
    """What a clock angle reads as from the other face of the part."""
    return wrap_deg(-angle_deg)


def mirror_hand(hand: str) -> str:
    """What a hand reads as from the other face of the part."""
    return {"left": "right", "right": "left"}.get(hand, hand)
