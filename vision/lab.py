"""sRGB pixels to CIE L*a*b* in 8 bits, in whole numbers, to the bit as OpenCV's `cvtColor` gives them.

OpenCV makes tables for all its ways to Lab colours at the first use of one, which takes a tenth of a second: a fifth of
a first answer. These are the two small tables that 8 bits need, and are made in a fraction of a millisecond.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

LINEAR_STEPS: Final = 255 * 8  # linear light in steps of an eighth of a grey level
ROOT_BITS: Final = 15
ROOT_STEPS: Final = 1 << ROOT_BITS  # of the cube root of 1
COLOUR_STEPS: Final = 1 << 12  # of a matrix element
MOST_LIGHT: Final = 1.5  # X and Z of the matrix below come to a little over 1
SRGB_TO_XYZ: Final = ((0.412453, 0.357580, 0.180423), (0.212671, 0.715160, 0.072169), (0.019334, 0.119193, 0.950227))
WHITE_D65: Final = (0.950456, 1.0, 1.088754)  # both as OpenCV's "Color conversions" prints them, after ITU-R BT.709


def _linear_table() -> NDArray[np.float32]:
    """Linear light of every grey level, in its steps (IEC 61966-2-1)."""
    level = np.arange(256) / 255.0
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return np.asarray(np.rint(LINEAR_STEPS * linear), dtype=np.float32)


def _root_table() -> NDArray[np.int32]:
    """The cube root of CIE L*a*b* with its straight foot (CIE 15), in its steps, for every step of linear light."""
    light = np.arange(int(MOST_LIGHT * (LINEAR_STEPS + 8))) / LINEAR_STEPS
    root = np.where(light < 216.0 / 24389.0, light * 841.0 / 108.0 + 16.0 / 116.0, np.cbrt(light))
    return np.rint((ROOT_STEPS * root).astype(np.float32)).astype(np.int32)  # halves in single precision, as OpenCV's


def _matrix() -> NDArray[np.float32]:
    """(3, 4): linear RGB to X, Y, Z over those of white, and the half that makes cutting off rounding."""
    over_white = np.array(SRGB_TO_XYZ) / np.array(WHITE_D65)[:, None]
    elements = np.rint(COLOUR_STEPS * over_white) / COLOUR_STEPS  # sums of them are whole numbers under 2^24: exact
    return np.column_stack([elements, np.full(3, 0.5)]).astype(np.float32)


LINEAR: Final = _linear_table()
ROOT: Final = _root_table()
MATRIX: Final = _matrix()
LIGHTNESS: Final = (116 * 255 + 50) // 100  # L* = 116 f(Y) - 16 of 100, in 255 levels
BLACK: Final = (16 * 255 * ROOT_STEPS + 50) // 100


def lab_of(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """L* times 2.55, a* + 128 and b* + 128 of pixels in sRGB, (H, W, 3) to (H, W, 3)."""
    light = cv2.transform(cv2.LUT(rgb, LINEAR), MATRIX).astype(np.uint16)
    roots = ROOT[light]
    x, y, z = roots[..., 0], roots[..., 1], roots[..., 2]
    half, grey = ROOT_STEPS // 2, 128 * ROOT_STEPS
    lab = np.empty(rgb.shape, dtype=np.uint8)
    lab[..., 0] = (LIGHTNESS * y + (half - BLACK)) >> ROOT_BITS
    lab[..., 1] = (500 * (x - y) + (grey + half)) >> ROOT_BITS
    lab[..., 2] = (200 * (y - z) + (grey + half)) >> ROOT_BITS
    return lab
