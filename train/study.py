"""What more pictures, another mix of renderers, and each part of the training are worth: many short runs, one table.

    python -m train.study run --fast FAST --traced TRACED --test HELD_OUT --out STUDY --steps 2000 --seeds 2
    python -m train.study show --out STUDY --table docs/training-study.md --plot docs/training-study.svg

All runs train the reader from fresh weights for the same steps. The pictures are decoded and cut once: each run is a
fork that takes its own of them. A run that is finished is not done again, and one that was cut off goes on.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, Final

import click
import cv2
import torch

from train.calibrate import folders_option
from train.checkpoint import Config, log_records
from train.dataset import Store, build_store, first_of, labelled, shared_out
from train.loop import ABLATIONS, OVERTIME, train

COUNTS: Final = (1000, 3000, 10_000, 30_000)
FIGURES: Final = {  # of the log: how the table calls them
    "family": "family", "bottom": "bottom", "hand": "hand", "facing": "facing", "cam": "cam or not",
    "holes-by-map": "hole count", "iou-face": "face IoU", "tail-within-10": "tail within 10°",
}  # fmt: skip
DRAWN: Final = ("family", "bottom", "holes-by-map")
GROUPS: Final = ("count", "mix", "without")
MIXES: Final = {  # runs that show the mix: how table and drawing call them
    "traced-few": "path-traced only", "half": "half and half", "fast-few": "fast only, as few", "fast": "fast only, all",
    "all": "both, all",
}  # fmt: skip
TEST_S: Final = 30.0  # seconds before the end that a run cut off keeps for its start and its test
SEED: Final = "-seed-"


@dataclass(frozen=True, slots=True)
class Study:
    """One run: its folder's name, what it shows, pictures of either renderer, and what sets it apart."""

    name: str
    group: str
    pictures: tuple[int, int]  # fast, path-traced: the first ones of their folders
    without: tuple[str, ...] = ()
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Row:
    """What the runs of one name came to, a value for each seed."""

    pictures: int
    steps: int  # of the shortest
    figures: dict[str, list[float]]

    def wrong(self, key: str) -> tuple[float, float, float]:
        """What is not right of a figure, in per cent: mean, least and most of the seeds."""
        values = [100.0 - 100.0 * value for value in self.figures[key]]
        return sum(values) / len(values), min(values), max(values)


def plan(sizes: tuple[int, int], counts: Sequence[int] = COUNTS, seeds: int = 1) -> list[Study]:
    """The runs on so many fast and path-traced pictures, every seed after the others.

    The number grows in the folders' own mix; the mixes are of one number, that of the smaller folder, but for all fast ones.
    """
    few = min(sizes)
    runs = [Study("all", "all", sizes)]
    for count in counts:
        if count < sum(sizes):
            fast, traced = shared_out(count, sizes)
            runs.append(Study(f"count-{count}", "count", (fast, traced)))
    runs += [Study("fast-few", "mix", (few, 0)), Study("traced-few", "mix", (0, few))]
    runs += [Study("half", "mix", (few - few // 2, few // 2)), Study("fast", "mix", (sizes[0], 0))]
    runs += [Study(f"without-{part}", "without", sizes, (part,)) for part in ABLATIONS]
    return [
        Study(run.name if seed == 1 else f"{run.name}{SEED}{seed}", run.group, run.pictures, run.without, seed)
        for seed in range(1, seeds + 1)
        for run in runs
    ]


@click.group()
def main() -> None:
    """What pictures, mix and parts of the training are worth."""


@main.command()
@click.option("--fast", required=True, type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--traced", required=True, type=click.Path(exists=True, file_okay=False, path_type=Path))
@folders_option("--test", "tests", "Held-out folder; may be given again.", required=True)
@click.option("--out", "folder", required=True, type=click.Path(file_okay=False, path_type=Path))
@click.option("--steps", type=int, default=2000, show_default=True)
@click.option("--batch", type=int, help="Pictures a step; 128 on a GPU, 16 without.")
@click.option("--counts", default=",".join(map(str, COUNTS)), show_default=True)
@click.option("--group", "groups", multiple=True, type=click.Choice(GROUPS), help="Only these.")
@click.option("--seeds", type=int, default=1, show_default=True, help="Runs of each kind; their spread is drawn.")
@click.option("--at-once", type=int, default=8, show_default=True, help="Runs side by side on each GPU.")
@click.option("--minutes", type=float, help="Begin no run that would not end by then, and cut off those that have not.")
def run(
    fast: Path,
    traced: Path,
    tests: tuple[Path, ...],
    folder: Path,
    steps: int,
    batch: int | None,
    counts: str,
    groups: tuple[str, ...],
    seeds: int,
    at_once: int,
    minutes: float | None,
) -> None:
    """Train the study's runs, several at once."""
    began = time.monotonic()
    cv2.setNumThreads(1)  # OpenCV's own threads do not live on in the forks
    fork = multiprocessing.get_context("fork")
    with fork.Pool(1) as pool:  # asked here, this process could no longer fork runs that use a GPU
        gpus = pool.apply(torch.cuda.device_count)
    batch = batch or (128 if gpus else 16)
    free = [str(gpu) for _ in range(at_once) for gpu in range(gpus)] or [""] * min(at_once, os.cpu_count() or 1)
    folders = (fast, traced)
    sizes = (len(labelled(fast)), len(labelled(traced)))
    numbers = [int(n) for n in counts.split(",")]
    todo = [s for s in plan(sizes, numbers, seeds) if not groups or s.group in (*groups, "all")]
    whole = build_store(folders, "reader")
    cut = [build_store([test], "reader") for test in tests]
    click.echo(f"{time.monotonic() - began:6.0f} s  {sizes[0]} fast and {sizes[1]} path-traced pictures are cut")

    running, failed, longest = dict[BaseProcess, tuple[Study, str, float]](), list[str](), 0.0
    while todo or running:
        now = time.monotonic() - began
        while todo and free and (minutes is None or now + max(longest, TEST_S) < 60.0 * minutes):
            study, gpu = todo.pop(0), free.pop(0)
            left = None if minutes is None else (60.0 * minutes - now - TEST_S) / 60.0 / OVERTIME
            config = Config("reader", batch, seed=study.seed, limit=sum(study.pictures), ablation=study.without)
            process = fork.Process(
                target=_train, args=(study, config, whole, cut, folders, folder / study.name, steps, left, gpu)
            )
            process.start()
            running[process] = (study, gpu, now)
            click.echo(f"{now:6.0f} s  {study.name} begins")
        if todo and not running:
            break
        time.sleep(0.2)
        for ended in [p for p in running if not p.is_alive()]:
            study, gpu, start = running.pop(ended)
            now = time.monotonic() - began
            free.append(gpu)
            longest = max(longest, now - start)
            failed += [study.name] if ended.exitcode else []
            click.echo(f"{now:6.0f} s  {study.name} {'failed' if ended.exitcode else 'ends'}")
    if todo:
        click.echo(f"left out for want of time: {', '.join(study.name for study in todo)}")
    if failed:
        raise click.ClickException(f"failed: {', '.join(failed)}; see the file output in their folders")


def _train(
    study: Study,
    config: Config,
    whole: Store,
    tests: Sequence[Store],
    folders: tuple[Path, Path],
    run: Path,
    steps: int,
    minutes: float | None,
    gpu: str,
) -> None:
    """One run, in its own process; what it says goes into a file of its folder."""
    if gpu:
        os.environ["CUDA_VISIBLE_DEVICES"] = gpu
    torch.set_num_threads(1)  # runs side by side leave each other the cores
    run.mkdir(parents=True, exist_ok=True)
    with (run / "output").open("a") as output, contextlib.redirect_stdout(output), contextlib.redirect_stderr(output):
        try:
            store = first_of(whole, folders, study.pictures)
            train(config, folders, run, steps=steps, minutes=minutes, save_every_s=300.0, tests=tests, store=store)
        except Exception as error:  # said in the run's own file; the others go on
            traceback.print_exc()
            raise SystemExit(1) from error


def results(folder: Path) -> dict[str, Row]:
    """Figures of every kind of run that has some: those of its test folders, weighed by their squares."""
    found: dict[str, Row] = {}
    for path in sorted(folder.glob("*/log.jsonl")):
        records = list(log_records(path.parent))
        steps = max((line["step"] for line in records if "test" in line), default=0)
        lines = [line for line in records if "test" in line and line["step"] == steps]
        if not lines:
            continue
        squares = sum(line["squares"] for line in lines)
        pictures = next(line["pictures"] for line in records if "pictures" in line)
        row = found.setdefault(path.parent.name.split(SEED)[0], Row(pictures, steps, {}))
        for key in FIGURES:
            if all(key in line["test"] for line in lines):
                value = sum(line["test"][key] * line["squares"] for line in lines) / squares
                row.figures.setdefault(key, []).append(value)
        found[path.parent.name.split(SEED)[0]] = Row(row.pictures, min(row.steps, steps), row.figures)
    return dict(sorted(found.items(), key=_place))


def _place(item: tuple[str, Row]) -> tuple[int, int, str]:
    """Counts by number, then all, then the mixes, then what was left out."""
    name, row = item
    if name == "all" or name.startswith("count-"):
        return 0, row.pictures, name
    return (1, list(MIXES).index(name), name) if name in MIXES else (2, 0, name)


def called(name: str) -> str:
    """How the table calls a kind of run."""
    if name.startswith("count-"):
        return "both"
    return MIXES.get(name, name.replace("without-", "all, without "))


def table(rows: dict[str, Row]) -> str:
    """The figures as a Markdown table: the mean of the seeds, and half of what lies between the least and the most."""
    shown = [key for key in FIGURES if any(key in row.figures for row in rows.values())]
    head = ["renderer", "pictures", "steps", "runs", *(FIGURES[key] for key in shown)]
    lines = ["| " + " | ".join(head) + " |", "|---" + "|---:" * (len(head) - 1) + "|"]
    for name, row in rows.items():
        runs = max(map(len, row.figures.values()), default=0)
        values = [called(name), f"{row.pictures:,}", f"{row.steps:,}", str(runs)]
        for key in shown:
            if key not in row.figures:
                values.append("–")
                continue
            mean, least, most = row.wrong(key)
            spread = f" ± {(most - least) / 2.0:.1f}" if len(row.figures[key]) > 1 else ""
            values.append(f"{100.0 - mean:.1f}{spread} %")
        lines.append("| " + " | ".join(values) + " |")
    return "\n".join(lines) + "\n"


def _ends(row: Row, key: str) -> tuple[float, float]:
    """How far the least and the most of the seeds lie from their mean."""
    mean, least, most = row.wrong(key)
    return mean - least, most - mean


def draw(rows: dict[str, Row], path: Path) -> None:
    """Error against the number of pictures, against the mix, and without each part where such runs were made.

    Where a kind of run was made with several seeds, a bar reaches from the least to the most of them.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "camdial"  # the same drawing is the same file
    shown = [key for key in DRAWN if any(key in row.figures for row in rows.values())]
    without = [name for name in (f"without-{part}" for part in ABLATIONS) if name in rows]
    figure = Figure(figsize=(11.0 if without else 8.5, 3.8), layout="constrained")
    left, middle, *others = figure.subplots(1, 3 if without else 2, width_ratios=(1.1, 1.0, 1.6)[: 3 if without else 2])
    counted = [row for name, row in rows.items() if name.startswith("count-") or name == "all"]
    for key in shown:
        have = [row for row in counted if key in row.figures]
        errors = list(zip(*(_ends(row, key) for row in have), strict=True)) or None
        numbers, means = [row.pictures for row in have], [row.wrong(key)[0] for row in have]
        left.errorbar(numbers, means, yerr=errors, marker="o", capsize=3.0, label=FIGURES[key])
    left.set(xscale="log", xlabel="training pictures", ylabel="wrong, % of held-out", title="Number of pictures")
    left.set_xticks([row.pictures for row in counted], [f"{row.pictures:,}" for row in counted])
    left.minorticks_off()
    left.legend()
    panels: list[tuple[Any, list[str], str]] = [(middle, [name for name in MIXES if name in rows], "Mix of renderers")]
    panels += [(axes, ["all", *without] if "all" in rows else without, "Parts left out") for axes in others]
    for axes, names, title in panels:
        for i, key in enumerate(shown):
            shows = [(k, rows[name]) for k, name in enumerate(names) if key in rows[name].figures]
            at = [k + 0.8 * (i + 0.5) / len(shown) - 0.4 for k, _ in shows]
            errors = list(zip(*(_ends(row, key) for _, row in shows), strict=True)) or None
            axes.barh(at, [row.wrong(key)[0] for _, row in shows], xerr=errors, height=0.8 / len(shown), capsize=2.0)
        said = [f"{called(name)}\n{rows[name].pictures:,}" for name in names]
        if axes is not middle:
            said = ["nothing" if name == "all" else name.removeprefix("without-") for name in names]
        axes.set_yticks(range(len(names)), said)
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
