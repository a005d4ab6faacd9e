"""Procedural surfaces for the path tracer: metals and benches as textures. numpy and Pillow only.

Colours are sRGB floats in [0, 1]; heights are in mm. Names in the TRAIN tables never occur in the HELDOUT ones, so that
the held-out pictures show surfaces that the network has not met.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont

Array = np.ndarray
Tone = tuple[float, float, float]
SIZE = 1024
BENCH_SIZE = 2048


@dataclass(frozen=True, slots=True)
class Surface:
    """One material as textures over a square of `extent_mm`."""

    name: str
    colour: Array  # (H, W, 3) sRGB
    roughness: Array  # (H, W)
    height_mm: Array  # (H, W)
    extent_mm: float
    metallic: float = 0.0
    anisotropic: float = 0.0
    clearcoat: float = 0.0


@lru_cache(maxsize=64)
def _field(size: int, beta: float, across: float, seed: int) -> Array:
    """Tileable noise with spectrum 1/f^beta, zero mean and unit deviation, `across` times as coarse along x."""
    rng = np.random.default_rng((size, int(beta * 100), int(across * 100), seed))
    fy = np.fft.fftfreq(size)[:, None] * size
    fx = np.fft.rfftfreq(size)[None, :] * size
    f = np.sqrt((fx * across) ** 2 + fy**2)
    f[0, 0] = np.inf
    spectrum = (rng.normal(size=f.shape) + 1j * rng.normal(size=f.shape)) * f ** (-beta / 2.0)
    noise = np.fft.irfft2(spectrum, (size, size))
    return np.asarray((noise - noise.mean()) / noise.std(), dtype=np.float32)


@lru_cache(maxsize=16)
def _streak_field(size: int, length: float, seed: int) -> Array:
    rng = np.random.default_rng((size, int(length * 1000), seed))
    fx = np.fft.rfftfreq(size)[None, :] * size
    spectrum = np.fft.rfft2(rng.normal(size=(size, size))) * np.exp(-((fx * length) ** 2))
    lines = np.fft.irfft2(spectrum, (size, size))
    return np.asarray((lines - lines.mean()) / lines.std(), dtype=np.float32)


def streaks(rng: np.random.Generator, size: int, length: float) -> Array:
    """Fine tileable streaks along x, about `length` of the side long; zero mean, unit deviation."""
    field = _streak_field(size, length, int(rng.integers(2)))
    return np.roll(field, tuple(int(v) for v in rng.integers(0, size, 2)), axis=(0, 1))


def noise(rng: np.random.Generator, size: int, beta: float, across: float = 1.0) -> Array:
    """A random piece of tileable noise, drawn from a few fields that are made once a process."""
    field = _field(size, beta, across, int(rng.integers(3)))
    field = np.roll(field, tuple(int(v) for v in rng.integers(0, size, 2)), axis=(0, 1))
    if rng.random() < 0.5:
        field = field[::-1]
    if rng.random() < 0.5:
        field = field[:, ::-1]
    return field


def font(size: float) -> Any:
    """Pillow's own typeface at a size in pixels."""
    return ImageFont.load_default(size)


def mix(a: Array, b: Array, share: Array) -> Array:
    """`a` where `share` is 0, `b` where it is 1."""
    return np.asarray(a * (1 - share[..., None]) + b * share[..., None])


def flat(rgb: Tone, size: int) -> Array:
    """One colour everywhere."""
    return np.ones((size, size, 3), dtype=np.float32) * np.asarray(rgb, dtype=np.float32)


def scratches(rng: np.random.Generator, size: int, count: int, longest: float, width: int = 1) -> Array:
    """Straight and slightly bent scratches as a mask in [0, 1]."""
    image = Image.new("L", (size, size))
    draw = ImageDraw.Draw(image)
    for _ in range(count):
        x, y = rng.uniform(0, size, 2)
        turn, length, bend = rng.uniform(0, math.pi), rng.uniform(0.1, 1.0) * longest * size, rng.normal(0, 0.3)
        points = [
            (x + s * length * math.cos(turn + bend * s), y + s * length * math.sin(turn + bend * s))
            for s in np.linspace(0, 1, 8)
        ]
        draw.line(points, fill=int(rng.integers(60, 255)), width=width)
    return np.asarray(image, dtype=np.float32) / 255.0


def _metal(
    rng: np.random.Generator,
    name: str,
    rgb: Tone,
    rough: tuple[float, float],
    *,
    grain: tuple[float, float] = (0.0, 1.0),
    brushed: float = 0.0,
    stain: tuple[Tone, float] | None = None,
    scratch: float = 0.5,
    anisotropic: float = 0.0,
    metallic: float = 1.0,
    extent: float = 60.0,
    wave: tuple[float, float] = (0.0, 0.0),
    clearcoat: float = 0.0,
) -> Surface:
    n = SIZE
    base = np.clip(np.asarray(rgb) * (1 + rng.normal(0, 0.012, 3)) * rng.uniform(0.93, 1.05), 0.02, 0.97)
    slow = noise(rng, n, 2.2)
    roughness = float(rng.uniform(*rough)) * (1 + 0.15 * slow)
    colour = flat((float(base[0]), float(base[1]), float(base[2])), n) * (1 + 0.015 * slow)[..., None]
    height = np.zeros((n, n), dtype=np.float32)
    if wave[1]:  # faces are never quite flat: it shows in what they mirror
        height += float(rng.uniform(*wave)) * noise(rng, n, 3.2)
    if grain[0]:
        height += grain[0] * noise(rng, n, grain[1])
    if brushed:
        lines = streaks(rng, n, 0.12)
        if rng.random() < 0.5:
            lines = lines.T
        height += brushed * lines
        roughness += 0.03 * lines
        colour *= (1 + 0.03 * lines)[..., None]
    if stain is not None:
        share = np.clip(0.5 * noise(rng, n, 2.0) + 0.7 * noise(rng, n, 2.8) + stain[1], 0, 1) * 0.85
        colour = mix(colour, flat(stain[0], n), share)
        roughness = roughness * (1 - share) + 0.55 * share
    marks = scratches(rng, n, int(rng.uniform(4, 160) * scratch), 0.25)
    height -= 0.004 * marks
    roughness += 0.10 * marks
    colour *= (1 + 0.10 * marks)[..., None]
    return Surface(
        name, np.clip(colour, 0, 1), np.clip(roughness, 0.04, 1.0), height, extent, metallic, anisotropic, clearcoat
    )


Maker = Callable[[np.random.Generator], Surface]
Look = Callable[[np.random.Generator, str], Surface]


def _named(table: dict[str, Look]) -> dict[str, Maker]:
    return {name: (lambda rng, look=look, name=name: look(rng, name)) for name, look in table.items()}  # type: ignore[misc]


WAVE = (0.0, 0.06)


def _any_metal(rng: np.random.Generator, name: str) -> Surface:
    """Any colour that a metal, a plating or a lacquer may have, any roughness, any finish."""
    value, warm, green = rng.uniform(0.2, 0.93), rng.uniform(-0.05, 0.45) * rng.random(), rng.normal(0, 0.03)
    lacquer, coarse = rng.random() < 0.12, float(rng.uniform(0.3, 2.2))  # fine grain as deep as coarse would be glitter
    rgb = _tinted(rng, 0.08, 0.9, 0.7) if lacquer else (value, value * (1 - 0.4 * warm + green), value * (1 - warm))
    stain = ((float(rng.uniform(0.08, 0.5)),) * 3, float(rng.uniform(-1.0, 0.4))) if rng.random() < 0.25 else None
    return _metal(
        rng, name, rgb, (0.04, 0.7),
        grain=(float(rng.uniform(0.0005, 0.002 + 0.002 * coarse)), coarse) if rng.random() < 0.5 else (0.0, 1.0),
        brushed=float(rng.uniform(0.0004, 0.003)) if rng.random() < 0.4 else 0.0, stain=stain,
        scratch=float(rng.uniform(0.0, 1.5)), anisotropic=float(rng.uniform(0, 0.85)) if rng.random() < 0.4 else 0.0,
        metallic=0.0 if lacquer else 1.0, extent=float(rng.uniform(36, 70)), wave=(0.0, 0.12),
    )  # fmt: skip


TRAIN_METALS = _named(
    {
        "brass": lambda r, n: _metal(r, n, (0.91, 0.80, 0.52), (0.12, 0.38), wave=WAVE),
        "brass-polished": lambda r, n: _metal(r, n, (0.93, 0.81, 0.50), (0.04, 0.13), wave=(0.01, 0.10), scratch=0.3),
        "brass-dull": lambda r, n: _metal(r, n, (0.80, 0.68, 0.42), (0.35, 0.6), grain=(0.0015, 1.0), wave=WAVE),
        "brass-old": lambda r, n: _metal(
            r, n, (0.66, 0.53, 0.33), (0.3, 0.5), stain=((0.30, 0.23, 0.15), float(r.uniform(-0.5, 0.5))), wave=WAVE
        ),
        "zinc": lambda r, n: _metal(r, n, (0.68, 0.69, 0.71), (0.34, 0.62), grain=(0.004, 1.2), scratch=0.2, wave=WAVE),
        "zinc-cast": lambda r, n: _metal(
            r, n, (0.60, 0.61, 0.63), (0.4, 0.7), grain=(float(r.uniform(0.004, 0.012)), 1.7), scratch=0.4, wave=(0.02, 0.1)
        ),
        "zinc-plated": lambda r, n: _metal(r, n, (0.78, 0.80, 0.83), (0.14, 0.36), grain=(0.0006, 1.4), wave=WAVE),
        "nickel": lambda r, n: _metal(r, n, (0.83, 0.80, 0.75), (0.12, 0.30), wave=WAVE),
        "nickel-bright": lambda r, n: _metal(r, n, (0.86, 0.84, 0.80), (0.04, 0.12), wave=(0.01, 0.12), scratch=0.25),
        "chrome": lambda r, n: _metal(r, n, (0.77, 0.78, 0.80), (0.04, 0.10), wave=(0.0, 0.10), scratch=0.2),
        "stainless": lambda r, n: _metal(
            r, n, (0.77, 0.76, 0.75), (0.20, 0.40), brushed=0.0012, anisotropic=0.6, wave=WAVE
        ),
        "stainless-coarse": lambda r, n: _metal(
            r, n, (0.70, 0.69, 0.68), (0.24, 0.46), brushed=0.0028, anisotropic=0.8, scratch=1.2, wave=WAVE
        ),
        "bronze": lambda r, n: _metal(r, n, (0.74, 0.58, 0.42), (0.22, 0.5), wave=WAVE),
        "bronze-dark": lambda r, n: _metal(r, n, (0.40, 0.31, 0.25), (0.25, 0.5), wave=WAVE, metallic=0.9),
        "copper": lambda r, n: _metal(r, n, (0.88, 0.62, 0.50), (0.10, 0.4), wave=WAVE),
        "phosphated": lambda r, n: _metal(
            r, n, (0.34, 0.34, 0.35), (0.45, 0.7), grain=(0.002, 0.8), metallic=0.6, scratch=0.5
        ),
        "blued": lambda r, n: _metal(r, n, (0.22, 0.24, 0.30), (0.15, 0.4), metallic=0.9, scratch=0.6, wave=WAVE),
        "rusty": lambda r, n: _metal(
            r, n, (0.60, 0.57, 0.54), (0.35, 0.6), grain=(0.004, 1.2),
            stain=((0.42, 0.25, 0.15), float(r.uniform(-0.6, 0.6))), wave=WAVE,
        ),
        "painted": lambda r, n: _metal(r, n, _tinted(r, 0.1, 0.85, 0.4), (0.12, 0.6), metallic=0.0, grain=(0.003, 1.6)),
        "dirty": lambda r, n: _metal(
            r, n, (0.76, 0.68, 0.50), (0.3, 0.5), stain=((0.22, 0.18, 0.14), float(r.uniform(-0.6, 0.2))), wave=WAVE
        ),
        "greasy": lambda r, n: _metal(
            r, n, (0.62, 0.58, 0.50), (0.16, 0.36), stain=((0.16, 0.13, 0.10), float(r.uniform(-0.9, 0.0))),
            clearcoat=float(r.uniform(0.2, 0.9)), wave=WAVE,
        ),
        "any-1": _any_metal,
        "any-2": _any_metal,
        "any-3": _any_metal,
    }
)  # fmt: skip
HELDOUT_METALS = _named(
    {
        "satin-chrome": lambda r, n: _metal(r, n, (0.80, 0.81, 0.83), (0.20, 0.34), brushed=0.0007, extent=44.0),
        "cartridge-brass": lambda r, n: _metal(
            r, n, (0.87, 0.74, 0.45), (0.22, 0.42), brushed=0.0008, anisotropic=0.3, extent=52.0
        ),
        "tarnished-brass": lambda r, n: _metal(
            r, n, (0.78, 0.64, 0.38), (0.28, 0.46), stain=((0.42, 0.32, 0.22), float(r.uniform(-0.4, 0.4)))
        ),
        "tumbled-zinc": lambda r, n: _metal(r, n, (0.63, 0.64, 0.66), (0.32, 0.50), grain=(0.006, 2.2), scratch=0.8),
        "blasted-nickel": lambda r, n: _metal(r, n, (0.78, 0.75, 0.70), (0.36, 0.52), grain=(0.0025, 0.3), scratch=0.3),
        "black-oxide": lambda r, n: _metal(
            r, n, (0.26, 0.25, 0.25), (0.30, 0.50), grain=(0.001, 1.0), scratch=0.7, metallic=0.8
        ),
        "ground-steel": lambda r, n: _metal(
            r, n, (0.72, 0.71, 0.69), (0.26, 0.42), brushed=0.0016, extent=36.0, scratch=0.9
        ),
        "yellow-zinc": lambda r, n: _metal(
            r, n, (0.82, 0.76, 0.52), (0.24, 0.40), stain=((0.70, 0.58, 0.62), float(r.uniform(-0.8, -0.1)))
        ),
    }
)


def _plain(
    rng: np.random.Generator,
    name: str,
    rgb: Tone,
    *,
    vary: float = 0.02,
    beta: float = 1.0,
    bump: float = 0.0,
    bump_beta: float = 1.0,
    rough: float = 0.85,
    shade: float = 0.06,
) -> Surface:
    n = BENCH_SIZE
    base = np.clip(np.asarray(rgb) * rng.uniform(1 - shade, 1 + shade) + rng.normal(0, 0.01, 3), 0.01, 0.97)
    colour = flat((float(base[0]), float(base[1]), float(base[2])), n) * (1 + vary * noise(rng, n, beta))[..., None]
    height = bump * noise(rng, n, bump_beta) if bump else np.zeros((n, n), dtype=np.float32)
    return Surface(name, np.clip(colour, 0, 1), np.full((n, n), rough, dtype=np.float32), height, 160.0)


def _tinted(rng: np.random.Generator, low: float, high: float, saturation: float) -> Tone:
    value, hue = rng.uniform(low, high), rng.uniform(0, 2 * math.pi)
    r, g, b = (float(np.clip(value * (1 + saturation * math.cos(hue + k * 2.094)), 0, 1)) for k in range(3))
    return r, g, b


def _wood(rng: np.random.Generator, name: str, light: Tone, dark: Tone, *, planks: int, pore: float) -> Surface:
    n, extent = BENCH_SIZE, float(rng.uniform(170, 240))
    y = np.linspace(0, 1, n, endpoint=False, dtype=np.float32)[:, None]
    warp = noise(rng, n, 3.6, 4.0)
    rings = 0.5 + 0.5 * np.sin(2 * math.pi * (y * float(rng.integers(14, 34)) + 0.9 * warp))
    fibre = streaks(rng, n, 0.02)
    share = np.clip(0.55 * rings + 0.18 * fibre + 0.12 * noise(rng, n, 2.4), 0, 1)
    colour = mix(flat(light, n), flat(dark, n), share)
    height = (-0.02 * share + 0.006 * fibre).astype(np.float32)
    if planks:
        edges = (np.arange(n) % (n // planks)) < 6
        for k in range(planks):
            rows = slice(k * n // planks, (k + 1) * n // planks)
            colour[rows] = np.roll(colour[rows] * rng.uniform(0.85, 1.1), int(rng.integers(n)), axis=1)
        colour[edges] *= 0.35
        height[edges] -= 0.3
    colour *= (1 - 0.5 * np.clip((fibre - 1.6) * pore, 0, 1))[..., None]
    rough = np.full((n, n), rng.uniform(0.35, 0.75), dtype=np.float32)
    return Surface(name, np.clip(colour, 0, 1), rough, height, extent)


def _weave(rng: np.random.Generator, name: str, rgb: Tone, second: Tone, *, threads: int, twill: bool) -> Surface:
    n, extent = BENCH_SIZE, float(rng.uniform(90, 150))
    phase = 2 * math.pi * threads * np.arange(n, dtype=np.float32) / n
    u, v = np.meshgrid(phase, phase)
    if twill:
        pattern = 0.5 + 0.5 * np.sin(u + v + 0.25 * noise(rng, n, 1.6)) * np.cos(0.5 * (u - v))
    else:
        pattern = 0.5 + 0.25 * (np.sin(u) * np.sign(np.sin(v)) + np.sin(v) * np.sign(np.cos(u)))
    fuzz = noise(rng, n, 0.6)
    colour = mix(flat(second, n), flat(rgb, n), np.clip(pattern + 0.08 * fuzz, 0, 1))
    colour *= (1 + 0.05 * noise(rng, n, 2.0))[..., None]
    height = (0.12 * pattern + 0.01 * fuzz).astype(np.float32)
    return Surface(name, np.clip(colour, 0, 1), np.full((n, n), 0.95, dtype=np.float32), height, extent)


def _speckle(rng: np.random.Generator, name: str, tones: list[Tone], weights: list[float], rough: float) -> Surface:
    n, extent = BENCH_SIZE, float(rng.uniform(140, 240))
    colour = flat(tones[0], n)
    for tone, weight in zip(tones[1:], weights, strict=True):
        grain = noise(rng, n, 1.1)
        colour = mix(colour, flat(tone, n), np.clip((grain - (2.0 - 2.4 * weight)) * 2.5, 0, 1))
    colour *= (1 + 0.03 * noise(rng, n, 0.4))[..., None]
    height = 0.01 * noise(rng, n, 1.4)
    return Surface(name, np.clip(colour, 0, 1), np.full((n, n), rough, dtype=np.float32), height, extent)


def _drawn(rng: np.random.Generator, name: str, image: Image.Image, extent: float, rough: float = 0.8) -> Surface:
    n = BENCH_SIZE
    colour = np.asarray(image.convert("RGB"), dtype=np.float32) / 255.0
    colour = colour * (1 + 0.012 * noise(rng, n, 0.8))[..., None]
    height = 0.004 * noise(rng, n, 0.8)
    return Surface(name, np.clip(colour, 0, 1), np.full((n, n), rough, dtype=np.float32), height, extent)


def _printed(rng: np.random.Generator, name: str, *, columns: int, paper: tuple[int, int, int]) -> Surface:
    n, extent = BENCH_SIZE, float(rng.uniform(150, 230))
    image = Image.new("RGB", (n, n), paper)
    draw = ImageDraw.Draw(image)
    letters = list("abcdefghijklmnoprstuvwxyz  AEKLMRST0123456789.,")
    width = n // columns
    for c in range(columns):
        size, ink = float(rng.uniform(24, 46)), int(rng.integers(15, 90))
        y = int(rng.uniform(0, 60))
        while y < n - size:
            if rng.random() < 0.06:
                y += int(size * rng.uniform(1, 5))
            big = size * (1.9 if rng.random() < 0.05 else 1.0)
            words = "".join(rng.choice(letters, int((width - 50) / (0.52 * big))))
            draw.text((c * width + 24, y), words, (ink, ink, ink), font(big))
            y += int(big * 1.4)
        if rng.random() < 0.4:
            top = int(rng.uniform(0, n * 0.7))
            draw.rectangle([c * width + 24, top, c * width + width - 40, top + int(n * 0.15)], fill=(ink + 90,) * 3)
    return _drawn(rng, name, image, extent)


def _grid(
    rng: np.random.Generator,
    name: str,
    back: tuple[int, int, int],
    line: tuple[int, int, int],
    *,
    step: int,
    bold: int,
    rough: float,
) -> Surface:
    n = BENCH_SIZE
    image = Image.new("RGB", (n, n), back)
    draw = ImageDraw.Draw(image)
    for k, at in enumerate(range(0, n, step)):
        width = 5 if bold and k % bold == 0 else 2
        draw.line([(at, 0), (at, n)], fill=line, width=width)
        draw.line([(0, at), (n, at)], fill=line, width=width)
    return _drawn(rng, name, image, 160.0, rough)


def _tiles(rng: np.random.Generator, name: str) -> Surface:
    n, count = BENCH_SIZE, int(rng.integers(2, 5))
    base = _plain(rng, name, _tinted(rng, 0.45, 0.85, 0.10), vary=0.03, beta=1.8, rough=0.25)
    colour, height, rough = base.colour, base.height_mm, base.roughness
    grout = 0.55 + 0.03 * noise(rng, n, 0.8)
    for k in range(count):
        band = slice(k * (n // count), k * (n // count) + 34)
        for index in ((band, slice(None)), (slice(None), band)):
            colour[index] = grout[index][..., None]
            height[index] = -0.5
            rough[index] = 0.95
    return Surface(name, colour, rough, height, float(rng.uniform(150, 260)))


def _corrugated(rng: np.random.Generator, name: str) -> Surface:
    s = _plain(rng, name, (0.70, 0.56, 0.40), vary=0.035, rough=0.95)
    wave = np.sin(2 * math.pi * 40 * np.arange(BENCH_SIZE, dtype=np.float32) / BENCH_SIZE)[None, :]
    colour = s.colour * (1 + 0.02 * wave + 0.03 * noise(rng, BENCH_SIZE, 0.9, 0.1))[..., None]
    return Surface(name, np.clip(colour, 0, 1), s.roughness, s.height_mm + 0.012 * wave, s.extent_mm)


def _brushed_sheet(rng: np.random.Generator, name: str) -> Surface:
    n = BENCH_SIZE
    lines = streaks(rng, n, 0.15)
    colour = flat((0.66, 0.66, 0.66), n) * (1 + 0.06 * lines)[..., None]
    rough = np.full((n, n), 0.38, dtype=np.float32)
    return Surface(name, np.clip(colour, 0, 1), rough, 0.001 * lines, 180.0, 1.0)


MATS = ((24, 74, 62), (30, 48, 78), (52, 56, 60))


def _gloss(rng: np.random.Generator, name: str, rgb: Tone, rough: tuple[float, float]) -> Surface:
    """Laminate, glass, a lacquered shelf: mirrors the lamp and the phone."""
    s = _plain(rng, name, rgb, vary=float(rng.uniform(0.002, 0.03)), beta=1.5, shade=0.1)
    smudge = np.clip(0.5 + 0.4 * noise(rng, BENCH_SIZE, 2.2), 0, 1)
    return Surface(name, s.colour, (rng.uniform(*rough) + 0.08 * smudge).astype(np.float32), s.height_mm, s.extent_mm)


def _patches(rng: np.random.Generator, name: str) -> Surface:
    """Anything at all, in three colours."""
    n = BENCH_SIZE
    a, b, c = (flat(_tinted(rng, 0.1, 0.95, float(rng.beta(1, 2)) * 0.9), n) for _ in range(3))
    coarse, fine = noise(rng, n, float(rng.uniform(1.6, 3.0))), noise(rng, n, float(rng.uniform(1.0, 2.4)))
    share = 1 / (1 + np.exp(-coarse * rng.uniform(0.4, 4)))
    colour = mix(mix(a, b, share), c, (fine > rng.uniform(0.4, 2.2)).astype(np.float32))
    colour *= (1 + rng.uniform(0, 0.08) * noise(rng, n, 0.4))[..., None]
    rough = np.full((n, n), rng.uniform(0.2, 0.95), dtype=np.float32)
    height = rng.uniform(0, 0.03) * noise(rng, n, float(rng.uniform(0.8, 1.6)))
    return Surface(name, np.clip(colour, 0, 1), rough, height, float(rng.uniform(90, 300)))


def _striped(rng: np.random.Generator, name: str) -> Surface:
    n = BENCH_SIZE
    x = np.arange(n) / n
    band = sum(float(rng.normal(0, 1)) * np.sign(np.sin(2 * np.pi * int(rng.integers(3, 30)) * x)) for _ in range(3))
    share = (np.asarray(band) > rng.normal(0, 0.5)).astype(np.float32)[None, :] * np.ones((n, 1), np.float32)
    colour = mix(flat(_tinted(rng, 0.2, 0.8, 0.3), n), flat(_tinted(rng, 0.1, 0.8, 0.35), n), share)
    colour *= (1 + 0.03 * noise(rng, n, 0.6))[..., None]
    return Surface(name, np.clip(colour, 0, 1), np.full((n, n), 0.85, np.float32), 0.004 * noise(rng, n, 0.8), 180.0)


def _magazine(rng: np.random.Generator, name: str) -> Surface:
    """Two columns of print with coloured pictures, on glossy paper."""
    s = _printed(rng, name, columns=2, paper=(244, 243, 240))
    colour = s.colour.copy()
    n = BENCH_SIZE
    for _ in range(int(rng.integers(1, 5))):
        h, w = (int(v) for v in rng.uniform(0.15, 0.5, 2) * n)
        y, x = int(rng.integers(0, n - h)), int(rng.integers(0, n - w))
        tone = flat(_tinted(rng, 0.2, 0.8, 0.7), n)[:h, :w]
        colour[y : y + h, x : x + w] = np.clip(tone * (1 + 0.5 * noise(rng, n, 2.6)[:h, :w, None]), 0, 1)
    return Surface(name, colour, np.full((n, n), rng.uniform(0.25, 0.7), np.float32), s.height_mm, s.extent_mm)


def _carpet(rng: np.random.Generator, name: str) -> Surface:
    n = BENCH_SIZE
    tuft = noise(rng, n, 0.9)
    colour = flat(_tinted(rng, 0.2, 0.75, 0.35), n) * (1 + 0.16 * tuft + 0.05 * noise(rng, n, 2.4))[..., None]
    return Surface(
        name, np.clip(colour, 0, 1), np.full((n, n), 1.0, np.float32), 0.12 * noise(rng, n, 1.3), float(rng.uniform(90, 160))
    )  # fmt: skip


TRAIN_BENCHES = _named(
    {
        "paper-white": lambda r, n: _plain(r, n, (0.93, 0.93, 0.92), vary=0.008, bump=0.004),
        "paper-grey": lambda r, n: _plain(r, n, (0.62, 0.62, 0.63), vary=0.012, bump=0.004, shade=0.3),
        "paper-coloured": lambda r, n: _plain(r, n, _tinted(r, 0.35, 0.9, 0.35), vary=0.012, bump=0.004),
        "paper-creased": lambda r, n: _plain(r, n, (0.90, 0.89, 0.87), vary=0.01, bump=0.10, bump_beta=2.8, shade=0.1),
        "wood": lambda r, n: _wood(r, n, (0.76, 0.60, 0.42), (0.52, 0.36, 0.22), planks=0, pore=0.5),
        "wood-dark": lambda r, n: _wood(r, n, (0.45, 0.30, 0.20), (0.26, 0.16, 0.11), planks=4, pore=0.8),
        "plywood": lambda r, n: _wood(r, n, (0.84, 0.73, 0.56), (0.74, 0.60, 0.43), planks=0, pore=0.2),
        "cloth": lambda r, n: _weave(
            r, n, _tinted(r, 0.4, 0.85, 0.2), _tinted(r, 0.2, 0.5, 0.2), threads=110, twill=False
        ),
        "canvas": lambda r, n: _weave(
            r, n, _tinted(r, 0.3, 0.95, 0.4), _tinted(r, 0.2, 0.7, 0.4), threads=int(r.integers(40, 90)), twill=False
        ),
        "carpet": _carpet,
        "rubber": lambda r, n: _plain(
            r, n, (0.16, 0.16, 0.17), vary=0.05, bump=0.03, bump_beta=0.6, rough=0.7, shade=0.4
        ),
        "concrete": lambda r, n: _speckle(
            r, n, [(0.58, 0.57, 0.55), (0.48, 0.47, 0.45), (0.70, 0.69, 0.67)], [0.35, 0.3], 0.9
        ),
        "worktop": lambda r, n: _speckle(
            r, n, [_tinted(r, 0.2, 0.9, 0.1), _tinted(r, 0.1, 0.9, 0.2), _tinted(r, 0.1, 0.9, 0.2)], [0.3, 0.25],
            float(r.uniform(0.12, 0.6)),
        ),
        "steel-sheet": _brushed_sheet,
        "laminate": lambda r, n: _gloss(r, n, _tinted(r, 0.35, 0.95, 0.15), (0.1, 0.45)),
        "black-gloss": lambda r, n: _gloss(r, n, (0.10, 0.10, 0.11), (0.05, 0.3)),
        "kraft": lambda r, n: _plain(r, n, (0.70, 0.56, 0.42), vary=0.05, beta=0.7, bump=0.008, bump_beta=0.8, shade=0.2),
        "printed": lambda r, n: _printed(r, n, columns=1, paper=(238, 238, 234)),
        "magazine": _magazine,
        "grid-paper": lambda r, n: _grid(r, n, (240, 241, 240), (150, 175, 205), step=64, bold=0, rough=0.85),
        "work-mat": lambda r, n: _grid(
            r, n, tuple(int(255 * c) for c in _tinted(r, 0.12, 0.5, 0.5)), (210, 210, 180),  # type: ignore[arg-type]
            step=int(r.choice([64, 128, 256])), bold=0, rough=0.5,
        ),
        "striped": _striped,
        "patches-1": _patches,
        "patches-2": _patches,
    }
)  # fmt: skip
HELDOUT_BENCHES = _named(
    {
        "sketch-paper": lambda r, n: _plain(
            r, n, (0.90, 0.89, 0.85), vary=0.012, beta=1.6, bump=0.015, bump_beta=0.8
        ),
        "envelope": lambda r, n: _plain(r, n, (0.80, 0.76, 0.66), vary=0.02, beta=0.9, bump=0.006),
        "blue-grey-card": lambda r, n: _plain(r, n, (0.55, 0.60, 0.66), vary=0.02, beta=1.4, bump=0.01),
        "cardboard": _corrugated,
        "cutting-mat": lambda r, n: _grid(
            r, n, MATS[int(r.integers(3))], (150, 178, 160), step=128, bold=5, rough=0.6
        ),
        "denim": lambda r, n: _weave(r, n, (0.30, 0.36, 0.50), (0.62, 0.66, 0.72), threads=90, twill=True),
        "oak": lambda r, n: _wood(r, n, (0.80, 0.68, 0.50), (0.62, 0.48, 0.32), planks=3, pore=1.6),
        "walnut": lambda r, n: _wood(r, n, (0.46, 0.33, 0.24), (0.32, 0.22, 0.16), planks=0, pore=1.0),
        "granite": lambda r, n: _speckle(
            r, n,
            [(0.62, 0.60, 0.59), (0.20, 0.20, 0.21), (0.84, 0.82, 0.80), (0.55, 0.42, 0.38)], [0.32, 0.38, 0.25], 0.3,
        ),
        "cork": lambda r, n: _speckle(
            r, n, [(0.66, 0.50, 0.34), (0.48, 0.33, 0.21), (0.76, 0.62, 0.45)], [0.4, 0.4], 0.95
        ),
        "newsprint": lambda r, n: _printed(r, n, columns=4, paper=(206, 203, 192)),
        "felt": lambda r, n: _plain(r, n, _tinted(r, 0.18, 0.5, 0.3), vary=0.10, beta=0.7, bump=0.05, bump_beta=0.9),
        "tiles": _tiles,
        "leather": lambda r, n: _plain(
            r, n, (0.36, 0.23, 0.15), vary=0.06, beta=1.6, bump=0.06, bump_beta=1.5, rough=0.5
        ),
    }
)  # fmt: skip
LIGHT_SHEETS = (
    "paper-white",
    "paper-grey",
    "paper-creased",
    "grid-paper",
    "sketch-paper",
    "envelope",
    "blue-grey-card",
)


def painted(rng: np.random.Generator, name: str) -> Surface:
    """A lacquered surface of any colour."""
    return _metal(rng, name, _tinted(rng, 0.25, 0.75, 0.6), (0.2, 0.5), metallic=0.0, scratch=0.1)
