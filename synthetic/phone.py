"""What a phone does to light: exposure, blur, noise, tone, sharpening, JPEG."""

from __future__ import annotations

import functools
import math

import cv2
import numpy as np

from synthetic.scene import Taking

TONE_STEPS, TONE_TOP = 8191, 6.0


def develop(linear: np.ndarray, taking: Taking, scale: float, rng: np.random.Generator) -> np.ndarray:
    """Linear light to the phone's 8-bit picture; `scale` is picture pixels per photo pixel."""
    h, w = linear.shape[:2]
    img = linear * np.asarray(taking.white, np.float32)
    luminance = img[::6, ::6] @ np.array([0.25, 0.6, 0.15], np.float32)
    metered = float(np.minimum(luminance, np.percentile(luminance, 97)).mean())
    # a phone leaves light scenes lighter and dark scenes darker than mid grey, but not by much
    gain = taking.exposure / max(metered, 1e-5) * min(max(metered / 0.35, 0.05), 4.0) ** 0.28
    img = np.minimum(img * np.float32(gain), 12.0)
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
        cv2.line(
            kernel,
            (round(c - half * math.cos(a)), round(c - half * math.sin(a))),
            (round(c + half * math.cos(a)), round(c + half * math.sin(a))),
            1.0,
            1,
            cv2.LINE_AA,
        )
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
        colour = cv2.resize(
            rng.standard_normal(((h + 1) // 2, (w + 1) // 2, 3), np.float32), (w, h), interpolation=cv2.INTER_LINEAR
        )
        noise = 0.75 * rng.standard_normal((h, w), np.float32)[..., None] + 0.6 * colour
        if grain > 0.35:
            noise = cv2.GaussianBlur(noise, (0, 0), grain) * np.float32(1 + 2.2 * grain)
        img = img + noise * np.float32(left) * (np.sqrt(np.maximum(img, 0)) * 0.9 + 0.08)
    img = np.take(
        _tone_curve(taking.shoulder, taking.contrast),
        (np.sqrt(np.clip(img, 0, TONE_TOP)) * (TONE_STEPS / math.sqrt(TONE_TOP))).astype(np.uint16),
    )
    if taking.smear and scale > 0.3:
        img = cv2.bilateralFilter(img.astype(np.float32), 5, 0.06, 1.6)
    grey = cv2.transform(img, np.full((1, 3), 1 / 3, np.float32))[..., None]
    img = grey + (img - grey) * np.float32(taking.saturation)
    if taking.sharpen:
        radius = max(0.6, 1.3 * min(1.0, scale))
        img = img + np.float32(taking.sharpen * min(1.0, 0.4 + scale)) * (img - cv2.GaussianBlur(img, (0, 0), radius))
    return np.clip(img * 255 + 0.5, 0, 255).astype(np.uint8)


@functools.lru_cache(maxsize=8)
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
