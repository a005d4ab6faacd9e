"""Least-squares circle, line and ellipse through edge points, with covariance, and robust ones among stray points."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.quantity import NotMeasured

Array = NDArray[np.float64]
F = TypeVar("F", np.float32, np.float64)

TUKEY: Final = 4.685  # biweight constant for 95 % efficiency on normal errors (Huber & Ronchetti, Robust Statistics)
MOST_REWEIGHTINGS: Final = 30
SETTLED: Final = 1e-5  # of the long semi-axis
MAD_TO_SIGMA: Final = 1.4826  # median absolute deviation to standard deviation, normal errors


@dataclass(frozen=True, slots=True)
class Circle:
    """Centre and radius in the points' unit; `covariance` (3, 3) of (x, y, radius) holds their scatter alone."""

    x: float
    y: float
    radius: float
    covariance: Array
    rms: float
    used: NDArray[np.bool_]  # (N,): False for points left out as strays


@dataclass(frozen=True, slots=True)
class Line:
    """Centroid (x, y) and direction `angle` (rad, x towards y); `covariance` (2, 2) of (offset across, angle)."""

    x: float
    y: float
    angle: float
    covariance: Array
    rms: float


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Centre, semi-axes (long first) and the long axis's direction (rad, x towards y); `covariance` (5, 5) in that order."""

    x: float
    y: float
    long: float
    short: float
    angle: float
    covariance: Array
    rms: float
    used: NDArray[np.bool_]

    def distance(self, points: Array) -> Array:
        """Signed distance of points (N, 2) from the ellipse, positive outside; shape (N,)."""
        return _ellipse_residual(np.array([self.x, self.y, self.long, self.short, self.angle]), _checked(points))[0]

    def at(self, turn: Array) -> Array:
        """Points of the ellipse (N, 2) at parameters `turn` (N,), rad from the long axis."""
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        u, v = self.long * np.cos(turn), self.short * np.sin(turn)
        return np.column_stack([self.x + u * cos - v * sin, self.y + u * sin + v * cos])


def levenberg_marquardt(
    function: Callable[[Array], tuple[Array, Array]], start: Array, *, most_steps: int = 60
) -> tuple[Array, Array, Array]:
    """Least sum of squares by damped Gauss-Newton steps (Marquardt 1963, J. SIAM 11, 431).

    Parameters
    ----------
    function : callable
        Maps parameters (P,) to residuals (N,) and their Jacobian (N, P).
    start : ndarray of shape (P,)
    most_steps : int

    Returns
    -------
    parameters (P,), residuals (N,), Jacobian (N, P)
    """
    x = np.asarray(start, dtype=float)
    residual, jac = function(x)
    cost, damping = float(residual @ residual), 1e-3
    for _ in range(most_steps):
        normal, slope = jac.T @ jac, jac.T @ residual
        scale = np.diag(np.diag(normal) + 1e-12 * max(float(np.trace(normal)), 1e-300))
        step = np.linalg.solve(normal + damping * scale, -slope)
        trial_residual, trial_jac = function(x + step)
        trial = float(trial_residual @ trial_residual)
        if np.isfinite(trial) and trial <= cost:
            small = np.abs(step).max() < 1e-10 * (1.0 + np.abs(x).max()) or cost - trial < 1e-13 * cost
            x, residual, jac, cost = x + step, trial_residual, trial_jac, trial
            damping = max(damping / 10.0, 1e-12)
            if small:
                break
        else:
            damping *= 10.0
            if damping > 1e12:
                break
    return x, residual, jac


def fit_circle(edge: Array, weights: Array | None = None) -> Circle | NotMeasured:
    """The circle with the least sum of squared distances to points (Gander, Golub & Strebel 1994, BIT 34, 558).

    Parameters
    ----------
    edge : ndarray of shape (N, 2)
        Columns x, y in any one unit.
    weights : ndarray of shape (N,), optional
        Inverse variances up to a factor; 0 leaves a point out.

    Returns
    -------
    Circle or NotMeasured
        `too-few-edge-points` for under four points or points on a line. The covariance holds the scatter alone: burr and
        shadow are bias and belong in the caller's budget.

    Raises
    ------
    ValueError
        If `edge` has another shape or holds NaN.
    """
    points = _checked(edge)
    w = np.ones(len(points)) if weights is None else np.sqrt(np.asarray(weights, dtype=float))
    used = w > 0.0
    if used.sum() < 4:
        return NotMeasured("too-few-edge-points", "under four edge points: no circle")
    mid = points[used].mean(axis=0)
    spread = float(np.ptp(points[used] - mid, axis=0).max()) or 1.0
    p = (points - mid) / spread
    start = _algebraic_circle(p, w)
    if start is None:
        return NotMeasured("too-few-edge-points", "the edge points lie on a line: no circle")

    def function(x: Array) -> tuple[Array, Array]:
        d = p - x[:2]
        rho = np.maximum(np.linalg.norm(d, axis=1), 1e-12)
        return w * (rho - x[2]), w[:, None] * np.column_stack([-d / rho[:, None], -np.ones(len(p))])

    x, residual, jac = levenberg_marquardt(function, start)
    if not np.isfinite(x).all() or abs(x[2]) > 1e4:
        return NotMeasured("too-few-edge-points", "the edge points lie on a line: no circle")
    covariance = _covariance(residual, jac, int(used.sum()))
    plain = float(np.sqrt(np.mean((residual[used] / w[used]) ** 2)))
    centre = mid + x[:2] * spread
    return Circle(
        float(centre[0]), float(centre[1]), float(abs(x[2]) * spread), covariance * spread**2, plain * spread, used
    )


def _algebraic_circle(p: Array, w: Array) -> Array | None:
    """Pratt's fit, which short arcs do not shrink as Kåsa's do (Pratt 1987, SIGGRAPH 21, 145)."""
    design = np.column_stack([(p**2).sum(axis=1), p, np.ones(len(p))]) * w[:, None]
    constraint = np.array([[0, 0, 0, -2], [0, 1, 0, 0], [0, 0, 1, 0], [-2, 0, 0, 0]], dtype=float)
    moments = design.T @ design
    _, singular, rows = np.linalg.svd(design, full_matrices=False)
    if singular[-1] < 1e-12 * singular[0]:
        a = rows[-1]
    else:
        values, vectors = np.linalg.eig(np.linalg.solve(constraint, moments))
        real = np.where(
            (np.abs(values.imag) < 1e-9 * max(np.abs(values).max(), 1e-300)) & (values.real > 0), values.real, np.inf
        )
        if not np.isfinite(real).any():
            return None
        a = vectors[:, int(np.argmin(real))].real
    if abs(a[0]) < 1e-9 * np.abs(a).max():
        return None
    centre = -a[1:3] / (2.0 * a[0])
    square = centre @ centre - a[3] / a[0]
    return np.array([*centre, np.sqrt(square)]) if square > 0.0 else None


def fit_line(edge: Array) -> Line | NotMeasured:
    """The line with the least sum of squared distances to points (N, 2): total least squares.

    Returns
    -------
    Line or NotMeasured
        `too-few-edge-points` for under three points or points that coincide.
    """
    points = _checked(edge)
    if len(points) < 3:
        return NotMeasured("too-few-edge-points", "under three edge points: no line")
    mid = points.mean(axis=0)
    _, singular, rows = np.linalg.svd(points - mid, full_matrices=False)
    if singular[0] < 1e-12 * (1.0 + np.abs(points).max()):
        return NotMeasured("too-few-edge-points", "the edge points coincide: no line")
    variance = float(singular[1] ** 2) / (len(points) - 2)
    covariance = np.diag([variance / len(points), variance / float(singular[0] ** 2)])
    rms = float(singular[1]) / np.sqrt(len(points))
    return Line(float(mid[0]), float(mid[1]), float(np.arctan2(rows[0, 1], rows[0, 0])), covariance, rms)


def fit_ellipse(edge: Array, weights: Array | None = None, start: Ellipse | None = None) -> Ellipse | NotMeasured:
    """The ellipse with the least sum of squared orthogonal distances, started from the direct fit.

    Start, unless given: Fitzgibbon, Pilu & Fisher 1999, PAMI 21, 476. Distances: foot points on the ellipse; their derivatives by the
    ellipse's parameters are the normal's, since a foot point moves along the edge only.

    Returns
    -------
    Ellipse or NotMeasured
        `too-few-edge-points` for under six points or points that hold no ellipse.

    Raises
    ------
    ValueError
        If `edge` has another shape than (N, 2) or holds NaN.
    """
    points = _checked(edge)
    w = np.ones(len(points)) if weights is None else np.sqrt(np.asarray(weights, dtype=float))
    used = w > 0.0
    if used.sum() < 6:
        return NotMeasured("too-few-edge-points", "under six edge points: no ellipse")
    mid = points[used].mean(axis=0)
    spread = float(np.ptp(points[used], axis=0).max())
    if spread <= 0.0:
        return NotMeasured("too-few-edge-points", "the edge points coincide: no ellipse")
    p = (points - mid) / spread
    if np.linalg.svd(p[used], compute_uv=False)[1] < 1e-6 * np.sqrt(used.sum()):
        return NotMeasured("too-few-edge-points", "the edge points lie on a line: no ellipse")
    if start is None:
        (cx, cy), (d1, d2), turn = cv2.fitEllipseDirect(p[used].astype(np.float32).reshape(-1, 1, 2))
        first = np.array([cx, cy, d1 / 2.0, d2 / 2.0, np.radians(turn)])
    else:
        first = np.array([start.x, start.y, start.long, start.short, start.angle * spread])
        first = np.array([*(first[:2] - mid), *first[2:]]) / spread
    if not np.isfinite(first).all() or first[2:4].min() < 1e-4 or first[2:4].max() > 1e3:
        return NotMeasured("too-few-edge-points", "the edge points hold no ellipse")

    def function(x: Array) -> tuple[Array, Array]:
        distance, jac = _ellipse_residual(x, p)
        return w * distance, w[:, None] * jac

    x, residual, jac = levenberg_marquardt(function, first)
    if not np.isfinite(x).all() or np.abs(x[2:4]).min() < 1e-6:
        return NotMeasured("too-few-edge-points", "the edge points hold no ellipse")
    x[2:4] = np.abs(x[2:4])
    covariance = _covariance(residual, jac, int(used.sum()))
    if x[2] < x[3]:
        order = [0, 1, 3, 2, 4]
        x, covariance = x[order], covariance[np.ix_(order, order)]
        x[4] += np.pi / 2.0
    unit = np.array([spread, spread, spread, spread, 1.0])
    rms = float(np.sqrt(np.mean((residual[used] / w[used]) ** 2))) * spread
    return Ellipse(
        float(mid[0] + x[0] * spread),
        float(mid[1] + x[1] * spread),
        float(x[2] * spread),
        float(x[3] * spread),
        float((x[4] + np.pi / 2.0) % np.pi - np.pi / 2.0),
        covariance * np.outer(unit, unit),
        rms,
        used,
    )


def _ellipse_residual(x: Array, points: Array) -> tuple[Array, Array]:
    """Signed distances (N,) and their derivatives (N, 5) by centre, semi-axes and turn."""
    a, b = max(abs(x[2]), 1e-9), max(abs(x[3]), 1e-9)
    cos, sin = np.cos(x[4]), np.sin(x[4])
    d = points - x[:2]
    u, v = d[:, 0] * cos + d[:, 1] * sin, -d[:, 0] * sin + d[:, 1] * cos
    su, sv = np.where(u < 0.0, -1.0, 1.0), np.where(v < 0.0, -1.0, 1.0)
    fu, fv = _foot(np.abs(u), np.abs(v), a, b)
    fu, fv = fu * su, fv * sv
    nu, nv = fu / a**2, fv / b**2
    norm = np.maximum(np.sqrt(nu * nu + nv * nv), 1e-12)
    nu, nv = nu / norm, nv / norm
    distance = (u - fu) * nu + (v - fv) * nv
    jac = np.empty((len(points), 5))
    jac[:, 0] = -(nu * cos - nv * sin)
    jac[:, 1] = -(nu * sin + nv * cos)
    jac[:, 2] = -nu * fu / a * (1.0 if x[2] > 0 else -1.0)
    jac[:, 3] = -nv * fv / b * (1.0 if x[3] > 0 else -1.0)
    jac[:, 4] = nu * v - nv * u
    return distance, jac


def _foot(u: Array, v: Array, a: float, b: float) -> tuple[Array, Array]:
    """Nearest points of an upright ellipse in the first quadrant, by Newton steps on its evolute's circle."""
    focal = a * a - b * b
    tu = tv = np.full(len(u), np.sqrt(0.5))
    for _ in range(5):  # converges to 1e-12 in four for points near the edge
        before = tu
        ex, ey = (focal / a) * (tu * tu * tu), (-focal / b) * (tv * tv * tv)
        rx, ry = a * tu - ex, b * tv - ey
        qx, qy = u - ex, v - ey
        ratio = np.sqrt((rx * rx + ry * ry) / np.maximum(qx * qx + qy * qy, 1e-30))
        tu = np.minimum(np.maximum((qx * ratio + ex) / a, 0.0), 1.0)
        tv = np.minimum(np.maximum((qy * ratio + ey) / b, 0.0), 1.0)
        length = np.maximum(np.sqrt(tu * tu + tv * tv), 1e-15)
        tu, tv = tu / length, tv / length
        if np.abs(tu - before).max() < 1e-12:
            break
    return a * tu, b * tv


def fit_circle_robust(
    edge: Array, tolerance: float, rng: np.random.Generator, *, trials: int = 200
) -> Circle | NotMeasured:
    """The circle most points lie on within a tolerance, then the geometric fit of those (Fischler & Bolles 1981).

    Parameters
    ----------
    edge : ndarray of shape (N, 2)
    tolerance : float
        In the points' unit; farther points are strays.
    rng : numpy.random.Generator
    trials : int

    Returns
    -------
    Circle or NotMeasured
    """
    points = _checked(edge)
    if len(points) < 6:
        return NotMeasured("too-few-edge-points", "under six edge points: strays cannot be told")
    three = points[np.argsort(rng.random((trials, len(points))), axis=1)[:, :3]]
    a = 2.0 * (three[:, 1:] - three[:, :1])
    b = (three[:, 1:] ** 2).sum(axis=2) - (three[:, :1] ** 2).sum(axis=2)
    det = a[:, 0, 0] * a[:, 1, 1] - a[:, 0, 1] * a[:, 1, 0]
    good = np.abs(det) > 1e-9 * np.abs(a).max() ** 2
    if not good.any():
        return NotMeasured("too-few-edge-points", "the edge points lie on a line: no circle")
    centre = np.linalg.solve(a[good], b[good][:, :, None])[:, :, 0]
    radius = np.linalg.norm(three[good, 0] - centre, axis=1)
    away = np.abs(np.linalg.norm(points[None] - centre[:, None], axis=2) - radius[:, None])
    best = int(np.argmin(np.minimum(away, tolerance).sum(axis=1)))
    used = away[best] < tolerance
    circle: Circle | NotMeasured = NotMeasured("too-few-edge-points", "no circle through enough edge points")
    for _ in range(4):
        if used.sum() < 4:
            break
        circle = fit_circle(points, used.astype(float))
        if isinstance(circle, NotMeasured):
            break
        again = np.abs(np.hypot(points[:, 0] - circle.x, points[:, 1] - circle.y) - circle.radius) < tolerance
        if (again == used).all():
            break
        used = again
    return circle


def fit_ellipse_robust(edge: Array, start: Ellipse | None = None) -> Ellipse | NotMeasured:
    """The geometric ellipse with Tukey's biweight: strays up to about a third of the points do not pull it.

    Parameters
    ----------
    edge : ndarray of shape (N, 2)
    start : Ellipse, optional
        Where to begin; the plain fit otherwise.

    Returns
    -------
    Ellipse or NotMeasured
        Its `used` is False where a point got no weight.
    """
    points = _checked(edge)
    ellipse: Ellipse | NotMeasured = fit_ellipse(points) if start is None else start
    if isinstance(ellipse, NotMeasured):
        return ellipse
    middle, unit = np.array([ellipse.x, ellipse.y]), ellipse.long
    p = (points - middle) / unit
    x = np.array([0.0, 0.0, 1.0, ellipse.short / unit, ellipse.angle])
    weights = np.ones(len(p))
    for _ in range(MOST_REWEIGHTINGS):  # a single step for each weighing: both settle together
        distance, jac = _ellipse_residual(x, p)
        sigma = MAD_TO_SIGMA * median(np.abs(distance))
        if sigma < 1e-9:
            return fit_ellipse(points, (np.abs(distance) < 1e-6).astype(float))
        weights = (1.0 - np.clip(np.abs(distance) / (TUKEY * sigma), 0.0, 1.0) ** 2) ** 2
        weighted = jac * weights[:, None]
        normal = weighted.T @ jac
        step = np.linalg.solve(normal + 1e-9 * np.diag(np.diag(normal) + 1e-12), -(weighted.T @ distance))
        x = x + np.clip(step, -0.2, 0.2)
        if max(float(np.abs(step[:4]).max()), abs(float(step[4])) * abs(x[2] - x[3])) < SETTLED:
            break
    if np.isfinite(x).all() and min(abs(x[2]), abs(x[3])) > 1e-3:
        ellipse = replace(
            ellipse,
            x=float(middle[0] + x[0] * unit),
            y=float(middle[1] + x[1] * unit),
            long=float(abs(x[2]) * unit),
            short=float(abs(x[3]) * unit),
            angle=float(x[4]),
        )
    return fit_ellipse(points, weights, ellipse)


def _covariance(residual: Array, jac: Array, count: int) -> Array:
    """Scatter's covariance: residual variance times the inverse normal matrix."""
    free = max(count - jac.shape[1], 1)
    variance = float(residual @ residual) / free
    return np.asarray(variance * np.linalg.pinv(jac.T @ jac))


def _checked(edge: Array) -> Array:
    points = np.asarray(edge, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"edge points have shape {points.shape}, not (N, 2)")
    if not np.isfinite(points).all():
        raise ValueError("edge points hold NaN or infinity")
    return points


def median(values: NDArray[F]) -> float:
    """The median of all values."""
    return float(medians(values.ravel()))


def medians(values: NDArray[F]) -> NDArray[F]:
    """Medians over the last axis: NumPy's sort runs on many numbers at once, its median does not.

    Its median and quantiles also load its masked arrays when first called, a fortieth of a first answer.
    """
    ordered, n = np.sort(values, axis=-1), values.shape[-1]
    return np.asarray(0.5 * (ordered[..., (n - 1) // 2] + ordered[..., n // 2]), dtype=values.dtype)


def quantile(values: NDArray[Any], shares: Any) -> Any:
    """The values that these shares of all lie under, with a straight line between neighbours; as many as there are shares."""
    ordered = np.sort(values, axis=None)
    return np.interp(np.asarray(shares) * (len(ordered) - 1), np.arange(len(ordered)), ordered)
