"""Labels of parts without pictures: outlines by the ten thousand for what only looks at the outline.

python -m synthetic.outlines --out OUTLINES.jsonl --count 12000 --seed 1 --processes 2
"""

from __future__ import annotations

import argparse
import multiprocessing
from pathlib import Path

import numpy as np

from synthetic.shape import sample_part
from vision.label import Label


def outline_label(job: tuple[int, int]) -> str:
    """The Label of part `index` of a seed, as JSON; its picture fields are empty."""
    seed, index = job
    part = sample_part(np.random.default_rng((seed, index)))
    return Label(
        picture="",
        width=0,
        height=0,
        family=part.family,
        bottom=part.bottom,
        hand=part.hand,
        facing="screw",
        reach_mm=part.reach_mm,
        hub_diameter_mm=part.hub_diameter_mm,
        outline_mm=tuple((round(float(x), 3), round(float(y), 3)) for x, y in part.outline_mm),
    ).to_json()


def main() -> None:
    """Write one Label a line."""
    parser = argparse.ArgumentParser(prog="python -m synthetic.outlines", description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    chosen = parser.parse_args()
    jobs = [(chosen.seed, i) for i in range(chosen.count)]
    with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool, chosen.out.open("w") as out:
        for line in pool.imap(outline_label, jobs, chunksize=32):
            out.write(line + "\n")


if __name__ == "__main__":
    main()
