"""How long a list of many parts takes to answer, warm: processor time of a decision, with a scale and without.

    python -m tests.bench.long_list FOLDER [--readings 40] [--parts 10000]

The folder holds NNNNNN.jpg beside NNNNNN.json (a vision.label.Label). Its cams, each with small changes, make the list,
and photos evenly spread over it are read and asked about; of two decisions of each the faster counts.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from shop.fits import decide, measured_part_from_reading
from shop.parts import Part
from shop.parts_table import table_of
from tests.bench.fits_on_photos import as_listed, part_of_label
from tests.bench.readings import options_for
from vision.label import Label
from vision.photo import open_photo
from vision.pipeline import read_photo

REACH_OFF = (0.1, 0.02, 0.02)  # shares of the reach by which listed parts differ from the folder's, taken in turn
WANTED_S = 0.3


def list_of(own: Sequence[Part], count: int) -> list[Part]:
    """So many parts: the given ones in turn, as a shop would list them, their reach off a little."""
    rng = np.random.default_rng(3)
    parts = []
    for i in range(count):
        part = as_listed(own[i % len(own)], rng)
        reach = round(part.reach_mm * float(rng.normal(1.0, REACH_OFF[i % len(REACH_OFF)])), 2)
        parts.append(replace(part, part=f"P{i}", reach_mm=reach))
    return parts


def line(name: str, spent: Sequence[float]) -> str:
    """One line of the table."""
    if not spent:
        return f"{name:14} none"
    quick = sum(s < WANTED_S for s in spent)
    return f"{name:14} {len(spent):4}  {np.median(spent):8.2f}  {max(spent):8.2f}  {quick:4}"


def main() -> None:
    """Read, decide and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--readings", type=int, default=40)
    parser.add_argument("--parts", type=int, default=10_000)
    chosen = parser.parse_args()
    paths = sorted(chosen.folder.glob("*.json"))
    labels = {path: Label.from_json(path.read_text()) for path in paths}
    own = [part for label in labels.values() if (part := part_of_label(label)) is not None]
    if not own:
        parser.error("no cam in this folder")
    table = table_of(list_of(own, chosen.parts))
    spent: dict[bool, list[float]] = {True: [], False: []}
    for path in paths[:: max(1, len(paths) // chosen.readings)]:
        reading = read_photo(open_photo(path.with_name(labels[path].picture)), options_for(labels[path])).to_json()
        if reading["outcome"] not in ("read", "unsure"):
            continue
        measured = measured_part_from_reading(reading)
        times = []
        for _ in range(2):
            began = time.process_time()
            decide(measured, table)
            times.append(time.process_time() - began)
        spent[measured.is_measured("reach")].append(min(times))
    print(f"{chosen.parts} parts       n  median s  slowest s  under {WANTED_S} s")
    print(line("with a scale", spent[True]))
    print(line("without", spent[False]))


if __name__ == "__main__":
    main()
