"""Two photos side by side: may the second part go on instead of the first?"""

from __future__ import annotations

from typing import Any, Final

import streamlit as st

from shop.calliper import LOOKS, parse_finding
from shop.cli_fits import signed
from shop.compare import Comparison, comparison_svg
from shop.compare import compare as compare_readings
from shop.measured import measured_part_from_reading
from shop.pages import look
from shop.pages.ask import ask
from shop.pages.session import PhotoError, coin_choice, photo_input, read_as_told, told, turn
from shop.report import chance_text, quantity_text
from shop.settle import checks_of
from vision.models import ModelError
from vision.pipeline import ReadOptions

SLOTS: Final = (("a", "The old cam"), ("b", "The one that may replace it"))


def show() -> None:
    """Draw the page."""
    st.html(look.style())
    st.html(
        look.lead(
            "Will this one do instead?",
            "Photograph both cams, each with the same coin beside it. Both outlines are laid axis on axis, tail on tail.",
        )
    )
    coin = coin_choice()
    answer = st.container()  # the verdict stands above the photos
    seen: list[dict[str, Any] | None] = []
    for place, (slot, title) in zip(st.columns(2, gap="medium"), SLOTS, strict=True):
        with place:
            st.html(look.heading(title))
            seen.append(_one(slot, title, coin))
    old, new = seen
    if old is None or new is None:
        return
    found = [list(_findings(slot).values()) for slot, _ in SLOTS]
    try:
        comparison = compare_readings(old, new, found_a=found[0], found_b=found[1])
    except ValueError as error:
        st.warning(look.first_up(str(error)), icon=":material/info:")
        if any(found):
            _forget_button()
        return
    with answer:
        _verdict(comparison, (old, new))
    _differences(comparison)


def _one(slot: str, title: str, coin: str | None) -> dict[str, Any] | None:
    given = photo_input(slot, f"Photo: {title.lower()}")
    if given is None:
        return None
    try:
        with st.spinner("Reading the photo"):
            seen, reading = read_as_told(slot, given, ReadOptions(coin=coin))
    except (PhotoError, ModelError) as error:
        st.error(str(error), icon=":material/error:")
        return None
    st.html(look.banner(reading, side_given_up=told(slot).get("facing") == "unknown"))
    if reading.get("pattern"):
        ask(slot, reading)
        checks = checks_of(reading)
        if checks:
            st.html(look.checks(checks))
    st.image(seen.picture, width="stretch", alt=f"{title}, with what was read drawn on it")
    return reading


def _findings(slot: str) -> dict[str, str]:
    found: dict[str, str] = st.session_state.setdefault(f"findings-{slot}", {})
    return found


def _forget_button() -> None:
    if st.button("Forget what I measured", key="forget-compare"):
        for slot, _ in SLOTS:
            st.session_state[f"findings-{slot}"] = {}
        st.rerun()


def _verdict(comparison: Comparison, readings: tuple[dict[str, Any], dict[str, Any]]) -> None:
    candidate = comparison.to_record()["candidates"][0]
    st.html(look.candidate({**candidate, "part": comparison.names[1]}, chance_text(candidate["probability"])))
    told = [
        f"{title.lower()}: {text.replace('=', ' ').replace('-', ' ')}"
        for slot, title in SLOTS
        for text in _findings(slot).values()
    ]
    if told:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.html(look.note(f"Taken in: {'; '.join(told)}"))
            _forget_button()
    if candidate["decide_by"]:
        _ask_both(candidate["decide_by"], readings)


def _ask_both(decide_by: dict[str, Any], readings: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """The measurement that decides, with a field for either cam: each photo has its own error."""
    key = decide_by["measure"]
    kind = (key or "").partition(":")[0]
    with st.container(border=True):
        st.html(
            look.heading("Measure this to decide")
            + f'<div class="cd-measure"><b>{look.escape(look.first_up(decide_by["quantity"]))}</b>'
            f"<span>{look.escape(look.first_up(decide_by['where']))}</span></div>"
        )
        if not key:  # a trial by hand: nothing to enter
            return
        with st.form("measure-compare", border=False):
            values: list[str | float | None] = []
            for place, (slot, title) in zip(st.columns(2), SLOTS, strict=True):
                name = f"value-{slot}-{key}-{turn(slot)}"
                if kind in LOOKS:
                    values.append(place.radio(title, LOOKS[kind], index=None, key=name))
                else:
                    values.append(place.number_input(f"{title}, mm", 0.0, 200.0, None, 0.01, format="%.2f", key=name))
            if st.form_submit_button("Decide again", type="primary") and any(value is not None for value in values):
                problems = []
                for (slot, title), value, reading in zip(SLOTS, values, readings, strict=True):
                    if value is None:
                        continue
                    try:
                        parse_finding(f"{key}={value}", measured_part_from_reading(reading))
                    except ValueError as error:
                        problems.append(f"{title}: {error}")
                    else:
                        _findings(slot)[key] = f"{key}={value}"
                for problem in problems:
                    st.error(problem, icon=":material/error:")
                if not problems:
                    st.rerun()


def _differences(comparison: Comparison) -> None:
    record = comparison.to_record()
    drawing, table = st.columns([3, 2], gap="medium")
    drawing.image(comparison_svg(comparison), width="stretch", alt="Both outlines over each other")
    rows = []
    for row in record["comparison"]["differences"]:
        text = quantity_text(row["difference"], "mm")
        off = text if row["a"] is None else signed(text)
        rows.append((row["quantity"], f'<span class="cd-num">{look.escape(off)}</span>'))
    with table:
        st.html(look.heading("Second minus first") + look.table(rows))
        if record.get("notes"):
            st.html(look.note(*(look.first_up(look.without_options(text)) for text in record["notes"])))
