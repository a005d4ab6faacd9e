"""How to take a photo that reads well, and the printed card that measures best."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Final, Literal

import streamlit as st

from shop.card_sheet import make_card
from shop.pages import look

STEPS: Final = (
    (
        "A plain sheet",
        "Lay the cam flat on paper that contrasts with it: a brass cam on grey or white, a bright one on dark.",
    ),
    ("Screw side up", "The side with the countersinks. Clean dirt out of the holes; take loose screws away."),
    (
        "Something of known size",
        "A clean coin flat beside it, two fingers apart, or the printed card under it. No coin on top of the cam.",
    ),
    (
        "Square above",
        "Phone level, 20 to 40 cm away, main camera at 1x. Cam and coin fill about half of the picture, nothing cut off.",
    ),
    ("Soft light", "Daylight from a window. No flash, and keep the phone's shadow off."),
    ("Sharp", "Tap on the cam to focus, hold still. Send the photo itself, not a messenger's small copy."),
    ("No keys in the picture", "A key can be copied from a photo."),
)
LIMITS: Final = (
    "It does not know brands: it reads shape, holes and sizes, and compares them with your own list.",
    "A hole filled by a screw gives its position, not its diameter.",
    "A fit is a probability. Try the part by hand before you rely on it: screws start by hand, heads sit flat, the key turns freely.",
    "A cylinder on a fire or exit door is part of a listed assembly: local codes and the authority having jurisdiction decide, "
    "and in many places locksmithing needs a licence.",
)


@st.cache_data(show_spinner=False)
def _card(paper: Literal["a4", "letter"]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "card.pdf"
        make_card(path, paper=paper)
        return path.read_bytes()


def show() -> None:
    """Draw the page."""
    st.html(look.style())
    st.html(look.lead("A photo that reads well", "Seven habits. The first four matter most."))
    rows = [(f"{i}. {name}", look.escape(text)) for i, (name, text) in enumerate(STEPS, start=1)]
    st.html(look.table(rows))
    st.html(look.heading("The printed card"))
    st.html(
        look.note(
            "It measures about twice as well as a coin. Print it at 100 %, measure its bar, and say the length on the reading page."
        )
    )
    with st.container(horizontal=True):
        st.download_button("Card for A4", _card("a4"), "scale-card-a4.pdf", "application/pdf", on_click="ignore")
        st.download_button(
            "Card for Letter", _card("letter"), "scale-card-letter.pdf", "application/pdf", on_click="ignore"
        )
    st.html(look.heading("What it cannot do"))
    st.html("<ul>" + "".join(f"<li>{look.escape(text)}</li>" for text in LIMITS) + "</ul>")
