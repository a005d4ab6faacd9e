"""A folder of pictures with Labels -> arrays that a GPU can be fed from.

One uint8 per pixel holds the whole truth about it: the finder's class in the low three bits, the reader's maps in the
high five. Pictures are decoded and cut once, by all cores, into memory the processes share; what is random is done on
the GPU (`train.augment`).
"""

from __future__ import annotations

import hashlib
import math
import mmap
import multiprocessing
import os
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.label import Label, Shape
from vision.models import CLASSES, MAPS, WORDS
from vision.patch import PART_FILL, PATCH_PX, cut, patch_affine
from vision.vocabulary import mirror_hand

STORE_PX: Final = 352  # side of a stored reader square: the patch, turned by any angle, nearly fits
FINDER_PX: Final = (384, 512)  # rows, columns of a stored finder picture; upright pictures lie on their side
IGNORE: Final = 7  # class of the padding round a finder picture
CLASS_BITS: Final = 7
MAP_BIT: Final = {name: 8 << i for i, name in enumerate(MAPS)}
CAM: Final = CLASSES.index("cam")
LEAST_FRAME_PX: Final = 448  # a close-up smaller than this says nothing about whole photos
NEGATIVES_OF_CAMS: Final = 0.25  # share of cam pictures that also give a square without the cam in its middle
NEGATIVES_OF_OTHERS: Final = 0.5
BROKEN_SHARE: Final = 0.01
_work: tuple[list[tuple[Path, int]], str, NDArray[np.uint8]]  # what the forked processes share while a store is built
_CLASS_OF: Final = {"other": 2, "clutter": 2, "coin": 3, "ruler": 4, "card": 5, "occluder": 0}

CENTRES: Final = ("screw", "relief")  # kinds of opening whose centres are known
OPENINGS: Final = 5  # of one kind in one part, at most
# columns of a reader square's facts; missing facts are NaN
FACTS: Final = (
    "axis_x", "axis_y", "tail_x", "tail_y", "hub_radius", *WORDS,
    *(f"{kind}_{i}_{axis}" for kind in CENTRES for i in range(OPENINGS) for axis in "xy"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Store:
    """Squares or whole pictures: `pixels[rows]` is (N, h, w, 4) uint8 as R, G, B, truth; facts are (N, len(FACTS))."""

    pixels: NDArray[np.uint8]
    rows: NDArray[np.int64]
    facts: NDArray[np.float32]
    source: NDArray[np.int32]  # index of the folder
    picture: NDArray[np.int64]  # number of the picture in its folder
    name: NDArray[np.int64]  # checksum of the picture's name, to split by
    data: list[dict[str, Any]]  # of each folder: name, pictures, SHA-256 of their Labels


def labelled(folder: Path) -> list[Path]:
    """The Label files of a folder, in order of name."""
    return sorted(path for path in folder.glob("*.json") if path.with_suffix(".jpg").exists())


def read_example(path: Path) -> tuple[NDArray[np.uint8], Label]:
    """A picture (H, W, 3) uint8 RGB and its Label.

    Raises
    ------
    ValueError
        If the picture cannot be decoded, or its size is not the Label's.
    """
    label = Label.from_json(path.read_text())
    picture = cv2.imread(str(path.with_suffix(".jpg")), cv2.IMREAD_COLOR_RGB)
    if picture is None or picture.shape[:2] != (label.height, label.width):
        raise ValueError(f"{path.with_suffix('.jpg').name} is no picture of {label.width} x {label.height} pixels")
    return np.asarray(picture, dtype=np.uint8), label


def truth_map(shapes: Sequence[Shape], from_px: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.uint8]:
    """Draw the shapes in painter's order.

    Parameters
    ----------
    shapes : sequence of Shape
        Polygons in photo pixels; later ones lie over earlier ones.
    from_px : ndarray of shape (2, 3)
        Photo pixels to pixels of the map.
    size : (rows, columns)

    Returns
    -------
    ndarray of shape (rows, columns), uint8
        Class in the three low bits, one bit for each of `MAPS` above them. A face keeps its bit under its own holes,
        countersinks and screws; whatever lies over the part takes all of it away.
    """
    truth = np.zeros(size, np.uint8)
    for shape in shapes:
        points = np.asarray(shape.polygon_px, dtype=np.float64) @ from_px[:, :2].T + from_px[:, 2]
        if len(points) < 3:
            continue
        fixed = np.round(np.clip(points, -8000.0, 8000.0) * 16.0).astype(np.int32)
        left, top = np.maximum(fixed.min(axis=0) // 16 - 1, 0)
        right, bottom = np.minimum(fixed.max(axis=0) // 16 + 3, (size[1], size[0]))
        if left >= right or top >= bottom:
            continue
        inside = np.zeros((bottom - top, right - left), np.uint8)
        cv2.fillPoly(inside, [fixed - np.array([left, top], np.int32) * 16], 1, lineType=cv2.LINE_8, shift=4)
        view = truth[top:bottom, left:right]
        where = inside.astype(bool)
        on_cam = where & (view & CLASS_BITS == CAM)
        if shape.kind == "body":
            view[where & ~on_cam] = CAM
        elif shape.kind == "part":
            view[where] = CAM | MAP_BIT["face"]
        elif shape.kind in ("hole", "countersink", "relief"):
            view[on_cam] |= MAP_BIT[shape.kind]
        elif shape.kind == "screw_head":
            view[on_cam] &= 255 - MAP_BIT["hole"] - MAP_BIT["countersink"]
            view[on_cam] |= MAP_BIT["screw_head"]
        else:
            view[where] = _CLASS_OF[shape.kind]
    return truth


def part_circle(label: Label) -> tuple[tuple[float, float], float] | None:
    """Smallest circle round what the frame shows of the main part, or of the main thing of a picture without a cam."""
    kinds = ("body", "part") if label.family is not None else ("other",)
    pieces = [np.asarray(s.polygon_px, np.float32) for s in label.shapes if s.kind in kinds and len(s.polygon_px) >= 3]
    if label.axis_px is not None and len(pieces) > 1:  # another cam may lie about: keep what holds the axis
        axis = (float(label.axis_px[0]), float(label.axis_px[1]))
        near = [piece for piece in pieces if cv2.pointPolygonTest(piece, axis, False) >= 0]
        pieces = near or pieces
    if not pieces:
        return None
    points = pieces if label.family is not None else [max(pieces, key=cv2.contourArea)]
    shown = np.clip(np.concatenate(points), 0.0, (label.width - 1.0, label.height - 1.0)).astype(np.float32)
    (x, y), radius = cv2.minEnclosingCircle(shown)
    return ((float(x), float(y)), float(radius)) if radius > 4.0 else None


def reader_facts(label: Label, from_px: NDArray[np.float64]) -> NDArray[np.float32]:
    """The row of `FACTS` of a square that shows the label's part; words as index, the hand as seen.

    Centres of openings are there even where something lies over them: see `shown_centres`.
    """
    facts = np.full(len(FACTS), np.nan, np.float32)
    if label.family is None:
        facts[FACTS.index("cam")] = 0.0
        return facts
    facts[FACTS.index("cam")] = 1.0
    scale = float(np.hypot(from_px[0, 0], from_px[1, 0]))
    for name, point in (("axis", label.axis_px), ("tail", label.tail_px)):
        if point is not None:
            x, y = from_px[:, :2] @ np.asarray(point) + from_px[:, 2]
            facts[FACTS.index(f"{name}_x")], facts[FACTS.index(f"{name}_y")] = x, y
    if label.hub_diameter_mm is not None and label.mm_per_px:
        facts[FACTS.index("hub_radius")] = label.hub_diameter_mm / label.mm_per_px / 2.0 * scale
    hand = label.hand if label.facing != "plug" or label.hand is None else mirror_hand(label.hand)
    words = {"family": label.family, "bottom": label.bottom, "hand": hand, "facing": label.facing}
    for word, value in words.items():
        if value is not None:
            facts[FACTS.index(word)] = WORDS[word].index(value)
    for kind in CENTRES:
        known = [h.center_px for h in label.holes if h.kind == kind and h.center_px is not None]
        for i, point in enumerate(known[:OPENINGS]):
            first = FACTS.index(f"{kind}_{i}_x")
            facts[first : first + 2] = from_px[:, :2] @ np.asarray(point) + from_px[:, 2]
    return facts


def shown_centres(facts: NDArray[np.float32], truth: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The facts without the centres of openings that the square's truth map does not show."""
    facts = facts.copy()
    shows = {"screw": MAP_BIT["hole"] | MAP_BIT["screw_head"], "relief": MAP_BIT["relief"]}
    for kind in CENTRES:
        for i in range(OPENINGS):
            first = FACTS.index(f"{kind}_{i}_x")
            x, y = facts[first : first + 2]
            inside = 0.0 <= x < truth.shape[1] - 1 and 0.0 <= y < truth.shape[0] - 1  # NaN compares false
            if not inside or not truth[round(float(y)), round(float(x))] & shows[kind]:
                facts[first : first + 2] = np.nan
    return facts


def reader_squares(
    picture: NDArray[np.uint8], label: Label, seed: int
) -> list[tuple[NDArray[np.uint8], NDArray[np.float32]]]:
    """One square round the main thing, and sometimes one round something that is no cam."""
    rng = np.random.default_rng(seed)
    squares = []
    circle = part_circle(label)
    if circle is not None:
        squares.append(_square(picture, label, *circle))
    share = NEGATIVES_OF_OTHERS if label.family is None or circle is None else NEGATIVES_OF_CAMS
    if rng.random() < share:
        away = _away_from_cams(label, rng)
        if away is not None:
            pixels, facts = _square(picture, label, *away)
            facts[: FACTS.index(f"{CENTRES[0]}_0_x")] = np.nan  # a cam may still lie at its border, openings and all
            facts[FACTS.index("cam")] = 0.0
            squares.append((pixels, facts))
    return squares


def _square(
    picture: NDArray[np.uint8], label: Label, centre_px: tuple[float, float], radius_px: float
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    fill = PART_FILL * PATCH_PX / STORE_PX
    to_px = patch_affine(centre_px, radius_px, 0.0, side=STORE_PX, fill=fill)
    linear = np.linalg.inv(to_px[:, :2])
    from_px = np.column_stack([linear, -linear @ to_px[:, 2]])
    truth = truth_map(label.shapes, from_px, (STORE_PX, STORE_PX))
    return np.dstack([cut(picture, to_px, STORE_PX), truth]), shown_centres(reader_facts(label, from_px), truth)


def _away_from_cams(label: Label, rng: np.random.Generator) -> tuple[tuple[float, float], float] | None:
    """A circle round a coin, a piece of clutter or plain bench, whose middle is on no cam."""
    things = [
        s for s in label.shapes if s.kind in ("coin", "clutter", "other", "ruler", "card") and len(s.polygon_px) > 2
    ]
    cams = [np.asarray(s.polygon_px, np.float32) for s in label.shapes if s.kind in ("body", "part")]
    for _ in range(6):
        if things and rng.random() < 0.7:
            chosen = things[int(rng.integers(len(things)))]
            (x, y), radius = cv2.minEnclosingCircle(np.asarray(chosen.polygon_px, np.float32))
            radius *= float(rng.uniform(0.8, 1.5))
        else:
            x, y = rng.uniform(0.0, label.width), rng.uniform(0.0, label.height)
            radius = max(label.width, label.height) * float(rng.uniform(0.04, 0.25))
        inside = 0.0 <= x < label.width and 0.0 <= y < label.height and radius > 6.0
        clear = all(cv2.pointPolygonTest(cam, (float(x), float(y)), True) < -0.5 * min(radius, 80.0) for cam in cams)
        if inside and clear:
            return (float(x), float(y)), float(radius)
    return None


def finder_picture(picture: NDArray[np.uint8], label: Label) -> NDArray[np.uint8]:
    """The whole picture, lying on its side, on the finder's canvas, with its truth."""
    height, width = picture.shape[:2]
    rows, columns = FINDER_PX
    scale = min(rows / min(height, width), columns / max(height, width))
    inner = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(picture, inner, interpolation=cv2.INTER_AREA if scale < 1.0 else cv2.INTER_LINEAR)
    ratio = np.array([inner[0] / width, inner[1] / height])
    from_px = np.column_stack([np.diag(ratio), (ratio - 1.0) / 2.0])
    both = np.dstack([np.asarray(small, np.uint8), truth_map(label.shapes, from_px, (inner[1], inner[0]))])
    if both.shape[0] > both.shape[1]:
        both = np.rot90(both)
    top, left = (rows - both.shape[0]) // 2, (columns - both.shape[1]) // 2
    bottom, right = rows - both.shape[0] - top, columns - both.shape[1] - left
    canvas = np.pad(both, ((top, bottom), (left, right), (0, 0)), mode="edge")
    outside = np.ones(FINDER_PX, bool)
    outside[top : rows - bottom, left : columns - right] = False
    canvas[outside, 3] = IGNORE
    return canvas


def build_store(
    folders: Sequence[Path],
    which: str,
    *,
    limit: int | None = None,
    workers: int | None = None,
    rank: int = 0,
    world: int = 1,
) -> Store:
    """Decode and cut every picture of the folders.

    Parameters
    ----------
    folders : sequence of Path
        Pictures with Labels; a few unreadable ones, such as a killed renderer leaves, are passed over.
    which : "finder" or "reader"
    limit : int, optional
        Only so many pictures, the first ones of each folder, in the proportion of the folders' sizes.
    workers : int, optional
        Processes; all cores by default. They are forked and write into one shared mapping.
    rank, world : int
        This process of how many: each takes its own share of the pictures.

    Returns
    -------
    Store

    Raises
    ------
    ValueError
        If the folders hold no pictures with Labels that serve, or more than 1 % of them cannot be read.
    """
    listed = [labelled(folder) for folder in folders]
    listed = [paths[:n] for paths, n in zip(listed, shared_out(limit, [len(paths) for paths in listed]), strict=True)]
    jobs = [(path, source) for source, paths in enumerate(listed) for path in paths][rank::world]
    slots = 2 if which == "reader" else 1
    shape = (STORE_PX, STORE_PX, 4) if which == "reader" else (*FINDER_PX, 4)
    if not jobs:
        raise ValueError(f"no pictures with Labels in {', '.join(map(str, folders))}")
    shared = mmap.mmap(-1, len(jobs) * slots * math.prod(shape))  # pages that are never written cost nothing
    pixels = np.frombuffer(shared, np.uint8).reshape(len(jobs), slots, *shape)
    global _work
    _work = (jobs, which, pixels)
    workers = min(workers or len(os.sched_getaffinity(0)), len(jobs))
    if workers > 1:
        # OpenCV's own threads do not live on in a forked process, and asking for one there waits for them for ever
        threads = cv2.getNumThreads()
        cv2.setNumThreads(1)
        try:
            with multiprocessing.get_context("fork").Pool(workers) as pool:
                done = pool.map(_fill, range(len(jobs)), chunksize=16)
        finally:
            cv2.setNumThreads(threads)
    else:
        done = [_fill(i) for i in range(len(jobs))]
    del _work
    broken = [jobs[i][0].name for i, rows in enumerate(done) if rows is None]
    if len(broken) > BROKEN_SHARE * len(jobs):
        raise ValueError(f"{len(broken)} of {len(jobs)} pictures cannot be read, {broken[0]} among them")
    keep = [(i, slot, facts) for i, rows in enumerate(done) for slot, facts in rows or ()]
    if not keep:
        raise ValueError(f"no picture in {', '.join(map(str, folders))} serves the {which}")
    place = {path: number for paths in listed for number, path in enumerate(paths)}
    return Store(
        pixels=pixels.reshape(-1, *shape),
        rows=np.array([i * slots + slot for i, slot, _ in keep], np.int64),
        facts=np.stack([facts for _, _, facts in keep]),
        source=np.array([jobs[i][1] for i, _, _ in keep], np.int32),
        picture=np.array([place[jobs[i][0]] for i, _, _ in keep], np.int64),
        name=np.array([zlib.crc32(jobs[i][0].name.encode()) for i, _, _ in keep], np.int64),
        data=[describe(folder, paths) for folder, paths in zip(folders, listed, strict=True)],
    )


def first_of(store: Store, folders: Sequence[Path], numbers: Sequence[int]) -> Store:
    """The store of the first pictures of each folder, so many of each; the pixels are shared, not copied.

    `folders` are those that the whole store was built from.

    Raises
    ------
    ValueError
        If no picture is left.
    """
    kept = store.picture < np.asarray(numbers, np.int64)[store.source]
    if not kept.any():
        raise ValueError(f"none of {', '.join(map(str, folders))} is left by {list(numbers)}")
    named = [(folder, labelled(folder)[:number]) for folder, number in zip(folders, numbers, strict=True) if number]
    renumbered = np.cumsum([number > 0 for number in numbers]) - 1
    return Store(
        pixels=store.pixels,
        rows=store.rows[kept],
        facts=store.facts[kept],
        source=renumbered[store.source[kept]].astype(np.int32),
        picture=store.picture[kept],
        name=store.name[kept],
        data=[describe(folder, paths) for folder, paths in named],
    )


def shared_out(limit: int | None, sizes: Sequence[int]) -> list[int]:
    """How many pictures of each folder make `limit` in all, in the proportion of the folders' sizes."""
    every = sum(sizes)
    if limit is None or limit >= every:
        return list(sizes)
    return [max(1, round(limit * size / every)) for size in sizes]


def _fill(number: int) -> list[tuple[int, NDArray[np.float32]]] | None:
    """Cut one picture into its slots of the shared mapping; the slots used, with their facts; None if unreadable."""
    jobs, which, pixels = _work
    path = jobs[number][0]
    try:
        picture, label = read_example(path)
    except ValueError:
        return None
    if which == "finder":
        if max(picture.shape[:2]) < LEAST_FRAME_PX:
            return []
        pixels[number, 0] = finder_picture(picture, label)
        return [(0, np.full(len(FACTS), np.nan, np.float32))]
    squares = reader_squares(picture, label, zlib.crc32(path.name.encode()))
    for slot, (square, _) in enumerate(squares):
        pixels[number, slot] = square
    return [(slot, facts) for slot, (_, facts) in enumerate(squares)]


def describe(folder: Path, paths: Sequence[Path]) -> dict[str, Any]:
    """What a card says of the pictures of a folder: its name, their number, and their version.

    The version is the SHA-256 over the names and contents of the Labels, which fix the pictures.
    """
    digest = hashlib.sha256()
    for path in paths:
        digest.update(path.name.encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return {"folder": folder.name, "pictures": len(paths), "sha256": digest.hexdigest()}
