"""Photo -> Scale from the back end of the cylinder that the cam is still screwed to, as a circle of known diameter."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import Ellipse, fit_ellipse_robust
from vision.models import CLASSES
from vision.photo import Photo
from vision.quantity import NotMeasured, Quantity
from vision.scale import CircleReference, Scale
from vision.segment import Regions

Array = NDArray[np.float64]

REFERENCE: Final = "cylinder-body"
# Over the thread, of the bodies met in North American doors: 1 5/32 in less the thread's play. Memory, no source; other
# trades' bodies differ by more than this says, so it is a setting.
DIAMETER_MM: Final = Quantity(29.0, 0.5)
CHAMFER_MM: Final = Quantity(0.4, 0.3)  # on the diameter: the edge seen lies inside the crests by this; memory
HEIGHT_MM: Final = Quantity(0.0, 0.3)  # the cam lies on this end: it is the bench; chamfer and burr lie below, memory

LEAST_CAM: Final = 0.5  # mean probability over the cam's cells: a key's bow stands out of the bench as a body does
INNER_PX: Final = 80.0  # radius of the cam's greatest circle in the picture that is searched
SEEN_ROUND: Final = 2.8  # of that radius: what is looked at round it
RADII_PER_INNER: Final = (0.9, 2.4)  # of the greatest circle in the mask, which may be the hub's or nearly the body's
ALONE_PER_INNER: Final = 1.15  # a circle greater than the mask's by this shows beyond the hub: bodies do by 1.2 to 1.9
SURE_PER_INNER: Final = 1.6  # no hub is so much greater than the circle inside its mask
INSIDE: Final = (0.85, 0.92)  # of the circle: where the finder must see a thing
OUTSIDE: Final = (1.1, 1.18)  # and where bench
MOST_BENCH_INSIDE: Final = 0.12
LEAST_BENCH_OUTSIDE: Final = 0.35
LEAST_FREE: Final = 0.4  # of the points outside that the cam does not cover
HUB_SEEN: Final = 0.45
HUB_PER_BODY: Final = (0.5, 0.86)
PROPOSALS: Final = 14
MOST_EDGES: Final = 3000
RAYS: Final = 360
REACH: Final = 0.10  # of the radius, looked at to either side of a proposed circle
LEAST_RADIUS_PX: Final = 24.0  # of the photo: in smaller ones a wrong circle is as whole as the right one
DRIFT: Final = 0.06  # of the radius
LEAST_REACH_PX: Final = 8.0  # looked at to either side at least: else the edge itself is all there is to tell noise by
NARROW_PX: Final = 3.0  # an edge is searched at least so far off what is known of it
TOPS: Final = 2  # edges kept of a ray
MIN_SLOPE: Final = 1.5  # grey levels in half a pixel
SLOPE_PER_MEDIAN: Final = 2.5
BESIDE: Final = 0.07  # of the radius: how far inside and outside an edge the finder must see a thing and bench
WITHOUT_BENCH: Final = 0.4  # what an edge is worth that is not the border of the bench, such as a hub's or a wall's
AGREE: Final = 0.012  # of the radius: an edge so near the ellipse is the ellipse's
AGREE_PX: Final = 1.2  # and at least so many pixels
TIGHT: Final = (
    0.005  # the same for what counts as seen: a circle's edge lies closer than strays that an ellipse bends to
)
TIGHT_PX: Final = 0.6
MIN_SEEN: Final = 0.4  # part of the circle with an edge; a tail lies over a sixth, a screwdriver's hand over more
FIRST_SEEN: Final = 0.35  # the same before the circle has settled
ROUNDS: Final = 3
SAME: Final = 0.02  # of the radius: circles so near each other share their edge there
SHARED: Final = 0.2
MIN_ARC: Final = 0.55  # part of the sectors of 30 degrees that are seen
SECTORS: Final = 12
RUN: Final = 5  # rays: shorter arcs are chance


def find_cylinder(
    photo: Photo,
    diameter_mm: Quantity = DIAMETER_MM,
    *,
    regions: Regions | None = None,
    part_mask: NDArray[np.bool_] | None = None,
) -> Scale | NotMeasured:
    """Find the round end of the body that a mounted cam lies on.

    Parameters
    ----------
    photo : Photo
    diameter_mm : Quantity
        The body's diameter over its thread, and how well it is known.
    regions : Regions, optional
        What the finder network saw; its main part stands for the cam when `part_mask` is None. It tells the end from
        the hub, which has the end round it and not the bench, and the end's edge from a wall's foot.
    part_mask : ndarray of shape (h, w), bool, optional
        The cam, on the cells of `regions`, or over the whole picture at any size.

    Returns
    -------
    Scale or NotMeasured
        One `CircleReference`; `cylinder-not-found`, or `cylinder-no-cam` where there is no cam to look round.

        Coins are told from the body by lying beside the cam, hub and plug by the greater circle round them: the body
        is the greatest whole circle round the cam's middle, and it shows beyond the hub. The mask may reach over
        body and cam alike, so it only says where to look.
    """
    if part_mask is None and regions is not None:
        piece = regions.main_part()
        part_mask = None if piece is None else piece.mask
    if part_mask is None or not part_mask.any():
        return NotMeasured("cylinder-no-cam", "no cam is seen, so there is no cylinder to look for round it")
    height, width = photo.pixels.shape[:2]
    inner, inner_radius = _greatest_inside(part_mask)
    cell, origin = np.array([width / part_mask.shape[1], height / part_mask.shape[0]]), np.zeros(2)
    if regions is not None and part_mask.shape == regions.probability.shape[1:]:  # a window, or wider than the photo
        cell, origin = np.full(2, regions.step_px), np.array(regions.origin_px)
        if regions.mean_of("cam", part_mask) < LEAST_CAM:
            return NotMeasured("cylinder-no-cam", "it is not sure what here is the cam, so where its cylinder is")
    inner, inner_radius = origin + (inner + 0.5) * cell - 0.5, inner_radius * float(cell.mean())
    room = SEEN_ROUND * inner_radius + 8.0
    left, top = (max(0, int(v - room)) for v in inner)
    near = photo.pixels[top : int(inner[1] + room) + 1, left : int(inner[0] + room) + 1]
    scale = min(1.0, INNER_PX / inner_radius)
    grey = _grey(near if scale == 1.0 else cv2.resize(near, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    inner, inner_radius = (inner - [left, top] + 0.5) * scale - 0.5, inner_radius * scale
    bench = None if regions is None else _bench(regions, (left, top), scale, grey.shape)
    rings: list[tuple[Ellipse, float]] = []
    low, high = (part * inner_radius for part in RADII_PER_INNER)
    for centre, radius in _circles(grey, inner, low, high):
        found = _settled(grey, centre, radius, bench)
        if found is None or found[2] < MIN_SEEN or not _round_the_hub(found[0], inner):
            continue
        if regions is None or _ends_there(regions, _at_full_size(found[0], scale, (left, top))):
            rings.append((found[0], found[2]))
    body = _greatest(rings)
    if body is not None:
        between = None if regions is None else _at_full_size(body, scale, (left, top))
        if regions is None or between is None or not _shows_between(regions, between, inner_radius / body.long):
            alone = SURE_PER_INNER if regions is not None else ALONE_PER_INNER
            if body.long < alone * inner_radius and not _holds_a_hub(grey, body):
                body = None
    if body is not None and body.long < LEAST_RADIUS_PX * scale:
        body = None
    if body is None:
        text = "the cylinder's round end is not seen clear round the cam: show all of it, or lay a coin or ruler beside"
        return NotMeasured("cylinder-not-found", text)
    ellipse = body
    to_full = 1.0 / scale
    centre = (np.array([ellipse.x, ellipse.y]) + 0.5) * to_full - 0.5 + [left, top]
    reach = int(1.2 * ellipse.long * to_full) + 8
    left, top = (max(0, int(v) - reach) for v in centre)
    cut = _grey(photo.pixels[top : int(centre[1]) + reach, left : int(centre[0]) + reach])
    bench = None if regions is None else _bench(regions, (left, top), 1.0, cut.shape)
    fine = _trace(cut, centre - [left, top], ellipse, to_full, reach=0.05, bench=bench)
    if fine is None or not _same(fine[0], ellipse, centre - [left, top], to_full):
        return NotMeasured("cylinder-not-found", "the cylinder's edge is too blurred to measure: take the photo again")
    rim, edge, seen = fine[0], fine[1] + [left, top], fine[2]
    sigma = float(np.clip(rim.rms, 0.4, 4.0))
    notes = []
    if diameter_mm == DIAMETER_MM:
        usual = f"{diameter_mm.value:g} mm, a usual figure"
        text = f"sizes rest on a body of {usual}: measure it over the thread and give its diameter"
        notes.append(NotMeasured("cylinder-diameter-assumed", text))
    if seen < 0.65:
        notes.append(NotMeasured("cylinder-half-seen", "the cylinder's edge is only partly clear: sizes are less sure"))
    seen_mm = Quantity(diameter_mm.value - CHAMFER_MM.value, float(np.hypot(diameter_mm.u, CHAMFER_MM.u)))
    reference = CircleReference(edge, seen_mm, HEIGHT_MM, sigma)
    return Scale("cylinder", REFERENCE, (reference,), seen_mm.u / seen_mm.value, tuple(notes))


def _grey(pixels: cv2.typing.MatLike) -> NDArray[np.uint8]:
    """Smoothed by a pixel, so that rays read no noise."""
    return np.asarray(cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), (0, 0), 1.0), np.uint8)


def _greatest_inside(cam: NDArray[np.bool_]) -> tuple[Array, float]:
    """The greatest circle inside the cam's mask, its screw holes filled: about the hub, or more where the mask bleeds."""
    outline, _ = cv2.findContours(cam.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(cam.shape, np.uint8)
    cv2.drawContours(filled, outline, -1, 1, -1)
    depth = cv2.distanceTransform(np.pad(filled, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    y, x = np.unravel_index(int(np.argmax(depth)), depth.shape)
    return np.array([x, y], float), float(depth[y, x])


def _at_full_size(ring: Ellipse, scale: float, corner: tuple[int, int]) -> Ellipse:
    """A circle of the cut-out in the photo's pixels."""
    x, y = ((v + 0.5) / scale - 0.5 + c for v, c in zip((ring.x, ring.y), corner, strict=True))
    return replace(ring, x=x, y=y, long=ring.long / scale, short=ring.short / scale)


def _ring_points(ring: Ellipse, parts: tuple[float, ...]) -> Array:
    """Points (N, 2) on circles of these parts of a circle's size."""
    middle = np.array([ring.x, ring.y])
    away = ring.at(np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)) - middle
    return np.concatenate([middle + part * away for part in parts])


def _same(fine: Ellipse, coarse: Ellipse, centre: Array, to_full: float) -> bool:
    """Whether the close look found the circle it was sent to."""
    long = coarse.long * to_full
    off = float(np.hypot(fine.x - centre[0], fine.y - centre[1]))
    sizes = (fine.long / long, fine.short / (coarse.short * to_full))
    return off < DRIFT * long and all(abs(v - 1.0) < DRIFT for v in sizes)


def _bench(regions: Regions, corner: tuple[int, int], scale: float, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """How likely the finder takes each pixel of a cut-out for bench."""
    layer = regions.probability[CLASSES.index("background")]
    a = 1.0 / (scale * regions.step_px)
    x, y = ((0.5 / scale + c - o) / regions.step_px - 0.5 for c, o in zip(corner, regions.origin_px, strict=True))
    matrix = np.array([[a, 0.0, x], [0.0, a, y]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    drawn = cv2.warpAffine(layer, matrix, (shape[1], shape[0]), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(drawn, np.float32)


def _ends_there(regions: Regions, ring: Ellipse) -> bool:
    """Whether the finder sees things inside a circle and bench outside it; a body's wall may show over half of it.

    Round a hub it sees more of the body.
    """
    inside, outside = _ring_points(ring, INSIDE), _ring_points(ring, OUTSIDE)
    if regions.at_px("background", inside).mean() > MOST_BENCH_INSIDE:
        return False
    free = regions.at_px("cam", outside) < 0.5
    if free.mean() < LEAST_FREE:
        return False
    return bool(regions.at_px("background", outside[free]).mean() >= LEAST_BENCH_OUTSIDE)


def _shows_between(regions: Regions, ring: Ellipse, inner: float) -> bool:
    """Whether the finder sees another thing than the cam between the mask's greatest circle and this one."""
    between = _ring_points(ring, tuple(np.linspace(min(inner, 0.85) + 0.03, 0.95, 4)))
    free = regions.at_px("cam", between) < 0.5
    return bool(free.mean() > 0.25 and regions.at_px("other", between[free]).mean() > 0.5)


def _greatest(rings: list[tuple[Ellipse, float]]) -> Ellipse | None:
    """The greatest of the circles that are nearly as whole as the best.

    Two that share a good part of their arcs are two readings of the same edges, one of them bent to a wall's foot or a
    shadow: the one that more of the circle speaks for stands for both.
    """
    kept: list[tuple[Ellipse, float]] = []
    turn = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    for ring, seen in sorted(rings, key=lambda pair: -pair[1]):
        points = ring.at(turn)
        if all((np.abs(other.distance(points)) < SAME * other.long).mean() < SHARED for other, _ in kept):
            kept.append((ring, seen))
    if not kept:
        return None
    return max((e for e, seen in kept if seen > 0.75 * kept[0][1]), key=lambda e: e.long)


def _settled(
    grey: NDArray[np.uint8], centre: Array, radius: float, bench: NDArray[np.float32] | None
) -> tuple[Ellipse, Array, float] | None:
    """A proposed circle traced until it stays: the votes are coarse, and each round looks from nearer."""
    found = _trace(grey, centre, radius, least=FIRST_SEEN, bench=bench)
    for _ in range(ROUNDS):
        if found is None:
            return None
        better = _trace(grey, np.array([found[0].x, found[0].y]), found[0], reach=0.06, least=FIRST_SEEN, bench=bench)
        if better is None or better[2] < found[2]:
            break
        found, before = better, found
        if better[2] < before[2] + 0.02:
            break
    return found


def _holds_a_hub(grey: NDArray[np.uint8], body: Ellipse) -> bool:
    """Whether a smaller circle is seen inside: a circle of the mask's own size may else be the hub of a loose cam."""
    middle = np.array([body.x, body.y])
    low, high = (part * body.long for part in HUB_PER_BODY)
    for centre, radius in _circles(grey, middle, low, high):
        found = _trace(grey, centre, radius, least=HUB_SEEN)
        if found is not None and found[0].long < HUB_PER_BODY[1] * body.short:
            return True
    return False


def _circles(picture: NDArray[np.uint8], hub: Array, low: float, high: float) -> list[tuple[Array, float]]:
    """Proposed circles round a place: edges that point at one centre, in votes over centre and radius."""
    grey = picture.astype(np.float32)
    gx, gy = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    size = cv2.magnitude(gx, gy)
    far = 1.5 * high
    away_y, away_x = np.arange(grey.shape[0]) - hub[1], np.arange(grey.shape[1]) - hub[0]
    usable = away_y[:, None] ** 2 + away_x[None, :] ** 2 < far**2
    if not usable.any():
        return []
    strong = usable & (size > max(float(np.percentile(size[usable], 75)), 8.0))
    ys, xs = np.nonzero(strong)
    if ys.size < 40:
        return []
    few = slice(None, None, max(1, ys.size // MOST_EDGES))
    ys, xs = ys[few], xs[few]
    nx, ny = gx[ys, xs] / size[ys, xs], gy[ys, xs] / size[ys, xs]
    weight = np.minimum(size[ys, xs], float(np.percentile(size[ys, xs], 80)))
    step = max(low / 10.0, 1.0)
    reach = 0.9 * low
    grid = np.arange(-reach, reach + step, step)
    radii = np.arange(low, high, step)
    votes = np.zeros((grid.size, grid.size, radii.size))
    x0, y0 = (xs - hub[0]).astype(np.float32), (ys - hub[1]).astype(np.float32)
    for i, dy in enumerate(grid.astype(np.float32)):
        rx, ry = x0[None, :] - grid.astype(np.float32)[:, None], (y0 - dy)[None, :]
        r = np.sqrt(rx * rx + ry * ry)
        bins = ((r - radii[0]) / step + 0.5).astype(np.intp)
        ok = (np.abs(rx * nx + ry * ny) > 0.94 * r) & (r > radii[0] - 0.5 * step) & (bins < radii.size)
        column, edge = np.nonzero(ok)
        count = np.bincount(column * radii.size + bins[ok], weights=weight[edge], minlength=grid.size * radii.size)
        votes[i] = count.reshape(grid.size, radii.size)
    votes /= radii
    found = []
    for _ in range(PROPOSALS):
        i, j, k = (int(v) for v in np.unravel_index(int(np.argmax(votes)), votes.shape))
        if votes[i, j, k] <= 0:
            break
        found.append((hub + np.array([grid[j], grid[i]]), float(radii[k])))
        votes[max(i - 2, 0) : i + 3, max(j - 2, 0) : j + 3, max(k - 2, 0) : k + 3] = 0.0
    return found


def _trace(
    grey: NDArray[np.uint8],
    centre: Array,
    start: float | Ellipse,
    to_full: float = 1.0,
    *,
    reach: float = REACH,
    least: float | None = None,
    bench: NDArray[np.float32] | None = None,
) -> tuple[Ellipse, Array, float] | None:
    """Edge points on rays across a proposed circle or ellipse, and the ellipse through them.

    A ray may cross the rim's chamfer, a shadow and a wall's foot as well: its two strongest edges are kept, and the
    ellipse that most rays agree on chooses between them.
    """
    height, width = grey.shape
    turn = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    if isinstance(start, Ellipse):
        ring = (start.at(turn) - [start.x, start.y]) * to_full
    else:
        ring = start * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    radius = float(np.hypot(ring[:, 0], ring[:, 1]).mean())
    wide = max(REACH, LEAST_REACH_PX / radius)
    n = int(np.clip(4.0 * wide * radius, 33, 161)) | 1
    part = np.linspace(1.0 - wide, 1.0 + wide, n)
    points = centre + ring[:, None, :] * part[None, :, None]
    at = points.astype(np.float32)
    profile = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    profile = np.asarray(cv2.blur(profile, (1, 5), borderType=cv2.BORDER_REFLECT), np.float64)
    slope = np.abs(np.diff(profile, axis=1))
    inside = (at >= 1).all(axis=(1, 2)) & (at[..., 0] < width - 2).all(axis=1) & (at[..., 1] < height - 2).all(axis=1)
    level = max(MIN_SLOPE, SLOPE_PER_MEDIAN * float(np.median(slope)))
    where = 0.5 * (part[1:] + part[:-1]) - 1.0
    tops = np.zeros_like(slope, dtype=bool)
    tops[:, 1:-1] = (slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:]) & (slope[:, 1:-1] > level)
    tops &= inside[:, None] & (np.abs(where) <= max(reach, NARROW_PX / radius))[None, :]
    left = np.where(tops, slope, 0.0)
    rays = np.arange(RAYS)
    ray, off, strength = [], [], []
    for _ in range(TOPS):
        k = np.argmax(left, axis=1)
        best = left[rays, k]
        ok = best > 0
        k = np.clip(k, 1, n - 3)
        before, after = slope[rays, k - 1], slope[rays, k + 1]
        bend = before - 2.0 * slope[rays, k] + after
        shift = np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
        ray.append(rays[ok])
        off.append((where[k] + np.clip(shift, -0.5, 0.5) * (part[1] - part[0]))[ok])
        strength.append(best[ok])
        left[rays, k] = 0.0
    i, y, s = np.concatenate(ray), np.concatenate(off), np.concatenate(strength)
    if i.size < 40:
        return None
    angle = turn[i]
    basis = np.stack([np.ones(i.size), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1)
    model = np.zeros(5)
    trust = np.minimum(s / float(np.quantile(s, 0.8)), 1.0)
    if bench is not None:
        seen_bench = cv2.remap(bench, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        k, step = np.searchsorted(part, 1.0 + y), round(BESIDE / (part[1] - part[0]))
        beyond = seen_bench[i, np.minimum(k + step, n - 1)] - seen_bench[i, np.maximum(k - step, 0)]
        trust = trust * (WITHOUT_BENCH + (1.0 - WITHOUT_BENCH) * np.clip(beyond, 0.0, 1.0))
    for sigma in max(reach, NARROW_PX / radius) * np.array([0.6, 0.4, 0.28, 0.2, 0.15, 0.1, 0.1]):
        w = trust / (1.0 + ((y - basis @ model) / sigma) ** 2) ** 2
        model = np.linalg.solve(basis.T @ (basis * w[:, None]) + 1e-6 * np.eye(5), basis.T @ (w * y))
    limit = max(AGREE, AGREE_PX / radius)
    near = np.abs(y - basis @ model)
    order = np.argsort(near)
    order = order[near[order] < 2.0 * limit]
    _, first = np.unique(i[order], return_index=True)
    chosen = order[first]
    if chosen.size < 40:
        return None
    edge = centre + ring[i[chosen]] * (1.0 + y[chosen])[:, None]
    ellipse = fit_ellipse_robust(edge)
    if isinstance(ellipse, NotMeasured) or ellipse.short < 0.8 * ellipse.long or abs(ellipse.long / radius - 1) > 0.2:
        return None
    good = np.abs(ellipse.distance(edge)) < max(TIGHT * radius, TIGHT_PX)
    seen_on = np.zeros(RAYS, bool)
    seen_on[i[chosen[good]]] = True
    run = np.ones((1, RUN), np.uint8)
    wrapped = np.pad(seen_on.astype(np.uint8), RUN, mode="wrap")[None, :]
    seen_on &= cv2.morphologyEx(wrapped, cv2.MORPH_OPEN, run)[0, RUN:-RUN] > 0
    seen = float(seen_on.mean())
    sectors = seen_on.reshape(SECTORS, -1).mean(axis=1) > 0.3
    if seen < (MIN_SEEN if least is None else least) or sectors.mean() < MIN_ARC:
        return None
    return ellipse, edge[good], seen


def _round_the_hub(ellipse: Ellipse, inner: Array) -> bool:
    """Whether a circle lies round the middle of the cam, or of what the mask takes for it."""
    off = float(np.hypot(ellipse.x - inner[0], ellipse.y - inner[1]))
    return off < 0.5 * ellipse.long
