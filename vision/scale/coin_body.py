"""A coin's face and the foot of its wall as one body: where the outline in the photo fits both, and which way it leans.

Seen aslant, a coin's outline is its face on the far side and the foot of its wall on the near one. An ellipse through all of
it is too round and lies beside the face. Centre, size and tilt of the body whose thickness is known say where both edges
must be, and the face's own edge within the outline tells the true tilt from its mirror image. Which of many edges (shadow,
bevel, relief) are the two is the rim network's word; how exactly they run is the gradients'.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.outline import length
from vision.scale.rim import EdgeRays, Profile, Start, Told, Wall, radius_at
from vision.tilt import TILTS, TiltEvidence, about_ray, frame_of_tilt

Array = NDArray[np.float64]

COARSE: Final = 4  # every so many rays are used for the grid of tilts
UNLIKE_FLAT: Final = 0.05  # half the flattening by which a network's ellipse may err, and with it a whole outline
U_TILT_RAD: Final = 0.25  # of a coin's face from square to the ray to it
TOLD_ROUNDS: Final = (0.06, 0.035, 0.025, 0.02)  # of the radius: how far the network's places count, round by round
TOLD_FINE: Final = 4  # parts of the network's sample in which its word is read
TOLD_SMEAR: Final = 0.8  # samples
TOLD_FLOOR: Final = 0.003  # of a place's density: nothing that the network says is quite sure
HOPELESS: Final = 12.0  # log odds by the network alone from which a tilt's edges are not looked at
FIRM: Final = np.array([0.3, 0.3, 0.3])  # rays' worth of the middle and radius before a round
FIRM_FREE: Final = 0.02  # the same of a free ellipse
TURNS: Final = 12  # of a coin with sides, within one side
EDGE_ROUNDS: Final = (0.02, 0.012)  # of the radius
LEAST_TOLERANCE_PX: Final = 0.9
FACE_WEIGHT: Final = 0.7  # of an edge within the outline, relief beside it, against the outline's
APART: Final = 1.2  # tolerances by which foot and face must differ to be two edges
WALL_CLEAR: Final = 40.0  # colour difference (of 255) of wall and face that leaves no doubt
BAND: Final = 0.045  # of the radius
ONE_MODE_RAD: Final = 0.12  # tilts this near the likeliest are one with it
# Log odds by: share of the outline with an edge; share with the face's edge within; share where face and foot lie apart;
# "coin within, bench without"; how unlike the face its wall is; and the network's mean log density at the face's edge and
# at the outline. Fitted to path-traced coins by the likelihood of the true tilt.
EVIDENCE: Final = (13.0, 14.0, -7.0, 4.0, 12.0, 16.0, 8.0)
# A dark rounded edge, or a shadow beside it, can pass for a wall: then the coin is seen about square, and its wall tells
# nothing. How flat face and outline are seen still does. From the same coins, and 23 with rounded edges by another renderer.
P_NO_WALL: Final = 0.08
U_NO_WALL_RAD: Final = 0.087  # 5 degrees: more, and the true wall shows beside the shadow
U_FLAT: Final = 0.0045  # of long less short axis over their sum, each of its two parts, as the network sees them
FREEDOM_FLAT: Final = 4.0  # of Student's distribution of these
# The same where the face's edge is taken within the true one on one side, by the mean width of what passes for the wall:
# a crescent's second harmonic is two thirds of its mean.
FLAT_OF_CRESCENT: Final = 0.67
SQUARE_RAD: Final = 0.2  # tilts that a coin without a wall may have, looked at whatever the network says


@dataclass(frozen=True, slots=True)
class Body:
    """The coin body that fits the photo best.

    `parameters` (5,) are the face's centre (px), its radius (px, as if seen square) and the tilt across and along (rad, as
    in `vision.plane`). `edge_px` (N, 2) are points of its face where an edge shows, on its mean circle where the coin has sides;
    `support` is the share of its outline that shows an edge; `told` how well the network's word goes with it, mean log
    density; `unlike_wall` by how much the wall that the network sees differs from the body's own, of the radius, mean of all
    rays.
    """

    parameters: Array
    edge_px: Array
    face_px: Array  # (M, 2) its whole face, mean circle
    support: float
    rms_px: float
    told: float
    evidence: TiltEvidence
    unlike_wall: float = 0.0


def fit_body(rays: EdgeRays, told: Told, wall: Wall, profile: Profile | None = None) -> Body | None:
    """The body that fits what the network tells and the edges there; None where none does.

    Parameters
    ----------
    rays : EdgeRays
        Cast from `told.start`.
    told : Told
    wall : Wall
    profile : Profile, optional
        Of a coin with sides.
    """
    start = told.start
    turn = 0.0 if profile is None else _turn(told, profile)
    tilts = TILTS[_as_flat(TILTS, start)]
    if not len(tilts):  # flatter than any coin on a bench is seen
        return None
    centre, radius, word = _by_word(told, wall, profile, turn, tilts)
    kept = word.sum(axis=1) > word.sum(axis=1).max() - HOPELESS / EVIDENCE[-2]
    kept |= np.hypot(tilts[:, 0], tilts[:, 1]) < SQUARE_RAD
    tilts, centre, radius, word = tilts[kept], centre[kept], radius[kept], word[kept]
    off_face, off_outer = _unlike_flat(told, wall, profile, turn, tilts, centre, radius)
    gated = _Gated.of(rays, told)
    few = gated.every(COARSE)
    form = _form(few.rays.angle, profile, turn)
    centre, radius, found = _by_edges(few, start, wall, form, tilts, centre, radius)
    log = np.column_stack([found, word]) @ np.array(EVIDENCE)
    u_square = float(np.hypot(U_FLAT, FLAT_OF_CRESCENT * _wall_told(told).mean()))
    square = np.log(P_NO_WALL) - 0.5 * (tilts**2).sum(axis=1) / U_NO_WALL_RAD**2
    log = np.logaddexp(log - log.max() + _student(off_face, U_FLAT), square + _student(off_face, u_square))
    log += _student(off_outer, U_FLAT)
    evidence = TiltEvidence(tilts, log - log.max(), centre, radius)
    log = evidence.log - 0.5 * (tilts**2).sum(axis=1) / U_TILT_RAD**2
    best = int(np.argmax(log))
    share = np.exp(log - log[best]) * (np.hypot(*(tilts - tilts[best]).T) < ONE_MODE_RAD)
    share /= share.sum()
    slope = (start.centre_px - wall.centre_px) / wall.focal_px
    tilt = about_ray((share @ tilts)[None], slope)
    middle, size = share @ centre, float(share @ radius)
    form = _form(rays.angle, profile, turn)
    face, foot = (v[0] for v in _ellipses(rays, middle[None], np.array([size]), frame_of_tilt(tilt), wall, form))
    points, support, rms = _face_points(gated, face, foot, form, start.radius_px)
    round_face, _ = _ellipses(rays, middle[None], np.array([size]), frame_of_tilt(tilt), wall, np.ones(len(rays.angle)))
    return Body(
        np.array([*middle, size, *tilt[0]]),
        points,
        rays.centre + round_face[0][:, None] * rays.unit,
        support,
        rms,
        float(word[best].mean()),
        evidence,
        _unlike_wall(told, np.maximum(foot - face, 0.0)),
    )


@dataclass(frozen=True, slots=True)
class _Way:
    """Directions from a centre, for `_ellipses`."""

    unit: Array
    centre: Array


def _by_word(told: Told, wall: Wall, profile: Profile | None, turn: float, tilts: Array) -> tuple[Array, Array, Array]:
    """Middle (K, 2) and radius (K,) that the network's word gives under each tilt (K, 2), and how well that goes with it:
    its mean log density at the face's edge and at the outline, (K, 2)."""
    start, r0 = told.start, told.start.radius_px
    rays = len(told.face)
    angle = _even(rays)
    way = _Way(np.column_stack([np.cos(angle), np.sin(angle)]), start.centre_px)
    base = radius_at(angle, start)
    form = _form(angle, profile, turn)
    slope = (start.centre_px - wall.centre_px) / wall.focal_px
    frame = frame_of_tilt(about_ray(tilts, slope))
    centre = np.tile(start.centre_px, (len(tilts), 1))
    radius = np.full(len(tilts), r0)
    design = np.column_stack([way.unit, np.ones(rays)])
    products = (design[:, :, None] * design[:, None, :]).reshape(-1, 9)
    face, _ = _ellipses(way, centre, radius, frame, wall, form)
    step = np.linalg.lstsq(design, (base * form - face).T, rcond=None)[0].T  # the face lies about the start
    centre, radius = centre + step[:, :2], radius + step[:, 2]
    pitch = float(told.places[1] - told.places[0])
    fine = told.places[0] + pitch * ((np.arange(TOLD_FINE * len(told.places)) + 0.5) / TOLD_FINE - 0.5)
    away = told.places[None] - fine[:, None]
    row = np.arange(rays) * len(fine)

    def read(table: Array, edge: Array) -> Array:
        at = ((edge / base - fine[0]) * (TOLD_FINE / pitch) + 0.5).astype(np.int32)
        return np.asarray(np.take(table, np.clip(at, 0, len(fine) - 1) + row))

    def kept(weight: Array, said: Array) -> Array:
        return np.ascontiguousarray(said @ weight.T).ravel()

    for share in TOLD_ROUNDS:
        kernel = np.maximum(1.0 - (away / share) ** 2, 0.0) ** 2
        tables = [(kept(kernel, said), kept(kernel * away, said)) for said in (told.face, told.outer)]
        face, foot = _ellipses(way, centre, radius, frame, wall, form)
        outer = np.maximum(face, foot)
        weight = read(tables[0][0], face) + read(tables[1][0], outer)
        off = (read(tables[0][1], face) + read(tables[1][1], outer)) * base
        normal = (weight @ products).reshape(-1, 3, 3) + np.diag(FIRM)
        step = np.linalg.solve(normal, (off @ design)[..., None])[..., 0]
        centre, radius = centre + step[:, :2], radius + step[:, 2]
    face, foot = _ellipses(way, centre, radius, frame, wall, form)
    bell = np.exp(-0.5 * (away / (TOLD_SMEAR * pitch)) ** 2) / (TOLD_SMEAR * np.sqrt(2.0 * np.pi))
    logs = [np.log(kept(bell, said) + TOLD_FLOOR) for said in (told.face, told.outer)]
    word = [read(log, edge).mean(axis=1) for log, edge in zip(logs, (face, np.maximum(face, foot)), strict=True)]
    return centre, radius, np.stack(word, axis=1)


def _unlike_flat(
    told: Told, wall: Wall, profile: Profile | None, turn: float, tilts: Array, centre: Array, radius: Array
) -> tuple[Array, Array]:
    """By how much the flattening of face and outline under each tilt (K, 2) differs from that of the ellipses through
    what the network tells of each, of the radius, (K,) each."""
    angle = _even(len(told.face))
    design = np.column_stack([np.ones_like(angle), *(g(k * angle) for k in (1, 2) for g in (np.cos, np.sin))])
    way = _Way(design[:, 1:3], told.start.centre_px)
    slope = (told.start.centre_px - wall.centre_px) / wall.focal_px
    face, foot = _ellipses(way, centre, radius, frame_of_tilt(about_ray(tilts, slope)), wall, np.ones(len(angle)))
    form = _form(angle, profile, turn)
    first = radius_at(angle, told.start) / form
    out = []
    for said, edge in ((told.face, face), (told.outer, np.maximum(face, foot))):
        free = np.array([told.start.radius_px, 0.0, 0.0, *told.start.flattening_px])
        for share in (*TOLD_ROUNDS, TOLD_ROUNDS[-1], TOLD_ROUNDS[-1]):
            away = told.places - (design @ free / first)[:, None]
            weight = said * np.maximum(1.0 - (away / share) ** 2, 0.0) ** 2
            normal = design.T @ (weight.sum(axis=1)[:, None] * design) + FIRM_FREE * np.eye(5)
            free = free + np.linalg.solve(normal, design.T @ ((weight * away).sum(axis=1) * first))
        flat = edge @ np.linalg.pinv(design)[3:].T - free[3:]
        out.append(np.hypot(*flat.T) / free[0])
    return out[0], out[1]


def _unlike_wall(told: Told, wall_px: Array) -> float:
    """How much wider or narrower the wall is that the network sees than a body's (RAYS,), of the radius, mean of all rays."""
    angle = _even(len(told.face))
    own = np.interp(angle, _even(len(wall_px)), wall_px, period=2.0 * np.pi) / radius_at(angle, told.start)
    return float(np.abs(_wall_told(told) - own).mean())


def _wall_told(told: Told) -> Array:
    """How wide the network sees the wall on each of its rays, of the radius, (R,)."""
    said = [(t @ told.places) / np.maximum(t.sum(axis=1), 1e-9) for t in (told.face, told.outer)]
    return np.asarray(said[1] - said[0])


def _student(off: Array, u: float) -> Array:
    """Log density of a difference of two parts, up to a constant."""
    return np.asarray(-0.5 * (FREEDOM_FLAT + 1.0) * np.log1p((off / u) ** 2 / FREEDOM_FLAT))


@dataclass(frozen=True, slots=True)
class _Gated:
    """Edges along rays, with how much each counts for the face and for the outline after the network's word."""

    rays: EdgeRays
    face: Array  # (RAYS, PEAKS)
    outer: Array

    @classmethod
    def of(cls, rays: EdgeRays, told: Told) -> _Gated:
        pitch = float(told.places[1] - told.places[0])
        at = (rays.distance / radius_at(rays.angle, told.start)[:, None] - told.places[0]) / pitch
        row = rays.angle * (len(told.face) / (2.0 * np.pi))
        gates = []
        for said in (told.face, told.outer):
            wide = np.maximum.reduce([said, 0.8 * np.roll(said, 1, axis=1), 0.8 * np.roll(said, -1, axis=1)])
            wide = np.minimum(wide / np.maximum(0.5 * said.max(axis=1, keepdims=True), 1e-9), 1.0)
            low = np.floor(row).astype(int)
            part = (row - low)[:, None]
            column = np.clip(np.round(at).astype(int), 0, said.shape[1] - 1)
            one, other = wide[low[:, None] % len(said), column], wide[(low[:, None] + 1) % len(said), column]
            gates.append(rays.weight * ((1.0 - part) * one + part * other))
        return cls(rays, *gates)

    def every(self, step: int) -> _Gated:
        """Every so many rays alone."""
        return _Gated(self.rays.every(step), self.face[::step], self.outer[::step])


def _by_edges(
    gated: _Gated, start: Start, wall: Wall, form: Array, tilts: Array, centre: Array, radius: Array
) -> tuple[Array, Array, Array]:
    """Middle and radius moved to the edges under each tilt (K, 2), and what goes with `EVIDENCE` of edges, (K, 5)."""
    rays, r0 = gated.rays, start.radius_px
    slope = (start.centre_px - wall.centre_px) / wall.focal_px
    frame = frame_of_tilt(about_ray(tilts, slope))
    design = np.column_stack([rays.unit, np.ones(len(rays.unit))])
    products = (design[:, :, None] * design[:, None, :]).reshape(-1, 9)
    for share in EDGE_ROUNDS:
        tolerance = max(share * r0, LEAST_TOLERANCE_PX)
        at_face = _Nearest.table(rays, gated.face, tolerance)
        at_outer = _Nearest.table(rays, gated.outer, tolerance)
        face, foot = _ellipses(rays, centre, radius, frame, wall, form)
        w_outer, to_outer = at_outer(np.maximum(face, foot))
        w_face, to_face = at_face(face)
        w_face = np.where(foot - face > APART * tolerance, FACE_WEIGHT * w_face, 0.0)
        normal = ((w_outer + w_face) @ products).reshape(-1, 3, 3)
        normal += np.eye(3) * (FIRM[0] + 0.02 * len(rays.angle))
        step = np.linalg.solve(normal, ((w_outer * to_outer + w_face * to_face) @ design)[..., None])[..., 0]
        centre, radius = centre + step[:, :2], radius + step[:, 2]
    face, foot = _ellipses(rays, centre, radius, frame, wall, form)
    outer = np.maximum(face, foot)
    least = APART * tolerance
    apart = foot - face > least
    found = [
        at_outer(outer)[0].mean(axis=1),
        np.where(apart, at_face(face)[0], 0.0).mean(axis=1),
        apart.mean(axis=1),
        rays.across(outer - radius_at(rays.angle, start), BAND * r0),
        _wall_shows(rays, start, face, foot, least),
    ]
    return centre, radius, np.stack(found, axis=1)


@dataclass(frozen=True, slots=True)
class _Nearest:
    """The nearest edge to every place on every ray, worked out once in fine steps: many places are asked."""

    low: float
    step: float
    weight: Array  # (RAYS * M,)
    away: Array
    count: int

    @classmethod
    def table(cls, rays: EdgeRays, weights: Array, tolerance: float) -> _Nearest:
        step = tolerance / 12.0
        low, high = float(rays.distance.min()) - tolerance, float(rays.distance.max()) + tolerance
        place = np.arange(low, high + step, step)
        weight, away = _nearest(rays.distance, weights, np.repeat(place[:, None], len(rays.angle), axis=1), tolerance)
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
    rays: EdgeRays | _Way, centre: Array, radius: Array, frame: tuple[Array, ...], wall: Wall, form: Array
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


def _nearest(distances: Array, strengths: Array, place: Array, tolerance: float) -> tuple[Array, Array]:
    """Weight of the edge nearest to a place (K, RAYS) on every ray, and how far it lies outwards."""
    weight = np.zeros_like(place)
    away = np.zeros_like(place)
    for distance, strength in zip(distances.T, strengths.T, strict=True):
        here = distance - place
        near = np.maximum(1.0 - (here / tolerance) ** 2, 0.0)
        near *= near * strength
        better = near > weight
        np.copyto(weight, near, where=better)
        np.copyto(away, here, where=better)
    return weight, away


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


def _even(count: int) -> Array:
    """So many directions all round, rad."""
    return np.asarray(np.arange(count) * (2.0 * np.pi / count), dtype=np.float64)


def _form(angle: Array, profile: Profile | None, turn: float) -> Array:
    """Distance of a coin's edge over its mean in directions (N,), turned by a share of one side."""
    if profile is None:
        return np.ones(len(angle))
    place = (angle * (profile.sides / (2.0 * np.pi)) - turn) % 1.0
    return np.asarray(np.interp(place, np.linspace(0.0, 1.0, len(profile.relative)), profile.relative))


def _turn(told: Told, profile: Profile) -> float:
    """By what share of one side a sided coin is turned, as the network sees its face."""
    angle = _even(len(told.face))
    expected = (told.face @ told.places) / np.maximum(told.face.sum(axis=1), 1e-9)
    smooth = np.column_stack([np.ones_like(angle), *(g(k * angle) for k in (1, 2) for g in (np.cos, np.sin))])
    off = []
    turns = np.arange(TURNS) / TURNS
    for turn in turns:
        rest = expected - _form(angle, profile, float(turn))
        rest = rest - smooth @ np.linalg.lstsq(smooth, rest, rcond=None)[0]
        off.append(float(np.minimum(np.abs(rest), 0.03).sum()))
    return float(turns[int(np.argmin(off))])


def _face_points(gated: _Gated, face: Array, foot: Array, form: Array, r0: float) -> tuple[Array, float, float]:
    """One body's face where an edge shows, the share of its outline that has one, and the edges' rms distance."""
    rays = gated.rays
    tolerance = max(EDGE_ROUNDS[-1] * r0, LEAST_TOLERANCE_PX)
    (w_outer,), (to_outer,) = _nearest(rays.distance, gated.outer, np.maximum(face, foot)[None], tolerance)
    (w_face,), (to_face,) = _nearest(rays.distance, gated.face, face[None], tolerance)
    own = (foot - face > APART * tolerance) & (w_face > 0.05)
    seen = own | (w_outer > 0.05)
    off = np.where(own, to_face, to_outer)
    points = rays.centre + ((face / form)[:, None] * rays.unit)[seen]
    rms = float(np.sqrt(np.mean(off[seen] ** 2))) if seen.any() else 0.0
    return points, float((w_outer > 0.05).mean()), rms
