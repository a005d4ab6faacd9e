"""Photo-real pictures of the parts of a shop's list, to see whether a photo leads back to the part's own row.

``python -m synthetic.listed --list shop/data/demo_parts.csv --out DIR --count N --seed S`` writes NNNNNN.jpg and NNNNNN.json;
picture n shows row n of the list, counted anew at its end, and its Label says which (`tags["part"]`). What the row says,
the cam has to within manufacturing scatter; what it does not say (fillets, tip, openings, edges, material) is drawn as
`proxy.sample_cam` draws it. Metals, benches, lights and coins are the held-out ones, the rest is `synthetic.pathtrace`.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import math
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from synthetic import pathtrace, proxy
from synthetic.plate import Cam, PlateError, PlateHole
from synthetic.traced_camera import jpeg_bytes, write_whole
from synthetic.traced_scene import load_mitsuba
from vision.vocabulary import FAMILIES, xy_from_angle

Array = np.ndarray
SCATTER_MM = 0.02  # of a stamped or cast part, one standard deviation; cut off at twice it (common practice, no source)
MOST_OFF_MM = 0.05  # by which a built cam may differ from its row in any length
WALL_MM = 0.5  # left between a hole or its countersink and any edge
STRETCH = (0.83, 1.2)  # by which a drawn tail may be made narrower or wider to have the listed width
BROADEST = 1.36  # of the hub's diameter, any tail: a crossbar's limit in `proxy`
SCALES = (("coin", 0.5), ("ruler", 0.25), ("card", 0.2), ("none", 0.05))


@dataclass(frozen=True, slots=True)
class Row:
    """One part of the list; lengths in mm, holes as (clock angle or None in the centre, radius, diameter, countersink)."""

    part: str
    family: str
    bottom: str
    hand: str
    reach_mm: float
    hub_diameter_mm: float | None
    tail_width_mm: float | None
    thickness_mm: float | None
    holes: tuple[tuple[float | None, float, float, float | None], ...]


def rows_of(path: Path) -> tuple[Row, ...]:
    """The rows of a list as `shop` writes it; the file is taken to be a good one."""

    def number(text: str) -> float | None:
        return float(text) if text else None

    with path.open(encoding="utf-8", newline="") as file:
        return tuple(
            Row(
                r["part"], r["family"], r["bottom"], r["hand"], float(r["reach_mm"]), number(r["hub_diameter_mm"]),
                number(r["tail_width_mm"]), number(r["thickness_mm"]), tuple(_hole(h) for h in r["holes"].split(";")),
            )
            for r in csv.DictReader(file)
        )  # fmt: skip


def _hole(text: str) -> tuple[float | None, float, float, float | None]:
    place, _, size = text.strip().partition(":")
    diameter, _, sink = size.partition("/")
    angle, _, radius = place.partition("@")
    if angle == "centre":
        return None, 0.0, float(diameter), float(sink) if sink else None
    return float(angle), float(radius), float(diameter), float(sink) if sink else None


# ------------------------------------------------------------------------------------------------- one cam


def _off(rng: np.random.Generator) -> float:
    return SCATTER_MM * float(np.clip(rng.standard_normal(), -2.0, 2.0))


def _drilled(rng: np.random.Generator, row: Row, thickness: float) -> tuple[PlateHole, ...]:
    """The row's holes. One that has no countersink in the list is a plain one."""
    drilled = []
    for angle, radius, diameter, sink in row.holes:
        x, y = (0.0, 0.0) if angle is None else xy_from_angle(angle, radius)
        away, turn = abs(_off(rng)), float(rng.uniform(0.0, 2.0 * math.pi))
        through = diameter + _off(rng)
        cone = 90.0
        if sink is not None:  # the cone is as flat as the plate wants it, and no steeper than the trade's 82 degrees
            room = thickness - 0.35
            cone = max(82.0, 2.0 * math.degrees(math.atan2((sink - through) / 2.0, room)))
        drilled.append(
            PlateHole(
                x + away * math.cos(turn), y + away * math.sin(turn), through,
                None if sink is None else sink + _off(rng), cone,
            )
        )  # fmt: skip
    return tuple(drilled)


def _stretched(tail: proxy.Tail, by: float) -> proxy.Tail:
    """A tail made wider about its own middle, its slot with it."""
    low = np.array([0.3 * tail.top_mm])
    left, right = tail.sides(low)
    middle = float(left[0] + right[0]) / 2.0

    def sides(y: Array) -> tuple[Array, Array]:
        left, right = tail.sides(y)
        return middle + by * (left - middle), middle + by * (right - middle)

    slot = None if tail.slot is None else shapely.affinity.scale(tail.slot, by, 1.0, origin=(middle, 0.0))
    return dataclasses.replace(tail, sides=sides, slot=slot)


def _reach(shape: BaseGeometry) -> float:
    points = shapely.get_coordinates(shape)
    points = points[points[:, 1] > 0]
    return float(np.hypot(*points.T).max())


def _width(shape: BaseGeometry, reach: float) -> float:
    low, _, high, _ = shape.intersection(shapely.LineString([(-99.0, reach / 2), (99.0, reach / 2)])).bounds
    return float(high - low)


def _outline(
    rng: np.random.Generator, row: Row, d: float, reach: float, width: float | None, holes: tuple[PlateHole, ...]
) -> tuple[Polygon, str]:
    """An outline of these sizes: a free draw, then made longer and wider until it measures what it should.

    Raises
    ------
    PlateError
        If this draw does not come to these sizes within the limits of its family.
    """
    seed = int(rng.integers(2**62))  # one draw of everything else, whatever length and width are tried
    rims = [Point(h.x_mm, h.y_mm).buffer((h.countersink_diameter_mm or h.diameter_mm) / 2) for h in holes]
    keep_off = shapely.union_all(rims).buffer(WALL_MM)

    def build(top: float, by: float) -> tuple[BaseGeometry, str]:
        again = np.random.default_rng(seed)
        tail = _stretched(proxy.TAILS[row.family](again, d, top), by)
        return proxy.joined(again, tail, row.bottom, d, keep_off), tail.hand

    top, by = reach, 1.0
    low, high = STRETCH
    for _ in range(30):
        shape, hand = build(top, by)
        if hand != row.hand:
            raise PlateError("the other hand")
        short = reach - _reach(shape)
        narrow = 0.0 if width is None else width - _width(shape, reach)
        if abs(short) < 0.004 and abs(narrow) < 0.004:
            break
        top += short
        if abs(short) < 0.1:
            low, high = (by, high) if narrow > 0 else (low, by)
        if width is not None:
            guess = by * (1.0 + narrow / width)
            by = guess if low < guess < high else (low + high) / 2.0
        if high - low < 1e-4:
            raise PlateError("this tail has no such width")
    else:
        raise PlateError("this tail has no such size")
    beyond = shape.intersection(shapely.box(-99.0, d / 2 + 1.0, 99.0, 99.0)).bounds
    if beyond[2] - beyond[0] > BROADEST * d:
        raise PlateError("no family has so broad a tail")
    if not shape.buffer(-WALL_MM).contains(shapely.union_all(rims)):
        raise PlateError("a hole comes too near the edge")
    return proxy.told_by_its_word(shape, row.family, d, reach, hand), hand


def listed_cam(rng: np.random.Generator, row: Row) -> Cam:
    """A cam for one row of a list.

    Raises
    ------
    PlateError
        If none comes out in 300 draws: the row's figures contradict its words.
    """
    for _ in range(300):
        d = (row.hub_diameter_mm or float(rng.uniform(16.0, 22.0))) + _off(rng)
        reach = row.reach_mm + _off(rng)
        width = None if row.tail_width_mm is None else row.tail_width_mm + _off(rng)
        thickness = (row.thickness_mm or float(rng.uniform(1.5, 3.0))) + _off(rng)
        holes = _drilled(rng, row, thickness)
        try:
            outline, hand = _outline(rng, row, d, reach, width, holes)
            plate, cast = proxy.finished(rng, outline, thickness, holes, proxy.openings(rng, outline, holes))
        except PlateError:
            continue
        cam = Cam(row.family, row.bottom, hand, plate, d, cast)
        if abs(cam.reach_mm() - row.reach_mm) > MOST_OFF_MM:
            continue
        if row.tail_width_mm is not None and abs(cam.tail_width_mm() - row.tail_width_mm) > MOST_OFF_MM:
            continue
        return cam
    raise PlateError(f"no cam of {row.part}'s sizes came out")


# ------------------------------------------------------------------------------------------------- pictures


@contextmanager
def _showing(row: Row) -> Iterator[None]:
    """While this lasts, the path tracer's cams are of one row."""
    free = pathtrace._cam

    def cam(rng: np.random.Generator, options: pathtrace.Options, number: int) -> Cam:
        return listed_cam(rng, row)

    pathtrace._cam = cam
    try:
        yield
    finally:
        pathtrace._cam = free


def composed(options: pathtrace.Options, rows: tuple[Row, ...], number: int) -> pathtrace.Take:
    """Everything about picture `number`, which shows row `number` of the list, counted anew at its end."""
    row = rows[number % len(rows)]
    with _showing(row):
        take = pathtrace.composed(options, number)
    return dataclasses.replace(take, label=dataclasses.replace(take.label, tags={**take.label.tags, "part": row.part}))


_mitsuba: Any = None


def _start(variant: str) -> None:
    global _mitsuba
    _mitsuba = load_mitsuba(variant)


def _one(work: tuple[pathtrace.Options, tuple[Row, ...], int, Path]) -> tuple[int, float, str]:
    options, rows, number, out = work
    start = time.perf_counter()
    try:
        take = composed(options, rows, number)
        pixels = pathtrace.shoot(_mitsuba, take, options, number)
        write_whole(out / f"{number:06d}.jpg", jpeg_bytes(pixels, take.chain, take.exif_focal_35mm))
        write_whole(out / f"{number:06d}.json", take.label.to_json().encode())  # last: then the picture is whole
        return number, time.perf_counter() - start, ""
    except Exception as error:  # one bad sample must not stop the run
        return number, 0.0, f"{type(error).__name__}: {error}"


def main(arguments: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="python -m synthetic.listed", description=__doc__.split("\n")[0] if __doc__ else ""
    )
    parser.add_argument("--list", dest="rows", type=Path, required=True, help="the list as CSV")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, default=62)
    parser.add_argument("--start", type=int, default=0, help="number of the first picture")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=1280, help="long side in pixels")
    parser.add_argument("--spp", type=int, default=64, help="samples a pixel")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--variant", default="auto", choices=("auto", "cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb"))
    parser.add_argument("--max-tilt", type=float, default=30.0, help="degrees")
    parser.add_argument("--scales", type=pathtrace.shares, default=SCALES, help="shares, such as coin=0.5,ruler=0.5")
    parser.add_argument("--plug", type=float, default=0.2, help="share of pictures of the plug side")
    a = parser.parse_args(arguments)
    rows = rows_of(a.rows)
    if any(row.family not in FAMILIES for row in rows) or not rows:
        parser.error(f"{a.rows} holds no good list")
    a.out.mkdir(parents=True, exist_ok=True)
    options = pathtrace.Options(
        a.seed, "heldout", a.size, a.spp, a.max_tilt, a.scales, negatives=0.0, plug_share=a.plug
    )  # fmt: skip
    todo = [i for i in range(a.start, a.start + a.count) if not (a.out / f"{i:06d}.json").exists()]
    work = [(options, rows, i, a.out) for i in todo]
    failed = 0

    def report(result: tuple[int, float, str]) -> None:
        nonlocal failed
        number, seconds, error = result
        failed += bool(error)
        print(f"{number:06d} {rows[number % len(rows)].part} {seconds:6.2f} s {error}", file=sys.stderr, flush=True)

    for result in pathtrace.worked_off(_one, work, a.processes, _start, a.variant):
        report(result)
    return 1 if failed and failed == len(work) else 0


if __name__ == "__main__":
    sys.exit(main())
