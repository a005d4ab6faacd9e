"""What a reading leaves open, how it is asked, and what an answer changes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import pytest

from shop.report import answer_line, check_lines, mirror_line, mirrored_clock, reading_text, side_line, side_sureness
from shop.settle import ADVICE, NO_READING, QUESTION_ABOUT, QUIET, checks_of, questions_of, remarks_of, with_told
from tests.shop.readings import a_reading
from vision.quantity import NotMeasured, Quantity
from vision.reading import PhotoFacts, Reading, ScrewHole, Word

ROOT = Path(__file__).resolve().parents[2]
SIDE = NotMeasured("facing-unknown", "which side is seen is not clear")
BOTTOM = NotMeasured("bottom-unsure", "whether the bottom is open or closed is not clear")
FAMILY = NotMeasured("family-unsure", "the outline may be finger or offset")
FINGER = Word("finger", 0.8, ("finger", "offset"), {"finger": 0.8, "offset": 0.2})


def unsure(*warnings: NotMeasured, **changes: object) -> dict:
    return a_reading(outcome="unsure", warnings=warnings, **changes).to_json()


def test_codes_named_here_are_those_the_reader_gives():
    source = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "vision").rglob("*.py"))
    given = set(re.findall(r'"([a-z]+(?:-[a-z]+)*)"', source))
    assert {*ADVICE, *QUIET, *QUESTION_ABOUT, *NO_READING} <= given


def test_the_other_side_shows_the_clock_the_other_way_round():
    # A mirror through 12 and 6 o'clock takes an hour h to 12 - h: 2 to 10, 7 to 5, 12 and 6 to themselves.
    assert mirrored_clock(["2", "7"]) == ["5", "10"]
    assert mirrored_clock(["12", "6", "centre"]) == ["12", "6", "centre"]
    assert mirrored_clock(["2:30"]) == ["9:30"]
    hooked = a_reading(family=Word("hook", 0.99, ("hook",)), hand=Word("left", 0.9)).to_json()
    assert mirror_line(hooked) == "right hand, screws at 5 and 10 o'clock"


def test_sides_that_the_clock_names_alike_are_told_by_their_angles():
    """68.3 and 287 degrees are 2:30 and 9:30 from either side, as are 73 and 291.7 (360 degrees less each)."""
    holes = tuple(
        ScrewHole(at, (540.0, 428.0), Quantity(angle, 1.0), Quantity(4.5, 0.03), Quantity(3.3, 0.03))
        for at, angle in (("2:30", 68.3), ("9:30", 287.0))
    )
    facing = Word("screw", 0.7, ("screw", "plug"), {"screw": 0.7, "plug": 0.3})
    asked = unsure(SIDE, holes=holes, facing=facing)
    assert side_line(asked) == "screws at 68° and 287°" and mirror_line(asked) == "screws at 73° and 292°"
    assert "reads the same" not in side_sureness(asked)
    assert "reads the same" in side_sureness(a_reading(holes=holes, facing=facing, warnings=()).to_json())
    centred = a_reading(holes=(*holes, ScrewHole("centre", (500.0, 450.0), None, None, None))).to_json()
    assert mirror_line(centred) == "screws at 73°, 292° and centre"


def test_each_doubt_is_one_question_and_none_is_asked_twice():
    reading = unsure(SIDE, BOTTOM, FAMILY, NotMeasured("hole-unsure", "look whether a screw goes there"), family=FINGER)
    assert [question.about for question in questions_of(reading)] == ["facing", "family", "bottom"]
    assert checks_of(reading) == ("look whether a screw goes there",)
    assert [value for value, _ in questions_of(reading)[1].answers] == ["finger", "offset"]
    assert not questions_of(a_reading(warnings=()).to_json())


def test_labels_over_which_picture_and_outline_quarrel_are_both_offered():
    text = "the picture says hammer, its measured outline paddle: look at the part's family yourself"
    reading = unsure(NotMeasured("words-disagree", text), family=Word("hammer", 0.9, ("hammer",), {"hammer": 0.9}))
    (question,) = questions_of(reading)
    assert [value for value, _ in question.answers] == ["hammer", "paddle"]
    assert not checks_of(reading)


def test_a_size_no_cam_has_leads_back_to_the_coin():
    text = "a reach of 68.5 mm is unusual for a cam: check which coin lies there"
    reading = unsure(NotMeasured("size-unusual", text))
    (question,) = questions_of(reading)
    assert question.about == "coin"
    assert "68.5 mm" in question.how
    assert checks_of(unsure(NotMeasured("size-unusual", text), scale=None)) == (text,)  # no coin to blame


def test_what_only_widens_a_figure_is_said_quietly_with_what_to_do():
    reading = a_reading(warnings=(NotMeasured("no-focal-length", "26 mm was assumed"),)).to_json()
    assert not checks_of(reading)
    remark, _ = remarks_of(reading)  # the other one is of a coin of the same size
    assert remark.startswith("26 mm was assumed; ")


def test_a_photo_that_was_not_read_gives_its_reason_and_leaves_the_coin_aside():
    facts = PhotoFacts("x.jpg", "0" * 64, 640, 480)
    notes = (NotMeasured("blurred", "hold the phone still"), NotMeasured("coin-not-found", "no coin is seen"))
    assert reading_text(Reading("retake", facts, warnings=notes).to_json()) == (
        "x.jpg: take the photo again\n  ! hold the phone still"
    )


# ------------------------------------------------------------------------------------------------ answers


def test_a_word_that_is_told_is_certain_and_closes_its_doubt():
    told = with_told(unsure(FAMILY, family=FINGER), {"family": "finger"})
    assert told["family"] == {
        "label": "finger",
        "probability": 1.0,
        "plausible": ["finger"],
        "probabilities": {"finger": 1.0, "offset": 0.0},
    }
    assert told["outcome"] == "read"
    assert not questions_of(told)
    assert answer_line(told) == "finger, closed bottom, screws at 2 and 7 o'clock"


def test_other_doubts_stay_open():
    told = with_told(unsure(SIDE, BOTTOM), {"bottom": "open"})
    assert told["bottom"]["label"] == "open"
    assert told["outcome"] == "unsure"
    assert [question.about for question in questions_of(told)] == ["facing"]
    assert with_told(unsure(BOTTOM, scale=None), {"bottom": "open"})["outcome"] == "unsure"  # lengths are missing


def test_only_the_side_that_was_read_can_be_told_without_reading_anew():
    seen = unsure(SIDE, facing=Word("screw", 0.6))
    assert with_told(seen, {"facing": "screw"})["facing"] == {"label": "screw", "probability": 1.0}
    assert not questions_of(with_told(seen, {"facing": "screw"}))
    for other in ("plug", "unknown"):
        assert with_told(seen, {"facing": other}) == seen


def test_an_outline_that_has_a_hand_asks_for_it_and_says_what_it_does_to_the_clock():
    told = with_told(unsure(FAMILY, family=FINGER), {"family": "offset"})
    assert [question.about for question in questions_of(told)] == ["hand"]
    assert told["warnings"][-1]["code"] == "tail-unsure"
    assert with_told(unsure(FAMILY, family=FINGER), {"family": "offset", "hand": "left"})["hand"]["label"] == "left"
    hooked = unsure(FAMILY, family=Word("hook", 0.8, ("hook", "finger")), hand=Word("left", 0.7))
    assert with_told(hooked, {"family": "finger"})["hand"]["label"] == "none"


def test_nothing_told_changes_nothing_and_the_reading_given_is_left_alone():
    reading = unsure(SIDE, FAMILY, family=FINGER)
    before = json.dumps(reading)
    assert with_told(reading, {}) == reading
    with_told(reading, {"family": "offset", "bottom": "open", "facing": "screw"})
    assert json.dumps(reading) == before
    facts = PhotoFacts("x.jpg", "0" * 64, 640, 480)
    nothing = Reading("retake", facts, warnings=(NotMeasured("blurred", "hold still"),)).to_json()
    assert with_told(nothing, {"family": "fork"}) == nothing


@pytest.mark.parametrize("told", [{"family": "offset", "hand": "right"}, {"bottom": "open"}, {"facing": "screw"}])
def test_a_reading_with_answers_still_follows_the_published_schema(told):
    schema = json.loads((ROOT / "docs" / "reading.schema.json").read_text(encoding="utf-8"))
    closed = Word("closed", 0.9, ("closed",), {"closed": 0.9, "open": 0.1})
    reading = unsure(SIDE, FAMILY, family=FINGER, bottom=closed)
    jsonschema.Draft202012Validator(schema).validate(with_told(reading, told))


# ------------------------------------------------------------------------------------------------ text


def test_text_gives_the_answer_then_the_questions_then_the_figures():
    lines = reading_text(unsure(SIDE)).split("\n")
    assert lines[0] == "bench-07.jpg: cloverleaf, closed bottom, screws at 2 and 7 o'clock; check:"
    assert lines[1].startswith("  ? Which side was up in the photo?")
    assert "--facing screw or --facing plug" in lines[1]
    assert lines[2].endswith("with the plug side up: screws at 5 and 10 o'clock")
    assert lines[3].startswith("  outline")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "cloverleaf, closed bottom, screws at 2 and 7 o'clock"),
        ({"holes": ()}, "cloverleaf, closed bottom, no screw hole seen"),
        (
            {"holes": (ScrewHole("centre", (500.0, 450.0), None, Quantity(0.2, 0.1), None),)},
            "cloverleaf, closed bottom, one screw in the centre",
        ),
        ({"family": FINGER}, "finger or offset, closed bottom, screws at 2 and 7 o'clock"),
        (
            {"family": Word("finger", 0.5, ("finger", "offset", "taper"))},
            "finger, offset or taper, closed bottom, screws at 2 and 7 o'clock",
        ),
    ],
)
def test_the_answer_names_every_word_still_possible(changes, said):
    assert answer_line(a_reading(**changes).to_json()) == said


def test_a_printed_page_says_how_to_tell_the_side_and_what_it_changes():
    line, _ = check_lines(unsure(SIDE))
    assert "countersinks" in line
    assert "If the plug side was up: screws at 5 and 10 o'clock." in line


def test_coins_of_nearly_the_same_size_are_told():
    """Struck sizes: US quarter 24.26 mm (United States Mint), 50 cent 24.25 mm (Regulation (EU) 729/2014)."""

    def told(coin: str) -> str:
        reading = unsure(SIDE).copy()
        reading["scale"] = {**reading["scale"], "kind": "coin", "reference": coin}
        return " ".join(remarks_of(reading))

    assert "eu-50c would serve as well: the same size as us-quarter" in told("us-quarter")
    assert "no photo tells gb-10p from" not in told("us-half") and "eu-" not in told("us-half")
    assert "eu-5c (0.2 % larger)" in told("us-nickel")  # 21.25 against 21.21 mm
    assert "would serve" not in told("24.26mm")
