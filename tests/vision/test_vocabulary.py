"""The clock of the trade: 12 is the tail, angles clockwise, half an hour is 15 degrees (common practice, no source)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.vocabulary import (
    angle_from_clock,
    angle_from_xy,
    clock_from_angle,
    difference_deg,
    mirror_angle,
    mirror_hand,
    xy_from_angle,
)


@pytest.mark.parametrize(
    ("angle", "position"),
    [
        (0, "12"),
        (90, "3"),
        (180, "6"),
        (270, "9"),
        (61.2, "2"),
        (209, "7"),
        (75, "2:30"),
        (352.6, "12"),
        (352.4, "11:30"),
    ],
)
def test_nearest_half_hour(angle, position):
    assert clock_from_angle(angle) == position


@given(st.integers(0, 23))
def test_every_position_reads_back(halves):
    angle = 15.0 * halves
    assert angle_from_clock(clock_from_angle(angle)) == angle


@given(st.floats(-720, 720), st.floats(0.1, 20))
def test_angle_and_point_agree(angle, radius):
    x, y = xy_from_angle(angle, radius)
    assert abs(difference_deg(angle_from_xy(x, y), angle)) < 1e-6


@given(st.floats(0, 359.99))
def test_the_mirror_is_its_own_inverse(angle):
    assert abs(difference_deg(mirror_angle(mirror_angle(angle)), angle)) < 1e-9
    x, y = xy_from_angle(angle, 1.0)
    assert abs(difference_deg(mirror_angle(angle), angle_from_xy(-x, y))) < 1e-6


def test_hands_change_in_the_mirror():
    assert [mirror_hand(h) for h in ("none", "left", "right")] == ["none", "right", "left"]


@pytest.mark.parametrize("wrong", ["", "0", "13", "2:15", "two", "2.5"])
def test_no_clock_position(wrong):
    with pytest.raises(ValueError, match="clock position"):
        angle_from_clock(wrong)
