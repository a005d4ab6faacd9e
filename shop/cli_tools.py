"""`camdial card`, `coins`, `page` and `doctor`: what stands around a reading."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import click

from shop.cli_common import LIST_VARIABLE, Trouble, installed_version, list_place, paint, print_json, say

PORT: Final = 8501
SAFE_WAL: Final = (3, 51, 3)  # sqlite.org/wal.html: before it two connections can damage a file in that journal mode

# Colours of the page. Ink on paper 13:1, accent on paper 6.1:1 (WCAG 2.2, 1.4.3 asks for 4.5).
THEME: Final = {
    "base": "light",
    "primaryColor": "#0b5f8a",
    "backgroundColor": "#fbfaf7",
    "secondaryBackgroundColor": "#f0ede5",
    "textColor": "#20262d",
    "borderColor": "#d8d3c6",
    "linkColor": "#0b5f8a",
    "baseRadius": "6px",
    "showWidgetBorder": "true",
}


@click.command()
@click.argument("out", type=click.Path(dir_okay=False, writable=True), metavar="OUT.pdf")
@click.option("--paper", type=click.Choice(["a4", "letter"]), required=True, help="The paper in your printer.")
def card(out: str, paper: str) -> None:
    """Write the scale card as a PDF to print at 100 %."""
    from shop.card_sheet import make_card

    make_card(out, paper="a4" if paper == "a4" else "letter")
    click.echo(f"{out}: print it at 100 %, measure its bar, then  camdial read PHOTO --card --card-bar MM")


@click.command()
@click.argument("begins", required=False, metavar="[BEGINS]")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def coins(begins: str | None, as_json: bool) -> None:
    """List the coins that can lie beside the part, as us-quarter; BEGINS narrows it, as us or eu."""
    from vision.scale.coins import COINS

    chosen = [coin for name, coin in COINS.items() if name.startswith((begins or "").lower())]
    if not chosen:
        countries = sorted({name.split("-")[0] for name in COINS})
        raise click.UsageError(f"no coin begins with {begins}: there are {', '.join(countries)}")
    if as_json:
        rows = [
            {"id": c.id, "diameter_mm": c.diameter_mm, "thickness_mm": c.thickness_mm, "sides": c.sides} for c in chosen
        ]
        print_json({"schema": "camdial.coins/1", "coins": rows})
        return
    for coin in chosen:
        shape = f"  {coin.sides} sides" if coin.sides else ""
        click.echo(f"{coin.id:<12} {coin.diameter_mm:5.2f} mm{shape}{'  size from memory' if coin.memory else ''}")
    if not begins and sys.stdout.isatty():
        click.echo("Any other round thing of known size: --coin 24.75mm", err=True)


# ------------------------------------------------------------------------------------------------- page


@click.command()
@click.option("--port", type=click.IntRange(1, 65535), default=PORT, show_default=True)
@click.option("--address", default="127.0.0.1", show_default=True, help="0.0.0.0 lets others in the network use it.")
@click.option("--list", "list_at", envvar=LIST_VARIABLE, metavar="PLACE", help="Database of your list.")
@click.option("--no-browser", is_flag=True, help="Only serve, open no browser.")
def page(port: int, address: str, list_at: str | None, no_browser: bool) -> int:
    """Open the page: upload a photo, see what it is and what fits."""
    if importlib.util.find_spec("streamlit") is None:
        raise Trouble("the page needs its extra: install camdial[app]")
    environment = os.environ | {LIST_VARIABLE: list_place(list_at)}
    say(f"the page is at http://{address}:{port}  (Ctrl-C ends it)")
    try:  # Streamlit's greeting is not ours to print; its errors go to standard error
        return subprocess.call(
            page_command(port, address, headless=no_browser), env=environment, stdout=subprocess.DEVNULL
        )
    except KeyboardInterrupt:
        return 0


def page_command(port: int, address: str, *, headless: bool) -> list[str]:
    """The command that serves the page; settings go as arguments, so that no file of the user's is read or written."""
    settings = {
        "server.address": address,
        "server.port": str(port),
        "server.headless": str(headless).lower(),
        "server.maxUploadSize": "30",  # MB; the largest photo of a phone's ordinary mode is about 20
        "server.disconnectedSessionTTL": "1800",  # seconds: a phone that slept finds its photo again
        "server.showEmailPrompt": "false",
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "viewer",
        "client.showErrorDetails": "none",
        "logger.level": "warning",
        **{f"theme.{name}": value for name, value in THEME.items()},
    }
    script = Path(__file__).resolve().parents[1] / "app.py"
    return [sys.executable, "-m", "streamlit", "run", str(script), *(f"--{k}={v}" for k, v in settings.items())]


# ------------------------------------------------------------------------------------------------- doctor


@click.command()
def doctor() -> int:
    """Look whether everything is in place: program, networks, database, extras."""
    healthy = True
    for name, check in _checks():
        try:
            good, text = check()
        except Exception as error:  # whatever breaks here is what the user wants to hear about
            good, text = False, f"{type(error).__name__}: {' '.join(str(error).split())}"
        healthy &= good
        click.echo(f"{paint('ok  ', 'green') if good else paint('BAD ', 'red')} {name:<10} {text}")
    return 0 if healthy else 3


def _checks() -> Iterator[tuple[str, Callable[[], tuple[bool, str]]]]:
    yield "program", _own_packages
    yield "finder", lambda: _network("finder")
    yield "reader", lambda: _network("reader")
    yield "outline", _outline_words
    yield "list", _list
    yield "sqlite", _sqlite
    yield "page", lambda: _extra("streamlit", "app", "the page")
    yield (
        "heic",
        lambda: _extra("pillow_heif", "heic", "iPhone photos as they lie on the phone; without it export them as JPEG"),
    )


def _own_packages() -> tuple[bool, str]:
    """Other distributions have packages named vision, shop or train: make sure that ours are the ones found."""
    import shop
    import vision

    here = Path(__file__).resolve().parents[1]
    folders = [Path(str(module.__file__)).resolve().parents[1] for module in (vision, shop)]
    if any(folder != here for folder in folders):
        return False, "another package is called vision or shop here: install camdial in an environment of its own"
    python = ".".join(map(str, sys.version_info[:3]))
    return True, f"camdial {installed_version()}, Python {python}"


def _network(which: str) -> tuple[bool, str]:
    from vision.models import ModelError, shipped

    try:
        card = shipped(which).card
    except ModelError as error:
        return False, str(error)
    told = [f"{key} {card[key]}" for key in ("made", "commit", "data") if isinstance(card.get(key), str)]
    return True, ", ".join(told) or "there"


def _outline_words() -> tuple[bool, str]:
    """The third network votes on the outline alone: let it look at a plain disc."""
    import numpy as np

    from vision.models import ModelError
    from vision.outline_words import vote

    turn = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
    try:
        vote(np.stack([np.sin(turn), np.cos(turn)], axis=1), 1.0)
    except ModelError as error:
        return False, str(error)
    return True, "there"


def _list() -> tuple[bool, str]:
    place = list_place(None)
    if "://" not in place and not Path(place).exists():
        return True, f"none yet; camdial parts import FILE.csv makes {place}"
    from shop.store import StoreError, open_store

    try:
        store = open_store(place)
        found = store.check()
        count = len(store.list_parts())
    except StoreError as error:
        return False, str(error)
    return (not found), found[0] if found else f"{count} parts"


def _sqlite() -> tuple[bool, str]:
    import sqlite3

    known = (
        "" if sqlite3.sqlite_version_info >= SAFE_WAL else "; its write-ahead log is not used, for a known fault in it"
    )
    return True, f"{sqlite3.sqlite_version}{known}"


def _extra(module: str, extra: str, what: str) -> tuple[bool, str]:
    there = importlib.util.find_spec(module) is not None
    return True, "there" if there else f"not installed: camdial[{extra}] brings {what}"
