"""The page for a stuck screw: cautions first, a few questions, then the methods with the figures for this screw."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

import streamlit as st

from shop.drawing import draw_section, svg
from shop.fasteners import HEAD_KINDS
from shop.freeing import Advice, Situation, advise
from shop.freeing_text import advice_json, figures
from shop.head_geometry import CAM_THICKNESS_MM, DISC_MM
from shop.job_sheet import SheetError, make_job_sheet
from shop.methods import CONDITIONS, PLACES, Method, load_knowledge
from shop.pages import look
from shop.screw_at_hand import Screw, screw_from_reading
from shop.threads import CAM_SCREWS, THREADS
from vision.quantity import COVERAGE_FACTOR, NotMeasured, Quantity

READING_KEY: Final = (
    "reading_json"  # where the reading page leaves its last camdial.reading/1 object, when there is one
)
CALLIPER_U95_MM: Final = 0.05
PLACE_NAMES: Final = {"vise": "In a vise", "bench": "On the bench", "door": "Still in the door"}
NOT_SURE: Final = "not sure"
OTHER: Final = "other"
HEAD_WORDS: Final = {NOT_SURE: NOT_SURE, OTHER: "another: not countersunk"}
USUAL_TOOLS: Final = ("vise", "eye-protection", "driver", "hammer")


def show() -> None:
    """Draw the page."""
    st.html(look.style())
    st.html(
        look.lead("A screw that will not come out", "Ways to free it, mildest first, with the figures for your screw.")
    )
    known = load_knowledge()
    always = [c for c in known.cautions.values() if c.always]
    st.error("**Before anything else**\n\n" + "\n".join(f"- {_caution(c.text, c.basis)}" for c in always))
    questions, answers = st.columns([2, 3], gap="medium")  # one under the other on a phone
    with questions:
        reading = _reading()
        situation = _situation()
        screw = _screw(reading)
    advice = advise(situation, screw)
    with answers:
        _answer(advice, shown={c.id for c in always})
        _downloads(advice, reading)


def _caution(text: str, basis: str) -> str:
    return f"{text} ({basis})" if basis else text


def _reading() -> Mapping[str, Any] | None:
    kept = st.session_state.get(READING_KEY)
    if isinstance(kept, Mapping):
        st.caption("The holes are those of the photo you read last.")
        return kept
    given = st.file_uploader("A reading of this cam, if you have one", type=[".json"], key="free_reading")
    if given is None:
        return None
    try:
        value = json.loads(given.getvalue().decode("utf-8-sig"))
    except ValueError:
        st.warning("This file is not JSON. Take one that `camdial read --json` or the reading page wrote.")
        return None
    if not isinstance(value, Mapping) or value.get("schema") != "camdial.reading/1":
        st.warning("This file is no reading. Take one that `camdial read --json` or the reading page wrote.")
        return None
    return value


def _situation() -> Situation:
    known = load_knowledge()
    condition = st.radio(
        "What is wrong?", CONDITIONS, format_func=lambda name: known.conditions[name], key="free_condition"
    )
    place = st.radio("Where is the cylinder?", PLACES, format_func=PLACE_NAMES.__getitem__, index=1, key="free_place")
    st.markdown("**What is at hand?**")
    tools = [
        name
        for name, text in known.tools.items()
        if st.checkbox(text, value=name in USUAL_TOOLS, key=f"free_tool_{name}")
    ]
    st.markdown("**What must survive?** The cylinder always.")
    save = [
        name
        for name, text, default in (("cam", "The cam", True), ("screw", "The screw", False))
        if st.checkbox(text, value=default, key=f"free_save_{name}")
    ]
    return Situation(condition or CONDITIONS[0], frozenset(tools), frozenset(save), place or "bench")


def _length(label: str, key: str, *, step: float = 0.05, most: float = 30.0) -> float | None:
    value = st.number_input(label, min_value=0.5, max_value=most, value=None, step=step, format="%.2f", key=key)
    return None if value is None else float(value)


def _by_calliper(value: float | None) -> Quantity | None:
    return None if value is None else Quantity(value, CALLIPER_U95_MM / COVERAGE_FACTOR)


def _screw(reading: Mapping[str, Any] | None) -> Screw:
    st.markdown("**What do you know of the screw?**")
    names = [NOT_SURE, *CAM_SCREWS, *(name for name in THREADS if name not in CAM_SCREWS)]
    name = st.selectbox("Screw", names, key="free_screw")
    head = st.selectbox(
        "Head",
        [NOT_SURE, *HEAD_KINDS, OTHER],
        format_func=lambda kind: HEAD_KINDS[kind].name if kind in HEAD_KINDS else HEAD_WORDS[kind],
        key="free_head",
    )
    with st.expander("By calliper: makes the drilling depth safer"):
        head_mm = _length("Across the head, mm", "free_head_mm")
        length_mm = _length("Length of the screw, mm", "free_length_mm", step=0.1)
        thickness_mm = _length("Thickness of the cam, mm", "free_thickness_mm", most=10.0)
        point = st.radio(
            "Drill point", [118, 135], format_func=lambda deg: f"{deg}°", horizontal=True, key="free_point"
        )
        disc = st.number_input(
            "Cutting disc, mm across", min_value=5.0, max_value=60.0, value=DISC_MM, step=1.0, key="free_disc"
        )
    screw = Screw(
        thread=None if name in (None, NOT_SURE) else THREADS[str(name)],
        head_kind=None if head in (None, NOT_SURE) else str(head),
        head_mm=_by_calliper(head_mm),
        length_mm=length_mm,
        thickness_mm=_by_calliper(thickness_mm) or CAM_THICKNESS_MM,
        point_deg=float(point or 118),
        disc_mm=float(disc or DISC_MM),
    )
    return screw if reading is None else screw_from_reading(reading, screw)


def _answer(advice: Advice, shown: set[str]) -> None:
    st.html(look.heading("What to do, mildest first"))
    more = [c for c in advice.cautions if c.id not in shown]
    if more:
        st.error("\n".join(f"- {_caution(c.text, c.basis)}" for c in more))
    if advice.notes:
        st.info("\n".join(f"- {note}" for note in advice.notes))
    st.markdown("**First**\n\n" + "\n".join(f"- {text}" for text in advice.before))
    for step, method in enumerate(advice.methods, start=1):
        with st.expander(f"{step}. {method.name}", expanded=step == 1):
            _method(method, advice)
    if advice.left_out:
        st.html(look.heading("Left out, and why"))
        st.markdown("\n".join(f"- **{item.method.name}**: {item.reason}" for item in advice.left_out))


def _method(method: Method, advice: Advice) -> None:
    st.markdown("\n".join(f"{n}. {text}" for n, text in enumerate(method.do, start=1)))
    st.markdown(f"**Force:** {method.force}\n\n**Never:** {method.never}")
    st.warning(f"**Stop:** {method.stop}")
    st.markdown(f"**May cost:** {method.may_cost}")
    rows = figures(method, advice.numbers, advice.situation)
    if rows:
        st.markdown("\n".join(f"- {name}: **{value}**" for name, value in rows))
    if method.numbers == "drill":
        section = draw_section(advice.screw, advice.numbers)
        if not isinstance(section, NotMeasured):
            st.image(
                svg(section),
                width="stretch",
                alt="; ".join((*section.labels, *(level.label for level in section.levels))),
            )
            st.caption(
                "Section to scale. Red: the drill at its stop. Depths are those of the drill's tip below the head's top."
            )


def _downloads(advice: Advice, reading: Mapping[str, Any] | None) -> None:
    st.html(look.heading("Take it to the bench"))
    paper = st.radio("Paper", ["letter", "a4"], format_func=str.upper, horizontal=True, key="free_paper") or "letter"
    try:
        pdf = make_job_sheet(reading, None, advice, paper=paper)
    except SheetError as error:
        st.warning(str(error))
        return
    st.download_button("Job sheet, PDF", pdf, f"job-sheet-{paper}.pdf", "application/pdf", on_click="ignore")
    data = json.dumps(advice_json(advice), ensure_ascii=False, indent=2)
    st.download_button("This advice, JSON", data, "free.json", "application/json", on_click="ignore")
    st.caption("Methods: common practice, no source. Figures: from the standards' tables named in the JSON file.")
