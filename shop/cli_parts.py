"""`camdial parts`: the shop's own list, from files and by hand."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from shop.cli_common import (
    Trouble,
    list_option,
    list_place,
    open_list,
    print_json,
    read_file,
    read_options,
    reading_options,
    say,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from shop.parts import Part

SHOWN_PROBLEMS: Final = 20
CELL: Final = "COLUMN=VALUE"


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def parts() -> None:
    """Keep your own parts list.

    \b
    camdial parts import shop.csv
    camdial parts list two holes, 3 and 9, open bottom
    camdial parts edit NB-204 stock=2 bin=C4
    """


@parts.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False), metavar="FILE.csv")
@click.option("--skip-bad", is_flag=True, help="Take the good rows although others are bad.")
@click.option(
    "--existing", type=click.Choice(["update", "skip", "refuse"]), default="update", show_default=True,
    help="What to do with numbers that are in the list already.",
)  # fmt: skip
@list_option
def import_(file: str, skip_bad: bool, existing: str, list_at: str | None) -> int:
    """Take parts from a CSV file, all or none."""
    from shop.parts import read_csv

    found = read_csv(Path(file), skip_bad=skip_bad)
    for problem in found.problems[:SHOWN_PROBLEMS]:
        say(f"{file}: {problem}")
    if len(found.problems) > SHOWN_PROBLEMS:
        say(f"{file}: and {len(found.problems) - SHOWN_PROBLEMS} more")
    if found.problems and not (skip_bad and found.parts):
        say("nothing was imported; mend the file, or take the good rows with --skip-bad")
        return 3
    done = open_list(list_at, make=True).import_parts(found.parts, on_existing=existing)
    click.echo(f"{done.added} added, {done.updated} changed, {done.unchanged} the same, {done.skipped} skipped")
    return 0


@parts.command()
@click.argument("file", type=click.Path(dir_okay=False), default="-", metavar="[FILE.csv]")
@list_option
def export(file: str, list_at: str | None) -> None:
    """Write the list as CSV, to a file or to standard output."""
    from shop.parts import write_csv

    chosen = open_list(list_at).list_parts()
    if file == "-":
        sys.stdout.reconfigure(newline="")  # type: ignore[union-attr]
        write_csv(chosen, sys.stdout)
        return
    with Path(file).open("w", encoding="utf-8-sig", newline="") as out:  # the mark tells spreadsheets that it is UTF-8
        write_csv(chosen, out)
    click.echo(f"{file}: {len(chosen)} parts", err=True)


@parts.command("list")
@click.argument("question", nargs=-1, metavar="[QUESTION]...")
@click.option("--archived", is_flag=True, help="Those put away instead.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@list_option
def list_(question: tuple[str, ...], archived: bool, as_json: bool, list_at: str | None) -> None:
    """List the parts, or those a question in words finds."""
    from shop.search import search

    store = open_list(list_at)
    found = search(store.list_parts(archived=archived), " ".join(question))
    if as_json:
        print_json({"schema": "camdial.parts/1", "understood": list(found.understood), "parts": _rows(found.parts)})
        return
    if question:
        click.echo(f"understood: {', '.join(found.understood) or 'everything'}", err=True)
    _print_table(found.parts)


@parts.command(context_settings={"ignore_unknown_options": False})
@click.argument("number")
@click.argument("cells", nargs=-1, metavar=f"[{CELL}]...")
@click.option("--from", "source", type=click.Path(), metavar="FILE", help="A photo or READING.json to start from.")
@reading_options
@list_option
def add(number: str, cells: tuple[str, ...], source: str | None, list_at: str | None, **given: Any) -> None:
    """Add a part: from a photo or reading, corrected by what the calliper says, or all by hand.

    \b
    camdial parts add NB-300 --from bench.jpg --coin us-quarter reach_mm=21.4 bin=C4
    camdial parts add NB-301 family=finger bottom=open reach_mm=22 holes="61@4.55:3.3; 209@4.55:3.3"
    """
    from shop.parts import part_from_reading, part_from_texts

    changes = _cells(cells)
    store = open_list(list_at, make=True)
    if source is None:
        part = part_from_texts({**changes, "part": number})
    else:
        part = part_from_reading(reading_of(source, given), number, changes)
    stored = store.add(part)
    click.echo(f"added {stored.part.part}")


@parts.command()
@click.argument("number")
@click.argument("cells", nargs=-1, required=True, metavar=f"{CELL}...")
@click.option("--version", type=int, help="Only if the part still has this version.")
@list_option
def edit(number: str, cells: tuple[str, ...], version: int | None, list_at: str | None) -> None:
    """Write cells of a part anew."""
    stored = open_list(list_at).edit(number, _cells(cells), version=version)
    click.echo(f"{stored.part.part} is now version {stored.version}")


@parts.command()
@click.argument("number")
@list_option
def archive(number: str, list_at: str | None) -> None:
    """Put a part away: kept, but no longer compared."""
    open_list(list_at).archive(number)
    click.echo(f"{number} is put away; camdial parts restore {number} brings it back")


@parts.command()
@click.argument("number")
@list_option
def restore(number: str, list_at: str | None) -> None:
    """Bring back a part that was put away."""
    open_list(list_at).restore(number)
    click.echo(f"{number} is back in the list")


@parts.command()
@click.argument("number")
@list_option
def history(number: str, list_at: str | None) -> None:
    """Show what was changed on a part, and when."""
    changes = open_list(list_at).history(number)
    if not changes:
        raise Trouble(f"there is no part {number} in the list")
    for change in changes:
        cells = change.after.items()
        differing = ", ".join(f"{k}={v}" for k, v in cells if change.before and change.before.get(k) != v)
        click.echo(f"{change.at}  {change.what:<8} {differing}".rstrip())


@parts.command()
@click.argument("file", type=click.Path(), metavar="FILE")
@list_option
def backup(file: str, list_at: str | None) -> None:
    """Write a whole copy of the database to a new file."""
    click.echo(f"{open_list(list_at).backup(file)} is complete")


@parts.command()
@list_option
def check(list_at: str | None) -> int:
    """Look the database over: the file itself, and every part against the list's rules."""
    store = open_list(list_at)
    found = store.check()
    for line in found:
        say(line)
    if found:
        return 3
    click.echo(f"{list_place(list_at)}: {len(store.list_parts())} parts, all well")
    return 0


@parts.command()
@click.argument("door", type=click.Choice(["storefront", "all-glass", "mortise-case", "other"]))
@click.argument("family")
@click.option("--count", type=click.IntRange(1), default=1, show_default=True)
@list_option
def met(door: str, family: str, count: int, list_at: str | None) -> None:
    """Note that a cam of a family came off such a door; readings with --door learn from it."""
    try:
        open_list(list_at, make=True).count_door(door, family, count)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    click.echo(f"noted: {count} {family} off {door}")


# ------------------------------------------------------------------------------------------------- helpers


def reading_of(source: str, given: dict[str, Any]) -> dict[str, Any]:
    """The reading in a JSON file, or of a photo; ``-`` is JSON on standard input."""
    import json

    if source == "-":
        start = sys.stdin.buffer.read()
    else:
        with Path(source).open("rb") as file:
            start = file.read(64)
            start += file.read() if start.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"{" else b""
    if start.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] != b"{":
        if source == "-":
            raise Trouble("standard input holds no reading: give it the output of camdial read --json")
        return read_file(source, read_options(given))[1].to_json()
    try:
        record = json.loads(start.decode("utf-8-sig"))
    except ValueError as error:
        raise Trouble(f"{source} is no whole JSON object: write it anew with camdial read --json") from error
    if not isinstance(record, dict):
        raise Trouble(f"{source} holds no reading: write it with camdial read --json")
    return record


def _cells(cells: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for cell in cells:
        column, equals, value = cell.partition("=")
        if not equals:
            raise click.UsageError(f"{cell!r}: write {CELL}, as stock=2")
        found[column.strip()] = value
    return found


def _rows(chosen: Iterable[Part]) -> list[dict[str, str]]:
    from shop.parts import part_to_texts

    return [part_to_texts(part) for part in chosen]


def _print_table(chosen: Iterable[Part]) -> None:
    from shop.search import clock_of

    rows = [("part", "family", "bottom", "hand", "reach", "screws at", "bin", "stock")]
    for part in chosen:
        hand = "" if part.hand == "none" else part.hand
        stock = "" if part.stock is None else str(part.stock)
        rows.append((part.part, part.family, part.bottom, hand, f"{part.reach_mm:g}", clock_of(part), part.bin, stock))
    if len(rows) == 1:
        click.echo("no part")
        return
    wide = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        click.echo("  ".join(f"{cell:<{width}}" for cell, width in zip(row, wide, strict=True)).rstrip())
