"""The command line: exit status, one line for an error, JSON where JSON is asked for."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from shop import cli
from shop.cli_fits import turn_text
from shop.report import chance_text
from tests.shop.readings import a_reading

ROOT = Path(__file__).resolve().parents[2]
HOLES = "61@4.55:3.9; 209@4.55:3.9"
BY_HAND = ["--family", "cloverleaf", "--bottom", "closed", "--reach", "21.4", "--tail-width", "12.2", "--holes", HOLES]


@pytest.fixture
def run(monkeypatch, tmp_path, capfd):
    """Run the command in this process; returns status, standard output and standard error."""
    monkeypatch.setenv("CAMDIAL_LIST", str(tmp_path / "parts.db"))
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str, str]:
        status = cli.main([str(a) for a in arguments])
        out, err = capfd.readouterr()
        return status, out, err

    return call


@pytest.fixture
def reads(monkeypatch):
    """Stand a known reading in for the pipeline: what is tested here is what the command does with a reading."""
    import vision.pipeline

    asked = []

    def known(photo, options, *, regions=None):
        asked.append((photo, options))
        return a_reading()

    monkeypatch.setattr(vision.pipeline, "read_photo", known)
    return asked


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "bench.jpg"
    Image.fromarray(np.full((900, 1200, 3), 128, np.uint8)).save(path)
    return path


def one_line(text: str) -> str:
    assert text.endswith("\n")
    assert text.count("\n") == 1, text
    assert text.startswith("camdial: ")
    return text


def process(*arguments, **more):
    return subprocess.run(
        [sys.executable, "-m", "shop.cli", *arguments], cwd=ROOT, capture_output=True, text=True, check=False, **more
    )


# ------------------------------------------------------------------------------------------------ read


def test_text_by_default(run, reads, photo):
    status, out, err = run("read", photo, "--coin", "us-quarter")
    assert status == 0
    assert "cloverleaf" in out
    assert "2 and 7 o'clock" in out
    assert err == ""
    assert reads[0][1].coin == "us-quarter"
    assert reads[0][1].scale == "auto"


def test_json_is_one_object_and_nothing_else(run, reads, photo):
    status, out, err = run("read", photo, "--json")
    record = json.loads(out)
    assert (status, err) == (0, "")
    assert record["schema"] == "camdial.reading/1"
    assert record["pattern"]["clock"] == ["2", "7"]
    assert set(record) >= {
        "outcome",
        "photo",
        "scale",
        "family",
        "bottom",
        "hand",
        "facing",
        "pattern",
        "dimensions",
        "outline",
        "warnings",
    }
    assert record["dimensions"]["tail_width"] is None
    assert "budget" not in record


def test_jsonl_goes_on_after_a_bad_file_and_keeps_the_order(run, reads, photo, tmp_path):
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(b"no photo")
    status, out, err = run("read", photo, bad, photo, "--jsonl")
    rows = [json.loads(line) for line in out.splitlines()]
    assert [row["photo"]["name"] for row in rows] == ["bench-07.jpg", "bad.jpg", "bench-07.jpg"]
    assert set(rows[1]) == {"schema", "photo", "error"}
    assert set(rows[1]["error"]) == {"code", "text"}
    assert status == 3
    assert err == ""


@pytest.mark.parametrize(
    "make", [lambda p: p.write_bytes(b"\xff\xd8\xff\xe0 cut"), lambda p: p.write_bytes(b""), lambda p: None]
)
def test_an_unreadable_photo_is_status_3_and_one_line(run, tmp_path, make):
    path = tmp_path / "x.jpg"
    make(path)
    status, out, err = run("read", path)
    assert (status, out) == (3, "")
    assert "x.jpg" in one_line(err)


@pytest.mark.parametrize(
    "arguments",
    [
        ["read"],
        ["read", "x.jpg", "--coin", "us-quater"],
        ["read", "x.jpg", "--coin", "eu-1", "--card"],
        ["read", "x.jpg", "--no-scale", "--coin", "eu-1"],
        ["read", "x.jpg", "--ruler", "furlong"],
        ["read", "x.jpg", "--facing", "up"],
        ["read", "x.jpg", "--thickness", "thick"],
        ["read", "x.jpg", "--thickness", "40"],
        ["read", "x.jpg", "--card-bar", "12"],
        ["read", "x.jpg", "--cylinder-diameter", "4"],
        ["read", "x.jpg", "--cylinder-diameter", "29", "--card"],
        ["read", "x.jpg", "--json", "--jsonl"],
        ["read", "x.jpg", "y.jpg", "--json"],
        ["read", "x.jpg", "y.jpg", "--overlay", "out.png"],
        ["read", "x.jpg", "--overlay", "nowhere/out.png"],
        ["read", "x.jpg", "--nonsense"],
        ["raed", "x.jpg"],
        ["fits"],
        ["fits", "--family", "finger"],
        ["fits", "--family", "bird", "--bottom", "open", "--reach", "22", "--holes", HOLES],
        ["fits", "reading.json", "--reach", "22"],
        ["parts", "add", "NB-1", "stock"],
        ["card", "out.pdf"],
    ],
)  # fmt: skip
def test_wrong_usage_is_status_2_and_one_line(run, arguments):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    one_line(err)


def test_a_misspelt_coin_is_helped(run):
    assert "did you mean" in run("read", "x.jpg", "--coin", "quarter")[2]


def test_overlay_pdf_and_budget(run, reads, photo, tmp_path):
    status, out, _ = run("read", photo, "--overlay", "o.png", "--pdf", "o.pdf", "--budget")
    assert status == 0
    assert "distance and scale" in out
    assert cv2.imread(str(tmp_path / "o.png")).ndim == 3
    assert (tmp_path / "o.pdf").read_bytes().startswith(b"%PDF")


def test_overlays_of_several_photos_go_into_a_folder(run, reads, photo, tmp_path):
    other = tmp_path / "second.jpg"
    other.write_bytes(photo.read_bytes())
    (tmp_path / "out").mkdir()
    assert run("read", photo, other, "--overlay", "out")[0] == 0
    # The reading's name stands in for both photos here, so both overlays carry it.
    assert [p.suffix for p in (tmp_path / "out").iterdir()]


def test_options_reach_the_pipeline(run, reads, photo):
    run("read", photo, "--card", "--card-bar", "99.6", "--facing", "plug", "--thickness", "2.4±0.1")
    options = reads[0][1]
    assert (options.card, options.card_bar_mm, options.facing) == (True, 99.6, "plug")
    assert options.thickness_mm.value == pytest.approx(2.4)
    assert options.thickness_mm.u95 == pytest.approx(0.1)
    run("read", photo, "--no-scale")
    assert reads[1][1].scale == "none"
    run("read", photo, "--cylinder-diameter", "28.9±0.1")
    assert reads[2][1].cylinder
    assert reads[2][1].cylinder_diameter_mm.value == pytest.approx(28.9)


def test_an_error_of_our_own_is_one_line_too(run, monkeypatch, photo):
    import vision.pipeline

    def broken(photo, options, *, regions=None):
        raise RuntimeError("two\nlines")

    monkeypatch.setattr(vision.pipeline, "read_photo", broken)
    status, out, err = run("read", photo)
    assert (status, out) == (70, "")
    assert "RuntimeError: two lines" in one_line(err)
    with pytest.raises(RuntimeError):
        cli.main(["--debug", "read", str(photo)])


def test_interrupt_is_130(run, monkeypatch, photo):
    import vision.pipeline

    def stopped(photo, options, *, regions=None):
        raise KeyboardInterrupt

    monkeypatch.setattr(vision.pipeline, "read_photo", stopped)
    assert run("read", photo)[0] == 130


def test_a_closed_pipe_is_silent(tmp_path):
    command = f"{sys.executable} -m shop.cli coins | head -1"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    assert done.returncode == 0


def test_photo_from_standard_input(reads, photo, run, monkeypatch):
    with photo.open("rb") as file:
        monkeypatch.setattr(sys, "stdin", type("In", (), {"buffer": file})())
        assert run("read", "-")[0] == 0


# ------------------------------------------------------------------------------------------------ the rest


def test_version_help_and_completion():
    assert process("--version").stdout.startswith("camdial ")
    assert "Commands:" in process().stdout
    done = process(env={**os.environ, "_CAMDIAL_COMPLETE": "bash_source"})
    assert "complete" in done.stdout
    words = process(
        env={**os.environ, "_CAMDIAL_COMPLETE": "bash_complete", "COMP_WORDS": "camdial re", "COMP_CWORD": "1"}
    )
    assert "read" in words.stdout


@pytest.mark.parametrize("name", list(cli.COMMANDS))
def test_every_command_has_help_and_the_line_it_is_listed_with(run, name):
    status, out, err = run(name, "--help")
    assert (status, err) == (0, "")
    assert out.startswith("Usage: camdial")
    assert name in run()[1]


def test_coins_list_the_table(run):
    # United States Mint, coin specifications: quarter 24.26 mm, cent 19.05 mm.
    status, out, _ = run("coins", "us", "--json")
    sizes = {row["id"]: row["diameter_mm"] for row in json.loads(out)["coins"]}
    assert status == 0
    assert (sizes["us-quarter"], sizes["us-cent"]) == (24.26, 19.05)
    assert run("coins", "xx")[0] == 2


def test_parts_list_from_import_to_export(run, tmp_path):
    header = "part,family,bottom,hand,reach_mm,holes,stock,bin"
    (tmp_path / "in.csv").write_text(
        f'{header}\nA-1,finger,open,none,22,"{HOLES}",3,C4\nA-2,taper,closed,none,25,"{HOLES}",,\n'
    )
    assert run("parts", "list")[0] == 3
    assert run("parts", "import", "in.csv")[1].startswith("2 added")
    assert "A-1" in run("parts", "list", "open", "bottom")[1]
    assert "A-2" not in run("parts", "list", "open", "bottom")[1]
    assert run("parts", "edit", "A-1", "stock=2")[0] == 0
    assert run("parts", "edit", "A-1", "stock=many")[0] == 3
    assert run("parts", "add", "A-3", "family=finger", "bottom=open", "reach_mm=21", f"holes={HOLES}")[0] == 0
    assert run("parts", "archive", "A-2")[0] == 0
    assert "A-2" in run("parts", "list", "--archived")[1]
    assert run("parts", "restore", "A-2")[0] == 0
    assert "stock=2" in run("parts", "history", "A-1")[1]
    assert run("parts", "check")[0] == 0
    assert run("parts", "backup", "copy.db")[0] == 0
    assert run("parts", "backup", "copy.db")[0] == 3
    assert run("parts", "export", "out.csv")[0] == 0
    assert run("parts", "import", "out.csv")[1].startswith("0 added, 0 changed, 3 the same")
    assert run("parts", "met", "storefront", "cloverleaf")[0] == 0


def test_a_bad_list_names_line_and_column_and_takes_nothing(run, tmp_path):
    (tmp_path / "bad.csv").write_text("part,family,bottom,reach_mm,holes\nA-1,bird,open,22,61@4.5:3.3\n")
    status, out, err = run("parts", "import", "bad.csv")
    assert (status, out) == (3, "")
    assert "line 2, column family" in err
    assert run("parts", "list")[0] == 3


def test_a_part_added_from_a_reading_keeps_what_the_calliper_says(run, tmp_path):
    (tmp_path / "r.json").write_text(a_reading().dumps())
    assert run("parts", "add", "N-1", "--from", "r.json", "reach_mm=21.1", "tail_width_mm=12")[0] == 0
    record = json.loads(run("parts", "list", "--json")[1])["parts"][0]
    assert (record["family"], record["reach_mm"], record["tail_width_mm"]) == ("cloverleaf", "21.1", "12")


def test_fits_by_hand_against_the_demo_list(run):
    demo = ROOT / "shop" / "data" / "demo_parts.csv"
    status, out, err = run("fits", *BY_HAND, "--parts", demo, "--json")
    record = json.loads(out)
    assert (status, err) == (0, "")
    assert record["schema"] == "camdial.fits/1"
    first, second = record["candidates"][:2]
    assert (first["part"], first["verdict"]) == ("NB-101", "fits")
    # Common practice, no source: 2 and 7 does not interchange with 3 and 9, closed does not replace open.
    by_number = {c["part"]: c for c in record["candidates"]}
    assert by_number["NB-102"]["verdict"] == "does-not-fit"
    assert second["probability"] <= first["probability"]
    text = run("fits", *BY_HAND, "--parts", demo)[1]
    assert text.startswith("NB-101  fits")
    assert "--all shows why" in text


def test_fits_takes_a_reading_and_a_measurement(run, tmp_path):
    (tmp_path / "r.json").write_text(a_reading().dumps())
    demo = ROOT / "shop" / "data" / "demo_parts.csv"
    assert run("fits", "r.json", "--parts", demo, "--door", "storefront", "--measured", "reach=21.4")[0] == 0
    assert run("fits", "r.json", "--parts", demo, "--measured", "colour=red")[0] == 2
    status, out, err = run("fits", "r.json")
    assert (status, out) == (3, "")
    assert "parts import" in one_line(err)
    (tmp_path / "broken.json").write_text('{"schema": ')
    assert run("fits", "broken.json", "--parts", demo)[0] == 3


def test_compare_two_readings_draws_both(run, tmp_path):
    (tmp_path / "a.json").write_text(a_reading().dumps())
    (tmp_path / "b.json").write_text(a_reading().dumps())
    status, out, err = run("compare", "a.json", "b.json", "--overlay", "both.svg")
    assert (status, err) == (0, "")
    assert "B minus A" in out
    assert "<svg" in (tmp_path / "both.svg").read_text()
    assert json.loads(run("compare", "a.json", "b.json", "--json")[1])["comparison"]["outline_gaps"] == []


def test_card_and_doctor(run, tmp_path):
    assert run("card", "card.pdf", "--paper", "letter")[0] == 0
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF")
    status, out, _ = run("doctor")
    assert status == 0, out
    assert "finder" in out


def test_page_settings_go_as_arguments():
    from shop.cli_tools import page_command

    command = page_command(8501, "127.0.0.1", headless=True)
    assert "--server.address=127.0.0.1" in command
    assert "--server.maxUploadSize=30" in command
    assert "--browser.gatherUsageStats=false" in command
    assert "--client.toolbarMode=viewer" in command
    assert "--server.disconnectedSessionTTL=1800" in command
    assert Path(next(word for word in command if word.endswith("app.py"))).is_file()


def test_chances_are_never_rounded_to_certainty():
    assert chance_text(0.9999) == "over 99 %"
    assert chance_text(0.004) == "under 1 %"
    assert (chance_text(1.0), chance_text(0.0)) == ("100 %", "0 %")


def test_turning_values_in_words():
    base = {"unit": "mm", "turns_at": 8.72, "fits_when": "above", "between": None}
    assert turn_text(base) == "fits above 8.72 mm"
    assert turn_text({**base, "between": [8.5, 8.9], "fits_when": "between"}) == "fits between 8.50 and 8.90 mm"
    assert turn_text({"unit": "by eye", "turns_at": None, "fits_when": "open", "between": None}) == "fits if open"
