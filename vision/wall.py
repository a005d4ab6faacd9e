"""An outline that took in the plate's wall or its shadow: told from a second edge inside it, shifted to one side.

Seen aslant, a plate shows its wall on one side; in hard light a dark plate and its shadow look alike. Both are the plate's
outline shifted along the bench, so inside the outer edge, at a depth that goes with the cosine between the edge's normal
and one direction, lies the true one. A chamfer or a worn rim lies at one depth all round, and texture at none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import median, medians
from vision.outline import along_rays, length, outward_normals, sample, smooth_closed

Array = NDArray[np.float64]

DEEPEST: Final = 0.13  # of the part's radius: about 2.5 mm
SHALLOWEST_PX: Final = 2.5  # nearer to the outer edge the two are one
ROUNDS: Final = 3  # wall and shadow may lie one behind the other
DIRECTIONS: Final = 24  # an even number: each is looked at with its opposite
DEPTHS: Final = 12
SIDE: Final = 0.4  # cosine from which an edge counts as facing the shift
ALONG: Final = 4.0  # outline points over which profiles are averaged
OUTSIDE_PX: Final = 4.0  # the bench is looked at this far out
LEAST_TEXTURE: Final = 0.4  # grey levels a pixel

# Chosen on 70 path-traced pictures with known outline: all 11 shifts accepted there were walls or shadows.
STRONGEST: Final = 6.0  # edges count up to this many times the texture's
LEAST_STRENGTH: Final = 5.2  # mean strength of the inner edge over the texture's
LEAST_RATIO: Final = 1.95  # over what lies as deep on the other side
DARKER: Final = 4.0  # grey levels: a wall or shadow is this much darker than the face,
DARK_PART: Final = 0.75  # or between face and bench where the face is darker than this share of the bench


@dataclass(frozen=True, slots=True)
class Shift:
    """How the outer edge is shifted against the plate's, photo pixels, and how clearly."""

    vector_px: Array  # (2,)
    strength: float
    ratio: float


def inner_edge(pixels: NDArray[np.uint8], outline_px: Array) -> tuple[Array, tuple[Shift, ...]]:
    """The outline with wall and shadow taken off, and what was taken; the outline itself where there is no second edge.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    outline_px : ndarray of shape (N, 2)
        Closed, photo pixels.
    """
    taken: list[Shift] = []
    for _ in range(ROUNDS):
        inner, shift = _once(pixels, outline_px)
        if shift is None or (taken and shift.vector_px @ taken[0].vector_px < 0.0):
            break  # what is shifted the other way is a chamfer
        outline_px = inner
        taken.append(shift)
    return outline_px, tuple(taken)


def _once(pixels: NDArray[np.uint8], outline_px: Array) -> tuple[Array, Shift | None]:
    normal = outward_normals(outline_px, 3.0)
    (_, _), radius = cv2.minEnclosingCircle(outline_px.astype(np.float32))
    deepest = DEEPEST * radius
    if deepest < 2.0 * SHALLOWEST_PX:
        return outline_px, None
    step = max(0.5, deepest / 40.0)
    depth = np.arange(0.0, deepest + 4.0 * step, step)
    strength, light = _profiles(pixels, outline_px, normal, depth)
    shift = _best_shift(strength, normal, deepest, step)
    if shift is None:
        return outline_px, None
    expected = normal @ shift.vector_px
    moved = _peaks(strength, expected, step)
    side = expected > max(SHALLOWEST_PX, SIDE * float(np.linalg.norm(shift.vector_px)))
    bench = sample(pixels, outline_px[side] + OUTSIDE_PX * normal[side]).mean(axis=-1)
    if not side.any() or not _is_wall(light[side], moved[side] / step, median(bench)):
        return outline_px, None
    return outline_px - moved[:, None] * normal, shift


def _profiles(pixels: NDArray[np.uint8], outline: Array, normal: Array, depth: Array) -> tuple[Array, Array]:
    """Along the inward normal: colour change over that of the part's texture, and brightness; both (N, K)."""
    colour = along_rays(pixels, outline, normal, -depth).astype(np.float64)
    colour = smooth_closed(colour.reshape(len(outline), -1), ALONG).reshape(colour.shape)
    change = length(np.gradient(colour, float(depth[1] - depth[0]), axis=1))
    texture = median(change[:, depth > 0.5 * depth[-1]])
    strength = np.minimum(change / max(texture, LEAST_TEXTURE), STRONGEST)
    return np.asarray(strength), (colour[..., 0] + colour[..., 1] + colour[..., 2]) / 3.0


def _best_shift(strength: Array, normal: Array, deepest: float, step: float) -> Shift | None:
    best: Shift | None = None
    rows = np.arange(len(strength))
    wide = np.maximum(np.maximum(strength, np.roll(strength, 1, axis=1)), np.roll(strength, -1, axis=1))
    lengths = np.linspace(SHALLOWEST_PX / SIDE * 0.5, deepest, DEPTHS)
    for turn in np.linspace(0.0, np.pi, DIRECTIONS // 2, endpoint=False):
        way = np.array([np.cos(turn), np.sin(turn)])
        cosine = normal @ way
        at = lengths[:, None] * np.abs(cosine)  # all lengths of one direction at once
        value = wide[rows, np.rint(at / step).astype(np.intp).clip(0, wide.shape[1] - 2)]
        value *= at > SHALLOWEST_PX
        count, mean = [], []
        for side in (cosine > SIDE, cosine < -SIDE):
            count.append((at[:, side] > SHALLOWEST_PX).sum(axis=1))
            mean.append(value[:, side].sum(axis=1) / np.maximum(count[-1], 1))
        for sign, here, there in ((1.0, 0, 1), (-1.0, 1, 0)):  # the opposite direction looks at the same places
            ratio = mean[here] / np.maximum(mean[there], 0.5)
            enough = (count[here] >= 0.12 * len(rows)) & (count[there] >= 0.05 * len(rows))
            score = np.where(enough, mean[here] * np.minimum(ratio, 2.0), -np.inf)
            k = int(np.argmax(score))
            if enough[k] and (best is None or score[k] > best.strength * min(best.ratio, 2.0)):
                best = Shift(sign * way * lengths[k], float(mean[here][k]), float(ratio[k]))
    if best is None or best.strength < LEAST_STRENGTH or best.ratio < LEAST_RATIO:
        return None
    return best


def _peaks(strength: Array, expected: Array, step: float) -> Array:
    """How far each point moves inwards: to the strongest edge near the expected depth, smooth along the outline."""
    depth = np.arange(strength.shape[1]) * step
    spread = np.maximum(0.3 * np.abs(expected), 1.2)
    near = np.exp(-0.5 * ((depth[None, :] - expected[:, None]) / spread[:, None]) ** 2) * (depth > 0.8 * SHALLOWEST_PX)
    weight = near * np.maximum(strength - 1.0, 0.0) ** 2
    total = weight.sum(axis=1)
    found = np.where(total > 0.2, (weight * depth).sum(axis=1) / np.maximum(total, 1e-9), expected)
    return np.asarray(smooth_closed(np.where(expected > SHALLOWEST_PX, found, np.maximum(expected, 0.0)), 1.5))


def _is_wall(light: Array, edge: Array, bench: float) -> bool:
    """True when the band outside the inner edge is a wall or a shadow by its brightness, and no lit chamfer.

    `light` (M, K) is brightness along the inward normals, `edge` (M,) where the inner edge lies, in samples.
    """
    last = light.shape[1] - 1
    rows = np.arange(len(light))
    band = light[rows, np.round(edge / 2.0).astype(int).clip(0, last)]
    deep = medians(np.stack([light[rows, np.round(edge + k).astype(int).clip(0, last)] for k in range(3, 13)], axis=1))
    brighter = median(band - deep)
    face = median(light[:, -12:])
    return brighter < -DARKER or (face < DARK_PART * bench and 0.0 < brighter < bench - face)
