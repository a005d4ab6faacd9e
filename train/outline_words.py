"""Train the outline's vote: words from the shape alone.

    python -m synthetic.outlines --out OUTLINES.jsonl --count 9000
    python -m train.outline_words OUTLINES.jsonl --out vision/models/outline.onnx

Every outline is seen as the measuring chain sees it: axis a little off, tail a little turned, hub radius a little wrong,
corners rounded by the mask's blur, edges uneven, sometimes tilted, sometimes the mirror image. Minutes on one core.
"""

from __future__ import annotations

import json
from pathlib import Path

import click
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as f

from train.card import write_card
from vision.label import Label
from vision.outline import resample_closed, smooth_closed
from vision.outline_words import DIRECTIONS, SCHEMA, WORDS, signature
from vision.vocabulary import mirror_hand

POINTS = 360
VIEWS = 8  # of every outline, drawn anew


class OutlineNet(nn.Module):
    """Two circular convolutions over the directions, then two dense layers; some 70,000 weights."""

    def __init__(self) -> None:
        super().__init__()
        self.first = nn.Conv1d(2, 24, 7, padding=3, padding_mode="circular")
        self.second = nn.Conv1d(24, 32, 5, stride=2, padding=2, padding_mode="circular")
        self.third = nn.Conv1d(32, 32, 5, stride=2, padding=2, padding_mode="circular")
        self.dense = nn.Linear(32 * DIRECTIONS // 4, 64)
        self.words = nn.Linear(64, sum(len(labels) for labels in WORDS.values()))
        self.drop = nn.Dropout(0.2)

    def forward(self, x: Tensor) -> Tensor:
        """Signatures (N, 2, DIRECTIONS) to logits of all words, side by side."""
        x = torch.log(x + 0.3)
        x = f.relu(self.first(x))
        x = f.relu(self.second(x))
        x = f.relu(self.third(x))
        return self.words(self.drop(f.relu(self.dense(x.flatten(1)))))


def disturbed(
    outline: NDArray[np.float64], hub_radius: float, rng: np.random.Generator
) -> tuple[NDArray[np.float32], bool]:
    """The signature of an outline as a photo would give it, and whether it is the mirror image."""
    p = resample_closed(outline, POINTS) / hub_radius
    mirrored = bool(rng.random() < 0.5)
    if mirrored:
        p = p * (-1.0, 1.0)
    p = smooth_closed(p, float(rng.uniform(0.3, 3.0)))
    rough = smooth_closed(rng.normal(size=p.shape), float(rng.uniform(1.5, 8.0)))
    p = p + rough / max(rough.std(), 1e-9) * rng.uniform(0.0, 0.025)
    if rng.random() < 0.3:  # a dent or a bite out of the mask
        at = rng.integers(POINTS)
        window = np.exp(
            -0.5 * (((np.arange(POINTS) - at + POINTS / 2) % POINTS - POINTS / 2) / rng.uniform(3, 10)) ** 2
        )
        p = p * (1.0 + rng.normal(0.0, 0.05) * window[:, None])
    tilt, along = abs(rng.normal(0.0, 0.04)), rng.uniform(0.0, np.pi)
    u = np.array([np.cos(along), np.sin(along)])
    p = p - tilt * np.outer(p @ u, u)
    turn = np.radians(rng.normal(0.0, 2.5) if rng.random() < 0.9 else rng.normal(0.0, 7.0))
    p = np.column_stack(
        [p[:, 0] * np.cos(turn) - p[:, 1] * np.sin(turn), p[:, 0] * np.sin(turn) + p[:, 1] * np.cos(turn)]
    )
    p = p + rng.normal(0.0, 0.035, 2)
    return signature(p, float(np.exp(rng.normal(0.0, 0.04)))), mirrored


def views(labels: list[Label], rng: np.random.Generator) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """One disturbed signature of every label with the index of each of its words."""
    signatures, words = [], []
    for label in labels:
        hub = label.hub_diameter_mm
        assert hub is not None
        found, mirrored = disturbed(np.array(label.outline_mm), hub / 2.0, rng)
        hand = mirror_hand(label.hand or "none") if mirrored else (label.hand or "none")
        signatures.append(found)
        words.append(
            [WORDS["family"].index(label.family), WORDS["bottom"].index(label.bottom), WORDS["hand"].index(hand)]
        )
    return np.stack(signatures), np.array(words, dtype=np.int64)


@click.command()
@click.argument("outlines", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True)
@click.option("--epochs", type=int, default=40, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True)
def main(outlines: Path, out: Path, epochs: int, seed: int) -> None:
    """Train on a file of Labels and write the network."""
    rng = np.random.default_rng(seed)
    torch.manual_seed(seed)
    labels = [Label.from_json(line) for line in outlines.read_text().splitlines()]
    labels = [label for label in labels if label.hub_diameter_mm]
    held = [label for i, label in enumerate(labels) if i % 10 == 0]
    kept = [label for i, label in enumerate(labels) if i % 10]
    batches = [views(kept, rng) for _ in range(VIEWS)]
    x = torch.from_numpy(np.concatenate([b[0] for b in batches]))
    y = torch.from_numpy(np.concatenate([b[1] for b in batches]))
    held_x, held_y = (torch.from_numpy(v) for v in views(held, rng))
    net = OutlineNet()
    optimizer = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=0.01)
    steps = epochs * (len(x) // 256)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimizer, 4e-3, total_steps=steps)
    sizes = [len(labels) for labels in WORDS.values()]
    for epoch in range(epochs):
        net.train()
        order = torch.randperm(len(x))
        for i in range(len(x) // 256):
            at = order[i * 256 : (i + 1) * 256]
            parts = net(x[at]).split(sizes, dim=1)
            loss = torch.stack([f.cross_entropy(p, y[at, k], label_smoothing=0.02) for k, p in enumerate(parts)]).sum()
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            schedule.step()
        if epoch % 10 == 9 or epoch == epochs - 1:
            net.eval()
            with torch.no_grad():
                parts = net(held_x).split(sizes, dim=1)
            right = [float((p.argmax(1) == held_y[:, k]).double().mean()) for k, p in enumerate(parts)]
            click.echo(json.dumps({"epoch": epoch + 1, "held out": dict(zip(WORDS, right, strict=True))}))
    temperature = {word: _temperature(p, held_y[:, k]) for k, (word, p) in enumerate(zip(WORDS, parts, strict=True))}
    card = {"words": {k: list(v) for k, v in WORDS.items()}, "temperature": temperature, "outlines": len(labels)}
    write_onnx(net, out, card)


def _temperature(logits: Tensor, labels: Tensor) -> float:
    """The temperature of least cross-entropy, by search over a fine grid."""
    grid = torch.linspace(0.5, 4.0, 141)
    losses = torch.stack([f.cross_entropy(logits / t, labels) for t in grid])
    return float(grid[int(losses.argmin())])


def write_onnx(net: nn.Module, out: Path, card: dict[str, object]) -> None:
    """Export with the card in the file's metadata."""
    net.eval()
    torch.onnx.export(
        net,
        (torch.zeros(1, 2, DIRECTIONS),),
        str(out),
        input_names=["signature"],
        output_names=["logits"],
        dynamic_axes={"signature": {0: "n"}, "logits": {0: "n"}},
        opset_version=17,
        dynamo=False,
    )
    write_card(out, SCHEMA, card)


if __name__ == "__main__":
    main()
