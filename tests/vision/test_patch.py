"""The square the reader sees: geometry against scikit-image's transforms, and what a clock expects of "up"."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.transform import SimilarityTransform, warp

from vision.patch import PART_FILL, PATCH_PX, cut_patch, patch_affine

ANGLES = st.floats(-720.0, 720.0)


def smooth_picture(height: int = 300, width: int = 400) -> np.ndarray:
    y, x = np.mgrid[:height, :width].astype(float)
    layers = [128 + 100 * np.sin(x / 23) * np.cos(y / 31), 128 + 90 * np.cos((x + y) / 40), 255 * x / width]
    return np.stack(layers, 2).round().astype(np.uint8)


def test_agrees_with_skimage_similarity_and_warp():
    picture = smooth_picture()
    patch = cut_patch(picture, (210.0, 140.0), 80.0, 37.0)
    scale = 2 * 80.0 / (PART_FILL * PATCH_PX)
    middle = SimilarityTransform(translation=(-(PATCH_PX - 1) / 2, -(PATCH_PX - 1) / 2))
    turned = SimilarityTransform(scale=scale, rotation=math.radians(37.0), translation=(210.0, 140.0))
    both = middle + turned
    assert np.allclose(patch.to_px, both.params[:2], atol=1e-9)
    theirs = warp(picture, both, output_shape=(PATCH_PX, PATCH_PX), order=1, mode="edge", preserve_range=True)
    assert np.abs(patch.rgb.astype(float) - theirs).max() <= 2.0  # OpenCV interpolates in steps of 1/32 px


def test_shrinking_averages_like_a_box_and_does_not_alias():
    rng = np.random.default_rng(0)
    noise = rng.integers(0, 256, (1600, 1600, 3), dtype=np.uint8)
    patch = cut_patch(noise, (800.0, 800.0), 2.0 * 4 * PART_FILL * PATCH_PX / 4, 0.0)  # 4 photo px in one patch px
    # the mean of 16 independent values has a quarter of their spread; bilinear resampling lowers it a little more
    assert 0.4 * noise.std() / 4 < patch.rgb.std() < 1.1 * noise.std() / 4


@given(ANGLES, st.floats(5.0, 3000.0), st.floats(-100.0, 5000.0), st.floats(-100.0, 5000.0))
def test_points_go_there_and_back(up_deg, radius_px, x, y):
    to_px = patch_affine((x, y), radius_px, up_deg)
    patch = cut_patch(np.zeros((8, 8, 3), np.uint8), (x, y), radius_px, up_deg)
    assert np.allclose(patch.to_px, to_px)
    points = np.array([[0.0, 0.0], [255.0, 3.0], [127.5, 127.5]])
    assert np.allclose(patch.patch_points(patch.photo_points(points)), points, atol=1e-6)
    assert np.allclose(patch.photo_points(points)[2], (x, y))
    assert math.isclose(math.cos(math.radians(patch.up_deg - up_deg)), 1.0, abs_tol=1e-9)
    assert math.isclose(patch.px_per_patch_px, 2 * radius_px / (PART_FILL * PATCH_PX))


@pytest.mark.parametrize(
    ("up_deg", "dot"), [(0.0, (200, 130)), (90.0, (270, 200)), (180.0, (200, 270)), (270.0, (130, 200))]
)
def test_what_lies_in_the_up_direction_is_up(up_deg, dot):
    picture = np.zeros((400, 400, 3), np.uint8)
    cv2.circle(picture, dot, 6, (255, 255, 255), -1)
    patch = cut_patch(picture, (200.0, 200.0), 90.0, up_deg)
    y, x = np.argwhere(patch.rgb[..., 0] > 128).mean(0)
    assert abs(x - 127.5) < 1.0 and abs(y - (127.5 - 70 * 92.16 / 90)) < 1.0


@pytest.mark.parametrize("radius", [20.0, 92.16, 400.0])
def test_circle_fills_72_percent(radius):
    y, x = np.mgrid[:1000, :1000]
    disc = np.clip(radius + 0.5 - np.hypot(x - 500, y - 500), 0, 1) * 255
    picture = np.repeat(disc.round().astype(np.uint8)[..., None], 3, axis=2)
    patch = cut_patch(picture, (500.0, 500.0), radius, 12.0)
    area = (patch.rgb[..., 0] / 255.0).sum()
    assert area == pytest.approx(math.pi * (0.36 * 256) ** 2, rel=0.005)


def test_border_goes_on_beyond_the_photo():
    picture = np.full((50, 60, 3), 77, np.uint8)
    assert (cut_patch(picture, (0.0, 0.0), 100.0, 33.0).rgb == 77).all()


@pytest.mark.parametrize("bad", [np.zeros((5, 5), np.uint8), np.zeros((5, 5, 3)), np.zeros((1, 5, 3), np.uint8)])
def test_wrong_pictures_are_our_errors(bad):
    with pytest.raises(ValueError, match="uint8"):
        cut_patch(bad, (1.0, 1.0), 2.0, 0.0)


@pytest.mark.parametrize("radius", [0.0, -3.0, math.nan])
def test_impossible_circles_are_our_errors(radius):
    with pytest.raises(ValueError, match="radius"):
        cut_patch(np.zeros((9, 9, 3), np.uint8), (1.0, 1.0), radius, 0.0)
