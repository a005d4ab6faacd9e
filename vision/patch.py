"""The square picture the reader network sees, cut in the same way in use and in training."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

PATCH_PX: Final = 256  # side of the network's input
PART_FILL: Final = 0.72  # diameter of the part's enclosing circle over the side: room for a circle found a little small


@dataclass(frozen=True, slots=True)
class Patch:
    """A square cut from the photo by a similarity.

    `rgb` is (side, side, 3) uint8. `to_px` is the (2, 3) affine that takes patch pixels (x, y, 1) to photo pixels.
    """

    rgb: NDArray[np.uint8]
    to_px: NDArray[np.float64]

    def photo_points(self, patch_points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the patch in pixels of the photo, (N, 2) to (N, 2)."""
        return np.asarray(patch_points, dtype=np.float64) @ self.to_px[:, :2].T + self.to_px[:, 2]

    def patch_points(self, photo_points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the photo in pixels of the patch, (N, 2) to (N, 2)."""
        shifted = np.asarray(photo_points, dtype=np.float64) - self.to_px[:, 2]
        return shifted @ np.linalg.inv(self.to_px[:, :2]).T

    @property
    def px_per_patch_px(self) -> float:
        """Photo pixels in one patch pixel."""
        return float(np.hypot(self.to_px[0, 0], self.to_px[1, 0]))

    @property
    def up_deg(self) -> float:
        """The photo direction that is up in the patch, degrees clockwise from the photo's own up."""
        return math.degrees(math.atan2(self.to_px[1, 0], self.to_px[0, 0])) % 360.0


def patch_affine(
    centre_px: tuple[float, float], radius_px: float, up_deg: float, side: int = PATCH_PX, fill: float = PART_FILL
) -> NDArray[np.float64]:
    """The (2, 3) affine from patch pixels to photo pixels.

    Parameters
    ----------
    centre_px, radius_px
        Circle round the part, pixels of the photo.
    up_deg
        Direction in the photo that shall be up in the patch, degrees clockwise from the photo's up.
    side, fill
        Side of the patch, and the circle's diameter over the side.

    Raises
    ------
    ValueError
        If the radius is not positive.
    """
    if not radius_px > 0.0:
        raise ValueError(f"the circle round the part has radius {radius_px}")
    scale = 2.0 * radius_px / (fill * side)
    turn = math.radians(up_deg)
    linear = scale * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    middle = np.full(2, (side - 1) / 2.0)
    return np.column_stack([linear, np.asarray(centre_px, dtype=np.float64) - linear @ middle])


def cut(pixels: NDArray[np.uint8], to_px: NDArray[np.float64], side: int) -> NDArray[np.uint8]:
    """Sample a square of `pixels` through an affine, averaging over the area when it shrinks.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    to_px : ndarray of shape (2, 3)
        Patch pixels to photo pixels.
    side : int

    Returns
    -------
    ndarray of shape (side, side, 3), uint8
        Beyond the photo its border pixels go on.
    """
    height, width = pixels.shape[:2]
    shrink = float(np.hypot(to_px[0, 0], to_px[1, 0]))
    corners = np.array([[0.0, 0.0], [side, 0.0], [0.0, side], [side, side]]) @ to_px[:, :2].T + to_px[:, 2]
    margin = 2.0 * shrink + 2.0
    left, top = (int(v) for v in np.floor(np.clip(corners.min(axis=0) - margin, 0.0, (width - 2, height - 2))))
    right, bottom = (
        int(v) for v in np.ceil(np.clip(corners.max(axis=0) + margin, (left + 2, top + 2), (width, height)))
    )
    window = pixels[top:bottom, left:right]
    affine = to_px.astype(np.float64).copy()
    affine[:, 2] -= (left, top)
    if shrink > 1.3:  # warpAffine only interpolates: shrink the window by area first
        window, ratio = shrink_by_area(window, shrink)
        affine[:, 2] = (affine[:, 2] + 0.5) * ratio - 0.5
        affine[:, :2] *= ratio[:, None]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(window, affine, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def halved(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The mean over every two by two pixels; an odd last row or column is left out."""
    height, width = (side // 2 for side in picture.shape[:2])
    even = picture[: 2 * height, : 2 * width]
    return np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def shrink_by_area(picture: NDArray[np.uint8], shrink: float) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """The picture at a smaller size, each pixel the mean of the area it covers.

    Halving is ten times as fast as any other factor, so the picture is halved while that is not too much.

    Parameters
    ----------
    picture : ndarray of shape (H, W, 3), uint8
    shrink : float
        Pixels of it in one of the result, at least 1.

    Returns
    -------
    picture of shape (h, w, 3), and its pixels over those of the first, in x and in y
    """
    ratio = np.ones(2)
    while shrink >= 2.0 and min(picture.shape[:2]) >= 4:
        picture, ratio, shrink = halved(picture), ratio / 2.0, shrink / 2.0
    if shrink > 1.001:
        height, width = picture.shape[:2]
        small = (max(2, round(width / shrink)), max(2, round(height / shrink)))
        # OpenCV does so on floats in two thirds of the time that it takes on bytes, with the same result
        mean = cv2.resize(picture.astype(np.float32), small, interpolation=cv2.INTER_AREA)
        picture = np.asarray(cv2.convertScaleAbs(mean), dtype=np.uint8)
        ratio = ratio * (small[0] / width, small[1] / height)
    return picture, ratio


def cut_patch(pixels: NDArray[np.uint8], centre_px: tuple[float, float], radius_px: float, up_deg: float) -> Patch:
    """Cut the square round a part that the reader network sees.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
        Upright RGB photo.
    centre_px, radius_px
        Circle round the part, pixels of the photo; it fills 72 % of the patch's side.
    up_deg
        Direction in the photo that shall be up in the patch, degrees clockwise from the photo's up.

    Returns
    -------
    Patch

    Raises
    ------
    ValueError
        If `pixels` is no RGB picture of at least 2 x 2 pixels, or the radius is not positive.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8 or min(pixels.shape[:2]) < 2:
        raise ValueError(f"a patch is cut from (H, W, 3) uint8, not from {pixels.shape} {pixels.dtype}")
    to_px = patch_affine(centre_px, radius_px, up_deg)
    return Patch(rgb=cut(pixels, to_px, PATCH_PX), to_px=to_px)
