"""Circle, line and ellipse fits against published worked examples and independent libraries."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize
from skimage.measure import EllipseModel

from vision.fitting import (
    Ellipse,
    fit_circle,
    fit_circle_robust,
    fit_ellipse,
    fit_ellipse_robust,
    fit_line,
    median,
    medians,
    quantile,
)
from vision.quantity import NotMeasured


def circle_points(n: int, radius: float, arc_deg: float = 360.0) -> np.ndarray:
    turn = np.radians(np.linspace(0.0, arc_deg, n, endpoint=arc_deg < 360.0))
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


def ellipse_points(rng: np.random.Generator, n: int, noise: float) -> np.ndarray:
    turn = rng.uniform(0, 2 * np.pi, n)
    u, v = 120.0 * np.cos(turn), 95.0 * np.sin(turn)
    points = np.column_stack([640 + u * np.cos(0.7) - v * np.sin(0.7), 410 + u * np.sin(0.7) + v * np.cos(0.7)])
    return points + rng.normal(0, noise, (n, 2))


def test_geometric_circle_agrees_with_gander_golub_strebel_1994():
    edge = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)  # BIT 34, 558: their six points
    c = fit_circle(edge)
    assert (c.x, c.y, c.radius) == pytest.approx((4.7398, 2.9835, 4.7142), abs=5e-5)


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        ([(1, 1), (2, 4), (5, 3)], (3.0, 2.0, np.sqrt(5.0))),  # math.stackexchange.com/questions/213658
        # Rosetta Code, "Centre and radius of a circle passing through 3 points"
        ([(22.83, 2.07), (14.39, 30.24), (33.65, 17.31)], (18.978516, 16.265411, 14.708624)),
    ],
)
def test_circle_through_three_published_points(points, expected):
    three = np.array(points, dtype=float)
    c = fit_circle(np.concatenate([three, three[:1]]))  # one twice: a fit needs four
    assert (c.x, c.y, c.radius) == pytest.approx(expected, abs=2e-6)
    sides = [np.linalg.norm(three[i] - three[j]) for i, j in ((0, 1), (1, 2), (2, 0))]
    (ux, uy), (vx, vy) = three[1] - three[0], three[2] - three[0]
    assert c.radius == pytest.approx(np.prod(sides) / (2.0 * abs(ux * vy - uy * vx)), rel=1e-6)  # R = abc / 4K


def test_geometric_circle_agrees_with_scipy_least_squares():
    rng = np.random.default_rng(1)
    edge = circle_points(60, 40.0, 100.0) + (500, 300) + rng.normal(0, 0.4, (60, 2))
    c = fit_circle(edge)
    other = optimize.least_squares(
        lambda p: np.hypot(edge[:, 0] - p[0], edge[:, 1] - p[1]) - p[2], [500, 300, 40], xtol=1e-15, ftol=1e-15
    )
    assert (c.x, c.y, c.radius) == pytest.approx(other.x, abs=1e-4)
    variance = 2.0 * other.cost / (60 - 3)
    assert c.covariance == pytest.approx(variance * np.linalg.inv(other.jac.T @ other.jac), rel=1e-3)


def test_short_arcs_are_not_shrunk_as_the_algebraic_fit_shrinks_them():
    """N. Chernov's comments (people.cas.uab.edu/~mosya/cl): Kåsa's fit is biased small on short arcs."""
    rng = np.random.default_rng(2)
    ours, kasa = [], []
    for _ in range(200):
        edge = circle_points(80, 50.0, 60.0) + rng.normal(0, 0.5, (80, 2))
        ours.append(fit_circle(edge).radius)
        design = np.column_stack([2 * edge, np.ones(80)])
        a, b, c = np.linalg.lstsq(design, (edge**2).sum(axis=1), rcond=None)[0]
        kasa.append(np.sqrt(c + a * a + b * b))
    assert np.mean(kasa) < 49.0
    assert np.mean(ours) == pytest.approx(50.0, abs=0.5)


def test_stated_circle_uncertainty_is_the_spread_of_the_fits():
    rng = np.random.default_rng(3)
    z = []
    for _ in range(400):
        c = fit_circle(circle_points(50, 30.0, 200.0) + rng.normal(0, 0.3, (50, 2)))
        z.append(np.array([c.x, c.y, c.radius - 30.0]) / np.sqrt(np.diag(c.covariance)))
    assert np.std(z, axis=0) == pytest.approx(np.ones(3), abs=0.12)


def test_points_on_a_line_are_no_circle():
    edge = np.column_stack([np.arange(9.0), 2.0 * np.arange(9.0)])
    assert isinstance(fit_circle(edge), NotMeasured)
    assert isinstance(fit_circle(edge[:3]), NotMeasured)
    assert isinstance(fit_ellipse(edge), NotMeasured)


def test_wrong_shape_and_nan_are_errors_of_ours():
    with pytest.raises(ValueError, match="shape"):
        fit_circle(np.zeros((4, 3)))
    with pytest.raises(ValueError, match="NaN"):
        fit_ellipse(np.full((8, 2), np.nan))


def test_line_agrees_with_scipy_least_squares_of_orthogonal_distances():
    rng = np.random.default_rng(4)
    x = np.linspace(0, 80, 60)
    edge = np.column_stack([x, 0.3 * x + 7.0]) + rng.normal(0, 0.4, (60, 2))
    line = fit_line(edge)
    mid = edge.mean(axis=0)
    other = optimize.least_squares(
        lambda p: (edge - mid) @ (-np.sin(p[1]), np.cos(p[1])) - p[0], [0.0, 0.3], xtol=1e-15, ftol=1e-15
    )
    covariance = 2.0 * other.cost / 58 * np.linalg.inv(other.jac.T @ other.jac)
    assert line.angle == pytest.approx(other.x[1], abs=1e-7)
    assert np.diag(line.covariance) == pytest.approx(np.diag(covariance), rel=0.01)


def test_line_of_coinciding_points_is_not_measured():
    assert isinstance(fit_line(np.ones((5, 2))), NotMeasured)
    assert isinstance(fit_line(np.ones((2, 2))), NotMeasured)


def test_ellipse_is_no_farther_from_the_points_than_the_direct_fits_of_libraries():
    """The geometric fit must beat or equal scikit-image's and OpenCV's in orthogonal distance, measured by scikit-image."""
    rng = np.random.default_rng(5)
    for n in (12, 40, 200):
        edge = ellipse_points(rng, n, 1.5)
        ours = fit_ellipse(edge)
        judge = EllipseModel.from_estimate(edge)
        direct = float((judge.residuals(edge) ** 2).sum())
        (cx, cy), (d1, d2), turn = cv2.fitEllipseDirect(edge.astype(np.float32))
        other = float((_model(cx, cy, d1 / 2, d2 / 2, np.radians(turn)).residuals(edge) ** 2).sum())
        mine = float((_model(ours.x, ours.y, ours.long, ours.short, ours.angle).residuals(edge) ** 2).sum())
        assert mine <= min(direct, other) * (1.0 + 1e-9)
        assert mine == pytest.approx(float((ours.distance(edge) ** 2).sum()), rel=1e-6)


def _model(x: float, y: float, a: float, b: float, angle: float) -> EllipseModel:
    return EllipseModel(center=(x, y), axis_lengths=(a, b), theta=angle)


def test_stated_ellipse_uncertainty_is_the_spread_of_the_fits():
    rng = np.random.default_rng(6)
    z = []
    for _ in range(300):
        e = fit_ellipse(ellipse_points(rng, 80, 0.4))
        away = np.array([e.x - 640, e.y - 410, e.long - 120, e.short - 95, e.angle - 0.7])
        z.append(away / np.sqrt(np.diag(e.covariance)))
    assert np.std(z, axis=0) == pytest.approx(np.ones(5), abs=0.15)
    assert np.mean(z, axis=0) == pytest.approx(np.zeros(5), abs=0.25)


def test_strays_do_not_pull_the_robust_fits():
    rng = np.random.default_rng(7)
    edge = ellipse_points(rng, 150, 0.3)
    edge[:35] += (edge[:35] - (640, 410)) * 0.08  # a shadow along a quarter of the rim
    e = fit_ellipse_robust(edge)
    assert (e.x, e.y, e.long, e.short) == pytest.approx((640, 410, 120, 95), abs=0.4)
    assert e.used[:35].sum() < 4
    assert fit_ellipse(edge).long > 121.5  # what it would be without

    arc = circle_points(100, 60.0, 150.0) + rng.normal(0, 0.2, (100, 2))
    arc[::3] += rng.uniform(-30, 30, (34, 2))
    c = fit_circle_robust(arc, 0.8, rng)
    assert (c.x, c.y, c.radius) == pytest.approx((0, 0, 60), abs=0.5)


@settings(max_examples=40, deadline=None)
@given(turn=st.floats(-3.0, 3.0), shift=st.floats(-500, 500), scale=st.floats(0.01, 100.0), seed=st.integers(0, 10_000))
def test_a_moved_and_scaled_ellipse_is_the_same_ellipse(turn, shift, scale, seed):
    edge = ellipse_points(np.random.default_rng(seed), 30, 1.0)
    cos, sin = np.cos(turn), np.sin(turn)
    moved = (edge @ np.array([[cos, sin], [-sin, cos]]) + shift) * scale
    a, b = fit_ellipse(edge), fit_ellipse(moved)
    assert isinstance(a, Ellipse) and isinstance(b, Ellipse)
    assert (b.long, b.short) == pytest.approx((a.long * scale, a.short * scale), rel=1e-5)


@pytest.mark.parametrize("count", [1, 2, 7, 50])
def test_medians_and_quantiles_are_those_of_numpy(count):
    values = np.random.default_rng(count).normal(size=(3, count))
    assert np.array_equal(medians(values), np.median(values, axis=1))
    assert median(values) == np.median(values)
    shares = np.linspace(0.0, 1.0, 11)
    assert quantile(values, shares) == pytest.approx(np.quantile(values, shares), abs=1e-12)
    assert float(quantile(values, 0.97)) == pytest.approx(np.quantile(values, 0.97), abs=1e-12)
