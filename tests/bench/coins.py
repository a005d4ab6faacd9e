"""Find the coin in a folder of labelled pictures and print how right and how honest its rim is.

    python -m tests.bench.coins FOLDER [--limit N] [--worst N]

The folder holds NNNNNN.jpg beside NNNNNN.json (a vision.label.Label). The truth is the coin's outline in the label, which
is the rim's outer edge. A coin is "wrong" when it lies elsewhere or its long axis is off by more than 5 %.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from vision.find import find_part
from vision.label import Label
from vision.photo import Photo, open_photo
from vision.plane import Plane, fit_plane
from vision.quantity import NotMeasured
from vision.scale import CircleReference
from vision.scale.coin import find_coin
from vision.segment import Regions, find_regions

WRONG = 0.05  # of the long axis: a size no calliper would forgive


@dataclass(frozen=True)
class CoinRow:
    """One picture; errors are relative: of the long axis, of short over long, of the millimetres a pixel covers."""

    name: str
    coin: str
    codes: tuple[str, ...]
    seconds: float
    radius_px: float = np.nan
    tilt_deg: float = np.nan
    long: float | None = None
    ratio: float = np.nan
    centre: float = np.nan  # of the radius
    u_long: float = np.nan
    scale: float = np.nan
    u_scale: float = np.nan
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def wrong(self) -> bool:
        return self.long is not None and (abs(self.long) > WRONG or self.centre > 0.25)


def axes(points: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Centre, long and short semi-axis of the ellipse through points (N, 2), by OpenCV's direct fit."""
    (x, y), size, _ = cv2.fitEllipseDirect(np.asarray(points, np.float32).reshape(-1, 1, 2))
    return np.array([x, y]), max(size) / 2.0, min(size) / 2.0


def coin_row(photo: Photo, regions: Regions, part_mask: np.ndarray | None, label: Label) -> CoinRow:
    """What the coin search makes of one picture, held against its label."""
    assert label.scale_reference is not None
    start = time.process_time()
    scale = find_coin(photo, label.scale_reference, regions=regions, part_mask=part_mask)
    seconds = time.process_time() - start
    if isinstance(scale, NotMeasured):
        return CoinRow(label.picture, label.scale_reference, (scale.code,), seconds)
    reference = scale.references[0]
    assert isinstance(reference, CircleReference)
    centre, long, short = axes(reference.edge_px)
    coins = [axes(np.asarray(s.polygon_px)) for s in label.shapes if s.kind == "coin"]
    true_centre, true_long, true_short = min(coins, key=lambda c: float(np.hypot(*(c[0] - centre))))
    size = (photo.pixels.shape[1], photo.pixels.shape[0])
    plane = fit_plane(
        scale.references, image_size=size, focal_35mm=photo.focal_35mm, u_size_relative=scale.u_size_relative
    )
    found, u_found = np.nan, np.nan
    if isinstance(plane, Plane) and label.mm_per_px and label.axis_px is not None and label.thickness_mm is not None:
        at = np.asarray(label.axis_px)
        found = plane.mm_per_px_at(at, label.thickness_mm) / label.mm_per_px - 1.0
        root = np.linalg.cholesky(plane.covariance + 1e-18 * np.eye(4))
        sides = [
            [np.log(plane.moved(plane.parameters + s * step).mm_per_px_at(at, label.thickness_mm)) for s in (0.2, -0.2)]
            for step in root.T
        ]
        u_found = float(np.sqrt(sum(((a - b) / 0.4) ** 2 for a, b in sides)))
    return CoinRow(
        label.picture,
        label.scale_reference,
        tuple(w.code for w in scale.warnings),
        seconds,
        true_long,
        label.tilt_deg if label.tilt_deg is not None else np.nan,
        long / true_long - 1.0,
        (short / long) / (true_short / true_long) - 1.0,
        float(np.hypot(*(centre - true_centre))) / true_long,
        reference.diameter_mm.u / reference.diameter_mm.value,
        found,
        u_found,
    )


def read_folder(folder: Path, limit: int | None = None) -> list[CoinRow]:
    """All pictures of a folder that have a named coin."""
    rows = []
    for path in sorted(folder.glob("*.json")):
        label = Label.from_json(path.read_text())
        if label.scale_kind != "coin" or not any(s.kind == "coin" for s in label.shapes):
            continue
        photo = open_photo(path.with_name(label.picture))
        regions = find_regions(photo)
        found = find_part(photo.pixels, regions)
        mask = None if found.region is None or found.outcome == "not-a-cam" else found.region.mask
        rows.append(coin_row(photo, regions, mask, label))
        if len(rows) == limit:
            break
    return rows


def _line(name: str, error: np.ndarray, u: np.ndarray | None = None) -> str:
    size = np.abs(error)
    text = f"{name:22s} bias {100 * np.median(error):6.2f} %  median {100 * np.median(size):5.2f} %"
    text += f"  p90 {100 * np.quantile(size, 0.9):5.2f} %  p95 {100 * np.quantile(size, 0.95):5.2f} %"
    if u is not None:
        z = size / u
        text += f"  u {100 * np.median(u):5.2f} %  error/u median {np.median(z):4.2f} p95 {np.quantile(z, 0.95):5.2f}"
        text += f"  in u95 {100 * np.mean(z < 2.0):5.1f} %"
    return text


def table(rows: list[CoinRow], worst: int = 0) -> str:
    """The figures as text."""
    ok = [r for r in rows if r.long is not None]
    lines = [
        f"pictures with a coin {len(rows)}, found {len(ok)} ({100 * len(ok) / len(rows):.1f} %), "
        f"wrong {sum(r.wrong for r in ok)} ({100 * sum(r.wrong for r in ok) / len(rows):.1f} %), "
        f"wrong without a word {sum(r.wrong and not r.codes for r in ok)}",
        f"said {dict(Counter(c for r in rows for c in r.codes).most_common())}",
        f"CPU seconds median {np.median([r.seconds for r in rows]):.3f} p95 "
        f"{np.quantile([r.seconds for r in rows], 0.95):.3f}",
    ]
    if ok:
        right = [r for r in ok if r.centre < 0.25]
        for name, some in (("all", right), ("no warning", [r for r in right if not r.codes])):
            if not some:
                continue
            lines.append(f"{name}: {len(some)}")
            lines.append(_line("  long axis", np.array([r.long for r in some]), np.array([r.u_long for r in some])))
            lines.append(_line("  short over long", np.array([r.ratio for r in some])))
            lines.append(_line("  centre / radius", np.array([r.centre for r in some])))
            seen = [r for r in some if np.isfinite(r.scale)]
            if seen:
                lines.append(
                    _line("  mm/px at the part", np.array([r.scale for r in seen]), np.array([r.u_scale for r in seen]))
                )
    for r in sorted(ok, key=lambda r: -max(abs(r.long or 0.0), r.centre))[:worst]:
        lines.append(
            f"  {r.name} {r.coin:9s} radius {r.radius_px:5.1f} px long {100 * (r.long or 0.0):6.2f} % ratio "
            f"{100 * r.ratio:6.2f} % centre {100 * r.centre:5.1f} % scale {100 * r.scale:6.2f} % u {100 * r.u_long:4.2f} "
            f"/ {100 * r.u_scale:4.2f} % {' '.join(r.codes)}"
        )
    if worst:
        lines += [f"  {r.name} {r.coin:9s} {' '.join(r.codes)}" for r in rows if r.long is None]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--limit", type=int)
    parser.add_argument("--worst", type=int, default=0, help="list so many of the worst, and all that were not found")
    given = parser.parse_args()
    rows = read_folder(given.folder, given.limit)
    print(table(rows, given.worst) if rows else "no picture with a named coin in that folder")


if __name__ == "__main__":
    main()
