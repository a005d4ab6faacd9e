"""The screw at hand: what the user says, what a reading lets one guess, and the numbers that follow for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from shop.clearance import hole_likelihood
from shop.fasteners import HEADS, Drill
from shop.head_geometry import (
    CAM_THICKNESS_MM,
    DISC_MM,
    POINT_ANGLES_DEG,
    DrillPlan,
    GripPlan,
    HeadMeasure,
    SlotPlan,
    measure_head,
    plan_drill,
    plan_drills,
    plan_grip,
    plan_slot,
)
from shop.threads import CAM_SCREWS, THREADS, Thread, find_thread
from vision.quantity import COVERAGE_FACTOR, NotMeasured, Quantity

SURE: Final = 0.95  # a guessed size is worked with only from here on, and then said to be a guess
# Our own choices, no source: how far a countersink may be smaller (head stands out) or larger (head sits deep) than its
# head, and the weight of "some other screw" beside those that cams usually have.
COUNTERSINK_UNDER_MM: Final = 0.4
COUNTERSINK_OVER_MM: Final = 0.6
OTHER_WEIGHT: Final = 0.05
USUAL: Final = 6  # the first so many of the screws that hold cams are met often, the rest seldom: they count less
SELDOM_WEIGHT: Final = 0.25
RARE_KINDS: Final = ("socket-82", "socket-90", "flat-100")  # seldom met in cams (from memory)
RARE_WEIGHT: Final = 0.2


@dataclass(frozen=True, slots=True)
class Guess:
    """A screw size that holes suggest, with its probability; `size` is empty for "none of the usual ones"."""

    size: str
    thread: str
    probability: float


@dataclass(frozen=True, slots=True)
class Screw:
    """What is known of the stuck screw. Lengths in mm; None is not known. `guesses` come from a reading's holes."""

    thread: Thread | None = None
    head_kind: str | None = None
    head_mm: Quantity | None = None
    length_mm: float | None = None
    thickness_mm: Quantity = CAM_THICKNESS_MM
    hole_mm: Quantity | None = None
    countersink_mm: Quantity | None = None
    point_deg: float = POINT_ANGLES_DEG[0]
    disc_mm: float = DISC_MM
    drill: Drill | None = None
    guesses: tuple[Guess, ...] = ()

    @property
    def working_thread(self) -> Thread | None:
        """The thread to calculate with: the one named, or the one guessed when that is as good as sure."""
        if self.thread is not None:
            return self.thread
        if self.guesses and self.guesses[0].size and self.guesses[0].probability >= SURE:
            return find_thread(self.guesses[0].thread)
        return None

    @property
    def guessed(self) -> bool:
        """Whether the working thread is a guess from a reading."""
        return self.thread is None and self.working_thread is not None


@dataclass(frozen=True, slots=True)
class Numbers:
    """All figures for one screw; what could not be had says why."""

    head: HeadMeasure | NotMeasured
    drills: tuple[DrillPlan, ...] | NotMeasured
    slot: SlotPlan | NotMeasured
    grip: GripPlan | NotMeasured


def numbers_for(screw: Screw) -> Numbers:
    """Slot, drill, depths and grip for the screw at hand; never a figure for a screw whose size is not known."""
    thread = screw.working_thread
    if thread is None:
        if screw.guesses:
            likely = ", ".join(f"{g.size or 'another'} {g.probability:.0%}" for g in screw.guesses[:4])
            unknown = NotMeasured(
                "screw-not-sure", f"screw size not sure ({likely}): compare with a known screw, say which"
            )
        else:
            unknown = NotMeasured("screw-not-known", "screw size not known: name it, as #6-32 or M3")
        return Numbers(unknown, unknown, unknown, unknown)
    if screw.head_kind == "other":
        other = NotMeasured("head-not-countersunk", "no cone to calculate with: the head is not countersunk")
        return Numbers(other, other, other, other)
    if screw.hole_mm is not None and screw.hole_mm.value + screw.hole_mm.u95 < thread.major_mm:
        wrong = NotMeasured(
            "hole-does-not-match",
            f"a {thread.size} screw does not pass a hole of {screw.hole_mm.value:.2f} mm: another size",
        )
        return Numbers(wrong, wrong, wrong, wrong)
    head = measure_head(thread, screw.head_kind, screw.head_mm, screw.length_mm)
    if isinstance(head, NotMeasured):
        return Numbers(head, head, head, head)
    drills: tuple[DrillPlan, ...] | NotMeasured
    if screw.drill is None:
        drills = plan_drills(head, screw.point_deg, screw.hole_mm)
    else:
        one = plan_drill(head, screw.drill, screw.point_deg, screw.hole_mm)
        drills = (one,) if isinstance(one, DrillPlan) else one
    grip = plan_grip(head, drills[0], screw.thickness_mm) if isinstance(drills, tuple) else drills
    return Numbers(head, drills, plan_slot(head, screw.disc_mm), grip)


def countersink_likelihood(diameter_mm: np.ndarray[Any, np.dtype[np.float64]], thread: Thread) -> np.ndarray[Any, Any]:
    """How well countersinks of these diameters go with a screw, 0 to 1: level from its smallest head to its widest.

    Heads seldom met in cams count less.

    Parameters
    ----------
    diameter_mm : ndarray of any shape
    thread : Thread
    """
    result = np.zeros_like(diameter_mm)
    for head in HEADS.values():
        if head.size == thread.size:
            top = head.sharp_max_mm or head.edge_max_mm
            corners = (head.edge_min_mm - COUNTERSINK_UNDER_MM, head.edge_min_mm, top, top + COUNTERSINK_OVER_MM)
            weight = RARE_WEIGHT if head.kind in RARE_KINDS else 1.0
            result = np.maximum(result, np.interp(diameter_mm, corners, (0.0, weight, weight, 0.0)))
    return result


_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)


def _expected(likelihood: Any, measured: Quantity, thread: Thread) -> float:
    """The likelihood averaged over what the measured diameter may truly be (Gauss–Hermite quadrature)."""
    values = likelihood(measured.value + measured.u * _NODES, thread)
    return float(np.dot(values, _WEIGHTS) / _WEIGHTS.sum())


def guess_screw(
    holes: Sequence[tuple[Quantity | None, Quantity | None]], names: Sequence[str] = CAM_SCREWS
) -> tuple[Guess, ...]:
    """The screws that measured holes suggest, most probable first; they add up to one with "none of these".

    Parameters
    ----------
    holes : sequence of (diameter, countersink diameter)
        In mm; None where not measured. All holes take the same screw.
    names : sequence of str
        The threads in question, most met first; those of one size count once.

    Returns
    -------
    tuple of Guess
        Empty when no diameter was measured at all.
    """
    if not any(value is not None for hole in holes for value in hole):
        return ()
    threads: dict[str, Thread] = {}
    for name in names:
        threads.setdefault(THREADS[name].size, THREADS[name])
    weights = {size: 1.0 if rank < USUAL else SELDOM_WEIGHT for rank, size in enumerate(threads)}
    for size, thread in threads.items():
        for diameter, countersink in holes:
            if diameter is not None:
                weights[size] *= _expected(hole_likelihood, diameter, thread)
            if countersink is not None:
                weights[size] *= _expected(countersink_likelihood, countersink, thread)
    total = sum(weights.values()) + OTHER_WEIGHT
    guesses = [Guess(size, threads[size].name, weight / total) for size, weight in weights.items()]
    guesses.append(Guess("", "", OTHER_WEIGHT / total))
    return tuple(sorted(guesses, key=lambda guess: -guess.probability))


def _quantity(record: Any) -> Quantity | None:
    if not isinstance(record, Mapping) or not isinstance(record.get("value"), (int, float)):
        return None
    return Quantity(float(record["value"]), float(record.get("u95", 0.0)) / COVERAGE_FACTOR)


def holes_of_reading(reading: Mapping[str, Any]) -> list[tuple[Quantity | None, Quantity | None]]:
    """Diameter and countersink of each screw hole of a ``camdial.reading/1`` object, with their uncertainty.

    Raises
    ------
    ValueError
        If it is no reading.
    """
    if reading.get("schema") != "camdial.reading/1":
        raise ValueError(
            "not a reading: the object's schema is not camdial.reading/1; make one with camdial read --json"
        )
    pattern = reading.get("pattern")
    holes = pattern.get("holes", []) if isinstance(pattern, Mapping) else []
    return [
        (_quantity(h.get("diameter")), _quantity(h.get("countersink_diameter")))
        for h in holes
        if isinstance(h, Mapping)
    ]


def screw_from_reading(reading: Mapping[str, Any], screw: Screw | None = None) -> Screw:
    """Add to what the user says of the screw what the reading's holes say: the tightest hole, and guesses of the size.

    Raises
    ------
    ValueError
        If it is no reading.
    """
    known = screw or Screw()
    holes = holes_of_reading(reading)
    diameters = [d for d, _ in holes if d is not None]
    countersinks = [c for _, c in holes if c is not None]
    return Screw(
        known.thread,
        known.head_kind,
        known.head_mm,
        known.length_mm,
        known.thickness_mm,
        known.hole_mm or min(diameters, key=lambda q: q.value - q.u95, default=None),
        known.countersink_mm or min(countersinks, key=lambda q: q.value - q.u95, default=None),
        known.point_deg,
        known.disc_mm,
        known.drill,
        guess_screw(holes) if known.thread is None else (),
    )
