"""How a flat thing leans towards the camera, by a small network that sees its walls, its openings' depth and its outline.

Seen aslant, a plate shows its wall on one side, its openings show theirs on the other, and what is round is not. The
network puts out a distribution, not an answer: where a lean and its mirror image look alike, both are in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from vision.fitting import Ellipse, fit_ellipse
from vision.models import FOLDER, ModelError, open_session
from vision.patch import Patch, cut_patch

Array = NDArray[np.float64]

SCHEMA: Final = "camdial.lean/1"
PARTS: Final = 4  # of the mixture
WIDEST_RAD: Final = 1.0  # of the flat floor under the mixture: nothing that the network says is quite sure
THICKNESS_STEPS: Final = 700.0  # in which the network is shown it: a coin's radius over 4 is 175
FLOOR: Final = 0.02  # probability that it is wrong altogether


@dataclass(frozen=True, slots=True)
class Lean:
    """A mixture of normal distributions of the lean (right, down; rad) as seen in the photo along the ray to `at_px`.

    `weight` (M,), `mean` (M, 2), `covariance` (M, 2, 2).
    """

    at_px: Array
    weight: Array
    mean: Array
    covariance: Array

    def log_density(self, leans: Array) -> Array:
        """Log density of leans (K, 2), (K,)."""
        away = leans[:, None] - self.mean
        precision = np.linalg.inv(self.covariance)
        square = np.einsum("kmi,mij,kmj->km", away, precision, away)
        log = np.log(self.weight) - 0.5 * square - 0.5 * np.log(np.linalg.det(self.covariance)) - np.log(2.0 * np.pi)
        wide = -0.5 * (leans**2).sum(axis=1) / WIDEST_RAD**2 - np.log(2.0 * np.pi * WIDEST_RAD**2)
        told = np.log1p(-FLOOR) + np.logaddexp.reduce(log, axis=1)
        return np.asarray(np.logaddexp(told, np.log(FLOOR) + wide))


def picture(rgb: NDArray[np.uint8], face_map: NDArray[np.floating], thickness: float = 0.0) -> NDArray[np.uint8]:
    """What the network sees (S, S, 5) uint8: red, green, blue, how likely each pixel is of the thing's face, and how thick
    the thing is known to be, over its radius; 0 where that is not known."""
    mask = np.clip(np.rint(255.0 * face_map), 0, 255).astype(np.uint8)
    known = np.full_like(mask, round(min(THICKNESS_STEPS * thickness, 255.0)))
    return np.dstack([rgb, mask, known])


def coin_patch(pixels: NDArray[np.uint8], edge_px: Array) -> tuple[Patch, NDArray[np.float32]] | None:
    """The patch round a coin and the map of its face, from the points (N, 2) of its rim; None where they make no ellipse."""
    ellipse = fit_ellipse(edge_px)
    if not isinstance(ellipse, Ellipse):
        return None
    patch = cut_patch(pixels, (ellipse.x, ellipse.y), ellipse.long, 0.0)
    centre = patch.patch_points(np.array([[ellipse.x, ellipse.y]]))[0]
    axes = np.array([ellipse.long, ellipse.short]) / patch.px_per_patch_px
    face = np.zeros(patch.rgb.shape[:2], np.uint8)
    fixed = np.round(np.concatenate([centre, axes]) * 16.0).astype(int).tolist()
    cv2.ellipse(face, fixed[:2], fixed[2:], float(np.degrees(ellipse.angle)), 0.0, 360.0, 1, cv2.FILLED, cv2.LINE_8, 4)
    return patch, face.astype(np.float32)


def see_lean(patch: Patch, face_map: NDArray[np.float32], thickness: float = 0.0) -> Lean:
    """How the thing in the middle of a patch leans, from the patch and the map (S, S) of its face.

    `thickness` over the thing's radius, 0 where it is not known.
    """
    said = lean_network().run(["lean"], {"rgb": picture(patch.rgb, face_map, thickness)[None]})[0][0]
    return interpreted(np.asarray(said, dtype=np.float64), patch)


def interpreted(said: Array, patch: Patch) -> Lean:
    """The network's numbers (PARTS, 6) for one patch: weight, mean, and the covariance's xx, xy, yy; turned to the photo."""
    turn = patch.to_px[:, :2] / patch.px_per_patch_px
    covariance = said[:, [3, 4, 4, 5]].reshape(-1, 2, 2)
    middle = np.full((1, 2), (patch.rgb.shape[0] - 1) / 2.0)
    weight = np.maximum(said[:, 0], 1e-9)
    return Lean(patch.photo_points(middle)[0], weight / weight.sum(), said[:, 1:3] @ turn.T, turn @ covariance @ turn.T)


@lru_cache(maxsize=1)
def lean_network() -> ort.InferenceSession:
    """The network, opened once a process.

    Raises
    ------
    ModelError
        If it is missing or not of this version.
    """
    session = open_session(FOLDER / "lean.onnx")
    if SCHEMA not in session.get_modelmeta().custom_metadata_map:
        raise ModelError(f"the network lean.onnx carries no card of version {SCHEMA}: install the matching version")
    return session
