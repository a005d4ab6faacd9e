"""Screw heads, cone and drill point against published tables. Each figure's source stands beside it."""

from __future__ import annotations

import itertools

import pytest

from shop.fasteners import DRILLS, HEADS, find_drill, smallest_above
from shop.head_geometry import cone_diameter, cone_factor, cone_height, point_length
from shop.threads import MM_PER_INCH, numbered_major_mm

# ASME B18.6.3-2013, slotted flat countersunk head, inch; Machinery's Handbook, 31st ed., p. 1777, table 3:
# size, A max, A min, H ref, slot J max, J min, slot depth T max, T min, gage G, protrusion F max, F min
SLOTTED_82 = """
2  0.162 0.144 0.051 0.031 0.023 0.023 0.015 0.124 0.029 0.017
3  0.187 0.167 0.059 0.035 0.027 0.027 0.017 0.148 0.031 0.018
4  0.212 0.191 0.067 0.039 0.031 0.030 0.020 0.172 0.032 0.019
5  0.237 0.215 0.075 0.043 0.035 0.034 0.022 0.196 0.034 0.020
6  0.262 0.238 0.083 0.048 0.039 0.038 0.024 0.220 0.036 0.021
8  0.312 0.285 0.100 0.054 0.045 0.045 0.029 0.267 0.039 0.023
10 0.362 0.333 0.116 0.060 0.050 0.053 0.034 0.313 0.042 0.025
"""


@pytest.mark.parametrize("row", SLOTTED_82.strip().splitlines())
def test_slotted_heads_are_those_of_asme_b18_6_3(row: str) -> None:
    size, *inches = row.split()
    head = HEADS["slotted-82", f"#{size}"]
    assert head.slot is not None
    mine = (
        head.edge_max_mm,
        head.edge_min_mm,
        head.height_max_mm,
        head.slot.width_max_mm,
        head.slot.width_min_mm,
        head.slot.depth_max_mm,
        head.slot.depth_min_mm,
        head.gage_mm,
        head.protrusion_max_mm,
        head.protrusion_min_mm,
    )
    assert mine == pytest.approx([float(inch) * MM_PER_INCH for inch in inches], abs=1e-4)


@pytest.mark.parametrize("size", [2, 3, 4, 5, 6, 8, 10])
def test_tabulated_height_lies_between_gage_protrusion_at_82_and_80_degrees(size: int) -> None:
    """The table's own gage columns lead to its height: H = F max + k (G − D), with the drawing's 80° to 82°.

    So the height belongs to the sharp cone, which the same table's A does not reach (next test).
    """
    head = HEADS["slotted-82", f"#{size}"]
    assert head.gage_mm is not None and head.protrusion_max_mm is not None
    heights = [
        (head.protrusion_max_mm + cone_height(head.gage_mm, numbered_major_mm(size), angle)) / MM_PER_INCH
        for angle in (82.0, 80.0)
    ]
    assert heights[0] - 0.001 <= head.height_max_mm / MM_PER_INCH <= heights[1] + 0.001  # table rounds to 0.001 in


@pytest.mark.parametrize("size", [2, 3, 4, 5, 6, 8, 10])
def test_tabulated_height_is_not_reached_by_the_tabulated_edge(size: int) -> None:
    """Trap of ASME B18.6.3's table: no angle from 80° to 82° brings A max to H ref; H is an upper bound of depth."""
    head = HEADS["slotted-82", f"#{size}"]
    for angle in (80.0, 81.0, 82.0):
        assert cone_height(head.edge_max_mm, numbered_major_mm(size), angle) < head.height_max_mm - 0.1


@pytest.mark.parametrize(
    ("size", "edge", "edge_min", "height"),
    [
        # ASME B18.3 hexagon socket flat head, 82°, inch: A theoretical sharp max, A min, H ref, as given by
        # boltport.com/standards/asme-b18.3/hexagon-socket-flat-countersunk-head-cap-screws
        (2, 0.197, 0.168, 0.064),
        (4, 0.255, 0.218, 0.083),
        (5, 0.281, 0.240, 0.090),
        (6, 0.307, 0.263, 0.097),
        (8, 0.359, 0.311, 0.112),
        (10, 0.411, 0.359, 0.127),
    ],
)
def test_cone_gives_the_heights_of_asme_b18_3(size: int, edge: float, edge_min: float, height: float) -> None:
    shank = numbered_major_mm(size) / MM_PER_INCH
    assert cone_height(edge, shank, 82.0) == pytest.approx(height, abs=0.001)  # tolerance: the table's last place
    head = HEADS["socket-82", f"#{size}"]
    mine = (head.sharp_max_mm, head.edge_min_mm, head.height_max_mm)
    assert mine == pytest.approx([inch * MM_PER_INCH for inch in (edge, edge_min, height)], abs=1e-4)


@pytest.mark.parametrize(
    ("size", "actual_max", "actual_min", "sharp", "height"),
    [
        # ISO 7046-2 dk max, dk min, k max: fullerfasteners.com/tech, ISO 7046-2 countersunk flat head screws;
        # theoretical sharp dk of ISO 7721: ISO 14581 column of the open table of gumyr/cq_warehouse
        ("M2.5", 4.7, 4.4, 5.5, 1.50),
        ("M3", 5.5, 5.2, 6.3, 1.65),
        ("M3.5", 7.3, 6.9, 8.2, 2.35),
        ("M4", 8.4, 8.0, 9.4, 2.70),
    ],
)
def test_cone_gives_the_heights_of_iso_7046(
    size: str, actual_max: float, actual_min: float, sharp: float, height: float
) -> None:
    assert cone_height(sharp, float(size[1:]), 90.0) == pytest.approx(height, abs=1e-9)
    head = HEADS["iso-90", size]
    mine = (head.edge_max_mm, head.edge_min_mm, head.sharp_max_mm, head.height_max_mm)
    assert mine == (actual_max, actual_min, sharp, height)


@pytest.mark.parametrize(
    ("size", "edge_max", "edge_min", "height"),
    # DIN 965, as given by fullerfasteners.com/tech/din-965-specifications. Open tables print these under ISO names too:
    # an M4 head of 7.5 and one of 8.4 mm are both met.
    [("M2.5", 4.7, 4.4, 1.5), ("M3", 5.6, 5.3, 1.65), ("M3.5", 6.5, 6.14, 1.93), ("M4", 7.5, 7.14, 2.2)],
)
def test_heads_of_din_965(size: str, edge_max: float, edge_min: float, height: float) -> None:
    head = HEADS["din-90", size]
    assert (head.edge_max_mm, head.edge_min_mm, head.height_max_mm) == (edge_max, edge_min, height)


@pytest.mark.parametrize(("size", "sharp", "height"), [("M3", 6.72, 1.86), ("M4", 8.96, 2.48)])
def test_cone_gives_the_heights_of_iso_10642(size: str, sharp: float, height: float) -> None:
    """ISO 10642, as given by codecupboard.com/2019/07/capscrews.html."""
    assert cone_height(sharp, float(size[1:]), 90.0) == pytest.approx(height, abs=1e-9)
    assert (HEADS["socket-90", size].sharp_max_mm, HEADS["socket-90", size].height_max_mm) == (sharp, height)


@pytest.mark.parametrize(
    ("size", "high", "low", "length"),
    # ASME B18.6.3 undercut heads: H max, H min, longest undercut screw, inch; adfastcomponents.com, undercut
    [(4, 0.047, 0.038, 3 / 16), (6, 0.059, 0.048, 3 / 16), (8, 0.070, 0.058, 1 / 4), (10, 0.081, 0.068, 5 / 16)],
)
def test_undercut_heads(size: int, high: float, low: float, length: float) -> None:
    head = HEADS["undercut-82", f"#{size}"]
    mine = (head.height_max_mm, head.height_min_mm, head.undercut_to_length_mm)
    assert mine == pytest.approx([inch * MM_PER_INCH for inch in (high, low, length)], abs=1e-4)
    assert not head.memory
    assert HEADS["undercut-82", "#5"].memory  # no table had it: it must say so


@pytest.mark.parametrize(
    ("size", "edge_max", "edge_min", "height"),
    # ASME B18.6.3 100° heads, inch; adfastcomponents.com and fastener-technology.com
    [(4, 0.212, 0.188, 0.049), (6, 0.262, 0.235, 0.060), (8, 0.312, 0.282, 0.072), (10, 0.362, 0.329, 0.083)],
)
def test_heads_of_100_degrees(size: int, edge_max: float, edge_min: float, height: float) -> None:
    head = HEADS["flat-100", f"#{size}"]
    mine = (head.edge_max_mm, head.edge_min_mm, head.height_max_mm)
    assert mine == pytest.approx([inch * MM_PER_INCH for inch in (edge_max, edge_min, height)], abs=1e-4)
    # The height again is the sharp cone's, at least the cone's under A.
    assert cone_height(head.edge_max_mm, numbered_major_mm(size), 100.0) <= head.height_max_mm + 0.03


def test_cone_factors_and_worked_heads() -> None:
    """Definition k = 1 / (2 tan(θ/2)), evaluated by hand calculator to five places; heads of ASME B18.6.3."""
    assert [round(cone_factor(a), 5) for a in (80.0, 82.0, 90.0, 100.0)] == [0.59588, 0.57518, 0.5, 0.41955]
    assert cone_height(0.312, 0.164, 82.0) == pytest.approx(0.0851, abs=5e-5)
    assert cone_height(0.285, 0.164, 82.0) == pytest.approx(0.0696, abs=5e-5)
    assert cone_height(0.262, 0.138, 82.0) == pytest.approx(0.0713, abs=5e-5)
    assert cone_height(0.238, 0.138, 82.0) == pytest.approx(0.0575, abs=5e-5)
    assert cone_diameter(0.312, 0.0851, 82.0) == pytest.approx(0.164, abs=1e-4)


def test_drill_point_lengths() -> None:
    """d / (2 tan(φ/2)): formula at cal12.calculator.city, drill point length; factors to five places."""
    assert [round(point_length(1.0, a), 5) for a in (118.0, 135.0, 90.0)] == [0.30043, 0.20711, 0.5]
    drill = find_drill("#18").diameter_mm / MM_PER_INCH
    tip = cone_height(0.312, drill, 82.0) + point_length(drill, 118.0)  # #8 head of A max, drilled with #18
    assert tip == pytest.approx(0.1329, abs=1e-4)
    assert tip * MM_PER_INCH == pytest.approx(3.375, abs=0.003)


@pytest.mark.parametrize(
    ("number", "inches"),
    # To four places at manufacturinget.org/2012/04/tap-clearance-hole-chart; #59, #60 at circuitousroot.com
    [(1, 0.2280), (7, 0.2010), (9, 0.1960), (10, 0.1935), (16, 0.1770), (18, 0.1695), (25, 0.1495), (27, 0.1440),
     (29, 0.1360), (30, 0.1285), (32, 0.1160), (36, 0.1065), (43, 0.0890), (50, 0.0700), (53, 0.0595), (55, 0.0520),
     (59, 0.0410), (60, 0.0400)],
)  # fmt: skip
def test_number_drills(number: int, inches: float) -> None:
    drill = find_drill(f"#{number}")
    assert drill.diameter_mm == pytest.approx(inches * MM_PER_INCH, abs=1e-4) and not drill.memory


@pytest.mark.parametrize(
    ("name", "mm"),
    [("5/64", 1.984), ("1/8", 3.175), ("9/64", 3.572), ("11/64", 4.366), ("3/16", 4.763), ("1/4", 6.350)],
)
def test_fractional_drills_are_sixty_fourths_of_an_inch(name: str, mm: float) -> None:
    assert find_drill(name).diameter_mm == pytest.approx(mm, abs=5e-4)  # 25.4 n / 64, exact by definition


def test_metric_drills_step_as_bs_328() -> None:
    """1.0 to 2.95 by 0.05 and from 3.0 by 0.1 mm: BS 328 as given by en.wikipedia.org/wiki/Drill_bit_sizes."""
    metric = [drill.diameter_mm for drill in DRILLS if drill.system == "metric"]
    steps = {round(b - a, 3) for a, b in itertools.pairwise(metric) if b <= 3.0}
    assert (metric[0], steps) == (1.0, {0.05})
    assert {round(b - a, 3) for a, b in itertools.pairwise(metric) if a >= 3.0} == {0.1}
    for text in ("18", "#61", "3.15 mm", "17/65", "nonsense"):
        with pytest.raises(ValueError, match="no stock drill"):
            find_drill(text)


def test_sixty_number_drills_fall_from_one_to_sixty() -> None:
    numbers = [find_drill(f"#{n}").diameter_mm for n in range(1, 61)]
    assert numbers == sorted(numbers, reverse=True) and len(set(numbers)) == 60


@pytest.mark.parametrize("diameter", [2.184, 2.845, 3.505, 4.166, 4.826])
def test_nearest_stock_drills_bracket_the_shank(diameter: float) -> None:
    for system, drill in smallest_above(diameter).items():
        smaller = [d.diameter_mm for d in DRILLS if d.system == system and d.diameter_mm < drill.diameter_mm]
        assert drill.diameter_mm > diameter and (not smaller or max(smaller) <= diameter)
