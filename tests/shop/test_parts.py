"""The parts list as people and spreadsheets write it."""

import csv
import io
import itertools
import string

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shop.parts import (
    COLUMNS,
    MOST_HOLES,
    Part,
    PartHole,
    PartsError,
    edit_part,
    format_holes,
    parse_holes,
    part_from_reading,
    read_csv,
    write_csv,
)
from tests.shop.readings import a_reading
from tests.shop.simulated_shop import DEMO
from vision.vocabulary import FAMILIES, HANDED_FAMILIES

HEADER = "part,family,bottom,hand,reach_mm,hub_diameter_mm,tail_width_mm,thickness_mm,holes,screw,bin,stock,note"
ROW = 'A1,finger,closed,none,21.4,19.0,6.5,2.3,"61@4.55:3.3; 209@4.55:3.3",M3,C4,3,plain'
A1 = Part(
    "A1", "finger", "closed", "none", 21.4, (PartHole(61.0, 4.55, 3.3), PartHole(209.0, 4.55, 3.3)),
    19.0, 6.5, 2.3, "M3", "C4", 3, "plain",
)  # fmt: skip


def rows(*lines, header=HEADER):
    return "\n".join([header, *lines]).encode()


def test_a_plain_file_is_read():
    assert read_csv(rows(ROW)).parts == (A1,)


@pytest.mark.parametrize(
    "raw",
    [
        b"\xef\xbb\xbf" + rows(ROW),  # a byte order mark, as spreadsheets put before UTF-8
        rows(ROW).replace(b"\n", b"\r\n") + b"\r\n\r\n",
        b"sep=;\r\n" + f'{HEADER.replace(",", ";")}\r\n'.encode()
        + b'A1;finger;closed;none;21,4;19,0;6,5;2,3;"61@4,55:3,3; 209@4,55:3,3";M3;C4;3;plain\r\n',
        f'{HEADER.replace(",", ";")};;\r\nA1;Finger;CLOSED;;21,4;19;6,5;2,3;"61@4,55:3,3;209@4,55:3,3";m3;C4;3;plain;;\r\n;;;\r\n'.encode(),
        f'{HEADER}\nA1,finger,closed,none,"21,4",19,"6,5","2,3","61@4,55:3,3; 209@4,55:3,3",M3,C4,3,plain\n'.encode(),
        rows(ROW).replace(b",", b"\t").replace(b'"61', b'"61'),
        rows('A1, finger ,closed,none,21.4 mm,19,6.5,2.3,"61° @ 4.55 : 3.3; 209°@4.55:3.3",M3x0.5,C4,3.0,plain',
             header=HEADER.replace("reach_mm", "Reach mm").replace("part,", "Part,")),
    ],
    ids=["mark", "crlf", "sep-line", "semicolons", "decimal-commas", "tabs", "units"],
)  # fmt: skip
def test_files_as_spreadsheets_write_them(raw):
    found = read_csv(raw)
    assert found.problems == ()
    assert found.parts == (A1,)


def test_the_file_pandas_writes_is_read(tmp_path):
    """An independent writer of CSV, with German separators."""
    frame = pd.DataFrame([dict(zip(HEADER.split(","), next(csv.reader([ROW])), strict=True))])
    for column in ("reach_mm", "hub_diameter_mm", "tail_width_mm", "thickness_mm"):
        frame[column] = frame[column].astype(float)
    path = tmp_path / "parts.csv"
    frame.to_csv(path, sep=";", decimal=",", index=False, encoding="utf-8-sig")
    assert read_csv(path).parts == (A1,)


@pytest.mark.parametrize(
    ("column", "cell", "allowed"),
    [
        ("family", "lever", "finger, taper, paddle, cloverleaf, hook, offset, hammer, fork"),
        ("bottom", "", "a value is needed"),
        ("bottom", "shut", "closed, open"),
        ("hand", "left", "a finger has no hand; allowed: none"),
        ("reach_mm", "0.84", "5 to 80 mm"),
        ("reach_mm", "twenty", "no number"),
        ("reach_mm", "1.234,5", "no number"),
        ("reach_mm", "8", "inside the hub"),
        ("tail_width_mm", "50", "wider than twice the reach"),
        ("holes", "61@4.55", "write angle@radius:diameter"),
        ("holes", "361@4.55:3.3", "0 to 360"),
        ("holes", "61@4.55:3.3; 62@4.55:3.3", "overlap"),
        ("holes", ";".join(f"{a}@9:3" for a in range(0, 300, 60)), "1 to 4"),
        ("holes", "61@4.55:33", "1 to 10 mm"),
        ("holes", "61@4.55:3.3/3.0", "no wider than its hole"),
        ("screw", "M9", "#5-40"),
        ("stock", "2.5", "a whole number"),
        ("stock", "-1", "a whole number"),
        ("note", "bell\x07", "plain text"),
    ],
)
def test_a_bad_cell_is_named_by_line_and_column(column, cell, allowed):
    cells = dict(zip(HEADER.split(","), next(csv.reader([ROW])), strict=True)) | {column: cell}
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, HEADER.split(","))
    writer.writeheader()
    writer.writerow(dict(zip(HEADER.split(","), next(csv.reader([ROW])), strict=True)) | {"part": "A0"})
    writer.writerow(cells)
    found = read_csv(text.getvalue().encode())
    assert found.parts == ()
    assert [problem.line for problem in found.problems] == [3]
    assert [problem.column for problem in found.problems] == [column]
    assert allowed in str(found.problems[0])
    good = read_csv(text.getvalue().encode(), skip_bad=True)
    assert [part.part for part in good.parts] == ["A0"]
    assert good.problems == found.problems


def test_lines_are_counted_as_an_editor_counts_them():
    note = '"a note\nof two lines"'
    raw = rows(ROW.replace("plain", note), "", ROW.replace("A1", "A2").replace("21.4", "x"))
    (problem,) = read_csv(raw).problems
    assert problem.line == 5


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "empty"),
        (b"\xff\xfep\x00a\x00", "UTF-16"),
        (rows(ROW).replace(b"plain", b"pl\xe4in"), "UTF-8"),
        (b"part,family\nA1,finger\n", "missing from the header"),
        (rows(ROW, header=HEADER.replace("bin", "shelf")), "no such column"),
        (rows(ROW, header=HEADER.replace("bin", "note")), "twice"),
        (rows(ROW + ",more"), "14 cells"),
        (rows(ROW, ROW), "line 2 already"),
        (b"\x00\x01", "no text"),
        (rows(ROW.replace("plain", '"never closed')), "no CSV"),
    ],
)
def test_a_file_that_is_no_parts_list_is_refused_in_words(raw, says):
    found = read_csv(raw)
    assert found.parts == ()
    assert says in str(found.problems[0])


def test_a_formula_is_disarmed_and_comes_back():
    """RFC 4180 leaves it open what a cell means; spreadsheets run one that begins with an equals sign."""
    part = edit_part(A1, {"note": "=HYPERLINK(1)", "bin": "-4"})
    text = io.StringIO(newline="")
    write_csv([part], text)
    assert '"\'=HYPERLINK(1)"' in text.getvalue() or ",'=HYPERLINK(1)" in text.getvalue()
    assert not any(cell[:1] in "=+-@" for cell in next(csv.reader([text.getvalue().splitlines()[1]])) if cell)
    assert read_csv(text.getvalue().encode()).parts == (part,)


sizes = st.decimals(2, 8, places=2).map(float)
words = st.text(string.ascii_letters + string.digits + " ,;\"'äß=+-@", max_size=20).map(str.strip)


@st.composite
def any_part(draw):
    family = draw(st.sampled_from(FAMILIES))
    count = draw(st.integers(1, MOST_HOLES))
    turn = draw(st.integers(0, 89))
    holes = tuple(
        PartHole(
            float(turn + 90 * i), draw(st.decimals(6, 9, places=2).map(float)), draw(sizes.filter(lambda d: d < 5))
        )
        for i in range(count)
    )
    if draw(st.booleans()):
        holes = (PartHole(None, 0.0, 2.5, draw(st.none() | st.just(5.5))), *holes[1:])
    return Part(
        part=draw(words.filter(bool)),
        family=family,
        bottom=draw(st.sampled_from(("closed", "open"))),
        hand=draw(st.sampled_from(("left", "right"))) if family in HANDED_FAMILIES else "none",
        reach_mm=draw(st.decimals(15, 60, places=3).map(float)),
        holes=holes,
        hub_diameter_mm=draw(st.none() | st.just(19.5)),
        screw=draw(st.none() | st.sampled_from(("#5-40", "M3"))),
        bin=draw(words),
        stock=draw(st.none() | st.integers(0, 99)),
        note=draw(words),
    )


@settings(max_examples=60, deadline=None)
@given(st.lists(any_part(), min_size=1, max_size=4, unique_by=lambda part: part.part))
def test_what_is_written_is_read_back(parts):
    text = io.StringIO(newline="")
    write_csv(parts, text)
    found = read_csv(text.getvalue().encode())
    assert found.problems == ()
    assert found.parts == tuple(parts)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_parts_or_problems(raw):
    found = read_csv(raw)
    assert found.problems
    assert found.parts == ()


@pytest.mark.parametrize("raw", [b"", b",", b";;\r\n;;\r\n", b"\t", b"sep=;\r\n"])
def test_separators_alone_are_an_empty_file(raw):
    (problem,) = read_csv(raw).problems
    assert "empty" in problem.text


def test_holes_in_the_contract_form():
    holes = parse_holes("61@4.55:3.3; 209@4.55:3.3; centre:3.3")
    assert [hole.position for hole in holes] == ["2", "7", "centre"]
    assert format_holes(holes) == "61@4.55:3.3; 209@4.55:3.3; centre:3.3"
    assert parse_holes("61@4.55:3.3/6.2")[0].countersink_mm == 6.2
    assert holes[0].xy_mm == pytest.approx((3.9795, 2.2059), abs=1e-4)  # 4.55 sin 61°, 4.55 cos 61°


def test_a_part_comes_from_a_reading_and_the_calliper_goes_first():
    reading = a_reading().to_json()
    part = part_from_reading(reading, "N1", {"reach_mm": "21.25", "tail_width_mm": "12,1", "screw": "M3"})
    assert (part.family, part.bottom, part.reach_mm, part.tail_width_mm) == ("cloverleaf", "closed", 21.25, 12.1)
    assert part.clock == ("2", "7")
    assert part.holes[1].countersink_mm == 6.2
    reading["dimensions"]["reach"] = None
    with pytest.raises(PartsError, match="column reach_mm: is empty"):
        part_from_reading(reading, "N1")


def test_an_edit_is_checked_like_a_row():
    assert edit_part(A1, {"stock": "7"}).stock == 7
    with pytest.raises(PartsError, match="column stock"):
        edit_part(A1, {"stock": "many"})
    with pytest.raises(PartsError, match="no such column"):
        edit_part(A1, {"colour": "red"})


def test_the_demo_list_holds_every_family_and_the_twins_it_promises():
    parts = read_csv(DEMO).parts
    assert len(parts) >= 60
    assert {part.family for part in parts} == set(FAMILIES)
    outlines = {}
    for part in parts:
        outlines.setdefault((part.family, part.hand, part.reach_mm, part.bottom), set()).add(part.clock)
    assert any({("2", "7"), ("3", "9"), ("3", "centre")} <= clocks for clocks in outlines.values())
    keys = {(p.family, p.hand, p.reach_mm, p.clock): p.bottom for p in parts}
    both = [p for p in parts if p.bottom == "open" and any(
        q.bottom == "closed" and (q.family, q.hand, q.reach_mm, q.clock) == (p.family, p.hand, p.reach_mm, p.clock)
        for q in parts)]  # fmt: skip
    assert both and keys
    reaches = sorted({p.reach_mm for p in parts if p.family == "cloverleaf" and p.clock == ("2", "7")})
    assert any(abs(b - a - 0.8) < 1e-9 for a, b in itertools.pairwise(reaches))
    assert set(COLUMNS) == set(DEMO.read_text(encoding="utf-8").splitlines()[0].split(","))
