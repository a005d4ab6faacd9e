"""The face's own edge among wall, shadow and chamfer, by small networks that see the outline unrolled.

Once the bench is known, it is known on which side of the part its wall must show and how wide it can be: the plate's
thickness, projected. The networks see the photo along the outline's normals with that width, and say where the edge of
the face lies on each; they have the whole outline before them, so that one doubtful place is judged with all others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, TypeVar

import cv2
import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from vision.measure import FaceEdges
from vision.models import FOLDER, open_with_card
from vision.outline import outward_normals, sample, smooth_closed
from vision.patch import Patch, shrink_by_area
from vision.plane import Plane

Array = NDArray[np.float64]
T = TypeVar("T", np.uint8, np.float32)

SCHEMAS: Final = {"strip": "camdial.edge/1", "shape": "camdial.edge/2"}  # of the two networks, by what they see
ROWS: Final = 240  # normals round the part
OVERLAP: Final = 16  # rows repeated at both ends, so that the unrolled outline has no ends
PLACES: Final = 56  # samples on each, half of them outside
PITCH: Final = 1.0 / 170.0  # of the part's enclosing circle's radius: about 0.1 mm
WALL_STEPS: Final = 8.0  # the wall's width is shown in eighths of a sample
WIDEST: Final = 25.0  # samples: wider than any wall under 35 degrees
LEAST: Final = 1e-7  # probability of a place that a network rules out
SMOOTH: Final = 3.0  # outline points over which a normal is averaged


@dataclass(frozen=True, slots=True)
class Strip:
    """A closed outline unrolled.

    `picture` is (ROWS, places, 5) uint8: red, green, blue, the reader's face map, the wall's width in `WALL_STEPS`; from
    inside to outside. `points_px` and `normals` (ROWS, 2) are where each row crosses the outline and its direction.
    """

    picture: NDArray[np.uint8]
    points_px: Array
    normals: Array
    pitch_px: float


def unroll(
    pixels: NDArray[np.uint8],
    outline_px: Array,
    face_map: NDArray[np.float32],
    patch: Patch,
    wall_px: Array | None,
    places: int = PLACES,
) -> Strip:
    """The photo along the normals of an outline of 2 ROWS points.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    outline_px : ndarray of shape (2 * ROWS, 2)
        Closed, photo pixels.
    face_map : ndarray of shape (S, S)
        The reader's, over `patch`.
    wall_px : ndarray of shape (2 * ROWS,), optional
        How wide the wall must show at each point, 0 where it is hidden; None where the bench is not known.
    """
    (_, _), radius = cv2.minEnclosingCircle(outline_px.astype(np.float32))
    pitch = PITCH * radius
    points, normals = outline_px[::2], outward_normals(outline_px, SMOOTH)[::2]
    away = (np.arange(places) - places / 2.0 + 0.5) * pitch
    where = points[:, None] + away[None, :, None] * normals[:, None]
    limit = np.array([pixels.shape[1], pixels.shape[0]])
    ends = where[:, [0, -1]].reshape(-1, 2)  # nothing on a normal lies farther out
    low = np.clip(np.floor(ends.min(axis=0)).astype(int) - 3, 0, limit - 2)
    high = np.maximum(np.ceil(ends.max(axis=0)).astype(int) + 4, low + 2)
    window, scale = pixels[low[1] : high[1], low[0] : high[0]], np.ones(2)
    if pitch > 1.3:
        window, scale = shrink_by_area(window, pitch)
    rgb = sample(window, (where - low + 0.5) * scale - 0.5)
    seen = 255.0 * sample(face_map, patch.patch_points(where.reshape(-1, 2))).reshape(where.shape[:2])
    wall = np.zeros(ROWS) if wall_px is None else np.clip(wall_px[::2] / pitch, 0.0, WIDEST) * WALL_STEPS
    planes = [rgb, seen[..., None], np.broadcast_to(wall[:, None, None], (*seen.shape, 1))]
    picture = np.clip(np.rint(np.concatenate(planes, axis=2)), 0, 255).astype(np.uint8)
    return Strip(picture, points, normals, pitch)


def wall_width(outline_px: Array, plane: Plane, thickness: float) -> Array:
    """How wide the plate's wall shows beside each point of its upper outline, pixels, (N,); negative where it is hidden.

    The wall is what lies between the edge of the face and the same edge on the bench, `thickness` below it.
    """
    foot = plane.to_px(plane.to_mm(outline_px, thickness), 0.0)
    return np.asarray(((foot - outline_px) * outward_normals(outline_px, SMOOTH)).sum(axis=1))


def edge_of_face(
    pixels: NDArray[np.uint8],
    face: FaceEdges,
    face_map: NDArray[np.float32],
    patch: Patch,
    plane: Plane,
    thickness: float,
) -> FaceEdges:
    """The same edges with the outline where the network sees the face's own edge: the mean of what it says on each normal.

    The photo's strongest edge near that place is not taken instead: it is the wall's, a chamfer's or a shadow's as often.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    face : FaceEdges
        Its outline has 2 ROWS points and lies within about 3 mm of the true one.
    face_map, patch
        The reader's map and the patch it is of.
    plane : Plane
        The bench.
    thickness : float
        Height of the face in the plane's unit.
    """
    wall = wall_width(face.outline_px, plane, thickness)
    strip = unroll(pixels, face.outline_px, face_map, patch, wall)
    return moved_to_edge(face, strip, said(strip))


def moved_to_edge(face: FaceEdges, strip: Strip, probability: NDArray[np.float32]) -> FaceEdges:
    """A face whose outline was unrolled with its edge at the mean of the places (ROWS, PLACES) that a network gives it."""
    moved = probability.astype(np.float64) @ places_outwards() * strip.pitch_px
    outline = face.outline_px + smooth_closed(_at_points(moved), 0.7)[:, None] * outward_normals(
        face.outline_px, SMOOTH
    )
    return replace(face, outline_px=outline, doubts_px=_at_points(spread(probability) * strip.pitch_px))


def _at_points(rows: Array) -> Array:
    """What holds of the rows (ROWS,) at every point of the outline, (2 ROWS,)."""
    both = np.empty(2 * len(rows))
    both[::2], both[1::2] = rows, 0.5 * (rows + np.roll(rows, -1))
    return both


def places_outwards() -> Array:
    """Where a row's samples lie, in samples outwards from its middle, (PLACES,)."""
    return np.asarray(np.arange(PLACES) - PLACES / 2.0 + 0.5, dtype=np.float64)


def said(strip: Strip) -> NDArray[np.float32]:
    """The probability of every place on each row, (ROWS, PLACES), as two networks see it.

    One knows the strip alone, the other also the outline's shape. Their words are multiplied and the root is taken (a
    logarithmic opinion pool: Genest and Zidek 1986, Statistical Science 1, 114-135), so that neither overrules what the other
    thinks impossible.
    """
    given = {"strip": overlapping(strip.picture), "shape": overlapping(shape_of(strip))}
    words = [
        network.run(["edge"], {name.name: given[name.name] for name in network.get_inputs()})[0][0]
        for network in edge_networks()
    ]
    pooled = np.exp(np.mean([np.log(word + LEAST) for word in words], axis=0))
    return np.asarray(pooled / pooled.sum(axis=1, keepdims=True), dtype=np.float32)


def shape_of(strip: Strip) -> NDArray[np.float32]:
    """Where each row crosses the outline, in radii of the part's enclosing circle from its centre, and its normal, (ROWS, 4)."""
    centre, radius = cv2.minEnclosingCircle(strip.points_px.astype(np.float32))
    return np.concatenate([(strip.points_px - centre) / radius, strip.normals], axis=1).astype(np.float32)


def overlapping(rows: NDArray[T]) -> NDArray[T]:
    """Rows (ROWS, …) with those of either end repeated at the other, as a batch of one."""
    return np.ascontiguousarray(np.concatenate([rows[-OVERLAP:], rows, rows[:OVERLAP]])[None])


def spread(probability: NDArray[np.float32]) -> Array:
    """Standard deviation of the place on each row, samples, (ROWS,)."""
    p = probability.astype(np.float64)
    at = np.arange(p.shape[1], dtype=np.float64)
    return np.asarray(np.sqrt(np.maximum(p @ at**2 - (p @ at) ** 2, 0.0)))


@lru_cache(maxsize=1)
def edge_networks() -> tuple[ort.InferenceSession, ort.InferenceSession]:
    """The network that knows the strip and the one that knows the shape, opened once a process.

    Raises
    ------
    ModelError
        If one is missing or not of this version.
    """
    strip, shape = (
        open_with_card(FOLDER / name, SCHEMAS[sees])[0]
        for name, sees in (("edge.onnx", "strip"), ("edge_shape.onnx", "shape"))
    )
    return strip, shape
