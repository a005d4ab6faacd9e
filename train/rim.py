"""The network that sees a coin's rim: coins cut from labelled pictures, unrolled along wrong ellipses, trained, exported.

    python -m train.rim --data FOLDER --data FOLDER --out vision/models/rim.onnx --minutes 3

A coin's bevel, wall, shadow and relief all make rings; where the rim is among them is learned from pictures that know.
"""

from __future__ import annotations

import itertools
import json
import math
import multiprocessing
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as f

from train.calibrate import folders_option
from train.card import code_version, write_card
from train.dataset import labelled, read_example
from train.export import parity, write_onnx
from train.outline_nets import conv
from train.pace import steps_of
from train.rim_draw import REACH, SIDE, draw
from vision.fitting import fit_ellipse
from vision.label import Label
from vision.models import CLASSES, MAPS, SCHEMA, WORDS, default_calibration
from vision.plane import FULL_FRAME_DIAGONAL_MM
from vision.scale.coins import COINS
from vision.scale.rim_network import (
    FARTHEST,
    INNER,
    NEAREST,
    OVERLAP,
    PITCH,
    PLACES,
    RAYS,
    STEPS,
    sample_places,
)

CROP_PX: Final = SIDE // 2
CROP_REACH: Final = REACH  # of the coin's radius: room for the ring about a wrong ellipse
LEAST_RADIUS_PX: Final = 11.0
LEAST_SHOWN: Final = 0.5  # of the coin's disc
PROFILE: Final = 360  # directions in which the true edge is kept
U_CENTRE, U_RADIUS, U_FLAT = 0.045, 0.07, 0.025  # how wrong a first ellipse is, of the radius
NEARLY_TRUE: Final = 0.4  # of the looks are second ones, along an ellipse a fifth as wrong
ASTRAY: Final = 0.2  # of the first circles are some other ring: an inner disc, a shadow, half a coin
LEAST_TILT_DEG: Final = 6.0  # from which a picture without a focal length tells it by its tilt
MOST_OFF_DEG: Final = 1.5  # of the part's tilt from the Label's: its tail is bent, or the focal length another
SMEAR: Final = 0.7  # standard deviation of the target about the true place, in samples
ROUND_KINDS: Final = ("hole", "countersink", "clutter", "other", "body", "screw_head")  # no coins, though roundish
HELD_OUT_ONE_IN: Final = 20
WARM_UP: Final = 100  # steps
PACE: Final = (60, 100)  # steps whose pace says how many fit into the minutes
STATISTICS_FROM: Final = 40  # batches that the averaged network's normalisation is measured on
MEAN, STD = 115.0, 60.0


@dataclass(frozen=True, slots=True)
class Coins:
    """`pixels` (N, CROP, CROP, 4) uint8: R, G, B, 255 where something lies over; `truth` (N, 6 + 2 PROFILE) in crop pixels.

    The truth is the best ellipse (x, y, mean radius, cos 2 and sin 2 of its flattening), whether it is a coin, then the
    distance from its centre, in every direction, of the face's edge and of where face and wall end: NaN where no picture
    tells the latter.
    """

    pixels: NDArray[np.uint8]
    truth: NDArray[np.float32]


class RimNet(nn.Module):
    """Unrolled things (N, 3, rows, STEPS) -> logits of the places of the face's edge and of where the wall ends
    (N, 2, rows, PLACES), and of being a coin (N,)."""

    def __init__(self) -> None:
        super().__init__()
        self.first = conv(3, 12)
        self.second = nn.Sequential(conv(12, 20, stride=2), conv(20, 20))
        self.third = nn.Sequential(
            conv(20, 32, stride=2), _sep(32, 40, dilation=2), _sep(40, 40, dilation=4), _sep(40, 40, dilation=8)
        )
        self.up_second = nn.Conv2d(40, 20, 1)
        self.join_second = _sep(20, 20)
        self.up_first = nn.Conv2d(20, 12, 1)
        self.join_first = nn.Sequential(nn.ReLU(), nn.Conv2d(12, 2, 3, padding=1))
        self.coin = nn.Sequential(nn.Linear(80, 16), nn.ReLU(), nn.Linear(16, 1))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        a = self.first(x)
        b = self.second(a)
        c = self.third(b)
        pooled = torch.cat([c.mean(dim=(2, 3)), c.amax(dim=3).mean(dim=2)], dim=1)
        b = self.join_second(b + _doubled(self.up_second(c)))
        place = self.join_first(a + _doubled(self.up_first(b)))
        return place[:, :, :, INNER:], self.coin(pooled)[:, 0]


class RimForUse(nn.Module):
    """uint8 rows in, probabilities of the rows without their overlap out."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, rgb: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = (rgb.permute(0, 3, 1, 2).float() - MEAN) / STD
        place, coin = self.network(x)
        place = torch.softmax(place[:, :, OVERLAP:-OVERLAP], dim=3)
        return place[:, 0], place[:, 1], torch.sigmoid(coin)


def _sep(inputs: int, outputs: int, *, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    """A convolution of each channel alone, then across channels (Howard et al. 2017, arXiv:1704.04861)."""
    alone = conv(inputs, inputs, stride=stride, dilation=dilation, groups=inputs)
    return nn.Sequential(alone, conv(inputs, outputs, size=1))


def _doubled(x: Tensor) -> Tensor:
    return f.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)


def coins_of(path: Path) -> list[tuple[NDArray[np.uint8], NDArray[np.float32]]]:
    """The coins of one labelled picture, and other things in it that are roundish, each cut out with its truth."""
    try:
        picture, label = read_example(path)
    except (ValueError, OSError):
        return []
    found = []
    for place, shape in enumerate(label.shapes):
        polygon = np.asarray(shape.polygon_px, dtype=np.float64)
        coin = shape.kind == "coin"
        if len(polygon) < 12 or not (coin or shape.kind in ROUND_KINDS):
            continue
        if not coin:
            (x, y), r = cv2.minEnclosingCircle(polygon.astype(np.float32))
            turn = np.arange(90) * (np.pi / 45)
            polygon = np.array([x, y]) + r * np.column_stack([np.cos(turn), np.sin(turn)])
        ellipse = fit_ellipse(polygon)
        if not ellipse or ellipse.long < LEAST_RADIUS_PX or ellipse.short < 0.7 * ellipse.long:
            continue
        scale = (CROP_PX / 2.0) / (CROP_REACH * ellipse.long)
        centre = np.array([ellipse.x, ellipse.y])
        to_crop = np.array([[scale, 0.0, 0.0], [0.0, scale, 0.0]])
        to_crop[:, 2] = (CROP_PX - 1) / 2.0 - scale * centre
        window, shift = _shrunk(picture, centre, CROP_REACH * ellipse.long, scale)
        if window.size == 0:
            continue
        crop = cv2.warpAffine(
            window, _after(to_crop, shift), (CROP_PX, CROP_PX), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        over = np.zeros((CROP_PX, CROP_PX), np.uint8)
        disc = np.zeros_like(over)
        edge = polygon @ to_crop[:, :2].T + to_crop[:, 2]
        cv2.fillPoly(disc, [np.round(edge * 16).astype(np.int32)], 255, shift=4)
        for later in label.shapes[place + 1 :] if coin else ():
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
        outer = np.full(PROFILE, np.nan)
        if coin and (foot := foot_of(label, polygon)) is not None:
            outer = _profile(_hull(np.concatenate([edge, foot @ to_crop[:, :2].T + to_crop[:, 2]])) - middle)
        truth = np.concatenate([[middle, middle, mean, *flat, float(coin)], _profile(edge - middle), outer])
        found.append((np.dstack([crop, over]).astype(np.uint8), truth.astype(np.float32)))
    return found


def foot_of(label: Label, face_px: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Where the wall below a coin's face (N, 2) meets the bench, px; None where the Label does not tell.

    The part's outline in mm and in the picture tells the bench's normal up to the focal length; a coin's mean radius and
    thickness do the rest.
    """
    parts = [shape for shape in label.shapes if shape.kind == "part"]
    coin = COINS.get(label.scale_reference or "")
    alone = sum(shape.kind == "coin" for shape in label.shapes) == 1
    if coin is None or coin.thickness_mm is None or not alone or len(parts) != 1 or label.tilt_deg is None:
        return None
    plan, seen = np.asarray(label.outline_mm), np.asarray(parts[0].polygon_px)
    if len(plan) != len(seen) or len(plan) < 8:
        return None
    middle = np.array([(label.width - 1) / 2.0, (label.height - 1) / 2.0])
    turn, _ = cv2.findHomography(plan, seen - middle)
    if turn is None:
        return None
    if label.focal_35mm is not None:
        focals = np.array([label.focal_35mm]) * math.hypot(label.width, label.height) / FULL_FRAME_DIAGONAL_MM
    elif label.tilt_deg < LEAST_TILT_DEG:
        return None
    else:
        focals = np.geomspace(0.35, 3.0, 200) * math.hypot(label.width, label.height)
    normals = [_normal(turn, float(focal)) for focal in focals]
    off = [abs(math.degrees(math.acos(min(-n[2], 1.0))) - label.tilt_deg) for n in normals]
    best = int(np.argmin(off))
    if off[best] > MOST_OFF_DEG:
        return None
    focal, normal = float(focals[best]), normals[best]
    ray = np.column_stack([(face_px - middle) / focal, np.ones(len(face_px))])
    at = ray / (ray @ -normal)[:, None]
    radius = float(np.linalg.norm(at - at.mean(axis=0), axis=1).mean())
    foot = at - normal * (radius * coin.thickness_mm / (coin.mean_diameter_mm / 2.0))
    return np.asarray(foot[:, :2] / foot[:, 2:] * focal + middle)


def _normal(turn: NDArray[np.float64], focal: float) -> NDArray[np.float64]:
    """The unit normal, towards the camera, of the plane that a homography from mm to centred pixels shows."""
    columns = np.diag([1.0 / focal, 1.0 / focal, 1.0]) @ turn
    normal = np.cross(columns[:, 0], columns[:, 1])
    return np.asarray(-normal * np.sign(normal[2]) / np.linalg.norm(normal))


def _hull(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(cv2.convexHull(points.astype(np.float32))[:, 0], np.float64)


def drawn_one(seed: int) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """A drawn coin, or in three of ten cases a round thing that is none, with its truth."""
    rng = np.random.default_rng(seed)
    coin = bool(rng.random() < 0.7)
    return with_truth(*draw(rng, coin=coin), coin)


def with_truth(
    crop: NDArray[np.uint8], edge: NDArray[np.float64], outer: NDArray[np.float64], coin: bool
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """A crop, the face's edge (N, 2) in it and where its wall ends (M, 2), as `Coins` has them."""
    ellipse = fit_ellipse(edge)
    if not ellipse:
        raise ValueError("the edge is no ellipse")
    half, mean = (ellipse.long - ellipse.short) / 2.0, (ellipse.long + ellipse.short) / 2.0
    centre = np.array([ellipse.x, ellipse.y])
    flat = (half * math.cos(2 * ellipse.angle), half * math.sin(2 * ellipse.angle))
    profiles = _profile(edge - centre), _profile(outer - centre)
    truth = np.concatenate([centre, [mean, *flat, float(coin)], *profiles])
    return np.dstack([crop, np.zeros(crop.shape[:2], np.uint8)]), truth.astype(np.float32)


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


def gather(folders: tuple[Path, ...], drawn: int, most: int, processes: int) -> Coins:
    """All coins of the folders' pictures, and what is round beside them, up to `most`; then so many drawn ones."""
    paths = [path for folder in folders for path in labelled(folder)]
    rng = np.random.default_rng(0)
    paths = [paths[i] for i in rng.permutation(len(paths))]
    pixels, truth = [], []
    # spawned, not forked: OpenCV's threads do not live on in a fork, and a call that waits for one waits for ever
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        for found in pool.map(coins_of, paths, chunksize=16):
            for crop, facts in found:
                pixels.append(crop)
                truth.append(facts)
            if len(pixels) >= most:
                break
        for crop, facts in pool.map(drawn_one, range(drawn), chunksize=16):
            pixels.append(crop)
            truth.append(facts)
    if len(pixels) < 40:
        raise click.ClickException(f"only {len(pixels)} round things in these pictures: render or draw more")
    order = rng.permutation(len(pixels))
    return Coins(np.stack(pixels)[order], np.stack(truth)[order])


@dataclass(frozen=True, slots=True)
class Unrolled:
    """`rgb` (N, 3, rows, STEPS); where the face's edge lies on every ray in samples of the fine ones (N, rows), which rays
    show it, the same of the wall's end, and whether it is a coin seen along its rim (N,)."""

    rgb: Tensor
    place: Tensor
    shown: Tensor
    outer: Tensor
    outer_shown: Tensor
    coin: Tensor


def unroll(pixels: Tensor, truth: Tensor, dice: torch.Generator, *, train: bool) -> Unrolled:
    """Things unrolled along ellipses as wrong as first circles and second looks are."""
    n, device = len(pixels), pixels.device
    noise = torch.randn((n, 5), generator=dice, device=device)
    lot = torch.rand((n, 3), generator=dice, device=device)
    if train:
        noise = noise * torch.where(lot[:, :1] < NEARLY_TRUE, 0.2, 1.0)
    centre = truth[:, :2] + noise[:, :2] * U_CENTRE * truth[:, 2:3]
    radius = truth[:, 2] * (1.0 + U_RADIUS * noise[:, 2])
    if train:
        inner, outer = 0.42 + 0.38 * lot[:, 2], 1.3 + 0.6 * lot[:, 2]
        other = torch.where(lot[:, 0] > 0.7, outer, inner)
        radius = torch.where(lot[:, 1] < ASTRAY, other * truth[:, 2], radius)
    flat = truth[:, 3:5] + noise[:, 3:5] * U_FLAT * truth[:, 2:3]
    rows = RAYS + 2 * OVERLAP
    turn = torch.rand(n, generator=dice, device=device) * (2 * math.pi if train else 0.0)
    hand = torch.where(torch.rand(n, generator=dice, device=device) < (0.5 if train else -1.0), -1.0, 1.0)
    angle = (torch.arange(rows, device=device) - OVERLAP)[None] * (2 * math.pi / RAYS) * hand[:, None] + turn[:, None]
    half = flat.norm(dim=1, keepdim=True)
    a, b = radius[:, None] + half, radius[:, None] - half
    about = angle - 0.5 * torch.atan2(flat[:, 1], flat[:, 0])[:, None]
    first = a * b / torch.hypot(b * about.cos(), a * about.sin())
    along = first[:, :, None] * torch.from_numpy(sample_places()).to(device).float()
    unit = torch.stack([angle.cos(), angle.sin()], dim=2)
    where = centre[:, None, None] + along[..., None] * unit[:, :, None]
    grid = (where + 0.5) * (2.0 / CROP_PX) - 1.0
    seen = f.grid_sample(pixels.permute(0, 3, 1, 2).float(), grid, padding_mode="border", align_corners=False)
    fine = where[:, :, INNER:]
    away = fine - truth[:, None, None, :2]
    at = torch.atan2(away[..., 1], away[..., 0]) / (2 * math.pi) * PROFILE % PROFILE
    at = (at.round().long() % PROFILE).reshape(n, -1)
    places, seen_there = [], []
    for profile in (truth[:, 6 : 6 + PROFILE], truth[:, 6 + PROFILE :]):
        edge = profile.gather(1, at).reshape(away.shape[:3])
        # in samples, falling by one from each to the next
        inside = (edge - away.norm(dim=3)) / (PITCH * first[:, :, None])
        place = (inside.nan_to_num(0.0) + 0.5).clamp(0.0, 1.0).sum(dim=2) - 0.5
        over = (seen[:, 3, :, INNER:] * (inside.abs() < 2.0)).amax(dim=2)
        within = (place > 0.5) & (place < PLACES - 1.5)
        places.append(place)
        seen_there.append(within & (over < 64) & profile.isfinite().all(dim=1)[:, None])
    coin = truth[:, 5] * ((places[0] > 0.5) & (places[0] < PLACES - 1.5)).float().mean(dim=1).gt(0.95).float()
    shown, outer_shown = (there & (coin[:, None] > 0.5) for there in seen_there)
    return Unrolled(seen[:, :3], places[0], shown, places[1], outer_shown, coin)


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


def loss_of(said: tuple[Tensor, Tensor], true: Unrolled) -> tuple[Tensor, Tensor, Tensor]:
    """Cross entropy of both places and of "coin"; how far off the face's expected edge is, in samples; and the share of
    things told rightly."""
    logit, coin = said
    index = torch.arange(PLACES, device=logit.device)
    word = f.binary_cross_entropy_with_logits(coin, true.coin)
    loss = 0.7 * word
    aways = []
    for k, (place, shown) in enumerate(((true.place, true.shown), (true.outer, true.outer_shown))):
        target = torch.softmax(-0.5 * ((index - place[..., None]) / SMEAR) ** 2, dim=2)
        entropy = -(target * f.log_softmax(logit[:, k], dim=2)).sum(dim=2)
        count = shown.sum().clamp_min(1)
        expected = (torch.softmax(logit[:, k], dim=2) * index).sum(dim=2)
        near = f.smooth_l1_loss(expected, place, beta=1.0, reduction="none")
        loss = loss + ((entropy + 0.15 * near) * shown).sum() / count
        aways.append(((expected - place).abs() * shown).sum() / count)
    right = ((coin > 0) == (true.coin > 0.5)).float().mean()
    return loss, aways[0].detach(), right.detach()


def train(
    coins: Coins, batch: int, device: str, *, steps: int | None = None, minutes: float = 3.0
) -> tuple[nn.Module, dict[str, Any]]:
    """The averaged network after so many steps, and how far off it is on coins it never saw.

    Without `steps` the pace of the first ones fixes how many fit into the minutes; the record says how many they were,
    and the same number given makes the same run again.
    """
    torch.manual_seed(0)
    dice = torch.Generator(device=device).manual_seed(1)
    held = np.arange(len(coins.truth)) % HELD_OUT_ONE_IN == 0
    pixels, truth = torch.from_numpy(coins.pixels[~held]).to(device), torch.from_numpy(coins.truth[~held]).to(device)
    network = RimNet().to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    average = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.98)
    )
    optimizer = torch.optim.AdamW(network.parameters(), lr=4e-3, weight_decay=1e-3)
    for step, share in steps_of(optimizer, 4e-3, steps, minutes, warm_up=WARM_UP, pace=PACE):
        chosen = torch.randint(len(truth), (batch,), generator=dice, device=device)
        true = unroll(pixels[chosen], truth[chosen], dice, train=True)
        shown = ((dulled(true.rgb, dice) - MEAN) / STD).contiguous(memory_format=torch.channels_last)
        loss, away, right = loss_of(network(shown), true)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        average.update_parameters(network)
        if step % 50 == 0:
            click.echo(
                f"step {step} loss {float(loss.detach()):.3f} rim off by {float(away):.2f} samples, "
                f"told rightly {float(right):.2f}, {share:.0%}"
            )
    network = average.module
    for layer in network.modules():
        if isinstance(layer, nn.BatchNorm2d):  # the mean of weights has statistics of its own
            layer.reset_running_stats()
            layer.momentum = None  # type: ignore[assignment]
    with torch.no_grad():
        network.train()
        for _ in range(STATISTICS_FROM):
            chosen = torch.randint(len(truth), (batch,), generator=dice, device=device)
            network((dulled(unroll(pixels[chosen], truth[chosen], dice, train=True).rgb, dice) - MEAN) / STD)
        network.eval()
        true = unroll(
            torch.from_numpy(coins.pixels[held]).to(device),
            torch.from_numpy(coins.truth[held]).to(device),
            dice,
            train=False,
        )
        _, away, right = loss_of(network((true.rgb - MEAN) / STD), true)
    return network.cpu(), {
        "things": len(coins.truth),
        "coins": int(coins.truth[:, 5].sum()),
        "steps": step + 1,
        "batch": batch,
        "held_out": int(held.sum()),
        "rim_off_relative": round(float(away) * PITCH, 5),
        "told_rightly": round(float(right), 4),
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
    told = ("edge", "outer", "coin")
    wanted = write_onnx(module, (example,), path, ("rgb",), told, {name: {0: "n"} for name in ("rgb", *told)})
    write_card(
        path,
        SCHEMA,
        {
            "schema": SCHEMA,
            "which": "rim",
            "classes": list(CLASSES),
            "maps": list(MAPS),
            "words": {word: list(labels) for word, labels in WORDS.items()},
            "input": {
                "rows": shape[1],
                "steps": STEPS,
                "places": [NEAREST, FARTHEST],
                "layout": "NHWC uint8 RGB, unrolled coin",
            },
            "calibration": default_calibration(),
            "calibrated_on": None,
            "data": [folder.name for folder in folders],
            "training": record,
            "code": code_version(),
        },
    )
    return parity(path, ("rgb",), (example,), wanted)


@click.command()
@folders_option("--data", "folders", "Folder of training pictures with Labels; may be given again.", required=True)
@click.option("--out", "path", default=Path("vision/models/rim.onnx"), type=click.Path(dir_okay=False, path_type=Path))
@click.option("--steps", type=click.IntRange(1), help="Steps to train: with the same number, the same network again.")
@click.option("--minutes", default=3.0, show_default=True, help="Training time after loading, without --steps.")
@click.option("--drawn", default=20_000, show_default=True, help="Things to draw beside them.")
@click.option("--most", default=40_000, show_default=True, help="Things of the pictures to take at most, 85 kB each.")
@click.option("--batch", default=192, show_default=True)
@click.option("--processes", default=os.cpu_count() or 1, help="For loading.")
def main(
    folders: tuple[Path, ...],
    path: Path,
    steps: int | None,
    minutes: float,
    drawn: int,
    most: int,
    batch: int,
    processes: int,
) -> None:
    """Train the rim network and write it as ONNX."""
    began = time.monotonic()
    coins = gather(folders, drawn, most, processes)
    click.echo(f"{len(coins.truth)} things in {time.monotonic() - began:.0f} s")
    device = "cuda" if torch.cuda.is_available() else "cpu"
    network, record = train(coins, batch, device, steps=steps, minutes=minutes)
    worst = export(network, path, folders, record)
    click.echo(json.dumps({**record, "difference_to_pytorch": worst}))


if __name__ == "__main__":
    main()
