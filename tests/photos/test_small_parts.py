"""A part that is small in its photo is said to be, and the photo as it was taken is not."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from vision.photo import open_photo
from vision.pipeline import ReadOptions, read_photo

PHOTO = Path(__file__).resolve().parents[2] / "examples" / "cloverleaf-quarter-paper.jpg"


@pytest.mark.parametrize(("share", "small"), [(1.0, False), (0.3, True)])
def test_a_copy_of_few_pixels_is_said_to_be_one(tmp_path, share, small):
    """The copy is made by OpenCV's area filter, as a chat program makes one."""
    pixels = cv2.imdecode(np.frombuffer(PHOTO.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    copy = tmp_path / "copy.jpg"
    cv2.imwrite(str(copy), cv2.resize(pixels, None, fx=share, fy=share, interpolation=cv2.INTER_AREA))
    reading = read_photo(open_photo(copy), ReadOptions(coin="us-quarter"))
    assert reading.outcome in ("read", "unsure")
    assert ("few-pixels" in {note.code for note in reading.warnings}) is small
