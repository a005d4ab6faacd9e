"""What is said and drawn of a reading."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.dial import RING, dial_of, dial_svg
from shop.overlay import HOLE, LINE, draw_overlay
from shop.report import budget_text, decimals_for, hole_rows, pattern_text, quantity_text, reading_text, sureness
from shop.report_pdf import make_report
from tests.shop.readings import a_reading, word
from vision.quantity import NotMeasured, Quantity
from vision.reading import PhotoFacts, Reading, ScrewHole, Word
from vision.vocabulary import xy_from_angle


def test_text_says_words_clock_sizes_and_warnings():
    text = reading_text(a_reading().to_json())
    lines = text.split("\n")
    assert lines[0] == "bench-07.jpg: cloverleaf, closed bottom, screws at 2 and 7 o'clock; check:"
    assert "outline      cloverleaf, sure (over 99 %)" in text
    assert "bottom       closed, fairly sure (93 %)" in text
    assert "screw holes  2 and 7 o'clock" in text
    assert "61.2° ± 1.4°, 4.51 ± 0.06 mm from the axis, Ø 3.31 ± 0.07 mm" in text
    assert "reach        21.40 ± 0.20 mm" in text
    assert lines[1].startswith("  ! not measured: tail width; ")
    assert "hand" not in text  # a symmetric part has none to tell


def test_inches_are_exact():
    # 1 in = 25.4 mm: international yard and pound agreement of 1959.
    assert quantity_text({"value": 25.4, "u95": 0.1}, "mm", inch=True) == "25.40 ± 0.10 mm (1.000 in)"
    assert quantity_text({"value": 12.7, "u95": 0.1}, "mm", inch=True).endswith("(0.500 in)")


@pytest.mark.parametrize(
    ("value", "u95", "said"),
    [
        # JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty, the value to the same place; its own
        # example: 10.057 62 ohm with 27 milliohm is written 10.058 ohm.
        (10.05762, 0.027, "10.058 ± 0.027"),
        (4.56789, 0.035, "4.57 ± 0.04"),
        (21.4, 0.2, "21.40 ± 0.20"),
        (21.4, 0.5, "21.4 ± 0.5"),
        (209.04, 14.0, "209 ± 14"),
        (4.5, 0.0, "4.50 ± 0.00"),
    ],
)
def test_digits_follow_the_uncertainty(value, u95, said):
    assert quantity_text({"value": value, "u95": u95}, "mm") == f"{said} mm"


@given(st.floats(1e-3, 99.0))
def test_the_uncertainty_keeps_one_or_two_significant_digits(u95):
    places = decimals_for(u95)
    shown = f"{u95:.{places}f}"
    digits = shown.replace(".", "").lstrip("0")
    assert 1 <= len(digits) <= 2 or (places == 0 and len(digits) <= 3)
    assert abs(float(shown) - u95) <= 0.5 * 10.0**-places + 1e-12


@pytest.mark.parametrize(
    ("clock", "said"),
    [
        ([], "none seen"),
        (["3"], "3 o'clock"),
        (["2", "7"], "2 and 7 o'clock"),
        (["3", "centre"], "3 o'clock and centre"),
        (["centre"], "centre"),
        (["2", "6", "10:30"], "2, 6 and 10:30 o'clock"),
    ],
)
def test_pattern_in_words(clock, said):
    assert pattern_text(clock) == said


def test_doubt_is_never_called_sure():
    assert sureness({"label": "finger", "probability": 0.995, "plausible": ["finger"]}).startswith("sure")
    assert (
        sureness({"label": "finger", "probability": 0.995, "plausible": ["finger", "taper"]})
        == "over 99 %, taper not ruled out"
    )
    assert sureness({"label": "finger", "probability": 0.6, "plausible": ["finger"]}).startswith("not sure")
    assert "100 %" not in sureness({"label": "finger", "probability": 0.9999, "plausible": ["finger"]})


def test_a_part_that_was_not_read_says_why_and_no_sizes():
    facts = PhotoFacts("dog.jpg", "00" * 32, 640, 480)
    reading = Reading("not-a-cam", facts, warnings=(NotMeasured("not-a-cam", "what lies there is no cam"),))
    assert reading_text(reading.to_json()) == "dog.jpg: no cam\n  ! what lies there is no cam"


def test_a_hole_in_the_centre_has_no_angle_and_no_radius():
    centre = ScrewHole("centre", (500.0, 450.0), None, Quantity(0.2, 0.1), Quantity(3.3, 0.05))
    rows = hole_rows(a_reading(holes=(centre,)).to_json())
    assert rows == [("screw holes", "centre"), ("  centre", "Ø 3.30 ± 0.10 mm")]


def test_budget_adds_up_and_puts_the_largest_first():
    text = budget_text(a_reading().budget)
    assert re.search(r"reach: 0\.0812 mm", text)  # hypot(0.064, 0.05)
    assert text.index("distance and scale") < text.index("thickness of the part")


# ------------------------------------------------------------------------------------------------ clock face


def test_dial_puts_holes_at_the_angles_of_the_reading():
    dial = dial_of(a_reading().to_json())
    assert dial is not None
    for hole, angle in zip(dial.holes, (61.2, 209.0), strict=True):
        ux, uy = xy_from_angle(angle, 1.0)
        assert hole.x * uy - hole.y * ux == pytest.approx(0.0, abs=1e-9)
        assert hole.x * ux + hole.y * uy > 0.0
    assert np.hypot(*dial.outline.T).max() < RING


def test_dial_turns_the_tail_up_and_mirrors_the_plug_side():
    reading = a_reading().to_json()
    outline = reading["outline"]
    # A spike to the right of the tail, as seen in the photo.
    outline["polygon_px"] = [[500, 240], [700, 450], [500, 500], [480, 450]]
    seen = dial_of(reading)
    turned = dial_of({**reading, "facing": {"label": "plug", "probability": 0.9}})
    assert seen is not None
    assert turned is not None
    np.testing.assert_allclose(turned.outline, seen.outline * (-1.0, 1.0))
    # The same part photographed a quarter turn round draws the same.
    quarter = {**reading, "outline": {k: [[-y, x] for x, y in np.atleast_2d(v).tolist()] for k, v in outline.items()}}
    for name in ("axis_px", "tail_px"):
        quarter["outline"][name] = quarter["outline"][name][0]
    quarter["pattern"] = {
        **reading["pattern"],
        "holes": [{**h, "center_px": [-h["center_px"][1], h["center_px"][0]]} for h in reading["pattern"]["holes"]],
    }
    again = dial_of(quarter)
    assert again is not None
    np.testing.assert_allclose(again.outline, seen.outline, atol=1e-9)


def test_dial_svg_is_well_formed_and_says_the_pattern():
    root = ET.fromstring(dial_svg(a_reading().to_json(), jaws_mm=((-9.5, 0.0), (9.5, 0.0))))
    assert root.tag.endswith("svg")
    assert "2 and 7 o'clock" in root.attrib["aria-label"]
    texts = [element.text for element in root.iter() if element.tag.endswith("text")]
    assert [t for t in texts if t == "2"] == ["2"]
    ET.fromstring(dial_svg({"pattern": None, "outline": None}))


# ------------------------------------------------------------------------------------------------ picture


def test_overlay_draws_outline_and_holes_where_they_are():
    reading = a_reading().to_json()
    grey = np.full((900, 1200, 3), 128, np.uint8)
    drawn = draw_overlay(grey, reading, long_side_px=1200)
    outline = np.array(reading["outline"]["polygon_px"])
    # Where the part's pixels went: the crop begins at the outline's and the coin's border.
    found = np.argwhere(np.all(np.abs(drawn.astype(int) - LINE) < 40, axis=2))[:, ::-1]
    assert len(found) > 500
    size = found.max(axis=0) - found.min(axis=0)
    want = outline.max(axis=0) - outline.min(axis=0)
    assert size[0] / size[1] == pytest.approx(want[0] / want[1], rel=0.02)
    assert np.any(np.all(np.abs(drawn.astype(int) - HOLE) < 30, axis=2))


def test_overlay_on_a_photo_read_at_half_its_size():
    reading = a_reading()
    twice = replace(reading, photo=replace(reading.photo, width=2400, height=1800)).in_file_pixels(2).to_json()
    grey = np.full((900, 1200, 3), 128, np.uint8)
    once = draw_overlay(grey, reading.to_json(), long_side_px=1200)
    drawn = draw_overlay(grey, twice, long_side_px=1200)
    assert np.abs(np.array(drawn.shape) - once.shape).max() <= 2
    marks = [np.argwhere(np.all(np.abs(p.astype(int) - LINE) < 40, axis=2)) for p in (once, drawn)]
    for edge in (np.min, np.max):  # frames are cut on whole pixels
        assert np.abs(edge(marks[0], axis=0) - edge(marks[1], axis=0)).max() <= 3
    middle = reading.outline.axis_px
    assert twice["outline"]["axis_px"] == [round(2 * v + 0.5, 2) for v in middle]
    if reading.scale is not None:
        assert twice["scale"]["mm_per_px"] == pytest.approx(reading.scale.mm_per_px / 2, rel=1e-3)


def test_overlay_leaves_the_photo_alone_and_copes_with_no_part():
    grey = np.full((300, 400, 3), 90, np.uint8)
    before = grey.copy()
    facts = PhotoFacts("x.jpg", "0" * 64, 400, 300)
    drawn = draw_overlay(grey, Reading("retake", facts, warnings=(NotMeasured("no-part", "no part"),)).to_json())
    assert np.array_equal(grey, before)
    assert drawn.shape[1] == 800  # a small photo is blown up no more than twice


def test_overlay_keeps_within_the_picture_when_the_part_lies_at_the_border():
    reading = a_reading().to_json()
    for name in ("polygon_px", "reference_px"):
        reading["outline"][name] = [[x - 480, y - 430] for x, y in reading["outline"][name]]
    drawn = draw_overlay(np.zeros((900, 1200, 3), np.uint8), reading)
    assert drawn.ndim == 3


# ------------------------------------------------------------------------------------------------ printed page


@pytest.mark.parametrize(("paper", "points"), [("a4", (595.276, 841.89)), ("letter", (612.0, 792.0))])
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
def test_report_is_one_page_with_the_numbers_on_it(tmp_path, paper, points):
    target = tmp_path / "r.pdf"
    make_report(target, np.full((900, 1200, 3), 128, np.uint8), a_reading().to_json(), paper=paper, inch=True)
    said = subprocess.run(["pdfinfo", target], capture_output=True, text=True, check=True).stdout
    assert re.search(r"Pages:\s+1\b", said)
    # A4: ISO 216, 210 x 297 mm; Letter: 8.5 x 11 in.
    width, height = map(float, re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", said).groups())
    assert (width, height) == pytest.approx(points, abs=0.1)
    text = subprocess.run(["pdftotext", "-layout", target, "-"], capture_output=True, text=True, check=True).stdout
    for part in ("cloverleaf", "2 and 7 o'clock", "21.40 ± 0.20 mm", "fire or exit door", "not measured: tail width"):
        assert part in text


def test_report_takes_many_long_warnings_and_strange_letters(tmp_path):
    warnings = tuple(NotMeasured("x", f"warning {i} " + "that goes on and on " * 12) for i in range(9))
    reading = replace(a_reading(), warnings=warnings, photo=PhotoFacts("图\u0000'<b>.jpg", "0" * 64, 1200, 900))
    held = io.BytesIO()
    make_report(held, None, reading.to_json())
    assert held.getvalue().startswith(b"%PDF")


def test_report_refuses_other_paper(tmp_path):
    with pytest.raises(ValueError, match="a4, letter"):
        make_report(tmp_path / "r.pdf", None, a_reading().to_json(), paper="a5")


def test_hand_is_said_when_there_is_one():
    hooked = a_reading(family=word("hook", 0.97, "offset"), hand=Word("left", 0.95))
    text = reading_text(hooked.to_json())
    assert "hand" in text
    assert "offset not ruled out" in text
