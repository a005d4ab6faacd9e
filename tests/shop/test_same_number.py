"""Which listed parts the part read may be, against Bayes' rule worked by hand and the normal distribution of scipy."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from shop.calliper import parse_finding, take_in
from shop.doubts import SURE
from shop.draws import OPEN, Same, draw
from shop.fits import FitOptions, decide
from shop.likeness import PHOTO_U_MM, SEEN_PLAIN, SEEN_SUNK, Likeness
from shop.measured import measured_part_by_hand
from shop.parts import Part, parse_holes
from shop.same_number import UNLISTED, UNLISTED_PARTS, same_parts

HOLES = "61@4.55:3.9; 209@4.55:3.9"
OWN = Part("own", "cloverleaf", "closed", "none", 21.4, parse_holes(HOLES), tail_width_mm=12.0)
PHOTO_HOLES = "61±0.5@4.55±0.1:3.9±0.1; 209±0.5@4.55±0.1:3.9±0.1"


def read(reach="21.4±0.6", tail_width="12±0.6"):
    """A part as a photo gives it, sure of all its words."""
    by_hand = measured_part_by_hand("cloverleaf", "closed", None, reach, tail_width, PHOTO_HOLES)
    return replace(by_hand, sha256="0" * 64, doubts=SURE)


def likeness_of(measured, listed):
    options = FitOptions(draws=2000)
    drawn = draw(measured, 2000, np.random.default_rng(1), most_lift_mm=0.2, list_u95_mm=0.05)
    return Likeness(measured, drawn, options, listed)


def others(count):
    """Parts of another outline, which the reading rules out."""
    return [replace(OWN, part=f"other {i}", family="finger") for i in range(count)]


def test_twins_share_by_the_normal_densities_of_what_was_read():
    parts = [OWN, replace(OWN, part="twin", reach_mm=22.2), *others(58)]
    found = same_parts(likeness_of(read("21.6±0.6"), 60), parts)
    assert [round(float(one.mean[0]), 2) for one in found] == [21.4, 22.2]
    u = math.hypot(0.3, PHOTO_U_MM)  # u95 of 0.6, and what a photo's length carries besides
    expected = norm(21.6, u).pdf(21.4) / norm(21.6, u).pdf(22.2)
    assert found[0].weight / found[1].weight == pytest.approx(expected, rel=0.02)
    named = (1.0 - UNLISTED) * 60 / ((1.0 - UNLISTED) * 60 + UNLISTED * 60 + UNLISTED_PARTS)
    assert sum(one.weight for one in found) == pytest.approx(named, abs=0.001)


def test_a_part_unlike_all_that_are_listed_is_none_of_them():
    parts = [replace(OWN, reach_mm=26.0), *others(59)]
    assert sum(one.weight for one in same_parts(likeness_of(read(), 60), parts)) < 0.01


def test_calliper_and_few_candidates_are_asked_about_no_list():
    by_hand = measured_part_by_hand("cloverleaf", "closed", None, "21.4", "12", HOLES)
    assert same_parts(likeness_of(by_hand, 60), [OWN]) == ()
    assert same_parts(likeness_of(read(), 1), [OWN]) == ()


def test_as_many_draws_as_are_likely_have_the_listed_lengths():
    measured = read()
    mean = np.full(len(measured.names), np.nan)
    mean[0] = 25.0
    same = (Same(0.4, mean, False),)
    drawn = draw(measured, 20_000, np.random.default_rng(2), most_lift_mm=0.2, list_u95_mm=0.05, same=same)
    listed = drawn.face != OPEN
    assert listed.mean() == pytest.approx(0.4, abs=4.0 * math.sqrt(0.24 / 20_000) + 0.005)
    assert np.abs(drawn.states[listed, 0] - 25.0).max() < 0.12
    assert norm.fit(drawn.states[~listed, 0]) == pytest.approx((21.4, 0.3), abs=0.02)
    assert drawn.states[listed, 1].std() == pytest.approx(0.3, abs=0.02)  # what the list does not say stays as read


def test_a_near_twin_kept_off_the_list_is_not_called_by_its_twins_name():
    """Read to 1.5 mm, a part 1.2 mm longer than the listed one agrees with it; that alone must call nothing a fit."""
    report = decide(read("22.6±1.5"), [OWN, *others(59)], FitOptions())
    own = next(one for one in report.candidates if one.part == "own")
    assert own.verdict == "measure"


def test_a_tail_width_that_was_not_measured_is_asked_for_before_a_trial():
    """With 0.02 mm of play no calliper tells whether the screws pass: a trial does, and shows nothing of the tail."""
    tight = "61@4.55:3.22; 209@4.55:3.22"
    part = replace(OWN, holes=parse_holes(tight))

    def asked(tail_width):
        measured = measured_part_by_hand("cloverleaf", "closed", None, "21.4", tail_width, tight, screws=("#5-40",))
        return decide(measured, [part]).candidates[0].decide_by

    assert asked("12").measure == ""
    assert asked(None).measure == "tail-width"
    part = replace(part, tail_width_mm=None)
    assert asked(None).measure == ""


def test_a_part_with_a_likely_twin_is_measured_before_its_trial():
    """Read 21.6±0.3 mm, the part may be the listed twin at 22.2: in one of 14, by the normal densities.

    A trial shows the screws, which both share, and would put on the wrong one. Without that twin the reach is known well
    enough: within 0.5 mm of 21.4 in 97.7 % of parts that are read so.
    """
    assert norm(21.6, 0.15).cdf(21.9) == pytest.approx(0.977, abs=0.001)
    tight = parse_holes("61@4.55:3.3; 209@4.55:3.3")  # 0.06 mm of play: a photo cannot tell the screws, a trial can
    own, twin = replace(OWN, holes=tight), replace(OWN, part="twin", reach_mm=22.2, holes=tight)
    holes = "61±0.5@4.55±0.1:3.3±0.1; 209±0.5@4.55±0.1:3.3±0.1"
    by_hand = measured_part_by_hand("cloverleaf", "closed", None, "21.6±0.3", "12±0.3", holes, screws=("#5-40",))
    measured = replace(by_hand, sha256="0" * 64, doubts=SURE)

    def asked(*listed):
        candidates = decide(measured, [*listed, *others(60 - len(listed))]).candidates
        return next(one for one in candidates if one.part == "own").decide_by

    assert asked(own).measure == ""
    assert asked(own, twin).measure == "reach"


def test_lengths_that_are_all_one_listed_parts_speak_for_its_outline_too():
    """Words err: one outline in a hundred is read as another, and a list that has no such part tells so (Bayes' rule)."""
    taper = replace(OWN, part="taper", family="taper")
    words = {word: {"finger": 0.97, "taper": 0.03}.get(word, 0.0) for word in read().family}
    measured = replace(read(), family=words)
    other = [replace(one, family="hook", hand="left") for one in others(59)]
    named = (1.0 - UNLISTED) * 60 / ((1.0 - UNLISTED) * 60 + UNLISTED * 60 + UNLISTED_PARTS)

    def decided(found):
        return next(one for one in decide(found, [taper, *other]).candidates if one.part == "taper")

    assert decided(measured).verdict == "measure"
    assert decided(measured).probability == pytest.approx(named, abs=0.01)
    assert decided(measured).decide_by.measure == "family"
    seen = [parse_finding("family=finger", measured)]
    assert decided(take_in(measured, seen)).verdict == "does-not-fit"
    # A finger of the same lengths is the likelier one by 97 to 3, and leaves the taper less than one in twenty.
    rest = [taper, replace(taper, part="finger", family="finger"), *other[1:]]
    verdicts = {one.part: one.verdict for one in decide(measured, rest).candidates}
    assert (verdicts["taper"], verdicts["finger"] != "does-not-fit") == ("does-not-fit", True)


@pytest.mark.parametrize(("holes", "facing", "odds"), [
    ("61@4.55:3.9/7; 209@4.55:3.9/7", "screw", SEEN_SUNK / SEEN_PLAIN),
    (HOLES, "screw", (1.0 - SEEN_SUNK) / (1.0 - SEEN_PLAIN)),
    (HOLES, "plug", 1.0),  # no countersink shows there
])  # fmt: skip
def test_a_countersink_tells_twins_apart_from_the_screw_side_by_bayes_rule(holes, facing, odds):
    by_hand = measured_part_by_hand("cloverleaf", "closed", None, "21.4±0.6", "12±0.6", holes)
    sides = {word: float(word == facing) for word in by_hand.facing}
    measured = replace(by_hand, sha256="0" * 64, doubts=SURE, facing=sides)
    sunk = replace(OWN, part="sunk", holes=parse_holes("61@4.55:3.9/7; 209@4.55:3.9/7"))
    chances = {one.part: one.weight for one in same_parts(likeness_of(measured, 60), [OWN, sunk, *others(58)])}
    assert chances["sunk"] / chances["own"] == pytest.approx(odds, rel=1e-6)


def test_a_radius_that_was_not_measured_tells_nothing_and_its_angle_does():
    holes = "61±2@5.2±2:3.9±0.1; 209±2@5.2±2:3.9±0.1"  # u = 1 mm, as of the usual range of cams
    by_hand = measured_part_by_hand("cloverleaf", "closed", None, "21.4±0.6", "12±0.6", holes)
    measured = replace(by_hand, sha256="0" * 64, doubts=SURE)
    wide = replace(OWN, part="wide", holes=parse_holes("61@5.2:3.9; 209@5.2:3.9"))
    turned = replace(OWN, part="turned", holes=parse_holes("67@4.55:3.9; 209@4.55:3.9"))
    listed = [OWN, wide, turned, *others(57)]
    chances = {one.part: one.weight for one in same_parts(likeness_of(measured, 60), listed)}
    assert chances["wide"] / chances["own"] == pytest.approx(1.0, abs=0.03)
    assert chances.get("turned", 0.0) < 0.5 * chances["own"]


@pytest.mark.parametrize(("closed", "first"), [(0.7, "open"), (0.9, "own")])
def test_in_doubt_of_the_bottom_the_part_that_serves_either_way_comes_first(closed, first):
    """An open one serves for either; a closed one in an open one's place does not. 0.7 to 0.3 is below five to one."""
    measured = replace(read(), bottom={"closed": closed, "open": 1.0 - closed})
    listed = [OWN, replace(OWN, part="open", bottom="open"), *others(58)]
    candidates = decide(measured, listed).candidates
    assert candidates[0].part == first
    chances = {one.part: one.probability for one in candidates[:2]}
    assert chances["open"] > chances["own"]


@pytest.mark.parametrize(("seen_open", "verdict"), [(0.6, "measure"), (0.99, "does-not-fit"), (0.999, "does-not-fit")])
def test_lengths_that_are_all_one_listed_parts_do_not_speak_for_its_bottom(seen_open, verdict):
    """A closed bottom never replaces an open one (common practice, no source), and parts are made alike with either."""
    measured = replace(read(), bottom={"open": seen_open, "closed": 1.0 - seen_open})
    candidates = decide(measured, [OWN, *others(59)]).candidates
    own = next(one for one in candidates if one.part == "own")
    assert OWN.bottom == "closed" and own.verdict == verdict
    assert own.probability <= 1.0 - seen_open
