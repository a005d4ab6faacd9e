"""A sheet of random pictures of a folder with their Labels drawn over: `python -m synthetic.contact_sheet DIR OUT.jpg`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np

from vision.label import Label

COLOURS = {
    "part": (60, 255, 60), "body": (40, 120, 40), "hole": (255, 60, 60), "countersink": (255, 170, 60), "relief": (255, 60, 255), "screw_head": (90, 160, 255),
    "other": (255, 255, 60), "clutter": (150, 150, 150), "coin": (60, 200, 255), "ruler": (60, 120, 255), "card": (120, 60, 255), "occluder": (255, 120, 160),
}  # fmt: skip
LINE_PX = 12


def draw_label(picture: np.ndarray, label: Label, side: int, *, bare: bool = False) -> np.ndarray:
    """The picture fitted into a square tile (side, side, 3) with outlines, axis, tail and words."""
    k = side / max(label.width, label.height)
    small = cv2.resize(
        picture,
        (max(1, round(label.width * k)), max(1, round(label.height * k))),
        interpolation=cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC,
    )
    tile = np.full((side, side, 3), 30, np.uint8)
    tile[: small.shape[0], : small.shape[1]] = small
    if bare:
        return tile

    def to_tile(points: object) -> np.ndarray:
        return np.round((((np.asarray(points, float) + 0.5) * k) - 0.5) * 16).astype(np.int32)

    for shape in label.shapes:
        cv2.polylines(tile, [to_tile(shape.polygon_px)], True, COLOURS[shape.kind], 1, cv2.LINE_AA, 4)
    if label.axis_px is not None and label.tail_px is not None:
        a, b = to_tile([label.axis_px, label.tail_px])
        cv2.arrowedLine(
            tile,
            tuple(int(v) // 16 for v in a),
            tuple(int(v) // 16 for v in b),
            (255, 255, 255),
            1,
            cv2.LINE_AA,
            0,
            0.12,
        )
    words = (
        f"{label.family} {label.bottom} {label.hand} {label.facing}"
        if label.family
        else f"no cam: {label.tags.get('not_cam')}"
    )
    words = words.replace(" none", "")
    more = f"{label.tags.get('metal', '')} {label.tags.get('bench', '')} {label.scale_reference or ''}"
    tile[: 2 * LINE_PX + 2] //= 3
    for line, text in enumerate((words, more)):
        at = (3, LINE_PX * (line + 1) - 2)
        cv2.putText(tile, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.36, (255, 255, 255), 1, cv2.LINE_AA)
    return tile


def sheet(folder: Path, count: int, side: int, seed: int, *, bare: bool = False) -> np.ndarray:
    """An RGB sheet of up to `count` random pictures."""
    files = sorted(folder.glob("*.json"))
    rng = np.random.default_rng(seed)
    chosen = [files[i] for i in sorted(rng.choice(len(files), min(count, len(files)), replace=False))]
    columns = max(1, round(np.sqrt(len(chosen))))
    rows = -(-len(chosen) // columns)
    out = np.full((rows * side, columns * side, 3), 30, np.uint8)
    for i, file in enumerate(chosen):
        label = Label.from_json(file.read_text(encoding="utf-8"))
        picture = cv2.imread(str(folder / label.picture), cv2.IMREAD_COLOR_RGB)
        if picture is None:
            raise FileNotFoundError(f"{file.name} names {label.picture}, which is not beside it")
        r, c = divmod(i, columns)
        out[r * side : (r + 1) * side, c * side : (c + 1) * side] = draw_label(picture, label, side, bare=bare)
    return out


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m synthetic.contact_sheet", description="Draw random pictures of a folder with their Labels."
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--side", type=int, default=240, help="pixels of one picture on the sheet")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--bare", action="store_true", help="without the Labels")
    parser.add_argument("--quality", type=int, default=85)
    chosen = parser.parse_args(arguments)
    image = sheet(chosen.folder, chosen.count, chosen.side, chosen.seed, bare=chosen.bare)
    cv2.imwrite(str(chosen.out), cv2.cvtColor(image, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, chosen.quality])
    return 0


if __name__ == "__main__":
    sys.exit(main())
