"""A network's look at the screw holes of a part: how likely every place and size of each is, plain or countersunk.

What it sees stands in `vision.hole_view`. It looks at a hole as a whole, where drawn circles are weighed edge by edge: the
two err on different pictures, and `vision.hole_fit` hears both.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from vision.hole_evidence import FaceMaps, Window
from vision.hole_view import HALF, SCHEMA, SIDE, given, view_of, view_to_px
from vision.models import FOLDER, open_with_card

Array = NDArray[np.float64]

# The network states errors 1.7 times too small, and what drawn circles say is partly the same: of 1.0, 1.3 and 1.7 times its
# deviations the last left places and sizes most like their errors, on 740 holes of path-traced pictures.
BLUNT: Final = 1.7
U_LEAST_MM: Final = 0.03  # no place and no radius is told better
ANYWHERE: Final = 0.006  # no density is less, a square of the reader's radius and a unit of each logarithm of radii


@dataclass(frozen=True, slots=True)
class HoleDensity:
    """A mixture of normals over one hole's place and sizes, the first `plains` of them for a plain hole, others for a
    countersunk one.

    Places are in the reader's radii off the reader's centre, in the view's axes; sizes are logarithms of the reader's radius.
    """

    share: Array  # (K,)
    middle: Array  # (K, 4) place, through radius, the countersink's; the last NaN for a plain hole
    u: Array  # (K, 4)
    plains: int
    to_view: Array  # (2, 2) the plane's unit on the face to the view's radii
    radius: float  # the reader's, in the plane's unit
    real: float  # probability that it is a screw hole at all

    def log_of(self, rows: Array) -> Array:
        """Log density (N,) of drawings (N, 4): x, y off the reader's centre, radius, that of the countersink or 0."""
        cones = rows[:, 3] > 0.0
        log = np.empty(len(rows))
        for own, part, d in ((~cones, slice(None, self.plains), 3), (cones, slice(self.plains, None), 4)):
            at = np.column_stack([rows[own, :2] @ self.to_view.T, np.log(rows[own, 2:d] / self.radius)])
            away = (at[:, None] - self.middle[part, :d]) / self.u[part, :d]
            height = self.share[part] / (self.u[part, :d].prod(axis=1) * (2.0 * np.pi) ** (d / 2.0))
            log[own] = np.log(np.exp(-0.5 * np.einsum("nkd,nkd->nk", away, away)) @ height + ANYWHERE)
        return log

    def place(self) -> tuple[Array, float]:
        """Mean (2,) and spread of the mouth's middle off the reader's centre, in the plane's unit on the face."""
        middle, u = self.middle[:, :2], self.u[:, :2]
        mean = self.share @ middle
        spread = float(np.sqrt((self.share @ (u * u + (middle - mean) ** 2)).mean()))
        return np.asarray(np.linalg.solve(self.to_view, mean)), spread / float(
            np.sqrt(abs(np.linalg.det(self.to_view)))
        )


def see_holes(
    pixels: NDArray[np.uint8], maps: FaceMaps, windows: list[Window], cone_odds: list[float], unit_mm: float
) -> list[HoleDensity]:
    """What the network says of each hole, all in one look.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    maps : FaceMaps
    windows : list of Window
        The surroundings of each hole, with the camera over it.
    cone_odds : list of float
        Log odds of a countersink by the reader's map, one for each.
    unit_mm : float
        Millimetres in the plane's unit.
    """
    if not windows:
        return []
    views, told, ways = [], [], []
    for window, odds in zip(windows, cone_odds, strict=True):
        steep, fall = float(np.linalg.norm(window.slope)), float(np.linalg.norm(window.drop))
        radius_px = window.radius * float(np.sqrt(abs(np.linalg.det(window.affine))))
        to_px = view_to_px(window.centre_px, radius_px, window.drop * (steep / max(fall, 1e-12)))
        views.append(view_of(pixels, maps, to_px))
        told.append(given(steep, window.radius * unit_mm, odds))
        ways.append(np.linalg.solve(to_px[:, :2] * (SIDE / 2.0 / HALF), window.affine))
    said = hole_network().run(["plain", "cone", "real"], {"view": np.stack(views), "given": np.stack(told)})
    return [
        density_of(
            np.asarray(plain, np.float64), np.asarray(cone, np.float64), float(real), way, window.radius, unit_mm
        )
        for plain, cone, real, way, window in zip(*said, ways, windows, strict=True)
    ]


def density_of(plain: Array, cone: Array, real: float, to_view: Array, radius: float, unit_mm: float) -> HoleDensity:
    """The mixture of one hole from what the network says: log shares, middles and log deviations of plain holes (P, 7) and of
    countersunk ones (C, 9)."""
    middle, u = np.full((2, len(plain) + len(cone), 4), np.nan)
    middle[: len(plain), :3], middle[len(plain) :] = plain[:, 1:4], cone[:, 1:5]
    u[: len(plain), :3], u[len(plain) :] = np.exp(plain[:, 4:]), np.exp(cone[:, 5:])
    least = U_LEAST_MM / (radius * unit_mm)
    share = np.exp(np.concatenate([plain[:, 0], cone[:, 0]]))
    return HoleDensity(share, middle, np.hypot(BLUNT * u, least), len(plain), to_view, radius, real)


@lru_cache(maxsize=1)
def hole_network() -> ort.InferenceSession:
    """The network, opened once a process; ModelError if its file is missing or speaks another schema."""
    return open_with_card(FOLDER / "holes.onnx", SCHEMA)[0]
