"""How far a screw may stand off its hole: floating and fixed fasteners, countersunk heads, likely screws of a hole."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shop.threads import CAM_SCREWS, THREADS, Thread
from vision.quantity import Quantity

INCH_HEAD_DEG: Final = 82.0  # ASME B18.6.3, flat countersunk head
METRIC_HEAD_DEG: Final = 90.0  # ISO 7721
WIDEST_OVER_LOOSE_MM: Final = 0.3  # about the H14 tolerance of a loose hole at 3 to 6 mm; from memory
TRACE: Final = 1e-3  # a screw that passes is never quite ruled out by a wide hole
UNDER_SIZE_MM: Final = 0.08
UNDER_SIZE_U_MM: Final = 0.04
LEAST_WEIGHT: Final = 0.02  # a screw less likely than this is not tried
MOST_SCREWS: Final = 2  # both likely sizes are tried, no more
DRAWS_TO_CHOOSE: Final = 4000  # enough to tell which these are


def floating_zone_mm(hole_mm: float, fastener_mm: float) -> float:
    """Diameter of the position zone of each part when all parts have clearance holes: T = H - F (ASME Y14.5)."""
    return hole_mm - fastener_mm


def fixed_zone_mm(hole_mm: float, fastener_mm: float) -> float:
    """Diameter of the position zone of each part when one of the two is threaded: T = (H - F) / 2 (ASME Y14.5)."""
    return (hole_mm - fastener_mm) / 2.0


def fixed_offset_mm(hole_mm: float, fastener_mm: float) -> float:
    """Largest radial distance of hole and thread axis that still lets the screw pass: (H - F) / 2.

    The zones of both parts are diameters and add up to H - F = T1 + T2, which is twice this distance.
    """
    return (hole_mm - fastener_mm) / 2.0


def head_lift_mm(offset_mm: float, head_deg: float) -> float:
    """How far a countersunk head of included angle `head_deg` is lifted by an offset: e / tan(angle / 2)."""
    return offset_mm / math.tan(math.radians(head_deg) / 2.0)


def offset_at_lift_mm(lift_mm: float, head_deg: float) -> float:
    """The offset that lifts a countersunk head by `lift_mm`: the inverse of `head_lift_mm`."""
    return lift_mm * math.tan(math.radians(head_deg) / 2.0)


def head_deg_of(thread: Thread) -> float:
    """Included angle of the countersunk head that goes with a thread: 82° for inch screws, 90° for metric ones."""
    return METRIC_HEAD_DEG if thread.name.startswith("M") else INCH_HEAD_DEG


def hole_likelihood(diameter_mm: NDArray[np.float64], thread: Thread) -> NDArray[np.float64]:
    """How well clearance holes of these diameters go with a screw, 0 to 1, elementwise.

    Nothing at or below the screw's own diameter, rising to the close hole, level to the normal hole, falling past the
    loose hole to a trace. The corners are the tables'; the straight lines between them are ours.
    """
    trace = np.where(diameter_mm > thread.major_mm, TRACE, 0.0)
    holes = thread.clearance
    if holes is None:
        return trace
    corners = (thread.major_mm, holes.close_mm, holes.normal_mm, holes.loose_mm, holes.loose_mm + WIDEST_OVER_LOOSE_MM)
    return np.maximum(np.interp(diameter_mm, corners, (0.0, 1.0, 1.0, 0.3, 0.0)), trace)


def screw_likelihood(found_mm: float, u_mm: float, thread: Thread) -> float:
    """How well a diameter measured over the threads of a screw goes with a thread: screws are made a little under size.

    The usual shortfall, 0.02 to 0.15 mm on these sizes, is from memory.
    """
    spread = math.hypot(UNDER_SIZE_U_MM, u_mm)
    return math.exp(-0.5 * ((found_mm - (thread.major_mm - UNDER_SIZE_MM)) / spread) ** 2)


def likely_screws(
    diameters_mm: NDArray[np.float64],
    counts: Mapping[str, int] | None = None,
    names: Sequence[str] = CAM_SCREWS,
    screw_mm: Quantity | None = None,
) -> tuple[tuple[Thread, ...], NDArray[np.float64]]:
    """The screws that draws of the hole diameters suggest, and each draw's weights for them.

    Parameters
    ----------
    diameters_mm : ndarray of shape (N, n)
        Draws of the diameters of the n holes, which all take the same screw.
    counts : mapping of str to int, optional
        How often the shop's own list names a thread: those are more likely.
    names : sequence of str
        The threads in question; when the user names one or more, those.
    screw_mm : Quantity, optional
        Diameter over the threads of a screw taken out.

    Returns
    -------
    threads : tuple of at most two Thread, likeliest first
        Of two threads with the same diameter only the first counts: pitch has no part in the fit.
    weights : ndarray of shape (N, number of threads)
        Rows sum to 1, or to 0 where no screw passes the holes of that draw.
    """
    threads: list[Thread] = []
    for name in names:
        if all(abs(THREADS[name].major_mm - other.major_mm) > 1e-6 for other in threads):
            threads.append(THREADS[name])
    listed = counts or {}
    total = sum(listed.get(thread.name, 0) for thread in threads)

    def weights(some: Sequence[Thread], of_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        columns = []
        for thread in some:
            prior = (1.0 + 4.0 * listed.get(thread.name, 0)) / (len(threads) + 4.0 * total)
            if screw_mm is not None:
                prior *= screw_likelihood(screw_mm.value, screw_mm.u, thread)
            columns.append(prior * np.prod(hole_likelihood(of_mm, thread), axis=1))
        return np.stack(columns, axis=1)

    first = weights(threads, diameters_mm[:DRAWS_TO_CHOOSE])
    share = (first / np.maximum(first.sum(axis=1, keepdims=True), 1e-300)).mean(axis=0)
    order = [int(i) for i in np.argsort(-share, kind="stable")[:MOST_SCREWS]]
    chosen = tuple(threads[i] for rank, i in enumerate(order) if rank == 0 or share[i] >= LEAST_WEIGHT)
    kept = weights(chosen, diameters_mm)
    sums = kept.sum(axis=1, keepdims=True)
    return chosen, np.where(sums > 0.0, kept / np.maximum(sums, 1e-300), 0.0)
