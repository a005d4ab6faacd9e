"""A first circle -> a coin's rim, sub-pixel: the face's edge told from the wall's foot, from shadow and from relief.

A coin seen from the side shows its face's rim all round and, on the side towards the camera, its wall down to the bench.
The wall's foot is the same circle, the thickness lower: in the picture the rim shifted by `wall`. Both are traced at once,
so that the foot is not taken for the rim; the foot's points say which way the bench leans.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import Ellipse, fit_ellipse_robust, medians, quantile
from vision.outline import length, samples
from vision.tilt import TiltEvidence

Array = NDArray[np.float64]

RAYS: Final = 180
REACH: Final = (-0.20, 0.24)  # of the radius: where edges are looked for about the first ellipse
PEAKS: Final = 6  # edges kept on a ray: rim, inner rim, foot, relief, shadow
TOLERANCES: Final = (0.030, 0.022, 0.016, 0.012, 0.010, 0.010)  # of the radius, step by step
LEAST_TOLERANCE_PX: Final = 0.9
LEAST_RADIUS_PX: Final = 14.0
MOST_FLATTENED: Final = 0.16  # of the mean radius: short over long axis 0.72, seen at 44 degrees
LEAST_SUPPORT: Final = 0.45  # of the rays must see the rim or its foot
U_RADIUS_RELATIVE: Final = 0.006  # rendered coins of 30 to 120 px: mean radius off by 1.2 % at 100 px, 1.6 % at 60 px
U_RADIUS_PX: Final = 0.6
U_EDGE_RELATIVE: Final = 0.022  # same pictures: flattening off by 0.7 % of the radius
BENCH_FROM: Final = 0.15  # of the radius beyond the first ellipse: bench, lit or shaded, whatever the coin's wall
U_TILT_RAD: Final = 0.35  # 20 degrees: among rings as well supported, the one seen squarer
CONTRAST_WEIGHT: Final = 2.0  # of "coin within, bench without" in a ring's score, exponent
BAND: Final = 0.045  # of the radius: how wide the strips within and without are
OUTER_SHARE: Final = 0.8  # an outer ring with this share of the best score is the rim, and the best one its inner edge
WIDE: Final = tuple(np.linspace(-0.14, 0.14, 15).tolist())  # sizes tried, of the radius, less 1
CLOSE: Final = (-0.02, 0.0, 0.02)
TURNS: Final = 6  # first turns tried within one side of a coin with sides


@dataclass(frozen=True, slots=True)
class Start:
    """Where a round thing was seen: centre, mean radius, and the flattening's cos 2 and sin 2 terms, px."""

    centre_px: Array
    radius_px: float
    flattening_px: tuple[float, float]
    u_radius_px: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Wall:
    """What shifts the foot from the rim: thickness over radius, the camera's focal length and centre, px."""

    ratio: float
    focal_px: float
    centre_px: Array


@dataclass(frozen=True, slots=True)
class Profile:
    """A coin with sides: the edge's distance from the centre over its mean, (K,) from the middle of a side to the next."""

    sides: int
    relative: Array


@dataclass(frozen=True, slots=True)
class Told:
    """What the rim network tells of a coin unrolled about `start`.

    `face` and `outer` (R, P) are the probabilities that the face's edge, and the end of face and wall together, lie at
    `places` (P,), of the start's radius in even directions (R,).
    """

    start: Start
    places: Array
    face: Array
    outer: Array


@dataclass(frozen=True, slots=True)
class Rim:
    """One round rim in the picture.

    `edge_px` (N, 2) are points of the face's rim, `foot_px` (M, 2) of the wall's foot where that was seen apart.
    """

    ellipse: Ellipse
    edge_px: Array
    foot_px: Array
    support: float
    confidence: float
    u_radius_relative: float  # of the mean radius
    u_edge_px: float  # of one edge point, neighbours erring together
    evidence: TiltEvidence | None = None  # as in `CircleReference`
    told: Told | None = None

    @property
    def centre_px(self) -> tuple[float, float]:
        """Of the ellipse."""
        return self.ellipse.x, self.ellipse.y

    @property
    def radius_px(self) -> float:
        """Long semi-axis: what a tilt leaves as it is."""
        return self.ellipse.long


def trace_rim(pixels: NDArray[np.uint8], start: Start, wall: Wall, profile: Profile | None = None) -> Rim | None:
    """The coin's rim near a first circle.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    start : Start
    wall : Wall
    profile : Profile, optional
        Of a coin with sides; without it the rim is round.

    Returns
    -------
    Rim or None
        None when too few directions show an edge that fits one ellipse.
    """
    if start.radius_px < LEAST_RADIUS_PX:
        return None
    rough = _rings(pixels, start, wall, profile, sizes=WIDE)
    if rough is None:
        return None
    nearer = Start(
        start.centre_px + rough.shape[1:3],
        float(rough.shape[0]),
        (float(rough.shape[3]), float(rough.shape[4])),
        max(0.5 * start.u_radius_px, 0.012 * start.radius_px),
        start.confidence,
    )
    found = _rings(pixels, nearer, wall, profile, sizes=CLOSE)
    return _as_rim(found, start.confidence)


def _as_rim(found: _Rings | None, confidence: float) -> Rim | None:
    """The robust ellipse of the rings found, with its uncertainty; None where they are no round face."""
    if found is None or found.support < LEAST_SUPPORT or len(found.face_px) < 30:
        return None
    ellipse = fit_ellipse_robust(found.face_px)
    if not isinstance(ellipse, Ellipse) or ellipse.short < 0.70 * ellipse.long or ellipse.long < LEAST_RADIUS_PX:
        return None
    u_radius = U_RADIUS_RELATIVE + U_RADIUS_PX / ellipse.long
    u_edge = float(np.hypot(U_EDGE_RELATIVE * ellipse.long, ellipse.rms))
    return Rim(ellipse, found.face_px[ellipse.used], found.foot_px, found.support, confidence, u_radius, u_edge)


def ellipse_start(points: Array, u_radius_px: float, confidence: float) -> Start | None:
    """A start from points (N, 2) of a rough outline."""
    if len(points) < 6:
        return None
    (cx, cy), (d1, d2), turn = cv2.fitEllipseDirect(points.astype(np.float32).reshape(-1, 1, 2))
    if not np.isfinite([cx, cy, d1, d2]).all() or min(d1, d2) < 0.5 * max(d1, d2):
        return None
    half, angle = (d1 - d2) / 4.0, np.radians(2.0 * turn)
    flattening = (float(half * np.cos(angle)), float(half * np.sin(angle)))
    return Start(np.array([cx, cy]), float(d1 + d2) / 4.0, flattening, u_radius_px, confidence)


@dataclass(frozen=True, slots=True)
class EdgeRays:
    """Edges along rays from the first centre: their distance (RAYS, PEAKS) from it and weight 0 to 1."""

    angle: Array
    unit: Array
    centre: Array
    distance: Array
    weight: Array
    offset: Array  # (K,) px from the first ellipse
    unlike: Array  # (RAYS, K) 0 to 1: how far from the bench's colour, in light or in shadow
    colour: NDArray[np.float32]  # (RAYS, K, 3)

    @classmethod
    def cast(cls, pixels: NDArray[np.uint8], start: Start) -> EdgeRays | None:
        angle = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
        unit = np.column_stack([np.cos(angle), np.sin(angle)])
        first = radius_at(angle, start)
        step = max(0.5, start.radius_px * (REACH[1] - REACH[0]) / 180.0)
        offset = np.arange(start.radius_px * REACH[0], start.radius_px * REACH[1] + step, step)
        where = start.centre_px + (first[:, None] + offset[None, :])[:, :, None] * unit[:, None, :]
        height, width = pixels.shape[:2]
        inside = ((where >= 0) & (where <= (width - 1, height - 1))).all(axis=2)
        if inside.mean() < 0.7:
            return None
        low = np.maximum(np.floor(where.reshape(-1, 2).min(axis=0)).astype(int) - 2, 0)
        high = np.ceil(where.reshape(-1, 2).max(axis=0)).astype(int) + 3
        window = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])
        colour = samples(window, where - low).astype(np.float32)
        sigma = max(0.7, 0.004 * start.radius_px / step)
        wrapped = np.concatenate([colour[-4:], colour, colour[:4]])
        smooth = cv2.GaussianBlur(wrapped, (0, 0), sigmaX=sigma, sigmaY=1.0, borderType=cv2.BORDER_REPLICATE)[4:-4]
        gradient = length(np.gradient(smooth, axis=1)) / step
        gradient[~inside] = 0.0
        position, strength = _peaks(gradient.astype(np.float64), offset, step)
        typical = max(float(quantile(strength[:, 0], 0.6)), 1.0)
        weight = np.clip(strength / typical, 0.0, 1.0) ** 0.7
        weight[strength < max(0.12 * typical, 0.6)] = 0.0
        seen = np.asarray(smooth, dtype=np.float32)
        unlike = _unlike_bench(seen, offset > BENCH_FROM * start.radius_px)
        return cls(angle, unit, start.centre_px, first[:, None] + position, weight, offset, unlike, seen)

    def every(self, step: int) -> EdgeRays:
        """Every so many rays alone."""
        part = slice(None, None, step)
        return EdgeRays(
            self.angle[part],
            self.unit[part],
            self.centre,
            self.distance[part],
            self.weight[part],
            self.offset,
            self.unlike[part],
            self.colour[part],
        )

    def across(self, place: Array, band: float) -> Array:
        """How much unlike the bench it is just inside less just outside of edges (H, RAYS): (H,)."""
        running = np.cumsum(self.unlike, axis=1)
        running = np.concatenate([np.zeros((len(running), 1)), running], axis=1)
        step = float(self.offset[1] - self.offset[0])
        rows = np.arange(len(running))[None]

        def mean(low: Array, high: Array) -> Array:
            a, b = (
                np.clip(np.round((v - self.offset[0]) / step).astype(int), 0, len(self.offset)) for v in (low, high)
            )
            return np.asarray((running[rows, b] - running[rows, a]) / np.maximum(b - a, 1))

        gap = 0.25 * band
        return np.asarray((mean(place - band - gap, place - gap) - mean(place + gap, place + gap + band)).mean(axis=1))


def _unlike_bench(colour: NDArray[np.float32], far: NDArray[np.bool_]) -> Array:
    """Distance of colours (RAYS, K, 3) from the bench's own on the same ray, in full light or in shadow."""
    beyond = np.ascontiguousarray(colour[:, far].transpose(0, 2, 1))
    around = np.concatenate([np.roll(beyond, k, axis=0) for k in (-6, -3, 0, 3, 6)], axis=2)
    bench = medians(around)
    noise = 1.4826 * medians(np.abs(around - bench[:, :, None])).mean(axis=1)
    light = (colour @ bench[:, :, None])[..., 0] / np.maximum((bench**2).sum(axis=1), 1.0)[:, None]
    shaded = np.clip(light, 0.2, 1.1)[:, :, None] * bench[:, None]
    away = length(colour - shaded)
    return np.asarray(np.clip(away / (3.0 * noise + 8.0)[:, None], 0.0, 1.0), dtype=np.float64)


def radius_at(angle: Array, start: Start) -> Array:
    """Distance of an ellipse's edge from its centre, exact."""
    p, q = start.flattening_px
    half = float(np.hypot(p, q))
    a, b = start.radius_px + half, start.radius_px - half
    turn = angle - 0.5 * np.arctan2(q, p)
    return np.asarray(a * b / np.hypot(b * np.cos(turn), a * np.sin(turn)))


def _peaks(gradient: Array, offset: Array, step: float) -> tuple[Array, Array]:
    """The strongest local maxima on every ray, sub-sample: positions and strengths, (RAYS, PEAKS)."""
    before, here, after = gradient[:, :-2], gradient[:, 1:-1], gradient[:, 2:]
    strength = np.where((here > before) & (here >= after), here, 0.0)
    order = np.argsort(-strength, axis=1)[:, :PEAKS]
    b, h, a = (np.take_along_axis(v, order, axis=1) for v in (before, here, after))
    bend = b - 2.0 * h + a
    shift = np.where(np.abs(bend) > 1e-9, 0.5 * (b - a) / np.where(np.abs(bend) > 1e-9, bend, 1.0), 0.0)
    return offset[order + 1] + np.clip(shift, -1.0, 1.0) * step, np.take_along_axis(strength, order, axis=1)


@dataclass(frozen=True, slots=True)
class _Rings:
    shape: Array  # mean radius, shift x, y, flattening cos 2, sin 2
    face_px: Array
    foot_px: Array
    support: float


def _design(angle: Array) -> Array:
    """An ellipse's change of radius to first order in its size, shift and flattening."""
    return np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])


def _rings(
    pixels: NDArray[np.uint8], start: Start, wall: Wall, profile: Profile | None, *, sizes: tuple[float, ...]
) -> _Rings | None:
    rays = EdgeRays.cast(pixels, start)
    return None if rays is None else _fit_rings(rays, start, wall, profile, sizes)


def _fit_rings(
    rays: EdgeRays, start: Start, wall: Wall, profile: Profile | None, sizes: tuple[float, ...]
) -> _Rings | None:
    """Rim and foot together by reweighted least squares from many sizes; the best supported one."""
    r0 = start.radius_px
    nearer = wall.ratio * r0 * r0 / wall.focal_px  # the rim is nearer the camera than the foot, and so larger
    base = radius_at(rays.angle, start)
    design = _design(rays.angle)
    forms = _forms(rays.angle, profile)
    shifts = _wall_shifts(start, wall)
    starts = [(s, w, f) for f in range(len(forms)) for w in shifts for s in sizes]
    coefficients = np.zeros((len(starts), 7))
    coefficients[:, 0] = [s * r0 for s, _, _ in starts]
    coefficients[:, 5:] = [w for _, w, _ in starts]
    form = np.array([f for _, _, f in starts])
    u_wall = 0.10 * wall.ratio * r0 + 0.3
    spread = np.array([0.5 * r0, 0.15 * r0, 0.15 * r0, 0.08 * r0, 0.08 * r0, u_wall, u_wall])
    middle = np.zeros((len(starts), 7))
    middle[:, 5:] = coefficients[:, 5:]
    shape7 = np.concatenate([design, rays.unit], axis=1)
    products = (design[:, :, None] * design[:, None, :]).reshape(RAYS, 25)
    products7 = (shape7[:, :, None] * shape7[:, None, :]).reshape(RAYS, 49)
    for share in TOLERANCES if sizes is WIDE else TOLERANCES[3:]:
        tolerance = max(share * r0, LEAST_TOLERANCE_PX)
        face, foot, at_face, at_foot = _match(rays, base, design, forms[form], coefficients, tolerance, nearer)
        normal = (foot @ products7).reshape(-1, 7, 7)
        normal[:, :5, :5] += (face @ products).reshape(-1, 5, 5)
        right = (foot * (at_foot + nearer)) @ shape7
        right[:, :5] += (face * at_face) @ design
        tie = (0.5 * tolerance / spread) ** 2
        normal += np.diag(tie)[None]
        right += tie * middle
        coefficients = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    face, foot, at_face, at_foot = _match(rays, base, design, forms[form], coefficients, tolerance, nearer)
    support = np.maximum(face, foot).sum(axis=1) / RAYS
    z = coefficients[:, 0] / start.u_radius_px
    score = support * np.exp(-0.5 * np.minimum(z * z, 25.0))
    outer = _outer_edge(base, design, rays, forms[form], coefficients, nearer)
    score *= np.exp(CONTRAST_WEIGHT * rays.across(outer, BAND * r0))
    flat = np.hypot(coefficients[:, 3] + start.flattening_px[0], coefficients[:, 4] + start.flattening_px[1])
    tilt = np.arccos(np.clip((r0 - flat) / (r0 + flat), 0.0, 1.0))
    score *= np.exp(-0.5 * (tilt / U_TILT_RAD) ** 2)
    score[(flat > MOST_FLATTENED * r0) | (np.hypot(*coefficients[:, 1:3].T) > 0.2 * r0)] = 0.0
    if score.max() <= 0.0:
        return None
    near = score >= OUTER_SHARE * score.max()
    best = int(np.argmax(np.where(near, coefficients[:, 0] + 0.05 * r0 * score / score.max(), -np.inf)))
    c = coefficients[best]
    on_face, on_foot = face[best] > 0.05, foot[best] > 0.05
    round_again = 1.0 / forms[form[best]]
    face_px = rays.centre + ((base + at_face[best])[:, None] * rays.unit)[on_face]
    middle_px = rays.centre + c[1:3]
    face_px = middle_px + (face_px - middle_px) * round_again[on_face][:, None]
    foot_px = rays.centre + ((base + at_foot[best])[:, None] * rays.unit)[on_foot]
    shape = np.array([r0 + c[0], c[1], c[2], start.flattening_px[0] + c[3], start.flattening_px[1] + c[4]])
    seen = float(((face[best] > 0.0) | (foot[best] > 0.0)).mean())
    return _Rings(shape, face_px, foot_px if profile is None else foot_px[:0], seen)


def _match(
    rays: EdgeRays, base: Array, design: Array, forms: Array, coefficients: Array, tolerance: float, nearer: float
) -> tuple[Array, Array, Array, Array]:
    """Weight and place of the edge nearest the rim and the foot on every ray, for every hypothesis: four (H, RAYS)."""
    rim = design @ coefficients[:, :5].T  # (RAYS, H)
    rim = rim.T + base * (forms - 1.0)
    lower = coefficients[:, 5:] @ rays.unit.T - nearer
    apart = lower > 1.2 * tolerance
    merged = (lower > 0.4) & ~apart  # rim and foot in one edge: of little use for either
    out = []
    for place, allowed in ((rim, np.where(merged, 0.3, 1.0)), (rim + lower, apart)):
        away = (rays.distance - base[:, None])[None] - place[:, :, None]
        weight = rays.weight[None] * np.clip(1.0 - (away / tolerance) ** 2, 0.0, None) ** 2
        nearest = np.argmax(weight, axis=2)[:, :, None]
        chosen = np.take_along_axis(weight, nearest, axis=2)[:, :, 0] * allowed
        where = place + np.take_along_axis(away, nearest, axis=2)[:, :, 0] * (chosen > 0.0)
        out.append((chosen, where - base * (forms - 1.0)))
    (face, at_face), (foot, at_foot) = out
    return face, foot, at_face, at_foot


def _outer_edge(base: Array, design: Array, rays: EdgeRays, forms: Array, coefficients: Array, nearer: float) -> Array:
    """The silhouette's distance from the first ellipse on every ray: the rim, or the foot where that lies farther out."""
    rim = (design @ coefficients[:, :5].T).T + base * (forms - 1.0)
    return np.asarray(rim + np.maximum(coefficients[:, 5:] @ rays.unit.T - nearer, 0.0))


def _wall_shifts(start: Start, wall: Wall) -> list[Array]:
    """Where the foot may lie from the rim, px: camera straight above the bench, and the two tilts the ellipse allows."""
    r0 = start.radius_px
    straight = -(start.centre_px - wall.centre_px) * wall.ratio * r0 / wall.focal_px
    p, q = start.flattening_px
    half = float(np.hypot(p, q))
    cosine = (r0 - half) / (r0 + half)
    sine = float(np.sqrt(max(1.0 - cosine**2, 0.0)))
    across = 0.5 * np.arctan2(q, p) + np.pi / 2.0
    lean = wall.ratio * r0 * max(sine, 0.12) * np.array([np.cos(across), np.sin(across)])
    return [straight, straight + lean, straight - lean]


def _forms(angle: Array, profile: Profile | None) -> Array:
    """Distance of the edge over the mean in every direction, for each turn tried: (turns, RAYS)."""
    if profile is None:
        return np.ones((1, len(angle)))
    turns = np.arange(TURNS) / TURNS
    place = ((angle * profile.sides / (2.0 * np.pi))[None] - turns[:, None]) % 1.0
    known = np.linspace(0.0, 1.0, len(profile.relative))
    return np.interp(place.ravel(), known, profile.relative).reshape(place.shape)
