"""A first ellipse -> the rim of a coin's face by a small network that sees the coin unrolled along its rim.

Gradients alone take a worn coin's bevel, its wall or its shadow for the rim; the network was shown where the rim is.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import Ellipse, fit_ellipse_robust
from vision.models import Model
from vision.outline import sample
from vision.scale.rim import LEAST_RADIUS_PX, Profile, Rim, Start, radius_at

Array = NDArray[np.float64]

RAYS: Final = 96  # directions round the coin
OVERLAP: Final = 16  # rays repeated at both ends, so that the unrolled coin has no ends
STEPS: Final = 64  # samples along a ray
REACH: Final = 0.24  # of the radius, inwards and outwards of the first ellipse
LOOKS: Final = 3  # each from the ellipse of the one before
U_RADIUS_RELATIVE: Final = 0.004
U_EDGE_RELATIVE: Final = 0.008
SHARP_STEPS: Final = 6.0  # a rim smeared over more samples than this is not seen
TURNS: Final = 12  # of a coin with sides, tried within one side


def unrolled(pixels: NDArray[np.uint8], start: Start) -> NDArray[np.uint8]:
    """The ring about an ellipse as a picture (RAYS + 2 OVERLAP, STEPS, 3): a row a direction, inside first."""
    shrink = 2.0 * REACH * start.radius_px / STEPS
    reach = start.radius_px * (1.0 + REACH) * 1.3 + 4.0
    low = np.maximum(np.floor(start.centre_px - reach).astype(int), 0)
    high = np.ceil(start.centre_px + reach).astype(int) + 1
    window = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])
    scale = np.ones(2)
    if shrink > 1.3:
        size = (max(1, round(window.shape[1] / shrink)), max(1, round(window.shape[0] / shrink)))
        scale = np.array([size[0] / window.shape[1], size[1] / window.shape[0]])
        window = np.asarray(cv2.resize(window, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    points = (ray_points(start) - low + 0.5) * scale - 0.5
    rows = np.clip(np.rint(sample(window, points)), 0, 255).astype(np.uint8)
    return np.concatenate([rows[-OVERLAP:], rows, rows[:OVERLAP]])


def ray_points(start: Start) -> Array:
    """Photo points of the unrolled picture without its overlap, (RAYS, STEPS, 2)."""
    angle = _angles()
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    along = radius_at(angle, start)[:, None] * (1.0 + sample_offsets())[None]
    return np.asarray(start.centre_px + along[:, :, None] * unit[:, None, :], dtype=np.float64)


def _angles() -> Array:
    return np.asarray(np.arange(RAYS) * (2.0 * np.pi / RAYS), dtype=np.float64)


def sample_offsets() -> Array:
    """Where on a ray the samples lie, of the first ellipse's radius in that direction, (STEPS,)."""
    return np.asarray((np.arange(STEPS) + 0.5) * (2.0 * REACH / STEPS) - REACH, dtype=np.float64)


def network_rim(pixels: NDArray[np.uint8], start: Start, model: Model, profile: Profile | None = None) -> Rim | None:
    """The rim as the network sees it, or None where it sees none.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    start : Start
    model : Model
        The network `rim`.
    profile : Profile, optional
        Of a coin with sides.
    """
    ellipse: Ellipse | None = None
    on_circle = np.empty((0, 2))
    for _ in range(LOOKS):
        if start.radius_px < LEAST_RADIUS_PX:
            return None
        inside = model.run(unrolled(pixels, start)[None])["inside"][0].astype(np.float64)
        points, weight = _edge(inside, start)
        seen = weight > 0.0
        if seen.mean() < 0.4:
            return None
        fitted = _fit(points[seen], start.centre_px, profile)
        if fitted is None:
            return None
        ellipse, on_circle = fitted
        start = _start_of(ellipse, start)
    if ellipse is None or ellipse.short < 0.70 * ellipse.long or ellipse.long < LEAST_RADIUS_PX:
        return None
    support = float(ellipse.used.sum()) / RAYS
    u_edge = float(np.hypot(U_EDGE_RELATIVE * ellipse.long, ellipse.rms))
    edge = on_circle[ellipse.used]
    return Rim(ellipse, edge, np.empty((0, 2)), support, start.confidence, U_RADIUS_RELATIVE, u_edge)


def _edge(inside: Array, start: Start) -> tuple[Array, Array]:
    """Edge points (RAYS, 2) and weights (RAYS,), 0 where no edge or a smeared one is seen."""
    step = 2.0 * REACH / STEPS
    offset = inside.sum(axis=1) * step - REACH
    smear = (inside * (1.0 - inside)).sum(axis=1)
    weight = np.where((smear < SHARP_STEPS) & (np.abs(offset) < 0.93 * REACH), 1.0, 0.0)
    angle = _angles()
    along = radius_at(angle, start) * (1.0 + offset)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    return np.asarray(start.centre_px + along[:, None] * unit), weight


def _fit(points: Array, centre: Array, profile: Profile | None) -> tuple[Ellipse, Array] | None:
    """The ellipse, and the points brought onto it from a coin's sides."""
    best: tuple[Ellipse, Array] | None = None
    d = points - centre
    angle = np.arctan2(d[:, 1], d[:, 0])
    for turn in range(TURNS if profile is not None else 1):
        form = np.ones(len(points))
        if profile is not None:
            place = (angle * profile.sides / (2.0 * np.pi) - turn / TURNS) % 1.0
            form = np.interp(place, np.linspace(0.0, 1.0, len(profile.relative)), profile.relative)
        round_again = centre + d / form[:, None]
        ellipse = fit_ellipse_robust(round_again)
        if isinstance(ellipse, Ellipse) and (best is None or ellipse.rms < best[0].rms):
            best = ellipse, round_again
    return best


def _start_of(ellipse: Ellipse, before: Start) -> Start:
    half = (ellipse.long - ellipse.short) / 2.0
    flattening = (float(half * np.cos(2.0 * ellipse.angle)), float(half * np.sin(2.0 * ellipse.angle)))
    mean = (ellipse.long + ellipse.short) / 2.0
    return Start(np.array([ellipse.x, ellipse.y]), mean, flattening, before.u_radius_px, before.confidence)
