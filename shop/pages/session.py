"""What a visitor's session holds: the photo in hand, what was read and said of it; nothing is written to disk."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from html import escape
from typing import Any, Final

import numpy as np
import streamlit as st
from numpy.typing import NDArray
from PIL import Image

from shop.overlay import draw_overlay
from shop.settle import with_told
from vision.photo import PhotoError, open_photo
from vision.pipeline import ReadOptions, read_photo
from vision.scale.coins import COINS, Coin
from vision.vocabulary import FACINGS, HANDED_FAMILIES

TYPES: Final = [
    "jpg",
    "jpeg",
    "png",
    "webp",
    "heic",
    "heif",
]  # endings, not media types: so phones still offer the camera
COUNTRIES: Final[Mapping[str, str]] = {
    "us": "US", "eu": "Euro", "gb": "UK", "ca": "Canada", "au": "Australia", "jp": "Japan", "mx": "Mexico", "in": "India",
    "ch": "Swiss",
}  # fmt: skip
FIRST_COINS: Final = ("us-quarter", "eu-1", "gb-2p", "ca-25c")


SHOWN_PX: Final = 1100
MARKS: Final = 1.7  # tags that can still be read on a phone
KEPT_READINGS: Final = 4  # of one photo: taking an answer back costs no second reading
NO_COIN: Final = ""
COOKIE: Final = "camdial_coin"
COOKIE_S: Final = 400 * 24 * 3600  # browsers keep no cookie longer


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """A photo as it came: the file's bytes, its name and the hash of both."""

    data: bytes
    name: str
    key: str


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A photo as read: the picture to show and the reading's JSON object."""

    picture: NDArray[np.uint8]
    reading: dict[str, Any]


def read_given(slot: str, given: Given, options: ReadOptions) -> Seen:
    """Read a photo, or hand back what this session has read of it already.

    Raises
    ------
    vision.photo.PhotoError
        With the sentence to show.
    """
    kept: dict[Any, Seen] = st.session_state.setdefault(f"seen-{slot}", {})
    key = (given.key, options)
    if key not in kept:
        photo = open_photo(given.data, name=given.name)
        reading = read_photo(photo, options).to_json()
        picture = draw_overlay(photo.pixels, reading, long_side_px=SHOWN_PX, marks=MARKS, caption=False)
        for old in list(kept)[: max(0, len(kept) + 1 - KEPT_READINGS)]:
            del kept[old]
        kept[key] = Seen(picture, reading)
    return kept[key]


def picture_to_keep(given: Given, reading: Mapping[str, Any]) -> NDArray[np.uint8]:
    """The picture in full size with the reading said beneath, for print and download."""
    return draw_overlay(open_photo(given.data, name=given.name).pixels, reading)


def jpeg(pixels: NDArray[np.uint8]) -> bytes:
    """A picture's bytes from its bare pixels: no position, no maker's notes."""
    held = io.BytesIO()
    Image.fromarray(pixels).save(held, "JPEG", quality=90)
    return held.getvalue()


# ------------------------------------------------------------------------------------------------ the photo


def photo_input(slot: str, label: str) -> Given | None:
    """Upload, or the camera behind a switch; None while there is no photo.

    A photo outlives a visit to another page. Another photo clears what was said of the one before.
    """
    camera = st.session_state.get(f"camera-{slot}", False)
    if camera:
        shot = st.camera_input(label, key=f"shot-{slot}", resolution="1080p", on_change=_emptied, args=(slot, "shot"))
        st.html(
            '<p class="cd-note">No picture? A browser opens the camera only over https or on this very machine. '
            "A photo taken with the phone's own camera is sharper.</p>"
        )
        fresh = None if shot is None else (shot.getvalue(), "camera.jpg")
    else:
        file = st.file_uploader(
            label,
            type=TYPES,
            key=f"file-{slot}",
            help="JPEG, PNG, WebP or HEIC, up to 30 MB",
            on_change=_emptied,
            args=(slot, "file"),
        )
        fresh = None if file is None else (file.getvalue(), file.name)
    if fresh is not None:
        _take(slot, *fresh)
    given: Given | None = st.session_state.get(f"photo-{slot}")
    if given is not None and fresh is None:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.html(f'<p class="cd-note">Photo in hand: {escape(given.name)}</p>')
            st.button("Put it away", key=f"away-{slot}", on_click=forget, args=(slot,))
    st.toggle("Use this device's camera instead", key=f"camera-{slot}")
    return given


def _take(slot: str, data: bytes, name: str) -> None:
    key = hashlib.sha256(data + b"\0" + name.encode()).hexdigest()
    known: Given | None = st.session_state.get(f"photo-{slot}")
    if known is not None and known.key == key:
        return
    forget(slot)
    st.session_state[f"photo-{slot}"] = Given(data, name, key)
    st.rerun()  # the answer goes to the top, and what was typed for another part is drawn empty


def _emptied(slot: str, kind: str) -> None:
    if st.session_state.get(f"{kind}-{slot}") is None:
        forget(slot)


def forget(slot: str) -> None:
    """Let go of a photo and of everything read, said and measured of it."""
    if f"photo-{slot}" in st.session_state:
        st.session_state[f"turn-{slot}"] = turn(slot) + 1
    for name in ("photo", "seen", "told", "findings"):
        st.session_state.pop(f"{name}-{slot}", None)


def turn(slot: str) -> int:
    """Which photo this is, 0 for the first: part of the names of fields that hold for one part only."""
    count: int = st.session_state.get(f"turn-{slot}", 0)
    return count


# ------------------------------------------------------------------------------------------------ what was said of it


def told(slot: str) -> dict[str, str]:
    """What the person has said of the part in the photo: facing, family, bottom, hand."""
    said: dict[str, str] = st.session_state.setdefault(f"told-{slot}", {})
    return said


def tell(slot: str, about: str, value: str | None) -> None:
    """Take an answer in, or take it back with None.

    Measured values go when side or family change: both may turn the clock and renumber the holes.
    """
    said = told(slot)
    if value is None:
        said.pop(about, None)
    else:
        said[about] = value
    if about in ("facing", "family"):
        st.session_state.pop(f"findings-{slot}", None)


def read_as_told(slot: str, given: Given, options: ReadOptions) -> tuple[Seen, dict[str, Any]]:
    """Read a photo and take in what the person has said of the part.

    Returns
    -------
    tuple of Seen and dict
        The photo as read, and its reading with the words told. Only what moves every position costs another reading:
        the other side than the one read, and a family whose 12 o'clock is laid in another way.

    Raises
    ------
    vision.photo.PhotoError
    """
    seen = read_given(slot, given, options)
    side, family = told(slot).get("facing"), told(slot).get("family")
    if not seen.reading.get("pattern"):
        return seen, with_told(seen.reading, told(slot))
    known = options
    if side in FACINGS and seen.reading["facing"]["label"] != side:
        known = replace(known, facing=side)
    if family and (family in HANDED_FAMILIES) != (seen.reading["family"]["label"] in HANDED_FAMILIES):
        known = replace(known, family=family)
    if known != options:
        seen = read_given(slot, given, known)
    return seen, with_told(seen.reading, told(slot))


# ------------------------------------------------------------------------------------------------ the coin


def coin_label(coin: Coin) -> str:
    """``"US quarter, 24.26 mm"``."""
    country, _, name = coin.id.partition("-")
    if name.endswith("c") and name[:-1].isdecimal():
        name = f"{name[:-1]} cent" if country != "ch" else f"{name[:-1]} rappen"
    return f"{COUNTRIES.get(country, country)} {name.replace('-old', ' (before 2017)')}, {coin.diameter_mm:.2f} mm"


def coin_choice() -> str | None:
    """The coin beside the part; remembered by the browser, in the session, and in the page's address for a bookmark."""
    first = [name for name in FIRST_COINS if name in COINS]
    order = [NO_COIN, *first, *(name for name in COINS if name not in first)]
    st.session_state["coin"] = known_coin()
    chosen = st.selectbox(
        "Coin beside the part",
        order,
        format_func=lambda name: coin_label(COINS[name]) if name else "no coin, or not sure",
        key="coin",
    )
    st.session_state["coin-kept"] = chosen
    if not chosen:
        st.query_params.pop("coin", None)
    elif st.query_params.get("coin") != chosen:
        st.query_params["coin"] = chosen
    _remember(chosen)
    return chosen or None


def known_coin() -> str:
    """The coin as chosen on this page, or another, or at the last visit; `NO_COIN` when none was."""
    if "coin" in st.session_state:
        return str(st.session_state["coin"])
    known = (st.session_state.get("coin-kept"), st.query_params.get("coin"), st.context.cookies.get(COOKIE))
    return next((name for name in known if name in COINS), NO_COIN)


def choose_coin(name: str) -> None:
    """Name the coin by a button instead of the list."""
    st.session_state["coin"] = name


def _remember(chosen: str) -> None:
    """Have the browser keep the coin for the next visit; nothing but its name goes into the cookie."""
    age = COOKIE_S if chosen else 0
    script = f"document.cookie = '{COOKIE}={chosen}; max-age={age}; path=/; SameSite=Strict'"
    st.html(f"<script>{script}</script>", unsafe_allow_javascript=True)


__all__ = [
    "COINS", "Given", "PhotoError", "Seen", "choose_coin", "coin_choice", "forget", "jpeg", "known_coin", "photo_input", "picture_to_keep",
    "read_as_told", "tell", "told", "turn",
]  # fmt: skip
