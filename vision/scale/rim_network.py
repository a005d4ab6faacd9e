"""First circles -> the rims of coins, by a small network that sees each thing unrolled about its middle.

Gradients alone take a worn coin's bevel, its wall, its relief or its shadow for the rim, and a washer for a coin. The
network was shown where the rim is among all these rings, and what is round and no coin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import Ellipse, fit_ellipse, fit_ellipse_robust, median
from vision.models import Model
from vision.outline import sample
from vision.patch import shrink_by_area
from vision.scale.rim import LEAST_RADIUS_PX, Profile, Rim, Start, Told, radius_at

Array = NDArray[np.float64]

RAYS: Final = 72  # directions round the coin
OVERLAP: Final = 12  # rays repeated at both ends, so that the unrolled coin has no ends
INNER: Final = 12  # coarse samples of what lies within
PLACES: Final = 52  # fine samples where the rim may be
STEPS: Final = INNER + PLACES
NEAREST, FARTHEST = 0.70, 1.30  # of the first ellipse's radius: where the rim may be
PITCH: Final = (FARTHEST - NEAREST) / PLACES
NEAR_RIM: Final = 3.5 * PITCH  # an edge this near the fitted ellipse is the rim's
LEAST_INSIDE: Final = 0.8  # of the rays must lie in the picture
LEAST_MASS: Final = 0.3  # of a ray's probability near its edge: less, and the ray tells nothing
MOST_FLAT: Final = 0.70
TURNS: Final = 12  # of a coin with sides, tried within one side
U_RADIUS_FLOOR: Final = 0.003
U_RADIUS_PX: Final = 0.25
U_OF_SPREAD: Final = 0.35  # of a ray's spread is common to all rays
U_OF_UNSEEN: Final = 0.03  # a rim of which nothing is seen
U_EDGE_RELATIVE: Final = 0.005


@dataclass(frozen=True, slots=True)
class Look:
    """What the network makes of one unrolled thing: how likely the face's edge, and the end of face and wall, lie at every
    place (RAYS, PLACES), and that it is a coin."""

    start: Start
    edge: Array
    outer: Array
    coin: float
    inside: NDArray[np.bool_]  # (RAYS,) the ray's rim may lie in the picture


def sample_places() -> Array:
    """Where on a ray the samples lie, of the first ellipse's radius in that direction, (STEPS,)."""
    inner = np.linspace(0.05, NEAREST - 0.04, INNER)
    return np.concatenate([inner, rim_places()])


def rim_places() -> Array:
    """The fine ones of them, (PLACES,)."""
    return np.asarray(NEAREST + (np.arange(PLACES) + 0.5) * PITCH, dtype=np.float64)


def ray_points(start: Start) -> Array:
    """Photo points of the unrolled picture without its overlap, (RAYS, STEPS, 2)."""
    angle = _angles()
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    along = radius_at(angle, start)[:, None] * sample_places()[None]
    return np.asarray(start.centre_px + along[:, :, None] * unit[:, None, :], dtype=np.float64)


def _angles() -> Array:
    return np.asarray(np.arange(RAYS) * (2.0 * np.pi / RAYS), dtype=np.float64)


def unrolled(pixels: NDArray[np.uint8], start: Start) -> NDArray[np.uint8]:
    """The thing about a first ellipse as a picture (RAYS + 2 OVERLAP, STEPS, 3): a row a direction, its middle first."""
    shrink = PITCH * start.radius_px
    reach = start.radius_px * FARTHEST * 1.15 + 4.0
    low = np.maximum(np.floor(start.centre_px - reach).astype(int), 0)
    high = np.maximum(np.ceil(start.centre_px + reach).astype(int) + 1, low + 2)
    window = pixels[low[1] : high[1], low[0] : high[0]]
    if window.size == 0:
        return np.zeros((RAYS + 2 * OVERLAP, STEPS, 3), np.uint8)
    scale = np.ones(2)
    if shrink > 1.3:
        window, scale = shrink_by_area(window, shrink)
    points = (ray_points(start) - low + 0.5) * scale - 0.5
    rows = np.clip(np.rint(sample(window, points)), 0, 255).astype(np.uint8)
    return np.concatenate([rows[-OVERLAP:], rows, rows[:OVERLAP]])


def look_at(pixels: NDArray[np.uint8], starts: Sequence[Start], model: Model) -> list[Look]:
    """The network's word on every start that is large enough, in the starts' order."""
    large = [start for start in starts if start.radius_px >= LEAST_RADIUS_PX and np.isfinite(start.radius_px)]
    if not large:
        return []
    said = model.run(np.stack([unrolled(pixels, start) for start in large]))
    angle = _angles()
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    limit = np.array([pixels.shape[1] - 1, pixels.shape[0] - 1])
    looks = []
    for start, edge, outer, coin in zip(large, said["edge"], said["outer"], said["coin"], strict=True):
        at = start.centre_px + 1.03 * radius_at(angle, start)[:, None] * unit
        inside = ((at > 1.0) & (at < limit - 1.0)).all(axis=1)
        looks.append(Look(start, edge.astype(np.float64), outer.astype(np.float64), float(coin), inside))
    return looks


def nearer(look: Look) -> Start | None:
    """The start moved to where the network sees the rim; None where too few directions see one."""
    place, mass, _ = _modes(look.edge)
    weight = mass * look.inside
    if (weight > LEAST_MASS).mean() < 0.4:
        return None
    start, angle = look.start, _angles()
    first = radius_at(angle, start)
    change = first * (place - 1.0)
    design = np.column_stack([np.ones(RAYS), np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)])
    tie = np.diag([0.0, 0.02, 0.02, 0.2, 0.2])
    tolerance = 0.15 * start.radius_px
    w = weight.copy()
    for share in (1.0, 0.5, 0.25, 0.15, 0.1):
        x = np.linalg.solve(design.T @ (w[:, None] * design) + tie, design.T @ (w * change))
        away = np.abs(design @ x - change) / (tolerance * share)
        w = weight * np.clip(1.0 - away**2, 0.0, None) ** 2 + 1e-6 * weight
    p, q = start.flattening_px[0] + float(x[3]), start.flattening_px[1] + float(x[4])
    radius = start.radius_px + float(x[0])
    most = (1.0 - MOST_FLAT) / (1.0 + MOST_FLAT) * radius
    if radius < LEAST_RADIUS_PX or np.hypot(x[1], x[2]) > 0.5 * start.radius_px:
        return None
    size = max(float(np.hypot(p, q)) / max(most, 1e-9), 1.0)
    return Start(start.centre_px + x[1:3], radius, (p / size, q / size), start.u_radius_px, start.confidence)


def rim_of(look: Look, profile: Profile | None = None) -> Rim | None:
    """The rim from a look along a nearly true ellipse; None where the rim is not seen in most directions.

    Parameters
    ----------
    look : Look
        Of a start that `nearer` no longer moves.
    profile : Profile, optional
        Of a coin with sides.
    """
    start, angle, places = look.start, _angles(), rim_places()
    room = NEAR_RIM if profile is None else NEAR_RIM + float(np.ptp(profile.relative))
    window = np.clip(1.0 - ((places - 1.0) / (1.6 * room)) ** 2, 0.0, None)
    share = look.edge * window
    mass = share.sum(axis=1)
    place = (share @ places) / np.maximum(mass, 1e-9)
    spread = np.sqrt(np.maximum((share @ places**2) / np.maximum(mass, 1e-9) - place**2, 0.0))
    seen = (mass > LEAST_MASS) & look.inside
    if look.inside.mean() < LEAST_INSIDE or seen.mean() < 0.4:
        return None
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    points = (start.centre_px + (radius_at(angle, start) * place)[:, None] * unit)[seen]
    fitted = _fit(points, start.centre_px, profile)
    if fitted is None:
        return None
    ellipse, on_circle = fitted
    if ellipse.short < MOST_FLAT * ellipse.long or ellipse.long < LEAST_RADIUS_PX:
        return None
    support = float((mass[seen] * ellipse.used).sum()) / RAYS
    unseen = 1.0 - support
    u_radius = float(
        np.sqrt(
            U_RADIUS_FLOOR**2
            + (U_RADIUS_PX / ellipse.long) ** 2
            + (U_OF_SPREAD * median(spread[seen])) ** 2
            + (U_OF_UNSEEN * unseen) ** 2
        )
    )
    u_edge = float(np.hypot(U_EDGE_RELATIVE * ellipse.long, ellipse.rms))
    edge = on_circle[ellipse.used]
    told = Told(start, places, look.edge, look.outer)
    return Rim(ellipse, edge, np.empty((0, 2)), support, look.coin, u_radius, u_edge, told=told)


def _modes(edge: Array) -> tuple[Array, Array, Array]:
    """Place, mass and spread of every ray's highest peak, (RAYS,) each; places of the first ellipse's radius."""
    places = rim_places()
    best = np.argmax(cv2.GaussianBlur(edge, (5, 1), 1.0, borderType=cv2.BORDER_REPLICATE), axis=1)
    window = np.clip(1.0 - ((places[None] - places[best][:, None]) / (5.0 * PITCH)) ** 2, 0.0, None)
    share = edge * window
    mass = share.sum(axis=1)
    place = (share @ places) / np.maximum(mass, 1e-9)
    spread = np.sqrt(np.maximum((share @ places**2) / np.maximum(mass, 1e-9) - place**2, 0.0))
    return place, mass, spread


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
        ellipse = fit_ellipse_robust(round_again) if profile is None else fit_ellipse(round_again)
        if isinstance(ellipse, Ellipse) and (best is None or ellipse.rms < best[0].rms):
            best = ellipse, round_again
    return best
