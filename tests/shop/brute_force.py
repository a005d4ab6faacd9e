"""The fit decision found again by brute force, with nothing of the code under test but its records.

    python -m tests.shop.brute_force                      500 pairs, 10^6 draws, turns in steps of 0.01 degrees
    python -m tests.shop.brute_force --pairs 50 --draws 100000
    python -m tests.shop.brute_force --first 250 --pairs 250 --keep brute.jsonl    in parts, going on after a stop

Draws are made here anew (rejection for the round zones, Cholesky for the reading), turns are tried one by one, and
holes are given out in every order. A turn of the coarse steps that fits is a fit; a draw is looked at in fine steps
only where the coarse ones, given how far a hole moves between them, leave it open.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from shop.fits import FitOptions, decide, measured_part_by_hand
from shop.measured import MeasuredPart
from shop.parts import Part, parse_holes
from shop.threads import THREADS

CHUNK = 50_000
COARSE_DEG = 0.5
FINE_DEG = 0.01
MOST_DEG = 3.0
LIFT_MM = 0.2
LIST_U_MM = 0.025
TOLERANCE_MM = 0.5


@dataclass(frozen=True, slots=True)
class Pair:
    """A part as measured, a candidate, and the cylinder's screw."""

    measured: MeasuredPart
    new: Part
    screw: str


@dataclass(frozen=True, slots=True)
class Compared:
    """One pair decided twice."""

    pair: int
    stated: float
    brute: float
    same: bool  # the same verdict
    agree: bool  # or a probability on a limit, within three standard errors


def random_pair(rng: np.random.Generator) -> Pair:
    """One to three holes; the candidate differs from the part by little enough for the answer to be open."""
    screw = str(rng.choice(["#4-40", "#5-40", "#6-32", "M3"]))
    major = THREADS[screw].major_mm
    count = int(rng.integers(1, 4))
    turn = rng.uniform(0, 360)
    sunk = bool(rng.random() < 0.25)
    old, new = [], []
    common = rng.normal(0.0, 1.2)
    spread = rng.choice([0.02, 0.1, 0.2, 0.35])
    for i in range(count):
        angle = (turn + i * rng.uniform(95, 125)) % 360
        radius = rng.uniform(4.2, 6.0)
        diameter = major + rng.uniform(0.25, 0.8)
        u = rng.choice([0.02, 0.06, 0.15])
        sink = "/7.5" if sunk else ""
        if i == 2 and rng.random() < 0.3:
            old.append(f"centre:{diameter:.3f}±0.05{sink}")
            new.append(f"centre:{diameter + rng.uniform(-0.1, 0.2):.3f}")
            continue
        old.append(f"{angle:.3f}±{math.degrees(u / radius):.3f}@{radius:.3f}±{u}:{diameter:.3f}±0.05{sink}")
        moved = angle + common + math.degrees(rng.normal(0, spread) / radius)
        new.append(f"{moved % 360:.3f}@{radius + rng.normal(0, spread):.3f}:{diameter + rng.uniform(-0.1, 0.2):.3f}")
    if rng.random() < 0.2:
        new.append(f"{(turn + 60) % 360:.3f}@11:3.5")
    rng.shuffle(new)
    reach = rng.uniform(18, 24)
    u95 = rng.choice([0.1, 0.3])
    measured = measured_part_by_hand(
        "cloverleaf", "closed", None, f"{reach:.3f}±{u95}", None, "; ".join(old), screws=(screw,)
    )
    try:
        holes_new = parse_holes("; ".join(new))
    except ValueError:  # two holes that overlap: no part
        return random_pair(rng)
    part = Part("new", "cloverleaf", "closed", "none", reach + rng.normal(0, 0.3), holes_new)
    return Pair(measured, part, screw)


def brute_probability(pair: Pair, draws: int, rng: np.random.Generator) -> float:
    """Share of draws in which the candidate fits."""
    good = done = 0
    while done < draws:
        count = min(CHUNK, draws - done)
        kept, fits = _chunk(pair, count, rng)
        good += fits
        done += kept
    return good / done


def _zone(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Normal points of standard deviation 1/3, those outside the unit circle thrown again."""
    points = rng.normal(0.0, 1.0 / 3.0, (*shape, 2))
    while True:
        outside = np.hypot(points[..., 0], points[..., 1]) > 1.0
        if not outside.any():
            return points
        points[outside] = rng.normal(0.0, 1.0 / 3.0, (int(outside.sum()), 2))


def _chunk(pair: Pair, count: int, rng: np.random.Generator) -> tuple[int, int]:
    measured, new = pair.measured, pair.new
    n, m = len(measured.holes), len(new.holes)
    major = THREADS[pair.screw].major_mm
    kept = [0, *range(3, len(measured.names))]  # reach and holes: the other lengths have no part in it
    root = np.linalg.cholesky(measured.covariance[np.ix_(kept, kept)] + 1e-14 * np.eye(len(kept)))
    state = measured.mean[kept] + rng.standard_normal((count, len(kept))) @ root.T
    holes = state[:, 1:].reshape(count, n, 3)
    passes = (holes[:, :, 2] > major).all(axis=1)  # the old part took its screws
    state, holes = state[passes], holes[passes]
    count = len(state)
    sunk = measured.holes[0].countersunk > 0.5
    lifted = LIFT_MM * math.tan(math.radians(90.0 if pair.screw.startswith("M") else 82.0) / 2.0)
    play = 0.5 * (holes[:, :, 2] - major)
    if sunk:
        play = np.minimum(play, lifted)
    half = 0.5 * play[..., None]
    threads = holes[:, :, :2] + half * _zone(rng, (count, n)) + half * _zone(rng, (count, n))
    centres = np.array([hole.xy_mm for hole in new.holes]) + rng.normal(0.0, LIST_U_MM, (count, m, 2))
    diameters = np.array([hole.diameter_mm for hole in new.holes]) + rng.normal(0.0, LIST_U_MM, (count, 1))
    limits = 0.5 * (diameters - major)
    if sunk:
        limits = np.minimum(limits, lifted)
    fits = np.abs(state[:, 0] - new.reach_mm - rng.normal(0.0, LIST_U_MM, count)) <= TOLERANCE_MM
    rows = np.nonzero(fits)[0]
    # Rounding to 24 bits moves a hole by a millionth of a millimetre, and halves the time.
    screws = _turned(*(part[rows].astype(np.float32) for part in (threads, centres, limits)))
    return count, int(screws.sum())


def _turned(threads: np.ndarray, centres: np.ndarray, limits: np.ndarray) -> np.ndarray:
    """Whether some turn fits, (N,).

    Draws that a coarse step settles are left out from then on; none is settled by anything but a turn that was tried, or
    by a hole too near the axis, or too far from it, for any turn.
    """
    count, n, m = len(threads), threads.shape[1], centres.shape[1]
    fits = np.zeros(count, dtype=bool)
    if m < n or not count:
        return fits
    radius = np.hypot(centres[..., 0], centres[..., 1])
    off = np.abs(np.hypot(threads[..., 0], threads[..., 1])[:, :, None] - radius[:, None, :])
    left = np.nonzero(_any_order(off <= limits[:, None, :]))[0]
    moved = radius * math.radians(COARSE_DEG / 2.0)  # farther than this a hole does not get from a coarse step
    steps = sorted(np.arange(-MOST_DEG, MOST_DEG + 1e-9, COARSE_DEG).tolist(), key=abs)
    open_at = np.zeros((count, len(steps)), dtype=bool)
    for k, turn in enumerate(steps):
        sure, maybe = _at(threads[left], centres[left], limits[left], moved[left], turn)
        fits[left] = sure
        open_at[left, k] = maybe
        left = left[~sure]
    for k, turn in enumerate(steps):
        rows = left[open_at[left, k] & ~fits[left]]
        parts = threads[rows], centres[rows], limits[rows]
        for fine in np.arange(turn - COARSE_DEG / 2, turn + COARSE_DEG / 2 + 1e-9, FINE_DEG):
            if abs(fine) > MOST_DEG + 1e-9 or not len(rows):
                continue
            sure = _at(*parts, None, fine)[0]
            if sure.any():
                fits[rows[sure]] = True
                rows, parts = rows[~sure], (parts[0][~sure], parts[1][~sure], parts[2][~sure])
    return fits


def _at(
    threads: np.ndarray, centres: np.ndarray, limits: np.ndarray, moved: np.ndarray | None, turn_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """At one turn: does it fit, and might it within half a coarse step of it."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    x, y = c * centres[..., 0] + s * centres[..., 1], -s * centres[..., 0] + c * centres[..., 1]
    apart2 = (threads[:, :, None, 0] - x[:, None, :]) ** 2 + (threads[:, :, None, 1] - y[:, None, :]) ** 2
    sure = _any_order(apart2 <= (limits * np.abs(limits))[:, None, :])
    if moved is None:
        return sure, sure
    room = limits + moved
    return sure, _any_order(apart2 <= (room * np.abs(room))[:, None, :])


def _any_order(near: np.ndarray) -> np.ndarray:
    """Whether the holes can be given out, one to each thread, (N, n, m) to (N,)."""
    n, m = near.shape[1:]
    found = np.zeros(len(near), dtype=bool)
    for order in itertools.permutations(range(m), n):
        one = near[:, 0, order[0]].copy()
        for i in range(1, n):
            one &= near[:, i, order[i]]
        found |= one
    return found


def compare_pairs(first: int, pairs: int, draws: int, seed: int) -> Iterator[Compared]:
    """Pair after pair: probability by the product, by brute force, and whether the verdicts agree.

    Verdicts may differ only where the probability lies on a limit to within three standard errors of both.
    """
    options = FitOptions()
    for i in range(first, first + pairs):
        rng = np.random.default_rng([seed, i])
        pair = random_pair(rng)
        stated = decide(pair.measured, [pair.new], options).candidates[0]
        brute = brute_probability(pair, draws, rng)
        error = 3.0 * math.sqrt(0.05 * 0.95 * (1.0 / options.draws + 1.0 / draws))
        verdict = "fits" if brute >= 0.95 else "does-not-fit" if brute <= 0.05 else "measure"
        agree = verdict == stated.verdict or min(abs(brute - 0.05), abs(brute - 0.95)) < error
        yield Compared(i, stated.probability, brute, verdict == stated.verdict, agree)


def table_text(found: Sequence[Compared], draws: int) -> str:
    """The agreement as lines."""
    stated, brute = (np.array([getattr(row, name) for row in found]) for name in ("stated", "brute"))
    off = stated - brute
    error = np.sqrt(np.maximum(brute * (1.0 - brute), 1e-4) * (1.0 / 20_000 + 1.0 / draws))
    lines = [
        f"pairs {len(found)}, draws {draws}, turns in steps of {FINE_DEG} degrees",
        f"the same verdict           {sum(row.same for row in found)} of {len(found)}",
        f"  or on a limit, within 3 standard errors: {sum(row.agree for row in found)}",
        f"difference of probability  mean {off.mean():+.5f}, largest {np.abs(off).max():.5f}",
        f"in standard errors         rms {np.sqrt(((off / error) ** 2).mean()):.2f}",
    ]
    for low, high in ((0.0, 0.05), (0.05, 0.5), (0.5, 0.95), (0.95, 1.01)):
        inside = (brute >= low) & (brute < high)
        lines.append(f"  probability {low:.2f} to {min(high, 1.0):.2f}: {int(inside.sum())} pairs")
    return "\n".join(lines)


def main() -> None:
    """Run the pairs that are not yet in the file, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--pairs", type=int, default=500)
    parser.add_argument("--draws", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--keep", type=Path, help="file of JSON lines: what is in it already is not run again")
    given = parser.parse_args()
    done: dict[int, Compared] = {}
    if given.keep is not None and given.keep.exists():
        for line in given.keep.read_text(encoding="utf-8").splitlines():
            row = Compared(**json.loads(line))
            done[row.pair] = row
    wanted = range(given.first, given.first + given.pairs)
    for i in wanted:
        if i in done:
            continue
        done[i] = next(compare_pairs(i, 1, given.draws, given.seed))
        if given.keep is not None:
            with given.keep.open("a", encoding="utf-8") as out:
                out.write(json.dumps(asdict(done[i])) + "\n")
        if sys.stderr.isatty():
            print(f"{i}: {done[i].stated:.4f} and {done[i].brute:.4f}", file=sys.stderr, flush=True)
    print(table_text([done[i] for i in wanted], given.draws))


if __name__ == "__main__":
    main()
