"""From pictures to the shipped networks in one command: train both, export, calibrate.

    python -m train.build --data FAST --data TRACED --calibration SHIFTED --out RUNS --models vision/models --minutes 8

`make model` renders the folders first. With GPUs the networks train side by side, spread over them; without, one after
the other. Each goes on from its last checkpoint after a kill. The steps that fitted into the minutes stand in each
network's card; `--steps reader=N --steps finder=N` with them makes the same networks again. `--again reader=N@RATE`
adds a second go of N steps that begins from the first one's averaged weights, warms up anew and cools down again.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import click
import torch

from train.calibrate import calibrate, folders_option
from train.checkpoint import AVERAGE
from train.export import export_run

NETWORKS = ("reader", "finder", "mobilenet")
AGAIN_SEED = 2  # of second goes, so that they see other batches


@dataclass(frozen=True, slots=True)
class Again:
    """A second go of one network."""

    steps: int
    rate: float


def steps_of(_: click.Context, __: click.Parameter, values: tuple[str, ...]) -> dict[str, int]:
    """NAME=STEPS options as numbers by name."""
    pairs = [value.partition("=") for value in values]
    if wrong := [name for name, _, number in pairs if name not in NETWORKS or not number.isdigit()]:
        raise click.BadParameter(f"{wrong[0]}: say {', '.join(NETWORKS)}, an equals sign and a number")
    return {name: int(number) for name, _, number in pairs}


def again_of(_: click.Context, __: click.Parameter, values: tuple[str, ...]) -> dict[str, Again]:
    """NAME=STEPS@RATE options as second goes by name."""
    goes = {}
    for value in values:
        name, _, told = value.partition("=")
        steps, _, rate = told.partition("@")
        try:
            goes[name] = Again(int(steps), float(rate))
        except ValueError:
            raise click.BadParameter(f"{value}: say a network, =, steps, @ and a learning rate") from None
        if name not in NETWORKS or goes[name].steps <= 0 or not 0.0 < goes[name].rate < 1.0:
            raise click.BadParameter(f"{value}: say one of {', '.join(NETWORKS)}, =, steps, @ and a learning rate")
    return goes


def run_all(commands: dict[str, list[str]]) -> None:
    """Run commands by network, side by side on the GPUs or one after the other without.

    Raises
    ------
    click.ClickException
        If any of them fails.
    """
    gpus = torch.cuda.device_count()
    if gpus:
        running = {
            name: subprocess.Popen(command, env={**os.environ, "CUDA_VISIBLE_DEVICES": str(min(i, gpus - 1))})
            for i, (name, command) in enumerate(commands.items())
        }
        codes = {name: process.wait() for name, process in running.items()}
    else:
        codes = {name: subprocess.run(command, check=False).returncode for name, command in commands.items()}
    if failed := [name for name, code in codes.items() if code != 0]:
        raise click.ClickException(f"training failed: {', '.join(failed)}")


@click.command()
@folders_option("--data", "folders", "Folder of training pictures with Labels; may be given again.", required=True)
@folders_option("--calibration", "shifted", "Folder of shifted pictures that are not trained on.", required=True)
@click.option(
    "--out",
    "runs",
    required=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for checkpoints and logs.",
)
@click.option(
    "--models",
    default=Path("vision/models"),
    type=click.Path(file_okay=False, path_type=Path),
    help="Where the ONNX files go.",
)
@click.option("--minutes", type=float, help="Training time of each network after loading.")
@click.option("--steps", multiple=True, callback=steps_of, help="Training steps of a network, as reader=6000.")
@click.option(
    "--again", multiple=True, callback=again_of, help="A second go from the first one's weights, as reader=2100@0.0012."
)
@click.option("--batch", type=int, help="Pictures a step; see train.loop.")
@click.option("--mobilenet", is_flag=True, help="Also train the network that the reader is compared with.")
def main(
    folders: tuple[Path, ...],
    shifted: tuple[Path, ...],
    runs: Path,
    models: Path,
    minutes: float | None,
    steps: dict[str, int],
    again: dict[str, Again],
    batch: int | None,
    mobilenet: bool,
) -> None:
    """Train finder and reader, write them as ONNX, calibrate the reader."""
    names = NETWORKS if mobilenet else NETWORKS[:2]
    if minutes is None and set(names) - set(steps):
        raise click.UsageError("give --minutes, or --steps for each network")
    data = [word for folder in folders for word in ("--data", str(folder))]
    usual = ["--batch", str(batch)] if batch is not None else []

    def command(name: str, run: Path, *rest: str) -> list[str]:
        return [sys.executable, "-m", "train.loop", "--which", name, "--out", str(run), *data, *rest, *usual]

    limit = ["--minutes", str(minutes)] if minutes is not None else []
    run_all(
        {n: command(n, runs / n, *(["--steps", str(steps[n])] if n in steps else []), *limit) for n in names}
    )  # fmt: skip
    last = {name: runs / name for name in names}
    second = {name: runs / f"{name}-again" for name in names if name in again}
    run_all(
        {
            name: command(
                name, run, "--steps", str(again[name].steps), "--rate", str(again[name].rate),
                "--seed", str(AGAIN_SEED), "--start-from", str(last[name] / AVERAGE),
            )
            for name, run in second.items()
        }
    )  # fmt: skip
    last |= second
    for name in ("finder", "reader"):
        export_run(last[name], models)
    click.echo(json.dumps(calibrate(models, shifted, folders), indent=1))


if __name__ == "__main__":
    main()
