"""`camdial fits`: which parts of the list may go on instead, and the one measurement that decides."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from shop.cli_common import Trouble, list_option, open_list, paint, print_json, reading_options
from shop.cli_parts import reading_of
from shop.report import chance_text, quantity_text

if TYPE_CHECKING:
    from shop.measured import MeasuredPart
    from shop.parts_table import PartsTable

VERDICT_COLOURS: Final = {"fits": "green", "measure": "yellow", "does-not-fit": "red"}
MOST_UNSURE: Final = 8
VERDICT_TEXT: Final = {"fits": "fits", "measure": "measure first", "does-not-fit": "does not fit"}


@click.command()
@click.argument("source", required=False, metavar="[PHOTO|READING.json]")
@reading_options
@click.option("--family", help="By hand: the outline's family.")
@click.option("--bottom", help="By hand: closed or open.")
@click.option("--hand", help="By hand: left or right, for hook and offset.")
@click.option("--reach", metavar="MM", help="By hand: axis to the tip, as 21.4 or 21.4±0.1.")
@click.option("--tail-width", metavar="MM", help="By hand: width at half reach.")
@click.option("--holes", metavar="HOLES", help='By hand: "61@4.55:3.3; 209@4.55:3.3", degrees @ radius : diameter.')
@click.option(
    "--parts",
    "parts_file",
    type=click.Path(exists=True, dir_okay=False),
    metavar="FILE.csv",
    help="A CSV file instead of your list.",
)
@list_option
@click.option(
    "--measured", multiple=True, metavar="QUANTITY=VALUE[±U]", help="What the calliper says, as hole-distance=8.72."
)
@click.option("--screw", "screws", multiple=True, metavar="THREAD", help="Screw of the cylinder, as #6-32.")
@click.option(
    "--door", type=click.Choice(["storefront", "all-glass", "mortise-case", "other"]), help="Where the part came off."
)
@click.option(
    "--tolerance",
    type=click.FloatRange(0.0, 5.0),
    default=0.5,
    show_default=True,
    metavar="MM",
    help="Of reach and tail width.",
)
@click.option("--all", "all_of_them", is_flag=True, help="Also those that do not fit.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def fits(source: str | None, as_json: bool, all_of_them: bool, **given: Any) -> None:
    """Say which parts of your list may go on instead of the one read.

    \b
    camdial fits bench.jpg --coin us-quarter
    camdial fits reading.json --measured hole-distance=8.72
    camdial fits --family finger --bottom open --reach 22.1 --holes "61@4.55:3.3; 209@4.55:3.3"
    """
    from shop.fits import FitOptions, decide

    measured = _measured(source, given)
    table = _table(given["parts_file"], given["list_at"])
    measured = _door(measured, given["door"], given["list_at"], from_file=given["parts_file"] is not None)
    measured = _findings(measured, given["measured"])
    tolerance = given["tolerance"]
    options = FitOptions(reach_tolerance_mm=tolerance, tail_width_tolerance_mm=tolerance, screws=measured.screws)
    record = decide(measured, table, options).to_record()
    if as_json:
        print_json(record)
        return
    click.echo("\n".join(fits_lines(record, all_of_them=all_of_them)))


def _measured(source: str | None, given: dict[str, Any]) -> MeasuredPart:
    """The part in question, from a reading or by hand."""
    from shop.measured import measured_part_by_hand, measured_part_from_reading

    by_hand = {name: given[name] for name in ("family", "bottom", "hand", "reach", "tail_width", "holes")}
    told = [f"--{name.replace('_', '-')}" for name, value in by_hand.items() if value is not None]
    if source is not None:
        if told:
            raise click.UsageError(f"{told[0]} and {source} together: correct a reading with --measured instead")
        record = reading_of(source, given)
        _usable(record, source)
        try:
            return measured_part_from_reading(record, screws=given["screws"])
        except (ValueError, KeyError, TypeError) as error:
            raise Trouble(str(error)) from error
    missing = [f"--{name}" for name in ("family", "bottom", "reach", "holes") if by_hand[name] is None]
    if missing:
        raise click.UsageError(f"name a photo or a reading, or give the part by hand: missing {', '.join(missing)}")
    try:
        return measured_part_by_hand(
            given["family"], given["bottom"], given["hand"], given["reach"], given["tail_width"], given["holes"],
            screws=given["screws"],
        )  # fmt: skip
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def _usable(record: Mapping[str, Any], source: str) -> None:
    warnings = record.get("warnings") or [{}]
    if record.get("outcome") in ("retake", "not-a-cam"):
        raise Trouble(f"{source}: {warnings[0].get('text') or 'there is no reading to compare'}")


def _table(parts_file: str | None, list_at: str | None) -> PartsTable:
    if parts_file is None:
        table = open_list(list_at).table()
        if not table.parts:
            raise Trouble("the list is empty: camdial parts import FILE.csv fills it")
        return table
    from shop.parts import read_csv
    from shop.parts_table import table_of

    found = read_csv(Path(parts_file))
    if found.problems:
        more = f" (and {len(found.problems) - 1} more)" if len(found.problems) > 1 else ""
        raise Trouble(f"{parts_file}: {found.problems[0]}{more}")
    if not found.parts:
        raise Trouble(f"{parts_file} holds no part")
    return table_of(found.parts)


def _door(measured: MeasuredPart, door: str | None, list_at: str | None, *, from_file: bool) -> MeasuredPart:
    if door is None:
        return measured
    from shop.doors import apply_door

    return apply_door(measured, door, None if from_file else open_list(list_at).counts(door))


def _findings(measured: MeasuredPart, texts: tuple[str, ...]) -> MeasuredPart:
    if not texts:
        return measured
    from shop.calliper import parse_finding, take_in

    try:
        return take_in(measured, [parse_finding(text, measured) for text in texts])
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def fits_lines(record: Mapping[str, Any], *, all_of_them: bool = False) -> list[str]:
    """The candidates as a person reads them, best first."""
    lines: list[str] = []
    left_out = unsure = 0
    for candidate in record["candidates"]:
        verdict = candidate["verdict"]
        if verdict == "does-not-fit" and not all_of_them:
            left_out += 1
            continue
        unsure += verdict == "measure"
        if unsure > MOST_UNSURE and verdict == "measure" and not all_of_them:
            continue
        head = f"{candidate['part']}  {VERDICT_TEXT[verdict]} ({chance_text(candidate['probability'])})"
        place = [f"bin {candidate['bin']}"] if candidate["bin"] else []
        place += [f"{candidate['stock']} in stock"] if candidate["stock"] is not None else []
        lines.append(paint(head, VERDICT_COLOURS[verdict]) + ("  " + ", ".join(place) if place else ""))
        lines += [f"    {reason}" for reason in candidate["reasons"]]
        if candidate["decide_by"]:
            lines += [f"    {line}" for line in decide_lines(candidate["decide_by"])]
    if not lines:
        lines = ["no part of the list fits"]
    if unsure > MOST_UNSURE and not all_of_them:
        lines.append(f"{unsure - MOST_UNSURE} more cannot be told yet; --all shows them")
    if left_out:
        lines.append(f"{left_out} {'others do' if left_out > 1 else 'other does'} not fit; --all shows why")
    return [*lines, *(f"note: {note}" for note in record.get("notes", ()))]


def decide_lines(decide_by: Mapping[str, Any]) -> list[str]:
    """What to measure, where, and how to hand it in."""
    lines = [f"measure: {decide_by['quantity']}; {turn_text(decide_by)}", decide_by["where"]]
    if decide_by.get("measure") == "drawing":
        lines.append("camdial read PHOTO --overlay OUT.png draws it")
    if decide_by.get("measure"):
        lines.append(f"then add  --measured {decide_by['measure']}=VALUE")
    return lines


def turn_text(decide_by: Mapping[str, Any]) -> str:
    """``"fits above 8.72 mm"``, ``"fits between 8.5 and 8.9 mm"``, ``"fits if it is open"``."""
    if decide_by["turns_at"] is None:
        return f"fits if {decide_by['fits_when']}"
    if decide_by.get("between"):
        low, high = decide_by["between"]
        return f"fits between {low:.2f} and {high:.2f} {decide_by['unit']}"
    return f"fits {decide_by['fits_when']} {decide_by['turns_at']:.2f} {decide_by['unit']}"


# ------------------------------------------------------------------------------------------------- compare


@click.command()
@click.argument("a", metavar="A")
@click.argument("b", metavar="B")
@reading_options
@click.option("--screw", "screws", multiple=True, metavar="THREAD", help="Screw of the cylinder, as #6-32.")
@click.option(
    "--measured",
    multiple=True,
    metavar="A:QUANTITY=VALUE[±U]",
    help="Found by calliper or eye on A or B; A: or B: first.",
)
@click.option(
    "--overlay", type=click.Path(dir_okay=False), metavar="OUT.svg", help="Draw both outlines over each other."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def compare(
    a: str, b: str, screws: tuple[str, ...], measured: tuple[str, ...], overlay: str | None, as_json: bool, **given: Any
) -> None:
    """Lay cam B over cam A, axis on axis, tail on tail: may B go on instead of A?

    A and B are photos or READING.json files; the options hold for both photos.

    \b
    camdial compare old.jpg new.jpg --coin eu-1 --overlay both.svg
    """
    from shop.compare import compare as compare_readings
    from shop.compare import comparison_svg
    from shop.fits import FitOptions
    from shop.threads import find_thread

    if overlay is not None and Path(overlay).suffix.lower() != ".svg":
        raise click.UsageError(f"{overlay}: the drawing is SVG, so its name ends in .svg")
    found: dict[str, list[str]] = {"A": [], "B": []}
    for text in measured:
        part, colon, finding = text.partition(":")
        if not colon or part.strip().upper() not in found:
            raise click.UsageError(f"--measured {text}: say of which part, as A:reach=21.4 or B:reach=21.4")
        found[part.strip().upper()].append(finding)
    readings = [reading_of(source, given) for source in (a, b)]
    for source, record in zip((a, b), readings, strict=True):
        _usable(record, source)
    try:
        options = FitOptions(screws=tuple(find_thread(screw).name for screw in screws))
        comparison = compare_readings(readings[0], readings[1], options, found_a=found["A"], found_b=found["B"])
    except (ValueError, KeyError, TypeError) as error:
        raise Trouble(str(error)) from error
    if overlay is not None:
        Path(overlay).write_text(comparison_svg(comparison), encoding="utf-8")
    record = comparison.to_record()
    if as_json:
        print_json(record)
        return
    click.echo("\n".join([*fits_lines(record, all_of_them=True), *difference_lines(record["comparison"])]))


def difference_lines(comparison: Mapping[str, Any]) -> list[str]:
    """What differs between the two, B minus A."""
    rows = []
    for row in comparison["differences"]:
        off = quantity_text(row["difference"], "mm")
        values = "" if row["a"] is None else f"  (A {row['a']:.2f}, B {row['b']:.2f})"
        rows.append(f"    {row['quantity']}: {off if row['a'] is None else signed(off)}{values}")
    gaps = [f"{gap['gap_mm']:.2f} mm" for gap in comparison["outline_gaps"]]
    rows += [f"    outlines apart by up to {gaps[0]}"] if gaps else []
    return ["B minus A:", *rows] if rows else []


def signed(text: str) -> str:
    """A number with its sign, plus included."""
    return text if text.startswith("-") else f"+{text}"
