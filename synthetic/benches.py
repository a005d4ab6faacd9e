"""Bench tops: paper, card, wood, cloth, stone, metal, print, and colours of any kind. Linear RGB albedo, float32."""

from __future__ import annotations

import cv2
import numpy as np

from synthetic.surfaces import hue, octaves

BENCHES = (
    "white-paper", "grey-paper", "colour-paper", "card", "wood", "cloth", "rubber", "concrete", "steel", "text", "grid",
    "lined", "noise", "laminate", "tiles", "leather", "marble", "carpet", "stripes", "newspaper", "cutting-mat",
)  # fmt: skip


def bench_albedo(rng: np.random.Generator, kind: str, h: int, w: int, px_mm: float) -> np.ndarray:
    """Diffuse colour of a bench top, (h, w, 3) float32, at `px_mm` pixels a millimetre."""
    fine = rng.standard_normal((h, w), np.float32)
    one = np.ones((h, w, 1), np.float32)
    if kind in ("white-paper", "grey-paper", "colour-paper", "text", "grid", "lined", "newspaper"):
        value = {"grey-paper": rng.uniform(0.15, 0.6), "newspaper": rng.uniform(0.5, 0.65)}.get(
            kind, rng.uniform(0.7, 0.9)
        )
        base = value * (1 + rng.normal(0, 0.03, 3))
        if kind == "colour-paper":
            base = hue(rng, saturation=float(rng.beta(1.5, 2.5)) * 0.9 + 0.06, value=rng.uniform(0.35, 0.92))
        fibre = cv2.GaussianBlur(fine, (0, 0), max(0.3, 0.12 * px_mm))
        shade = 1 + (0.02 * fibre / max(fibre.std(), 1e-6) + 0.02 * octaves(rng, h, w, 30 * px_mm, 2))
        out = shade[..., None] * base.astype(np.float32)
        if kind in ("text", "newspaper"):
            out *= 1 - 0.93 * _text(rng, h, w, px_mm)[..., None] * (1 - rng.uniform(0, 0.4, 3).astype(np.float32))
        elif kind in ("grid", "lined"):
            step = rng.choice((1.0, 2.0, 4.0, 5.0, 7.0, 8.0, 10.0)) * px_mm
            step = max(step, 5.0)
            ink = hue(rng, saturation=rng.uniform(0.1, 0.8), value=0.5)
            line = max(0.6, rng.uniform(0.1, 0.35) * px_mm)
            y = np.abs((np.arange(h, dtype=np.float32) + rng.uniform(0, step)) % step - step / 2)
            x = np.abs((np.arange(w, dtype=np.float32) + rng.uniform(0, step)) % step - step / 2)
            cover = np.maximum(
                np.clip(line - y, 0, 1)[:, None] * np.ones((1, w), np.float32),
                np.clip(line - x, 0, 1)[None, :] if kind == "grid" else 0,
            )
            strength = np.float32(rng.uniform(0.3, 0.95)) * min(1.0, line)
            out = out * (1 - strength * cover[..., None]) + strength * cover[..., None] * ink
        return out.astype(np.float32)
    if kind == "card":
        base = np.array([0.42, 0.28, 0.16]) * rng.uniform(0.6, 1.4) * (1 + rng.normal(0, 0.05, 3))
        fibres = cv2.blur(fine, (max(1, int(2.5 * px_mm)), 1)) if rng.random() < 0.7 else fine
        specks = (fine > 3.0).astype(np.float32)
        shade = (
            1
            + 0.07 * fibres / max(fibres.std(), 1e-6)
            + 0.04 * octaves(rng, h, w, 12 * px_mm, 3)
            - 0.4 * cv2.GaussianBlur(specks, (0, 0), max(0.4, 0.15 * px_mm))
        )
        if rng.random() < 0.3:  # flutes show through
            shade += 0.03 * np.sin(np.arange(w, dtype=np.float32) * 2 * np.pi / (6 * px_mm))[None]
        return (shade[..., None] * base).astype(np.float32)
    if kind == "wood":
        light = np.array([0.55, 0.36, 0.20]) * rng.uniform(0.35, 1.35) * (1 + rng.normal(0, 0.08, 3))
        dark = light * rng.uniform(0.3, 0.75) * np.array([1.0, 0.9, 0.8])
        y = np.arange(h, dtype=np.float32)[:, None] / px_mm
        bend = rng.uniform(0.5, 6) * cv2.resize(
            octaves(rng, max(4, h // 4), max(4, w // 16), 20 * px_mm / 4, 2), (w, h), interpolation=cv2.INTER_CUBIC
        )
        rings = np.sin((y + bend) * 2 * np.pi / rng.uniform(1.5, 12)) * 0.5 + 0.5
        rings = rings ** rng.uniform(0.7, 3)
        pores = cv2.blur(fine, (max(3, int(rng.uniform(3, 12) * px_mm)), 1))
        broad = 0.3 * cv2.resize(
            rng.standard_normal((max(4, int(h / (3 * px_mm)) + 2), max(2, w // 300 + 2)), np.float32),
            (w, h),
            interpolation=cv2.INTER_CUBIC,
        )
        mix = np.clip(
            rings * rng.uniform(0.05, 0.8)
            + rng.uniform(0.2, 1) * broad
            + 0.22 * pores / max(pores.std(), 1e-6) * rng.uniform(0.3, 1),
            0,
            1,
        )[..., None]
        out = light * (1 - mix) + dark * mix
        if rng.random() < 0.3:  # a joint between boards
            row = int(rng.uniform(0, h))
            out[row : row + max(1, int(0.6 * px_mm))] *= 0.2
        return out.astype(np.float32)
    if kind in ("cloth", "carpet"):
        base = hue(rng, saturation=rng.uniform(0.0, 0.8), value=rng.uniform(0.15, 0.9))
        pitch = max(2.2, rng.uniform(0.35, 1.4) * px_mm)
        x, y = (
            np.arange(w, dtype=np.float32)[None] * 2 * np.pi / pitch,
            np.arange(h, dtype=np.float32)[:, None] * 2 * np.pi / pitch,
        )
        jitter = 0.8 * octaves(rng, h, w, 6 * pitch, 2)
        weave = np.sin(x + jitter) * np.sin(y + jitter) if rng.random() < 0.6 else np.sin((x + y) + jitter)
        if kind == "carpet":
            weave = octaves(rng, h, w, 2.5 * px_mm, 3) * 1.2
        shade = 1 + rng.uniform(0.06, 0.3) * weave + 0.06 * fine + 0.05 * octaves(rng, h, w, 25 * px_mm, 3)
        out = np.clip(shade, 0.05, 3)[..., None] * base
        if rng.random() < 0.25:
            other = hue(rng, saturation=rng.uniform(0.0, 0.8), value=rng.uniform(0.1, 0.9))
            band = (np.sin(x * pitch / (rng.uniform(5, 30) * px_mm)) > rng.uniform(-0.5, 0.8)).astype(np.float32)[
                ..., None
            ] * one
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
            y, x = (
                (np.arange(h) + rng.uniform(0, step)) % step < gap,
                (np.arange(w) + rng.uniform(0, step)) % step < gap,
            )
            out[y], out[:, x] = rng.uniform(0.2, 0.6), rng.uniform(0.2, 0.6)
        return out.astype(np.float32)
    if kind == "stripes":
        a, b = (
            hue(rng, saturation=rng.uniform(0, 0.8), value=rng.uniform(0.2, 0.95)),
            hue(rng, saturation=rng.uniform(0, 0.8), value=rng.uniform(0.1, 0.9)),
        )
        period = rng.uniform(4, 40) * px_mm
        t = (
            np.arange(w, dtype=np.float32)[None]
            + np.float32(rng.uniform(-1, 1)) * np.arange(h, dtype=np.float32)[:, None]
        )
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
        cv2.putText(
            page,
            "".join(drawn.tolist()),
            (margin, row),
            font,
            max(0.05, size),
            255,
            max(1, round(size * 2)),
            cv2.LINE_AA,
        )
    return page.astype(np.float32) / 255
