"""The light of a whole scene: bench, shadows, then everything on it from the lowest to the highest."""

from __future__ import annotations

import math

import cv2
import numpy as np

from synthetic.benches import bench_albedo
from synthetic.plates import Stage, draw, shade_under
from synthetic.reflections import blurred_map, reflected, surroundings
from synthetic.scene import Scene, Slab
from synthetic.surfaces import octaves
from synthetic.truth import View


def compose(scene: Scene, view: View) -> np.ndarray:
    """The light that reaches the sensor: linear RGB, float32, (H, W, 3), before any of the phone's doings."""
    rng = np.random.default_rng(scene.seed)
    h, w = view.height, view.width
    _, lens = scene.camera.axes()
    eye = lens - np.array([*scene.camera.aim_mm, 0.0])
    around = surroundings(rng, scene.lights, eye / np.linalg.norm(eye), float(np.linalg.norm(eye)))
    level = around.ambient + sum((light.irradiance() for light in around.lights), np.zeros(3, np.float32))
    albedo = _bench(rng, scene, view)
    light_map = _unevenness(rng, scene, h, w)
    below = np.array(cv2.mean(albedo)[:3], np.float32) * level / np.float32(math.pi)
    stage = Stage(view, lens, around, below, level, light_map, albedo, scene.bench_z_mm)
    everything = [*scene.slabs, *([scene.main] if scene.main is not None else []), *(s for _, s in scene.fillings)]
    picture = albedo * _bench_light(scene, stage, everything) / np.float32(math.pi)
    if scene.bench in ("laminate", "tiles", "marble", "steel", "rubber", "leather"):
        picture += _bench_gloss(rng, scene, stage)
    picture = np.ascontiguousarray(picture, np.float32)
    for slab in scene.slabs:
        draw(picture, slab, stage)
    if scene.main is not None:
        if scene.main.z0_mm > scene.bench_z_mm + 0.5:
            shade_under(picture, scene.main, stage, 0.5)
        draw(picture, scene.main, stage)
    for _, slab in scene.fillings:
        draw(picture, slab, stage)
    for slab in scene.occluders:
        shade_under(picture, slab, stage)
        draw(picture, slab, stage)
    # in units of a white sheet; the phone takes most of the light's own colour out again
    mean = float(level.mean())
    return picture * (np.float32(math.pi / mean) * (mean / level) ** np.float32(rng.uniform(0.45, 1.05)))


def _bench(rng: np.random.Generator, scene: Scene, view: View) -> np.ndarray:
    """The bench's colour under every pixel of the picture."""
    h, w = view.height, view.width
    z = scene.bench_z_mm
    corners_px = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float)
    t = math.radians(scene.bench_turn_deg)
    turn = np.array([[math.cos(t), -math.sin(t)], [math.sin(t), math.cos(t)]])
    on_bench = view.unproject(corners_px, z) @ turn
    low, high = on_bench.min(0), on_bench.max(0)
    px_mm = min(view.px_per_mm(z), 1150 / float((high - low).max()))
    th, tw = max(8, math.ceil((high[1] - low[1]) * px_mm)), max(8, math.ceil((high[0] - low[0]) * px_mm))
    tile = bench_albedo(rng, scene.bench, th, tw, px_mm)
    tile_px = (np.c_[on_bench[:, 0] - low[0], high[1] - on_bench[:, 1]] * px_mm).astype(np.float32)
    m = cv2.getPerspectiveTransform(tile_px, corners_px.astype(np.float32))
    return np.clip(
        cv2.warpPerspective(tile, m, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101), 0.003, 0.95
    )


def _unevenness(rng: np.random.Generator, scene: Scene, h: int, w: int) -> np.ndarray:
    """Fall-off of near lamps and the phone's own soft shadow, as a factor."""
    small = (max(4, h // 8), max(4, w // 8))
    y, x = np.mgrid[0 : small[0], 0 : small[1]].astype(np.float32)
    y, x = y / small[0] - 0.5, x / small[1] - 0.5
    a = rng.uniform(0, 2 * math.pi)
    slope = rng.uniform(0, 0.7)
    out = 1 + slope * (x * math.cos(a) + y * math.sin(a)).astype(np.float32)
    if scene.phone_shadow:
        b, at = rng.uniform(0, 2 * math.pi), rng.uniform(-0.4, 0.6)
        edge = (x * math.cos(b) + y * math.sin(b) - at) / rng.uniform(0.03, 0.3)
        out *= 1 - scene.phone_shadow / (1 + np.exp(-np.clip(edge, -20, 20)))
    return cv2.resize(out.astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)


def _bench_light(scene: Scene, stage: Stage, slabs: list[Slab]) -> np.ndarray:
    """Irradiance of the bench with all shadows, (H, W, 3)."""
    view, around = stage.view, stage.around
    h, w = (view.height + 1) // 2, (view.width + 1) // 2
    px_mm = view.px_per_mm(scene.bench_z_mm) / 2

    def cover(shift: np.ndarray, slab: Slab) -> np.ndarray:
        points = (
            view.project(
                slab.to_bench(slab.outline_mm[:: max(1, len(slab.outline_mm) // 160)]) + shift, scene.bench_z_mm
            )
            / 2
        )
        return np.round(points * 16).astype(np.int32)

    canvas_shape = (h, w)
    total = np.zeros((h, w, 3), np.float32)
    open_sky = np.ones(canvas_shape, np.float32)
    for slab in slabs:
        tall = slab.z1_mm - scene.bench_z_mm
        if tall < 0.4:
            continue
        mask = np.zeros(canvas_shape, np.uint8)
        cv2.fillPoly(mask, [cover(np.zeros(2), slab)], 255, cv2.LINE_AA, 4)
        soft = mask.astype(np.float32) / 255
        near = cv2.GaussianBlur(soft, (0, 0), max(0.6, 0.35 * tall * px_mm))
        far = cv2.GaussianBlur(soft, (0, 0), max(0.8, 1.1 * tall * px_mm))
        open_sky *= 1 - 0.55 * near - 0.3 * far
    total += around.ambient * np.clip(open_sky, 0.08, 1)[..., None]
    for light in around.lights:
        lit = np.ones(canvas_shape, np.float32)
        d = np.array(light.direction)
        for slab in slabs:
            tall = slab.z1_mm - scene.bench_z_mm
            if tall < 0.08:
                continue
            away = -d[:2] / max(d[2], 0.12)
            mask = np.zeros(canvas_shape, np.uint8)
            low = max(0.0, slab.z0_mm - scene.bench_z_mm)
            for z in np.linspace(low, tall, 5):
                cv2.fillPoly(mask, [cover(away * z, slab)], 255, cv2.LINE_AA, 4)
            spread = math.tan(math.radians(min(light.radius_deg, 40))) / max(d[2], 0.2)
            sigma = max(0.45, 0.5 * spread * (low + tall) * 0.6 * px_mm)
            lit *= 1 - cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), sigma)
        total += light.irradiance() * lit[..., None]
    full = cv2.resize(total, (view.width, view.height), interpolation=cv2.INTER_LINEAR)
    return full * stage.light_map[..., None]


def _bench_gloss(rng: np.random.Generator, scene: Scene, stage: Stage) -> np.ndarray:
    """Weak soft reflections of the room in a bench that is not matt."""
    view = stage.view
    h, w = max(4, view.height // 6), max(4, view.width // 6)
    px = np.stack(np.meshgrid(np.linspace(0, view.width - 1, w), np.linspace(0, view.height - 1, h)), -1).reshape(-1, 2)
    xy = view.unproject(px, scene.bench_z_mm)
    to_eye = stage.lens_mm - np.c_[xy, np.full(len(xy), scene.bench_z_mm)]
    to_eye = (to_eye / np.linalg.norm(to_eye, axis=1, keepdims=True)).reshape(h, w, 3).astype(np.float32)
    env = blurred_map(stage.around.radiance, stage.below, float(rng.uniform(0.25, 0.6)))
    bump = np.float32(0.02) * octaves(rng, h, w, 8, 2)
    seen = reflected(env, (bump, bump[::-1]), (to_eye[..., 0], to_eye[..., 1], to_eye[..., 2]))
    strength = rng.uniform(0.03, 0.25) if scene.bench == "steel" else rng.uniform(0.01, 0.06)
    return cv2.resize(seen * np.float32(strength), (view.width, view.height), interpolation=cv2.INTER_LINEAR)
