"""The printed sheet: one page on both papers, cautions first, nothing cut off; read back with poppler."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from shop.drawing import Section, draw_section
from shop.freeing import Advice, Situation, advise
from shop.job_sheet import (
    ChosenPart,
    SheetError,
    chosen_from_fits,
    load_job,
    make_job_sheet,
    section_drawing,
)
from shop.methods import CONDITIONS, PLACES, load_knowledge
from shop.screw_at_hand import Screw, numbers_for, screw_from_reading
from shop.threads import find_thread
from vision.quantity import Quantity

poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
READING: dict[str, Any] = {
    "schema": "camdial.reading/1",
    "outcome": "unsure",
    "photo": {"name": "bench-07.jpg", "sha256": "0" * 64, "width": 4032, "height": 3024},
    "family": {"label": "cloverleaf", "probability": 0.93, "plausible": ["cloverleaf"]},
    "bottom": {"label": "closed", "probability": 0.9, "plausible": ["closed", "open"]},
    "hand": {"label": "none", "probability": 0.97},
    "facing": {"label": "screw", "probability": 0.9},
    "pattern": {
        "clock": ["2", "centre"],
        "holes": [
            {
                "position": "2",
                "angle": {"value": 61.2, "u95": 1.4},
                "radius": {"value": 4.51, "u95": 0.06},
                "diameter": {"value": 3.9, "u95": 0.07},
            },
            {"position": "centre", "angle": None, "radius": {"value": 0.1, "u95": 0.06}, "diameter": None},
        ],
    },
    "dimensions": {"reach": {"value": 21.4, "u95": 0.2}},
    "warnings": [{"code": "bottom", "text": "The bottom may be open: look at the edge opposite the tail."}],
}


def advice(condition: str = "head-damaged", place: str = "vise") -> Advice:
    screw = screw_from_reading(READING, Screw(find_thread("#6-32"), "slotted-82", Quantity(6.4, 0.03)))
    return advise(Situation(condition, frozenset(load_knowledge().tools), frozenset({"cam"}), place), screw)


def text_and_facts(pdf: bytes, folder: Path) -> tuple[str, str]:
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout
    facts = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    return text, facts


@poppler
@pytest.mark.parametrize(
    ("paper", "points"),
    [("letter", "612 x 792"), ("a4", "595.276 x 841.89")],  # ANSI/ASME Y14.1 A: 8.5 × 11 in; ISO 216 A4: 210 × 297 mm
)
@pytest.mark.parametrize("condition", CONDITIONS)
@pytest.mark.parametrize("place", PLACES)
def test_one_page_cautions_first(paper: str, points: str, condition: str, place: str, tmp_path: Path) -> None:
    part = ChosenPart("NB-204", "C4", "#6-32 x 1/4", "fits", 0.98, "both holes within 0.11 mm")
    text, facts = text_and_facts(make_job_sheet(READING, part, advice(condition, place), paper=paper), tmp_path)
    assert re.search(r"Pages:\s+1\n", facts) and points in facts
    flat = " ".join(text.split())
    first = load_knowledge().cautions["eyes"].text
    assert first in flat and "1910.133" in flat and "NFPA 80" in flat
    assert flat.index(first) < flat.index("Comes off") < flat.index("Check at the end")
    assert "NB-204" in flat and "21.40 ± 0.20 mm" in flat and "Reading: unsure" in flat
    assert "could be" in flat


@poppler
def test_every_step_and_check_is_printed(tmp_path: Path) -> None:
    text, _ = text_and_facts(make_job_sheet(READING, None, None, paper="a4"), tmp_path)
    words = set(re.findall(r"[A-Za-z]+", text))
    for texts in load_job().values():
        for step in texts:
            assert set(re.findall(r"[A-Za-z]+", step)) <= words


@poppler
def test_stop_depth_and_drill_of_the_advice_are_printed(tmp_path: Path) -> None:
    given = advice()
    assert isinstance(given.numbers.drills, tuple)
    text, _ = text_and_facts(make_job_sheet(READING, None, given), tmp_path)
    plan = given.numbers.drills[0]
    assert f"STOP {plan.stop_mm:.2f} mm" in text and plan.drill.name in text


@poppler
def test_a_blank_sheet_and_odd_letters_still_print(tmp_path: Path) -> None:
    text, facts = text_and_facts(make_job_sheet(), tmp_path)
    assert "Pages:           1" in facts and "Outline" in text
    odd = ChosenPart("部品<b>7</b> & Söhne", note="x" * 900)
    text, facts = text_and_facts(make_job_sheet(READING | {"photo": {"name": "写真.jpg" * 30}}, odd), tmp_path)
    assert "Pages:           1" in facts and "<b>7</b> & Söhne" in text


@poppler
def test_no_word_is_rounded_to_certainty(tmp_path: Path) -> None:
    nearly = READING | {"family": {"label": "hook", "probability": 0.9991, "plausible": ["hook"]}}
    text, _ = text_and_facts(make_job_sheet(nearly), tmp_path)
    assert "hook (over 99 %)" in text and "100%" not in text


def test_the_last_check_is_at_the_open_door_first() -> None:
    checks = load_job()["check"]
    opened = next(i for i, text in enumerate(checks) if "door OPEN" in text)
    shut = next(i for i, text in enumerate(checks) if "door shut" in text)
    assert opened < shut
    joined = " ".join(checks).lower()
    for wanted in ("in and out freely", "open bottom", "flush", "turns", "locks and unlocks"):
        assert wanted in joined


def test_section_on_the_sheet_has_the_scale_it_states() -> None:
    screw = Screw(find_thread("#6-32"), "slotted-82")
    section = draw_section(screw, numbers_for(screw))
    assert isinstance(section, Section)
    drawing = section_drawing(section, 5.0)
    head = next(shape for shape in section.shapes if shape.name == "head")
    group = drawing.contents[0]
    polygons = [list(item.points) for item in group.contents if type(item).__name__ == "Polygon"]
    index = [shape.name for shape in section.shapes].index("head")
    wide_mm = head.points[1][0] - head.points[0][0]
    assert polygons[index][2] - polygons[index][0] == pytest.approx(wide_mm * 5.0 * 72.0 / 25.4, rel=1e-6)


def test_the_same_input_gives_the_same_file() -> None:
    assert make_job_sheet(READING, None, advice()) == make_job_sheet(READING, None, advice())


def test_what_is_no_reading_or_paper_is_refused() -> None:
    with pytest.raises(SheetError, match=r"camdial\.reading/1"):
        make_job_sheet({"schema": "other"})
    with pytest.raises(SheetError, match="allowed: a4, letter"):
        make_job_sheet(READING, paper="a5")


def test_the_part_is_taken_from_a_fit_decision() -> None:
    fits = {
        "schema": "camdial.fits/1",
        "candidates": [
            {"part": "NB-1", "verdict": "measure", "probability": 0.5, "bin": "A1", "reasons": ["hole at 7 is off"]},
            {"part": "NB-2", "verdict": "fits", "probability": 0.97, "bin": None, "reasons": []},
        ],
    }
    assert chosen_from_fits(fits).part == "NB-2"
    assert chosen_from_fits(fits, "NB-1").note == "hole at 7 is off"
    with pytest.raises(SheetError, match="NB-9 is not among"):
        chosen_from_fits(fits, "NB-9")
    with pytest.raises(SheetError, match="no candidate fits"):
        chosen_from_fits(fits | {"candidates": fits["candidates"][:1]})
    with pytest.raises(SheetError, match=r"camdial\.fits/1"):
        chosen_from_fits({"schema": "x"})
