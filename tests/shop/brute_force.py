"""The fit decision found again by brute force, with nothing of the code under test but its records.

    python -m tests.shop.brute_force                      500 pairs, 10^6 draws, turns in steps of 0.01 degrees
    python -m tests.shop.brute_force --pairs 50 --draws 100000

Draws are made here anew (rejection for the round zones, Cholesky for the reading), turns are tried one by one, and
holes are given out in every order. A turn of the coarse steps that fits is a fit; a draw is looked at in fine steps
only where the coarse ones, given how far a hole moves between them, leave it open.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
import time
from dataclasses import dataclass

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
    screws = _turned(threads[rows], centres[rows], limits[rows])
    return count, int(screws.sum())


def _turned(threads: np.ndarray, centres: np.ndarray, limits: np.ndarray) -> np.ndarray:
    """Whether some turn fits, (N,)."""
    radius = np.hypot(centres[..., 0], centres[..., 1])
    moved = radius * math.radians(COARSE_DEG / 2.0)  # farther than this a hole does not get from a coarse step
    fits = np.zeros(len(threads), dtype=bool)
    steps = np.arange(-MOST_DEG, MOST_DEG + 1e-9, COARSE_DEG)
    open_at = np.zeros((len(threads), len(steps)), dtype=bool)
    for k, turn in enumerate(steps):
        sure, maybe = _at(threads, centres, limits, moved, turn)
        fits |= sure
        open_at[:, k] = maybe
    for k, turn in enumerate(steps):
        rows = np.nonzero(~fits & open_at[:, k])[0]
        if not len(rows):
            continue
        found = np.zeros(len(rows), dtype=bool)
        for fine in np.arange(turn - COARSE_DEG / 2, turn + COARSE_DEG / 2 + 1e-9, FINE_DEG):
            if abs(fine) <= MOST_DEG + 1e-9:
                found |= _at(threads[rows], centres[rows], limits[rows], moved[rows], fine)[0]
        fits[rows] |= found
    return fits


def _at(
    threads: np.ndarray, centres: np.ndarray, limits: np.ndarray, moved: np.ndarray, turn_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """At one turn: does it fit, and might it within half a coarse step of it."""
    n, m = threads.shape[1], centres.shape[1]
    sure, maybe = np.zeros(len(threads), dtype=bool), np.zeros(len(threads), dtype=bool)
    if m < n:
        return sure, maybe
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    x, y = c * centres[..., 0] + s * centres[..., 1], -s * centres[..., 0] + c * centres[..., 1]
    apart = np.hypot(threads[:, :, None, 0] - x[:, None, :], threads[:, :, None, 1] - y[:, None, :])
    within, near = apart <= limits[:, None, :], apart <= (limits + moved)[:, None, :]
    for order in itertools.permutations(range(m), n):
        sure |= within[:, range(n), order].all(axis=1)
        maybe |= near[:, range(n), order].all(axis=1)
    return sure, maybe


def compare_pairs(pairs: int, draws: int, seed: int, *, say: bool = False) -> list[tuple[float, float, bool]]:
    """For each pair: probability by the product, by brute force, and whether the verdicts agree.

    Verdicts may differ only where the probability lies on a limit to within three standard errors of both.
    """
    rng = np.random.default_rng(seed)
    options = FitOptions()
    found = []
    started = time.monotonic()
    for i in range(pairs):
        pair = random_pair(rng)
        stated = decide(pair.measured, [pair.new], options).candidates[0]
        brute = brute_probability(pair, draws, rng)
        error = 3.0 * math.sqrt(0.05 * 0.95 * (1.0 / options.draws + 1.0 / draws))
        verdict = "fits" if brute >= 0.95 else "does-not-fit" if brute <= 0.05 else "measure"
        agree = verdict == stated.verdict or min(abs(brute - 0.05), abs(brute - 0.95)) < error
        found.append((stated.probability, brute, agree))
        if say and (i + 1) % 25 == 0:
            print(f"{i + 1} pairs, {time.monotonic() - started:.0f} s", file=sys.stderr, flush=True)
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", type=int, default=500)
    parser.add_argument("--draws", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=7)
    given = parser.parse_args()
    found = np.array(compare_pairs(given.pairs, given.draws, given.seed, say=True), dtype=float)
    off = found[:, 0] - found[:, 1]
    error = np.sqrt(np.maximum(found[:, 1] * (1.0 - found[:, 1]), 1e-4) * (1.0 / 20_000 + 1.0 / given.draws))
    print(f"pairs {given.pairs}, draws {given.draws}")
    print(f"verdicts that agree        {int(found[:, 2].sum())} of {given.pairs}")
    print(f"difference of probability  mean {off.mean():+.5f}, largest {np.abs(off).max():.5f}")
    print(f"in standard errors         rms {np.sqrt(((off / error) ** 2).mean()):.2f}")
    for low, high in ((0.0, 0.05), (0.05, 0.5), (0.5, 0.95), (0.95, 1.01)):
        inside = (found[:, 1] >= low) & (found[:, 1] < high)
        print(f"  probability {low:.2f} to {min(high, 1.0):.2f}: {int(inside.sum())} pairs")


if __name__ == "__main__":
    main()
