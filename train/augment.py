"""What may differ between a render and a photo, drawn at random on the GPU, for a whole batch at once."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import torch
from torch import Tensor
from torch.nn import functional as f

from train.dataset import CAM, CENTRES, CLASS_BITS, FACTS, FINDER_PX, IGNORE, MAP_BIT, OPENINGS, STORE_PX
from vision.models import MAPS, WORDS
from vision.patch import PATCH_PX

TAIL_UP_SHARE: Final = 0.5  # of squares are turned tail up, as the reader's second look sees them; the rest at any roll
TAIL_UP_DEG: Final = 10.0
LOOSE_SHARE: Final = 0.25  # of the other squares have a circle as badly placed as a finder's can be
OTHER_BENCH_ONE_IN: Final = 5  # pictures get a drawn bench in place of their own
PARTS: Final = ("benches", "loose", "occluders", "photometric")  # that an ablation may leave out
# luminance table of ITU-T T.81 annex K, table K.1; the same for colour, which is coarser than real and does no harm
JPEG_TABLE: Final = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)


@dataclass(frozen=True, slots=True)
class Dice:
    """Random numbers on one device from one generator."""

    generator: torch.Generator
    device: torch.device

    def uniform(self, low: float, high: float, *size: int) -> Tensor:
        return torch.rand(size, generator=self.generator, device=self.device) * (high - low) + low

    def normal(self, sigma: float, *size: int) -> Tensor:
        return torch.randn(size, generator=self.generator, device=self.device) * sigma

    def chance(self, share: float, *size: int) -> Tensor:
        return torch.rand(size, generator=self.generator, device=self.device) < share


@lru_cache(maxsize=16)
def constant(values: tuple[Any, ...], device: torch.device) -> Tensor:
    """A small constant on a device, sent there once: sending it at each step would make the step wait for it."""
    return torch.tensor(values, device=device)


def reader_batch(
    store: Tensor, facts: Tensor, dice: Dice, *, plain: bool = False, without: Collection[str] = ()
) -> dict[str, Tensor]:
    """Patches and targets from stored squares.

    Parameters
    ----------
    store : (N, 352, 352, 4) uint8
    facts : (N, len(FACTS))
    plain : bool
        Without any change of colour and, half of them tail up, half as stored: for validation.
    without : collection of str
        Some of `PARTS`.

    Returns
    -------
    dict
        rgb (N, 3, 256, 256) in 0..1, maps (N, 5, 256, 256) 0 or 1, points (N, 2, 2) with NaN, hub (N,) with NaN,
        words (N, W) int64 with -1 where unknown, centres (N, kinds, 5, 2) with NaN.
    """
    n = len(store)
    axis, tail = facts[:, 0:2], facts[:, 2:4]
    tail_turn = torch.atan2(tail[:, 0] - axis[:, 0], axis[:, 1] - tail[:, 1])
    jitter = 0.0 if plain else 1.0
    near_up = tail_turn + torch.deg2rad(dice.uniform(-TAIL_UP_DEG, TAIL_UP_DEG, n)) * jitter
    any_roll = dice.uniform(-math.pi, math.pi, n) * jitter
    upright = dice.chance(TAIL_UP_SHARE, n) & ~tail_turn.isnan()
    turn = torch.where(upright, torch.nan_to_num(near_up), any_roll)
    loose = dice.chance(0.0 if "loose" in without else LOOSE_SHARE, n) & ~upright
    spread = torch.where(loose, 2.2, 1.0) * jitter
    scale = torch.exp(dice.uniform(math.log(0.8), math.log(1.25), n) * spread)
    mirror = torch.where(dice.chance(0.5, n), -1.0, 1.0) if not plain else torch.ones(n, device=store.device)
    shift = dice.normal(7.0, n, 2).clamp(-18.0, 18.0) * (spread * torch.where(loose, 1.3, 1.0))[:, None]
    lean = dice.normal(0.05, n, 2).clamp(-0.12, 0.12) * jitter
    cos, sin = torch.cos(turn) / scale, torch.sin(turn) / scale
    linear = torch.stack([torch.stack([cos * mirror, -sin], 1), torch.stack([sin * mirror, cos], 1)], 1)  # (N, 2, 2)

    half = PATCH_PX / 2.0
    ticks = (torch.arange(PATCH_PX, device=store.device) + 0.5) / half - 1.0
    q = torch.stack(torch.meshgrid(ticks, ticks, indexing="xy"), dim=2).view(1, -1, 2)
    q = q / (1.0 + (q * lean[:, None, :]).sum(2, keepdim=True))
    grid = (torch.einsum("nij,npj->npi", linear, q) * half + shift[:, None, :]) / (STORE_PX / 2.0)
    rgb, truth = sample(store, grid.view(n, PATCH_PX, PATCH_PX, 2))

    middle = (STORE_PX - 1) / 2.0
    inverse = scale[:, None, None] ** 2 * linear.transpose(1, 2)  # a turn, a mirror and one scale
    first = FACTS.index(f"{CENTRES[0]}_0_x")
    points = torch.cat([facts[:, :4], facts[:, first:]], dim=1).view(n, -1, 2)
    seen = torch.einsum("nij,npj->npi", inverse, points - middle - shift[:, None, :]) / half
    seen = seen / (1.0 - (seen * lean[:, None, :]).sum(2, keepdim=True))
    seen = seen * half + (PATCH_PX - 1) / 2.0
    words = torch.nan_to_num(facts[:, 5 : 5 + len(WORDS)], nan=-1.0).long()
    hand = list(WORDS).index("hand")
    swapped = constant((0, 2, 1, -1), store.device)[words[:, hand]]
    words[:, hand] = torch.where(mirror < 0.0, swapped, words[:, hand])

    if not plain:
        if "benches" not in without:
            rgb = other_bench(rgb, truth & CLASS_BITS, dice)
        if "occluders" not in without:
            rgb, truth = occlude(rgb, truth, dice)
        if "photometric" not in without:
            rgb = photometric(rgb, (truth & CLASS_BITS) == CAM, dice)
    maps = torch.stack([(truth & MAP_BIT[name]) > 0 for name in MAPS], dim=1)
    return {
        "rgb": rgb,
        "maps": maps.float(),
        "points": seen[:, :2],
        "hub": facts[:, FACTS.index("hub_radius")] * scale,
        "words": words,
        "centres": seen[:, 2:].reshape(n, len(CENTRES), OPENINGS, 2),
    }


def finder_batch(
    store: Tensor,
    dice: Dice,
    *,
    plain: bool = False,
    size: tuple[int, int] = FINDER_PX,
    without: Collection[str] = (),
) -> dict[str, Tensor]:
    """Whole pictures, rgb (N, 3, H, W), and the class of each cell, (N, H/4, W/4) int64, 7 where unknown."""
    n = len(store)
    rows, columns = size
    if plain:
        linear = torch.eye(2, device=store.device).expand(n, 2, 2)
        shift = torch.zeros(n, 1, 2, device=store.device)
        rows, columns = FINDER_PX
    else:
        # quarter turns keep the frame filled; a few at any roll
        quarter = torch.randint(0, 2, (n,), generator=dice.generator, device=store.device) * 2 + (rows > columns)
        turn = quarter * (math.pi / 2.0) + torch.where(dice.chance(0.3, n), dice.normal(0.5, n), dice.normal(0.08, n))
        scale = torch.exp(dice.uniform(math.log(0.8), math.log(2.0), n))
        mirror = torch.where(dice.chance(0.5, n), -1.0, 1.0)
        cos, sin = torch.cos(turn) / scale, torch.sin(turn) / scale
        linear = torch.stack([torch.stack([cos * mirror, -sin], 1), torch.stack([sin * mirror, cos], 1)], 1)
        shift = dice.normal(40.0, n, 1, 2) * scale.view(n, 1, 1)
    extent = constant((columns / 2.0, rows / 2.0), store.device)
    canvas = constant((FINDER_PX[1] / 2.0, FINDER_PX[0] / 2.0), store.device)

    def grid(stride: int) -> Tensor:
        y = (torch.arange(rows // stride, device=store.device) + 0.5) * (2.0 * stride / rows) - 1.0
        x = (torch.arange(columns // stride, device=store.device) + 0.5) * (2.0 * stride / columns) - 1.0
        q = torch.stack(torch.meshgrid(x, y, indexing="xy"), dim=2).view(1, -1, 2) * extent
        at = (torch.einsum("nij,npj->npi", linear, q.expand(n, -1, 2)) + shift) / canvas
        return at.view(n, rows // stride, columns // stride, 2)

    rgb, truth = sample(store, grid(1))
    classes = sample_truth(store, grid(4)) & CLASS_BITS
    if not plain:
        if "benches" not in without:
            rgb = other_bench(rgb, truth & CLASS_BITS, dice)
        if "photometric" not in without:
            rgb = photometric(rgb, (truth & CLASS_BITS) == CAM, dice)
    outside = grid(4).abs().amax(dim=3) > 1.0
    return {"rgb": rgb, "classes": torch.where(outside, IGNORE, classes)}


def sample(store: Tensor, grid: Tensor) -> tuple[Tensor, Tensor]:
    """Colour (N, 3, h, w) in 0..1 by bilinear, truth (N, h, w) int64 by nearest; the border goes on beyond."""
    rgb = store[..., :3].permute(0, 3, 1, 2).float() / 255.0
    return f.grid_sample(rgb, grid, mode="bilinear", padding_mode="border", align_corners=False), sample_truth(
        store, grid
    )


def sample_truth(store: Tensor, grid: Tensor) -> Tensor:
    """Truth at the nearest stored pixel, (N, h, w) int64."""
    layer = store[..., 3][:, None].float()
    return f.grid_sample(layer, grid, mode="nearest", padding_mode="border", align_corners=False)[:, 0].round().long()


def other_bench(rgb: Tensor, classes: Tensor, dice: Dice) -> Tensor:
    """Give every fifth picture a drawn bench, under its own light and shadows as far as they can be told.

    Parameters
    ----------
    rgb : Tensor of shape (N, 3, h, w)
    classes : Tensor of shape (N, h, w)
        The truth's class bits; only class 0 is replaced.
    """
    few = len(rgb) // OTHER_BENCH_ONE_IN  # a batch comes in random order: its first fifth is a random fifth
    if not few:
        return rgb
    own, bare = rgb[:few], (classes[:few] == 0)[:, None].float()
    soft = f.avg_pool2d(bare, 3, 1, 1)  # no hard edge that would give the part away
    light = own.mean(dim=1, keepdim=True) * bare
    around = f.avg_pool2d(light, 17, 1, 8) / f.avg_pool2d(bare, 17, 1, 8).clamp_min(0.05)
    mean = light.sum((1, 2, 3), keepdim=True) / bare.sum((1, 2, 3), keepdim=True).clamp_min(1.0)
    shade = (around / mean.clamp_min(0.02)).clamp(0.2, 1.8)
    drawn = bench(dice, few, rgb.shape[2], rgb.shape[3])
    drawn = torch.where(dice.chance(0.6, few, 1, 1, 1), drawn * shade, drawn).clamp(0.0, 1.0)
    return torch.cat([torch.lerp(own, drawn, soft * bare), rgb[few:]])


def bench(dice: Dice, n: int, h: int, w: int) -> Tensor:
    """Planks, tiles and ruled sheets, checks and weaves, mottled stone, lines of print: (n, 3, h, w) in 0..1."""
    each = (n, 1, 1)
    y, x = torch.meshgrid(torch.arange(h, device=dice.device), torch.arange(w, device=dice.device), indexing="ij")
    turn = torch.where(dice.chance(0.5, *each), dice.normal(0.06, *each), dice.uniform(0.0, math.pi, *each))
    period = torch.exp(dice.uniform(math.log(6.0), math.log(90.0), *each))
    aspect = torch.exp(dice.normal(0.35, *each))
    u = (x * torch.cos(turn) + y * torch.sin(turn)) / period + dice.uniform(0.0, 1.0, *each)
    v = (y * torch.cos(turn) - x * torch.sin(turn)) / (period * aspect) + dice.uniform(0.0, 1.0, *each)
    fu, fv = u - u.floor(), v - v.floor()
    thin = dice.uniform(0.02, 0.25, *each)
    coarse = _clouds(dice, n, h, w, 4) + _clouds(dice, n, h, w, 16)
    print_ = f.interpolate(dice.normal(1.0, n, 1, h // 2, w // 6), size=(h, w), mode="nearest")[:, 0] > 0.0
    patterns = torch.stack(
        [
            (fu < dice.uniform(0.1, 0.9, *each)).float(),
            ((fu < thin) | (fv < thin)).float(),
            ((u.floor() + v.floor()) % 2.0),
            torch.sigmoid(coarse * dice.uniform(0.5, 6.0, *each)),
            ((fv < 0.55) & print_).float(),
        ],
        dim=1,
    )
    kind = torch.randint(0, patterns.shape[1], (n,), generator=dice.generator, device=dice.device)
    share = patterns.gather(1, kind.view(n, 1, 1, 1).expand(-1, 1, h, w))
    base = dice.uniform(0.08, 0.95, n, 1, 1, 1) + dice.normal(0.08, n, 3, 1, 1)
    other = base + dice.normal(0.22, n, 1, 1, 1) + dice.normal(0.08, n, 3, 1, 1)
    grain = dice.normal(0.04, n, 1, h, w) + 0.05 * _clouds(dice, n, h, w, 8)[:, None]
    return (torch.lerp(base.expand(-1, -1, h, w), other, share) + grain).clamp(0.0, 1.0)


def _clouds(dice: Dice, n: int, h: int, w: int, size: int) -> Tensor:
    rough = dice.normal(1.0, n, 1, h // size + 2, w // size + 2)
    return f.interpolate(rough, size=(h, w), mode="bilinear", align_corners=False)[:, 0]


def occlude(rgb: Tensor, truth: Tensor, dice: Dice) -> tuple[Tensor, Tensor]:
    """Lay a bar or an ellipse, plain or cut from another picture of the batch, over a third of the pictures."""
    n, _, h, w = rgb.shape
    y, x = torch.meshgrid(torch.arange(h, device=rgb.device), torch.arange(w, device=rgb.device), indexing="ij")
    centre = dice.uniform(-0.1, 1.1, n, 2) * w
    turn = dice.uniform(0.0, math.pi, n)
    dx, dy = x[None] - centre[:, 0, None, None], y[None] - centre[:, 1, None, None]
    cos, sin = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
    half = torch.stack([dice.uniform(0.02, 0.14, n), dice.uniform(0.05, 0.5, n)], 1) * w
    u, v = (dx * cos + dy * sin) / half[:, 0, None, None], (dy * cos - dx * sin) / half[:, 1, None, None]
    round_ = dice.chance(0.5, n)[:, None, None]
    over = (
        torch.where(round_, u**2 + v**2 < 1.0, (u.abs() < 1.0) & (v.abs() < 1.0)) & dice.chance(0.3, n)[:, None, None]
    )
    plain = dice.uniform(0.0, 1.0, n, 3, 1, 1).expand_as(rgb)
    other = torch.where(dice.chance(0.5, n)[:, None, None, None], rgb.roll(1, dims=0), plain)
    return torch.where(over[:, None], other, rgb), torch.where(over, 0, truth)


def photometric(rgb: Tensor, cam: Tensor, dice: Dice) -> Tensor:
    """Metal, light, camera and file: colour and glare, ramps and shadows, exposure, blur, sharpening, noise, JPEG."""
    n, _, h, w = rgb.shape
    each = (n, 1, 1, 1)
    y, x = torch.meshgrid(
        torch.linspace(-1, 1, h, device=rgb.device), torch.linspace(-1, 1, w, device=rgb.device), indexing="ij"
    )

    metal = torch.exp(dice.normal(0.22, *each) + dice.normal(0.07, n, 3, 1, 1))
    metal = torch.where(dice.chance(0.4, *each), metal, torch.ones_like(metal))
    rgb = torch.where(cam[:, None], rgb * metal + (metal != 1.0) * dice.normal(0.05, *each), rgb)

    ramp_turn = dice.uniform(0.0, 2.0 * math.pi, *each)
    ramp = 1.0 + dice.uniform(0.0, 0.45, *each) * (x * torch.cos(ramp_turn) + y * torch.sin(ramp_turn))
    rgb = torch.where(dice.chance(0.5, *each), rgb * ramp, rgb)
    edge_turn = dice.uniform(0.0, 2.0 * math.pi, *each)
    across = (x * torch.cos(edge_turn) + y * torch.sin(edge_turn) - dice.normal(0.4, *each)) / dice.uniform(
        0.01, 0.3, *each
    )
    shadow = 1.0 - dice.uniform(0.1, 0.65, *each) * torch.sigmoid(across)
    rgb = torch.where(dice.chance(0.25, *each), rgb * shadow, rgb)
    gx, gy = x - dice.normal(0.4, *each), y - dice.normal(0.4, *each)
    glare_turn = dice.uniform(0.0, math.pi, *each)
    gu = gx * torch.cos(glare_turn) + gy * torch.sin(glare_turn)
    gv = gy * torch.cos(glare_turn) - gx * torch.sin(glare_turn)
    glare = torch.exp(-((gu / dice.uniform(0.05, 0.6, *each)) ** 2) - (gv / dice.uniform(0.05, 0.3, *each)) ** 2)
    only_metal = cam[:, None] | dice.chance(0.4, *each)
    lit = rgb + glare * dice.uniform(0.1, 0.9, *each) * only_metal
    rgb = torch.where(dice.chance(0.3, *each), lit, rgb)

    rgb = rgb * torch.exp(dice.normal(0.22, *each) + dice.normal(0.07, n, 3, 1, 1))
    rgb = torch.where(dice.chance(0.06, *each), rgb * dice.uniform(1.3, 2.2, *each), rgb)  # the bench burnt out
    mean = rgb.mean(dim=(1, 2, 3), keepdim=True)
    rgb = mean + (rgb - mean) * torch.exp(dice.normal(0.2, *each))
    rgb = rgb.clamp(0.0, 1.0) ** torch.exp(dice.normal(0.2, *each))
    grey = rgb.mean(dim=1, keepdim=True)
    colour = torch.where(dice.chance(0.08, *each), torch.zeros(each, device=rgb.device), dice.uniform(0.3, 1.5, *each))
    rgb = (grey + (rgb - grey) * colour).clamp(0.0, 1.0)

    soft = blur(rgb, dice)
    choice = dice.uniform(0.0, 1.0, *each)
    amount = torch.where(choice < 0.45, -1.0, torch.where(choice < 0.65, dice.uniform(0.2, 1.2, *each), 0.0))
    rgb = rgb + amount * (rgb - soft)

    fine = dice.normal(1.0, n, 3, h, w)
    coarse = f.interpolate(
        dice.normal(1.0, n, 3, h // 2, w // 2), scale_factor=2.0, mode="bilinear", align_corners=False
    )
    noise = torch.where(dice.chance(0.5, *each), fine, coarse * 1.5)
    sigma = torch.exp(dice.uniform(math.log(0.003), math.log(0.05), *each)) * dice.chance(0.7, *each)
    rgb = rgb + noise * sigma * (0.5 + rgb.clamp(0.0, 1.0).sqrt())
    rgb = jpeg(rgb.clamp(0.0, 1.0), dice)
    return (rgb.clamp(0.0, 1.0) * 255.0).round() / 255.0


def blur(rgb: Tensor, dice: Dice) -> Tensor:
    """Gaussian blur, its own width along each side for each picture: out of focus when equal, shaken when not."""
    n, c, h, w = rgb.shape
    sigma = torch.exp(dice.uniform(math.log(0.4), math.log(2.2), n, 1))
    ratio = torch.exp(
        torch.where(dice.chance(0.25, n, 1), dice.normal(0.8, n, 1), torch.zeros(n, 1, device=rgb.device))
    )
    reach = 6
    offsets = torch.arange(-reach, reach + 1, device=rgb.device, dtype=rgb.dtype)[None]
    for along, width in ((3, sigma * ratio), (2, sigma / ratio)):
        kernel = torch.exp(-0.5 * (offsets / width.clamp(0.3, 3.5)) ** 2)
        kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(c, dim=0)
        shape = (n * c, 1, 1, 2 * reach + 1) if along == 3 else (n * c, 1, 2 * reach + 1, 1)
        pad = (reach, reach, 0, 0) if along == 3 else (0, 0, reach, reach)
        padded = f.pad(rgb.reshape(1, n * c, h, w), pad, mode="replicate")
        rgb = f.conv2d(padded, kernel.view(shape), groups=n * c).view(n, c, h, w)
    return rgb


def jpeg(rgb: Tensor, dice: Dice) -> Tensor:
    """Quantised 8 x 8 cosine transform of luma and chroma for half of the pictures, as a JPEG file of quality 35-95."""
    n, _, h, w = rgb.shape
    # ITU-R BT.601, as JFIF uses it; and back
    to_ycc = constant(((0.299, 0.587, 0.114), (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312)), rgb.device)
    to_rgb = constant(((1.0, 0.0, 1.402), (1.0, -0.344136, -0.714136), (1.0, 1.772, 0.0)), rgb.device)
    k = torch.arange(8, device=rgb.device, dtype=rgb.dtype)
    cosines = torch.cos(math.pi * (2.0 * k[None] + 1.0) * k[:, None] / 16.0) * 0.5
    cosines[0] *= math.sqrt(0.5)
    quality = dice.uniform(35.0, 95.0, n)
    factor = torch.where(quality < 50.0, 50.0 / quality, 2.0 - quality / 50.0)
    table = (constant(JPEG_TABLE, rgb.device).to(rgb.dtype)[None] * factor[:, None, None]).clamp_min(1.0)
    ycc = torch.einsum("ij,njhw->nihw", to_ycc, rgb) * 255.0
    # the last axis at a time, so that each transform is one large matrix product
    along_x = (ycc.reshape(n, 3, h, w // 8, 8) @ cosines.T).view(n, 3, h, w).transpose(2, 3)
    both = (along_x.reshape(n, 3, w, h // 8, 8) @ cosines.T).view(n, 3, w // 8, 8, h // 8, 8)
    step = table.transpose(1, 2)[:, None, None, :, None, :]
    kept = (both / step).round() * step
    back_y = (kept.view(n, 3, w, h // 8, 8) @ cosines).view(n, 3, w, h).transpose(2, 3)
    back = (back_y.reshape(n, 3, h, w // 8, 8) @ cosines).view(n, 3, h, w)
    coded = torch.einsum("ij,njhw->nihw", to_rgb, back) / 255.0
    return torch.where(dice.chance(0.5, n, 1, 1, 1), coded, rgb)
