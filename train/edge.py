"""The networks that see where the face's edge is: outlines as the reader's steps give them, unrolled, trained, exported.

    python -m train.edge --data FOLDER --out vision/models/edge.onnx --minutes 3
    python -m train.edge --data FOLDER --sees shape --out vision/models/edge_shape.onnx --minutes 10

Wall, shadow and chamfer all make edges beside the face's own; which is which is learned from pictures that know, with the
wall's width beside them as a known bench gives it.
"""

from __future__ import annotations

import json
import math
import multiprocessing
import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

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
from train.outline_nets import EdgeNet, ShapedEdgeNet
from train.pace import steps_of
from vision.face import FaceView, see_face
from vision.face_edge import OVERLAP, PITCH, PLACES, ROWS, SCHEMAS, WALL_STEPS, WIDEST, Strip, shape_of, unroll
from vision.find import Found, find_part
from vision.label import Label
from vision.photo import Photo
from vision.segment import find_regions

Array = NDArray[np.float64]
S = TypeVar("S")  # one of the kinds of strips
F = TypeVar("F", bound=Callable[..., Any])

ROOM: Final = 80  # samples kept on each normal: room for outlines moved to either side
HELD_OUT_ONE_IN: Final = 20
SMEAR: Final = 0.7  # standard deviation of the target about the true place, in samples
MEAN, STD = 115.0, 60.0
WARM_UP: Final = 60  # steps
PACE: Final = (20, 60)  # steps whose pace says how many fit into the minutes
U_THICKNESS: Final = 0.2  # log: the plate's thickness is hardly known
U_WALL: Final = 0.7  # samples, slow along the outline: a tilt wrong by two degrees
NO_BENCH: Final = 0.08  # share of outlines without a known wall
RIGHT: Final = 0.25  # share of outlines that lie nearly right,
WITH_WALL: Final = 0.15  # and that lie on the true edge or on the wall's foot all round


@dataclass(frozen=True, slots=True)
class Strips:
    """`picture` (N, ROWS, ROOM, 4) uint8; wall's width and true edge's place (N, ROWS), samples outwards from the middle;
    `shape` (N, ROWS, 4) as `vision.face_edge.shape_of` gives it.

    The place is NaN where the normal does not meet the true outline.
    """

    picture: NDArray[np.uint8]
    wall: NDArray[np.float32]
    place: NDArray[np.float32]
    shape: NDArray[np.float32]


def crossing(polygon: Array, points: Array, normals: Array, farthest: float) -> Array:
    """How far outwards along its normal each point (N, 2) leaves a polygon, nearest to the point, (N,); NaN beyond."""
    a, b = polygon, np.roll(polygon, -1, axis=0)
    edge = b - a
    turning = np.sign(np.sum(a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]))
    d = a[None] - points[:, None]
    det = normals[:, :1] * edge[None, :, 1] - normals[:, 1:] * edge[None, :, 0]
    safe = np.where(np.abs(det) < 1e-9, 1e-9, det)
    along = (d[..., 0] * edge[None, :, 1] - d[..., 1] * edge[None, :, 0]) / safe
    share = (d[..., 0] * normals[:, 1:] - d[..., 1] * normals[:, :1]) / safe
    leaves = (share > -1e-9) & (share < 1.0 + 1e-9) & (det * turning > 1e-9)  # vertices count for both edges
    along = np.where(leaves, along, np.inf)
    nearest = along[np.arange(len(points)), np.argmin(np.abs(along), axis=1)]
    return np.where(np.abs(nearest) < farthest, nearest, np.nan)


@lru_cache(maxsize=1)
def seen_part(path: Path) -> tuple[NDArray[np.uint8], Label, Found, FaceView] | None:
    """One labelled picture of a cam as it is seen in use: pixels, Label, what was found and the edges of its face."""
    try:
        picture, label = read_example(path)
    except (ValueError, OSError):
        return None
    if label.family is None:
        return None
    found = find_part(picture, find_regions(Photo(picture, path.name, "", label.focal_35mm)))
    if found.words is None or found.patch is None or found.outcome != "read":
        return None
    view = see_face(picture, found.patch, found.words)
    return None if view is None or view.clipped else (picture, label, found, view)


def unrolled(path: Path) -> tuple[Strip, Label, Array, Array] | None:
    """The outline of one labelled picture's cam as it is seen in use, unrolled; its Label, its wall's width and its true
    place on every row, (ROWS,), samples."""
    seen = seen_part(path)
    if seen is None:
        return None
    picture, label, found, view = seen
    if found.words is None or found.patch is None:
        return None
    shapes = {shape.kind: np.asarray(shape.polygon_px, dtype=float) for shape in label.shapes}
    if not {"part", "body"} <= shapes.keys():
        return None
    strip = unroll(picture, view.edges.outline_px, found.words.map("face"), found.patch, None, ROOM)
    farthest = (ROOM / 2.0 - 2.0) * strip.pitch_px
    face, body = (
        crossing(shapes[kind], strip.points_px, strip.normals, farthest) / strip.pitch_px for kind in ("part", "body")
    )
    return strip, label, np.clip(np.nan_to_num(body - face), 0.0, WIDEST), face


def strip_of(path: Path) -> tuple[NDArray[Any], ...] | None:
    """One row of each field of `Strips`."""
    seen = unrolled(path)
    if seen is None:
        return None
    return tuple(field[None] for field in (seen[0].picture[..., :4], *seen[2:], shape_of(seen[0])))


def gather(
    folders: tuple[Path, ...], processes: int, rows_of: Callable[[Path], tuple[NDArray[Any], ...] | None]
) -> list[NDArray[Any]]:
    """What `rows_of` gives for all cams of the folders' pictures whose outline the steps before this one find, shuffled.

    A picture may give any number of rows of each field. The first field keeps its type, the others become single precision.
    """
    paths = [path for folder in folders for path in labelled(folder)]
    # spawned, not forked: OpenCV's threads do not live on in a fork, and a call that waits for one waits for ever
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        rows = [row for row in pool.map(rows_of, paths, chunksize=8) if row is not None]
    if len(rows) < 2 * HELD_OUT_ONE_IN:
        raise click.ClickException(f"only {len(rows)} of these pictures show a part: render more")
    order = np.random.default_rng(0).permutation(len(rows))
    picture, *others = (np.concatenate([rows[i][k] for i in order]) for k in range(len(rows[0])))
    return [picture, *(field.astype(np.float32) for field in others)]


def kept_or_gathered(
    kind: type[S],
    kept: Path | None,
    folders: tuple[Path, ...],
    processes: int,
    rows_of: Callable[[Path], tuple[NDArray[Any], ...] | None],
) -> S:
    """Strips from the file where they were kept, or gathered and then kept there."""
    names = [field.name for field in fields(kind)]
    if kept is not None and kept.is_file():
        with np.load(kept) as file:
            return kind(*(file[name] for name in names))
    strips = kind(*gather(folders, processes, rows_of))
    if kept is not None:
        np.savez(kept, **{name: getattr(strips, name) for name in names})
    return strips


class EdgeForUse(nn.Module):
    """uint8 strips (N, rows, PLACES, 5), and shapes (N, rows, 4) where they are seen, in; probabilities of the rows without
    their overlap out."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, strip: Tensor, *shape: Tensor) -> Tensor:
        x = strip.float()
        logits = self.network(shown(x[..., :3], x[..., 3], x[:, :, 0, 4] / WALL_STEPS), *shape)
        return torch.softmax(logits[:, OVERLAP:-OVERLAP], dim=2)


def shown(rgb: Tensor, face: Tensor, wall: Tensor) -> Tensor:
    """What the network sees (N, 7, rows, PLACES): colours (N, rows, PLACES, 3), the reader's map, both 0 to 255, the wall's
    width in samples (N, rows), and where the face's edge would be if the outline were the wall's foot, or the foot if it
    were the edge."""
    away = torch.arange(PLACES, device=rgb.device) - PLACES / 2.0 + 0.5
    width = wall[:, :, None].clamp(0.0, WIDEST)
    there = (width > 1.0).float()
    inner, outer = (torch.exp(-0.5 * ((away + side * width) / 1.5) ** 2) * there for side in (1.0, -1.0))
    planes = [face / 128.0 - 1.0, (width / 10.0).expand(-1, -1, PLACES), inner, outer]
    return torch.cat([((rgb - MEAN) / STD).permute(0, 3, 1, 2), torch.stack(planes, dim=1)], dim=1)


@dataclass(frozen=True, slots=True)
class Batch:
    """What the network sees (N, 7, rows with overlap, PLACES) with the rows' shape (N, rows with overlap, 4), and the true
    place on every row (N, ROWS), NaN unknown."""

    seen: Tensor
    shape: Tensor
    place: Tensor


def moved(
    picture: Tensor, wall: Tensor, place: Tensor, shape: Tensor, shift: Tensor, light: Callable[[Tensor], Tensor] | None
) -> Batch:
    """Strips as if the outline lay `shift` (N, ROWS) samples farther out, in other light if one is given."""
    start = shift[:, :, None] + (ROOM - PLACES) / 2.0
    at = torch.arange(PLACES, device=shift.device)[None, None] + start
    low = at.floor().clamp(0, ROOM - 2).long()
    part = (at - low).clamp(0.0, 1.0)[..., None]
    values = picture.float()
    below, above = (values.gather(2, (low + k)[..., None].expand(-1, -1, -1, 4)) for k in (0, 1))
    values = below + (above - below) * part
    rgb = values[..., :3] if light is None else light(values[..., :3])
    seen = shown(rgb, values[..., 3], wall)
    shape = torch.cat([shape[..., :2] + shape[..., 2:] * (shift * PITCH)[..., None], shape[..., 2:]], dim=2)
    shape = torch.cat([shape[:, -OVERLAP:], shape, shape[:, :OVERLAP]], dim=1)
    return Batch(torch.cat([seen[:, :, -OVERLAP:], seen, seen[:, :, :OVERLAP]], dim=2), shape, place - shift)


def disturbed(
    picture: Tensor, wall: Tensor, place: Tensor, shape: Tensor, dice: torch.Generator, light: Light
) -> Batch:
    """Strips from any start, either way round, along outlines wrong in many ways, over benches hardly known."""
    n, device = len(wall), wall.device

    def lot(*size: int) -> Tensor:
        return torch.rand((n, *size), generator=dice, device=device)

    if float(torch.rand((), generator=dice, device=device)) < 0.5:
        picture, wall, place, shape = (x.flip(1) for x in (picture, wall, place, shape))
        shape = shape * torch.tensor([-1.0, 1.0, -1.0, 1.0], device=device)
    start = int(torch.randint(ROWS, (), generator=dice, device=device))
    picture, wall, place, shape = (x.roll(start, 1) for x in (picture, wall, place, shape))
    shape = turned(shape, dice)
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
    return moved(picture, width, place, shape, shift.clamp(-most, most), partial(light, dice=dice))


def turned(shape: Tensor, dice: torch.Generator) -> Tensor:
    """Places and normals (N, ROWS, 4), each outline's turned by any angle."""
    angle = 2.0 * math.pi * torch.rand((len(shape),), generator=dice, device=shape.device)
    x, y = shape[..., 0::2], shape[..., 1::2]  # of the place and of the normal
    c, s = angle.cos()[:, None, None], angle.sin()[:, None, None]
    return torch.stack([c * x - s * y, s * x + c * y], dim=3).flatten(2)


def waves(n: int, length: float, dice: torch.Generator, device: torch.device) -> Tensor:
    """Noise of unit spread round a closed outline, smooth over `length` rows, (n, ROWS)."""
    noise = torch.fft.rfft(torch.randn((n, ROWS), generator=dice, device=device))
    kept = torch.exp(-2.0 * (math.pi * torch.fft.rfftfreq(ROWS, device=device) * length) ** 2)
    smooth = torch.fft.irfft(noise * kept, n=ROWS)
    return smooth / smooth.std(dim=1, keepdim=True)


def dulled(rgb: Tensor, dice: torch.Generator) -> Tensor:
    """Other light, tint, noise and blur, as phones and benches bring them; (N, rows, places, 3), 0 to 255."""
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
    rgb = torch.lerp(rgb, blurred, 0.8 * lot(1, 1, 1) * (lot(1, 1, 1) < 0.3))
    noise = torch.randn(rgb.shape, generator=dice, device=device)
    return (rgb + 7.0 * noise * lot(1, 1, 1)).clamp(0.0, 255.0)


def lit(rgb: Tensor, dice: torch.Generator) -> Tensor:
    """Light that changes along the outlines and across them, to burnt out or black, in three of ten; (N, rows, places, 3)."""
    n, device = len(rgb), rgb.device
    length = 5.0 + 40.0 * float(torch.rand((), generator=dice, device=device))
    along, across = waves(n, length, dice, device), waves(n, length, dice, device)
    at = torch.linspace(-1.0, 1.0, rgb.shape[2], device=device)
    much, whether = (torch.rand((n, 1, 1), generator=dice, device=device) for _ in range(2))
    gain = (along[:, :, None] + 0.5 * across[:, :, None] * at) * (0.5 * much) * (whether < 0.3)
    return (rgb * torch.exp(gain)[..., None]).clamp(0.0, 255.0)


def relit(rgb: Tensor, dice: torch.Generator) -> Tensor:
    """Both: the phone's own before the light, as a burnt-out place is without noise, or after it."""
    if float(torch.rand((), generator=dice, device=rgb.device)) < 0.7:
        return lit(dulled(rgb, dice), dice)
    return dulled(lit(rgb, dice), dice)


class Light(Protocol):
    """Strips' colours (N, rows, places, 3), 0 to 255, in other light."""

    def __call__(self, rgb: Tensor, dice: torch.Generator) -> Tensor: ...


@dataclass(frozen=True, slots=True)
class Recipe:
    """How one of the networks is trained: its learning rate at its greatest, its weights' decay, the steps over which the rate
    rises, the light of its pictures; and what it sees."""

    network: Callable[[], nn.Module]
    rate: float
    decay: float
    warm_up: int
    light: Light
    names: tuple[str, ...]

    def seen(self, batch: Batch) -> tuple[Tensor, ...]:
        """What the network is given of a batch."""
        strip = batch.seen.contiguous(memory_format=torch.channels_last)
        return (strip, batch.shape)[: len(self.names)]


RECIPES: Final = {
    "strip": Recipe(EdgeNet, 3e-3, 1e-3, WARM_UP, dulled, ("strip",)),
    # attention learns nothing after a fast start
    "shape": Recipe(ShapedEdgeNet, 2e-3, 1e-2, 300, relit, ("strip", "shape")),
}


def loss_of(logits: Tensor, place: Tensor) -> tuple[Tensor, Tensor]:
    """Cross entropy of the edge's place where it is known and in reach, and how far off the likeliest place is, samples."""
    logits = logits[:, OVERLAP:-OVERLAP]
    away = torch.arange(PLACES, device=place.device) - PLACES / 2.0 + 0.5
    known = (place.abs() < PLACES / 2.0 - 2.0) & place.isfinite()
    true = torch.where(known, place, torch.zeros_like(place))
    target = torch.softmax(-0.5 * ((away - true[..., None]) / SMEAR) ** 2, dim=2)
    entropy = -(target * f.log_softmax(logits, dim=2)).sum(dim=2)
    off = (away[logits.argmax(dim=2)] - true).abs()
    count = known.sum().clamp_min(1)
    return (entropy * known).sum() / count, ((off * known).sum() / count).detach()


def train(
    strips: Strips, batch: int, device: str, *, sees: str = "strip", steps: int | None = None, minutes: float = 3.0
) -> tuple[nn.Module, dict[str, Any]]:
    """The network that `sees` so much (a key of `RECIPES`) after so many steps, and how far off it is on outlines it never saw.

    Without `steps` the pace of the first ones fixes how many fit into the minutes; the record says how many they were.
    """
    torch.manual_seed(0)
    dice = torch.Generator(device=device).manual_seed(1)
    held = np.arange(len(strips.wall)) % HELD_OUT_ONE_IN == 0
    known, unseen = (
        [torch.from_numpy(x[rows]).to(device) for x in (strips.picture, strips.wall, strips.place, strips.shape)]
        for rows in (~held, held)
    )
    recipe = RECIPES[sees]
    network = recipe.network().to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    optimizer = torch.optim.AdamW(network.parameters(), lr=recipe.rate, weight_decay=recipe.decay)
    for step, _ in steps_of(optimizer, recipe.rate, steps, minutes, warm_up=recipe.warm_up, pace=PACE):
        chosen = torch.randint(len(known[1]), (batch,), generator=dice, device=device)
        seen = disturbed(*(x[chosen] for x in known), dice, recipe.light)
        with torch.autocast(device, dtype=torch.bfloat16):
            logits = network(*recipe.seen(seen))
        loss, off = loss_of(logits.float(), seen.place)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        if step % 100 == 0:
            click.echo(f"step {step} loss {float(loss.detach()):.3f} off by {float(off):.2f} samples")
    network.eval()
    with torch.no_grad():
        offs = []
        for i in range(0, len(unseen[1]), 128):
            some = [x[i : i + 128] for x in unseen]
            as_used = moved(*some, torch.zeros_like(some[1]), None)
            offs.append(loss_of(network(*recipe.seen(as_used)), as_used.place)[1])
        off = torch.stack(offs).mean()
        before = float(unseen[2].abs().nanmean())
    return network.cpu(), {
        "sees": sees,
        "outlines": len(strips.wall),
        "steps": step + 1,
        "batch": batch,
        "held_out": int(held.sum()),
        "off_before_samples": round(before, 4),
        "off_samples": round(float(off), 4),
    }


def export(network: nn.Module, path: Path, folders: tuple[Path, ...], record: dict[str, Any]) -> float:
    """Write the network as ONNX with its card; the greatest difference of a probability to PyTorch.

    Raises
    ------
    RuntimeError
        If ONNX Runtime disagrees with PyTorch.
    """
    schema = SCHEMAS[record["sees"]]
    module = EdgeForUse(network).eval()
    shape = (2, ROWS + 2 * OVERLAP, PLACES, 5)
    dice = torch.Generator().manual_seed(0)
    example = (
        torch.randint(0, 200, shape, dtype=torch.uint8, generator=dice),
        2.0 * torch.rand((*shape[:2], 4), generator=dice) - 1.0,
    )
    names = RECIPES[record["sees"]].names, ("edge",)
    example = example[: len(names[0])]
    wanted = write_onnx(module, example, path, *names, {name: {0: "n"} for name in sum(names, ())})
    card = {
        "schema": schema,
        "input": {"rows": shape[1], "places": PLACES, "layout": "NHWC uint8 RGB, face map, wall"},
        "data": [folder.name for folder in folders],
        "training": record,
        "code": code_version(),
    }
    write_card(path, schema, card)
    return parity(path, names[0], example, wanted)


def strip_options(path: str, minutes: float, batch: int) -> Callable[[F], F]:
    """The options of a training on unrolled outlines."""
    a_file = click.Path(dir_okay=False, path_type=Path)

    def with_options(command: F) -> F:
        for option in reversed(
            (
                folders_option(
                    "--data", "folders", "Folder of training pictures with Labels; may be given again.", required=True
                ),
                click.option("--out", "path", default=Path(path), type=a_file),
                click.option("--kept", type=a_file, help="Unrolled outlines: read if there, else written."),
                click.option(
                    "--steps",
                    type=click.IntRange(1),
                    help="Steps to train: with the same number, the same network again.",
                ),
                click.option(
                    "--minutes",
                    default=minutes,
                    show_default=True,
                    help="Training time after loading, without --steps.",
                ),
                click.option("--batch", default=batch, show_default=True),
                click.option("--processes", default=os.cpu_count() or 1, help="For loading."),
            )
        ):
            command = option(command)
        return command

    return with_options


def strip_command(
    kind: type[S],
    rows_of: Callable[[Path], tuple[NDArray[Any], ...] | None],
    made: Callable[..., dict[str, Any]],
    *,
    name: str,
    things: str,
    minutes: float,
    batch: int,
) -> click.Command:
    """The command that trains one network on what pictures give, gathered or kept from before.

    `made` trains it and writes it: it is given what was gathered, the folders, the network's path and, by name, `batch`,
    `device`, `steps` and `minutes`; what it says is printed.
    """

    @click.command(help=f"Train the {name} network and write it as ONNX.")
    @strip_options(f"vision/models/{name}.onnx", minutes, batch)
    def command(folders: tuple[Path, ...], path: Path, kept: Path | None, processes: int, **chosen: Any) -> None:
        gathered = kept_or_gathered(kind, kept, folders, processes, rows_of)
        click.echo(f"{len(getattr(gathered, fields(kind)[0].name))} {things}")
        device = "cuda" if torch.cuda.is_available() else "cpu"
        click.echo(json.dumps(made(gathered, folders, path, device=device, **chosen)))

    return command


def made(strips: Strips, folders: tuple[Path, ...], path: Path, **chosen: Any) -> dict[str, Any]:
    """Train and export; the record."""
    network, record = train(strips, **chosen)
    return {**record, "difference_to_pytorch": export(network, path, folders, record)}


main = strip_command(Strips, strip_of, made, name="edge", things="outlines", minutes=3.0, batch=32)
main.params.append(
    click.Option(["--sees"], type=click.Choice(tuple(RECIPES)), default="strip", help="What the network is given.")
)

if __name__ == "__main__":
    main()
