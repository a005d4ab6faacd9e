"""Cams in millimetres. Truth: shapely's own measurements and the ranges of the trade description (common practice, no source)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from synthetic.openings import WEB_MM
from synthetic.outline import width_across
from synthetic.shape import Part, sample_part
from vision.vocabulary import FAMILIES, HANDED_FAMILIES

BEYOND = 1.12  # every range is drawn about a tenth wider than the trade's


def parts(count: int, **words: str) -> list[Part]:
    return [sample_part(np.random.default_rng((77, i)), **words) for i in range(count)]


@pytest.mark.parametrize("family", FAMILIES)
def test_sizes_are_those_that_shapely_measures(family: str) -> None:
    for part in parts(12, family=family):
        outline = Polygon(part.outline_mm)
        x0, y0, x1, y1 = outline.bounds
        assert part.length_mm == pytest.approx(y1 - y0, abs=1e-6)
        assert part.width_mm == pytest.approx(x1 - x0, abs=1e-6)
        upper = outline.intersection(Polygon([(-90, 0), (90, 0), (90, 90), (-90, 90)]))
        assert part.reach_mm == pytest.approx(upper.hausdorff_distance(Point(0, 0)), abs=0.02)
        cut = outline.intersection(LineString([(-90, part.reach_mm / 2), (90, part.reach_mm / 2)]))
        assert part.tail_width_mm == pytest.approx(cut.bounds[2] - cut.bounds[0], abs=1e-6)
        metal = outline.area - sum(Polygon(o.polygon_mm).area for o in part.openings)
        assert part.polygon().area == pytest.approx(metal, rel=1e-9)


def test_a_hub_that_shows_lies_on_its_circle() -> None:
    seen = [p for p in parts(60) if p.hub_shows]
    assert len(seen) > 25
    for part in seen:
        radius = np.hypot(*part.outline_mm.T)
        assert np.mean(np.abs(radius - part.hub_diameter_mm / 2) < 0.15) > 0.08


def test_ranges_of_the_trade_description() -> None:
    for part in parts(160):
        assert 15 / BEYOND <= part.hub_diameter_mm <= 24 * BEYOND
        assert 14 / BEYOND <= part.reach_mm <= 32 * BEYOND
        assert 1.5 / BEYOND <= part.thickness_mm <= 3.2 * BEYOND
        screws = [o for o in part.openings if o.kind == "screw"]
        assert 1 <= len(screws) <= 4
        for hole in screws:
            assert 2.6 / BEYOND <= hole.diameter_mm <= 4.6 * BEYOND
            radius = math.hypot(hole.x_mm, hole.y_mm)
            assert radius < hole.diameter_mm / 4 or 3.5 / BEYOND <= radius <= 7 * BEYOND
            if hole.countersink_mm is not None:
                assert hole.diameter_mm + 0.9 < hole.countersink_mm <= 7.5 * BEYOND
        assert (part.hand != "none") == (part.family in HANDED_FAMILIES)


def test_openings_lie_in_the_metal_with_a_web() -> None:
    for part in parts(80):
        outline = Polygon(part.outline_mm)
        assert outline.is_valid and part.polygon().is_valid
        for i, o in enumerate(part.openings):
            foot = Polygon(o.polygon_mm)
            if o.countersink_mm is not None:
                foot = foot.union(Point(o.x_mm, o.y_mm).buffer(o.countersink_mm / 2))
            assert outline.exterior.distance(foot) > WEB_MM - 0.05
            for other in part.openings[i + 1 :]:
                assert foot.distance(Polygon(other.polygon_mm)) > WEB_MM - 0.05


def test_outline_is_dense() -> None:
    for part in parts(20):
        steps = np.linalg.norm(np.roll(part.outline_mm, -1, 0) - part.outline_mm, axis=1)
        assert steps.max() < 0.2


@pytest.mark.parametrize("bottom", ["open", "closed"])
def test_bottom_is_what_it_says(bottom: str) -> None:
    """An open bottom is cut out at 6 o'clock to at most 0.30 D short of the axis; below a closed one there is metal."""
    for part in parts(30, bottom=bottom):
        hub = part.hub_diameter_mm
        body = Polygon(part.outline_mm)
        probe = Point(0, -0.36 * hub)
        if bottom == "open":
            assert not body.buffer(-0.05).contains(probe)
            sides = [body.contains(Point(s * 0.33 * hub, -0.30 * hub)) for s in (-1, 1)]
            assert all(sides) or part.family == "cloverleaf"
        elif part.family != "cloverleaf":
            assert body.contains(probe)


def test_families_measure_as_described() -> None:
    for part in parts(30, family="finger"):
        assert 0.25 / BEYOND < part_tail(part) / part.hub_diameter_mm < 0.55 * BEYOND + 0.02
    for part in parts(20, family="taper"):
        body = Polygon(part.outline_mm)
        low, high = 0.45 * part.hub_diameter_mm, part.reach_mm - 1.0
        assert width_across(body, low) > 1.25 * width_across(body, high)
    for part in parts(20, family="hammer"):
        body = Polygon(part.outline_mm)
        widths = [width_across(body, y) for y in np.linspace(part.hub_diameter_mm / 2 + 0.4, body.bounds[3] - 0.5, 60)]
        assert max(widths) > 1.5 * min(widths)
    for part in parts(20, family="fork"):
        body = Polygon(part.outline_mm)
        pieces = body.intersection(LineString([(-60, body.bounds[3] - 1.2), (60, body.bounds[3] - 1.2)]))
        assert pieces.geom_type == "MultiLineString"


@pytest.mark.parametrize("family", sorted(HANDED_FAMILIES))
def test_hand_is_the_side_of_the_asymmetry(family: str) -> None:
    for part in parts(24, family=family):
        body = Polygon(part.outline_mm)
        # the last 1.6 mm of the tail reach out on the side of the hand, seen from the tail's own centre line or the axis
        tip = body.intersection(Polygon([(-60, body.bounds[3] - 1.6), (60, body.bounds[3] - 1.6), (60, 90), (-60, 90)]))
        side = (tip.bounds[0] + tip.bounds[2]) / 2
        assert (side > 0) == (part.hand == "right")


def part_tail(part: Part) -> float:
    y = part.hub_diameter_mm / 2 + 0.6 * (part.reach_mm - part.hub_diameter_mm / 2)
    return width_across(Polygon(part.outline_mm), y)
