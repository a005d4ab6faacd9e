"""Pictures of the printed card with known camera, drawn from its layout by OpenCV's own marker generator."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.vision.ruler_pictures import bench, camera, finish
from vision.scale.card import DICTIONARY, MARKER_MM, marker_layout

HALF_MM = 75.0
PX_PER_MM = 12.0


def flat_card() -> NDArray[np.float32]:
    """The ring on white paper, 150 mm square at 12 px/mm; markers by `cv2.aruco.generateImageMarker`."""
    size = int(2 * HALF_MM * PX_PER_MM)
    sheet = np.full((size, size), 255, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    side = int(MARKER_MM * PX_PER_MM)
    for marker_id, corners in marker_layout().items():
        x = round((corners[0, 0] + HALF_MM) * PX_PER_MM)
        y = round((HALF_MM - corners[0, 1]) * PX_PER_MM)
        sheet[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(dictionary, marker_id, side)
    return sheet.astype(np.float32)


def card_picture(
    rng: np.random.Generator,
    *,
    hidden: int = 0,
    width: int = 1344,
    height: int = 1008,
    tilt_deg: float | None = None,
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """A photo-like picture of the card and the homography from print mm (x right, y up) to its pixels."""
    flat = flat_card()
    ink, paper = rng.uniform(10, 60), rng.uniform(150, 240)
    flat = ink + flat / 255.0 * (paper - ink)
    tilt = float(rng.uniform(0, 30)) if tilt_deg is None else tilt_deg
    distance = rng.uniform(180, 420) * (1.0 if width > 1000 else 1.2)
    centre = rng.uniform(-15, 15, 2)
    down = camera(rng, width, height, tilt, distance, centre, rng.uniform(0, 360))  # from mm with y down
    to_px = down @ np.diag([1.0, -1.0, 1.0])
    super_ = 2
    up = np.array([[super_, 0, (super_ - 1) / 2], [0, super_, (super_ - 1) / 2], [0, 0, 1.0]])
    tex = np.array(
        [[1 / PX_PER_MM, 0, 0.5 / PX_PER_MM - HALF_MM], [0, 1 / PX_PER_MM, 0.5 / PX_PER_MM - HALF_MM], [0, 0, 1]]
    )
    size = (width * super_, height * super_)
    local = 26.0 / 43.27 * np.hypot(width, height) / distance * super_ / PX_PER_MM
    sigma = max(0.0, 0.45 / local - 0.3)
    if sigma > 0.1:
        flat = cv2.GaussianBlur(flat, (0, 0), sigma)
    seen = cv2.resize(cv2.warpPerspective(flat, up @ down @ tex, size), (width, height), interpolation=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.ones(flat.shape, np.float32), up @ down @ tex, size)
    mask = cv2.resize(mask, (width, height), interpolation=cv2.INTER_AREA)[..., None]
    shade = cv2.resize(
        rng.uniform(0.75, 1.0, (3, 3)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    picture = bench(rng, height, width) * (1 - mask) + (seen * shade)[..., None] * mask
    ids = list(marker_layout())
    for k in rng.choice(len(ids), hidden, replace=False):
        centre_mm = marker_layout()[ids[int(k)]].mean(axis=0)
        at = cv2.perspectiveTransform(centre_mm.reshape(1, 1, 2), to_px).ravel()
        radius = 0.8 * MARKER_MM * local * PX_PER_MM / super_
        cv2.circle(
            picture, (int(at[0]), int(at[1])), int(radius), [float(v) for v in rng.uniform(60, 200, 3)], -1, cv2.LINE_AA
        )
    return finish(rng, picture, rng.uniform(0.3, 1.1), rng.uniform(1, 5), int(rng.integers(78, 96))), to_px


def project(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    return cv2.perspectiveTransform(np.asarray(points, float).reshape(-1, 1, 2), homography).reshape(-1, 2)
