"""Reading: everything one photo says, and its JSON form. The one place where u becomes u95."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision.quantity import COVERAGE_FACTOR, NotMeasured, Quantity

SCHEMA: Final = "camdial.reading/1"
OUTCOMES: Final = ("read", "unsure", "not-a-cam", "retake")
DIMENSIONS: Final = ("reach", "hub_diameter", "length", "width", "tail_width")


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the part with its probability; `plausible` is a 95 % prediction set, most probable first."""

    label: str
    probability: float
    plausible: tuple[str, ...] = ()
    probabilities: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ScrewHole:
    """A screw hole as the clock tells it; lengths in mm, None where they could not be had."""

    position: str
    center_px: tuple[float, float]
    angle_deg: Quantity | None = None
    radius_mm: Quantity | None = None
    diameter_mm: Quantity | None = None
    countersink_diameter_mm: Quantity | None = None


@dataclass(frozen=True, slots=True)
class ScaleUsed:
    """The reference that turned pixels into millimetres; `mm_per_px` holds at the axis, or at the reference."""

    kind: str
    reference: str
    mm_per_px: float
    u_relative: float
    tilt_deg: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Outline:
    """Where the part lies in the upright photo, pixels."""

    axis_px: tuple[float, float]
    tail_px: tuple[float, float]
    polygon_px: NDArray[np.float64]  # (N, 2)
    reference_px: NDArray[np.float64] | None = None  # (M, 2) rim or marks of the scale reference, for the picture


@dataclass(frozen=True, slots=True)
class Covariance:
    """Covariance of the lengths, mm², k = 1; holes by their place in the pattern: ``holes[0].x`` to 3 o'clock."""

    quantities: tuple[str, ...]
    matrix: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One input of the uncertainty budget and what it contributes to one output."""

    output: str
    unit: str
    source: str
    u: float
    input_unit: str
    sensitivity: float
    contribution: float


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """Which photo was read."""

    name: str
    sha256: str
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Reading:
    """What one photo says about one part."""

    outcome: str
    photo: PhotoFacts
    scale: ScaleUsed | None = None
    family: Word | None = None
    bottom: Word | None = None
    hand: Word | None = None
    facing: Word | None = None
    holes: tuple[ScrewHole, ...] = ()
    dimensions: Mapping[str, Quantity | None] = field(default_factory=dict)
    outline: Outline | None = None
    covariance: Covariance | None = None
    budget: tuple[BudgetLine, ...] = ()
    warnings: tuple[NotMeasured, ...] = ()

    def __post_init__(self) -> None:
        if self.outcome not in OUTCOMES:
            raise ValueError(f"outcome is {self.outcome!r}; allowed: {', '.join(OUTCOMES)}")

    def in_file_pixels(self, step: int) -> Reading:
        """The reading of a picture that was made smaller by a whole step, with all pixels those of the file."""
        if step == 1:
            return self
        outline, scale = self.outline, self.scale
        if outline is not None:
            outline = Outline(
                _point_in_file(outline.axis_px, step),
                _point_in_file(outline.tail_px, step),
                _in_file(outline.polygon_px, step),
                None if outline.reference_px is None else _in_file(outline.reference_px, step),
            )
        return replace(
            self,
            scale=None if scale is None else replace(scale, mm_per_px=scale.mm_per_px / step),
            holes=tuple(replace(hole, center_px=_point_in_file(hole.center_px, step)) for hole in self.holes),
            outline=outline,
        )

    def to_json(self) -> dict[str, Any]:
        """The reading as the JSON object of schema ``camdial.reading/1``."""
        return {
            "schema": SCHEMA,
            "outcome": self.outcome,
            "photo": {
                "name": self.photo.name,
                "sha256": self.photo.sha256,
                "width": self.photo.width,
                "height": self.photo.height,
            },
            "scale": _scale_json(self.scale),
            "family": _word_json(self.family, sets=True),
            "bottom": _word_json(self.bottom, sets=True),
            "hand": _word_json(self.hand, sets=False),
            "facing": _word_json(self.facing, sets=False),
            "pattern": None if self.outline is None else _pattern_json(self.holes),
            "dimensions": {name: _quantity_json(self.dimensions.get(name), 3) for name in DIMENSIONS},
            "outline": _outline_json(self.outline),
            "covariance": _covariance_json(self.covariance),
            "warnings": [{"code": w.code, "text": w.text} for w in self.warnings],
        }

    def dumps(self) -> str:
        """The JSON object on one line."""
        return json.dumps(self.to_json(), ensure_ascii=False, allow_nan=False)


def _in_file(points_px: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    return (np.asarray(points_px, dtype=np.float64) + 0.5) * step - 0.5  # (0, 0) is the centre of the first pixel


def _point_in_file(point_px: tuple[float, float], step: int) -> tuple[float, float]:
    x, y = _in_file(np.array(point_px), step)
    return float(x), float(y)


def _quantity_json(quantity: Quantity | None, digits: int) -> dict[str, float] | None:
    if quantity is None:
        return None
    return {"value": round(quantity.value, digits), "u95": round(COVERAGE_FACTOR * quantity.u, digits)}


def _word_json(word: Word | None, *, sets: bool) -> dict[str, Any] | None:
    if word is None:
        return None
    record: dict[str, Any] = {"label": word.label, "probability": round(word.probability, 4)}
    if sets:
        record["plausible"] = list(word.plausible)
        record["probabilities"] = {name: round(p, 4) for name, p in word.probabilities.items()}
    return record


def _scale_json(scale: ScaleUsed | None) -> dict[str, Any] | None:
    if scale is None:
        return None
    return {
        "kind": scale.kind,
        "reference": scale.reference,
        "mm_per_px": round(scale.mm_per_px, 6),
        "u95_relative": round(COVERAGE_FACTOR * scale.u_relative, 5),
        "tilt": _quantity_json(scale.tilt_deg, 2),
        "coverage_factor": COVERAGE_FACTOR,
    }


def _pattern_json(holes: tuple[ScrewHole, ...]) -> dict[str, Any]:
    rows = []
    for hole in holes:
        row: dict[str, Any] = {
            "position": hole.position,
            "angle": _quantity_json(hole.angle_deg, 2),
            "radius": _quantity_json(hole.radius_mm, 3),
            "diameter": _quantity_json(hole.diameter_mm, 3),
            "center_px": _point_json(hole.center_px),
        }
        if hole.countersink_diameter_mm is not None:
            row["countersink_diameter"] = _quantity_json(hole.countersink_diameter_mm, 3)
        rows.append(row)
    return {"clock": [hole.position for hole in holes], "holes": rows}


def _point_json(point: tuple[float, float]) -> list[float]:
    return [round(float(point[0]), 2), round(float(point[1]), 2)]


def _outline_json(outline: Outline | None) -> dict[str, Any] | None:
    if outline is None:
        return None
    record: dict[str, Any] = {
        "axis_px": _point_json(outline.axis_px),
        "tail_px": _point_json(outline.tail_px),
        "polygon_px": [_point_json((x, y)) for x, y in outline.polygon_px],
    }
    if outline.reference_px is not None:
        record["reference_px"] = [_point_json((x, y)) for x, y in outline.reference_px]
    return record


def _covariance_json(covariance: Covariance | None) -> dict[str, Any] | None:
    if covariance is None:
        return None
    return {
        "quantities": list(covariance.quantities),
        "matrix": [[float(f"{v:.4g}") for v in row] for row in covariance.matrix],
    }
