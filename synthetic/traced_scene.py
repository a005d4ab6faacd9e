"""A scene for the path tracer and its rendering by Mitsuba 3.

The scene always has the same tree of plug-ins, only the data differ, so that compiled kernels are used again.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from synthetic.plate import Mesh
from synthetic.traced_camera import Camera
from synthetic.traced_surfaces import Surface

Array = np.ndarray
SLOTS = 9  # things on the bench; empty ones lie out of sight
BENCH_HALF_MM = 1500.0
LANES = 12_000_000  # samples in flight in one pass, which bounds memory
LIBRARIES = ("/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1", "/usr/lib/llvm-19/lib/libLLVM.so")


@dataclass(frozen=True, slots=True)
class Flash:
    """A small square light near the lens."""

    position_mm: Array
    radius_mm: float
    radiance: float


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that is rendered. World in mm, bench at z = 0."""

    camera: Camera
    bench: Surface
    bench_turn_deg: float
    things: tuple[tuple[Mesh, Surface], ...]
    light_map: Array  # (rows, columns, 3)
    light_turn_deg: float
    flash: Flash
    aperture_mm: float = 0.6
    phone: bool = True  # the phone itself shades the bench and shows in polished metal
    bench_z_mm: float = 0.0  # below 0 when the part is still on its cylinder, whose end is z = 0
    focus_mm: float = 0.0  # how far behind the part's face the phone is focussed


def load_mitsuba(variant: str) -> Any:
    """Mitsuba with a variant set; ``auto`` takes the GPU if there is one, else LLVM, else the scalar one."""
    if "DRJIT_LIBLLVM_PATH" not in os.environ:
        for library in LIBRARIES:
            if Path(library).exists():
                os.environ["DRJIT_LIBLLVM_PATH"] = library
                break
    import mitsuba as mi

    wanted = ("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb") if variant == "auto" else (variant,)
    for name in wanted:
        try:
            if name == "cuda_ad_rgb" and variant == "auto" and not Path("/dev/nvidiactl").exists():
                continue
            mi.set_variant(name)
            if name != "scalar_rgb":
                import drjit as dr

                dr.eval(mi.Float(0.0) + 1.0)
            return mi
        except Exception:
            if name == wanted[-1]:
                raise
    return mi


def _texture(mi: Any, pixels: Array, *, colour: bool) -> dict[str, Any]:
    pixels = pixels[::-1]  # rows run down in a picture, but v runs up
    if colour:  # decoded here, not once a sample in the kernel
        coded = np.clip(pixels, 0, 1).astype(np.float32)
        light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
        return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(light.astype(np.float16))), "raw": True}
    data = np.ascontiguousarray(pixels.astype(np.float32)[..., None])
    return {"type": "bitmap", "bitmap": mi.Bitmap(data), "raw": True}


def _material(mi: Any, s: Surface) -> dict[str, Any]:
    return {
        "type": "bumpmap",
        "height": _texture(mi, s.height_mm, colour=False),
        "scale": 1.0,
        "inner": {
            "type": "principled",
            "base_color": _texture(mi, s.colour, colour=True),
            "roughness": _texture(mi, s.roughness, colour=False),
            "metallic": _texture(mi, np.full((2, 2), s.metallic), colour=False),
            "anisotropic": _texture(mi, np.full((2, 2), s.anisotropic), colour=False),
            "clearcoat": _texture(mi, np.full((2, 2), s.clearcoat), colour=False),
            "specular": 0.5,
        },
    }


def _mesh(mi: Any, name: str, mesh: Mesh, surface: Surface, emitter: dict[str, Any] | None = None) -> Any:
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(_material(mi, surface))
    if emitter is not None:
        properties["mesh_emitter"] = mi.load_dict(emitter)
    made = mi.Mesh(
        name, len(mesh.vertices), len(mesh.faces), properties, has_vertex_normals=True, has_vertex_texcoords=True
    )
    params = mi.traverse(made)
    for key, data in (
        ("vertex_positions", mesh.vertices),
        ("vertex_normals", mesh.normals),
        ("vertex_texcoords", mesh.uv),
        ("faces", mesh.faces),
    ):
        kind = type(params[key])
        params[key] = kind(np.ascontiguousarray(data.ravel(), dtype=np.uint32 if key == "faces" else np.float32))
    params.update()
    return made


def _square(half: float, z: float, extent: float, turn_deg: float) -> Mesh:
    c = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return Mesh(
        np.column_stack([c, np.full(4, z)]),
        np.array([[0, 1, 2], [0, 2, 3]]),
        np.tile([0.0, 0.0, 1.0], (4, 1)),
        (c @ rotation.T) / extent,
    )


def plain_surface(rgb: tuple[float, float, float], rough: float = 0.9, metallic: float = 0.0) -> Surface:
    """A surface without any pattern."""
    return Surface(
        "plain", np.ones((4, 4, 3)) * np.asarray(rgb), np.full((4, 4), rough), np.zeros((4, 4)), 1.0, metallic
    )


def _phone_mesh(camera: Camera) -> Mesh:
    """The back of the phone, a slab just behind the lens so that no ray of the camera meets it."""
    right, down, forward = camera.axes
    centre = camera.centre_mm - 3.0 * forward + 45.0 * down + 20.0 * right
    corners = [centre + sx * 36.0 * right + sy * 74.0 * down for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    v = np.array(corners)
    return Mesh(v, np.array([[0, 1, 2], [0, 2, 3], [0, 2, 1], [0, 3, 2]]), np.tile(forward, (4, 1)), np.zeros((4, 2)))


def _lamp_mesh(flash: Flash) -> Mesh:
    """The flash's square, facing the origin of the bench."""
    ahead = -flash.position_mm / np.linalg.norm(flash.position_mm)
    side = np.cross(ahead, [0.3, 1.0, 0.1])
    side = side / np.linalg.norm(side) * flash.radius_mm
    other = np.cross(ahead, side)
    v = np.array([flash.position_mm + a * side + b * other for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
    return Mesh(v, np.array([[0, 1, 2], [0, 2, 3]]), np.tile(ahead, (4, 1)), np.zeros((4, 2)))


def build(mi: Any, scene: Scene, built: dict[str, Any] | None = None) -> Any:
    """The Mitsuba scene; what does not depend on the camera is kept in `built` and taken from there the next time."""
    built = {} if built is None else built
    camera = scene.camera.pinhole()
    right, down, forward = camera.axes
    to_world = np.eye(4)
    to_world[:3, 0], to_world[:3, 1], to_world[:3, 2], to_world[:3, 3] = -right, -down, forward, camera.centre_mm
    focus = float((np.append(np.zeros(2), 1.5) - camera.centre_mm) @ forward) + scene.focus_mm
    turn = np.radians(scene.light_turn_deg)
    sky = np.eye(4)  # Mitsuba's light maps have y up; here z is up
    sky[:3, :3] = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]) @ np.array(
        [[1, 0, 0], [0, 0, -1], [0, 1, 0]]
    )
    if len(scene.things) > SLOTS:
        raise ValueError(f"at most {SLOTS} things fit on the bench, not {len(scene.things)}")
    empty = _square(0.01, -500.0, 1.0, 0.0)
    hidden = plain_surface((0.5, 0.5, 0.5))
    tree: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 4, "rr_depth": 3},
        "sensor": {
            "type": "thinlens",
            "fov": float(np.degrees(2 * np.arctan(camera.width / 2.0 / camera.focal_px))),
            "fov_axis": "x",
            "aperture_radius": max(scene.aperture_mm, 1e-3),
            "focus_distance": focus,
            "near_clip": 1.0,
            "far_clip": 5000.0,
            "to_world": mi.ScalarTransform4f(to_world),
            "film": {
                "type": "hdrfilm", "width": camera.width, "height": camera.height, "pixel_format": "rgb",
                "component_format": "float32", "rfilter": {"type": "gaussian", "stddev": 0.4},
            },
            "sampler": {"type": "independent"},
        },
        "phone": _mesh(mi, "phone", _phone_mesh(camera) if scene.phone else empty, plain_surface((0.1, 0.1, 0.1), 0.4)),
    }  # fmt: skip
    # a mesh, because the transform of a built-in rectangle would be compiled into the kernel
    tree["flash"] = _mesh(
        mi, "flash", _lamp_mesh(scene.flash), hidden,
        {
            "type": "area", "radiance": {"type": "rgb", "value": [scene.flash.radiance] * 3},
            "sampling_weight": 0.5 if scene.flash.radiance > 0 else 0.0,
        },
    )  # fmt: skip
    if not built:
        built["sky"] = mi.load_dict(
            {
                "type": "envmap",
                "bitmap": mi.Bitmap(np.ascontiguousarray(scene.light_map.astype(np.float32))),
                "to_world": mi.ScalarTransform4f(sky),
                "sampling_weight": 1.0,
            }
        )
        bench = _square(BENCH_HALF_MM, scene.bench_z_mm, scene.bench.extent_mm, scene.bench_turn_deg)
        built["bench"] = _mesh(mi, "bench", bench, scene.bench)
        for k in range(SLOTS):
            mesh, surface = scene.things[k] if k < len(scene.things) else (empty, hidden)
            built[f"thing{k}"] = _mesh(mi, f"thing{k}", mesh, surface)
    tree |= built
    made = mi.load_dict(tree)
    if not mi.variant().startswith("scalar"):
        _as_data(mi, made)
    return made


def _as_data(mi: Any, made: Any) -> None:
    """Turn numbers that would be compiled into the kernel into data, so that the next scene uses the same kernel."""
    import drjit as dr

    params = mi.traverse(made)
    for key in params.keys():  # noqa: SIM118  (a mapping of Mitsuba that is not one of Python)
        value = params[key]
        if dr.is_array_v(value) and not key.endswith(
            ("vertex_positions", "faces", "vertex_normals", "vertex_texcoords")
        ):
            dr.make_opaque(value)
            params[key] = value
    params.update()


def render(mi: Any, scene: Scene, *, spp: int, seed: int, built: dict[str, Any] | None = None) -> Array:
    """Scene light (H, W, 3), in several passes when one would take too much memory.

    `built` is empty for the first picture of a scene and given again for others that differ in the camera alone.
    """
    whole = build(mi, scene, built)
    frame = scene.camera.pinhole()
    pixels = frame.width * frame.height
    most = spp if mi.variant().startswith("scalar") else max(1, LANES // pixels)
    passes = -(-spp // most)
    each = -(-spp // passes)
    total: Array | None = None
    for k in range(passes):
        image = np.array(mi.render(whole, spp=each, seed=(seed * 1000 + k) % 2**31), dtype=np.float32)
        total = image if total is None else total + image
    assert total is not None
    return scene.camera.bent(without_fireflies(total / passes))


def without_fireflies(image: Array) -> Array:
    """Single pixels far brighter than all their neighbours, which few samples leave, brought down to the brightest of them."""
    light = image.sum(axis=2)
    wide = np.pad(light, 1, mode="edge")
    h, w = light.shape
    first = second = np.full((h, w), -np.inf, light.dtype)
    for dy in range(3):
        for dx in range(3):
            if (dy, dx) != (1, 1):
                near = wide[dy : dy + h, dx : dx + w]
                second = np.maximum(second, np.minimum(first, near))
                first = np.maximum(first, near)
    limit = 1.6 * second + 1e-4
    share = np.where(light > limit, limit / np.maximum(light, 1e-9), 1.0)
    return np.asarray(image * share[..., None])
