"""Advice on a stuck screw as figures, as JSON (``camdial.free/1``) and as text; cautions first in each."""

from __future__ import annotations

import math
from typing import Any, Final

from shop.fasteners import HEAD_KINDS
from shop.freeing import Advice, Situation
from shop.head_geometry import DrillPlan, GripPlan, HeadMeasure, SlotPlan, core_mm
from shop.methods import Method, load_knowledge
from shop.screw_at_hand import Numbers
from shop.threads import MM_PER_INCH
from vision.quantity import NotMeasured, Quantity

SCHEMA: Final = "camdial.free/1"


def size_text(mm: float, *, inch: bool) -> str:
    """A length as the trade reads it: mm, with decimal inches behind it where the screw is an inch screw."""
    return f"{mm:.2f} mm ({mm / MM_PER_INCH:.3f} in)" if inch else f"{mm:.2f} mm"


def limit_text(mm: float, *, inch: bool) -> str:
    """A length not to be exceeded: as `size_text`, but both numbers rounded down."""
    low_mm = math.floor(mm * 100.0 + 1e-6) / 100.0
    return (
        f"{low_mm:.2f} mm ({math.floor(mm / MM_PER_INCH * 1000.0 + 1e-6) / 1000.0:.3f} in)"
        if inch
        else f"{low_mm:.2f} mm"
    )


def figures(method: Method, numbers: Numbers, situation: Situation) -> tuple[tuple[str, str], ...]:
    """The figures that go with a method as rows of name and value; empty when there are none for it."""
    head = numbers.head
    if not isinstance(head, HeadMeasure):
        return ()
    inch = head.thread.name.startswith("#")
    if method.numbers == "slot" and isinstance(numbers.slot, SlotPlan):
        return tuple(_slot_rows(method, numbers.slot, situation, inch))
    if method.numbers == "drill" and isinstance(numbers.drills, tuple):
        return tuple(_drill_rows(numbers.drills, inch))
    if method.numbers == "grip" and isinstance(numbers.grip, GripPlan):
        return tuple(_grip_rows(numbers.grip, inch))
    if method.numbers == "core":
        return (("Stay inside the screw's core", f"Ø {limit_text(core_mm(head.thread), inch=inch)}"),)
    return ()


def _slot_rows(method: Method, slot: SlotPlan, situation: Situation, inch: bool) -> list[tuple[str, str]]:
    rows = []
    if slot.width_min_mm is not None and slot.width_max_mm is not None:
        low, high = size_text(slot.width_min_mm, inch=inch), size_text(slot.width_max_mm, inch=inch)
        rows.append(("Slot width", f"{low} to {high}"))
    if method.id == "fresh-slot":
        if "cam" not in situation.save:
            rows.append(("Deepest slot that leaves enough head", limit_text(slot.depth_max_mm, inch=inch)))
        if slot.spares_cam_mm is not None:
            rows.append(
                (
                    f"Deepest at the middle with a {slot.disc_mm:g} mm disc, cam spared",
                    limit_text(slot.spares_cam_mm, inch=inch),
                )
            )
    return rows


def _drill_rows(drills: tuple[DrillPlan, ...], inch: bool) -> list[tuple[str, str]]:
    plan, *others = drills
    rows = [
        ("Drill", f"{plan.drill.name} = {size_text(plan.drill.diameter_mm, inch=inch)}, {plan.point_deg:g}° point"),
        ("Stop at tip depth", limit_text(plan.stop_mm, inch=inch)),
        ("Head expected to part at", _quantity_text(plan.parts_at_mm)),
        ("Never deeper than", limit_text(plan.latest_mm, inch=inch)),
        ("Ring still holding at the stop", f"{plan.ring_left_mm:.2f} mm, at most {plan.ring_left_most_mm:.2f} mm"),
    ]
    if plan.inside_hole is not None:
        rows.append(
            ("Passes through the cam's hole", "yes" if plan.inside_hole else "no: past the stop it cuts the cam")
        )
    for other in others:
        size = f"{other.drill.name} = {size_text(other.drill.diameter_mm, inch=inch)}"
        stop, latest = limit_text(other.stop_mm, inch=inch), limit_text(other.latest_mm, inch=inch)
        rows.append(("Or drill", f"{size}: stop at {stop}, never deeper than {latest}"))
    return rows


def _grip_rows(grip: GripPlan, inch: bool) -> list[tuple[str, str]]:
    low = grip.stub_low_mm
    return [
        ("Stub out of the plug", _quantity_text(grip.stub_mm) if grip.stub_mm.value > 0.0 else "little or none"),
        ("At least", limit_text(low, inch=inch) if low > 0.0 else "perhaps nothing: then the extractor"),
        ("Solid below the drilled hollow", limit_text(grip.solid_mm, inch=inch) if grip.solid_mm > 0.0 else "none"),
        ("Across", size_text(grip.across_mm, inch=inch)),
    ]


def _quantity_text(quantity: Quantity) -> str:
    return f"{quantity.value:.2f} ± {quantity.u95:.2f} mm"


def _q_json(quantity: Quantity | None) -> dict[str, float] | None:
    return None if quantity is None else {"value": round(quantity.value, 3), "u95": round(quantity.u95, 3)}


def _why(value: NotMeasured) -> dict[str, Any]:
    return {"code": value.code, "text": value.text}


def _drill_json(plan: DrillPlan) -> dict[str, Any]:
    return {
        "drill": plan.drill.name,
        "system": plan.drill.system,
        "diameter_mm": plan.drill.diameter_mm,
        "point_deg": plan.point_deg,
        "point_length_mm": round(plan.point_mm, 3),
        "parts_at_mm": _q_json(plan.parts_at_mm),
        "stop_mm": plan.stop_mm,
        "latest_mm": round(plan.latest_mm, 2),
        "ring_left_mm": round(plan.ring_left_mm, 2),
        "ring_left_most_mm": round(plan.ring_left_most_mm, 2),
        "passes_cam_hole": plan.inside_hole,
    }


def numbers_json(numbers: Numbers) -> dict[str, Any]:
    """The figures as JSON; what could not be had is null with its reason under ``missing``."""
    record: dict[str, Any] = {"head": None, "drills": [], "slot": None, "grip": None, "missing": []}
    head, slot, grip = numbers.head, numbers.slot, numbers.grip
    missing = {value.code: value for value in (head, numbers.drills, slot, grip) if isinstance(value, NotMeasured)}
    record["missing"] = [_why(value) for value in missing.values()]
    if isinstance(head, HeadMeasure):
        record["head"] = {
            "thread": head.thread.name,
            "shank_mm": round(head.thread.major_mm, 3),
            "measured": head.measured,
            "smallest_mm": round(head.edge_low_mm, 3),
            "kinds": [
                {
                    "id": cone.head.kind,
                    "diameter": _q_json(cone.edge_mm),
                    "angle": _q_json(cone.angle_deg),
                    "source": HEAD_KINDS[cone.head.kind].source,
                    "from_memory": list(HEAD_KINDS[cone.head.kind].memory + cone.head.memory),
                }
                for cone in head.cones
            ],
        }
    if isinstance(numbers.drills, tuple):
        record["drills"] = [_drill_json(plan) for plan in numbers.drills]
    if isinstance(slot, SlotPlan):
        record["slot"] = {
            "width_min_mm": slot.width_min_mm,
            "width_max_mm": slot.width_max_mm,
            "depth_max_mm": slot.depth_max_mm,
            "head_left_mm": round(slot.web_mm, 2),
            "disc_mm": slot.disc_mm,
            "disc_depth_sparing_cam_mm": slot.spares_cam_mm,
        }
    if isinstance(grip, GripPlan):
        record["grip"] = {
            "stub_mm": _q_json(grip.stub_mm),
            "stub_least_mm": round(max(0.0, grip.stub_low_mm), 2),
            "solid_mm": round(max(0.0, grip.solid_mm), 2),
            "across_mm": round(grip.across_mm, 3),
            "core_mm": round(grip.core_mm, 3),
        }
    return record


def advice_json(advice: Advice) -> dict[str, Any]:
    """The advice as the JSON object of schema ``camdial.free/1``; cautions first."""
    knowledge = load_knowledge()
    screw = advice.screw
    thread = screw.working_thread
    return {
        "schema": SCHEMA,
        "cautions": [{"id": c.id, "text": c.text, "basis": c.basis or None} for c in advice.cautions],
        "condition": advice.situation.condition,
        "place": advice.situation.place,
        "tools": sorted(advice.situation.tools),
        "save": sorted(advice.situation.save),
        "screw": {
            "thread": None if thread is None else thread.name,
            "guessed": screw.guessed,
            "guesses": [{"size": g.size or None, "probability": round(g.probability, 3)} for g in screw.guesses],
            "head_kind": screw.head_kind,
            "head_diameter": _q_json(screw.head_mm),
            "hole": _q_json(screw.hole_mm),
            "countersink": _q_json(screw.countersink_mm),
            "thickness": _q_json(screw.thickness_mm),
        },
        "before": list(advice.before),
        "methods": [
            {
                "step": step,
                "id": method.id,
                "name": method.name,
                "harshness": method.harshness,
                "do": list(method.do),
                "force": method.force,
                "never": method.never,
                "stop": method.stop,
                "may_cost": method.may_cost,
                "cautions": list(method.cautions),
                "figures": [list(row) for row in figures(method, advice.numbers, advice.situation)],
            }
            for step, method in enumerate(advice.methods, start=1)
        ],
        "left_out": [
            {"id": item.method.id, "name": item.method.name, "reason": item.reason, "missing": list(item.missing)}
            for item in advice.left_out
        ],
        "numbers": numbers_json(advice.numbers),
        "notes": list(advice.notes),
        "basis": knowledge.basis,
    }


def advice_text(advice: Advice) -> str:
    """The advice as a person reads it in a terminal; cautions first."""
    knowledge = load_knowledge()
    lines = ["BEFORE ANYTHING ELSE"]
    lines += [f"  ! {c.text}" + (f" [{c.basis}]" if c.basis else "") for c in advice.cautions]
    lines += ["", knowledge.conditions[advice.situation.condition] + "."]
    lines += [f"  - {text}" for text in advice.before]
    if advice.notes:
        lines += ["", "NOTE"] + [f"  - {note}" for note in advice.notes]
    for step, method in enumerate(advice.methods, start=1):
        lines += ["", f"{step}. {method.name.upper()}"]
        lines += [f"   - {text}" for text in method.do]
        lines += [f"   Force:    {method.force}", f"   Never:    {method.never}"]
        lines += [f"   Stop:     {method.stop}", f"   May cost: {method.may_cost}"]
        lines += [f"   {name}: {value}" for name, value in figures(method, advice.numbers, advice.situation)]
    if advice.left_out:
        lines += ["", "LEFT OUT"] + [f"  - {item.method.name}: {item.reason}" for item in advice.left_out]
    lines += ["", f"Methods: {knowledge.basis}. Figures: from the tables named in the JSON output."]
    return "\n".join(lines)
