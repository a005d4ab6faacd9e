"""The part is found wherever it lies and however small, and two are not taken for one."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from vision.classify import Look
from vision.find import Seen, _apart, _misfit, _wider, find_part, runs_out
from vision.label import Label
from vision.models import CLASSES, MAPS
from vision.photo import open_photo
from vision.segment import STRIDE, Regions, find_regions, look_closer

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


class RedFinder:
    """Stands for the finder network: whatever is red is a cam."""

    def run(self, rgb: np.ndarray) -> dict[str, Any]:
        cells = cv2.resize(rgb[0], None, fx=1 / STRIDE, fy=1 / STRIDE, interpolation=cv2.INTER_AREA)
        red = (cells[..., 0] > 150) & (cells[..., 1] < 100)
        probability = np.zeros((1, len(CLASSES), *red.shape), np.float32)
        probability[0, CLASSES.index("cam")] = red
        probability[0, 0] = ~red
        return {"probability": probability}


@dataclasses.dataclass(frozen=True)
class Picture:
    pixels: np.ndarray


def bench_with_disc(centre: tuple[int, int], radius: int, size: tuple[int, int] = (1500, 2000)) -> np.ndarray:
    pixels = np.full((*size, 3), 200, np.uint8)
    cv2.circle(pixels, centre, radius, (220, 30, 30), -1)
    return pixels


@pytest.mark.parametrize("centre", [(1000, 700), (1800, 1350), (150, 160), (1900, 100)])
def test_the_second_look_says_the_same_place_more_finely(centre):
    pixels = bench_with_disc(centre, 70)
    whole = find_regions(Picture(pixels), model=RedFinder())
    closer = look_closer(pixels, whole, model=RedFinder())
    assert closer is not None and closer.step_px < 0.7 * whole.step_px
    (piece,) = closer.components("cam")
    assert piece.centre_px == pytest.approx(centre, abs=closer.step_px)
    assert piece.radius_px == pytest.approx(70, abs=1.5 * closer.step_px)
    assert closer.at_px("cam", np.array([centre], float))[0] == 1.0


def test_no_second_look_where_things_fill_the_frame_or_none_is_there():
    pixels = bench_with_disc((1000, 750), 700)
    assert look_closer(pixels, find_regions(Picture(pixels), model=RedFinder()), model=RedFinder()) is None
    empty = np.full((600, 800, 3), 200, np.uint8)
    assert look_closer(empty, find_regions(Picture(empty), model=RedFinder()), model=RedFinder()) is None


@pytest.mark.parametrize("name", ["taper-open-quarter-card", "hook-cent-mat"])
@pytest.mark.parametrize("grow", [1.0, 2.2])
def test_the_part_of_a_photo_is_found_also_far_away(name, grow):
    """The example photos' own Labels; farther away is the same photo amid more of its bench."""
    label = Label.from_json((EXAMPLES / f"{name}.json").read_text())
    pixels = open_photo(EXAMPLES / f"{name}.jpg").pixels
    (part,) = [np.array(s.polygon_px, np.float32) for s in label.shapes if s.kind == "part"]
    if grow > 1.0:
        down, right = (round((grow - 1.0) * n / 2) for n in pixels.shape[:2])
        pixels = cv2.copyMakeBorder(pixels, down, down, right, right, cv2.BORDER_REFLECT_101)
        part = part + np.array([right, down], np.float32)
        pixels = cv2.resize(pixels, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
        part = (part + 0.5) * 0.6 - 0.5
        keep = cv2.minEnclosingCircle(part)
        blank = np.median(pixels.reshape(-1, 3), axis=0).astype(np.uint8)
        h, w = pixels.shape[:2]
        border = np.ones((h, w), bool)
        inner = (round((grow - 1.0) * h / grow / 2), round((grow - 1.0) * w / grow / 2))
        border[inner[0] : h - inner[0], inner[1] : w - inner[1]] = False
        pixels[border] = blank  # mirrored copies of the part would be other parts
        assert keep[1] < 0.2 * max(h, w)
    found = find_part(pixels, find_regions(Picture(pixels)))
    (x, y), radius = cv2.minEnclosingCircle(part)
    assert found.outcome == "read" and found.region is not None
    assert np.hypot(found.region.centre_px[0] - x, found.region.centre_px[1] - y) < 0.2 * radius
    assert 0.85 * radius < found.region.radius_px < 1.2 * radius


def test_a_part_that_the_finder_takes_for_its_card_is_found(monkeypatch):
    """The Label of an example photo, and a finder that sees nothing but a card round the part."""
    label = Label.from_json((EXAMPLES / "taper-open-quarter-card.json").read_text())
    pixels = open_photo(EXAMPLES / "taper-open-quarter-card.jpg").pixels
    (part,) = [np.array(s.polygon_px, np.float32) for s in label.shapes if s.kind == "part"]
    (x, y), radius = cv2.minEnclosingCircle(part)
    step = 8.0
    row, column = np.mgrid[: pixels.shape[0] // 8, : pixels.shape[1] // 8]
    card = np.hypot(column * step + 3.5 - x, row * step + 3.5 - y) < 3.5 * radius
    probability = np.zeros((len(CLASSES), *card.shape), np.float32)
    probability[CLASSES.index("card")], probability[0] = card, ~card
    monkeypatch.setattr("vision.find.look_closer", lambda pixels, regions: None)
    found = find_part(pixels, Regions(probability, step))
    assert found.outcome == "read" and found.region is not None
    assert np.hypot(found.region.centre_px[0] - x, found.region.centre_px[1] - y) < 0.2 * radius


def test_an_empty_bench_holds_no_part():
    rng = np.random.default_rng(3)
    pixels = np.clip(rng.normal(190, 3, (600, 800, 3)), 0, 255).astype(np.uint8)
    found = find_part(pixels, find_regions(Picture(pixels)))
    assert found.outcome in ("retake", "not-a-cam")


def test_looks_at_one_place_count_once_and_others_apart():
    look = Look(0.9, ((0.0, 0.0), 10.0))
    here, again, there = (
        Seen((c, 10.0), look, w) for c, w in (((0.0, 0.0), 0.9), ((4.0, 0.0), 0.8), ((40.0, 0.0), 0.7))
    )
    assert _apart(here, [here, again, there]) == [there]


def test_a_face_that_does_not_fill_its_circle_is_a_misfit():
    whole = ((0.0, 0.0), 10.0)
    assert _misfit(whole, whole) == 0.0
    assert _misfit(whole, ((3.0, 0.0), 10.0)) == pytest.approx(0.3)
    assert _misfit(whole, ((0.0, 0.0), 5.0)) == pytest.approx(np.log(2.0))


def test_regions_keep_their_origin():
    probability = np.zeros((len(CLASSES), 30, 40), np.float32)
    probability[CLASSES.index("cam"), 10:20, 10:20] = 1.0
    plain, moved = Regions(probability, 4.0), Regions(probability, 4.0, (100.0, 50.0))
    (a,), (b,) = plain.components("cam"), moved.components("cam")
    assert np.subtract(b.centre_px, a.centre_px) == pytest.approx((100.0, 50.0))


def reading_of(face: np.ndarray) -> Any:
    """Something with the reader's maps, of which only the face's is not empty."""
    maps = np.zeros((len(MAPS), 256, 256), np.float32)
    maps[MAPS.index("face")] = face
    return dataclasses.make_dataclass("Reading", ["maps"])(maps)


def test_a_face_that_fades_into_its_patchs_border_goes_on_beyond_it():
    face = np.zeros((256, 256), np.float32)
    cv2.circle(face, (128, 170), 60, 1.0, -1)
    assert not runs_out(reading_of(face))
    beside = face.copy()
    cv2.rectangle(beside, (0, 0), (20, 12), 0.7, -1)  # a card's corner, say
    assert not runs_out(reading_of(beside))
    faint = face.copy()
    cv2.rectangle(faint, (110, 0), (146, 130), 0.5, -1)
    assert runs_out(reading_of(np.maximum(face, faint)))
    assert not runs_out(reading_of(np.zeros((256, 256), np.float32)))


def test_a_tail_that_the_first_circle_cut_off_is_found_by_a_wider_look(monkeypatch):
    """A stand-in for the reader: the face is what of a plate 60 px across lies in the circle looked at."""
    plate = ((300.0, 200.0), 60.0)
    looked = []

    def look_once(pixels: np.ndarray, centre: tuple[float, float], radius: float) -> Look:
        looked.append(radius)
        part = min(radius, plate[1])
        return Look(0.95, ((plate[0][0], plate[0][1] + plate[1] - part), part), None)

    monkeypatch.setattr("vision.find.look_once", look_once)
    pixels = np.zeros((9, 9, 3), np.uint8)
    cut = Seen(((300.0, 215.0), 45.0), look_once(pixels, (300.0, 215.0), 45.0), 0.6)
    found = _wider(pixels, cut)
    assert found.circle == plate and found.worth == pytest.approx(0.95)
    looked.clear()
    fits = dataclasses.replace(cut, worth=0.9)
    assert _wider(pixels, fits) is fits and not looked
    whole = Seen(plate, look_once(pixels, *plate), 0.7)  # fits badly, but is not larger when seen wider
    assert _wider(pixels, whole) is whole
