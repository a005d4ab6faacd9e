"""What more pictures, another mix of renderers, and each part of the training are worth: many short runs, one table.

    python -m train.study run --fast FAST --traced TRACED --test HELD_OUT --out STUDY --steps 1500
    python -m train.study show --out STUDY --table docs/training-study.md --plot docs/training-study.svg

All runs train the reader for the same steps with the same seed. A run that is finished is not done again.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import torch

from train.calibrate import folders_option
from train.checkpoint import log_records
from train.dataset import labelled
from train.loop import ABLATIONS

COUNTS: Final = (1000, 3000, 10_000, 30_000)
FIGURES: Final = {  # of the log: how the table calls them
    "family": "family", "bottom": "bottom", "hand": "hand", "facing": "facing", "cam": "cam or not",
    "holes-by-map": "hole count", "iou-face": "face IoU", "tail-within-10": "tail within 10°",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Study:
    """One run: its folder's name, what it shows, and what sets it apart for `train.loop`."""

    name: str
    group: str
    arguments: tuple[str, ...]


def plan(fast: Path, traced: Path, counts: Sequence[int] = COUNTS) -> list[Study]:
    """The runs. All pictures with nothing left out stand in every group: `all`."""
    both = ("--data", str(fast), "--data", str(traced))
    pictures = {fast: len(labelled(fast)), traced: len(labelled(traced))}
    total, fewer = sum(pictures.values()), min(pictures.values())
    runs = [Study("all", "all", both)]
    runs += [Study(f"count-{n}", "count", (*both, "--limit", str(n))) for n in counts if n < total]
    runs += [
        Study("fast", "mix", ("--data", str(fast))),
        Study("traced", "mix", ("--data", str(traced))),
        Study("fast-as-few", "mix", ("--data", str(fast), "--limit", str(fewer))),
    ]
    return runs + [Study(f"without-{part}", "without", (*both, "--without", part)) for part in ABLATIONS]


@click.group()
def main() -> None:
    """What pictures, mix and parts of the training are worth."""


@main.command()
@click.option("--fast", required=True, type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--traced", required=True, type=click.Path(exists=True, file_okay=False, path_type=Path))
@folders_option("--test", "tests", "Held-out folder; may be given again.", required=True)
@click.option("--out", "folder", required=True, type=click.Path(file_okay=False, path_type=Path))
@click.option("--steps", type=int, default=1500, show_default=True)
@click.option("--batch", type=int)
@click.option("--counts", default=",".join(map(str, COUNTS)), show_default=True)
@click.option("--group", "groups", multiple=True, type=click.Choice(["count", "mix", "without"]), help="Only these.")
@click.option("--at-once", type=int, default=2, show_default=True, help="Runs side by side on each GPU.")
@click.option("--minutes", type=float, help="Begin no run after that, and end those under way a little later.")
def run(
    fast: Path,
    traced: Path,
    tests: tuple[Path, ...],
    folder: Path,
    steps: int,
    batch: int | None,
    counts: str,
    groups: tuple[str, ...],
    at_once: int,
    minutes: float | None,
) -> None:
    """Train the study's runs, several at once where there are GPUs."""
    todo = [
        s for s in plan(fast, traced, [int(n) for n in counts.split(",")]) if not groups or s.group in (*groups, "all")
    ]
    gpus = torch.cuda.device_count()
    free = [str(gpu) for _ in range(at_once) for gpu in range(gpus)] or [""]
    began, running, failed = time.monotonic(), dict[subprocess.Popen[bytes], tuple[Study, str]](), []
    while todo or running:
        while todo and free and not (minutes and time.monotonic() - began > 60.0 * minutes):
            study, gpu = todo.pop(0), free.pop(0)
            command = [sys.executable, "-m", "train.loop", "--which", "reader", "--out", str(folder / study.name)]
            command += [*study.arguments, "--steps", str(steps), *(["--batch", str(batch)] if batch else [])]
            command += [word for test in tests for word in ("--test", str(test))]
            environment = {**os.environ, "CUDA_VISIBLE_DEVICES": gpu}
            (folder / study.name).mkdir(parents=True, exist_ok=True)
            with (folder / study.name / "output").open("ab") as output:
                process = subprocess.Popen(command, env=environment, stdout=output, stderr=subprocess.STDOUT)
            running[process] = (study, gpu)
            click.echo(f"{time.monotonic() - began:6.0f} s  {study.name} begins")
        if todo and not running:
            break
        time.sleep(0.2)
        for process in [p for p in running if p.poll() is not None]:
            study, gpu = running.pop(process)
            free.append(gpu)
            failed += [study.name] if process.returncode else []
            click.echo(
                f"{time.monotonic() - began:6.0f} s  {study.name} {'failed' if process.returncode else 'is done'}"
            )
    if todo:
        click.echo(f"left out for want of time: {', '.join(study.name for study in todo)}")
    if failed:
        raise click.ClickException(f"failed: {', '.join(failed)}; see the file output in their folders")


def results(folder: Path) -> dict[str, dict[str, Any]]:
    """Figures of every run that has some: those of its test folders, weighed by their squares, and its pictures."""
    found: dict[str, dict[str, Any]] = {}
    for path in sorted(folder.glob("*/log.jsonl")):
        records = list(log_records(path.parent))
        lines = [line for line in records if "test" in line]
        if not lines:
            continue
        squares = sum(line["squares"] for line in lines)
        row: dict[str, Any] = {
            key: sum(line["test"][key] * line["squares"] for line in lines) / squares
            for key in FIGURES
            if all(key in line["test"] for line in lines)
        }
        row["pictures"] = next(line["pictures"] for line in records if "pictures" in line)
        found[path.parent.name] = row
    return found


def table(rows: dict[str, dict[str, Any]]) -> str:
    """The figures as a Markdown table."""
    shown = [key for key in FIGURES if any(key in row for row in rows.values())]
    lines = ["| run | pictures | " + " | ".join(FIGURES[key] for key in shown) + " |", "|---" * (len(shown) + 2) + "|"]
    for name, row in rows.items():
        values = [f"{100.0 * row[key]:.1f} %" if key in row else "–" for key in shown]
        lines.append(f"| {name} | {row['pictures']} | " + " | ".join(values) + " |")
    return "\n".join(lines) + "\n"


def draw(rows: dict[str, dict[str, Any]], path: Path) -> None:
    """Error against the number of pictures, against the mix, and without each part where such runs were made."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "camdial"  # the same drawing is the same file
    shown = [key for key in ("family", "bottom", "holes-by-map") if any(key in row for row in rows.values())]
    without = [name for name in (f"without-{part}" for part in ABLATIONS) if name in rows]
    figure = Figure(figsize=(11.0 if without else 8.0, 3.6), layout="constrained")
    left, middle, *others = figure.subplots(1, 3 if without else 2, width_ratios=(1.1, 1.0, 1.6)[: 3 if without else 2])
    counted = sorted((row["pictures"], row) for name, row in rows.items() if name.startswith("count-") or name == "all")
    for key in shown:
        points = [(n, 100.0 - 100.0 * row[key]) for n, row in counted if key in row]
        left.plot(*zip(*points, strict=True), marker="o", label=FIGURES[key])
    left.set(xscale="log", xlabel="training pictures", ylabel="wrong, % of held-out", title="Number of pictures")
    left.legend()
    panels = [(middle, [n for n in ("traced", "fast-as-few", "fast", "all") if n in rows], "Mix of renderers")]
    panels += [(axes, ["all", *without] if "all" in rows else without, "Parts left out") for axes in others]
    for axes, names, title in panels:
        for i, key in enumerate(shown):
            at = [k + 0.8 * (i + 0.5) / len(shown) - 0.4 for k in range(len(names))]
            axes.barh(at, [100.0 - 100.0 * rows[n].get(key, 1.0) for n in names], height=0.8 / len(shown))
        said = {"all": "all" if axes is middle else "nothing", "fast-as-few": "fast, as few"}
        axes.set_yticks(range(len(names)), [said.get(n, n.removeprefix("without-")) for n in names])
        axes.set(xlabel="wrong, % of held-out", title=title)
        axes.invert_yaxis()
    for axes in (left, middle, *others):
        axes.grid(alpha=0.3)
        axes.set_ylim(bottom=0.0) if axes is left else axes.set_xlim(left=0.0)
    figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)


@main.command()
@click.option("--out", "folder", required=True, type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--table", "table_path", type=click.Path(dir_okay=False, path_type=Path), help="Markdown goes here.")
@click.option("--plot", "plot_path", type=click.Path(dir_okay=False, path_type=Path), help="SVG or PNG goes here.")
def show(folder: Path, table_path: Path | None, plot_path: Path | None) -> None:
    """Print the table of a study's runs; write it and draw it."""
    rows = results(folder)
    if not rows:
        raise click.ClickException(f"no run in {folder} has figures yet")
    text = table(rows)
    click.echo(text)
    if table_path is not None:
        table_path.write_text(text)
    if plot_path is not None:
        draw(rows, plot_path)


if __name__ == "__main__":
    main()
