"""The whole question played through on the demo list: a part is drawn, read with noise, compared, measured again.

    python -m tests.shop.simulated_shop --readings 1000

The truth is drawn apart from the code under test: the part, the screws of its cylinder and where the threads lie are
drawn first; whether a candidate fits is then found by trying turns in steps of 0.01°, on exact numbers.
"""

from __future__ import annotations

import argparse
import itertools
import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from shop.calliper import CalliperQuantity, Finding, parse_finding, take_in, value_of
from shop.fits import Candidate, FitOptions, decide, measured_part_from_reading
from shop.measured import MeasuredPart
from shop.parts import Part, PartHole, read_csv
from shop.parts_table import PartsTable, table_of
from shop.threads import THREADS
from vision.quantity import Quantity
from vision.vocabulary import BOTTOMS, CENTRE, FAMILIES, HANDED_FAMILIES, clock_from_angle, mirror_hand, wrap_deg

ASKED_AT_MOST = 4
DEMO = Path(__file__).parents[2] / "shop" / "data" / "demo_parts.csv"


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard uncertainties of a reading, mm; confidences are drawn from these, and labels are right as often."""

    name: str
    relative: float  # of all lengths together (the scale reference)
    edge_mm: float  # reach, tail width, hub
    axis_mm: float  # of the axis, common to all holes, each coordinate
    tail_deg: float  # of 12 o'clock, common to all holes
    hole_mm: float  # of a hole's own centre, each coordinate
    diameter_mm: float
    confidences: tuple[float, ...] = (0.999, 0.999, 0.998, 0.998, 0.995, 0.99, 0.97)


CARD = Noise("printed card", 0.003, 0.04, 0.025, 0.15, 0.015, 0.03)
COIN = Noise("lone coin", 0.0065, 0.06, 0.03, 0.25, 0.02, 0.04)


def reading_of(part: Part, noise: Noise, rng: np.random.Generator, *, facing_known: bool = False) -> dict[str, Any]:
    """A reading of a part with errors drawn as they are stated, in the reading's own JSON form."""
    scale = 1.0 + noise.relative * rng.standard_normal()
    axis = noise.axis_mm * rng.standard_normal(2)
    turn = noise.tail_deg * rng.standard_normal()
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    facing, p_facing = _label("screw", ("screw", "plug"), noise, rng)
    if facing_known:
        facing, p_facing = "screw", 1.0
    mirror = -1.0 if facing == "plug" else 1.0
    names, values = ["reach", "tail_width", "hub_diameter"], []
    true = [part.reach_mm, part.tail_width_mm or 8.0, part.hub_diameter_mm or 19.0]
    n = len(part.holes)
    size = 3 + 3 * n
    covariance = np.zeros((size, size))
    for k, length in enumerate(true):
        values.append(scale * length + noise.edge_mm * rng.standard_normal() + (axis[1] if k == 0 else 0.0))
        covariance[k, k] = noise.edge_mm**2
    gradients = np.zeros((size, 4))  # relative scale, axis x, axis y, tail direction in radians
    gradients[:3, 0] = true
    gradients[0, 2] = 1.0
    holes = []
    for i, hole in enumerate(part.holes):
        x, y = hole.xy_mm
        at = scale * np.array([c * x + s * y, -s * x + c * y]) + axis + noise.hole_mm * rng.standard_normal(2)
        at[0] *= mirror
        diameter = scale * hole.diameter_mm + noise.diameter_mm * rng.standard_normal()
        rows = slice(3 + 3 * i, 6 + 3 * i)
        gradients[rows, 0] = (mirror * x, y, hole.diameter_mm)
        gradients[rows, 1] = (mirror, 0.0, 0.0)
        gradients[rows, 2] = (0.0, 1.0, 0.0)
        gradients[rows, 3] = (mirror * y, -x, 0.0)
        covariance[rows, rows] = np.diag([noise.hole_mm**2] * 2 + [noise.diameter_mm**2])
        names += [f"holes[{i}].x", f"holes[{i}].y", f"holes[{i}].diameter"]
        values += [at[0], at[1], diameter]
        radius, angle = float(np.hypot(*at)), math.degrees(math.atan2(at[0], at[1]))
        spread = 2.0 * math.hypot(noise.axis_mm, noise.hole_mm)
        centred = radius < 0.25 * diameter
        record: dict[str, Any] = {
            "position": CENTRE if centred else clock_from_angle(angle),
            "angle": None if centred else {"value": wrap_deg(angle), "u95": math.degrees(spread / radius)},
            "radius": {"value": radius, "u95": spread},
            "diameter": {"value": diameter, "u95": 2.0 * noise.diameter_mm},
        }
        if hole.countersink_mm is not None and facing == "screw":
            record["countersink_diameter"] = {"value": hole.countersink_mm, "u95": 0.2}
        holes.append(record)
    inputs = np.diag([noise.relative**2, noise.axis_mm**2, noise.axis_mm**2, math.radians(noise.tail_deg) ** 2])
    covariance += gradients @ inputs @ gradients.T
    family, _ = _label(part.family, FAMILIES, noise, rng)
    bottom, p_bottom = _label(part.bottom, BOTTOMS, noise, rng)
    hand = mirror_hand(part.hand) if facing == "plug" else part.hand
    p_hand = 0.99
    if part.family in HANDED_FAMILIES and rng.random() > p_hand:
        hand = mirror_hand(hand)
    u95 = 2.0 * np.sqrt(np.diag(covariance))
    dimensions = {name: {"value": values[k], "u95": float(u95[k])} for k, name in enumerate(names[:3])}
    return {
        "schema": "camdial.reading/1",
        "outcome": "read",
        "photo": {"name": f"{part.part}.jpg", "sha256": "0" * 64},
        "family": _family(family, noise, rng),
        "bottom": {"label": bottom, "probability": p_bottom},
        "hand": {"label": hand, "probability": p_hand},
        "facing": {"label": facing, "probability": p_facing},
        "pattern": {"clock": [h["position"] for h in holes], "holes": holes},
        "dimensions": dimensions,
        "covariance": {"quantities": names, "matrix": covariance.tolist()},
    }


def _label(true: str, words: tuple[str, ...], noise: Noise, rng: np.random.Generator) -> tuple[str, float]:
    p = float(rng.choice(noise.confidences))
    if rng.random() < p:
        return true, p
    return str(rng.choice([word for word in words if word != true])), p


def _family(label: str, noise: Noise, rng: np.random.Generator) -> dict[str, Any]:
    p = float(rng.choice(noise.confidences))
    return {"label": label, "probability": p, "plausible": [label] if p >= 0.95 else list(FAMILIES)}


# ------------------------------------------------------------------------------------------------- the truth


@dataclass(frozen=True, slots=True)
class Lock:
    """What the part came off: its cylinder's threads and screws."""

    threads_mm: np.ndarray
    major_mm: float


def lock_of(part: Part, rng: np.random.Generator) -> Lock:
    """A cylinder the part fitted: each thread off its hole by the sum of two errors of half the clearance each."""
    thread = THREADS[part.screw or "#5-40"]
    angle = 90.0 if thread.name.startswith("M") else 82.0
    at = []
    for hole in part.holes:
        play = 0.5 * (hole.diameter_mm - thread.major_mm)
        if hole.countersink_mm is not None:
            play = min(play, 0.2 * math.tan(math.radians(angle) / 2.0))
        at.append(np.array(hole.xy_mm) + 0.5 * play * (_disc(rng) + _disc(rng)))
    return Lock(np.array(at), thread.major_mm)


def _disc(rng: np.random.Generator) -> np.ndarray:
    while True:
        point = rng.uniform(-1.0, 1.0, 2)
        if point @ point <= 1.0:
            return point


def truly_fits(old: Part, new: Part, lock: Lock, *, countersunk: bool) -> bool:
    """Whether a part fits, tried turn by turn."""
    if (new.family, new.hand) != (old.family, old.hand) or (old.bottom == "open" and new.bottom == "closed"):
        return False
    if abs(new.reach_mm - old.reach_mm) > 0.5 + 1e-9:
        return False
    if old.tail_width_mm and new.tail_width_mm and abs(new.tail_width_mm - old.tail_width_mm) > 0.5 + 1e-9:
        return False
    return screws_truly_fit(lock.threads_mm, lock.major_mm, new.holes, countersunk=countersunk)


def screws_truly_fit(
    threads_mm: np.ndarray, major_mm: float, holes: tuple[PartHole, ...], *, countersunk: bool, head_deg: float = 82.0
) -> bool:
    """Some turn of up to 3°, in steps of 0.01°, brings a hole of its own over each thread."""
    if len(holes) < len(threads_mm):
        return False
    turns = np.radians(np.linspace(-3.0, 3.0, 601))
    xy = np.array([hole.xy_mm for hole in holes])
    c, s = np.cos(turns)[:, None], np.sin(turns)[:, None]
    turned = np.stack([c * xy[:, 0] + s * xy[:, 1], -s * xy[:, 0] + c * xy[:, 1]], axis=-1)  # (turns, m, 2)
    play = np.array([0.5 * (hole.diameter_mm - major_mm) for hole in holes])
    sunk = np.array([countersunk or hole.countersink_mm is not None for hole in holes])
    play = np.where(sunk, np.minimum(play, 0.2 * math.tan(math.radians(head_deg) / 2.0)), play)
    within = np.linalg.norm(turned[:, None] - threads_mm[None, :, None], axis=-1) <= play  # (turns, n, m)
    for choice in itertools.permutations(range(len(holes)), len(threads_mm)):
        if within[:, range(len(threads_mm)), choice].all(axis=1).any():
            return True
    return False


# ------------------------------------------------------------------------------------------------- played through


@dataclass(slots=True)
class Tally:
    """Counts over all readings."""

    readings: int = 0
    first: int = 0
    first_other: dict[str, int] = field(default_factory=dict)
    right_verdict: dict[str, int] = field(default_factory=lambda: {"fits": 0, "measure": 0, "does-not-fit": 0})
    pairs_not_fitting: int = 0
    false_fits: int = 0
    called_fits: int = 0
    readings_with_false_fit: int = 0
    pairs_fitting: int = 0
    false_no: int = 0
    pairs: int = 0
    measure: int = 0
    after: int = 0
    after_right: int = 0
    asked: dict[str, int] = field(default_factory=dict)
    answered: int = 0
    answered_right: int = 0
    left_open: int = 0
    steps: int = 0
    wrong_after: list[str] = field(default_factory=list)
    calibration: list[tuple[float, bool]] = field(default_factory=list)


def measure_truly(measured: MeasuredPart, key: str, old: Part, lock: Lock, rng: np.random.Generator) -> Finding | None:
    """What a person with a calliper would find on the true part; None for a trial."""
    if not key:
        return None
    words = {"bottom": old.bottom, "family": old.family, "hand": old.hand, "facing": "screw", "drawing": "right"}
    if key in words:
        return parse_finding(f"{key}={words[key]}", measured)
    quantity = parse_finding(f"{key}=1", measured).quantity
    error = 0.025 * rng.standard_normal()
    if quantity.kind == "screw-diameter":
        return Finding(quantity, Quantity(lock.major_mm - rng.uniform(0.02, 0.14) + error, 0.025))
    if quantity.kind == "thread-distance":
        i, j = quantity.holes
        return Finding(quantity, Quantity(math.dist(lock.threads_mm[i], lock.threads_mm[j]) + error, 0.025))
    state = [old.reach_mm, old.tail_width_mm or 8.0, old.hub_diameter_mm or 19.0]
    for hole in old.holes:
        state += [*hole.xy_mm, hole.diameter_mm]
    value = float(value_of(CalliperQuantity(quantity.kind, quantity.holes), np.array([state]))[0])
    return Finding(quantity, Quantity(value + error, 0.025))


def play(readings: int, noise: Noise, seed: int, *, facing_known: bool = False, screws_known: bool = False) -> Tally:
    """Play the shop's day: draw parts, read them, compare, and where the answer is `measure`, measure and ask again."""
    rng = np.random.default_rng(seed)
    parts = read_csv(DEMO).parts
    by_number = {part.part: part for part in parts}
    table = table_of(parts)
    tally = Tally()
    for _ in range(readings):
        old = parts[int(rng.integers(len(parts)))]
        lock = lock_of(old, rng)
        reading = reading_of(old, noise, rng, facing_known=facing_known)
        measured = measured_part_from_reading(reading)
        options = FitOptions(screws=(old.screw,) if screws_known and old.screw else ())
        report = decide(measured, table, options)
        tally.readings += 1
        first = report.candidates[0]
        tally.first += first.part == old.part
        if first.part != old.part:
            pair = f"{old.part} read as {first.part}"
            tally.first_other[pair] = tally.first_other.get(pair, 0) + 1
        sunk = any(hole.countersink_mm is not None for hole in old.holes)
        wrong_here = False
        for rank, candidate in enumerate(report.candidates):
            new = by_number[candidate.part]
            truth = truly_fits(old, new, lock, countersunk=sunk)
            tally.pairs += 1
            tally.pairs_fitting += truth
            tally.pairs_not_fitting += not truth
            if candidate.part == old.part:
                tally.right_verdict[candidate.verdict] += 1
            if candidate.verdict == "fits":
                tally.called_fits += 1
                tally.false_fits += not truth
                wrong_here |= not truth
            tally.false_no += candidate.verdict == "does-not-fit" and truth
            if candidate.probability > 0.0:
                tally.calibration.append((candidate.probability, truth))
            if candidate.verdict == "measure":
                tally.measure += 1
                if rank > 3 or candidate.decide_by is None:
                    continue
                _measured_through(tally, measured, table, candidate, old, new, lock, truth, options, rng)
        tally.readings_with_false_fit += wrong_here
    return tally


def _measured_through(
    tally: Tally, measured: MeasuredPart, table: PartsTable, candidate: Candidate, old: Part, new: Part, lock: Lock,
    truth: bool, options: FitOptions, rng: np.random.Generator,
) -> None:  # fmt: skip
    """Measure what is asked for until there is an answer; decide after the first by the better half, too."""
    sunk = any(hole.countersink_mm is not None for hole in old.holes)
    before, asked = candidate.probability, []
    for step in range(ASKED_AT_MOST):
        decide_by = candidate.decide_by
        if candidate.verdict != "measure" or decide_by is None:
            break
        asked.append(decide_by.quantity)
        tally.asked[decide_by.quantity] = tally.asked.get(decide_by.quantity, 0) + 1
        finding = measure_truly(measured, decide_by.measure, old, lock, rng)
        if finding is None:  # a trial on the cylinder: asked for when all but the screws is settled
            starts = screws_truly_fit(lock.threads_mm, lock.major_mm, new.holes, countersunk=sunk)
            candidate = replace(
                candidate, verdict="fits" if starts else "does-not-fit", probability=float(starts), decide_by=None
            )
        else:
            measured = take_in(measured, [finding])
            found = decide(measured, table, replace(options, draws=4000)).candidates
            candidate = next(one for one in found if one.part == new.part)
        if step == 0:
            tally.after += 1
            tally.after_right += (candidate.probability > 0.5) == truth
    tally.steps += len(asked)
    if candidate.verdict == "measure":
        tally.left_open += 1
        return
    tally.answered += 1
    right = (candidate.verdict == "fits") == truth
    tally.answered_right += right
    if not right:
        tally.wrong_after.append(
            f"{old.part} for {new.part}: {before:.2f}, {', '.join(asked)}, then {candidate.verdict}, in truth "
            f"{'fits' if truth else 'does not'}"
        )


def table_text(name: str, tally: Tally) -> str:
    """The figures as lines of a table."""
    n = tally.readings
    rows = [
        ("right part first", f"{tally.first / n:.1%}"),
        (
            "right part called fits / measure / does-not-fit",
            " / ".join(f"{v / n:.1%}" for v in tally.right_verdict.values()),
        ),
        ("parts that do not fit called fits", f"{tally.false_fits / max(tally.pairs_not_fitting, 1):.3%}"),
        ("  of all that are called fits", f"{tally.false_fits / max(tally.called_fits, 1):.2%} of {tally.called_fits}"),
        ("  readings with one or more", f"{tally.readings_with_false_fit / n:.2%}"),
        ("parts that fit called does-not-fit", f"{tally.false_no / max(tally.pairs_fitting, 1):.2%}"),
        ("share of measure among pairs", f"{tally.measure / tally.pairs:.2%}, {tally.measure / n:.2f} a reading"),
        ("decided rightly after one measurement", f"{tally.after_right / max(tally.after, 1):.1%} of {tally.after}"),
        (
            f"answered after up to {ASKED_AT_MOST}, rightly",
            f"{tally.answered_right / max(tally.answered, 1):.1%} of {tally.answered}, {tally.left_open} left open, "
            f"{tally.steps / max(tally.answered + tally.left_open, 1):.2f} measurements each",
        ),
        ("asked for", ", ".join(f"{k} {v}" for k, v in sorted(tally.asked.items(), key=lambda kv: -kv[1]))),
    ]
    p = np.array([a for a, _ in tally.calibration])
    t = np.array([b for _, b in tally.calibration], dtype=float)
    for low, high in ((0.0, 0.05), (0.05, 0.3), (0.3, 0.7), (0.7, 0.95), (0.95, 0.99), (0.99, 1.01)):
        inside = (p >= low) & (p < high)
        if inside.any():
            text = f"stated {p[inside].mean():.3f}, true {t[inside].mean():.3f} of {int(inside.sum())}"
            rows.append((f"  probability {low:.2f} to {min(high, 1.0):.2f}", text))
    width = max(len(label) for label, _ in rows)
    return "\n".join([f"{name}: {n} readings", *(f"  {label:<{width}}  {text}" for label, text in rows)])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=500)
    parser.add_argument("--seed", type=int, default=5)
    given = parser.parse_args()
    for noise in (CARD, COIN):
        print(table_text(noise.name, play(given.readings, noise, given.seed)))
        known = play(given.readings, noise, given.seed, facing_known=True, screws_known=True)
        print(table_text(f"{noise.name}, face and screws told", known))
        for pair, count in sorted(known.first_other.items(), key=lambda item: -item[1])[:5]:
            print(f"    {pair}: {count}")
        for line in known.wrong_after[:10]:
            print(f"    wrong after the measurement: {line}")


if __name__ == "__main__":
    main()
