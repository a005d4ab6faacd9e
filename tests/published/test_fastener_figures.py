"""Threads, clearance holes and fastener formulas against published tables and worked examples."""

import math

import numpy as np
import pytest

from shop.calliper import CalliperQuantity
from shop.clearance import fixed_offset_mm, fixed_zone_mm, floating_zone_mm, head_lift_mm, offset_at_lift_mm
from shop.draws import draw, length_off
from shop.fits import FitOptions, decide, measured_part_by_hand
from shop.measure_next import risks, shown_by
from shop.parts import Part, parse_holes
from shop.threads import THREADS, find_thread, numbered_major_mm

MM_PER_INCH = 25.4


@pytest.mark.parametrize(
    ("number", "inch"),
    [(2, 0.0860), (3, 0.0990), (4, 0.1120), (5, 0.1250), (6, 0.1380), (8, 0.1640), (10, 0.1900)],
)
def test_major_diameters_of_asme_b1_1(number, inch):
    """ASME B1.1 basic major diameters, as given by boltport.com/threads/unf."""
    assert numbered_major_mm(number) == pytest.approx(inch * MM_PER_INCH, abs=1e-6)
    assert all(t.major_mm == pytest.approx(inch * MM_PER_INCH) for t in THREADS.values() if t.size == f"#{number}")


@pytest.mark.parametrize(
    ("number", "coarse", "fine"),
    [(2, 56, 64), (3, 48, 56), (4, 40, 48), (5, 40, 44), (6, 32, 40), (8, 32, 36), (10, 24, 32)],
)
def test_threads_an_inch(number, coarse, fine):
    """UNC from manufacturinget.org (tap and clearance hole chart), UNF from boltport.com."""
    assert THREADS[f"#{number}-{coarse}"].pitch_mm == pytest.approx(MM_PER_INCH / coarse)
    assert THREADS[f"#{number}-{fine}"].series == "UNF"


@pytest.mark.parametrize(
    ("name", "drills_mm"),
    # Machinery's Handbook, 31st ed., table 3a of its clearance holes: the metric drill that stands in for each inch one.
    [("#4-40", (3.0, 3.3, 3.7)), ("#5-40", (3.6, 4.0, 4.4)), ("#6-32", (3.9, 4.3, 4.7)), ("#8-32", (4.6, 5.0, 5.4))],
)
def test_clearance_holes_of_asme_b18_2_8_agree_with_their_metric_drills(name, drills_mm):
    holes = THREADS[name].clearance
    assert holes is not None
    assert (holes.close_mm, holes.normal_mm, holes.loose_mm) == pytest.approx(drills_mm, abs=0.06)


@pytest.mark.parametrize(
    ("name", "holes"),
    [("M2.5", (2.7, 2.9, 3.1)), ("M3", (3.2, 3.4, 3.6)), ("M3.5", (3.7, 3.9, 4.2)), ("M4", (4.3, 4.5, 4.8))],
)
def test_clearance_holes_of_iso_273(name, holes):
    """ISO 273:1979 fine, medium, coarse, as given by engineeringhardware.com."""
    found = THREADS[name].clearance
    assert found is not None
    assert (found.close_mm, found.normal_mm, found.loose_mm) == holes


def test_fixed_fastener_worked_example():
    """ASME Y14.5 formula appendix as worked at joshuanava.biz (dimensioning and tolerancing): 0.22 on each part.

    Its inputs are a hole of 6.44 and a fastener of 6; the same hole with floating fasteners gives 0.44.
    """
    assert fixed_zone_mm(6.44, 6.0) == pytest.approx(0.22)
    assert floating_zone_mm(6.44, 6.0) == pytest.approx(0.44)


def test_fixed_fastener_without_clearance_leaves_no_zone():
    """tec-ease.com, tip 110: two 10.1 tabs in 10.1 slots leave T1 + T2 = 0."""
    assert 2.0 * fixed_zone_mm(10.1, 10.1) == 0.0


def test_zones_of_the_general_rule_add_up_to_the_clearance():
    """Goodheart-Willcox, GD&T: Application and Interpretation (2021), p. 308: T1 + T2 = H - F; T is a diameter.

    So the largest radial distance of hole and thread axis is half of each sum.
    """
    hole, screw = 0.170 * MM_PER_INCH, 0.138 * MM_PER_INCH  # normal hole and major diameter of #6
    assert floating_zone_mm(hole, screw) == pytest.approx(0.032 * MM_PER_INCH)
    assert fixed_zone_mm(hole, screw) == pytest.approx(0.016 * MM_PER_INCH)
    assert 2.0 * fixed_offset_mm(hole, screw) == pytest.approx(2.0 * fixed_zone_mm(hole, screw))


@pytest.mark.parametrize(("name", "offset"), [("M3", 0.2), ("M4", 0.25)])
def test_medium_holes_of_iso_273_leave_this_play(name, offset):
    """Computed from ISO 273 and the thread's own size: 3.4 - 3 and 4.5 - 4, halved."""
    thread = THREADS[name]
    assert thread.clearance is not None
    assert fixed_offset_mm(thread.clearance.normal_mm, thread.major_mm) == pytest.approx(offset)


@pytest.mark.parametrize(("angle", "k"), [(80, 0.59588), (82, 0.57518), (90, 0.5), (100, 0.41955)])
def test_lift_of_a_countersunk_head_is_that_of_its_cone(angle, k):
    """Cone geometry: a head of angle a and diameters A, D is (A - D) k high, k = 1 / (2 tan(a / 2)).

    Shifted by e, the cone bears where its diameter is 2 e less, so it lifts by 2 e k. ASME B18.3 socket flat heads of
    82° confirm k: size 8, sharp diameter 0.359, height 0.112 (boltport.com).
    """
    assert head_lift_mm(0.3, angle) == pytest.approx(0.3 * 2.0 * k, rel=1e-4)
    assert offset_at_lift_mm(head_lift_mm(0.3, angle), angle) == pytest.approx(0.3)
    assert head_lift_mm((0.359 - 0.164) / 2.0, 82) == pytest.approx(0.112, abs=0.001)


@pytest.mark.parametrize(
    ("written", "name"),
    [("#6-32", "#6-32"), ("6-32", "#6-32"), ("No. 8-32", "#8-32"), ("M3", "M3"), ("m3x0.5", "M3"), ("M3,5", "M3.5")],
)
def test_threads_are_found_as_people_write_them(written, name):
    assert find_thread(written).name == name


@pytest.mark.parametrize("written", ["", "M5", "#6-20", "6", "screw"])
def test_an_unknown_thread_says_what_is_allowed(written):
    with pytest.raises(ValueError, match="allowed: "):
        find_thread(written)


def test_conformance_probability_of_jcgm_106():
    """JCGM 106:2012, 7.4: y = 13.6, u = 1.8, limits 12.5 and 16.3 (inputs as given by metrologyrules.com).

    p_c = Phi(1.5) - Phi(-0.6111) = 0.9332 - 0.2706 = 0.6626. Reach stands for the quantity: limits 14.4 +- 1.9.
    """
    part = Part("X", "finger", "closed", "none", 14.4, parse_holes("90@4.5:3.9; 270@4.5:3.9"))
    measured = measured_part_by_hand("finger", "closed", None, "13.6±3.6", None, "90@4.5:3.9; 270@4.5:3.9")
    measured.covariance[0, 0] = 1.8**2
    options = FitOptions(reach_tolerance_mm=1.9, list_u95_mm=0.0, draws=200_000)
    # A standard uncertainty of 1.8 mm would count as not measured at all: judge the length alone.
    draws = draw(measured, options.draws, np.random.default_rng(1), most_lift_mm=0.2, list_u95_mm=0.0)
    agree = np.abs(length_off(draws, 0, np.array([part.reach_mm]))) <= options.reach_tolerance_mm
    assert float(agree.mean()) == pytest.approx(0.6626, abs=4.0 * math.sqrt(0.6626 * 0.3374 / options.draws))


def test_risks_of_jcgm_106_with_a_gamma_prior():
    """JCGM 106:2012, 9.5.4: gamma (shape 4, scale 0.25), one limit of 2, u = 0.25.

    As given by the notebook "Risk - Ball Bearing" of sandialabs/suncal: 4.24 % are out of tolerance; accepted at the
    limit itself, 0.80 % are accepted wrongly; accepted up to 1.672, 0.1 %.
    """
    rng = np.random.default_rng(3)
    true = rng.gamma(4.0, 0.25, 4_000_000)
    shown = true + 0.25 * rng.standard_normal(true.size)
    conforms = (true <= 2.0).astype(float)
    assert 1.0 - conforms.mean() == pytest.approx(0.0424, abs=0.0004)
    assert risks(conforms, shown <= 2.0)[0] == pytest.approx(0.0080, abs=0.0002)
    assert risks(conforms, shown <= 1.672)[0] == pytest.approx(0.0010, abs=0.0001)
    # The deciding measurement sees the same through its bins of draws that would show nearly the same value.
    curve = shown_by(CalliperQuantity("reach"), shown).curve(conforms)
    assert risks(curve.probability, curve.value <= 1.672)[0] == pytest.approx(0.0010, abs=0.0003)
    assert sum(risks(curve.probability, curve.probability > 0.5)) == pytest.approx(curve.loss, abs=1e-12)


def test_acceptance_limits_follow_the_normal_table_of_jcgm_106():
    """One-sided z for p_c 0.95 is 1.64 (JCGM 106, table 1): the verdict turns where the reach is that far inside."""
    part = Part("X", "finger", "closed", "none", 20.0, parse_holes("90@4.5:4.5; 270@4.5:4.5"), screw="#5-40")
    options = FitOptions(screws=("#5-40",), list_u95_mm=0.0)
    u = 0.1

    def verdict(z):
        reach = 20.0 + 0.5 - z * u
        measured = measured_part_by_hand(
            "finger",
            "closed",
            None,
            f"{reach}±{2 * u}",
            None,
            "90±0.01@4.5±0.001:4.5±0.001; 270±0.01@4.5±0.001:4.5±0.001",
        )
        return decide(measured, [part], options).candidates[0]

    assert verdict(1.64 + 0.12).verdict == "fits"
    assert verdict(1.64 - 0.12).verdict == "measure"
    assert verdict(-1.64 + 0.12).verdict == "measure"
    assert verdict(-1.64 - 0.12).verdict == "does-not-fit"
    assert verdict(1.28).probability == pytest.approx(0.90, abs=0.01)
