"""Read a folder of labelled pictures end to end and print how right and how honest the readings are.

    python -m tests.bench.readings FOLDER [--limit N] [--peers] [--csv OUT.csv]

The folder holds NNNNNN.jpg beside NNNNNN.json (a vision.label.Label), as `synthetic.pathtrace --set heldout` writes it.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import permutations
from pathlib import Path

import numpy as np

from vision.label import Hole, Label
from vision.photo import open_photo
from vision.pipeline import CLOCK_STEP_DEG, ReadOptions, read_photo
from vision.reading import Reading
from vision.vocabulary import angle_from_xy, clock_from_angle, difference_deg

BANDS = ((0.0, 5.0), (5.0, 15.0), (15.0, 31.0))
CLOCK_WRONG_DEG = 7.5  # half of a half hour


@dataclass
class Row:
    """One picture: what was read against what is true."""

    name: str
    label: Label
    outcome: str
    family_ok: bool = False
    bottom_ok: bool = False
    hand_ok: bool = False
    facing_ok: bool = False
    family_covered: bool = False
    bottom_covered: bool = False
    family_set: int = 0
    bottom_set: int = 0
    count_ok: bool = False
    errors: dict[str, list[tuple[float, float]]] = field(default_factory=lambda: defaultdict(list))  # error, u95
    clock_ok: list[bool] = field(default_factory=list)
    clock_clear_ok: list[bool] = field(default_factory=list)  # of angles whose 95 % interval lies in one half hour
    warnings: tuple[str, ...] = ()
    seconds: float = 0.0

    @property
    def band(self) -> tuple[float, float]:
        tilt = self.label.tilt_deg or 0.0
        return next(b for b in BANDS if b[0] <= tilt < b[1] or b is BANDS[-1])

    @property
    def wrong(self) -> bool:
        """A locksmith would be misled: a wrong word, hole count or clock position."""
        angles = [abs(e) for e, _ in self.errors.get("hole angle", ())]
        return not (self.family_ok and self.bottom_ok and self.count_ok) or any(a > CLOCK_WRONG_DEG for a in angles)


def options_for(label: Label) -> ReadOptions:
    """What the user of that photo would have said: the coin's name, the ruler's unit, the card."""
    if label.scale_kind == "coin":
        return ReadOptions(coin=label.scale_reference)
    if label.scale_kind == "ruler":
        return ReadOptions(ruler=(label.scale_reference or "mm").split("-")[0])
    if label.scale_kind == "card":
        return ReadOptions(card=True)
    return ReadOptions()


def compare(label: Label, reading: Reading, name: str, seconds: float) -> Row:
    """One row of the evaluation."""
    row = Row(name, label, reading.outcome, warnings=tuple(w.code for w in reading.warnings), seconds=seconds)
    if reading.family is None or reading.bottom is None or label.family is None:
        return row
    row.family_ok = reading.family.label == label.family
    row.bottom_ok = reading.bottom.label == label.bottom
    row.hand_ok = reading.hand is not None and reading.hand.label == label.hand
    row.facing_ok = reading.facing is not None and reading.facing.label == label.facing
    row.family_covered, row.family_set = label.family in reading.family.plausible, len(reading.family.plausible)
    row.bottom_covered, row.bottom_set = label.bottom in reading.bottom.plausible, len(reading.bottom.plausible)
    truth = [h for h in label.holes if h.kind == "screw"]
    row.count_ok = len(truth) == len(reading.holes)
    if row.count_ok and truth:
        for hole, read in _paired(truth, reading):
            centre = _central(hole)
            row.clock_ok.append(
                read.position == ("centre" if centre else clock_from_angle(angle_from_xy(hole.x_mm, hole.y_mm)))
            )
            if read.angle_deg is not None and not centre:
                past = abs(read.angle_deg.value / CLOCK_STEP_DEG - round(read.angle_deg.value / CLOCK_STEP_DEG))
                if past * CLOCK_STEP_DEG + read.angle_deg.u95 < CLOCK_STEP_DEG / 2.0:
                    row.clock_clear_ok.append(row.clock_ok[-1])
                error = difference_deg(read.angle_deg.value, angle_from_xy(hole.x_mm, hole.y_mm))
                row.errors["hole angle"].append((error, read.angle_deg.u95))
                if row.facing_ok:
                    row.errors["angle, side ok"].append((error, read.angle_deg.u95))
        for hole, read in _paired(truth, reading, mirrored=not row.facing_ok):
            radius = float(np.hypot(hole.x_mm, hole.y_mm))
            if read.radius_mm is not None:
                row.errors["hole radius"].append((read.radius_mm.value - radius, read.radius_mm.u95))
            if read.diameter_mm is not None:
                row.errors["hole diameter"].append((read.diameter_mm.value - hole.diameter_mm, read.diameter_mm.u95))
    for quantity in ("reach", "hub_diameter", "length", "width", "tail_width"):
        measured, true = reading.dimensions.get(quantity), getattr(label, f"{quantity}_mm")
        if measured is not None and true is not None:
            row.errors[quantity].append((measured.value - true, measured.u95))
    return row


def _central(hole: Hole) -> bool:
    """Whether a hole of the label lies on the axis, so that it has no clock position."""
    return bool(np.hypot(hole.x_mm, hole.y_mm) < 0.25 * hole.diameter_mm)


def _paired(truth: list, reading: Reading, mirrored: bool = False) -> list:
    """Holes of the label with those of the reading: centre with centre first, then by least total squared angle.

    `mirrored` pairs those at one place on a part that was read from the wrong side: its left and right are changed over.
    """
    side = -1.0 if mirrored else 1.0

    def cost(order: tuple[int, ...]) -> float:
        total = 0.0
        for hole, i in zip(truth, order, strict=True):
            read = reading.holes[i]
            if (read.angle_deg is None) != _central(hole):
                total += 360.0**2 * len(truth)
            elif read.angle_deg is not None:
                total += difference_deg(read.angle_deg.value, angle_from_xy(side * hole.x_mm, hole.y_mm)) ** 2
        return total

    best = min(permutations(range(len(truth))), key=cost)
    return [(hole, reading.holes[i]) for hole, i in zip(truth, best, strict=True)]


def read_folder(folder: Path, limit: int | None = None) -> list[Row]:
    """Read every labelled picture of a folder."""
    rows = []
    for path in sorted(folder.glob("*.json"))[:limit]:
        label = Label.from_json(path.read_text())
        start = time.perf_counter()
        photo = open_photo(path.with_name(label.picture))
        reading = read_photo(photo, options_for(label))
        rows.append(compare(label, reading, label.picture, time.perf_counter() - start))
    return rows


def _share(values: Iterable[bool]) -> str:
    kept = list(values)
    return f"{100.0 * sum(kept) / len(kept):5.1f} %  ({sum(kept)}/{len(kept)})" if kept else "  none"


def print_table(rows: list[Row]) -> None:
    """Words, holes, sizes, honesty; then every quantity by tilt band."""
    cams = [r for r in rows if r.label.family is not None]
    others = [r for r in rows if r.label.family is None]
    seen = [r for r in cams if r.family_set]
    print(f"pictures {len(rows)}, cams {len(cams)}, outcomes {dict(Counter(r.outcome for r in cams))}")
    print(f"warnings {dict(Counter(w for r in cams for w in r.warnings).most_common(14))}")
    print(f"median seconds {np.median([r.seconds for r in rows]):.3f}")
    print(f"a part was read        {_share(bool(r.family_set) for r in cams)}")
    print("of the parts read:")
    print(f"family right           {_share(r.family_ok for r in seen)}")
    print(f"bottom right           {_share(r.bottom_ok for r in seen)}")
    print(f"hand right, handed     {_share(r.hand_ok for r in seen if r.label.hand != 'none')}")
    print(f"facing right, shown    {_share(r.facing_ok for r in seen if r.label.facing_shows)}")
    print(f"facing right, all      {_share(r.facing_ok for r in seen)}")
    print(f"hole count right       {_share(r.count_ok for r in seen)}")
    print(f"clock label right      {_share(c for r in seen for c in r.clock_ok)}")
    print(f"clock label, side ok   {_share(c for r in seen if r.facing_ok for c in r.clock_ok)}")
    print(f"  interval in one half hour {_share(c for r in seen if r.facing_ok for c in r.clock_clear_ok)}")
    print(f"family set holds truth {_share(r.family_covered for r in seen)}  mean {_mean(r.family_set for r in seen)}")
    print(f"bottom set holds truth {_share(r.bottom_covered for r in seen)}  mean {_mean(r.bottom_set for r in seen)}")
    print(f"wrong and sure, of all {_share(r.wrong and r.outcome == 'read' for r in cams)}")
    sure = [r for r in cams if r.outcome == "read"]
    print(f"sure                   {_share(r.outcome == 'read' for r in cams)}")
    print(f"wrong among the sure   {_share(r.wrong for r in sure)}")
    if others:
        print(f"not-a-cam refused      {_share(r.outcome in ('not-a-cam', 'retake') for r in others)}")
        print(f"cams refused           {_share(r.outcome in ('not-a-cam', 'retake') for r in cams)}")
    names = [
        "hole angle",
        "angle, side ok",
        "hole radius",
        "hole diameter",
        "reach",
        "hub_diameter",
        "length",
        "width",
        "tail_width",
    ]
    print(
        f"\n{'quantity':14} {'tilt':>7} {'n':>5} {'bias':>8} {'median':>8} {'p95':>8} {'p95 rel':>8} {'u95':>8} {'in u95':>7}"
    )
    for name in names:
        for band in (None, *BANDS):
            _print_quantity(name, [r for r in seen if band is None or r.band == band], _title(band))
    print(f"\n{'by reference':14} {'tilt':>7}   (only what was given a scale)")
    for kind in ("coin", "ruler", "card"):
        mine = [r for r in cams if r.label.scale_kind == kind]
        if not mine:
            continue
        print(f"{kind}: reach measured {_share('reach' in r.errors for r in mine)} of the pictures with one")
        for name in ("hole radius", "hole diameter", "reach", "hub_diameter", "length", "width", "tail_width"):
            for band in (None, *BANDS):
                chosen = [r for r in seen if r.label.scale_kind == kind and (band is None or r.band == band)]
                _print_quantity(name, chosen, _title(band))
    print()
    for family in sorted({r.label.family for r in cams if r.label.family}):
        mine = [r for r in seen if r.label.family == family]
        angle = [abs(e) for r in mine for e, _ in r.errors.get("hole angle", ())]
        print(
            f"{family:11} n {len(mine):3d} family {_share(r.family_ok for r in mine)} bottom {_share(r.bottom_ok for r in mine)} "
            f"holes {_share(r.count_ok for r in mine)} angle median {np.median(angle) if angle else np.nan:.2f}"
        )


def _title(band: tuple[float, float] | None) -> str:
    return "all" if band is None else f"{band[0]:.0f}-{band[1]:.0f}"


def _print_quantity(name: str, rows: list[Row], title: str) -> None:
    """One line: bias, errors, what is stated and how often it holds."""
    pairs = [(r, *p) for r in rows for p in r.errors.get(name, ())]
    if not pairs:
        return
    error, u95 = np.array([p[1:] for p in pairs]).T
    key = f"{name}_mm"
    relative = [abs(e) / getattr(r.label, key) for r, e, _ in pairs if hasattr(r.label, key)]
    rel = f"{100 * np.quantile(relative, 0.95):7.2f}%" if relative else "       -"
    print(
        f"{name:14} {title:>7} {len(error):5d} {error.mean():8.3f} {np.median(np.abs(error)):8.3f} "
        f"{np.quantile(np.abs(error), 0.95):8.3f} {rel} {np.median(u95):8.3f} {100 * np.mean(np.abs(error) <= u95):6.1f}%"
    )


def _mean(values: Iterable[int]) -> str:
    kept = list(values)
    return f"{np.mean(kept):.2f}" if kept else "-"


def main() -> None:
    """Run the evaluation from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--limit", type=int)
    parser.add_argument("--csv", type=Path)
    arguments = parser.parse_args()
    rows = read_folder(arguments.folder, arguments.limit)
    print_table(rows)
    if arguments.csv:
        with arguments.csv.open("w", newline="") as out:
            writer = csv.writer(out)
            writer.writerow(
                ["picture", "family", "outcome", "wrong", "tilt", "warnings", "family_ok", "bottom_ok", "count_ok"]
            )
            for r in rows:
                tilt = r.label.tilt_deg
                writer.writerow(
                    [
                        r.name,
                        r.label.family,
                        r.outcome,
                        r.wrong,
                        tilt,
                        " ".join(r.warnings),
                        r.family_ok,
                        r.bottom_ok,
                        r.count_ok,
                    ]
                )


if __name__ == "__main__":
    main()
