"""The network that sees a coin's rim: coins cut from labelled pictures, unrolled along wrong ellipses, trained, exported.

    python -m train.rim --data FOLDER --data FOLDER --out vision/models/rim.onnx --minutes 3

A coin's bevel, wall, shadow and relief all make rings; where the rim is among them is learned from pictures that know.
"""

from __future__ import annotations

import itertools
import json
import math
import os
import time
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import cv2
import numpy as np
import onnxruntime as ort
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as f

from train.calibrate import folders_option
from train.card import code_version, write_card
from train.dataset import labelled, read_example
from train.export import OPSET, PARITY
from vision.fitting import fit_ellipse
from vision.models import CLASSES, MAPS, SCHEMA, WORDS, default_calibration
from vision.scale.rim_network import OVERLAP, RAYS, REACH, STEPS

CROP_PX: Final = 192
CROP_REACH: Final = 1.45  # of the coin's radius: room for the ring about a wrong ellipse
LEAST_RADIUS_PX: Final = 11.0
LEAST_SHOWN: Final = 0.5  # of the coin's disc
PROFILE: Final = 360  # directions in which the true edge is kept
U_CENTRE, U_RADIUS, U_FLAT = 0.035, 0.045, 0.025  # how wrong the first ellipse is, of the radius
HELD_OUT_ONE_IN: Final = 20
MEAN, STD = 115.0, 60.0


@dataclass(frozen=True, slots=True)
class Coins:
    """`pixels` (N, CROP, CROP, 4) uint8: R, G, B, 255 where something lies over; `truth` (N, 5 + PROFILE) in crop pixels.

    The truth is the best ellipse (x, y, mean radius, cos 2 and sin 2 of its flattening), then the edge's distance from
    its centre in every direction.
    """

    pixels: NDArray[np.uint8]
    truth: NDArray[np.float32]


class RimNet(nn.Module):
    """Unrolled coin (N, 3, rows, STEPS) -> logit of "inside the rim" for every sample (N, rows, STEPS)."""

    def __init__(self) -> None:
        super().__init__()
        self.first = nn.Sequential(_conv(3, 16), _conv(16, 16))
        self.second = nn.Sequential(_conv(16, 32, stride=2), _conv(32, 32))
        self.third = nn.Sequential(
            _conv(32, 56, stride=2), _conv(56, 56, dilation=2), _conv(56, 56, dilation=4), _conv(56, 56)
        )
        self.up_second = nn.Conv2d(56, 32, 1)
        self.join_second = _conv(32, 32)
        self.up_first = nn.Conv2d(32, 16, 1)
        self.join_first = nn.Sequential(_conv(16, 16), nn.Conv2d(16, 1, 3, padding=1))

    def forward(self, x: Tensor) -> Tensor:
        a = self.first(x)
        b = self.second(a)
        c = self.third(b)
        b = self.join_second(b + _doubled(self.up_second(c)))
        out: Tensor = self.join_first(a + _doubled(self.up_first(b)))
        return out[:, 0]


class RimForUse(nn.Module):
    """uint8 rows in, probability of the rows without their overlap out."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, rgb: Tensor) -> Tensor:
        x = (rgb.permute(0, 3, 1, 2).float() - MEAN) / STD
        return torch.sigmoid(self.network(x))[:, OVERLAP:-OVERLAP]


def _conv(inputs: int, outputs: int, *, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride, dilation, dilation, bias=False), nn.BatchNorm2d(outputs), nn.ReLU()
    )


def _doubled(x: Tensor) -> Tensor:
    return f.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)


def coins_of(path: Path) -> list[tuple[NDArray[np.uint8], NDArray[np.float32]]]:
    """The coins of one labelled picture, each cut out with its truth."""
    try:
        picture, label = read_example(path)
    except (ValueError, OSError):
        return []
    found = []
    for place, shape in enumerate(label.shapes):
        polygon = np.asarray(shape.polygon_px, dtype=np.float64)
        if shape.kind != "coin" or len(polygon) < 12:
            continue
        ellipse = fit_ellipse(polygon)
        if not ellipse or ellipse.long < LEAST_RADIUS_PX or ellipse.short < 0.7 * ellipse.long:
            continue
        scale = (CROP_PX / 2.0) / (CROP_REACH * ellipse.long)
        centre = np.array([ellipse.x, ellipse.y])
        to_crop = np.array([[scale, 0.0, 0.0], [0.0, scale, 0.0]])
        to_crop[:, 2] = (CROP_PX - 1) / 2.0 - scale * centre
        window, shift = _shrunk(picture, centre, CROP_REACH * ellipse.long, scale)
        crop = cv2.warpAffine(
            window, _after(to_crop, shift), (CROP_PX, CROP_PX), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        over = np.zeros((CROP_PX, CROP_PX), np.uint8)
        disc = np.zeros_like(over)
        edge = polygon @ to_crop[:, :2].T + to_crop[:, 2]
        cv2.fillPoly(disc, [np.round(edge * 16).astype(np.int32)], 255, shift=4)
        for later in label.shapes[place + 1 :]:
            points = np.asarray(later.polygon_px, dtype=np.float64) @ to_crop[:, :2].T + to_crop[:, 2]
            if len(points) > 2:
                cv2.fillPoly(over, [np.round(np.clip(points, -4000, 4000) * 16).astype(np.int32)], 255, shift=4)
        frame = np.full(picture.shape[:2], 255, np.uint8)
        outside = cv2.warpAffine(frame, to_crop, (CROP_PX, CROP_PX), borderValue=0) < 128
        over[outside] = 255
        if (over[disc > 0] > 0).mean() > 1.0 - LEAST_SHOWN:
            continue
        half, mean = (ellipse.long - ellipse.short) / 2.0 * scale, (ellipse.long + ellipse.short) / 2.0 * scale
        flat = (half * math.cos(2 * ellipse.angle), half * math.sin(2 * ellipse.angle))
        middle = (CROP_PX - 1) / 2.0
        truth = np.concatenate([[middle, middle, mean, *flat], _profile(edge - middle)])
        found.append((np.dstack([crop, over]).astype(np.uint8), truth.astype(np.float32)))
    return found


def _shrunk(
    picture: NDArray[np.uint8], centre: NDArray[np.float64], reach: float, scale: float
) -> tuple[NDArray[np.uint8], tuple[float, NDArray[np.float64]]]:
    """A window averaged down to about the crop's pixel, and its scale and corner in the picture."""
    low = np.maximum(np.floor(centre - reach - 3).astype(int), 0)
    high = np.ceil(centre + reach + 4).astype(int)
    window = picture[low[1] : high[1], low[0] : high[0]]
    ratio = 1.0
    if scale < 0.77:
        size = (max(2, round(window.shape[1] * scale)), max(2, round(window.shape[0] * scale)))
        ratio = size[0] / window.shape[1]
        window = cv2.resize(window, size, interpolation=cv2.INTER_AREA)
    return np.asarray(window, np.uint8), (ratio, low.astype(float))


def _after(to_crop: NDArray[np.float64], shift: tuple[float, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Window pixels to crop pixels: photo = (window + 0.5) / ratio - 0.5 + corner."""
    ratio, low = shift
    linear = to_crop[:, :2] / ratio
    return np.column_stack([linear, to_crop[:, 2] + to_crop[:, :2] @ (low + 0.5 / ratio - 0.5)])


def _profile(edge: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of a star-shaped polygon's edge from the origin in PROFILE directions."""
    closed = np.concatenate([edge, edge[:1]])
    dense = np.concatenate([np.linspace(a, b, 8, endpoint=False) for a, b in itertools.pairwise(closed)])
    angle = np.arctan2(dense[:, 1], dense[:, 0]) % (2 * np.pi)
    order = np.argsort(angle)
    wanted = np.arange(PROFILE) * (2 * np.pi / PROFILE)
    return np.interp(wanted, angle[order], np.hypot(*dense[order].T), period=2 * np.pi)


def gather(folders: tuple[Path, ...], most: int, processes: int) -> Coins:
    """All coins of the folders' pictures, up to `most`."""
    paths = [path for folder in folders for path in labelled(folder)]
    rng = np.random.default_rng(0)
    paths = [paths[i] for i in rng.permutation(len(paths))]
    pixels, truth = [], []
    with ProcessPoolExecutor(processes) as pool:
        for found in pool.map(coins_of, paths, chunksize=16):
            for crop, facts in found:
                pixels.append(crop)
                truth.append(facts)
            if len(pixels) >= most:
                break
    if len(pixels) < 40:
        raise click.ClickException(f"only {len(pixels)} coins in these pictures: render more with coins in view")
    return Coins(np.stack(pixels), np.stack(truth))


def unroll(
    pixels: Tensor, truth: Tensor, dice: torch.Generator, *, train: bool
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Unrolled pictures (N, 3, rows, STEPS), how far inside the rim each sample lies in steps, its weight, and the step.

    The ellipse they are unrolled along is off by what a segmentation map or a gradient transform is off.
    """
    n, device = len(pixels), pixels.device
    noise = torch.randn((n, 5), generator=dice, device=device)
    centre = truth[:, :2] + noise[:, :2] * U_CENTRE * truth[:, 2:3]
    radius = truth[:, 2] * (1.0 + U_RADIUS * noise[:, 2])
    flat = truth[:, 3:5] + noise[:, 3:5] * U_FLAT * truth[:, 2:3]
    rows = RAYS + 2 * OVERLAP
    turn = torch.rand(n, generator=dice, device=device) * (2 * math.pi if train else 0.0)
    hand = torch.where(torch.rand(n, generator=dice, device=device) < (0.5 if train else -1.0), -1.0, 1.0)
    angle = (torch.arange(rows, device=device) - OVERLAP)[None] * (2 * math.pi / RAYS) * hand[:, None] + turn[:, None]
    half = flat.norm(dim=1, keepdim=True)
    a, b = radius[:, None] + half, radius[:, None] - half
    about = angle - 0.5 * torch.atan2(flat[:, 1], flat[:, 0])[:, None]
    first = a * b / torch.hypot(b * about.cos(), a * about.sin())
    offset = (torch.arange(STEPS, device=device) + 0.5) * (2 * REACH / STEPS) - REACH
    along = first[:, :, None] * (1.0 + offset)
    unit = torch.stack([angle.cos(), angle.sin()], dim=2)
    where = centre[:, None, None] + along[..., None] * unit[:, :, None]
    grid = (where + 0.5) * (2.0 / CROP_PX) - 1.0
    seen = f.grid_sample(pixels.permute(0, 3, 1, 2).float(), grid, padding_mode="border", align_corners=False)
    away = where - truth[:, None, None, :2]
    place = torch.atan2(away[..., 1], away[..., 0]) / (2 * math.pi) * PROFILE % PROFILE
    low = place.floor().long() % PROFILE
    share = place - place.floor()
    profile = truth[:, 5:].reshape(n, -1)
    flat_low, flat_high = low.reshape(n, -1), ((low + 1) % PROFILE).reshape(n, -1)
    edge = profile.gather(1, flat_low) * (1 - share.reshape(n, -1)) + profile.gather(1, flat_high) * share.reshape(
        n, -1
    )
    step = 2 * REACH / STEPS * first[:, :, None]
    inside = (edge.reshape(away.shape[:3]) - away.norm(dim=3)) / step
    weight = (seen[:, 3] < 64).float()
    return seen[:, :3], inside, weight, step


def dulled(rgb: Tensor, dice: torch.Generator) -> Tensor:
    """Other light, noise and blur, as phones and benches bring them."""
    n, device = len(rgb), rgb.device

    def uniform(low: float, high: float, *size: int) -> Tensor:
        return low + (high - low) * torch.rand((n, *size), generator=dice, device=device)

    blurred = f.avg_pool2d(f.pad(rgb, (1, 1, 1, 1), mode="replicate"), 3, 1)
    rgb = torch.lerp(rgb, blurred, uniform(-0.6, 1.0, 1, 1, 1).clamp_min(-0.4))
    grey = rgb.mean(dim=1, keepdim=True)
    rgb = torch.lerp(grey.expand_as(rgb), rgb, uniform(0.3, 1.2, 1, 1, 1))
    rgb = rgb * uniform(0.6, 1.35, 1, 1, 1) * uniform(0.88, 1.12, 3, 1, 1) + uniform(-20, 20, 1, 1, 1)
    rgb = 255.0 * (rgb.clamp(0, 255) / 255.0).pow(uniform(0.75, 1.35, 1, 1, 1))
    rgb = rgb + torch.randn(rgb.shape, generator=dice, device=device) * uniform(0.0, 9.0, 1, 1, 1).square() / 9.0
    return rgb.clamp(0, 255)


def loss_of(logit: Tensor, inside: Tensor, weight: Tensor) -> tuple[Tensor, Tensor]:
    """Cross entropy of every sample plus the edge's distance in steps; and that distance alone, without strays."""
    target = (inside + 0.5).clamp(0.0, 1.0)
    entropy = (f.binary_cross_entropy_with_logits(logit, target, reduction="none") * weight).sum() / weight.sum()
    shown = (weight.amin(dim=2) > 0) & (target.amax(dim=2) >= 1.0) & (target.amin(dim=2) <= 0.0)
    away = (torch.sigmoid(logit).sum(dim=2) - target.sum(dim=2)).abs()
    near = f.smooth_l1_loss(away, torch.zeros_like(away), beta=0.5, reduction="none")
    distance = (near * shown).sum() / shown.sum().clamp_min(1)
    return entropy + 0.05 * distance, ((away * shown).sum() / shown.sum().clamp_min(1)).detach()


def train(coins: Coins, minutes: float, batch: int, device: str) -> tuple[nn.Module, dict[str, Any]]:
    """The averaged network after so many minutes, and how far off it is on coins it never saw."""
    torch.manual_seed(0)
    dice = torch.Generator(device=device).manual_seed(1)
    held = np.arange(len(coins.truth)) % HELD_OUT_ONE_IN == 0
    pixels, truth = torch.from_numpy(coins.pixels[~held]).to(device), torch.from_numpy(coins.truth[~held]).to(device)
    network = RimNet().to(device)
    average = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    optimizer = torch.optim.AdamW(network.parameters(), lr=2e-3, weight_decay=1e-3)
    began, steps = time.monotonic(), 0
    while (share := (time.monotonic() - began) / (60.0 * minutes)) < 1.0:
        for group in optimizer.param_groups:
            group["lr"] = 2e-3 * min(1.0, share / 0.03 + 0.02) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        chosen = torch.randint(len(truth), (batch,), generator=dice, device=device)
        seen, inside, weight, _ = unroll(pixels[chosen], truth[chosen], dice, train=True)
        logit = network((dulled(seen, dice) - MEAN) / STD)
        loss, away = loss_of(logit, inside, weight)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        average.update_parameters(network)
        if steps % 200 == 0:
            click.echo(f"step {steps} loss {float(loss.detach()):.4f} edge off by {float(away):.3f} steps {share:.0%}")
        steps += 1
    network = average.module.eval()
    with torch.no_grad():
        seen, inside, weight, _ = unroll(
            torch.from_numpy(coins.pixels[held]).to(device),
            torch.from_numpy(coins.truth[held]).to(device),
            dice,
            train=False,
        )
        _, away = loss_of(network((seen - MEAN) / STD), inside, weight)
    off = float(away) * 2 * REACH / STEPS
    return network.cpu(), {
        "coins": len(coins.truth),
        "steps": steps,
        "held_out": int(held.sum()),
        "edge_off_relative": round(off, 5),
    }


def export(network: nn.Module, path: Path, folders: tuple[Path, ...], record: dict[str, Any]) -> float:
    """Write the network as ONNX with its card; the greatest difference of a probability to PyTorch.

    Raises
    ------
    RuntimeError
        If ONNX Runtime disagrees with PyTorch.
    """
    module = RimForUse(network).eval()
    shape = (2, RAYS + 2 * OVERLAP, STEPS, 3)
    example = torch.randint(0, 256, shape, dtype=torch.uint8, generator=torch.Generator().manual_seed(0))
    path.parent.mkdir(parents=True, exist_ok=True)
    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")  # the older exporter says that it is the older one; it needs no further package
        torch.onnx.export(
            module,
            (example,),
            str(path),
            opset_version=OPSET,
            dynamo=False,
            input_names=["rgb"],
            output_names=["inside"],
            dynamic_axes={"rgb": {0: "n"}, "inside": {0: "n"}},
        )
        wanted = module(example).numpy()
    write_card(
        path,
        SCHEMA,
        {
            "schema": SCHEMA,
            "which": "rim",
            "classes": list(CLASSES),
            "maps": list(MAPS),
            "words": {word: list(labels) for word, labels in WORDS.items()},
            "input": {"rows": shape[1], "steps": STEPS, "reach": REACH, "layout": "NHWC uint8 RGB, unrolled coin"},
            "calibration": default_calibration(),
            "calibrated_on": None,
            "data": [folder.name for folder in folders],
            "training": record,
            "code": code_version(),
        },
    )
    got = ort.InferenceSession(str(path), providers=["CPUExecutionProvider"]).run(None, {"rgb": example.numpy()})[0]
    worst = float(np.abs(got - wanted).max())
    if not worst <= PARITY:
        raise RuntimeError(f"{path.name}: ONNX Runtime differs from PyTorch by {worst:.2e}, more than {PARITY:.0e}")
    return worst


@click.command()
@folders_option("--data", "folders", "Folder of training pictures with Labels; may be given again.", required=True)
@click.option("--out", "path", default=Path("vision/models/rim.onnx"), type=click.Path(dir_okay=False, path_type=Path))
@click.option("--minutes", type=float, required=True, help="Training time after loading.")
@click.option("--most", default=40_000, show_default=True, help="Coins to take at most; each needs 150 kB.")
@click.option("--batch", default=192, show_default=True)
@click.option("--processes", default=os.cpu_count() or 1, help="For loading.")
def main(folders: tuple[Path, ...], path: Path, minutes: float, most: int, batch: int, processes: int) -> None:
    """Train the rim network and write it as ONNX."""
    began = time.monotonic()
    coins = gather(folders, most, processes)
    click.echo(f"{len(coins.truth)} coins in {time.monotonic() - began:.0f} s")
    device = "cuda" if torch.cuda.is_available() else "cpu"
    network, record = train(coins, minutes, batch, device)
    worst = export(network, path, folders, record)
    click.echo(json.dumps({**record, "difference_to_pytorch": worst}))


if __name__ == "__main__":
    main()
