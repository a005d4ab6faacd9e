"""The truth is OpenCV's own conversion, over every colour there is, and LittleCMS's for greys."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from vision.lab import lab_of


def test_every_colour_is_as_opencv_has_it() -> None:
    levels = np.arange(256, dtype=np.uint8)
    plane = np.empty((256, 256, 3), dtype=np.uint8)
    plane[..., 1], plane[..., 2] = levels[:, None], levels
    for red in levels:
        plane[..., 0] = red
        assert np.array_equal(lab_of(plane), cv2.cvtColor(plane, cv2.COLOR_RGB2LAB)), red


@pytest.mark.parametrize("level", [0, 10, 60, 119, 200, 255])
def test_greys_are_within_a_level_of_pillows_colour_management(level: int) -> None:
    """LittleCMS goes through another white, which leaves the lightness of greys as it is."""
    picture = Image.new("RGB", (1, 1), (level, level, level))
    there = ImageCms.profileToProfile(
        picture, ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), outputMode="LAB"
    )
    assert there is not None
    lightness, a, b = (int(v) for v in lab_of(np.full((1, 1, 3), level, dtype=np.uint8))[0, 0])
    assert lightness == pytest.approx(int(np.asarray(there)[0, 0, 0]), abs=1)
    assert (a, b) == (128, 128)
