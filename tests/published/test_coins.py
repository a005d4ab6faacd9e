"""The coin table against published sizes, and non-round coins against their geometry.

United States Mint, "Coin Specifications"; Council Regulation (EU) No 729/2014, Annex I (diameters of 50 cent, 1 and 2 euro
in the EUR-Lex summary LEGISSUM:l25028); Japan Mint, coins in circulation; Currency (Royal Australian Mint)
Determination 2004 No. 5 (greatest diameters); Royal Mint, Royal Canadian Mint and Swissmint as given by encyclopedias.
"""

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon

from vision.scale.coins import COINS, coin_by_name, twins

UNITED_STATES = {
    "us-cent": (19.05, 1.52),
    "us-nickel": (21.21, 1.95),
    "us-dime": (17.91, 1.35),
    "us-quarter": (24.26, 1.75),
    "us-half": (30.61, 2.15),
    "us-dollar": (26.49, 2.00),
}
EURO_MM = {"eu-1c": 16.25, "eu-2c": 18.75, "eu-5c": 21.25, "eu-10c": 19.75, "eu-20c": 22.25, "eu-50c": 24.25}
EURO_MM |= {"eu-1": 23.25, "eu-2": 25.75}
OTHERS_MM = {"jp-1": 20.0, "jp-5": 22.0, "jp-10": 23.5, "gb-1p": 20.3, "gb-2p": 25.9, "gb-10p": 24.5, "gb-2": 28.4}
OTHERS_MM |= {"ca-5c": 21.2, "ca-25c": 23.88, "ch-1": 23.20, "ch-5": 31.45, "au-1": 25.0, "in-20": 27.0}
AUSTRALIAN_GREATEST_MM = {"au-5c": 19.53, "au-10c": 23.82, "au-20c": 28.65, "au-1": 25.20, "au-2": 20.62}
SWISS_LAW_MM = {"ch-5": 31, "ch-2": 27, "ch-1": 23, "ch-50c": 18, "ch-20c": 21, "ch-10c": 19, "ch-5c": 17}  # SR 941.101


def test_united_states_coins_are_the_mints():
    for name, (diameter, thickness) in UNITED_STATES.items():
        assert (COINS[name].diameter_mm, COINS[name].thickness_mm) == (diameter, thickness)


def test_euro_and_other_coins_are_as_published():
    for name, diameter in (EURO_MM | OTHERS_MM).items():
        assert COINS[name].diameter_mm == diameter


def test_swiss_law_rounds_and_australian_law_gives_the_greatest_size():
    """Traps: whole millimetres in SR 941.101 are up to 0.45 mm off; the Australian schedule is a limit, not a size."""
    for name, rounded in SWISS_LAW_MM.items():
        assert 0.0 < abs(COINS[name].diameter_mm - rounded) <= 0.45
    for name, greatest in AUSTRALIAN_GREATEST_MM.items():
        assert 0.0 < greatest - COINS[name].diameter_mm < 0.25


def constant_width(sides: int, width: float) -> Polygon:
    """Reuleaux polygon by shapely: discs of the width about every corner, intersected."""
    turn = 2 * np.pi * np.arange(sides) / sides
    corners = width / (2 * np.cos(np.pi / (2 * sides))) * np.column_stack([np.cos(turn), np.sin(turn)])
    shape = Point(*corners[0]).buffer(width, 720)
    for corner in corners[1:]:
        shape = shape.intersection(Point(*corner).buffer(width, 720))
    return shape


@pytest.mark.parametrize(
    ("name", "enclosing", "inscribed"),
    [
        ("gb-50p", 28.002, 26.598),
        ("gb-20p", 21.950, 20.850),
        ("ca-1", 26.773, 26.227),
    ],  # w/cos(pi/2n), 2w - w/cos(pi/2n)
)
def test_coins_of_constant_width(name, enclosing, inscribed):
    coin = COINS[name]
    assert 2.0 * coin.edge_mm.max() == pytest.approx(enclosing, abs=2e-3)
    assert 2.0 * coin.edge_mm.min() == pytest.approx(inscribed, abs=2e-3)
    shape = constant_width(coin.sides, coin.diameter_mm)
    assert 2.0 * shapely.minimum_bounding_radius(shape) == pytest.approx(enclosing, abs=2e-3)
    edge = np.array(shape.segmentize(0.02).exterior.coords)
    angle = np.unwrap(np.arctan2(edge[:, 1], edge[:, 0]))
    mean = abs(np.trapezoid(np.hypot(edge[:, 0], edge[:, 1]), angle)) / (2 * np.pi)
    assert coin.mean_diameter_mm == pytest.approx(2.0 * mean, abs=2e-3)


def test_twelve_straight_sides():
    coin = COINS["au-50c"]  # 31.51 across flats: 32.62 across corners
    assert 2.0 * coin.edge_mm.max() == pytest.approx(32.62, abs=0.005)
    assert 2.0 * coin.edge_mm.min() == pytest.approx(31.51, abs=1e-9)
    assert 2.0 * COINS["gb-1"].edge_mm.max() == pytest.approx(
        23.43, abs=0.45
    )  # point to point; its corners are rounded


@pytest.mark.parametrize(
    "group",
    [
        {"us-cent", "ca-1c", "ch-10c"},
        {"us-nickel", "ca-5c", "eu-5c"},
        {"us-quarter", "eu-50c"},
        {"jp-500", "us-dollar"},
    ],
)
def test_near_twins_are_told(group):
    for name in group:
        assert group - {name} <= set(twins(COINS[name]))


def test_any_round_thing_of_known_size():
    assert coin_by_name("24.75mm").diameter_mm == 24.75
    assert coin_by_name(" US-Quarter ").id == "us-quarter"
    for wrong in ("quarter-of-something", "4mm", "900mm", "mm", "24.75"):
        with pytest.raises(ValueError, match=r"coin|round thing"):
            coin_by_name(wrong)
    with pytest.raises(ValueError, match="did you mean us-quarter"):
        coin_by_name("quarter")


def test_a_size_from_memory_is_less_sure_than_a_published_one():
    assert COINS["ca-10c"].measured.u > 3.0 * COINS["us-dime"].measured.u
    assert all(0.5 < c.height.value < 3.5 and 14.0 < c.mean_diameter_mm < 34.0 for c in COINS.values())
