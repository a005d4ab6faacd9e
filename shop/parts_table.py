"""The whole list as arrays, so that parts that cannot fit are set aside in one sweep before anything is drawn."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shop.measured import Array, MeasuredPart, hand_probability
from shop.parts import MOST_HOLES, Part, PartHole
from vision.vocabulary import BOTTOMS, CENTRE, FAMILIES, HANDS

SIGMAS = 5.0  # how generous the sweep is: nothing within this many standard uncertainties is set aside


@dataclass(frozen=True, slots=True, eq=False)
class PartsTable:
    """P parts: words as indices into the vocabulary, lengths in mm and holes padded to four, NaN for what is not known."""

    parts: tuple[Part, ...]
    family: NDArray[np.intp]
    bottom: NDArray[np.intp]
    hand: NDArray[np.intp]
    reach: Array
    tail_width: Array
    hub_diameter: Array
    holes: NDArray[np.intp]  # (P,), how many
    hole_xy: Array  # (P, 4, 2)
    hole_radius: Array  # (P, 4)
    hole_turn: Array  # (P, 4), clockwise from 12 o'clock, radians
    hole_diameter: Array  # (P, 4)
    hole_sunk: NDArray[np.bool_]  # (P, 4)
    pattern: NDArray[np.intp]  # (P,), the first row with the very same holes
    clocks: tuple[str, ...]  # where the holes are, in words
    screws: Mapping[str, int]


def table_of(parts: Sequence[Part]) -> PartsTable:
    """Lay out a list of parts; worth keeping when the same list is asked often."""
    count = len(parts)
    xy = np.full((count, MOST_HOLES, 2), np.nan)
    diameter = np.full((count, MOST_HOLES), np.nan)
    sunk = np.zeros((count, MOST_HOLES), dtype=np.bool_)
    pattern = np.zeros(count, dtype=np.intp)
    seen: dict[tuple[PartHole, ...], int] = {}
    for row, part in enumerate(parts):
        pattern[row] = seen.setdefault(part.holes, row)
        for column, hole in enumerate(part.holes):
            xy[row, column] = hole.xy_mm
            diameter[row, column] = hole.diameter_mm
            sunk[row, column] = hole.countersink_mm is not None
    families, bottoms, hands = ({w: i for i, w in enumerate(words)} for words in (FAMILIES, BOTTOMS, HANDS))
    return PartsTable(
        parts=tuple(parts),
        family=np.array([families[p.family] for p in parts], dtype=np.intp),
        bottom=np.array([bottoms[p.bottom] for p in parts], dtype=np.intp),
        hand=np.array([hands[p.hand] for p in parts], dtype=np.intp),
        reach=np.array([p.reach_mm for p in parts], dtype=float),
        tail_width=np.array([math.nan if p.tail_width_mm is None else p.tail_width_mm for p in parts], dtype=float),
        hub_diameter=np.array(
            [math.nan if p.hub_diameter_mm is None else p.hub_diameter_mm for p in parts], dtype=float
        ),
        holes=np.array([len(p.holes) for p in parts], dtype=np.intp),
        hole_xy=xy,
        hole_radius=np.hypot(xy[..., 0], xy[..., 1]),
        hole_turn=np.arctan2(xy[..., 0], xy[..., 1]),
        hole_diameter=diameter,
        hole_sunk=sunk,
        pattern=pattern,
        clocks=tuple(" and ".join(p.clock) for p in parts),
        screws=Counter(p.screw for p in parts if p.screw is not None),
    )


def word_chances(measured: MeasuredPart, *, mirrored: bool) -> tuple[Array, Array]:
    """Probability that family (F) and hand (H) are these, (F, H), and that a bottom (B) serves, (B,)."""
    family = np.array([measured.family[word] for word in FAMILIES])
    hand = np.array([[hand_probability(measured, f, h, mirrored=mirrored) for h in HANDS] for f in FAMILIES])
    return family[:, None] * hand, np.array([1.0 if word == "open" else measured.bottom["closed"] for word in BOTTOMS])


def label_probabilities(table: PartsTable, measured: MeasuredPart, *, mirrored: bool) -> tuple[Array, Array]:
    """Probability, (P,) each, that family and hand agree, and that the bottom serves."""
    outline, serves = word_chances(measured, mirrored=mirrored)
    return outline[table.family, table.hand], serves[table.bottom]


def lengths_possible(table: PartsTable, measured: MeasuredPart, name: str, tolerance_mm: float) -> NDArray[np.bool_]:
    """Parts whose reach or tail width may be within its tolerance, (P,)."""
    column = {"reach": table.reach, "tail_width": table.tail_width}[name]
    value = measured.quantity(name)
    if value is None:
        return np.ones(len(column), dtype=np.bool_)
    return ~(np.abs(column - value.value) > tolerance_mm + SIGMAS * value.u + 0.2)


def screws_possible(
    table: PartsTable, measured: MeasuredPart, thinnest_mm: float, most_turn_deg: float, *, mirrored: bool
) -> NDArray[np.bool_]:
    """Parts that may have a hole over every thread, (P,): no turn moves a hole further than 2 r sin(turn / 2)."""
    swing = 2.0 * table.hole_radius * math.sin(math.radians(most_turn_deg) / 2.0)
    room = np.maximum(0.5 * (table.hole_diameter - thinnest_mm), 0.0) + swing
    possible = np.ones(len(table.parts), dtype=np.bool_)
    for i, hole in enumerate(measured.holes):
        centre = measured.mean[3 + 3 * i : 5 + 3 * i] * ((-1.0, 1.0) if mirrored else (1.0, 1.0))
        block = measured.covariance[3 + 3 * i : 5 + 3 * i, 3 + 3 * i : 5 + 3 * i]
        diameter_u = math.sqrt(float(measured.covariance[5 + 3 * i, 5 + 3 * i]))
        old_play = max(0.5 * (float(measured.mean[5 + 3 * i]) + SIGMAS * diameter_u - thinnest_mm), 0.0)
        known = hole.position == CENTRE or all(measured.is_measured(f"holes[{i}].{axis}") for axis in "xy")
        if known:
            slack = SIGMAS * math.sqrt(float(np.linalg.eigvalsh(block)[-1])) + old_play + 0.2
            apart2 = (table.hole_xy[..., 0] - centre[0]) ** 2 + (table.hole_xy[..., 1] - centre[1]) ** 2
            near = apart2 <= (room + slack) ** 2
        else:  # only the direction is known
            turn = np.abs(table.hole_turn - math.atan2(centre[0], centre[1]))  # below a whole turn
            near = np.minimum(turn, 2.0 * math.pi - turn) <= math.radians(20.0)
        possible &= near.any(axis=1)
    return possible
