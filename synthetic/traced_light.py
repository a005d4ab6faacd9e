"""Procedural surroundings as equirectangular light maps: rows run from zenith to nadir, columns once around. numpy only."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from synthetic.traced_surfaces import noise

Array = np.ndarray
ROWS, COLUMNS = 256, 512
Maker = Callable[[np.random.Generator], Array]


def _angles() -> tuple[Array, Array]:
    up = 90.0 - (np.arange(ROWS) + 0.5) * 180.0 / ROWS
    around = (np.arange(COLUMNS) + 0.5) * 360.0 / COLUMNS - 180.0
    return up[:, None] * np.ones((1, COLUMNS)), around[None, :] * np.ones((ROWS, 1))


def _kelvin(temperature: float) -> Array:
    """Approximate colour of a light source, green = 1 (Tanner Helland's fit, from memory: for looks only)."""
    t = temperature / 100.0
    red = 255.0 if t <= 66 else 329.7 * (t - 60) ** -0.1332
    green = 99.47 * math.log(t) - 161.1 if t <= 66 else 288.1 * (t - 60) ** -0.0755
    blue = 255.0 if t >= 66 else 138.5 * math.log(max(t - 10, 1.01)) - 305.0
    rgb = (np.clip([red, green, blue], 1, 255) / 255.0) ** 2.2
    return np.asarray(rgb / rgb[1])


def _room(rng: np.random.Generator, wall: float, ceiling: float, floor: float, tint: float) -> Array:
    """Walls, ceiling and floor with a few darker and lighter things standing about."""
    up, around = _angles()
    light = np.where(up > 35, ceiling, np.where(up < -8, floor, wall))
    light = light * (1 + 0.08 * noise(rng, 512, 2.2)[:ROWS])
    for _ in range(int(rng.integers(5, 16))):
        centre, wide = rng.uniform(-180, 180), rng.uniform(5, 35)
        top, low = rng.uniform(0, 30), rng.uniform(-25, 0)
        near = (np.abs((around - centre + 180) % 360 - 180) < wide) & (up < top) & (up > low)
        light[near] *= rng.uniform(0.15, 1.5)
    return light[..., None] * _kelvin(float(rng.uniform(3800, 6500))) * (1 + rng.normal(0, tint, 3))


def _panel(
    sky: Array, centre: float, wide: float, low: float, high: float, power: Array, *, soft: float = 1.0, bars: int = 0
) -> None:
    """Add a rectangular light between elevations and azimuths in degrees, in place."""
    up, around = _angles()
    x = np.abs((around - centre + 180) % 360 - 180)
    inside = np.ones_like(up)
    for outside in (x - wide, up - high, low - up):
        inside = inside / (1 + np.exp(np.clip(outside / soft, -40, 40)))
    if bars:
        pattern = np.ones_like(up)
        for k in range(1, bars):
            at = -wide + 2 * wide * k / bars
            pattern[np.abs((around - centre + 180) % 360 - 180 - abs(at)) < 1.0] = 0.15
        pattern[np.abs(up - (low + high) / 2) < 0.8] = 0.15
        inside = inside * pattern
    sky += inside[..., None] * power


def _disc(sky: Array, centre: float, elevation: float, radius: float, power: Array, soft: float = 0.6) -> None:
    """Add a round light, in place."""
    up, around = (np.radians(a) for a in _angles())
    e, c = math.radians(elevation), math.radians(centre)
    cosine = np.sin(up) * math.sin(e) + np.cos(up) * math.cos(e) * np.cos(around - c)
    away = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    sky += (1 / (1 + np.exp(np.clip((away - radius) / soft, -40, 40))))[..., None] * power


def _window(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.35, 0.6, 0.2, 0.02)
    low = float(rng.uniform(0, 15))
    _panel(
        sky, float(rng.uniform(-180, 180)), float(rng.uniform(14, 38)), low, low + float(rng.uniform(25, 45)),
        float(rng.uniform(8, 26)) * _kelvin(float(rng.uniform(5500, 9000))), bars=int(rng.integers(0, 4)),
    )  # fmt: skip
    return sky


def _overcast(rng: np.random.Generator) -> Array:
    up, _ = _angles()
    light = np.where(up > 0, 0.5 + np.sin(np.radians(np.clip(up, 0, 90))), 0.25)
    light = light * (1 + 0.12 * noise(rng, 512, 2.4)[:ROWS])
    return np.asarray(light[..., None] * _kelvin(float(rng.uniform(6000, 8000))) * 1.4)


def _tubes(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.35, 0.8, 0.25, 0.02)
    power = float(rng.uniform(20, 50)) * _kelvin(float(rng.uniform(3800, 6500)))
    first = float(rng.uniform(-180, 180))
    for k in range(int(rng.integers(1, 4))):
        elevation = float(rng.uniform(45, 75)) - 12 * k
        _panel(sky, first + 3 * k, float(rng.uniform(15, 45)), elevation, elevation + 4, power, soft=0.5)
    return sky


def _lamp(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.12, 0.16, 0.06, 0.03)
    _disc(
        sky, float(rng.uniform(-180, 180)), float(rng.uniform(30, 70)), float(rng.uniform(5, 14)),
        float(rng.uniform(30, 90)) * _kelvin(float(rng.uniform(2700, 4500))),
    )  # fmt: skip
    return sky


def _warm(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.5, 0.8, 0.2, 0.02) * _kelvin(float(rng.uniform(2700, 3400)))
    for _ in range(int(rng.integers(1, 4))):
        _disc(
            sky, float(rng.uniform(-180, 180)), float(rng.uniform(15, 70)), float(rng.uniform(3, 9)),
            float(rng.uniform(20, 50)) * _kelvin(2800), 1.5,
        )  # fmt: skip
    return sky


def _dark(rng: np.random.Generator) -> Array:
    return _room(rng, 0.08, 0.10, 0.05, 0.03)


def _skylight(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.30, 0.35, 0.15, 0.02)
    elevation = float(rng.uniform(48, 66))
    _panel(
        sky, float(rng.uniform(-180, 180)), float(rng.uniform(22, 50)), elevation, elevation + float(rng.uniform(8, 18)),
        float(rng.uniform(8, 22)) * _kelvin(float(rng.uniform(6500, 10000))), soft=0.8, bars=2,
    )  # fmt: skip
    return sky


def _corner(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.3, 0.5, 0.2, 0.02)
    first = float(rng.uniform(-180, 180))
    for turn in (0.0, float(rng.uniform(60, 120))):
        _panel(
            sky, first + turn, float(rng.uniform(9, 22)), float(rng.uniform(-5, 8)), float(rng.uniform(28, 50)),
            float(rng.uniform(5, 18)) * _kelvin(float(rng.uniform(5000, 7500))), bars=int(rng.integers(0, 3)),
        )  # fmt: skip
    return sky


def _panels(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.4, 0.5, 0.3, 0.02)
    power = float(rng.uniform(8, 16)) * _kelvin(float(rng.uniform(4000, 5500)))
    first = float(rng.uniform(-180, 180))
    for row in range(2):
        for k in range(4):
            _panel(sky, first + 90 * k + 45 * row, 12, 45 + 22 * row, 55 + 22 * row, power, soft=0.5)
    return sky


def _evening(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.15, 0.2, 0.08, 0.03)
    first = float(rng.uniform(-180, 180))
    _panel(sky, first, 20, 0, 35, float(rng.uniform(2, 6)) * _kelvin(9500), bars=2)
    _disc(
        sky,
        first + float(rng.uniform(90, 200)),
        float(rng.uniform(30, 65)),
        8,
        float(rng.uniform(15, 45)) * _kelvin(2900),
    )
    return sky


def _shade(rng: np.random.Generator) -> Array:
    up, around = _angles()
    blue = np.clip(up / 60, 0, 1)[..., None]
    sky = (1 - blue) * np.array([1.1, 1.15, 1.2]) + blue * np.array([0.55, 0.8, 1.25])
    trees = 14 + 10 * noise(rng, 512, 2.0)[0][:COLUMNS]
    dark = up < trees[None, :]
    sky[dark] = np.array([0.12, 0.16, 0.09])
    sky *= (1 + 0.15 * noise(rng, 512, 1.6)[:ROWS])[..., None]
    sky[up < -2] = np.array([0.30, 0.28, 0.25])
    house = (np.abs((around - rng.uniform(-180, 180) + 180) % 360 - 180) < 70) & (up > 0) & (up < 60)
    sky[house] = np.array([0.42, 0.38, 0.34])
    return np.asarray(sky * 1.5)


def _pendant(rng: np.random.Generator) -> Array:
    sky = _room(rng, 0.2, 0.15, 0.1, 0.03)
    at = float(rng.uniform(-180, 180))
    _disc(
        sky, at, float(rng.uniform(55, 72)), float(rng.uniform(9, 18)),
        float(rng.uniform(10, 35)) * _kelvin(float(rng.uniform(3000, 4200))), 2.5,
    )  # fmt: skip
    _panel(sky, at + 150, 10, 5, 30, 3.0 * _kelvin(6500))
    return sky


def _sun(rng: np.random.Generator) -> Array:
    """Hard sunlight, out of doors or through a pane, over a bright or a dark surrounding."""
    sky = _overcast(rng) * 0.35 if rng.random() < 0.5 else _room(rng, 0.3, 0.4, 0.2, 0.03)
    _disc(
        sky, float(rng.uniform(-180, 180)), float(rng.uniform(22, 70)), 0.9,
        float(rng.uniform(400, 1600)) * _kelvin(float(rng.uniform(4800, 5800))), 0.25,
    )  # fmt: skip
    return sky


def _softbox(rng: np.random.Generator) -> Array:
    """One large soft light overhead or a sheet of light: metal mirrors it and comes near to the bench's brightness."""
    sky = _room(rng, 0.25, 0.3, 0.2, 0.02)
    low = float(rng.uniform(35, 65))
    _panel(
        sky, float(rng.uniform(-180, 180)), float(rng.uniform(35, 180)), low, 90.0,
        float(rng.uniform(2, 9)) * _kelvin(float(rng.uniform(4200, 7000))), soft=float(rng.uniform(1, 8)),
    )  # fmt: skip
    return sky


def _workshop(rng: np.random.Generator) -> Array:
    """Several lamps and panes of unlike colour: shadows that cross."""
    sky = _room(rng, *(float(v) for v in rng.uniform(0.08, 0.5, 3)), 0.05)
    for _ in range(int(rng.integers(2, 6))):
        at, power = float(rng.uniform(-180, 180)), _kelvin(float(rng.uniform(2600, 9000)))
        if rng.random() < 0.5:
            _disc(sky, at, float(rng.uniform(20, 85)), float(rng.uniform(1.5, 12)), float(rng.uniform(8, 90)) * power)
        else:
            low = float(rng.uniform(-5, 65))
            _panel(
                sky, at, float(rng.uniform(4, 40)), low, low + float(rng.uniform(4, 35)), float(rng.uniform(3, 25)) * power,
                soft=float(rng.uniform(0.4, 3)), bars=int(rng.integers(0, 4)),
            )  # fmt: skip
    return sky


def _even(rng: np.random.Generator) -> Array:
    """Light from everywhere: a tent, snow, a white room."""
    level, slope = float(rng.uniform(0.8, 1.6)), float(rng.uniform(-0.5, 0.8))
    up, _ = _angles()
    light = level * (1 + slope * np.sin(np.radians(np.clip(up, 0, 90)))) * (1 + 0.1 * noise(rng, 512, 2.4)[:ROWS])
    return np.asarray(np.maximum(light, 0.05)[..., None] * _kelvin(float(rng.uniform(4500, 7500))))


TRAIN: dict[str, Maker] = {
    "window": _window,
    "overcast": _overcast,
    "ceiling-tubes": _tubes,
    "lamp": _lamp,
    "warm-room": _warm,
    "dark-flash": _dark,
    "sun": _sun,
    "softbox": _softbox,
    "workshop-1": _workshop,
    "workshop-2": _workshop,
    "even": _even,
}
HELDOUT: dict[str, Maker] = {
    "skylight": _skylight,
    "corner-windows": _corner,
    "led-panels": _panels,
    "evening": _evening,
    "garden-shade": _shade,
    "pendant": _pendant,
}
