"""What gives the picture its millimetres: image points whose true size is known, and how well."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.quantity import NotMeasured, Quantity
from vision.tilt import TiltEvidence


@dataclass(frozen=True, slots=True)
class CircleReference:
    """A circle of known size that lies flat at a height above the bench; `edge_px` (N, 2) are points of its rim.

    `evidence` is what its face and wall say of every tilt of the bench; None where no wall was looked for.
    """

    edge_px: NDArray[np.float64]
    diameter_mm: Quantity
    height_mm: Quantity
    sigma_px: float = 0.4  # standard uncertainty of one rim point
    evidence: TiltEvidence | None = None


@dataclass(frozen=True, slots=True)
class PointReference:
    """Points of a rigid flat pattern, at a height above the bench.

    `image_px` (N, 2) are seen where the pattern has `plane_mm` (N, 2), known up to a turn and a shift in the plane; the
    points may all lie on one line.

    A ruler's marks are lines: each is known to `sigma_px` across itself, by `across_px` (N, 2) unit, and only to
    `loose_px` along itself; and how far its rows lie apart in mm is not known, so that y in `plane_mm` holds up to a
    common factor. That the rows' marks run together in the distance still tells the tilt about the ruler.
    """

    image_px: NDArray[np.float64]
    plane_mm: NDArray[np.float64]
    sigma_px: float
    height_mm: Quantity
    across_px: NDArray[np.float64] | None = None
    loose_px: float = 1.0


@dataclass(frozen=True, slots=True)
class Scale:
    """One kind of reference found in the picture; `u_size_relative` is common to all its lengths."""

    kind: str  # coin, ruler, card or cylinder
    reference: str
    references: tuple[CircleReference | PointReference, ...]
    u_size_relative: float
    warnings: tuple[NotMeasured, ...] = field(default=())
