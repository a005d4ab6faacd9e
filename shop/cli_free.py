"""`camdial free` and `camdial sheet`: the adviser on a stuck screw and the printed job sheet, as commands."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from shop.cli_common import Trouble, print_json, say
from shop.drawing import draw_section, svg
from shop.fasteners import HEAD_KINDS, find_drill
from shop.freeing import Advice, Situation, advise
from shop.freeing_text import advice_json, advice_text
from shop.head_geometry import CAM_THICKNESS_MM, DISC_MM
from shop.job_sheet import ChosenPart, SheetError, chosen_from_fits, make_job_sheet
from shop.measured import quantity_from_text
from shop.methods import CONDITIONS, PLACES, SAVEABLE, load_knowledge
from shop.paper import PAPERS
from shop.screw_at_hand import Screw, screw_from_reading
from shop.threads import find_thread
from vision.quantity import NotMeasured, Quantity

F = TypeVar("F", bound=Callable[..., Any])
CALLIPER_U95_MM: Final = 0.05  # of a value given by hand without its own uncertainty
OTHER_HEAD: Final = "other"  # not countersunk


def _parse(convert: Any) -> Any:
    def callback(_context: click.Context, parameter: click.Parameter, value: Any) -> Any:
        if value is None:
            return None
        try:
            return convert(value)
        except ValueError as error:
            raise click.BadParameter(str(error), param=parameter) from None

    return callback


def _length(value: str) -> Quantity:
    quantity = quantity_from_text(value.removesuffix("mm").strip(), CALLIPER_U95_MM)
    if quantity.value <= 0.0:
        raise ValueError(f"{value!r} is no length in mm")
    return quantity


def _tools(values: tuple[str, ...]) -> frozenset[str]:
    words = [word.strip() for value in values for word in value.split(",") if word.strip()]
    known = load_knowledge().tools
    for word in words:
        if word not in known and word != "all":
            raise ValueError(f"{word!r} is no tool known here; allowed: all, {', '.join(known)}")
    return frozenset(known) if "all" in words else frozenset(words)


def read_object(path: str) -> Mapping[str, Any]:
    """A JSON object from a file, or from standard input for ``-``.

    Raises
    ------
    Trouble
        If it cannot be read or is no JSON object.
    """
    try:
        text = sys.stdin.read() if path == "-" else Path(path).read_text("utf-8-sig")
        value = json.loads(text)
    except OSError as error:
        raise Trouble(f"{path}: {error.strerror or 'cannot be read'}; give a file written by camdial --json") from None
    except ValueError:
        raise Trouble(f"{path} is not JSON; give a file written by camdial --json") from None
    if not isinstance(value, Mapping):
        raise Trouble(f"{path} holds no JSON object; give one reading, as camdial read --json writes it")
    return value


def _write(path: str, data: bytes) -> None:
    try:
        Path(path).write_bytes(data)
    except OSError as error:
        raise Trouble(f"{path}: {error.strerror or 'cannot be written'}") from None


def _with_reading(reading: Mapping[str, Any] | None, screw: Screw) -> Screw:
    if reading is None:
        return screw
    try:
        return screw_from_reading(reading, screw)
    except ValueError as error:
        raise Trouble(str(error)) from None


def _screw_options(command: F) -> F:
    options = (
        click.option("--screw", "thread", callback=_parse(find_thread), metavar="THREAD", help="As #6-32 or M3."),
        click.option(
            "--head",
            "head_kind",
            type=click.Choice([*HEAD_KINDS, OTHER_HEAD]),
            help="Kind of head; left out, all tabulated kinds are allowed for.",
        ),
        click.option(
            "--head-diameter", "head_mm", callback=_parse(_length), metavar="MM[±U]", help="Measured across the head."
        ),
        click.option("--length", "length_mm", callback=_parse(_length), metavar="MM", help="The screw's length."),
        click.option(
            "--thickness", "thickness_mm", callback=_parse(_length), metavar="MM[±U]", help="The cam's thickness."
        ),
        click.option("--hole", "hole_mm", callback=_parse(_length), metavar="MM[±U]", help="The cam's screw hole."),
        click.option("--drill", callback=_parse(find_drill), metavar="SIZE", help="A drill you have: #18, 11/64, 4.3 mm."),
        click.option("--point", "point_deg", type=click.Choice(["118", "135"]), default="118", show_default=True,
                     help="The drill's point angle, degrees."),
        click.option("--disc", "disc_mm", type=click.FloatRange(5.0, 60.0), default=DISC_MM, show_default=True,
                     metavar="MM", help="Diameter of the cutting disc as it is now."),
    )  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


def _situation_options(*, needed: bool) -> Callable[[F], F]:
    def decorate(command: F) -> F:
        options = (
            click.option(
                "--condition",
                type=click.Choice(CONDITIONS),
                required=False,
                help="What is wrong." if needed else "Adds advice on a stuck screw to the sheet.",
            ),
            click.option(
                "--tools",
                multiple=True,
                callback=_parse(_tools),
                metavar="LIST",
                help=f"What is at hand, by commas: all, {', '.join(load_knowledge().tools)}.",
            ),
            click.option("--save", multiple=True, type=click.Choice(SAVEABLE), help="What must survive; repeatable."),
            click.option("--place", type=click.Choice(PLACES), default="bench", show_default=True,
                         help="Where the cylinder is."),
        )  # fmt: skip
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


def _screw(values: Mapping[str, Any]) -> Screw:
    length = values["length_mm"]
    return Screw(
        thread=values["thread"],
        head_kind=values["head_kind"],
        head_mm=values["head_mm"],
        length_mm=None if length is None else length.value,
        thickness_mm=values["thickness_mm"] or CAM_THICKNESS_MM,
        hole_mm=values["hole_mm"],
        point_deg=float(values["point_deg"]),
        disc_mm=values["disc_mm"],
        drill=values["drill"],
    )


def _advise(values: Mapping[str, Any], reading: Mapping[str, Any] | None) -> Advice:
    situation = Situation(values["condition"], values["tools"], frozenset(values["save"]), values["place"])
    return advise(situation, _with_reading(reading, _screw(values)))


def _ask(values: dict[str, Any]) -> None:
    """Ask what was not said, but only a person at a terminal."""
    known = load_knowledge()
    if values["condition"] is None:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise click.UsageError(f"say what is wrong: --condition {'|'.join(CONDITIONS)}")
        for name, text in known.conditions.items():
            click.echo(f"  {name:14}{text}", err=True)
        values["condition"] = click.prompt("What is wrong", type=click.Choice(CONDITIONS), err=True)
        if not values["tools"]:
            for name, text in known.tools.items():
                click.echo(f"  {name:16}{text}", err=True)
            answer = click.prompt("Tools at hand, by commas", default="all", err=True)
            try:
                values["tools"] = _tools((answer,))
            except ValueError as error:
                raise click.UsageError(str(error)) from None


@click.command()
@click.argument("reading", required=False, metavar="[READING.json]")
@_situation_options(needed=True)
@_screw_options
@click.option("--svg", "svg_path", metavar="FILE", help="Also write the section through screw and drill, to scale.")
@click.option("--json", "as_json", is_flag=True, help="Print the object camdial.free/1.")
def free(reading: str | None, svg_path: str | None, as_json: bool, **values: Any) -> None:
    """How to free a screw that will not come out, mildest way first.

    \b
    camdial free --condition wont-turn --tools vise,driver,hammer,eye-protection
    camdial free --condition head-damaged --tools all --place vise --save cam --screw "#6-32" --head slotted-82
    camdial free READING.json --condition head-damaged --tools all --head-diameter 6.3±0.1 --svg section.svg

    A READING.json (of camdial read --json; - is standard input) gives the cam's holes. The screw's size is then guessed,
    and said to be a guess; no drill is named before the size is as good as sure.
    """
    _ask(values)
    advice = _advise(values, None if reading is None else read_object(reading))
    if svg_path is not None:
        section = draw_section(advice.screw, advice.numbers)
        if isinstance(section, NotMeasured):
            say(f"no section drawn: {section.text}")
        else:
            _write(svg_path, svg(section).encode("utf-8"))
    if as_json:
        print_json(advice_json(advice))
    else:
        click.echo(advice_text(advice))


@click.command()
@click.argument("pdf", metavar="OUT.pdf")
@click.option("--reading", metavar="FILE", help="A reading, as camdial read --json writes it; - for standard input.")
@click.option(
    "--fits", metavar="FILE", help="A fit decision, as camdial fits --json writes it; its best part is taken."
)
@click.option("--part", metavar="NUMBER", help="The shop's number of the part that goes on.")
@click.option("--bin", "bin_name", default="", metavar="TEXT", help="Where it lies.")
@click.option("--paper", type=click.Choice(sorted(PAPERS)), default="letter", show_default=True)
@_situation_options(needed=False)
@_screw_options
def sheet(
    pdf: str, reading: str | None, fits: str | None, part: str | None, bin_name: str, paper: str, **values: Any
) -> None:
    """One page to take to the bench: cautions, what to take, off, swap, on, what to check.

    \b
    camdial sheet job.pdf --reading READING.json --fits FITS.json
    camdial sheet job.pdf --part NB-204 --screw "#6-32" --condition head-damaged --tools all --place vise
    """
    read = None if reading is None else read_object(reading)
    advice = _advise(values, read) if values["condition"] is not None else None
    try:
        chosen = None
        if fits is not None:
            chosen = chosen_from_fits(read_object(fits), part)
        elif part is not None:
            chosen = ChosenPart(part, bin_name)
        if chosen is not None and values["thread"] is not None:
            chosen = ChosenPart(
                chosen.part,
                bin_name or chosen.bin,
                values["thread"].name,
                chosen.verdict,
                chosen.probability,
                chosen.note,
            )
        data = make_job_sheet(read, chosen, advice, paper=paper)
    except SheetError as error:
        raise Trouble(str(error)) from None
    _write(pdf, data)
    say(f"{pdf}: one page, {paper}")
