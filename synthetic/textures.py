"""What is on a face: brushing, casting skin, scratches, stamps, tarnish and dirt; reliefs of coins, marks of rulers, markers of cards."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from synthetic import coin_faces
from synthetic.reflections import slopes
from synthetic.surfaces import Metal, octaves, sample_metal

if TYPE_CHECKING:
    from synthetic.scene import Slab

ToTile = Callable[[np.ndarray], np.ndarray]
MARKERS = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


@dataclass(frozen=True, slots=True)
class Finish:
    """Slopes in the plate's frame (x right, y up) and what else changes a face, all (h, w) or (h, w, 3)."""

    nx: np.ndarray
    ny: np.ndarray
    edge: float = 1.0
    gain: np.ndarray | None = None
    rough: np.ndarray | None = None
    paint: np.ndarray | None = None
    paint_cover: np.ndarray | None = None
    second: Metal | None = None
    second_mask: np.ndarray | None = None


def finish(slab: Slab, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """The finish of a slab's upper face on a tile of (h, w) px."""
    metal = slab.metal
    rng = np.random.default_rng((metal.seed, slab.seed))
    nx, ny = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)

    def add(height: np.ndarray, slope: float) -> None:
        """Add a height field with a given root mean square slope."""
        nonlocal nx, ny
        sx, sy = slopes(height)
        rms = math.sqrt(float((sx * sx + sy * sy).mean())) + 1e-9
        nx, ny = nx + sx * np.float32(slope / rms), ny - sy * np.float32(slope / rms)

    add(octaves(rng, h, w, rng.uniform(6, 16) * px_mm, 2), metal.wave)
    detail = min(1.0, px_mm / 4)  # what is finer than a pixel averages out
    if metal.grain:
        add(octaves(rng, h, w, max(1.2, rng.uniform(0.12, 0.6) * px_mm), 2, 0.7), metal.grain * (0.35 + 0.65 * detail))
    if metal.brushed:
        angle = float(np.random.default_rng(metal.seed).choice((0.0, 90.0, 30.0)))
        side = int(math.hypot(h, w)) + 4
        lines = rng.standard_normal((side, max(8, side // 24)), np.float32)
        lines = cv2.resize(lines, (side, side), interpolation=cv2.INTER_LINEAR)
        m = cv2.getRotationMatrix2D((side / 2, side / 2), angle, 1.0)
        lines = cv2.warpAffine(lines, m, (side, side), borderMode=cv2.BORDER_REFLECT)[:h, :w]
        add(lines, 0.09 * metal.brushed * (0.3 + 0.7 * detail))
    if metal.turned or slab.texture == "ring":
        centre = to_tile(np.zeros((1, 2)))[0]
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        r = np.hypot(x - np.float32(centre[0]), y - np.float32(centre[1]))
        if metal.turned:
            profile = rng.standard_normal(int(r.max()) + 3).astype(np.float32)
            add(np.interp(r.ravel(), np.arange(len(profile)), profile).reshape(h, w).astype(np.float32), metal.turned)
    if metal.scratches:
        canvas = np.zeros((h, w), np.float32)
        for _ in range(metal.scratches):
            p = rng.uniform((0, 0), (w, h))
            a, run = rng.uniform(0, 2 * math.pi), rng.exponential(0.12) * max(h, w)
            q = p + run * np.array([math.cos(a), math.sin(a)])
            cv2.line(
                canvas, (int(p[0]), int(p[1])), (int(q[0]), int(q[1])), float(rng.uniform(-1, 0.3)), 1, cv2.LINE_AA
            )
        sx, sy = slopes(cv2.GaussianBlur(canvas, (0, 0), 0.6))
        nx, ny = nx + sx * np.float32(0.9 * detail), ny - sy * np.float32(0.9 * detail)
    gain: np.ndarray | None = None
    rough: np.ndarray | None = None
    if metal.tarnish:
        patch = octaves(rng, h, w, rng.uniform(3, 14) * px_mm, 4, 0.6)
        k = np.clip(0.5 + 0.5 * patch, 0, 1)[..., None] * np.float32(metal.tarnish)
        stain = (
            np.array([0.62, 0.48, 0.34]) if metal.mirror[0] > 1.15 * metal.mirror[2] else np.array([0.66, 0.64, 0.60])
        )
        gain = 1 - k * (1 - stain * rng.uniform(0.7, 1.2, 3)).astype(np.float32)
        rough = np.clip(0.5 * metal.tarnish + 0.4 * patch, 0, 0.9).astype(np.float32)
    if metal.dirt:
        patch = np.clip(
            rng.uniform(0.3, 1.2)
            * (octaves(rng, h, w, rng.uniform(2, 12) * px_mm, 5, rng.uniform(0.4, 0.7)) - 1.0 + metal.dirt),
            0,
            rng.uniform(0.4, 1),
        )[..., None]
        dirt = 1 - patch * (1 - np.array([0.16, 0.12, 0.08], np.float32) * rng.uniform(0.6, 2.5))
        gain = dirt if gain is None else gain * dirt
    if metal.oil:
        patch = np.clip(octaves(rng, h, w, rng.uniform(4, 12) * px_mm, 2) * 3, 0, 1)
        shine = 1 - 0.3 * np.float32(metal.oil) * patch[..., None]
        gain = shine if gain is None else gain * shine
    if metal.prints:
        mark = fingerprints(rng, h, w, px_mm, metal.prints)
        rough = np.clip((0.0 if rough is None else rough) + 0.75 * mark, 0, 0.95).astype(np.float32)
        film = 1 - np.float32(rng.uniform(0.0, 0.18)) * mark[..., None]
        gain = film if gain is None else gain * film
    out = Finish(nx, ny, gain=gain, rough=rough)
    kind = slab.texture.split(":")[0]
    maker = _MAKERS.get(kind)
    return out if maker is None else maker(slab, rng, out, h, w, px_mm, to_tile)


def fingerprints(rng: np.random.Generator, h: int, w: int, px_mm: float, count: int) -> np.ndarray:
    """Where fingers have left their ridges, (h, w) in [0, 1]."""
    mark = np.zeros((h, w), np.float32)
    seen = np.float32(min(1.0, px_mm / 5))  # ridges finer than two pixels run into one smear
    reach = max(4, int(9 * px_mm))
    for _ in range(count):
        cx, cy, a = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(0, math.pi)
        long, wide, pitch, strength = rng.uniform((5, 4, 0.45, 0.3), (8, 6, 0.6, 1.0))
        shift = rng.uniform((-2, 1), (2, 6))
        x0, x1, y0, y1 = (
            max(0, int(cx) - reach),
            min(w, int(cx) + reach),
            max(0, int(cy) - reach),
            min(h, int(cy) + reach),
        )
        x, y = (
            (np.arange(x0, x1, dtype=np.float32) - np.float32(cx))[None],
            (np.arange(y0, y1, dtype=np.float32) - np.float32(cy))[:, None],
        )
        c, s = np.float32(math.cos(a) / px_mm), np.float32(math.sin(a) / px_mm)
        u, v = x * c + y * s, y * c - x * s
        squares = (u / np.float32(long)) ** 2, (v / np.float32(wide)) ** 2
        body = np.exp(-squares[0] * squares[0] - squares[1] * squares[1])
        whorl = cv2.magnitude(u + np.float32(shift[0]), np.float32(0.8) * v + np.float32(shift[1]))
        ridge = np.float32(0.5) + np.float32(0.5) * np.sin(whorl * np.float32(2 * math.pi / pitch))
        there = body * (seen * ridge + (1 - seen) * np.float32(0.5)) * np.float32(strength)
        mark[y0:y1, x0:x1] = np.maximum(mark[y0:y1, x0:x1], there)
    return mark


def _letters(h: int, w: int, text: str, at: np.ndarray, size: float, weight: int) -> np.ndarray:
    """Coverage of a text whose lower left corner lies at `at`; OpenCV 5 writes on 8-bit images only."""
    page = np.zeros((h, w), np.uint8)
    cv2.putText(
        page, text, (int(at[0]), int(at[1])), cv2.FONT_HERSHEY_SIMPLEX, max(0.1, size), 255, weight, cv2.LINE_AA
    )
    return page.astype(np.float32) / 255


def _with(f: Finish, **changes: object) -> Finish:
    values = {name: getattr(f, name) for name in Finish.__slots__}
    return Finish(**{**values, **changes})  # type: ignore[arg-type]


def _relief(f: Finish, height: np.ndarray, strength: float, blur: float) -> Finish:
    sx, sy = slopes(cv2.GaussianBlur(height, (0, 0), blur))
    return _with(f, nx=f.nx + sx * np.float32(strength), ny=f.ny - sy * np.float32(strength))


def _stamp(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    canvas = np.zeros((h, w), np.float32)
    at = to_tile(np.array([[rng.normal(0, 2.0), rng.uniform(-6, 14)]]))[0]
    text = "".join(rng.choice(list("0123456789"), int(rng.integers(1, 4))))
    size = rng.uniform(1.6, 3.2) * px_mm / 21
    canvas += np.float32(rng.choice((-1, 1))) * _letters(h, w, text, at, size, max(1, round(size * 3)))
    return _relief(f, canvas, 1.6, 0.7)


def _gate(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """Where the casting was broken or pushed out of its mould: round marks."""
    canvas = np.zeros((h, w), np.float32)
    for _ in range(int(rng.integers(1, 4))):
        at = to_tile(np.array([[rng.normal(0, 5), rng.uniform(-8, 16)]]))[0]
        cv2.circle(
            canvas,
            (int(at[0]), int(at[1])),
            max(2, int(rng.uniform(0.6, 1.6) * px_mm)),
            1.0,
            -1 if rng.random() < 0.5 else 1,
            cv2.LINE_AA,
        )
    return _relief(f, canvas, float(rng.uniform(-0.9, 0.9)), 0.8)


def _boss(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """A raised or sunk round about the axis, perhaps with a rib or a groove that runs into the tail."""
    canvas = np.zeros((h, w), np.float32)
    centre = tuple(int(v) for v in to_tile(np.zeros((1, 2)))[0])
    if rng.random() < 0.75:
        cv2.circle(
            canvas,
            centre,
            max(2, int(rng.uniform(4.5, 9.5) * px_mm)),
            1.0,
            -1 if rng.random() < 0.7 else 2,
            cv2.LINE_AA,
        )
    if rng.random() < 0.5:
        far, half = float(slab.outline_mm[:, 1].max()) - rng.uniform(2, 6), rng.uniform(0.5, 2.0)
        bar = np.array([[-half, 2.0], [half, 2.0], [half, far], [-half, far]])
        cv2.fillPoly(canvas, [np.round(to_tile(bar) * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    return _relief(f, canvas, float(rng.choice((-1, 1)) * rng.uniform(0.4, 1.8)), float(rng.uniform(0.7, 1.5)))


def _ring(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """Where screw heads and the plug have rubbed."""
    gain = np.ones((h, w, 1), np.float32) if f.gain is None else f.gain
    canvas = np.zeros((h, w), np.float32)
    for o in slab.openings:
        at = to_tile(np.array([[o.x_mm, o.y_mm]]))[0]
        cv2.circle(
            canvas,
            (int(at[0]), int(at[1])),
            max(2, int((o.diameter_mm * 0.5 + rng.uniform(0.6, 1.5)) * px_mm)),
            1.0,
            max(1, int(0.6 * px_mm)),
            cv2.LINE_AA,
        )
    return _with(
        f, gain=gain * (1 + np.float32(rng.uniform(-0.3, 0.25)) * cv2.GaussianBlur(canvas, (0, 0), 1.0)[..., None])
    )


def _coin(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """An invented relief: rim, legend round the edge, a head or an emblem."""
    cx, cy = (float(v) for v in to_tile(np.zeros((1, 2)))[0])
    radius = slab.size_mm / 2 * px_mm
    canvas = np.zeros((h, w), np.float32)
    cv2.circle(canvas, (int(cx), int(cy)), max(2, int(radius * 0.95)), 1.0, max(1, int(radius * 0.045)), cv2.LINE_AA)
    field = rng.integers(0, 4)
    size = radius / rng.uniform(95, 160)
    for start, stop in ((rng.uniform(0, 360), rng.uniform(90, 300)), (rng.uniform(0, 360), rng.uniform(0, 120))):
        for a in np.arange(start, start + stop, max(7.0, 900 / max(radius, 8) * 1.0)):
            p = (cx + 0.78 * radius * math.cos(math.radians(a)), cy + 0.78 * radius * math.sin(math.radians(a)))
            glyph = max(1.0, 0.055 * radius)
            q = rng.normal(0, glyph, (3, 2)) + p
            cv2.polylines(
                canvas,
                [np.round(q).astype(np.int32)],
                bool(rng.random() < 0.4),
                0.8,
                max(1, int(size * 3)),
                cv2.LINE_AA,
            )
    if field <= 1:  # a head in profile, more or less
        turn = np.linspace(0, 2 * np.pi, 80)
        r = (
            radius
            * 0.42
            * np.exp(sum(rng.normal(0, 0.22 / k) * np.cos(k * turn + rng.uniform(0, 6)) for k in range(1, 7)))
        )
        cv2.fillPoly(
            canvas,
            [np.round(np.c_[cx + r * np.cos(turn), cy + r * np.sin(turn) * 1.15]).astype(np.int32)],
            0.9,
            cv2.LINE_AA,
        )
        canvas += 0.25 * octaves(rng, h, w, max(2.0, radius * 0.12), 3) * (cv2.GaussianBlur(canvas, (0, 0), 2) > 0.4)
    elif field == 2:  # a figure
        at = np.array([cx - radius * 0.4, cy + radius * 0.25])
        canvas += 0.9 * _letters(
            h, w, str(rng.choice((1, 2, 5, 10, 20, 25, 50))), at, radius / 32, max(1, int(radius * 0.09))
        )
    else:  # a bird, a wreath, a map: lumps
        for _ in range(14):
            p = rng.normal(0, 0.25 * radius, 2) + (cx, cy)
            axes = (max(1, int(rng.uniform(0.04, 0.2) * radius)), max(1, int(rng.uniform(0.03, 0.1) * radius)))
            cv2.ellipse(
                canvas,
                (int(p[0]), int(p[1])),
                axes,
                float(rng.uniform(0, 180)),
                0,
                360,
                float(rng.uniform(0.3, 1)),
                -1,
                cv2.LINE_AA,
            )
    worn = float(rng.uniform(0.3, 1.0))
    out = _relief(f, canvas, worn * 1.1, max(0.7, 0.02 * radius))
    if f.gain is not None or rng.random() < 0.4:  # dirt stays in the hollows
        soft = cv2.GaussianBlur(canvas, (0, 0), max(1.0, 0.05 * radius))
        hollow = 1 - np.float32(rng.uniform(0, 0.35)) * np.clip(1 - soft, 0, 1)[..., None]
        out = _with(out, gain=hollow if out.gain is None else out.gain * hollow)
    elif rng.random() < 0.4:
        out = _with(out, gain=coin_faces.hollows(rng, np.clip(canvas, 0, 1), 0.06 * radius)[..., None])
    face = coin_faces.struck(rng, max(8, round(2 * radius))) if rng.random() < 0.5 else None
    if face is not None:
        move = np.array([[1.0, 0.0, cx - face.shape[1] / 2], [0.0, 1.0, cy - face.shape[0] / 2]])
        light = cv2.warpAffine(face, move, (w, h), flags=cv2.INTER_LINEAR, borderValue=1.0)[..., None]
        if rng.random() < 0.7:  # instead of the invented relief, else over it
            out = _with(out, nx=f.nx, ny=f.ny)
        out = _relief(out, light[..., 0], float(rng.uniform(0.0, 0.8)), max(0.7, 0.02 * radius))
        out = _with(out, gain=light if out.gain is None else out.gain * light)
    form = slab.texture.split(":")[1]
    if form.startswith("bimetal"):
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        inner = (np.hypot(x - cx, y - cy) < radius * 0.72).astype(np.float32)
        groove = cv2.circle(
            np.zeros((h, w), np.float32), (int(cx), int(cy)), max(2, int(radius * 0.72)), -1.0, 1, cv2.LINE_AA
        )
        out = _relief(out, groove, 0.8, 0.7)
        core = sample_metal(np.random.default_rng(slab.seed), only="brass" if form.endswith("silver-rim") else "nickel")
        out = _with(out, second=core, second_mask=inner)
    return out


def _ruler(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    _, unit, sides = slab.texture.split(":")
    ink, figures = np.zeros((h, w), np.float32), np.zeros((h, w), np.uint8)
    top, low = float(slab.outline_mm[:, 1].max()), float(slab.outline_mm[:, 1].min())
    run = slab.size_mm
    step = 1.0 if unit == "mm" else 25.4 / 16
    count = int(run / step)
    thick = max(0.12, float(rng.uniform(0.12, 0.25)))
    lengths = rng.uniform((2.5, 3.8, 5.2), (3.2, 4.8, 7.5))
    for edge, down in ((top, -1.0), (low, 1.0)) if sides == "both" else ((top, -1.0),):
        for i in range(count + 1):
            x = -run / 2 + i * step
            major, middle = (10, 5) if unit == "mm" else (16, 8)
            long = (
                lengths[2]
                if i % major == 0
                else lengths[1]
                if i % middle == 0
                else lengths[0] * (1 if unit == "mm" or i % 4 == 0 else 0.7)
            )
            bar = np.array(
                [
                    [x - thick / 2, edge],
                    [x + thick / 2, edge],
                    [x + thick / 2, edge + down * long],
                    [x - thick / 2, edge + down * long],
                ]
            )
            cv2.fillPoly(ink, [np.round(to_tile(bar) * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
            if i % major == 0:
                text = str(i // major)
                size = rng.uniform(0.95, 1.0) * 2.6 * px_mm / 21
                p = to_tile(np.array([[x - 0.9 * len(text), edge + down * (long + (0.6 if down > 0 else 3.4))]]))[0]
                if size > 0.12:
                    cv2.putText(
                        figures,
                        text,
                        (int(p[0]), int(p[1])),
                        cv2.FONT_HERSHEY_SIMPLEX,
                        size,
                        255,
                        max(1, round(size * 2.2)),
                        cv2.LINE_AA,
                    )
    ink = np.maximum(ink, figures.astype(np.float32) / 255)
    colour = (
        np.array([0.02, 0.02, 0.022], np.float32) if rng.random() < 0.85 else np.array([0.25, 0.02, 0.02], np.float32)
    )
    if f.paint is None and slab.metal.name == "matte" and sum(slab.metal.matte) < 0.2:
        colour = np.full(3, 0.7, np.float32)
    return _with(
        f, paint=np.broadcast_to(colour, (h, w, 3)), paint_cover=np.clip(ink, 0, 1) * np.float32(rng.uniform(0.7, 0.98))
    )


def _card(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """A lattice of square markers round a free place, with a bar."""
    white = np.full((h, w), float(rng.uniform(0.7, 0.85)), np.float32)
    x0, y0 = slab.outline_mm.min(0)
    x1, y1 = slab.outline_mm.max(0)
    side = float(rng.uniform(6, 13))
    pitch = side * float(rng.uniform(1.2, 1.8))
    n = 0
    inner = rng.random() < 0.6
    for y in np.arange(y0 + 2 + side / 2, y1 - side / 2, pitch):
        for x in np.arange(x0 + 2 + side / 2, x1 - side / 2, pitch):
            if inner and x0 + 1.5 * pitch < x < x1 - 1.5 * pitch and y0 + 1.2 * pitch < y < y1 - 1.2 * pitch:
                continue
            code = _marker(n % 50)
            n += 1
            square = np.array(
                [
                    [x - side / 2, y + side / 2],
                    [x + side / 2, y + side / 2],
                    [x + side / 2, y - side / 2],
                    [x - side / 2, y - side / 2],
                ]
            )
            m = cv2.getPerspectiveTransform(
                np.array([[-0.5, -0.5], [47.5, -0.5], [47.5, 47.5], [-0.5, 47.5]], np.float32),
                to_tile(square).astype(np.float32),
            )
            warped = cv2.warpPerspective(code, m, (w, h), flags=cv2.INTER_AREA, borderValue=-1.0)
            white = np.where(warped >= 0, 0.03 + 0.75 * warped, white).astype(np.float32)
    return _with(f, paint=np.repeat(white[..., None], 3, 2), paint_cover=np.ones((h, w), np.float32))


@functools.cache
def _marker(number: int) -> np.ndarray:
    return cv2.aruco.generateImageMarker(MARKERS, number, 48).astype(np.float32) / 255


def _drive(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """The recess of a screw head: slot, cross, both, or hexagon."""
    form = slab.texture.split(":")[1]
    r = slab.size_mm / 2
    cut = np.zeros((h, w), np.float32)

    def bar(angle: float, half: float, width: float) -> None:
        a = math.radians(angle)
        u, v = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
        ring = np.array([u * half + v * width, u * half - v * width, -u * half - v * width, -u * half + v * width])
        cv2.fillPoly(cut, [np.round(to_tile(ring) * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)

    if form in ("slot", "combi"):
        bar(0, r * 1.05, max(0.35, r * 0.13))
    if form in ("cross", "combi"):
        bar(0, r * 0.58, r * 0.13)
        bar(90, r * 0.58, r * 0.13)
        cv2.circle(
            cut,
            tuple(int(v) for v in to_tile(np.zeros((1, 2)))[0]),
            max(1, int(r * 0.22 * px_mm)),
            1.0,
            -1,
            cv2.LINE_AA,
        )
    if form == "hex":
        turn = np.arange(6) * np.pi / 3
        cv2.fillPoly(
            cut,
            [np.round(to_tile(np.c_[np.cos(turn), np.sin(turn)] * r * 0.5) * 16).astype(np.int32)],
            1.0,
            cv2.LINE_AA,
            4,
        )
    out = _relief(f, -cut, 0.9, 0.7)
    dark = 1 - np.float32(rng.uniform(0.6, 0.9)) * cut[..., None]
    return _with(out, gain=dark if out.gain is None else out.gain * dark)


def _cylinder(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """The plug's circle and a pin or two in the end of the body."""
    groove = np.zeros((h, w), np.float32)
    centre = tuple(int(v) for v in to_tile(np.zeros((1, 2)))[0])
    cv2.circle(groove, centre, int(slab.size_mm / 2 * px_mm), 1.0, max(1, int(0.25 * px_mm)), cv2.LINE_AA)
    ring = to_tile(np.array([[0, rng.uniform(8, 11)], [rng.uniform(-4, 4), rng.uniform(-12, -9)]]))
    for p in ring[: int(rng.integers(0, 3))]:
        cv2.circle(groove, (int(p[0]), int(p[1])), max(1, int(rng.uniform(0.8, 1.6) * px_mm)), 1.0, -1, cv2.LINE_AA)
    out = _relief(f, -groove, 0.7, 0.8)
    dark = 1 - 0.75 * groove[..., None]
    return _with(out, gain=dark if out.gain is None else out.gain * dark)


def _groove(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """The milled grooves along a blade."""
    canvas = np.zeros((h, w), np.float32)
    x1 = float(slab.outline_mm[:, 0].max())
    for _ in range(int(rng.integers(1, 4))):
        y, half = slab.size_mm + rng.uniform(-2.5, 2.5), rng.uniform(0.3, 0.9)
        ring = np.array([[-2, y - half], [x1 - 1, y - half], [x1 - 1, y + half], [-2, y + half]])
        cv2.fillPoly(canvas, [np.round(to_tile(ring) * 16).astype(np.int32)], -1.0, cv2.LINE_AA, 4)
    return _relief(f, canvas, 0.8, 0.7)


def _pencil(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    wood = np.zeros((h, w), np.float32)
    x = slab.size_mm / 2
    for low, high, value in ((x - 18, x - 4, 0.6), (x - 4, x, 1.0)):
        cv2.fillPoly(
            wood,
            [np.round(to_tile(np.array([[low, -5], [high, -5], [high, 5], [low, 5]])) * 16).astype(np.int32)],
            value,
            cv2.LINE_AA,
            4,
        )
    paint = np.where(wood[..., None] > 0.8, np.float32(0.03), np.array([0.5, 0.33, 0.2], np.float32))
    return _with(f, paint=paint.astype(np.float32), paint_cover=(wood > 0.3).astype(np.float32) * 0.9)


def _skin(slab: Slab, rng: np.random.Generator, f: Finish, h: int, w: int, px_mm: float, to_tile: ToTile) -> Finish:
    """Ridges, redness and a nail."""
    blotch = 1 + 0.12 * octaves(rng, h, w, 5 * px_mm, 3)[..., None] * np.array([0.6, 1.0, 1.0], np.float32)
    if rng.random() < 0.5:
        tip = float(slab.outline_mm[:, 0].min())
        nail = np.zeros((h, w), np.float32)
        at = to_tile(np.array([[tip + slab.size_mm * 0.45, 0.0]]))[0]
        cv2.ellipse(
            nail,
            (int(at[0]), int(at[1])),
            (int(slab.size_mm * 0.38 * px_mm), int(slab.size_mm * 0.3 * px_mm)),
            0,
            0,
            360,
            1.0,
            -1,
            cv2.LINE_AA,
        )
        blotch = blotch * (1 + 0.35 * cv2.GaussianBlur(nail, (0, 0), 1.0)[..., None])
        f = _relief(f, nail, 0.6, 1.2)
    return _with(f, gain=blotch.astype(np.float32))


_MAKERS = {
    "stamp": _stamp, "gate": _gate, "ring": _ring, "boss": _boss, "coin": _coin, "ruler": _ruler, "card": _card, "drive": _drive, "cylinder": _cylinder,
    "groove": _groove, "pencil": _pencil, "skin": _skin,
}  # fmt: skip

_PACKAGED = (
    "astronaut",
    "brick",
    "camera",
    "cat",
    "chelsea",
    "coffee",
    "grass",
    "gravel",
    "hubble_deep_field",
    "moon",
    "page",
    "rocket",
    "text",
    "clock",
    "retina",
    "china.jpg",
    "flower.jpg",
)


def packaged_photo(rng: np.random.Generator, side: int) -> tuple[np.ndarray, str] | None:
    """A random crop of a real picture inside an installed imaging package, (side, side, 3) uint8, with its name; None without one."""
    name = str(rng.choice(_PACKAGED))
    picture = _packaged(name)
    if picture is None:
        return None
    h, w = picture.shape[:2]
    size = int(min(h, w) * rng.uniform(0.35, 1.0))
    y, x = int(rng.integers(0, h - size + 1)), int(rng.integers(0, w - size + 1))
    crop = cv2.resize(
        picture[y : y + size, x : x + size],
        (side, side),
        interpolation=cv2.INTER_AREA if size > side else cv2.INTER_CUBIC,
    )
    crop = np.rot90(crop, int(rng.integers(0, 4)))
    return np.ascontiguousarray(crop), f"photo-{name}"


@functools.cache
def _packaged(name: str) -> np.ndarray | None:
    try:
        if name.endswith(".jpg"):
            from sklearn.datasets import load_sample_image

            picture = np.asarray(load_sample_image(name))
        else:
            from skimage import data

            picture = np.asarray(getattr(data, name)())
    except ImportError:
        return None
    except Exception:  # not shipped with this version, or only to be had from the network
        return None
    if picture.dtype != np.uint8 or picture.ndim not in (2, 3):
        return None
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, 2)
    return np.ascontiguousarray(picture[..., :3])
