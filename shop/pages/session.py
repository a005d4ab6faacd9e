"""What a visitor's session holds: the photo just read, the choices made, the findings; nothing is written to disk."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import streamlit as st
from numpy.typing import NDArray
from PIL import Image

from shop.overlay import draw_overlay
from vision.photo import PhotoError, open_photo
from vision.pipeline import ReadOptions, read_photo
from vision.scale.coins import COINS, Coin

TYPES: Final = [
    "jpg",
    "jpeg",
    "png",
    "webp",
    "heic",
    "heif",
]  # endings, not media types: so phones still offer the camera
LARGEST_SHOWN_PX: Final = 1400
COUNTRIES: Final[Mapping[str, str]] = {
    "us": "US", "eu": "Euro", "gb": "UK", "ca": "Canada", "au": "Australia", "jp": "Japan", "mx": "Mexico", "in": "India",
    "ch": "Swiss",
}  # fmt: skip
FIRST_COINS: Final = ("us-quarter", "eu-1", "gb-2p", "ca-25c")


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A photo as read: the picture to show and the reading's JSON object; the photo's file itself is let go."""

    picture: NDArray[np.uint8]
    reading: dict[str, Any]


def read_upload(slot: str, data: bytes, name: str, options: ReadOptions) -> Seen:
    """Read a photo, or hand back what this session has read of it already.

    Raises
    ------
    vision.photo.PhotoError
        With the sentence to show.
    """
    key = (slot, hashlib.sha256(data).hexdigest(), options)
    kept = st.session_state.get(f"seen-{slot}")
    if kept is not None and kept[0] == key:
        found: Seen = kept[1]
        return found
    photo = open_photo(data, name=name)
    reading = read_photo(photo, options).to_json()
    seen = Seen(draw_overlay(photo.pixels, reading, long_side_px=LARGEST_SHOWN_PX), reading)
    st.session_state[f"seen-{slot}"] = (key, seen)
    st.session_state.pop(f"findings-{slot}", None)
    return seen


def jpeg(pixels: NDArray[np.uint8]) -> bytes:
    """A picture's bytes from its bare pixels: no position, no maker's notes."""
    held = io.BytesIO()
    Image.fromarray(pixels).save(held, "JPEG", quality=90)
    return held.getvalue()


def photo_input(slot: str, label: str) -> tuple[bytes, str] | None:
    """Upload, or the camera behind a switch; None while there is no photo."""
    camera = st.toggle("Use this device's camera instead", key=f"camera-{slot}")
    if camera:
        shot = st.camera_input(label, key=f"shot-{slot}", resolution="1080p")
        st.caption(
            "Nothing to see? A browser opens the camera only over https or on this very machine. A phone's own photo is sharper."
        )
        return None if shot is None else (shot.getvalue(), "camera.jpg")
    photo = st.file_uploader(label, type=TYPES, key=f"file-{slot}", help="JPEG, PNG, WebP or HEIC, up to 30 MB")
    return None if photo is None else (photo.getvalue(), photo.name)


def coin_label(coin: Coin) -> str:
    """``"US quarter, 24.26 mm"``."""
    country, _, name = coin.id.partition("-")
    if name.endswith("c") and name[:-1].isdecimal():
        name = f"{name[:-1]} cent" if country != "ch" else f"{name[:-1]} rappen"
    return f"{COUNTRIES.get(country, country)} {name.replace('-old', ' (before 2017)')}, {coin.diameter_mm:.2f} mm"


def coin_choice() -> str | None:
    """The coin beside the part; remembered in the page's address, so that a bookmark keeps it."""
    first = [name for name in FIRST_COINS if name in COINS]
    order: list[str | None] = [None, *first, *(name for name in COINS if name not in first)]
    known = st.query_params.get("coin")
    chosen = st.selectbox(
        "Coin beside the part",
        order,
        index=order.index(known) if known in COINS else 0,
        format_func=lambda name: "no coin, or not sure" if name is None else coin_label(COINS[name]),
        key="coin",
    )
    if chosen is None:
        st.query_params.pop("coin", None)
    elif st.query_params.get("coin") != chosen:
        st.query_params["coin"] = chosen
    return chosen


__all__ = ["COINS", "PhotoError", "Seen", "coin_choice", "jpeg", "photo_input", "read_upload"]
