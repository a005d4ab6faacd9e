"""The page that reads one photo and says what it is, how sure that is, and what of the list fits."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from typing import Any, Final

import streamlit as st

from shop.dial import dial_svg
from shop.pages import candidates, look
from shop.pages.ask import ask
from shop.pages.free import READING_KEY
from shop.pages.session import (
    COINS,
    Given,
    PhotoError,
    Seen,
    coin_choice,
    coin_label,
    jpeg,
    known_coin,
    photo_input,
    picture_to_keep,
    read_as_told,
    tell,
    told,
    turn,
)
from shop.parts import COLUMNS, PartsError, part_from_reading
from shop.report import pattern_text
from shop.settle import checks_of, questions_of, remarks_of
from vision.models import ModelError
from vision.pipeline import ReadOptions
from vision.quantity import Quantity

SLOT: Final = "read"
REFERENCES: Final = {
    "coin": "a coin",
    "ruler-mm": "a ruler in mm",
    "ruler-inch": "a ruler in inches",
    "card": "the printed card",
    "cylinder": "none: the cam is still on its cylinder",
    "none": "nothing: angles only",
}
CALLIPER_U_MM: Final = 0.025  # k = 1, of a shop calliper


def show() -> None:
    """Draw the page."""
    st.html(look.style())
    in_hand: Given | None = st.session_state.get(f"photo-{SLOT}")
    steps = "Lay the cam flat on a plain sheet, a coin beside it, and hold the phone square above, 20 to 40 cm away."
    st.html(look.lead("Which cam is this?", "" if in_hand else steps))
    failed = bool(in_hand and st.session_state.get(f"failed-{SLOT}") == in_hand.key)
    top = st.container()
    if in_hand is None:
        kind, coin = _coin()
        given = photo_input(SLOT, "Photo of the cam")
        with st.expander("No coin beside it? Thickness measured?"):
            reference = _reference(kind, coin)
    else:  # the answer goes to the top of a phone's screen; another key for each photo closes the fold again
        fold = f"fold-{turn(SLOT)}-{failed}"
        with st.expander(f"Another photo or coin? ({_by()})", expanded=failed, key=fold):
            given = photo_input(SLOT, "Photo of the cam")
            reference = _reference(*_coin())
    answer = top if failed else st.container()
    if given is None:
        st.html(
            look.note(
                "The photo is read on this computer and forgotten with this page. Its position and camera notes are dropped at once."
            )
        )
        return
    with answer:
        try:
            with st.spinner("Reading the photo"):
                seen, reading = read_as_told(SLOT, given, ReadOptions(**reference))
        except (PhotoError, ModelError) as error:
            _note_failure(given.key)
            st.error(str(error), icon=":material/error:")
            return
        _note_failure(None if reading.get("pattern") else given.key)
        _result(given, seen, reading)


def _note_failure(key: str | None) -> None:
    """A photo without an answer needs another: its reason goes to the top, and the fold for the next photo opens."""
    if st.session_state.get(f"failed-{SLOT}") != key:
        st.session_state[f"failed-{SLOT}"] = key
        st.rerun()


def _by() -> str:
    """What gives the size, for the title of the fold."""
    kind, coin = st.session_state.get("reference", "coin"), known_coin()
    if kind != "coin":
        return REFERENCES[kind]
    return f"now: {coin_label(COINS[coin]).partition(',')[0]}" if coin else "now: no coin named"


def _coin() -> tuple[str, str | None]:
    """What gives the millimetres, and the coin when it is one."""
    kind = st.session_state.get("reference", "coin")
    return kind, coin_choice() if kind == "coin" else None


def _reference(kind: str, coin: str | None) -> dict[str, Any]:
    """Everything else that can be said about the photo before it is read."""
    bar: float | None = None
    across: float | None = None
    st.selectbox("What shows the size", list(REFERENCES), format_func=REFERENCES.__getitem__, key="reference")
    if kind == "card":
        bar = st.number_input(
            "Length of the card's bar, as you measured it (mm)", 80.0, 120.0, 100.0, 0.1, format="%.1f", key="bar"
        )
    if kind == "cylinder":
        across = st.number_input(
            "Cylinder over its thread by calliper (mm): all sizes rest on it",
            10.0,
            80.0,
            None,
            0.1,
            format="%.2f",
            key=f"cylinder-{turn(SLOT)}",
            placeholder="not measured: a usual size is taken",
        )
    thick = st.number_input(
        "Thickness of the cam by calliper (mm), if you have it",
        0.3,
        10.0,
        None,
        0.1,
        format="%.2f",
        key=f"thickness-{turn(SLOT)}",
        placeholder="not measured",
    )
    return {
        "coin": coin,
        "ruler": kind.partition("-")[2] if kind.startswith("ruler") else None,
        "card": kind == "card",
        "card_bar_mm": bar,
        "cylinder": kind == "cylinder",
        "cylinder_diameter_mm": None if across is None else Quantity(float(across), CALLIPER_U_MM),
        "scale": "none" if kind == "none" else "auto",
        "thickness_mm": None if thick is None else Quantity(float(thick), CALLIPER_U_MM),
    }


def _result(given: Given, seen: Seen, reading: dict[str, Any]) -> None:
    st.session_state[READING_KEY] = reading if reading.get("pattern") else None
    st.html(look.banner(reading, side_given_up=told(SLOT).get("facing") == "unknown"))
    if not reading.get("pattern"):
        st.image(seen.picture, width="stretch", alt="The photo")
        more = checks_of(reading)[1:]
        if more:
            st.html(look.checks(more))
        st.html(look.note("The page “Good photos” shows in seven lines what helps."))
        return
    ask(SLOT, reading)
    checks = checks_of(reading)
    if checks:
        st.html(look.heading("Check this") + look.checks(checks))
    _pictures(seen, reading)
    candidates.show(SLOT, reading)
    _details(reading)
    _downloads(given, reading)
    _keep(reading)


def _pictures(seen: Seen, reading: Mapping[str, Any]) -> None:
    picture, dial = st.columns([3, 2], gap="medium")
    with picture:
        st.image(seen.picture, width="stretch", alt="The photo with outline, axis, tail and screw holes drawn on it")
    with dial:
        said = f"Clock face with screw holes at {pattern_text(reading['pattern']['clock'])}"
        doubted = any(question.about == "facing" for question in questions_of(reading))
        caption = "Seen from the screw side, tail at 12" + (", if the photo shows that side" if doubted else "")
        st.image(dial_svg(reading), width="stretch", alt=said, caption=caption)
        if not doubted and "facing" not in told(SLOT):
            side = reading["facing"]["label"]
            other = "plug" if side == "screw" else "screw"
            with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="center"):
                st.html(look.note(f"Taken as a photo of the {side} side."))
                st.button(f"No, the {other} side was up", key="other-side", on_click=tell, args=(SLOT, "facing", other))


def _details(reading: Mapping[str, Any]) -> None:
    st.html(look.lead("The details", "± is the half-width of a 95 % interval.", level=2))
    inch = st.toggle("Inches beside the millimetres", key="inch")
    sizes, holes, words = st.columns(3, gap="medium")
    sizes.html(look.heading("Sizes") + look.sizes(reading, inch=inch))
    holes.html(look.heading("Screw holes") + look.holes(reading, inch=inch))
    words.html(look.heading("How sure") + look.words(reading))
    remarks = remarks_of(reading)
    if remarks:
        st.html(look.note(*(f"{look.first_up(text)}." for text in remarks)))


def _downloads(given: Given, reading: dict[str, Any]) -> None:
    """Made when asked for, so that no rerun pays for them."""
    inch = bool(st.session_state.get("inch"))

    def pdf() -> bytes:
        from shop.report_pdf import make_report

        held = io.BytesIO()
        make_report(held, picture_to_keep(given, reading), reading, inch=inch, drawn=True)
        return held.getvalue()

    name = reading["photo"]["name"].rpartition(".")[0] or "reading"
    with st.container(horizontal=True):
        st.download_button("Printed page (PDF)", pdf, f"{name}.pdf", "application/pdf", on_click="ignore")
        st.download_button(
            "Picture",
            lambda: jpeg(picture_to_keep(given, reading)),
            f"{name}-read.jpg",
            "image/jpeg",
            on_click="ignore",
        )
        text = json.dumps(reading, ensure_ascii=False)
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
                    column.replace("_mm", " (mm)").replace("_", " "), key=f"keep-{column}-{turn(SLOT)}"
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
