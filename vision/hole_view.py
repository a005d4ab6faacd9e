"""What a network sees of one screw hole (`vision.hole_net`), alike in training and in use.

The photo round a hole is laid square onto the face, with the way in which lower things seem to move along it to the right:
seen aslant a plain hole is a lens between its upper edge and its lower one, and a countersink's through edge lies aside.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.hole_evidence import FaceMaps

Array = NDArray[np.float64]

SIDE: Final = 80  # pixels of a view
HALF: Final = 3.4  # of the reader's radius, from a view's middle to its side: countersinks and face about them
FINEST: Final = 0.45  # of a view's pixel: spread of the blur that keeps a fine photo from flickering in a coarse view
GIVEN: Final = 3  # numbers beside the picture: `given`
PLAINS, CONES = 3, 4  # normals that make up the density of plain holes and of countersunk ones
SCHEMA: Final = "camdial.holes/1"


def view_to_px(middle_px: Array, radius_px: float, slope_px: Array, side: int = SIDE, half: float = HALF) -> Array:
    """Where a view's pixels lie in the photo, (2, 3).

    Parameters
    ----------
    middle_px : ndarray of shape (2,)
    radius_px : float
        The reader's radius, as the root of its area over pi.
    slope_px : ndarray of shape (2,)
        How far along the face a point seems to move for each unit that it lies lower (the tangent of the face's lean), as a
        vector in the picture.
    """
    steep = float(np.hypot(*slope_px))
    right = np.asarray(slope_px) / steep if steep > 1e-9 else np.array([1.0, 0.0])
    flat = (1.0 + steep * steep) ** -0.25  # root of the lean's cosine
    down = np.array([-right[1], right[0]])
    linear = np.column_stack([right * flat, down / flat]) * radius_px * 2.0 * half / side
    return np.column_stack([linear, middle_px - linear @ np.full(2, (side - 1.0) / 2.0)])


def given(steep: float, radius_mm: float, cone_odds: float) -> NDArray[np.float32]:
    """What a network is told beside the picture, (GIVEN,): tangent of the lean, the logarithm of the reader's radius over
    1.7 mm, and the log odds of a countersink by the reader's map."""
    return np.array([steep, np.log(max(radius_mm, 0.1) / 1.7), cone_odds / 3.5], dtype=np.float32)


def view_of(pixels: NDArray[np.uint8], maps: FaceMaps, to_px: Array, side: int = SIDE) -> NDArray[np.uint8]:
    """A view (side, side, 6): colours and the reader's maps of face, openings and openings with countersinks, 0 to 255."""
    corners = to_px @ np.array([[0, side, 0, side], [0, 0, side, side], [1, 1, 1, 1]], dtype=float)
    low = np.maximum(np.floor(corners.min(axis=1)).astype(int) - 3, 0)
    high = np.minimum(np.ceil(corners.max(axis=1)).astype(int) + 4, pixels.shape[1::-1])
    if (high - low).min() < 2:
        return np.zeros((side, side, 6), np.uint8)
    blur = FINEST * float(np.sqrt(abs(np.linalg.det(to_px[:, :2]))))
    sharp = pixels[low[1] : high[1], low[0] : high[0]]
    photo = cv2.GaussianBlur(sharp, (0, 0), blur) if blur > 0.5 else sharp
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = to_px - np.column_stack([np.zeros((2, 2)), low])
    rgb = cv2.warpAffine(photo, moved, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    to_map = maps.to_map[:, :2] @ to_px
    to_map[:, 2] += maps.to_map[:, 2]
    seen = (cv2.warpAffine(m, to_map, (side, side), flags=flags) for m in (maps.face, maps.opening, maps.mouth))
    return np.dstack([rgb, *(np.clip(255.0 * m + 0.5, 0.0, 255.0).astype(np.uint8) for m in seen)])
