"""What light and matter look like: surroundings as a reflection map, metals, bench tops. Linear RGB, float32.

Directions are in the bench frame (x, y on the bench, z up). A reflection map holds the radiance seen in direction r at
the stereographic point (rx, ry) / (1 + rz); points outside the unit circle look below the horizon, at the bench.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

MAP_SIZE = 112
MAP_SPAN = 1.6  # the map covers stereographic -1.6 .. 1.6
BENCHES = (
    "white-paper", "grey-paper", "colour-paper", "card", "wood", "cloth", "rubber", "concrete", "steel", "text", "grid",
    "lined", "noise", "laminate", "tiles", "leather", "marble", "carpet", "stripes", "newspaper", "cutting-mat",
)  # fmt: skip


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
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Light:
    """A source: unit direction towards it, angular radius, colour times radiance, and its outline in the reflections."""

    kind: str  # window, lamp, tube, flash, sun, panel
    direction: tuple[float, float, float]
    radius_deg: float
    colour: tuple[float, float, float]
    aspect: float = 1.0
    turn_deg: float = 0.0

    def irradiance(self) -> np.ndarray:
        """What it gives a level surface."""
        solid = math.pi * math.radians(self.radius_deg) ** 2 * self.aspect * (4 / math.pi if self.kind in ("window", "panel") else 1)
        return np.asarray(self.colour, np.float32) * solid * max(0.0, self.direction[2])


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


def _choose(rng: np.random.Generator, odds: dict[str, float]) -> str:
    p = np.array(list(odds.values()))
    return str(rng.choice(list(odds), p=p / p.sum()))


def _tuple3(a: np.ndarray | list[float]) -> tuple[float, float, float]:
    return float(a[0]), float(a[1]), float(a[2])


def hue(rng: np.random.Generator, *, saturation: float, value: float) -> np.ndarray:
    """A random colour, linear RGB."""
    hsv = np.array([[[rng.uniform(0, 360), saturation, value]]], np.float32)
    return np.asarray(cv2.cvtColor(hsv, cv2.COLOR_HSV2RGB)[0, 0], np.float32) ** 2.2


def sample_metal(rng: np.random.Generator, *, cast: bool = False, only: str | None = None) -> Metal:
    """Draw a metal with its finish and its history."""
    name = only or _choose(rng, METAL_ODDS)
    seed = int(rng.integers(2**31))
    matte = np.zeros(3)
    if name == "painted":
        base = hue(rng, saturation=float(rng.choice((0.0, rng.uniform(0.1, 0.7)))), value=float(rng.uniform(0.12, 0.9)))
        mirror, rough, matte = np.full(3, 0.045), rng.uniform(0.08, 0.5), base
    elif name == "black-oxide":
        mirror, rough, matte = np.full(3, rng.uniform(0.05, 0.14)), rng.uniform(0.2, 0.5), np.full(3, rng.uniform(0.008, 0.03))
    elif name == "rusty":
        mirror, rough, matte = np.full(3, 0.12), rng.uniform(0.4, 0.7), np.array([0.24, 0.10, 0.045]) * rng.uniform(0.5, 1.2)
    else:
        colour, (low, high), castness = _METALS[name]
        mirror = np.array(colour) * rng.uniform(0.82, 1.05) * (1 + rng.normal(0, 0.03, 3))
        rough = rng.uniform(low, high)
        cast = cast or rng.random() < castness * 0.5
    grain = float(rng.uniform(0.01, 0.03) if rng.random() < 0.5 else rng.uniform(0.03, 0.10)) if cast else (float(rng.uniform(0, 0.03)) if rng.random() < 0.4 else 0.0)
    if cast:
        rough = min(0.7, rough + rng.uniform(0.02, 0.15))
    tarnish = float(rng.uniform(0.05, 0.8)) if rng.random() < 0.32 and name != "painted" else 0.0
    if tarnish:
        matte = matte + mirror * np.array([0.35, 0.28, 0.22]) * tarnish * rng.uniform(0.05, 0.5)
        mirror = mirror * (1 - 0.45 * tarnish)
    return Metal(
        name, _tuple3(mirror), float(rough), _tuple3(matte),
        brushed=float(rng.uniform(0.2, 1.0)) if not cast and rng.random() < 0.45 else 0.0, grain=grain, tarnish=tarnish,
        dirt=float(rng.uniform(0.1, 0.8)) if rng.random() < 0.22 else 0.0, oil=float(rng.uniform(0.2, 1.0)) if rng.random() < 0.15 else 0.0,
        scratches=int(rng.choice((0, 3, 12, 50, 160), p=(0.35, 0.25, 0.2, 0.13, 0.07))),
        turned=float(rng.uniform(0.01, 0.07)) if not cast and rng.random() < 0.1 else 0.0,
        wave=float(rng.uniform(0.003, 0.02) if rng.random() < 0.6 else rng.uniform(0.02, 0.05)), seed=seed,
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
        out += weight * cv2.warpAffine(grid, m, (w, h), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_WRAP)
        total += 0.55 * weight**2
        weight, cell = weight * gain, cell / 2.3
    return out / np.float32(math.sqrt(total))


def _directions() -> tuple[np.ndarray, np.ndarray]:
    axis = np.linspace(-MAP_SPAN, MAP_SPAN, MAP_SIZE, dtype=np.float32)
    px, py = np.meshgrid(axis, axis)
    q = px**2 + py**2
    return np.dstack([2 * px, 2 * py, 1 - q]) / (1 + q)[..., None], q


_DIRECTION, _Q = _directions()
_SOLID = (2 * MAP_SPAN / (MAP_SIZE - 1)) ** 2 * 4 / (1 + _Q) ** 2


def _patch(direction: np.ndarray, half_deg: float, aspect: float, turn_deg: float, *, round_: bool) -> np.ndarray:
    """Soft coverage of the map by a round or rectangular patch of sky about a direction."""
    d = direction / np.linalg.norm(direction)
    helper = np.array([0.0, 0.0, 1.0]) if abs(d[2]) < 0.95 else np.array([1.0, 0.0, 0.0])
    u = np.cross(helper, d)
    u /= np.linalg.norm(u)
    v = np.cross(d, u)
    t = math.radians(turn_deg)
    u, v = u * math.cos(t) + v * math.sin(t), v * math.cos(t) - u * math.sin(t)
    along = _DIRECTION @ d.astype(np.float32)
    scale = 1 / np.maximum(along, 1e-3)
    a, b = (_DIRECTION @ u.astype(np.float32)) * scale, (_DIRECTION @ v.astype(np.float32)) * scale
    half = math.tan(math.radians(min(half_deg, 60)))
    a, b = np.abs(a) / (half * math.sqrt(aspect)), np.abs(b) / (half / math.sqrt(aspect))
    measure = np.hypot(a, b) if round_ else np.maximum(a, b)
    soft = np.float32(0.05 / half + 0.06)
    return np.clip((1 - measure) / soft + 0.5, 0, 1).astype(np.float32) * (along > 0)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The reflection map of everything, and what of it lights the bench: evenly, and from single sources."""

    radiance: np.ndarray  # (MAP_SIZE, MAP_SIZE, 3)
    ambient: np.ndarray  # (3,) irradiance without the sources
    lights: tuple[Light, ...]


def sample_lights(rng: np.random.Generator) -> tuple[str, tuple[Light, ...]]:
    """A lighting situation and its sources."""
    kind = _choose(rng, {"window": 4, "lamp": 2.5, "ceiling": 3, "two": 2, "flash": 1.5, "sun": 1, "shade": 2})

    def towards(low: float, high: float) -> tuple[float, float, float]:
        up, round_ = math.radians(rng.uniform(low, high)), rng.uniform(0, 2 * math.pi)
        return math.cos(up) * math.cos(round_), math.cos(up) * math.sin(round_), math.sin(up)

    def white(kelvin: float) -> np.ndarray:
        warm = np.clip((6500 - kelvin) / 4000, -0.6, 1.0)
        return np.array([1 + 0.25 * warm, 1.0, 1 - 0.55 * warm]) * (1 + rng.normal(0, 0.015, 3))

    lights: list[Light] = []
    if kind in ("window", "two", "shade"):
        for _ in range(int(rng.choice((1, 2), p=(0.75, 0.25)))):
            lights.append(Light("window", towards(12, 55), float(rng.uniform(10, 28)), _tuple3(white(rng.uniform(5200, 8500)) * rng.uniform(2, 9)), float(rng.uniform(0.5, 2)), float(rng.normal(0, 8))))
    if kind in ("lamp", "two"):
        lights.append(Light("lamp", towards(25, 85), float(rng.uniform(2.5, 12)), _tuple3(white(rng.uniform(2500, 5000)) * rng.uniform(10, 60))))
    if kind == "ceiling":
        tube = rng.random() < 0.5
        turn = float(rng.uniform(0, 180))
        for _ in range(int(rng.choice((1, 2, 3)))):
            lights.append(Light("tube" if tube else "panel", towards(40, 88), float(rng.uniform(5, 14)), _tuple3(white(rng.uniform(3000, 6500)) * rng.uniform(4, 20)), float(rng.uniform(3, 9) if tube else rng.uniform(0.8, 2)), turn))
    if kind == "sun":
        lights.append(Light("sun", towards(25, 70), 1.2, _tuple3(white(5300) * rng.uniform(300, 900))))
    if kind == "flash" or rng.random() < 0.04:
        lights.append(Light("flash", (0.0, 0.0, 1.0), float(rng.uniform(1.0, 2.2)), _tuple3(white(rng.uniform(5000, 6200)) * rng.uniform(150, 700))))
    return kind, tuple(lights)


def surroundings(rng: np.random.Generator, lights: tuple[Light, ...], eye: np.ndarray, distance_mm: float) -> Surroundings:
    """Build the reflection map: room, sources, and the dark phone and person round the camera.

    Parameters
    ----------
    rng : numpy.random.Generator
        Chance for the room.
    lights : tuple of Light
        Sources; those of kind flash sit beside the lens whatever their direction says.
    eye : ndarray of shape (3,)
        Unit direction from the scene to the camera.
    distance_mm : float
        Of the camera, for the angular size of the phone.
    """
    base = float(rng.uniform(0.2, 0.8))
    tint = 1 + rng.normal(0, 0.07, 3)
    walls = 1 + rng.normal(0, 0.12, 3)
    up = np.clip(_DIRECTION[..., 2:3], 0, 1)
    ceiling, horizon = base * rng.uniform(0.35, 1.3), base * rng.uniform(0.1, 1.2)
    room = (horizon * walls * (1 - up) + ceiling * tint * up).astype(np.float32)
    room *= np.exp(0.35 * octaves(rng, MAP_SIZE, MAP_SIZE, 26, 3))[..., None] * (1 + 0.06 * octaves(rng, MAP_SIZE, MAP_SIZE, 40, 1))[..., None]
    for _ in range(int(rng.integers(2, 8))):  # furniture, doors, shelves: darker and lighter blocks near the horizon
        lift, turn = math.radians(rng.uniform(0, 50)), rng.uniform(0, 2 * math.pi)
        d = np.array([math.cos(lift) * math.cos(turn), math.cos(lift) * math.sin(turn), math.sin(lift)])
        cover = _patch(d, rng.uniform(5, 25), rng.uniform(0.3, 3), 0, round_=False)[..., None]
        room = room * (1 - cover) + cover * base * rng.uniform(0.02, 1.3) * (1 + rng.normal(0, 0.12, 3)).astype(np.float32)
    moved = tuple(Light(light.kind, _tuple3(_beside(rng, eye)), light.radius_deg, light.colour) if light.kind == "flash" else light for light in lights)
    # the phone, the hand that holds it and the head behind it take light away round the mirror direction of the lens
    half = math.degrees(math.atan2(rng.uniform(35, 60), distance_mm))
    side = rng.uniform(0, 360)
    phone = _patch(eye, half * 1.2, rng.uniform(1.6, 2.1), side, round_=False)[..., None]
    room = room * (1 - phone) + phone * base * np.float32(rng.uniform(0.02, 0.12))
    lean = eye + 0.5 * np.array([math.cos(turn := rng.uniform(0, 6.28)), math.sin(turn), 0.0]) * rng.uniform(0.3, 1.2)
    body = _patch(lean, rng.uniform(12, 32), rng.uniform(0.6, 1.6), math.degrees(turn), round_=True)[..., None]
    room = room * (1 - body * 0.8) + 0.8 * body * base * (np.float32(rng.uniform(0.05, 0.3)) * (1 + rng.normal(0, 0.1, 3)).astype(np.float32))
    level = np.where(_Q < 1, _SOLID * np.clip(_DIRECTION[..., 2], 0, 1), 0)
    ambient = (room * level[..., None]).sum((0, 1))
    radiance = room.copy()
    for light in moved:
        round_ = light.kind in ("lamp", "flash", "sun")
        cover = _patch(np.array(light.direction), max(light.radius_deg, 1.6), light.aspect, light.turn_deg, round_=round_)
        if light.kind == "window":  # glazing bars
            for _ in range(int(rng.integers(0, 3))):
                bar = _patch(np.array(light.direction) + rng.normal(0, 0.05, 3), light.radius_deg * 0.9, float(rng.choice((30.0, 0.03))), light.turn_deg, round_=False)
                cover = cover * (1 - 0.9 * bar)
        strength = np.asarray(light.colour, np.float32) * min(1.0, (light.radius_deg / 1.6) ** 2)
        radiance += (cover[..., None] * strength).astype(np.float32)
    return Surroundings(radiance.astype(np.float32), ambient.astype(np.float32), moved)


def _beside(rng: np.random.Generator, eye: np.ndarray) -> np.ndarray:
    d = eye + rng.normal(0, 0.02, 3)
    return np.asarray(d / np.linalg.norm(d))


def blurred_map(radiance: np.ndarray, below: np.ndarray, roughness: float, brushed: float = 0.0, brush_deg: float = 0.0) -> np.ndarray:
    """The reflection map as a rough, perhaps brushed, surface sees it; `below` is the bench's radiance."""
    full = np.where((_Q < 1)[..., None], radiance, below.astype(np.float32))
    sigma = 0.35 + 15.0 * roughness**1.3
    if brushed > 0.02:
        centre = ((MAP_SIZE - 1) / 2, (MAP_SIZE - 1) / 2)
        turn = cv2.getRotationMatrix2D(centre, brush_deg, 1.0)
        full = cv2.warpAffine(full, turn, (MAP_SIZE, MAP_SIZE), borderMode=cv2.BORDER_REPLICATE)
        full = cv2.GaussianBlur(full, (0, 0), sigmaX=max(0.35, sigma * 0.6), sigmaY=sigma + 22 * brushed)
        return cv2.warpAffine(full, cv2.invertAffineTransform(turn), (MAP_SIZE, MAP_SIZE), borderMode=cv2.BORDER_REPLICATE)
    return cv2.GaussianBlur(full, (0, 0), sigma)


def reflected(env: np.ndarray, normal_xy: tuple[np.ndarray, np.ndarray], view: tuple[np.ndarray, np.ndarray, np.ndarray], flat_z: float = 1.0) -> np.ndarray:
    """Radiance mirrored towards the eye by normals (nx, ny, flat_z), not yet of unit length."""
    nx, ny = normal_xy
    vx, vy, vz = view
    squared = nx * nx + ny * ny + np.float32(flat_z * flat_z)
    k = 2 * (nx * vx + ny * vy + flat_z * vz) / squared
    rx, ry, rz = k * nx - vx, k * ny - vy, k * np.float32(flat_z) - vz
    scale = np.float32((MAP_SIZE - 1) / (2 * MAP_SPAN)) / np.maximum(1 + rz, 0.15)
    half = np.float32((MAP_SIZE - 1) / 2)
    return cv2.remap(env, (rx * scale + half).astype(np.float32), (ry * scale + half).astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def slopes(height: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Normal components (-dz/dx, -dz/dy), y down the array, per pixel."""
    return -cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3, scale=0.125), -cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)


def bench_albedo(rng: np.random.Generator, kind: str, h: int, w: int, px_mm: float) -> np.ndarray:
    """Diffuse colour of a bench top, (h, w, 3) float32, at `px_mm` pixels a millimetre."""
    fine = rng.standard_normal((h, w), np.float32)
    one = np.ones((h, w, 1), np.float32)
    if kind in ("white-paper", "grey-paper", "colour-paper", "text", "grid", "lined", "newspaper"):
        value = {"grey-paper": rng.uniform(0.15, 0.6), "newspaper": rng.uniform(0.5, 0.65)}.get(kind, rng.uniform(0.7, 0.9))
        base = value * (1 + rng.normal(0, 0.03, 3))
        if kind == "colour-paper":
            base = hue(rng, saturation=float(rng.beta(1.5, 2.5)) * 0.9 + 0.06, value=rng.uniform(0.35, 0.92))
        fibre = cv2.GaussianBlur(fine, (0, 0), max(0.3, 0.12 * px_mm))
        shade = 1 + (0.02 * fibre / max(fibre.std(), 1e-6) + 0.02 * octaves(rng, h, w, 30 * px_mm, 2))
        out = shade[..., None] * base.astype(np.float32)
        if kind in ("text", "newspaper"):
            out *= (1 - 0.93 * _text(rng, h, w, px_mm)[..., None] * (1 - rng.uniform(0, 0.4, 3).astype(np.float32)))
        elif kind in ("grid", "lined"):
            step = rng.choice((1.0, 2.0, 4.0, 5.0, 7.0, 8.0, 10.0)) * px_mm
            step = max(step, 5.0)
            ink = hue(rng, saturation=rng.uniform(0.1, 0.8), value=0.5)
            line = max(0.6, rng.uniform(0.1, 0.35) * px_mm)
            y = np.abs((np.arange(h, dtype=np.float32) + rng.uniform(0, step)) % step - step / 2)
            x = np.abs((np.arange(w, dtype=np.float32) + rng.uniform(0, step)) % step - step / 2)
            cover = np.maximum(np.clip(line - y, 0, 1)[:, None] * np.ones((1, w), np.float32), np.clip(line - x, 0, 1)[None, :] if kind == "grid" else 0)
            strength = np.float32(rng.uniform(0.3, 0.95)) * min(1.0, line)
            out = out * (1 - strength * cover[..., None]) + strength * cover[..., None] * ink
        return out.astype(np.float32)
    if kind == "card":
        base = np.array([0.42, 0.28, 0.16]) * rng.uniform(0.6, 1.4) * (1 + rng.normal(0, 0.05, 3))
        fibres = cv2.blur(fine, (max(1, int(2.5 * px_mm)), 1)) if rng.random() < 0.7 else fine
        specks = (fine > 3.0).astype(np.float32)
        shade = 1 + 0.07 * fibres / max(fibres.std(), 1e-6) + 0.04 * octaves(rng, h, w, 12 * px_mm, 3) - 0.4 * cv2.GaussianBlur(specks, (0, 0), max(0.4, 0.15 * px_mm))
        if rng.random() < 0.3:  # flutes show through
            shade += 0.03 * np.sin(np.arange(w, dtype=np.float32) * 2 * np.pi / (6 * px_mm))[None]
        return (shade[..., None] * base).astype(np.float32)
    if kind == "wood":
        light = np.array([0.55, 0.36, 0.20]) * rng.uniform(0.35, 1.35) * (1 + rng.normal(0, 0.08, 3))
        dark = light * rng.uniform(0.3, 0.75) * np.array([1.0, 0.9, 0.8])
        y = np.arange(h, dtype=np.float32)[:, None] / px_mm
        bend = rng.uniform(0.5, 6) * cv2.resize(octaves(rng, max(4, h // 4), max(4, w // 16), 20 * px_mm / 4, 2), (w, h), interpolation=cv2.INTER_CUBIC)
        rings = np.sin((y + bend) * 2 * np.pi / rng.uniform(1.5, 12)) * 0.5 + 0.5
        rings = rings ** rng.uniform(0.7, 3)
        pores = cv2.blur(fine, (max(3, int(rng.uniform(3, 12) * px_mm)), 1))
        broad = 0.3 * cv2.resize(rng.standard_normal((max(4, int(h / (3 * px_mm)) + 2), max(2, w // 300 + 2)), np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
        mix = np.clip(rings * rng.uniform(0.05, 0.8) + rng.uniform(0.2, 1) * broad + 0.22 * pores / max(pores.std(), 1e-6) * rng.uniform(0.3, 1), 0, 1)[..., None]
        out = light * (1 - mix) + dark * mix
        if rng.random() < 0.3:  # a joint between boards
            row = int(rng.uniform(0, h))
            out[row : row + max(1, int(0.6 * px_mm))] *= 0.2
        return out.astype(np.float32)
    if kind in ("cloth", "carpet"):
        base = hue(rng, saturation=rng.uniform(0.0, 0.8), value=rng.uniform(0.15, 0.9))
        pitch = max(2.2, rng.uniform(0.35, 1.4) * px_mm)
        x, y = np.arange(w, dtype=np.float32)[None] * 2 * np.pi / pitch, np.arange(h, dtype=np.float32)[:, None] * 2 * np.pi / pitch
        jitter = 0.8 * octaves(rng, h, w, 6 * pitch, 2)
        weave = np.sin(x + jitter) * np.sin(y + jitter) if rng.random() < 0.6 else np.sin((x + y) + jitter)
        if kind == "carpet":
            weave = octaves(rng, h, w, 2.5 * px_mm, 3) * 1.2
        shade = 1 + rng.uniform(0.06, 0.3) * weave + 0.06 * fine + 0.05 * octaves(rng, h, w, 25 * px_mm, 3)
        out = np.clip(shade, 0.05, 3)[..., None] * base
        if rng.random() < 0.25:
            other = hue(rng, saturation=rng.uniform(0.0, 0.8), value=rng.uniform(0.1, 0.9))
            band = (np.sin(x * pitch / (rng.uniform(5, 30) * px_mm)) > rng.uniform(-0.5, 0.8)).astype(np.float32)[..., None] * one
            out = out * (1 - band) + band * np.clip(shade, 0.05, 3)[..., None] * other
        return out.astype(np.float32)
    if kind in ("rubber", "leather", "cutting-mat"):
        base = np.full(3, rng.uniform(0.015, 0.09)) * (1 + rng.normal(0, 0.06, 3))
        if kind == "leather":
            base = np.array([0.22, 0.11, 0.06]) * rng.uniform(0.3, 1.8)
        if kind == "cutting-mat":
            base = hue(rng, saturation=rng.uniform(0.4, 0.9), value=rng.uniform(0.2, 0.5))
        bump = octaves(rng, h, w, rng.uniform(0.6, 3) * px_mm + 2, 2)
        shade = 1 + rng.uniform(0.05, 0.3) * bump + 0.06 * fine + 0.12 * octaves(rng, h, w, 30 * px_mm, 3)
        out = np.clip(shade, 0.1, 3)[..., None] * base
        if kind == "cutting-mat":
            step = 10 * px_mm
            y, x = np.arange(h) % step < max(1, 0.25 * px_mm), np.arange(w) % step < max(1, 0.25 * px_mm)
            out[y] = out[y] * 0.5 + 0.25
            out[:, x] = out[:, x] * 0.5 + 0.25
        dust = cv2.GaussianBlur((fine > 3.2).astype(np.float32), (0, 0), 0.6)
        return (out + rng.uniform(0, 0.5) * dust[..., None]).astype(np.float32)
    if kind == "concrete":
        base = rng.uniform(0.18, 0.5) * (1 + rng.normal(0, 0.04, 3))
        pits = cv2.GaussianBlur((octaves(rng, h, w, 1.2 * px_mm + 2, 1) < -2.0).astype(np.float32), (0, 0), 0.7)
        shade = 1 + 0.12 * octaves(rng, h, w, 20 * px_mm, 5) + 0.07 * fine - 0.5 * pits
        return (np.clip(shade, 0.1, 3)[..., None] * base).astype(np.float32)
    if kind == "steel":
        base = rng.uniform(0.12, 0.5) * np.array([1.0, 0.99, 0.97])
        streak = cv2.blur(fine, (max(3, int(rng.uniform(5, 40) * px_mm)), 1))
        shade = 1 + 0.12 * streak / max(streak.std(), 1e-6) + 0.25 * octaves(rng, h, w, 60 * px_mm, 3) + 0.04 * fine
        out = np.clip(shade, 0.1, 3)[..., None] * base
        stains = np.clip(octaves(rng, h, w, 25 * px_mm, 3) - 1.0, 0, 1)[..., None]
        return (out * (1 - stains * np.array([0.3, 0.5, 0.65]))).astype(np.float32)
    if kind in ("laminate", "marble", "tiles"):
        base = hue(rng, saturation=rng.uniform(0.0, 0.25), value=rng.uniform(0.3, 0.95))
        speck = octaves(rng, h, w, rng.uniform(0.8, 4) * px_mm + 2, 2)
        shade = 1 + rng.uniform(0.01, 0.12) * speck + 0.01 * fine
        if kind == "marble":
            vein = 1 - np.abs(octaves(rng, h, w, 40 * px_mm, 4))
            shade -= rng.uniform(0.2, 0.6) * np.clip(vein - 0.85, 0, 0.15) / 0.15
        out = np.clip(shade, 0.05, 3)[..., None] * base
        if kind == "tiles":
            step, gap = rng.uniform(20, 80) * px_mm, max(1.0, rng.uniform(1, 3) * px_mm)
            y, x = (np.arange(h) + rng.uniform(0, step)) % step < gap, (np.arange(w) + rng.uniform(0, step)) % step < gap
            out[y], out[:, x] = rng.uniform(0.2, 0.6), rng.uniform(0.2, 0.6)
        return out.astype(np.float32)
    if kind == "stripes":
        a, b = hue(rng, saturation=rng.uniform(0, 0.8), value=rng.uniform(0.2, 0.95)), hue(rng, saturation=rng.uniform(0, 0.8), value=rng.uniform(0.1, 0.9))
        period = rng.uniform(4, 40) * px_mm
        t = np.arange(w, dtype=np.float32)[None] + np.float32(rng.uniform(-1, 1)) * np.arange(h, dtype=np.float32)[:, None]
        band = np.clip(np.sin(t * 2 * np.pi / period) * 8 + 0.5, 0, 1)[..., None]
        return ((a * band + b * (1 - band)) * (1 + 0.03 * fine[..., None])).astype(np.float32)
    # noise: anything at all, in two or three colours
    a, b, c = (hue(rng, saturation=float(rng.beta(1, 2)) * 0.9, value=rng.uniform(0.15, 0.92)) for _ in range(3))
    m = octaves(rng, h, w, rng.uniform(2, 60) * px_mm, int(rng.integers(2, 6)), rng.uniform(0.4, 0.8))
    sharp = rng.uniform(0.3, 3)
    t = (1 / (1 + np.exp(-m * sharp)))[..., None]
    u = (octaves(rng, h, w, rng.uniform(1, 30) * px_mm + 2, 3) > rng.uniform(0.3, 2))[..., None]
    return (np.where(u, c, a * t + b * (1 - t)) * (1 + rng.uniform(0, 0.08) * fine[..., None])).astype(np.float32)


def _text(rng: np.random.Generator, h: int, w: int, px_mm: float) -> np.ndarray:
    """Ink coverage of lines of invented words."""
    page = np.zeros((h, w), np.uint8)
    size = rng.uniform(1.6, 5.0) * px_mm / 21  # cap height in px over that of the font
    letters = np.array(list("abcdefghijklmnoprstuvwyeeeaaiiotnrs"))
    step = max(4, int(size * 21 * rng.uniform(1.6, 2.3)))
    font = int(rng.choice((cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_COMPLEX, cv2.FONT_HERSHEY_DUPLEX)))
    margin = int(rng.uniform(0, 0.1) * w)
    for row in range(step, h, step):
        if rng.random() < 0.1:
            continue
        wanted = min(400, max(4, int(1.3 * w / max(14 * size, 0.5))))
        drawn = letters[rng.integers(0, len(letters), wanted)]
        drawn[np.cumsum(rng.integers(2, 10, wanted)).clip(max=wanted - 1)] = " "
        cv2.putText(page, "".join(drawn.tolist()), (margin, row), font, max(0.05, size), 255, max(1, round(size * 2)), cv2.LINE_AA)
    return page.astype(np.float32) / 255
