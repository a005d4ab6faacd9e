"""Whether the holes of many candidates serve the cylinder's threads, on one set of draws and for one face of the photo."""

from __future__ import annotations

import itertools
import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shop.draws import Draws, Place
from shop.measured import Array
from shop.parts_table import PartsTable
from shop.turning import Pair, turns_together

AT_ONCE: Final = 32_768  # numbers worked on at a time: they stay in a core's cache
# Rounding to 24 bits moves a hole by a millionth of a millimetre, and takes a third of the time.
Single = NDArray[np.float32]


class Serving:
    """Which candidates' holes can be brought over every thread by one small turn.

    Which hole may serve which thread is told by how far any draw's thread lies from where the threads lie in the middle:
    a bound, so nothing is left out, and of the ways of giving holes to threads mostly one is left to be worked out.
    """

    def __init__(self, draws: Draws, places: tuple[Place, ...], most_turn_deg: float) -> None:
        self._draws, self._places = draws, places
        self._most_rad = math.radians(most_turn_deg)
        self._threads = [_singles(place.xy) for place in places]
        self._per_mm = [None if place.per_mm is None else _singles(place.per_mm) for place in places]
        self._room = _single(0.5 * (draws.list_length[:, 2] - draws.major_mm))  # (N,), play of a hole without width
        # A countersunk screw lifts as it stands off, in a countersunk hole as on the edge of a plain one.
        self._head = _single(draws.head_offset_mm)
        self._cap = np.where(draws.countersunk, self._head, np.float32(np.inf)) if draws.countersunk.any() else None

    def agree(self, table: PartsTable, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
        """In which draws the holes of these rows of a list serve, (R, N)."""
        count, n = len(self._room), len(self._places)
        found = np.zeros((len(rows), count), dtype=np.bool_)
        radii = [place.radius_mm(table.hole_xy[rows], table.hole_radius[rows]) for place in self._places]
        near = self._near(table, rows, radii)
        orders = np.array(list(itertools.permutations(range(near.shape[2]), n)))
        ways = np.logical_and.reduce([near[:, i, orders[:, i]] for i in range(n)])  # (R, C)
        which, order = np.nonzero(ways)
        one_each = len(which) <= len(rows) and bool((np.diff(which) > 0).all())
        step = max(AT_ONCE // count, 1)
        for start in range(0, len(which), step):
            part = which[start : start + step]
            longer = [radius[part] for radius in radii]
            agree = self._in_order(table, rows[part], orders[order[start : start + step]], longer)
            if one_each:
                found[part] = agree
                continue
            for k, row in enumerate(part.tolist()):
                found[row] |= agree[k]
        return found

    def limits_mm(self, table: PartsTable, rows: NDArray[np.intp], holes: NDArray[np.intp]) -> Single:
        """How far one hole each of these rows may stand off a thread, (R, N), mm; negative when no screw passes it."""
        play = _single(0.5 * table.hole_diameter[rows, holes][:, None]) + self._room
        if self._cap is not None:
            np.minimum(play, self._cap, out=play)
        sunk = table.hole_sunk[rows, holes]
        if sunk.any():
            play[sunk] = np.minimum(play[sunk], self._head)
        return play

    def _near(self, table: PartsTable, rows: NDArray[np.intp], radii: list[Array]) -> NDArray[np.bool_]:
        """Which hole may serve which thread in any draw, (R, n, m): no turn moves a hole further than 2 r sin(turn / 2)."""
        xy, radius = table.hole_xy[rows], table.hole_radius[rows]
        off = (
            0.0 if self._draws.list_xy is None else float(np.abs(self._draws.list_xy).max(initial=0.0)) * math.sqrt(2.0)
        )
        room = 0.5 * table.hole_diameter[rows] + float(self._room.max(initial=-np.inf)) + off
        room += 2.0 * (radius + off) * math.sin(0.5 * self._most_rad)
        near = np.zeros((len(rows), len(self._places), xy.shape[1]), dtype=np.bool_)
        for i, place in enumerate(self._places):
            for within in place.within:
                middle = within.middle + radii[i][:, None] * within.per_mm
                apart = np.hypot(xy[..., 0] - middle[:, :1], xy[..., 1] - middle[:, 1:])
                near[:, i] |= apart <= room + within.spread
        return near

    def _in_order(
        self, table: PartsTable, rows: NDArray[np.intp], orders: NDArray[np.intp], radii: list[Array]
    ) -> NDArray[np.bool_]:
        """In which draws one turn brings the holes named by `orders` (R, n) over the threads, (R, N)."""
        threads: list[Pair] = []
        holes: list[Pair] = []
        for i, ((x, y), per_mm) in enumerate(zip(self._threads, self._per_mm, strict=True)):
            if per_mm is not None:
                longer = _single(radii[i][:, None])
                x, y = x + longer * per_mm[0], y + longer * per_mm[1]
            at = _single(table.hole_xy[rows, orders[:, i]])
            hole_x, hole_y = at[:, :1], at[:, 1:]
            if self._draws.list_xy is not None:
                error = _single(self._draws.list_xy[:, orders[:, i]])
                hole_x, hole_y = hole_x + error[..., 0].T, hole_y + error[..., 1].T
            threads.append((x, y))
            holes.append((hole_x, hole_y))
        limits = [self.limits_mm(table, rows, orders[:, i]) for i in range(len(self._places))]
        return turns_together(threads, holes, limits, self._most_rad)


def _single(values: Array) -> Single:
    return values.astype(np.float32)


def _singles(pair: tuple[Array, Array]) -> tuple[Single, Single]:
    return _single(pair[0]), _single(pair[1])
