"""Where a reading's time goes, against the time OpenCV takes to decode the same bytes, and how soon a fresh process answers.

    python -m tests.bench.speed PHOTO... [--coin NAME] [--large] [--rounds N] [--no-fresh]

Times are processor seconds of one core, the least of some rounds, and so count work and not what else the machine does;
the ratios hold on other machines too, roughly. `--large` reads the photo as a phone would have taken it: enlarged to 12
megapixels, with noise, as a JPEG.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import shop.cli  # noqa: F401  before NumPy: it keeps matrices to one thread, whose others would wait busily here

# isort: split
import cv2
import numpy as np

from vision import classify, colour_cut, models, pipeline
from vision.photo import open_photo
from vision.pipeline import ReadOptions

# One row a step of the chain, by the name that vision.pipeline calls it by.
STEPS = {
    "find_regions": "the finder's look at the whole photo",
    "find_part": "the part: candidates, close looks, words",
    "find_reference": "the scale reference",
    "see_face": "outline and holes, sub-pixel",
    "_first_edge": "the face's own edge, and how the part leans",
    "bench_plane": "the bench plane",
    "_on_own_edge": "the face's own edge, with the bench",
    "_holes_on_plane": "holes drawn as the camera sees them",
    "_compose": "axis, sizes, covariance, words",
}
# What is spent in them again, by kind of work.
KINDS: dict[str, tuple[Any, str]] = {
    "all networks": (models.Model, "run"),
    "the reader's close looks": (classify, "run_reader"),
    "colour cuts": (colour_cut, "_cut_out"),
}
LARGE_PX = 4032  # long side of a 12 megapixel photo, 4:3
LARGE_QUALITY = 92
GRAIN = 4.0  # grey levels of noise, standard deviation before its blur


def large(data: bytes) -> bytes:
    """The photo enlarged to 12 megapixels, with a sensor's grain, as a JPEG."""
    rgb = open_photo(data).pixels
    scale = LARGE_PX / max(rgb.shape[:2])
    size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
    noise = np.random.default_rng(0).normal(0.0, GRAIN, (size[1], size[0], 1)).astype(np.float32)
    grown = cv2.resize(rgb, size, interpolation=cv2.INTER_CUBIC) + cv2.GaussianBlur(noise, (0, 0), 0.7)[:, :, None]
    bgr = np.clip(grown, 0, 255).astype(np.uint8)[:, :, ::-1]
    return cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, LARGE_QUALITY])[1].tobytes()


def least(work: Callable[[], object], rounds: int) -> float:
    """Processor seconds of the quickest of some rounds."""
    times = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


@contextlib.contextmanager
def watched(spent: dict[str, float]) -> Iterator[None]:
    """Add up the processor seconds of its own thread that every step and kind of work takes."""
    places = [(pipeline, name, text) for name, text in STEPS.items()]
    places += [(where, name, text) for text, (where, name) in KINDS.items()]
    before = [getattr(where, name) for where, name, _ in places]

    def timed(call: Callable[..., Any], text: str) -> Callable[..., Any]:
        def run(*args: Any, **more: Any) -> Any:
            start = time.thread_time()
            try:
                return call(*args, **more)
            finally:
                spent[text] += time.thread_time() - start

        return run

    try:
        for (where, name, text), call in zip(places, before, strict=True):
            setattr(where, name, timed(call, text))
        yield
    finally:
        for (where, name, _), call in zip(places, before, strict=True):
            setattr(where, name, call)


def table(data: bytes, options: ReadOptions, rounds: int) -> None:
    """Print the stages of a warm reading."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    photo = open_photo(data)
    outcome = pipeline.read_photo(photo, options).outcome
    decode = least(lambda: cv2.imdecode(buffer, cv2.IMREAD_COLOR), rounds)
    opened = least(lambda: open_photo(data), rounds)
    best: dict[str, float] = {}
    whole = np.inf
    for _ in range(rounds):
        spent: dict[str, float] = defaultdict(float)
        start = time.process_time()
        with watched(spent):
            pipeline.read_photo(photo, options)
        took = time.process_time() - start
        if took < whole:
            whole, best = took, spent
    height, width = photo.pixels.shape[:2]
    print(f"{width} x {height}, {len(data) / 1e6:.1f} MB, outcome: {outcome}")
    print(f"{'':44}{'ms':>8}{'/ decode':>10}")

    def row(text: str, seconds: float) -> None:
        print(f"{text:44}{1e3 * seconds:8.1f}{seconds / decode:10.2f}")

    row("cv2.imdecode", decode)
    row("opening: decode, turn upright, hash", opened)
    for text in STEPS.values():
        row(text, best.get(text, 0.0))
    row("a warm reading, file to result", opened + whole)
    print("  of which")
    for text in KINDS:
        row(f"  {text}", best.get(text, 0.0))


def fresh(path: Path, options: ReadOptions, rounds: int) -> None:
    """Print how long a new process takes to answer; wall time hangs on what else the machine does.

    Its modules are compiled already, as those of an installed package are after their first use.
    """
    command = [sys.executable, "-m", "shop.cli", "read", str(path)]
    command += ["--coin", options.coin] if options.coin else []
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(path.parent / "compiled")
    walls, works = [], []
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
    for _ in range(rounds):
        before, start = os.times(), time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
        after = os.times()
        walls.append(time.perf_counter() - start)
        works.append(after.children_user + after.children_system - before.children_user - before.children_system)
    print(
        f"{'a fresh process, least of ' + str(rounds):44}{1e3 * min(walls):8.0f} ms, {1e3 * min(works):.0f} ms of work"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", nargs="+", type=Path, metavar="PHOTO")
    parser.add_argument("--coin", help="the coin in the photo")
    parser.add_argument("--large", action="store_true", help="enlarge to 12 megapixels first")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--no-fresh", action="store_true", help="warm readings only")
    given = parser.parse_args()
    options = ReadOptions(coin=given.coin)
    everywhere = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()
    cv2.setNumThreads(1)
    for path in given.photos:
        data = large(path.read_bytes()) if given.large else path.read_bytes()
        print(path.name)
        if everywhere:
            os.sched_setaffinity(0, {min(everywhere)})
        table(data, options, given.rounds)
        if everywhere:
            os.sched_setaffinity(0, everywhere)
        if not given.no_fresh:
            with tempfile.TemporaryDirectory() as folder:
                copy = Path(folder) / path.name
                copy.write_bytes(data)
                fresh(copy, options, given.rounds)
        print()


if __name__ == "__main__":
    main()
