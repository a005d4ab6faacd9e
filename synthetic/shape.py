"""Random cams in millimetres: one function a family, shared hubs, bottoms, screw patterns, reliefs and wear.

All coordinates are the part's own: x to 3 o'clock, y to 12 o'clock, origin on the axis, screw side seen. The ranges are
those of the trade description (from memory, never check values) and about a tenth beyond on either side. Everything the
label says about size is measured on the finished polygon; only the hub's diameter is the nominal one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from synthetic.definition import reads_as
from synthetic.families import FAMILY_TAILS, REACH_MM
from synthetic.openings import WEB_MM, Opening, ScrewPlan, reliefs, screw_plan, screws
from synthetic.outline import disc, even_steps, fill_corners, largest, pick, round_corners, strip, width_across
from vision.vocabulary import BOTTOMS, FAMILIES, xy_from_angle

HUB_DIAMETER_MM = (14.0, 25.5)


THICKNESS_MM = (1.4, 3.4)


@dataclass(frozen=True, slots=True)
class Part:
    """One cam. Lengths in mm; polygons (N, 2) run counter-clockwise and are not closed by a repeated point."""

    family: str
    bottom: str
    hand: str
    outline_mm: np.ndarray
    openings: tuple[Opening, ...]
    thickness_mm: float
    hub_diameter_mm: float
    hub_shows: bool  # enough of the hub's circle is on the outline to be measured
    reach_mm: float  # axis to the farthest point of the tail
    length_mm: float  # over all along 12 o'clock
    width_mm: float  # over all across it
    tail_width_mm: float  # outermost to outermost across, at half the reach
    tail_tip_mm: tuple[
        float, float
    ]  # where the 12 o'clock ray from the axis (for hook and offset: the tail's centre line) ends
    edge_screw_mm: float  # radius of the rounded edge of the screw side
    edge_plug_mm: float
    bend_mm: float  # how far the tip is bent towards the screw side (negative: towards the plug side)
    cast: bool  # die cast, else stamped or cut from plate
    chamfered: bool  # edges broken at 45 degrees instead of rounded
    construction: str  # how the outline was made, for the tags only

    def polygon(self) -> Polygon:
        """The plate with its openings as a shapely polygon."""
        return Polygon(self.outline_mm, [o.polygon_mm for o in self.openings])


def _hub(rng: np.random.Generator, diameter: float, bottom: str) -> BaseGeometry:
    """The round body, sometimes with flats, a flat foot or straight shoulders."""
    r = diameter / 2
    hub: BaseGeometry = disc(0, 0, r)
    kind = rng.random()
    if kind < 0.08:  # flats at the sides
        x = r * rng.uniform(0.88, 0.98)
        hub = hub.intersection(box(-x, -60, x if rng.random() < 0.7 else 60, 60))
    elif kind < 0.14 and bottom == "closed":
        hub = hub.intersection(box(-60, -r * rng.uniform(0.86, 0.97), 60, 60))
    elif kind < 0.19:  # a square-shouldered lower half
        hub = hub.union(round_corners(box(-r, -r * rng.uniform(0.3, 0.75), r, 0), r * rng.uniform(0.1, 0.3)))
    elif kind < 0.24:
        hub = affinity.scale(hub, 1.0, rng.uniform(0.95, 1.04))
    elif kind < 0.29:  # a locating notch or lug in the rim
        x, y = xy_from_angle(float(rng.choice((60, 90, 120, 240, 270, 300))) + rng.normal(0, 8), r)
        size = rng.uniform(0.5, 1.3)
        hub = hub.difference(disc(x, y, size)) if rng.random() < 0.6 else hub.union(disc(x * 0.97, y * 0.97, size))
    return hub


def _bottom_cut(rng: np.random.Generator, hub: float) -> tuple[BaseGeometry, str]:
    """The opening at 6 o'clock: what it takes away, and its form."""
    width = hub * rng.uniform(0.29, 0.57)
    floor = -hub * rng.uniform(0.0, 0.31)
    kind = pick(rng, {"U": 3, "flat": 2.2, "V": 1.2, "keyhole": 1.2, "arch": 0.8, "dovetail": 0.4})
    edge = -hub / 2
    if kind == "U":
        r = width / 2
        cut: BaseGeometry = box(-r, -60, r, floor - r).union(disc(0, floor - r, r))
    elif kind == "flat":
        cut = round_corners(box(-width / 2, -60, width / 2, floor), rng.uniform(0.05, 0.42) * width)
    elif kind == "V":
        apex = rng.uniform(0.05, 0.35) * width
        slope = (width - apex) / (floor - edge)
        cut = round_corners(strip(-60, apex + slope * (floor + 60), floor, apex), rng.uniform(0.2, 0.5) * apex)
    elif kind == "keyhole":
        r = width * rng.uniform(0.56, 0.72)
        cut = box(-width / 2, -60, width / 2, floor - r).union(disc(0, floor - r, r))
        cut = fill_corners(cut, rng.uniform(0.1, 0.6))
    elif kind == "arch":  # a shallow arc with a centre on or beyond the edge
        depth = floor - edge
        r = ((width / 2) ** 2 + depth**2) / (2 * depth) if depth > 0 else width / 2
        cut = disc(0, floor - r, r).union(box(-width / 2, -60, width / 2, edge))
    else:
        cut = round_corners(
            strip(-60, width, edge, width).union(strip(edge, width, floor, width * rng.uniform(1.08, 1.25))), 0.3
        )
    return affinity.translate(cut, rng.normal(0, 0.012) * hub, 0), kind


def _worn(rng: np.random.Generator, shape: Polygon) -> Polygon:
    """Dents, burrs and a slightly uneven edge, all of them small beside what the families differ by."""
    centroid_free = shape
    for _ in range(int(rng.choice((0, 1, 2, 4), p=(0.6, 0.2, 0.12, 0.08)))):
        at = shape.exterior.interpolate(rng.uniform(0, shape.exterior.length))
        size = rng.uniform(0.3, 1.4)
        bite = rng.uniform(0.1, 0.45)
        away = rng.uniform(0, 2 * math.pi)
        mark = disc(at.x + math.cos(away) * (size - bite * 0.5), at.y + math.sin(away) * (size - bite * 0.5), size)
        burr = disc(at.x, at.y, rng.uniform(0.1, 0.3))
        candidate = (
            centroid_free.difference(mark.intersection(at.buffer(size * 0.5)))
            if rng.random() < 0.7
            else centroid_free.union(burr)
        )
        if isinstance(candidate, Polygon) and not candidate.interiors:
            centroid_free = candidate
    points = even_steps(centroid_free)
    amplitude = float(rng.choice((0.0, rng.uniform(0.005, 0.03), rng.uniform(0.03, 0.06)), p=(0.5, 0.42, 0.08)))
    if amplitude:
        n = len(points)
        waves = np.fft.rfft(rng.normal(size=n))
        cut_off = int(rng.uniform(8, 90))
        waves[cut_off:] = 0
        wave = np.fft.irfft(waves, n)
        tangent = np.roll(points, -1, 0) - np.roll(points, 1, 0)
        normal = np.c_[tangent[:, 1], -tangent[:, 0]] / np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
        points = points + normal * (amplitude * wave / max(float(wave.std()), 1e-9))[:, None]
    return largest(Polygon(points).buffer(0))


def sample_part(rng: np.random.Generator, family: str | None = None, bottom: str | None = None) -> Part:
    """Draw one cam.

    Parameters
    ----------
    rng : numpy.random.Generator
        The only source of chance.
    family, bottom : str, optional
        Words of the vocabulary; drawn evenly (bottom: 45 % open) when not given.

    Returns
    -------
    Part
        A single piece of metal that reads as its family and no other, with all openings inside it.
    """
    family = family or str(rng.choice(FAMILIES))
    bottom = bottom or (BOTTOMS[1] if rng.random() < 0.45 else BOTTOMS[0])
    while True:
        plan = screw_plan(rng)
        for _ in range(12):  # some patterns don't go into some plates at all
            part = _try_part(rng, family, bottom, plan)
            if part is not None:
                return part


def _try_part(rng: np.random.Generator, family: str, bottom: str, plan: ScrewPlan) -> Part | None:
    hub = float(rng.uniform(*HUB_DIAMETER_MM))
    tail = FAMILY_TAILS[family](rng, hub)
    body = _hub(rng, hub, bottom)
    if tail.whole:
        shape: BaseGeometry = tail.shape
    else:
        shape = body.union(tail.shape)
        if tail.fillet > 0:  # only near the hub, so that the tail's own corners keep theirs
            near = disc(0, 0, hub / 2 + 1.3 * tail.fillet)
            shape = shape.union(fill_corners(shape, tail.fillet).intersection(near))
    if tail.cut is not None:
        shape = shape.difference(tail.cut)
    construction = tail.construction
    if bottom == "open":
        cut, form = _bottom_cut(rng, hub)
        before = shape.area
        shape = shape.difference(cut)
        construction += f"/{form}"
        if before - shape.area < 0.02 * hub * hub:
            return None
    shape = largest(round_corners(shape, float(rng.choice((0.06, rng.uniform(0.1, 0.4), rng.uniform(0.3, 0.8))))))
    if any(Polygon(ring).area > 0.05 for ring in shape.interiors):
        return None
    shape = Polygon(shape.exterior)  # slivers left by rounding
    if shape.is_empty:
        return None
    if bottom == "open":  # both horns beside the cut must be metal worth the name
        horns = shape.intersection(box(-60, -60, 60, -0.33 * hub))
        if not isinstance(horns, MultiPolygon) or min(g.area for g in horns.geoms) < 4.0:
            return None
        if shape.buffer(-1.0).geom_type != "Polygon":
            return None
    if not shape.is_valid:
        return None
    shape = _worn(rng, shape)
    outline = even_steps(shape)
    upper = outline[outline[:, 1] > 0]
    reach = float(np.hypot(upper[:, 0], upper[:, 1]).max())
    if not REACH_MM[0] <= reach <= REACH_MM[1] + 1.0:
        return None
    if not reads_as(family, largest(shape.simplify(0.02)), hub, reach, tail.hand):
        return None
    inner = largest(shape.buffer(-WEB_MM, quad_segs=6).simplify(0.005))
    shapely.prepare(inner)
    for attempt in range(48):
        found = screws(rng, inner, plan, small=1.0 - 0.7 * attempt / 48)
        if found is not None:
            break
    else:
        return None
    openings, taken = found
    openings += reliefs(rng, inner, taken, hub, reach)
    plate = Polygon(outline, [o.polygon_mm for o in openings])
    if not plate.is_valid:
        return None
    x0, y0, x1, y1 = shape.bounds
    ray = shape.intersection(LineString([(tail.x, 0), (tail.x, 60)]))
    tip_y = ray.bounds[3] if not ray.is_empty else reach
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    rim = shapely.points(np.c_[np.cos(turn), np.sin(turn)] * hub / 2)
    on_rim = float(np.mean(shapely.distance(rim, shape.exterior.simplify(0.01)) < 0.12))
    cast = bool(rng.random() < 0.4)
    soft, sharp = float(rng.uniform(0.15, 0.6)), float(rng.uniform(0.03, 0.15))
    edges = (
        (soft, soft * float(rng.uniform(0.7, 1.2)))
        if cast
        else ((soft, sharp) if rng.random() < 0.6 else (sharp, soft))
    )
    if not cast and rng.random() < 0.2:
        edges = (sharp, sharp)
    chamfered = bool(rng.random() < 0.25)
    return Part(
        family=family, bottom=bottom, hand=tail.hand, outline_mm=outline, openings=tuple(openings),
        thickness_mm=float(rng.uniform(*THICKNESS_MM)), hub_diameter_mm=hub, hub_shows=on_rim > 0.2, reach_mm=reach,
        length_mm=y1 - y0, width_mm=x1 - x0, tail_width_mm=width_across(shape, reach / 2), tail_tip_mm=(tail.x, float(tip_y)),
        edge_screw_mm=edges[0], edge_plug_mm=edges[1],
        bend_mm=float(rng.uniform(-0.8, 0.8)) if rng.random() < 0.12 else 0.0, cast=cast, chamfered=chamfered, construction=construction,
    )  # fmt: skip
