"""What a calliper finds is named, drawn and taken in as probability theory has it."""

import math

import numpy as np
import pytest

from shop.calliper import (
    CYLINDER_RADIUS_MM,
    CalliperQuantity,
    Finding,
    hole_name,
    how_to,
    jaws_mm,
    key_of,
    mirrored,
    parse_finding,
    part_quantities,
    take_in,
    value_of,
    words_of,
)
from shop.measured import measured_part_by_hand, measured_part_from_reading
from tests.shop.simulated_shop import COIN, DEMO, read_csv, reading_of
from vision.quantity import Quantity

P27 = "61±1.4@4.55±0.06:3.9; 209±1.4@4.55±0.06:3.9"


def the_part(holes=P27):
    return measured_part_by_hand("cloverleaf", "closed", None, "21.4±0.3", 12.0, holes, hub_diameter=19.0)


def test_the_distance_of_two_holes_by_the_law_of_cosines():
    """d² = 2 r² (1 - cos 148°) at 4.55 mm: 8.7475 mm; chord table: 9.1 sin 74°."""
    shown = value_of(CalliperQuantity("hole-distance", (0, 1)), the_part().mean[None, :])
    assert shown[0] == pytest.approx(9.1 * math.sin(math.radians(74.0)))
    over = value_of(CalliperQuantity("over-holes", (0, 1)), the_part().mean[None, :])
    assert over[0] == pytest.approx(shown[0] + 3.9)
    wall = value_of(CalliperQuantity("wall", (1,)), the_part().mean[None, :])
    assert wall[0] == pytest.approx(19.0 / 2 - 4.55 - 3.9 / 2)


def test_the_jaws_stand_as_far_apart_as_the_calliper_shows():
    part = the_part("61@4.55:3.9; 209@4.55:3.9; centre:3.3")
    for quantity in (*part_quantities(part), CalliperQuantity("over-holes", (0, 1)), CalliperQuantity("hub-diameter")):
        points = np.array(jaws_mm(quantity, part))
        apart = float(np.hypot(*(points[1] - points[0])))
        shown = float(value_of(quantity, part.mean[None, :])[0])
        if quantity.kind == "hole-distance":  # jaws at the far edges; one hole diameter is taken away
            shown += float(part.hole_diameters_mm[list(quantity.holes)].mean())
        if quantity.kind == "reach":  # leaves at 4 and 8: from the tip to the cylinder's edge below
            shown += CYLINDER_RADIUS_MM
        assert apart == pytest.approx(shown), quantity
        assert how_to(quantity, part)[0].isupper()


@pytest.mark.parametrize(("family", "bottom", "hub"), [("finger", "closed", True), ("finger", "open", False),
                                                         ("cloverleaf", "closed", False), ("taper", "open", False)])  # fmt: skip
def test_reach_is_measured_from_an_edge_that_is_there(family, bottom, hub):
    """The hub's edge at 6 o'clock where it is whole; elsewhere from one edge of the cylinder in two turns of the key.

    Plain geometry: with the edge b below the axis a calliper shows reach + b with the tail up, and with the tail down the
    tip stands reach - b beyond it; half of the sum is the reach.
    """
    part = measured_part_by_hand(family, bottom, None, "21.4", 12.0, P27, hub_diameter=19.0)
    (_, tip), (_, below) = jaws_mm(CalliperQuantity("reach"), part)
    text = how_to(CalliperQuantity("reach"), part)
    assert tip == 21.4
    assert below == pytest.approx(-9.5 if hub else -CYLINDER_RADIUS_MM)
    assert ("hub's edge at 6 o'clock; then across the hub" in text) == hub
    assert ("cylinder" in text and "Half of the sum" in text) == (not hub)


def test_one_length_is_taken_in_by_the_formula_for_normal_variables():
    """Reach has a prior u 0.15; 21.55 found with u 0.025: the weighted mean and its u (JCGM 100, F.1.2 aside)."""
    after = take_in(the_part(), [parse_finding("reach=21.55±0.05", the_part())]).quantity("reach")
    weights = np.array([1 / 0.15**2, 1 / 0.025**2])
    assert after.value == pytest.approx(weights @ [21.4, 21.55] / weights.sum())
    assert after.u == pytest.approx(weights.sum() ** -0.5)


def test_a_distance_is_taken_in_as_weighting_a_million_draws_does():
    part = the_part()
    finding = parse_finding("hole-distance=8.86±0.06", part)
    after = take_in(part, [finding])
    rng = np.random.default_rng(5)
    draws = rng.multivariate_normal(part.mean, part.covariance, 1_000_000)
    off = (value_of(finding.quantity, draws) - 8.86) / 0.03
    weights = np.exp(-0.5 * off**2)
    mean = weights @ draws / weights.sum()
    spread = np.sqrt(weights @ (draws - mean) ** 2 / weights.sum())
    assert after.mean == pytest.approx(mean, abs=0.002)
    assert np.sqrt(np.diag(after.covariance)) == pytest.approx(spread, abs=0.002)


def test_a_value_that_fits_the_photo_makes_intervals_shorter_and_keeps_them_true():
    """Over 300 readings the 95 % intervals after a measured distance hold the truth as often as they claim."""
    rng = np.random.default_rng(6)
    part = next(p for p in read_csv(DEMO).parts if p.part == "NB-101")
    true = np.array(
        [part.reach_mm, part.tail_width_mm, part.hub_diameter_mm, *part.holes[0].xy_mm, 3.9, *part.holes[1].xy_mm, 3.9]
    )
    inside = []
    for _ in range(300):
        measured = measured_part_from_reading(reading_of(part, COIN, rng, facing_known=True))
        distance = float(value_of(CalliperQuantity("hole-distance", (0, 1)), true[None, :])[0])
        found = Finding(
            CalliperQuantity("hole-distance", (0, 1)), Quantity(distance + 0.025 * rng.standard_normal(), 0.025)
        )
        after = take_in(measured, [found])
        u_before, u_after = np.sqrt(np.diag(measured.covariance)), np.sqrt(np.diag(after.covariance))
        assert (u_after <= u_before + 1e-9).all()
        inside.append(np.abs(after.mean - true) <= 1.96 * u_after)
    share = np.mean(inside, axis=0)
    assert (share > 0.91).all() and (share < 0.985).all()


def test_a_value_far_from_what_the_photo_said_is_worth_a_note():
    after = take_in(the_part(), [parse_finding("reach=24", the_part())])
    assert "measure once more" in after.notes[-1]
    assert "24.00 mm found" in after.notes[-1]
    assert after.quantity("reach").value == pytest.approx(24.0, abs=0.1)


def test_words_are_taken_in():
    part = the_part()
    assert take_in(part, [parse_finding("bottom=open", part)]).bottom == {"closed": 0.0, "open": 1.0}
    assert "look again" in take_in(part, [parse_finding("bottom=open", part)]).notes[-1]
    assert take_in(part, [parse_finding("family=finger", part)]).plausible_families == ("finger",)


def test_the_other_face_turns_the_part_over():
    part = the_part("61@4.55:3.9; 209@4.55:3.9; 180@5:3.3; 225@5:3.3".replace("; 225@5:3.3", ""))
    turned = take_in(part, [parse_finding("facing=plug", part)])
    assert [hole.position for hole in turned.holes] == ["10", "5", "6"]
    assert turned.hole_xy_mm == pytest.approx(part.hole_xy_mm * [-1.0, 1.0])
    assert turned.facing == {"screw": 0.0, "plug": 1.0}
    again = mirrored(mirrored(part))
    assert again.mean == pytest.approx(part.mean)
    assert again.holes == part.holes


def test_keys_and_words_go_there_and_back():
    for holes in (P27, "61@4.55:3.9; 150@4.55:3.9; 270@4.55:3.9"):
        part = the_part(holes)
        for quantity in part_quantities(part):
            assert parse_finding(f"{key_of(quantity, part)}=8.72±0.05", part).quantity == quantity
    part = the_part()
    by_words = parse_finding("distance between hole centres = 8,72 +- 0,05", part)
    assert by_words.quantity == CalliperQuantity("hole-distance", (0, 1))
    assert by_words.value == Quantity(8.72, 0.025)
    assert words_of(by_words.quantity, part) == "distance between hole centres"
    assert hole_name(part, 1) == "hole at 7"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("8.72", "write QUANTITY=VALUE"),
        ("length=8.72", "quantities: reach"),
        ("reach=long", "no number"),
        ("reach=-1", "above 0"),
        ("reach=21±0.1±0.2", "write 21.4"),
        ("bottom=shut", "allowed: closed, open"),
        ("hole-diameter:3=3.3", "2 is the hole at 7"),
        ("hole-distance:1-1=3", "say which"),
        ("hole-distance:a-b=3", "name holes by number"),
        ("wall=2", "say which"),
    ],
)
def test_a_finding_that_says_nothing_is_refused_in_words(text, says):
    with pytest.raises(ValueError, match=says):
        parse_finding(text, the_part())
