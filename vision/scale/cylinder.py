"""Photo -> Scale from the back end of the cylinder that the cam is still screwed to, as a circle of known diameter."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import Ellipse, fit_ellipse_robust
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

INNER_PX: Final = 80.0  # radius of the cam's greatest circle in the picture that is searched
SEEN_ROUND: Final = 2.8  # of that radius: what is looked at round it
RADII_PER_INNER: Final = (0.9, 2.4)  # of the greatest circle in the mask, which may be the hub's or nearly the body's
ALONE_PER_INNER: Final = 1.15  # a circle greater than the mask's by this shows beyond the hub: bodies do by 1.2 to 1.9
HUB_PER_BODY: Final = (0.5, 0.86)
PROPOSALS: Final = 14
MOST_EDGES: Final = 3000
RAYS: Final = 360
REACH: Final = 0.10  # of the radius, looked at to either side of a proposed circle
MIN_SEEN: Final = 0.4  # part of the circle with an edge; a tail lies over a sixth, a screwdriver's hand over more
MIN_ARC: Final = 0.55  # part of the sectors of 30 degrees that are seen
SECTORS: Final = 12


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
        What the finder network saw; its main part stands for the cam when `part_mask` is None.
    part_mask : ndarray of shape (h, w), bool, optional
        The cam, over the whole picture at any size.

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
    cell = np.array([width / part_mask.shape[1], height / part_mask.shape[0]])
    inner, inner_radius = (inner + 0.5) * cell - 0.5, inner_radius * float(cell.mean())
    room = SEEN_ROUND * inner_radius + 8.0
    left, top = (max(0, int(v - room)) for v in inner)
    near = photo.pixels[top : int(inner[1] + room) + 1, left : int(inner[0] + room) + 1]
    scale = min(1.0, INNER_PX / inner_radius)
    grey = _grey(near if scale == 1.0 else cv2.resize(near, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    inner, inner_radius = (inner - [left, top] + 0.5) * scale - 0.5, inner_radius * scale
    rings: list[tuple[Ellipse, float]] = []
    low, high = (part * inner_radius for part in RADII_PER_INNER)
    for centre, radius in _circles(grey, inner, low, high):
        found = _trace(grey, centre, radius)
        if found is not None:  # once more from where it was found: the votes are coarse
            found = _trace(grey, np.array([found[0].x, found[0].y]), found[0], reach=0.06) or found
        if found is not None and _round_the_hub(found[0], inner, inner_radius):
            rings.append((found[0], found[2]))
    body = _greatest(rings)
    if body is not None and body.long < ALONE_PER_INNER * inner_radius and not _holds_a_hub(grey, body):
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
    fine = _trace(cut, centre - [left, top], ellipse, to_full, reach=0.05)
    if fine is None:
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


def _greatest(rings: list[tuple[Ellipse, float]]) -> Ellipse | None:
    """The greatest of the circles that are nearly as whole as the best."""
    if not rings:
        return None
    whole = max(seen for _, seen in rings)
    return max((e for e, seen in rings if seen > 0.75 * whole), key=lambda e: e.long)


def _holds_a_hub(grey: NDArray[np.uint8], body: Ellipse) -> bool:
    """Whether a smaller circle is seen inside: a circle of the mask's own size may else be the hub of a loose cam."""
    middle = np.array([body.x, body.y])
    low, high = (part * body.long for part in HUB_PER_BODY)
    for centre, radius in _circles(grey, middle, low, high):
        found = _trace(grey, centre, radius)
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
    grey: NDArray[np.uint8], centre: Array, start: float | Ellipse, to_full: float = 1.0, *, reach: float = REACH
) -> tuple[Ellipse, Array, float] | None:
    """Edge points on rays across a proposed circle or ellipse, and the ellipse through them."""
    height, width = grey.shape
    turn = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    if isinstance(start, Ellipse):
        ring = (start.at(turn) - [start.x, start.y]) * to_full
    else:
        ring = start * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    radius = float(np.hypot(ring[:, 0], ring[:, 1]).mean())
    n = int(np.clip(2.0 * reach * radius * 2.0, 17, 161)) | 1
    part = np.linspace(1.0 - reach, 1.0 + reach, n)
    points = centre + ring[:, None, :] * part[None, :, None]
    at = points.astype(np.float32)
    profile = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    profile = np.asarray(cv2.blur(profile, (1, 5), borderType=cv2.BORDER_REFLECT), np.float64)
    slope = np.abs(np.diff(profile, axis=1))
    inside = (at >= 1).all(axis=(1, 2)) & (at[..., 0] < width - 2).all(axis=1) & (at[..., 1] < height - 2).all(axis=1)
    k = np.argmax(slope, axis=1)
    best = slope[np.arange(RAYS), k]
    left = slope[np.arange(RAYS), np.maximum(k - 1, 0)]
    right = slope[np.arange(RAYS), np.minimum(k + 1, n - 2)]
    bend = left - 2.0 * best + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.minimum(bend, -1e-9), 0.0)
    level = max(1.5, 2.5 * float(np.median(slope)))
    ok = inside & (best > level) & (k > 0) & (k < n - 2)
    if ok.sum() < 40:
        return None
    where = part[0] + (k + 0.5 + np.clip(shift, -0.5, 0.5)) * (part[1] - part[0])
    edge = centre + ring * where[:, None]
    ellipse = fit_ellipse_robust(edge[ok])
    if isinstance(ellipse, NotMeasured) or ellipse.short < 0.8 * ellipse.long or abs(ellipse.long / radius - 1) > 0.2:
        return None
    limit = max(0.012 * radius, 1.2)
    good = ok.copy()
    good[ok] = np.abs(ellipse.distance(edge[ok])) < limit
    seen = float(good.mean())
    sectors = good.reshape(SECTORS, -1).mean(axis=1) > 0.3
    if seen < MIN_SEEN or sectors.mean() < MIN_ARC:
        return None
    return ellipse, edge[good], seen


def _round_the_hub(ellipse: Ellipse, inner: Array, inner_radius: float) -> bool:
    """Whether a circle lies round the middle of the cam, or of what the mask takes for it."""
    off = float(np.hypot(ellipse.x - inner[0], ellipse.y - inner[1]))
    return off < 0.6 * max(ellipse.long, inner_radius)
