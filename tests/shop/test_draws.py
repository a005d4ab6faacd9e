"""The draws: screws that a hole suggests, zones that the fixed-fastener rule gives, what is known taken in."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, kstest

from shop.clearance import hole_likelihood, likely_screws, screw_likelihood
from shop.draws import ZONE_SIGMA, Unmeasured, _in_zone, draw
from shop.measured import measured_part_by_hand
from shop.parts import Part, parse_holes
from shop.threads import THREADS
from vision.quantity import Quantity

P27 = "61±0.5@4.55±0.05:3.9±0.05; 209±0.5@4.55±0.05:3.9±0.05"


def drawn(holes=P27, screws=("#5-40",), count=40_000, seed=1, **more):
    part = measured_part_by_hand("finger", "closed", None, 21.4, None, holes)
    return draw(part, count, np.random.default_rng(seed), most_lift_mm=0.2, list_u95_mm=0.0, screws=screws, **more)


@pytest.mark.parametrize("name", ["#4-40", "#5-40", "#6-32", "#8-32", "M3", "M4"])
@pytest.mark.parametrize("fit", ["close_mm", "normal_mm"])
def test_the_tables_own_holes_suggest_their_screw(name, fit):
    """The close and normal holes of ASME B18.2.8 and ISO 273 are taken by their own screw as by none better."""
    hole = getattr(THREADS[name].clearance, fit)
    at = np.array([hole])
    assert hole_likelihood(at, THREADS[name])[0] == pytest.approx(1.0)
    assert hole_likelihood(np.array([THREADS[name].major_mm - 0.01]), THREADS[name])[0] == 0.0


def test_two_likely_sizes_at_most_and_shares_that_add_up():
    diameters = np.random.default_rng(2).normal(3.35, 0.03, (5000, 2))
    threads, weights = likely_screws(diameters)
    assert {thread.name for thread in threads} <= {"#4-40", "M3", "#5-40"}
    assert len(threads) == 2
    assert weights.sum(axis=1) == pytest.approx(np.ones(5000))
    only, _ = likely_screws(diameters, screw_mm=Quantity(2.92, 0.02))
    assert [thread.name for thread in only] == ["M3"]  # 3 mm, made 0.08 under size


def test_a_screw_taken_out_tells_its_size():
    """Undersize within 0.02 to 0.15 mm leaves neighbours 0.16 mm apart (M3, #4; M3, #5) told by more than ten to one."""
    for name in ("#4-40", "M3", "#5-40", "#6-32"):
        found = THREADS[name].major_mm - 0.08
        weights = {other: screw_likelihood(found, 0.02, THREADS[other]) for other in ("#4-40", "M3", "#5-40", "#6-32")}
        assert max(weights, key=weights.get) == name
        assert sorted(weights.values())[-2] < 0.1 * weights[name]


def test_every_thread_lies_under_the_old_hole_and_no_farther_than_its_screw_allows():
    draws = drawn()
    play = 0.5 * (draws.states[:, 5::3] - 3.175)
    assert (np.hypot(*np.moveaxis(draws.offsets, -1, 0)) <= play + 1e-9).all()


def test_zones_are_normal_cut_off_at_three_sigma():
    """One zone: r² / sigma² is chi-squared with 2 degrees of freedom, cut off at 9 (scipy's chi2)."""
    points = _in_zone(np.random.default_rng(3), (20_000, 1))[:, 0]
    r2 = (points**2).sum(axis=1) / ZONE_SIGMA**2
    assert r2.max() <= 9.0
    assert kstest(r2, lambda x: chi2.cdf(x, 2) / chi2.cdf(9.0, 2)).pvalue > 0.001
    assert kstest(np.arctan2(points[:, 1], points[:, 0]), "uniform", (-math.pi, 2 * math.pi)).pvalue > 0.001


def test_a_countersunk_screw_leaves_its_thread_less_room():
    sunk = drawn(P27.replace("3.9±0.05", "3.9±0.05/7.0"))
    assert sunk.countersunk.all()
    # 0.2 mm of lift at 82°: e = 0.2 tan 41° = 0.1739
    assert np.hypot(*np.moveaxis(sunk.offsets, -1, 0)).max() == pytest.approx(0.1739, abs=0.02)
    assert np.hypot(*np.moveaxis(sunk.offsets, -1, 0)).max() <= 0.1739 + 1e-4


def test_holes_too_small_for_the_screw_are_not_drawn():
    draws = drawn("90@4.5:3.2±0.1; 270@4.5:3.2±0.1")
    assert (draws.states[:, 5::3] > 3.175).all()
    assert not draws.conflict
    assert drawn("90@4.5:2.5; 270@4.5:2.5").conflict


def test_a_distance_of_threads_found_is_kept():
    part = measured_part_by_hand("finger", "closed", None, 21.4, None, P27)
    nominal = 9.1 * math.sin(math.radians(74))
    told = replace(part, thread_distances_mm=((0, 1, Quantity(nominal + 0.1, 0.02)),))
    draws = draw(told, 40_000, np.random.default_rng(4), most_lift_mm=0.2, list_u95_mm=0.0, screws=("#5-40",))
    at = draws.states[:, 3:].reshape(-1, 2, 3)[:, :, :2] + draws.offsets
    apart = np.hypot(*(at[:, 0] - at[:, 1]).T)
    assert apart.mean() == pytest.approx(nominal + 0.1, abs=0.005)
    assert apart.std() == pytest.approx(0.02, rel=0.1)


def test_what_was_not_measured_lies_about_the_candidates_own():
    part = measured_part_by_hand("finger", "closed", None, "21.4±8", None, "61±0.5@5±4:3.9; centre:3.9")
    candidate = Part("X", "finger", "closed", "none", 30.0, parse_holes("63@6.2:3.9; centre:3.9"))
    draws = draw(part, 20_000, np.random.default_rng(5), most_lift_mm=0.2, list_u95_mm=0.0, screws=("#5-40",))
    states = Unmeasured(draws, part).states(candidate, mirrored=False)
    assert states[:, 0].mean() == pytest.approx(30.0, abs=0.05)
    radius = np.hypot(states[:, 3], states[:, 4])
    assert radius.mean() == pytest.approx(6.2, abs=0.05)
    assert np.degrees(np.arctan2(states[:, 3], states[:, 4])).mean() == pytest.approx(61.0, abs=0.1)
    assert states is not draws.states
