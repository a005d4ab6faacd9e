"""Measured numbers, and the honest absence of one. Standard uncertainties (k = 1) everywhere inside the package."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

COVERAGE_FACTOR: Final = 2.0  # JCGM 100:2008, 6.3.3: k = 2 for an interval of about 95 %


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured number with its standard uncertainty (k = 1), in the unit its field's name says."""

    value: float
    u: float

    def __post_init__(self) -> None:
        if not (np.isfinite(self.value) and np.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"no measured number: {self.value} with standard uncertainty {self.u}")

    @property
    def u95(self) -> float:
        """Half-width of the 95 % interval."""
        return COVERAGE_FACTOR * self.u


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """Why a quantity could not be had; false in a condition, null in a reading, and a warning there."""

    code: str
    text: str

    def __bool__(self) -> Literal[False]:
        return False


def jacobian(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]], at: NDArray[np.float64], step: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Central-difference derivatives of a vector function.

    Parameters
    ----------
    function : callable
        Maps an (N,) array to an (M,) array.
    at, step : ndarray of shape (N,)
        The point, and the half-step in each input; the input's standard uncertainty is a good half-step.

    Returns
    -------
    ndarray of shape (M, N)
    """
    columns = []
    for i, h in enumerate(step):
        offset = np.zeros_like(at)
        offset[i] = h if h > 0.0 else 1e-6
        columns.append((function(at + offset) - function(at - offset)) / (2.0 * offset[i]))
    return np.stack(columns, axis=1)


def propagate(derivatives: NDArray[np.float64], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance of a function's outputs: J V Jᵀ (JCGM 100:2008, 5.2.2, eq. 13 in matrix form).

    Parameters
    ----------
    derivatives : ndarray of shape (M, N)
    covariance : ndarray of shape (N, N)
    """
    return derivatives @ covariance @ derivatives.T
