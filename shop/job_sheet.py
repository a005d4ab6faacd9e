"""The job sheet: one printed page for changing a cam, cautions first, from reading, chosen part and advice."""

from __future__ import annotations

import functools
import io
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final
from xml.sax.saxutils import escape

from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Polygon, String
from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_LEFT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from shop.drawing import ENLARGED, FILLS, INK, LABELS_MM, LINE_STEP_MM, STROKES, TEXT_MM, Section, draw_section
from shop.freeing import Advice
from shop.freeing_text import figures
from shop.methods import load_knowledge
from shop.paper import PAPERS
from shop.report import chance_text
from vision.vocabulary import CENTRE, angle_from_clock, xy_from_angle

MARGIN_MM: Final = 12.0
LARGEST_PT: Final = 11.2
SMALLEST_PT: Final = 6.4  # below this a sheet on a bench is not read
STEP_PT: Final = 0.3
SHEET_DRAWN: Final = 5.0  # the section on the sheet is this many times its size
JOB_SCHEMA: Final = "camdial.job/1"
JOB_LISTS: Final = ("take", "off", "swap", "on", "check")
BOX: Final = HexColor("#b3261e")
RULE: Final = HexColor("#8a8f98")


class SheetError(ValueError):
    """No sheet can be made of this; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class ChosenPart:
    """The part that goes on, as the shop calls it; empty texts where nothing is known."""

    part: str
    bin: str = ""
    screw: str = ""
    verdict: str = ""
    probability: float | None = None
    note: str = ""


@functools.cache
def load_job() -> Mapping[str, tuple[str, ...]]:
    """The order of work, read once from `data/job.toml`.

    Raises
    ------
    SheetError
        If the file is not of its schema or a list is missing.
    """
    data = tomllib.loads(resources.files("shop").joinpath("data", "job.toml").read_text("utf-8"))
    if data.get("schema") != JOB_SCHEMA or not all(data.get(name) for name in JOB_LISTS):
        raise SheetError(f"job.toml is not a {JOB_SCHEMA} file with {', '.join(JOB_LISTS)}")
    return {name: tuple(data[name]) for name in JOB_LISTS}


def chosen_from_fits(fits: Mapping[str, Any], part: str | None = None) -> ChosenPart:
    """The chosen part of a ``camdial.fits/1`` object: the one named, or the best candidate when it fits.

    Raises
    ------
    SheetError
        If it is no such object, has no such candidate, or none fits and none was named.
    """
    candidates = fits.get("candidates")
    if fits.get("schema") != "camdial.fits/1" or not isinstance(candidates, list):
        raise SheetError(
            "not a fit decision: the object's schema is not camdial.fits/1; make one with camdial fits --json"
        )
    for candidate in candidates:
        if candidate["part"] == part or (part is None and candidate["verdict"] == "fits"):
            return ChosenPart(
                candidate["part"],
                candidate.get("bin") or "",
                verdict=candidate["verdict"],
                probability=candidate["probability"],
                note="; ".join(candidate.get("reasons", [])[:1]),
            )
    raise SheetError(f"part {part} is not among the candidates" if part else "no candidate fits; name the part to use")


def _printable(text: str) -> str:
    """Text in the PDF's built-in fonts: what they lack becomes a question mark."""
    return escape(text.encode("cp1252", "replace").decode("cp1252"))


def _styles(size: float) -> dict[str, ParagraphStyle]:
    base = ParagraphStyle("text", fontName="Helvetica", fontSize=size, leading=size * 1.2, alignment=TA_LEFT)
    return {
        "text": base,
        "title": ParagraphStyle("title", base, fontName="Helvetica-Bold", fontSize=size * 1.6, leading=size * 2.0),
        "head": ParagraphStyle("head", base, fontName="Helvetica-Bold", fontSize=size * 1.1, spaceBefore=size * 0.4),
        "small": ParagraphStyle("small", base, fontSize=size * 0.85, leading=size),
    }


def _measure(record: Any, unit: str = "mm") -> str:
    if not isinstance(record, Mapping):
        return "not measured"
    return f"{record['value']:.2f} ± {record['u95']:.2f} {unit}"


def _word(record: Any) -> str:
    if not isinstance(record, Mapping) or not record.get("label"):
        return "not read"
    plausible = [word for word in record.get("plausible", []) if word != record["label"]]
    also = f", could be {' or '.join(plausible)}" if plausible else ""
    return f"{record['label']} ({chance_text(record.get('probability', 0.0))}{also})"


def _part_rows(reading: Mapping[str, Any]) -> list[tuple[str, str]]:
    pattern = reading.get("pattern") or {}
    dimensions = reading.get("dimensions") or {}
    rows = [
        ("Outline", _word(reading.get("family"))),
        ("Bottom", _word(reading.get("bottom"))),
        ("Hand", _word(reading.get("hand"))),
        ("Side seen", _word(reading.get("facing"))),
        ("Reach", _measure(dimensions.get("reach"))),
    ]
    for hole in list(pattern.get("holes", []))[:4]:
        size = f"Ø {_measure(hole.get('diameter'))}"
        radius = hole.get("radius")
        place = f" at {_measure(radius)}" if radius and hole["position"] != CENTRE else ""
        rows.append((f"Screw {hole['position']}", size + place))
    return rows


def _dial(reading: Mapping[str, Any], side_pt: float) -> Drawing:
    """The screw pattern on its clock, tail up, as seen from the screw side."""
    drawing = Drawing(side_pt, side_pt)
    centre, radius = side_pt / 2.0, side_pt * 0.40
    drawing.add(Circle(centre, centre, radius, fillColor=None, strokeColor=RULE, strokeWidth=0.6))
    for hour in range(1, 13):
        x, y = xy_from_angle(hour * 30.0, radius)
        drawing.add(
            Line(centre + x * 0.93, centre + y * 0.93, centre + x, centre + y, strokeColor=RULE, strokeWidth=0.6)
        )
        label_x, label_y = xy_from_angle(hour * 30.0, radius * 1.13)
        drawing.add(String(centre + label_x, centre + label_y - 2.0, str(hour), fontSize=5.5, textAnchor="middle"))
    tail = radius * 0.28
    drawing.add(
        Polygon(
            [centre - tail / 2, centre, centre - tail / 2, centre + radius * 0.86, centre + tail / 2,
             centre + radius * 0.86, centre + tail / 2, centre],
            fillColor=HexColor("#ece4cc"), strokeColor=None,
        )
    )  # fmt: skip
    holes = list((reading.get("pattern") or {}).get("holes", []))
    radii = [hole["radius"]["value"] for hole in holes if hole.get("radius") and hole["position"] != CENTRE]
    for hole in holes:
        at = (0.0, 0.0)
        if hole["position"] != CENTRE:
            share = hole["radius"]["value"] / max(radii) if hole.get("radius") and radii else 1.0
            angle = hole["angle"]["value"] if hole.get("angle") else angle_from_clock(hole["position"])
            at = xy_from_angle(angle, 0.58 * radius * share)
        drawing.add(
            Circle(
                centre + at[0], centre + at[1], radius * 0.13, fillColor=HexColor("#ffffff"), strokeColor=HexColor(INK)
            )
        )
    return drawing


def section_drawing(section: Section, drawn: float = SHEET_DRAWN) -> Drawing:
    """The section for the printed page, `drawn` times its true size: the shapes of the SVG, y turned up."""
    unit = drawn * mm
    labels_mm = LINE_STEP_MM * ENLARGED / drawn * 0.55 * (len(section.labels) + 1)
    width = (section.right_mm - section.left_mm) * unit
    height = (section.bottom_mm - section.top_mm + labels_mm) * unit
    drawing = Drawing(width, height)
    group = Group()
    size = TEXT_MM * ENLARGED * 0.5 * mm

    def place(x: float, y: float) -> tuple[float, float]:
        return (x - section.left_mm) * unit, height - (y - section.top_mm) * unit

    for shape in section.shapes:
        kind = shape.name.split("-")[0]
        fill = None if FILLS[kind] == "none" else HexColor(FILLS[kind])
        stroke = None if kind == "band" else HexColor(STROKES.get(kind, INK))
        flat = [value for x, y in shape.points for value in place(x, y)]
        group.add(Polygon(flat, fillColor=fill, strokeColor=stroke, strokeWidth=1.1 if kind == "drill" else 0.5))
    for name, (x, y) in section.names():
        group.add(String(*place(x, y), name, fontName="Helvetica", fontSize=size, fillColor=HexColor(INK)))
    reach = section.right_mm - LABELS_MM
    for level, at in section.placed_levels():
        colour = HexColor(STROKES[level.name])
        dash = None if level.name == "stop" else [2, 1.5]
        line = Line(*place(0.0, level.depth_mm), *place(reach, level.depth_mm), strokeColor=colour, strokeWidth=0.7)
        line.strokeDashArray = dash
        group.add(line)
        group.add(Line(*place(reach, level.depth_mm), *place(reach + 0.3, at), strokeColor=colour, strokeWidth=0.5))
        font = "Helvetica-Bold" if level.name == "stop" else "Helvetica"
        x, y = place(reach + 0.4, at)
        group.add(String(x, y - size / 3.0, level.label, fontName=font, fontSize=size, fillColor=colour))
    y_mm = section.bottom_mm
    for label in (*section.labels, f"drawn {drawn:g} : 1"):
        y_mm += labels_mm / (len(section.labels) + 1)
        group.add(
            String(*place(section.left_mm, y_mm), label, fontName="Helvetica", fontSize=size, fillColor=HexColor(INK))
        )
    drawing.add(group)
    return drawing


def _bullets(texts: tuple[str, ...], style: ParagraphStyle, mark: str) -> list[Paragraph]:
    return [Paragraph(f"{mark} {_printable(text)}", style) for text in texts]


def _numbered(texts: tuple[str, ...], style: ParagraphStyle, first: int) -> list[Paragraph]:
    return [Paragraph(f"<b>{n}</b>&nbsp; {_printable(text)}", style) for n, text in enumerate(texts, start=first)]


def _padding(top: float, bottom: float, *, left: float = 0.0, right: float = 0.0) -> TableStyle:
    sides = {"TOPPADDING": top, "BOTTOMPADDING": bottom, "LEFTPADDING": left, "RIGHTPADDING": right}
    every = ((0, 0), (-1, -1))
    return TableStyle([("VALIGN", *every, "TOP"), *((name, *every, points) for name, points in sides.items())])


def _rows(rows: list[tuple[str, str]], style: ParagraphStyle, width: float) -> Table:
    cells = [[Paragraph(_printable(name), style), Paragraph(_printable(value), style)] for name, value in rows]
    table = Table(cells, colWidths=[width * 0.34, width * 0.66])
    table.setStyle(_padding(0.6, 0.6))
    table.setStyle(TableStyle([("LINEBELOW", (0, 0), (-1, -1), 0.25, RULE)]))
    return table


def _cautions(advice: Advice | None, styles: Mapping[str, ParagraphStyle], width: float) -> Table:
    known = load_knowledge().cautions.values()
    shown = advice.cautions if advice is not None else tuple(c for c in known if c.always or "door" in c.places)
    small = styles["text"].fontSize * 0.75
    lines = [
        f"<b>!</b>&nbsp; {_printable(c.text)}"
        + (f" <font size={small:.1f}>[{_printable(c.basis)}]</font>" if c.basis else "")
        for c in shown
    ]
    cells = [
        [Paragraph("BEFORE ANYTHING ELSE", styles["head"])],
        *[[Paragraph(line, styles["text"])] for line in lines],
    ]
    table = Table(cells, colWidths=[width])
    table.setStyle(_padding(0.8, 0.8, left=6.0, right=6.0))
    table.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 1.2, BOX)]))
    return table


def _chosen_rows(part: ChosenPart | None, advice: Advice | None) -> list[tuple[str, str]]:
    thread = advice.screw.working_thread if advice is not None else None
    screw = thread.name if thread is not None else ""
    if part is None:
        return [("Part", "____________________"), ("Bin", "__________"), ("Screws", screw or "____________________")]
    verdict = part.verdict or "not decided here: lay it on the old one"
    if part.probability is not None:
        verdict += f" ({chance_text(part.probability)})"
    rows = [("Part", part.part), ("Bin", part.bin or "__________"), ("Fits?", verdict)]
    rows.append(("Screws", part.screw or screw or "____________________"))
    return rows + ([("Note", part.note[:160])] if part.note else [])


def _stuck(advice: Advice, styles: Mapping[str, ParagraphStyle]) -> list[Flowable]:
    flow: list[Flowable] = [Paragraph("If a screw will not come out: in this order", styles["head"])]
    said: set[tuple[str, str]] = set()
    for step, method in enumerate(advice.methods, start=1):
        rows = figures(method, advice.numbers, advice.situation)
        rows = tuple(row for row in rows if row not in said)
        said.update(rows)
        if method.numbers == "drill":
            rows = rows[:4]  # the drill closest to the shank; the others are in the advice itself
        shown = "; ".join(f"{name} {value}" for name, value in rows)
        text = f"<b>{step} {_printable(method.name)}.</b> Stop: {_printable(method.stop)}"
        flow.append(Paragraph(text + (f" <i>{_printable(shown)}.</i>" if shown else ""), styles["small"]))
    for note in advice.notes[:2]:
        flow.append(Paragraph(_printable(note), styles["small"]))
    return flow


def _story(
    reading: Mapping[str, Any] | None, part: ChosenPart | None, advice: Advice | None, size: float, width: float
) -> list[Flowable]:
    styles, job = _styles(size), load_job()
    text, head = styles["text"], styles["head"]
    photo = (reading or {}).get("photo") or {}
    gap = 6.0
    half = (width - gap) / 2.0
    name = str(photo.get("name", ""))[:60]
    title = "Job sheet: changing a cam"
    written = "Date ____________  Door / cylinder ______________________________  By ____________"
    old: list[Flowable] = [Paragraph("Comes off" + (f" (photo {_printable(name)})" if name else ""), head)]
    if reading is not None:
        dial_side = min(84.0, size * 9.2)
        facts = _rows(_part_rows(reading), text, half - dial_side - 4.0)
        pair = Table([[facts, _dial(reading, dial_side)]], colWidths=[half - dial_side, dial_side])
        pair.setStyle(_padding(0.0, 0.0, right=2.0))
        old.append(pair)
        if reading.get("outcome") != "read":
            old.append(
                Paragraph(f"<b>Reading: {_printable(str(reading.get('outcome')))}.</b> Check by calliper.", text)
            )
        for warning in list(reading.get("warnings", []))[:2]:
            old.append(Paragraph(_printable(str(warning.get("text", "")))[:150], styles["small"]))
    else:
        blank = [(n, "____________________") for n in ("Outline", "Bottom", "Screws at", "Reach")]
        old.append(_rows(blank, text, half))
    new: list[Flowable] = [
        Paragraph("Goes on", head),
        _rows(_chosen_rows(part, advice), text, half),
        Paragraph("Take along", head),
        *_bullets(job["take"], text, "[&nbsp;&nbsp;]"),
    ]
    left: list[Flowable] = [Paragraph("Off", head), *_numbered(job["off"], text, 1), Paragraph("Swap", head)]
    first = len(job["off"]) + 1
    left += _numbered(job["swap"], text, first)
    left += [Paragraph("On", head), *_numbered(job["on"], text, first + len(job["swap"]))]
    right: list[Flowable] = [Paragraph("Check at the end", head), *_bullets(job["check"], text, "[&nbsp;&nbsp;]")]
    story: list[Flowable] = [
        Paragraph(title, styles["title"]),
        Paragraph(written, text),
        Spacer(1, 3),
        _cautions(advice, styles, width),
        Spacer(1, 5),
        _columns([old, new], half, gap),
        _columns([left, right], half, gap),
    ]
    if advice is not None:
        stuck = _stuck(advice, styles)
        section = draw_section(advice.screw, advice.numbers)
        drills = any(method.numbers == "drill" for method in advice.methods)
        if isinstance(section, Section) and drills:
            drawing = section_drawing(section)
            story.append(_columns([stuck, [drawing]], width - drawing.width - gap, gap, drawing.width))
        else:
            story += stuck
    story.append(Spacer(1, 2))
    basis = "Steps: common practice, no source. ± is the 95 % interval. Made by camdial; a person checks every figure."
    story.append(Paragraph(basis, styles["small"]))
    return story


def _columns(cells: list[list[Flowable]], first: float, gap: float, second: float | None = None) -> Table:
    table = Table([cells], colWidths=[first + gap, second if second is not None else first])
    table.setStyle(_padding(0.0, 2.0))
    table.setStyle(TableStyle([("RIGHTPADDING", (0, 0), (0, 0), gap)]))
    return table


def make_job_sheet(
    reading: Mapping[str, Any] | None = None,
    part: ChosenPart | None = None,
    advice: Advice | None = None,
    *,
    paper: str = "letter",
) -> bytes:
    """One page to take to the bench, as PDF.

    Parameters
    ----------
    reading : mapping, optional
        A ``camdial.reading/1`` object; without it the lines are left to fill in by hand.
    part : ChosenPart, optional
    advice : Advice, optional
        Advice on a stuck screw, with the section of the screw when there are figures to drill by.
    paper : {"letter", "a4"}

    Returns
    -------
    bytes
        A PDF of exactly one page; the print gets smaller until it fits.

    Raises
    ------
    SheetError
        If the paper is not known, the reading is none, or it does not fit one page in a size that is read.
    """
    if paper not in PAPERS:
        raise SheetError(f"paper is {paper!r}; allowed: {', '.join(PAPERS)}")
    if reading is not None and reading.get("schema") != "camdial.reading/1":
        raise SheetError(
            "not a reading: the object's schema is not camdial.reading/1; make one with camdial read --json"
        )
    width = PAPERS[paper][0] - 2.0 * MARGIN_MM * mm
    sizes = [LARGEST_PT - step * STEP_PT for step in range(math.floor((LARGEST_PT - SMALLEST_PT) / STEP_PT) + 1)]
    best: bytes | None = None
    low, high = 0, len(sizes) - 1  # larger print never takes fewer pages, so halving finds the largest that fits
    while low <= high:
        middle = (low + high) // 2
        target = io.BytesIO()
        document = SimpleDocTemplate(
            target,
            pagesize=PAPERS[paper],
            leftMargin=MARGIN_MM * mm - 6.0,  # the frame pads 6 points on each side
            rightMargin=MARGIN_MM * mm - 6.0,
            topMargin=MARGIN_MM * mm - 6.0,
            bottomMargin=MARGIN_MM * mm - 6.0,
            title="Job sheet: changing a cam",
            author="camdial",
            invariant=1,
        )
        document.build(_story(reading, part, advice, sizes[middle], width))
        if document.page == 1:
            best, high = target.getvalue(), middle - 1
        else:
            low = middle + 1
    if best is not None:
        return best
    raise SheetError("the sheet does not fit on one page; shorten the part's note")
