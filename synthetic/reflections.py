"""Light: its sources, and the surroundings as a map that metal mirrors. Linear RGB, float32.

Directions are in the bench frame (x, y on the bench, z up). A reflection map holds the radiance seen in direction r at
the stereographic point (rx, ry) / (1 + rz); points outside the unit circle look below the horizon, at the bench.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from synthetic.outline import pick
from synthetic.surfaces import octaves, three

MAP_SIZE = 112


MAP_SPAN = 1.6  # the map covers stereographic -1.6 .. 1.6


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
        solid = (
            math.pi
            * math.radians(self.radius_deg) ** 2
            * self.aspect
            * (4 / math.pi if self.kind in ("window", "panel") else 1)
        )
        return np.asarray(self.colour, np.float32) * solid * max(0.0, self.direction[2])


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The reflection map of everything, and what of it lights the bench: evenly, and from single sources."""

    radiance: np.ndarray  # (MAP_SIZE, MAP_SIZE, 3)
    ambient: np.ndarray  # (3,) irradiance without the sources
    lights: tuple[Light, ...]


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


def sample_lights(rng: np.random.Generator) -> tuple[str, tuple[Light, ...]]:
    """A lighting situation and its sources."""
    kind = pick(rng, {"window": 4, "lamp": 2.5, "ceiling": 3, "two": 2, "flash": 1.5, "sun": 1, "shade": 2})

    def towards(low: float, high: float) -> tuple[float, float, float]:
        up, round_ = math.radians(rng.uniform(low, high)), rng.uniform(0, 2 * math.pi)
        return math.cos(up) * math.cos(round_), math.cos(up) * math.sin(round_), math.sin(up)

    def white(kelvin: float) -> np.ndarray:
        warm = np.clip((6500 - kelvin) / 4000, -0.6, 1.0)
        return np.array([1 + 0.25 * warm, 1.0, 1 - 0.55 * warm]) * (1 + rng.normal(0, 0.015, 3))

    lights: list[Light] = []
    if kind in ("window", "two", "shade"):
        for _ in range(int(rng.choice((1, 2), p=(0.75, 0.25)))):
            lights.append(
                Light(
                    "window",
                    towards(12, 55),
                    float(rng.uniform(10, 28)),
                    three(white(rng.uniform(5200, 8500)) * rng.uniform(2, 9)),
                    float(rng.uniform(0.5, 2)),
                    float(rng.normal(0, 8)),
                )
            )
    if kind in ("lamp", "two"):
        lights.append(
            Light(
                "lamp",
                towards(25, 85),
                float(rng.uniform(2.5, 12)),
                three(white(rng.uniform(2500, 5000)) * rng.uniform(10, 60)),
            )
        )
    if kind == "ceiling":
        tube = rng.random() < 0.5
        turn = float(rng.uniform(0, 180))
        for _ in range(int(rng.choice((1, 2, 3)))):
            lights.append(
                Light(
                    "tube" if tube else "panel",
                    towards(40, 88),
                    float(rng.uniform(5, 14)),
                    three(white(rng.uniform(3000, 6500)) * rng.uniform(4, 20)),
                    float(rng.uniform(3, 9) if tube else rng.uniform(0.8, 2)),
                    turn,
                )
            )
    if kind == "sun":
        lights.append(Light("sun", towards(25, 70), 1.2, three(white(5300) * rng.uniform(300, 900))))
    if kind == "flash" or rng.random() < 0.04:
        lights.append(
            Light(
                "flash",
                (0.0, 0.0, 1.0),
                float(rng.uniform(1.0, 2.2)),
                three(white(rng.uniform(5000, 6200)) * rng.uniform(150, 700)),
            )
        )
    return kind, tuple(lights)


def surroundings(
    rng: np.random.Generator, lights: tuple[Light, ...], eye: np.ndarray, distance_mm: float
) -> Surroundings:
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
    room *= (
        np.exp(0.35 * octaves(rng, MAP_SIZE, MAP_SIZE, 26, 3))[..., None]
        * (1 + 0.06 * octaves(rng, MAP_SIZE, MAP_SIZE, 40, 1))[..., None]
    )
    for _ in range(int(rng.integers(2, 8))):  # furniture, doors, shelves: darker and lighter blocks near the horizon
        lift, turn = math.radians(rng.uniform(0, 50)), rng.uniform(0, 2 * math.pi)
        d = np.array([math.cos(lift) * math.cos(turn), math.cos(lift) * math.sin(turn), math.sin(lift)])
        cover = _patch(d, rng.uniform(5, 25), rng.uniform(0.3, 3), 0, round_=False)[..., None]
        room = room * (1 - cover) + cover * base * rng.uniform(0.02, 1.3) * (1 + rng.normal(0, 0.12, 3)).astype(
            np.float32
        )
    moved = tuple(
        Light(light.kind, three(_beside(rng, eye)), light.radius_deg, light.colour) if light.kind == "flash" else light
        for light in lights
    )
    # the phone, the hand that holds it and the head behind it take light away round the mirror direction of the lens
    half = math.degrees(math.atan2(rng.uniform(35, 60), distance_mm))
    side = rng.uniform(0, 360)
    phone = _patch(eye, half * 1.2, rng.uniform(1.6, 2.1), side, round_=False)[..., None]
    room = room * (1 - phone) + phone * base * np.float32(rng.uniform(0.02, 0.12))
    lean = eye + 0.5 * np.array([math.cos(turn := rng.uniform(0, 6.28)), math.sin(turn), 0.0]) * rng.uniform(0.3, 1.2)
    body = _patch(lean, rng.uniform(12, 32), rng.uniform(0.6, 1.6), math.degrees(turn), round_=True)[..., None]
    room = room * (1 - body * 0.8) + 0.8 * body * base * (
        np.float32(rng.uniform(0.05, 0.3)) * (1 + rng.normal(0, 0.1, 3)).astype(np.float32)
    )
    level = np.where(_Q < 1, _SOLID * np.clip(_DIRECTION[..., 2], 0, 1), 0)
    ambient = (room * level[..., None]).sum((0, 1))
    radiance = room.copy()
    for light in moved:
        round_ = light.kind in ("lamp", "flash", "sun")
        cover = _patch(
            np.array(light.direction), max(light.radius_deg, 1.6), light.aspect, light.turn_deg, round_=round_
        )
        if light.kind == "window":  # glazing bars
            for _ in range(int(rng.integers(0, 3))):
                bar = _patch(
                    np.array(light.direction) + rng.normal(0, 0.05, 3),
                    light.radius_deg * 0.9,
                    float(rng.choice((30.0, 0.03))),
                    light.turn_deg,
                    round_=False,
                )
                cover = cover * (1 - 0.9 * bar)
        strength = np.asarray(light.colour, np.float32) * min(1.0, (light.radius_deg / 1.6) ** 2)
        radiance += (cover[..., None] * strength).astype(np.float32)
    return Surroundings(radiance.astype(np.float32), ambient.astype(np.float32), moved)


def _beside(rng: np.random.Generator, eye: np.ndarray) -> np.ndarray:
    d = eye + rng.normal(0, 0.02, 3)
    return np.asarray(d / np.linalg.norm(d))


def blurred_map(
    radiance: np.ndarray, below: np.ndarray, roughness: float, brushed: float = 0.0, brush_deg: float = 0.0
) -> np.ndarray:
    """The reflection map as a rough, perhaps brushed, surface sees it; `below` is the bench's radiance."""
    full = np.where((_Q < 1)[..., None], radiance, below.astype(np.float32))
    sigma = 0.35 + 15.0 * roughness**1.3
    if brushed > 0.02:
        centre = ((MAP_SIZE - 1) / 2, (MAP_SIZE - 1) / 2)
        turn = cv2.getRotationMatrix2D(centre, brush_deg, 1.0)
        full = cv2.warpAffine(full, turn, (MAP_SIZE, MAP_SIZE), borderMode=cv2.BORDER_REPLICATE)
        full = cv2.GaussianBlur(full, (0, 0), sigmaX=max(0.35, sigma * 0.6), sigmaY=sigma + 22 * brushed)
        return cv2.warpAffine(
            full, cv2.invertAffineTransform(turn), (MAP_SIZE, MAP_SIZE), borderMode=cv2.BORDER_REPLICATE
        )
    return cv2.GaussianBlur(full, (0, 0), sigma)


def reflected(
    env: np.ndarray,
    normal_xy: tuple[np.ndarray, np.ndarray],
    view: tuple[np.ndarray, np.ndarray, np.ndarray],
    flat_z: float = 1.0,
) -> np.ndarray:
    """Radiance mirrored towards the eye by normals (nx, ny, flat_z), not yet of unit length."""
    nx, ny = normal_xy
    vx, vy, vz = view
    squared = nx * nx + ny * ny + np.float32(flat_z * flat_z)
    k = 2 * (nx * vx + ny * vy + flat_z * vz) / squared
    rx, ry, rz = k * nx - vx, k * ny - vy, k * np.float32(flat_z) - vz
    scale = np.float32((MAP_SIZE - 1) / (2 * MAP_SPAN)) / np.maximum(1 + rz, 0.15)
    half = np.float32((MAP_SIZE - 1) / 2)
    return cv2.remap(
        env,
        (rx * scale + half).astype(np.float32),
        (ry * scale + half).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )


def slopes(height: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Normal components (-dz/dx, -dz/dy), y down the array, per pixel."""
    return -cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3, scale=0.125), -cv2.Sobel(
        height, cv2.CV_32F, 0, 1, ksize=3, scale=0.125
    )
