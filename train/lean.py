"""The network that sees, before the bench is known, where the face's edge is and how the part leans.

    python -m train.lean --data FOLDER --out vision/models/lean.onnx --minutes 8

Outlines as the reader's steps give them are unrolled as for `train.edge`. Where the wall shows and how wide tells the bench's
tilt: that is learned as a density of the drop, the way in the picture from the face's edge to its foot on the bench at the
part's axis, with the places of edge and foot on every row beside it. In half of the outlines the wall's width is shown, as
for `train.edge`, so that edge and foot are learned with it and without; a drop is asked only of the others.
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

from train.card import code_version, write_card
from train.edge import (
    HELD_OUT_ONE_IN,
    PACE,
    ROOM,
    U_THICKNESS,
    U_WALL,
    WARM_UP,
    loss_of,
    relit,
    shown,
    strip_command,
    unrolled,
    waves,
)
from train.export import parity, write_onnx
from train.outline_nets import LeanNet
from train.pace import steps_of
from vision.face_edge import OVERLAP, PLACES, ROWS, WALL_STEPS
from vision.label import Label
from vision.lean import SCHEMA

Array = NDArray[np.float64]

NO_BENCH: Final = 0.5  # share of outlines without a known wall
RIGHT: Final = 0.3  # share of outlines that lie nearly right,
WITH_WALL: Final = 0.15  # and that lie on the true edge or on the wall's foot all round
FOOT_WEIGHT, DROP_WEIGHT = 0.5, 0.15  # of the losses beside the edge's
WIDER: Final = (
    1.5  # deviations of the density, over those that fit outlines it was trained on: log loss on 595 others, seed 93
)


@dataclass(frozen=True, slots=True)
class Strips:
    """Unrolled outlines and what is true of them, in samples.

    `picture` (N, ROWS, ROOM, 4) uint8; the wall's width and the true edge's place (N, ROWS), outwards from the middle,
    NaN where the normal does not meet the true outline; `normals` (N, ROWS, 2) of the rows in the picture, to the right and
    down; `drop` (N, 2) from the face's edge to its foot at the part's axis, NaN where the Label does not tell.
    """

    picture: NDArray[np.uint8]
    wall: NDArray[np.float32]
    place: NDArray[np.float32]
    normals: NDArray[np.float32]
    drop: NDArray[np.float32]

    @property
    def fields(self) -> tuple[NDArray[Any], ...]:
        return self.picture, self.wall, self.place, self.normals, self.drop


def drop_of(label: Label) -> Array:
    """From the face's edge to its foot in the picture, px (2,): the plate's thickness as far as its lean shows it."""
    if label.lean_rad is None or label.thickness_mm is None or label.mm_per_px is None:
        return np.full(2, np.nan)
    lean = np.asarray(label.lean_rad)
    angle = float(np.hypot(*lean))
    across = label.mm_per_px * math.sqrt(math.cos(angle))  # mm in a pixel across the ray: Labels count it on the face
    return np.asarray(-label.thickness_mm * np.sinc(angle / np.pi) * lean / across)


def strip_of(path: Path) -> tuple[NDArray[Any], ...] | None:
    """One row of each field of `Strips`."""
    seen = unrolled(path)
    if seen is None:
        return None
    strip, label, wall, face = seen
    drop = np.full(2, np.nan) if label.scale_kind == "cylinder" else drop_of(label) / strip.pitch_px
    return tuple(field[None] for field in (strip.picture[..., :4], wall, face, strip.normals, drop))


class LeanForUse(nn.Module):
    """uint8 strips (N, rows, PLACES, 5) and normals in; probabilities of the rows without their overlap and drops out."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, strip: Tensor, normals: Tensor) -> tuple[Tensor, Tensor]:
        x = strip.float()
        logits, drop = self.network(shown(x[..., :3], x[..., 3], x[:, :, 0, 4] / WALL_STEPS), normals)
        wider = drop.new_tensor([0.0, 0.0, 0.0, math.log(WIDER)])
        return torch.softmax(logits[:, 0, OVERLAP:-OVERLAP], dim=2), drop + wider


@dataclass(frozen=True, slots=True)
class Batch:
    """What the network sees (N, 7, rows with overlap, PLACES) with the rows' normals, and what is true, NaN unknown."""

    seen: Tensor
    normals: Tensor  # (N, rows with overlap, 2)
    place: Tensor  # of the face's edge on every row (N, ROWS)
    foot: Tensor  # of the wall's foot (N, ROWS)
    drop: Tensor  # (N, 2); NaN where the wall's width was shown


def moved(
    picture: Tensor, shown_wall: Tensor, truth: tuple[Tensor, ...], shift: Tensor, dice: torch.Generator | None
) -> Batch:
    """Strips as if the outline lay `shift` (N, ROWS) samples farther out, in other light where `dice` are given.

    `truth` is wall, place, normals and drop.
    """
    wall, place, normals, drop = truth
    start = shift[:, :, None] + (ROOM - PLACES) / 2.0
    at = torch.arange(PLACES, device=shift.device)[None, None] + start
    low = at.floor().clamp(0, ROOM - 2).long()
    part = (at - low).clamp(0.0, 1.0)[..., None]
    values = picture.float()
    below, above = (values.gather(2, (low + k)[..., None].expand(-1, -1, -1, 4)) for k in (0, 1))
    values = below + (above - below) * part
    rgb = values[..., :3] if dice is None else relit(values[..., :3], dice)
    seen = shown(rgb, values[..., 3], shown_wall)
    blind = (shown_wall.amax(dim=1) <= 0.0)[:, None]
    seen, normals = (torch.cat([v[:, -OVERLAP:], v, v[:, :OVERLAP]], dim=1) for v in (seen.transpose(1, 2), normals))
    place = place - shift
    drop = torch.where(blind, drop, torch.full_like(drop, torch.nan))
    return Batch(seen.transpose(1, 2), normals, place, place + wall, drop)


def disturbed(
    picture: Tensor, wall: Tensor, place: Tensor, normals: Tensor, drop: Tensor, dice: torch.Generator
) -> Batch:
    """Strips from any start, either way round, along outlines wrong in many ways, over benches hardly known."""
    n, device = len(wall), wall.device

    def lot(*size: int) -> Tensor:
        return torch.rand((n, *size), generator=dice, device=device)

    if float(torch.rand((), generator=dice, device=device)) < 0.5:
        picture, wall, place, normals = picture.flip(1), wall.flip(1), place.flip(1), normals.flip(1)
        mirror = torch.tensor([-1.0, 1.0], device=device)
        normals, drop = normals * mirror, drop * mirror
    start = int(torch.randint(ROWS, (), generator=dice, device=device))
    picture, wall, place, normals = (x.roll(start, 1) for x in (picture, wall, place, normals))
    spread = float(torch.rand((), generator=dice, device=device))
    shift = waves(n, 2.0 + 20.0 * spread, dice, device) * lot(1) * 2.5 + waves(n, 1.0, dice, device) * lot(1) * 0.5
    true = place.nan_to_num(0.0)
    kind = lot(1)
    shift = torch.where(kind < RIGHT, shift + true + 0.4 * waves(n, 4.0, dice, device), shift)
    foot = true + wall * (lot(1) < 0.7)
    shift = torch.where((kind >= RIGHT) & (kind < RIGHT + WITH_WALL), shift + foot, shift)
    width = wall * torch.exp(U_THICKNESS * torch.randn((n, 1), generator=dice, device=device))
    width = width + U_WALL * waves(n, 25.0, dice, device) * lot(1)
    width = torch.where(lot(1) < NO_BENCH, torch.zeros_like(width), width).clamp_min(0.0)
    most = (ROOM - PLACES) / 2.0 - 1.0
    return moved(picture, width, (wall, place, normals, drop), shift.clamp(-most, most), dice)


def drop_loss(said: Tensor, drop: Tensor) -> tuple[Tensor, Tensor]:
    """Negative log density of true drops (N, 2) where they are known, and how far off the mean is, samples."""
    known = drop.isfinite().all(dim=1)
    true = torch.where(known[:, None], drop, torch.zeros_like(drop))
    share = torch.log_softmax(said[..., 0], dim=1)
    away = ((true[:, None] - said[..., 1:3]) ** 2).sum(dim=2)
    log = share - 2.0 * said[..., 3] - math.log(2.0 * math.pi) - 0.5 * away * torch.exp(-2.0 * said[..., 3])
    count = known.sum().clamp_min(1)
    mean = (share.exp()[..., None] * said[..., 1:3]).sum(dim=1)
    off = torch.linalg.vector_norm(mean - true, dim=1)
    return -(torch.logsumexp(log, dim=1) * known).sum() / count, ((off * known).sum() / count).detach()


def usual_drops(drop: NDArray[np.float32]) -> list[list[float]]:
    """The density of drops (N, 2) whatever the picture: shares and deviations (samples) of round normals about none."""
    far = (drop[np.isfinite(drop).all(axis=1)] ** 2).sum(axis=1)
    share, wide = np.full(3, 1.0 / 3.0), np.sqrt(np.quantile(far, [0.25, 0.6, 0.9]) / 2.0) + 0.1
    for _ in range(60):  # expectation, maximisation
        density = share / wide**2 * np.exp(-0.5 * far[:, None] / wide**2)
        weight = density / density.sum(axis=1, keepdims=True)
        share, wide = (
            weight.mean(axis=0),
            np.sqrt((weight * far[:, None]).sum(axis=0) / (2.0 * weight.sum(axis=0)) + 0.01),
        )
    return [[round(float(a), 4), round(float(b), 3)] for a, b in zip(share, wide, strict=True)]


def train(
    strips: Strips, batch: int, device: str, *, steps: int | None = None, minutes: float = 8.0
) -> tuple[nn.Module, dict[str, Any]]:
    """The network after so many steps, and how far off it is on outlines it never saw.

    Without `steps` the pace of the first ones fixes how many fit into the minutes; the record says how many they were.
    """
    torch.manual_seed(0)
    dice = torch.Generator(device=device).manual_seed(1)
    held = np.arange(len(strips.wall)) % HELD_OUT_ONE_IN == 0
    known, unseen = ([torch.from_numpy(x[rows]).to(device) for x in strips.fields] for rows in (~held, held))
    network = LeanNet().to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    optimizer = torch.optim.AdamW(network.parameters(), lr=3e-3, weight_decay=1e-3)
    for step, _ in steps_of(optimizer, 3e-3, steps, minutes, warm_up=WARM_UP, pace=PACE):
        chosen = torch.randint(len(known[1]), (batch,), generator=dice, device=device)
        seen = disturbed(*(x[chosen] for x in known), dice)
        with torch.autocast(device, dtype=torch.bfloat16):
            logits, drop = network(seen.seen.contiguous(memory_format=torch.channels_last), seen.normals)
        logits = logits.float()
        (face, off), (foot, foot_off) = (loss_of(logits[:, k], at) for k, at in enumerate((seen.place, seen.foot)))
        density, drop_off = drop_loss(drop.float(), seen.drop)
        loss = face + FOOT_WEIGHT * foot + DROP_WEIGHT * density
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        if step % 100 == 0:
            rest = f"foot {float(foot_off):.2f} drop {float(density.detach()):.2f}, {float(drop_off):.2f}"
            click.echo(f"step {step} loss {float(loss.detach()):.3f} off by {float(off):.2f} samples, {rest}")
    network.eval()
    found = tested(network, unseen)
    return network.cpu(), {
        "outlines": len(strips.wall),
        "steps": step + 1,
        "batch": batch,
        "held_out": int(held.sum()),
        **found,
    }


@torch.no_grad()
def tested(network: nn.Module, unseen: list[Tensor]) -> dict[str, float]:
    """How far off the network is on outlines as they are found, in samples: with the true wall shown, and blind."""
    picture, wall, *rest = unseen
    out = {"off_before_samples": float(rest[0].abs().nanmean())}
    for name, width in (("with_wall", wall), ("blind", torch.zeros_like(wall))):
        parts = []
        for i in range(0, len(wall), 64):
            at = slice(i, i + 64)
            batch = moved(picture[at], width[at], (wall[at], *(x[at] for x in rest)), torch.zeros_like(wall[at]), None)
            logits, drop = network(batch.seen, batch.normals)
            offs = [loss_of(logits[:, k], place)[1] for k, place in enumerate((batch.place, batch.foot))]
            parts.append(torch.stack([*offs, *drop_loss(drop, batch.drop)]))
        face, foot, density, drop_off = torch.stack(parts).mean(dim=0).tolist()
        out |= {f"{name}_off": face, f"{name}_foot_off": foot}
    out |= {"drop_off": drop_off, "drop_log_loss": density, "drop_size": float(rest[2].norm(dim=1).nanmean())}
    return {key: round(value, 4) for key, value in out.items()}


def export(
    network: nn.Module, path: Path, folders: tuple[Path, ...], record: dict[str, Any], usual: list[list[float]]
) -> float:
    """Write the network as ONNX with its card; the greatest difference of a probability to PyTorch.

    Raises
    ------
    RuntimeError
        If ONNX Runtime disagrees with PyTorch.
    """
    module = LeanForUse(network).eval()
    shape = (2, ROWS + 2 * OVERLAP, PLACES, 5)
    dice = torch.Generator().manual_seed(0)
    turn = torch.rand((*shape[:2], 1), generator=dice) * 6.3
    example = (
        torch.randint(0, 200, shape, dtype=torch.uint8, generator=dice),
        torch.cat([turn.cos(), turn.sin()], dim=2),
    )
    names = ("strip", "normals"), ("edge", "drop")
    wanted = write_onnx(module, example, path, *names, {name: {0: "n"} for name in sum(names, ())})
    card = {
        "schema": SCHEMA,
        "input": {"rows": shape[1], "places": PLACES, "layout": "NHWC uint8 RGB, face map, wall"},
        "data": [folder.name for folder in folders],
        "training": record,
        "usual_drops": usual,
        "code": code_version(),
    }
    write_card(path, SCHEMA, card)
    return parity(path, names[0], example, wanted)


def made(strips: Strips, folders: tuple[Path, ...], path: Path, **chosen: Any) -> dict[str, Any]:
    """Train and export; the record."""
    network, record = train(strips, **chosen)
    return {**record, "difference_to_pytorch": export(network, path, folders, record, usual_drops(strips.drop))}


main = strip_command(Strips, strip_of, made, name="lean", things="outlines", minutes=8.0, batch=96)

if __name__ == "__main__":
    main()
