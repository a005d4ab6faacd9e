"""The phone: a pinhole over the bench, what its processing does to the light, and the file it writes. numpy, OpenCV and Pillow."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

Array = np.ndarray
SPARE = 0.028  # of the frame on every side, what barrel distortion of 2.5 % at the corner draws in
FULL_FRAME_DIAGONAL_MM = 43.2666  # of 36 x 24 mm; phones state their focal length by the diagonal
FOCAL_35MM_TAG, EXIF_IFD_TAG, ORIENTATION_TAG = 0xA405, 0x8769, 0x0112


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera; world in mm with the bench at z = 0 and z up; pixels with the first centre at (0, 0)."""

    width: int
    height: int
    focal_px: float
    centre_mm: Array  # (3,)
    axes: Array  # (3, 3), rows: right, down, forward in the world
    k1: float = 0.0  # radial distortion: relative displacement at the corner of the picture

    @property
    def middle_px(self) -> Array:
        """The principal point."""
        return np.array([(self.width - 1) / 2.0, (self.height - 1) / 2.0])

    def project(self, points_mm: Array) -> Array:
        """World points (N, 3) to pixels (N, 2)."""
        local = (np.asarray(points_mm, dtype=float) - self.centre_mm) @ self.axes.T
        straight = self.focal_px * local[:, :2] / local[:, 2:3]
        squared = (straight**2).sum(axis=1, keepdims=True) / (math.hypot(self.width, self.height) / 2) ** 2
        return np.asarray(straight * (1 + self.k1 * squared) + self.middle_px)

    def straightened(self, pixels: Array) -> Array:
        """Pixels (..., 2) to where a lens without distortion would show the same, relative to the principal point."""
        bent = np.asarray(pixels, dtype=float) - self.middle_px
        straight = bent.copy()
        for _ in range(8):
            squared = (straight**2).sum(axis=-1, keepdims=True) / (math.hypot(self.width, self.height) / 2) ** 2
            straight = bent / (1 + self.k1 * squared)
        return straight

    def pinhole(self) -> Camera:
        """The same camera without distortion, its frame wide enough for all that the distorted one shows."""
        if self.k1 >= 0:
            return replace(self, k1=0.0)
        return replace(
            self,
            width=self.width + 2 * round(SPARE * self.width),
            height=self.height + 2 * round(SPARE * self.height),
            k1=0.0,
        )

    def bent(self, image: Array) -> Array:
        """A picture (H, W, C) taken by `pinhole()` as this camera's lens draws it."""
        if self.k1 == 0.0:
            return image
        x, y = np.meshgrid(np.arange(self.width), np.arange(self.height))
        at = self.straightened(np.stack([x, y], axis=-1)) + self.pinhole().middle_px
        return np.asarray(
            cv2.remap(
                image, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_CUBIC,
                borderMode=cv2.BORDER_REPLICATE,
            )
        )  # fmt: skip

    def flat(self, points_mm: Array, z_mm: float | Array) -> Array:
        """Points (N, 2) at a height, or each at its own, to pixels (N, 2)."""
        points = np.asarray(points_mm, dtype=float)
        return self.project(np.column_stack([points, np.broadcast_to(z_mm, len(points))]))

    def mm_per_px(self, point_mm: Array, z_mm: float) -> float:
        """Side of the square in mm that has the area of one pixel, on the plane at a height."""
        step = 0.01
        p = np.asarray(point_mm, dtype=float)
        here, right, up = self.flat(np.array([p, p + (step, 0), p + (0, step)]), z_mm)
        a, b = (right - here) / step, (up - here) / step
        return float(1.0 / math.sqrt(abs(a[0] * b[1] - a[1] * b[0])))

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the bench's normal."""
        return math.degrees(math.acos(float(np.clip(-self.axes[2, 2], -1, 1))))


def focal_px(focal_35mm: float, width: int, height: int) -> float:
    """Focal length in pixels from the 35 mm equivalent, by the diagonal."""
    return focal_35mm * math.hypot(width, height) / FULL_FRAME_DIAGONAL_MM


def look_at(
    width: int,
    height: int,
    focal: float,
    target_mm: Array,
    distance_mm: float,
    tilt_deg: float,
    azimuth_deg: float,
    roll_deg: float,
    k1: float = 0.0,
) -> Camera:
    """A camera that has a point of the bench at its image centre."""
    tilt, azimuth, roll = (math.radians(a) for a in (tilt_deg, azimuth_deg, roll_deg))
    back = np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt)])
    side = np.array([-math.sin(azimuth), math.cos(azimuth), 0.0])
    other = np.cross(-back, side)
    right = math.cos(roll) * side + math.sin(roll) * other
    down = -math.sin(roll) * side + math.cos(roll) * other
    return Camera(
        width, height, focal, np.append(target_mm, 0.0) + distance_mm * back, np.vstack([right, down, -back]), k1
    )


@dataclass(frozen=True, slots=True)
class Chain:
    """What the phone does between the light on the sensor and the file."""

    exposure: float = 0.0  # stops away from what metering gives
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    blur_px: float = 0.6
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 0.004  # deviation at full scale; grows towards the shadows by the tone curve
    contrast: float = 0.15
    saturation: float = 1.05
    sharpening: float = 0.4
    vignette: float = 0.1
    quality: int = 90
    subsampling: int = 2
    sharpening_px: float = 1.1  # radius of the halos
    shoulder: float = 0.0  # 0: highlights clip late; 1: a soft curve from the mid tones on
    blotches: float = 0.0  # coarse colour noise, as deviation at full scale
    smear: float = 0.0  # strength of noise removal that keeps edges and loses texture
    haze: float = 0.0  # light scattered over the whole picture by a greasy lens


def sample_chain(rng: np.random.Generator, *, hard: bool = False, wide: bool = False) -> Chain:
    """A usual phone, or with `hard` a poor one: blurred, noisy, badly exposed; `wide` for what the training set adds."""
    if wide:
        return _any_chain(rng, hard)
    motion = float(rng.uniform(2, 7)) if hard and rng.random() < 0.4 else 0.0
    return Chain(
        exposure=float(rng.normal(0, 0.25 if not hard else 0.7)),
        white_balance=(float(np.exp(rng.normal(0, 0.05))), 1.0, float(np.exp(rng.normal(0, 0.07)))),
        blur_px=float(rng.uniform(0.35, 1.0) if not hard else rng.uniform(0.8, 2.6)),
        motion_px=motion,
        motion_deg=float(rng.uniform(0, 180)),
        noise=float(rng.uniform(0.002, 0.012) if not hard else rng.uniform(0.01, 0.04)),
        contrast=float(rng.uniform(0.0, 0.3)),
        saturation=float(rng.uniform(0.9, 1.25)),
        sharpening=float(rng.uniform(0.1, 0.9)),
        vignette=float(rng.uniform(0.0, 0.25)),
        quality=int(rng.integers(80, 96)),
        subsampling=int(rng.choice([0, 2])),
    )


def _any_chain(rng: np.random.Generator, hard: bool) -> Chain:
    """Any phone and any editing a picture may have gone through."""
    motion = float(rng.uniform(2, 7)) if hard and rng.random() < 0.4 else float(rng.exponential(0.5))
    noise = float(rng.gamma(1.6, 0.004) if not hard else rng.uniform(0.01, 0.05))
    return Chain(
        exposure=float(rng.normal(0, 0.35 if not hard else 0.8)),
        white_balance=(float(np.exp(rng.normal(0, 0.07))), 1.0, float(np.exp(rng.normal(0, 0.10)))),
        blur_px=float(0.3 + rng.gamma(1.5, 0.3) if not hard else rng.uniform(0.8, 3.0)), motion_px=motion,
        motion_deg=float(rng.uniform(0, 180)), noise=noise, contrast=float(rng.uniform(-0.1, 0.5)),
        saturation=float(rng.uniform(0.75, 1.3)), sharpening=float(rng.uniform(0.0, 1.5) if rng.random() < 0.8 else 0.0),
        vignette=float(rng.uniform(0.0, 0.35)), quality=int(rng.integers(60, 97)), subsampling=int(rng.choice([0, 1, 2])),
        sharpening_px=float(rng.uniform(0.7, 2.0)), shoulder=float(rng.uniform(0, 1) if rng.random() < 0.6 else 0.0),
        blotches=noise * float(rng.uniform(0, 1.2)), smear=float(rng.uniform(0.2, 1) if rng.random() < 0.3 else 0.0),
        haze=float(rng.uniform(0.0, 0.07) if rng.random() < 0.3 else 0.0),
    )  # fmt: skip


def gaussian(image: Array, sigma: float) -> Array:
    """Blur of an (H, W, C) image, borders mirrored."""
    if sigma < 0.05:
        return image
    reach = max(1, math.ceil(3 * sigma))
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    taps = (taps / taps.sum()).astype(np.float32)
    for axis in (0, 1):
        pad = [(0, 0)] * image.ndim
        pad[axis] = (reach, reach)
        wide = np.pad(image, pad, mode="reflect")
        n = image.shape[axis]
        image = sum(tap * np.take(wide, range(k, k + n), axis=axis) for k, tap in enumerate(taps))  # type: ignore[assignment]
    return image


def _motion(image: Array, length: float, turn_deg: float) -> Array:
    """Blur along a line, by whole-pixel shifts placed symmetrically so that nothing moves on the whole."""
    steps = max(3, 2 * math.ceil(length) + 1)
    total = np.zeros_like(image)
    for s in np.linspace(-length / 2, length / 2, steps):
        dx, dy = round(s * math.cos(math.radians(turn_deg))), round(s * math.sin(math.radians(turn_deg)))
        total += np.roll(image, (dy, dx), axis=(0, 1))
    return np.asarray(total / steps)


def develop(
    linear: Array, chain: Chain, rng: np.random.Generator, light_rgb: Array | None = None, key: float = 0.30
) -> Array:
    """Scene light (H, W, 3) to an 8-bit picture; most of the light's own colour `light_rgb` is balanced out.

    `key` is the level that metering gives the scene's middle, 1 being white.

    The chain shifts no edge on the whole: its blur, sharpening and motion are symmetric.
    """
    image = np.maximum(np.nan_to_num(linear.astype(np.float32)), 0.0)
    luminance = image @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
    middle = float(np.exp(np.log(luminance + 1e-4).mean()))
    bright = float(np.quantile(luminance, 0.97))
    gain = min(key / middle, 1.05 / max(bright, 1e-4)) * 2.0**chain.exposure
    grey = np.asarray(image.reshape(-1, 3).mean(axis=0) if light_rgb is None else light_rgb, dtype=float)
    balance = (grey.mean() / np.maximum(grey, 1e-4)) ** (0.4 if light_rgb is None else 0.85)
    image = image * (gain * balance * np.asarray(chain.white_balance)).astype(np.float32)
    h, w = image.shape[:2]
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    away = ((xx - w / 2) ** 2 + (yy - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    image = image * (1 - chain.vignette * away)[..., None]
    image = np.minimum(image, 4.0)
    if chain.haze:
        image = image * (1 - chain.haze) + chain.haze * image.mean(axis=(0, 1))
    image = gaussian(image, chain.blur_px)
    if chain.motion_px > 0.5:
        image = _motion(image, chain.motion_px, chain.motion_deg)
    grain = rng.standard_normal(image.shape, dtype=np.float32)
    grain = 0.6 * grain + 0.8 * gaussian(grain, 0.7)
    image = image + grain * chain.noise * np.sqrt(np.clip(image, 0.0, 1.0) + 0.02)
    if chain.blotches:
        coarse = rng.standard_normal((h // 4 + 1, w // 4 + 1, 3), dtype=np.float32)
        coarse = cv2.resize(gaussian(coarse, 0.8) * 2.2, (w, h), interpolation=cv2.INTER_LINEAR)
        image = image + coarse * chain.blotches * np.sqrt(np.clip(image, 0.0, 1.0) + 0.02)
    image = np.maximum(image, 0.0)
    hard = np.where(image < 0.8, image, 0.8 + 0.2 * (1 - np.exp(-(image - 0.8) / 0.2)))  # highlights roll off
    image = hard if not chain.shoulder else hard * (1 - chain.shoulder) + chain.shoulder * (1 - np.exp(-1.35 * image))
    coded = np.where(image <= 0.0031308, 12.92 * image, 1.055 * np.power(np.maximum(image, 1e-6), 1 / 2.4) - 0.055)
    coded = coded + chain.contrast * (coded - 0.5) * coded * (1 - coded) * 2.0
    grey2 = coded @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
    coded = grey2[..., None] + chain.saturation * (coded - grey2[..., None])
    if chain.smear:
        smooth = cv2.bilateralFilter(coded.astype(np.float32), 5, 0.07, 1.8)
        coded = coded * (1 - chain.smear) + chain.smear * smooth
    coded = coded + chain.sharpening * (coded - gaussian(coded, chain.sharpening_px))
    return (np.clip(coded, 0, 1) * 255.0 + 0.5).astype(np.uint8)


def jpeg_bytes(pixels: Array, chain: Chain, focal_35mm: float | None) -> bytes:
    """The picture as a phone's JPEG; the focal length in its Exif block if given, whole mm as phones write it."""
    exif = Image.Exif()
    exif[ORIENTATION_TAG] = 1
    if focal_35mm is not None:
        exif.get_ifd(EXIF_IFD_TAG)[FOCAL_35MM_TAG] = round(focal_35mm)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=chain.quality, subsampling=chain.subsampling, exif=exif)
    return buffer.getvalue()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is never seen half written."""
    draft = path.with_suffix(path.suffix + ".part")
    draft.write_bytes(data)
    draft.replace(path)
