"""Where the axis lies by all that tells it: the hub's arcs, the network, and the screws' own pattern.

Screws hold a cam to its plug, so they mostly sit on one circle about the axis, many of them opposite each other, and an
opening in the middle of the hub is the axis itself (common practice, no source). None of this is certain: every piece
counts as a mixture with a broad part, so that it adds where it nearly fits and is silent where it does not.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRID: Final = 41  # places tried in each direction
LEAST_SPAN_MM: Final = 1.0  # to either side
MOST_SPAN_MM: Final = 2.5
HUB_FREEDOM: Final = 3.0  # Student's t: likelier than 4 on either half of 407 path-traced pictures
NETWORK_FREEDOM: Final = 8.0
# What the network errs by in each direction, as a share of the spread within which its axis is looked for. Where a hub was
# fitted, it errs by what the hub errs by (slope 0.8 to 1.0 on 280 pictures) and by something of its own: wall, shadow and
# tilt mislead both alike, so that it tells next to nothing more there.
NETWORK_SHARE: Final = 1.0
NETWORK_SHARE_BESIDE_HUB: Final = 2.0
U_LINE_MM: Final = 0.15  # how far from the axis the mirror line of a symmetric part passes
LINE_FREEDOM: Final = 3.0
SAME_RADIUS: Final = 0.3  # how often two screws are taken to lie on one circle about the axis
OPPOSITE: Final = 0.2  # and to lie opposite each other, 3 and 9;
TWO_AND_SEVEN: Final = 0.1  # or as 2 and 7 do
TWO_AND_SEVEN_DEG: Final = 150.0
CENTRAL: Final = 0.3  # how often an opening is taken to be the one on the axis
OFF_CENTRE_MM: Final = 1.5  # from the axis: an opening farther than this has a clock position
U_DRILLED_MM: Final = 0.05  # what a punched or cast pattern itself is off
RADIUS_RANGE_MM: Final = 4.0  # screws' radii differ by this either way when they do: 3.5-7 mm (memory)
HUB_AREA_MM2: Final = 300.0  # over which an opening may lie: a hub of 19.5 mm


def settle_axis(
    start: Array,
    start_covariance: Array,
    hub: tuple[Array, Array] | None,
    network: Array,
    u_network: float,
    openings: Array,
    u_openings: Array,
    screws: NDArray[np.bool_],
    line: tuple[float, float] | None = None,
) -> tuple[Array, Array]:
    """Mean and covariance of the axis over a grid of places; everything in mm.

    Parameters
    ----------
    start, start_covariance : ndarray of shape (2,) and (2, 2)
        The axis by hub and network alone: the grid lies about it.
    hub : tuple of ndarray, optional
        Centre of the hub's circle and its covariance.
    network : ndarray of shape (2,)
    u_network : float
        Within which the network's axis is looked for.
    openings : ndarray of shape (K, 2)
        Centres of screw holes and reliefs.
    u_openings : ndarray of shape (K,)
        Their standard uncertainty in each direction.
    screws : ndarray of shape (K,), bool
        Which of them are screw holes.
    line : tuple, optional
        The line about which the outline of a part of a symmetric family mirrors: how far to the right of `start` it passes,
        seen along its direction, and that direction, degrees clockwise from up.

    Returns
    -------
    axis (2,), covariance (2, 2)
    """
    widest = float(np.sqrt(np.linalg.eigvalsh(start_covariance).max()))
    span = float(np.clip(4.0 * widest, LEAST_SPAN_MM, MOST_SPAN_MM))
    steps = np.linspace(-span, span, GRID)
    places = start + np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=2).reshape(-1, 2)
    share = NETWORK_SHARE if hub is None else NETWORK_SHARE_BESIDE_HUB
    log = _student(((places - network) ** 2).sum(axis=1) / (share * u_network) ** 2, NETWORK_FREEDOM)
    if hub is not None:
        d = places - hub[0]
        log = log + _student((d @ np.linalg.inv(hub[1]) * d).sum(axis=1), HUB_FREEDOM)
    for at, u in zip(openings, u_openings, strict=True):
        log = log + _central(((places - at) ** 2).sum(axis=1), float(np.hypot(u, U_DRILLED_MM)))
    log = log + _pattern(places, openings[screws], u_openings[screws])
    covariance = _moments(places, log)[1]
    if (
        line is not None
    ):  # it moves the axis, but makes it no surer: what misleads the hub's edge misleads the tail's alike
        turn = np.radians(line[1])
        off = (places - start) @ np.array([np.cos(turn), -np.sin(turn)]) - line[0]
        log = log - 0.5 * (LINE_FREEDOM + 1.0) * np.log1p((off / U_LINE_MM) ** 2 / LINE_FREEDOM)
    least = (2.0 * span / (GRID - 1)) ** 2 / 12.0  # a grid tells no place better than its own step
    return _moments(places, log)[0], covariance + least * np.eye(2)


def _moments(places: Array, log: Array) -> tuple[Array, Array]:
    """Mean (2,) and covariance (2, 2) of places by the logarithm of their weights."""
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = weight @ places
    d = places - mean
    return mean, (d * weight[:, None]).T @ d


def _student(square: Array, freedom: float) -> Array:
    """Log density of Student's t in two dimensions, but for a constant, from the squared distance over the scale."""
    return np.asarray(-0.5 * (freedom + 2.0) * np.log1p(square / freedom))


def _normal(x: Array, u: float | Array) -> Array:
    return np.asarray(np.exp(-0.5 * (x / u) ** 2) / (u * np.sqrt(2.0 * np.pi)))


def _central(square: Array, u: float) -> Array:
    on_axis = np.exp(-0.5 * square / (u * u)) / (2.0 * np.pi * u * u)
    return np.asarray(np.log(CENTRAL * on_axis + (1.0 - CENTRAL) / HUB_AREA_MM2))


def _pattern(places: Array, holes: Array, u: Array) -> Array:
    """Log likelihood of every place by the radii and the angles of each two holes that are not in the middle."""
    log = np.zeros(len(places))
    pairs = [(i, j) for i in range(len(holes)) for j in range(i)]
    if not pairs:
        return log
    away = holes[None] - places[:, None]
    radius = np.hypot(away[..., 0], away[..., 1])
    angle = np.degrees(np.arctan2(away[..., 0], away[..., 1]))
    share = 2.0 / len(holes)  # three pairs of three holes tell what two would
    for i, j in pairs:
        both = (radius[:, i] > OFF_CENTRE_MM) & (radius[:, j] > OFF_CENTRE_MM)
        spread = float(np.sqrt(u[i] ** 2 + u[j] ** 2 + U_DRILLED_MM**2))
        same = _normal(radius[:, i] - radius[:, j], spread)
        alike = SAME_RADIUS * same + (1.0 - SAME_RADIUS) / (2.0 * RADIUS_RANGE_MM)
        turn = np.abs((angle[:, i] - angle[:, j] + 180.0) % 360.0 - 180.0)
        u_turn = np.degrees(spread / np.maximum(np.minimum(radius[:, i], radius[:, j]), OFF_CENTRE_MM))
        known = 2.0 * OPPOSITE * _normal(turn - 180.0, u_turn)  # folded: no two holes are farther apart
        known = known + TWO_AND_SEVEN * _normal(turn - TWO_AND_SEVEN_DEG, u_turn)
        apart = known + (1.0 - OPPOSITE - TWO_AND_SEVEN) / 180.0
        none = np.log((1.0 / (2.0 * RADIUS_RANGE_MM)) / 180.0)
        log = log + share * np.where(both, np.log(alike * apart), none)
    return log
