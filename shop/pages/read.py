"""The page that reads one photo and says what it is, how sure that is, and what of the list fits."""

from __future__ import annotations

import io
import json
from typing import Any, Final

import streamlit as st

from shop.dial import dial_svg
from shop.pages import candidates, look
from shop.pages.free import READING_KEY
from shop.pages.session import PhotoError, Seen, coin_choice, jpeg, photo_input, read_upload
from shop.parts import COLUMNS, PartsError, part_from_reading
from shop.report import pattern_text
from vision.models import ModelError
from vision.pipeline import ReadOptions
from vision.quantity import Quantity

REFERENCES: Final = {
    "coin": "a coin",
    "ruler-mm": "a ruler in mm",
    "ruler-inch": "a ruler in inches",
    "card": "the printed card",
    "cylinder": "none: the cam is still on its cylinder",
    "none": "nothing: angles only",
}
SIDES: Final = {
    None: "not sure",
    "screw": "screw side (countersinks or heads show)",
    "plug": "plug side (lay on the plug)",
}
CALLIPER_U_MM: Final = 0.025  # k = 1, of a shop calliper


def show() -> None:
    """Draw the page."""
    st.html(look.style())
    st.html(
        look.lead(
            "Which cam is this?",
            "Lay the cam flat on a plain sheet, a coin beside it, and hold the phone square above, 20 to 40 cm away.",
        )
    )
    options = _options()
    given = photo_input("read", "Photo of the cam")
    if given is None:
        st.html(
            look.note(
                "The photo is read on this computer and forgotten with this page. Its position and camera notes are dropped at once."
            )
        )
        return
    try:
        with st.spinner("Reading the photo"):
            seen = read_upload("read", *given, options)
    except (PhotoError, ModelError) as error:
        st.error(look.first_up(str(error)), icon=":material/error:")
        return
    _result(seen)


def _options() -> ReadOptions:
    left, right = st.columns([3, 2], vertical_alignment="bottom")
    with right:
        kind = st.selectbox(
            "What shows the size", list(REFERENCES), format_func=lambda key: REFERENCES[key], key="reference"
        )
    coin = bar = thickness = None
    with left:
        if kind == "coin":
            coin = coin_choice()
        elif kind == "card":
            bar = st.number_input(
                "Length of the card's bar, as you measured it (mm)", 80.0, 120.0, 100.0, 0.1, format="%.1f", key="bar"
            )
    with st.expander("I know more about the part"):
        facing = st.radio("Side the photo shows", list(SIDES), format_func=lambda key: SIDES[key], key="facing")
        measured = st.number_input(
            "Thickness by calliper (mm)",
            0.3,
            10.0,
            None,
            0.1,
            format="%.2f",
            key="thickness",
            placeholder="not measured",
        )
        thickness = None if measured is None else Quantity(float(measured), CALLIPER_U_MM)
    return ReadOptions(
        coin=coin,
        ruler=kind.partition("-")[2] or None if kind.startswith("ruler") else None,
        card=kind == "card",
        card_bar_mm=bar,
        cylinder=kind == "cylinder",
        scale="none" if kind == "none" else "auto",
        facing=facing,
        thickness_mm=thickness,
    )


def _result(seen: Seen) -> None:
    reading = seen.reading
    st.session_state[READING_KEY] = reading if reading.get("pattern") else None
    st.html(look.banner(reading))
    picture, dial = st.columns([3, 2], gap="medium")
    with picture:
        st.image(seen.picture, width="stretch", alt="The photo with outline, axis, tail and screw holes drawn on it")
    if not reading.get("pattern"):
        with dial:
            st.html(look.warnings(reading))
        return
    with dial:
        said = f"Clock face with screw holes at {pattern_text(reading['pattern']['clock'])}"
        st.image(dial_svg(reading), width="stretch", alt=said, caption="Seen from the screw side, tail at 12")
    if reading["warnings"]:
        st.html(look.heading("Check this") + look.warnings(reading))
    inch = st.toggle("Inches beside the millimetres", key="inch")
    words, holes, sizes = st.columns(3, gap="medium")
    words.html(look.heading("How sure") + look.words(reading))
    holes.html(look.heading("Screw holes") + look.holes(reading, inch=inch))
    sizes.html(look.heading("Sizes, ± for 95 %") + look.sizes(reading, inch=inch))
    candidates.show("read", reading)
    st.divider()
    _downloads(seen, inch=inch)
    _keep(reading)


def _downloads(seen: Seen, *, inch: bool) -> None:
    from shop.report_pdf import make_report

    held = io.BytesIO()
    make_report(held, seen.picture, seen.reading, inch=inch, drawn=True)
    name = seen.reading["photo"]["name"].rpartition(".")[0] or "reading"
    with st.container(horizontal=True):
        st.download_button("Printed page (PDF)", held.getvalue(), f"{name}.pdf", "application/pdf", on_click="ignore")
        st.download_button("Picture", jpeg(seen.picture), f"{name}-read.jpg", "image/jpeg", on_click="ignore")
        text = json.dumps(seen.reading, ensure_ascii=False)
        st.download_button("Reading (JSON)", text, f"{name}.json", "application/json", on_click="ignore")


def _keep(reading: dict[str, Any]) -> None:
    """Add the part to the list, with the cells the calliper corrects."""
    from shop.pages.store import opened

    with st.expander("Put this part into my list"), st.form("keep", border=False):
        number = st.text_input("Your number for it")
        st.html(look.note("Leave a field empty to take what the photo says; what the calliper says goes before it."))
        fields = [column for column in COLUMNS if column not in ("part", "family", "bottom", "hand")]
        changes: dict[str, str] = {}
        for row in (fields[:5], fields[5:]):
            for column, place in zip(row, st.columns(len(row)), strict=True):
                changes[column] = place.text_input(
                    column.replace("_mm", " (mm)").replace("_", " "), key=f"keep-{column}"
                )
        if st.form_submit_button("Add to the list", type="primary"):
            try:
                if not number.strip():
                    raise ValueError("give it a number first")
                part = part_from_reading(reading, number.strip(), {k: v for k, v in changes.items() if v.strip()})
                opened().add(part)
            except PartsError as error:
                for problem in error.problems:
                    st.error(str(problem), icon=":material/error:")
            except Exception as error:
                st.error(look.first_up(str(error)), icon=":material/error:")
            else:
                st.success(f"{part.part} is in the list.", icon=":material/check:")
