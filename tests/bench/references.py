"""Find the scale reference of every picture and print how often, how well and how honestly it was found.

    python -m tests.bench.references [FOLDER ...] [--drawn N] [--nothing N] [--auto] [--first SEED] [--csv OUT.csv]

A folder holds NNNNNN.jpg beside NNNNNN.json (a vision.label.Label). `--drawn` adds N rulers and N cards drawn flat in mm and
seen by a known pinhole camera, `--nothing` N pictures of things whose edges repeat (combs, text, threads). What is asked
of the finder is what a user would say, the kind and the coin's name; with `--auto` nothing but the coin's name. Pictures
without a reference are asked for everything but a coin: whatever is found there is wrong.

Columns: `ok` found, `wrong` found but over 5 % and over three standard uncertainties off, or where nothing is, both of
all pictures; `fair`
found of the pictures that show enough of it (FAIR); the error is that of one length at the part's place (40 mm beside a
drawn ruler, in a drawn card's middle) on the part's face; `z rms` the rms of error over stated standard uncertainty, 1
where that is true; `in u95` the share within two of them. Seconds are of one core.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import astuple, dataclass, fields
from pathlib import Path

import cv2
import numpy as np

from tests.vision.card_pictures import card_picture
from tests.vision.ruler_pictures import NOT_RULERS, not_a_ruler, ruler_picture
from vision.label import Label
from vision.photo import Photo, open_photo
from vision.plane import Plane, fit_plane
from vision.scale import Scale
from vision.scale.auto import ScaleRequest, find_scale
from vision.segment import find_regions

BANDS = ((0.0, 5.0), (5.0, 15.0), (15.0, 31.0))
WRONG = 0.05  # relative: no tilt, height or lens explains more
RULER_KINDS = (
    ("mm",), ("inch16", "mm"), ("half-mm", "inch32"), ("inch8",), ("mm", "mm"), ("inch16",), ("inch32", "half-mm"),
    ("mm", "inch16"), ("half-mm",), ("inch8", "inch16"),
)  # fmt: skip
FAIR = "not marked hard (blur, noise, glare); 35 mm of ruler with marks 2.6 px apart; a card's squares 12 px wide"
FAIR_MM, FAIR_MARK_PX, FAIR_CARD_PX = 35.0, 2.6, 12.0


@dataclass
class Row:
    """One picture."""

    name: str
    kind: str
    tilt_deg: float
    fair: bool
    found: str = ""  # kind of reference found, or the code that says why not
    error: float | None = None  # relative
    u: float | None = None
    seconds: float = 0.0
    warnings: str = ""

    @property
    def ok(self) -> bool:
        beyond = max(WRONG, 3.0 * (self.u or 0.0))
        return self.kind != "none" and self.error is not None and abs(self.error) <= beyond

    @property
    def wrong(self) -> bool:
        return self.error is not None and not self.ok


@dataclass(frozen=True)
class Case:
    """A picture and what is true of it: the size of a pixel at one place and height over the plane of the reference."""

    name: str
    photo: Photo
    kind: str
    coin: str | None
    tilt_deg: float
    fair: bool
    at_px: tuple[float, float] = (0.0, 0.0)
    height_mm: float = 0.0
    mm_per_px: float | None = None


def labelled(folder: Path) -> Iterator[Case]:
    """Pictures with labels."""
    for path in sorted(folder.glob("*.json")):
        label = Label.from_json(path.read_text())
        kind = label.scale_kind or "none"
        if kind == "card" and label.tags.get("renderer") == "fast":
            kind = "none"  # squares of the same kind in another order: never to be taken for the card
        photo = open_photo(path.with_name(label.picture))
        coin = label.scale_reference if kind == "coin" else None
        known = label.axis_px is not None and label.mm_per_px is not None
        yield Case(
            f"{folder.name}/{label.picture}", photo, kind, coin, label.tilt_deg or 0.0, _fair(label, photo),
            label.axis_px or (0.0, 0.0), label.thickness_mm or 0.0, label.mm_per_px if known else None,
        )  # fmt: skip


def _fair(label: Label, photo: Photo) -> bool:
    if label.tags.get("difficulty") == "hard":
        return False
    if label.mm_per_px is None or label.scale_kind not in ("ruler", "card"):
        return True
    if label.scale_kind == "card":
        return 14.0 / label.mm_per_px >= FAIR_CARD_PX
    shapes = [np.array(s.polygon_px, np.float32) for s in label.shapes if s.kind == "ruler"]
    if not shapes:
        return False
    height, width = photo.pixels.shape[:2]
    frame = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
    _, seen = cv2.intersectConvexConvex(cv2.convexHull(shapes[0]), frame)
    if seen is None:
        return False
    division_mm = 1.0 if "mm" in (label.scale_reference or "mm") else 25.4 / 16
    _, sides, _ = cv2.minAreaRect(seen)
    return max(sides) * label.mm_per_px >= FAIR_MM and division_mm / label.mm_per_px >= FAIR_MARK_PX


def drawn(count: int, first: int) -> Iterator[Case]:
    """Rulers and cards by plain pinhole geometry; the truth is the homography's own."""
    for seed in range(first, first + count):
        rng = np.random.default_rng(seed)
        kinds = RULER_KINDS[seed % len(RULER_KINDS)]
        picture = ruler_picture(rng, kinds)
        height, width = picture.pixels.shape[:2]
        fair = False
        for edge in picture.edges:
            points = picture.points_px(
                np.array([(edge.start_mm + i * edge.division_mm, edge.y_mm) for i in range(edge.count + 1)])
            )
            inside = ((points > 0) & (points < (width - 1, height - 1))).all(axis=1)
            step = np.linalg.norm(np.diff(points, axis=0), axis=1)[inside[1:] & inside[:-1]]
            fair |= inside.sum() * edge.division_mm >= FAIR_MM and bool(np.median(step) >= FAIR_MARK_PX)
        at, mm_per_px = _local(picture.bench_to_px, picture.tags["beside_mm"])  # type: ignore[arg-type]
        photo = Photo(picture.pixels, f"ruler-{seed}", "0" * 64, 26.0)
        yield Case(f"{seed} {'+'.join(kinds)}", photo, "ruler", None, float(str(picture.tags["tilt"])), bool(fair), at, 0.0, mm_per_px)  # fmt: skip
        rng = np.random.default_rng(seed)
        tilt = float(rng.uniform(0, 30))
        pixels, to_px = card_picture(rng, hidden=int(rng.integers(0, 9)), tilt_deg=tilt)
        at, mm_per_px = _local(to_px, (0.0, 0.0))
        yield Case(f"{seed} card", Photo(pixels, f"card-{seed}", "0" * 64, 26.0), "card", None, tilt, True, at, 0.0, mm_per_px)  # fmt: skip


def _local(to_px: np.ndarray, at_mm: tuple[float, float]) -> tuple[tuple[float, float], float]:
    """Where a place lies in the picture, and millimetres per pixel there (geometric mean)."""
    h = 0.01
    around = np.array([at_mm, (at_mm[0] + h, at_mm[1]), (at_mm[0], at_mm[1] + h)], float).reshape(-1, 1, 2)
    p = cv2.perspectiveTransform(around, to_px).reshape(-1, 2)
    a, b = (p[1] - p[0]) / h, (p[2] - p[0]) / h
    return (float(p[0, 0]), float(p[0, 1])), float(1.0 / np.sqrt(abs(a[0] * b[1] - a[1] * b[0])))


def nothing(count: int, first: int) -> Iterator[Case]:
    """Things with edges that repeat."""
    for seed in range(first, first + count):
        kind = NOT_RULERS[seed % len(NOT_RULERS)]
        pixels = not_a_ruler(np.random.default_rng(10_000 + seed), kind)
        yield Case(f"{seed} {kind}", Photo(pixels, kind, "0" * 64, 26.0), "none", None, 0.0, True)


def measure(case: Case, *, auto: bool) -> Row:
    """Ask for the reference and hold what comes back against the truth."""
    kind = "auto" if auto or case.kind == "none" else case.kind
    regions = find_regions(case.photo)
    part = regions.main_part()
    mask = None if part is None else part.mask
    start = time.thread_time()
    scale, warnings = find_scale(case.photo, ScaleRequest(kind=kind, coin=case.coin), regions=regions, part_mask=mask)
    row = Row(case.name, case.kind, case.tilt_deg, case.fair, seconds=time.thread_time() - start)
    row.warnings = " ".join(w.code for w in warnings)
    if scale is None:
        row.found = warnings[0].code if warnings else ""
        return row
    row.found = scale.kind
    if case.mm_per_px is None:
        row.error = 1.0 if case.kind == "none" else None
        return row
    plane = _plane(case.photo, scale)
    if plane is None:
        row.found = "plane-not-fitted"
        return row
    value, row.u = _size_at(plane, np.array(case.at_px), case.height_mm)
    row.error = value / case.mm_per_px - 1.0
    return row


def _plane(photo: Photo, scale: Scale) -> Plane | None:
    size = (photo.pixels.shape[1], photo.pixels.shape[0])
    plane = fit_plane(
        scale.references, image_size=size, focal_35mm=photo.focal_35mm, u_size_relative=scale.u_size_relative
    )
    return plane if isinstance(plane, Plane) else None


def _size_at(plane: Plane, at_px: np.ndarray, height_mm: float) -> tuple[float, float]:
    """Millimetres per pixel and their relative standard uncertainty, by the plane's covariance."""
    value = plane.mm_per_px_at(at_px, height_mm)
    gradient = np.zeros_like(plane.parameters)
    for i, u in enumerate(np.sqrt(np.diag(plane.covariance))):
        step = np.zeros_like(plane.parameters)
        step[i] = u
        up, down = (plane.moved(plane.parameters + s * step).mm_per_px_at(at_px, height_mm) for s in (1, -1))
        gradient[i] = (up - down) / (2.0 * u)
    return value, float(np.sqrt(gradient @ plane.covariance @ gradient)) / value


def print_table(rows: list[Row]) -> None:
    """By kind and tilt band."""
    print(f"fair: {FAIR}")
    head = f"{'kind':9} {'tilt':>6} {'n':>4} {'ok':>6} {'wrong':>6} {'fair':>13} {'bias %':>7} {'median %':>8} {'p95 %':>6}"
    print(f"{head} {'u95 %':>6} {'z rms':>6} {'in u95':>6} {'s':>6} {'s p95':>6}")
    for kind in sorted({r.kind for r in rows}):
        for band in (None, *BANDS):
            chosen = [r for r in rows if r.kind == kind and (band is None or band[0] <= r.tilt_deg < band[1])]
            if not chosen or (kind == "none" and band is not None):
                continue
            good, fair = [r for r in chosen if r.ok], [r for r in chosen if r.fair]
            title = "all" if band is None else f"{band[0]:.0f}-{band[1]:.0f}"
            line = f"{kind:9} {title:>6} {len(chosen):4d} {_share(r.ok for r in chosen)} {_share(r.wrong for r in chosen)} "
            line += f"{_share(r.ok for r in fair)} {sum(r.ok for r in fair):3d}/{len(fair):3d} "
            if good:
                error, u = np.array([(r.error, r.u) for r in good], float).T
                z = error / u
                line += f"{100 * error.mean():7.2f} {100 * np.median(np.abs(error)):8.2f} "
                line += f"{100 * np.quantile(np.abs(error), 0.95):6.2f} {200 * np.median(u):6.2f} "
                line += f"{np.sqrt(np.mean(z**2)):6.2f} {_share(np.abs(z) <= 2.0)}"
            else:
                line += " " * 45
            seconds = [r.seconds for r in chosen]
            print(f"{line} {np.median(seconds):6.3f} {np.quantile(seconds, 0.95):6.3f}")
        missed = Counter(r.found for r in rows if r.kind == kind and not r.ok)
        print(f"{'':9} not ok: {dict(missed.most_common(6))}")


def _share(values: Iterable[bool]) -> str:
    kept = [bool(v) for v in values]
    return f"{100.0 * sum(kept) / len(kept):5.1f}%" if kept else "     -"


def main() -> None:
    """Run the measurement from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="*")
    parser.add_argument("--drawn", type=int, default=0)
    parser.add_argument("--nothing", type=int, default=0)
    parser.add_argument("--first", type=int, default=0, help="first seed of what is drawn")
    parser.add_argument("--kinds", help="only these, with commas")
    parser.add_argument("--auto", action="store_true")
    parser.add_argument("--csv", type=Path)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    cases: list[Iterator[Case]] = [labelled(folder) for folder in arguments.folders]
    cases += [drawn(arguments.drawn, arguments.first), nothing(arguments.nothing, arguments.first)]
    wanted = arguments.kinds.split(",") if arguments.kinds else None
    rows = [
        measure(case, auto=arguments.auto)
        for source in cases
        for case in source
        if wanted is None or case.kind in wanted
    ]
    if arguments.csv:
        with arguments.csv.open("w", newline="") as out:
            writer = csv.writer(out)
            writer.writerow([f.name for f in fields(Row)])
            writer.writerows(astuple(r) for r in rows)
    print_table(rows)


if __name__ == "__main__":
    main()
