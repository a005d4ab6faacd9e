"""Colours that can be read, pictures that carry nothing along."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("streamlit")

from shop import dial, overlay
from shop.cli_tools import THEME
from shop.pages import look
from shop.pages.session import TYPES, coin_label, jpeg
from tests.shop.readings import a_reading
from vision.scale.coins import COINS


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, as WCAG 2.2 defines it."""
    channels = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, WCAG 2.2."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white_and_of_a_known_grey():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: ratios range from 1 to 21
    # W3C, Understanding success criterion 1.4.3: #767676 on white is the lightest grey that has 4.5:1.
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


def test_every_text_colour_of_the_page_has_the_contrast_of_success_criterion_1_4_3():
    css = look.style()
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))
    grounds = [colours["paper"], THEME["backgroundColor"], THEME["secondaryBackgroundColor"], "#fdf3e1"]
    texts = {name: colours[name] for name in ("ink", "soft", "accent", "good", "care", "bad")} | {
        "text": THEME["textColor"]
    }
    low = {
        (name, ground): contrast(c, ground)
        for name, c in texts.items()
        for ground in grounds
        if contrast(c, ground) < 4.5
    }
    assert not low
    assert contrast("#ffffff", THEME["primaryColor"]) >= 4.5  # words on a button


def test_clock_face_and_tags_of_the_picture_can_be_read():
    assert contrast(dial.INK, dial.PAPER) >= 4.5
    assert contrast(dial.PAPER, dial.MARK) >= 4.5
    dark = "#{:02x}{:02x}{:02x}".format(*overlay.DARK)
    for colour in (overlay.HOLE, overlay.TAIL, overlay.REFERENCE, overlay.PALE, overlay.LINE):
        assert contrast("#{:02x}{:02x}{:02x}".format(*colour), dark) >= 4.5


def test_verdicts_are_told_apart_without_colour():
    assert len({text[0] for text in look.VERDICT_TEXT.values()}) == 3


def test_a_picture_taken_away_carries_no_metadata():
    # EXIF tag 0x8825 is the pointer to the GPS tags (CIPA DC-008).
    data = jpeg(np.full((40, 60, 3), 90, np.uint8))
    again = Image.open(io.BytesIO(data))
    assert not again.getexif()
    assert b"Exif" not in data
    assert "comment" not in again.info
    assert "icc_profile" not in again.info


def test_uploads_are_named_by_ending_so_that_phones_offer_the_camera():
    assert not any("/" in kind for kind in TYPES)


def test_coins_have_names_people_use():
    assert coin_label(COINS["us-quarter"]) == "US quarter, 24.26 mm"
    assert coin_label(COINS["eu-50c"]) == "Euro 50 cent, 24.25 mm"
    labels = [coin_label(coin) for coin in COINS.values()]
    assert len(set(labels)) == len(labels)


def test_pieces_of_the_page_are_closed_html():
    reading = a_reading().to_json()
    for piece in (
        look.banner(reading),
        look.words(reading),
        look.sizes(reading),
        look.holes(reading),
        look.checks(["look at this"]),
    ):
        opened = re.findall(r"<(\w+)(?![^>]*/>)", piece)
        closed = re.findall(r"</(\w+)>", piece)
        assert sorted(opened) == sorted(closed)
