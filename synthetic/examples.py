"""The example photos: ``python -m synthetic.examples --out examples`` makes them again from their seeds.

Four path-traced pictures of cams of the held-out geometry, well lit and crisp, each with its Label beside it.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from synthetic import traced_light, traced_props, traced_surfaces
from synthetic.pathtrace import Take, cam_placed, put, shoot_at
from synthetic.plate import PlateHole
from synthetic.proxy import sample_cam
from synthetic.traced_camera import Chain, focal_px, jpeg_bytes, look_at, write_whole
from synthetic.traced_scene import Flash, Scene, load_mitsuba
from synthetic.traced_truth import cam_label
from vision.vocabulary import angle_from_clock, xy_from_angle

LONG_SIDE = 1600


@dataclass(frozen=True, slots=True)
class Example:
    """What one example photo shows."""

    name: str
    seed: int
    family: str
    bottom: str
    clock: tuple[str | None, ...]  # None is the centre
    radius_mm: float
    diameter_mm: float
    countersink_mm: float | None
    coin: str
    metal: str
    bench: str
    light: str
    light_turn_deg: float
    turn_deg: float
    coin_at_mm: tuple[float, float]
    tilt_deg: float
    roll_deg: float
    focal_35mm: float
    distance_mm: float


EXAMPLES = (
    Example(
        "cloverleaf-quarter-paper", 41, "cloverleaf", "closed", ("2", "7"), 5.0, 3.5, 6.0, "us-quarter", "brass",
        "paper-white", "led-panels", 40.0, 24.0, (34.0, 6.0), 6.0, 8.0, 48.0, 205.0,
    ),
    Example(
        "finger-euro-wood", 57, "finger", "closed", ("3", "9"), 5.2, 3.4, 5.8, "eu-1", "satin-chrome", "oak",
        "corner-windows", 200.0, -38.0, (-31.0, -6.0), 8.0, 20.0, 52.0, 225.0,
    ),
    Example(
        "taper-open-quarter-card", 62, "taper", "open", ("3", "9"), 5.6, 3.3, None, "us-quarter", "tumbled-zinc",
        "blue-grey-card", "skylight", 120.0, 65.0, (2.0, -31.0), 5.0, -12.0, 48.0, 200.0,
    ),
    Example(
        "hook-cent-mat", 77, "hook", "closed", ("3", None), 6.6, 3.3, 5.4, "us-cent", "cartridge-brass", "cutting-mat",
        "corner-windows", 310.0, -12.0, (-27.0, 8.0), 7.0, 5.0, 52.0, 210.0,
    ),
)  # fmt: skip


def example_take(example: Example, long_side: int = LONG_SIDE) -> Take:
    """The example before it is rendered."""
    rng = np.random.default_rng(example.seed)
    metals = traced_surfaces.TRAIN_METALS | traced_surfaces.HELDOUT_METALS
    benches = traced_surfaces.TRAIN_BENCHES | traced_surfaces.HELDOUT_BENCHES
    lights = traced_light.TRAIN | traced_light.HELDOUT
    holes = []
    for position in example.clock:
        x, y = (0.0, 0.0) if position is None else xy_from_angle(angle_from_clock(position), example.radius_mm)
        holes.append(PlateHole(x, y, example.diameter_mm, example.countersink_mm, 90.0))
    cam = sample_cam(rng, family=example.family, bottom=example.bottom, holes=tuple(holes))
    cam = dataclasses.replace(cam, plate=dataclasses.replace(cam.plate, upper_edge_mm=0.18))
    placed = cam_placed(rng, cam, metals[example.metal](rng), "screw", example.turn_deg)
    coin = put(traced_props.coin(rng, example.coin, heldout=True), 30.0, np.array(example.coin_at_mm))
    w, h = long_side, long_side * 3 // 4
    shown = np.vstack([placed.outline_mm(), coin.outline_mm])
    middle = (shown.min(axis=0) + shown.max(axis=0)) / 2
    camera = look_at(
        w, h, focal_px(example.focal_35mm, w, h), middle, example.distance_mm, example.tilt_deg, 250.0, example.roll_deg
    )
    scene = Scene(
        camera, benches[example.bench](rng), 17.0, ((placed.mesh, placed.surface), (coin.mesh, coin.surface)),
        lights[example.light](rng), example.light_turn_deg, Flash(camera.centre_mm + 10.0, 2.5, 0.0), 0.4,
    )  # fmt: skip
    chain = Chain(exposure=0.15, blur_px=0.5, noise=0.002, contrast=0.15, sharpening=0.45, vignette=0.05, quality=83)
    tags = {
        "renderer": "path-traced", "set": "example", "metal": example.metal, "bench": example.bench,
        "light": example.light, "difficulty": "usual",
    }  # fmt: skip
    label = cam_label(f"{example.name}.jpg", camera, placed, [coin], example.focal_35mm, tags)
    return Take(scene, label, chain, example.focal_35mm)


def main(arguments: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m synthetic.examples", description="Make the example photos again.")
    parser.add_argument("--out", type=Path, default=Path("examples"))
    parser.add_argument("--only", default=None, help="name of one example")
    parser.add_argument("--size", type=int, default=LONG_SIDE, help="long side in pixels")
    parser.add_argument("--spp", type=int, default=48, help="samples a pixel")
    parser.add_argument("--variant", default="auto", choices=("auto", "cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb"))
    a = parser.parse_args(arguments)
    a.out.mkdir(parents=True, exist_ok=True)
    mi = load_mitsuba(a.variant)
    for example in EXAMPLES:
        if a.only not in (None, example.name):
            continue
        start = time.perf_counter()
        take = example_take(example, a.size)
        pixels = shoot_at(mi, take, a.spp, example.seed)
        write_whole(a.out / f"{example.name}.jpg", jpeg_bytes(pixels, take.chain, take.exif_focal_35mm))
        write_whole(a.out / f"{example.name}.json", take.label.to_json().encode())
        print(f"{example.name} {time.perf_counter() - start:.1f} s", file=sys.stderr, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
