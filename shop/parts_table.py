"""The whole list as arrays, so that parts that cannot fit are set aside in one sweep before anything is drawn."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shop.measured import Array, MeasuredPart, hand_probability
from shop.parts import MOST_HOLES, Part
from vision.vocabulary import BOTTOMS, CENTRE, FAMILIES, HANDS

SIGMAS = 5.0  # how generous the sweep is: nothing within this many standard uncertainties is set aside


@dataclass(frozen=True, slots=True, eq=False)
class PartsTable:
    """P parts: words as indices into the vocabulary, lengths in mm, holes padded to four with NaN."""

    parts: tuple[Part, ...]
    family: NDArray[np.intp]
    bottom: NDArray[np.intp]
    hand: NDArray[np.intp]
    reach: Array
    tail_width: Array
    hole_xy: Array  # (P, 4, 2)
    hole_diameter: Array  # (P, 4)
    clocks: tuple[str, ...]  # where the holes are, in words
    screws: Mapping[str, int]


def table_of(parts: Sequence[Part]) -> PartsTable:
    """Lay out a list of parts; worth keeping when the same list is asked often."""
    count = len(parts)
    xy = np.full((count, MOST_HOLES, 2), np.nan)
    diameter = np.full((count, MOST_HOLES), np.nan)
    for row, part in enumerate(parts):
        for column, hole in enumerate(part.holes):
            xy[row, column] = hole.xy_mm
            diameter[row, column] = hole.diameter_mm
    families, bottoms, hands = ({w: i for i, w in enumerate(words)} for words in (FAMILIES, BOTTOMS, HANDS))
    return PartsTable(
        parts=tuple(parts),
        family=np.array([families[p.family] for p in parts], dtype=np.intp),
        bottom=np.array([bottoms[p.bottom] for p in parts], dtype=np.intp),
        hand=np.array([hands[p.hand] for p in parts], dtype=np.intp),
        reach=np.array([p.reach_mm for p in parts], dtype=float),
        tail_width=np.array([math.nan if p.tail_width_mm is None else p.tail_width_mm for p in parts], dtype=float),
        hole_xy=xy,
        hole_diameter=diameter,
        clocks=tuple(" and ".join(p.clock) for p in parts),
        screws=Counter(p.screw for p in parts if p.screw is not None),
    )


def label_probabilities(table: PartsTable, measured: MeasuredPart, *, mirrored: bool) -> tuple[Array, Array]:
    """Probability, (P,) each, that family and hand agree, and that the bottom serves."""
    family = np.array([measured.family[word] for word in FAMILIES])
    hand = np.array([[hand_probability(measured, f, h, mirrored=mirrored) for h in HANDS] for f in FAMILIES])
    serves = np.array([1.0 if word == "open" else measured.bottom["closed"] for word in BOTTOMS])
    return family[table.family] * hand[table.family, table.hand], serves[table.bottom]


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
    swing = 2.0 * np.hypot(table.hole_xy[..., 0], table.hole_xy[..., 1]) * math.sin(math.radians(most_turn_deg) / 2.0)
    play = np.maximum(0.5 * (table.hole_diameter - thinnest_mm), 0.0)
    possible = np.ones(len(table.parts), dtype=np.bool_)
    for i, hole in enumerate(measured.holes):
        centre = measured.mean[3 + 3 * i : 5 + 3 * i] * ((-1.0, 1.0) if mirrored else (1.0, 1.0))
        block = measured.covariance[3 + 3 * i : 5 + 3 * i, 3 + 3 * i : 5 + 3 * i]
        diameter_u = math.sqrt(float(measured.covariance[5 + 3 * i, 5 + 3 * i]))
        old_play = max(0.5 * (float(measured.mean[5 + 3 * i]) + SIGMAS * diameter_u - thinnest_mm), 0.0)
        known = hole.position == CENTRE or all(measured.is_measured(f"holes[{i}].{axis}") for axis in "xy")
        if known:
            slack = SIGMAS * math.sqrt(float(np.linalg.eigvalsh(block)[-1])) + old_play + 0.2
            apart = np.hypot(table.hole_xy[..., 0] - centre[0], table.hole_xy[..., 1] - centre[1])
            near = apart <= slack + play + swing
        else:  # only the direction is known
            turn = np.arctan2(table.hole_xy[..., 0], table.hole_xy[..., 1]) - math.atan2(centre[0], centre[1])
            near = np.abs(np.remainder(turn + math.pi, 2.0 * math.pi) - math.pi) <= math.radians(20.0)
        possible &= near.any(axis=1)
    return possible
