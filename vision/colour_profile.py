"""Pixels with a camera's colour profile (ICC) -> sRGB.

Phones write a wider space than sRGB into every photo. Such a profile is three curves and a matrix (ICC.1:2022, F.3), which
table look-ups and one product apply several times as fast as the colour engine does; the engine says what they are, and
is used itself where they do not come near its own result.
"""

from __future__ import annotations

import io
from typing import Final, TypeGuard

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

Array = NDArray[np.float64]

MOST_PROFILE_BYTES: Final = 1_000_000
GRID: Final = 17  # colours a channel at which both are compared
MOST_OFF: Final = 2  # grey levels, at any of them
MEAN_OFF: Final = 0.5
CLEAR_OF_ENDS: Final = (6, 249)  # results between these were not cut off
LINEAR_STEPS: Final = 16383  # a table that fits the nearest cache; a step in the dark is a fifth of a grey level
AT_ONCE_PX: Final = 32_000  # few enough to stay in the processor's cache


def is_foreign(profile: bytes | None) -> TypeGuard[bytes]:
    """True for a profile that must be applied: there is one, of believable size, and it is not sRGB's."""
    return profile is not None and 0 < len(profile) <= MOST_PROFILE_BYTES and b"sRGB" not in profile[:4096]


def to_srgb(rgb: NDArray[np.uint8], profile: bytes) -> NDArray[np.uint8]:
    """Pixels in sRGB; as they are when the profile is broken, which costs some colour and never the photo.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
    profile : bytes
        An ICC profile of RGB.
    """
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        engine = ImageCms.buildTransform(source, ImageCms.createProfile("sRGB"), "RGB", "RGB")
        fitted = _curve_and_matrix(engine)
        if fitted is not None:
            return _applied(rgb, *fitted)
        return np.array(ImageCms.applyTransform(Image.fromarray(rgb), engine), dtype=np.uint8)
    except (ImageCms.PyCMSError, OSError, ValueError):
        return rgb


def _decoded(value: Array) -> Array:
    """Light of sRGB values 0 to 1 (IEC 61966-2-1)."""
    return np.asarray(np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4))


def _encoded(light: Array) -> Array:
    """The values 0 to 1 of light (IEC 61966-2-1)."""
    return np.asarray(
        np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0) ** (1.0 / 2.4) - 0.055)
    )


def _curve_and_matrix(engine: ImageCms.ImageCmsTransform) -> tuple[Array, Array] | None:
    """Light of the 256 values, and the matrix (3, 3) to sRGB's light, as the engine shows them; None where it is more."""
    greys = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    level = np.arange(256) / 255.0
    seen = _by_engine(greys, engine)[0].mean(axis=1)
    middle = (level > 0.2) & (seen > 5.0) & (seen < 250.0)
    gamma = np.polyfit(np.log(level[middle]), np.log(_decoded(seen[middle] / 255.0)), 1)[0] if middle.sum() > 1 else 1.0
    steps = np.round(np.linspace(0, 255, GRID)).astype(np.uint8)
    colours = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(1, -1, 3)
    right = _by_engine(colours, engine)
    inside = np.all((right[0] > CLEAR_OF_ENDS[0]) & (right[0] < CLEAR_OF_ENDS[1]), axis=1)
    if inside.sum() < GRID:
        return None
    for curve in (_decoded(level), level**gamma):
        light, wanted = curve[colours[0, inside]], _decoded(right[0, inside] / 255.0)
        matrix = np.linalg.lstsq(light, wanted, rcond=None)[0].T
        off = np.abs(_applied(colours, curve, matrix).astype(int) - right.astype(int))
        if off.max() <= MOST_OFF and off.mean() <= MEAN_OFF:
            return curve, matrix
    return None


def _by_engine(rgb: NDArray[np.uint8], engine: ImageCms.ImageCmsTransform) -> NDArray[np.uint8]:
    return np.asarray(ImageCms.applyTransform(Image.fromarray(np.ascontiguousarray(rgb)), engine), dtype=np.uint8)


def _applied(rgb: NDArray[np.uint8], curve: Array, matrix: Array) -> NDArray[np.uint8]:
    to_light = curve.astype(np.float32)[None]
    value = np.round(255.0 * _encoded(np.arange(LINEAR_STEPS + 1) / LINEAR_STEPS))
    to_value = np.pad(value, (0, 65535 - LINEAR_STEPS)).astype(np.uint8)[None]
    scaled = (matrix * LINEAR_STEPS).astype(np.float32)
    out = np.empty_like(rgb)
    rows = max(1, AT_ONCE_PX // rgb.shape[1])
    for start in range(0, len(rgb), rows):
        light = cv2.transform(cv2.LUT(rgb[start : start + rows], to_light), scaled)
        whole = np.clip(light, 0.0, LINEAR_STEPS, out=light).astype(np.uint16)
        out[start : start + rows] = cv2.LUT(whole, to_value)
    return out
