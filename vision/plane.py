"""A pinhole camera over the bench: pixels to millimetres at a height, the tilt, and how sure they are.

Camera axes: x right, y down, z forward. The bench is the plane through (0, 0, distance) whose normal is turned from
(0, 0, -1) by the rotation vector with components `tilt_across` (about x) and `tilt_along` (about y).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.quantity import NotMeasured, Quantity
from vision.scale import CircleReference, PointReference
from vision.tilt import TILTS, PartOutline, WallDrop, about_ray, frame_of_tilt, part_evidence

Array = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM: Final = 43.2666  # of 36 x 24 mm; 35 mm equivalents go by the diagonal (CIPA DCG-001)
ASSUMED_FOCAL_35MM: Final = 26.0  # what most phones' main cameras have (memory); used only without EXIF, and widely
U_FOCAL_KNOWN: Final = 0.03  # relative: rounding to whole mm and cropping for stabilisation
U_FOCAL_ASSUMED: Final = 0.35
# What a lens still bends when the phone has straightened its picture: of the way from the middle to a corner, there. Memory:
# 1 or 2 per cent at most. On 230 and 272 rulers sizes at the part err by 0.30 % in the median with it and by 0.33 and 0.32
# without; 0.4 and 1.2 per cent do alike.
U_LENS: Final = 0.007
U_TILT_RAD: Final = 0.25  # 14 degrees: a hand-held phone meant to be square, from memory
RIM_SIGMA_PX: Final = 0.45  # of a coin's or card's edge point, bias from shadow and rim included
# Of the part's own circles, burr and chamfer included, when their edge is the edge network's: 0.5 to 0.8 do alike on 230
# and on 272 pictures with rulers; with 1.2, of the time before it, sizes at the part err more.
PART_SIGMA_PX: Final = 0.7
U_ROUND_RELATIVE: Final = 0.006  # of the radius
INDEPENDENT_POINTS: Final = 20  # on a whole rim; neighbours share shadow and relief
# What may be where the focal length is not known: shares of the assumed one, with their log odds. From memory: messengers
# strip the data of close-ups, too, which phones take with their second camera or a crop of the first.
FOCALS_ASSUMED: Final = ((0.85, 0.0), (1.4, 0.0), (2.3, -0.3))
MOST_OFF: Final = 16.0  # twice the log odds against a tilt by which coins of one kind differ in size
U_TILT_LEFT_RAD: Final = 0.005  # what two fits of one photo may differ by for nothing
U_GRID_RAD: Final = 0.017  # of a tilt within its cell of the grid
# What coin, wall and outline say of a lean is weighed as if each erred as much as when alone it was fitted: together they are
# surer than that by this share of the variance. Lengths of 274 parts beside a coin then hold in 93 to 97 %, before in 95 to 98 %.
TOLD: Final = 0.72
# Of what the part's wall says. With it, and with half the weight on its outline (`vision.tilt`), tilts err by 2.8 degrees rms
# on 158 path-traced pictures with coins and by 4.5 on 27 of another renderer, without it by 3.8 and 4.8; 0.4 to 0.7 do alike.
WALL_WEIGHT: Final = 0.5
THICKNESS_NODES: Final = np.array([-1.6, -0.8, 0.0, 0.8, 1.6])  # in u of a thickness: where a wall's drop is looked up
MOST_DOUBT: Final = 9.0  # of a variance: more only says that the part's edge is no circle
PINHOLE: Final = 4  # parameters of a camera without its lens
LAID_FIRST: Final = 2  # rounds in which patterns are laid out under the first tilt before tilt and focal length move
POINTS_USED: Final = 60  # a rim is thinned to this many before the fit


@dataclass(frozen=True, slots=True)
class Plane:
    """Pinhole camera and bench plane.

    `parameters` are focal length (px), tilt across and along (rad), and the log of the millimetres a pixel covers on the
    bench in the middle of the picture (distance along the optical axis over focal length: a photo knows it far better
    than either). Where a ruler told of the lens there is a fifth: how much nearer the middle the picture's corner would be seen
    without what the lens bends, over its distance from there (Brown's first radial term, 1971, Photogrammetric Engineering
    37, 855). `covariance` is theirs, (4, 4) or (5, 5). Without a scale `metric` is False and the unit is the pixel at the
    image's centre.
    """

    parameters: Array
    covariance: Array
    centre_px: tuple[float, float]
    metric: bool
    residual_px: float = 0.0

    def to_mm(self, points_px: Array, height_mm: float = 0.0) -> Array:
        """Points of the picture (N, 2) on the plane lifted by a height; (N, 2) as seen, x right, y up."""
        centre, points = np.asarray(self.centre_px), np.asarray(points_px, dtype=float)
        if len(self.parameters) > PINHOLE:
            points = _straight(points, centre, float(self.parameters[PINHOLE]))
        return _to_mm(self.parameters, centre, points, height_mm)

    def to_px(self, points_mm: Array, height_mm: float = 0.0) -> Array:
        """Points on the plane lifted by a height (N, 2), x right, y up, in the picture (N, 2)."""
        centre = np.asarray(self.centre_px)
        points = _to_px(self.parameters, centre, np.asarray(points_mm, dtype=float), height_mm)
        if len(self.parameters) > PINHOLE:
            points = _bent(points, centre, float(self.parameters[PINHOLE]))
        return points

    @property
    def distance_mm(self) -> float:
        """Camera to bench along the optical axis."""
        return float(np.exp(self.parameters[3]) * self.parameters[0])

    @property
    def tilt_deg(self) -> Quantity:
        """Angle between the optical axis and the bench's normal."""
        a, b = self.parameters[1:3]
        tilt = float(np.hypot(a, b))
        spread = self.covariance[1:3, 1:3]
        if tilt < 1e-6:
            u = float(np.sqrt(max(float(np.trace(spread)) / 2.0, 0.0)))
        else:
            along = np.array([a, b]) / tilt
            u = float(np.sqrt(max(float(along @ spread @ along), 0.0)))
        return Quantity(float(np.degrees(tilt)), float(np.degrees(u)))

    def mm_per_px_at(self, point_px: Array, height_mm: float = 0.0) -> float:
        """Geometric mean of the scale in both directions at one point of the picture."""
        x, y = float(point_px[0]), float(point_px[1])
        p = self.to_mm(np.array([[x - 0.5, y], [x + 0.5, y], [x, y - 0.5], [x, y + 0.5]]), height_mm)
        du, dv = p[1] - p[0], p[3] - p[2]
        return float(np.sqrt(abs(du[0] * dv[1] - du[1] * dv[0])))

    def moved(self, parameters: Array) -> Plane:
        """The same camera with other parameters, for derivatives."""
        return replace(self, parameters=np.asarray(parameters, dtype=float))


def _straight(points: Array, centre: Array, lens: float | Array) -> Array:
    """Where a pinhole would see points (N, 2), by one lens or by each of (K, 1, 1): (…, N, 2)."""
    away = points - centre
    return np.asarray(points - lens * ((away**2).sum(axis=-1, keepdims=True) / (centre @ centre)) * away)


def _bent(points: Array, centre: Array, lens: float) -> Array:
    """Where the lens shows points (N, 2) of a pinhole: `_straight` backwards."""
    away = seen = points - centre
    for _ in range(2):  # what is left is of the third order of `lens`
        seen = away / (1.0 - lens * (seen**2).sum(axis=-1, keepdims=True) / (centre @ centre))
    return np.asarray(centre + seen)


def _plane_frame(p: Array) -> tuple[Any, ...]:
    """The bench's directions right, up and normal (three components each) and its distance, for cameras (4,) or (K, 4); a lens in a
    fifth place is left alone.

    The turn is Rodrigues' formula for a vector in the picture's plane. Every number of several cameras comes with one axis
    more than the cameras have, so that it goes with points of (N,) coordinates.
    """
    single = p.ndim == 1

    def plain(value: Any) -> Any:
        return float(value) if single else value  # ten times as fast for a single camera

    focal, a, b, log = p[:PINHOLE].tolist() if single else (p[..., i, None] for i in range(4))
    angle = plain(np.hypot(a, b))
    safe = plain(np.maximum(angle, 1e-12))
    sine = plain(np.sin(safe)) / safe
    half = plain(np.sin(0.5 * safe)) / safe
    bend = 2.0 * half * half  # (1 - cos) / angle**2
    cosine = plain(np.cos(angle))
    ab = bend * a * b
    along, across = sine * a, sine * b
    right = (1.0 - bend * b * b, ab, -across)
    up = (-ab, bend * a * a - 1.0, -along)
    normal = (-across, along, -cosine)
    return (*right, *up, *normal, plain(np.exp(log)) * focal)


def _to_mm(p: Array, centre: Array, points: Array, height: float | Array) -> Array:
    """Points (N, 2) on the plane at a height (one, or (N,)), by one camera (4,) or by each of (K, 4): (…, N, 2)."""
    rx, ry, rz, ux, uy, uz, nx, ny, nz, distance = _plane_frame(p)
    focal = p[..., 0, None]
    x, y = (points[..., 0] - centre[0]) / focal, (points[..., 1] - centre[1]) / focal
    z = (nz * distance + height) / (nx * x + ny * y + nz)
    x, y, z = x * z, y * z, z - distance
    out = np.empty((*x.shape, 2))
    out[..., 0] = rx * x + ry * y + rz * z
    out[..., 1] = ux * x + uy * y + uz * z
    return out


def _to_px(p: Array, centre: Array, points: Array, height: float | Array) -> Array:
    """Points (…, N, 2) of the plane at a height in the picture, by one camera (4,) or by each of (K, 4): (…, N, 2)."""
    rx, ry, rz, ux, uy, uz, nx, ny, nz, distance = _plane_frame(p)
    focal = p[..., 0, None]
    u, v = points[..., 0], points[..., 1]
    z = rz * u + uz * v + height * nz + distance
    x, y = (rx * u + ux * v + height * nx) / z, (ry * u + uy * v + height * ny) / z
    out = np.empty((*x.shape, 2))
    out[..., 0] = x * focal + centre[0]
    out[..., 1] = y * focal + centre[1]
    return out


@dataclass(frozen=True, slots=True)
class PartWall:
    """What the part's wall tells of the bench: how its foot lies from its face's edge, the axis (2,) in the photo, and the
    face's height."""

    drop: WallDrop
    axis_px: Array
    thickness: Quantity

    def evidence(self, cameras: Array, centre: Array) -> Array:
        """Log odds of cameras (K, 4) by the wall, (K,), whatever the part's thickness."""
        logs = []
        for node in THICKNESS_NODES:
            height = max(self.thickness.value + float(node) * self.thickness.u, 0.2 * self.thickness.value)
            foot = _to_px(cameras, centre, _to_mm(cameras, centre, self.axis_px[None], height), 0.0)[:, 0]
            logs.append(self.drop.evidence(foot - self.axis_px) - 0.5 * float(node) ** 2)
        top = np.max(logs, axis=0)
        return np.asarray(WALL_WEIGHT * (top + np.log(np.exp(np.array(logs) - top).mean(axis=0))))


@dataclass(frozen=True, slots=True)
class _Circle:
    points: Array  # (N, 2) px
    height: float
    radius_mm: float | None  # None: to be found
    sigma_px: float


@dataclass(frozen=True, slots=True)
class _Marks:
    points: Array
    pattern_mm: Array
    height: float
    sigma_px: float
    across: Array | None = None  # (N, 2) unit: where points are known to sigma_px in this direction alone
    loose_px: float = 1.0  # in the other

    @property
    def places(self) -> int:
        """Shift, turn, and the rows' unknown distance."""
        return 3 if self.across is None else 4


@dataclass(frozen=True, slots=True)
class _Prior:
    """What is known of a camera beforehand; `whiten` makes its deviations independent, of unit spread.

    With a ruler it has the lens in the fifth place, (5,) and (5, 5), otherwise not.
    """

    mean: Array
    covariance: Array
    whiten: Array


@dataclass(frozen=True, slots=True)
class _Solution:
    parameters: Array
    covariance: Array
    cost: float
    residual_px: float


def fit_plane(
    references: Sequence[CircleReference | PointReference],
    *,
    image_size: tuple[int, int],
    focal_35mm: float | None,
    part_circles: Sequence[tuple[Array, Quantity]] = (),
    part: PartOutline | None = None,
    wall: PartWall | None = None,
    u_size_relative: float = 0.0,
) -> Plane | NotMeasured:
    """The camera over the bench from references of known size, helped by the part's own circles.

    Parameters
    ----------
    references : sequence of CircleReference or PointReference
        At least one.
    image_size : (int, int)
        Width and height of the upright picture, px; the principal point is taken at its centre.
    focal_35mm : float or None
        35 mm equivalent focal length; None assumes a phone's main camera, and widely.
    part_circles : sequence of (ndarray of shape (N, 2), Quantity)
        Edge points of round edges of unknown place and size, with the height of their plane above the bench: they tell
        which of the two tilts that one ellipse allows is the true one.
    part : PartOutline, optional
        Where the first reference is a coin whose wall was looked for, its outline helps to tell the tilt.
    wall : PartWall, optional
        What the part's own wall tells of the tilt.
    u_size_relative : float
        Standard uncertainty of the references' common size, where it is more than the diameters' own.

    Returns
    -------
    Plane or NotMeasured
        `plane-not-fitted` when nothing in the picture holds a plane.
    """
    if not references:
        return NotMeasured(
            "plane-not-fitted", "nothing of known size was found: put a coin, a ruler or the card beside the part"
        )
    focal, u_focal, centre = _camera(image_size, focal_35mm)
    coins = [r for r in references if isinstance(r, CircleReference) and r.evidence is not None]
    if coins and coins[0] is references[0]:
        return _by_evidence(coins, part, wall, focal, u_focal, centre, u_size_relative)
    circles: list[_Circle] = []
    marks: list[_Marks] = []
    for r in references:
        if isinstance(r, CircleReference):
            circles.append(
                _Circle(_thin(r.edge_px), r.height_mm.value, r.diameter_mm.value / 2.0, max(r.sigma_px, RIM_SIGMA_PX))
            )
        else:
            marks.append(
                _Marks(
                    np.asarray(r.image_px, float),
                    np.asarray(r.plane_mm, float),
                    r.height_mm.value,
                    r.sigma_px,
                    r.across_px,
                    r.loose_px,
                )
            )
    known = len(circles)
    circles += [_part_circle(points, height) for points, height in part_circles]
    distance = _first_distance(circles[:known], marks, focal)
    if distance is None:
        return NotMeasured("plane-not-fitted", "the reference is too small in the picture: go closer")
    starts = _starts_of_marks(marks, centre, focal) or _starts(circles, centre, focal)
    prior = _prior(focal, u_focal, float(np.log(distance / focal)), 3.0, wall, centre)
    if any(m.across is not None for m in marks):  # a card is small beside a ruler, and a lens changes nothing there
        prior = _with_lens(prior)
    solution = _best(circles, marks, prior, starts, centre)
    if solution is None:
        return NotMeasured("plane-not-fitted", "the reference and the part do not lie in one plane: lay both flat")
    covariance = solution.covariance.copy()
    heights = [r.height_mm.u / distance for r in references]
    sizes = [r.diameter_mm.u / r.diameter_mm.value for r in references if isinstance(r, CircleReference)]
    covariance[3, 3] += max([u_size_relative, *sizes]) ** 2 + max(heights, default=0.0) ** 2
    return Plane(solution.parameters, covariance, (centre[0], centre[1]), True, solution.residual_px)


def _by_evidence(
    coins: Sequence[CircleReference],
    part: PartOutline | None,
    wall: PartWall | None,
    focal: float,
    u_focal: float,
    centre: Array,
    u_size: float,
) -> Plane:
    """Mean and spread of all cameras that coins' faces and walls allow, weighed with the part's own outline.

    The mean and not the likeliest: where a tilt and its mirror image cannot be told apart it errs least, and its spread
    says so.
    """
    rows, logs = [], []
    for share, log_focal in ((1.0, 0.0),) if u_focal <= U_FOCAL_KNOWN else FOCALS_ASSUMED:
        cameras, log = _cameras_of(coins[0], share * focal, centre)
        for coin in coins[1:]:
            others, other_log = _cameras_of(coin, share * focal, centre)
            apart = ((cameras[:, None, 1:3] - others[None, :, 1:3]) ** 2).sum(axis=2)
            nearest = np.argmin(apart, axis=1)
            u = float(np.hypot(coin.diameter_mm.u / coin.diameter_mm.value, U_ROUND_RELATIVE))
            off = (others[nearest, 3] - cameras[:, 3]) / u
            log = log + other_log[nearest] - 0.5 * np.minimum(off**2, MOST_OFF)
        log = log + log_focal - 0.5 * (cameras[:, 1:3] ** 2).sum(axis=1) / U_TILT_RAD**2
        if wall is not None:
            log = log + wall.evidence(cameras, centre)
        if part is not None:
            log = part_evidence(part, log, cameras[:, 1:3], share * focal, centre)
        rows.append(cameras)
        logs.append(log)
    cameras, log = np.concatenate(rows), np.concatenate(logs)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = weight @ cameras
    away = cameras - mean
    covariance = TOLD * (away * weight[:, None]).T @ away
    covariance += np.diag([(U_FOCAL_KNOWN * focal) ** 2, U_GRID_RAD**2, U_GRID_RAD**2, 0.0])
    first = coins[0]
    of_size = max(u_size, first.diameter_mm.u / first.diameter_mm.value)
    covariance[3, 3] += of_size**2 + (first.height_mm.u / float(np.exp(mean[3]) * mean[0])) ** 2
    return Plane(mean, covariance, (centre[0], centre[1]), True)


def _cameras_of(coin: CircleReference, focal: float, centre: Array) -> tuple[Array, Array]:
    """The camera under each tilt that a coin's evidence knows, (K, 4), and that evidence, (K,)."""
    evidence = coin.evidence
    assert evidence is not None
    slopes = (evidence.centre_px - centre) / focal
    tilts = about_ray(evidence.tilts, slopes.mean(axis=0))
    normal = frame_of_tilt(tilts)[2]
    depth = focal * (coin.diameter_mm.value / 2.0) / evidence.radius_px
    at = np.column_stack([slopes, np.ones(len(slopes))]) * depth[:, None]
    distance = ((normal * at).sum(axis=1) - coin.height_mm.value) / normal[:, 2]
    return np.column_stack([np.full(len(tilts), focal), tilts, np.log(distance / focal)]), evidence.log


def square_plane(
    part_circles: Sequence[tuple[Array, Quantity]],
    *,
    image_size: tuple[int, int],
    focal_35mm: float | None,
    wall: PartWall | None = None,
) -> Plane:
    """The bench without anything of known size: made square by the part's own circles, in pixels of the image's centre.

    Heights are in that unit too. Without circles the plane is as the part's wall tells, or as seen square, give or take.
    """
    focal, u_focal, centre = _camera(image_size, focal_35mm)
    prior = _prior(focal, u_focal, 0.0, 1e-6, wall, centre)
    circles = [_part_circle(points, height) for points, height in part_circles]
    if circles:
        solution = _best(circles, [], prior, _starts(circles, centre, focal), centre)
        if solution is not None:
            return Plane(solution.parameters, solution.covariance, (centre[0], centre[1]), False, solution.residual_px)
    return Plane(prior.mean, prior.covariance, (centre[0], centre[1]), False)


def focal_px(focal_35mm: float, image_size: tuple[int, int]) -> float:
    """Focal length in pixels from a 35 mm equivalent, by the frame's diagonal."""
    return focal_35mm * float(np.hypot(*image_size)) / FULL_FRAME_DIAGONAL_MM


def _camera(image_size: tuple[int, int], focal_35mm: float | None) -> tuple[float, float, Array]:
    known = focal_35mm is not None and focal_35mm > 0.0
    focal = focal_px(focal_35mm if known and focal_35mm else ASSUMED_FOCAL_35MM, image_size)
    centre = np.array([(image_size[0] - 1) / 2.0, (image_size[1] - 1) / 2.0])
    return focal, U_FOCAL_KNOWN if known else U_FOCAL_ASSUMED, centre


def _prior(
    focal: float, u_focal: float, log_unit: float, u_unit: float, wall: PartWall | None, centre: Array
) -> _Prior:
    """A hand-held phone meant to be square, with what the part's wall tells of its tilt."""
    mean = np.array([focal, 0.0, 0.0, log_unit])
    covariance = np.diag([(u_focal * focal) ** 2, U_TILT_RAD**2, U_TILT_RAD**2, u_unit**2])
    if wall is not None:
        cameras = np.column_stack([np.full(len(TILTS), focal), TILTS, np.full(len(TILTS), log_unit)])
        log = wall.evidence(cameras, centre) - 0.5 * (TILTS**2).sum(axis=1) / U_TILT_RAD**2
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mean[1:3] = weight @ TILTS
        away = TILTS - mean[1:3]
        covariance[1:3, 1:3] = (away * weight[:, None]).T @ away + U_GRID_RAD**2 * np.eye(2)
    whiten = np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.float64)
    return _Prior(mean, covariance, whiten)


def doubted(together: Plane, alone: Plane) -> Plane:
    """A plane by reference and part, less sure where the reference alone says another tilt than both allow.

    The estimates' difference has the difference of their covariances (Hausman 1978, Econometrica 46, 1251); where it is
    larger, all is taken to be off in that measure (Birge 1932, Physical Review 40, 207). On 522 pictures with rulers error
    over stated is 0.9 rms where the two agree and 2 where they do not.
    """
    off = (together.parameters - alone.parameters)[1:3]
    share, axes = np.linalg.eigh((alone.covariance - together.covariance)[1:3, 1:3])
    quarrel = float(((axes.T @ off) ** 2 / np.maximum(share, U_TILT_LEFT_RAD**2)).sum())
    return replace(together, covariance=together.covariance * float(np.clip(quarrel / 2.0, 1.0, MOST_DOUBT)))


def _with_lens(prior: _Prior) -> _Prior:
    n = len(prior.mean)
    covariance, whiten = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))
    covariance[:n, :n], covariance[n, n] = prior.covariance, U_LENS**2
    whiten[:n, :n], whiten[n, n] = prior.whiten, 1.0 / U_LENS
    return _Prior(np.append(prior.mean, 0.0), covariance, whiten)


def _thin(points: Array) -> Array:
    step = max(1, len(points) // POINTS_USED)
    return np.asarray(points, dtype=float)[::step]


def _part_circle(points: Array, height: Quantity) -> _Circle:
    thin = _thin(points)
    radius = float(np.sqrt(max(np.prod(np.ptp(thin, axis=0)), 1.0))) / 2.0
    return _Circle(thin, height.value, None, float(np.hypot(PART_SIGMA_PX, U_ROUND_RELATIVE * radius)))


def _first_distance(circles: list[_Circle], marks: list[_Marks], focal: float) -> float | None:
    """Camera distance from sizes alone, as if square."""
    found = []
    for c in circles:
        if c.radius_mm is not None and len(c.points) >= 5:
            (_, axes, _) = cv2.fitEllipseDirect(c.points.astype(np.float32).reshape(-1, 1, 2))
            found.append(focal * 2.0 * c.radius_mm / max(max(axes), 1e-6) + c.height)
    for m in marks:
        d_px = np.linalg.norm(m.points - m.points.mean(axis=0), axis=1).mean()
        d_mm = np.linalg.norm(m.pattern_mm - m.pattern_mm.mean(axis=0), axis=1).mean()
        if d_px > 1.0:
            found.append(focal * d_mm / d_px + m.height)
    return float(np.median(found)) if found else None


def _starts(circles: list[_Circle], centre: Array, focal: float) -> list[Array]:
    """Tilts to start from: square, and the two that the greatest rim's ellipse allows."""
    starts = [np.zeros(2)]
    full = [c for c in circles if len(c.points) >= 12]
    if not full:
        return [*starts, *(np.array(t) for t in ((0.2, 0.0), (-0.2, 0.0), (0.0, 0.2), (0.0, -0.2)))]
    c = max(full, key=lambda k: float(np.ptp(k.points, axis=0).max()))
    (cx, cy), (small, large), turn = cv2.fitEllipseDirect(c.points.astype(np.float32).reshape(-1, 1, 2))
    if small > large:
        small, large, turn = large, small, turn + 90.0
    tilt = float(np.arccos(np.clip(small / max(large, 1e-9), 0.0, 1.0)))
    across = np.radians(turn)  # direction of the short axis in the picture, from x towards y (down)
    short = np.array([np.cos(across), np.sin(across)])
    ray = (np.array([cx, cy]) - centre) / focal
    for sign in (1.0, -1.0):
        lean = sign * np.tan(tilt) * short - ray  # the normal's slope: towards the camera along the ray, then tilted
        starts.append(np.clip(np.array([lean[1], -lean[0]]), -0.8, 0.8))
    return starts


def _starts_of_marks(marks: list[_Marks], centre: Array, focal: float) -> list[Array]:
    """The tilt that each pattern's two vanishing points tell, and square; none where no pattern is wider than a line."""
    starts = []
    for m in marks:
        if len(m.points) < 4 or np.ptp(m.pattern_mm, axis=0).min() < 1e-3 * np.ptp(m.pattern_mm, axis=0).max():
            continue
        middle = m.pattern_mm.mean(axis=0)
        unit = np.ptp(m.pattern_mm, axis=0)  # rows that lie close together weigh as much as the length
        found, _ = cv2.findHomography((m.pattern_mm - middle) / unit, (m.points - centre) / focal, 0)
        homography = np.asarray(found, np.float64)
        if homography.shape != (3, 3):
            continue
        normal = np.cross(homography[:, 0], homography[:, 1])
        normal = normal * -np.sign(normal[2]) / max(float(np.linalg.norm(normal)), 1e-12)
        angle = float(np.arccos(np.clip(-normal[2], -1.0, 1.0)))
        if 0.0 < angle < 1.2:
            starts.append(np.array([normal[1], -normal[0]]) * angle / np.sin(angle))
    return [*starts, np.zeros(2)] if starts else []


def _best(
    circles: list[_Circle],
    marks: list[_Marks],
    prior: _Prior,
    starts: list[Array],
    centre: Array,
) -> _Solution | None:
    """The likeliest camera, with what the others add to its covariance."""
    solutions: list[_Solution] = []
    for start in starts:
        first = prior.mean.copy()
        first[1:3] = start
        for m in marks[:1]:  # as large as it is under this tilt: seen square it may be half as large again
            on = _to_mm(first, centre, m.points, m.height)
            first[3] += np.log(np.linalg.norm(m.pattern_mm - m.pattern_mm.mean(axis=0)) / np.linalg.norm(on - on.mean(axis=0)))  # fmt: skip
        solution = _solve(circles, marks, prior, first, centre)
        if solution is not None and np.hypot(*solution.parameters[1:3]) < 1.0:
            solutions.append(solution)
    if not solutions:
        return None
    solutions.sort(key=lambda s: s.cost)
    best = solutions[0]
    weights, away = [1.0], [np.zeros_like(best.parameters)]
    for other in solutions[1:]:
        step = other.parameters - best.parameters
        if np.hypot(step[1], step[2]) < 0.01 or any(np.allclose(step[1:3], a[1:3], atol=0.01) for a in away):
            continue
        weights.append(float(np.exp(-0.5 * min(other.cost - best.cost, 60.0))))
        away.append(step)
    share = np.array(weights) / sum(weights)
    mean = np.einsum("k,ki->i", share, np.array(away))
    spread = np.einsum("k,ki,kj->ij", share, np.array(away) - mean, np.array(away) - mean) + np.outer(mean, mean)
    return replace(best, covariance=best.covariance + spread)


def _solve(circles: list[_Circle], marks: list[_Marks], prior: _Prior, first: Array, centre: Array) -> _Solution | None:
    """Levenberg-Marquardt over the camera and each reference's own place; covariance from the final curvature."""
    x = _with_places(circles, marks, first, centre)
    camera = len(prior.mean)
    rims = _stacked(circles, camera)
    numeric = np.array([*range(camera), *range(len(x) - sum(m.places for m in marks), len(x))])
    damping = 1e-3
    residual = _residuals(x, rims, marks, prior, centre)
    cost = float(residual @ residual)
    jac = np.empty((len(residual), len(x)))
    scale = np.ones(len(x))
    scale[0] = prior.mean[0]
    for turn in range(25 + LAID_FIRST * bool(marks)):
        _place_columns(jac, x, rims, centre, camera)
        h = 1e-5 * np.maximum(scale, np.abs(x))[numeric]
        moved = np.tile(x, (len(numeric), 1))
        moved[np.arange(len(numeric)), numeric] += h
        jac[:, numeric] = (_residuals(moved, rims, marks, prior, centre) - residual).T / h
        if marks and turn < LAID_FIRST:
            jac[:, :3] = jac[:, PINHOLE:camera] = 0.0
        normal, slope = jac.T @ jac, jac.T @ residual
        improved = False
        for _ in range(6):
            try:
                step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -slope)
            except np.linalg.LinAlgError:
                return None
            trial = x + step
            if trial[0] > 1.0 and np.abs(trial[1:3]).max() < 1.3:
                r = _residuals(trial, rims, marks, prior, centre)
                c = float(r @ r)
                if np.isfinite(c) and c <= cost:
                    improved = True
                    break
            damping *= 8.0
        if not improved and not (marks and turn < LAID_FIRST):
            break
        if not improved:
            damping = 1e-3
            continue
        done = cost - c < 1e-4 * max(cost, 1e-9) and not (marks and turn < LAID_FIRST)
        x, residual, cost = trial, r, c
        damping = max(damping / 8.0, 1e-9)
        if done:
            break
    try:
        covariance = np.asarray(np.linalg.inv(jac.T @ jac + np.eye(len(x)) * 1e-12)[:camera, :camera], dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    px = residual[camera:]
    return _Solution(x[:camera], covariance, cost, float(np.sqrt(np.mean(px**2))) if len(px) else 0.0)


def _with_places(circles: list[_Circle], marks: list[_Marks], p: Array, centre: Array) -> Array:
    """The camera, then x, y of each circle (and its radius where unknown), then shift and turn of each pattern (and the
    stretch of its rows where unknown)."""
    rows: list[float] = list(p)
    for c in circles:
        on = _to_mm(p, centre, c.points, c.height)
        mid = (on.min(axis=0) + on.max(axis=0)) / 2.0
        design = np.column_stack([2.0 * on, np.ones(len(on))])
        solved = np.linalg.lstsq(design, (on**2).sum(axis=1), rcond=None)[0]
        mid = solved[:2] if np.isfinite(solved).all() else mid
        rows += [float(mid[0]), float(mid[1])]
        if c.radius_mm is None:
            rows.append(float(np.linalg.norm(on - mid, axis=1).mean()))
    for m in marks:
        on = _to_mm(p, centre, m.points, m.height)
        a, b = m.pattern_mm - m.pattern_mm.mean(axis=0), on - on.mean(axis=0)
        turn = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
        rows += [float(on[:, 0].mean()), float(on[:, 1].mean()), turn]
        if m.across is not None:
            beside = b[:, 1] * np.cos(turn) - b[:, 0] * np.sin(turn)
            rows.append(float(np.linalg.lstsq(a, beside, rcond=None)[0][1]))
    return np.array(rows)


@dataclass(frozen=True, slots=True)
class _Rims:
    """The edge points of all circles in one, with the places of each point's circle among the parameters."""

    points: Array  # (N, 2)
    height: Array  # (N,)
    middle_at: NDArray[np.intp]  # (N, 2)
    radius_at: NDArray[np.intp]  # (N,), where `radius_mm` is NaN
    radius_mm: Array  # (N,)
    weight: Array  # (N,) of a distance on the plane over the millimetres in a pixel
    parameters: int  # camera and circles together


def _stacked(circles: list[_Circle], camera: int) -> _Rims:
    at, rows = camera, []
    for c in circles:
        few = np.sqrt(max(len(c.points) / INDEPENDENT_POINTS, 1.0))  # neighbours on a rim err together
        size = np.nan if c.radius_mm is None else c.radius_mm
        rows.append(np.tile([c.height, at, size, 1.0 / (c.sigma_px * few)], (len(c.points), 1)))
        at += 2 if c.radius_mm is not None else 3
    height, first, radius, weight = np.concatenate(rows).T if rows else np.empty((4, 0))
    points = np.concatenate([c.points for c in circles]) if circles else np.empty((0, 2))
    place = first.astype(np.intp)
    middle = np.column_stack([place, place + 1])
    return _Rims(points, height, middle, np.where(np.isnan(radius), place + 2, 0), radius, weight, at)


def _place_columns(jac: Array, x: Array, rims: _Rims, centre: Array, camera: int) -> None:
    """Derivatives by each circle's own centre and radius, written into the Jacobian."""
    jac[:, camera:] = 0.0
    points = rims.points if camera == PINHOLE else _straight(rims.points, centre, float(x[PINHOLE]))
    d = _to_mm(x[:PINHOLE], centre, points, rims.height) - x[rims.middle_at]
    weight = rims.weight * np.exp(-x[3])
    rows = camera + np.arange(len(d))
    jac[rows[:, None], rims.middle_at] = d * (-weight / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-12))[:, None]
    free = np.isnan(rims.radius_mm)
    jac[rows[free], rims.radius_at[free]] = -weight[free]


def _residuals(x: Array, rims: _Rims, marks: list[_Marks], prior: _Prior, centre: Array) -> Array:
    """Standardised residuals of one set of parameters (P,) or of several (K, P): (…, M).

    Those of the prior come first, then those of every edge point and mark.
    """
    camera = len(prior.mean)
    p = x[..., :PINHOLE]
    rows = [(x[..., :camera] - prior.mean) @ prior.whiten.T]

    def straight(points: Array) -> Array:
        return points if camera == PINHOLE else _straight(points, centre, x[..., PINHOLE, None, None])

    d = _to_mm(p, centre, straight(rims.points), rims.height) - x[..., rims.middle_at]
    radius = np.where(np.isnan(rims.radius_mm), x[..., rims.radius_at], rims.radius_mm)
    rows.append((np.hypot(d[..., 0], d[..., 1]) - radius) * (rims.weight * np.exp(-p[..., 3, None])))
    k = rims.parameters
    for m in marks:
        shift, turn = x[..., k : k + 2], x[..., k + 2, None]
        a = m.pattern_mm - m.pattern_mm.mean(axis=0)
        along, beside = a[:, 0], a[:, 1] if m.across is None else a[:, 1] * x[..., k + 3, None]
        k += m.places
        cos, sin = np.cos(turn), np.sin(turn)
        on = np.stack([along * cos - beside * sin, along * sin + beside * cos], axis=-1) + shift[..., None, :]
        off = _to_px(p, centre, on, m.height) - straight(m.points)
        if m.across is None:
            rows.append((off / m.sigma_px).reshape(*x.shape[:-1], -1))
        else:
            rows.append((off * m.across).sum(axis=-1) / m.sigma_px)
            rows.append((off[..., 0] * m.across[:, 1] - off[..., 1] * m.across[:, 0]) / m.loose_px)
    return np.concatenate(rows, axis=-1)
