"""`camdial`: the command line. Commands are loaded when called, so that a reading does not wait for the rest."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Any, Final, NoReturn

import click

from shop.cli_common import Trouble, installed_version, say

# NumPy's matrices here are small: threads to share them out cost a reading a tenth of a second and save nothing.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

WRONG_USAGE: Final = 2
NO_READABLE_FILE: Final = 3
OUR_FAULT: Final = 70  # EX_SOFTWARE of sysexits.h
INTERRUPTED: Final = 130  # 128 + SIGINT, as shells say it

# Where each command lives, and its line in the list of commands, so that the list needs no imports.
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "read": ("shop.cli_read:read", "Read photos of a cam: outline, bottom, screw holes, sizes."),
    "fits": ("shop.cli_fits:fits", "Say which parts of your list may go on instead."),
    "compare": ("shop.cli_fits:compare", "Lay one cam over another: may B go on instead of A?"),
    "parts": ("shop.cli_parts:parts", "Keep your own parts list."),
    "free": ("shop.cli_free:free", "Advise on a screw that will not turn."),
    "sheet": ("shop.cli_free:sheet", "Print one page for the job at hand."),
    "card": ("shop.cli_tools:card", "Write the scale card as a PDF to print."),
    "coins": ("shop.cli_tools:coins", "List the coins that can lie beside the part."),
    "page": ("shop.cli_tools:page", "Open the page in a browser of this machine."),
    "doctor": ("shop.cli_tools:doctor", "Look whether everything is in place here."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


def _version(ctx: click.Context, _parameter: click.Parameter, asked: bool) -> None:
    if not asked or ctx.resilient_parsing:
        return
    click.echo(f"camdial {installed_version()}")
    ctx.exit()


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    invoke_without_command=True,
    epilog="Start with:  camdial read PHOTO --coin us-quarter",
)
@click.option(
    "--version", is_flag=True, callback=_version, expose_value=False, is_eager=True, help="Print the version."
)
@click.option("--debug", is_flag=True, help="Show where an error arose.")
@click.pass_context
def cli(ctx: click.Context, debug: bool) -> None:
    """Read the cam of a mortise cylinder from a photo, and find what fits."""
    ctx.obj = {"debug": debug}
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status: 0, 2 for wrong usage, 3 for an unreadable file, 130."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in given[: _first_word(given)]
    try:
        result: Any = cli.main(args=given, prog_name="camdial", standalone_mode=False)
        sys.stdout.flush()
        return int(result) if isinstance(result, int) else 0
    except (KeyboardInterrupt, click.exceptions.Abort):
        click.echo(err=True)
        return INTERRUPTED
    except SystemExit:  # click's way to say that nobody reads the output any more
        return 0
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # the same, met while flushing
        return 0
    except click.UsageError as error:
        if debug:
            raise
        return _usage(error)
    except click.ClickException as error:
        if debug:
            raise
        say(error.format_message())
        return NO_READABLE_FILE
    except Exception as error:
        if debug:
            raise
        known = _known(error)
        if known is None:
            say(
                f"an error of camdial itself ({type(error).__name__}: {_one_line(str(error))}); with --debug it shows where"
            )
            return OUR_FAULT
        say(known)
        return NO_READABLE_FILE


def run() -> NoReturn:
    """The command line as a program of its own.

    After a reading nothing is left open or unwritten but memory, which the system takes back sooner than Python does.
    """
    status = main()
    if "read" in sys.argv[1:3]:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        os._exit(status)
    sys.exit(status)


def _first_word(given: list[str]) -> int:
    return next((i for i, word in enumerate(given) if not word.startswith("-")), len(given))


def _usage(error: click.UsageError) -> int:
    text = _one_line(error.format_message()).rstrip(".")
    where = error.ctx.command_path if error.ctx is not None else "camdial"
    say(f"{text}: see {where} --help")
    return WRONG_USAGE


def _known(error: Exception) -> str | None:
    """The sentence of an error that is the user's to mend; looked up by name, so that nothing is imported for it."""
    ours = {"PhotoError", "ModelError", "StoreError", "Conflict", "PartsError", "SheetError", "PageError"}
    if type(error).__name__ in ours or isinstance(error, Trouble):
        return _one_line(str(error))
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror}"
    return None


def _one_line(text: str) -> str:
    return " ".join(text.split())


if __name__ == "__main__":
    run()
