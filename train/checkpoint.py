"""What a run leaves on disk: checkpoints it goes on from exactly, averaged weights that can ship, a log."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click
import torch
from torch import nn

from train.card import code_version

LAST = "last.pt"  # everything
AVERAGE = "average.pt"  # the averaged weights alone, small enough to carry


@dataclass(frozen=True, slots=True)
class Config:
    """All that fixes a run's weights but the pictures, the code and the kind of processor.

    `ablation` names parts left out, see `train.study`; `limit` takes that many pictures at most.
    """

    which: str
    batch: int
    rate: float = 2e-3
    seed: int = 1
    evenness: float = 0.5
    limit: int | None = None
    ablation: tuple[str, ...] = ()


@dataclass(slots=True)
class Progress:
    """How far a run is. `steps` is 0 until it is known how many fit into the minutes; `elapsed_s` fixes nothing."""

    step: int = 0
    steps: int = 0
    elapsed_s: float = 0.0

    @property
    def finished(self) -> bool:
        return 0 < self.steps <= self.step


def save(
    run: Path,
    config: Config,
    progress: Progress,
    network: nn.Module,
    average: nn.Module,
    optimizer: torch.optim.Optimizer,
    data: list[dict[str, Any]],
) -> None:
    """Write the averaged weights, then the whole state, each beside the old file before it takes its place."""
    about = {
        "config": asdict(config),
        "progress": asdict(progress),
        "data": data,
        "code": code_version(),
        "versions": {"torch": str(torch.__version__)},
        "average": average.state_dict(),
    }
    _replace(about, run / AVERAGE)
    _replace({**about, "network": network.state_dict(), "optimizer": optimizer.state_dict()}, run / LAST)


def _replace(record: Mapping[str, Any], path: Path) -> None:
    part = path.with_suffix(".part")
    torch.save(record, part)
    part.replace(path)


def resume(
    run: Path,
    config: Config,
    network: nn.Module,
    average: nn.Module,
    optimizer: torch.optim.Optimizer,
    data: list[dict[str, Any]],
    device: torch.device,
) -> Progress:
    """Take up the run's last state, if it has one; how far it was.

    Raises
    ------
    click.ClickException
        If it was trained with other settings or on other pictures.
    """
    if not (run / LAST).exists():
        return Progress()
    record: dict[str, Any] = torch.load(run / LAST, map_location=device, weights_only=True)
    told = {**record["config"], "ablation": tuple(record["config"]["ablation"])}
    if told != asdict(config):
        raise click.ClickException(f"{run / LAST} belongs to a run with other settings: {told}")
    if record["data"] != data:
        raise click.ClickException(f"{run / LAST} belongs to a run on other pictures")
    network.load_state_dict(record["network"])
    average.load_state_dict(record["average"])
    optimizer.load_state_dict(record["optimizer"])
    return Progress(**record["progress"])


def start_from(path: Path, network: nn.Module, average: nn.Module, device: torch.device) -> list[str]:
    """Begin with the averaged weights of another run; the names of weights it did not have and that stay fresh."""
    weights = torch.load(path, map_location=device, weights_only=True)["average"]
    missing, unexpected = network.load_state_dict(weights, strict=False)
    if unexpected:
        raise click.ClickException(f"{path} holds another network's weights: {', '.join(unexpected[:3])} …")
    average.load_state_dict(network.state_dict())
    return missing


def finished_weights(run: Path) -> dict[str, Any]:
    """The record of a run's averaged weights, finished or cut off, on the CPU.

    Raises
    ------
    FileNotFoundError
        If the run has not come to its first checkpoint.
    """
    path = run / AVERAGE
    record: dict[str, Any] = torch.load(path if path.exists() else run / LAST, map_location="cpu", weights_only=True)
    return record


def say(run: Path, record: Mapping[str, Any]) -> None:
    """One line on standard output and in the run's log."""
    line = json.dumps(record)
    click.echo(line)
    with (run / "log.jsonl").open("a") as log:
        log.write(line + "\n")


def log_records(run: Path) -> Iterator[dict[str, Any]]:
    """The lines of a run's log."""
    for line in (run / "log.jsonl").read_text().splitlines():
        yield json.loads(line)
