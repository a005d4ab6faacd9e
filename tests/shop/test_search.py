"""Asking the list as people ask; each answer is checked against a filter written out here."""

import pytest

from shop.parts import read_csv
from shop.search import search
from tests.shop.simulated_shop import DEMO

PARTS = read_csv(DEMO).parts


def has(part, *clock):
    return set(clock) <= set(part.clock)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("two holes, 3 and 9, open bottom", lambda p: len(p.holes) == 2 and has(p, "3", "9") and p.bottom == "open"),
        ("cloverleaf 2/7 closed", lambda p: p.family == "cloverleaf" and has(p, "2", "7") and p.bottom == "closed"),
        ("Hook LEFT", lambda p: p.family == "hook" and p.hand == "left"),
        ("3 and centre", lambda p: has(p, "3", "centre")),
        ("one in the center, finger", lambda p: p.family == "finger" and has(p, "centre")),
        (
            "hooks and offsets with holes at 3:00 and 9 o'clock",
            lambda p: p.family in ("hook", "offset") and has(p, "3", "9"),
        ),
        ("reach 21.4", lambda p: abs(p.reach_mm - 21.4) <= 0.5),
        ("reach 20 to 22 mm cloverleaf", lambda p: 20 <= p.reach_mm <= 22 and p.family == "cloverleaf"),
        ("reach over 25", lambda p: p.reach_mm >= 25),
        ("tail under 6,5 mm", lambda p: p.tail_width_mm <= 6.5),
        ("hub diameter 17", lambda p: 16.5 <= p.hub_diameter_mm <= 17.5),
        ("#6-32", lambda p: p.screw == "#6-32"),
        ("#6 hook", lambda p: p.screw == "#6-32" and p.family == "hook"),
        ("M3 finger in stock", lambda p: p.screw == "M3" and p.family == "finger" and p.stock > 0),
        ("bin c1", lambda p: p.bin == "C1"),
        ("four screws", lambda p: len(p.holes) == 4),
        ("NB-2", lambda p: "NB-2" in p.part),
        ('"three screws"', lambda p: "three screws" in p.note),
        ("countersunk", lambda p: "countersunk" in p.note),
        ("", lambda p: True),
    ],
)
def test_the_same_parts_as_a_filter_written_out(text, wanted):
    found = search(PARTS, text)
    assert found.parts == tuple(part for part in PARTS if wanted(part))
    assert found.parts


@pytest.mark.parametrize("text", ["brass", "five holes 3 and 9", "2 and 7 and 12"])
def test_what_is_not_there_is_not_found(text):
    assert search(PARTS, text).parts == ()


def test_it_says_how_it_understood():
    assert search(PARTS, "two holes, 3 and 9, open bottom").understood == ("2 holes", "open bottom", "holes at 3 and 9")
    assert search(PARTS, "reach over 25 brass").understood == ("reach from 25 mm", 'text "brass"')
