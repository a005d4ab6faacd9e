"""The network that sees how a part leans: patches as the reader's steps give them, trained, exported.

    python -m train.lean --data FOLDER --out vision/models/lean.onnx --minutes 3

The wall that shows, the far walls of the openings and how round they are all tell it; how much each tells is learned from
pictures that know.
"""

from __future__ import annotations

import json
import math
import multiprocessing
import os
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as f

from train.calibrate import folders_option
from train.card import code_version, write_card
from train.dataset import labelled, read_example
from train.export import parity, write_onnx
from train.model import Block, conv
from vision.find import find_part
from vision.lean import PARTS, SCHEMA, coin_patch, picture
from vision.patch import PATCH_PX, Patch
from vision.photo import Photo
from vision.scale.coins import COINS
from vision.segment import find_regions

HELD_OUT_ONE_IN: Final = 20
LEAST_RADIUS_PX: Final = 14.0  # of a coin
U_RIM: Final = 0.008  # of its radius, by which a rim is wrong
MEAN, STD = 115.0, 60.0
WARM_UP: Final = 200  # steps
LEAST_U, MOST_U = 0.012, 0.5  # rad: a component's standard deviation stays within
U_PRIOR: Final = 0.25  # rad: what the network is compared with
TURN_RAD, GROW, SHIFT = 0.35, 0.10, 0.05  # how far patches are turned, grown and shifted in training
AVERAGED_FROM: Final = 0.5  # of the steps: weights are averaged from there on
STATISTICS_FROM: Final = 60  # batches that the averaged network's normalisation is measured on


@dataclass(frozen=True, slots=True)
class Patches:
    """`seen` (N, S, S, 5) uint8 as the network sees them, and the true lean (N, 2), rad, in the patch's axes."""

    seen: NDArray[np.uint8]
    lean: NDArray[np.float32]


def patches_of(path: Path) -> list[tuple[NDArray[np.uint8], NDArray[np.float64]]]:
    """The patches of one labelled picture's cam, as it is seen in use, and of its coin, with their leans."""
    try:
        rgb, label = read_example(path)
    except (ValueError, OSError):
        return []
    rows = []
    if label.family is not None and label.lean_rad is not None:
        found = find_part(rgb, find_regions(Photo(rgb, path.name, "", label.focal_35mm)))
        if found.words is not None and found.patch is not None and found.outcome == "read":
            seen = picture(found.patch.rgb, found.words.map("face"))
            rows.append((seen, _in_patch(found.patch, label.lean_rad)))
    coin = COINS.get(label.scale_reference or "")
    rims = [np.asarray(shape.polygon_px) for shape in label.shapes if shape.kind == "coin"]
    if coin is not None and coin.thickness_mm is not None and label.reference_lean_rad is not None and len(rims) == 1:
        rng = np.random.default_rng(zlib.crc32(path.name.encode()))
        wrong = _wrong(rims[0], rng)
        inside = (wrong > 0.0).all() and (wrong < (label.width - 1, label.height - 1)).all()
        cut = coin_patch(rgb, wrong) if inside and np.ptp(wrong, axis=0).max() > 2.0 * LEAST_RADIUS_PX else None
        if cut is not None:
            thickness = coin.thickness_mm / (coin.mean_diameter_mm / 2.0)
            rows.append((picture(cut[0].rgb, cut[1], thickness), _in_patch(cut[0], label.reference_lean_rad)))
    return rows


def _in_patch(patch: Patch, lean: tuple[float, float]) -> NDArray[np.float64]:
    turn = patch.to_px[:, :2] / patch.px_per_patch_px
    return np.asarray(turn.T @ np.asarray(lean))


def _wrong(rim: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """A rim (N, 2) as wrong as those that are found: moved, and longer or shorter along two ways."""
    middle = rim.mean(axis=0)
    radius = float(np.linalg.norm(rim - middle, axis=1).mean())
    a, b = U_RIM * rng.normal(size=2)
    turn = rng.uniform(0.0, np.pi)
    way = np.array([np.cos(turn), np.sin(turn)])
    stretch = (1.0 + a) * (np.eye(2) + b * np.outer(way, way))
    return np.asarray((rim - middle) @ stretch + middle + U_RIM * radius * rng.normal(size=2))


def gather(folders: tuple[Path, ...], processes: int) -> Patches:
    """All cams of the folders' pictures that the steps before this one find, and all coins of known thickness."""
    paths = [path for folder in folders for path in labelled(folder)]
    # spawned, not forked: OpenCV's threads do not live on in a fork, and a call that waits for one waits for ever
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        rows = [row for rows in pool.map(patches_of, paths, chunksize=8) for row in rows]
    if len(rows) < 2 * HELD_OUT_ONE_IN:
        raise click.ClickException(f"only {len(rows)} things with a lean in these pictures: render more")
    order = np.random.default_rng(0).permutation(len(rows))
    return Patches(np.stack([rows[i][0] for i in order]), np.stack([rows[i][1] for i in order]).astype(np.float32))


class LeanNet(nn.Module):
    """Patches (N, 5, S, S) of about zero mean -> mixtures of the lean: (N, PARTS, 6), `mixture` says what they are."""

    def __init__(self) -> None:
        super().__init__()
        self.body = nn.Sequential(
            conv(5, 16, stride=2),
            conv(16, 32, stride=2),
            Block(32),
            conv(32, 56, stride=2),
            Block(56),
            Block(56),
            conv(56, 96, stride=2),
            Block(96),
            Block(96),
            conv(96, 128, stride=2),
            Block(128),
        )
        self.places = conv(128, 24, 1)  # what lies where, on a grid of 4 by 4
        self.hidden = nn.Sequential(nn.Dropout(0.2), nn.Linear(128 * 2 + 24 * 16, 128), nn.ReLU())
        self.out = nn.Linear(128, 6 * PARTS)

    def forward(self, x: Tensor) -> Tensor:
        x = self.body(x)
        where = f.avg_pool2d(self.places(x), 2).flatten(1)
        pooled = torch.cat([x.mean(dim=(2, 3)), x.amax(dim=(2, 3)), where], dim=1)
        said: Tensor = self.out(self.hidden(pooled)).view(-1, PARTS, 6)
        return said


def shown(seen: Tensor) -> Tensor:
    """Patches (N, S, S, 5), 0 to 255, as the network takes them."""
    planes = [(seen[..., :3] - MEAN) / STD, seen[..., 3:4] / 128.0 - 1.0, seen[..., 4:] / 100.0]
    return torch.cat(planes, dim=3).permute(0, 3, 1, 2)


def mixture(said: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Log weights (N, M), means (N, M, 2), and the lower triangular roots (N, M, 2, 2) of the covariances."""
    log_weight = torch.log_softmax(said[..., 0], dim=1)
    mean = 0.3 * said[..., 1:3]
    u = LEAST_U + (MOST_U - LEAST_U) * torch.sigmoid(said[..., 3:5] - 2.0)
    lean = 0.95 * torch.tanh(said[..., 5])
    zero = torch.zeros_like(lean)
    rows = [u[..., 0], zero, lean * u[..., 1], torch.sqrt(1.0 - lean**2) * u[..., 1]]
    return log_weight, mean, torch.stack(rows, dim=-1).unflatten(-1, (2, 2))


def log_density(said: Tensor, lean: Tensor) -> Tensor:
    """Log density of the true leans (N, 2) under what the network says, (N,)."""
    log_weight, mean, root = mixture(said.float())
    away = (lean[:, None] - mean)[..., None]
    z = torch.linalg.solve_triangular(root, away, upper=False)[..., 0]
    log_det = torch.log(root[..., 0, 0]) + torch.log(root[..., 1, 1])
    return torch.logsumexp(log_weight - 0.5 * (z**2).sum(dim=2) - log_det - math.log(2.0 * math.pi), dim=1)


class LeanForUse(nn.Module):
    """(N, S, S, 5) uint8 -> (N, PARTS, 6): weight, mean, and xx, xy, yy of the covariance."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, rgb: Tensor) -> Tensor:
        log_weight, mean, root = mixture(self.network(shown(rgb.float())))
        xx = root[..., 0, 0] ** 2
        xy = root[..., 0, 0] * root[..., 1, 0]
        yy = root[..., 1, 0] ** 2 + root[..., 1, 1] ** 2
        return torch.stack([torch.exp(log_weight), mean[..., 0], mean[..., 1], xx, xy, yy], dim=2)


def disturbed(seen: Tensor, lean: Tensor, dice: torch.Generator) -> tuple[Tensor, Tensor]:
    """Patches turned, mirrored, grown, shifted and dulled, with their leans; (N, S, S, 5) float, 0 to 255, and (N, 2)."""
    n, device = len(seen), seen.device

    def lot(*size: int) -> Tensor:
        return torch.rand((n, *size), generator=dice, device=device)

    turn = TURN_RAD * (2.0 * lot() - 1.0)
    size = torch.exp(GROW * (2.0 * lot() - 1.0))
    shift = SHIFT * (4.0 * lot(2) - 2.0)
    side = torch.where(lot() < 0.5, -1.0, 1.0)
    cos, sin = torch.cos(turn), torch.sin(turn)
    # where the new picture's points lie in the old one: turned, then mirrored
    linear = torch.stack([side * cos, -side * sin, sin, cos], dim=1).view(-1, 2, 2)
    grid = f.affine_grid(
        torch.cat([size[:, None, None] * linear, shift[:, :, None]], dim=2), [n, 5, PATCH_PX, PATCH_PX], align_corners=False
    )
    moved = f.grid_sample(seen.float().permute(0, 3, 1, 2), grid, padding_mode="border", align_corners=False)
    lean = (linear.transpose(1, 2) @ lean[:, :, None])[..., 0]
    moved = moved.permute(0, 2, 3, 1)
    return torch.cat([dulled(moved[..., :3], dice), moved[..., 3:]], dim=3), lean


def dulled(rgb: Tensor, dice: torch.Generator) -> Tensor:
    """Other light, tint, noise and blur, as phones and benches bring them; (N, S, S, 3), 0 to 255."""
    n, device = len(rgb), rgb.device

    def normal(*size: int) -> Tensor:
        return torch.randn((n, *size), generator=dice, device=device)

    def lot(*size: int) -> Tensor:
        return torch.rand((n, *size), generator=dice, device=device)

    order = torch.where(lot(1) < 0.3, torch.argsort(lot(3), dim=1), torch.arange(3, device=device)[None].expand(n, 3))
    rgb = rgb.gather(3, order[:, None, None, :].expand_as(rgb))
    rgb = (
        (rgb - MEAN) * torch.exp(0.25 * normal(1, 1, 1)) * (1.0 + 0.12 * normal(1, 1, 3)) + MEAN + 24 * normal(1, 1, 1)
    )
    blurred = f.avg_pool2d(rgb.permute(0, 3, 1, 2), 3, 1, 1, count_include_pad=False).permute(0, 2, 3, 1)
    rgb = torch.lerp(rgb, blurred, lot(1, 1, 1) * (lot(1, 1, 1) < 0.3))
    noise = torch.randn(rgb.shape, generator=dice, device=device)
    return (rgb + 7.0 * noise * lot(1, 1, 1)).clamp(0.0, 255.0)


def train(
    patches: Patches, batch: int, steps: int, device: str, rate: float = 3e-3
) -> tuple[nn.Module, dict[str, Any]]:
    """The network after so many steps, and what it says of parts it never saw."""
    torch.manual_seed(0)
    dice = torch.Generator(device=device).manual_seed(1)
    held = np.arange(len(patches.lean)) % HELD_OUT_ONE_IN == 0
    seen, lean = (torch.from_numpy(x[~held]).to(device) for x in (patches.seen, patches.lean))
    network = LeanNet().to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    average = torch.optim.swa_utils.AveragedModel(network)
    optimizer = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=0.02)
    for step in range(steps):
        for group in optimizer.param_groups:
            group["lr"] = rate * min(1.0, (step + 1) / WARM_UP) * (0.5 + 0.5 * math.cos(math.pi * step / steps)) + 1e-6
        loss = _loss(network, seen, lean, batch, dice, device)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        if step > AVERAGED_FROM * steps:
            average.update_parameters(network)
        if step % 100 == 0:
            click.echo(f"step {step} loss {float(loss.detach()):.3f}")
    network.load_state_dict(average.module.state_dict())
    _measure_statistics(network, seen, lean, batch, dice, device)
    record = evaluated(network, Patches(patches.seen[held], patches.lean[held]), device)
    return network.cpu(), {"things": len(patches.lean), "steps": steps, "batch": batch, "rate": rate, **record}


def _loss(network: nn.Module, seen: Tensor, lean: Tensor, batch: int, dice: torch.Generator, device: str) -> Tensor:
    chosen = torch.randint(len(lean), (batch,), generator=dice, device=device)
    patch, true = disturbed(seen[chosen], lean[chosen], dice)
    with torch.autocast(device, dtype=torch.bfloat16):
        said = network(shown(patch).contiguous(memory_format=torch.channels_last))
    return -log_density(said, true).clamp_min(-6.0).mean()  # what is far off altogether teaches no more


def _measure_statistics(
    network: nn.Module, seen: Tensor, lean: Tensor, batch: int, dice: torch.Generator, device: str
) -> None:
    """Means and spreads of the normalisation, measured anew for averaged weights."""
    torch.optim.swa_utils.update_bn(
        (shown(disturbed(*(x[k] for x in (seen, lean)), dice)[0]) for k in _lots(len(lean), batch, dice, device)),
        network,
    )


def _lots(count: int, batch: int, dice: torch.Generator, device: str) -> list[Tensor]:
    return [torch.randint(count, (batch,), generator=dice, device=device) for _ in range(STATISTICS_FROM)]


def evaluated(network: nn.Module, patches: Patches, device: str) -> dict[str, Any]:
    """Mean log density over that of a plain prior, and how far off the mean lean is, degrees: median and 95th percentile."""
    network.eval()
    with torch.no_grad():
        said = torch.cat([network(shown(torch.from_numpy(x).to(device).float())) for x in np.array_split(patches.seen, max(1, len(patches.seen) // 128))])  # fmt: skip
        lean = torch.from_numpy(patches.lean).to(device)
        gain = log_density(said, lean) + 0.5 * (lean**2).sum(dim=1) / U_PRIOR**2 + math.log(2.0 * math.pi * U_PRIOR**2)
        log_weight, mean, _ = mixture(said)
        off = torch.rad2deg(((torch.exp(log_weight)[..., None] * mean).sum(dim=1) - lean).norm(dim=1)).cpu().numpy()
    return {
        "held_out": len(off),
        "gain": round(float(gain.mean()), 4),
        "off_deg": [round(float(q), 2) for q in np.percentile(off, (50, 95))],
    }


def export(network: nn.Module, path: Path, folders: tuple[Path, ...], record: dict[str, Any]) -> float:
    """Write the network as ONNX with its card; the greatest difference to PyTorch.

    Raises
    ------
    RuntimeError
        If ONNX Runtime disagrees with PyTorch.
    """
    module = LeanForUse(network).eval()
    shape = (2, PATCH_PX, PATCH_PX, 5)
    example = torch.randint(0, 200, shape, dtype=torch.uint8, generator=torch.Generator().manual_seed(0))
    wanted = write_onnx(module, example, path, "rgb", ("lean",), {"rgb": {0: "n"}, "lean": {0: "n"}})
    card = {
        "schema": SCHEMA,
        "input": {"side": PATCH_PX, "layout": "NHWC uint8 RGB, face map, thickness"},
        "data": [folder.name for folder in folders],
        "training": record,
        "code": code_version(),
    }
    write_card(path, SCHEMA, card)
    return parity(path, "rgb", example, wanted)


@click.command()
@folders_option("--data", "folders", "Folder of training pictures with Labels; may be given again.", required=True)
@click.option("--out", "path", default=Path("vision/models/lean.onnx"), type=click.Path(dir_okay=False, path_type=Path))
@click.option("--steps", default=12_000, show_default=True, type=click.IntRange(1))
@click.option("--batch", default=128, show_default=True)
@click.option("--processes", default=os.cpu_count() or 1, help="For loading.")
def main(folders: tuple[Path, ...], path: Path, steps: int, batch: int, processes: int) -> None:
    """Train the lean network and write it as ONNX."""
    patches = gather(folders, processes)
    click.echo(f"{len(patches.lean)} parts and coins")
    network, record = train(patches, batch, steps, "cuda" if torch.cuda.is_available() else "cpu")
    worst = export(network, path, folders, record)
    click.echo(json.dumps({**record, "difference_to_pytorch": worst}))


if __name__ == "__main__":
    main()
