"""The numbers behind freeing a screw: cone, drill point, stop depth, slot, what is left to grip.

Depths run from the top of the head into it, in mm. A depth that a tool may go to is always the safe end of its 95 %
interval, rounded the safe way. That a head parts where the drill's outer corner meets its cone is geometry only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shop.fasteners import DRILL_SYSTEMS, DRILLS, HEAD_KINDS, Drill, Head, heads_of, smallest_above
from shop.threads import Thread
from vision.quantity import NotMeasured, Quantity, jacobian, propagate

POINT_ANGLES_DEG: Final = (118.0, 135.0)  # general purpose; hard or stainless screws (trade guides on drill points)
CAM_THICKNESS_MM: Final = Quantity(2.3, 0.25)  # domain default 2.3 ± 0.5 mm, from memory, for when nobody measured

# Our own choices, no source: how well a careful hand can drill a small screw.
COVER_MM: Final = 0.06  # the drill is at least this much larger than the shank, so that it covers it
OVERSIZE_MM: Final = Quantity(0.05, 0.03)  # a hole comes out larger than its drill
OFF_CENTRE_MM: Final = Quantity(0.04, 0.03)  # distance of the punch mark from the head's axis: half-normal of 0.05
DEPTH_SETTING_MM: Final = Quantity(0.0, 0.05)  # the depth stop is set by calliper
LEAST_SHARE: Final = 0.6  # at the safe end at least this share of the head's ring must be drilled, or it does not help
LEAST_CORNER_MM: Final = 0.2  # and its full diameter must be this far in, or it has no hold
WEB_SHARE: Final = 1.0 / 3.0  # of the lowest head's height must remain under a fresh slot
LEAST_BITE_MM: Final = 0.3  # a shallower slot turns nothing
ROUND_MM: Final = 0.05
DISC_MM: Final = 22.0  # a common small cutting disc, from memory; a worn one is smaller and may go deeper
MISMATCH_MM: Final = 0.3  # worn, burred or painted: a measured head may differ this much from its table


def cone_factor(angle_deg: float) -> float:
    """Height of a cone for each unit of difference in its diameters, 1 / (2 tan(θ/2)); θ the included angle, degrees.

    Raises
    ------
    ValueError
        If the angle is not between 0 and 180 degrees.
    """
    if not 0.0 < angle_deg < 180.0:
        raise ValueError(f"{angle_deg} is no included angle of a cone in degrees")
    return 0.5 / math.tan(math.radians(angle_deg) / 2.0)


def cone_height(top: float, bottom: float, angle_deg: float) -> float:
    """Height between the diameters `top` and `bottom` of a cone, in their unit."""
    return cone_factor(angle_deg) * (top - bottom)


def cone_diameter(top: float, depth: float, angle_deg: float) -> float:
    """Diameter of a cone at a depth below the diameter `top`, in their unit."""
    return top - depth / cone_factor(angle_deg)


def point_length(diameter: float, point_deg: float) -> float:
    """Length of a drill's point, in the unit of its diameter."""
    return cone_factor(point_deg) * diameter


@dataclass(frozen=True, slots=True)
class Cone:
    """One head the screw may have, mm and degrees.

    `deepest_mm` is the depth at which the tabulated cone reaches the shank: the latest this head can end. `undercut_mm`
    is the depth at which an undercut head ends, None for a full one.
    """

    head: Head
    edge_mm: Quantity
    angle_deg: Quantity
    deepest_mm: float
    undercut_mm: Quantity | None

    @property
    def edge_low_mm(self) -> float:
        """The safe, small end of the diameter across the head."""
        return self.edge_mm.value - self.edge_mm.u95

    @property
    def factors(self) -> tuple[float, float]:
        """The cone factor at the flat and at the steep end of the angle's range; the flat end is the lowest head."""
        half = math.sqrt(3.0) * self.angle_deg.u
        return cone_factor(self.angle_deg.value + half), cone_factor(self.angle_deg.value - half)


@dataclass(frozen=True, slots=True)
class HeadMeasure:
    """A screw's thread and every head it may have: one when the kind is known. A short screw may be undercut."""

    thread: Thread
    cones: tuple[Cone, ...]
    measured: bool
    may_be_undercut: bool = False

    @property
    def edge_low_mm(self) -> float:
        """The smallest the head may be across, at the safe end."""
        return min(cone.edge_low_mm for cone in self.cones)


def between(low: float, high: float) -> Quantity:
    """A quantity known only to lie between two limits (JCGM 100:2008, 4.3.7: rectangular, u = half-width / √3)."""
    return Quantity((low + high) / 2.0, (high - low) / 2.0 / math.sqrt(3.0))


def _cone(head: Head, edge_mm: Quantity | None) -> Cone:
    kind = HEAD_KINDS[head.kind]
    ends = None if head.height_min_mm is None else between(head.height_min_mm, head.height_max_mm)
    edge = edge_mm if edge_mm is not None else between(head.edge_min_mm, head.edge_max_mm)
    return Cone(head, edge, between(kind.angle_low_deg, kind.angle_high_deg), head.height_max_mm, ends)


def _matches(head: Head, edge_mm: Quantity) -> bool:
    slack = edge_mm.u95 + MISMATCH_MM
    return head.edge_min_mm - slack <= edge_mm.value <= (head.sharp_max_mm or head.edge_max_mm) + slack


def measure_head(
    thread: Thread, kind: str | None = None, edge_mm: Quantity | None = None, length_mm: float | None = None
) -> HeadMeasure | NotMeasured:
    """Put together what tables and a measurement say of a screw's head.

    Parameters
    ----------
    thread : Thread
    kind : str, optional
        A head kind of `fasteners.HEAD_KINDS`; without it every kind tabulated for the size is kept.
    edge_mm : Quantity, optional
        Measured diameter across the head; kinds it cannot belong to are dropped. Without it the tables' limits stand.
    length_mm : float, optional
        The screw's length under 82°, which says whether an inch head is undercut.

    Returns
    -------
    HeadMeasure or NotMeasured
        `head-not-in-table` when no table here has the size and kind; `head-does-not-match` when what was measured
        belongs to none of them.
    """
    try:
        heads = heads_of(thread.size, kind)
    except ValueError as error:
        return NotMeasured("head-not-in-table", str(error))
    limit = max((h.undercut_to_length_mm for h in heads if h.undercut_to_length_mm is not None), default=None)
    may_be_undercut = limit is not None and kind != "undercut-82" and length_mm is None
    if limit is not None and length_mm is not None:
        short = length_mm <= limit + 0.05
        if short and kind == "slotted-82":
            heads = tuple(h for h in heads_of(thread.size) if h.kind == "undercut-82")
        elif short:
            heads = tuple(h for h in heads if h.kind != "slotted-82")
        else:
            heads = tuple(h for h in heads if h.kind != "undercut-82")
        if not heads:
            return NotMeasured(
                "head-not-in-table",
                f"{thread.size} screws up to {limit:.1f} mm long are undercut, longer ones are not; "
                f"no table here has the one that a length of {length_mm:.1f} mm asks for",
            )
    elif kind is None:
        heads = tuple(h for h in heads if h.kind != "undercut-82")  # the same cone, cut short: never nearer the cam
    matching = heads if edge_mm is None else tuple(head for head in heads if _matches(head, edge_mm))
    if edge_mm is not None and not matching:
        low, high = (min(h.edge_min_mm for h in heads), max(h.sharp_max_mm or h.edge_max_mm for h in heads))
        return NotMeasured(
            "head-does-not-match",
            f"a head of {edge_mm.value:.2f} mm is none of a {thread.size} screw ({low:.2f} to {high:.2f} mm): "
            "another size or another head; measure again",
        )
    cones = tuple(_cone(head, edge_mm) for head in matching)
    return HeadMeasure(thread, cones, edge_mm is not None, may_be_undercut)


@dataclass(frozen=True, slots=True)
class DrillPlan:
    """One drill for one head: how deep, and what then holds. Depths in mm from the top of the head to the drill's tip.

    `parts_at_mm` is where the head's ring comes free by the cone under the measured edge; `stop_mm` the safe end of it;
    `latest_mm` where a head of the tallest tabulated cone is free too: nothing is gained below it. `ring_left_mm` is
    the width of metal that still holds at the stop, expected and at most.
    """

    drill: Drill
    point_deg: float
    point_mm: float
    corner_mm: Quantity
    parts_at_mm: Quantity
    stop_mm: float
    latest_mm: float
    ring_left_mm: float
    ring_left_most_mm: float
    inside_hole: bool | None  # the drill passes through the cam's hole without touching it; None: hole not known

    @property
    def stop_corner_mm(self) -> float:
        """Depth of the drill's outer corner at the stop."""
        return self.stop_mm - self.point_mm


def parting_corner(cone: Cone, drill_mm: float) -> Quantity:
    """Depth at which a drill's outer corner meets the cone of a head: k(θ)(A − d), with what a hand adds.

    Inputs: head diameter, included angle, hole oversize, centring and depth setting; propagated by derivatives
    (JCGM 100:2008, 5.1.2). An undercut head that ends above the cone's meeting with the drill is free there.
    """
    inputs = (cone.edge_mm, cone.angle_deg, OVERSIZE_MM, OFF_CENTRE_MM, DEPTH_SETTING_MM)

    def corner(at: NDArray[np.float64]) -> NDArray[np.float64]:
        edge, angle, oversize, off_centre, setting = (float(v) for v in at)
        return np.array([cone_factor(angle) * (edge - drill_mm - oversize - 2.0 * off_centre) + setting])

    values = np.array([q.value for q in inputs])
    u = np.array([q.u for q in inputs])
    variance = propagate(jacobian(corner, values, u), np.diag(u**2))
    by_cone = Quantity(float(corner(values)[0]), float(np.sqrt(variance[0, 0])))
    if cone.undercut_mm is None:
        return by_cone
    by_undercut = Quantity(cone.undercut_mm.value, math.hypot(cone.undercut_mm.u, DEPTH_SETTING_MM.u))
    return min(by_cone, by_undercut, key=lambda depth: depth.value - depth.u95)


def _spanning(quantities: list[Quantity]) -> Quantity:
    """One of several, not known which: the interval that holds all their 95 % intervals."""
    low = min(q.value - q.u95 for q in quantities)
    high = max(q.value + q.u95 for q in quantities)
    return Quantity((low + high) / 2.0, (high - low) / 4.0)


def plan_drill(
    head: HeadMeasure, drill: Drill, point_deg: float = POINT_ANGLES_DEG[0], hole_mm: Quantity | None = None
) -> DrillPlan | NotMeasured:
    """Depths for drilling off the head with one drill.

    Returns
    -------
    DrillPlan or NotMeasured
        `drill-too-small`, `drill-too-large`: not between shank and head; `no-safe-window`: the head is not known well
        enough for a depth that both weakens it and surely leaves the cam's countersink alone.
    """
    d, shank = drill.diameter_mm, head.thread.major_mm
    if d < shank + COVER_MM - 1e-9:
        return NotMeasured(
            "drill-too-small", f"drill {drill.name} does not cover the {head.thread.size} shank of {shank:.2f} mm"
        )
    if d >= head.edge_low_mm:
        return NotMeasured(
            "drill-too-large",
            f"drill {drill.name} may be as large as the head, which can be as small as {head.edge_low_mm:.2f} mm",
        )
    point = point_length(d, point_deg)
    corner = _spanning([parting_corner(cone, d) for cone in head.cones])
    low = corner.value - corner.u95
    if low < LEAST_CORNER_MM or low < LEAST_SHARE * corner.value:
        return NotMeasured(
            "no-safe-window",
            f"with drill {drill.name} the head parts {corner.value:.2f} ± {corner.u95:.2f} mm deep: too uncertain "
            "to drill it off and spare the cam; say which head it is, measure it by calliper, or take another way",
        )
    stop = math.floor((low + point) / ROUND_MM + 1e-9) * ROUND_MM
    latest = corner.value + corner.u95
    flattest = min(cone.factors[0] for cone in head.cones)
    for cone in head.cones:
        flat, steep = cone.factors
        latest = max(latest, cone.deepest_mm - flat * (d - shank), steep * (cone.edge_mm.value + cone.edge_mm.u95 - d))
    inside: bool | None = None
    if hole_mm is not None:
        inside = hole_mm.value - hole_mm.u95 >= d + OVERSIZE_MM.value + 2.0 * (OFF_CENTRE_MM.value + OFF_CENTRE_MM.u95)
    return DrillPlan(
        drill,
        point_deg,
        point,
        corner,
        Quantity(corner.value + point, corner.u),
        round(stop, 2),
        latest + point,
        max(0.0, corner.value - (stop - point)) / (2.0 * flattest),
        (latest - (stop - point)) / (2.0 * flattest),
        inside,
    )


STOCK: Final = tuple(drill for drill in DRILLS if not drill.memory)  # never advise a size that no table confirmed


def plan_drills(
    head: HeadMeasure, point_deg: float = POINT_ANGLES_DEG[0], hole_mm: Quantity | None = None
) -> tuple[DrillPlan, ...] | NotMeasured:
    """The nearest stock drill of each system that is larger than the shank and smaller than the head; closest first.

    Returns
    -------
    tuple of DrillPlan, or NotMeasured
        The reason of the closest drill when none leaves a safe window.
    """
    nearest = smallest_above(head.thread.major_mm + COVER_MM - 1e-9, STOCK)
    tried = [plan_drill(head, nearest[system], point_deg, hole_mm) for system in DRILL_SYSTEMS if system in nearest]
    plans = sorted((p for p in tried if isinstance(p, DrillPlan)), key=lambda plan: plan.drill.diameter_mm)
    if plans:
        return tuple(plans)
    reasons = [p for p in tried if isinstance(p, NotMeasured)]
    return reasons[0] if reasons else NotMeasured("no-safe-window", f"no stock drill covers a {head.thread.size} shank")


@dataclass(frozen=True, slots=True)
class SlotPlan:
    """A fresh slot, mm: as wide as the head's own, no deeper than leaves enough head.

    `spares_cam_mm` is how deep a cutting disc of `disc_mm` may go at the middle of the head before its rim comes out
    beside the head into the cam; None when that is too shallow for a driver to hold. A straight blade always does.
    """

    width_min_mm: float | None
    width_max_mm: float | None
    depth_max_mm: float
    web_mm: float
    disc_mm: float
    spares_cam_mm: float | None


def disc_depth(chord: float, disc: float) -> float:
    """Depth of a circle of diameter `disc` below its chord: R − √(R² − c²/4); R when the circle has no such chord."""
    radius = disc / 2.0
    return radius if chord >= disc else radius - math.sqrt(radius**2 - (chord / 2.0) ** 2)


def lowest_height(head: HeadMeasure) -> float:
    """Height of the lowest head the screw may have, mm: small, flat-coned, and undercut when it may be."""
    heights = [cone.factors[0] * (cone.edge_low_mm - head.thread.major_mm) for cone in head.cones]
    heights += [cone.undercut_mm.value - cone.undercut_mm.u95 for cone in head.cones if cone.undercut_mm is not None]
    if head.may_be_undercut:
        heights += [h.height_min_mm for h in heads_of(head.thread.size) if h.height_min_mm is not None]
    return min(heights)


def plan_slot(head: HeadMeasure, disc_mm: float = DISC_MM) -> SlotPlan | NotMeasured:
    """Width and depth of a fresh slot that leave enough head, and the depth that leaves the cam alone.

    The depth is the least of: the deepest slot the head's own standard allows, and two thirds of the lowest head this
    can be. A head without a slot of its own gets the second alone.

    Returns
    -------
    SlotPlan or NotMeasured
        `no-safe-slot` when a slot that leaves enough head is too shallow to turn anything.
    """
    height = lowest_height(head)
    slots = [cone.head.slot for cone in head.cones if cone.head.slot is not None]
    limits = [slot.depth_max_mm for slot in slots] + [(1.0 - WEB_SHARE) * height]
    depth = math.floor(min(limits) / ROUND_MM + 1e-9) * ROUND_MM
    if depth < LEAST_BITE_MM - 1e-9:
        return NotMeasured(
            "no-safe-slot", f"the head may be only {max(height, 0.0):.2f} mm high: a slot that spares it turns nothing"
        )
    edge = head.edge_low_mm
    spares = math.floor(min(depth, disc_depth(edge, disc_mm)) / ROUND_MM + 1e-9) * ROUND_MM
    # The disc stays inside the head on its whole way only if it leaves the head's edge flatter than the cone falls.
    flat_enough = disc_mm > edge and edge / math.sqrt(disc_mm**2 - edge**2) <= 2.0 * min(
        c.factors[0] for c in head.cones
    )
    return SlotPlan(
        min((s.width_min_mm for s in slots), default=None),
        max((s.width_max_mm for s in slots), default=None),
        round(depth, 2),
        height - depth,
        disc_mm,
        round(spares, 2) if flat_enough and spares >= LEAST_BITE_MM - 1e-9 else None,
    )


@dataclass(frozen=True, slots=True)
class GripPlan:
    """What stands out of the plug once head and cam are off, mm. `solid_mm` is the part below the drilled hollow."""

    stub_mm: Quantity
    stub_low_mm: float
    solid_mm: float
    across_mm: float
    core_mm: float


def core_mm(thread: Thread) -> float:
    """The thread's basic minor diameter, major − 1.0825 pitch: the 60° triangle loses 5/8 of its height on each side."""
    return thread.major_mm - 1.25 * math.sqrt(0.75) * thread.pitch_mm


def plan_grip(head: HeadMeasure, plan: DrillPlan, thickness_mm: Quantity = CAM_THICKNESS_MM) -> GripPlan:
    """The stub left to grip, from the cam's thickness and the depth at which the head came off.

    A hole for an extractor stays inside the core. The hollow left by the drill's point makes the stub's upper end weak.
    """
    value = thickness_mm.value - plan.corner_mm.value
    stub = Quantity(value, math.hypot(thickness_mm.u, plan.corner_mm.u))
    thread = head.thread
    return GripPlan(
        stub,
        thickness_mm.value - thickness_mm.u95 - plan.latest_mm + plan.point_mm,
        thickness_mm.value - plan.stop_mm,
        thread.major_mm,
        core_mm(thread),
    )
