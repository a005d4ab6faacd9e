"""Sheets of paper for everything that is printed: sizes, and an empty PDF page to draw on."""

from __future__ import annotations

from os import PathLike
from typing import BinaryIO, Final

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfgen.canvas import Canvas

PAPERS: Final[dict[str, tuple[float, float]]] = {"a4": A4, "letter": LETTER}  # ISO 216; ANSI/ASME Y14.1 size A
mm: Final[float] = 72.0 / 25.4  # PDF points in a millimetre


def paper_size(paper: str) -> tuple[float, float]:
    """Width and height in points.

    Raises
    ------
    ValueError
        If `paper` is not known.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper is {paper!r}; allowed: {', '.join(PAPERS)}")
    return PAPERS[paper]


def new_sheet(
    target: str | PathLike[str] | BinaryIO, paper: str, title: str, *, true_size: bool = False
) -> tuple[Canvas, float, float]:
    """An empty page, the same bytes for the same drawing.

    Parameters
    ----------
    target : path-like or binary file
        Where the PDF goes when the sheet is saved; an existing file is replaced.
    paper : {"a4", "letter"}
    title : str
    true_size : bool
        Ask print dialogs to start at 100 % instead of fitting the page.

    Returns
    -------
    tuple of reportlab.pdfgen.canvas.Canvas, float, float
        The sheet, its width and height in points.

    Raises
    ------
    ValueError
        If `paper` is not known.
    """
    width, height = paper_size(paper)
    place = target if hasattr(target, "write") else str(target)
    sheet = Canvas(place, pagesize=(width, height), pageCompression=1, invariant=1)
    sheet.setTitle(title)
    if true_size:
        sheet.setViewerPreference("PrintScaling", "None")  # ISO 32000-1, table 150
    return sheet, width, height
