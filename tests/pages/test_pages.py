"""The page, driven without a browser (streamlit.testing.v1.AppTest), with a known reading in place of the pipeline."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("streamlit")

from streamlit.testing.v1 import AppTest

import shop.pages.session
from shop.parts import read_csv
from shop.store import open_store
from tests.shop.readings import a_reading, word
from vision.quantity import NotMeasured, Quantity
from vision.reading import PhotoFacts, Reading

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "shop" / "data" / "demo_parts.csv"


def jpeg() -> bytes:
    held = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    Image.fromarray(np.full((900, 1200, 3), 128, np.uint8)).save(held, "JPEG", exif=exif)
    return held.getvalue()


@pytest.fixture
def reading(monkeypatch):
    """What the stand-in pipeline answers; a test may put another reading in."""
    held = {"reading": a_reading(), "asked": []}

    def known(photo, options):
        held["asked"].append(options)
        return held["reading"]

    monkeypatch.setattr(shop.pages.session, "read_photo", known)
    return held


@pytest.fixture
def place(monkeypatch, tmp_path):
    path = tmp_path / "parts.db"
    monkeypatch.setenv("CAMDIAL_LIST", str(path))
    return path


@pytest.fixture
def app(reading, place):
    return AppTest.from_file(str(ROOT / "app.py"), default_timeout=60)


def html(app: AppTest) -> str:
    return "\n".join(block.proto.body for block in app.get("html"))


def with_photo(app: AppTest, name: str = "bench.jpg", data: bytes | None = None) -> AppTest:
    app.run()
    app.file_uploader(key="file-read").upload(name, jpeg() if data is None else data, "image/jpeg")
    app.run()
    assert not app.exception
    return app


def test_first_view_says_what_to_do(app):
    app.run()
    assert not app.exception
    assert "Which cam is this?" in html(app)
    assert "forgotten with this page" in html(app)


def test_an_upload_shows_words_clock_sizes_and_warnings(app):
    shown = html(with_photo(app))
    assert "Cloverleaf, closed bottom, screws at 2 and 7 o&#x27;clock" in shown
    assert "sure (over 99 %)" in shown
    assert "21.40 ± 0.20 mm" in shown
    assert "61.2° ± 1.4°" in shown
    assert "not measured" in shown
    assert "Not measured: tail width" in shown


def test_the_coin_is_remembered_in_the_address_and_told_to_the_pipeline(app, reading):
    app.query_params["coin"] = "eu-1"
    with_photo(app)
    assert reading["asked"][-1].coin == "eu-1"
    app.selectbox(key="coin").set_value("us-quarter").run()
    assert reading["asked"][-1].coin == "us-quarter"
    assert app.query_params["coin"] == ["us-quarter"] or app.query_params["coin"] == "us-quarter"


@pytest.mark.parametrize(
    ("chosen", "told"),
    [
        ("ruler-inch", {"ruler": "inch"}),
        ("card", {"card": True, "card_bar_mm": 100.0}),
        ("cylinder", {"cylinder": True}),
        ("none", {"scale": "none"}),
    ],
)
def test_other_references_reach_the_pipeline(app, reading, chosen, told):
    app.run()
    app.selectbox(key="reference").set_value(chosen).run()
    app.number_input(key="thickness-0").set_value(2.4).run()
    app.file_uploader(key="file-read").upload("a.jpg", jpeg(), "image/jpeg")
    app.run()
    assert not app.exception
    options = reading["asked"][-1]
    assert {name: getattr(options, name) for name in told} == told
    assert options.thickness_mm == Quantity(2.4, 0.025)


def test_the_cylinders_own_size_reaches_the_pipeline(app, reading):
    app.run()
    app.selectbox(key="reference").set_value("cylinder").run()
    app.number_input(key="cylinder-0").set_value(28.9).run()
    app.file_uploader(key="file-read").upload("a.jpg", jpeg(), "image/jpeg")
    app.run()
    assert not app.exception
    assert reading["asked"][-1].cylinder_diameter_mm == Quantity(28.9, 0.025)


def test_inches_stand_beside_millimetres(app):
    with_photo(app)
    app.toggle(key="inch").set_value(True).run()
    assert "(0.843 in)" in html(app)


def test_a_photo_to_take_again_says_why_and_what_to_do(app, reading):
    facts = PhotoFacts("x.jpg", "0" * 64, 1200, 900)
    reading["reading"] = Reading(
        "retake", facts, warnings=(NotMeasured("blurred", "the picture is blurred: hold still"),)
    )
    shown = html(with_photo(app))
    assert "Take the photo again" in shown
    assert "The picture is blurred: hold still" in shown
    assert "What fits" not in shown
    fold = next(block for block in app.expander if block.label.startswith("Another photo"))
    assert fold.proto.expanded  # the next thing to do lies open
    assert len(reading["asked"]) == 1


def test_a_file_that_is_no_photo_is_one_plain_sentence(app):
    with_photo(app, data=b"this is no photo")
    assert len(app.error) == 1
    assert "JPEG" in app.error[0].value
    assert "Traceback" not in app.error[0].value


def test_names_from_files_are_shown_as_text_only(app, reading):
    nasty = "<img src=x onerror=alert(1)>.jpg"
    reading["reading"] = a_reading(
        photo=PhotoFacts(nasty, "0" * 64, 1200, 900), warnings=(NotMeasured("x", "<script>alert(1)</script>"),)
    )
    shown = html(with_photo(app, name="a.jpg"))
    assert "<script>alert" not in shown
    assert "<img" not in shown


def test_candidates_of_the_list_with_verdict_bin_and_stock(app, place):
    open_store(place).import_parts(read_csv(DEMO).parts)
    certain = html(with_photo(app))
    assert "NB-101" in certain
    assert "A1, 12 in stock" in certain


def test_the_deciding_measurement_is_asked_for_and_taken_in(app, reading, place):
    open_store(place).import_parts(read_csv(DEMO).parts)
    dimensions = {"reach": Quantity(21.8, 0.25), "hub_diameter": Quantity(19.0, 0.1), "tail_width": Quantity(12.2, 0.1)}
    reading["reading"] = a_reading(dimensions=dimensions, facing=word("screw", 1.0), bottom=word("closed", 1.0))
    app = with_photo(app)
    assert "Measure this to decide" in html(app)
    asked = [n for n in app.number_input if n.label == "Reach, mm"]
    asked[0].set_value(21.4)
    next(b for b in app.button if b.label == "Decide again").click().run()
    assert not app.exception
    assert "Taken in: reach 21.4" in html(app)
    assert "✓ fits" in html(app)
    next(b for b in app.button if b.label == "Forget what I measured").click().run()
    assert "Taken in" not in html(app)


def test_an_empty_list_says_how_to_fill_it(app):
    with_photo(app)
    assert "list is empty" in app.info[0].value


def test_a_part_goes_into_the_list_with_the_callipers_corrections(app, place):
    app = with_photo(app)
    next(t for t in app.text_input if t.label == "Your number for it").set_value("N-7")
    app.text_input(key="keep-reach_mm-0").set_value("21.1")
    app.text_input(key="keep-tail_width_mm-0").set_value("12")
    next(b for b in app.button if b.label == "Add to the list").click().run()
    assert app.success
    stored = open_store(place).get("N-7")
    assert stored is not None
    assert (stored.part.reach_mm, stored.part.family) == (21.1, "cloverleaf")


def test_a_part_without_a_number_is_refused(app):
    app = with_photo(app)
    next(b for b in app.button if b.label == "Add to the list").click().run()
    assert "number" in app.error[0].value


def test_what_can_be_taken_away_is_offered(app):
    app = with_photo(app)
    labels = {b.label for b in app.get("download_button")}
    assert labels >= {"Printed page (PDF)", "Picture", "Reading (JSON)"}


# ------------------------------------------------------------------------------------------------ the other pages


def page(name: str) -> AppTest:
    return AppTest.from_string(f"from shop.pages import {name}\n{name}.show()\n", default_timeout=60)


def test_list_page_starts_with_the_example_and_searches(place):
    app = page("parts").run()
    next(b for b in app.button if b.label.startswith("Start with the example")).click().run()
    assert not app.exception
    count = len(read_csv(DEMO).parts)
    assert len(open_store(place).list_parts()) == count
    app.text_input(key="question").set_value("two holes, 3 and 9, open bottom").run()
    assert not app.exception
    assert "holes at 3 and 9" in html(app)


def test_list_page_writes_edits_refuses_bad_ones_and_loses_nothing(place, monkeypatch):
    from shop.pages import parts

    store = open_store(place)
    store.import_parts(read_csv(DEMO).parts)
    shown = list(store.list_stored())
    problems: list[str] = []
    monkeypatch.setattr(parts.st, "error", lambda text, icon=None: problems.append(text))
    monkeypatch.setattr(parts.st, "rerun", lambda: None)
    edits = {
        "edited_rows": {0: {"stock": "99"}, 1: {"bottom": "ajar"}},
        "added_rows": [{"part": "N-1", "family": "finger", "bottom": "open", "reach_mm": "22", "holes": "90@5:3.3"}],
        "deleted_rows": [2],
    }
    parts._save(store, shown, edits)
    assert store.get(shown[0].part.part).part.stock == 99
    assert store.get("N-1") is not None
    assert shown[2].part.part not in {p.part for p in store.list_parts()}
    assert len(problems) == 1
    assert "closed, open" in problems[0]
    # Someone else changed the first part meanwhile: the old version is not written over it.
    problems.clear()
    parts._save(store, shown, {"edited_rows": {0: {"stock": "1"}}})
    assert store.get(shown[0].part.part).part.stock == 99
    assert "changed by someone else" in problems[0]


def test_list_page_names_bad_cells_of_a_file(place):
    app = page("parts").run()
    app.file_uploader(key="csv-0").upload(
        "in.csv", b"part,family,bottom,reach_mm,holes\nA,bird,open,22,90@5:3.3\n", "text/csv"
    )
    app.run()
    assert "Line 2, column family" in app.error[0].value
    assert not open_store(place).list_parts()


def test_compare_page_lays_two_photos_over_each_other(reading, place):
    app = page("compare").run()
    app.file_uploader(key="file-a").upload("old.jpg", jpeg(), "image/jpeg")
    app.file_uploader(key="file-b").upload("new.jpg", jpeg(), "image/jpeg")
    app.run()
    assert not app.exception
    shown = html(app)
    assert "Second minus first" in shown
    assert "cd-verdict" in shown


def test_compare_page_takes_in_what_is_measured_on_either_cam(reading, place):
    """The reading's reach is known to 0.5 mm, too vague for 0.5 mm allowed: it is asked for, and told of both."""
    vague = a_reading()
    sizes = dict(vague.dimensions) | {"reach": Quantity(21.4, 0.25)}
    sure = {"bottom": word("closed", 1.0), "facing": word("screw", 1.0)}
    reading["reading"] = replace(vague, dimensions=sizes, covariance=None, **sure)
    app = page("compare").run()
    for slot in "ab":
        app.file_uploader(key=f"file-{slot}").upload(f"{slot}.jpg", jpeg(), "image/jpeg")
    app.run()
    assert "Measure this to decide" in html(app)
    keys = [field.key for field in app.number_input if field.key and field.key.startswith("value-")]
    assert len(keys) == 2 and all("reach" in key for key in keys), keys
    for key, value in zip(keys, (21.4, 22.6), strict=True):
        app.number_input(key=key).set_value(value)
    next(button for button in app.button if button.label == "Decide again").click()
    app.run()
    assert not app.exception
    shown = html(app)
    assert "the old cam: reach 21.4; the one that may replace it: reach 22.6" in shown
    assert "✕ does not fit" in shown
    app.button(key="forget-compare").click().run()
    assert "Taken in" not in html(app)


def test_photo_page_says_the_cautions_and_has_the_card(place):
    app = page("photo").run()
    assert not app.exception
    assert "authority having jurisdiction" in html(app)
    assert {b.label for b in app.get("download_button")} == {"Card for A4", "Card for Letter"}


def test_reading_left_for_the_page_on_screws(app):
    app = with_photo(app)
    from shop.pages.free import READING_KEY

    kept = app.session_state[READING_KEY]
    assert json.dumps(kept)
    assert kept["pattern"]["clock"] == ["2", "7"]


# ------------------------------------------------------------------------------------------------ what a person says

SIDE = NotMeasured("facing-unknown", "which side is seen is not clear")


def tap(app: AppTest, key: str) -> AppTest:
    app.button(key=key).click().run()
    assert not app.exception
    return app


def test_the_other_side_is_read_anew_and_can_be_taken_back(app, reading):
    reading["reading"] = a_reading(outcome="unsure", warnings=(SIDE,))
    shown = html(with_photo(app))
    assert "Which side was up in the photo?" in shown
    assert "with 1 thing to settle" in shown
    tap(app, "tell-read-facing-plug")
    assert reading["asked"][-1].facing == "plug"
    assert "You said: the plug side was up." in html(app)
    count = len(reading["asked"])
    tap(app, "back-read-facing")
    assert "Which side was up in the photo?" in html(app)
    assert len(reading["asked"]) == count  # both readings were kept


def test_the_side_that_was_read_is_settled_without_another_reading(app, reading):
    reading["reading"] = a_reading(outcome="unsure", warnings=(SIDE,))
    with_photo(app)
    tap(app, "tell-read-facing-screw")
    assert len(reading["asked"]) == 1
    assert "Which side was up" not in html(app)
    assert '<div class="cd-banner good"' in html(app)


def test_who_cannot_tell_sees_both_clocks_and_is_asked_no_more(app, reading):
    reading["reading"] = a_reading(outcome="unsure", warnings=(SIDE,))
    with_photo(app)
    tap(app, "tell-read-facing-unknown")
    shown = html(app)
    assert "Which side was up" not in shown
    assert "If the plug side was up: screws at 5 and 10 o&#x27;clock" in shown
    assert '<div class="cd-banner care"' in shown  # nothing was settled


def test_an_outline_seen_in_the_hand_counts_for_what_fits(app, reading, place):
    open_store(place).import_parts(read_csv(DEMO).parts)
    family = word("cloverleaf", 0.55, "finger")
    text = NotMeasured("family-unsure", "the outline may be cloverleaf or finger")
    reading["reading"] = a_reading(outcome="unsure", family=family, warnings=(text,))
    with_photo(app)
    families = {part.part: part.family for part in read_csv(DEMO).parts}
    assert families[re.search(r"<article.*?<b>([^<]+)", html(app)).group(1)] == "cloverleaf"
    tap(app, "tell-read-family-finger")
    assert "Finger, closed bottom" in html(app)
    assert families[re.search(r"<article.*?<b>([^<]+)", html(app)).group(1)] == "finger"


def test_a_family_that_lays_the_clock_in_another_way_is_read_anew(app, reading):
    """An offset tail's 12 o'clock lies along its flanks, beside its middle: the tail is measured again, a taper's is not."""
    text = NotMeasured("family-unsure", "the outline may be finger, taper or offset")
    word_of = word("finger", 0.55, "taper", "offset")
    reading["reading"] = a_reading(outcome="unsure", family=word_of, warnings=(text,))
    with_photo(app)
    before = len(reading["asked"])
    tap(app, "tell-read-family-taper")
    assert len(reading["asked"]) == before
    app.button(key="back-read-family").click().run()
    tap(app, "tell-read-family-offset")
    assert [options.family for options in reading["asked"][before:]] == ["offset"]


def test_another_photo_starts_with_nothing_said_and_nothing_measured(app, reading):
    reading["reading"] = a_reading(outcome="unsure", warnings=(SIDE,))
    with_photo(app)
    app.number_input(key="thickness-0").set_value(2.4).run()
    tap(app, "tell-read-facing-plug")
    assert reading["asked"][-1].thickness_mm is not None
    app.file_uploader(key="file-read").set_value([]).run()
    other = io.BytesIO()
    Image.fromarray(np.full((700, 900, 3), 90, np.uint8)).save(other, "JPEG")
    app.file_uploader(key="file-read").upload("next.jpg", other.getvalue(), "image/jpeg")
    app.run()
    assert not app.exception
    assert reading["asked"][-1].facing is None
    assert reading["asked"][-1].thickness_mm is None
    assert "You said" not in html(app)


def test_switching_what_is_shown_reads_nothing_again(app, reading):
    with_photo(app)
    app.toggle(key="inch").set_value(True).run()
    app.toggle(key="inch").set_value(False).run()
    assert len(reading["asked"]) == 1


def test_sentences_of_the_commands_lose_what_is_typed_only_there():
    from shop.pages.look import without_options

    told = "the photo may be misread (0.10): look at the drawing, then add --measured drawing=right"
    assert without_options(told) == "the photo may be misread (0.10): look at the drawing"
    assert without_options("screws are not known") == "screws are not known"
