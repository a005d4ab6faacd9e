"""The shipped networks and the model card inside each file: what it was trained on and how sure it may be."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from vision.vocabulary import BOTTOMS, FACINGS, FAMILIES, HANDS

SCHEMA: Final = "camdial.model/1"
CLASSES: Final = ("background", "cam", "other", "coin", "ruler", "card")
MAPS: Final = ("face", "hole", "countersink", "relief", "screw_head")
WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "family": FAMILIES,
    "bottom": BOTTOMS,
    "hand": HANDS,  # as seen in the patch
    "facing": FACINGS,
    "cam": ("not-a-cam", "cam"),
}
FOLDER: Final = Path(__file__).parent


class ModelError(Exception):
    """A network file that is missing or that this version does not understand."""


@dataclass(frozen=True, slots=True)
class FeatureModel:
    """Gaussians with one shared precision over L2-normalised features: where known cams lie (Mahalanobis distance)."""

    means: NDArray[np.float64]  # (K, D)
    precision: NDArray[np.float64]  # (D, D)

    def distance(self, feature: NDArray[np.float32]) -> float:
        """Mahalanobis distance of a feature vector (D,) to the nearest mean, after scaling it to length one."""
        unit = feature.astype(np.float64) / max(float(np.linalg.norm(feature)), 1e-12)
        away = unit - self.means
        return float(np.sqrt(max(float(np.einsum("kd,de,ke->k", away, self.precision, away).min()), 0.0)))


@dataclass(frozen=True, slots=True)
class Calibration:
    """Numbers fitted on shifted pictures that were not trained on; `None` thresholds mean: not calibrated yet.

    `temperature` divides a word's logits. A label is plausible when its probability is at least `least_probability` of
    that label: the smaller of 1 minus the split conformal quantile and the floor that keeps wrong single answers rare.
    """

    temperature: Mapping[str, float]
    least_probability: Mapping[str, tuple[float, ...]]
    cam_threshold: float
    distance_threshold: float | None
    features: FeatureModel | None


@dataclass(frozen=True, slots=True)
class Model:
    """A network ready to run, with its card."""

    session: ort.InferenceSession
    card: Mapping[str, Any]
    calibration: Calibration

    def run(self, pictures: NDArray[np.uint8]) -> dict[str, NDArray[np.float32]]:
        """Outputs by name for (N, H, W, 3) uint8 RGB pictures."""
        names = [output.name for output in self.session.get_outputs()]
        return dict(zip(names, self.session.run(names, {"rgb": np.ascontiguousarray(pictures)}), strict=True))


def default_calibration() -> dict[str, Any]:
    """The calibration record of a network that has not been calibrated."""
    return {
        "temperature": dict.fromkeys(WORDS, 1.0),
        "least_probability": {word: [0.05] * len(labels) for word, labels in WORDS.items()},
        "cam_threshold": 0.5,
        "distance_threshold": None,
        "features": None,
    }


def pack_floats(values: NDArray[Any]) -> dict[str, Any]:
    """An array as a JSON value: shape and little-endian float32 in base64."""
    data = np.ascontiguousarray(values, dtype="<f4")
    return {"shape": list(data.shape), "float32": base64.b64encode(data.tobytes()).decode("ascii")}


def unpack_floats(record: Mapping[str, Any]) -> NDArray[np.float64]:
    """The array of `pack_floats`."""
    data = np.frombuffer(base64.b64decode(record["float32"]), dtype="<f4")
    return data.reshape(record["shape"]).astype(np.float64)


def read_calibration(record: Mapping[str, Any]) -> Calibration:
    """The calibration of a card; ModelError when a number is missing or impossible."""
    try:
        features = record["features"]
        distance = record["distance_threshold"]
        calibration = Calibration(
            temperature={word: float(record["temperature"][word]) for word in WORDS},
            least_probability={word: tuple(map(float, record["least_probability"][word])) for word in WORDS},
            cam_threshold=float(record["cam_threshold"]),
            distance_threshold=None if distance is None else float(distance),
            features=None
            if features is None
            else FeatureModel(unpack_floats(features["means"]), unpack_floats(features["precision"])),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise ModelError(f"the network's calibration is incomplete ({error}): install the package again") from error
    lengths_fit = all(len(calibration.least_probability[word]) == len(labels) for word, labels in WORDS.items())
    if not lengths_fit or min(calibration.temperature.values()) <= 0.0:
        raise ModelError("the network's calibration does not fit its words: install the package again")
    return calibration


def open_session(path: Path) -> ort.InferenceSession:
    """A network file on one thread of the processor.

    Raises
    ------
    ModelError
        If the file is missing or is no network.
    """
    if not path.is_file():
        raise ModelError(f"the network {path.name} is missing: install the package again, or train it (see train/)")
    options = ort.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    try:
        return ort.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
    except Exception as error:  # onnxruntime raises many kinds, none of them public
        raise ModelError(f"the network {path.name} cannot be opened: install the package again") from error


def open_with_card(path: Path, schema: str) -> tuple[ort.InferenceSession, dict[str, Any]]:
    """A network file on one thread of the processor, and the card inside it.

    Raises
    ------
    ModelError
        If the file is missing, is no network, or carries no card of this schema.
    """
    session = open_session(path)
    try:
        card = json.loads(session.get_modelmeta().custom_metadata_map.get(schema, "null"))
    except ValueError as error:
        raise ModelError(f"the network {path.name} cannot be opened: install the package again") from error
    if not isinstance(card, dict) or card.get("schema") != schema:
        raise ModelError(f"the network {path.name} carries no card of version {schema}: install the matching version")
    return session, card


def load(path: Path, which: str) -> Model:
    """Open a network file on one thread.

    Raises
    ------
    ModelError
        If the file is missing, is no network, or carries another schema, role, labels or input than this code knows.
    """
    session, card = open_with_card(path, SCHEMA)
    known = {
        "which": which,
        "classes": list(CLASSES),
        "maps": list(MAPS),
        "words": {k: list(v) for k, v in WORDS.items()},
    }
    for key, value in known.items():
        if card.get(key) != value:
            raise ModelError(f"the network {path.name} was made for other {key}: install the matching version")
    return Model(session=session, card=card, calibration=read_calibration(card.get("calibration", {})))


@lru_cache(maxsize=4)
def shipped(which: str) -> Model:
    """The network `finder` or `reader` that comes with the package, opened once a process."""
    return load(FOLDER / f"{which}.onnx", which)
