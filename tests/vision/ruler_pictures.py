"""Pictures of rulers whose every graduation is known: drawn flat in mm, seen by a pinhole camera, blurred, noisy, JPEG.

Lengths of graduations and the places of figures follow what rulers in common use look like (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

THICKNESS_MM = {"steel": 0.7, "white": 1.6, "yellow": 1.0, "wood": 3.0, "clear": 2.0, "dark": 0.8}  # memory
FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_COMPLEX)


@dataclass(frozen=True)
class Edge:
    """One graduated edge: graduation i lies at (start_mm + i * division_mm, y_mm) and runs by `toward` (+1 or -1) in y."""

    unit: str
    division_mm: float
    lengths_mm: tuple[float, ...]  # by class: shortest first
    start_mm: float
    count: int
    y_mm: float
    toward: float

    def class_of(self, i: int) -> int:
        top = len(self.lengths_mm) - 1
        if self.unit == "inch":
            v = 0
            while v < top and i % (2 << v) == 0:
                v += 1
            return v
        per_mm = round(1.0 / self.division_mm)
        if i % (10 * per_mm) == 0:
            return top
        if i % (5 * per_mm) == 0:
            return top - 1
        if per_mm == 2 and i % 2 == 0:
            return 1
        return 0

    def figure(self, i: int) -> str | None:
        per = round(25.4 / self.division_mm) if self.unit == "inch" else round(10.0 / self.division_mm)
        return str(i // per) if i % per == 0 else None


@dataclass(frozen=True)
class RulerPicture:
    pixels: NDArray[np.uint8]
    edges: tuple[Edge, ...]
    to_px: NDArray[np.float64]  # (3, 3): ruler mm -> picture px
    bench_to_px: NDArray[np.float64]  # (3, 3): the same millimetres on the bench, the ruler's height under its face
    tags: dict[str, object] = field(default_factory=dict)

    def points_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        return cv2.perspectiveTransform(np.asarray(points_mm, float).reshape(-1, 1, 2), self.to_px).reshape(-1, 2)

    def points_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        inverse = np.linalg.inv(self.to_px)
        return cv2.perspectiveTransform(np.asarray(points_px, float).reshape(-1, 1, 2), inverse).reshape(-1, 2)


def random_edge(
    rng: np.random.Generator, kind: str, y_mm: float, toward: float, length_mm: float, room_mm: float
) -> Edge:
    gap = rng.choice([0.0, 0.0, rng.uniform(0.2, 1.2)])
    start = rng.uniform(2.0, 8.0)
    y = y_mm + toward * gap
    if kind == "mm":
        short = rng.uniform(2.0, 4.0)
        mid = short * rng.uniform(1.25, 1.6)
        lengths: tuple[float, ...] = (short, mid, mid * rng.uniform(1.2, 1.5))
        division = 1.0
    elif kind == "half-mm":
        short = rng.uniform(2.0, 3.0)
        one = short * rng.uniform(1.25, 1.4)
        mid = one * rng.uniform(1.2, 1.4)
        lengths, division = (short, one, mid, mid * rng.uniform(1.15, 1.4)), 0.5
    else:
        parts = int(kind.removeprefix("inch"))
        levels = int(np.log2(parts)) + 1
        ratio = rng.uniform(1.22, 1.4)
        short = rng.uniform(2.0, 3.5)
        lengths = tuple(short * ratio**k for k in range(levels))
        division = 25.4 / parts
    shrink = min(1.0, room_mm / (lengths[-1] + gap + 4.0))  # marks and figures stay on their half of the ruler
    lengths = tuple(v * shrink for v in lengths)
    count = int((length_mm - start - 1.0) / division)
    return Edge("inch" if kind.startswith("inch") else "mm", division, lengths, start, count, y, toward)


def draw_ruler(
    rng: np.random.Generator, kinds: tuple[str, ...], *, px_per_mm: float = 16.0, figures: bool = True
) -> tuple[NDArray[np.float32], NDArray[np.float32], tuple[Edge, ...], float, float, str]:
    """Colour (H, W, 3) and cover (H, W) of a flat ruler, its edges, its length and width in mm, its material."""
    length, width = rng.uniform(120.0, 310.0), rng.uniform(18.0, 34.0)
    material = rng.choice(["steel", "white", "yellow", "wood", "clear", "dark"], p=[0.3, 0.2, 0.1, 0.2, 0.12, 0.08])
    h, w = int(width * px_per_mm), int(length * px_per_mm)
    base = {
        "steel": (178, 180, 184), "white": (228, 228, 224), "yellow": (230, 200, 70), "wood": (206, 168, 112),
        "clear": (205, 210, 212), "dark": (40, 42, 48),
    }[material]  # fmt: skip
    colour = np.tile(np.array(base, np.float32), (h, w, 1)) * rng.uniform(0.8, 1.08)
    if material == "steel":
        colour += cv2.GaussianBlur(rng.normal(0, 14, (h, 1, 1)).astype(np.float32).repeat(w, 1), (1, 5), 0)[..., None]
    if material == "wood":
        grain = cv2.resize(
            rng.normal(0, 1, (max(h // 10, 4), max(w // 300, 4))).astype(np.float32),
            (w, h),
            interpolation=cv2.INTER_CUBIC,
        )
        colour += 12.0 * grain[..., None]
    ink = np.full(3, 225.0 if material == "dark" else rng.uniform(15, 70), np.float32)
    mark = np.zeros((h, w), np.uint8)
    thickness = rng.uniform(0.12, 0.3)
    edges = []
    places = [(0.0, 1.0), (width, -1.0)] if len(kinds) == 2 else [(0.0, 1.0) if rng.random() < 0.5 else (width, -1.0)]
    for kind, (y, toward) in zip(kinds, places, strict=True):
        edge = random_edge(rng, kind, y, toward, length, width / len(kinds))
        edges.append(edge)
        wide = min(thickness, 0.33 * edge.division_mm)
        for i in range(edge.count + 1):
            x0 = edge.start_mm + i * edge.division_mm
            tall = edge.lengths_mm[edge.class_of(i)]
            corners = [(x0 - wide / 2, edge.y_mm), (x0 + wide / 2, edge.y_mm + toward * tall)]
            (xa, ya), (xb, yb) = corners
            pts = np.array([(xa, ya), (xb, ya), (xb, yb), (xa, yb)]) * px_per_mm - 0.5
            cv2.fillConvexPoly(mark, np.round(pts * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
            text = edge.figure(i)
            if figures and text is not None:
                size = min(2.8, width / len(kinds) - edge.lengths_mm[-1] - 1.0)
                font = FONTS[int(px_per_mm * thickness * 7) % 3]
                (tw, th), _ = cv2.getTextSize(text, font, 1.0, 2)
                s = size * px_per_mm / th
                beside = rng.random() < 0.0
                tx = (x0 + (0.5 if beside else -0.5 * tw * s / px_per_mm)) * px_per_mm
                ty = (edge.y_mm + toward * (edge.lengths_mm[-1] + 0.8) + (size if toward > 0 else 0.0)) * px_per_mm
                cv2.putText(mark, text, (int(tx), int(ty)), font, s, 255, max(1, int(0.3 * px_per_mm)), cv2.LINE_AA)
    alpha = mark[..., None].astype(np.float32) / 255.0 * rng.uniform(0.6, 1.0)
    colour = colour * (1 - alpha) + ink * alpha
    cover = np.full((h, w), 0.55 if material == "clear" else 1.0, np.float32)
    if material == "clear":
        cover = np.maximum(cover, mark.astype(np.float32) / 255.0)
    return colour, cover, tuple(edges), length, width, str(material)


def bench(rng: np.random.Generator, height: int, width: int) -> NDArray[np.float32]:
    """A bench: paper, board with grain, cloth or concrete."""
    kind = rng.choice(["plain", "grain", "cloth", "speckle"])
    tone = rng.uniform(60, 225)
    tint = 1.0 + rng.normal(0, 0.06, 3)
    field_ = np.zeros((height, width), np.float32)
    if kind == "grain":
        g = rng.normal(0, 1, (height // 6, max(width // 200, 3))).astype(np.float32)
        field_ = 14.0 * cv2.resize(g, (width, height), interpolation=cv2.INTER_CUBIC)
    elif kind == "cloth":
        p = rng.uniform(5, 16)
        y, x = np.mgrid[:height, :width].astype(np.float32)
        field_ = 8.0 * (np.sin(2 * np.pi * x / p) + np.sin(2 * np.pi * y / p)) * rng.uniform(0.4, 1.0)
    elif kind == "speckle":
        field_ = 12.0 * cv2.GaussianBlur(
            rng.normal(0, 3, (height, width)).astype(np.float32), (0, 0), rng.uniform(1, 3)
        )
    shade = cv2.resize(
        rng.uniform(0.75, 1.1, (3, 3)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    return ((tone + field_) * shade)[..., None] * tint.astype(np.float32)


def camera(rng: np.random.Generator, width: int, height: int, tilt_deg: float, distance_mm: float, centre_mm: NDArray[np.float64], roll_deg: float, f35_mm: float = 26.0, toward: float | None = None, below_mm: float = 0.0) -> NDArray[np.float64]:  # fmt: skip
    """Homography from a plane in mm (y down, as drawn) to a picture; the optical axis meets the plane at `centre_mm`.

    With `below_mm` the millimetres lie on a parallel plane that much farther away.
    """
    f = f35_mm / 43.27 * np.hypot(width, height)
    toward = rng.uniform(0, 2 * np.pi) if toward is None else toward
    axis = np.array([np.cos(toward), np.sin(toward), 0.0]) * np.radians(tilt_deg)
    rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0, 0, np.radians(roll_deg)]))[0]
    shift = np.array([[1, 0, -centre_mm[0]], [0, 1, -centre_mm[1]], [0, 0, 1.0]])
    middle = np.array([0, 0, distance_mm]) + below_mm * rotation[:, 2]
    pose = np.column_stack([rotation[:, 0], rotation[:, 1], middle]) @ shift
    k = np.array([[f, 0, (width - 1) / 2], [0, f, (height - 1) / 2], [0, 0, 1.0]])
    h = k @ pose
    return h / h[2, 2]


def finish(
    rng: np.random.Generator, picture: NDArray[np.float32], blur_px: float, noise: float, quality: int
) -> NDArray[np.uint8]:
    if blur_px > 0.05:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture = picture + rng.normal(0, noise, picture.shape).astype(np.float32)
    raw = np.clip(picture, 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", raw, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)


def ruler_picture(
    rng: np.random.Generator, kinds: tuple[str, ...], *, width: int = 2016, height: int = 1512,
    tilt_deg: float | None = None, distance_mm: float | None = None, figures: bool | None = None,
) -> RulerPicture:  # fmt: skip
    """A photo-like picture with one ruler, partly covered and partly out of the frame at times, at any direction."""
    tilt = float(rng.uniform(0, 30)) if tilt_deg is None else tilt_deg
    distance = float(rng.uniform(160, 420)) if distance_mm is None else distance_mm
    shown = bool(rng.random() < 0.85) if figures is None else figures
    colour, cover, edges, length, wide, material = draw_ruler(rng, kinds, figures=shown)
    ppm = colour.shape[1] / length
    field_mm = width / (26.0 / 43.27 * np.hypot(width, height) / distance)
    along = rng.uniform(-0.25, 0.25) * length
    across = rng.uniform(0.05, 0.3) * field_mm * rng.choice([-1, 1])
    centre = np.array([length / 2 + along, wide / 2 + across])
    roll, toward = rng.uniform(0, 360), rng.uniform(0, 2 * np.pi)
    to_px = camera(rng, width, height, tilt, distance, centre, roll, toward=toward)
    thick = THICKNESS_MM[material]
    bench_to_px = camera(rng, width, height, tilt, distance, centre, roll, toward=toward, below_mm=thick)
    super_ = 2
    up = np.array([[super_, 0, (super_ - 1) / 2], [0, super_, (super_ - 1) / 2], [0, 0, 1.0]])
    tex = np.array([[1 / ppm, 0, 0.5 / ppm], [0, 1 / ppm, 0.5 / ppm], [0, 0, 1.0]])  # texture px -> mm
    size = (width * super_, height * super_)
    local = 26.0 / 43.27 * np.hypot(width, height) / distance * super_ / ppm
    sigma = max(0.0, 0.45 / local - 0.3)
    if sigma > 0.1:
        colour, cover = cv2.GaussianBlur(colour, (0, 0), sigma), cv2.GaussianBlur(cover, (0, 0), sigma)
    seen = cv2.warpPerspective(colour, up @ to_px @ tex, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = cv2.warpPerspective(cover, up @ to_px @ tex, size, flags=cv2.INTER_LINEAR, borderValue=0)
    ground = bench(rng, height, width)
    small = cv2.resize(seen, (width, height), interpolation=cv2.INTER_AREA)
    soft = cv2.resize(mask, (width, height), interpolation=cv2.INTER_AREA)
    shadow = cv2.GaussianBlur(soft, (0, 0), 6.0)
    ground = ground * (1 - 0.35 * np.roll(shadow, (4, 5), (0, 1)))[..., None]
    picture = ground * (1 - soft[..., None]) + small * soft[..., None]
    covered = rng.random() < 0.35
    if covered:  # a part-like disc or bar lies over some of it
        at = cv2.perspectiveTransform(np.array([[[length * rng.uniform(0.2, 0.8), wide * rng.uniform(0, 1)]]]), to_px)[
            0, 0
        ]
        radius = rng.uniform(8, 16) * local * ppm / super_
        cv2.circle(
            picture, (int(at[0]), int(at[1])), int(radius), [float(v) for v in rng.uniform(60, 200, 3)], -1, cv2.LINE_AA
        )
    glare = rng.random() < 0.3
    if glare:
        cx, cy, s = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(100, 300)
        y, x = np.mgrid[:height, :width].astype(np.float32)
        picture = picture + (rng.uniform(30, 110) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * s * s)))[..., None]
    pixels = finish(rng, picture, rng.uniform(0.3, 1.1), rng.uniform(1, 5), int(rng.integers(78, 96)))
    beside = (float(length / 2 + along), float(wide / 2 + (40.0 if across > 0 else -40.0)))
    tags = {"tilt": tilt, "distance": distance, "kinds": kinds, "figures": shown, "covered": covered}
    return RulerPicture(pixels, edges, to_px, bench_to_px, {**tags, "material": material, "beside_mm": beside})


NOT_RULERS = (
    "comb",
    "thread",
    "barcode",
    "text",
    "lined",
    "bench",
    "random-lengths",
    "thirds",
    "tiles",
    "keys",
    "fence",
)


def not_a_ruler(rng: np.random.Generator, kind: str, *, width: int = 1600, height: int = 1200) -> NDArray[np.uint8]:
    """Things with edges that repeat, and no ruler among them."""
    picture = bench(rng, height, width)
    size = (1500, 500)
    tex = np.full((size[1], size[0], 3), int(rng.integers(150, 235)), np.uint8)
    ink = float(rng.uniform(10, 90))
    step = float(rng.uniform(8, 40))
    if kind in ("comb", "random-lengths", "thirds", "fence"):
        tall = rng.uniform(40, 200)
        for k in range(int(1480 / step)):
            if kind == "random-lengths":
                long = tall * rng.uniform(0.5, 1.5)
            elif kind == "thirds":
                long = tall * (1.5 if k % 3 == 0 else 1.0)
            else:
                long = tall * (1.0 if kind == "comb" else rng.uniform(0.97, 1.03))
            x = 10 + k * step
            cv2.rectangle(tex, (int(x), 60), (int(x + max(2, 0.35 * step)), int(60 + long)), (ink,) * 3, -1)
        if kind == "comb":
            cv2.rectangle(tex, (0, 20), (size[0], 60), (ink,) * 3, -1)
    elif kind == "thread":
        x = np.arange(size[0])
        wave = 60 * np.sin(2 * np.pi * x / step)
        for y in range(150, 330):
            tex[y, :, :] = (130 + np.roll(wave, int(0.1 * (y - 150))) * np.cos((y - 240) / 95))[:, None]
    elif kind == "barcode":
        x = 20
        while x < 1480:
            w = int(rng.integers(1, 5) * step / 4) + 1
            cv2.rectangle(tex, (x, 80), (x + w, 380), (ink,) * 3, -1)
            x += w + int(rng.integers(1, 5) * step / 4) + 1
    elif kind == "text":
        letters = "abcdefghijklmnopqrstuvwxyz     1234567890|lIiHT"
        for row in range(14):
            line = "".join(rng.choice(list(letters), 90))
            cv2.putText(
                tex,
                line,
                (10, 30 + row * 34),
                int(rng.choice(FONTS)),
                rng.uniform(0.6, 0.9),
                (ink,) * 3,
                2,
                cv2.LINE_AA,
            )
    elif kind == "lined":
        for k in range(int(480 / step)):
            cv2.line(tex, (0, int(10 + k * step)), (size[0], int(10 + k * step)), (ink,) * 3, 2)
    elif kind == "tiles":
        y, x = np.mgrid[: size[1], : size[0]]
        tex[((x // step + y // step) % 2) == 0] = ink
    elif kind == "keys":
        for k in range(int(1480 / step / 2)):
            for row in range(4):
                a = (int(10 + 2 * k * step + row * step / 2), int(40 + row * 2 * step))
                cv2.rectangle(tex, a, (int(a[0] + 1.6 * step), int(a[1] + 1.6 * step)), (ink,) * 3, -1)
                cv2.putText(
                    tex, "QWERTZUIOPASDFGHJKL"[k % 19], (a[0] + 4, int(a[1] + step)), FONTS[0], step / 40, (220,) * 3, 1
                )
    if kind != "bench":
        ppm = 1.0
        to_px = camera(
            rng,
            width,
            height,
            rng.uniform(0, 30),
            rng.uniform(900, 2200),
            np.array([750.0, 250.0]),
            rng.uniform(0, 360),
        )
        del ppm
        seen = cv2.warpPerspective(
            cv2.GaussianBlur(tex.astype(np.float32), (0, 0), 0.8), to_px, (width, height), flags=cv2.INTER_AREA
        )
        mask = cv2.warpPerspective(np.ones(tex.shape[:2], np.float32), to_px, (width, height), flags=cv2.INTER_LINEAR)
        picture = picture * (1 - mask[..., None]) + seen * mask[..., None]
    return finish(rng, picture, rng.uniform(0.3, 1.1), rng.uniform(1, 5), int(rng.integers(78, 96)))
