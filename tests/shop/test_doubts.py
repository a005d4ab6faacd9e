"""Doubts about a reading as a whole: what they keep from being called a fit, and what clears them."""

import math
from dataclasses import replace

import pytest
from scipy.stats import chi2, norm

from shop.calliper import parse_finding, take_in
from shop.doubts import FITS_ANYHOW, Doubts, after_a_length, doubts_of
from shop.fits import FitOptions, decide, measured_part_from_reading
from shop.likeness import chi2_limit
from shop.measured import hand_probability
from shop.parts import Part, parse_holes

P27, P39 = "61@4.55:3.9; 209@4.55:3.9", "90@4.55:3.9; 270@4.55:3.9"
SCREWS = FitOptions(screws=("#5-40",))


def part(number="A", holes=P27, **changes):
    return replace(
        Part(number, "cloverleaf", "closed", "none", 21.4, parse_holes(holes), tail_width_mm=12.0), **changes
    )


def reading(outcome="read", *codes, reach=0.12, hole=0.06, angle=0.6):
    def q(value, u95):
        return {"value": value, "u95": u95}

    holes = [
        {"position": "2", "angle": q(61.2, angle), "radius": q(4.55, hole), "diameter": q(3.9, 0.06)},
        {"position": "7", "angle": q(208.8, angle), "radius": q(4.55, hole), "diameter": q(3.9, 0.06)},
    ]
    return {
        "schema": "camdial.reading/1",
        "outcome": outcome,
        "photo": {"name": "p.jpg", "sha256": "ab" * 32},
        "family": {"label": "cloverleaf", "probability": 1.0},
        "bottom": {"label": "closed", "probability": 1.0},
        "hand": {"label": "none", "probability": 1.0},
        "facing": {"label": "screw", "probability": 1.0},
        "pattern": {"holes": holes},
        "dimensions": {"reach": q(21.4, reach), "hub_diameter": q(19.0, 0.1), "tail_width": q(12.0, 0.1)},
        "warnings": [{"code": code, "text": ""} for code in codes],
    }


def first(record, *parts, told=()):
    measured = measured_part_from_reading(record)
    for text in told:
        measured = take_in(measured, [parse_finding(text, measured)])
    return decide(measured, parts or [part()], SCREWS).candidates[0]


@pytest.mark.parametrize("freedom", [2, 3, 5, 8, 11])
def test_the_limit_of_chi_squared_is_that_of_the_tables(freedom):
    """Against scipy's chi-squared."""
    assert chi2_limit(freedom) == pytest.approx(chi2.ppf(0.99, freedom), abs=0.05)


@pytest.mark.parametrize("residual", [0.0, 0.3, 1.0, 4.0])
def test_a_length_moves_the_doubt_by_bayes_rule(residual):
    """Against scipy's normal densities."""
    sound, void = norm.pdf(residual, scale=0.2), norm.pdf(residual, scale=math.hypot(0.2, 0.25 * 20.0))
    wanted = 0.1 * void / (0.1 * void + 0.9 * sound)
    assert after_a_length(0.1, residual, 0.04, 20.0) == pytest.approx(wanted, rel=1e-6)
    assert after_a_length(0.0, residual, 0.04, 20.0) == 0.0


def test_the_largest_doubt_of_each_kind_counts():
    both = doubts_of(reading("unsure", "hole-unsure", "size-unusual"))
    assert both.lengths == doubts_of(reading("unsure", "size-unusual")).lengths
    assert both.drawing == doubts_of(reading("unsure", "hole-unsure")).drawing
    assert doubts_of(reading()).void < doubts_of(reading("unsure")).void < both.void < 1.0
    assert Doubts(0.5, 0.5).void == 0.75


def test_a_sure_reading_fits_and_one_in_doubt_asks_for_a_look_at_the_drawing():
    assert first(reading()).verdict == "fits"
    found = first(reading("unsure", "tail-unsure"))
    assert found.verdict == "measure"
    assert (found.decide_by.measure, found.decide_by.fits_when) == ("drawing", "right")
    assert found.probability == pytest.approx(0.5, abs=0.2)
    looked = first(reading("unsure", "tail-unsure"), told=["drawing=right"])
    assert looked.probability > found.probability + 0.2


def test_a_drawing_seen_to_be_wrong_ends_it():
    measured = measured_part_from_reading(reading("unsure"))
    with pytest.raises(ValueError, match="take the photo anew"):
        parse_finding("drawing=wrong", measured)


def test_a_void_reading_refuses_no_part_of_that_outline():
    """With a chance of one half that the holes lie elsewhere, other holes are no reason to say no."""
    report = decide(measured_part_from_reading(reading("unsure", "tail-unsure")), [part("A"), part("B", P39)], SCREWS)
    assert [c.verdict for c in report.candidates] == ["measure", "measure"]
    assert report.candidates[0].part == "A"
    other = report.candidates[1]
    assert other.probability == pytest.approx(FITS_ANYHOW * doubts_of(reading("unsure", "tail-unsure")).void, abs=0.01)
    assert other.decide_by.measure == "drawing"
    assert any("may be misread" in note for note in report.notes)


def test_one_length_tells_whether_the_scale_is_void():
    record = reading("unsure", "size-unusual")
    measured = measured_part_from_reading(record)
    good = take_in(measured, [parse_finding("reach=21.42", measured)])
    assert good.doubts.lengths < 0.1 < measured.doubts.lengths
    bad = take_in(measured, [parse_finding("reach=14.0", measured)])
    assert bad.quantity("reach").value == pytest.approx(14.0, abs=0.05)
    assert not bad.holes_measured()
    assert [hole.position for hole in bad.holes] == ["2", "7"]
    assert any("only angles hold" in note for note in bad.notes)
    assert decide(bad, [part(reach_mm=14.0)], SCREWS).candidates[0].verdict == "measure"


def test_a_length_told_by_calliper_refuses_whatever_the_scale_is_worth():
    """The photo had no reach that could tell of its scale; what the calliper says of the reach holds all the same."""
    record = reading("unsure", "size-unusual")
    record["dimensions"]["reach"] = None
    measured = measured_part_from_reading(record)
    assert [c.verdict for c in decide(measured, [part(reach_mm=21.4), part("B", reach_mm=22.2)], SCREWS).candidates] == [
        "measure", "measure",
    ]  # fmt: skip
    told = take_in(measured, [parse_finding("reach=21.4", measured)])
    right, longer = decide(told, [part(reach_mm=21.4), part("B", reach_mm=22.2)], SCREWS).candidates
    assert (right.part, right.verdict) == ("A", "measure")
    assert (longer.verdict, longer.probability) == ("does-not-fit", pytest.approx(0.0, abs=1e-6))


def test_which_face_is_up_is_no_doubt_about_the_drawing():
    side = doubts_of(reading("unsure", "facing-unknown"))
    assert doubts_of(reading()).drawing < side.drawing < doubts_of(reading("unsure", "not-measured")).drawing
    assert doubts_of(reading("unsure", "facing-unknown", "hole-unsure")).drawing > 0.05


def test_a_hole_that_may_be_none_does_not_refuse_the_part_without_it():
    """Three holes read, one of them doubtful: the part with the other two is asked about, and stands before a stranger."""
    record = reading("unsure", "hole-unsure")
    third = {"position": "11:30", "angle": {"value": 345.0, "u95": 1.0}, "radius": {"value": 5.5, "u95": 0.1}}
    record["pattern"]["holes"].append(third | {"diameter": {"value": 2.9, "u95": 0.1}})
    found = decide(measured_part_from_reading(record), [part("B", P39), part("A")], SCREWS)
    first = found.candidates[0]
    assert (first.part, first.verdict) == ("A", "measure")
    assert first.decide_by.measure == "drawing"
    assert first.probability == pytest.approx(doubts_of(record).drawing)
    sure = reading()
    sure["pattern"]["holes"].append(third | {"diameter": {"value": 2.9, "u95": 0.1}})
    assert decide(measured_part_from_reading(sure), [part("A")], SCREWS).candidates[0].verdict == "does-not-fit"


def test_the_part_as_seen_from_the_other_face_comes_before_a_stranger():
    """With the face open, the mirror image of what was read is the next likeliest; the likelier face comes first."""
    mirror = part("M", "151@4.55:3.9; 299@4.55:3.9")
    record = reading("unsure", "facing-unknown") | {"facing": {"label": "plug", "probability": 0.7}}
    found = decide(measured_part_from_reading(record), [part("B", P39), mirror, part("A")], SCREWS).candidates
    assert [c.part for c in found] == ["A", "M", "B"]
    assert [c.verdict for c in found[:2]] == ["measure", "measure"]


def test_a_photo_too_unsure_to_tell_refuses_nothing_that_agrees_with_it():
    """At a standard uncertainty of 0.5 mm the chance of holes within 0.36 mm is small for the very part read."""
    vague = reading("unsure", reach=1.5, hole=1.0, angle=12.0)
    found = first(vague)
    assert found.verdict == "measure"
    assert found.decide_by is not None
    assert first(vague, part(reach_mm=26.0)).verdict == "does-not-fit"
    assert first(vague, part(holes=P39)).verdict == "does-not-fit"


def test_nothing_is_asked_for_twice():
    record = reading("unsure", reach=1.5, hole=0.6, angle=8.0)
    asked, told = [], []
    answers = {"reach": "21.4", "tail-width": "12.0", "hole-distance": "8.75", "hole-diameter:1": "3.9"}
    for _ in range(6):
        found = first(record, told=told)
        if found.decide_by is None or not found.decide_by.measure:
            break
        key = found.decide_by.measure
        asked.append(key)
        told.append(f"{key}={'right' if key == 'drawing' else answers.get(key, '3.9')}")
    assert len(asked) == len(set(asked)) > 1
    assert found.verdict == "fits" or found.decide_by.unit == "by hand"


@pytest.mark.parametrize("facing", [0.9, 0.6])
@pytest.mark.parametrize("told", ["left", "right"])
def test_a_hand_seen_holds_whatever_face_the_photo_shows_and_tells_of_it(facing, told):
    """The hand is read as left with 0.8, the screw side is up with `facing`: Bayes' rule by hand."""
    record = reading("unsure") | {
        "family": {"label": "hook", "probability": 1.0},
        "hand": {"label": "left", "probability": 0.8},
        "facing": {"label": "screw", "probability": facing},
    }
    record["hand"]["probabilities"] = {"left": 0.8, "right": 0.2, "none": 0.0}
    measured = measured_part_from_reading(record)
    seen = take_in(measured, [parse_finding(f"hand={told}", measured)])
    agrees = 0.8 if told == "left" else 0.2
    wanted = facing * agrees / (facing * agrees + (1.0 - facing) * (1.0 - agrees))
    assert seen.facing["screw"] == pytest.approx(wanted)
    mirror = -1.0 if wanted < 0.5 else 1.0
    assert seen.hole_xy_mm[:, 0] == pytest.approx(mirror * measured.hole_xy_mm[:, 0])
    for turned in (False, True):
        assert hand_probability(seen, "hook", told, mirrored=turned) == 1.0
        assert hand_probability(seen, "hook", "left" if told == "right" else "right", mirrored=turned) == 0.0
