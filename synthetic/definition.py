"""What the families' definitions say of a finished outline: whether it reads as its own family and as no other.

Both geometries draw anew what fails here, so that no picture is labelled with a word that a second person would not give it.
The borders between neighbours are the trade description's (common practice from memory): a paddle's end is broad and
deep or widens gently, a hammer's crossbar is shallow and has shoulders; a hook's foot stands out beyond a free flank, an
offset tail has none; parallel tails show a run of their flanks, since 12 o'clock is read from them. Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

STEP_MM = 0.15
LEAST_FLANK_MM = 2.6  # parallel run without which a tail's centre line cannot be seen
CROSSBAR_DEPTH_MM = 6.7  # the trade's 6 mm and a tenth; deeper ends are paddles
GENTLE = 0.21  # (rise from a quarter to three quarters of the widening) / widening of a flank at 50 degrees to the tail


@dataclass(frozen=True, slots=True)
class Flanks:
    """The outermost points left and right at heights above the axis, all (N,)."""

    y: np.ndarray
    left: np.ndarray
    right: np.ndarray

    @property
    def width(self) -> np.ndarray:
        return np.asarray(self.right - self.left)


def flanks(outline: Polygon, start_mm: float = 0.0) -> Flanks:
    """Left and right edge of an outline from a height to its top."""
    y = np.arange(start_mm, outline.bounds[3] - 0.05, STEP_MM)
    ends = np.stack([np.c_[np.full(len(y), -90.0), y], np.c_[np.full(len(y), 90.0), y]], axis=1)
    cuts = shapely.bounds(shapely.intersection(shapely.linestrings(ends), outline))
    there = np.isfinite(cuts[:, 0])
    return Flanks(y[there], cuts[there, 0], cuts[there, 2])


def parallel_run_mm(tail: Flanks, tolerance: float = 0.06) -> tuple[float, float, float]:
    """Longest height over which both flanks run along 12 o'clock, the mean x of their middle, and their distance.

    A cast tail's draft and a little wear are let pass; fillets, rounded tips and feet are not.
    """
    best = (0.0, 0.0, 0.0)
    n = len(tail.y)
    for i in range(0, n, 3):
        allowed = tolerance * float(tail.width[i]) + 0.06
        off = np.maximum(np.abs(tail.left[i:] - tail.left[i]), np.abs(tail.right[i:] - tail.right[i]))
        past = np.flatnonzero(off > allowed)
        stop = i + (int(past[0]) if len(past) else n - i)
        run = (stop - i) * STEP_MM
        if run > best[0]:
            middle = float(np.mean(tail.left[i:stop] + tail.right[i:stop])) / 2
            best = run, middle, float(np.median(tail.width[i:stop]))
    return best


@dataclass(frozen=True, slots=True)
class Head:
    """The broad end of a tail: its width, that of the neck below, how deep it is, how gently it widens."""

    width_mm: float
    neck_mm: float
    depth_mm: float  # over which the tail is wider than half way between neck and end
    gentle: bool


def head(outline: Polygon, hub_mm: float) -> Head | None:
    """The broad end; None where the tail does not widen."""
    tail = flanks(outline, 0.42 * hub_mm)
    if len(tail.y) < 8:
        return None
    w = tail.width
    # the neck is the narrowest place that has something broader above it
    later = np.maximum.accumulate(w[::-1])[::-1]
    neck_at = int(np.argmax(later / w))
    neck, end = float(w[neck_at]), float(later[neck_at])
    if end < 1.05 * neck:
        return None

    def height(share: float) -> float:
        above = np.flatnonzero(w[neck_at:] >= neck + share * (end - neck))
        return float(tail.y[neck_at + int(above[0])])

    wide = tail.y[neck_at:][w[neck_at:] > (neck + end) / 2]
    gentle = height(0.75) - height(0.25) > GENTLE * (end - neck)
    return Head(end, neck, float(wide[-1] - wide[0]) + STEP_MM, gentle)


def _waisted_leaves(outline: Polygon, reach: float, hub: float) -> bool:
    """Three leaves that stand out, with a waist between each two neighbours."""
    tail = flanks(outline, -0.6 * hub)
    w = tail.width
    upper = float(w[(tail.y > 0) & (tail.y < 0.75 * reach)].min())
    lower, top = float(w[tail.y < -0.05 * hub].max()), float(w[tail.y > 0.6 * reach].max())
    if not (upper < 0.86 * lower and upper < 0.94 * top):
        return False
    degrees = np.arange(0, 360, 4)
    turn = np.radians(degrees)
    far = 90 * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    rays = shapely.linestrings(np.stack([np.zeros_like(far), far], axis=1))
    cut = shapely.intersection(rays, outline)
    radii = np.array([float(np.hypot(*shapely.get_coordinates(c).T).max()) if not c.is_empty else 0.0 for c in cut])
    for low, high, leaf_low, leaf_high in ((20, 100, 100, 145), (260, 340, 215, 260)):
        waist = radii[(degrees > low) & (degrees < high)].min()
        if radii[(degrees > leaf_low) & (degrees < leaf_high)].max() < 1.15 * waist:
            return False
    return True


def _footed(outline: Polygon, hub: float, hand: str) -> bool:
    """A foot at the tip on one side, beyond a flank that shows, and a straight flank on the other."""
    tail = flanks(outline, hub / 2 + 0.3)
    if len(tail.y) < 20:
        return False
    footed, other = (tail.right, -tail.left) if hand == "right" else (-tail.left, tail.right)
    tip = tail.y > tail.y[-1] - 2.2
    at_foot = float(footed[tip].max())
    below = footed[tail.y < float(tail.y[int(np.argmax(footed))])]
    if len(below) < 8:
        return False
    neck = float(below.min())
    shaft = neck + float(np.median(other))
    run = np.sum(below < neck + 0.15 * (at_foot - neck) + 0.1) * STEP_MM
    return bool(
        at_foot - neck > max(1.25, 0.26 * shaft)
        and run > 1.5
        and float(other[tip].max()) < float(np.median(other)) + 0.3
    )


def reads_as(family: str, outline: Polygon, hub_mm: float, reach_mm: float, hand: str = "none") -> bool:
    """Whether a finished outline (axis at the origin, 12 o'clock up) is its own family by definition, and no other."""
    tail = flanks(outline, hub_mm / 2 + 0.3)
    if family == "cloverleaf":
        return _waisted_leaves(outline, reach_mm, hub_mm)
    if len(tail.y) < 8 or not (tail.width[:-4] > 1.0).all():
        return False
    broad = head(outline, hub_mm)
    if family == "paddle":
        return broad is not None and (
            broad.width_mm > 1.35 * broad.neck_mm
            and broad.width_mm > 0.6 * hub_mm
            and broad.neck_mm < 0.6 * hub_mm
            and (
                (broad.gentle and broad.depth_mm > 3.6)
                or (broad.depth_mm > CROSSBAR_DEPTH_MM + 0.3 and broad.depth_mm > 0.4 * broad.width_mm)
            )
        )
    if family == "hammer":
        return broad is not None and (
            broad.width_mm > 1.6 * broad.neck_mm
            and broad.width_mm > 0.72 * hub_mm
            and broad.depth_mm < CROSSBAR_DEPTH_MM
            and not broad.gentle
        )
    if family == "hook":
        return _footed(outline, hub_mm, hand)
    if family == "taper":
        w = flanks(outline, 0.4 * hub_mm).width
        return bool(
            w[0] > 0.6 * hub_mm
            and w[0] > 1.35 * w[-min(8, len(w))]
            and (broad is None or broad.width_mm < 1.1 * broad.neck_mm)
        )
    run, middle, width = parallel_run_mm(tail)
    if run < LEAST_FLANK_MM:
        return False
    if broad is not None and broad.width_mm > 1.12 * broad.neck_mm + 0.2 and family != "fork":
        return False
    if family == "finger":
        return bool(abs(middle) < 0.06 * hub_mm and width < 0.62 * hub_mm)
    if family == "offset":
        return bool(0.135 * hub_mm < abs(middle) < 0.40 * hub_mm and width < 0.62 * hub_mm)
    # fork: the prongs stand apart well below the tip
    level = float(outline.bounds[3]) - 1.5
    pieces = outline.intersection(shapely.LineString([(-90, level), (90, level)]))
    return str(pieces.geom_type) == "MultiLineString"
