"""From pictures to the shipped networks in one command: train both, export, calibrate.

    python -m train.build --data FAST --data TRACED --calibration SHIFTED --out RUNS --models vision/models --minutes 8

`make model` renders the folders first. With GPUs the networks train side by side, spread over them; without, one after
the other. Each goes on from its last checkpoint after a kill. The steps that fitted into the minutes stand in each
network's card; `--steps reader=N --steps finder=N` with them makes the same networks again.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import click
import torch

from train.calibrate import calibrate, folders_option
from train.export import export_run

NETWORKS = ("reader", "finder", "mobilenet")


def steps_of(_: click.Context, __: click.Parameter, values: tuple[str, ...]) -> dict[str, int]:
    """NAME=STEPS options as numbers by name."""
    pairs = [value.partition("=") for value in values]
    if wrong := [name for name, _, number in pairs if name not in NETWORKS or not number.isdigit()]:
        raise click.BadParameter(f"{wrong[0]}: say {', '.join(NETWORKS)}, an equals sign and a number")
    return {name: int(number) for name, _, number in pairs}


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
@click.option("--batch", type=int, help="Pictures a step; see train.loop.")
@click.option("--mobilenet", is_flag=True, help="Also train the network that the reader is compared with.")
def main(
    folders: tuple[Path, ...],
    shifted: tuple[Path, ...],
    runs: Path,
    models: Path,
    minutes: float | None,
    steps: dict[str, int],
    batch: int | None,
    mobilenet: bool,
) -> None:
    """Train finder and reader, write them as ONNX, calibrate the reader."""
    names = NETWORKS if mobilenet else NETWORKS[:2]
    if minutes is None and set(names) - set(steps):
        raise click.UsageError("give --minutes, or --steps for each network")
    commands = {
        name: [sys.executable, "-m", "train.loop", "--which", name, "--out", str(runs / name)] for name in names
    }
    for name, command in commands.items():
        command += [word for folder in folders for word in ("--data", str(folder))]
        command += ["--steps", str(steps[name])] if name in steps else []
        command += ["--minutes", str(minutes)] if minutes is not None else []
        command += ["--batch", str(batch)] if batch is not None else []
    gpus = torch.cuda.device_count()
    if gpus:
        running = {
            name: subprocess.Popen(command, env={**os.environ, "CUDA_VISIBLE_DEVICES": str(min(i, gpus - 1))})
            for i, (name, command) in enumerate(commands.items())
        }
        codes = {name: process.wait() for name, process in running.items()}
    else:
        codes = {name: subprocess.run(command, check=False).returncode for name, command in commands.items()}
    failed = [name for name, code in codes.items() if code != 0]
    if failed:
        raise click.ClickException(f"training failed: {', '.join(failed)}")
    for name in ("finder", "reader"):
        export_run(runs / name, models)
    click.echo(json.dumps(calibrate(models, shifted, folders), indent=1))


if __name__ == "__main__":
    main()
