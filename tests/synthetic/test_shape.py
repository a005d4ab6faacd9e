"""Cams in millimetres. Truth: shapely's own measurements and the ranges of the trade description (common practice, no source)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from synthetic.definition import reads_as
from synthetic.openings import WEB_MM
from synthetic.outline import width_across
from synthetic.proxy import sample_cam
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


def _outlines(family: str, count: int) -> list[tuple[Polygon, float, str]]:
    """Outline, hub and hand from both geometries, which share no code but the definition."""
    ours = [(Polygon(p.outline_mm), p.hub_diameter_mm, p.hand) for p in parts(count, family=family)]
    cams = [sample_cam(np.random.default_rng((78, i)), family=family, bottom="closed") for i in range(count // 6)]
    return ours + [(Polygon(c.plate.outline_mm), c.hub_diameter_mm, c.hand) for c in cams]


def test_neighbours_are_told_apart_by_what_the_trade_description_says() -> None:
    """Measured by shapely alone: depth of broad ends, feet beyond flanks, displacement of parallel tails."""

    def depth(body: Polygon, low: float) -> tuple[float, float, float]:
        ys = np.arange(low, body.bounds[3], 0.1)
        w = np.array([width_across(body, float(y)) for y in ys])
        end, neck = w.max(), w[: int(np.argmax(w)) + 1].min()
        return float(np.sum(w > (end + neck) / 2) * 0.1), float(end), float(neck)

    for body, hub, _ in _outlines("hammer", 12):
        deep, end, neck = depth(body, 0.45 * hub)
        assert deep < 6.9 and end > 1.5 * neck
    for body, hub, _ in _outlines("paddle", 16):
        deep, end, neck = depth(body, 0.42 * hub)
        assert end > 1.3 * neck and end > 0.6 * hub
        assert deep > 3.4
    for family, low, high in (("finger", 0.0, 0.06), ("offset", 0.13, 0.40)):
        for body, hub, hand in _outlines(family, 12):
            cut = body.intersection(LineString([(-90, 0.75 * body.bounds[3]), (90, 0.75 * body.bounds[3])])).bounds
            aside = (cut[0] + cut[2]) / 2 * (-1 if hand == "left" else 1)
            assert (
                low * hub - 0.35 <= aside <= high * hub + 0.35 or body.bounds[3] < hub / 2 + 7
            )  # a short tail is all tip
    for body, _hub, hand in _outlines("hook", 16):
        side = 1 if hand == "right" else -1
        foot = body.bounds[2] if side > 0 else -body.bounds[0]
        top = body.bounds[3]
        reach = [
            side * body.intersection(LineString([(0, y), (side * 90, y)])).bounds[2 if side > 0 else 0]
            for y in np.arange(0.5 * top, top - 0.2, 0.2)
        ]
        assert max(reach[-12:]) > min(reach) + 1.0 or foot > max(reach)


def test_what_could_be_called_by_another_word_is_not_drawn() -> None:
    """A bar of 5 mm with shoulders is no paddle, one of 12 mm no hammer; a slight bulge is neither; a filled foot is no hook."""

    def cam(*pieces: Polygon) -> Polygon:
        body = Point(0, 0).buffer(10, 64)
        for piece in pieces:
            body = body.union(piece)
        return body

    neck = Polygon([(-3, 0), (3, 0), (3, 24), (-3, 24)])

    def bar(deep: float, half: float) -> Polygon:
        return Polygon([(-half, 24 - deep), (half, 24 - deep), (half, 24), (-half, 24)])

    shallow, deep, bulge = cam(neck, bar(5, 10)), cam(neck, bar(11, 10)), cam(neck, bar(11, 3.6))
    assert reads_as("hammer", shallow, 20, 26) and not reads_as("paddle", shallow, 20, 26)
    assert reads_as("paddle", deep, 20, 26) and not reads_as("hammer", deep, 20, 26)
    assert not reads_as("paddle", bulge, 20, 24) and not reads_as("hammer", bulge, 20, 24)
    assert reads_as("finger", cam(neck), 20, 24) and not reads_as("offset", cam(neck), 20, 24)
    beside = Polygon([(2, 0), (8, 0), (8, 24), (2, 24)])
    assert reads_as("offset", cam(beside), 20, 25, "right") and not reads_as("finger", cam(beside), 20, 25)
    foot = Polygon([(0, 20), (7, 20), (7, 24), (0, 24)])
    assert reads_as("hook", cam(neck, foot), 20, 25, "right") and not reads_as("finger", cam(neck, foot), 20, 25)
    filled = Polygon([(0, 5), (7, 5), (7, 24), (0, 24)])
    assert not reads_as("hook", cam(neck, filled), 20, 25, "right")
    assert not reads_as("hook", cam(neck), 20, 24, "right")


@pytest.mark.parametrize("draw", ["ours", "proxy"])
def test_ranges_of_the_families_are_covered_to_their_ends(draw: str) -> None:
    """Hub, reach, and the widths of two families that can be read off at one height, in either geometry."""
    n = 90
    if draw == "ours":
        fingers = [(Polygon(p.outline_mm), p.hub_diameter_mm) for p in parts(n, family="finger")]
    else:
        cams = [sample_cam(np.random.default_rng((79, i)), family="finger", bottom="closed") for i in range(n // 3)]
        fingers = [(Polygon(c.plate.outline_mm), c.hub_diameter_mm) for c in cams]
    hubs = np.array([hub for _, hub in fingers])
    assert hubs.min() < 15.6 and hubs.max() > 23.6  # the trade's 15 to 24, all but reached in so few draws
    tall = np.array([body.bounds[3] for body, _ in fingers])
    assert tall.min() < 16 and tall.max() > 31
    widths = np.array([width_across(body, hub / 2 + 0.5 * (body.bounds[3] - hub / 2)) / hub for body, hub in fingers])
    assert widths.min() < 0.28 and widths.max() > 0.52


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
