"""A first look along the outline, before the bench is known: the face's own edge, and how the part leans.

Seen aslant a plate shows its wall on one side, and how wide it is there tells the tilt. A network that sees the outline
unrolled says where the face's edge lies on each row, and how likely each drop is: the way in the picture from the face's
edge to its foot on the bench.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from vision.face_edge import moved_to_edge, overlapping, unroll
from vision.measure import FaceEdges
from vision.models import FOLDER, open_with_card
from vision.patch import Patch
from vision.tilt import WallDrop

Array = NDArray[np.float64]

SCHEMA: Final = "camdial.lean/1"
DROPS: Final = 7  # round normals that make up the density of a drop


def first_edge_of_face(
    pixels: NDArray[np.uint8], face: FaceEdges, face_map: NDArray[np.float32], patch: Patch
) -> tuple[FaceEdges, WallDrop]:
    """The same edges with the outline on the face's own edge, and what the wall beside it tells of the part's lean.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    face : FaceEdges
        Its outline has 2 `face_edge.ROWS` points and lies within about 3 mm of the true one.
    face_map, patch
        The reader's map and the patch it is of.
    """
    strip = unroll(pixels, face.outline_px, face_map, patch, None)
    given = {"strip": overlapping(strip.picture), "normals": overlapping(strip.normals.astype(np.float32))}
    network, usual = lean_network()
    edge, drop = network.run(["edge", "drop"], given)
    drops = WallDrop(np.asarray(drop[0], dtype=np.float64), usual, strip.pitch_px)
    return moved_to_edge(face, strip, np.asarray(edge[0], dtype=np.float32)), drops


@lru_cache(maxsize=1)
def lean_network() -> tuple[ort.InferenceSession, Array]:
    """The network, opened once a process, and the density of drops whatever the picture: shares and deviations (samples) of
    round normals about none, (K, 2).

    Raises
    ------
    ModelError
        If it is missing or not of this version.
    """
    session, card = open_with_card(FOLDER / "lean.onnx", SCHEMA)
    return session, np.asarray(card["usual_drops"], dtype=np.float64)
