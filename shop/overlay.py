"""The photo with what was read drawn on it: outline, axis, tail, holes by the clock, the reference and a scale bar."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from shop.report import OUTCOME_TEXT, answer_line, quantity_text
from vision.vocabulary import CENTRE

Array = NDArray[np.float64]
Colour = tuple[int, int, int]

LINE: Final[Colour] = (0, 196, 255)  # of the part's outline
HOLE: Final[Colour] = (255, 214, 64)
REFERENCE: Final[Colour] = (126, 255, 160)
TAIL: Final[Colour] = (255, 255, 255)
DARK: Final[Colour] = (22, 27, 33)
PALE: Final[Colour] = (240, 242, 245)
FINER: Final = 2  # drawn this much larger and reduced, for smooth lines
MARGIN: Final = 0.14  # free border round part and reference, of their longer side
LEAST_CROP: Final = 0.25  # of the photo's longer side
BAR_LENGTHS_MM: Final = (50.0, 20.0, 10.0, 5.0)


def draw_overlay(
    pixels: NDArray[np.uint8],
    reading: Mapping[str, Any],
    *,
    long_side_px: int = 1500,
    marks: float = 1.0,
    caption: bool = True,
) -> NDArray[np.uint8]:
    """The photo, cut to part and reference, with the reading drawn over it.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
        The upright photo of the reading, whole or made smaller by a whole step.
    reading : mapping
        The JSON object of schema ``camdial.reading/1``.
    long_side_px : int
        Longer side of the picture without its caption; a small photo is not blown up more than twice.
    marks : float
        How much larger than usual lines and tags are drawn, for a picture that will be shown small.
    caption : bool
        Say the reading beneath.

    Returns
    -------
    ndarray of shape (H', W', 3), uint8
    """
    step = max(1, round(reading["photo"]["width"] / pixels.shape[1]))
    left, top, right, bottom = _frame(pixels.shape[1] * step, pixels.shape[0] * step, reading)
    left, top, right, bottom = (
        left // step * step,
        top // step * step,
        -(-right // step) * step,
        -(-bottom // step) * step,
    )
    factor = min(2.0 / step, long_side_px / max(right - left, bottom - top))
    size = (max(1, round((right - left) * factor)), max(1, round((bottom - top) * factor)))
    cut = Image.fromarray(pixels[top // step : bottom // step, left // step : right // step])
    reducing = Image.Resampling.BOX if factor * step < 0.5 else Image.Resampling.BICUBIC
    picture = cut.resize((size[0] * FINER, size[1] * FINER), reducing)
    pen = _Pen(picture, np.array([left, top], dtype=float), factor * FINER, marks * max(size) * FINER / 1500.0)
    _reference(pen, reading)
    _part(pen, reading)
    _scale_bar(pen, reading)
    done = picture.resize(size, Image.Resampling.BOX)
    return np.asarray(_with_caption(done, reading) if caption else done, dtype=np.uint8)


def _frame(width: int, height: int, reading: Mapping[str, Any]) -> tuple[int, int, int, int]:
    """The rows and columns shown: part and reference with a border, the whole photo when there is neither."""
    outline = reading.get("outline") or {}
    points = np.array([*outline.get("polygon_px", []), *outline.get("reference_px", [])], dtype=float).reshape(-1, 2)
    if not len(points):
        return 0, 0, width, height
    low, high = points.min(axis=0), points.max(axis=0)
    border = MARGIN * float((high - low).max())
    least = LEAST_CROP * max(width, height)
    centre, half = (low + high) / 2.0, np.maximum((high - low) / 2.0 + border, least / 2.0)
    left, top = np.maximum(np.floor(centre - half), 0).astype(int)
    right, bottom = np.minimum(np.ceil(centre + half), (width, height)).astype(int)
    return int(left), int(top), int(max(right, left + 1)), int(max(bottom, top + 1))


class _Pen:
    """Draws in the photo's pixels; every stroke has a dark rim, so that it shows on any bench."""

    def __init__(self, picture: Image.Image, origin_px: Array, factor: float, unit: float) -> None:
        self.draw = ImageDraw.Draw(picture)
        self.size = picture.size
        self.origin_px, self.factor, self.unit = origin_px, factor, unit

    def place(self, points_px: Any) -> Array:
        points: Array = (np.asarray(points_px, dtype=float).reshape(-1, 2) + 0.5 - self.origin_px) * self.factor
        return points

    def stroke(self, points: Array, colour: Colour, width: float, *, closed: bool = False, dash: float = 0.0) -> None:
        line = np.concatenate([points, points[:1]]) if closed else points
        pieces = _dashes(line, dash * self.unit) if dash else [line]
        for rim, paint in ((4.0, DARK), (0.0, colour)):
            for piece in pieces:
                flat = [(float(x), float(y)) for x, y in piece]
                self.draw.line(flat, fill=paint, width=max(1, round((width + rim) * self.unit)), joint="curve")

    def ring(self, centre: Array, radius: float, colour: Colour, width: float) -> None:
        for rim, paint in ((4.0, DARK), (0.0, colour)):
            line = max(1, round((width + rim) * self.unit))
            reach = radius + line / 2.0
            box = (centre[0] - reach, centre[1] - reach, centre[0] + reach, centre[1] + reach)
            self.draw.ellipse(box, outline=paint, width=line)

    def dot(self, centre: Array, radius: float, colour: Colour) -> None:
        for reach, paint in ((radius + 2.0, DARK), (radius, colour)):
            r = reach * self.unit
            self.draw.ellipse((centre[0] - r, centre[1] - r, centre[0] + r, centre[1] + r), fill=paint)

    def tag(self, at: Array, text: str, colour: Colour, size: float = 34.0) -> None:
        """A dark tablet with a coloured word, its middle at `at`, kept inside the picture."""
        font = ImageFont.load_default(size * self.unit)
        x0, y0, x1, y1 = self.draw.textbbox((0, 0), text, font=font)
        wide, high = x1 - x0, size * self.unit * 0.78
        px, py = 0.42 * size * self.unit, 0.34 * size * self.unit
        half = np.array([wide / 2.0 + px, high / 2.0 + py])
        x, y = np.clip(at, half + 2.0, np.maximum(np.array(self.size) - half - 2.0, half + 2.0))
        box = (x - half[0], y - half[1], x + half[0], y + half[1])
        self.draw.rounded_rectangle(
            box, radius=0.5 * size * self.unit, fill=DARK, outline=colour, width=max(1, round(2 * self.unit))
        )
        self.draw.text((x - wide / 2.0 - x0, y - (y0 + y1) / 2.0), text, font=font, fill=colour)


def _dashes(line: Array, length: float) -> list[Array]:
    """Cut a line into dashes with gaps as long as they."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    pieces = []
    for start in np.arange(0.0, along[-1], 2.0 * max(length, 1.0)):
        stop = min(start + length, along[-1])
        inner = along[(along > start) & (along < stop)]
        at = np.concatenate([[start], inner, [stop]])
        pieces.append(np.stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])], axis=1))
    return pieces


def _part(pen: _Pen, reading: Mapping[str, Any]) -> None:
    outline = reading.get("outline")
    if not outline:
        return
    axis, tail = pen.place(outline["axis_px"])[0], pen.place(outline["tail_px"])[0]
    polygon = pen.place(outline["polygon_px"])
    if len(polygon) >= 3:
        pen.stroke(polygon, LINE, 3.0, closed=True)
    pen.stroke(np.stack([axis, tail]), TAIL, 2.0, dash=12.0)
    away = (tail - axis) / max(float(np.hypot(*(tail - axis))), 1e-9)
    mm_per_px = (reading.get("scale") or {}).get("mm_per_px")
    for hole in (reading.get("pattern") or {}).get("holes", ()):
        at = pen.place(hole["center_px"])[0]
        radius = 16.0 * pen.unit
        if hole["diameter"] is not None and mm_per_px:
            radius = hole["diameter"]["value"] / mm_per_px / 2.0 * pen.factor
        pen.ring(at, radius, HOLE, 3.0)
        out = at - axis
        far = float(np.hypot(*out))
        if hole["position"] == CENTRE or far < 1.0:
            pen.tag(at + np.array([0.0, radius + 34.0 * pen.unit]), CENTRE, HOLE, 28.0)
        else:
            pen.tag(at + out / far * (radius + 44.0 * pen.unit), hole["position"], HOLE)
    pen.ring(axis, 9.0 * pen.unit, TAIL, 2.0)
    for arm in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
        pen.stroke(np.stack([axis - arm * 20.0 * pen.unit, axis + arm * 20.0 * pen.unit]), TAIL, 1.6)
    pen.tag(tail + away * 34.0 * pen.unit, "12", TAIL)


def _reference(pen: _Pen, reading: Mapping[str, Any]) -> None:
    points = (reading.get("outline") or {}).get("reference_px")
    scale = reading.get("scale")
    if not points or not scale:
        return
    placed = pen.place(points)
    if scale["kind"] in ("coin", "cylinder") and len(placed) >= 6:
        rim = _ellipse_through(placed)
        pen.stroke(rim, REFERENCE, 3.0, closed=True, dash=14.0)
        middle = rim.mean(axis=0)
    else:
        for point in placed:
            pen.dot(point, 4.0, REFERENCE)
        middle = placed[np.argmax(placed[:, 1])]
    pen.tag(middle, str(scale["reference"] or scale["kind"]), REFERENCE, 28.0)


def _ellipse_through(points: Array) -> Array:
    """Points of the ellipse through a rim of which parts may be hidden, (N, 2)."""
    (x, y), (wide, high), turn_deg = cv2.fitEllipseDirect(points.astype(np.float32))
    around = np.linspace(0.0, 2.0 * np.pi, 240, endpoint=False)
    local = np.stack([wide / 2.0 * np.cos(around), high / 2.0 * np.sin(around)], axis=1)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    rim: Array = local @ np.array([[c, s], [-s, c]]) + (x, y)
    return rim


def _scale_bar(pen: _Pen, reading: Mapping[str, Any]) -> None:
    mm_per_px = (reading.get("scale") or {}).get("mm_per_px")
    if not mm_per_px:
        return
    fits = [mm for mm in BAR_LENGTHS_MM if mm / mm_per_px * pen.factor < 0.3 * pen.size[0]]
    if not fits:
        return
    length, y = fits[0] / mm_per_px * pen.factor, pen.size[1] - 40.0 * pen.unit
    x = 40.0 * pen.unit
    pen.stroke(np.array([[x, y], [x + length, y]]), PALE, 5.0)
    for end in (x, x + length):
        pen.stroke(np.array([[end, y - 12.0 * pen.unit], [end, y + 12.0 * pen.unit]]), PALE, 3.0)
    pen.tag(np.array([x + length / 2.0, y - 38.0 * pen.unit]), f"{fits[0]:g} mm", PALE, 28.0)


def _with_caption(picture: Image.Image, reading: Mapping[str, Any]) -> Image.Image:
    """The picture with two lines of text on a dark strip beneath."""
    lines = caption_lines(reading)
    size = max(14.0, picture.width / 44.0)
    strip = round(size * (1.5 * len(lines) + 0.9))
    sheet = Image.new("RGB", (picture.width, picture.height + strip), DARK)
    sheet.paste(picture, (0, 0))
    draw = ImageDraw.Draw(sheet)
    for i, line in enumerate(lines):
        fitting = size
        while (
            fitting > 9.0 and draw.textlength(line, font=ImageFont.load_default(fitting)) > picture.width - 1.6 * size
        ):
            fitting -= 1.0
        font = ImageFont.load_default(fitting)
        draw.text((0.8 * size, picture.height + size * (0.6 + 1.5 * i)), line, font=font, fill=PALE if i else HOLE)
    return sheet


def caption_lines(reading: Mapping[str, Any]) -> list[str]:
    """What stands under the picture: the words, then the sizes."""
    if not reading.get("pattern"):
        why = [warning["text"] for warning in reading["warnings"]][:1]
        return [OUTCOME_TEXT[reading["outcome"]], *why]
    sizes = reading["dimensions"]
    second = [
        f"{name} {quantity_text(sizes[key], 'mm')}"
        for key, name in (("reach", "reach"), ("hub_diameter", "hub"), ("tail_width", "tail"))
        if sizes.get(key) is not None
    ]
    if not second:
        return [answer_line(reading), "no scale: angles only"]
    return [answer_line(reading), "   ".join(second)]
