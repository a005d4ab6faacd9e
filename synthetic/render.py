"""The fast renderer: extruded plates under a reflection map, then a phone's camera. numpy and OpenCV only.

`python -m synthetic.render --out DIR --count N --seed S --view full|close|mix` writes NNNNNN.jpg and NNNNNN.json. Picture i
depends on (seed, i) and the command's options alone, never on how many processes or pictures there are.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import sys
import time
import traceback
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from synthetic import textures, truth
from synthetic.scene import Scene, Slab, Taking, sample_scene
from synthetic.surfaces import Surroundings, bench_albedo, blurred_map, octaves, reflected, slopes, surroundings
from synthetic.truth import View

MASK_SCALE = 4  # masks are drawn this much finer than the picture
MARGIN_PX = 3
TONE_STEPS, TONE_TOP = 8191, 6.0


@dataclass(frozen=True, slots=True)
class _Stage:
    """What is shared by all things drawn into one picture."""

    view: View
    lens_mm: np.ndarray
    around: Surroundings
    below: np.ndarray  # mean radiance of the bench
    irradiance: np.ndarray  # of a level surface in full light
    light_map: np.ndarray  # (H, W) unevenness of the light
    albedo: np.ndarray  # (H, W, 3) of the bench
    bench_z_mm: float


def fill(polygons: list[np.ndarray], size: tuple[int, int], origin: tuple[float, float]) -> np.ndarray:
    """Coverage 0..1 of the union of polygons on a canvas (h, w) whose first pixel centre lies at `origin`."""
    h, w = size
    canvas = np.zeros((h * MASK_SCALE, w * MASK_SCALE), np.uint8)
    for p in polygons:
        fine = (p - np.asarray(origin) + 0.5) * MASK_SCALE - 0.5
        cv2.fillPoly(canvas, [np.round(fine * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    return cv2.resize(canvas, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) * np.float32(1 / 255)


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
    stage = _Stage(view, lens, around, below, level, light_map, albedo, scene.bench_z_mm)
    everything = [*scene.slabs, *([scene.main] if scene.main is not None else []), *(s for _, s in scene.fillings)]
    picture = albedo * _bench_light(scene, stage, everything) / np.float32(math.pi)
    if scene.bench in ("laminate", "tiles", "marble", "steel", "rubber", "leather"):
        picture += _bench_gloss(rng, scene, stage)
    picture = np.ascontiguousarray(picture, np.float32)
    for slab in scene.slabs:
        _draw(picture, slab, stage)
    if scene.main is not None:
        if scene.main.z0_mm > scene.bench_z_mm + 0.5:
            _shade_under(picture, scene.main, stage, 0.5)
        _draw(picture, scene.main, stage)
    for _, slab in scene.fillings:
        _draw(picture, slab, stage)
    for slab in scene.occluders:
        _shade_under(picture, slab, stage)
        _draw(picture, slab, stage)
    return picture


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
    return np.clip(cv2.warpPerspective(tile, m, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101), 0.003, 0.95)


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


def _bench_light(scene: Scene, stage: _Stage, slabs: list[Slab]) -> np.ndarray:
    """Irradiance of the bench with all shadows, (H, W, 3)."""
    view, around = stage.view, stage.around
    h, w = (view.height + 1) // 2, (view.width + 1) // 2
    px_mm = view.px_per_mm(scene.bench_z_mm) / 2

    def cover(shift: np.ndarray, slab: Slab, z: float) -> np.ndarray:
        points = view.project(slab.to_bench(slab.outline_mm[:: max(1, len(slab.outline_mm) // 160)]) + shift, scene.bench_z_mm) / 2
        return np.round(points * 16).astype(np.int32)

    canvas_shape = (h, w)
    total = np.zeros((h, w, 3), np.float32)
    open_sky = np.ones(canvas_shape, np.float32)
    for slab in slabs:
        tall = slab.z1_mm - scene.bench_z_mm
        if tall < 0.4:
            continue
        mask = np.zeros(canvas_shape, np.uint8)
        cv2.fillPoly(mask, [cover(np.zeros(2), slab, 0.0)], 255, cv2.LINE_AA, 4)
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
                cv2.fillPoly(mask, [cover(away * z, slab, float(z))], 255, cv2.LINE_AA, 4)
            spread = math.tan(math.radians(min(light.radius_deg, 40))) / max(d[2], 0.2)
            sigma = max(0.45, 0.5 * spread * (low + tall) * 0.6 * px_mm)
            lit *= 1 - cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), sigma)
        total += light.irradiance() * lit[..., None]
    full = cv2.resize(total, (view.width, view.height), interpolation=cv2.INTER_LINEAR)
    return full * stage.light_map[..., None]


def _bench_gloss(rng: np.random.Generator, scene: Scene, stage: _Stage) -> np.ndarray:
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


def _shade_under(picture: np.ndarray, slab: Slab, stage: _Stage, strength: float = 0.7) -> None:
    """The soft shadow a thing throws on all that is drawn already."""
    view = stage.view
    points = view.project(slab.to_bench(slab.outline_mm), slab.z0_mm)
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), max(1.0, 0.5 * (slab.z1_mm - slab.z0_mm) * view.px_per_mm(0)))
    picture *= (1 - strength * soft)[..., None]


def _draw(picture: np.ndarray, slab: Slab, stage: _Stage) -> None:
    """Draw one plate over the picture: walls, then face, then what shows through its openings."""
    view = stage.view
    bench = slab.to_bench(slab.outline_mm)
    lift = _bend(slab)
    top, foot = view.project(bench, slab.z1_mm + lift), view.project(bench, slab.z0_mm + lift)
    both = np.r_[top, foot]
    x0, y0 = np.floor(both.min(0)).astype(int) - MARGIN_PX
    x1, y1 = np.ceil(both.max(0)).astype(int) + MARGIN_PX + 1
    x0, y0, x1, y1 = max(0, x0), max(0, y0), min(view.width, x1), min(view.height, y1)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return
    size, origin = (y1 - y0, x1 - x0), (float(x0), float(y0))
    region = picture[y0:y1, x0:x1]
    light = stage.light_map[y0:y1, x0:x1]
    env = _maps(slab, stage)
    step = max(1, len(bench) // 220)
    body, walls = _walls(slab, stage, env, bench[::step], top[::step], foot[::step], size, origin)
    body = np.maximum(body, fill([top, foot], size, origin))
    behind = region.copy()
    region[:] = region * (1 - body[..., None]) + walls * (body * np.sqrt(light))[..., None]
    face = fill([top], size, origin)
    shaded = _face(slab, stage, env, size, origin)
    region[:] = region * (1 - face[..., None]) + shaded * (face * (0.35 + 0.65 * light))[..., None]
    for opening in slab.openings:
        _pierce(region, behind, slab, opening, stage, env, size, origin)


def _bend(slab: Slab) -> np.ndarray:
    """Height added to every outline point of a plate whose tail is bent."""
    y = slab.outline_mm[:, 1]
    start = 0.35 * y.max()
    return slab.bend_mm * np.clip((y - start) / max(1e-6, y.max() - start), 0, 1) ** 2


def _maps(slab: Slab, stage: _Stage) -> np.ndarray:
    metal = slab.metal
    brush = float(np.random.default_rng(metal.seed).choice((0.0, 90.0, 30.0))) + slab.turn_deg
    return blurred_map(stage.around.radiance, stage.below, metal.roughness, metal.brushed, -brush)


def _view_to(stage: _Stage, xyz: np.ndarray) -> np.ndarray:
    d = stage.lens_mm - xyz
    return np.asarray(d / np.linalg.norm(d, axis=-1, keepdims=True), np.float32)


def _walls(slab: Slab, stage: _Stage, env: np.ndarray, bench: np.ndarray, top: np.ndarray, foot: np.ndarray, size: tuple[int, int], origin: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Coverage and colour of the walls that face the camera."""
    ahead_b, ahead_t, ahead_f = np.roll(bench, -1, 0), np.roll(top, -1, 0), np.roll(foot, -1, 0)
    along = ahead_b - bench
    outward = np.c_[along[:, 1], -along[:, 0]]
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    middle = np.c_[(bench + ahead_b) / 2, np.full(len(bench), (slab.z0_mm + slab.z1_mm) / 2)]
    to_eye = _view_to(stage, middle)
    visible = (outward * to_eye[:, :2]).sum(1) > 0
    rng = np.random.default_rng(slab.seed + 1)
    n = outward + rng.normal(0, 0.08, outward.shape)
    colour = _shade(slab, stage, env, (n[:, 0:1].astype(np.float32), n[:, 1:2].astype(np.float32)), tuple(to_eye[:, i : i + 1] for i in range(3)), 0.12)[:, 0]
    colour = colour * rng.uniform(0.7, 0.95, (len(colour), 1))
    h, w = size
    fine = 2
    rgb = np.zeros((h * fine, w * fine, 3), np.float32)
    cover = np.zeros((h * MASK_SCALE, w * MASK_SCALE), np.uint8)
    tall = np.abs(top - foot).max() > 0.15
    if tall:
        quads = np.stack([top, ahead_t, ahead_f, foot], 1) - np.asarray(origin) + 0.5
        coarse = np.round((quads * fine - 0.5) * 16).astype(np.int32)
        for i in np.flatnonzero(visible):
            cv2.fillConvexPoly(rgb, coarse[i], colour[i].tolist(), cv2.LINE_8, 4)
        exact = np.round((quads * MASK_SCALE - 0.5) * 16).astype(np.int32)
        for quad in exact[visible]:
            cv2.fillConvexPoly(cover, quad, 255, cv2.LINE_8, 4)
    # spread the wall's colour a little, so that half-covered pixels don't mix with black
    painted = (rgb[..., 1] > 0).astype(np.float32)
    blurred, weight = cv2.blur(rgb, (5, 5)), cv2.blur(painted, (5, 5))
    rgb = np.where(painted[..., None] > 0, rgb, blurred / np.maximum(weight, 1e-3)[..., None])
    rgb = cv2.resize(rgb, (w, h), interpolation=cv2.INTER_AREA)
    return cv2.resize(cover, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255, rgb


def _shade(slab: Slab, stage: _Stage, env: np.ndarray, normal: tuple[np.ndarray, np.ndarray], to_eye: tuple[np.ndarray, ...], flat_z: float = 1.0) -> np.ndarray:
    """Mirror and matte light of a surface with normals (nx, ny, flat_z) in the bench frame."""
    metal = slab.metal
    nx, ny = normal
    mirror = np.asarray(metal.mirror, np.float32)
    seen = reflected(env, (nx, ny), to_eye, flat_z)  # type: ignore[arg-type]
    if max(metal.mirror) < 0.2:  # dielectrics mirror more at the rim
        size = np.sqrt(nx * nx + ny * ny + flat_z * flat_z)
        facing = np.clip((nx * to_eye[0] + ny * to_eye[1] + flat_z * to_eye[2]) / size, 0, 1)
        seen = seen * (mirror + (1 - mirror) * 0.6 * ((1 - facing) ** 5)[..., None])
    else:
        seen = seen * mirror
    if max(metal.matte) > 0:
        size = np.sqrt(nx * nx + ny * ny + flat_z * flat_z)
        lit = np.zeros((*nx.shape, 3), np.float32)
        for light in stage.around.lights:
            d = light.direction
            cosine = np.clip((nx * d[0] + ny * d[1] + flat_z * d[2]) / size, 0, 1) / max(d[2], 0.1)
            lit += np.minimum(cosine, 6)[..., None] * light.irradiance()
        lit += ((0.55 + 0.45 * flat_z / size)[..., None]) * stage.around.ambient
        seen = seen + lit * np.asarray(metal.matte, np.float32) / np.float32(math.pi)
    return np.asarray(seen, np.float32)


def _face(slab: Slab, stage: _Stage, env: np.ndarray, size: tuple[int, int], origin: tuple[float, float]) -> np.ndarray:
    """Colour of the upper face on the region's pixels, drawn square-on in the plate's frame and projected."""
    view = stage.view
    low, high = slab.outline_mm.min(0) - 0.3, slab.outline_mm.max(0) + 0.3
    corners = np.array([[low[0], high[1]], [high[0], high[1]], [high[0], low[1]], [low[0], low[1]]])
    seen = view.project(slab.to_bench(corners), slab.z1_mm) - np.asarray(origin)
    longest = max(float(np.linalg.norm(seen[i] - seen[(i + 1) % 4]) / max(1e-6, np.linalg.norm(corners[i] - corners[(i + 1) % 4]))) for i in range(4))
    s = min(longest * 1.1, 1100 / float((high - low).max()))
    h, w = max(4, math.ceil((high[1] - low[1]) * s)), max(4, math.ceil((high[0] - low[0]) * s))
    s_x, s_y = (w - 1) / (high[0] - low[0]), (h - 1) / (high[1] - low[1])

    def to_tile(points: np.ndarray) -> np.ndarray:
        return np.c_[(points[:, 0] - low[0]) * s_x, (high[1] - points[:, 1]) * s_y]

    solid = np.zeros((h, w), np.uint8)
    cv2.fillPoly(solid, [np.round(to_tile(slab.outline_mm) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    for o in slab.openings:
        ring = o.polygon_mm
        if o.countersink_mm:
            turn = np.linspace(0, 2 * np.pi, 64, endpoint=False)
            ring = np.c_[o.x_mm + np.cos(turn) * o.countersink_mm / 2, o.y_mm + np.sin(turn) * o.countersink_mm / 2]
        cv2.fillPoly(solid, [np.round(to_tile(ring) * 16).astype(np.int32)], 0, cv2.LINE_AA, 4)
    solid_f = solid.astype(np.float32) / 255
    finish = textures.finish(slab, h, w, s, to_tile)
    # the rounded edge: the blurred plate falls off where it ends
    sigma = max(0.55, 0.55 * slab.edge_mm * s)
    ex, ey = slopes(cv2.GaussianBlur(solid_f, (0, 0), sigma))
    strength = np.float32(math.sqrt(2 * math.pi) * sigma * 1.9 * min(1.0, (slab.edge_mm * s) / 0.7) * finish.edge)
    nx = ex * strength + finish.nx
    ny = -(ey * strength) + finish.ny  # rows run down, y runs up
    t = math.radians(slab.turn_deg)
    c, si = np.float32(math.cos(t)), np.float32(math.sin(t))
    wx, wy = nx * c - ny * si, nx * si + ny * c
    grid = np.stack(np.meshgrid(np.linspace(low[0], high[0], 6), np.linspace(high[1], low[1], 6)), -1).reshape(-1, 2)
    coarse = _view_to(stage, np.c_[slab.to_bench(grid), np.full(len(grid), slab.z1_mm)]).reshape(6, 6, 3)
    to_eye = cv2.resize(coarse, (w, h), interpolation=cv2.INTER_LINEAR)
    views = tuple(np.ascontiguousarray(to_eye[..., i]) for i in range(3))
    rgb = _shade(slab, stage, env, (wx, wy), views)
    if finish.second is not None:  # the other metal of a coin of two
        other = replace(slab, metal=finish.second)
        rgb = np.where(finish.second_mask[..., None] > 0.5, _shade(other, stage, env, (wx, wy), views), rgb)
    if finish.rough is not None:  # patches that mirror less sharply
        dull = _shade(slab, stage, cv2.GaussianBlur(env, (0, 0), 7), (wx, wy), views)
        rgb = rgb * (1 - finish.rough[..., None]) + dull * finish.rough[..., None]
    if finish.gain is not None:
        rgb = rgb * finish.gain
    if finish.paint is not None:
        cover = finish.paint_cover[..., None] if finish.paint_cover is not None else np.float32(1)
        rgb = rgb * (1 - cover) + cover * finish.paint * stage.irradiance / np.float32(math.pi)
    m = cv2.getPerspectiveTransform(to_tile(corners).astype(np.float32), seen.astype(np.float32))
    return cv2.warpPerspective(rgb, m, (size[1], size[0]), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _pierce(region: np.ndarray, behind: np.ndarray, slab: Slab, o: object, stage: _Stage, env: np.ndarray, size: tuple[int, int], origin: tuple[float, float]) -> None:
    """One opening: the cone of a countersink, the wall inside, and what lies below."""
    from synthetic.shape import Opening

    assert isinstance(o, Opening)
    view = stage.view
    rng = np.random.default_rng(slab.seed + int(1000 * (o.x_mm + 50)) + 7)
    lift = truth.lift_at(slab, o.y_mm)
    depth = truth.cone_depth_mm(o, slab.z1_mm - slab.z0_mm)
    z_edge = slab.z1_mm - depth + lift
    edge = view.project(slab.to_bench(o.polygon_mm), z_edge)
    out = view.project(slab.to_bench(o.polygon_mm), slab.z0_mm + lift)
    rims = [edge]
    if o.countersink_mm:
        rims.append(view.project(slab.to_bench(truth.circle_mm(o.x_mm, o.y_mm, o.countersink_mm)), slab.z1_mm + lift))
    x0, y0 = np.floor(np.vstack(rims).min(0) - origin).astype(int) - 2
    x1, y1 = np.ceil(np.vstack(rims).max(0) - origin).astype(int) + 3
    x0, y0, x1, y1 = max(0, x0), max(0, y0), min(size[1], x1), min(size[0], y1)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return
    part = region[y0:y1, x0:x1]
    small, at = (y1 - y0, x1 - x0), (origin[0] + x0, origin[1] + y0)
    px = np.stack(np.meshgrid(np.arange(small[1]) + at[0], np.arange(small[0]) + at[1]), -1).reshape(-1, 2).astype(float)
    centre = slab.to_bench(np.array([[o.x_mm, o.y_mm]]))[0]
    if o.countersink_mm:
        cone = fill([rims[1]], small, at)
        xy = view.unproject(px, slab.z1_mm - depth / 2) - centre
        r = np.maximum(np.hypot(*xy.T), 1e-3)
        chatter = 1 + 0.06 * np.sin(r * rng.uniform(15, 40) + rng.uniform(0, 6)) + rng.normal(0, 0.02, len(r))
        n = (-xy / r[:, None] * (0.95 * chatter)[:, None]).reshape(*small, 2).astype(np.float32)
        eye = _view_to(stage, np.array([*centre, slab.z1_mm]))
        views = tuple(np.full(small, eye[i], np.float32) for i in range(3))
        shaded = _shade(slab, stage, env, (n[..., 0], n[..., 1]), views) * np.float32(rng.uniform(0.75, 1.0))
        part[:] = part * (1 - cone[..., None]) + shaded * cone[..., None]
    hole = fill([edge], small, at)
    through = np.minimum(hole, fill([out], small, at))
    xy = view.unproject(px, z_edge) - centre
    r = np.maximum(np.hypot(*xy.T), 1e-3)
    n = (-xy / r[:, None]).reshape(*small, 2).astype(np.float32)
    eye = _view_to(stage, np.array([*centre, slab.z1_mm]))
    views = tuple(np.full(small, eye[i], np.float32) for i in range(3))
    inside = _shade(slab, stage, env, (n[..., 0], n[..., 1]), views, 0.25) * np.float32(rng.uniform(0.25, 0.7))
    part[:] = part * (1 - hole[..., None]) + inside * hole[..., None]
    tall = max(0.3, slab.z1_mm - slab.z0_mm)
    wide = o.diameter_mm / tall
    sky = np.float32(np.clip(0.12 + 0.2 * wide, 0.12, 0.8) * rng.uniform(0.7, 1.1))
    core = cv2.GaussianBlur(through, (0, 0), max(0.6, 0.12 * o.diameter_mm * view.px_per_mm(0)))
    if slab.z0_mm > stage.bench_z_mm + 0.5:  # not on the bench: whatever was drawn below
        ground = behind[y0:y1, x0:x1] * (sky * (0.45 + 0.55 * core))[..., None]
    else:  # the sheet below, lit through the hole
        lit = stage.around.ambient * (sky * (0.4 + 0.6 * core))[..., None]
        for light in stage.around.lights:
            d = light.direction
            shift = -np.array(d[:2]) / max(d[2], 0.1) * tall
            patch = fill([view.project(slab.to_bench(o.polygon_mm) + shift, slab.z0_mm)], small, at)
            blur = 0.4 * tall * math.tan(math.radians(min(light.radius_deg, 40))) * view.px_per_mm(0)
            lit = lit + cv2.GaussianBlur(patch, (0, 0), max(0.5, blur))[..., None] * light.irradiance()
        gy, gx = slice(int(at[1]), int(at[1]) + small[0]), slice(int(at[0]), int(at[0]) + small[1])
        ground = stage.albedo[gy, gx] * lit * (stage.light_map[gy, gx] / np.float32(math.pi))[..., None]
    part[:] = part * (1 - through[..., None]) + ground * through[..., None]


# the phone


def develop(linear: np.ndarray, taking: Taking, scale: float, rng: np.random.Generator) -> np.ndarray:
    """Linear light to the phone's 8-bit picture; `scale` is picture pixels per photo pixel."""
    h, w = linear.shape[:2]
    img = linear * np.asarray(taking.white, np.float32)
    luminance = img[::6, ::6] @ np.array([0.25, 0.6, 0.15], np.float32)
    metered = float(np.minimum(luminance, np.percentile(luminance, 97)).mean())
    img = np.minimum(img * np.float32(taking.exposure / max(metered, 1e-5)), 12.0)
    sigma = taking.defocus_px * scale
    if sigma > 0.35:
        img = cv2.GaussianBlur(img, (0, 0), sigma)
    reach = taking.motion_px * scale
    if reach > 1.0:
        n = max(3, int(reach) | 1)
        kernel = np.zeros((n, n), np.float32)
        a = math.radians(taking.motion_deg)
        half = reach / 2
        c = (n - 1) / 2
        cv2.line(kernel, (round(c - half * math.cos(a)), round(c - half * math.sin(a))), (round(c + half * math.cos(a)), round(c + half * math.sin(a))), 1.0, 1, cv2.LINE_AA)
        img = cv2.filter2D(img, -1, kernel / max(float(kernel.sum()), 1e-6))
    if taking.vignette:
        y, x = np.linspace(-1, 1, h, dtype=np.float32)[:, None], np.linspace(-1, 1, w, dtype=np.float32)[None]
        img = img * (1 - taking.vignette * 0.5 * (x * x + y * y) * min(1.0, scale * 4))[..., None]
    if taking.haze:
        img = img * (1 - taking.haze) + taking.haze * float(np.mean(cv2.mean(img)[:3]))
    if taking.noise > 0.001:
        grain = max(taking.grain_px * scale, 0.0)
        # rest of the noise once the photo's pixels are averaged into the picture's
        left = taking.noise * min(1.0, scale * 1.4)
        colour = cv2.resize(rng.standard_normal(((h + 1) // 2, (w + 1) // 2, 3), np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
        noise = 0.75 * rng.standard_normal((h, w), np.float32)[..., None] + 0.6 * colour
        if grain > 0.35:
            noise = cv2.GaussianBlur(noise, (0, 0), grain) * np.float32(1 + 2.2 * grain)
        img = img + noise * np.float32(left) * (np.sqrt(np.maximum(img, 0)) * 0.9 + 0.08)
    img = np.take(_tone_curve(taking.shoulder, taking.contrast), (np.sqrt(np.clip(img, 0, TONE_TOP)) * (TONE_STEPS / math.sqrt(TONE_TOP))).astype(np.uint16))
    if taking.smear and scale > 0.3:
        img = cv2.bilateralFilter(img.astype(np.float32), 5, 0.06, 1.6)
    grey = cv2.transform(img, np.full((1, 3), 1 / 3, np.float32))[..., None]
    img = grey + (img - grey) * np.float32(taking.saturation)
    if taking.sharpen:
        radius = max(0.6, 1.3 * min(1.0, scale))
        img = img + np.float32(taking.sharpen * min(1.0, 0.4 + scale)) * (img - cv2.GaussianBlur(img, (0, 0), radius))
    return np.clip(img * 255 + 0.5, 0, 255).astype(np.uint8)


def _tone_curve(shoulder: float, contrast: float) -> np.ndarray:
    """Display value 0..1 over the root of the light."""
    light = (np.arange(TONE_STEPS + 1) / TONE_STEPS * math.sqrt(TONE_TOP)) ** 2
    value = np.minimum(light, 1.0) * (1 - shoulder) + (1 - np.exp(-1.25 * light)) * shoulder
    value = value ** (1 / 2.2)
    return (value * (1 - contrast) + contrast * value * value * (3 - 2 * value)).astype(np.float32)


def jpeg(rgb: np.ndarray, quality: int) -> bytes:
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise RuntimeError("OpenCV could not write a JPEG")
    return bytes(data)


def photograph(scene: Scene, view: View, rng: np.random.Generator) -> bytes:
    """The picture of one view as JPEG bytes; a photo coarser than the view is taken as it is and enlarged."""
    if view.scale <= 1.0:
        return jpeg(develop(compose(scene, view), scene.taking, view.scale, rng), scene.taking.jpeg)
    native = View(scene.camera, view.x0, view.y0, 1.0, max(8, round(view.width / view.scale)), max(8, round(view.height / view.scale)))
    small = develop(compose(scene, native), scene.taking, 1.0, rng)
    small = cv2.imdecode(np.frombuffer(jpeg(small, scene.taking.jpeg), np.uint8), cv2.IMREAD_COLOR_RGB)
    # the view's scale is only nearly that of whole pixels: map exactly
    m = np.array([[view.scale, 0, 0.5 * view.scale - 0.5], [0, view.scale, 0.5 * view.scale - 0.5]])
    big = cv2.warpAffine(small, m, (view.width, view.height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return jpeg(big, 93)


def sample_picture(seed: int, index: int, *, view: str, negatives: float, held_out: bool = False) -> tuple[bytes, truth.Label]:
    """Picture `index` of a data set, and its Label.

    Raises
    ------
    RuntimeError
        If forty scenes in a row could not be drawn: a defect of ours.
    """
    root = np.random.SeedSequence((seed, index))
    for attempt in root.spawn(40):
        rng = np.random.default_rng(attempt)
        negative = bool(rng.random() < negatives)
        kind = view if view != "mix" else str(rng.choice(("full", "close"), p=(0.4, 0.6)))
        if negative and rng.random() < 0.08:
            real = textures.packaged_photo(rng, 320 if kind == "close" else 640)
            if real is not None:
                rgb, name = real
                label = truth.bare_label(f"{index:06d}.jpg", rgb.shape[1], rgb.shape[0], name)
                return jpeg(rgb, int(rng.integers(60, 96))), label
        try:
            scene = sample_scene(rng, negative=negative, held_out=held_out)
            window = truth.sample_view(rng, scene, kind)
            if window is None:
                continue
            label = truth.label(scene, window, f"{index:06d}.jpg")
            return photograph(scene, window, rng), label
        except (cv2.error, ValueError, ArithmeticError, AssertionError, np.linalg.LinAlgError) as error:
            print(f"picture {index}: drawn anew after {type(error).__name__}: {error}", file=sys.stderr)
    raise RuntimeError(f"picture {index} of seed {seed} could not be drawn in 40 attempts")


def _work(job: tuple[int, int, str, float, bool, str]) -> None:
    seed, index, view, negatives, held_out, folder = job
    cv2.setNumThreads(1)
    try:
        picture, label = sample_picture(seed, index, view=view, negatives=negatives, held_out=held_out)
    except Exception:  # one picture in a hundred thousand must not cost the others; it is said, and left out
        print(f"picture {index} of seed {seed} left out:\n{traceback.format_exc()}", file=sys.stderr)
        return
    stem = Path(folder) / f"{index:06d}"
    stem.with_suffix(".jpg").write_bytes(picture)
    stem.with_suffix(".json").write_text(label.to_json(), encoding="utf-8")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m synthetic.render", description="Draw pictures of cams and other things, each with its Label.")
    parser.add_argument("--out", required=True, type=Path)
    parser.add_argument("--count", required=True, type=int)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--start", type=int, default=0, help="first index")
    parser.add_argument("--view", choices=("full", "close", "mix"), default="mix")
    parser.add_argument("--negatives", type=float, default=0.18, help="share of pictures without a cam")
    parser.add_argument("--held-out", action="store_true", help="negatives of the kinds kept for evaluation")
    parser.add_argument("--processes", type=int, default=1)
    chosen = parser.parse_args(arguments)
    chosen.out.mkdir(parents=True, exist_ok=True)
    jobs = [(chosen.seed, i, chosen.view, chosen.negatives, chosen.held_out, str(chosen.out)) for i in range(chosen.start, chosen.start + chosen.count)]
    began = time.perf_counter()
    if chosen.processes <= 1:
        for job in jobs:
            _work(job)
    else:
        with multiprocessing.get_context("spawn").Pool(chosen.processes, maxtasksperchild=2000) as pool:
            for _ in pool.imap_unordered(_work, jobs, chunksize=8):
                pass
    spent = time.perf_counter() - began
    print(f"{len(jobs)} pictures in {spent:.1f} s: {len(jobs) / max(spent, 1e-9):.2f} a second", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
