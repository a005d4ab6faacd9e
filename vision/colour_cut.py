"""The network says roughly where the part is; the photo's own colours say where it ends.

GrabCut (Rother, Kolmogorov & Blake 2004, ACM Transactions on Graphics 23, 309) as OpenCV has it: colour models of part
and bench are learned from where the network is sure, and the border between them is cut where colours change.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.lab import lab_of
from vision.models import CLASSES
from vision.outline import level_curves, resample_closed
from vision.patch import cut, patch_affine
from vision.segment import Regions

SURE_PART: Final = 0.85
SURE_BENCH: Final = 0.15
ROUNDS: Final = 2
CORE_PX: Final = 7  # a sure core keeps this far from where the network's part ends
RIM_PX: Final = 21  # bench beyond this from where the part may be is surely bench
LEAST_AGREEMENT: Final = 0.55  # of intersection over union with the network: less, and the colours misled
LEAST_CORE_PX: Final = 50
SPUR_PX: Final = 9  # a strand narrower than this that the network does not see is bench: a joint, a line of a mat
BITE_PX: Final = 9
ROUND_SIDE_PX: Final = 128
ROUND_POINTS: Final = 200
ROUND_RADIUS: Final = 1.6
CLOSE_SIDE_PX: Final = 64  # of the small picture a candidate is cut out in
CLOSE_RADIUS: Final = 1.7  # radii of a candidate that the small picture shows to each side


def sharpen(rgb: NDArray[np.uint8], face: NDArray[np.float32], opening: NDArray[np.float32]) -> NDArray[np.float32]:
    """The face map with its border moved to where the colours change.

    Parameters
    ----------
    rgb : ndarray of shape (S, S, 3), uint8
    face : ndarray of shape (S, S), float32
        Probability that a pixel is part, openings included.
    opening : ndarray of shape (S, S), float32
        Probability that a pixel is a hole or a screw: not of the part's colour, but inside its border.

    Returns
    -------
    ndarray of shape (S, S), float32
        A soft mask that passes one half at the border; the map itself where colours and network do not agree.
    """
    marks = np.full(face.shape, cv2.GC_PR_BGD, dtype=np.uint8)
    marks[face > 0.5] = cv2.GC_PR_FGD
    core = cv2.erode((face > SURE_PART).astype(np.uint8), np.ones((CORE_PX, CORE_PX), np.uint8))
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (RIM_PX, RIM_PX))
    near = cv2.dilate((face > SURE_BENCH).astype(np.uint8), around)
    marks[core > 0] = cv2.GC_FGD
    marks[near == 0] = cv2.GC_BGD
    holes = opening > 0.5
    marks[holes] = cv2.GC_PR_BGD
    mask = _cut_out_of_box(rgb, marks, cv2.boundingRect(near))
    if mask is None:
        return face
    mask[holes] = 1
    before = face > 0.5
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (SPUR_PX, SPUR_PX))
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc)
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (BITE_PX, BITE_PX)))
    whole = _largest_filled(np.asarray((opened > 0) | (before & (closed > 0)), dtype=np.uint8))
    after = whole > 0
    if (before & after).sum() < LEAST_AGREEMENT * max(int((before | after).sum()), 1):
        return face
    return np.asarray(cv2.GaussianBlur(whole.astype(np.float32), (0, 0), 1.0), dtype=np.float32)


def close_in(
    pixels: NDArray[np.uint8], regions: Regions, centre_px: tuple[float, float], radius_px: float
) -> tuple[tuple[float, float], float] | None:
    """A better circle round a thing that the finder saw only in part; None where colours do not tell.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    regions : Regions
    centre_px, radius_px
        The finder's circle, photo pixels.
    """
    to_px = patch_affine(centre_px, CLOSE_RADIUS * radius_px, 0.0, side=CLOSE_SIDE_PX, fill=1.0)
    rgb = cut(pixels, to_px, CLOSE_SIDE_PX)
    to_cell = to_px.copy()
    to_cell[:, 2] = (to_cell[:, 2] - regions.origin_px + 0.5) / regions.step_px - 0.5
    to_cell[:, :2] /= regions.step_px
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    side = (CLOSE_SIDE_PX, CLOSE_SIDE_PX)
    thing = cv2.warpAffine(_thing(regions), to_cell, side, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    known = regions.probability[[CLASSES.index(kind) for kind in ("coin", "ruler", "card")]].sum(axis=0)
    other = cv2.warpAffine(np.ascontiguousarray(known), to_cell, side, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    marks = np.full(thing.shape, cv2.GC_PR_BGD, dtype=np.uint8)
    marks[thing > 0.5] = cv2.GC_PR_FGD
    marks[cv2.erode((thing > 0.7).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0] = cv2.GC_FGD
    marks[other > 0.5] = cv2.GC_BGD
    marks[:2], marks[-2:], marks[:, :2], marks[:, -2:] = (cv2.GC_BGD,) * 4
    mask = _cut_out(rgb, marks, rounds=1)
    if mask is None:
        return None
    whole = _largest_filled(mask)
    contours, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    (x, y), radius = cv2.minEnclosingCircle(max(contours, key=cv2.contourArea))
    scale = float(np.hypot(to_px[0, 0], to_px[1, 0]))
    found = to_px[:, :2] @ (x, y) + to_px[:, 2]
    if not 0.5 * radius_px < radius * scale < CLOSE_RADIUS * radius_px:
        return None
    return (float(found[0]), float(found[1])), float(radius) * scale


def round_outline(
    pixels: NDArray[np.uint8], centre_px: NDArray[np.float64], radius_px: float
) -> NDArray[np.float64] | None:
    """The outline of a round thing by its colours, (N, 2) photo pixels; None where they do not tell it from the bench.

    The outline is of all that shows, so on one side it takes in the wall of a thick coin.
    """
    centre = (float(centre_px[0]), float(centre_px[1]))
    to_px = patch_affine(centre, ROUND_RADIUS * radius_px, 0.0, side=ROUND_SIDE_PX, fill=1.0)
    rgb = cut(pixels, to_px, ROUND_SIDE_PX)
    middle = (ROUND_SIDE_PX - 1) / 2.0
    y, x = np.mgrid[:ROUND_SIDE_PX, :ROUND_SIDE_PX]
    away = np.hypot(x - middle, y - middle) / (ROUND_SIDE_PX / 2.0 / ROUND_RADIUS)
    marks = np.full(away.shape, cv2.GC_BGD, dtype=np.uint8)
    marks[away < 1.35] = cv2.GC_PR_BGD
    marks[away < 1.0] = cv2.GC_PR_FGD
    marks[away < 0.8] = cv2.GC_FGD
    mask = _cut_out(rgb, marks)
    if mask is None:
        return None
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    whole = _largest_filled(np.asarray(opened, dtype=np.uint8))
    soft = np.asarray(cv2.GaussianBlur(whole.astype(np.float32), (0, 0), 1.0), dtype=np.float32)
    curves = level_curves(soft)
    if not curves:
        return None
    return np.asarray(resample_closed(curves[0], ROUND_POINTS) @ to_px[:, :2].T + to_px[:, 2])


def _thing(regions: Regions) -> NDArray[np.float32]:
    """Probability that a cell is cam or some other thing: the finder is surer of that than of which."""
    return np.ascontiguousarray(
        regions.probability[CLASSES.index("cam")] + regions.probability[CLASSES.index("other")], dtype=np.float32
    )


def _cut_out_of_box(rgb: NDArray[np.uint8], marks: NDArray[np.uint8], box: Sequence[int]) -> NDArray[np.uint8] | None:
    """The cut within a box (left, top, width, height), in one round; beyond it all is bench."""
    x, y, width, height = box
    here = (slice(y, y + height), slice(x, x + width))
    inside = _cut_out(rgb[here], np.ascontiguousarray(marks[here]), rounds=1)
    if inside is None:
        return None
    mask = np.zeros(marks.shape, dtype=np.uint8)
    mask[here] = inside
    return mask


def _cut_out(rgb: NDArray[np.uint8], marks: NDArray[np.uint8], *, rounds: int = ROUNDS) -> NDArray[np.uint8] | None:
    """GrabCut from marks to a mask of zeros and ones; None when there is too little to learn colours from."""
    part = (marks == cv2.GC_FGD) | (marks == cv2.GC_PR_FGD)
    if part.sum() < LEAST_CORE_PX or (~part).sum() < LEAST_CORE_PX:
        return None
    lab = lab_of(np.asarray(cv2.GaussianBlur(rgb, (3, 3), 0), dtype=np.uint8))
    cv2.setRNGSeed(0)  # its colour models start from k-means with random seeds
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(lab, marks, (0, 0, 0, 0), *models, rounds, cv2.GC_INIT_WITH_MASK)
    return np.asarray((marks == cv2.GC_FGD) | (marks == cv2.GC_PR_FGD), dtype=np.uint8)


def _largest_filled(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    whole = np.zeros_like(mask)
    if contours:
        cv2.drawContours(whole, [max(contours, key=cv2.contourArea)], -1, 1, -1)
    return whole
