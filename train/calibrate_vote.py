"""How picture and outline vote together: weights and prediction sets, fitted on labelled pictures through the real chain.

    python -m train.calibrate_vote FOLDER FOLDER --model vision/models/outline.onnx

The folders must be such that neither network was trained on; pictures where another thing than the part was found are
left out. Weights minimise the cross-entropy, to labels held a little short of certain; sets are split conformal (LAC) at
95 %, wide enough to keep wrong single answers under `--wrong-and-sure`, and hold whatever is as probable as 15 %.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from train.calibrate import FLOORS, expected_calibration_error, set_members
from train.card import read_card, write_card
from train.dataset import describe, labelled
from vision.face import see_face
from vision.find import find_part
from vision.label import Label
from vision.measure import measure
from vision.outline_words import SCHEMA, WORDS, vote
from vision.patch import PART_FILL, PATCH_PX
from vision.photo import open_photo
from vision.pipeline import THICKNESS_MM, ReadOptions, bench_plane, find_reference
from vision.segment import find_regions
from vision.vocabulary import mirror_hand

ALPHA = 0.05
Array = NDArray[np.float64]


Vote = dict[str, tuple[list[float], list[float], int]]


def votes(folders: Sequence[Path], workers: int | None = None) -> dict[str, tuple[Array, Array, NDArray[np.int64]]]:
    """For every word: log probabilities by picture and by outline (N, K), and the index of the true label (N,)."""
    paths = [path for folder in folders for path in labelled(folder)]
    workers = min(workers or len(os.sched_getaffinity(0)), max(1, len(paths) // 8))
    if workers > 1:
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            found = [vote for vote in pool.map(vote_of, paths, chunksize=4) if vote is not None]
    else:
        found = [vote for vote in map(vote_of, paths) if vote is not None]
    return {
        word: (
            np.array([vote[word][0] for vote in found]),
            np.array([vote[word][1] for vote in found]),
            np.array([vote[word][2] for vote in found], dtype=np.int64),
        )
        for word in WORDS
    }


def vote_of(path: Path) -> Vote | None:
    """The votes about one picture, or None when no part or another thing was looked at."""
    label = Label.from_json(path.read_text())
    if label.family is None:
        return None
    photo = open_photo(path.with_name(label.picture))
    regions = find_regions(photo)
    found = find_part(photo.pixels, regions)
    if found.outcome != "read" or found.patch is None or found.words is None:
        return None
    middle = found.patch.photo_points(np.full((1, 2), (PATCH_PX - 1) / 2.0))[0]
    reach_px = 0.5 * PART_FILL * PATCH_PX * found.patch.px_per_patch_px
    if label.axis_px is None or np.hypot(*(middle - label.axis_px)) > reach_px:
        return None  # another thing was looked at: its words are nobody's
    view = see_face(photo.pixels, found.patch, found.words)
    if view is None:
        return None
    options = ReadOptions(coin=label.scale_reference if label.scale_kind == "coin" else None)
    scale, _ = find_reference(photo, regions, found, options)
    plane, thickness = bench_plane(photo, scale, view.edges, found.words.family.label, THICKNESS_MM)
    measured = measure(view.edges, plane, thickness, found.words.family.label)
    outline = vote(measured.outline_seen, measured.frame.hub_radius_mm)
    hand = mirror_hand(label.hand or "none") if label.facing == "plug" else label.hand
    rows: Vote = {}
    for word, picture, shape, truth in (
        ("family", found.words.family, outline.family, label.family),
        ("bottom", found.words.bottom, outline.bottom, label.bottom),
        ("hand", found.words.hand_seen, outline.hand, hand),
    ):
        p = [float(np.log(max(picture.probabilities.get(name, 0.0), 1e-6))) for name in WORDS[word]]
        q = [float(np.log(max(shape[name], 1e-6))) for name in WORDS[word]]
        rows[word] = (p, q, WORDS[word].index(truth))
    return rows


def probabilities(picture: Array, outline: Array, a: float, b: float) -> Array:
    """Joint probabilities (N, K) of two votes given as logarithms."""
    z = a * picture + b * outline
    p = np.exp(z - z.max(axis=1, keepdims=True))
    return np.asarray(p / p.sum(axis=1, keepdims=True))


def fit(
    picture: Array, outline: Array, truth: NDArray[np.int64], wrong_and_sure: float, least_outline: float = 0.0
) -> dict[str, object]:
    """Weights of least cross-entropy on a grid, and the least probability of a plausible label.

    The cross-entropy is to Platt's targets (see `train.calibrate.negative_log_likelihood`): votes without a mistake on
    these pictures are not taken to make none. Nor do such votes tell which of the two to follow where they differ: then
    `least_outline` keeps the outline a voice.
    """
    at = np.arange(len(truth))
    grid = [
        (a, b)
        for a in np.arange(0.0, 1.55, 0.1)
        for b in np.arange(0.0, 1.55, 0.1)
        if a + b > 0.2 and b > least_outline - 1e-9
    ]
    certain = (len(truth) + 1.0) / (len(truth) + 2.0)
    target = np.full(picture.shape, (1.0 - certain) / max(picture.shape[1] - 1, 1))
    target[at, truth] = certain
    loss = [-(target * np.log(np.maximum(probabilities(picture, outline, a, b), 1e-9))).sum(1).mean() for a, b in grid]
    a, b = grid[int(np.argmin(loss))]
    p = probabilities(picture, outline, a, b)
    score = np.sort(1.0 - p[at, truth])
    rank = int(np.ceil((len(truth) + 1) * (1.0 - ALPHA)))
    least = 1.0 - float(score[min(rank, len(truth)) - 1])
    # a single answer must be right: lower the bar until so few wrong ones stand alone
    second = np.sort(p, axis=1)[:, -2]
    wrong = p.argmax(axis=1) != truth
    for bar in np.sort(np.append(second[wrong], least))[::-1]:
        if (wrong & (second < bar)).mean() <= wrong_and_sure:
            least = min(least, float(bar)) if bar < least else least
            break
    alone = (p >= least).sum(axis=1) <= 1
    click.echo(
        f"n {len(truth)}  picture {1 - (picture.argmax(1) != truth).mean():.3f}  outline {1 - (outline.argmax(1) != truth).mean():.3f}  "
        f"both {1 - wrong.mean():.3f}  weights {a:.1f} {b:.1f}  least {least:.4f}  "
        f"alone {alone.mean():.3f}  wrong and alone {(wrong & alone).mean():.3f}"
    )
    return {"picture": a, "outline": b, "least_probability": [min(least, FLOORS[0])] * p.shape[1]}


def ablation(found: dict[str, tuple[Array, Array, NDArray[np.int64]]], fusion: dict[str, Any]) -> str:
    """A Markdown table of each word: right by the picture's network alone, by the outline alone, and by both."""
    lines = ["| word | voters | right | ECE | coverage | set size | wrong and alone |", "|---" * 7 + "|"]
    for word, (picture, outline, truth) in found.items():
        at, card = np.arange(len(truth)), fusion[word]
        for name, a, b in (("picture", 1.0, 0.0), ("outline", 0.0, 1.0), ("both", card["picture"], card["outline"])):
            p = probabilities(picture, outline, a, b)
            right = p.argmax(axis=1) == truth
            row = [f"{right.mean():.1%}", f"{expected_calibration_error(p.max(axis=1), right):.1%}", "", "", ""]
            if name == "both":
                members = set_members(p, np.asarray(card["least_probability"]))
                alone = (members.sum(axis=1) == 1) & ~right
                row[2:] = [
                    f"{members[at, truth].mean():.1%}",
                    f"{members.sum(axis=1).mean():.2f}",
                    f"{alone.mean():.1%}",
                ]
            lines.append(f"| {word} ({len(truth)}) | {name} | " + " | ".join(row) + " |")
    return "\n".join(lines)


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--model", type=click.Path(exists=True, dir_okay=False, path_type=Path), required=True)
@click.option("--wrong-and-sure", type=float, default=0.01, show_default=True)
@click.option("--least-outline", type=float, default=0.2, show_default=True, help="The outline's weight, at least.")
@click.option("--check", is_flag=True, help="Fit nothing: print how right picture, outline and both are.")
def main(folders: tuple[Path, ...], model: Path, wrong_and_sure: float, least_outline: float, check: bool) -> None:
    """Fit the joint vote on folders of labelled pictures and write it into the outline network's card."""
    found = votes(folders)
    if check:
        click.echo(ablation(found, read_card(model, SCHEMA)["fusion"]))
        return
    fusion = {word: fit(*found[word], wrong_and_sure, least_outline) for word in WORDS}
    card = {
        **read_card(model, SCHEMA),
        "fusion": fusion,
        "calibrated_on": [describe(folder, labelled(folder)) for folder in folders],
    }
    write_card(model, SCHEMA, card)


if __name__ == "__main__":
    main()
