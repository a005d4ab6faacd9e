"""Round edges about one place, on discs that OpenCV draws with its own sub-pixel coordinates."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.rings import find_rings

AT = np.array([40.3, 37.6])


def disc(radius_px: float) -> np.ndarray:
    """A dark disc on a light face, drawn eight times larger and averaged."""
    canvas = np.full((640, 640), 190, np.uint8)
    middle = np.round(((AT + 0.5) * 8 - 0.5) * 16).astype(int)
    cv2.circle(canvas, tuple(middle.tolist()), round(radius_px * 8 * 16), 60, -1, cv2.LINE_8, 4)
    small = cv2.GaussianBlur(cv2.resize(canvas, (80, 80), interpolation=cv2.INTER_AREA), (0, 0), 0.7)
    return np.dstack([small] * 3)


@pytest.mark.parametrize("radius_px", [4.0, 7.5, 16.0])
def test_a_discs_edge_is_found_to_a_fraction_of_a_pixel(radius_px):
    rings = find_rings(disc(radius_px), AT, 1.1 * radius_px, (0.55, 1.8), 0.5)
    assert len(rings) == 1
    assert rings[0].radius_px == pytest.approx(radius_px, abs=0.2)
    assert rings[0].points_px.mean(axis=0) == pytest.approx(AT, abs=0.15)


@pytest.mark.parametrize("radius_px", [0.2, 0.6, 1.0, 1.5, 2.0, 2.6])
def test_a_hole_of_a_pixel_or_two_may_show_no_ring_but_breaks_nothing(radius_px):
    for ring in find_rings(disc(radius_px), AT, radius_px, (0.55, 1.8), 0.5):
        assert ring.radius_px < 2.0 * radius_px
