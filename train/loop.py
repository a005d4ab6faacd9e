"""Train one network for so many steps.

    python -m train.loop --which reader --data FOLDER --data FOLDER --out RUN --steps 6000
    torchrun --nproc-per-node 2 -m train.loop ...

The same steps, seed, pictures and code give the same weights on the same kind of processor; a run that was killed goes
on from its last checkpoint to the weights it would have had. `--minutes` instead of `--steps` measures the pace of the
first steps, fixes how many steps fit, and notes the number: `--steps` with it makes the same run again. Averaged weights
are written with each checkpoint, so that a run that was cut off still has some to ship.
"""

from __future__ import annotations

import contextlib
import copy
import hashlib
import math
import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import click
import torch
from torch import Tensor, nn
from torch import distributed as dist

from train.augment import PARTS, Dice, finder_batch, reader_batch
from train.checkpoint import AVERAGE, Config, resume, save, say, start_from
from train.dataset import FINDER_PX, Store, build_store
from train.feed import Feed
from train.losses import NEAR_WEIGHT, SMOOTHING, finder_loss, reader_loss, word_losses
from train.model import build_network
from train.validate import validate

WARM_UP: Final = 200  # steps, or a fifth of a short run
EMA: Final = 0.999
PACE_FROM, PACE_TO = 60, 160  # steps between which the pace is measured; the first ones take a GPU half a minute
PACE_SHARE: Final = 0.3  # of the minutes after which the pace is taken as it is
KEPT_BACK: Final = 0.04  # of the minutes, for validation and checkpoints
OVERTIME: Final = 1.1  # times the minutes, after which a run that became slower is cut off
FINDER_SHAPES: Final = (FINDER_PX, (FINDER_PX[1], FINDER_PX[0]), (448, 448))
ABLATIONS: Final = (*PARTS, "openings", "centres", "smoothing")  # what may be left out; smoothing: 0.05 as is usual


def train(
    config: Config,
    folders: Sequence[Path],
    run: Path,
    *,
    steps: int | None = None,
    minutes: float | None = None,
    save_every_s: float = 60.0,
    begin_from: Path | None = None,
    tests: Sequence[Path | Store] = (),
    store: Store | None = None,
) -> Path:
    """Train, from fresh weights or those of another run; the path of the averaged weights.

    Parameters
    ----------
    config : Config
    folders : sequence of Path
        Pictures with Labels.
    run : Path
        Folder for checkpoints and log.
    steps, minutes
        One of them or both; with both, `minutes` only cuts a slow run off.
    save_every_s : float
        Seconds between checkpoints.
    begin_from : Path, optional
        Averaged weights of another run.
    tests : sequence of Path or Store
        Folders to write figures about into the log, at the end; or what has been cut of one already.
    store : Store, optional
        What has been cut of the folders already, as `config.limit` says.
    """
    if steps is None and minutes is None:
        raise ValueError("steps or minutes must be given")
    rank, world, device = _start_processes()
    torch.manual_seed(config.seed)
    torch.backends.cudnn.benchmark = not torch.are_deterministic_algorithms_enabled()
    torch.backends.cudnn.allow_tf32 = True  # not for matrix products: the JPEG transform needs its digits
    run.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    kind = "finder" if config.which == "finder" else "reader"
    store = store or build_store(folders, kind, limit=config.limit, rank=rank, world=world)
    feed, data = Feed(store, device, (config.seed, rank), evenness=config.evenness), store.data
    if rank == 0:
        pictures = sum(folder["pictures"] for folder in data)
        where = {"device": str(device), "pictures_on": str(feed.pixels.device)}
        seconds = round(time.monotonic() - began, 1)
        say(run, {"pictures": pictures, "squares": len(store.rows), "loaded_s": seconds, **where})
    del store  # on a GPU the copy in the machine's memory is no longer needed

    network = build_network(config.which).to(device, memory_format=torch.channels_last)
    average = copy.deepcopy(network).requires_grad_(False)
    decayed = [p for p in network.parameters() if p.ndim > 1]
    plain = [p for p in network.parameters() if p.ndim <= 1]
    groups = [{"params": decayed, "weight_decay": 0.05}, {"params": plain, "weight_decay": 0.0}]
    optimizer = torch.optim.AdamW(groups, lr=config.rate, betas=(0.9, 0.98), fused=device.type == "cuda")
    progress = resume(run, config, network, average, optimizer, data, device)
    if begin_from is not None and progress.step == 0:
        fresh = start_from(begin_from, network, average, device)
        if rank == 0:
            weights = hashlib.sha256(begin_from.read_bytes()).hexdigest()
            say(run, {"began_from": begin_from.name, "sha256": weights, "fresh": fresh})
    if steps is not None and progress.steps != steps:
        if progress.steps:
            raise click.ClickException(f"the run in {run} is one of {progress.steps} steps")
        progress.steps = steps
    parallel = nn.parallel.DistributedDataParallel(network) if world > 1 else network
    dice = Dice(torch.Generator(device), device)

    started, first_step = time.monotonic() - progress.elapsed_s, progress.step
    saved = paced = time.monotonic()
    while not progress.finished:
        step = progress.step
        if minutes is not None and step % 10 == 0:
            elapsed_s = _agreed(time.monotonic() - started, device, world)
            if progress.steps and elapsed_s > OVERTIME * 60.0 * minutes:
                break
            if not progress.steps:
                if step - first_step == PACE_FROM:
                    _wait_for(device)
                    paced = time.monotonic()
                slow = elapsed_s > 60.0 * minutes * PACE_SHARE and step > first_step
                if step - first_step >= PACE_TO or slow:
                    since, at = (paced, first_step + PACE_FROM) if step - first_step > PACE_FROM else (started, 0)
                    _wait_for(device)
                    pace = _agreed((time.monotonic() - since) / (step - at), device, world)
                    left = 60.0 * minutes * (1.0 - KEPT_BACK) - elapsed_s
                    progress.steps = step + max(10, int(left / pace) // 10 * 10)
        warm = WARM_UP if not progress.steps else min(WARM_UP, max(1, progress.steps // 5))
        share = step / progress.steps if progress.steps else 0.0
        for group in optimizer.param_groups:
            group["lr"] = config.rate * min((step + 1) / warm, 0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        torch.manual_seed(_mixed(config.seed, rank, step, 0))  # of dropout
        dice.generator.manual_seed(_mixed(config.seed, rank, step, 1))
        parallel.train()
        losses = _losses(parallel, config, feed, dice, step)
        total = torch.stack(list(losses.values())).sum()
        optimizer.zero_grad(set_to_none=True)
        total.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        progress.step += 1
        _blend(average, network, min(EMA, (1.0 + progress.step) / (20.0 + progress.step)))
        if rank != 0:
            continue
        if progress.step % 50 == 0 or progress.step == 1:
            pace = (progress.step - first_step) * config.batch * world / max(time.monotonic() - started, 1e-3)
            parts = {name: round(float(value.detach()), 4) for name, value in losses.items()}
            loss = round(float(total.detach()), 4)
            say(run, {"step": progress.step, "of": progress.steps, "per_s": round(pace), "loss": loss, **parts})
        if time.monotonic() - saved > save_every_s and not progress.finished:
            progress.elapsed_s = round(time.monotonic() - started, 1)
            save(run, config, progress, network, average, optimizer, data)
            figures = validate(average, feed, feed.held, config.which, config.batch)
            say(run, {"validation": figures, "step": progress.step, "of": progress.steps})
            saved = time.monotonic()
    if rank == 0 and progress.step > first_step:
        progress.elapsed_s = round(time.monotonic() - started, 1)
        save(run, config, progress, network, average, optimizer, data)
        say(run, {"validation": validate(average, feed, feed.held, config.which, config.batch), "step": progress.step})
        for held_out in tests:
            cut = held_out if isinstance(held_out, Store) else build_store([held_out], kind)
            test, name = Feed(cut, device), cut.data[0]["folder"]
            figures = validate(average, test, test.every, config.which, config.batch)
            say(run, {"test": figures, "folder": name, "squares": len(test.every), "step": progress.step})
        say(run, {"finished": progress.finished, "elapsed_s": progress.elapsed_s})
    if world > 1:
        dist.barrier()
        dist.destroy_process_group()
    return run / AVERAGE


def _losses(network: nn.Module, config: Config, feed: Feed, dice: Dice, step: int) -> dict[str, Tensor]:
    """The losses of one step by name."""
    without = config.ablation
    pixels, facts = feed.draw(config.batch, step)
    with torch.no_grad():
        if config.which == "finder":
            truth = finder_batch(pixels, dice, size=FINDER_SHAPES[step % len(FINDER_SHAPES)], without=without)
        else:
            truth = reader_batch(pixels, facts, dice, without=without)
        rgb = truth["rgb"].to(memory_format=torch.channels_last)
    cuda = rgb.device.type == "cuda"
    with torch.autocast("cuda", dtype=torch.bfloat16) if cuda else contextlib.nullcontext():
        out = network(rgb)
    if config.which == "finder":
        return {"finder": finder_loss(out.float(), truth["classes"])}
    smoothing = 0.05 if "smoothing" in without else SMOOTHING
    if config.which == "mobilenet":
        return word_losses(out["words"], truth["words"], smoothing)
    near_weight = 0.0 if "openings" in without else NEAR_WEIGHT
    losses = reader_loss(out, truth, near_weight=near_weight, smoothing=smoothing)
    return {name: value * 0.0 if name in without else value for name, value in losses.items()}


def _mixed(*numbers: int) -> int:
    """One 63-bit seed from several numbers, alike for nothing but the same ones."""
    mixed = 0
    for number in numbers:  # splitmix64 (Steele, Lea & Flood 2014, doi 10.1145/2714064.2660195)
        mixed = (mixed + number + 0x9E3779B97F4A7C15) & 0xFFFFFFFFFFFFFFFF
        mixed = ((mixed ^ (mixed >> 30)) * 0xBF58476D1CE4E5B9) & 0xFFFFFFFFFFFFFFFF
        mixed = ((mixed ^ (mixed >> 27)) * 0x94D049BB133111EB) & 0xFFFFFFFFFFFFFFFF
        mixed ^= mixed >> 31
    return mixed >> 1


def _start_processes() -> tuple[int, int, torch.device]:
    world = int(os.environ.get("WORLD_SIZE", "1"))
    rank, local = int(os.environ.get("RANK", "0")), int(os.environ.get("LOCAL_RANK", "0"))
    cuda = torch.cuda.is_available()
    if cuda:
        torch.cuda.set_device(local)
    if world > 1:
        dist.init_process_group("nccl" if cuda else "gloo")
    return rank, world, torch.device("cuda", local) if cuda else torch.device("cpu")


def _agreed(value: float, device: torch.device, world: int) -> float:
    """The first process's number, so that all do the same steps."""
    if world == 1:
        return value
    shared = torch.tensor([value], dtype=torch.float64, device=device)
    dist.broadcast(shared, 0)
    return float(shared)


def _wait_for(device: torch.device) -> None:
    if device.type == "cuda":
        torch.cuda.synchronize(device)


@torch.no_grad()
def _blend(average: nn.Module, network: nn.Module, decay: float) -> None:
    """Move the average towards the network; batch norm's running statistics too, its counters are copied."""
    pairs: dict[bool, tuple[list[Tensor], list[Tensor]]] = {True: ([], []), False: ([], [])}
    for module, into in ((network, 1), (average, 0)):
        for tensor in (*module.parameters(), *module.buffers()):
            pairs[tensor.dtype.is_floating_point][into].append(tensor.detach())
    torch._foreach_lerp_(*pairs[True], 1.0 - decay)
    torch._foreach_copy_(*pairs[False])


@click.command()
@click.option("--which", type=click.Choice(["finder", "reader", "mobilenet"]), required=True)
@click.option(
    "--data",
    "folders",
    multiple=True,
    required=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of pictures with Labels; may be given again.",
)
@click.option(
    "--out", "run", required=True, type=click.Path(file_okay=False, path_type=Path), help="Folder of the run."
)
@click.option("--steps", type=int, help="Training steps.")
@click.option(
    "--minutes",
    type=float,
    help="Training time after loading, in place of --steps; beside it, the time after which a slow run is cut off.",
)
@click.option("--batch", type=int, help="Pictures a step and process; 192 (finder 96) on a GPU, 16 (8) without.")
@click.option("--rate", type=float, default=2e-3, show_default=True, help="Peak learning rate.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--evenness", type=float, default=0.5, show_default=True, help="Power of a folder's size as its weight.")
@click.option("--limit", type=int, help="Only so many pictures, shared out over the folders by their size.")
@click.option(
    "--without", multiple=True, type=click.Choice(ABLATIONS), help="Leave a part out, to see what it is worth."
)
@click.option(
    "--start-from",
    "begin_from",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Averaged weights of another run (average.pt) to begin with, instead of fresh ones.",
)
@click.option("--save-every", "save_every_s", type=float, default=60.0, show_default=True, help="Seconds.")
@click.option(
    "--test",
    "tests",
    multiple=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder that figures are written about at the end.",
)
@click.option("--deterministic", is_flag=True, help="On a GPU too, the same weights bit by bit; slower.")
def main(
    which: str,
    folders: tuple[Path, ...],
    run: Path,
    steps: int | None,
    minutes: float | None,
    batch: int | None,
    save_every_s: float,
    begin_from: Path | None,
    tests: tuple[Path, ...],
    deterministic: bool,
    without: tuple[str, ...],
    **rest: Any,
) -> None:
    """Train a network; go on if the run was cut off."""
    if steps is None and minutes is None:
        raise click.UsageError("give --steps or --minutes")
    usual = {"reader": 192, "finder": 96, "mobilenet": 192}
    if not torch.cuda.is_available():
        usual = {"reader": 16, "finder": 8, "mobilenet": 16}
    if deterministic:
        os.environ.setdefault("CUBLAS_WORKSPACE_CONFIG", ":4096:8")
        torch.use_deterministic_algorithms(True, warn_only=True)
    config = Config(which=which, batch=batch or usual[which], ablation=tuple(sorted(without)), **rest)
    train(
        config,
        folders,
        run,
        steps=steps,
        minutes=minutes,
        save_every_s=save_every_s,
        begin_from=begin_from,
        tests=tests,
    )


if __name__ == "__main__":
    main()
