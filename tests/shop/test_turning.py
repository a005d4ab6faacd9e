"""The small rotation, solved: against trying turns one by one, scipy's assignment and scipy's minimiser."""

import itertools
import math

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment, minimize_scalar

from shop.turning import allowed_turns, best_seat, best_seats, turn_holes, turns_together


def case(rng):
    n = int(rng.integers(1, 5))
    m = int(rng.integers(n, 5))
    holes = rng.normal(0.0, 4.0, (m, 2))
    limits = rng.uniform(0.1, 0.5, m)
    chosen = rng.permutation(m)[:n]
    threads = turn_holes(holes[chosen], rng.uniform(-4.0, 4.0)) + rng.normal(0.0, 0.12, (n, 2))
    return threads, holes, limits


def some_turn(threads, holes, limits, most_deg):
    """Whether a turn brings a hole over every thread, in any order."""
    points = [tuple(point) for point in threads]
    return any(
        bool(
            turns_together(points, [tuple(holes[j]) for j in order], list(limits[list(order)]), math.radians(most_deg))
        )
        for order in itertools.permutations(range(len(holes)), len(threads))
    )


def worst_by_trying(threads, holes, limits, turns_deg):
    best = math.inf
    for turn in turns_deg:
        turned = turn_holes(holes, turn)
        for order in itertools.permutations(range(len(holes)), len(threads)):
            share = np.hypot(*(turned[list(order)] - threads).T) / limits[list(order)]
            best = min(best, float(share.max()))
    return best


def test_seat_and_intervals_agree_with_trying_turns_one_by_one():
    rng = np.random.default_rng(1)
    turns = np.linspace(-3.0, 3.0, 601)
    fitting = 0
    for _ in range(60):
        threads, holes, limits = case(rng)
        seat = best_seat(threads, holes, limits, 3.0)
        tried = worst_by_trying(threads, holes, limits, turns)
        assert tried - 0.02 < seat.worst <= tried + 1e-9  # a step of 0.01° moves a hole by about 0.001 mm
        fits = some_turn(threads, holes, limits, 3.0)
        assert fits == (seat.worst <= 1.0)
        fitting += fits
    assert 10 < fitting < 50


def test_the_turn_agrees_with_a_minimiser_of_scipy():
    rng = np.random.default_rng(2)
    for _ in range(40):
        threads, holes, limits = case(rng)
        seat = best_seat(threads, holes, limits, 3.0)
        order = list(seat.holes)

        def worst(turn, order=order, threads=threads, holes=holes, limits=limits):
            return (np.hypot(*(turn_holes(holes[order], turn) - threads).T) / limits[order]).max()

        found = min(
            (minimize_scalar(worst, bounds=span, method="bounded", options={"xatol": 1e-9}) for span in ((-3, 0), (0, 3), (-3, 3))),
            key=lambda result: result.fun,
        )  # fmt: skip
        assert seat.worst == pytest.approx(found.fun, abs=1e-5)


def test_holes_are_given_out_as_scipys_assignment_does():
    """With threads near their holes, the least largest share and the least sum of squares give the same pairs."""
    rng = np.random.default_rng(3)
    for _ in range(100):
        m = int(rng.integers(2, 5))
        angles = np.sort(rng.uniform(0, 2 * np.pi, m))
        holes = np.column_stack([np.sin(angles), np.cos(angles)]) * rng.uniform(3, 6, (m, 1))
        if m > 1 and min(math.dist(a, b) for a, b in itertools.combinations(holes, 2)) < 1.5:
            continue
        n = int(rng.integers(1, m + 1))
        threads = holes[rng.permutation(m)[:n]] + rng.normal(0.0, 0.1, (n, 2))
        seat = best_seat(threads, holes, np.full(m, 0.3), 3.0)
        cost = ((turn_holes(holes, seat.turn_deg)[None, :] - threads[:, None]) ** 2).sum(axis=2)
        rows, columns = linear_sum_assignment(cost)
        assert tuple(columns[np.argsort(rows)]) == seat.holes


def test_spans_of_turns_hold_near_the_axis_too():
    """Holes and threads within the limit of the axis and of each other: nearly any turn will do, tried one by one."""
    rng = np.random.default_rng(4)
    turns = np.linspace(-3.0, 3.0, 1201)
    fitting = 0
    for _ in range(300):
        hole, thread = rng.normal(0.0, 0.15, (2, 2))
        limit = rng.uniform(0.05, 0.4)
        off = np.hypot(*(np.array([turn_holes(hole, turn) for turn in turns]) - thread).T) - limit
        if abs(off.min()) < 1e-6:
            continue
        fits = some_turn(thread[None], hole[None], np.array([limit]), 3.0)
        assert fits == (off.min() < 0.0)
        fitting += fits
    assert 100 < fitting < 280


def test_many_seats_at_once_are_those_of_each():
    """A list of parts seated together, against each part's largest share tried turn by turn."""
    rng = np.random.default_rng(5)
    turns = np.linspace(-3.0, 3.0, 601)
    threads = rng.normal(0.0, 4.0, (2, 2))
    holes = turn_holes(threads, 1.0)[::-1] + rng.normal(0.0, 0.1, (40, 2, 2))
    holes = np.concatenate([holes, rng.normal(0.0, 4.0, (40, 1, 2))], axis=1)
    limits = rng.uniform(0.1, 0.5, (40, 3))
    seats = best_seats(threads, holes, limits, 3.0)
    for k in range(40):
        tried = worst_by_trying(threads, holes[k], limits[k], turns)
        assert tried * (1.0 - 0.02) - 0.02 < seats.seat(k).worst <= tried + 1e-9


def test_one_hole_turned_onto_its_thread():
    """Law of cosines by hand: radius 4.5 to 4.5, limit 0.2: half-width 2 asin(0.2 / 9) = 2.547°."""
    thread, hole = np.array([0.0, 4.5]), turn_holes(np.array([0.0, 4.5]), -10.0)
    middle, half = allowed_turns(thread, hole, np.float64(0.2))
    assert math.degrees(float(middle)) == pytest.approx(10.0)
    assert math.degrees(float(half)) == pytest.approx(2.0 * math.degrees(math.asin(0.2 / 9.0)))


def test_a_hole_in_the_centre_needs_no_turn():
    thread, hole = np.array([0.05, 0.0]), np.array([0.0, 0.0])
    assert float(allowed_turns(thread, hole, np.float64(0.1))[1]) == math.inf
    assert float(allowed_turns(thread, hole, np.float64(0.04))[1]) < 0.0


def test_a_screw_that_does_not_pass_never_fits():
    at = np.array([[0.0, 4.5]])
    assert some_turn(at, at, np.array([0.0]), 3.0)
    assert not some_turn(at, at, np.array([-0.01]), 3.0)
    assert best_seat(at, at, np.array([-0.01]), 3.0).worst > 0.0


def test_turns_are_clockwise_and_too_few_holes_give_none():
    assert turn_holes(np.array([0.0, 1.0]), 90.0) == pytest.approx([1.0, 0.0], abs=1e-12)  # 12 o'clock goes to 3
    assert best_seat(np.zeros((2, 2)), np.zeros((1, 2)), np.ones(1), 3.0) is None
