"""A coin's face and the foot of its wall as one body: where the outline in the photo fits both, and which way it leans.

Seen aslant, a coin's outline is its face on the far side and the foot of its wall on the near one. An ellipse through all of
it is too round and lies beside the face. Centre, size and tilt of the body whose thickness is known say where both edges
must be, and the face's own edge within the outline tells the true tilt from its mirror image.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.outline import length
from vision.scale.rim import EdgeRays, Profile, Start, Wall, radius_at
from vision.tilt import TILTS, TiltEvidence, about_ray, all_round, frame_of_tilt

Array = NDArray[np.float64]

COARSE: Final = 4  # every so many rays are used for the grid of tilts
SIZES: Final = (
    0.97,
    1.0,
    1.03,
)  # of the first radius: rolled rim, edge, and the foot's shadow are that near each other
KEPT: Final = 3
UNLIKE_FLAT: Final = 0.05  # half the flattening by which a network's ellipse may err, and with it a whole outline
U_TILT_RAD: Final = 0.25  # of a coin's face from square to the ray to it
TURNS: Final = 6  # of a coin with sides, within one side
TOLERANCES: Final = (0.03, 0.02, 0.015, 0.012)  # of the radius, round by round
FINE: Final = (0.018, 0.012, 0.010, 0.010)
LEAST_TOLERANCE_PX: Final = 0.9
FACE_WEIGHT: Final = 0.7  # of an edge within the outline, relief beside it, against the outline's
APART: Final = 1.2  # tolerances by which foot and face must differ to be two edges
# Log odds by: share of the outline with an edge; share with the face's edge within; share where face and foot lie apart;
# "coin within, bench without"; how unlike the face its wall is; and the face's mean square distance, in hundredths of the
# radius, from the network's rim. Fitted to path-traced coins by the likelihood of the true tilt and radius, held small.
EVIDENCE: Final = (10.0, 11.0, -3.2, 8.0, 7.0, -1.3)
CHANCE: Final = 0.35  # weight of the edge that relief and texture put where a face is expected
CONTRAST: Final = 2.0  # of "coin within, bench without" against the share of the outline that has an edge
WALL_WEIGHT: Final = 1.0
WALL_CLEAR: Final = 40.0  # colour difference (of 255) of wall and face that leaves no doubt
WALL_CHANCE: Final = 0.3
ASKEW: Final = 0.1  # how much a tilt of 20 degrees costs
BAND: Final = 0.045  # of the radius
STEPS: Final = np.array([0.3, 0.3, 0.3, 0.01, 0.01])
TIE: Final = np.array([0.02, 0.02, 0.01, 0.006, 0.006])
MOST_STEP: Final = np.array([0.06, 0.06, 0.06, 0.12, 0.12])  # of the radius, and rad
MOST_TILT: Final = 0.75
UNLIKE: Final = 0.07  # rad: bodies whose tilts differ by less are one


@dataclass(frozen=True, slots=True)
class Body:
    """Coin bodies that fit the photo, the best first.

    `parameters` (K, 5) are the face's centre (px), its radius (px, as if seen square) and the tilt across and along (rad,
    as in `vision.plane`); `score` (K,) goes up to about 3. `edge_px` (N, 2) are points of the best one's face, brought
    onto its mean circle where the coin has sides; `support` is the share of its outline that shows an edge.
    """

    parameters: Array
    score: Array
    edge_px: Array
    face_px: Array  # (M, 2) the best one's whole face, mean circle
    support: float
    rms_px: float
    evidence: TiltEvidence


def fit_body(rays: EdgeRays, start: Start, wall: Wall, profile: Profile | None = None) -> Body | None:
    """The bodies that fit the edges round a first ellipse; None where none does.

    Parameters
    ----------
    rays : EdgeRays
        Cast from `start`.
    start : Start
        Of the face or of the whole outline, good to about 8 % of the radius.
    wall : Wall
    profile : Profile, optional
        Of a coin with sides.
    """
    r0 = start.radius_px
    evidence, score = _evidence(rays.every(COARSE), start, wall, profile)
    slope = (start.centre_px - wall.centre_px) / wall.focal_px
    first = np.column_stack([evidence.centre_px, evidence.radius_px, about_ray(evidence.tilts, slope)])
    bodies = first[_distinct(first, score, KEPT)]
    circle = _circle(72)[None]
    forms = np.ones((len(bodies), 72))
    if profile is not None:
        forms = np.repeat(_forms(72, profile), len(bodies), axis=0)
        bodies = np.tile(bodies, (TURNS, 1))
        circle = circle * forms[:, :, None]
    for share in FINE:
        bodies = _step(rays, bodies, wall, circle, max(share * r0, LEAST_TOLERANCE_PX), r0)
    score = _score(rays, start, bodies, wall, circle)
    if not len(score) or score.max() <= 0.0:
        return None
    order = _distinct(bodies, score, len(bodies))
    best = order[0]
    own = circle if profile is None else circle[best : best + 1]
    points, support, rms = _face_points(rays, bodies[best : best + 1], wall, own, r0)
    middle = bodies[best, :2]
    if profile is not None:
        around = np.arctan2(*(_project(bodies[best : best + 1], wall, own)[0][0] - middle).T[::-1]) % (2.0 * np.pi)
        turn = np.argsort(around)
        at = np.arctan2(*(points - middle).T[::-1]) % (2.0 * np.pi)
        form = np.interp(at, around[turn], forms[best][turn], period=2.0 * np.pi)
        points = middle + (points - middle) / form[:, None]
    face = _project(bodies[best : best + 1], wall, _circle(72)[None])[0][0]
    return Body(bodies[order], score[order], points, face, support, rms, evidence)


def _evidence(rays: EdgeRays, start: Start, wall: Wall, profile: Profile | None) -> tuple[TiltEvidence, Array]:
    """What the edges say of every tilt about the ray to the coin, and the evidence with what a tilt costs, (K,).

    Middle and radius are fitted under each tilt from several sizes; the likelier a size, the more it counts.
    """
    tilts = TILTS[_as_flat(TILTS, start)]
    found, centre, radius = _under_tilts(rays, start, wall, profile, tilts)
    k, n = len(tilts), len(SIZES)
    log = (found @ np.array(EVIDENCE)).reshape(n, k)
    share = np.exp(log - log.max(axis=0))
    total = share.sum(axis=0)
    share /= total
    centre = np.einsum("nk,nki->ki", share, centre.reshape(n, k, 2))
    radius = (share * radius.reshape(n, k)).sum(axis=0)
    log = log.max(axis=0) + np.log(total)
    evidence = TiltEvidence(tilts, log - log.max(), centre, radius)
    return evidence, evidence.log - 0.5 * (tilts**2).sum(axis=1) / U_TILT_RAD**2


def _under_tilts(
    rays: EdgeRays, start: Start, wall: Wall, profile: Profile | None, tilts: Array
) -> tuple[Array, Array, Array]:
    """Coins fitted under given tilts (K, 2) from each size: what goes with `EVIDENCE`, centre and radius, (SIZES K, …)."""
    r0 = start.radius_px
    k, n = len(tilts), len(SIZES)
    slope = (start.centre_px - wall.centre_px) / wall.focal_px
    frame = tuple(np.tile(v, (n, 1)) for v in frame_of_tilt(about_ray(tilts, slope)))
    centre = np.tile(start.centre_px, (n * k, 1))
    long = r0 + float(np.hypot(*start.flattening_px))
    radius = np.repeat(np.array(SIZES) * long, k)
    form = np.ones(len(rays.angle)) if profile is None else _turned_form(rays, start, profile)
    design = np.column_stack([rays.unit, np.ones(len(rays.unit))])
    products = (design[:, :, None] * design[:, None, :]).reshape(-1, 9)
    base = radius_at(rays.angle, start)
    face, foot = _ellipses(rays, centre, radius, frame, wall, form)
    shift = np.linalg.lstsq(design, (base - np.maximum(face, foot)).T, rcond=None)[0].T
    centre = centre + shift[:, :2]  # the outline lies about the start
    for share in TOLERANCES:
        tolerance = max(share * r0, LEAST_TOLERANCE_PX)
        nearest = _Nearest.table(rays, tolerance)
        face, foot = _ellipses(rays, centre, radius, frame, wall, form)
        w_outer, to_outer = nearest(np.maximum(face, foot))
        w_face, to_face = nearest(face)
        w_face = np.where(foot - face > APART * tolerance, FACE_WEIGHT * w_face, 0.0)
        normal = ((w_outer + w_face) @ products).reshape(-1, 3, 3)
        normal += np.eye(3) * (TIE[0] * len(rays.angle) * (tolerance / r0) ** 2)
        step = np.linalg.solve(normal, ((w_outer * to_outer + w_face * to_face) @ design)[..., None])[..., 0]
        step = np.clip(step, -MOST_STEP[0] * r0, MOST_STEP[0] * r0)
        centre, radius = centre + step[:, :2], radius + step[:, 2]
    face, foot = _ellipses(rays, centre, radius, frame, wall, form)
    outer = np.maximum(face, foot)
    least = APART * tolerance
    apart = foot - face > least
    off = (face - base) / (0.01 * r0)
    found = [
        nearest(outer)[0].mean(axis=1),
        np.where(apart, nearest(face)[0], 0.0).mean(axis=1),
        apart.mean(axis=1),
        rays.across(outer - base, BAND * r0),
        _wall_shows(rays, start, face, foot, least),
        np.minimum((off + 1.0) ** 2, 9.0).mean(axis=1),
    ]
    return np.stack(found, axis=1), centre, radius


@dataclass(frozen=True, slots=True)
class _Nearest:
    """The nearest edge to every place on every ray, worked out once in fine steps: many places are asked."""

    low: float
    step: float
    weight: Array  # (RAYS * M,)
    away: Array
    count: int

    @classmethod
    def table(cls, rays: EdgeRays, tolerance: float) -> _Nearest:
        step = tolerance / 12.0
        low, high = float(rays.distance.min()) - tolerance, float(rays.distance.max()) + tolerance
        place = np.arange(low, high + step, step)
        weight, away = _nearest(rays, np.repeat(place[:, None], len(rays.angle), axis=1), tolerance)
        return cls(low, step, weight.T.ravel(), away.T.ravel(), len(place))

    def __call__(self, place: Array) -> tuple[Array, Array]:
        """Weight of the edge nearest to places (K, RAYS), and how far it lies outwards."""
        at = ((place - (self.low - 0.5 * self.step)) * (1.0 / self.step)).astype(np.int32)
        np.clip(at, 0, self.count - 1, out=at)
        at += np.arange(place.shape[1], dtype=np.int32) * self.count
        return np.take(self.weight, at), np.take(self.away, at)


def _as_flat(tilts: Array, start: Start) -> NDArray[np.bool_]:
    """Which tilts (K, 2) about the ray flatten a circle about as much as the first ellipse is flat, (K,)."""
    short = 1.0 - np.cos(np.hypot(tilts[:, 0], tilts[:, 1]))
    across = 2.0 * np.arctan2(tilts[:, 1], tilts[:, 0])  # the turn's own direction stays long
    half = 0.5 * short[:, None] * np.column_stack([np.cos(across), np.sin(across)])
    return np.asarray(np.hypot(*(half - np.array(start.flattening_px) / start.radius_px).T) < UNLIKE_FLAT)


def _ellipses(
    rays: EdgeRays, centre: Array, radius: Array, frame: tuple[Array, ...], wall: Wall, form: Array
) -> tuple[Array, Array]:
    """Where the rays meet face and foot, exactly, (K, RAYS) each: the picture of a circle is an ellipse."""
    right, up, normal = frame
    ray = np.column_stack([(centre - wall.centre_px) / wall.focal_px, np.ones(len(centre))])
    middle = ray * (wall.focal_px / radius)[:, None]
    origin = np.append((rays.centre - wall.centre_px) / wall.focal_px, 1.0)
    x, y = rays.unit.T
    powers = np.stack([x * x, 2.0 * x * y, y * y])
    sign = np.array([1.0, 1.0, -1.0])[:, None, None]
    out = []
    for place in (middle, middle - wall.ratio * normal):
        third = normal / (normal * place).sum(axis=1)[:, None]
        first = right - (right * place).sum(axis=1)[:, None] * third
        second = up - (up * place).sum(axis=1)[:, None] * third
        # the cone over the ellipse: |first . ray|^2 + |second . ray|^2 = |third . ray|^2, squared along the rays
        on = np.stack([first, second, third])
        at = on @ origin
        squares = (sign * on[:, :, [0, 0, 1]] * on[:, :, [0, 1, 1]]).sum(axis=0)
        square = squares @ powers
        cross = (sign * at[:, :, None] * on[:, :, :2]).sum(axis=0) @ rays.unit.T
        rest = (sign[:, :, 0] * at * at).sum(axis=0)[:, None]
        far = (np.sqrt(np.maximum(cross * cross - square * rest, 0.0)) - cross) / square
        out.append(far * (wall.focal_px * form))
    return out[0], out[1]


def _turned_form(rays: EdgeRays, start: Start, profile: Profile) -> Array:
    """Distance of a sided coin's edge over its mean on every ray, turned as the edges about the first ellipse are."""
    place = rays.angle * (profile.sides / (2.0 * np.pi))
    known = np.linspace(0.0, 1.0, len(profile.relative))
    turns = np.arange(TURNS) / TURNS
    forms = np.stack([np.interp((place - t) % 1.0, known, profile.relative) for t in turns])
    tolerance = max(TOLERANCES[0] * start.radius_px, LEAST_TOLERANCE_PX)
    curves = radius_at(rays.angle, start) * forms
    design = np.column_stack([rays.unit, np.ones(len(rays.unit))])
    for _ in range(3):
        weight, away = _nearest(rays, curves, tolerance)
        normal = np.einsum("kr,ri,rj->kij", weight, design, design) + np.eye(3)
        curves = curves + np.linalg.solve(normal, ((weight * away) @ design)[..., None])[..., 0] @ design.T
    return np.asarray(forms[int(np.argmax(_nearest(rays, curves, 0.5 * tolerance)[0].sum(axis=1)))])


def _circle(count: int) -> Array:
    turn = np.arange(count) * (2.0 * np.pi / count)
    return np.stack([np.cos(turn), np.sin(turn)], axis=1)


def _forms(count: int, profile: Profile) -> Array:
    """Distance of a sided coin's edge over its mean all round, for each turn tried, (TURNS, count)."""
    place = np.arange(count) * (profile.sides / count)
    known = np.linspace(0.0, 1.0, len(profile.relative))
    return np.stack([np.interp((place - t / TURNS) % 1.0, known, profile.relative) for t in range(TURNS)])


def _project(bodies: Array, wall: Wall, circle: Array) -> tuple[Array, Array]:
    """Face and foot of bodies (K, 5) in the picture, (K, N, 2) each; `circle` (1 or K, N, 2) in radii."""
    right, up, normal = frame_of_tilt(bodies[:, 3:5])
    ray = np.concatenate([(bodies[:, :2] - wall.centre_px) / wall.focal_px, np.ones((len(bodies), 1))], axis=1)
    middle = ray * (wall.focal_px / bodies[:, 2])[:, None]
    face = middle[:, None] + circle[..., :1] * right[:, None] + circle[..., 1:] * up[:, None]
    foot = face - wall.ratio * normal[:, None]
    return tuple(p[..., :2] / p[..., 2:] * wall.focal_px + wall.centre_px for p in (face, foot))  # type: ignore[return-value]


def _along_rays(points: Array, rays: EdgeRays) -> Array:
    """Distance of closed curves (K, N, 2) from the rays' origin in their directions, (K, RAYS)."""
    away = points - rays.centre
    angle = np.arctan2(away[..., 1], away[..., 0])
    return all_round(rays.angle, angle, np.hypot(away[..., 0], away[..., 1]))


def _edges(rays: EdgeRays, bodies: Array, wall: Wall, circle: Array) -> tuple[Array, Array]:
    face, foot = _project(bodies, wall, circle)
    on_rays = _along_rays(np.concatenate([face, foot]), rays)
    return on_rays[: len(bodies)], on_rays[len(bodies) :]


def _nearest(rays: EdgeRays, place: Array, tolerance: float) -> tuple[Array, Array]:
    """Weight of the edge nearest to a place (K, RAYS) on every ray, and how far it lies outwards."""
    weight = np.zeros_like(place)
    away = np.zeros_like(place)
    for distance, strength in zip(rays.distance.T, rays.weight.T, strict=True):
        here = distance - place
        near = np.maximum(1.0 - (here / tolerance) ** 2, 0.0)
        near *= near * strength
        better = near > weight
        np.copyto(weight, near, where=better)
        np.copyto(away, here, where=better)
    return weight, away


def _step(rays: EdgeRays, bodies: Array, wall: Wall, circle: Array, tolerance: float, r0: float) -> Array:
    """One round of reweighted least squares for every body."""
    k = len(bodies)
    moved = np.concatenate([bodies, *(bodies + np.eye(5)[i] * STEPS[i] for i in range(5))])
    circles = circle if len(circle) == 1 else np.tile(circle, (6, 1, 1))
    face, foot = (v.reshape(6, k, -1) for v in _edges(rays, moved, wall, circles))
    outer = np.maximum(face, foot)
    apart = foot[0] - face[0] > APART * tolerance
    w_outer, to_outer = _nearest(rays, outer[0], tolerance)
    w_face, to_face = _nearest(rays, face[0], tolerance)
    slopes = np.concatenate([outer[1:] - outer[0], face[1:] - face[0]], axis=2) / STEPS[:, None, None]
    weight = np.concatenate([w_outer, np.where(apart, FACE_WEIGHT * w_face, 0.0)], axis=1)
    off = np.concatenate([to_outer, to_face], axis=1)
    tie = TIE * np.array([1.0, 1.0, 1.0, r0 * r0, r0 * r0]) * len(rays.angle) * (tolerance / r0) ** 2
    normal = np.einsum("ikr,kr,jkr->kij", slopes, weight, slopes) + np.diag(tie)
    right = np.einsum("ikr,kr->ki", slopes, weight * off)
    most = MOST_STEP * np.array([r0, r0, r0, 1.0, 1.0])
    return np.asarray(bodies + np.clip(np.linalg.solve(normal, right[..., None])[..., 0], -most, most))


def _score(rays: EdgeRays, start: Start, bodies: Array, wall: Wall, circle: Array) -> Array:
    """How well each body accounts for the edges: outline, face within it, coin within and bench without."""
    r0 = start.radius_px
    tolerance = max(0.012 * r0, LEAST_TOLERANCE_PX)
    face, foot = _edges(rays, bodies, wall, circle)
    outer = np.maximum(face, foot)
    w_outer, _ = _nearest(rays, outer, tolerance)
    w_face, _ = _nearest(rays, face, tolerance)
    inner = np.where(foot - face > APART * tolerance, w_face - CHANCE, 0.0).mean(axis=1)
    contrast = rays.across(outer - radius_at(rays.angle, start), BAND * r0)
    wide = foot - face > APART * tolerance
    inner += WALL_WEIGHT * (_wall_shows(rays, start, face, foot, APART * tolerance) - WALL_CHANCE * wide.mean(axis=1))
    tilt = np.hypot(bodies[:, 3], bodies[:, 4])
    score = w_outer.mean(axis=1) + inner + CONTRAST * contrast - ASKEW * (tilt / 0.35) ** 2
    score[(tilt > MOST_TILT) | (bodies[:, 2] < 0.5 * r0) | ~np.isfinite(score)] = -np.inf
    return np.asarray(score)


def _wall_shows(rays: EdgeRays, start: Start, face: Array, foot: Array, least: float) -> Array:
    """How much the strip between face and foot (K, RAYS) is of another colour than the face beside it, (K,)."""
    running = np.concatenate([np.zeros_like(rays.colour[:, :1]), np.cumsum(rays.colour, axis=1)], axis=1)
    base = radius_at(rays.angle, start)
    step = float(rays.offset[1] - rays.offset[0])
    rows = np.arange(len(base))[None] * running.shape[1]
    running = running.reshape(-1, 3)

    def mean(low: Array, high: Array) -> Array:
        a, b = (
            np.clip(np.round((v - base - rays.offset[0]) / step).astype(int), 0, len(rays.offset)) for v in (low, high)
        )
        b = np.minimum(np.maximum(b, a + 1), len(rays.offset))
        total = np.take(running, rows + b, axis=0) - np.take(running, rows + a, axis=0)
        return np.asarray(total / np.maximum(b - a, 1)[..., None])

    width = foot - face
    strip = mean(face + 0.25 * width, foot - 0.25 * width)
    within = mean(face - 1.1 * width, face - 0.35 * width)
    unlike = np.clip(length(strip - within) / WALL_CLEAR, 0.0, 1.0)
    return np.asarray(np.where(width > least, unlike, 0.0).mean(axis=1))


def _distinct(bodies: Array, score: Array, most: int) -> list[int]:
    """Places of bodies unlike each other, the best first."""
    kept: list[int] = []
    for i in np.argsort(-score):
        if len(kept) == most or not np.isfinite(score[i]):
            break
        tilts = np.array([bodies[j, 3:5] for j in kept]).reshape(-1, 2)
        sizes = np.array([bodies[j, 2] for j in kept])
        near = (np.hypot(*(tilts - bodies[i, 3:5]).T) < UNLIKE) & (np.abs(sizes / bodies[i, 2] - 1.0) < 0.02)
        if not near.any():
            kept.append(int(i))
    return kept


def _face_points(rays: EdgeRays, body: Array, wall: Wall, circle: Array, r0: float) -> tuple[Array, float, float]:
    """Edge points of one body's face, the share of its outline that has an edge, and the points' rms distance."""
    tolerance = max(FINE[-1] * r0, LEAST_TOLERANCE_PX)
    face, foot = (v[0] for v in _edges(rays, body, wall, circle))
    outer = np.maximum(face, foot)
    (w_outer,), (to_outer,) = _nearest(rays, outer[None], tolerance)
    (w_face,), (to_face,) = _nearest(rays, face[None], tolerance)
    own = (foot - face > APART * tolerance) & (w_face > 0.05)
    seen = own | (w_outer > 0.05)
    off = np.where(own, to_face, to_outer)
    points = rays.centre + ((face + off)[:, None] * rays.unit)[seen]
    rms = float(np.sqrt(np.mean(off[seen] ** 2))) if seen.any() else 0.0
    return points, float((w_outer > 0.05).mean()), rms
