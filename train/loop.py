"""Train one of the two networks for so many minutes.

    python -m train.loop --which reader --data FOLDER --data FOLDER --out RUN --minutes 8
    torchrun --nproc-per-node 2 -m train.loop ...

The learning rate follows a cosine over the minutes, so a run always ends well, on any machine. Killed and started again
with the same arguments, it goes on where its last checkpoint was.
"""

from __future__ import annotations

import contextlib
import copy
import json
import math
import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
import torch
from torch import Tensor, nn
from torch import distributed as dist
from torch.nn import functional as f

from train.augment import Dice, finder_batch, reader_batch
from train.dataset import CAM, FINDER_PX, IGNORE, Store, build_store, folder_hash, labelled
from train.model import HUB_TYPICAL_PX, Finder, MobileNet, Reader, up
from vision.models import CLASSES, MAPS, WORDS

HELD_OUT_ONE_IN: Final = 50  # pictures by checksum of name that only validate
VALIDATE_AT_MOST: Final = 768
WARM_UP: Final = 0.03  # share of the minutes
SMOOTHING: Final = 0.05
WORD_WEIGHTS: Final = {"family": 1.0, "bottom": 0.6, "hand": 0.6, "facing": 0.5, "cam": 0.5}
EMA: Final = 0.999
AGREE_EVERY: Final = 10  # steps between two looks at the first process's clock
GPU_SHARE: Final = 0.4  # of free GPU memory that the pictures may fill; else they stay in the machine's memory
FINDER_SHAPES: Final = (FINDER_PX, (FINDER_PX[1], FINDER_PX[0]), (448, 448))


@dataclass(frozen=True, slots=True)
class Config:
    """All that fixes a run but the pictures."""

    which: str
    minutes: float
    batch: int
    rate: float
    seed: int


@dataclass(slots=True)
class Progress:
    """What a checkpoint adds to the weights."""

    step: int = 0
    elapsed_s: float = 0.0


def build_network(which: str) -> nn.Module:
    """A network with fresh weights; `mobilenet` only serves to compare the reader with."""
    return {"finder": Finder, "reader": Reader, "mobilenet": MobileNet}[which]()


class Feed:
    """Batches from a store: on the GPU if the pictures fit there, else from memory.

    Folders are drawn with the square root of their size as weight, so that few path-traced pictures are not drowned.
    """

    def __init__(self, store: Store, device: torch.device, seed: int) -> None:
        held = store.name % HELD_OUT_ONE_IN == 0
        self.device = device
        self.facts = torch.from_numpy(store.facts)
        self.pixels, self.rows = _place(store, device)
        self.held = np.flatnonzero(held)[:VALIDATE_AT_MOST]
        kept = np.flatnonzero(~held)
        sizes = np.bincount(store.source[kept], minlength=int(store.source.max()) + 1)
        weight = 1.0 / np.sqrt(np.maximum(sizes, 1))[store.source[kept]]
        self.kept, self.share = kept, weight / weight.sum()
        self.rng = np.random.default_rng(seed)
        self.facts_here = self.facts.to(device)

    def draw(self, batch: int) -> tuple[Tensor, Tensor]:
        """A random batch of stored pictures and their facts, on the device."""
        return self.take(self.rng.choice(self.kept, batch, p=self.share))

    def take(self, chosen: np.ndarray) -> tuple[Tensor, Tensor]:
        """Stored pictures and facts by number."""
        at = torch.from_numpy(chosen)
        if self.pixels.device.type == "cuda":
            at = at.to(self.device)
            return self.pixels[at], self.facts_here[at]
        return self.pixels[self.rows[at]].to(self.device), self.facts_here[at.to(self.device)]


def _place(store: Store, device: torch.device) -> tuple[Tensor, Tensor]:
    every = torch.from_numpy(store.pixels)
    rows = torch.from_numpy(store.rows)
    if device.type == "cuda":
        free, _ = torch.cuda.mem_get_info(device)
        if len(rows) * store.pixels[0].nbytes < GPU_SHARE * free:
            there = torch.empty((len(rows), *every.shape[1:]), dtype=torch.uint8, device=device)
            for i in range(0, len(rows), 512):
                there[i : i + 512] = every[rows[i : i + 512]].to(device)
            return there, rows
    return every, rows


def finder_loss(logits: Tensor, classes: Tensor) -> Tensor:
    """Cross-entropy with the cam's edge not weighed more than its inside, plus soft Dice of every class present."""
    known = classes != IGNORE
    weight = torch.ones(len(CLASSES), device=logits.device)
    weight[1:] = 2.0  # most of a photo is bench
    entropy = f.cross_entropy(logits, classes, weight, ignore_index=IGNORE)
    share = torch.softmax(logits, dim=1) * known[:, None]
    truth = f.one_hot(torch.where(known, classes, 0), len(CLASSES)).permute(0, 3, 1, 2) * known[:, None]
    overlap, total = (share * truth).sum((0, 2, 3)), (share + truth).sum((0, 2, 3))
    present = truth.sum((0, 2, 3)) > 0
    dice = 1.0 - (2.0 * overlap + 1.0) / (total + 1.0)
    return entropy + 0.5 * (dice * present).sum() / present.sum().clamp_min(1)


def reader_loss(out: dict[str, Tensor], truth: dict[str, Tensor]) -> dict[str, Tensor]:
    """The losses of the reader by name; their sum is minimised."""
    maps = up(out["maps"].float())
    wanted = truth["maps"]
    overlap, total = (torch.sigmoid(maps) * wanted).sum((0, 2, 3)), (torch.sigmoid(maps) + wanted).sum((0, 2, 3))
    losses = {
        "maps": 2.0 * f.binary_cross_entropy_with_logits(maps, wanted),
        "dice": (1.0 - (2.0 * overlap + 1.0) / (total + 1.0)).mean(),
    }
    points, heat = truth["points"], out["heat"]
    cells = heat.shape[-1]
    inside = ((points > 0.0) & (points < 255.0)).all(dim=2)  # NaN compares false
    at = torch.nan_to_num((points + 0.5) / 256.0 * cells - 0.5)
    ticks = torch.arange(cells, device=heat.device)
    column = torch.exp(-0.5 * ((ticks - at[..., :1]) / 1.2) ** 2)
    row = torch.exp(-0.5 * ((ticks - at[..., 1:]) / 1.2) ** 2)
    spot = row[..., :, None] * column[..., None, :]
    spot = spot / spot.sum((2, 3), keepdim=True).clamp_min(1e-6)
    entropy = -(spot * torch.log_softmax(heat.flatten(2), 2).view_as(heat)).sum((2, 3))
    losses["heat"] = 0.15 * _mean(entropy, inside)
    losses["place"] = 0.6 * _mean(
        f.smooth_l1_loss(out["points"], torch.nan_to_num(points), reduction="none").mean(2) / 8.0, inside
    )
    along, wanted_along = out["points"][:, 1] - out["points"][:, 0], points[:, 1] - points[:, 0]
    cosine = f.cosine_similarity(along, torch.nan_to_num(wanted_along), dim=1, eps=1e-3)
    losses["tail"] = 2.0 * _mean(1.0 - cosine, ~wanted_along.isnan().any(dim=1))
    hub = truth["hub"]
    ratio = f.smooth_l1_loss(
        out["hub_log"][:, 0].float(),
        torch.log(torch.nan_to_num(hub, nan=50.0) / HUB_TYPICAL_PX),
        reduction="none",
        beta=0.1,
    )
    losses["hub"] = 0.5 * _mean(ratio, ~hub.isnan())
    return losses | word_losses(out["words"], truth["words"])


def word_losses(logits: Tensor, words: Tensor) -> dict[str, Tensor]:
    """Cross-entropy of every word where it is known, logits (N, K) and words (N, W)."""
    losses = {}
    splits = [len(labels) for labels in WORDS.values()]
    for word, part, label in zip(WORDS, logits.float().split(splits, dim=1), words.unbind(1), strict=True):
        each = f.cross_entropy(part, label.clamp_min(0), reduction="none", label_smoothing=SMOOTHING)
        losses[word] = WORD_WEIGHTS[word] * _mean(each, label >= 0)
    return losses


def _mean(values: Tensor, where: Tensor) -> Tensor:
    return (values * where).sum() / where.sum().clamp_min(1)


@torch.no_grad()
def validate(network: nn.Module, feed: Feed, which: str, batch: int) -> dict[str, float]:
    """Figures on the held-out pictures of the training folders."""
    network.eval()
    dice = Dice(torch.Generator(feed.device).manual_seed(1), feed.device)
    found: dict[str, list[Tensor]] = {}
    for i in range(0, len(feed.held), batch):
        pixels, facts = feed.take(feed.held[i : i + batch])
        if which == "finder":
            figures = _finder_figures(network, finder_batch(pixels, dice, plain=True))
        else:
            truth = reader_batch(pixels, facts, dice, plain=True)
            out = network(truth["rgb"])
            figures = _word_figures(out["words"], truth["words"])
            figures |= _reader_figures(out, truth) if which == "reader" else {}
        for name, values in figures.items():
            found.setdefault(name, []).append(values.double().cpu())
    result = {}
    for name, parts in found.items():
        values = torch.cat(parts)
        if name.startswith("iou"):
            result[name] = float(values.view(-1, 2)[:, 0].sum() / values.view(-1, 2)[:, 1].sum().clamp_min(1.0))
        elif len(values):
            result[name] = float(values.median() if name.endswith(("px", "deg")) else values.mean())
    return {name: round(value, 4) for name, value in result.items()}


def _finder_figures(network: nn.Module, truth: dict[str, Tensor]) -> dict[str, Tensor]:
    best = network(truth["rgb"]).argmax(1)
    known = truth["classes"] != IGNORE
    figures = {}
    for number, name in enumerate(CLASSES):
        mine, right = (best == number) & known, truth["classes"] == number
        figures[f"iou-{name}"] = torch.stack([(mine & right).sum(), (mine | right).sum()])
    mine, right = ((best == CAM) & known).flatten(1), (truth["classes"] == CAM).flatten(1)
    there = right.sum(1) > 20
    iou = (mine & right).sum(1) / (mine | right).sum(1).clamp_min(1)
    figures["cam-found"] = (iou[there] > 0.5).double()
    return figures


def _reader_figures(out: dict[str, Tensor], truth: dict[str, Tensor]) -> dict[str, Tensor]:
    mine, right = up(out["maps"]) > 0.0, truth["maps"] > 0.5
    figures = {
        f"iou-{name}": torch.stack([(mine[:, i] & right[:, i]).sum(), (mine[:, i] | right[:, i]).sum()])
        for i, name in enumerate(MAPS)
    }
    there = ~truth["points"].isnan().any(2).any(1)
    away = (out["points"] - truth["points"])[there].norm(dim=2)
    figures["axis-px"], figures["tail-px"] = away[:, 0], away[:, 1]
    along, wanted = (p[there][:, 1] - p[there][:, 0] for p in (out["points"], truth["points"]))
    figures["tail-deg"] = torch.rad2deg(torch.acos(f.cosine_similarity(along, wanted, dim=1).clamp(-1.0, 1.0)))
    figures["tail-within-10"] = (figures["tail-deg"] < 10.0).double()
    return figures


def _word_figures(logits: Tensor, words: Tensor) -> dict[str, Tensor]:
    splits = [len(labels) for labels in WORDS.values()]
    figures = {}
    for word, part, label in zip(WORDS, logits.split(splits, dim=1), words.unbind(1), strict=True):
        known = label >= 0
        figures[word] = (part.argmax(1) == label)[known].double()
    return figures


def train(
    config: Config,
    folders: Sequence[Path],
    run: Path,
    *,
    save_every_s: float = 60.0,
    start_from: Path | None = None,
) -> Path:
    """Train, from fresh weights or those of a finished run, and return the finished checkpoint's path."""
    rank, world, device = _start_processes()
    torch.manual_seed(config.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cudnn.allow_tf32 = True  # not for matrix products: the JPEG transform needs its digits
    run.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    store = build_store(folders, "finder" if config.which == "finder" else "reader", rank=rank, world=world)
    feed = Feed(store, device, seed=config.seed * 1000 + rank)
    loaded_s = round(time.monotonic() - began, 1)
    where = str(feed.pixels.device)
    _say(rank, run, {"pictures": len(store.rows), "loaded_s": loaded_s, "device": str(device), "pictures_on": where})
    del store  # on a GPU the copy in the machine's memory is no longer needed

    network = build_network(config.which).to(device, memory_format=torch.channels_last)
    average = copy.deepcopy(network).requires_grad_(False)
    decayed = [p for p in network.parameters() if p.ndim > 1]
    plain = [p for p in network.parameters() if p.ndim <= 1]
    groups = [{"params": decayed, "weight_decay": 0.02}, {"params": plain, "weight_decay": 0.0}]
    optimizer = torch.optim.AdamW(groups, lr=config.rate, betas=(0.9, 0.98))
    if start_from is not None and not (run / "last.pt").exists():
        weights = torch.load(start_from, map_location=device, weights_only=True)["average"]
        network.load_state_dict(weights)
        average.load_state_dict(weights)
    progress = _resume(run / "last.pt", config, network, average, optimizer, device)
    parallel = nn.parallel.DistributedDataParallel(network) if world > 1 else network
    dice = Dice(torch.Generator(device).manual_seed(config.seed * 1000 + rank + progress.step * 7919), device)
    precision = torch.autocast("cuda", dtype=torch.bfloat16) if device.type == "cuda" else contextlib.nullcontext()

    started = time.monotonic() - progress.elapsed_s
    checked = time.monotonic()
    first_step, share = progress.step, 0.0
    while True:
        if progress.step % AGREE_EVERY == 0:
            progress.elapsed_s = _agreed(time.monotonic() - started, device, world)
            share = progress.elapsed_s / (60.0 * config.minutes)
            if share >= 1.0:
                break
            for group in optimizer.param_groups:
                group["lr"] = config.rate * min(share / WARM_UP, 0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        pixels, facts = feed.draw(config.batch)
        with torch.no_grad():
            if config.which == "finder":
                size = FINDER_SHAPES[progress.step % len(FINDER_SHAPES)]
                truth = finder_batch(pixels, dice, size=size)
            else:
                truth = reader_batch(pixels, facts, dice)
            rgb = truth["rgb"].to(memory_format=torch.channels_last)
        parallel.train()
        with precision:
            out = parallel(rgb)
        if config.which == "finder":
            losses = {"finder": finder_loss(out.float(), truth["classes"])}
        elif config.which == "reader":
            losses = reader_loss(out, truth)
        else:
            losses = word_losses(out["words"], truth["words"])
        total = torch.stack(list(losses.values())).sum()
        optimizer.zero_grad(set_to_none=True)
        total.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        progress.step += 1
        _blend(average, network, min(EMA, (1.0 + progress.step) / (20.0 + progress.step)))
        if rank == 0 and (progress.step % 50 == 0 or progress.step == 1):
            pace = (progress.step - first_step) * config.batch * world / max(time.monotonic() - started, 1e-3)
            parts = {name: round(float(value.detach()), 4) for name, value in losses.items()}
            _say(
                rank,
                run,
                {
                    "step": progress.step,
                    "share": round(share, 3),
                    "per_s": round(pace),
                    "loss": round(float(total.detach()), 4),
                    **parts,
                },
            )
        if rank == 0 and time.monotonic() - checked > save_every_s:
            progress.elapsed_s = time.monotonic() - started
            _save(run / "last.pt", config, network, average, optimizer, progress, folders)
            _say(rank, run, {"validation": validate(average, feed, config.which, config.batch)})
            checked = time.monotonic()
    if rank == 0:
        _save(run / "last.pt", config, network, average, optimizer, progress, folders)
        _save_average(run)
        _say(rank, run, {"validation": validate(average, feed, config.which, config.batch), "finished": True})
    if world > 1:
        dist.barrier()
        dist.destroy_process_group()
    return run / "last.pt"


def _start_processes() -> tuple[int, int, torch.device]:
    world = int(os.environ.get("WORLD_SIZE", "1"))
    rank, local = int(os.environ.get("RANK", "0")), int(os.environ.get("LOCAL_RANK", "0"))
    cuda = torch.cuda.is_available()
    if cuda:
        torch.cuda.set_device(local)
    if world > 1:
        dist.init_process_group("nccl" if cuda else "gloo")
    return rank, world, torch.device("cuda", local) if cuda else torch.device("cpu")


def _agreed(elapsed_s: float, device: torch.device, world: int) -> float:
    """The first process's clock, so that all stop at the same step."""
    if world == 1:
        return elapsed_s
    value = torch.tensor([elapsed_s], dtype=torch.float64, device=device)
    dist.broadcast(value, 0)
    return float(value)


@torch.no_grad()
def _blend(average: nn.Module, network: nn.Module, decay: float) -> None:
    mine, theirs = list(average.parameters()), list(network.parameters())
    torch._foreach_lerp_(mine, theirs, 1.0 - decay)
    for kept, new in zip(average.buffers(), network.buffers(), strict=True):
        if kept.dtype.is_floating_point:
            kept.lerp_(new, 1.0 - decay)
        else:
            kept.copy_(new)


def _save(
    path: Path,
    config: Config,
    network: nn.Module,
    average: nn.Module,
    optimizer: torch.optim.Optimizer,
    progress: Progress,
    folders: Sequence[Path],
) -> None:
    """Write beside the old checkpoint, then take its place: a kill leaves one or the other whole."""
    data = [{"folder": x.name, "pictures": len(labelled(x)), "sha256": folder_hash(x)} for x in folders]
    record = {
        "config": asdict(config),
        "progress": asdict(progress),
        "network": network.state_dict(),
        "average": average.state_dict(),
        "optimizer": optimizer.state_dict(),
        "data": data,
    }
    part = path.with_suffix(".part")
    torch.save(record, part)
    part.replace(path)


def _save_average(run: Path) -> None:
    """The averaged weights alone, small enough to carry: what `train.export` and the peers need."""
    record = torch.load(run / "last.pt", map_location="cpu", weights_only=True)
    torch.save({name: record[name] for name in ("config", "progress", "average", "data")}, run / "final.pt")


def finished_weights(run: Path) -> dict[str, Any]:
    """The record of a finished run, or of the last checkpoint of one that is not finished; on the CPU."""
    path = run / "final.pt"
    path = path if path.exists() else run / "last.pt"
    record: dict[str, Any] = torch.load(path, map_location="cpu", weights_only=True)
    return record


def _resume(
    path: Path,
    config: Config,
    network: nn.Module,
    average: nn.Module,
    optimizer: torch.optim.Optimizer,
    device: torch.device,
) -> Progress:
    if not path.exists():
        return Progress()
    record: dict[str, Any] = torch.load(path, map_location=device, weights_only=True)
    if record["config"] != asdict(config):
        raise click.ClickException(f"{path} belongs to a run with other settings: {record['config']}")
    network.load_state_dict(record["network"])
    average.load_state_dict(record["average"])
    optimizer.load_state_dict(record["optimizer"])
    return Progress(**record["progress"])


def _say(rank: int, run: Path, record: dict[str, Any]) -> None:
    if rank == 0:
        line = json.dumps(record)
        click.echo(line)
        with (run / "log.jsonl").open("a") as log:
            log.write(line + "\n")


def log_records(run: Path) -> Iterator[dict[str, Any]]:
    """The lines of a run's log."""
    for line in (run / "log.jsonl").read_text().splitlines():
        yield json.loads(line)


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
@click.option("--minutes", type=float, required=True, help="Training time after loading.")
@click.option("--batch", type=int, help="Pictures a step and process; 192 (finder 96) on a GPU, 16 (8) without.")
@click.option("--rate", type=float, default=2e-3, show_default=True, help="Peak learning rate.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option(
    "--start-from",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Weights of a finished run (final.pt) to begin with, instead of fresh ones.",
)
@click.option("--save-every", "save_every_s", type=float, default=60.0, show_default=True, help="Seconds.")
def main(
    which: str,
    folders: tuple[Path, ...],
    run: Path,
    minutes: float,
    batch: int | None,
    rate: float,
    seed: int,
    start_from: Path | None,
    save_every_s: float,
) -> None:
    """Train the finder or the reader for so many minutes; go on if the run was cut off."""
    usual = {"reader": 192, "finder": 96, "mobilenet": 192}
    if not torch.cuda.is_available():
        usual = {"reader": 16, "finder": 8, "mobilenet": 16}
    config = Config(which=which, minutes=minutes, batch=batch or usual[which], rate=rate, seed=seed)
    train(config, folders, run, save_every_s=save_every_s, start_from=start_from)


if __name__ == "__main__":
    main()
