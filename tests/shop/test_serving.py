"""Many candidates worked out at once, against turns tried one by one and against each candidate drawn by brute force."""

import math
from dataclasses import replace

import numpy as np
import pytest

from shop.clearance import head_deg_of, offset_at_lift_mm
from shop.draws import Unmeasured, draw
from shop.fits import FitOptions, decide
from shop.measured import measured_part_by_hand
from shop.parts import Part, parse_holes
from shop.parts_table import table_of
from shop.serving import Serving
from shop.threads import THREADS
from tests.shop.brute_force import Pair, _turned, brute_probability

OLD = "61±0.5@4.55±0.1:3.9±0.05; 209±0.5@4.55±0.1:3.9±0.05"
LIFT_MM = 0.2


def near_twins(count, rng, angles=(61.0, 209.0)):
    """Parts that differ from the old one by little: holes moved, turned, written in another order, one too many, sunk."""
    parts = []
    for i in range(count):
        turn = rng.normal(0.0, 2.0)
        holes = [
            f"{(angle + turn + rng.normal(0.0, 1.5)) % 360:.3f}@{4.55 + rng.normal(0.0, 0.15):.3f}:{3.9 + rng.uniform(-0.3, 0.4):.3f}"
            for angle in angles
        ]
        if i % 3 == 0:
            holes.append(f"{105 + rng.uniform(-10, 10):.1f}@6.5:3.4")
        if i % 4 == 0:
            holes = [f"{hole}/7.5" for hole in holes]
        if i % 5 == 0:
            holes.append("centre:3.3")
        rng.shuffle(holes)
        reach = 21.4 + rng.normal(0.0, 0.4)
        parts.append(Part(f"P{i}", "cloverleaf", "closed", "none", reach, parse_holes("; ".join(holes))))
    return parts


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(
    "holes", [OLD, "61±0.5@5±4:3.9±0.05; 209±0.5@4.55±0.1:3.9±0.05"], ids=["measured", "by the clock"]
)
def test_every_draw_of_many_parts_is_as_by_turns_tried_one_by_one(holes, mirrored):
    """The turns are those of the brute force, in steps of 0.01°; limits are worked out here from play and head."""
    rng = np.random.default_rng(8)
    parts = near_twins(25, rng, (299.0, 151.0) if mirrored else (61.0, 209.0))
    old = measured_part_by_hand("cloverleaf", "closed", None, "21.4", None, holes)
    draws = draw(old, 300, rng, most_lift_mm=LIFT_MM, list_u95_mm=0.05, screws=("#5-40",))
    unmeasured = Unmeasured(draws, old)
    table = table_of(parts)
    serving = Serving(draws, unmeasured.places(mirrored=mirrored), 3.0)
    found = serving.agree(table, np.arange(len(parts)))
    thread = THREADS["#5-40"]
    lifted = offset_at_lift_mm(LIFT_MM, head_deg_of(thread))
    agreeing = different = 0
    for k, part in enumerate(parts):
        states = unmeasured.states(part, mirrored=mirrored)
        at = states[:, 3:].reshape(len(states), 2, 3)[..., :2] + draws.offsets
        at = at * [-1.0, 1.0] if mirrored else at
        centres = np.broadcast_to(np.array([hole.xy_mm for hole in part.holes]), (len(at), len(part.holes), 2))
        limits = 0.5 * (
            np.array([hole.diameter_mm for hole in part.holes]) + draws.list_length[:, 2:] - thread.major_mm
        )
        sunk = draws.countersunk[:, None] | np.array([hole.countersink_mm is not None for hole in part.holes])
        tried = _turned(at, centres, np.where(sunk, np.minimum(limits, lifted), limits))
        assert not (tried & ~found[k]).any()  # a turn that was tried is one that is allowed
        different += int((tried != found[k]).sum())
        agreeing += int(tried.sum())
    assert different < 0.003 * found.size  # what only fits between two steps
    assert 0.1 < agreeing / found.size < 0.9


def test_a_list_is_decided_as_each_of_its_parts_by_brute_force():
    """Few draws at first and more where the answer is open must not turn one: 40 near twins in one list."""
    rng = np.random.default_rng(9)
    parts = near_twins(40, rng)
    measured = measured_part_by_hand("cloverleaf", "closed", None, "21.4±0.1", None, OLD, screws=("#5-40",))
    parts = [
        replace(part, holes=tuple(replace(hole, countersink_mm=None) for hole in part.holes)) for part in parts
    ]  # the brute force knows of the old part's countersinks only
    report = decide(measured, parts, FitOptions())
    stated = {candidate.part: candidate for candidate in report.candidates}
    count, open_answers = 20_000, 0
    for part in parts:
        brute = brute_probability(Pair(measured, part, "#5-40"), count, rng)
        verdict = "fits" if brute >= 0.95 else "does-not-fit" if brute <= 0.05 else "measure"
        off = abs(stated[part.part].probability - brute)
        # Five standard errors of the fewest draws that a part may be decided on, 500, and of these.
        assert off < 5.0 * math.sqrt(max(brute * (1.0 - brute), 1e-3) * (1.0 / 500 + 1.0 / count)), part.part
        near = min(abs(brute - 0.05), abs(brute - 0.95)) < 3.0 * math.sqrt(0.05 * 0.95 * (1.0 / 6000 + 1.0 / count))
        assert near or stated[part.part].verdict == verdict, part.part
        open_answers += 0.02 < brute < 0.98
    assert open_answers > 10
