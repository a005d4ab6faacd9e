"""A shape drawn by shapely, seen through a known camera, is read back; stated uncertainties hold the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from vision.clock import Guess, circle_through, find_hub, tail_direction
from vision.measure import FaceEdges, HoleEdges, measure
from vision.plane import Plane, focal_px
from vision.quantity import Quantity
from vision.vocabulary import difference_deg, xy_from_angle

HUB_MM, REACH_MM, TAIL_MM, THICKNESS_MM = 20.0, 26.0, 7.0, 2.3
HOLES = ((60.0, 4.55, 3.3, 6.2), (210.0, 4.55, 3.3, None))  # clock angle, radius, diameter, countersink


def outline_mm(open_bottom: bool = False) -> np.ndarray:
    """A finger cam by shapely: hub, parallel tail with a round tip, fillets by buffering."""
    tail = unary_union(
        [
            box(-TAIL_MM / 2, 0, TAIL_MM / 2, REACH_MM - TAIL_MM / 2),
            Point(0, REACH_MM - TAIL_MM / 2).buffer(TAIL_MM / 2, 64),
        ]
    )
    shape = unary_union([Point(0, 0).buffer(HUB_MM / 2, 256), tail]).buffer(1.5, 64).buffer(-3.0, 64).buffer(1.5, 64)
    if open_bottom:
        shape = shape.difference(box(-4, -15, 4, -3))
    edge = shape.exterior
    return np.array([edge.interpolate(s, normalized=True).coords[0] for s in np.linspace(0, 1, 480, endpoint=False)])


def camera(tilt_deg: float, turn_deg: float) -> Plane:
    focal = focal_px(26.0, (4032, 3024))
    tilt, turn = np.radians([tilt_deg, turn_deg])
    parameters = np.array([focal, tilt * np.cos(turn), tilt * np.sin(turn), np.log(250.0 / focal)])
    covariance = np.diag([0.01 * focal, 0.004, 0.004, 0.003]) ** 2
    return Plane(parameters, covariance, (2015.5, 1511.5), True)


def seen(
    plane: Plane, roll_deg: float, shift_mm: tuple[float, float], *, mirrored: bool = False, open_bottom: bool = False
):
    """The part's edges in pixels under a camera, with a network's rough frame."""
    roll = np.radians(roll_deg)

    def px(points: np.ndarray, height: float) -> np.ndarray:
        p = np.array(points, dtype=float)
        if mirrored:
            p = p * (-1.0, 1.0)
        turned = np.column_stack(
            [p[:, 0] * np.cos(roll) + p[:, 1] * np.sin(roll), -p[:, 0] * np.sin(roll) + p[:, 1] * np.cos(roll)]
        )
        return plane.to_px(turned + shift_mm, height)

    ring = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    circle = np.column_stack([np.cos(ring), np.sin(ring)])
    holes = []
    for angle, radius, diameter, countersink in HOLES:
        centre = np.array(xy_from_angle(angle, radius))
        depth = 0.0 if countersink is None else (countersink - diameter) / 2
        holes.append(
            HoleEdges(
                px(centre + circle * diameter / 2, THICKNESS_MM - depth),
                None if countersink is None else px(centre + circle * countersink / 2, THICKNESS_MM),
                None,
                tuple(px(centre[None], THICKNESS_MM)[0]),
            )
        )
    rough = px(np.array([[0.2, -0.15], [0.5, 20.0], [0.0, 0.0], [10.0, 0.0]]), THICKNESS_MM)
    return FaceEdges(
        px(outline_mm(open_bottom), THICKNESS_MM),
        0.35,
        tuple(holes),
        rough[0],
        rough[1],
        float(np.linalg.norm(rough[3] - rough[2])),
        3.5,
        1.5,
    )


@pytest.mark.parametrize("tilt", [0.0, 12.0, 28.0])
@pytest.mark.parametrize("roll", [0.0, 75.0, 200.0])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("open_bottom", [False, True])
def test_a_drawn_part_reads_back(tilt, roll, mirrored, open_bottom):
    plane = camera(tilt, 40.0)
    face = seen(plane, roll, (18.0, -12.0), mirrored=mirrored, open_bottom=open_bottom)
    m = measure(face, plane, Quantity(THICKNESS_MM, 0.25), "finger", mirrored=mirrored)
    assert m.quantity("reach").value == pytest.approx(REACH_MM, abs=0.05)
    assert m.quantity("hub_diameter").value == pytest.approx(HUB_MM, abs=0.05)
    assert m.quantity("tail_width").value == pytest.approx(TAIL_MM, abs=0.06)
    assert m.quantity("width").value == pytest.approx(HUB_MM, abs=0.06)
    for place, (angle, radius, diameter, countersink) in enumerate(HOLES):
        assert difference_deg(m.quantity(f"holes[{place}].angle").value, angle) == pytest.approx(0.0, abs=0.8)
        assert m.quantity(f"holes[{place}].radius").value == pytest.approx(radius, abs=0.06)
        assert m.quantity(f"holes[{place}].diameter").value == pytest.approx(diameter, abs=0.03)
        if countersink is None:
            assert m.quantity(f"holes[{place}].countersink") is None
        else:
            assert m.quantity(f"holes[{place}].countersink").value == pytest.approx(countersink, abs=0.03)


def test_the_other_side_reads_the_mirror_image():
    plane = camera(8.0, 120.0)
    face = seen(plane, 30.0, (5.0, 5.0))
    right = measure(face, plane, Quantity(THICKNESS_MM, 0.25), "finger")
    mirrored = measure(face, plane, Quantity(THICKNESS_MM, 0.25), "finger", mirrored=True)
    angles = sorted(right.quantity(f"holes[{i}].angle").value for i in range(2))
    others = sorted(360.0 - mirrored.quantity(f"holes[{i}].angle").value for i in range(2))
    assert others == pytest.approx(angles, abs=1e-6)


def test_first_order_agrees_with_monte_carlo():
    """JCGM 101:2008, clause 8: the two propagations agree where the model is nearly linear."""
    plane = camera(12.0, 40.0)
    face = seen(plane, 20.0, (18.0, -12.0))
    thickness = Quantity(THICKNESS_MM, 0.25)
    m = measure(face, plane, thickness, "finger")
    rng = np.random.default_rng(3)
    drawn = []
    for _ in range(300):
        moved = plane.moved(rng.multivariate_normal(plane.parameters, plane.covariance))
        n = measure(face, moved, Quantity(thickness.value + 0.25 * rng.normal(), 0.25), "finger")
        drawn.append([n.quantity("reach").value, n.quantity("holes[0].radius").value])
    stated = m.derivatives[:, :5]
    covariance = np.zeros((5, 5))
    covariance[:4, :4], covariance[4, 4] = plane.covariance, 0.25**2
    u = np.sqrt(np.diag(stated @ covariance @ stated.T))
    rows = [m.names.index("reach"), m.names.index("holes[0].radius")]
    assert np.std(drawn, axis=0) == pytest.approx(u[rows], rel=0.2)


def test_hub_is_found_among_tail_and_cut_out():
    points = outline_mm(open_bottom=True)
    guess = Guess(np.array([0.3, -0.2]), 0.3, 0.0, 1.5, 10.3)
    hub = find_hub(points, guess, np.random.default_rng(0))
    centre, radius = circle_through(points[hub.on_hub])
    assert np.hypot(*centre) < 0.03
    assert radius == pytest.approx(HUB_MM / 2, abs=0.03)
    assert hub.arc_deg > 150


def test_circle_through_agrees_with_gander_golub_strebel_1994():
    """BIT 34, 558: geometric fit of their six points."""
    edge = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
    centre, radius = circle_through(edge)
    assert (*centre, radius) == pytest.approx((4.7398, 2.9835, 4.7142), abs=5e-4)


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        ([(1, 1), (2, 4), (5, 3)], (3.0, 2.0, 5.0**0.5)),  # Mathematics Stack Exchange, question 213658
        ([(22.83, 2.07), (14.39, 30.24), (33.65, 17.31)], (18.978516, 16.265411, 14.708624)),  # Rosetta Code's points
    ],
)
def test_circle_through_three_points(points, expected):
    centre, radius = circle_through(np.array(points, dtype=float))
    assert (*centre, radius) == pytest.approx(expected, abs=1e-5)


def test_tail_direction_of_a_symmetric_tail_is_its_centre_line():
    from vision.clock import find_tail

    points = outline_mm()
    turn = np.radians(33.0)
    turned = np.column_stack(
        [
            points[:, 0] * np.cos(turn) + points[:, 1] * np.sin(turn),
            -points[:, 0] * np.sin(turn) + points[:, 1] * np.cos(turn),
        ]
    )
    tail = find_tail(turned, np.zeros(2), HUB_MM / 2, 36.0, "finger")
    assert tail_direction(turned, np.zeros(2), tail) == pytest.approx(33.0, abs=0.1)


def test_a_spur_on_one_side_does_not_turn_the_tail():
    from vision.clock import find_tail, symmetry

    points = outline_mm()
    spur = (np.abs(points[:, 1] - 18.0) < 1.0) & (points[:, 0] > 0.0)
    points = points + np.where(spur, 2.5, 0.0)[:, None] * (1.0, 0.0)
    tail = find_tail(points, np.zeros(2), HUB_MM / 2, 3.0, "finger")
    direction, mismatch = symmetry(points, np.zeros(2), 3.0)
    assert difference_deg(direction, 0.0) == pytest.approx(0.0, abs=0.3)
    assert mismatch < 0.1
    off = abs(difference_deg(tail_direction(points, np.zeros(2), tail), 0.0))
    assert off < 0.5
    assert off < 2.0 * tail.u_deg  # and the doubt is kept for the budget


@pytest.mark.parametrize("open_bottom", [False, True])
@pytest.mark.parametrize(
    ("turn_deg", "off_mm", "sought_deg"), [(0.0, 0.5, 4.0), (33.0, -0.4, 28.0), (200.0, 0.0, 203.0)]
)
def test_the_mirror_line_of_a_drawn_part_passes_through_its_axis(open_bottom, turn_deg, off_mm, sought_deg):
    """Drawn by shapely, turned, with 0.05 mm of noise and a wall on a fifth of its edge: the line is the tail's middle."""
    from vision.clock import mirror_line

    points = outline_mm(open_bottom) + np.random.default_rng(3).normal(0.0, 0.05, (480, 2))
    walled = (np.hypot(*points.T) > 9.5) & (points[:, 0] < -3.0) & (points[:, 1] < -1.0)
    points = points + np.where(walled, -0.4, 0.0)[:, None] * (1.0, 0.0)
    turn = np.radians(turn_deg)
    right, up = np.array([np.cos(turn), -np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
    turned = points[:, :1] * right + points[:, 1:] * up
    offset, direction = mirror_line(turned, -off_mm * right, HUB_MM / 2, sought_deg)
    assert offset == pytest.approx(off_mm, abs=0.05)
    assert abs(difference_deg(direction, turn_deg)) < 0.25


def test_a_tail_that_the_network_mistook_is_found_and_doubted():
    from vision.clock import tail_elsewhere

    points = outline_mm()
    tail = tail_elsewhere(points, np.zeros(2), HUB_MM / 2, 85.0)
    assert difference_deg(tail_direction(points, np.zeros(2), tail), 0.0) == pytest.approx(0.0, abs=0.3)
    assert tail.apart_deg > 10.0
    assert tail_elsewhere(points, np.zeros(2), HUB_MM / 2, 0.5) is None  # no better than where it was sought


def cloverleaf_mm(
    sides_mm: tuple[float, float] = (9.5, 10.0), tail_mm: tuple[float, float] = (15.0, 14.0)
) -> np.ndarray:
    """Three leaves by shapely, each by its middle's radius and its diameter: at 12 o'clock, at 4 and at 8, with fillets."""
    shape = unary_union([Point(0, 0).buffer(10, 128), Point(0, tail_mm[0]).buffer(tail_mm[1] / 2, 128)])
    for angle in (120.0, 240.0):
        shape = shape.union(Point(*xy_from_angle(angle, sides_mm[0])).buffer(sides_mm[1] / 2, 128))
    shape = shape.buffer(1.5, 64).buffer(-1.5, 64)
    return np.array([shape.exterior.interpolate(s, normalized=True).coords[0] for s in np.linspace(0, 1, 481)[:-1]])


@pytest.mark.parametrize("taken_deg", [0.0, 4.0, 117.0, -124.0])
@pytest.mark.parametrize("sides_mm", [(9.5, 10.0), (12.0, 9.0)])  # the latter reach 16.5 mm, the broader tail 15
def test_the_tail_of_a_cloverleaf_is_the_leaf_on_its_mirror_line(taken_deg, sides_mm):
    from vision.clock import tail_leaf

    points = cloverleaf_mm(sides_mm, (15.0, 14.0) if sides_mm[0] < 10.0 else (8.0, 14.0))
    leaf, left_open = tail_leaf(points, np.zeros(2), taken_deg)
    assert abs(difference_deg(leaf, 0.0)) < 5.0
    assert not left_open


def test_three_like_leaves_leave_the_tail_open():
    from vision.clock import tail_leaf

    leaf, left_open = tail_leaf(cloverleaf_mm((9.5, 10.0), (9.5, 10.0)), np.zeros(2), 118.0)
    assert leaf == 118.0
    assert left_open


def test_a_slot_into_the_hub_does_not_halve_the_tail():
    """A fork by shapely whose slot ends 1 mm inside the hub's circle: its area's middle stays on the centre line."""
    from vision.clock import find_tail

    shape = Point(0, 0).buffer(10, 256).union(box(-6, 0, 6, 26)).difference(box(-2, 9, 2, 30)).buffer(0.5).buffer(-0.5)
    points = np.array([shape.exterior.interpolate(s, normalized=True).coords[0] for s in np.linspace(0, 1, 481)[:-1]])
    tail = find_tail(points, np.zeros(2), 10.0, 3.0, "fork")
    assert tail.kind == "area"
    assert abs(difference_deg(tail_direction(points, np.zeros(2), tail), 0.0)) < min(0.5, 2.0 * tail.u_deg)


@pytest.mark.parametrize("ragged", [0, 1])
def test_a_ragged_flank_counts_for_less_than_a_straight_one(ragged):
    """Two flanks drawn upright, one of them 4 degrees off and ragged by 0.1 mm: the direction stays with the other."""
    from vision.clock import Tail, flanks_direction

    y = np.linspace(12.0, 24.0, 40)
    sides = [np.column_stack([np.full(40, x), y]) for x in (-3.0, 3.0)]
    sides[ragged][:, 0] += np.tan(np.radians(4.0)) * (y - y.mean()) + np.random.default_rng(1).normal(0.0, 0.1, 40)
    tail = Tail("flanks", np.arange(40), np.arange(40, 80), 0.0)
    direction, u = flanks_direction(np.concatenate(sides), np.zeros(2), tail)
    assert abs(direction) < 0.4
    assert abs(direction) < 2.0 * u < 4.0


def offset_outline(flank_turn_deg: float) -> np.ndarray:
    """An offset cam by shapely: the tail's centre line passes 5 mm beside the axis; the outer flank may lean."""
    lean = 24.0 * np.tan(np.radians(flank_turn_deg))
    tail = Polygon([(2.0, 0.0), (8.0, 0.0), (8.0 + lean, 24.0), (2.0, 24.0)])
    shape = unary_union([Point(0, 0).buffer(HUB_MM / 2, 256), tail]).buffer(0.5, 32).buffer(-0.5, 32)
    edge = shape.exterior
    return np.array([edge.interpolate(s, normalized=True).coords[0] for s in np.linspace(0, 1, 480, endpoint=False)])


def test_an_offset_tail_goes_by_its_flanks_or_by_nothing():
    from vision.clock import find_tail

    parallel = offset_outline(0.0)
    tail = find_tail(parallel, np.zeros(2), HUB_MM / 2, 5.0, "offset")
    assert tail is not None and tail.kind == "flanks"
    assert difference_deg(tail_direction(parallel, np.zeros(2), tail), 0.0) == pytest.approx(0.0, abs=0.3)
    misnamed = find_tail(parallel, np.zeros(2), HUB_MM / 2, 5.0, "finger")  # its area's centre lies 10 degrees beside
    assert difference_deg(tail_direction(parallel, np.zeros(2), misnamed), 0.0) == pytest.approx(0.0, abs=0.3)
    assert find_tail(offset_outline(20.0), np.zeros(2), HUB_MM / 2, 5.0, "offset") is None


def test_a_short_offset_tail_goes_by_its_one_straight_flank():
    """By shapely: the tail stands 7 mm out of the hub, its inner flank is all fillet and round tip."""
    from vision.clock import find_tail

    tail = Polygon([(1.0, 0.0), (9.0, 0.0), (9.0, 13.0), (1.0, 13.0)]).union(Point(5.0, 13.0).buffer(4.0, 128))
    shape = unary_union([Point(0, 0).buffer(10, 256), tail])
    shape = shape.union(shape.buffer(3.5, 64).buffer(-3.5, 64).intersection(box(-12, 0, 2, 30)))
    points = np.array([shape.exterior.interpolate(s, normalized=True).coords[0] for s in np.linspace(0, 1, 481)[:-1]])
    found = find_tail(points, np.zeros(2), 10.0, 4.0, "offset")
    assert found is not None and found.kind == "flanks"
    assert len(found.second) == 0
    assert abs(difference_deg(tail_direction(points, np.zeros(2), found), 0.0)) < 0.3
    assert found.u_deg >= 1.0


@pytest.mark.parametrize("unit", [0.3, 3.7])
def test_flanks_are_found_whatever_the_unit(unit):
    """Without a scale a plane's unit is no millimetre: offset tails by shapely, in other units."""
    from vision.clock import find_tail

    points = unit * offset_outline(0.0)
    tail = find_tail(points, np.zeros(2), unit * HUB_MM / 2, 5.0, "offset")
    assert tail is not None and len(tail.second) > 20
    assert difference_deg(tail_direction(points, np.zeros(2), tail), 0.0) == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize(
    ("diameters", "quarrel"), [((3.3, 3.4), False), ((3.1, 4.8), True), ((3.3,), False), ((3.3, None), False)]
)
def test_unlike_holes_are_said(diameters, quarrel):
    from vision.pipeline import holes_quarrel
    from vision.reading import ScrewHole

    holes = tuple(ScrewHole("3", (0.0, 0.0), diameter_mm=None if d is None else Quantity(d, 0.1)) for d in diameters)
    assert holes_quarrel(holes) is quarrel


def test_a_doubtful_outline_states_its_sizes_more_loosely_and_a_clear_one_less():
    plane = camera(10.0, 30.0)
    face = seen(plane, 20.0, (5.0, 3.0))
    every = np.ones(len(face.outline_px))
    sizes = [
        measure(replace(face, doubts_px=doubts), plane, Quantity(2.3, 0.25), "finger")
        for doubts in (0.1 * every, None, 4.0 * every)
    ]
    for name in ("reach", "hub_diameter", "length", "width", "tail_width"):
        clear, usual, doubtful = (m.quantity(name) for m in sizes)
        assert clear.value == usual.value == doubtful.value
        assert clear.u < usual.u < doubtful.u


def test_a_doubt_at_the_tip_alone_is_a_doubt_about_what_ends_there():
    plane = camera(10.0, 30.0)
    face = seen(plane, 20.0, (5.0, 3.0))
    from_axis = np.linalg.norm(face.outline_px - face.axis_px, axis=1)
    at_tip = from_axis > 0.95 * from_axis.max()
    pixel_mm = plane.mm_per_px_at(face.axis_px, 2.3)
    clear, doubtful, lost = (
        measure(
            replace(face, doubts_px=np.where(at_tip, doubt_mm, 0.1) / pixel_mm), plane, Quantity(2.3, 0.25), "finger"
        )
        for doubt_mm in (0.1, 0.5, 1.0)
    )
    for name in ("reach", "length"):
        assert doubtful.quantity(name).u > 1.2 * clear.quantity(name).u
        assert lost.quantity(name) is None  # where it ends was not seen
    for name in ("hub_diameter", "width", "tail_width"):
        assert doubtful.quantity(name).u == lost.quantity(name).u == pytest.approx(clear.quantity(name).u, rel=1e-6)
