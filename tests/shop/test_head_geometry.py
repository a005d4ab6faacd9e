"""Depths, slots and grip: against an independent geometry library, Monte Carlo, and what must never happen."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, affinity, box

from shop.fasteners import DRILLS, HEAD_KINDS, HEADS, find_drill, heads_of
from shop.head_geometry import (
    DEPTH_SETTING_MM,
    LEAST_BITE_MM,
    OFF_CENTRE_MM,
    OVERSIZE_MM,
    HeadMeasure,
    cone_factor,
    disc_depth,
    lowest_height,
    measure_head,
    parting_corner,
    plan_drill,
    plan_drills,
    plan_grip,
    plan_slot,
    point_length,
)
from shop.threads import THREADS, Thread, find_thread
from vision.quantity import NotMeasured, Quantity

BESIDE_MM = 0.05  # standard deviation of the punch mark; its distance is half-normal
COARSE = [thread for thread in THREADS.values() if thread.series != "UNF"]
SCREWS = [(thread, kind) for thread in COARSE for kind in (None, *sorted({h.kind for h in heads_of(thread.size)}))]


def measured(thread: Thread, kind: str | None = None, edge: Quantity | None = None) -> HeadMeasure:
    head = measure_head(thread, kind, edge)
    assert isinstance(head, HeadMeasure)
    return head


@pytest.mark.parametrize("angle", [80.0, 82.0, 90.0, 100.0])
@pytest.mark.parametrize("point_deg", [118.0, 135.0])
def test_ring_comes_free_where_shapely_says(angle: float, point_deg: float) -> None:
    """The deepest drill that leaves head and drilled hole connected on both sides, found by bisection with shapely."""
    edge, shank, d = 7.6, 4.17, 4.31
    height = cone_factor(angle) * (edge - shank)
    head = Polygon([(-edge / 2, 0), (edge / 2, 0), (shank / 2, -height), (-shank / 2, -height)])
    screw = head.union(box(-shank / 2, -height - 5.0, shank / 2, -height))
    point = point_length(d, point_deg)

    def ring_is_free(tip: float) -> bool:
        hole = Polygon([(-d / 2, 1), (d / 2, 1), (d / 2, point - tip), (0, -tip), (-d / 2, point - tip)])
        return len(getattr(screw.difference(hole), "geoms", [0])) > 1

    low, high = point, point + height
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (low, middle) if ring_is_free(middle) else (middle, high)
    assert high == pytest.approx(cone_factor(angle) * (edge - d) + point, abs=1e-6)


@pytest.mark.parametrize("kind", ["slotted-82", "flat-100"])
def test_uncertainty_of_the_parting_depth_agrees_with_monte_carlo(kind: str) -> None:
    """JCGM 101: the spread of 200 000 draws against the propagated u (JCGM 100); 3 % for the rectangular inputs."""
    rng = np.random.default_rng(6)
    cone = measured(find_thread("#8-32"), kind).cones[0]
    d, n = 4.3053, 200_000
    half = math.sqrt(3.0)
    edge = cone.edge_mm.value + half * cone.edge_mm.u * rng.uniform(-1, 1, n)
    angle = np.radians(cone.angle_deg.value + half * cone.angle_deg.u * rng.uniform(-1, 1, n))
    oversize = rng.normal(OVERSIZE_MM.value, OVERSIZE_MM.u, n)
    off_centre = np.abs(rng.normal(0.0, BESIDE_MM, n))
    setting = rng.normal(0.0, DEPTH_SETTING_MM.u, n)
    depth = (edge - d - oversize - 2.0 * off_centre) / (2.0 * np.tan(angle / 2.0)) + setting
    corner = parting_corner(cone, d)
    assert corner.value == pytest.approx(depth.mean(), abs=0.005)
    assert corner.u == pytest.approx(depth.std(), rel=0.03)


@pytest.mark.parametrize(("thread", "kind"), [s for s in SCREWS if s[1] is not None])
def test_at_the_stop_the_cam_is_spared(thread: Thread, kind: str) -> None:
    """Of 20 000 screws drawn from their table and drilled by a careful hand at most 2.5 % are drilled too deep."""
    head = measured(thread, kind)
    plans = plan_drills(head)
    assert isinstance(plans, tuple)
    rng = np.random.default_rng(7)
    n = 20_000
    table, limits = HEADS[kind, thread.size], HEAD_KINDS[kind]
    edge = rng.uniform(table.edge_min_mm, table.edge_max_mm, n)
    angle = np.radians(rng.uniform(limits.angle_low_deg, limits.angle_high_deg, n))
    for plan in plans:
        hole = plan.drill.diameter_mm + rng.normal(OVERSIZE_MM.value, OVERSIZE_MM.u, n)
        beside = np.abs(rng.normal(0.0, BESIDE_MM, n))  # on one side the drill is always nearer to the cam
        corner = plan.stop_mm - plan.point_mm + rng.normal(0.0, DEPTH_SETTING_MM.u, n)
        room = (edge - hole - 2.0 * beside) / (2.0 * np.tan(angle / 2.0)) - corner
        assert float((room < 0.0).mean()) <= 0.025 + 3.0 * math.sqrt(0.025 / n)  # three sigma of the draw


@settings(max_examples=400, deadline=None)
@given(
    screw=st.sampled_from(SCREWS),
    edge=st.one_of(st.none(), st.floats(3.0, 11.0)),
    u=st.floats(0.0, 1.5),
    hole=st.one_of(st.none(), st.floats(2.0, 6.0)),
    point=st.sampled_from([118.0, 135.0]),
)
def test_no_drill_is_larger_than_the_head_or_smaller_than_the_shank(
    screw: tuple[Thread, str | None], edge: float | None, u: float, hole: float | None, point: float
) -> None:
    thread, kind = screw
    head = measure_head(thread, kind, None if edge is None else Quantity(edge, u))
    if isinstance(head, NotMeasured):
        assert head.text
        return
    plans = plan_drills(head, point, None if hole is None else Quantity(hole, 0.05))
    if isinstance(plans, NotMeasured):
        assert plans.text
        return
    for plan in plans:
        assert thread.major_mm < plan.drill.diameter_mm < head.edge_low_mm and not plan.drill.memory
        assert plan.point_mm < plan.stop_mm <= plan.parts_at_mm.value - plan.parts_at_mm.u95 + 1e-9
        assert plan.stop_mm < plan.latest_mm
        assert 0.0 <= plan.ring_left_mm <= plan.ring_left_most_mm
    assert [plan.drill.diameter_mm for plan in plans] == sorted(plan.drill.diameter_mm for plan in plans)


@settings(max_examples=300, deadline=None)
@given(screw=st.sampled_from(SCREWS), drill=st.sampled_from(DRILLS))
def test_a_drill_the_user_names_is_refused_outside_shank_and_head(
    screw: tuple[Thread, str | None], drill: object
) -> None:
    head = measured(*screw)
    plan = plan_drill(head, drill)  # type: ignore[arg-type]
    d = drill.diameter_mm  # type: ignore[attr-defined]
    if d <= screw[0].major_mm:
        assert isinstance(plan, NotMeasured) and plan.code == "drill-too-small"
    elif d >= head.edge_low_mm:
        assert isinstance(plan, NotMeasured) and plan.code == "drill-too-large"


def test_a_vague_photo_gives_no_safe_window_and_a_calliper_does() -> None:
    thread = find_thread("#6-32")
    vague = plan_drills(measured(thread, "slotted-82", Quantity(6.3, 0.8)))
    assert isinstance(vague, NotMeasured) and vague.code == "no-safe-window" and "calliper" in vague.text
    by_photo = plan_drills(measured(thread, "slotted-82", Quantity(6.35, 0.10)))
    by_calliper = plan_drills(measured(thread, "slotted-82", Quantity(6.35, 0.025)))
    assert isinstance(by_photo, tuple) and isinstance(by_calliper, tuple)
    assert by_calliper[0].stop_mm > by_photo[0].stop_mm  # the better known head may be drilled deeper
    assert by_calliper[0].latest_mm == pytest.approx(by_photo[0].latest_mm, abs=0.2)


def test_an_unnamed_head_is_drilled_no_deeper_than_its_shallowest_kind() -> None:
    for thread in COARSE:
        unnamed = plan_drills(measured(thread))
        if isinstance(unnamed, NotMeasured):
            assert unnamed.code == "no-safe-window"  # #4: 82° against 100° leaves too little
            continue
        for kind in {h.kind for h in heads_of(thread.size)} - {"undercut-82"}:
            named = plan_drills(measured(thread, kind))
            assert isinstance(named, tuple)
            assert unnamed[0].stop_mm <= named[0].stop_mm and unnamed[0].latest_mm >= named[0].latest_mm - 1e-9


def test_undercut_head_parts_where_it_is_cut_short() -> None:
    thread = find_thread("#8-32")
    short, full = measure_head(thread, "slotted-82", None, 6.0), measure_head(thread, "slotted-82", None, 9.5)
    assert isinstance(short, HeadMeasure) and isinstance(full, HeadMeasure)
    assert short.cones[0].head.kind == "undercut-82" and full.cones[0].undercut_mm is None
    d = find_drill("#18").diameter_mm
    corner = parting_corner(short.cones[0], d)
    assert corner.value == pytest.approx((0.070 + 0.058) / 2 * 25.4, abs=1e-3)  # middle of the undercut height's limits
    assert corner.value < parting_corner(full.cones[0], d).value
    assert measured(thread, "slotted-82").may_be_undercut and not full.may_be_undercut


def test_a_head_of_another_size_is_refused() -> None:
    wrong = measure_head(find_thread("#5-40"), None, Quantity(9.0, 0.05))
    assert isinstance(wrong, NotMeasured) and wrong.code == "head-does-not-match"
    m4 = measured(find_thread("M4"), None, Quantity(7.4, 0.02))
    assert [cone.head.kind for cone in m4.cones] == ["din-90", "socket-90"]  # not the 8.4 mm head of ISO 7046


@pytest.mark.parametrize(("thread", "kind"), SCREWS)
def test_a_fresh_slot_leaves_enough_head(thread: Thread, kind: str | None) -> None:
    head = measured(thread, kind)
    slot = plan_slot(head)
    if isinstance(slot, NotMeasured):
        assert lowest_height(head) < 2.0 * LEAST_BITE_MM
        return
    assert slot.depth_max_mm <= 2.0 / 3.0 * lowest_height(head) + 1e-9
    for cone in head.cones:
        assert cone.head.slot is None or slot.depth_max_mm <= cone.head.slot.depth_max_mm
    assert slot.web_mm == pytest.approx(lowest_height(head) - slot.depth_max_mm)
    assert slot.spares_cam_mm is None or LEAST_BITE_MM <= slot.spares_cam_mm <= slot.depth_max_mm


@pytest.mark.parametrize("disc", [10.0, 12.0, 16.0, 22.0])
@pytest.mark.parametrize(("thread", "kind"), [s for s in SCREWS if s[1] is not None])
def test_a_disc_at_that_depth_does_not_touch_the_cam(thread: Thread, kind: str, disc: float) -> None:
    """The disc as a fine polygon against the cam's countersink beside the smallest head, by shapely."""
    head = measured(thread, kind)
    slot = plan_slot(head, disc)
    if isinstance(slot, NotMeasured) or slot.spares_cam_mm is None:
        return
    edge, k = head.edge_low_mm, min(cone.factors[0] for cone in head.cones)
    cam = box(-20, -10, 20, 0).difference(Polygon([(-edge / 2, 0), (edge / 2, 0), (0, -k * edge)]))
    wheel = affinity.translate(Point(0, 0).buffer(disc / 2, 720), 0, disc / 2 - slot.spares_cam_mm)
    assert wheel.intersection(cam).area < 1e-3


def test_the_punch_marks_distance_is_half_normal() -> None:
    """Mean σ √(2/π) and standard deviation σ √(1 − 2/π) of the half-normal distribution, by definition."""
    assert OFF_CENTRE_MM.value == pytest.approx(BESIDE_MM * math.sqrt(2.0 / math.pi), abs=5e-4)
    assert OFF_CENTRE_MM.u == pytest.approx(BESIDE_MM * math.sqrt(1.0 - 2.0 / math.pi), abs=5e-4)


def test_disc_depth_is_the_height_of_a_circular_segment() -> None:
    assert disc_depth(6.0, 10.0) == pytest.approx(1.0)  # 3-4-5 triangle: 5 − 4
    assert disc_depth(12.0, 10.0) == 5.0


def test_grip_is_what_the_cam_and_the_depths_leave() -> None:
    head = measured(find_thread("M3"), "iso-90", Quantity(5.4, 0.025))
    plans = plan_drills(head)
    assert isinstance(plans, tuple)
    thick, thin = plan_grip(head, plans[0], Quantity(3.2, 0.02)), plan_grip(head, plans[0], Quantity(1.5, 0.02))
    assert thick.stub_mm.value - thin.stub_mm.value == pytest.approx(1.7)
    assert thick.stub_low_mm < thick.stub_mm.value and thin.stub_low_mm < 0.0 < thick.stub_low_mm
    assert thick.solid_mm == pytest.approx(3.2 - plans[0].stop_mm)
    # The 60° triangle of height √3/2 P loses 5/8 of its height on each side: definition of the basic minor diameter.
    assert thick.core_mm == pytest.approx(3.0 - 2.0 * 5.0 / 8.0 * math.sqrt(3.0) / 2.0 * 0.5, abs=1e-3)


def test_a_drill_that_passes_the_cams_hole_is_said_to() -> None:
    head = measured(find_thread("#6-32"), "slotted-82")
    drill = find_drill("9/64")
    for hole, inside in ((4.32, True), (3.6, False)):
        plan = plan_drill(head, drill, hole_mm=Quantity(hole, 0.02))
        assert not isinstance(plan, NotMeasured) and plan.inside_hole is inside


def test_cone_factor_refuses_what_is_no_cone() -> None:
    for angle in (0.0, 180.0, -5.0):
        with pytest.raises(ValueError, match="no included angle"):
            cone_factor(angle)
