"""From photo to verdict: is the right part of the shop's list found, and is anything called a fit that is none?

    python -m tests.bench.fits_on_photos FOLDER [--limit N] [--readings FOLDER] [--told] [--list CSV]

The folder holds NNNNNN.jpg beside NNNNNN.json (a vision.label.Label). For each picture of a cam a list is made: the demo
list, the true part, and its near twins, which differ from it in one thing only (screws, bottom, hand, reach by 0.8 mm).
With ``--list`` the pictures are those of ``synthetic.listed``, and the list is that one and nothing else: the right part is
the row that the Label names, the old part is the one built, off the row by manufacturing scatter, and a new one is as listed.
The photo is read and compared with that list. Where the answer is `measure`, what that part asks for is measured on the
true part, with a calliper's error, and the question asked again of the whole list.

Whether a part fits in truth is found apart from the code under test, by trying turns in steps of 0.01 degrees on exact
numbers, with cylinder threads drawn as `tests.shop.simulated_shop` does. `--told` says facing and screws as a clerk who
has the part in the hand would; `--readings` keeps what was read, so that the decision can be played again without reading.
"""

from __future__ import annotations

import argparse
import json
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from shop.calliper import LOOKS, Finding, parse_finding, take_in, value_of
from shop.fits import Candidate, FitOptions, decide, measured_part_from_reading
from shop.measured import MeasuredPart
from shop.parts import MOST_HOLES, Part, PartHole, format_holes, parse_holes, read_csv
from shop.parts_table import table_of
from shop.threads import CAM_SCREWS, THREADS
from tests.bench.readings import options_for
from tests.shop.simulated_shop import DEMO, Lock, lock_of, screws_truly_fit, truly_fits
from vision.label import Hole, Label
from vision.quantity import Quantity
from vision.vocabulary import HANDED_FAMILIES, angle_from_xy, mirror_hand

TRUE = "true part"
PATTERNS = ((61.0, 209.0), (90.0, 270.0), (90.0, None))  # clock angles; None is a hole in the centre
REACH_APART_MM = 0.8
LIST_U_MM = 0.025  # the shop measured its parts with a calliper
ASKED_AT_MOST = 5
CLERK_STEPS = 8
DECIDED_FIRST = 4  # as many undecided candidates are measured, best first


# ------------------------------------------------------------------------------------------------- the list


def part_of_label(label: Label) -> Part | None:
    """The pictured part as a row of a list, exact; None when a list cannot hold it."""
    holes = [hole for hole in label.holes if hole.kind == "screw"]
    if label.family is None or not 1 <= len(holes) <= MOST_HOLES or label.reach_mm is None:
        return None
    thinnest = min(hole.diameter_mm for hole in holes)
    fitting = [THREADS[name] for name in CAM_SCREWS if THREADS[name].major_mm < thinnest and THREADS[name].clearance]
    if not fitting:
        return None
    screw = min(fitting, key=lambda t: abs(t.clearance.normal_mm - thinnest) if t.clearance else math.inf)
    return Part(
        TRUE, label.family, label.bottom or "closed", label.hand or "none", label.reach_mm,
        tuple(_part_hole(hole) for hole in holes), hub_diameter_mm=label.hub_diameter_mm,
        tail_width_mm=label.tail_width_mm, thickness_mm=label.thickness_mm, screw=screw.name,
    )  # fmt: skip


def _part_hole(hole: Hole) -> PartHole:
    radius = math.hypot(hole.x_mm, hole.y_mm)
    centre = radius < 0.02
    angle = None if centre else angle_from_xy(hole.x_mm, hole.y_mm)
    return PartHole(angle, 0.0 if centre else radius, hole.diameter_mm, hole.countersink_diameter_mm)


def twins_of(part: Part) -> list[Part]:
    """Parts that differ from one in a single thing."""
    first = next((hole for hole in part.holes if hole.angle_deg is not None), part.holes[0])
    radius = max(first.radius_mm, 1.2 * first.diameter_mm)
    own = sorted(-1.0 if hole.angle_deg is None else hole.angle_deg for hole in part.holes)
    found = []
    for pattern in PATTERNS:
        angles = sorted(-1.0 if angle is None else angle for angle in pattern)
        if len(angles) == len(own) and all(abs(a - b) < 20.0 for a, b in zip(angles, own, strict=True)):
            continue
        holes = tuple(replace(first, angle_deg=a, radius_mm=0.0 if a is None else radius) for a in pattern)
        found.append(replace(part, part=f"screws at {' and '.join(h.position for h in holes)}", holes=holes))
    for step in (-REACH_APART_MM, REACH_APART_MM):
        found.append(replace(part, part=f"reach {step:+g}", reach_mm=part.reach_mm + step))
    found.append(replace(part, part="other bottom", bottom="open" if part.bottom == "closed" else "closed"))
    if part.family in HANDED_FAMILIES:
        found.append(replace(part, part="other hand", hand=mirror_hand(part.hand)))
    return found


def as_listed(part: Part, rng: np.random.Generator) -> Part:
    """A part as a shop's calliper has it."""

    def off(value: float) -> float:
        return round(value + LIST_U_MM * rng.standard_normal(), 2)

    holes = tuple(
        replace(
            hole,
            angle_deg=None if hole.angle_deg is None else round(hole.angle_deg, 1) % 360.0,
            radius_mm=off(hole.radius_mm) if hole.angle_deg is not None else 0.0,
            diameter_mm=off(hole.diameter_mm),
        )
        for hole in part.holes
    )
    width = None if part.tail_width_mm is None else off(part.tail_width_mm)
    listed = replace(part, reach_mm=off(part.reach_mm), tail_width_mm=width, holes=holes)
    parse_holes(format_holes(holes))  # holes that overlap are no part
    return listed


# ------------------------------------------------------------------------------------------------- the person


def measure(
    measured: MeasuredPart, key: str, case: Case, reading: Mapping[str, Any], rng: np.random.Generator
) -> Finding | None:
    """What a person finds who measures what was asked for on the true part; None where the photo shows no such hole."""
    old, label = case.part, case.label
    words = {"bottom": old.bottom, "family": old.family, "hand": old.hand, "facing": label.facing or "screw"}
    if key in words:
        return parse_finding(f"{key}={words[key]}", measured)
    if key in LOOKS:
        return parse_finding(f"{key}={'right' if drawn_rightly(label, reading) else 'wrong'}", measured)
    quantity = parse_finding(f"{key}=1", measured).quantity
    error = LIST_U_MM * rng.standard_normal()
    if quantity.kind == "screw-diameter":
        return Finding(quantity, Quantity(case.lock.major_mm - rng.uniform(0.02, 0.14) + error, LIST_U_MM))
    places = holes_by_place(label, reading)
    if any(places[i] is None for i in quantity.holes):
        return None
    at = [i for i in (places[j] for j in quantity.holes) if i is not None]
    if len(set(at)) < len(at):
        return None
    if quantity.kind == "thread-distance":
        value = math.dist(case.lock.threads_mm[at[0]], case.lock.threads_mm[at[1]])
        return Finding(quantity, Quantity(value + error, LIST_U_MM))
    # The person measures at the holes drawn, whatever their order in the reading.
    state = [old.reach_mm, old.tail_width_mm or float(measured.mean[1]), old.hub_diameter_mm or float(measured.mean[2])]
    for i in range(len(measured.holes)):
        hole = old.holes[places[i] or 0]
        state += [*hole.xy_mm, hole.diameter_mm]
    value = float(value_of(quantity, np.array([state]))[0])
    return Finding(quantity, Quantity(max(value + error, 0.01), LIST_U_MM))


def holes_by_place(label: Label, reading: Mapping[str, Any]) -> list[int | None]:
    """For each hole of the reading the true screw hole that lies there in the photo, or None."""
    true = [hole for hole in label.holes if hole.kind == "screw"]
    found: list[int | None] = []
    for read in reading["pattern"]["holes"]:
        apart = [
            math.dist(read["center_px"], hole.center_px) / (0.5 * hole.diameter_mm / (label.mm_per_px or 1.0))
            if hole.center_px
            else math.inf
            for hole in true
        ]
        nearest = int(np.argmin(apart))
        found.append(nearest if apart[nearest] < 1.0 else None)
    return found


def drawn_rightly(label: Label, reading: Mapping[str, Any]) -> bool:
    """Whether a look at the drawing finds nothing wrong: a circle on every screw hole, axis and 12 o'clock in place.

    A person sees an axis that is off by a twentieth of the reach, and a tail line that is off by 8 degrees.
    """
    places = holes_by_place(label, reading)
    holes = sum(hole.kind == "screw" for hole in label.holes)
    if None in places or sorted(i for i in places if i is not None) != list(range(holes)):
        return False
    if label.axis_px is None or label.tail_px is None:
        return True
    axis, tail = np.array(reading["outline"]["axis_px"]), np.array(reading["outline"]["tail_px"])
    true = np.array(label.tail_px) - np.array(label.axis_px)
    seen = tail - axis
    length = float(np.hypot(*true))
    turn = abs(math.degrees(math.atan2(true[0] * seen[1] - true[1] * seen[0], float(true @ seen))))
    return float(np.hypot(*(axis - np.array(label.axis_px)))) < 0.05 * length and turn < 8.0


# ------------------------------------------------------------------------------------------------- played through


@dataclass(frozen=True, slots=True)
class Case:
    """One picture with its true part, the shop's list and the lock the part came off."""

    label: Label
    part: Part
    listed: tuple[Part, ...]
    exact: Mapping[str, Part]
    lock: Lock
    own: str = TRUE  # the number of the right row


@dataclass(slots=True)
class Tally:
    """Counts over all pictures."""

    pictures: int = 0
    refused: int = 0
    readings: int = 0
    first: int = 0
    equal_first: int = 0
    fitting_first: int = 0
    among_three: int = 0
    first_differs: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[str] = field(default_factory=Counter)
    pairs: int = 0
    not_fitting: int = 0
    called: int = 0
    false_fits: int = 0
    readings_with_false_fit: int = 0
    fitting: int = 0
    false_no: int = 0
    measure: int = 0
    asked: Counter[str] = field(default_factory=Counter)
    after: int = 0
    after_right: int = 0
    after_settled: int = 0  # of those, with the verdict `fits` or `does-not-fit`, and right
    steps: int = 0
    ended: int = 0
    ended_right: int = 0
    ended_open: int = 0
    open_why: Counter[str] = field(default_factory=Counter)
    clerk: Counter[str] = field(default_factory=Counter)
    clerk_steps: int = 0
    told_one: int = 0
    first_told_one: int = 0
    remarks: list[str] = field(default_factory=list)


def added(tallies: Iterable[Tally]) -> Tally:
    """Several counts as one."""
    whole = Tally()
    for tally in tallies:
        for one in fields(Tally):
            setattr(whole, one.name, getattr(whole, one.name) + getattr(tally, one.name))
    return whole


def differences(one: Part, other: Part) -> list[str]:
    """In which figures and words of a list two parts differ."""
    names = ("family", "bottom", "hand", "reach_mm", "hub_diameter_mm", "tail_width_mm", "thickness_mm", "holes")
    return [name.removesuffix("_mm") for name in names if getattr(one, name) != getattr(other, name)]


def listed_cases(folder: Path, limit: int | None, rows: Sequence[Part]) -> Iterator[tuple[Path, Case]]:
    """Every picture of a part of a list, with that list.

    Raises
    ------
    ValueError
        If a Label does not name a row of it.
    """
    by_number = {part.part: part for part in rows}
    for number, path in enumerate(sorted(folder.glob("*.json"))[:limit]):
        label = Label.from_json(path.read_text(encoding="utf-8"))
        row, built = by_number.get(label.tags.get("part", "")), part_of_label(label)
        if row is None or built is None:
            raise ValueError(f"{path} shows no part of the list; pictures of one are made by synthetic.listed")
        old = replace(built, screw=row.screw or built.screw)
        lock = lock_of(old, np.random.default_rng([2026, number]))
        yield path, Case(label, old, tuple(rows), by_number, lock, row.part)


def cases(folder: Path, limit: int | None) -> Iterator[tuple[Path, Case]]:
    """Every picture of a cam whose part a list can hold."""
    demo = {part.part: part for part in read_csv(DEMO).parts}
    for number, path in enumerate(sorted(folder.glob("*.json"))[:limit]):
        label = Label.from_json(path.read_text(encoding="utf-8"))
        part = part_of_label(label)
        if part is None:
            continue
        rng = np.random.default_rng([2026, number])
        exact = {one.part: one for one in (part, *twins_of(part))}
        listed = []
        for one in exact.values():
            try:
                listed.append(as_listed(one, rng))
            except ValueError:
                continue
        yield path, Case(label, part, (*demo.values(), *listed), demo | exact, lock_of(part, rng))


def reading_for(path: Path, case: Case, kept: Path | None) -> dict[str, Any]:
    """What the photo says; from the folder of kept readings when it is there."""
    from vision.photo import open_photo
    from vision.pipeline import read_photo

    name = f"{path.stem}.json"
    if kept is not None and (kept / name).exists():
        record: dict[str, Any] = json.loads((kept / name).read_text(encoding="utf-8"))
        return record
    reading = read_photo(open_photo(path.with_name(case.label.picture)), options_for(case.label)).to_json()
    if kept is not None:
        kept.mkdir(exist_ok=True)
        (kept / name).write_text(json.dumps(reading), encoding="utf-8")
    return reading


def play(
    folder: Path, limit: int | None = None, kept: Path | None = None, *, told: bool = False, rows: Sequence[Part] = ()
) -> dict[str, Tally]:
    """Read, compare, measure what is asked for, compare again; counts by kind of scale reference."""
    tallies: dict[str, Tally] = {}
    for number, (path, case) in enumerate(listed_cases(folder, limit, rows) if rows else cases(folder, limit)):
        tally = tallies.setdefault(case.label.scale_kind or "none", Tally())
        reading = reading_for(path, case, kept)
        tally.pictures += 1
        if reading["outcome"] not in ("read", "unsure"):
            tally.refused += 1
            continue
        try:
            measured = measured_part_from_reading(reading)
        except ValueError:
            tally.refused += 1
            continue
        if told and case.label.facing:
            measured = take_in(measured, [parse_finding(f"facing={case.label.facing}", measured)])
        _one(tally, path.stem, case, reading, measured, told, np.random.default_rng([7, number]))
    return tallies


def _one(
    tally: Tally, name: str, case: Case, reading: Mapping[str, Any], measured: MeasuredPart, told: bool,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    options = FitOptions(screws=(case.part.screw,) if told and case.part.screw else ())
    report = decide(measured, table_of(case.listed), options)
    by_number = {part.part: part for part in case.listed}
    sunk = any(hole.countersink_mm is not None for hole in case.part.holes)
    fits = {n: truly_fits(case.part, part, case.lock, countersunk=sunk) for n, part in case.exact.items()}
    fits = {n: fits[n] for n in by_number}
    tally.readings += 1
    first = report.candidates[0].part
    apart = differences(by_number[first], by_number[case.own]) if case.own in by_number else []
    tally.first += first == case.own
    tally.equal_first += first == case.own or not apart
    tally.fitting_first += first == case.own or fits[first]
    tally.among_three += case.own in [candidate.part for candidate in report.candidates[:3]]
    if first != case.own:
        tally.first_differs[" and ".join(apart)] += 1
        tally.remarks.append(f"{name}: {first} first, not {case.own}; outcome {reading['outcome']}")
    wrong_here = asked_here = 0
    for candidate in report.candidates:
        true = fits[candidate.part]
        tally.pairs += 1
        tally.not_fitting += not true
        tally.fitting += true
        if candidate.part == case.own:
            tally.verdicts[candidate.verdict] += 1
            if candidate.verdict == "does-not-fit":
                tally.remarks.append(f"{name}: the part itself refused, {'; '.join(candidate.reasons)}")
        if candidate.verdict == "fits":
            tally.called += 1
            if not true:
                wrong_here += 1
                tally.remarks.append(f"{name}: {candidate.part} called fits, {'; '.join(candidate.reasons)}")
        tally.false_no += candidate.verdict == "does-not-fit" and true
        if candidate.verdict != "measure":
            continue
        tally.measure += 1
        if asked_here < DECIDED_FIRST and candidate.decide_by is not None:
            asked_here += 1
            _measured_through(
                tally, name, case, reading, measured, by_number[candidate.part], true, candidate, options, rng
            )
    _as_a_clerk(tally, name, case, reading, measured, fits, options, rng)
    tally.false_fits += wrong_here
    tally.readings_with_false_fit += wrong_here > 0


def _measured_through(
    tally: Tally, name: str, case: Case, reading: Mapping[str, Any], measured: MeasuredPart, part: Part, true: bool,
    candidate: Candidate, options: FitOptions, rng: np.random.Generator,
) -> None:  # fmt: skip
    """Measure what is asked for until the answer is given, three times at most."""
    sunk = any(hole.countersink_mm is not None for hole in case.part.holes)
    options = replace(options, draws=4000)
    asked = []
    for step in range(ASKED_AT_MOST):
        decide_by = candidate.decide_by
        if candidate.verdict != "measure" or decide_by is None:
            break
        asked.append(decide_by.quantity)
        tally.steps += 1
        tally.asked[decide_by.quantity] += 1
        answer: bool | None = None
        if not decide_by.measure:  # a trial: do the screws start and sit flat?
            answer = screws_truly_fit(
                case.lock.threads_mm, case.lock.major_mm, case.exact[part.part].holes, countersunk=sunk
            )
        else:
            try:
                finding = measure(measured, decide_by.measure, case, reading, rng)
            except ValueError:  # the person says that the photo was misread: no answer, the photo is taken anew
                finding = None
            if finding is None:
                tally.ended_open += 1
                tally.open_why["photo misread: taken anew"] += 1
                return
            measured = take_in(measured, [finding])
            candidate = _candidate_of(part, measured, case, options)
        if step == 0:
            tally.after += 1
            tally.after_right += (candidate.probability > 0.5 if answer is None else answer) == true
        if answer is not None:
            candidate = replace(candidate, verdict="fits" if answer else "does-not-fit")
        if step == 0:
            tally.after_settled += candidate.verdict == ("fits" if true else "does-not-fit")
    if candidate.verdict == "measure":
        tally.ended_open += 1
        why = f"after {ASKED_AT_MOST}" if len(asked) == ASKED_AT_MOST else "nothing more to ask"
        tally.open_why[why] += 1
        tally.remarks.append(f"{name}: {part.part} left open at {candidate.probability:.2f}: {', '.join(asked)}")
        return
    tally.ended += 1
    right = (candidate.verdict == "fits") == true
    tally.ended_right += right
    if not right:
        tally.remarks.append(f"{name}: {part.part} ended as {candidate.verdict} after {', '.join(asked)}")


def _candidate_of(part: Part, measured: MeasuredPart, case: Case, options: FitOptions) -> Candidate:
    """One part of the whole list, decided anew."""
    return next(one for one in decide(measured, case.listed, options).candidates if one.part == part.part)


def _as_a_clerk(
    tally: Tally, name: str, case: Case, reading: Mapping[str, Any], measured: MeasuredPart, fits: Mapping[str, bool],
    options: FitOptions, rng: np.random.Generator,
) -> None:  # fmt: skip
    """What comes of it for one who does as told: the best part is put on, or what it is asked for is measured.

    A part that a trial refuses is put back, and the next one looked at.
    """
    sunk = any(hole.countersink_mm is not None for hole in case.part.holes)
    refused: set[str] = set()
    asked: list[str] = []
    options = replace(options, draws=4000)
    for step in range(CLERK_STEPS + 1):
        left = [part for part in case.listed if part.part not in refused]
        best = decide(measured, left, options).candidates[0]
        if step == 1:
            tally.told_one += 1
            tally.first_told_one += best.part == case.own
        if best.verdict == "fits":
            tally.clerk["put on, and it fits" if fits[best.part] else "put on, and it does not fit"] += 1
            if not fits[best.part]:
                tally.remarks.append(f"{name}: the clerk puts on {best.part}")
            return
        if best.verdict == "does-not-fit":
            tally.clerk["told that no part fits"] += 1
            own = decide(measured, [case.part], options).candidates[0]
            tally.remarks.append(f"{name}: no part fits, after {', '.join(asked)}; {'; '.join(own.reasons)}")
            return
        if best.decide_by is None or step == CLERK_STEPS:
            tally.clerk["still undecided"] += 1
            tally.remarks.append(f"{name}: still undecided after {', '.join(asked)}; {best.part}")
            return
        tally.clerk_steps += 1
        asked.append(best.decide_by.measure or "trial")
        if not best.decide_by.measure:
            if screws_truly_fit(
                case.lock.threads_mm, case.lock.major_mm, case.exact[best.part].holes, countersunk=sunk
            ):
                tally.clerk["put on, and it fits" if fits[best.part] else "put on, and it does not fit"] += 1
                if not fits[best.part]:
                    tally.remarks.append(f"{name}: the clerk puts on {best.part}")
                return
            refused.add(best.part)
            continue
        try:
            finding = measure(measured, best.decide_by.measure, case, reading, rng)
        except ValueError:
            finding = None
        if finding is None:
            tally.clerk["photo seen to be misread, taken anew"] += 1
            return
        measured = take_in(measured, [finding])


def table_text(title: str, tally: Tally) -> str:
    """The figures as lines of a table."""

    def share(part: int, whole: int) -> str:
        return f"{part / whole:.1%} ({part} of {whole})" if whole else "none"

    n = tally.readings
    verdicts = " / ".join(share(tally.verdicts[v], n) for v in ("fits", "measure", "does-not-fit"))
    rows = [
        ("pictures", f"{tally.pictures}, refused {share(tally.refused, tally.pictures)}"),
        ("right part first", share(tally.first, n)),
        ("  it or its equal in every figure", share(tally.equal_first, n)),
        ("  it or one that fits as well", share(tally.fitting_first, n)),
        ("  it among the first three", share(tally.among_three, n)),
        ("  it, once the first one's question is answered", share(tally.first_told_one, tally.told_one)),
        (
            "  where another came first, it differs in",
            ", ".join(f"{k} {v}" for k, v in tally.first_differs.most_common(8)),
        ),
        ("right part called fits / measure / does-not-fit", verdicts),
        ("parts that do not fit called fits", share(tally.false_fits, tally.not_fitting)),
        ("  of all that are called fits", share(tally.false_fits, tally.called)),
        ("  readings with one or more", share(tally.readings_with_false_fit, n)),
        ("parts that fit called does-not-fit", share(tally.false_no, tally.fitting)),
        ("measure, of all pairs", f"{share(tally.measure, tally.pairs)}, {tally.measure / max(n, 1):.2f} a reading"),
        ("forced after one measurement, right", share(tally.after_right, tally.after)),
        ("  settled by it, and right", share(tally.after_settled, tally.after)),
        (f"answered after up to {ASKED_AT_MOST}, right", share(tally.ended_right, tally.ended)),
        ("  left open or sent back", share(tally.ended_open, tally.ended + tally.ended_open)),
        ("  why", ", ".join(f"{k} {v}" for k, v in tally.open_why.most_common())),
        ("  measurements an undecided part", f"{tally.steps / max(tally.ended + tally.ended_open, 1):.2f}"),
        ("worked through as told", "; ".join(f"{k} {share(v, n)}" for k, v in tally.clerk.most_common())),
        ("  measurements a reading", f"{tally.clerk_steps / max(n, 1):.2f}"),
        ("asked for", ", ".join(f"{k} {v}" for k, v in tally.asked.most_common())),
    ]
    width = max(len(label) for label, _ in rows)
    return "\n".join([title, *(f"  {label:<{width}}  {text}" for label, text in rows)])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--limit", type=int)
    parser.add_argument("--readings", type=Path, help="folder that keeps what was read")
    parser.add_argument("--told", action="store_true", help="facing and screws are told")
    parser.add_argument("--remarks", action="store_true", help="name what went wrong")
    parser.add_argument("--list", dest="rows", type=Path, help="the CSV whose parts the pictures show")
    given = parser.parse_args()
    rows = read_csv(given.rows).parts if given.rows else ()
    tallies = play(given.folder, given.limit, given.readings, told=given.told, rows=rows)
    tally = added(tallies.values())
    said = "face and screws told" if given.told else "nothing told"
    print(table_text(f"{given.folder.name}, {said}", tally))
    for kind, one in sorted(tallies.items()):
        print(table_text(f"{given.folder.name}, {said}, scale by {kind}", one))
    if given.remarks:
        print("\n".join(f"    {line}" for line in tally.remarks))


if __name__ == "__main__":
    main()
