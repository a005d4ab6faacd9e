"""The page for a stuck screw, driven without a browser."""

from __future__ import annotations

import pytest

pytest.importorskip("streamlit")

from streamlit.testing.v1 import AppTest

from shop.methods import load_knowledge
from shop.pages.free import READING_KEY
from tests.shop.test_job_sheet import READING

KNOWN = load_knowledge()


def page(**state: object) -> AppTest:
    def draw() -> None:
        from shop.pages.free import show

        show()

    app = AppTest.from_function(draw, default_timeout=60)
    for key, value in state.items():
        app.session_state[key] = value
    app.run()
    assert not app.exception
    return app


def steps(app: AppTest) -> list[str]:
    return [box.label.partition(". ")[2] for box in app.expander if box.label[:1].isdecimal()]


def test_cautions_are_the_first_thing_on_the_page() -> None:
    app = page()
    types = [block.type for block in app.main.children.values() if block.type != "html"]  # the look and the heading
    assert types[0] == "error"
    text = app.error[0].value
    for wanted in ("1910.133", "Z87.1", "vise", "key out", "keyway", "NFPA 80", "authority having jurisdiction"):
        assert wanted in text
    assert steps(app)[-1] == KNOWN.methods["hand-over"].name


def test_answers_follow_the_questions() -> None:
    app = page()
    assert steps(app)[0] == KNOWN.methods["fitting-driver"].name
    app.radio(key="free_condition").set_value("head-damaged").run()
    app.checkbox(key="free_tool_rubber").check().run()
    assert steps(app)[0] == KNOWN.methods["rubber-sheet"].name
    app.checkbox(key="free_tool_vise").uncheck().run()
    assert steps(app) == [KNOWN.methods["hand-over"].name]
    app.radio(key="free_place").set_value("vise").run()
    assert steps(app)[0] == KNOWN.methods["rubber-sheet"].name
    app.radio(key="free_place").set_value("door").run()
    assert any(KNOWN.cautions["open-door"].text in box.value for box in app.error)
    assert not app.exception


def test_a_drill_is_named_only_when_screw_and_head_are_known() -> None:
    app = page()
    app.radio(key="free_condition").set_value("head-damaged")
    app.checkbox(key="free_tool_drill").check().run()
    assert KNOWN.methods["drill-head"].name not in steps(app)
    assert any("screw size not known" in block.value for block in app.markdown)
    app.selectbox(key="free_screw").set_value("#6-32")
    app.selectbox(key="free_head").set_value("slotted-82").run()
    assert KNOWN.methods["drill-head"].name in steps(app)
    figures = "\n".join(block.value for block in app.markdown)
    assert "9/64 in = 3.57 mm" in figures and "Stop at tip depth" in figures
    before = figures
    app.number_input(key="free_head_mm").set_value(6.5).run()
    assert "\n".join(block.value for block in app.markdown) != before
    app.number_input(key="free_head_mm").set_value(9.0).run()
    assert KNOWN.methods["drill-head"].name not in steps(app)
    assert any("is none of a #6 screw" in block.value for block in app.markdown)


def test_the_last_reading_gives_the_holes_and_the_guess_is_said() -> None:
    app = page(**{READING_KEY: READING})
    assert any("photo you read last" in line.value for line in app.caption)
    assert any("not sure from the photo" in note.value for note in app.info)


def test_a_file_that_is_no_reading_is_named_as_such() -> None:
    app = page()
    for data in (b"{", b'{"schema": "camdial.fits/1"}'):
        app.file_uploader(key="free_reading").set_value(("odd.json", data, "application/json")).run()
        assert not app.exception and any("read --json" in box.value for box in app.warning)
