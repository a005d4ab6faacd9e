"""The measured outline's own vote on the words: family, bottom and hand from the shape alone, blind to light and metal.

The network that reads the picture and this one err for different reasons, so where both agree a word is surer than
either makes it, and where they differ the reading says so.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from vision.models import FOLDER, ModelError, open_session
from vision.reading import Word
from vision.vocabulary import BOTTOMS, FAMILIES, HANDS

Array = NDArray[np.float64]

SCHEMA: Final = "camdial.outline/1"
DIRECTIONS: Final = 128  # rays from the axis, clockwise from 12 o'clock
FAR: Final = 6.0  # hub radii: no cam reaches farther; a ray is cut off there
WORDS: Final = {"family": FAMILIES, "bottom": BOTTOMS, "hand": HANDS}  # the hand as seen


@dataclass(frozen=True, slots=True)
class OutlineVote:
    """Probabilities of every word by the outline alone; the hand is as seen."""

    family: dict[str, float]
    bottom: dict[str, float]
    hand: dict[str, float]


def signature(outline: Array, hub_radius: float) -> NDArray[np.float32]:
    """How far the outline lies from the axis in every direction.

    Parameters
    ----------
    outline : ndarray of shape (N, 2)
        In the part's frame as seen: tail up, origin on the axis, x right, y up.
    hub_radius : float
        Same unit; distances are in hub radii, so that no scale is needed.

    Returns
    -------
    ndarray of shape (2, DIRECTIONS), float32
        Distance to the nearest and to the farthest crossing of each ray with the outline; 0 where it meets none.
    """
    a = outline / hub_radius
    b = np.roll(a, -1, axis=0)
    angle = np.arange(DIRECTIONS) * (2.0 * np.pi / DIRECTIONS)
    ray = np.column_stack([np.sin(angle), np.cos(angle)])
    side_a = ray[:, :1] * a[None, :, 1] - ray[:, 1:] * a[None, :, 0]
    left = side_a > 0.0
    which, at = np.nonzero(left != np.roll(left, -1, axis=1))  # rays and sides of the outline: few of all pairs cross
    from_a = side_a[which, at]
    from_b = ray[which, 0] * b[at, 1] - ray[which, 1] * b[at, 0]
    share = from_a / np.where(np.abs(from_a - from_b) > 1e-12, from_a - from_b, 1.0)
    along_a, along_b = (ray[which] * a[at]).sum(axis=1), (ray[which] * b[at]).sum(axis=1)
    distance = along_a + share * (along_b - along_a)
    ahead = distance > 0.0
    near, far = np.full(DIRECTIONS, np.inf), np.zeros(DIRECTIONS)
    np.minimum.at(near, which[ahead], distance[ahead])
    np.maximum.at(far, which[ahead], distance[ahead])
    near = np.where(np.isfinite(near), near, 0.0)
    return np.stack([near, far]).clip(0.0, FAR).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Fusion:
    """How picture and outline vote together, fitted on pictures that neither was trained on.

    The joint probability of a label goes with picture**`picture` times outline**`outline`; a label is plausible from
    `least_probability` on.
    """

    picture: float
    outline: float
    least_probability: tuple[float, ...]


@lru_cache(maxsize=1)
def outline_network() -> tuple[ort.InferenceSession, dict[str, float], dict[str, Fusion]]:
    """The shipped network, its temperatures and how each word is fused, opened once a process."""
    session = open_session(FOLDER / "outline.onnx")
    card = json.loads(session.get_modelmeta().custom_metadata_map.get(SCHEMA, "null"))
    if not isinstance(card, dict) or card.get("words") != {k: list(v) for k, v in WORDS.items()}:
        raise ModelError("the network outline.onnx was made for other words: install the matching version")
    fusion = {
        word: Fusion(float(v["picture"]), float(v["outline"]), tuple(map(float, v["least_probability"])))
        for word, v in card.get("fusion", default_fusion()).items()
    }
    return session, {word: float(card["temperature"][word]) for word in WORDS}, fusion


def default_fusion() -> dict[str, dict[str, object]]:
    """Even votes and wide sets, for a network whose vote has not been calibrated."""
    return {word: {"picture": 0.5, "outline": 0.5, "least_probability": [0.05] * len(n)} for word, n in WORDS.items()}


def vote(outline: Array, hub_radius: float) -> OutlineVote:
    """What the outline alone says; arguments as for `signature`."""
    session, temperature, _ = outline_network()
    logits = session.run(None, {"signature": signature(outline, hub_radius)[None]})[0][0]
    found = {}
    start = 0
    for word, labels in WORDS.items():
        z = logits[start : start + len(labels)].astype(np.float64) / temperature[word]
        start += len(labels)
        p = np.exp(z - z.max())
        found[word] = dict(zip(labels, (p / p.sum()).tolist(), strict=True))
    return OutlineVote(found["family"], found["bottom"], found["hand"])


def joint(word: str, picture: Word, outline: dict[str, float], fusion: Fusion | None = None) -> Word:
    """One word by both votes.

    Parameters
    ----------
    word : "family", "bottom" or "hand"
    picture : Word
        What the reader network says.
    outline : dict
        Probability of every label by the outline.
    fusion : Fusion, optional
        Another weighing than the shipped one.
    """
    rule = outline_network()[2][word] if fusion is None else fusion
    labels = WORDS[word]
    a = np.log(np.maximum([picture.probabilities.get(label, 0.0) for label in labels], 1e-6))
    b = np.log(np.maximum([outline[label] for label in labels], 1e-6))
    z = rule.picture * a + rule.outline * b
    p = np.exp(z - z.max())
    p /= p.sum()
    ranked = sorted(range(len(labels)), key=lambda i: -p[i])
    plausible = tuple(labels[i] for i in ranked if i == ranked[0] or p[i] >= rule.least_probability[i])
    return Word(labels[ranked[0]], float(p[ranked[0]]), plausible, dict(zip(labels, p.tolist(), strict=True)))
