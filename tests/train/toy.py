"""Flat drawings of parts on a bench with their Labels: invented data, only to see that the training code learns."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box
from shapely.ops import unary_union

from vision.label import Hole, Label, Shape
from vision.vocabulary import FAMILIES, HANDED_FAMILIES, xy_from_angle


def outline(family: str, hand: str, rng: np.random.Generator) -> tuple[Polygon, float]:
    """Outline in mm, axis at the origin, tail along +y, and the hub's diameter."""
    d = float(rng.uniform(15, 22))
    reach = float(rng.uniform(1.1, 1.5)) * d
    w = float(rng.uniform(0.3, 0.45)) * d
    side = -1.0 if hand == "left" else 1.0
    hub = Point(0, 0).buffer(d / 2)
    finger = box(-w / 2, 0, w / 2, reach)
    if family == "taper":
        tail = Polygon([(-0.45 * d, 0), (0.45 * d, 0), (0.15 * d, reach), (-0.15 * d, reach)])
    elif family == "paddle":
        tail = unary_union([box(-0.2 * d, 0, 0.2 * d, reach), box(-0.42 * d, reach - 0.4 * d, 0.42 * d, reach)])
        tail = tail.buffer(0.1 * d).buffer(-0.1 * d)
    elif family == "cloverleaf":
        leaves = [Point(0, reach - 0.3 * d).buffer(0.3 * d)]
        leaves += [Point(*xy_from_angle(a, 0.55 * d)).buffer(0.23 * d) for a in (120, 240)]
        tail = unary_union([box(-w / 2, 0, w / 2, reach - 0.3 * d), *leaves])
    elif family == "hook":
        foot = box(0, reach - 0.25 * d, side * (w / 2 + 0.3 * d), reach)
        tail = unary_union([finger, foot])
    elif family == "offset":
        tail = affinity.translate(finger, side * 0.28 * d, 0)
    elif family == "hammer":
        tail = unary_union([finger, box(-0.55 * d, reach - 4, 0.55 * d, reach)])
    elif family == "fork":
        tail = box(-0.25 * d, 0, 0.25 * d, reach) - box(-0.1 * d, reach * 0.65, 0.1 * d, reach)
    else:
        tail = finger
    shape = unary_union([hub, tail]).buffer(0.8).buffer(-1.6).buffer(0.8)
    return (max(shape.geoms, key=lambda g: g.area) if isinstance(shape, MultiPolygon) else shape), d


def draw(number: int, size: tuple[int, int], *, close: bool, cam: bool) -> tuple[np.ndarray, Label]:
    """One drawing (H, W, 3) RGB uint8 and its Label."""
    rng = np.random.default_rng(number)
    width, height = size
    bench = rng.uniform(60, 230, 3)
    grain = cv2.GaussianBlur(
        rng.normal(0, 25, (height, width, 3)).astype(np.float32), (0, 0), float(rng.uniform(0.5, 4))
    )
    picture = np.clip(bench + grain, 0, 255)
    px = min(size) * (0.0135 if close else float(rng.uniform(0.007, 0.010)))
    turn, flip = float(rng.uniform(0, 2 * math.pi)), bool(rng.random() < 0.5)
    middle = np.array(size) / 2 + rng.normal(0, 0.03, 2) * min(size)

    def to_px(points: np.ndarray) -> np.ndarray:
        x = points[:, 0] * (-1 if flip else 1)
        y = -points[:, 1]
        return (
            np.stack([x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)], 1) * px
            + middle
        )

    shapes: list[Shape] = []

    def paint(kind: str, points_px: np.ndarray, colour: np.ndarray) -> None:
        nonlocal picture
        mask = np.zeros((height, width), np.uint8)
        cv2.fillPoly(mask, [np.round(points_px * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        alpha = mask[..., None] / 255.0
        picture = picture * (1 - alpha) + colour * alpha
        shapes.append(Shape(kind, tuple((float(x), float(y)) for x, y in points_px)))

    def disc(x: float, y: float, r: float) -> np.ndarray:
        a = np.linspace(0, 2 * math.pi, 40, endpoint=False)
        return np.stack([x + r * np.cos(a), y + r * np.sin(a)], 1)

    metal = (bench + rng.choice([-1, 1]) * rng.uniform(50, 110, 1) + rng.normal(0, 12, 3)).clip(10, 250)
    far = middle + np.array([math.cos(turn * 3), math.sin(turn * 3)]) * 0.42 * min(size)
    if not close:
        paint("coin", disc(float(far[0]), float(far[1]), 12 * px), (metal + rng.uniform(-40, 40)).clip(0, 255))
    name = f"{number:06d}"
    if not cam:
        n = int(rng.integers(3, 9))
        radii = rng.uniform(6, 20, n)
        star = np.stack(
            [radii * np.cos(np.arange(n) * 2 * math.pi / n), radii * np.sin(np.arange(n) * 2 * math.pi / n)], 1
        )
        paint("other", to_px(star), metal)
        label = Label(f"{name}.jpg", width, height, None, shapes=tuple(shapes), tags={"not_cam": "star"})
        return np.round(picture).astype(np.uint8), label
    family = FAMILIES[number % 8]
    hand = ("left", "right")[int(rng.integers(2))] if family in HANDED_FAMILIES else "none"
    shape, d = outline(family, hand, rng)
    bottom = ("closed", "open")[int(rng.random() < 0.4)]
    if bottom == "open":
        shape = shape - box(-0.2 * d, -d, 0.2 * d, -0.2 * d)
    if not isinstance(shape, Polygon):
        shape = max(shape.geoms, key=lambda g: g.area)
    edge = np.array(LineString(shape.exterior.coords).segmentize(1.0).coords)[:-1]
    paint("body", to_px(edge), metal * 0.7)
    paint("part", to_px(edge), metal)
    holes = []
    sunk = bool(rng.random() < 0.5) and not flip
    for angle in rng.choice([60, 90, 210, 270], size=2, replace=False):
        x, y = xy_from_angle(float(angle), 0.3 * d)
        if sunk:
            paint("countersink", to_px(disc(x, y, 2.6)), metal * 0.8 + 20)
        paint("hole", to_px(disc(x, y, 1.5)), np.clip(bench * 0.4, 0, 255))
        center = to_px(np.array([[x, y]]))[0]
        holes.append(Hole("screw", x, y, 3.0, 5.2 if sunk else None, center_px=(float(center[0]), float(center[1]))))
    axis = to_px(np.zeros((1, 2)))[0]
    reach = float(edge[:, 1].max())
    tail = to_px(np.array([[0.0, reach]]))[0]
    label = Label(
        f"{name}.jpg", width, height, family, bottom, hand, "plug" if flip else "screw", facing_shows=sunk,
        reach_mm=reach, hub_diameter_mm=d, outline_mm=tuple(map(tuple, edge.tolist())), holes=tuple(holes),
        axis_px=(float(axis[0]), float(axis[1])), tail_px=(float(tail[0]), float(tail[1])), shapes=tuple(shapes),
        mm_per_px=1 / px, tags={"renderer": "toy", "light": ("day", "lamp")[number % 2]},
    )  # fmt: skip
    return np.round(picture).astype(np.uint8), label


def write_folder(
    folder: Path, count: int, *, first: int = 0, size: tuple[int, int] = (512, 384), close_share: float = 0.0
) -> Path:
    """Write `count` drawings with their Labels, one in five without a cam."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(first, first + count):
        close = (number * 0.618) % 1.0 < close_share
        picture, label = draw(number, (320, 320) if close else size, close=close, cam=number % 5 != 4)
        cv2.imwrite(str(folder / f"{number:06d}.jpg"), picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
        (folder / f"{number:06d}.json").write_text(label.to_json())
    return folder
