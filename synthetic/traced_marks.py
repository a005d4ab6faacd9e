"""What use and making leave on a cam's faces: turned rings, stamps, casting gates, rubbed rings round holes, fingerprints, oil.

They are drawn into the part's own textures, where they belong on the part; the texture is mapped by a turn and a shift.
"""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
from PIL import Image, ImageDraw

from synthetic.plate import Cam
from synthetic.textures import fingerprints
from synthetic.traced_surfaces import Surface, font, noise

Array = np.ndarray
STAMP_MM, STAMP_PX = 12.0, 256


def part_coordinates(surface: Surface, turn: Array, start: Array) -> tuple[Array, Array]:
    """x and y on the part, in mm, of every texture pixel; `turn` (2, 2) and `start` (2,) take the part to the texture."""
    n = surface.height_mm.shape[0]
    u = (np.arange(n) + 0.5) / n - start[0]
    v = 1.0 - (np.arange(n) + 0.5) / n - start[1]
    u, v = (u + 0.5) % 1.0 - 0.5, (v + 0.5) % 1.0 - 0.5
    uu, vv = np.meshgrid(u * surface.extent_mm, v * surface.extent_mm)
    return (uu * turn[0, 0] + vv * turn[1, 0]).astype(np.float32), (uu * turn[0, 1] + vv * turn[1, 1]).astype(
        np.float32
    )


def _step(outside: Array, soft: float) -> Array:
    """1 inside, 0 outside, over about `soft` mm."""
    return np.asarray(1 / (1 + np.exp(np.clip(outside / soft, -30, 30))))


def _stamp(rng: np.random.Generator) -> Array:
    """Abstract marks: figures, bars, a ring."""
    image = Image.new("L", (STAMP_PX, STAMP_PX))
    draw = ImageDraw.Draw(image)
    c = STAMP_PX / 2
    if rng.random() < 0.7:
        text = "".join(rng.choice(list("0123456789"), int(rng.integers(1, 4))))
        draw.text((c, c), text, fill=255, font=font(float(rng.uniform(30, 70))), anchor="mm")
    if rng.random() < 0.35:
        r = rng.uniform(18, 60)
        draw.ellipse([c - r, c - r, c + r, c + r], outline=255, width=int(rng.integers(3, 8)))
    if rng.random() < 0.3:
        draw.rectangle([c - 70, c + 34, c + 70, c + 40], fill=200)
    return cv2.GaussianBlur(np.asarray(image, np.float32) / 255.0, (0, 0), float(rng.uniform(1.0, 2.5)))


def marked(
    rng: np.random.Generator, surface: Surface, cam: Cam, turn: Array, start: Array, *, screw_side: bool = True
) -> Surface:
    """The surface with this part's own marks, most often none or one kind; `screw_side` says which side will be seen."""
    kinds = ("turned", "stamp", "gate", "boss", "rubbed", "prints", "oil")
    chosen = {
        k
        for k, odds in zip(kinds, (0.10, 0.16, 0.22 if cam.cast else 0.0, 0.08, 0.14, 0.16, 0.12), strict=True)
        if rng.random() < odds
    }
    if not chosen:
        return surface
    n = surface.height_mm.shape[0]
    x, y = part_coordinates(surface, turn, start)
    height, rough, colour = surface.height_mm.astype(np.float32), surface.roughness.astype(np.float32), surface.colour
    top = float(cam.plate.outline_mm[:, 1].max())
    if "turned" in chosen:
        rings = rng.standard_normal(1200).astype(np.float32)
        height = height + rng.uniform(0.0006, 0.003) * np.interp(np.hypot(x, y), np.arange(1200) * 0.05, rings)
    if "stamp" in chosen:
        a, at = rng.uniform(0, 2 * np.pi), (rng.normal(0, 2.0), rng.uniform(-0.2 * top, 0.7 * top))
        dx, dy = x - at[0], y - at[1]
        k = STAMP_PX / STAMP_MM
        mx, my = (
            (dx * np.cos(a) + dy * np.sin(a)) * k + STAMP_PX / 2,
            (dx * np.sin(a) - dy * np.cos(a)) * k + STAMP_PX / 2,
        )
        mark = cv2.remap(_stamp(rng), mx.astype(np.float32), my.astype(np.float32), cv2.INTER_LINEAR, borderValue=0.0)
        height = height + float(rng.choice((-1, -1, 1))) * rng.uniform(0.04, 0.14) * mark
    if "gate" in chosen:  # where the casting was broken or pushed out of its mould
        for _ in range(int(rng.integers(1, 4))):
            r = np.hypot(x - rng.normal(0, 4), y - rng.uniform(-0.3 * top, 0.8 * top))
            size = rng.uniform(0.6, 1.7)
            disc = _step(r - size, 0.05)
            ring = disc if rng.random() < 0.5 else np.exp(-(((r - size) / 0.12) ** 2))
            height = height + rng.uniform(-0.09, 0.09) * ring
    if "boss" in chosen:  # raised or sunk round about the axis
        size = rng.uniform(4.5, 9.5)
        height = height + float(rng.choice((-1, 1))) * rng.uniform(0.05, 0.25) * _step(np.hypot(x, y) - size, 0.1)
    if "rubbed" in chosen:  # where screw heads have turned
        for hole in cam.plate.holes:
            away = np.hypot(x - hole.x_mm, y - hole.y_mm)
            ring = np.exp(
                -(((away - (hole.countersink_diameter_mm or hole.diameter_mm) / 2 - rng.uniform(0.4, 1.2)) / 0.5) ** 2)
            )
            if not screw_side:  # no head ever sat there; what is drawn at random after it stays as it is
                ring = np.zeros_like(ring)
            rough = rough * (1 - rng.uniform(-0.6, 0.6) * ring)
            colour = np.clip(colour * (1 + rng.uniform(-0.25, 0.2) * ring[..., None]), 0, 1)
            height = height - 0.002 * ring * np.interp(away, np.arange(200) * 0.06, rng.standard_normal(200))
    if "prints" in chosen:
        film = fingerprints(rng, n, n, n / surface.extent_mm, int(rng.integers(1, 6)))
        rough = rough + rng.uniform(0.08, 0.3) * film
        colour = colour * (1 - rng.uniform(0.0, 0.12) * film[..., None])
    if "oil" in chosen:
        film = np.clip(3.0 * noise(rng, n, 2.6) + rng.uniform(-2, 2), 0, 1)
        rough = rough * (1 - 0.55 * film)
        colour = colour * (1 - rng.uniform(0.05, 0.3) * film[..., None] * np.array([0.8, 0.9, 1.1]))
    return dataclasses.replace(
        surface, colour=np.clip(colour, 0, 1).astype(np.float32), roughness=np.clip(rough, 0.04, 1).astype(np.float32),
        height_mm=np.asarray(height, np.float32),
    )  # fmt: skip
