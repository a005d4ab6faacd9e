"""The reader's maps and the photo -> the edges that are measured: outline of the face, and every screw hole."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.classify import PatchReading
from vision.colour_cut import sharpen
from vision.fitting import median, medians
from vision.measure import FaceEdges, HoleEdges
from vision.outline import (
    Edge,
    agree_with_neighbours,
    ellipse_residual,
    level_curves,
    resample_closed,
    smooth_closed,
    snap_to_photo,
)
from vision.patch import Patch
from vision.rings import find_rings
from vision.wall import inner_edge

Array = NDArray[np.float64]

OUTLINE_POINTS: Final = 480
RING_POINTS: Final = 72
SNAP_REACH_PATCH_PX: Final = 1.6  # how far from the network's edge the photo's own is looked for
SNAP_PRIOR_PATCH_PX: Final = 0.8
CENTRE_CELL_PX: Final = 4.0  # patch pixels in a cell of the heat maps of centres
CENTRE_REACH_PX: Final = 10.0  # how far from an opening's middle its centre is looked for
LEAST_CENTRE: Final = 0.45  # heat from which a peak is a hole's centre of its own, where openings run together
# Log-odds that an opening takes a screw: bias, weights of its own heat, of a relief's heat in the same place and of its
# size's logarithm against the warmest of the other openings. A logistic regression's on 1706 openings that look like
# holes, 1672 of them screw holes, of 877 path-traced pictures: it misses 6 and counts 9 too many.
SCREW_BY_HEAT: Final = (-6.7, 16.6, -7.8, -3.5)
MOST_OTHER_SIZE: Final = 0.8  # logarithm; beyond it another size says no more
CLEAR_SCREW: Final = 0.97  # from 0.5 to this it counts, but may be no screw hole: on 1319 pictures 10 of 62 are none
# A ring stamped on the face has nothing in it: the face's own colour, in units of its texture, where 1 of 100 holes has
# as little. With another size than the other holes (logarithm), less heat than most, and much less colour of its own
# than they show (a bench like the face shows through all of them) it is taken for a mark: 5 of 6 such are none.
NO_OTHER_COLOUR: Final = 0.4
OTHER_SIZE: Final = 0.12
LESS_COLOUR: Final = 0.33  # of what the others show
SURE_CENTRE: Final = 0.82
LEAST_TEXTURE: Final = 4.0  # grey levels: noise and compression of the plainest face
LEAST_PART: Final = 8  # points of a curve about one of two centres: fewer are no edge of its own
LEAST_HOLE_PATCH_PX: Final = 5.0  # diameter; 1.1 mm on a part 40 mm long
U_EDGE_PATCH_PX: Final = 0.35  # of the network's own edge, one point, where the photo shows none
U_EDGE_PX: Final = 0.35  # of a snapped point; neighbours err together
U_AXIS_PATCH_PX: Final = 2.5
U_TAIL_DEG: Final = 2.5
RING_SEARCH: Final = (0.42, 2.3)  # of the network's radius: it may have taken the countersink for the hole
LEAST_RING: Final = 0.6
WHOLE_RING: Final = 0.85
PLAIN_RATIO: Final = (0.7, 1.4)
CONE_RATIO: Final = (1.3, 2.6)  # countersink over through hole: 5-7.5 mm over 2.6-4.6 mm (memory)
CLEAR_PAIR: Final = 0.8  # both rings this whole are a cone, whatever the network thinks of the side
CONES_SHOW: Final = 0.5  # probability from which the wider of two rings is a countersink's
CONE_REACH: Final = 3.0  # hole radii within which its countersink lies
# Log-odds that holes show countersinks: bias, weight of ln(1 + 3 x the map's countersink over its hole); a logistic
# regression's on 707 holes of 410 path-traced pictures. With the present reader, on 852 pictures, it is wrong of 1 in 11,
# and fitted anew it is wrong more often.
CONE_BY_MAP: Final = (-4.9, 3.0)
RING_OUTLIER: Final = 0.12  # of the radius


@dataclass(frozen=True, slots=True)
class FaceView:
    """The edges to measure and what else the maps tell of the picture's worth."""

    edges: FaceEdges
    blur_px: float  # spread of the outline's edge in the photo, standard deviation
    snapped: float  # share of the outline where the photo shows its own edge
    doubtful_openings: tuple[tuple[float, float], ...]  # photo px: hole or relief, or hardly there
    clipped: bool  # the face runs out of the patch
    roundness: float


def see_face(pixels: NDArray[np.uint8], patch: Patch, reading: PatchReading) -> FaceView | None:
    """Edges of the part in the photo, or None when the face map shows no closed part.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    patch, reading
        The tail-up patch and what the reader network says of it.
    """
    opening = np.maximum(np.maximum(reading.map("hole"), reading.map("relief")), reading.map("screw_head"))
    curves = level_curves(sharpen(patch.rgb, reading.map("face"), opening))
    if not curves:
        return None
    face_patch = resample_closed(curves[0], OUTLINE_POINTS)
    scale = patch.px_per_patch_px
    face_px = patch.photo_points(face_patch)
    edge = snap_to_photo(pixels, face_px, max(2.0, SNAP_REACH_PATCH_PX * scale), max(1.0, SNAP_PRIOR_PATCH_PX * scale))
    outline_px, kept = _settled(edge, face_px, max(1.0, 0.6 * scale))
    outline_px, _ = inner_edge(pixels, outline_px)
    holes, doubtful, reliefs = _holes(pixels, patch, reading, face_patch)
    axis_px, tail_px = patch.photo_points(np.array([reading.axis_patch, reading.tail_patch]))
    share = float(kept.mean())
    u_edge = U_EDGE_PX * share + U_EDGE_PATCH_PX * scale * (1.0 - share)
    blur = edge.width_px[kept]
    side = reading.maps.shape[1]
    return FaceView(
        edges=FaceEdges(
            outline_px=outline_px,
            u_edge_px=u_edge,
            holes=holes,
            axis_px=axis_px,
            tail_px=tail_px,
            hub_radius_px=reading.hub_radius * scale,
            u_axis_px=U_AXIS_PATCH_PX * scale,
            u_tail_deg=U_TAIL_DEG,
            reliefs_px=reliefs,
        ),
        blur_px=median(blur) if kept.any() else 0.0,
        snapped=share,
        doubtful_openings=doubtful,
        clipped=bool((face_patch.min() < 1.0) or (face_patch.max() > side - 2.0)),
        roundness=_roundness(face_patch),
    )


def _roundness(points: Array) -> float:
    contour = points.astype(np.float32)
    around = cv2.arcLength(contour, True)
    return float(4.0 * np.pi * cv2.contourArea(contour) / max(around * around, 1e-9))


def _settled(edge: Edge, network_px: Array, limit_px: float) -> tuple[Array, NDArray[np.bool_]]:
    """Snapped points where they agree with their neighbours; elsewhere the network's, moved as the neighbours were."""
    kept = agree_with_neighbours(edge, limit_px)
    if not kept.any():
        return network_px, kept
    n = len(kept)
    index = np.flatnonzero(kept)
    around = np.concatenate([index - n, index, index + n])
    moved = np.interp(np.arange(n), around, np.tile(edge.moved_px[index], 3))
    moved = smooth_closed(moved, 0.8)
    direction = edge.points_px - network_px
    length = np.abs(edge.moved_px)
    normal = np.where(length[:, None] > 1e-6, direction / np.maximum(length[:, None], 1e-6), 0.0)
    normal *= np.sign(edge.moved_px)[:, None]
    return np.where(kept[:, None], network_px + moved[:, None] * normal, network_px), kept


def _holes(
    pixels: NDArray[np.uint8], patch: Patch, reading: PatchReading, face_patch: Array
) -> tuple[tuple[HoleEdges, ...], tuple[tuple[float, float], ...], Array]:
    """Edges of the screw holes, middles of what may be one, and middles of reliefs (K, 2), photo pixels."""
    hole, relief, head = reading.map("hole"), reading.map("relief"), reading.map("screw_head")
    opening = np.maximum(np.maximum(hole, relief), head)
    countersinks = level_curves(reading.map("countersink"))
    outline = face_patch.astype(np.float32)
    doubtful: list[tuple[float, float]] = []
    reliefs: list[Array] = []
    likely: list[tuple[Array, bool, bool]] = []  # outline, filled, clear on the map
    for curve in (part for whole in level_curves(opening) for part in _parted(whole, reading)):
        area = float(cv2.contourArea(curve.astype(np.float32)))
        if area < np.pi / 4.0 * LEAST_HOLE_PATCH_PX**2:
            continue
        centre = curve.mean(axis=0)
        if cv2.pointPolygonTest(outline, (float(centre[0]), float(centre[1])), False) < 0.0:
            continue
        inside = _disc(curve, hole.shape)
        p_hole, p_relief, p_head = (float(m[inside].mean()) for m in (hole, relief, head))
        p_screw = max(p_hole, p_head)
        if p_screw < p_relief:
            at = patch.photo_points(centre[None])[0]
            if p_screw > 0.5 * p_relief:
                doubtful.append((float(at[0]), float(at[1])))
            reliefs.append(at)
            continue
        likely.append((curve, p_head > p_hole, p_screw >= 0.6 and p_relief <= 0.5 * p_screw))
    heats = [_centre_heat(reading, curve.mean(axis=0)) for curve, _, _ in likely]
    takes_screw = _takes_screw([curve for curve, _, _ in likely], heats)
    for (curve, _, clear), probability in zip(likely, takes_screw, strict=True):
        if probability < CLEAR_SCREW or not clear:
            at = patch.photo_points(curve.mean(axis=0)[None])[0]
            doubtful.append((float(at[0]), float(at[1])))
    taken = [k for k, probability in enumerate(takes_screw) if probability >= 0.5]
    screws = [likely[k][:2] for k in taken]
    heat = [heats[k][0] for k in taken]
    for curve in level_curves(opening, 0.25):  # something that is hardly there and has no clear core
        inside = _disc(curve, hole.shape)
        area = float(cv2.contourArea(curve.astype(np.float32)))
        if area > np.pi / 4.0 * (1.4 * LEAST_HOLE_PATCH_PX) ** 2 and float(opening[inside].max()) < 0.5:
            at = patch.photo_points(curve.mean(axis=0)[None])[0]
            doubtful.append((float(at[0]), float(at[1])))
    marks = _marks(patch, reading.map("face"), opening, [curve for curve, _ in screws], heat)
    doubtful += [(float(x), float(y)) for k in marks for x, y in patch.photo_points(screws[k][0].mean(axis=0)[None])]
    screws = [screw for k, screw in enumerate(screws) if k not in marks]
    cone = _cones_show(reading, [curve for curve, filled in screws if not filled])
    found = (
        replace(_hole_edges(pixels, patch, curve, countersinks, filled=filled, cone=cone > CONES_SHOW), cone=cone)
        for curve, filled in screws
    )
    return tuple(found), tuple(doubtful), np.array(reliefs).reshape(-1, 2)


def _takes_screw(curves: list[Array], heats: list[tuple[float, float]]) -> list[float]:
    """Probability that each of the openings takes a screw, by the heat at its centre and by its likeness to the others."""
    bias, by_screw, by_relief, by_size = SCREW_BY_HEAT
    area = [float(cv2.contourArea(curve.astype(np.float32))) for curve in curves]
    found: list[float] = []
    for k, (screw, relief) in enumerate(heats):
        warmest = max((j for j in range(len(heats)) if j != k), key=lambda j: heats[j][0], default=k)
        other_size = 0.5 * abs(math.log(area[k] / area[warmest])) if heats[warmest][0] > screw else 0.0
        z = bias + by_screw * screw + by_relief * relief + by_size * min(other_size, MOST_OTHER_SIZE)
        found.append(1.0 / (1.0 + math.exp(-z)))
    return found


def _marks(
    patch: Patch, face: NDArray[np.float32], opening: NDArray[np.float32], curves: list[Array], heat: list[float]
) -> list[int]:
    """Which of the openings are marks on the face: of another size than the others, and they alone of its colour inside."""
    radius = np.array([float(np.sqrt(cv2.contourArea(curve.astype(np.float32)) / np.pi)) for curve in curves])
    y, x = np.indices(face.shape)
    bare = (face > 0.7) & (cv2.dilate(opening, np.ones((7, 7), np.uint8)) < 0.3)

    def own_colour(k: int) -> float:
        """How far an opening's colour is from the face's about it, in units of the face's texture."""
        at = curves[k].mean(axis=0)
        away = np.hypot(x - at[0], y - at[1]) / radius[k]
        around = bare & (away > 2.2) & (away < 3.6)
        ground = patch.rgb[around if around.sum() >= 20 else bare].astype(np.float64)
        inside = patch.rgb[away < 0.55].astype(np.float64)
        if len(ground) < 20 or not len(inside):
            return math.inf
        colour = medians(ground.T)
        texture = 1.4826 * medians(np.abs(ground - colour).T) + LEAST_TEXTURE
        apart = (medians(inside.T) - colour) / texture
        return float(np.sqrt(np.mean(apart**2)))

    found: list[int] = []
    for k in range(len(curves)):
        others = [j for j in range(len(curves)) if j != k]
        if not others or heat[k] >= SURE_CENTRE or abs(np.log(radius[k] / median(radius[others]))) < OTHER_SIZE:
            continue
        own = own_colour(k)
        if own < NO_OTHER_COLOUR and own < LESS_COLOUR * median(np.array([own_colour(j) for j in others])):
            found.append(k)
    return found


def _cones_show(reading: PatchReading, curves: list[Array]) -> float:
    """Probability that the holes show countersinks, by what the map has of them for each hole: all of a part are alike."""
    hole, countersink = reading.map("hole"), reading.map("countersink")
    seen = wide = 0.0
    for curve in curves:
        radius = float(np.sqrt(cv2.contourArea(curve.astype(np.float32)) / np.pi))
        at, reach = curve.mean(axis=0), CONE_REACH * radius
        (x0, y0), (x1, y1) = np.maximum(np.floor(at - reach), 0).astype(int), np.ceil(at + reach).astype(int) + 1
        here = (slice(y0, y1), slice(x0, x1))
        y, x = (np.arange(start, start + n) for start, n in zip((y0, x0), hole[here].shape, strict=True))
        near = np.hypot(x - at[0], (y - at[1])[:, None]) < reach
        seen, wide = seen + float(hole[here][near].sum()), wide + float(countersink[here][near].sum())
    bias, weight = CONE_BY_MAP
    return 1.0 / (1.0 + math.exp(-bias - weight * math.log1p(3.0 * wide / max(seen, 1.0)))) if curves else 0.5


def _centre_heat(reading: PatchReading, at_patch: Array) -> tuple[float, float]:
    """How surely a screw hole's and a relief's centre lie near a place, (1, 0) from a network without such maps."""
    heat = None if reading.raw is None else reading.raw.centres
    if heat is None:
        return 1.0, 0.0
    x, y = (np.arange(n) * CENTRE_CELL_PX + (CENTRE_CELL_PX - 1.0) / 2.0 for n in heat.shape[:0:-1])
    near = np.hypot(x[None, :] - at_patch[0], y[:, None] - at_patch[1]) < CENTRE_REACH_PX
    screw, relief = (float(h[near].max(initial=0.0)) for h in heat)
    return screw, relief


def _parted(curve: Array, reading: PatchReading) -> list[Array]:
    """One curve for each screw's centre inside: heads that touch, or holes close together, are one opening on the map."""
    heat = None if reading.raw is None else reading.raw.centres
    if heat is None:
        return [curve]
    screw = np.asarray(heat[0], dtype=np.float32)
    row, column = np.nonzero((screw >= cv2.dilate(screw, np.ones((3, 3), np.uint8))) & (screw >= LEAST_CENTRE))
    peaks = np.column_stack([column, row]) * CENTRE_CELL_PX + (CENTRE_CELL_PX - 1.0) / 2.0
    outline = curve.astype(np.float32)
    inside = [p for p in peaks if cv2.pointPolygonTest(outline, (float(p[0]), float(p[1])), False) > 0.0]
    if len(inside) < 2:
        return [curve]
    nearest = np.argmin(np.linalg.norm(curve[:, None] - np.array(inside), axis=2), axis=1)
    sizes = np.bincount(nearest, minlength=len(inside))
    if sizes.min() < LEAST_PART:
        return [curve]
    return [resample_closed(curve[nearest == k], int(n)) for k, n in enumerate(sizes)]


def _disc(curve: Array, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    mask = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(curve).astype(np.int32)], 1)
    return np.asarray(mask > 0, dtype=np.bool_)


def _hole_edges(
    pixels: NDArray[np.uint8], patch: Patch, curve: Array, countersinks: list[Array], *, filled: bool, cone: bool
) -> HoleEdges:
    """The edges of one screw hole: the network says where and of what kind, the photo's own rings say how wide.

    `cone` says that the screw side is seen: where the map shows a countersink too, the wider of two rings is its edge.
    """
    centre = curve.mean(axis=0)
    radius = float(np.sqrt(cv2.contourArea(curve.astype(np.float32)) / np.pi))
    around = None
    for ring in countersinks:
        ring_radius = float(np.sqrt(cv2.contourArea(ring.astype(np.float32)) / np.pi))
        if np.linalg.norm(ring.mean(axis=0) - centre) < 0.4 * ring_radius and ring_radius > 1.12 * radius:
            around = ring
            break
    cone = cone and around is not None
    cone_px = None if around is None else patch.photo_points(around)
    at = patch.photo_points(centre[None])[0]
    place = (float(at[0]), float(at[1]))
    network = _ring(pixels, patch, curve)
    if filled:
        return HoleEdges(None, None, network, place)
    rings = find_rings(pixels, at, radius * patch.px_per_patch_px, RING_SEARCH, LEAST_RING)
    through: Array | None = None
    countersink: Array | None = None
    pairs = [
        (outer.support + inner.support, outer, inner)
        for outer in rings
        for inner in rings
        if CONE_RATIO[0] < outer.radius_px / inner.radius_px < CONE_RATIO[1]
        and (cone or min(outer.support, inner.support) >= CLEAR_PAIR)
    ]
    if pairs:
        _, outer, inner = max(pairs, key=lambda pair: pair[0])
        through, countersink = inner.points_px, outer.points_px
    elif cone and around is not None:
        countersink = _ring(pixels, patch, around)
    elif not cone:
        r0 = radius * patch.px_per_patch_px
        whole = [r for r in rings if r.support >= WHOLE_RING and PLAIN_RATIO[0] < r.radius_px / r0 < PLAIN_RATIO[1]]
        through = whole[0].points_px if whole else None
    return HoleEdges(network if through is None else through, countersink, None, place, cone_px=cone_px)


def _ring(pixels: NDArray[np.uint8], patch: Patch, curve: Array) -> Array:
    """A round edge at full resolution: snapped, with whatever strays from its ellipse left out."""
    scale = patch.px_per_patch_px
    network = patch.photo_points(resample_closed(curve, RING_POINTS))
    edge = snap_to_photo(
        pixels, network, max(1.6, 0.75 * SNAP_REACH_PATCH_PX * scale), max(0.8, SNAP_PRIOR_PATCH_PX * scale)
    )
    points, kept = _settled(edge, network, max(0.8, 0.5 * scale))
    chosen = points[kept] if kept.sum() >= 24 else points
    for _ in range(2):
        if len(chosen) < 12:
            return network
        stray = ellipse_residual(chosen)
        limit = max(3.0 * 1.4826 * median(np.abs(stray)), 0.02)
        chosen = chosen[np.abs(stray) <= min(limit, RING_OUTLIER)]
    return chosen if len(chosen) >= 12 else network
