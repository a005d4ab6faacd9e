"""Questions that only the person with the part in the hand can answer, each by one tap and taken in at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import streamlit as st

from shop.dial import dial_svg
from shop.pages import look
from shop.pages.session import COINS, FIRST_COINS, choose_coin, coin_label, tell, told
from shop.report import mirror_line, side_line
from shop.settle import Question, questions_of

SAID: Final = {
    ("facing", "screw"): "the screw side was up",
    ("facing", "plug"): "the plug side was up",
    ("facing", "unknown"): "you can't tell which side was up",
}
SIDE_PX: Final = 152  # two clock faces side by side on a phone of 390 px


def ask(slot: str, reading: Mapping[str, Any]) -> None:
    """Ask what a reading leaves open, and show what was answered, with a way back.

    `reading` is that of the photo with the answers already taken in.
    """
    _answered(slot, reading)
    for question in questions_of(reading):
        if question.about == "facing":
            if "facing" not in told(slot):
                _which_side(slot, reading, question)
        elif question.about == "coin":
            _which_coin(slot, question)
        else:
            with st.container(border=True):
                st.html(look.question(question))
                _buttons(slot, question.about, dict(question.answers))


def _answered(slot: str, reading: Mapping[str, Any]) -> None:
    for about, value in list(told(slot).items()):
        said = SAID.get((about, value), f"{about} {value}")
        with st.container(horizontal=True, vertical_alignment="center"):
            st.html(look.note(f"You said: {said}."))
            st.button("Take it back", key=f"back-{slot}-{about}", on_click=tell, args=(slot, about, None))
    if told(slot).get("facing") == "unknown":
        st.html(
            look.note(
                f"If the plug side was up: {mirror_line(reading)}. Both are tried on your list. To settle it, try the part on "
                "the cylinder by hand, or photograph it as it sits there."
            )
        )


def _buttons(slot: str, about: str, answers: Mapping[str, str]) -> None:
    with st.container(horizontal=True, gap="small"):
        for value, words in answers.items():
            st.button(
                look.first_up(words), key=f"tell-{slot}-{about}-{value}", on_click=tell, args=(slot, about, value)
            )


def _which_side(slot: str, reading: Mapping[str, Any], question: Question) -> None:
    """Both faces as the clock shows them: the person compares with the part."""
    seen = (reading.get("facing") or {}).get("label", "screw")
    other = "plug" if seen == "screw" else "screw"
    with st.container(border=True):
        st.html(look.question(question) + look.note("Which of the two is it, looked at like that?"))
        with st.container(horizontal=True, gap="small"):
            for side, turned in ((seen, False), (other, True)):
                words = side_line(reading, other=turned)
                with st.container(width=SIDE_PX, gap="small"):
                    st.image(
                        dial_svg(reading, other_side=turned, small=True), width="stretch", alt=f"Clock face: {words}"
                    )
                    st.button(
                        look.first_up(words),
                        key=f"tell-{slot}-facing-{side}",
                        on_click=tell,
                        args=(slot, "facing", side),
                        width="stretch",
                    )
        st.button("I can't tell", key=f"tell-{slot}-facing-unknown", on_click=tell, args=(slot, "facing", "unknown"))


def _which_coin(slot: str, question: Question) -> None:
    with st.container(border=True):
        st.html(look.question(question))
        with st.container(horizontal=True, gap="small"):
            for name in FIRST_COINS:
                st.button(
                    coin_label(COINS[name]).partition(",")[0],
                    key=f"coin-{slot}-{name}",
                    on_click=choose_coin,
                    args=(name,),
                )
        st.selectbox(
            "Another coin",
            [name for name in COINS if name not in FIRST_COINS],
            index=None,
            format_func=lambda name: coin_label(COINS[name]),
            placeholder="choose",
            key=f"other-coin-{slot}",
            on_change=_take_coin,
            args=(slot,),
        )


def _take_coin(slot: str) -> None:
    name = st.session_state.get(f"other-coin-{slot}")
    if name:
        choose_coin(name)
