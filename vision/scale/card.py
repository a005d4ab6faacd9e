"""The printed card: its layout, and photo -> Scale from its fiducials. `shop.card_sheet` prints what is laid out here.

The card is a square ring of twelve ArUco fiducials (Garrido-Jurado et al. 2014, Pattern Recognition 47, 2280; OpenCV's
4x4 dictionary) round a free place for the part, with a 100 mm bar beneath that the user checks with a ruler.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo
from vision.quantity import NotMeasured, Quantity
from vision.scale import PointReference, Scale

REFERENCE: Final = "printed-card"
DICTIONARY: Final = cv2.aruco.DICT_4X4_50  # its codes differ in at least 4 of 16 bits: two read wrong are still told
CELLS: Final = 6  # a marker's side in cells: 4 of code and a black border of one
MARKER_MM: Final = 14.0  # 30 px at a card that is 110 mm across in a picture 240 px across: still read
PITCH_MM: Final = 32.0  # between marker centres; leaves 18 mm of white, far over the one cell that the detector needs
RING_HALF_MM: Final = (
    48.0  # centre of the card to the centre line of the ring: a free place of 82 mm, a field of 110 mm
)
BAR_MM: Final = 100.0
BAR_BELOW_MM: Final = 68.0  # centre of the card to the bar
FIRST_ID: Final = 23  # not 0: the lowest ids are what any other printed sheet carries

# At true size an office printer keeps 0.5 % (paper feed, shrinking); a page fitted to the sheet is off by 2 to 6 %, which
# the sheet's print setting prevents and its bar shows: memory, no source.
U_SIZE_UNCHECKED: Final = 0.0025
# A bar read on a ruler to half a division: 0.5/sqrt(12) = 0.14 mm at each end is 0.2; an eye does better on a sharp
# end, 0.07 mm: 0.1 % with the ruler's own graduation. Paper feeds differently along and across: within this, memory.
U_SIZE_CHECKED: Final = 0.001
BAR_RANGE_MM: Final = (70.0, 140.0)  # "fit to page" prints lie well inside; outside somebody measured something else
CARD_HEIGHT_MM: Final = Quantity(0.0, 0.05)  # the part lies on the card itself: the print is the bench; paper curls

DETECT_LONG_SIDES_PX: Final = (1000, 2000, 4032)  # tried in turn until enough is seen
MIN_MARKERS: Final = 2  # eight corners; one marker gives lengths no better than a coin (0.3-0.9 % at 0.1-0.3 px)
U_COARSE_CELLS: Final = 0.13  # of a cell: scatter of the detector's own corners, seen on path-traced cards
U_CORNER_PX: Final = 0.3  # of a corner found by lines: 0.05 px in good pictures, 0.3 px in coarse, grainy ones
CORNER_SPREADS: Final = 4.0
ENOUGH_MARKERS: Final = 4  # the rest is then predicted and looked for in its place, which is quicker than searching


@dataclass(frozen=True, slots=True)
class CardFit:
    """What was seen of the card: corners in the photo, in the print, and how well one plane maps one on the other."""

    ids: tuple[int, ...]
    image_px: NDArray[np.float64]  # (4 M, 2)
    plane_mm: NDArray[np.float64]  # (4 M, 2), nominal print; x right, y up
    homography: NDArray[np.float64]  # (3, 3), plane mm -> px
    residual_px: float  # rms per coordinate, corrected for the eight fitted parameters
    residual_mm: float
    rejected: tuple[int, ...]  # ids seen, but not where the others say


def marker_layout() -> dict[int, NDArray[np.float64]]:
    """The corners of every marker by its id.

    Returns
    -------
    dict of int to ndarray of shape (4, 2)
        Millimetres in the print, x right, y up, origin in the middle of the free place; corners in OpenCV's order:
        top left, top right, bottom right, bottom left.
    """
    steps = np.arange(-1.5, 2.0) * PITCH_MM
    top = [(x, RING_HALF_MM) for x in steps]
    right = [(RING_HALF_MM, y) for y in steps[::-1][1:-1]]
    bottom = [(x, -RING_HALF_MM) for x in steps[::-1]]
    left = [(-RING_HALF_MM, y) for y in steps[1:-1]]
    half = MARKER_MM / 2.0
    square = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
    return {FIRST_ID + k: square + centre for k, centre in enumerate(np.array(top + right + bottom + left))}


def marker_cells(marker_id: int) -> NDArray[np.uint8]:
    """The (6, 6) cells of one marker, row by row from its top: 1 is white, 0 is black."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    cells = np.zeros((CELLS, CELLS), np.uint8)
    cells[1:-1, 1:-1] = cv2.aruco.Dictionary.getBitsFromByteList(
        dictionary.bytesList[marker_id : marker_id + 1], CELLS - 2
    )
    return cells


def find_card(photo: Photo, *, bar_mm: float | None = None, hurried: bool = False) -> Scale | NotMeasured:
    """Find the printed card.

    Parameters
    ----------
    photo : Photo
    hurried : bool
        Nobody says that there is a card and none is likely: one look at the reduced picture, in which the squares of a
        card that fills a seventh of it are large enough.
    bar_mm : float, optional
        Length of the printed 100 mm bar as measured; corrects the size of the print and makes it surer.

    Returns
    -------
    Scale or NotMeasured
        One `PointReference` of every corner that agrees; `card-not-found`, `card-too-few-markers`,
        `card-bar-implausible` or `card-not-flat`.
    """
    if bar_mm is not None and not BAR_RANGE_MM[0] <= bar_mm <= BAR_RANGE_MM[1]:
        return NotMeasured(
            "card-bar-implausible",
            f"a bar of {bar_mm:g} mm is not the card's 100 mm bar: measure the bar marked 'measure me' again",
        )
    fit = fit_card(photo, hurried=hurried)
    if isinstance(fit, NotMeasured):
        return fit
    warnings: list[NotMeasured] = []
    if bar_mm is None:
        warnings.append(
            NotMeasured(
                "card-size-unchecked",
                "the card's print was not checked: measure its 100 mm bar with a ruler and give the length",
            )
        )
    if fit.rejected:
        warnings.append(
            NotMeasured(
                "card-markers-rejected",
                f"{len(fit.rejected)} squares of the card do not lie in one plane with the others: lay the card flat",
            )
        )
    stretch = 1.0 if bar_mm is None else bar_mm / BAR_MM
    points = PointReference(fit.image_px, fit.plane_mm * stretch, max(fit.residual_px, 0.05), CARD_HEIGHT_MM)
    u_size = U_SIZE_UNCHECKED if bar_mm is None else U_SIZE_CHECKED
    return Scale("card", REFERENCE, (points,), u_size, tuple(warnings))


def fit_card(photo: Photo, *, hurried: bool = False) -> CardFit | NotMeasured:
    """The card's corners and the plane through them; see `find_card` for what can fail."""
    gray = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    layout = marker_layout()
    seen: dict[int, NDArray[np.float64]] = {}
    for long_side_px in DETECT_LONG_SIDES_PX[: 1 if hurried else None]:
        for marker_id, corners_px in detect_markers(gray, long_side_px=long_side_px).items():
            if marker_id in layout:
                seen[marker_id] = corners_px
        if len(seen) >= ENOUGH_MARKERS or long_side_px >= max(gray.shape):
            break
    if not seen:
        return NotMeasured("card-not-found", "no square of the printed card is seen: keep the whole ring in the photo")
    ids = tuple(sorted(seen))
    coarse_px = np.stack([seen[i] for i in ids])
    cell_px = float(np.median(np.linalg.norm(np.roll(coarse_px, -1, axis=1) - coarse_px, axis=2))) / CELLS
    fit = _fit(ids, coarse_px, layout, max(U_COARSE_CELLS * cell_px, U_CORNER_PX))
    if isinstance(fit, NotMeasured) and len(ids) >= MIN_MARKERS:
        return fit
    homography = fit.homography if isinstance(fit, CardFit) else _from_one(seen[ids[0]], layout[ids[0]])
    for marker_id, corners_mm in layout.items():
        if marker_id not in seen:
            expected_px = _project(homography, corners_mm)
            if _shows_marker(gray, expected_px, marker_cells(marker_id)):
                seen[marker_id] = expected_px
    fine = refine_corners(gray, seen)
    if len(fine) < MIN_MARKERS:
        return NotMeasured(
            "card-too-few-markers",
            f"{len(fine)} of the card's {len(layout)} squares is clear enough; two are the least: uncover more of them",
        )
    ids = tuple(sorted(fine))
    corners_px = np.stack([fine[i] for i in ids])
    found = _fit(ids, corners_px, layout, U_CORNER_PX)
    if (
        isinstance(found, NotMeasured) and len(ids) >= ENOUGH_MARKERS
    ):  # blurred and overexposed squares shrink, all alike
        found = _fit(ids, corners_px, layout, max(U_COARSE_CELLS * cell_px, U_CORNER_PX))
    return found


def detect_markers(
    gray: NDArray[np.uint8], *, long_side_px: int, dictionary: int = DICTIONARY
) -> dict[int, NDArray[np.float64]]:
    """Coarse marker corners, found on a reduced picture.

    Parameters
    ----------
    gray : ndarray of shape (H, W), uint8
    long_side_px : int
        The picture is reduced to this long side before the search, never enlarged.
    dictionary : int
        One of OpenCV's predefined ArUco dictionaries.

    Returns
    -------
    dict of int to ndarray of shape (4, 2)
        Corners in pixels of `gray` by marker id; an id seen twice is left out: which one is right is not known.
    """
    scale = min(1.0, long_side_px / max(gray.shape))
    small = gray if scale == 1.0 else cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(dictionary))
    corners, ids, _ = detector.detectMarkers(small)
    found: dict[int, NDArray[np.float64]] = {}
    numbers = [int(i) for i in np.ravel(ids)] if ids is not None else []
    ratio = np.array([gray.shape[1] / small.shape[1], gray.shape[0] / small.shape[0]])
    for marker_id, quad in zip(numbers, corners, strict=True):
        if numbers.count(marker_id) == 1:
            found[marker_id] = (quad.reshape(4, 2).astype(np.float64) + 0.5) * ratio - 0.5
    return found


def refine_corners(
    gray: NDArray[np.uint8], coarse: dict[int, NDArray[np.float64]], *, cells: int = CELLS
) -> dict[int, NDArray[np.float64]]:
    """Corners of markers as intersections of lines fitted to their sides at full resolution.

    Each side is crossed by profiles along its normal; the edge is where a profile passes half way between black and
    white. A side that is covered, burnt out or bent drops its marker.

    Parameters
    ----------
    gray : ndarray of shape (H, W), uint8
    coarse : dict of int to ndarray of shape (4, 2)
        Corners good to about a third of a cell.
    cells : int
        The marker's side in cells, border included.

    Returns
    -------
    dict of int to ndarray of shape (4, 2)
    """
    fine: dict[int, NDArray[np.float64]] = {}
    for marker_id, quad in coarse.items():
        refined: NDArray[np.float64] | None = quad
        for _ in range(2):  # the second pass starts from a profile that is centred on the edge
            refined = None if refined is None else _refine_quad(gray, refined, cells)
        if refined is not None:
            fine[marker_id] = refined
    return fine


def _refine_quad(gray: NDArray[np.uint8], quad: NDArray[np.float64], cells: int) -> NDArray[np.float64] | None:
    side_px = float(np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1).min())
    reach_px = 0.7 * side_px / cells
    if (
        side_px < 2.5 * cells
        or quad.min() < reach_px
        or (quad.max(axis=0) + reach_px > np.array(gray.shape[::-1]) - 1).any()
    ):
        return None
    along = np.linspace(0.1, 0.9, int(np.clip(side_px, 12, 48)))
    offsets = np.linspace(-reach_px, reach_px, int(np.clip(np.ceil(4.0 * reach_px), 9, 49)))
    a, b = quad, np.roll(quad, -1, axis=0)
    direction = (b - a) / np.linalg.norm(b - a, axis=1, keepdims=True)
    outward = np.stack([direction[:, 1], -direction[:, 0]], axis=1)
    if _cross(b[0] - a[0], b[1] - a[1]) < 0:
        outward = -outward
    base = a[:, None, :] + along[None, :, None] * (b - a)[:, None, :]
    where = base[:, :, None, :] + offsets[None, None, :, None] * outward[:, None, None, :]
    shape = where.shape[:3]
    flat = where.reshape(shape[0] * shape[1], shape[2], 2).astype(np.float32)
    profile = cv2.remap(gray, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).reshape(shape).astype(np.float64)
    quarter = max(2, shape[2] // 4)
    black = np.median(profile[:, :, :quarter], axis=(1, 2))
    white = np.median(profile[:, :, -quarter:], axis=(1, 2))
    if (white - black < 25.0).any():  # grey levels of 255: below, noise decides where the edge is
        return None
    lines = []
    for k in range(4):
        t = _crossings(profile[k], offsets, 0.5 * (black[k] + white[k]))
        points = base[k][np.isfinite(t)] + t[np.isfinite(t), None] * outward[k]
        line = _robust_line(points, needed=along.size // 2)
        if line is None:
            return None
        lines.append(line)
    corners = np.empty((4, 2))
    for k in range(4):
        (p, u), (q, v) = lines[k - 1], lines[k]
        turn = float(_cross(u, v))
        if abs(turn) < 0.2:
            return None
        corners[k] = p + u * float(_cross(q - p, v)) / turn
    return corners if np.abs(corners - quad).max() < 2.0 * reach_px else None


def _crossings(profiles: NDArray[np.float64], offsets: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """Offset of the rise through `level` nearest the middle of each profile; NaN where there is none."""
    below, above = profiles[:, :-1] < level, profiles[:, 1:] >= level
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (level - profiles[:, :-1]) / (profiles[:, 1:] - profiles[:, :-1])
    at = np.where(below & above, offsets[:-1] + part * (offsets[1] - offsets[0]), np.inf)
    nearest = at[np.arange(len(at)), np.argmin(np.abs(at), axis=1)]
    return np.where(np.isfinite(nearest), nearest, np.nan)


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _robust_line(points: NDArray[np.float64], needed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    keep = np.ones(len(points), bool)
    for _ in range(3):
        if keep.sum() < max(needed, 4):
            return None
        centre = points[keep].mean(axis=0)
        direction = np.linalg.svd(points[keep] - centre, full_matrices=False)[2][0]
        off = np.abs(_cross(direction, points - centre))
        keep = off <= max(3.0 * 1.4826 * float(np.median(off[keep])), 0.15)
    return centre, direction


def _fit(
    ids: tuple[int, ...], corners_px: NDArray[np.float64], layout: dict[int, NDArray[np.float64]], u_corner_px: float
) -> CardFit | NotMeasured:
    """One plane through the markers; a marker off by more than the corners' own noise and a curl of the sheet is left
    out."""
    corners_mm = np.stack([layout[i] for i in ids])
    side_px = float(np.median(np.linalg.norm(np.roll(corners_px, -1, axis=1) - corners_px, axis=2)))
    # 0.03 of a side is 0.4 mm of print: a curled sheet passes, a wrong marker does not
    limit_px = float(np.hypot(CORNER_SPREADS * u_corner_px, 0.03 * side_px))
    homography, _ = cv2.findHomography(corners_mm.reshape(-1, 2), corners_px.reshape(-1, 2), 0)
    good = np.ones(len(ids), bool)
    if homography is None or _off(homography, corners_mm, corners_px).max() > limit_px:
        homography, inside = cv2.findHomography(
            corners_mm.reshape(-1, 2), corners_px.reshape(-1, 2), cv2.RANSAC, limit_px, maxIters=2000, confidence=0.9999
        )
        good = np.zeros(len(ids), bool) if inside is None else inside.reshape(-1, 4).sum(axis=1) >= 3
    if homography is None or good.sum() < MIN_MARKERS:
        return NotMeasured(
            "card-not-flat" if len(ids) >= MIN_MARKERS else "card-too-few-markers",
            "the squares seen do not fit the printed card: use the card as printed, whole, and lay it flat",
        )
    for _ in range(3):
        plane_mm, image_px = corners_mm[good].reshape(-1, 2), corners_px[good].reshape(-1, 2)
        homography, _ = cv2.findHomography(plane_mm, image_px, 0)
        worst = _off(homography, corners_mm, corners_px).max(axis=1)
        kept = worst <= max(limit_px, 4.0 * float(np.median(worst[good])))
        if kept.sum() < MIN_MARKERS or (kept == good).all():
            break
        good = kept
    plane_mm, image_px = corners_mm[good].reshape(-1, 2), corners_px[good].reshape(-1, 2)
    rest = _project(np.asarray(homography, np.float64), plane_mm) - image_px
    residual_px = float(np.sqrt((rest**2).sum() / (rest.size - 8)))
    mm = float(
        np.median(np.linalg.norm(np.diff(plane_mm, axis=0), axis=1) / np.linalg.norm(np.diff(image_px, axis=0), axis=1))
    )
    keep = tuple(i for i, ok in zip(ids, good, strict=True) if ok)
    out = tuple(i for i, ok in zip(ids, good, strict=True) if not ok)
    return CardFit(keep, image_px, plane_mm, np.asarray(homography, np.float64), residual_px, residual_px * mm, out)


def _off(
    homography: cv2.typing.MatLike, corners_mm: NDArray[np.float64], corners_px: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How far each corner (M, 4) lies from where the plane has it, px."""
    seen = _project(np.asarray(homography, np.float64), corners_mm.reshape(-1, 2)) - corners_px.reshape(-1, 2)
    return np.asarray(np.linalg.norm(seen, axis=1).reshape(-1, 4))


def _from_one(corners_px: NDArray[np.float64], corners_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(
        cv2.getPerspectiveTransform(corners_mm.astype(np.float32), corners_px.astype(np.float32)), np.float64
    )


def _project(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(cv2.perspectiveTransform(points.reshape(-1, 1, 2).astype(np.float64), homography).reshape(-1, 2))


def _shows_marker(gray: NDArray[np.uint8], quad: NDArray[np.float64], cells: NDArray[np.uint8]) -> bool:
    """Whether the marker is where the others say it should be: its border whole, one code cell wrong at most."""
    height, width = gray.shape
    if quad.min() < 1.0 or quad[:, 0].max() > width - 2.0 or quad[:, 1].max() > height - 2.0:
        return False
    if cv2.contourArea(quad.astype(np.float32)) < (2.5 * CELLS) ** 2:
        return False
    size = 4 * (CELLS + 2)  # 4 samples a cell, with the white cells round the marker
    target = np.array([(4, 4), (size - 4, 4), (size - 4, size - 4), (4, size - 4)], np.float32) - 0.5
    warp = cv2.getPerspectiveTransform(quad.astype(np.float32), target)
    square = cv2.warpPerspective(gray, warp, (size, size), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
    mean = square.reshape(CELLS + 2, 4, CELLS + 2, 4)[:, 1:3, :, 1:3].mean(axis=(1, 3))
    expected = np.pad(cells, 1, constant_values=1).astype(bool)
    dark, bright = mean[~expected].mean(), mean[expected].mean()
    if bright - dark < 40.0:
        return False
    wrong = (mean > 0.5 * (dark + bright)) != expected
    return bool(wrong[2:-2, 2:-2].sum() <= 1 and wrong.sum() <= 2)
