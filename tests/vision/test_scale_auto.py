"""Which reference is used, and what is said when there is none or they do not agree."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.card_pictures import card_picture, project
from vision.models import CLASSES
from vision.photo import Photo
from vision.scale import Scale
from vision.scale.auto import ScaleRequest, find_scale
from vision.segment import Regions


def photo(pixels: np.ndarray) -> Photo:
    return Photo(pixels, "made.jpg", "0" * 64, 26.0)


def nothing(width: int = 400, height: int = 300, *, coin: bool = False) -> Regions:
    probability = np.zeros((len(CLASSES), height // 8, width // 8), np.float32)
    probability[0] = 1.0
    if coin:
        probability[0, 5:12, 5:12] = 0.1
        probability[CLASSES.index("coin"), 5:12, 5:12] = 0.9
    return Regions(probability, 8.0)


def test_none_is_none_without_a_word():
    pixels, _ = card_picture(np.random.default_rng(1))
    assert find_scale(photo(pixels), ScaleRequest(kind="none")) == (None, ())


def test_the_card_is_found_unasked():
    pixels, _ = card_picture(np.random.default_rng(1))
    scale, warnings = find_scale(photo(pixels), regions=nothing(1344, 1008))
    assert isinstance(scale, Scale)
    assert scale.kind == "card"
    assert [w.code for w in warnings] == ["card-size-unchecked"]


def test_no_reference_says_what_to_do():
    scale, warnings = find_scale(photo(np.full((300, 400, 3), 150, np.uint8)), regions=nothing())
    assert scale is None
    assert warnings[0].code == "no-scale"
    assert "coin" in warnings[0].text


def test_a_coin_that_is_not_named_is_asked_for():
    flat = photo(np.full((300, 400, 3), 150, np.uint8))
    for request in (ScaleRequest(), ScaleRequest(kind="coin")):
        scale, warnings = find_scale(flat, request, regions=nothing(coin=True))
        assert scale is None
        assert warnings[0].code == "coin-not-named"


@pytest.mark.parametrize(("name", "agrees"), [("24.26mm", True), ("19.05mm", False)])
def test_card_and_coin_are_held_against_each_other(name: str, agrees: bool):
    """A disc of 24.26 mm (quarter: US Mint, coin specifications) drawn into the card's free place, flat on the print."""
    pixels, to_px = card_picture(np.random.default_rng(4), tilt_deg=2.0)
    turn = np.linspace(0, 2 * np.pi, 400)
    rim = project(to_px, 24.26 / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    picture = np.ascontiguousarray(pixels)
    cv2.fillPoly(picture, [np.round(rim * 16).astype(np.int32)], (60, 62, 66), cv2.LINE_AA, 4)
    scale, warnings = find_scale(photo(picture), ScaleRequest(coin=name, card_bar_mm=100.0))
    assert scale is not None
    assert scale.kind == "card"
    codes = [w.code for w in warnings]
    assert "coin-not-found" not in codes
    assert ("scales-disagree" not in codes) == agrees


@pytest.mark.parametrize("wrong", [{"kind": "tape"}, {"ruler_unit": "cm"}])
def test_a_wrong_request_is_an_error_of_usage(wrong: dict[str, str]):
    with pytest.raises(ValueError, match="allowed"):
        ScaleRequest(**wrong)  # type: ignore[arg-type]
