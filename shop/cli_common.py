"""What several commands share: one-line errors, output, the options of a reading, and where the list lies."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

if TYPE_CHECKING:
    from shop.store import Store
    from vision.models import Model
    from vision.photo import Photo
    from vision.pipeline import ReadOptions
    from vision.reading import Reading
    from vision.segment import Regions

F = TypeVar("F", bound=Callable[..., Any])
LIST_VARIABLE: Final = "CAMDIAL_LIST"
SCALES: Final = ("auto", "none", "coin", "ruler", "card", "cylinder")
THICKNESS_U95_MM: Final = 0.05  # a calliper's


class Trouble(click.ClickException):
    """Something the user can mend, in one sentence; exit status 3."""

    exit_code = 3


def installed_version() -> str:
    """The version as installed, or a word for a source folder that never was."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("camdial")
    except PackageNotFoundError:
        return "from a source folder"


def say(text: str) -> None:
    """One line on standard error."""
    click.echo(f"camdial: {text}", err=True)


def print_json(record: Mapping[str, Any]) -> None:
    """One JSON object on one line of standard output; flushed, so that a reader sees it at once."""
    click.echo(json.dumps(record, ensure_ascii=False, allow_nan=False))
    sys.stdout.flush()


def paint(text: str, colour: str) -> str:
    """Coloured text where a person looks on and has not said NO_COLOR (no-color.org)."""
    plain = "NO_COLOR" in os.environ or os.environ.get("TERM") == "dumb" or not sys.stdout.isatty()
    return text if plain else click.style(text, fg=colour)


# ------------------------------------------------------------------------------------------- reading a photo


def reading_options(command: F) -> F:
    """The options that tell what lies in the photo."""
    for option in reversed(
        (
            click.option("--coin", metavar="NAME", help="The coin beside the part, as us-quarter (see camdial coins)."),
            click.option(
                "--ruler", type=click.Choice(["mm", "inch"]), help="A ruler lies beside it; unit of its marks."
            ),
            click.option("--card", is_flag=True, help="The printed card lies under it."),
            click.option(
                "--card-bar",
                type=click.FloatRange(80.0, 120.0),
                metavar="MM",
                help="Length of the card's bar, as measured.",
            ),
            click.option("--cylinder", is_flag=True, help="The cam is still on its cylinder."),
            click.option(
                "--cylinder-diameter",
                metavar="MM",
                help="The cylinder over its thread by calliper, as 28.9 or 28.9±0.1; sizes rest on it.",
            ),
            click.option(
                "--scale", type=click.Choice(SCALES), default="auto", help="What to take for scale; auto tries all."
            ),
            click.option("--no-scale", is_flag=True, help="Angles only, no lengths."),
            click.option(
                "--facing", type=click.Choice(["screw", "plug"]), help="Which side the photo shows, if you know."
            ),
            click.option("--thickness", metavar="MM", help="Thickness of the part by calliper, as 2.4 or 2.4±0.05."),
        )
    ):
        command = option(command)
    return command


def read_options(given: Mapping[str, Any]) -> ReadOptions:
    """The pipeline's options from the command's.

    Raises
    ------
    click.UsageError
        If two of them contradict each other, or a name or number is none.
    """
    from vision.pipeline import ReadOptions

    names = ("coin", "ruler", "card", "card_bar", "cylinder", "cylinder_diameter")
    told = [f"--{name.replace('_', '-')}" for name in names if given[name]]
    if len(told) > 1 and set(told) not in ({"--card", "--card-bar"}, {"--cylinder", "--cylinder-diameter"}):
        raise click.UsageError(f"{' and '.join(told)} together: name the one reference that lies in the photo")
    if given["no_scale"] and (told or given["scale"] not in ("auto", "none")):
        raise click.UsageError(f"--no-scale and {told[0] if told else '--scale'} contradict each other")
    if given["coin"]:
        from vision.scale.coins import coin_by_name

        try:
            coin_by_name(given["coin"])
        except ValueError as error:
            raise click.UsageError(str(error)) from error
    return ReadOptions(
        coin=given["coin"],
        ruler=given["ruler"],
        card=given["card"],
        card_bar_mm=given["card_bar"],
        cylinder=given["cylinder"] or given["cylinder_diameter"] is not None,
        cylinder_diameter_mm=_calliper("--cylinder-diameter", given["cylinder_diameter"], 10.0, 80.0),
        scale="none" if given["no_scale"] else given["scale"],
        facing=given["facing"],
        thickness_mm=_calliper("--thickness", given["thickness"], 0.3, 10.0),
    )


def _calliper(option: str, text: str | None, least: float, most: float) -> Any:
    """A length by calliper, as 2.4 or 2.4±0.05, as a Quantity; None when it is not given."""
    if text is None:
        return None
    from shop.measured import quantity_from_text
    from vision.quantity import Quantity

    try:
        value = quantity_from_text(text, THICKNESS_U95_MM)
    except ValueError as error:
        raise click.UsageError(f"{option}: {error}") from error
    if not least <= value.value <= most:
        raise click.UsageError(f"{option} {text}: allowed are {least:g} to {most:g} mm")
    return Quantity(value.value, max(value.u, 0.005))


class Opening:
    """A photo being opened and looked over by the finder network, and the reader being opened, while the program loads.

    Decoding and networks leave the interpreter free; what they need is loaded first. What a reading needs later is
    opened while the reading has begun.
    """

    def __init__(self, path: str) -> None:
        from vision.photo import open_photo  # before the thread, which would vie for it with all else that is loaded

        self._path = path
        self._photo: Photo | None = None
        self._regions: Regions | None = None
        self._error: BaseException | None = None
        self._looked = threading.Event()
        self._reader: threading.Thread | None = None
        threading.Thread(target=self._look, args=(open_photo,), name="looking at the photo").start()
        from vision.models import shipped

        self._reader = threading.Thread(target=_open_reader, args=(shipped,), name="opening the reader")
        self._reader.start()

    def _look(self, open_photo: Callable[[str], Photo]) -> None:
        try:
            self._photo = open_photo(self._path)
        except BaseException as error:  # raised again where the photo is wanted
            self._error = error
            self._looked.set()
            return
        from vision.models import ModelError

        with contextlib.suppress(ModelError):  # raised again where the network is wanted
            from vision.segment import find_regions

            self._regions = find_regions(self._photo)
        self._looked.set()
        with contextlib.suppress(ModelError):
            _open_the_rest()

    def result(self) -> tuple[Photo, Regions | None]:
        """The photo and what the finder sees in it, or what `vision.photo.open_photo` raised."""
        self._looked.wait()
        if self._reader is not None:  # no network may be opened in two threads, which would do it twice
            self._reader.join()
        if self._photo is None:
            raise self._error or RuntimeError("the photo was not opened")
        return self._photo, self._regions


def _open_reader(shipped: Callable[[str], Model]) -> None:
    from vision.models import ModelError

    with contextlib.suppress(ModelError):  # raised again where the network is wanted
        shipped("reader")


def _open_the_rest() -> None:
    """The small networks, and what NumPy loads only when it is first asked for, in the order in which a reading needs them."""
    import numpy.fft
    import numpy.random  # noqa: F401

    from vision.face_edge import edge_networks
    from vision.hole_net import hole_network
    from vision.lean import lean_network
    from vision.models import shipped
    from vision.outline_words import outline_network

    shipped("rim")
    lean_network()
    edge_networks()
    hole_network()
    outline_network()


def read_file(path: str, options: ReadOptions, opening: Opening | None = None) -> tuple[Photo, Reading]:
    """Open and read one photo; ``-`` is standard input. Raises `vision.photo.PhotoError`.

    `opening` is the photo on its way already.
    """
    from vision.photo import open_photo
    from vision.pipeline import read_photo

    if path == "-":
        photo, regions = open_photo(sys.stdin.buffer.read(), name="standard input"), None
    else:
        photo, regions = (opening or Opening(path)).result()
    return photo, read_photo(photo, options, regions=regions)


# ------------------------------------------------------------------------------------------- the shop's list


def list_option(command: F) -> F:
    """The option that names the shop's database."""
    return click.option(
        "--list",
        "list_at",
        envvar=LIST_VARIABLE,
        metavar="PLACE",
        help=f"Database of your list: a file, or postgresql://…  [default: {LIST_VARIABLE}, or a file in your home]",
    )(command)


def list_place(given: str | None) -> str:
    """Where the list lies: as given, or a file of this user's own."""
    return given or os.environ.get(LIST_VARIABLE) or str(Path(click.get_app_dir("camdial")) / "parts.db")


def open_list(given: str | None, *, make: bool = False) -> Store:
    """Open the shop's list.

    Raises
    ------
    Trouble
        If there is none yet and `make` is not set.
    """
    from shop.store import open_store

    place = list_place(given)
    if "://" not in place:
        path = Path(place).expanduser()
        if not path.exists():
            if not make:
                raise Trouble(f"there is no list at {path} yet: camdial parts import FILE.csv makes one")
            if not given:
                path.parent.mkdir(parents=True, exist_ok=True)
    try:
        return open_store(place)
    except ModuleNotFoundError as error:
        raise Trouble(f"{place.partition(':')[0]} needs its extra: install camdial[postgres]") from error
