"""Two photos side by side: may the second part go on instead of the first?"""

from __future__ import annotations

from typing import Any, Final

import streamlit as st

from shop.cli_fits import chance_text, signed
from shop.compare import Comparison, comparison_svg
from shop.compare import compare as compare_readings
from shop.pages import look
from shop.pages.ask import ask
from shop.pages.session import PhotoError, coin_choice, photo_input, read_as_told, told
from shop.report import quantity_text
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
    try:
        comparison = compare_readings(old, new)
    except ValueError as error:
        st.warning(look.first_up(str(error)), icon=":material/info:")
        return
    with answer:
        _verdict(comparison)
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


def _verdict(comparison: Comparison) -> None:
    candidate = comparison.to_record()["candidates"][0]
    st.html(look.candidate({**candidate, "part": comparison.names[1]}, chance_text(candidate["probability"])))
    decide_by = candidate["decide_by"]
    if decide_by:
        st.info(f"Measure: {decide_by['quantity']}. {decide_by['where']}", icon=":material/straighten:")


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
