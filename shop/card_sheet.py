"""The printed card as a PDF at true size, the same on A4 and on US Letter. Where everything lies: `vision.scale.card`."""

from __future__ import annotations

from os import PathLike
from typing import Final, Literal

from reportlab.pdfgen.canvas import Canvas

from shop.paper import mm, new_sheet
from vision.scale.card import (
    BAR_BELOW_MM,
    BAR_MM,
    CELLS,
    MARKER_MM,
    PITCH_MM,
    RING_HALF_MM,
    marker_cells,
    marker_layout,
)

CENTRE_ABOVE_MIDDLE_MM: Final = 16.0  # of the ring over the middle of the sheet: bar and words go beneath
INK: Final = 0.15  # grey of the words: darker would compete with the squares in a photo, lighter prints badly
PALE: Final = 0.72

STEPS: Final = (
    "Print at 100 %, not \u201cfit to page\u201d.",
    "Measure the bar with a steel ruler, write the length beside it.",
    "Lay the sheet flat and the part in the empty middle.",
    "Hold the phone square over it, 20 to 40 cm away, the ring in view.",
    "A few squares may be covered. Keep the phone's shadow off.",
)


def make_card(path: str | PathLike[str], *, paper: Literal["a4", "letter"] = "a4") -> None:
    """Write the card as a PDF of one page.

    Parameters
    ----------
    path : path-like
        Where the PDF goes; an existing file is replaced.
    paper : {"a4", "letter"}
        The sheet only: what is printed has the same size and the same place from the middle on both.

    Raises
    ------
    ValueError
        If `paper` is none of the two.
    OSError
        If the file cannot be written.
    """
    sheet, width, height = new_sheet(path, paper, "camdial scale card", true_size=True)
    sheet.translate(width / 2.0, height / 2.0 + CENTRE_ABOVE_MIDDLE_MM * mm)
    _markers(sheet)
    _free_place(sheet)
    _bar(sheet)
    _words(sheet, "A4" if paper == "a4" else "Letter")
    sheet.showPage()
    sheet.save()


def _markers(sheet: Canvas) -> None:
    cell = MARKER_MM / CELLS
    for marker_id, corners_mm in marker_layout().items():
        left, top = corners_mm[0]
        sheet.setFillGray(0.0)
        sheet.rect(left * mm, (top - MARKER_MM) * mm, MARKER_MM * mm, MARKER_MM * mm, stroke=0, fill=1)
        sheet.setFillGray(1.0)
        white = marker_cells(marker_id)
        for rows, columns in ((1, 1), (1, 2), (2, 1), (2, 2)):  # neighbours once more in one piece: no hair lines
            for row in range(CELLS - rows + 1):
                for column in range(CELLS - columns + 1):
                    if white[row : row + rows, column : column + columns].all():
                        x, y = left + column * cell, top - (row + rows) * cell
                        sheet.rect(x * mm, y * mm, columns * cell * mm, rows * cell * mm, stroke=0, fill=1)


def _free_place(sheet: Canvas) -> None:
    """Four corner ticks of the free place: pale, and outside of it, so that nothing lies behind the part's outline."""
    edge = RING_HALF_MM - MARKER_MM / 2.0 - 3.0
    sheet.setStrokeGray(PALE)
    sheet.setLineWidth(0.3 * mm)
    for sx in (-1, 1):
        for sy in (-1, 1):
            sheet.line(sx * edge * mm, sy * edge * mm, sx * (edge - 5.0) * mm, sy * edge * mm)
            sheet.line(sx * edge * mm, sy * edge * mm, sx * edge * mm, sy * (edge - 5.0) * mm)


def _bar(sheet: Canvas) -> None:
    """A bar between two serifs whose outer edges are 100 mm apart; alternate black and white centimetres."""
    thick, tall = 2.4, 7.0
    y = -BAR_BELOW_MM
    sheet.setFillGray(0.0)
    sheet.setStrokeGray(0.0)
    sheet.setLineWidth(0.2 * mm)
    for k in range(0, 10, 2):
        sheet.rect((-BAR_MM / 2.0 + 10.0 * k) * mm, y * mm, 10.0 * mm, thick * mm, stroke=0, fill=1)
    sheet.line(-BAR_MM / 2.0 * mm, (y + 0.1) * mm, BAR_MM / 2.0 * mm, (y + 0.1) * mm)
    sheet.line(-BAR_MM / 2.0 * mm, (y + thick - 0.1) * mm, BAR_MM / 2.0 * mm, (y + thick - 0.1) * mm)
    for x in (-BAR_MM / 2.0, BAR_MM / 2.0 - 0.3):
        sheet.rect(x * mm, (y + thick / 2.0 - tall / 2.0) * mm, 0.3 * mm, tall * mm, stroke=0, fill=1)
    sheet.setFillGray(INK)
    sheet.setFont("Helvetica-Bold", 9)
    sheet.drawString((-BAR_MM / 2.0 + 2.0) * mm, (y - 5.0) * mm, "measure me: 100 mm over the ends")
    sheet.setFont("Helvetica", 9)
    sheet.drawRightString((BAR_MM / 2.0 - 2.0) * mm, (y - 5.0) * mm, "measured ________ mm")


def _words(sheet: Canvas, paper: str) -> None:
    top = RING_HALF_MM + MARKER_MM / 2.0
    left = -RING_HALF_MM - MARKER_MM / 2.0
    sheet.setFillGray(INK)
    sheet.setFont("Helvetica-Bold", 15)
    sheet.drawString(left * mm, (top + 13.0) * mm, "camdial scale card")
    sheet.setFont("Helvetica", 8.5)
    sheet.drawString(left * mm, (top + 8.0) * mm, "Lay the cam in the ring: its size is read off the squares.")
    y = -BAR_BELOW_MM - 15.0
    for number, step in enumerate(STEPS, start=1):
        sheet.setFont("Helvetica-Bold", 10)
        sheet.drawString((left + 7.0) * mm, y * mm, f"{number}")
        sheet.setFont("Helvetica", 10)
        sheet.drawString((left + 12.0) * mm, y * mm, step)
        y -= 6.0
    sheet.setFont("Helvetica", 8)
    sheet.setFillGray(0.4)
    note = f"{paper}, squares {MARKER_MM:g} mm, {PITCH_MM:g} mm apart. On thick paper or glued to a board it stays flat longer."
    sheet.drawString((left + 7.0) * mm, (y - 1.0) * mm, note)
