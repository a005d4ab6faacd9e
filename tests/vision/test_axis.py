"""The axis by hub, network and openings: against scipy's densities, and on patterns drawn at random."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_t, t

from vision.axis import (
    HUB_FREEDOM,
    LINE_FREEDOM,
    NETWORK_FREEDOM,
    NETWORK_SHARE,
    NETWORK_SHARE_BESIDE_HUB,
    U_LINE_MM,
    settle_axis,
)
from vision.clock import TAIL_FREEDOM, settle_turn
from vision.vocabulary import xy_from_angle

NONE = np.empty((0, 2)), np.empty(0), np.empty(0, dtype=bool)


def screws(*places: tuple[float, float], u: float = 0.1):
    """Screw holes at clock angle and radius."""
    at = np.array([xy_from_angle(angle, radius) for angle, radius in places])
    return at, np.full(len(at), u), np.ones(len(at), dtype=bool)


def settled(hub: tuple[float, float], openings, u_hub: float = 0.3, network: tuple[float, float] = (0.0, 0.0)):
    covariance = np.eye(2) * u_hub**2
    return settle_axis(np.array(hub), covariance, (np.array(hub), covariance), np.array(network), 1.5, *openings)


def test_hub_and_network_alone_agree_with_scipy():
    """The product of two of scipy's t densities, its moments taken by sums over a finer and wider grid."""
    hub, spread = np.array([0.3, -0.2]), np.array([[0.09, 0.03], [0.03, 0.05]])
    axis, covariance = settle_axis(hub, spread, (hub, spread), np.array([-0.2, 0.3]), 1.2, *NONE)
    steps = np.linspace(-1.6, 1.6, 161)
    places = hub + np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=2).reshape(-1, 2)
    weight = multivariate_t(hub, spread, df=HUB_FREEDOM).pdf(places)
    weight *= multivariate_t([-0.2, 0.3], np.eye(2) * (1.2 * NETWORK_SHARE_BESIDE_HUB) ** 2, df=NETWORK_FREEDOM).pdf(
        places
    )
    weight /= weight.sum()
    mean = weight @ places
    d = places - mean
    assert axis == pytest.approx(mean, abs=0.02)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(np.sqrt(np.diag((d * weight[:, None]).T @ d)), rel=0.15)


def test_a_mirror_line_moves_the_axis_towards_itself_and_makes_it_no_surer():
    """Across the line against the product of scipy's densities; along it, and in what is stated, nothing changes."""
    hub, spread = np.array([0.0, 0.0]), np.diag([0.12, 0.08]) ** 2
    given = (hub, spread, (hub, spread), hub, 50.0, *NONE)
    plain, covariance = settle_axis(*given)
    axis, with_line = settle_axis(*given, (0.2, 0.0))  # the line points up and passes 0.2 mm to the right
    steps = np.linspace(-1.0, 1.0, 401)
    places = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=2).reshape(-1, 2)
    weight = multivariate_t(hub, spread, df=HUB_FREEDOM).pdf(places)
    weight *= t(LINE_FREEDOM, loc=0.2, scale=U_LINE_MM).pdf(places[:, 0])
    assert axis[0] == pytest.approx(weight @ places[:, 0] / weight.sum(), abs=0.02)
    assert axis[1] == pytest.approx(plain[1], abs=1e-6)
    assert with_line == pytest.approx(covariance)


def test_without_a_hub_the_network_alone_agrees_with_scipy():
    spread = np.eye(2) * 0.5**2
    axis, covariance = settle_axis(np.zeros(2), spread, None, np.zeros(2), 0.5, *NONE)
    steps = np.linspace(-2.0, 2.0, 161)  # the grid's own span: four spreads
    places = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=2).reshape(-1, 2)
    weight = multivariate_t([0.0, 0.0], np.eye(2) * (0.5 * NETWORK_SHARE) ** 2, df=NETWORK_FREEDOM).pdf(places)
    weight /= weight.sum()
    assert axis == pytest.approx([0.0, 0.0], abs=1e-9)
    assert covariance == pytest.approx((places * weight[:, None]).T @ places, abs=0.01)


def test_turns_alone_agree_with_scipy():
    said = [(0.0, 0.4), (0.9, 0.5), (-1.4, 1.0)]
    x = np.linspace(-10.0, 10.0, 20001)
    weight = np.prod([t(TAIL_FREEDOM, at, u).pdf(x) for at, u in said], axis=0)
    weight /= weight.sum()
    mean = float(weight @ x)
    turn, spread = settle_turn(said)
    assert turn == pytest.approx(mean, abs=0.01)
    assert spread == pytest.approx(float(np.sqrt(weight @ (x - mean) ** 2)), abs=0.01)


def test_a_mirror_line_that_stands_alone_is_outvoted():
    turn, spread = settle_turn([(0.0, 0.4), (5.0, 0.4), (0.2, 0.4), (-0.3, 1.0)])
    assert abs(turn) < 0.4
    assert spread < 1.0


def test_two_that_quarrel_are_stated_as_wide_as_they_lie_apart():
    turn, spread = settle_turn([(0.0, 0.4), (5.0, 0.4)])
    assert turn == pytest.approx(2.5, abs=0.1)
    assert spread > 1.8


def test_opposite_screws_draw_a_doubtful_hub_to_their_line():
    off = np.array([0.0, 0.3])  # square to the line of the two holes, which run from 9 to 3 o'clock through the axis
    axis, covariance = settled(tuple(off), screws((90.0, 5.0), (270.0, 5.0)))
    assert np.linalg.norm(axis) < 0.15
    assert np.sqrt(covariance[1, 1]) < 0.25


def test_an_irregular_pattern_says_nothing():
    holes = screws((20.0, 3.6), (125.0, 6.4))  # 105 degrees apart and unlike in radius
    assert settled((0.2, 0.1), holes)[0] == pytest.approx(settled((0.2, 0.1), NONE)[0], abs=0.03)


def test_nearly_opposite_screws_stay_where_they_are_when_the_hub_is_sure():
    """Eight degrees off opposite, seen from a hub known to 0.04 mm: no pattern turns them."""
    holes = screws((90.0, 5.0), (262.0, 5.0), u=0.05)
    assert np.linalg.norm(settled((0.0, 0.0), holes, u_hub=0.04)[0]) < 0.05


@pytest.mark.parametrize("screw", [True, False])
def test_an_opening_in_the_middle_is_the_axis(screw):
    middle = np.zeros((1, 2)), np.array([0.1]), np.array([screw])
    axis, covariance = settled((0.45, -0.3), middle)
    assert np.linalg.norm(axis) < 0.15
    assert np.sqrt(covariance.trace() / 2.0) < 0.2


def test_stated_covariance_holds_on_random_patterns():
    """Hubs and holes thrown with known spreads about a true axis, half of them opposite: error over stated u is about 1."""
    rng = np.random.default_rng(5)
    squares, plain = [], []
    for _ in range(250):
        radius = rng.uniform(3.5, 7.0)
        first = rng.uniform(0.0, 360.0)
        second = first + 180.0 if rng.random() < 0.5 else first + rng.uniform(60.0, 170.0)
        at, u, is_screw = screws((first, radius), (second, radius if rng.random() < 0.5 else rng.uniform(3.5, 7.0)))
        at = at + rng.normal(0.0, 0.1, at.shape)
        hub, network = rng.normal(0.0, 0.25, 2), rng.normal(0.0, 0.6, 2)
        axis, covariance = settled(tuple(hub), (at, u, is_screw), u_hub=0.25, network=tuple(network))
        squares.append(axis @ np.linalg.solve(covariance, axis) / 2.0)
        plain.append((np.linalg.norm(axis), np.linalg.norm(hub)))
    assert 0.6 < np.mean(squares) < 1.5
    better, hubs = np.sqrt((np.array(plain) ** 2).mean(axis=0))
    assert better < 0.9 * hubs
