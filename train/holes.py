"""The network that sees one screw hole: where its mouth is and how wide, plain or countersunk, and whether it is one.

    python -m train.holes --data FOLDER --out vision/models/holes.onnx --minutes 8

Holes are seen as the reader's steps give them (`vision.hole_view`), leaning as the Label says, give or take what a bench is
known to; learned is a density of place and radii, so that what is stated can be as sure as the picture is clear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as f

from train.card import code_version, halve, write_card
from train.edge import PACE, WARM_UP, dulled, seen_part, strip_command
from train.export import parity, write_onnx
from train.outline_nets import conv, separable
from train.pace import steps_of
from vision.hole_evidence import maps_of_reader
from vision.hole_fit import log_odds
from vision.hole_view import CONES, GIVEN, HALF, PLAINS, SCHEMA, SIDE, view_of, view_to_px
from vision.label import Hole, Label

Array = NDArray[np.float64]

ROOM: Final = 160  # side of a kept square,
ROOM_HALF: Final = 5.4  # of the reader's radius, from its middle to its side: a view fits in at any angle, moved
HELD_OUT_ONE_IN: Final = 20  # pictures
SAME: Final = 0.8  # of the true radius: an opening that lies this near a screw hole is that hole
TRUTHS: Final = 10  # columns of `Holes.truth`
MOVED, SIZED = 0.25, 0.16  # of the radius, and of its logarithm: how far off the reader may be beyond what it was
U_LEAN: Final = (0.015, 0.07)  # rad: how well a bench is known, from the least to the most
U_SCALE: Final = 0.05  # logarithm of the radius in millimetres
LEAST: Final = 0.008  # of the radius: no place or size is told better
BROAD: Final = 0.02  # share of a density that says next to nothing, so that nothing is impossible
BROAD_PLACE, BROAD_SIZE = 0.5, 0.4  # its deviations, of the radius and of logarithms
REAL_WEIGHT: Final = 1.0


@dataclass(frozen=True, slots=True)
class Holes:
    """Openings that the reader takes for screw holes, and what is true of them.

    `picture` (N, ROOM, ROOM, 6) uint8, not turned, the reader's place in the middle and its radius ROOM / 2 / ROOM_HALF;
    `truth` (N, TRUTHS): the lean as a tangent in the picture (2), the true middle off the reader's in its radii (2), its
    radius and that of a countersink that shows (or 0) in the reader's, the reader's radius in mm, log odds of a countersink
    by the map, whether it is a screw hole, whether it is its picture's first.
    """

    picture: NDArray[np.uint8]
    truth: NDArray[np.float32]

    @property
    def fields(self) -> tuple[NDArray[Any], ...]:
        return self.picture, self.truth


def holes_of(path: Path) -> tuple[NDArray[Any], ...] | None:
    """A row of each field of `Holes` for every opening of a picture that the reader takes for a screw hole."""
    seen = seen_part(path)
    if seen is None:
        return None
    picture, label, found, view = seen
    if label.lean_rad is None or label.mm_per_px is None or label.thickness_mm is None:
        return None
    openings = [hole for hole in view.edges.holes if hole.head_px is None and hole.through_px is not None]
    if not openings or found.words is None or found.patch is None:
        return None
    maps = maps_of_reader(found.words, found.patch)
    lean = np.asarray(label.lean_rad)
    angle = float(np.hypot(*lean))
    slope = -lean / max(angle, 1e-9) * math.tan(angle)
    squares, truth = [], []
    for opening, radius in zip(openings, maps.radii_px(tuple(openings)), strict=True):
        at = np.array(opening.center_px)
        hole = nearest(label, at)
        off, inner, outer = np.zeros(2), 0.0, 0.0
        if hole is not None and hole.center_px is not None:
            if hole.filled:
                continue
            off = (np.array(hole.center_px) - at) / radius
            inner = hole.diameter_mm / 2.0 / label.mm_per_px / radius
            if label.facing == "screw" and hole.countersink_diameter_mm:
                outer = hole.countersink_diameter_mm / 2.0 / label.mm_per_px / radius
        odds = log_odds(found.words.facing.probabilities.get("screw", 0.5) if opening.cone is None else opening.cone)
        squares.append(view_of(picture, maps, view_to_px(at, radius, np.zeros(2), ROOM, ROOM_HALF), ROOM))
        told = radius * label.mm_per_px, odds, hole is not None, not truth
        truth.append((*slope, *off, inner, outer, *told))
    return (np.stack(squares), np.array(truth, dtype=float)) if squares else None


def nearest(label: Label, at_px: Array) -> Hole | None:
    """The screw hole of a Label that lies where an opening was seen, if there is one."""
    near = [
        (float(np.hypot(*(np.array(hole.center_px) - at_px))), hole)
        for hole in label.holes
        if hole.kind == "screw" and hole.center_px is not None
    ]
    if not near or label.mm_per_px is None:
        return None
    away, hole = min(near, key=lambda pair: pair[0])
    return hole if away * label.mm_per_px < SAME * hole.diameter_mm / 2.0 else None


class HoleNet(nn.Module):
    """Views (N, 9, SIDE, SIDE) and numbers (N, GIVEN) -> a raw density of plain holes (N, PLAINS, 7), of countersunk ones
    (N, CONES, 9), and the log odds of a screw hole (N,)."""

    def __init__(self) -> None:
        super().__init__()
        self.body = nn.Sequential(
            conv(6 + GIVEN, 32, stride=2),
            separable(32, 48),
            conv(48, 64, stride=2),
            separable(64, 64),
            separable(64, 64, 2),
            conv(64, 96, stride=2),
            separable(96, 96),
            separable(96, 96, 2),
            conv(96, 32, size=1),
        )
        self.flat = nn.Sequential(nn.Flatten(), nn.Linear(32 * (SIDE // 8) ** 2, 128), nn.BatchNorm1d(128), nn.ReLU())
        self.said = nn.Sequential(
            nn.Linear(128 + GIVEN, 96), nn.ReLU(), nn.Dropout(0.1), nn.Linear(96, PLAINS * 7 + CONES * 9 + 1)
        )

    def forward(self, x: Tensor, numbers: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        planes = numbers[:, :, None, None].expand(-1, -1, SIDE, SIDE)
        said = self.said(torch.cat([self.flat(self.body(torch.cat([x, planes], dim=1))), numbers], dim=1))
        plain, cone, real = said.split([PLAINS * 7, CONES * 9, 1], dim=1)
        return plain.reshape(-1, PLAINS, 7), cone.reshape(-1, CONES, 9), real[:, 0]


def density(plain: Tensor, cone: Tensor) -> tuple[Tensor, Tensor]:
    """Raw outputs as log share, place (2), log radii (1 or 2) and log deviations (3 or 4) of normals."""
    shares = torch.log_softmax(torch.cat([plain[..., 0], cone[..., 0]], dim=1), dim=1)
    first, second = shares.split([PLAINS, CONES], dim=1)
    spread = plain.new_tensor([0.4 * (k / (PLAINS - 1.0) - 0.5) for k in range(PLAINS)])
    wide = plain.new_tensor([0.55, 0.7, 0.45, 0.6][:CONES])

    def deviations(raw: Tensor) -> Tensor:
        return torch.log(LEAST + f.softplus(raw - 2.0))

    plain = torch.cat(
        [first[..., None], 0.5 * plain[..., 1:3], 0.5 * plain[..., 3:4] + spread[:, None], deviations(plain[..., 4:])],
        dim=2,
    )
    radii = torch.stack([0.5 * cone[..., 3] - 0.1, 0.5 * cone[..., 4] + wide], dim=2)
    cone = torch.cat([second[..., None], 0.5 * cone[..., 1:3], radii, deviations(cone[..., 5:])], dim=2)
    return plain, cone


def log_density(components: Tensor, truth: Tensor) -> Tensor:
    """Log density of a mixture (N, K, 1 + 2 D) of normals with independent D components at truths (N, D), (N,)."""
    d = truth.shape[1]
    share, middle, log = components.split([1, d, d], dim=2)
    away = ((truth[:, None] - middle) * torch.exp(-log)) ** 2
    each = share[..., 0] - log.sum(dim=2) - 0.5 * away.sum(dim=2) - 0.5 * d * math.log(2.0 * math.pi)
    return torch.logsumexp(each, dim=1)


def loss_of(plain: Tensor, cone: Tensor, real: Tensor, truth: Tensor) -> tuple[Tensor, dict[str, float]]:
    """Negative log density of true place and radii (N, 4) of those that are screw holes, and of being one."""
    plain, cone = density(plain, cone)
    place, inner, outer, is_real = truth[:, :2], truth[:, 2], truth[:, 3], truth[:, 4]
    countersunk = outer > 0.0
    logs = torch.log(torch.stack([inner.clamp_min(0.05), outer.clamp_min(0.05)], dim=1))
    as_plain = log_density(plain, torch.cat([place, logs[:, :1]], dim=1))
    as_cone = log_density(cone, torch.cat([place, logs], dim=1))

    def broad(values: Tensor, wide: float) -> Tensor:
        return (-0.5 * (values / wide) ** 2 - math.log(wide) - 0.5 * math.log(2.0 * math.pi)).sum(dim=1)

    vague = broad(place, BROAD_PLACE) + math.log(0.5)
    vague_plain = vague + broad(logs[:, :1], BROAD_SIZE)
    vague_cone = vague + broad(logs - logs.new_tensor([0.0, 0.5]), BROAD_SIZE)
    keep, rest = math.log(1.0 - BROAD), math.log(BROAD)
    log = torch.where(
        countersunk,
        torch.logaddexp(as_cone + keep, vague_cone + rest),
        torch.logaddexp(as_plain + keep, vague_plain + rest),
    )
    weight = is_real / is_real.sum().clamp_min(1.0)
    real_loss = f.binary_cross_entropy_with_logits(real, is_real)
    loss = -(log * weight).sum() + REAL_WEIGHT * real_loss
    with torch.no_grad():
        mean, size, kind = mean_of(plain, cone)
        off = torch.linalg.vector_norm(mean - place, dim=1)
        figures = {
            "log": float((log * weight).sum()),
            "real": float(real_loss),
            "off": float((off * weight).sum()),
            "size": float(((size - logs[:, 0]).abs() * weight).sum()),
            "kind": float((((kind > 0.5) == countersunk) * weight).sum()),
        }
    return loss, figures


def mean_of(plain: Tensor, cone: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Mean place (N, 2), mean log radius (N,) and the share of countersunk ones (N,)."""
    shares = torch.cat([plain[..., 0], cone[..., 0]], dim=1).exp()
    places = torch.cat([plain[..., 1:4], cone[..., 1:4]], dim=1)
    mean = (shares[..., None] * places).sum(dim=1)
    return mean[:, :2], mean[:, 2], cone[..., 0].exp().sum(dim=1)


@dataclass(frozen=True, slots=True)
class Batch:
    """What the network sees (N, 6, SIDE, SIDE), the numbers beside it, and what is true: place, radii, screw hole (N, 5)."""

    seen: Tensor
    numbers: Tensor
    truth: Tensor


def seen_as(
    picture: Tensor,
    truth: Tensor,
    *,
    lean: Tensor,
    move: Tensor,
    stretch: Tensor,
    scale: Tensor,
    flip: Tensor,
    dice: torch.Generator | None,
) -> Batch:
    """Views of kept squares under the lean (N, 2) that a bench would give, from a place `move` (N, 2) of the reader's radii
    off and with a radius `stretch` (N,) times as large; mirrored where `flip` (N,) is -1."""
    steep = torch.linalg.vector_norm(lean, dim=1).clamp_min(1e-9)
    right = lean / steep[:, None]
    flat = (1.0 + steep**2) ** -0.25
    down = torch.stack([-right[:, 1], right[:, 0]], dim=1) * flip[:, None]
    linear = (
        torch.stack([right * flat[:, None], down / flat[:, None]], dim=2) * stretch[:, None, None]
    )  # view, radii -> picture
    axis = (torch.arange(SIDE, device=lean.device) - (SIDE - 1.0) / 2.0) * (2.0 * HALF / SIDE)
    grid = torch.stack(torch.meshgrid(axis, axis, indexing="xy"), dim=2)  # (SIDE, SIDE, 2), radii
    at = torch.einsum("nij,hwj->nhwi", linear, grid) + move[:, None, None]
    seen = f.grid_sample(
        picture.permute(0, 3, 1, 2).float(), at / ROOM_HALF, align_corners=False, padding_mode="border"
    )
    rgb = seen[:, :3].permute(0, 2, 3, 1)
    rgb = rgb if dice is None else dulled(rgb, dice)
    place = torch.linalg.solve(linear, (truth[:, 2:4] - move)[..., None])[..., 0]
    radii = truth[:, 4:6] / stretch[:, None]
    numbers = torch.stack([steep, torch.log(truth[:, 6] * stretch * scale / 1.7), truth[:, 7] / 3.5], dim=1)
    return Batch(shown(rgb, seen[:, 3:].permute(0, 2, 3, 1)), numbers, torch.cat([place, radii, truth[:, 8:9]], dim=1))


def shown(rgb: Tensor, maps: Tensor) -> Tensor:
    """What the network sees (N, 6, SIDE, SIDE) of colours and maps (N, SIDE, SIDE, 3) each, 0 to 255."""
    return torch.cat([(rgb - 115.0) / 60.0, maps / 128.0 - 1.0], dim=3).permute(0, 3, 1, 2)


def as_used(picture: Tensor, truth: Tensor) -> Batch:
    """Views as a bench known exactly gives them."""
    n, device = len(truth), truth.device
    one = torch.ones(n, device=device)
    return seen_as(
        picture,
        truth,
        lean=truth[:, :2],
        move=torch.zeros((n, 2), device=device),
        stretch=one,
        scale=one,
        flip=one,
        dice=None,
    )


def disturbed(picture: Tensor, truth: Tensor, dice: torch.Generator) -> Batch:
    """Views with all that may be off in use: bench, place, radius, scale, light."""
    n, device = len(truth), truth.device

    def normal(*size: int) -> Tensor:
        return torch.randn((n, *size), generator=dice, device=device)

    def lot(*size: int) -> Tensor:
        return torch.rand((n, *size), generator=dice, device=device)

    u_lean = U_LEAN[0] * (U_LEAN[1] / U_LEAN[0]) ** lot(1)
    much = lot(1) ** 2  # mostly as the reader has it
    move = (MOVED * much * normal(2)).clamp(-0.6, 0.6)
    stretch = torch.exp(SIZED * much[:, 0] * normal()).clamp(0.75, 1.3)
    told = truth.clone()
    told[:, 7] = told[:, 7] + 0.7 * normal()
    return seen_as(
        picture,
        told,
        lean=truth[:, :2] + u_lean * normal(2),
        move=move,
        stretch=stretch,
        scale=torch.exp(U_SCALE * normal() * (lot() < 0.7)),
        flip=torch.where(lot() < 0.5, 1.0, -1.0),
        dice=dice,
    )


class HoleForUse(nn.Module):
    """uint8 views (N, SIDE, SIDE, 6) and numbers in; densities and the probability of a screw hole out."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, view: Tensor, numbers: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = view.float()
        plain, cone, real = self.network(shown(x[..., :3], x[..., 3:]), numbers)
        plain, cone = density(plain, cone)
        return plain, cone, torch.sigmoid(real)


def train(
    holes: Holes, batch: int, device: str, *, steps: int | None = None, minutes: float = 8.0
) -> tuple[nn.Module, dict[str, Any]]:
    """The network after so many steps, and how far off it is on holes of pictures it never saw.

    Without `steps` the pace of the first ones fixes how many fit into the minutes; the record says how many they were.
    """
    torch.manual_seed(0)
    dice = torch.Generator(device=device).manual_seed(1)
    held = np.cumsum(holes.truth[:, 9]) % HELD_OUT_ONE_IN == 0
    known, unseen = ([torch.from_numpy(x[rows]).to(device) for x in holes.fields] for rows in (~held, held))
    network = HoleNet().to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    optimizer = torch.optim.AdamW(network.parameters(), lr=2e-3, weight_decay=2e-2)
    for step, _ in steps_of(optimizer, 2e-3, steps, minutes, warm_up=WARM_UP, pace=PACE):
        chosen = torch.randint(len(known[1]), (batch,), generator=dice, device=device)
        seen = disturbed(*(x[chosen] for x in known), dice)
        with torch.autocast(device, dtype=torch.bfloat16):
            said = network(seen.seen.contiguous(memory_format=torch.channels_last), seen.numbers)
        loss, figures = loss_of(*(x.float() for x in said), seen.truth)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        if step % 100 == 0:
            click.echo(f"step {step} " + " ".join(f"{k} {v:.3f}" for k, v in figures.items()))
    network.eval()
    found = tested(network, unseen)
    return network.cpu(), {
        "openings": len(holes.truth),
        "screw_holes": int(holes.truth[:, 8].sum()),
        "steps": step + 1,
        "batch": batch,
        "held_out": int(held.sum()),
        **found,
    }


@torch.no_grad()
def tested(network: nn.Module, unseen: list[Tensor]) -> dict[str, float]:
    """How far off the network is on openings as they are found, in the reader's radii."""
    parts = []
    for i in range(0, len(unseen[1]), 128):
        seen = as_used(*(x[i : i + 128] for x in unseen))
        _, figures = loss_of(*network(seen.seen, seen.numbers), seen.truth)
        parts.append([figures[key] for key in sorted(figures)])
    keys = sorted(figures)
    return {key: round(float(v), 4) for key, v in zip(keys, np.mean(parts, axis=0), strict=True)}


def export(network: nn.Module, path: Path, folders: tuple[Path, ...], record: dict[str, Any]) -> float:
    """Write the network as ONNX with its card; the greatest difference of an output to PyTorch before its weights were stored
    in 16 bits.

    Raises
    ------
    RuntimeError
        If ONNX Runtime disagrees with PyTorch.
    """
    module = HoleForUse(network).eval()
    dice = torch.Generator().manual_seed(0)
    example = (
        torch.randint(0, 200, (2, SIDE, SIDE, 6), dtype=torch.uint8, generator=dice),
        torch.randn((2, GIVEN), generator=dice) * 0.3,
    )
    names = ("view", "given"), ("plain", "cone", "real")
    wanted = write_onnx(module, example, path, *names, {name: {0: "n"} for name in sum(names, ())})
    card = {
        "schema": SCHEMA,
        "input": {
            "side": SIDE,
            "half": HALF,
            "layout": "NHWC uint8 RGB, maps of face, openings, mouths",
            "weights": "float16",
        },
        "data": [folder.name for folder in folders],
        "training": record,
        "code": code_version(),
    }
    worst = parity(path, names[0], example, wanted)
    halve(path)
    write_card(path, SCHEMA, card)
    return worst


def made(holes: Holes, folders: tuple[Path, ...], path: Path, **chosen: Any) -> dict[str, Any]:
    """Train and export; the record."""
    network, record = train(holes, **chosen)
    return {**record, "difference_to_pytorch": export(network, path, folders, record)}


main = strip_command(Holes, holes_of, made, name="holes", things="openings", minutes=8.0, batch=256)

if __name__ == "__main__":
    main()
