"""The measurement that decides, against closed forms and against the verdicts it leads to."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from shop.calliper import CalliperQuantity, parse_finding, take_in
from shop.fits import FitOptions, decide
from shop.measure_next import Curve, shown_by, turning
from shop.measured import measured_part_by_hand
from shop.parts import Part, parse_holes

P27 = "61@4.55:4.2; 209@4.55:4.2"


def part(number="X", holes=P27, **changes):
    return replace(
        Part(number, "cloverleaf", "closed", "none", 21.4, parse_holes(holes), tail_width_mm=12.0), **changes
    )


def measured(reach="21.4", holes=P27, tail_width="12", **more):
    return measured_part_by_hand("cloverleaf", "closed", None, reach, tail_width, holes, screws=("#5-40",), **more)


def asked(old, new, **options):
    return decide(old, [new], FitOptions(**options)).candidates[0]


@pytest.mark.parametrize("u", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("limit", [0.0, 0.15, 0.4])
def test_what_remains_wrong_after_measuring_is_the_orthant_of_two_normals(u, limit):
    """X is normal (0, 0.2²) and fits below the limit; a calliper shows X + error of u.

    The better decision goes wrong when X and its estimate lie on different sides of the limit: a probability of the
    bivariate normal, here from scipy. At limit 0 it is acos(rho) / pi (Sheppard 1899).
    """
    rng = np.random.default_rng(1)
    x = 0.2 * rng.standard_normal(400_000)
    shown = x + u * rng.standard_normal(x.size)
    rho = 0.2 / math.hypot(0.2, u)
    # The estimate of X is rho² times what is shown; it turns where that is the limit.
    a, b = limit / 0.2, limit / (0.2 * rho)
    both = multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf([a, b])
    wrong = norm.cdf(a) + norm.cdf(b) - 2.0 * both
    if limit == 0.0:
        assert wrong == pytest.approx(math.acos(rho) / math.pi, abs=1e-6)
    curve = shown_by(CalliperQuantity("reach"), shown).curve((x < limit).astype(float))
    assert curve.loss == pytest.approx(wrong, abs=0.006)
    turns = turning(curve, 0.0)
    if limit / rho**2 > 2.0 * math.hypot(0.2, u):  # it turns where next to no value is expected
        assert turns is None or turns[0] > 2.0 * math.hypot(0.2, u)
        return
    at, side, between = turns
    assert at == pytest.approx(limit / rho**2, abs=0.03)
    assert (side, between) == ("below", None)


def test_two_ends_are_between_and_the_nearer_one_turns():
    value = np.linspace(-1.0, 1.0, 40)
    curve = Curve(value, (np.abs(value - 0.1) < 0.4).astype(float))
    at, side, between = turning(curve, 0.35)
    assert side == "between"
    assert between == pytest.approx((-0.3, 0.5), abs=0.06)
    assert at == between[1]
    assert turning(Curve(value, np.ones(40)), 0.0) is None
    assert turning(Curve(value, np.zeros(40)), 0.0) is None


def test_a_reach_in_doubt_is_what_is_asked_for_and_turns_at_its_tolerance():
    found = asked(measured(reach="21.85±0.3"), part())
    assert found.verdict == "measure"
    assert (found.decide_by.quantity, found.decide_by.fits_when, found.decide_by.unit) == ("reach", "below", "mm")
    assert found.decide_by.turns_at == pytest.approx(21.9, abs=0.03)
    assert found.decide_by.settles > 0.75
    assert "tip of the tail" in found.decide_by.where
    other = asked(measured(reach="20.95±0.3"), part())
    assert (other.decide_by.fits_when, other.decide_by.turns_at) == ("above", pytest.approx(20.9, abs=0.03))


def test_a_tail_width_in_doubt_is_what_is_asked_for():
    found = asked(measured(tail_width="12.45±0.3"), part())
    assert (found.decide_by.measure, found.decide_by.fits_when) == ("tail-width", "below")
    assert found.decide_by.turns_at == pytest.approx(12.5, abs=0.03)


def test_holes_in_doubt_ask_for_their_distance():
    """Both radii are unsure in common: of all lengths the distance between the holes tells most of it."""
    holes = "90±0.2@4.55±0.3:4.2; 270±0.2@4.55±0.3:4.2"
    old = measured(holes=holes)
    rows = [3, 6]
    old.covariance[np.ix_(rows, rows)] = 0.15**2 * np.array([[1.0, -0.999], [-0.999, 1.0]])
    found = asked(old, part(holes="90@4.1:4.2; 270@4.1:4.2"))
    assert found.verdict == "measure"
    assert (found.decide_by.quantity, found.decide_by.fits_when) == ("distance between hole centres", "below")
    assert len(found.decide_by.jaws_mm) == 2
    assert "take away one hole diameter" in found.decide_by.where


def test_a_doubt_no_calliper_can_end_asks_for_a_trial():
    """Part and candidate are known to a hair; whether the threads lie where both allow is not."""
    holes = "61±0.01@4.55±0.002:4.2±0.002; 209±0.01@4.55±0.002:4.2±0.002"
    found = asked(measured(holes=holes), part(holes="61@4.12:4.2; 209@4.05:4.2"), list_u95_mm=0.0)
    assert found.verdict == "measure"
    assert found.decide_by.unit in ("by hand", "mm")
    assert found.decide_by.quantity in ("trial on the cylinder", "distance between the threaded holes of the cylinder")


def test_unknown_screws_can_be_what_is_asked_for():
    old = measured_part_by_hand("cloverleaf", "closed", None, 21.4, 12, "61@4.55:3.95; 209@4.55:3.95")
    found = asked(old, part(holes="61@4.27:3.9; 209@4.27:3.9"))
    assert found.verdict == "measure"
    assert found.decide_by.measure in ("screw-diameter", "thread-distance", "")
    thin, thick = (
        decide(take_in(old, [parse_finding(f"screw-diameter={d}", old)]), [part(holes="61@4.27:3.9; 209@4.27:3.9")])
        for d in (3.1, 3.43)
    )
    assert thin.candidates[0].probability > thick.candidates[0].probability + 0.3


@pytest.mark.parametrize("true_reach", [21.5, 21.8, 22.0, 22.3])
def test_the_answer_after_the_measurement_is_the_right_one(true_reach):
    old = measured(reach="21.85±0.3")
    after = take_in(old, [parse_finding(f"reach={true_reach}±0.05", old)])
    assert asked(after, part()).verdict == ("fits" if true_reach < 21.9 else "does-not-fit")


def test_a_thread_distance_found_on_the_cylinder_narrows_the_screws():
    old, new = measured(), part(holes="61@4.2:4.2; 209@4.2:4.2")
    nominal = 2 * 4.55 * math.sin(math.radians(74))
    near = asked(take_in(old, [parse_finding(f"thread-distance={nominal - 0.3:.2f}", old)]), new)
    far = asked(take_in(old, [parse_finding(f"thread-distance={nominal + 0.3:.2f}", old)]), new)
    plain = asked(old, new)
    assert near.checks["screws"] > plain.checks["screws"] > far.checks["screws"]


def test_certain_answers_ask_for_nothing():
    assert asked(measured(), part()).decide_by is None
    assert asked(measured(), part(reach_mm=25.0)).decide_by is None
