"""`camdial free` and `camdial sheet` as a shop would call them: output, exit status, one-line errors."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from click.testing import CliRunner

from shop.cli import main
from shop.cli_free import free
from tests.shop.test_job_sheet import READING


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(words)
    out, err = capsys.readouterr()
    return status, out, err


@pytest.fixture
def reading(tmp_path: Path) -> str:
    path = tmp_path / "reading.json"
    path.write_text(json.dumps(READING), "utf-8")
    return str(path)


def test_json_is_one_object_with_cautions_first(capsys: pytest.CaptureFixture[str], reading: str) -> None:
    status, out, err = run(
        capsys, "free", reading, "--condition", "head-damaged", "--tools", "all", "--place", "vise", "--save", "cam",
        "--screw", "#6-32", "--head", "slotted-82", "--head-diameter", "6.35±0.05", "--json",
    )  # fmt: skip
    record = json.loads(out)
    assert (status, err, record["schema"]) == (0, "", "camdial.free/1")
    assert list(record)[1] == "cautions" and record["cautions"][0]["id"] == "eyes"
    assert record["screw"]["head_diameter"] == {"value": 6.35, "u95": 0.05}
    assert record["screw"]["hole"] == {"value": 3.9, "u95": 0.07}  # the reading's hole, not the table's
    assert {"#27", "9/64 in", "3.6 mm"} == {drill["drill"] for drill in record["numbers"]["drills"]}


def test_text_for_a_terminal_and_the_section_to_scale(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, reading: str
) -> None:
    svg = tmp_path / "section.svg"
    status, out, _ = run(
        capsys, "free", "--condition", "head-damaged", "--tools", "vise,drill,eye-protection,hammer", "--screw", "M3",
        "--head", "din-90", "--svg", str(svg),
    )  # fmt: skip
    assert status == 0 and out.startswith("BEFORE ANYTHING ELSE") and "3.1 mm = 3.10 mm, 118° point" in out
    assert ET.parse(svg).getroot().tag.endswith("svg")
    status, _, err = run(capsys, "free", reading, "--condition", "head-damaged", "--svg", str(svg))
    assert status == 0 and "no section drawn: screw size not sure" in err


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["free"], 2, "say what is wrong"),
        (["free", "--condition", "stuck"], 2, "wont-turn"),
        (["free", "--condition", "wont-turn", "--tools", "vise,drver"], 2, "drver"),
        (["free", "--condition", "wont-turn", "--screw", "#7-20"], 2, "allowed: #2-56"),
        (["free", "--condition", "wont-turn", "--drill", "18"], 2, "no stock drill"),
        (["free", "--condition", "wont-turn", "--head-diameter=-3"], 2, "no length"),
        (["free", "nowhere.json", "--condition", "wont-turn"], 3, "nowhere.json"),
        (["sheet", "no-folder/job.pdf"], 3, "no-folder"),
        (["sheet", "job.pdf", "--fits", "nowhere.json"], 3, "nowhere.json"),
    ],
)
def test_errors_are_one_line_that_says_what_to_do(
    capsys: pytest.CaptureFixture[str], words: list[str], status: int, says: str
) -> None:
    found, out, err = run(capsys, *words)
    assert (found, out, err.count("\n")) == (status, "", 1)
    assert says in err and "Traceback" not in err


def test_what_is_no_reading_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for text in ("[1]", "{", '{"schema": "camdial.fits/1"}'):
        path = tmp_path / "odd.json"
        path.write_text(text, "utf-8")
        status, _, err = run(capsys, "free", str(path), "--condition", "wont-turn")
        assert status == 3 and "camdial" in err and "--json" in err


def test_a_reading_comes_through_the_pipe() -> None:
    result = CliRunner().invoke(free, ["-", "--condition", "wont-turn", "--json"], input=json.dumps(READING))
    assert json.loads(result.output)["screw"]["guesses"][0]["probability"] < 0.95


def test_sheet_writes_one_pdf(capsys: pytest.CaptureFixture[str], tmp_path: Path, reading: str) -> None:
    fits = tmp_path / "fits.json"
    best = {"part": "NB-2", "verdict": "fits", "probability": 0.97, "bin": "C4", "reasons": []}
    fits.write_text(json.dumps({"schema": "camdial.fits/1", "candidates": [best]}), "utf-8")
    pdf = tmp_path / "job.pdf"
    status, out, err = run(
        capsys, "sheet", str(pdf), "--reading", reading, "--fits", str(fits), "--paper", "a4", "--screw", "#6-32",
        "--condition", "wont-turn", "--tools", "all",
    )  # fmt: skip
    assert (status, out) == (0, "") and err.endswith("one page, a4\n")
    assert pdf.read_bytes().startswith(b"%PDF-")
