"""The fast renderer: extruded plates under a reflection map, then a phone's camera. numpy and OpenCV only.

`python -m synthetic.render --out DIR --count N --seed S --view full|close|mix` writes NNNNNN.jpg and NNNNNN.json. Picture i
depends on (seed, i) and the command's options alone, never on how many processes or pictures there are.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
import traceback
from pathlib import Path

import cv2
import numpy as np
from shapely.errors import ShapelyError

from synthetic import textures, truth
from synthetic.compose import compose
from synthetic.phone import develop, jpeg
from synthetic.scene import Scene, sample_scene
from synthetic.truth import View
from vision.label import Label


def photograph(scene: Scene, view: View, rng: np.random.Generator) -> bytes:
    """The picture of one view as JPEG bytes; a photo coarser than the view is taken as it is and enlarged."""
    if view.scale <= 1.0:
        return jpeg(develop(compose(scene, view), scene.taking, view.scale, rng), scene.taking.jpeg)
    native = View(
        scene.camera,
        view.x0,
        view.y0,
        1.0,
        max(8, round(view.width / view.scale)),
        max(8, round(view.height / view.scale)),
    )
    small = develop(compose(scene, native), scene.taking, 1.0, rng)
    small = cv2.imdecode(np.frombuffer(jpeg(small, scene.taking.jpeg), np.uint8), cv2.IMREAD_COLOR_RGB)
    # the view's scale is only nearly that of whole pixels: map exactly
    m = np.array([[view.scale, 0, 0.5 * view.scale - 0.5], [0, view.scale, 0.5 * view.scale - 0.5]])
    big = cv2.warpAffine(small, m, (view.width, view.height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return jpeg(big, 93)


def sample_picture(
    seed: int, index: int, *, view: str, negatives: float, held_out: bool = False
) -> tuple[bytes, Label]:
    """Picture `index` of a data set, and its Label.

    Raises
    ------
    RuntimeError
        If forty scenes in a row could not be drawn: a defect of ours.
    """
    root = np.random.SeedSequence((seed, index))
    for attempt in root.spawn(40):
        rng = np.random.default_rng(attempt)
        negative = bool(rng.random() < negatives)
        kind = view if view != "mix" else str(rng.choice(("full", "close"), p=(0.4, 0.6)))
        if negative and not held_out and rng.random() < 0.08:
            real = textures.packaged_photo(rng, 320 if kind == "close" else 640)
            if real is not None:
                rgb, name = real
                label = truth.bare_label(f"{index:06d}.jpg", rgb.shape[1], rgb.shape[0], name)
                return jpeg(rgb, int(rng.integers(60, 96))), label
        try:
            scene = sample_scene(rng, negative=negative, held_out=held_out)
            window = truth.sample_view(rng, scene, kind)
            if window is None:
                continue
            label = truth.label(scene, window, f"{index:06d}.jpg")
            return photograph(scene, window, rng), label
        except (cv2.error, ShapelyError, ValueError, ArithmeticError, AssertionError, np.linalg.LinAlgError) as error:
            print(f"picture {index}: drawn anew after {type(error).__name__}: {error}", file=sys.stderr)
    raise RuntimeError(f"picture {index} of seed {seed} could not be drawn in 40 attempts")


def _work(job: tuple[int, int, str, float, bool, str]) -> None:
    seed, index, view, negatives, held_out, folder = job
    cv2.setNumThreads(1)
    try:
        picture, label = sample_picture(seed, index, view=view, negatives=negatives, held_out=held_out)
    except Exception:  # one picture in a hundred thousand must not cost the others; it is said, and left out
        print(f"picture {index} of seed {seed} left out:\n{traceback.format_exc()}", file=sys.stderr)
        return
    stem = Path(folder) / f"{index:06d}"
    stem.with_suffix(".jpg").write_bytes(picture)
    stem.with_suffix(".json").write_text(label.to_json(), encoding="utf-8")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m synthetic.render", description="Draw pictures of cams and other things, each with its Label."
    )
    parser.add_argument("--out", required=True, type=Path)
    parser.add_argument("--count", required=True, type=int)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--start", type=int, default=0, help="first index")
    parser.add_argument("--view", choices=("full", "close", "mix"), default="mix")
    parser.add_argument("--negatives", type=float, default=0.18, help="share of pictures without a cam")
    parser.add_argument("--held-out", action="store_true", help="negatives of the kinds kept for evaluation")
    parser.add_argument("--processes", type=int, default=1)
    chosen = parser.parse_args(arguments)
    chosen.out.mkdir(parents=True, exist_ok=True)
    jobs = [
        (chosen.seed, i, chosen.view, chosen.negatives, chosen.held_out, str(chosen.out))
        for i in range(chosen.start, chosen.start + chosen.count)
    ]
    began = time.perf_counter()
    if chosen.processes <= 1:
        for job in jobs:
            _work(job)
    else:
        with multiprocessing.get_context("spawn").Pool(chosen.processes, maxtasksperchild=2000) as pool:
            for _ in pool.imap_unordered(_work, jobs, chunksize=8):
                pass
    spent = time.perf_counter() - began
    print(f"{len(jobs)} pictures in {spent:.1f} s: {len(jobs) / max(spent, 1e-9):.2f} a second", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
