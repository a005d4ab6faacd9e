"""Metals and their finishes, colours, and smooth noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from synthetic.outline import pick


@dataclass(frozen=True, slots=True)
class Metal:
    """A surface: mirror colour at normal incidence, roughness 0..1, matte colour under it."""

    name: str
    mirror: tuple[float, float, float]
    roughness: float
    matte: tuple[float, float, float] = (0.0, 0.0, 0.0)
    brushed: float = 0.0  # 0 none .. 1 strong
    grain: float = 0.0  # slope of the casting or blasting texture
    tarnish: float = 0.0
    dirt: float = 0.0
    oil: float = 0.0
    scratches: int = 0
    turned: float = 0.0  # slope of concentric tool marks
    wave: float = 0.02  # slope of the unevenness of the whole face
    prints: int = 0  # fingerprints
    seed: int = 0


_METALS: dict[str, tuple[tuple[float, float, float], tuple[float, float], float]] = {
    # mirror colour, roughness range, chance of being cast rather than stamped in looks
    "brass": ((0.86, 0.64, 0.32), (0.10, 0.50), 0.3),
    "brass-red": ((0.84, 0.55, 0.30), (0.12, 0.50), 0.3),
    "zinc": ((0.58, 0.59, 0.62), (0.30, 0.65), 0.8),
    "nickel": ((0.68, 0.64, 0.58), (0.05, 0.35), 0.2),
    "chrome": ((0.56, 0.57, 0.58), (0.03, 0.20), 0.2),
    "stainless": ((0.57, 0.55, 0.53), (0.15, 0.45), 0.1),
    "steel": ((0.50, 0.49, 0.48), (0.20, 0.55), 0.2),
    "zinc-plated": ((0.63, 0.63, 0.58), (0.15, 0.40), 0.1),
    "yellow-passivated": ((0.66, 0.57, 0.36), (0.18, 0.42), 0.1),
    "bronze": ((0.62, 0.42, 0.25), (0.18, 0.55), 0.4),
    "copper": ((0.90, 0.55, 0.42), (0.10, 0.45), 0.2),
    "aluminium": ((0.82, 0.83, 0.85), (0.25, 0.55), 0.3),
}


METAL_ODDS = {
    "brass": 5.0, "brass-red": 1.0, "zinc": 5.0, "nickel": 3.0, "chrome": 1.0, "stainless": 3.0, "steel": 2.0, "zinc-plated": 2.0,
    "yellow-passivated": 0.8, "bronze": 1.4, "copper": 0.3, "aluminium": 0.8, "painted": 1.2, "black-oxide": 1.3, "rusty": 0.7,
}  # fmt: skip


def three(a: np.ndarray | list[float]) -> tuple[float, float, float]:
    return float(a[0]), float(a[1]), float(a[2])


def hue(rng: np.random.Generator, *, saturation: float, value: float) -> np.ndarray:
    """A random colour, linear RGB."""
    hsv = np.array([[[rng.uniform(0, 360), saturation, value]]], np.float32)
    return np.asarray(cv2.cvtColor(hsv, cv2.COLOR_HSV2RGB)[0, 0], np.float32) ** 2.2


def sample_metal(rng: np.random.Generator, *, cast: bool = False, only: str | None = None) -> Metal:
    """Draw a metal with its finish and its history."""
    name = only or pick(rng, METAL_ODDS)
    seed = int(rng.integers(2**31))
    matte = np.zeros(3)
    if name == "painted":
        base = hue(rng, saturation=float(rng.choice((0.0, rng.uniform(0.1, 0.7)))), value=float(rng.uniform(0.12, 0.9)))
        mirror, rough, matte = np.full(3, 0.045), rng.uniform(0.08, 0.5), base
    elif name == "black-oxide":
        mirror, rough, matte = (
            np.full(3, rng.uniform(0.05, 0.14)),
            rng.uniform(0.2, 0.5),
            np.full(3, rng.uniform(0.008, 0.03)),
        )
    elif name == "rusty":
        mirror, rough, matte = (
            np.full(3, 0.12),
            rng.uniform(0.4, 0.7),
            np.array([0.24, 0.10, 0.045]) * rng.uniform(0.5, 1.2),
        )
    else:
        colour, (low, high), castness = _METALS[name]
        mirror = np.array(colour) * rng.uniform(0.82, 1.05) * (1 + rng.normal(0, 0.03, 3))
        rough = rng.uniform(low, high)
        cast = cast or rng.random() < castness * 0.5
    grain = (
        float(rng.uniform(0.01, 0.03) if rng.random() < 0.5 else rng.uniform(0.03, 0.08))
        if cast
        else (float(rng.uniform(0, 0.03)) if rng.random() < 0.4 else 0.0)
    )
    if cast:
        rough = min(0.7, rough + rng.uniform(0.02, 0.15))
    tarnish = float(rng.uniform(0.05, 0.8)) if rng.random() < 0.32 and name != "painted" else 0.0
    if tarnish:
        matte = matte + mirror * np.array([0.35, 0.28, 0.22]) * tarnish * rng.uniform(0.05, 0.5)
        mirror = mirror * (1 - 0.45 * tarnish)
    return Metal(
        name, three(mirror), float(rough), three(matte),
        brushed=float(rng.uniform(0.2, 1.0)) if not cast and rng.random() < 0.45 else 0.0, grain=grain, tarnish=tarnish,
        dirt=float(rng.uniform(0.1, 0.8)) if rng.random() < 0.22 else 0.0, oil=float(rng.uniform(0.2, 1.0)) if rng.random() < 0.15 else 0.0,
        scratches=int(rng.choice((0, 3, 12, 50, 160), p=(0.35, 0.25, 0.2, 0.13, 0.07))),
        turned=float(rng.uniform(0.01, 0.07)) if not cast and rng.random() < 0.1 else 0.0,
        wave=float(rng.uniform(0.003, 0.02) if rng.random() < 0.6 else rng.uniform(0.02, 0.05)), prints=int(rng.choice((0, 1, 3), p=(0.84, 0.1, 0.06))), seed=seed,
    )  # fmt: skip


def octaves(rng: np.random.Generator, h: int, w: int, cell: float, count: int = 3, gain: float = 0.55) -> np.ndarray:
    """Smooth noise of about unit spread: features of `cell` px, then finer ones."""
    out = np.zeros((h, w), np.float32)
    weight, total = 1.0, 0.0
    for _ in range(count):
        gh, gw = max(2, math.ceil(h / cell) + 2), max(2, math.ceil(w / cell) + 2)
        if gh >= h or gw >= w:
            out += weight * rng.standard_normal((h, w), np.float32)
            total += weight**2
            break
        # a turned grid, so that its rows and columns don't show
        a = rng.uniform(0, 2 * math.pi)
        c, s = math.cos(a) / cell, math.sin(a) / cell
        side = int((gh + gw) * 0.8) + 4
        m = np.array([[c, -s, side / 2 - c * w / 2 + s * h / 2], [s, c, side / 2 - s * w / 2 - c * h / 2]])
        grid = rng.standard_normal((side, side), np.float32)
        out += weight * cv2.warpAffine(
            grid, m, (w, h), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_WRAP
        )
        total += 0.55 * weight**2
        weight, cell = weight * gain, cell / 2.3
    return out / np.float32(math.sqrt(total))
