"""Plates drawn into a picture: walls, face, rounded edges, cones, and what shows through the openings.

Masks are drawn finer than the picture and averaged; faces are shaded square-on in the plate's own frame, then projected."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from synthetic import textures, truth
from synthetic.openings import Opening
from synthetic.reflections import Surroundings, blurred_map, reflected, slopes
from synthetic.scene import Slab
from synthetic.truth import View

MASK_SCALE = 4  # masks are drawn this much finer than the picture


MARGIN_PX = 3


@dataclass(frozen=True, slots=True)
class Stage:
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


def shade_under(picture: np.ndarray, slab: Slab, stage: Stage, strength: float = 0.7) -> None:
    """The soft shadow a thing throws on all that is drawn already."""
    view = stage.view
    points = view.project(slab.to_bench(slab.outline_mm), slab.z0_mm)
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(
        mask.astype(np.float32) / 255, (0, 0), max(1.0, 0.5 * (slab.z1_mm - slab.z0_mm) * view.px_per_mm(0))
    )
    picture *= (1 - strength * soft)[..., None]


def draw(picture: np.ndarray, slab: Slab, stage: Stage) -> None:
    """Draw one plate over the picture: walls, then face, then what shows through its openings."""
    view = stage.view
    bench = slab.to_bench(slab.outline_mm)
    lift = truth.lift(slab, slab.outline_mm)
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


def _maps(slab: Slab, stage: Stage) -> np.ndarray:
    metal = slab.metal
    brush = float(np.random.default_rng(metal.seed).choice((0.0, 90.0, 30.0))) + slab.turn_deg
    return blurred_map(stage.around.radiance, stage.below, metal.roughness, metal.brushed, -brush)


def view_to(stage: Stage, xyz: np.ndarray) -> np.ndarray:
    d = stage.lens_mm - xyz
    return np.asarray(d / np.linalg.norm(d, axis=-1, keepdims=True), np.float32)


def _walls(
    slab: Slab,
    stage: Stage,
    env: np.ndarray,
    bench: np.ndarray,
    top: np.ndarray,
    foot: np.ndarray,
    size: tuple[int, int],
    origin: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray]:
    """Coverage and colour of the walls that face the camera."""
    ahead_b, ahead_t, ahead_f = np.roll(bench, -1, 0), np.roll(top, -1, 0), np.roll(foot, -1, 0)
    along = ahead_b - bench
    outward = np.c_[along[:, 1], -along[:, 0]]
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    middle = np.c_[(bench + ahead_b) / 2, np.full(len(bench), (slab.z0_mm + slab.z1_mm) / 2)]
    to_eye = view_to(stage, middle)
    visible = (outward * to_eye[:, :2]).sum(1) > 0
    rng = np.random.default_rng(slab.seed + 1)
    n = outward + rng.normal(0, 0.08, outward.shape)
    colour = _shade(
        slab,
        stage,
        env,
        (n[:, 0:1].astype(np.float32), n[:, 1:2].astype(np.float32)),
        tuple(to_eye[:, i : i + 1] for i in range(3)),
        0.12,
    )[:, 0]
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


def _shade(
    slab: Slab,
    stage: Stage,
    env: np.ndarray,
    normal: tuple[np.ndarray, np.ndarray],
    to_eye: tuple[np.ndarray, ...],
    flat_z: float = 1.0,
) -> np.ndarray:
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


def _face(slab: Slab, stage: Stage, env: np.ndarray, size: tuple[int, int], origin: tuple[float, float]) -> np.ndarray:
    """Colour of the upper face on the region's pixels, drawn square-on in the plate's frame and projected."""
    view = stage.view
    low, high = slab.outline_mm.min(0) - 0.3, slab.outline_mm.max(0) + 0.3
    corners = np.array([[low[0], high[1]], [high[0], high[1]], [high[0], low[1]], [low[0], low[1]]])
    seen = view.project(slab.to_bench(corners), slab.z1_mm) - np.asarray(origin)
    longest = max(
        float(
            np.linalg.norm(seen[i] - seen[(i + 1) % 4]) / max(1e-6, np.linalg.norm(corners[i] - corners[(i + 1) % 4]))
        )
        for i in range(4)
    )
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
    shown = min(1.0, (slab.edge_mm * s) / 0.7) * finish.edge
    if slab.chamfered and slab.edge_mm * s > 0.5:
        ramp = np.minimum(cv2.distanceTransform(solid, cv2.DIST_L2, 3), np.float32(slab.edge_mm * s))
        ex, ey = slopes(cv2.GaussianBlur(ramp, (0, 0), 0.5))
        strength = np.float32(0.95 * shown)
    else:
        ex, ey = slopes(cv2.GaussianBlur(solid_f, (0, 0), sigma))
        strength = np.float32(math.sqrt(2 * math.pi) * sigma * 1.9 * shown)
    nx = ex * strength + finish.nx
    ny = -(ey * strength) + finish.ny  # rows run down, y runs up
    t = math.radians(slab.turn_deg)
    c, si = np.float32(math.cos(t)), np.float32(math.sin(t))
    wx, wy = nx * c - ny * si, nx * si + ny * c
    grid = np.stack(np.meshgrid(np.linspace(low[0], high[0], 6), np.linspace(high[1], low[1], 6)), -1).reshape(-1, 2)
    coarse = view_to(stage, np.c_[slab.to_bench(grid), np.full(len(grid), slab.z1_mm)]).reshape(6, 6, 3)
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


def _pierce(
    region: np.ndarray,
    behind: np.ndarray,
    slab: Slab,
    o: Opening,
    stage: Stage,
    env: np.ndarray,
    size: tuple[int, int],
    origin: tuple[float, float],
) -> None:
    """One opening: the cone of a countersink, the wall inside, and what lies below."""
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
    px = (
        np.stack(np.meshgrid(np.arange(small[1]) + at[0], np.arange(small[0]) + at[1]), -1).reshape(-1, 2).astype(float)
    )
    centre = slab.to_bench(np.array([[o.x_mm, o.y_mm]]))[0]
    if o.countersink_mm:
        cone = fill([rims[1]], small, at)
        xy = view.unproject(px, slab.z1_mm - depth / 2) - centre
        r = np.maximum(np.hypot(*xy.T), 1e-3)
        chatter = 1 + 0.06 * np.sin(r * rng.uniform(15, 40) + rng.uniform(0, 6)) + rng.normal(0, 0.02, len(r))
        n = (-xy / r[:, None] * (0.95 * chatter)[:, None]).reshape(*small, 2).astype(np.float32)
        eye = view_to(stage, np.array([*centre, slab.z1_mm]))
        views = tuple(np.full(small, eye[i], np.float32) for i in range(3))
        shaded = _shade(slab, stage, env, (n[..., 0], n[..., 1]), views) * np.float32(rng.uniform(0.75, 1.0))
        part[:] = part * (1 - cone[..., None]) + shaded * cone[..., None]
    hole = fill([edge], small, at)
    through = np.minimum(hole, fill([out], small, at))
    xy = view.unproject(px, z_edge) - centre
    r = np.maximum(np.hypot(*xy.T), 1e-3)
    n = (-xy / r[:, None]).reshape(*small, 2).astype(np.float32)
    eye = view_to(stage, np.array([*centre, slab.z1_mm]))
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
