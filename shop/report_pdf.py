"""A reading on one printed page: the picture, the clock face, words and sizes, and what to look at before trusting it."""

from __future__ import annotations

import io
from collections.abc import Mapping
from os import PathLike
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture
from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader, simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from shop.dial import FAINT, INK, MARK, METAL, METAL_EDGE, RING, Dial, dial_of
from shop.overlay import draw_overlay
from shop.paper import mm, new_sheet
from shop.report import OUTCOME_TEXT, answer_line, check_lines, hole_rows, scale_rows, size_rows, word_rows
from vision.vocabulary import CENTRE, xy_from_angle

MARGIN_MM: Final = 16.0
PICTURE_HIGH_MM: Final = 112.0
DIAL_MM: Final = 62.0
SMALLEST_PT: Final = 6.5
NOTES: Final = (
    "± is the half-width of a 95 % interval. Hole positions are seen from the screw side, tail at 12 o'clock.",
    "Before fitting: try the part by hand. Every screw must start by hand and sit flat, and the key must turn freely.",
    "A cylinder on a fire or exit door is part of a listed assembly: local codes and the authority having jurisdiction decide.",
)


def make_report(
    target: str | PathLike[str] | BinaryIO,
    pixels: NDArray[np.uint8] | None,
    reading: Mapping[str, Any],
    *,
    paper: str = "a4",
    inch: bool = False,
    drawn: bool = False,
) -> None:
    """Write a reading as a PDF of one page.

    Parameters
    ----------
    target : path-like or binary file
    pixels : ndarray of shape (H, W, 3), uint8, or None
        The upright photo; without it the page has no picture. With `drawn` it is a picture of `shop.overlay` already.
    reading : mapping
        The JSON object of schema ``camdial.reading/1``.
    paper : {"a4", "letter"}
    inch : bool
        Put inches behind the millimetres.

    Raises
    ------
    ValueError
        If `paper` is none of the two.
    OSError
        If the file cannot be written.
    """
    sheet, width, height = new_sheet(target, paper, _plain(f"Cam read from {reading['photo']['name']}"))
    left, inner = MARGIN_MM * mm, width - 2.0 * MARGIN_MM * mm
    top = height - MARGIN_MM * mm
    top = _head(sheet, reading, left, top, inner)
    if pixels is not None:
        picture = pixels if drawn else draw_overlay(pixels, reading)
        top = _picture(sheet, picture, left, top, inner)
    dial = dial_of(reading)
    wide = inner
    if dial is not None:
        _draw_dial(sheet, dial, left + inner - DIAL_MM / 2.0 * mm, top - DIAL_MM / 2.0 * mm - 2.0 * mm)
        wide = inner - (DIAL_MM + 6.0) * mm
    low = _table(sheet, reading, left, top, wide, inch)
    low = min(low, top - (DIAL_MM + 6.0) * mm) if dial is not None else low
    _warnings(sheet, reading, left, low, inner)
    _foot(sheet, reading, left, inner)
    sheet.showPage()
    sheet.save()


def _plain(text: str) -> str:
    """Text in the PDF's built-in fonts: what they lack becomes a question mark."""
    return text.encode("cp1252", "replace").decode("cp1252")


def _head(sheet: Canvas, reading: Mapping[str, Any], left: float, top: float, inner: float) -> float:
    sheet.setFillColor(HexColor(INK))
    title = _plain(answer_line(reading))
    title = title[:1].upper() + title[1:]
    size = 16.0
    while size > 9.0 and stringWidth(title, "Helvetica-Bold", size) > inner:
        size -= 0.5
    sheet.setFont("Helvetica-Bold", size)
    sheet.drawString(left, top - 5.0 * mm, title)
    sheet.setFont("Helvetica", 9)
    sheet.setFillColor(HexColor("#55606b"))
    said = OUTCOME_TEXT[reading["outcome"]]
    sheet.drawString(left, top - 10.0 * mm, _plain(f"{reading['photo']['name']}   {said}")[:110])
    return top - 14.0 * mm


def _picture(sheet: Canvas, drawn: NDArray[np.uint8], left: float, top: float, inner: float) -> float:
    held = io.BytesIO()
    Picture.fromarray(drawn).save(held, "JPEG", quality=88)  # from bare pixels: nothing of the file goes along
    held.seek(0)
    factor: float = min(inner / drawn.shape[1], PICTURE_HIGH_MM * mm / drawn.shape[0])
    wide, high = drawn.shape[1] * factor, drawn.shape[0] * factor
    sheet.drawImage(ImageReader(held), left + (inner - wide) / 2.0, top - high, wide, high)
    return float(top - high - 5.0 * mm)


def _table(sheet: Canvas, reading: Mapping[str, Any], left: float, top: float, wide: float, inch: bool) -> float:
    rows = [*word_rows(reading), *hole_rows(reading, inch=inch), *size_rows(reading, inch=inch), *scale_rows(reading)]
    y, name_wide = top, 27.0 * mm
    for name, value in rows:
        lines = simpleSplit(_plain(value), "Helvetica", 9.5, wide - name_wide)
        for i, line in enumerate(lines):
            y -= 4.7 * mm
            if i == 0:
                sheet.setFillColor(HexColor("#55606b"))
                sheet.setFont("Helvetica", 9.5)
                sheet.drawString(left + (3.0 * mm if name.startswith(" ") else 0.0), y, _plain(name.strip()))
            sheet.setFillColor(HexColor(INK))
            sheet.setFont("Helvetica", 9.5)
            sheet.drawString(left + name_wide, y, line)
    return y - 4.0 * mm


def _warnings(sheet: Canvas, reading: Mapping[str, Any], left: float, top: float, inner: float) -> None:
    """What to look at; set smaller until it fits above the foot."""
    texts = [_plain(text) for text in check_lines(reading)]
    room = top - (MARGIN_MM + 22.0) * mm
    size = 9.5
    while size > SMALLEST_PT:
        lines = [simpleSplit(text, "Helvetica", size, inner - 8.0 * mm) for text in texts]
        if sum(map(len, lines)) * size * 1.3 + len(lines) * 2.0 <= room:
            break
        size -= 0.5
    y = top
    for text in texts:
        pieces = simpleSplit(text, "Helvetica", size, inner - 8.0 * mm)
        high = len(pieces) * size * 1.3
        if y - high < (MARGIN_MM + 20.0) * mm:
            break
        sheet.setFillColor(HexColor("#b35c00"))
        sheet.setFont("Helvetica-Bold", size)
        sheet.drawString(left, y - size, "!")
        sheet.setFillColor(HexColor(INK))
        sheet.setFont("Helvetica", size)
        for i, piece in enumerate(pieces):
            sheet.drawString(left + 5.0 * mm, y - size - i * size * 1.3, piece)
        y -= high + 2.0


def _foot(sheet: Canvas, reading: Mapping[str, Any], left: float, inner: float) -> None:
    sheet.setStrokeColor(HexColor("#c9c4b8"))
    sheet.setLineWidth(0.5)
    sheet.line(left, (MARGIN_MM + 16.0) * mm, left + inner, (MARGIN_MM + 16.0) * mm)
    sheet.setFillColor(HexColor("#55606b"))
    y = (MARGIN_MM + 12.5) * mm
    sheet.setFont("Helvetica", 7.5)
    for note in NOTES:
        for line in simpleSplit(note, "Helvetica", 7.5, inner):
            sheet.drawString(left, y, line)
            y -= 3.3 * mm
    sheet.setFont("Helvetica", 6.5)
    sheet.drawString(left, MARGIN_MM * mm - 2.0, f"camdial   photo {reading['photo']['sha256']}")


def _draw_dial(sheet: Canvas, dial: Dial, x: float, y: float) -> None:
    """The clock face of `shop.dial`, its middle at (x, y)."""
    unit = (DIAL_MM / 2.0 - 6.0) * mm / RING
    sheet.saveState()
    sheet.translate(x, y)
    sheet.setStrokeColor(HexColor(INK))
    sheet.setLineWidth(0.8)
    sheet.circle(0, 0, RING * unit)
    marked = {hole.position for hole in dial.holes}
    for half in range(24):
        name = f"{half // 2 or 12}{':30' if half % 2 else ''}"
        ux, uy = xy_from_angle(half * 15.0, unit)
        heavy = name in marked
        sheet.setStrokeColor(HexColor(MARK if heavy else INK if half % 2 == 0 else FAINT))
        sheet.setLineWidth(2.0 if heavy else 0.6)
        short = RING - (9.0 if half % 6 == 0 else 6.0 if half % 2 == 0 else 3.0)
        sheet.line(ux * RING, uy * RING, ux * short, uy * short)
        if half % 2 == 0 or heavy:
            sheet.setFillColor(HexColor(MARK if heavy else INK))
            size = 8.5 if heavy else 7.0
            sheet.setFont("Helvetica-Bold" if heavy else "Helvetica", size)
            sheet.drawCentredString(ux * (RING + 13.0), uy * (RING + 13.0) - size * 0.36, name)
    path = sheet.beginPath()
    for i, (px, py) in enumerate(dial.outline * unit):
        (path.moveTo if i == 0 else path.lineTo)(px, py)
    path.close()
    sheet.setFillColor(HexColor(METAL))
    sheet.setStrokeColor(HexColor(METAL_EDGE))
    sheet.setLineWidth(0.8)
    sheet.drawPath(path, stroke=1, fill=1)
    sheet.setStrokeColor(HexColor(INK))
    sheet.setLineWidth(0.5)
    sheet.line(-4, 0, 4, 0)
    sheet.line(0, -4, 0, 4)
    sheet.setDash(2, 2)
    sheet.line(0, 0, 0, (RING - 12.0) * unit)
    sheet.setDash()
    for hole in dial.holes:
        sheet.setFillColor(HexColor("#ffffff"))
        sheet.setStrokeColor(HexColor(MARK))
        sheet.setLineWidth(1.3)
        sheet.circle(hole.x * unit, hole.y * unit, hole.radius * unit, stroke=1, fill=1)
        if hole.position == CENTRE:
            sheet.setFillColor(HexColor(MARK))
            sheet.setFont("Helvetica-Bold", 7)
            sheet.drawCentredString(0, -hole.radius * unit - 8.0, CENTRE)
    sheet.restoreState()
