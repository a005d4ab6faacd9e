"""How likely every tilt of the bench is: what a coin's body and the part's own outline say, over one grid of tilts.

A circle seen aslant has two tilts, and noise makes many of them alike. Instead of one answer each thing in the photo gives
its evidence for every tilt; the sum is a distribution, and its mean and spread are what is known. Tilts are counted from
the ray to the coin: what a coin looks like depends on these alone, whatever the focal length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_RAD: Final = 0.052  # 3 degrees between neighbours: about what a coin and a hub together tell
MOST_RAD: Final = 0.64  # 36 degrees: a phone 30 degrees askew, and the coin beside the picture's middle


def _grid() -> Array:
    """Triangular grid of tilts (K, 2), rad."""
    n = int(MOST_RAD / STEP_RAD) + 2
    row, column = (v.ravel() for v in np.meshgrid(np.arange(-2 * n, 2 * n + 1), np.arange(-2 * n, 2 * n + 1)))
    at = STEP_RAD * np.column_stack([column + 0.5 * (row % 2), row * np.sqrt(0.75)])
    return np.asarray(at[np.hypot(at[:, 0], at[:, 1]) <= MOST_RAD])


TILTS: Final = _grid()


@dataclass(frozen=True, slots=True)
class TiltEvidence:
    """What one coin says of tilts (K, 2) about the ray to it.

    `log` (K,) is the evidence for each; under each the coin's face has its middle at `centre_px` (K, 2) and the radius
    `radius_px` (K,), as if seen square.
    """

    tilts: Array
    log: Array
    centre_px: Array
    radius_px: Array


def about_ray(tilts: Array, slope: Array) -> Array:
    """Tilts (K, 2) about a ray as tilts (K, 2) about the optical axis, rad; `slope` is the ray's x and y over z."""
    return _tilts_of(frame_of_tilt(tilts)[2] @ _axis_to_ray(slope).T)


def lean_of(normal: Array, ray: Array) -> tuple[float, float]:
    """How a face leans as seen along a ray: the angle from square, rad, as a vector to where its normal points.

    Components are to the right and down in the picture; `normal` (3,) towards the camera and `ray` (3,) from it, both in
    camera axes (x right, y down, z forward), of any length.
    """
    unit = np.asarray(normal, dtype=float) / np.linalg.norm(normal)
    a, b = _tilts_of(unit[None] @ _axis_to_ray(np.asarray(ray[:2], dtype=float) / float(ray[2])))[0]
    return -float(b), float(a)


def _axis_to_ray(slope: Array) -> Array:
    """The turn (3, 3) that takes the optical axis to a ray by the shortest way."""
    z = np.array([slope[0], slope[1], 1.0])
    z /= np.linalg.norm(z)
    bend = 1.0 / (1.0 + z[2])
    return np.array(
        [
            [1.0 - bend * z[0] * z[0], -bend * z[0] * z[1], z[0]],
            [-bend * z[0] * z[1], 1.0 - bend * z[1] * z[1], z[1]],
            [-z[0], -z[1], z[2]],
        ]
    )


def _tilts_of(normal: Array) -> Array:
    """The tilts (K, 2) of unit normals (K, 3) that point towards the camera."""
    about = np.arccos(np.clip(-normal[:, 2], -1.0, 1.0))
    factor = 1.0 / np.maximum(np.sinc(about / np.pi), 1e-9)
    return np.column_stack([normal[:, 1] * factor, -normal[:, 0] * factor])


@dataclass(frozen=True, slots=True)
class WallDrop:
    """How likely each drop is: the way in the picture from a face's edge to its foot on the bench, at the part's axis.

    `density` (K, 4): log shares (not normalised), middles (right and down) and log deviations of round normals, in units of
    `unit_px`; `usual` (M, 2): shares and deviations of those that describe drops whatever the picture.
    """

    density: Array
    usual: Array
    unit_px: float

    def evidence(self, drops_px: Array) -> Array:
        """Log odds that a picture gives to drops (…, 2) over what is usual, (…,)."""
        d = drops_px / self.unit_px
        log_share = self.density[:, 0] - np.log(np.exp(self.density[:, 0]).sum())
        away = ((d[..., None, :] - self.density[:, 1:3]) ** 2).sum(axis=-1)
        log = log_share - 2.0 * self.density[:, 3] - 0.5 * away * np.exp(-2.0 * self.density[:, 3])
        share, wide = self.usual.T
        usual = (share / wide**2 * np.exp(-0.5 * (d**2).sum(axis=-1)[..., None] / wide**2)).sum(axis=-1)
        return np.asarray(np.log(np.exp(log).sum(axis=-1) + 1e-300) - np.log(usual + 1e-300))


HUB_WEIGHT: Final = 16.0  # log odds by the share of the outline that lies on one circle
HUB_NEAR: Final = 0.008  # of its radius
HUB_ROUNDS: Final = (0.15, 0.10, 0.06, 0.035, 0.02, 0.013)  # of the radius: how far points count, round by round
SYMMETRY_WEIGHT: Final = 0.75
SYMMETRY_NEAR: Final = 0.03  # of the hub's radius
MOST_UNLIKE: Final = 4.0  # where the two sides differ more, more says no more
ANGLES: Final = 120
TURNED: Final = 4  # half steps of 3 degrees by which the network's tail may be off
OUTLINE_POINTS: Final = 96
HOPELESS: Final = 6.0  # log odds under the likeliest tilt from which one is not looked at further


@dataclass(frozen=True, slots=True)
class PartOutline:
    """The part's outline in photo pixels, with the network's axis, a point up the tail, and the hub's radius.

    `symmetric` says that its two sides are alike about the tail.
    """

    outline_px: Array
    axis_px: Array
    tail_px: Array
    hub_radius_px: float
    symmetric: bool


def part_evidence(part: PartOutline, known: Array, tilts: Array, focal_px: float, centre_px: Array) -> Array:
    """Log odds of the tilts (K, 2) about the optical axis, from those `known` (K,) before and from the part's outline.

    Made square by the true tilt, the hub's edge is a circle and a symmetric part is alike on both sides. It is seen along
    another ray than the coin, so that the coin's mirrored tilt makes its hub an ellipse. Tilts that cannot win are left at
    minus infinity.
    """
    log = np.full(len(tilts), -np.inf)
    chosen = np.flatnonzero(known > known.max() - HOPELESS)
    outline = part.outline_px[:: max(1, len(part.outline_px) // OUTLINE_POINTS)]
    points = np.concatenate([outline, part.axis_px[None], part.tail_px[None]])
    on = _squared(points, tilts[chosen], focal_px, centre_px)
    away, far, radius, share = _on_hub(on[:, :-2], on[:, -2], part.hub_radius_px)
    log[chosen] = known[chosen] + HUB_WEIGHT * share
    if part.symmetric:
        rest = np.flatnonzero(log[chosen] > log.max() - HOPELESS)
        up = on[rest, -1] - on[rest, -2]
        angle = np.arctan2(away[rest, :, 1], away[rest, :, 0]) - np.arctan2(up[:, 1], up[:, 0])[:, None]
        unlike = np.full(len(chosen), MOST_UNLIKE)
        unlike[rest] = _unlike_sides(angle, far[rest] / radius[rest, None])
        log[chosen] -= SYMMETRY_WEIGHT * unlike
    return log


def _on_hub(on: Array, middle: Array, radius_px: float) -> tuple[Array, Array, Array, Array]:
    """The circle that most points of each outline (K, N, 2) lie on, near a first middle (K, 2) and radius.

    Points from its middle (K, N, 2), their distance (K, N), its radius (K,), and how much of the outline it takes, (K,).
    """
    radius = np.full(len(on), radius_px)
    on_x, on_y = np.ascontiguousarray(on[..., 0]), np.ascontiguousarray(on[..., 1])
    ones = np.ones_like(on_x)
    for share in HUB_ROUNDS:
        x, y = on_x - middle[:, :1], on_y - middle[:, 1:]
        far = np.sqrt(x * x + y * y)
        off = far - radius[:, None]
        weight = np.maximum(1.0 - (off * (1.0 / (share * radius_px))) ** 2, 0.0) ** 2
        design = (x / far, y / far, ones)
        normal, right = np.empty((len(on), 3, 3)), np.empty((len(on), 3, 1))
        for i, one in enumerate(design):
            weighted = weight * one
            right[:, i, 0] = np.einsum("kn,kn->k", weighted, off)
            for j, other in enumerate(design[: i + 1]):
                normal[:, i, j] = normal[:, j, i] = np.einsum("kn,kn->k", weighted, other)
        step = np.linalg.solve(normal + 0.5 * np.eye(3), right)[..., 0]
        middle, radius = middle + step[:, :2], radius + step[:, 2]
    away = on - middle[:, None]
    far = np.hypot(away[..., 0], away[..., 1])
    near = np.maximum(1.0 - ((far - radius[:, None]) / (HUB_NEAR * radius_px)) ** 2, 0.0) ** 2
    return away, far, radius, near.mean(axis=1)


def _squared(points_px: Array, tilts: Array, focal_px: float, centre_px: Array) -> Array:
    """Points (N, 2) of the picture on the bench under each tilt, in pixels of the picture's centre, (K, N, 2)."""
    right, up, normal = frame_of_tilt(tilts)
    ray = np.column_stack([(points_px - centre_px) / focal_px, np.ones(len(points_px))])
    depth = focal_px * normal[:, 2:] / (normal @ ray.T)
    middle = np.array([0.0, 0.0, focal_px])
    return np.stack([(d @ ray.T) * depth - (d @ middle)[:, None] for d in (right, up)], axis=-1)


def _unlike_sides(angle: Array, far: Array) -> Array:
    """How unlike the two sides of closed outlines (K, N) about the tail are at best, 0 to `MOST_UNLIKE`, (K,)."""
    at = np.asarray(np.arange(ANGLES) * (2.0 * np.pi / ANGLES), dtype=np.float64)
    even = all_round(at, angle, far)
    away = np.arange(1, ANGLES // 2, 1)
    turns = np.arange(-TURNED, TURNED + 1)
    one, other = (turns[:, None] + away) % ANGLES, -away[None] % ANGLES + 0 * turns[:, None]
    unlike = np.minimum(((even[:, one] - even[:, other]) / SYMMETRY_NEAR) ** 2, MOST_UNLIKE).mean(axis=2)
    return np.asarray(unlike.min(axis=1))


def all_round(at: Array, angle: Array, far: Array) -> Array:
    """Distances (K, N) of closed curves in directions `angle` (K, N), read off in even directions `at` (M,): (K, M)."""
    angle = angle % (2.0 * np.pi)
    order = np.argsort(angle, axis=1)
    angle, far = np.take_along_axis(angle, order, axis=1), np.take_along_axis(far, order, axis=1)
    angle = np.concatenate([angle[:, -1:] - 2.0 * np.pi, angle, angle[:, :1] + 2.0 * np.pi], axis=1)
    far = np.concatenate([far[:, -1:], far, far[:, :1]], axis=1)
    return np.stack([np.interp(at, a, f) for a, f in zip(angle, far, strict=True)])


def frame_of_tilt(tilts: Array) -> tuple[Array, Array, Array]:
    """The bench's directions right, up and normal, (K, 3) each, in camera axes, for tilts across and along (K, 2), rad."""
    a, b = tilts.T
    angle = np.hypot(a, b)
    sinc = np.sinc(angle / np.pi)
    bend = 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2  # (1 - cos) / angle**2
    right = np.column_stack([1.0 - bend * b * b, bend * a * b, -sinc * b])
    up = np.column_stack([-bend * a * b, bend * a * a - 1.0, -sinc * a])
    normal = np.column_stack([-sinc * b, sinc * a, -np.cos(angle)])
    return right, up, normal
