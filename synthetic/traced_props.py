"""Things beside the part as meshes with surfaces: coins, rulers, clutter and objects that are no cam. numpy, Pillow, shapely."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from PIL import Image, ImageDraw, ImageFilter
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from synthetic import negatives
from synthetic.coin_faces import hollows, struck
from synthetic.coin_table import COINS, HOLE_MM, coin_outline
from synthetic.plate import Mesh, Plate, PlateHole, circle, face, join, plate_mesh, resample, ring_of, rounded, wall
from synthetic.traced_surfaces import SIZE, Surface, flat, font, mix, noise, scratches

Array = np.ndarray


@dataclass(frozen=True, slots=True)
class Prop:
    """One thing: a closed mesh standing on z = 0, its surface, and what its outline is."""

    kind: str  # shape kind of the label
    name: str
    mesh: Mesh
    surface: Surface
    outline_mm: Array  # (N, 2)
    outline_z_mm: float
    height_mm: float
    holes_mm: tuple[Array, ...] = ()
    base_mm: float = 0.01  # what it stands on


COIN_TONES = {
    "copper": (0.80, 0.55, 0.42),
    "nickel": (0.76, 0.74, 0.71),
    "brass": (0.80, 0.69, 0.45),
    "aluminium": (0.86, 0.87, 0.88),
}
REEDS = {"eu-10c": 60, "eu-50c": 70, "eu-1": 90, "eu-2": 250, "us-quarter": 119, "us-dime": 118, "us-half": 150}


def _relief_train(rng: np.random.Generator, n: int) -> Array:
    """A head-like lump in a ring of letters."""
    image = Image.new("L", (n, n))
    draw = ImageDraw.Draw(image)
    c = n / 2
    for _ in range(9):
        x, y = rng.normal(c, n * 0.07, 2)
        a, b = rng.uniform(0.05, 0.17, 2) * n
        draw.ellipse([x - a, y - b, x + a, y + b], fill=int(rng.integers(120, 255)))
    _ring_text(rng, image, 0.40 * n, int(rng.integers(10, 26)), 0.075 * n)
    return np.asarray(image.filter(ImageFilter.GaussianBlur(n / 260)), dtype=np.float32) / 255.0


def _relief_heldout(rng: np.random.Generator, n: int) -> Array:
    """A large numeral or a building over lines, with stars around."""
    image = Image.new("L", (n, n))
    draw = ImageDraw.Draw(image)
    c = n / 2
    kind = int(rng.integers(3))
    if kind == 0:
        draw.text((c, c), str(int(rng.integers(1, 60))), fill=255, font=font(n * 0.42), anchor="mm")
        for k in range(6):
            draw.line([(c + n * 0.06 * k, c - n * 0.3), (c + n * 0.06 * k, c + n * 0.3)], fill=110, width=n // 160)
    elif kind == 1:
        count = int(rng.integers(4, 8))
        draw.polygon([(c - 0.26 * n, c - 0.1 * n), (c, c - 0.24 * n), (c + 0.26 * n, c - 0.1 * n)], fill=220)
        for k in range(count):
            x = c - 0.22 * n + 0.44 * n * k / (count - 1)
            draw.rectangle([x - 0.018 * n, c - 0.08 * n, x + 0.018 * n, c + 0.16 * n], fill=230)
        draw.rectangle([c - 0.27 * n, c + 0.16 * n, c + 0.27 * n, c + 0.2 * n], fill=200)
    else:
        turns = np.linspace(0, 2 * math.pi, 180)
        wobble = 1 + sum(rng.normal(0, 0.12 / k) * np.cos(k * turns + rng.uniform(0, 6)) for k in range(2, 9))
        draw.polygon(
            [
                (c + 0.22 * n * w * math.cos(t), c + 0.26 * n * w * math.sin(t))
                for t, w in zip(turns, wobble, strict=True)
            ],
            fill=170,
        )
        for _ in range(30):
            x, y = rng.normal(c, 0.11 * n, 2)
            draw.line([(x, y), tuple(rng.normal(c, 0.13 * n, 2))], fill=int(rng.integers(60, 255)), width=n // 120)
    for k in range(12):
        turn = 2 * math.pi * k / 12
        x, y, r = c + 0.41 * n * math.cos(turn), c + 0.41 * n * math.sin(turn), 0.02 * n
        points = [(x + r * (1 if i % 2 else 0.42) * math.sin(i * math.pi / 5), y + r * (1 if i % 2 else 0.42) * math.cos(i * math.pi / 5)) for i in range(10)]  # fmt: skip
        draw.polygon(points, fill=220)
    if rng.random() < 0.5:
        _ring_text(rng, image, 0.345 * n, int(rng.integers(6, 14)), 0.06 * n)
    return np.asarray(image.filter(ImageFilter.GaussianBlur(n / 300)), dtype=np.float32) / 255.0


def _ring_text(rng: np.random.Generator, image: Image.Image, radius: float, count: int, size: float) -> None:
    n = image.width
    letters = rng.choice(list("ABCDEFGHIKLMNOPRSTUVXYZ0123456789"), count)
    start = rng.uniform(0, 360)
    for k, letter in enumerate(letters):
        turn = start + k * 300.0 / 26.0
        glyph = Image.new("L", (int(size * 1.6), int(size * 1.6)))
        ImageDraw.Draw(glyph).text((size * 0.8, size * 0.8), str(letter), fill=255, font=font(size), anchor="mm")
        glyph = glyph.rotate(-turn, resample=Image.Resampling.BICUBIC)
        x = n / 2 + radius * math.sin(math.radians(turn)) - glyph.width / 2
        y = n / 2 - radius * math.cos(math.radians(turn)) - glyph.height / 2
        image.paste(255, (int(x), int(y)), glyph)


def coin(rng: np.random.Generator, name: str, *, heldout: bool) -> Prop:
    """A coin of true diameter and thickness with an invented relief, rim and reeds, shiny or worn."""
    diameter, thick, tone, form = COINS[name]
    core = float(rng.uniform(0.66, 0.74)) if tone.startswith("bimetal") else 0.0
    reeds = REEDS.get(name, 120) if form == "reeded" else 0
    r = diameter / 2
    n = SIZE
    extent = diameter * 1.02
    yy, xx = np.mgrid[0:n, 0:n].astype(np.float32)
    radius = np.hypot((xx + 0.5) / n - 0.5, (yy + 0.5) / n - 0.5) * extent / r  # share of the coin's radius
    relief = (_relief_heldout if heldout else _relief_train)(rng, n)
    wear = float(rng.uniform(0.0, 0.8))
    height = 0.10 * (1 - 0.5 * wear) * relief * (radius < 0.88)
    height = height - 0.003 * scratches(rng, n, int(250 * wear), 0.12)
    ring_metal = {"bimetal-gold-rim": "brass", "bimetal-silver-rim": "nickel"}.get(tone, tone)
    core_metal = {"brass": "nickel", "nickel": "brass"}.get(ring_metal, ring_metal)
    colour = flat(COIN_TONES[ring_metal], n)
    if core:
        inside = (radius < core).astype(np.float32)
        colour = mix(colour, flat(COIN_TONES[core_metal], n), inside)
        height = height - 0.05 * np.exp(-(((radius - core) / 0.012) ** 2))
    colour = colour * rng.uniform(0.85, 1.05)
    age = float(rng.beta(1.2, 1.8))
    tint = (0.36, 0.22, 0.15) if tone == "copper" else (0.42, 0.38, 0.32)
    dirt = np.clip(0.6 * noise(rng, n, 2.0) + 0.9 * (1 - relief) * wear + age - 0.6, 0, 1) * 0.55 * age
    colour = mix(colour, flat(tint, n), dirt)
    rough = float(rng.uniform(0.16, 0.38)) + 0.25 * dirt + 0.02 * noise(rng, n, 1.5)
    if not heldout:
        colour, height = _struck(rng, colour, height, n, r / extent)
    surface = Surface(name, np.clip(colour, 0, 1), np.clip(rough, 0.1, 1), height.astype(np.float32), extent, 1.0)
    shape = coin_outline(name)
    round_ = form in ("round", "reeded", "holed")
    ring = (
        circle(0, 0, r, points=max(240, 6 * reeds))
        if round_
        else resample(ring_of(shape.exterior, counter_clockwise=True), 0.25)
    )
    rim, low = 0.07 * r if round_ else min(0.07 * r, 0.75), 0.06 * (1 - 0.5 * wear) + 0.02
    edge = 0.12
    profile = rounded(0.0, thick, edge, edge, 3)
    profile += [(rim, thick, 0.0, 1.0), (rim, thick, -0.5, 0.85), (rim + 0.25, thick - low, -0.5, 0.85)]
    side, bottom, top = wall(ring, profile)
    bore: list[Mesh] = []
    upper: list[Array] = []
    lower: list[Array] = []
    holes: tuple[Array, ...] = ()
    if form == "holed":
        hole = circle(0, 0, HOLE_MM[name] / 2, clockwise=True)
        inside, first, last = wall(hole, rounded(0.0, thick - low, 0.05, 0.08, 2))
        bore, lower, upper, holes = [inside], [first], [last], (hole,)
    mesh = join([side, *bore, face(top, upper, thick - low, upward=True), face(bottom, lower, 0.0, upward=False)])
    if reeds:
        mesh = _reeded(mesh, reeds, r - 0.15)
    outline = circle(0, 0, r, points=180) if round_ else ring
    return Prop("coin", name, planar_uv(mesh, extent), surface, outline, thick - edge, thick, holes)


def _struck(rng: np.random.Generator, colour: Array, height: Array, n: int, share: float) -> tuple[Array, Array]:
    """Colour and height of a coin with a real coin's light and dark over them, or with dark hollows, or as they are."""
    kind = rng.random()
    if kind < 0.5:
        side = round(2.0 * share * n)
        face = struck(rng, side)
        if face is not None:
            low = (n - side) // 2
            light = np.ones((n, n), np.float32)
            light[low : low + side, low : low + side] = face[: n - low, : n - low]
            keep = float(rng.choice((0.0, 1.0), p=(0.7, 0.3)))
            return colour * light[..., None], (keep * height + rng.uniform(0.0, 0.06) * light).astype(np.float32)
    elif kind < 0.75:
        span = float(np.ptp(height)) or 1.0
        dark = hollows(rng, ((height - height.min()) / span).astype(np.float32), 0.03 * n)
        return colour * dark[..., None], height
    return colour, height


def _reeded(mesh: Mesh, reeds: int, beyond: float) -> Mesh:
    """Grooves across the edge: points and normals farther out than `beyond` follow them."""
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    turn = np.arctan2(y, x)
    out = np.hypot(x, y) > beyond
    v, n = mesh.vertices.copy(), mesh.normals.copy()
    v[out, :2] *= (1 - 0.0025 * (0.5 + 0.5 * np.cos(turn[out] * reeds)))[:, None]
    lean = 0.6 * np.sin(turn * reeds) * np.hypot(n[:, 0], n[:, 1])
    n[out, 0] -= (lean * np.sin(turn))[out]
    n[out, 1] += (lean * np.cos(turn))[out]
    return Mesh(v, mesh.faces, n / np.linalg.norm(n, axis=1, keepdims=True), mesh.uv)


def planar_uv(mesh: Mesh, extent: float, shift: tuple[float, float] = (0.0, 0.0)) -> Mesh:
    """Texture coordinates from x and y, the origin at the middle of the texture."""
    uv = mesh.vertices[:, :2] / extent + 0.5 + np.asarray(shift)
    return Mesh(mesh.vertices, mesh.faces, mesh.normals, uv)


def _ruler_image(
    rng: np.random.Generator,
    length: float,
    width: float,
    unit: str,
    back: tuple[int, int, int],
    ink: tuple[int, int, int],
) -> Image.Image:
    scale = 2048 / length
    image = Image.new("RGB", (2048, 2048), back)
    draw = ImageDraw.Draw(image)
    middle = 1024
    top, low = middle - width / 2 * scale, middle + width / 2 * scale
    margin = float(rng.uniform(2.0, 6.0)) if rng.random() < 0.7 else 0.0
    tick = 1.0 if unit == "mm" else 25.4 / 16
    count = int((length - 2 * margin) / tick)
    for k in range(count + 1):
        x = (margin + k * tick) * scale
        if unit == "mm":
            deep = 5.5 if k % 10 == 0 else 4.2 if k % 5 == 0 else 2.8
        else:
            deep = 6.0 if k % 16 == 0 else 4.8 if k % 8 == 0 else 3.8 if k % 4 == 0 else 2.8 if k % 2 == 0 else 1.9
        wide = 0.16 * scale / 2
        draw.rectangle([x - wide, top, x + wide, top + deep * scale], fill=ink)
        every = 10 if unit == "mm" else 16
        if k % every == 0 and 0 < k < count:
            text = str(k // every)
            draw.text((x, top + 8.2 * scale), text, fill=ink, font=font(3.4 * scale), anchor="mm")
    draw.text((1024, low - 3.2 * scale), "".join(rng.choice(list("ABCDEFGHKLMNPRSTUVXYZ"), 7)), fill=ink, font=font(3.0 * scale), anchor="mm")  # fmt: skip
    return image


def ruler(rng: np.random.Generator, unit: str, *, heldout: bool) -> Prop:
    """A ruler with true graduations of 1 mm or 1/16 inch."""
    length = float(rng.choice([100.0, 150.0])) + float(rng.uniform(4, 12))
    width, thick = float(rng.uniform(15, 30)), float(rng.uniform(0.5, 2.6))
    kind = int(rng.integers(3))
    metallic, rough = 0.0, float(rng.uniform(0.25, 0.6))
    if kind == 0:
        back, ink, metallic, rough, thick = (196, 196, 194), (25, 25, 25), 1.0, 0.36, float(rng.uniform(0.5, 1.0))
    elif kind == 1:
        back, ink = ((235, 235, 225), (20, 20, 30)) if not heldout else ((240, 205, 60), (20, 20, 20))
    else:
        back, ink = ((205, 165, 110), (40, 30, 25)) if not heldout else ((40, 42, 46), (235, 235, 235))
    image = _ruler_image(rng, length, width, unit, back, ink)
    colour = np.asarray(image, dtype=np.float32) / 255.0
    surface = Surface(f"ruler-{unit}", colour, np.full((64, 64), rough, np.float32), np.zeros((64, 64), np.float32), length, metallic)  # fmt: skip
    outline = np.array(
        [(-length / 2, -width / 2), (length / 2, -width / 2), (length / 2, width / 2), (-length / 2, width / 2)]
    )
    body = Polygon(outline).buffer(-0.5).buffer(0.5, 8)
    plate = Plate(ring_of(body.exterior, counter_clockwise=True), thick, (), (), 0.08, 0.05)
    return Prop(
        "ruler", unit, planar_uv(plate_mesh(plate, 5.0), length), surface, plate.outline_mm, thick - 0.08, thick
    )


# The project's printed card: where its fiducials lie and their 16 bits in OpenCV's 4x4 dictionary, ids 23 to 34, row by row.
CARD_BITS = (
    0xDD82, 0xFE47, 0x9471, 0xACE4, 0xA554, 0x2123, 0x346F, 0x4415, 0x57B2, 0x9ECF, 0xF0CB, 0x08AE,
)  # fmt: skip
CARD_CENTRES_MM = (
    (-48, 48), (-16, 48), (16, 48), (48, 48), (48, 16), (48, -16), (48, -48), (16, -48), (-16, -48), (-48, -48),
    (-48, -16), (-48, 16),
)  # fmt: skip
CARD_MARKER_MM, CARD_BAR_BELOW_MM, CARD_BAR_MM, CARD_EXTENT_MM = 14.0, 68.0, 100.0, 220.0


def card(rng: np.random.Generator) -> Prop:
    """The printed card, cut out or on its sheet, with its free place at the origin."""
    n = 4096
    scale = n / CARD_EXTENT_MM
    tone = int(rng.integers(236, 252))
    ink = int(rng.integers(12, 50))
    image = Image.new("RGB", (n, n), (tone, tone, tone - int(rng.integers(0, 6))))
    draw = ImageDraw.Draw(image)

    def box(x0: float, y0: float, x1: float, y1: float, grey: int) -> None:  # mm with y up; rows run down
        draw.rectangle(
            [n / 2 + x0 * scale, n / 2 - y1 * scale, n / 2 + x1 * scale - 1, n / 2 - y0 * scale - 1], fill=(grey,) * 3
        )

    cell = CARD_MARKER_MM / 6
    for bits, (cx, cy) in zip(CARD_BITS, CARD_CENTRES_MM, strict=True):
        half = CARD_MARKER_MM / 2
        box(cx - half, cy - half, cx + half, cy + half, ink)
        for k in range(16):
            if bits >> (15 - k) & 1:
                x, y = cx - half + (1 + k % 4) * cell, cy + half - (1 + k // 4) * cell
                box(x, y - cell, x + cell, y, tone)
    for k in range(0, 10, 2):
        x = -CARD_BAR_MM / 2 + 10.0 * k
        box(x, -CARD_BAR_BELOW_MM - 1.2, x + 10.0, -CARD_BAR_BELOW_MM + 1.2, ink)
    box(-CARD_BAR_MM / 2, -CARD_BAR_BELOW_MM - 1.4, CARD_BAR_MM / 2, -CARD_BAR_BELOW_MM - 1.2, ink)
    colour = np.asarray(image.resize((2048, 2048), Image.Resampling.BOX), dtype=np.float32) / 255.0
    surface = Surface("printed-card", colour, np.full((4, 4), 0.8), np.zeros((4, 4)), CARD_EXTENT_MM)
    side, low = float(rng.uniform(58, 66)), float(rng.uniform(74, 84))
    outline = np.array([(-side, -low), (side, -low), (side, side), (-side, side)])
    mesh = planar_uv(plate_mesh(Plate(outline, 0.11, (), (), 0.02, 0.02), 10.0), CARD_EXTENT_MM)
    return Prop("card", "printed-card", mesh, surface, outline, 0.11, 0.11)


def from_outline(kind: str, name: str, shape: BaseGeometry, thick: float, surface: Surface, edge: float = 0.15) -> Prop:
    """A flat prop from any polygon; its openings go right through."""
    shape = shape.buffer(-0.2).buffer(0.4).buffer(-0.2)  # no corner is sharper than the rounding of the edge
    polygon = shape if isinstance(shape, Polygon) else max(shape.geoms, key=lambda g: g.area)
    rings = tuple(ring_of(i, counter_clockwise=True) for i in polygon.interiors)
    plate = Plate(ring_of(polygon.exterior, counter_clockwise=True), thick, (), rings, min(edge, thick / 3), 0.05)
    mesh = planar_uv(plate_mesh(plate, 1.0), surface.extent_mm)
    return Prop(kind, name, mesh, surface, plate.outline_mm, thick - plate.upper_edge_mm, thick, rings)


def lathe(kind: str, name: str, profile: list[tuple[float, float]], surface: Surface, *, lying: bool) -> Prop:
    """A turned body from (radius, z) points, from the bottom to the top; lying on its side if asked."""
    turns = np.arange(48) * 2 * math.pi / 48
    rows, normals = [], []
    points = np.array(profile, dtype=float)
    for (r0, z0), (r1, z1) in pairwise(points):
        d = np.array([r1 - r0, z1 - z0])
        across, up = d[1], -d[0]
        size = math.hypot(across, up) or 1.0
        for r, z in ((r0, z0), (r1, z1)):
            rows.append(np.column_stack([r * np.cos(turns), r * np.sin(turns), np.full(48, z)]))
            normals.append(
                np.column_stack([across / size * np.cos(turns), across / size * np.sin(turns), np.full(48, up / size)])
            )
    faces = []
    i = np.arange(48)
    j = (i + 1) % 48
    for k in range(0, len(rows), 2):
        a, b, c, d2 = k * 48 + i, k * 48 + j, (k + 1) * 48 + j, (k + 1) * 48 + i
        faces += [np.column_stack([a, b, c]), np.column_stack([a, c, d2])]
    v, nrm = np.concatenate(rows), np.concatenate(normals)
    if lying:
        turn = np.array([[0, 0, 1.0], [0, 1, 0], [-1.0, 0, 0]])
        v, nrm = v @ turn.T, nrm @ turn.T
    v = v - np.array([0, 0, v[:, 2].min()])
    mesh = Mesh(v, np.concatenate(faces), nrm, v[:, :2] / surface.extent_mm + 0.5)
    hull = shapely.MultiPoint(v[:, :2]).convex_hull
    if lying:
        half = np.array([(p[0], z) for p, z in zip(profile, [q[1] for q in profile], strict=True)])
        along = half[:, 1]
        up, down = np.column_stack([along, half[:, 0]]), np.column_stack([along, -half[:, 0]])[::-1]
        hull = Polygon(np.vstack([up, down])).buffer(0)
        hull = hull if isinstance(hull, Polygon) else max(hull.geoms, key=lambda g: g.area)
    top = float(v[:, 2].max())
    return Prop(
        kind, name, mesh, surface, ring_of(hull.exterior, counter_clockwise=True), top / 2 if lying else top, top
    )


def screw(rng: np.random.Generator, surface: Surface) -> Prop:
    """A countersunk machine screw lying on its side, without its helix: rings instead."""
    d, length = float(rng.uniform(2.5, 4.2)), float(rng.uniform(5, 16))
    head = d * float(rng.uniform(1.8, 2.1))
    profile = [(0.0, 0.0), (head / 2, 0.0), (head / 2, 0.25), (d / 2, (head - d) / 2 + 0.25)]
    z = profile[-1][1] + 0.6
    while z < length:
        profile += [(d / 2, z), (d / 2 * 0.85, z + 0.3), (d / 2, z + 0.6)]
        z += 0.7
    profile += [(d / 2 * 0.8, z), (0.0, z)]
    return lathe("clutter", "screw", profile, surface, lying=True)


def pencil(rng: np.random.Generator, surface: Surface) -> Prop:
    """A pencil lying on its side."""
    r, length = 3.6, float(rng.uniform(90, 175))
    return lathe(
        "clutter", "pencil", [(0, 0), (r, 0), (r, length - 20), (0.9, length - 3), (0, length)], surface, lying=True
    )


def washer_shape(rng: np.random.Generator) -> BaseGeometry:
    outer = float(rng.uniform(4, 14))
    return Point(0, 0).buffer(outer, 48).difference(Point(0, 0).buffer(outer * float(rng.uniform(0.3, 0.6)), 48))


def key_blank(rng: np.random.Generator) -> BaseGeometry:
    """A key without bitting: bow, shoulder and plain blade."""
    bow = float(rng.uniform(10, 13))
    shape = shapely.union_all(
        [Point(0, 0).buffer(bow, 32), shapely.box(-4.6, -bow - 6, 4.6, 0), shapely.box(-4, -bow - 30, 4, -bow)]
    )
    shape = shape.buffer(1.2).buffer(-1.2)
    return shape.difference(Point(0, bow * 0.45).buffer(bow * 0.28, 32))


def nut_shape(rng: np.random.Generator, sides: int = 6) -> BaseGeometry:
    r = float(rng.uniform(4, 12))
    turn = np.arange(sides) * 2 * math.pi / sides
    return (
        Polygon(np.column_stack([r * np.cos(turn), r * np.sin(turn)]))
        .buffer(-0.4)
        .buffer(0.4)
        .difference(Point(0, 0).buffer(r * 0.52, 32))
    )


def _gear(rng: np.random.Generator) -> BaseGeometry:
    teeth, r = int(rng.integers(9, 28)), float(rng.uniform(8, 17))
    deep = r * float(rng.uniform(0.12, 0.25))
    t = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    wave = np.clip(1.6 * np.sin(teeth * t), -1, 1)
    ring = Polygon(np.column_stack([(r + deep / 2 * wave) * np.cos(t), (r + deep / 2 * wave) * np.sin(t)]))
    return ring.buffer(-0.15).buffer(0.15).difference(Point(0, 0).buffer(r * float(rng.uniform(0.15, 0.45)), 48))


def _hinge(rng: np.random.Generator) -> BaseGeometry:
    w, h = float(rng.uniform(10, 16)), float(rng.uniform(22, 40))
    shape: BaseGeometry = shapely.box(-w, -h / 2, w, h / 2).buffer(-1).buffer(1)
    for k in range(5):
        y = -h / 2 + h * (k + 0.5) / 5
        shape = shape.difference(
            shapely.box(-2.6 if k % 2 else 1.6, y - h / 10 + 0.3, -1.6 if k % 2 else 2.6, y + h / 10 - 0.3)
        )
    for x in (-w * 0.6, w * 0.6):
        for y in (-h * 0.3, 0.0, h * 0.3):
            shape = shape.difference(Point(x, y).buffer(1.7, 24))
    return shape


def _bracket(rng: np.random.Generator) -> BaseGeometry:
    a, b, w = float(rng.uniform(18, 34)), float(rng.uniform(16, 32)), float(rng.uniform(7, 12))
    shape: BaseGeometry = shapely.union_all([shapely.box(0, 0, w, a), shapely.box(0, 0, b, w)]).buffer(-1).buffer(1)
    for x, y in ((w / 2, a - w / 2), (w / 2, a * 0.55), (b - w / 2, w / 2), (b * 0.6, w / 2)):
        shape = shape.difference(Point(x, y).buffer(w * 0.2, 24))
    return shapely.affinity.translate(shape, -w, -w)


def _wing(rng: np.random.Generator) -> BaseGeometry:
    r = float(rng.uniform(4.5, 7))
    wings = [shapely.affinity.scale(Point(s * r * 1.9, r * 0.5).buffer(r * 0.9, 32), 1.3, 0.75) for s in (-1, 1)]
    shape = shapely.union_all(
        [Point(0, 0).buffer(r, 48), *wings, LineString([(-r * 1.8, r * 0.3), (r * 1.8, r * 0.3)]).buffer(r * 0.3)]
    )
    return shape.buffer(0.8).buffer(-0.8).difference(Point(0, 0).buffer(r * 0.45, 32))


def _spring(rng: np.random.Generator) -> BaseGeometry:
    """A flat spiral spring."""
    turns, gap = float(rng.uniform(2.5, 4.5)), float(rng.uniform(2.4, 3.6))
    t = np.linspace(0.3, turns * 2 * math.pi, 500)
    r = 2 + gap * t / (2 * math.pi)
    line = LineString(np.column_stack([r * np.cos(t), r * np.sin(t)]))
    return line.buffer(float(rng.uniform(0.4, 0.8)), 8)


def _spanner(rng: np.random.Generator) -> BaseGeometry:
    length, r = float(rng.uniform(28, 46)), float(rng.uniform(7, 10))
    shape = shapely.union_all(
        [shapely.box(-r * 0.45, 0, r * 0.45, length), Point(0, 0).buffer(r, 48), Point(0, length).buffer(r * 0.8, 48)]
    )
    shape = shape.buffer(2).buffer(-2)
    shape = shape.difference(
        shapely.affinity.rotate(shapely.box(-r * 0.5, -2 * r, r * 0.5, r * 0.2), 15, origin=(0, 0))
    )
    return shapely.affinity.translate(shape.difference(Point(0, length).buffer(r * 0.42, 32)), 0, -length / 2)


def _plate_clip(rng: np.random.Generator) -> BaseGeometry:
    w, h = float(rng.uniform(8, 14)), float(rng.uniform(14, 26))
    shape = LineString([(-w, h), (-w, 0), (w, 0), (w, h)]).buffer(float(rng.uniform(1.5, 3)), 24)
    return shapely.affinity.translate(shape, 0, -h / 2)


def _escutcheon(rng: np.random.Generator) -> BaseGeometry:
    """An oval cover plate with a keyhole and two nail holes."""
    a, b = float(rng.uniform(9, 13)), float(rng.uniform(15, 22))
    shape: BaseGeometry = shapely.affinity.scale(Point(0, 0).buffer(1, 64), a, b)
    key = shapely.union_all([Point(0, 2).buffer(2.6, 32), shapely.box(-1.2, -5, 1.2, 2)])
    for y in (-b * 0.8, b * 0.8):
        shape = shape.difference(Point(0, y).buffer(0.9, 16))
    return shape.difference(key)


def _tee(rng: np.random.Generator) -> BaseGeometry:
    """A mending plate."""
    a, w = float(rng.uniform(14, 22)), float(rng.uniform(7, 11))
    shape: BaseGeometry = (
        shapely.union_all([shapely.box(-a, 0, a, w), shapely.box(-w / 2, -a, w / 2, w)]).buffer(-1).buffer(1)
    )
    for x, y in ((-a * 0.8, w / 2), (a * 0.8, w / 2), (0, w / 2), (0, -a * 0.8), (-a * 0.35, w / 2), (a * 0.35, w / 2)):
        shape = shape.difference(Point(x, y).buffer(w * 0.19, 24))
    return shape


def _disc(rng: np.random.Generator) -> BaseGeometry:
    return Point(0, 0).buffer(float(rng.uniform(7, 15)), 64)


def _strip(rng: np.random.Generator) -> BaseGeometry:
    w, h = float(rng.uniform(3.5, 8)), float(rng.uniform(12, 26))
    shape: BaseGeometry = shapely.box(-w, -h, w, h).buffer(-1.2).buffer(1.2)
    for y in np.linspace(-h * 0.75, h * 0.75, int(rng.integers(0, 4))):
        shape = shape.difference(Point(0, float(y)).buffer(min(1.9, w * 0.45), 24))
    return shape


def _square_washer(rng: np.random.Generator) -> BaseGeometry:
    s = float(rng.uniform(8, 14))
    return shapely.box(-s, -s, s, s).buffer(-0.8).buffer(0.8).difference(Point(0, 0).buffer(s * 0.4, 48))


def _drawn_by(maker: Callable[[np.random.Generator], negatives.Made]) -> Callable[[np.random.Generator], BaseGeometry]:
    """The outline and openings of a kind that the fast renderer trains with too."""

    def draw(rng: np.random.Generator) -> BaseGeometry:
        for _ in range(20):
            shape, openings, _ = maker(rng)
            for o in openings:
                shape = shape.difference(Polygon(o.polygon_mm))
            middle = shape.minimum_rotated_rectangle.centroid
            whole = shape.buffer(-0.4).buffer(0.4)
            if whole.geom_type == "Polygon" and 40 < whole.area < 2500:
                return shapely.affinity.translate(whole, -middle.x, -middle.y)
        return _disc(rng)

    return draw


OTHERS_TRAIN: dict[str, Callable[[np.random.Generator], BaseGeometry]] = {
    "washer": washer_shape,
    "nut": nut_shape,
    "key-blank": key_blank,
    "disc": _disc,
    "strip": _strip,
    "square-washer": _square_washer,
} | {
    kind: _drawn_by(negatives.TRAINING[kind])
    for kind in ("plate", "drilled-disc", "flange", "lever", "link", "blob", "polygon", "composed", "star", "strike-plate")
}  # fmt: skip
OTHERS_HELDOUT: dict[str, Callable[[np.random.Generator], BaseGeometry]] = {
    "gear": _gear,
    "hinge": _hinge,
    "bracket": _bracket,
    "wing-nut": _wing,
    "spring": _spring,
    "spanner": _spanner,
    "clip": _plate_clip,
    "escutcheon": _escutcheon,
    "mending-plate": _tee,
}

__all__ = ["COINS", "OTHERS_HELDOUT", "OTHERS_TRAIN", "PlateHole", "Prop", "coin", "from_outline", "ruler"]
