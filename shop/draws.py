"""Monte Carlo draws of the part in question and of the cylinder's threads behind it (after JCGM 101)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shop.clearance import head_deg_of, likely_screws, offset_at_lift_mm
from shop.measured import UNMEASURED_DIAMETER_MM, Array, MeasuredPart
from shop.parts import Part
from shop.threads import CAM_SCREWS, THREADS, Thread
from vision.quantity import COVERAGE_FACTOR
from vision.vocabulary import CENTRE

# A length not measured is taken as the candidate's own, give or take this (standard uncertainty, mm): the answer is
# then neither yes nor no, and the length is asked for.
UNMEASURED_LENGTH_U_MM: Final = 0.75
UNMEASURED_RADIUS_U_MM: Final = 0.3
MODEL_U_MM: Final = 0.02  # two parts of one number differ by about this
OPEN: Final = -1  # of a draw's face: either one, as the reading has it
ZONE_SIGMA: Final = 1.0 / 3.0  # of a position zone's radius: its edge is at three standard deviations


@dataclass(frozen=True, slots=True, eq=False)
class Same:
    """A part of the list that the part read may be: the probability of that, and its lengths as the photo shows them."""

    weight: float
    mean: Array  # (K,), in the order of `MeasuredPart.names`; NaN for what the list does not say
    mirrored: bool  # the photo shows the other face than stated
    part: str = ""  # its number


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """N joint draws; all weights are equal.

    The old part fitted, so a thread of the cylinder lies within the old hole's clearance. Part and cylinder share that
    clearance equally, as the fixed-fastener rule of ASME Y14.5 has it; in its half each is normal, with the edge at
    three standard deviations and nothing beyond (the usual assumption of statistical tolerancing).
    """

    states: Array  # (N, K), lengths of the old part
    offsets: Array  # (N, n, 2), thread minus old hole, with the error of the list's hole, mm
    which: NDArray[np.intp]  # (N,), index of the screw drawn
    threads: tuple[Thread, ...]
    shares: tuple[float, ...]
    countersunk: NDArray[np.bool_]  # (N,)
    head_offset_mm: Array  # (N,), offset that lifts a countersunk head by what is allowed
    list_xy: Array | None  # (N, 4, 2), error of the candidate's hole centres, mm; None when it is in `offsets`
    list_length: Array  # (N, 3), error of the list's reach, tail width and hole diameters, mm
    conflict: bool = False  # no screw in question passes the holes as read
    sunk_share: float = 0.0  # of `countersunk`
    face: NDArray[np.int8] | None = None  # (N,), OPEN, or for a draw of a part of the list 0 as stated and 1 the other

    def of_none(self) -> Array:
        """1 for a draw of a part that is none of the list's, else 0, (N,)."""
        count = len(self.states)
        return np.ones(count) if self.face is None else np.asarray(self.face == OPEN, dtype=float)

    def face_share(self, share: float, *, mirrored: bool) -> Array:
        """How far each draw counts for one face of the photo, (N,); `share` is that face's probability in the reading."""
        if self.face is None:
            return np.full(len(self.states), share)
        return np.where(self.face == OPEN, share, self.face == int(mirrored))

    @property
    def major_mm(self) -> Array:
        """Screw diameter of each draw."""
        return np.array([thread.major_mm for thread in self.threads])[self.which]

    def first(self, count: int) -> Draws:
        """The first `count` draws."""
        part = slice(count)
        return Draws(
            self.states[part],
            self.offsets[part],
            self.which[part],
            self.threads,
            self.shares,
            self.countersunk[part],
            self.head_offset_mm[part],
            None if self.list_xy is None else self.list_xy[part],
            self.list_length[part],
            self.conflict,
            self.sunk_share,
            None if self.face is None else self.face[part],
        )


def draw(
    measured: MeasuredPart,
    count: int,
    rng: np.random.Generator,
    *,
    most_lift_mm: float,
    list_u95_mm: float,
    listed_screws: Mapping[str, int] | None = None,
    screws: Sequence[str] = (),
    same: Sequence[Same] = (),
) -> Draws:
    """Draw parts, screws and thread positions that agree with all that is known.

    Parameters
    ----------
    measured : MeasuredPart
    count : int
    rng : numpy.random.Generator
    most_lift_mm : float
        Lift allowed for a countersunk head.
    list_u95_mm : float
        How well the list's own numbers are known.
    listed_screws : mapping of str to int, optional
        Threads the shop's list names, with their numbers.
    screws : sequence of str
        Threads of the cylinder when known; before those of `measured`.
    same : sequence of Same
        Parts of the list that the part read may be; the rest of the probability is for a part of its own.
    """
    n = len(measured.holes)
    known = tuple(screws) or measured.screws
    values, vectors = np.linalg.eigh(measured.covariance)
    factor = vectors * np.sqrt(np.maximum(values, 0.0))
    # No matrix products of whole draws in here: on several cores their threads cost more than they save.
    states = measured.mean + np.einsum("nk,jk->nj", rng.standard_normal((count, len(measured.mean))), factor)
    if measured.doubts.diameters > 0.0:
        void = np.nonzero(rng.random(count) < measured.doubts.diameters)[0]
        middle_mm, spread_mm = UNMEASURED_DIAMETER_MM
        states[np.ix_(void, np.arange(5, states.shape[1], 3))] = middle_mm + spread_mm * rng.standard_normal(
            (len(void), n)
        )
    face = _as_listed(states, same, rng)
    diameters = states[:, 5::3]
    names = known or CAM_SCREWS
    threads, weights = likely_screws(diameters, listed_screws, names, measured.screw_diameter_mm)
    passing = weights.sum(axis=1)
    conflict = float((passing > 0.0).mean()) < 0.01
    if conflict:
        # The holes as read take none of these screws. The screw nearest to them is drawn, without play.
        middle = float(diameters.mean())
        threads = (min((THREADS[name] for name in names), key=lambda t: abs(t.major_mm - middle)),)
        weights, passing = np.ones((count, 1)), np.ones(count)
    which = (rng.random((count, 1)) > np.cumsum(weights, axis=1)).sum(axis=1).clip(0, len(threads) - 1)
    major = np.array([thread.major_mm for thread in threads])[which]
    lifts = np.array([offset_at_lift_mm(most_lift_mm, head_deg_of(thread)) for thread in threads])[which]
    countersunk = rng.random(count) < np.mean([hole.countersunk for hole in measured.holes])
    play = np.maximum(0.5 * (diameters - major[:, None]), 0.0)
    play = np.where(countersunk[:, None], np.minimum(play, lifts[:, None]), play)
    offsets = 0.5 * play[..., None] * (_in_zone(rng, (count, n)) + _in_zone(rng, (count, n)))
    likelihood = np.where(passing > 0.0, 1.0, 0.0)
    for i, j, found in measured.thread_distances_mm:
        apart = (states[:, 3 + 3 * i : 5 + 3 * i] + offsets[:, i]) - (states[:, 3 + 3 * j : 5 + 3 * j] + offsets[:, j])
        error = (np.hypot(apart[:, 0], apart[:, 1]) - found.value) / found.u
        likelihood = likelihood * np.exp(-0.5 * np.minimum(error**2, 1400.0)) + 1e-300
    kept = _resample(likelihood, rng)
    which = which[kept].astype(np.intp)
    # Errors of the list's holes, one apart from the other, act like more play between thread and hole.
    u = list_u95_mm / COVERAGE_FACTOR
    offsets = offsets[kept] + u * rng.standard_normal(offsets.shape)
    return Draws(
        states=states[kept],
        offsets=offsets,
        which=which,
        threads=threads,
        shares=tuple(float((which == i).mean()) for i in range(len(threads))),
        countersunk=countersunk[kept],
        head_offset_mm=lifts[kept],
        list_xy=None,
        list_length=u * rng.standard_normal((count, 3)),
        conflict=conflict,
        sunk_share=float(countersunk.mean()),
        face=None if face is None else face[kept],
    )


def _in_zone(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Points of a round position zone of radius 1, (..., 2): normal about its centre, cut off at its edge."""
    inside = 1.0 - math.exp(-0.5 / ZONE_SIGMA**2)
    radius = ZONE_SIGMA * np.sqrt(-2.0 * np.log1p(-inside * rng.random(shape)))
    turn = 2.0 * math.pi * rng.random(shape)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=-1)


def _as_listed(states: Array, same: Sequence[Same], rng: np.random.Generator) -> NDArray[np.int8] | None:
    """Put parts of the list in place of as many draws (in `states`) as are likely; the face each needs, (N,)."""
    if not same:
        return None
    count = len(states)
    which = np.searchsorted(np.cumsum([one.weight for one in same]), rng.random(count), side="right")
    face = np.full(count, OPEN, dtype=np.int8)
    for i, one in enumerate(same):
        rows = np.nonzero(which == i)[0]
        scattered = one.mean + MODEL_U_MM * rng.standard_normal((len(rows), states.shape[1]))
        states[rows] = np.where(np.isnan(one.mean), states[rows], scattered)
        face[rows] = one.mirrored
    return face


def _resample(likelihood: Array, rng: np.random.Generator) -> NDArray[np.intp]:
    """Systematic resampling: indices of draws in proportion to their likelihood, in mixed order."""
    count = len(likelihood)
    if bool((likelihood == likelihood[0]).all()):
        return np.arange(count)
    steps = (np.arange(count) + rng.random()) / count
    kept = np.searchsorted(np.cumsum(likelihood) / likelihood.sum(), steps).clip(0, count - 1)
    return np.asarray(rng.permutation(kept), dtype=np.intp)


@dataclass(frozen=True, slots=True, eq=False)
class Within:
    """A disc that holds a thread in some of the draws: middle (2,), with what a mm of radius adds to it, and radius, mm."""

    middle: Array
    per_mm: Array
    spread: float


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where one thread of the cylinder lies in each draw, as one face of the photo shows it."""

    xy: tuple[Array, Array]  # (N,) each, mm
    # What each mm of the radius of the candidate's hole adds, (N,) each, where that was not measured.
    per_mm: tuple[Array, Array] | None
    along: Array  # (2,), the direction in which it lies then
    within: tuple[Within, ...]

    def radius_mm(self, holes_xy: Array, radius: Array) -> Array:
        """Radius of the candidates' hole that lies most in the thread's direction, (P,); 0 where it was measured.

        Holes (P, m, 2) and their radii (P, m), NaN for none.
        """
        if self.per_mm is None:
            return np.zeros(len(radius))
        along = (holes_xy[..., 0] * self.along[0] + holes_xy[..., 1] * self.along[1]) / np.maximum(radius, 1e-6)
        most = np.argmax(np.where(np.isnan(along), -np.inf, along), axis=1)
        return np.asarray(radius[np.arange(len(radius)), most])


def length_off(draws: Draws, row: int, own_mm: Array) -> Array:
    """By how much a length of the draws is above that of candidates (P,), with the error of the list's number, (P, N).

    `row` is its place in the state: 0 the reach, 1 the tail width.
    """
    return np.asarray(draws.states[:, row] - draws.list_length[:, row] - own_mm[:, None])


class Unmeasured:
    """What the lengths that were not measured make of the draws, for one candidate or for many."""

    def __init__(self, draws: Draws, measured: MeasuredPart) -> None:
        self._draws = draws
        self._places: dict[bool, tuple[Place, ...]] = {}
        # A draw of a part of the list has that part's lengths.
        self._own = draws.of_none() > 0.5
        self._off_reach: Array | None = None  # (N,), about the candidate's own
        if not measured.is_measured("reach"):
            u = math.sqrt(float(measured.covariance[0, 0]))
            self._off_reach = (draws.states[:, 0] - measured.mean[0]) / u * UNMEASURED_LENGTH_U_MM
        # Of a hole each: its direction, and by how much its radius is off the candidate's, (N,).
        self._radii: dict[int, tuple[Array, Array]] = {}
        for i, hole in enumerate(measured.holes):
            if hole.position == CENTRE or all(measured.is_measured(f"holes[{i}].{axis}") for axis in "xy"):
                continue
            rows = [3 + 3 * i, 4 + 3 * i]
            mean = measured.mean[rows]
            radius = float(np.hypot(*mean))
            along = mean / radius
            u = math.sqrt(float(along @ measured.covariance[np.ix_(rows, rows)] @ along))
            x, y = (draws.states[:, rows] - mean).T
            out = x * along[0] + y * along[1]
            self._radii[i] = along, out * (min(UNMEASURED_RADIUS_U_MM, u) / u - 1.0) - radius

    def states(self, part: Part, *, mirrored: bool) -> Array:
        """The draws' states (N, K), with every length that was not measured put about the candidate's own.

        With `mirrored`, the radii are taken from the candidate's holes as they lie when the photo shows the other face.
        Everything but the reach hangs on the candidate's holes alone.
        """
        if self._off_reach is None and not self._radii:
            return self._draws.states
        states = self._draws.states.copy()
        if self._off_reach is not None:
            states[self._own, 0] = part.reach_mm + self._off_reach[self._own]
        xy = np.array([[hole.xy_mm for hole in part.holes]])
        for i, place in enumerate(self.places(mirrored=mirrored)):
            along, change = self._radii.get(i, (np.zeros(2), np.zeros(len(states))))
            longer = self._own * (place.radius_mm(xy, np.hypot(xy[..., 0], xy[..., 1]))[0] + change)
            states[:, 3 + 3 * i] += longer * along[0]
            states[:, 4 + 3 * i] += longer * along[1]
        return states

    def reach_off(self, reach_mm: Array) -> Array:
        """By how much the reach is above that of candidates (P,), with the error of the list's number, (P, N)."""
        off = length_off(self._draws, 0, reach_mm)
        if self._off_reach is None:
            return off
        return np.where(self._own, self._off_reach - self._draws.list_length[:, 0], off)

    def places(self, *, mirrored: bool) -> tuple[Place, ...]:
        """Where the threads lie; with `mirrored`, when the photo shows the other face than stated."""
        if mirrored not in self._places:
            self._places[mirrored] = self._placed(mirrored)
        return self._places[mirrored]

    def _placed(self, mirrored: bool) -> tuple[Place, ...]:
        side = np.array([-1.0 if mirrored else 1.0, 1.0])
        places = []
        for i in range(self._draws.offsets.shape[1]):
            at = self._draws.states[:, 3 + 3 * i : 5 + 3 * i] + self._draws.offsets[:, i]
            if i not in self._radii:
                x, y = side[0] * at[:, 0], at[:, 1].copy()
                places.append(Place((x, y), None, side, (_within(x, y, np.zeros(2)),)))
                continue
            along, change = self._radii[i]
            at = (at + (self._own * change)[:, None] * along) * side
            x, y = at.T.copy()
            along = along * side
            per_mm = self._own * along[0], self._own * along[1]
            shares = ((self._own, along), (~self._own, np.zeros(2)))
            within = tuple(_within(x[rows], y[rows], added) for rows, added in shares if rows.any())
            places.append(Place((x, y), per_mm, along, within))
        return tuple(places)


def _within(x: Array, y: Array, per_mm: Array) -> Within:
    middle = np.array([x.mean(), y.mean()])
    return Within(middle, per_mm, float(np.hypot(x - middle[0], y - middle[1]).max()))
