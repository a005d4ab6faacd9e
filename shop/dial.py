"""The screw pattern as a clock face: the part seen from the screw side, tail at 12, as an SVG drawing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from shop.report import mirrored_clock, pattern_text
from vision.vocabulary import CENTRE, xy_from_angle

Array = NDArray[np.float64]

INK: Final = "#20262d"
FAINT: Final = "#b9bfc6"
PAPER: Final = "#ffffff"
METAL: Final = "#ecdcb4"
METAL_EDGE: Final = "#8a6414"
MARK: Final = "#0b5f8a"  # 6.6:1 on white (WCAG 2.2, 1.4.3)
JAWS: Final = "#a3271b"
FONTS: Final = "Source Sans, Source Sans Pro, Helvetica, Arial, sans-serif"
RING: Final = 100.0  # radius of the hours' ring in drawing units
ROOM: Final = 122.0
MOST_OUTLINE_POINTS: Final = 160


@dataclass(frozen=True, slots=True)
class DialHole:
    """One hole on the face: drawing units, y up; `position` in the words of the clock."""

    position: str
    x: float
    y: float
    radius: float


@dataclass(frozen=True, slots=True)
class Dial:
    """What the face shows: the outline (N, 2) and the holes, drawing units, tail up, screw side."""

    outline: Array
    holes: tuple[DialHole, ...]
    unit_per_mm: float | None  # None without a scale


def dial_of(reading: Mapping[str, Any], *, other_side: bool = False) -> Dial | None:
    """Lay the part of a reading on the clock face; None when there is no part.

    The outline is turned and scaled as it lies in the photo, mirrored when the photo shows the plug side; the holes stand
    at the angles of the reading. With `other_side` it is laid as if the photo showed the other side than the reading takes.
    """
    outline, pattern = reading.get("outline"), reading.get("pattern")
    if not outline or not pattern:
        return None
    turned = _tail_up(np.array(outline["polygon_px"], dtype=float).reshape(-1, 2), outline)
    mirror = -1.0 if (reading.get("facing") or {}).get("label") == "plug" else 1.0
    turned[:, 0] *= mirror
    far = float(np.hypot(turned[:, 0], turned[:, 1]).max(initial=0.0))
    if far <= 0.0:
        return None
    unit = 0.86 * RING / far
    mm_per_px = (reading.get("scale") or {}).get("mm_per_px")
    holes = []
    for hole in pattern["holes"]:
        at = _tail_up(np.array([hole["center_px"]], dtype=float), outline)[0] * unit
        x, y = mirror * float(at[0]), float(at[1])
        if hole["angle"] is not None:
            x, y = xy_from_angle(hole["angle"]["value"], math.hypot(x, y))
        size = hole["diameter"]["value"] / mm_per_px * unit / 2.0 if hole["diameter"] and mm_per_px else 6.0
        position = hole["position"]
        if other_side:
            x, position = -x, mirrored_clock([position])[0]
        holes.append(DialHole(position, x, y, max(2.5, min(size, 25.0))))
    if other_side:
        turned[:, 0] *= -1.0
    step = max(1, len(turned) // MOST_OUTLINE_POINTS)
    return Dial(turned[::step] * unit, tuple(holes), unit / mm_per_px if mm_per_px else None)


def _tail_up(points_px: Array, outline: Mapping[str, Any]) -> Array:
    """Image points relative to the axis, turned so that the tail points up; y up."""
    axis, tail = np.array(outline["axis_px"], dtype=float), np.array(outline["tail_px"], dtype=float)
    up = (tail - axis) * (1.0, -1.0)
    up = up / max(float(np.hypot(*up)), 1e-9)
    right = np.array([up[1], -up[0]])
    away = (points_px - axis) * (1.0, -1.0)
    return np.stack([away @ right, away @ up], axis=1)


def dial_svg(
    reading: Mapping[str, Any],
    *,
    jaws_mm: Sequence[Sequence[float]] = (),
    width: str = "100%",
    other_side: bool = False,
    small: bool = False,
) -> str:
    """The clock face as one SVG element; without a part the empty face.

    Parameters
    ----------
    reading : mapping
        The JSON object of schema ``camdial.reading/1``.
    jaws_mm : sequence of (x, y), optional
        The two points a calliper's jaws touch, x to 3 o'clock, y to 12, mm; needs a reading with a scale.
    width : str
        CSS width of the drawing.
    other_side : bool
        Draw the part as it is if the photo showed the other side than the reading takes.
    small : bool
        Fewer and larger figures, for a drawing of half a phone's width.
    """
    dial = dial_of(reading, other_side=other_side)
    clock = (reading.get("pattern") or {}).get("clock", [])
    clock = mirrored_clock(clock) if other_side else clock
    said = f"Clock face, tail at 12, seen from the screw side. Screw holes: {pattern_text(clock)}."
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{-ROOM} {-ROOM} {2 * ROOM} {2 * ROOM}" role="img" '
        f"aria-label={quoteattr(said)} style={quoteattr(f'width:{width};height:auto;display:block')}>",
        f'<circle r="{RING}" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>',
    ]
    parts += _ticks({hole.position for hole in dial.holes} if dial else set(), small)
    if dial is not None:
        path = " ".join(f"{'M' if i == 0 else 'L'}{x:.1f} {-y:.1f}" for i, (x, y) in enumerate(dial.outline))
        parts.append(
            f'<path d="{path} Z" fill="{METAL}" stroke="{METAL_EDGE}" stroke-width="1.4" stroke-linejoin="round"/>'
        )
        parts.append(
            f'<path d="M0 0V{-RING + 12}" stroke="{INK}" stroke-width=".8" stroke-dasharray="3 3" fill="none"/>'
        )
        for hole in dial.holes:
            parts += _hole(hole)
        parts.append(f'<path d="M-5 0H5M0 -5V5" stroke="{INK}" stroke-width="1"/>')
        if dial.unit_per_mm is not None and len(jaws_mm) == 2:
            parts += _jaws(np.array(jaws_mm, dtype=float) * dial.unit_per_mm)
    return "".join(parts) + "</svg>"


def _jaws(points: Array) -> list[str]:
    """Two jaws that touch the points from outside, and the distance between them."""
    (x0, y0), (x1, y1) = points
    along = (points[1] - points[0]) / max(float(np.hypot(*(points[1] - points[0]))), 1e-9)
    across = np.array([-along[1], along[0]]) * 14.0
    path = f"M{x0:.1f} {-y0:.1f}L{x1:.1f} {-y1:.1f}"
    for x, y in points:
        path += f"M{x - across[0]:.1f} {-(y - across[1]):.1f}L{x + across[0]:.1f} {-(y + across[1]):.1f}"
    return [f'<path d="{path}" stroke="{JAWS}" stroke-width="3" stroke-linecap="round" fill="none"/>']


def _ticks(marked: set[str], small: bool) -> list[str]:
    parts = []
    grow = 1.6 if small else 1.0
    for half in range(24):
        name = f"{half // 2 or 12}{':30' if half % 2 else ''}"
        x, y = xy_from_angle(half * 15.0, 1.0)
        hole = name in marked
        length = 9.0 if half % 6 == 0 else 6.0 if half % 2 == 0 else 3.0
        colour, heavy = (MARK, 3.0) if hole else (INK if half % 2 == 0 else FAINT, 1.0)
        parts.append(
            f'<path d="M{x * RING:.2f} {-y * RING:.2f}L{x * (RING - length):.2f} {-y * (RING - length):.2f}" '
            f'stroke="{colour}" stroke-width="{heavy}"/>'
        )
        if hole or half % (6 if small else 2) == 0:
            at, size = RING + 12.0, (11.5 if half % 2 == 0 else 9.0) * grow
            if hole:
                at -= 8.0 * (grow - 1.0)
                round_it = grow * (9.0 if len(name) < 3 else 11.5)
                size *= {4: 0.9, 5: 0.75}.get(len(name), 1.0)  # 3:30, 10:30
                parts.append(f'<circle cx="{x * at:.2f}" cy="{-y * at:.2f}" r="{round_it:.1f}" fill="{MARK}"/>')
            parts.append(
                f'<text x="{x * at:.2f}" y="{-y * at + size * 0.36:.2f}" text-anchor="middle" font-size="{size}" '
                f'font-family="{FONTS}" font-weight="{700 if hole else 400}" '
                f'fill="{PAPER if hole else INK}">{escape(name)}</text>'
            )
    return parts


def _hole(hole: DialHole) -> list[str]:
    parts = [
        f'<circle cx="{hole.x:.1f}" cy="{-hole.y:.1f}" r="{hole.radius:.1f}" fill="{PAPER}" stroke="{MARK}" stroke-width="2.4"/>'
    ]
    away = math.hypot(hole.x, hole.y)
    if hole.position == CENTRE:
        parts.append(
            f'<text x="{hole.x:.1f}" y="{-hole.y + hole.radius + 12.0:.1f}" text-anchor="middle" font-size="11" '
            f'font-family="{FONTS}" font-weight="700" fill="{MARK}">{CENTRE}</text>'
        )
    if hole.position != CENTRE and away > 1.0:
        x, y = hole.x / away, hole.y / away
        start = away + hole.radius + 1.5
        parts.insert(
            0,
            f'<path d="M{x * start:.1f} {-y * start:.1f}L{x * (RING - 8):.1f} {-y * (RING - 8):.1f}" '
            f'stroke="{MARK}" stroke-width="1.2" stroke-dasharray="1.5 3" fill="none"/>',
        )
    return parts
