"""Faces of real coins laid over invented ones, against scikit-image's own segmentation of that picture."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage import data, filters, measure, segmentation

from synthetic.coin_faces import CIRCLES, DARKEST, LIGHTEST, hollows, real_faces, struck


@pytest.fixture(scope="module")
def regions():
    """The coins as scikit-image's worked example "Region-based segmentation" finds them: watershed between 30 and 150."""
    picture = data.coins()
    markers = np.zeros_like(picture, dtype=int)
    markers[picture < 30], markers[picture > 150] = 1, 2
    mask = ndimage.binary_fill_holes(segmentation.watershed(filters.sobel(picture), markers) - 1)
    return [r for r in measure.regionprops(measure.label(mask)) if r.area > 300]


def test_every_circle_lies_on_a_coin_of_its_own(regions):
    taken = set()
    for x, y, radius in CIRCLES:
        away = [np.hypot(r.centroid[1] - x, r.centroid[0] - y) for r in regions]
        nearest = int(np.argmin(away))
        assert away[nearest] < 4.0, (x, y)
        assert 0.75 < radius / (regions[nearest].equivalent_diameter_area / 2.0) < 1.12, (x, y)
        taken.add(nearest)
    assert len(taken) == len(CIRCLES) == 24


def test_a_face_is_light_and_dark_about_one_and_plain_outside():
    assert len(real_faces()) == 24
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:90, :90] + 0.5 - 45.0
    for _ in range(30):
        face = struck(rng, 90)
        assert face is not None and face.shape == (90, 90)
        assert face.min() >= DARKEST - 0.01 and face.max() <= LIGHTEST + 0.01
        assert np.all(face[np.hypot(x, y) > 46.0] == 1.0)
        inside = face[np.hypot(x, y) < 34.0]
        assert 0.6 < inside.mean() < 1.4
        assert inside.std() > 0.08


def test_hollows_are_darker_than_what_stands_out():
    relief = np.zeros((60, 60), np.float32)
    relief[20:40, 20:40] = 1.0
    dark = hollows(np.random.default_rng(1), relief, 4.0)
    assert dark[17:19, 25:35].mean() < dark[21:23, 25:35].mean() - 0.05
