"""`camdial read`: photos in, readings out."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from shop.cli_common import Opening, paint, print_json, read_file, read_options, reading_options, say

if TYPE_CHECKING:
    from vision.photo import Photo
    from vision.pipeline import ReadOptions
    from vision.reading import Reading

SCHEMA = "camdial.reading/1"
COLOURS = {"read": "green", "unsure": "yellow", "not-a-cam": "red", "retake": "red"}


@click.command()
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...", type=click.Path())
@reading_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--jsonl", is_flag=True, help="Print one JSON object a line, one for each photo; a bad file does not stop it."
)
@click.option(
    "--overlay",
    type=click.Path(),
    metavar="OUT.png",
    help="Draw the reading on the photo; a folder for several photos.",
)
@click.option(
    "--pdf", type=click.Path(), metavar="OUT.pdf", help="Write the reading as one printed page; a folder for several."
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Of the PDF.")
@click.option("--budget", is_flag=True, help="Say where the uncertainties come from.")
@click.option("--inch", is_flag=True, help="Put inches behind the millimetres.")
@click.option("--quiet", is_flag=True, help="No progress.")
def read(
    photos: tuple[str, ...],
    as_json: bool,
    jsonl: bool,
    overlay: str | None,
    pdf: str | None,
    paper: str,
    budget: bool,
    inch: bool,
    quiet: bool,
    **given: Any,
) -> int:
    """Read photos of a cam: outline, bottom, screw holes by the clock, sizes.

    \b
    camdial read bench.jpg --coin us-quarter
    camdial read bench.jpg --coin eu-1 --overlay read.png
    camdial read *.jpg --card --jsonl > readings.jsonl
    """
    if as_json and jsonl:
        raise click.UsageError("--json and --jsonl together: choose one")
    if as_json and len(photos) > 1:
        raise click.UsageError("--json prints one object: with several photos use --jsonl")
    opening = None if photos[0] == "-" else Opening(photos[0])
    options = read_options(given)
    for out in (overlay, pdf):
        _check_target(out, len(photos))
    bad = False
    first = True
    for name, photo, reading, error in _readings(photos, options, quiet, opening):
        if reading is None or photo is None:
            bad = True
            if jsonl:
                print_json({"schema": SCHEMA, "photo": {"name": name}, "error": {"code": "no-photo", "text": error}})
            else:
                say(error)
            continue
        if overlay is not None:
            _write_overlay(_target(overlay, name, ".png", len(photos)), photo, reading)
        if pdf is not None:
            _write_pdf(_target(pdf, name, ".pdf", len(photos)), photo, reading, paper=paper, inch=inch)
        if jsonl or as_json:
            record = reading.to_json()
            if budget:
                record["budget"] = [asdict(line) for line in reading.budget]
            print_json(record)
        else:
            _print_text(reading, inch=inch, budget=budget, gap=not first)
        first = False
    return 3 if bad else 0


def _readings(
    photos: tuple[str, ...], options: ReadOptions, quiet: bool, opening: Opening | None
) -> Iterator[tuple[str, Photo | None, Reading | None, str]]:
    """Each photo's name with its reading, or with what is wrong with the file. The first is being opened already."""
    from vision.photo import PhotoError

    shows = len(photos) > 1 and not quiet and sys.stderr.isatty()
    for i, path in enumerate(photos, start=1):
        if shows:
            click.echo(f"\r\033[K{i} of {len(photos)}  {Path(path).name}", err=True, nl=False)
        name = "standard input" if path == "-" else Path(path).name
        found: tuple[str, Photo | None, Reading | None, str]
        try:
            photo, reading = read_file(path, options, opening if i == 1 else None)
            found = photo.name, photo, reading, ""
        except PhotoError as error:
            found = name, None, None, str(error)
        if shows:
            click.echo("\r\033[K", err=True, nl=False)
        yield found


def _print_text(reading: Reading, *, inch: bool, budget: bool, gap: bool) -> None:
    from shop.report import budget_text, reading_text

    head, *rest = reading_text(reading.to_json(), inch=inch).split("\n")
    lines = [
        paint(head, COLOURS[reading.outcome]),
        *(paint(x, "yellow") if x.startswith(("  !", "  ?")) else x for x in rest),
    ]
    if budget:
        lines += budget_text(reading.budget).split("\n")
    click.echo("\n".join(([""] if gap else []) + lines))


# ------------------------------------------------------------------------------------------------- files


def _check_target(out: str | None, count: int) -> None:
    """Refuse at once what could only fail after the reading."""
    if out is None:
        return
    path = Path(out)
    folder = path if count > 1 else path.parent
    if count > 1 and not path.is_dir():
        raise click.UsageError(f"{out} is no folder: with several photos name a folder that is there")
    if not folder.is_dir():
        raise click.UsageError(f"there is no folder {folder}: make it first")


def _target(out: str, name: str, ending: str, count: int) -> Path:
    path = Path(out)
    return path / f"{Path(name).stem}{ending}" if count > 1 or path.is_dir() else path


def _write_overlay(path: Path, photo: Photo, reading: Reading) -> None:
    from PIL import Image

    from shop.overlay import draw_overlay

    if path.suffix.lower() not in (".png", ".jpg", ".jpeg", ".webp"):
        raise click.UsageError(f"{path}: a picture's name ends in .png, .jpg or .webp")
    Image.fromarray(draw_overlay(photo.pixels, reading.to_json())).save(path)


def _write_pdf(path: Path, photo: Photo, reading: Reading, *, paper: str, inch: bool) -> None:
    from shop.report_pdf import make_report

    make_report(path, photo.pixels, reading.to_json(), paper=paper, inch=inch)
