"""Lookups and consistency of the screw tables; the published figures themselves are in tests/published."""

from __future__ import annotations

import pytest

from shop.fasteners import DRILL_SYSTEMS, HEAD_KINDS, HEADS, find_drill, heads_of
from shop.head_geometry import cone_height
from shop.threads import CAM_SCREWS, THREADS


def test_every_head_has_ordered_limits_and_a_source() -> None:
    for head in HEADS.values():
        kind = HEAD_KINDS[head.kind]
        assert kind.source and kind.angle_low_deg < kind.angle_high_deg
        assert head.edge_min_mm < head.edge_max_mm
        assert head.slot is None or head.slot.depth_min_mm < head.slot.depth_max_mm < head.height_max_mm
        assert head.height_min_mm is None or head.height_min_mm < head.height_max_mm


def test_every_full_head_is_wider_than_its_shank_and_no_taller_than_its_table() -> None:
    majors = {thread.size: thread.major_mm for thread in THREADS.values()}
    for head in HEADS.values():
        assert head.edge_min_mm > majors[head.size]
        if head.height_min_mm is None:  # an undercut head is cut short: its cone would go on
            kind = HEAD_KINDS[head.kind]
            flat = cone_height(head.edge_min_mm, majors[head.size], kind.angle_high_deg)
            assert flat <= head.height_max_mm


def test_every_usual_cam_screw_has_a_head() -> None:
    for name in CAM_SCREWS:
        assert heads_of(THREADS[name].size)


def test_unknown_heads_are_refused_with_what_there_is() -> None:
    with pytest.raises(ValueError, match="allowed: slotted-82"):
        heads_of("#6", "pan")
    with pytest.raises(ValueError, match="#5 is known as: slotted-82"):
        heads_of("#5", "flat-100")
    with pytest.raises(ValueError, match="none"):
        heads_of("#12")


@pytest.mark.parametrize(
    ("text", "name", "system"),
    [("#18", "#18", "number"), ("11/64 in", "11/64 in", "fraction"), ('11/64"', "11/64 in", "fraction"),
     ("4.30", "4.3 mm", "metric"), ("3mm", "3 mm", "metric"), ("4,3 MM", "4.3 mm", "metric"),
     ("2.95", "2.95 mm", "metric")],
)  # fmt: skip
def test_drills_are_found_as_people_write_them(text: str, name: str, system: str) -> None:
    drill = find_drill(text)
    assert (drill.name, drill.system) == (name, system) and system in DRILL_SYSTEMS
