"""The door is a prior: it moves a doubt by Bayes' rule, within limits, and never overrules the outline."""

from dataclasses import replace

import pytest

from shop.doors import DOORS, MOST_FACTOR, apply_door, door_prior
from shop.measured import measured_part_by_hand
from vision.vocabulary import FAMILIES


def read_as(plausible=None, **family):
    part = measured_part_by_hand("finger", "closed", None, 21.4, None, "90@4.5:3.9; 270@4.5:3.9")
    full = dict.fromkeys(FAMILIES, 0.0) | family
    return replace(part, family=full, plausible_families=plausible or tuple(f for f in FAMILIES if full[f] > 0))


@pytest.mark.parametrize("door", DOORS)
def test_a_prior_is_a_distribution(door):
    assert sum(door_prior(door).values()) == pytest.approx(1.0)
    assert sum(door_prior(door, {"fork": 7}).values()) == pytest.approx(1.0)


def test_shares_and_counts_pool_as_a_dirichlet_prior_does():
    """20 prior parts of which 13 cloverleaves, 30 counted of which 3: (13 + 3) / 50."""
    assert door_prior("storefront")["cloverleaf"] == pytest.approx(13 / 20)
    assert door_prior("storefront", {"cloverleaf": 3, "hook": 27})["cloverleaf"] == pytest.approx(16 / 50)
    assert door_prior("storefront", {"hook": 2000})["hook"] > 0.97  # the shop's own counts take over


def test_an_undecided_reading_is_moved_by_bayes_rule():
    """0.5 and 0.5, priors 0.65 and 0.12: posterior odds 65 to 12."""
    after = apply_door(read_as(cloverleaf=0.5, finger=0.5), "storefront")
    assert after.family["cloverleaf"] / after.family["finger"] == pytest.approx(65 / 12)
    assert sum(after.family.values()) == pytest.approx(1.0)
    assert "move" in after.notes[-1] or "before" in after.notes[-1]


def test_no_family_is_moved_by_more_than_the_limit():
    after = apply_door(read_as(finger=0.5, fork=0.5), "all-glass", {"finger": 500})
    assert after.family["finger"] / after.family["fork"] == pytest.approx(MOST_FACTOR)


def test_the_outline_is_never_overruled():
    sure = read_as(finger=0.97, cloverleaf=0.03)
    after = apply_door(sure, "storefront", {"cloverleaf": 10_000})
    assert after.family == sure.family
    assert "the outline decides: finger (0.97)" in after.notes[-1]
    assert "seldom met" in after.notes[-1]
    single = read_as(plausible=("hook",), hook=0.7, offset=0.3)
    assert apply_door(single, "storefront").family == single.family


def test_families_the_outline_rules_out_get_nothing():
    after = apply_door(read_as(plausible=("finger", "taper"), finger=0.45, taper=0.45, cloverleaf=0.1), "storefront")
    assert after.family["cloverleaf"] == pytest.approx(0.1)
    assert after.family["finger"] + after.family["taper"] == pytest.approx(0.9)


def test_a_turned_order_is_said():
    after = apply_door(read_as(finger=0.55, cloverleaf=0.45), "storefront")
    assert "put cloverleaf (0.45 to 0.82) before finger (0.55 to 0.18)" in after.notes[-1]


@pytest.mark.parametrize(("door", "counts"), [("barn", None), ("other", {"finger": -1})])
def test_wrong_doors_and_counts_are_refused(door, counts):
    with pytest.raises(ValueError):
        door_prior(door, counts)
