"""The printed sheet as a printer would get it: rasterised by poppler, measured back at 300 dpi, read by our own finder."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from shop.card_sheet import make_card
from vision.photo import Photo
from vision.scale.card import BAR_BELOW_MM, BAR_MM, DICTIONARY, CardFit, fit_card, marker_layout

DPI = 300
PX_PER_MM = DPI / 25.4
SHEETS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; 8.5 by 11 inches

needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils is not installed")


@pytest.fixture(scope="module", params=["a4", "letter"])
def sheet(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, np.ndarray]:
    folder = tmp_path_factory.mktemp("card")
    pdf, png = folder / "card.pdf", folder / "card"
    make_card(pdf, paper=request.param)
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", "-png", "-singlefile", str(pdf), str(png)], check=True)
    return request.param, cv2.imread(str(png.with_suffix(".png")), cv2.IMREAD_GRAYSCALE)


@needs_poppler
def test_page_has_the_papers_size(sheet):
    paper, picture = sheet
    assert np.array(picture.shape[::-1]) == pytest.approx(np.array(SHEETS_MM[paper]) * PX_PER_MM, abs=1.0)


@needs_poppler
def test_markers_have_their_true_size_and_place(sheet):
    """OpenCV's own detector, not ours, finds the corners; a pixel is 0.085 mm."""
    _, picture = sheet
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY))
    corners, ids, _ = detector.detectMarkers(picture)
    found = {int(i): c.reshape(4, 2) for i, c in zip(np.ravel(ids), corners, strict=True)}
    layout = marker_layout()
    assert set(found) == set(layout)
    mm = np.concatenate([layout[i] for i in sorted(layout)]) * [1.0, -1.0]
    px = np.concatenate([found[i] for i in sorted(layout)])
    size = PX_PER_MM * (mm - mm.mean(axis=0))
    assert px - px.mean(axis=0) == pytest.approx(size, abs=1.3)
    scale = float((size * (px - px.mean(axis=0))).sum() / (size**2).sum())
    assert scale == pytest.approx(1.0, abs=0.001)


@needs_poppler
def test_the_bar_is_100_mm_long(sheet):
    _, picture = sheet
    fit = fit_card(Photo(cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB), "card.png", "0" * 64))
    assert isinstance(fit, CardFit)
    x, y = cv2.perspectiveTransform(np.array([[[0.0, -BAR_BELOW_MM + 1.2]]]), fit.homography).ravel()
    half = int(60 * PX_PER_MM)
    band = picture[int(y) - int(3.2 * PX_PER_MM) : int(y) - int(2.6 * PX_PER_MM), int(x) - half : int(x) + half]
    dark = np.flatnonzero(band.mean(axis=0) < 128)  # above the bar only the two end strokes stand
    assert (dark[-1] - dark[0] + 1) / PX_PER_MM == pytest.approx(BAR_MM, abs=0.2)


@needs_poppler
def test_the_middle_is_empty(sheet):
    _, picture = sheet
    fit = fit_card(Photo(cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB), "card.png", "0" * 64))
    assert isinstance(fit, CardFit)
    corners = np.array([(-35, 35), (35, 35), (35, -35), (-35, -35)], float).reshape(-1, 1, 2)
    box = cv2.perspectiveTransform(corners, fit.homography).astype(np.int32).reshape(-1, 2)
    assert picture[box[0, 1] : box[2, 1], box[0, 0] : box[2, 0]].min() > 250


def test_the_viewer_is_told_not_to_scale(tmp_path: Path):
    make_card(tmp_path / "card.pdf", paper="letter")
    assert re.search(rb"/PrintScaling\s*/None", (tmp_path / "card.pdf").read_bytes())


def test_words_that_a_user_needs(tmp_path: Path):
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler-utils is not installed")
    make_card(tmp_path / "card.pdf", paper="a4")
    text = subprocess.run(
        ["pdftotext", str(tmp_path / "card.pdf"), "-"], check=True, capture_output=True, text=True
    ).stdout
    for words in ("measure me", "100 %", "Lay the sheet flat"):
        assert words in text


def test_another_paper_is_refused(tmp_path: Path):
    with pytest.raises(ValueError, match="a4, letter"):
        make_card(tmp_path / "card.pdf", paper="a3")  # type: ignore[arg-type]
    assert not (tmp_path / "card.pdf").exists()
