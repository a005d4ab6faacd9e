"""The decision in plain words, with the numbers it rests on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from shop.calliper import hole_name
from shop.draws import Draws
from shop.judging import Side
from shop.measured import Array, MeasuredPart
from shop.parts import Part, PartHole
from shop.parts_table import PartsTable
from shop.turning import Seat, turn_holes
from vision.quantity import COVERAGE_FACTOR
from vision.vocabulary import CENTRE, FAMILIES, HANDED_FAMILIES, HANDS

NO_HOLE_NEAR_MM: Final = 2.0  # farther than this is no misplaced hole but a missing one
WORTH_SAYING: Final = 0.05
TOLD_WITH_NUMBERS: Final = 500  # of the parts set aside; nobody reads on, and a list of ten thousand wants to be quick
FAR_OFF: Final = ("reach or tail width is farther off than is allowed",)
NOT_CHECKED_MM: Final = {"hub_diameter": 1.0}


def top(probabilities: dict[str, float] | object) -> str:
    """The likeliest word."""
    assert isinstance(probabilities, dict)
    return str(max(probabilities, key=lambda word: probabilities[word]))


def _against(name: str, new_mm: float, old_mm: float, u95_mm: float, tolerance_mm: float) -> str:
    off = new_mm - old_mm
    shown = f"{name} {new_mm:.2f} mm against {old_mm:.2f}±{u95_mm:.2f} mm read"
    if abs(off) <= tolerance_mm:
        return f"{shown}; {tolerance_mm:g} mm allowed"
    return f"{shown}: {abs(off):.2f} mm {'more' if off > 0 else 'less'}; {tolerance_mm:g} mm allowed"


def _tail(measured: MeasuredPart, part: Part, reach_tolerance_mm: float, width_tolerance_mm: float) -> list[str]:
    said = []
    family = top(measured.family)
    p = measured.family[part.family]
    if part.family != family:
        said.append(f"outline is {part.family}; the part read is {family} ({measured.family[family]:.2f})")
    elif p < 1.0 - WORTH_SAYING:
        said.append(f"outline {part.family} is read with {p:.2f}")
    if part.family in HANDED_FAMILIES:
        hand = top(measured.hand)
        if hand not in ("none", part.hand):
            said.append(f"hand is {part.hand}; the part read is {hand}")
    reach = measured.quantity("reach")
    if reach is None:
        said.append("reach was not measured")
    else:
        u95 = COVERAGE_FACTOR * reach.u
        said.append(_against("reach", part.reach_mm, reach.value, u95, reach_tolerance_mm))
    width = measured.quantity("tail_width")
    if width is None or part.tail_width_mm is None:
        said.append("tail width is not compared: " + ("not measured" if width is None else "not in the list"))
    elif abs(part.tail_width_mm - width.value) > 0.5 * width_tolerance_mm:
        u95 = COVERAGE_FACTOR * width.u
        said.append(_against("tail width", part.tail_width_mm, width.value, u95, width_tolerance_mm))
    return said


def _bottom(measured: MeasuredPart, part: Part) -> list[str]:
    closed = measured.bottom["closed"]
    if part.bottom == "open":
        return ["bottom is open and serves where a closed one did"] if closed > 0.5 else []
    if closed <= 0.5:
        return [f"bottom is closed; the part read is open ({1.0 - closed:.2f}) and leaves room for the key's tip"]
    return [] if closed > 1.0 - WORTH_SAYING else [f"bottom is closed; the part read may be open ({1.0 - closed:.2f})"]


def _offset(measured: MeasuredPart, part: Part, seat: Seat, i: int) -> str:
    """What is wrong with one hole, after the best turn."""
    allowed = f"{max(seat.limits_mm[i], 0.0):.2f} mm allowed"
    name, hole = hole_name(measured, i), part.holes[seat.holes[i]]
    if seat.limits_mm[i] < 0.0:
        return f"the screw of the {name} does not pass its hole, Ø {hole.diameter_mm:.2f} mm"
    if seat.distances_mm[i] > NO_HOLE_NEAR_MM:
        position = measured.holes[i].position
        where = "in the centre" if position == CENTRE else f"at {position}"
        return f"no hole {where}; the nearest that is free lies {seat.distances_mm[i]:.1f} mm away"
    old = measured.hole_xy_mm[i]
    new = turn_holes(np.array([hole.xy_mm]), seat.turn_deg)[0]
    radius = float(np.hypot(*old))
    if radius < 0.5:
        return f"{name} is {seat.distances_mm[i]:.2f} mm off; {allowed}"
    out = old / radius
    outward = float((new - old) @ out)
    clockwise = float((new - old) @ np.array([out[1], -out[0]]))
    if abs(outward) >= abs(clockwise):
        side = "farther from" if outward > 0 else "nearer"
        return f"{name} is {abs(outward):.2f} mm {side} the axis; {allowed}"
    return f"{name} is {abs(clockwise):.2f} mm {'clockwise' if clockwise > 0 else 'anticlockwise'}; {allowed}"


def _screws(measured: MeasuredPart, part: Part, draws: Draws, seat: Seat | None, by_screw: Array) -> list[str]:
    n, m = len(measured.holes), len(part.holes)
    if seat is None:
        return [f"has {_holes(m)}; the part read has {_holes(n)}"]
    if not measured.holes_measured():
        return [f"where the holes lie was not measured in mm; by the clock they are {_clock(part.holes)}"]
    thread = draws.threads[draws.shares.index(max(draws.shares))]
    said = []
    if seat.worst <= 1.0:
        count = "the hole" if n == 1 else "both holes" if n == 2 else f"all {n} holes"
        turn = f", turned by {seat.turn_deg:.1f}°" if abs(seat.turn_deg) >= 0.3 else ""
        sunk = ", countersunk" if draws.sunk_share > 0.5 else ""
        allowed = min(seat.limits_mm)
        off = max(seat.distances_mm)
        said.append(f"{count} within {off:.2f} mm{turn}; {allowed:.2f} mm allowed ({thread.name} screws{sunk})")
    else:
        shares = [d / r if r > 0.0 else np.inf for d, r in zip(seat.distances_mm, seat.limits_mm, strict=True)]
        said += [_offset(measured, part, seat, i) for i in range(n) if shares[i] > 1.0]
    if m > n:
        said.append(f"{m - n} more {'hole' if m - n == 1 else 'holes'} than needed: no harm")
    if len(draws.threads) > 1:
        tried = [
            f"{one.name} {agree:.2f}"
            for one, agree in zip(draws.threads, by_screw.tolist(), strict=True)
            if not math.isnan(agree)
        ]
        said.append(f"screws not known; tried: {', '.join(tried)}")
    return said


def _holes(count: int) -> str:
    return f"{count} screw hole" + ("" if count == 1 else "s")


def _clock(holes: Sequence[PartHole]) -> str:
    return " and ".join(hole.position for hole in holes)


def reasons_of(
    measured: MeasuredPart,
    part: Part,
    draws: Draws,
    seat: Seat | None,
    sides: Sequence[Side],
    by_screw: Array,
    reach_tolerance_mm: float,
    width_tolerance_mm: float,
) -> tuple[str, ...]:
    """Why a candidate does or does not fit, one plain sentence a fact."""
    said = _screws(measured, part, draws, seat, by_screw)
    said += _tail(measured, part, reach_tolerance_mm, width_tolerance_mm)
    said += _bottom(measured, part)
    if len(sides) == 2 and abs(sides[0].probability - sides[1].probability) > WORTH_SAYING:
        facing = top(measured.facing)
        other = "plug" if facing == "screw" else "screw"
        said.append(
            f"which face the photo shows is not sure: {sides[0].probability:.2f} if the {facing} side, "
            f"{sides[1].probability:.2f} if the {other} side"
        )
    hub = measured.quantity("hub_diameter")
    if hub is not None and part.hub_diameter_mm is not None:
        off = part.hub_diameter_mm - hub.value
        if abs(off) > NOT_CHECKED_MM["hub_diameter"] + COVERAGE_FACTOR * hub.u:
            said.append(f"hub is {abs(off):.1f} mm {'larger' if off > 0 else 'smaller'}: see that it has room")
    return tuple(said)


def short_reasons(
    measured: MeasuredPart,
    table: PartsTable,
    rows: Sequence[int],
    against: Sequence[Sequence[bool]],
    reach_tolerance_mm: float,
    width_tolerance_mm: float,
) -> list[tuple[str, ...]]:
    """Why parts were set aside at once, for each row of the list given.

    `against` has four flags a row: the outline's words, the lengths, the bottom, the holes.
    """
    family, clock = top(measured.family), " and ".join(hole.position for hole in measured.holes)
    reach, width = measured.quantity("reach"), measured.quantity("tail_width")
    closed = "bottom is closed; the part read is open and leaves room for the key's tip"
    outlines: dict[tuple[str, str], str] = {}
    for name in FAMILIES:
        for hand in HANDS:
            mine = f"{name} {hand}" if name in HANDED_FAMILIES else name
            outlines[name, hand] = f"outline is {mine}; the part read is {family}"
    places: dict[str, str] = {}
    known: dict[tuple[object, ...], tuple[str, ...]] = {}  # reasons without numbers, alike for many parts
    found: list[tuple[str, ...]] = []
    for place, (row, (tail, lengths, bottom, screws)) in enumerate(zip(rows, against, strict=True)):
        part = table.parts[row]
        if place >= TOLD_WITH_NUMBERS and lengths:
            found.append(FAR_OFF)
            continue
        kind = part.family, part.hand, table.clocks[row], tail, bottom, screws
        if not lengths and kind in known:
            found.append(known[kind])
            continue
        said = []
        if tail:
            said.append(outlines[part.family, part.hand])
        if screws:
            new = table.clocks[row]
            if new not in places:
                other = (
                    f"the part read has them at {clock}"
                    if new != clock
                    else f"elsewhere than in the part read, {clock}"
                )
                places[new] = f"holes at {new}; {other}"
            said.append(places[new])
        if lengths:
            if reach is not None and abs(part.reach_mm - reach.value) > reach_tolerance_mm:
                off = part.reach_mm - reach.value
                said.append(
                    f"reach is {abs(off):.2f} mm {'more' if off > 0 else 'less'}; {reach_tolerance_mm:g} mm allowed"
                )
            elif width is not None and part.tail_width_mm is not None:
                off = part.tail_width_mm - width.value
                side = "more" if off > 0 else "less"
                said.append(f"tail width is {abs(off):.2f} mm {side}; {width_tolerance_mm:g} mm allowed")
        if bottom:
            said.append(closed)
        found.append(tuple(said) or ("several doubts together leave next to no chance",))
        if not lengths:
            known[kind] = found[-1]
    return found


def notes_of(measured: MeasuredPart, draws: Draws, screws: Sequence[str]) -> tuple[str, ...]:
    """What was assumed for all candidates alike."""
    said = list(measured.notes)
    names = " and ".join(thread.name for thread in draws.threads)
    known = bool(screws or measured.screws)
    if draws.conflict:
        said.append(f"no screw in question passes the holes as read; {names} was taken: check hole and screw")
    elif not known:
        tried = ", ".join(f"{t.name} ({share:.2f})" for t, share in zip(draws.threads, draws.shares, strict=True))
        said.append(f"the cylinder's screws are not known; from the holes' size: {tried}")
    if measured.doubts.drawing > WORTH_SAYING:
        said.append(
            f"the photo may be misread ({measured.doubts.drawing:.2f}): look at the drawing, then add --measured drawing=right"
        )
    if measured.doubts.lengths > WORTH_SAYING:
        said.append(f"the scale may be void ({measured.doubts.lengths:.2f}): any one length by calliper tells")
    if min(measured.facing.values()) > WORTH_SAYING:
        said.append("which face the photo shows is not sure; both were tried")
    unmeasured = [name.replace("_", " ") for name in ("reach",) if not measured.is_measured(name)]
    if not measured.holes_measured():
        unmeasured.append("the radius of the holes")
    if unmeasured:
        said.append(f"not measured: {', '.join(unmeasured)}; no part is called a fit without it")
    return tuple(said)
