"""Which parts of the list fit, and the one measurement that decides, with a field to enter it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import streamlit as st

from shop.calliper import LOOKS, parse_finding, take_in
from shop.cli_fits import turn_text
from shop.dial import dial_svg
from shop.doors import DOORS, apply_door
from shop.fits import FitOptions, decide
from shop.measured import MeasuredPart, measured_part_from_reading
from shop.pages import look
from shop.pages.store import opened
from shop.report import chance_text
from shop.store import StoreError
from shop.threads import THREADS

SHOWN: Final = 4
MOST_SHOWN: Final = 24
MOST_OTHERS: Final = 8
DOOR_TEXT: Final = {
    "storefront": "aluminium storefront door",
    "all-glass": "all-glass door, bolt in the rail",
    "mortise-case": "commercial mortise lock case",
    "other": "another door",
}


def show(slot: str, reading: Mapping[str, Any]) -> None:
    """The candidates under a reading."""
    st.html(
        look.lead(
            "What fits from my list",
            "A replacement must agree with the lock by its tail and with the cylinder by its screws and bottom.",
            level=2,
        )
    )
    try:
        table = opened().table()
    except StoreError as error:
        st.error(look.first_up(str(error)), icon=":material/error:")
        return
    if not table.parts:
        st.info(
            "The list is empty. Open “My list” to bring in a CSV file, or start with the example list there.",
            icon=":material/list:",
        )
        return
    came_off, thread = _known(slot)
    try:
        measured = measured_part_from_reading(reading, screws=[thread] if thread else [])
        if came_off:
            measured = apply_door(measured, came_off, opened().counts(came_off))
        measured = take_in(measured, [parse_finding(text, measured) for text in _findings(slot).values()])
    except (ValueError, StoreError) as error:
        st.warning(look.first_up(str(error)), icon=":material/info:")
        return
    record = decide(measured, table, FitOptions(screws=measured.screws)).to_record()
    _draw(slot, reading, measured, record)


def _known(slot: str) -> tuple[str | None, str | None]:
    """The door the cam came off and the cylinder's screws, where they are known; folded away, for most know neither."""
    chosen = [st.session_state.get(f"{name}-{slot}") for name in ("door", "screw")]
    said = [text for text in (DOOR_TEXT.get(str(chosen[0])), chosen[1]) if text]
    with st.expander(", ".join(said) or "Know the door it came off, or the cylinder's screws?"):
        door, screw = st.columns(2)
        came_off = door.selectbox(
            "It came off",
            [None, *DOORS],
            format_func=lambda d: "not known" if d is None else DOOR_TEXT[d],
            key=f"door-{slot}",
        )
        thread = screw.selectbox(
            "Screws of the cylinder", [None, *THREADS], format_func=lambda t: t or "not known", key=f"screw-{slot}"
        )
    return came_off, thread


def _findings(slot: str) -> dict[str, str]:
    found: dict[str, str] = st.session_state.setdefault(f"findings-{slot}", {})
    return found


def _draw(slot: str, reading: Mapping[str, Any], measured: MeasuredPart, record: Mapping[str, Any]) -> None:
    possible = [c for c in record["candidates"] if c["verdict"] != "does-not-fit"]
    others = [c for c in record["candidates"] if c["verdict"] == "does-not-fit"]
    deciding = next((c for c in possible if c["decide_by"] and c["decide_by"]["measure"]), None)
    if deciding is not None:
        _ask(slot, reading, measured, deciding)
    if _findings(slot):
        told = ", ".join(text.replace("=", " ").replace("-", " ") for text in _findings(slot).values())
        with st.container(horizontal=True, vertical_alignment="center"):
            st.html(look.note(f"Taken in: {told}"))
            if st.button("Forget what I measured", key=f"forget-{slot}"):
                st.session_state[f"findings-{slot}"] = {}
                st.rerun()
    if not possible:
        st.html(look.note(f"None of the {len(others)} parts in the list fits."))
    for candidate in possible[:SHOWN]:
        st.html(look.candidate(candidate, chance_text(candidate["probability"])))
    if possible[SHOWN:]:
        with st.expander(f"{len(possible) - SHOWN} more that may fit"):
            for candidate in possible[SHOWN:MOST_SHOWN]:
                st.html(look.candidate(candidate, chance_text(candidate["probability"])))
    if others:
        with st.expander(f"{len(others)} do not fit: why the nearest ones do not"):
            for candidate in others[:MOST_OTHERS]:
                st.html(look.candidate(candidate, chance_text(candidate["probability"])))
    if record.get("notes"):
        st.html(look.note(*(look.first_up(look.without_options(text)) for text in record["notes"])))


def _ask(slot: str, reading: Mapping[str, Any], measured: MeasuredPart, candidate: Mapping[str, Any]) -> None:
    """The measurement that decides about the best undecided part."""
    decide_by = candidate["decide_by"]
    kind = decide_by["measure"].partition(":")[0]
    with st.container(border=True):
        text, drawing = st.columns([3, 2], gap="medium")
        with text:
            st.html(
                look.heading(f"Measure this to decide about {candidate['part']}")
                + f'<div class="cd-measure"><b>{look.escape(look.first_up(decide_by["quantity"]))}</b>'
                f"<span>{look.escape(look.first_up(decide_by['where']))} It {look.escape(turn_text(decide_by))}.</span></div>"
            )
            with st.form(f"measure-{slot}", border=False):
                value: str | float | None
                if kind in LOOKS:
                    value = st.radio(
                        "The drawing is" if kind == "drawing" else "What do you see?",
                        LOOKS[kind],
                        index=None,
                        key=f"value-{slot}-{kind}",
                    )
                else:
                    value = st.number_input(
                        f"{look.first_up(decide_by['quantity'])}, mm",
                        0.0,
                        200.0,
                        None,
                        0.01,
                        format="%.2f",
                        key=f"value-{slot}-{kind}",
                    )
                if st.form_submit_button("Decide again", type="primary") and value is not None:
                    finding = f"{decide_by['measure']}={value}"
                    try:
                        parse_finding(finding, measured)
                    except ValueError as error:
                        st.error(look.first_up(str(error)), icon=":material/error:")
                    else:
                        _findings(slot)[decide_by["measure"]] = finding
                        st.rerun()
        with drawing:
            st.image(
                dial_svg(reading, jaws_mm=decide_by["jaws_mm"]),
                width="stretch",
                alt=f"Where the jaws go: {decide_by['where']}",
            )
