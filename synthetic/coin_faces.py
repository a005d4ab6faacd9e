"""What a struck face looks like when it has been in pockets: real coins' relief from a picture of a package, dark hollows.

The reliefs that the renderers invent are cleaner than those of real coins. scikit-image carries a photo of 24 Greek coins
from Pompeii (`skimage.data.coins`, Brooklyn Museum collection, no known copyright restrictions): how its faces are light and dark is laid over
invented coins of today's sizes. Only training pictures use it.
"""

from __future__ import annotations

import functools
import math
from typing import Final

import cv2
import numpy as np

# Circles inside the coins' edges in that picture, px: centre x, y and radius; measured by eye on the picture enlarged 2.5 times
CIRCLES: Final = (
    (44, 54, 19.5), (101, 56, 17), (156, 51, 20.5), (216, 51, 21.5), (276, 53, 18), (335, 43.5, 26),
    (45, 124, 17), (103, 126, 17), (154, 128, 17), (206, 124, 18), (271, 119, 22), (337, 125, 17),
    (44, 197, 16.5), (102, 196, 19.5), (154, 198, 17), (213, 193, 21.5), (274, 194, 19), (347, 187, 28),
    (46, 260, 25), (114, 266, 19), (172, 262, 25), (244, 264, 21.5), (301, 264, 22.5), (358, 268, 19.5),
)  # fmt: skip
SIDE: Final = 160  # px of a stored face; the largest is 56 px across in the picture
DARKEST, LIGHTEST = 0.12, 2.2  # of the mean


@functools.cache
def real_faces() -> tuple[np.ndarray, ...]:
    """The 24 faces, each (160, 160) float32, light and dark about a mean of one, the disc filling the square; none without the package."""
    try:
        from skimage import data

        picture = np.asarray(data.coins(), np.float32)
    except ImportError:
        return ()
    faces = []
    for x, y, radius in CIRCLES:
        step = SIDE / (2.0 * radius)
        turn = np.array([[step, 0.0, SIDE / 2 - step * x], [0.0, step, SIDE / 2 - step * y]])
        face = cv2.warpAffine(picture, turn, (SIDE, SIDE), flags=cv2.INTER_CUBIC)
        around = cv2.GaussianBlur(face, (0, 0), 0.3 * SIDE)  # the museum's lamp goes, the relief stays
        faces.append((np.maximum(face, 4.0) / around).astype(np.float32))
    return tuple(faces)


def struck(rng: np.random.Generator, n: int) -> np.ndarray | None:
    """Light and dark of a real coin's face at any roll, mirrored or not, (n, n) float32 about one; None without the package.

    The disc fills the square; outside it the face is plain.
    """
    faces = real_faces()
    if not faces:
        return None
    face = faces[int(rng.integers(len(faces)))]
    fills = float(rng.uniform(0.8, 1.0))  # the legend's ring stays free at times
    step = fills * n / SIDE
    a = float(rng.uniform(0.0, 2.0 * math.pi))
    mirror = float(rng.choice((-1.0, 1.0)))
    linear = step * np.array([[math.cos(a) * mirror, -math.sin(a)], [math.sin(a) * mirror, math.cos(a)]])
    shift = n / 2 - linear @ np.array([SIDE / 2, SIDE / 2])
    out = cv2.warpAffine(face, np.c_[linear, shift], (n, n), flags=cv2.INTER_LINEAR, borderValue=1.0)
    y, x = np.mgrid[0:n, 0:n].astype(np.float32)
    inside = np.clip((fills * n / 2 - np.hypot(x + 0.5 - n / 2, y + 0.5 - n / 2)) / (0.02 * n), 0.0, 1.0)
    out = np.clip(out, DARKEST, LIGHTEST) ** float(rng.uniform(0.7, 2.4))
    return np.asarray(1.0 + (np.clip(out, DARKEST, LIGHTEST) - 1.0) * inside, np.float32)


def hollows(rng: np.random.Generator, relief: np.ndarray, soft_px: float) -> np.ndarray:
    """How dark dirt and age have made what lies low, (h, w) float32 of 0..1 beside 1 on what stands out.

    Parameters
    ----------
    relief : ndarray of shape (h, w), 0..1
    """
    high = cv2.GaussianBlur(relief.astype(np.float32), (0, 0), max(0.6, 0.25 * soft_px))
    around = cv2.GaussianBlur(relief.astype(np.float32), (0, 0), max(1.0, soft_px))
    low = np.clip(0.5 + 1.6 * (around - high), 0.0, 1.0)
    return np.asarray(1.0 - float(rng.uniform(0.25, 0.75)) * low, np.float32)
