"""Photo -> the rim of a named coin, sub-pixel, told from the part, from holes and from other round things."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.colour_cut import round_outline
from vision.fitting import Ellipse, fit_ellipse_robust
from vision.models import CLASSES, Model, ModelError, shipped
from vision.outline import level_curves
from vision.photo import Photo
from vision.plane import ASSUMED_FOCAL_35MM, focal_px
from vision.quantity import NotMeasured, Quantity
from vision.scale import CircleReference, Scale
from vision.scale.coins import COINS, Coin, coin_by_name, twins
from vision.scale.rim import LEAST_RADIUS_PX, Profile, Rim, Start, Wall, ellipse_start, trace_rim
from vision.scale.rim_network import network_rim
from vision.segment import Regions

Array = NDArray[np.float64]

USUAL_WALL: Final = 0.15  # thickness over radius of most coins
U_MAP_CELLS: Final = 0.25  # how well the network's map places an edge, in its cells
U_MAP_RELATIVE: Final = 0.02
WHOLE_RIM: Final = 0.93  # a rim seen this whole needs no second look by colours
U_COLOUR_RELATIVE: Final = 0.04  # of a radius from the border of colours: its wall and shadow
MOST_FLAT: Final = 0.7  # short over long axis
U_GRADIENT_RELATIVE: Final = 0.08  # of a radius from the gradient transform, which takes any ring for the rim
CONFIDENCE_OF_GRADIENT: Final = 0.5  # of a place that only the gradient transform found
LEAST_SUPPORT: Final = 0.45
LEAST_SUPPORT_ALONE: Final = 0.8  # of the rim, where no network says that a coin lies there
SAME_SIZE: Final = 0.02  # two rims this near in size may be two of the same coin, seen at other distances
SIGMA_PX: Final = 0.4
MOST_STARTS: Final = 6
MOST_CIRCLES: Final = 40


def find_coin(
    photo: Photo, coin: str, *, regions: Regions | None = None, part_mask: NDArray[np.bool_] | None = None
) -> Scale | NotMeasured:
    """The named coin in the photo.

    Parameters
    ----------
    photo : Photo
    coin : str
        A name of the table, or the diameter of any round thing as ``24.75mm``.
    regions : Regions, optional
        What the finder network saw; without it round edges are looked for in the whole picture.
    part_mask : ndarray of bool, optional
        Cells of `regions` that are the part: no coin lies there.

    Returns
    -------
    Scale or NotMeasured
        `coin-not-found` when no whole round rim was seen.

    Raises
    ------
    ValueError
        If no coin has that name.
    """
    known = coin_by_name(coin)
    rims = find_rims(photo, coin=known, regions=regions, part_mask=part_mask)
    if not rims:
        text = "the coin was not found: lay it flat beside the part, whole in the picture and clear of its shadow"
        return NotMeasured("coin-not-found", text)
    chosen = named_rim(rims, known)
    same = [r for r in rims if r is not chosen and _same_coin(r, chosen, known)]
    notes: list[NotMeasured] = []
    if len(rims) > 1 + len(same):
        notes.append(
            NotMeasured(
                "several-coins", f"{len(rims)} coins are seen; the one whose size fits {known.id} best was used"
            )
        )
    if chosen.support < 0.7:
        notes.append(NotMeasured("coin-half-seen", "the coin's rim is only partly clear: sizes are less sure"))
    circles = tuple(_reference(rim, known) for rim in (chosen, *same))
    return Scale("coin", known.id, circles, circles[0].diameter_mm.u / circles[0].diameter_mm.value, tuple(notes))


def _same_coin(rim: Rim, chosen: Rim, coin: Coin) -> bool:
    """True when another rim is so alike in size that no other coin of the country would do."""
    rivals = [c for c in COINS.values() if c.id != coin.id and c.id.split("-")[0] == coin.id.split("-")[0]]
    alone = all(abs(c.mean_diameter_mm / coin.mean_diameter_mm - 1.0) > 2.0 * SAME_SIZE for c in rivals)
    return alone and bool(rivals) and abs(rim.radius_px / chosen.radius_px - 1.0) < SAME_SIZE and rim.support > 0.7


@lru_cache(maxsize=1)
def _rim_network() -> Model | None:
    try:
        return shipped("rim")
    except ModelError:
        return None  # the gradients alone serve, less surely


def _reference(rim: Rim, coin: Coin) -> CircleReference:
    """The rim with its struck size; how well the rim was seen counts as part of the size's uncertainty."""
    struck = coin.measured
    u = float(np.hypot(struck.u, rim.u_radius_relative * struck.value))
    return CircleReference(rim.edge_px, Quantity(struck.value, u), coin.height, max(rim.u_edge_px, SIGMA_PX))


def twin_note(coin: Coin) -> NotMeasured | None:
    """A word on coins of the same size, which no photo tells apart; None where there is none."""
    same = twins(coin)
    if not same:
        return None
    return NotMeasured("coin-twin", f"{', '.join(same)} has nearly the same size as {coin.id}: it serves as well")


def find_rims(
    photo: Photo,
    *,
    coin: Coin | None = None,
    regions: Regions | None = None,
    part_mask: NDArray[np.bool_] | None = None,
    most: int = MOST_STARTS,
) -> tuple[Rim, ...]:
    """Coin-like rims, the surest first; `coin` tells how thick they are and whether they have sides.

    At most `most` places are looked at, the likeliest first.
    """
    pixels = photo.pixels
    starts = _network_starts(regions) if regions is not None else []
    if not starts:
        starts = _round_starts(pixels, regions, part_mask)
    size = (pixels.shape[1], pixels.shape[0])
    ratio = USUAL_WALL if coin is None else coin.height.value / (coin.mean_diameter_mm / 2.0)
    middle = np.array([(size[0] - 1) / 2.0, (size[1] - 1) / 2.0])
    wall = Wall(ratio, focal_px(photo.focal_35mm or ASSUMED_FOCAL_35MM, size), middle)
    profile = None
    if coin is not None and coin.sides:
        profile = Profile(coin.sides, 2.0 * coin.edge_mm / coin.mean_diameter_mm)
    network = _rim_network()
    rims: list[Rim] = []
    for start in starts[:most]:
        rim = network_rim(pixels, start, network, profile) if network is not None else None
        rim = rim or trace_rim(pixels, start, wall, profile)
        if (rim is None or rim.support < WHOLE_RIM) and start.confidence > CONFIDENCE_OF_GRADIENT:
            nearer = start
            for _ in range(2):  # the second cut starts where the first ended
                nearer = _by_colour(pixels, nearer) or nearer
            other = trace_rim(pixels, nearer, wall, profile)
            if other is not None and (rim is None or other.support > rim.support):
                rim = other
        if rim is None or rim.support < (
            LEAST_SUPPORT if start.confidence > CONFIDENCE_OF_GRADIENT else LEAST_SUPPORT_ALONE
        ):
            continue
        if any(np.hypot(*np.subtract(rim.centre_px, r.centre_px)) < 0.6 * r.radius_px for r in rims):
            continue
        rims.append(rim)
    return tuple(sorted(rims, key=lambda r: -r.support * r.confidence))


def named_rim(rims: Sequence[Rim], coin: Coin) -> Rim:
    """Which of several rims is the named coin: the one that makes the others' sizes those of struck coins, too."""
    if len(rims) == 1:
        return rims[0]
    family = coin.id.split("-")[0] + "-"
    sizes = np.array([c.mean_diameter_mm for c in COINS.values() if c.id.startswith(family)] or [coin.mean_diameter_mm])

    def misfit(rim: Rim) -> float:
        mm_per_px = coin.mean_diameter_mm / (2.0 * rim.radius_px)
        total = 0.0
        for other in rims:
            if other is not rim:
                relative = np.abs(2.0 * other.radius_px * mm_per_px / sizes - 1.0)
                total += min(float(relative.min()) / 0.02, 3.0)
        return total - 0.2 * rim.confidence * rim.support

    return min(rims, key=misfit)


def _network_starts(regions: Regions) -> list[Start]:
    starts = []
    coin_map = regions.probability[CLASSES.index("coin")]
    for piece in regions.components("coin", at_least=0.4):
        if piece.touches_frame or piece.confidence < 0.5 or piece.radius_px < LEAST_RADIUS_PX:
            continue
        alone = np.where(cv2.dilate(piece.mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0, coin_map, 0.0)
        curves = level_curves(alone.astype(np.float32))
        if not curves:
            continue
        outline = (curves[0] + 0.5) * regions.step_px - 0.5
        radius = float(np.sqrt(piece.area_px / np.pi))
        start = ellipse_start(outline, max(U_MAP_CELLS * regions.step_px, U_MAP_RELATIVE * radius), piece.confidence)
        if start is not None and start.radius_px > 0.7 * piece.radius_px:
            starts.append(start)
    return starts


def _by_colour(pixels: NDArray[np.uint8], start: Start) -> Start | None:
    """The start moved to where the colours of coin and bench part; None where they do not make an ellipse."""
    outline = round_outline(pixels, start.centre_px, start.radius_px)
    if outline is None:
        return None
    ellipse = fit_ellipse_robust(outline)
    if not isinstance(ellipse, Ellipse) or ellipse.used.mean() < 0.75 or ellipse.short < MOST_FLAT * ellipse.long:
        return None
    nearer = ellipse_start(outline[ellipse.used], U_COLOUR_RELATIVE * ellipse.long, start.confidence)
    if nearer is None or not 0.8 < nearer.radius_px / start.radius_px < 1.25:
        return None
    return nearer


def _round_starts(
    pixels: NDArray[np.uint8], regions: Regions | None, part_mask: NDArray[np.bool_] | None
) -> list[Start]:
    """Round edges of the whole picture by the gradient Hough transform, for pictures where the network saw no coin."""
    shrink = max(1.0, max(pixels.shape[:2]) / 900.0)
    size = (round(pixels.shape[1] / shrink), round(pixels.shape[0] / shrink))
    grey = cv2.medianBlur(cv2.cvtColor(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY), 5)
    least = max(10, round(0.02 * max(size)))
    found = cv2.HoughCircles(
        grey, cv2.HOUGH_GRADIENT_ALT, 1.5, 2 * least, param1=220, param2=0.72, minRadius=least, maxRadius=max(size) // 4
    )
    if found is None:
        return []
    starts = []
    for x, y, r in found.reshape(-1, 3)[:MOST_CIRCLES]:
        centre = (np.array([x, y]) + 0.5) * shrink - 0.5
        if part_mask is not None and regions is not None:
            row, column = ((centre[::-1] + 0.5) / regions.step_px).astype(int)
            if part_mask[min(row, part_mask.shape[0] - 1), min(column, part_mask.shape[1] - 1)]:
                continue
        radius = float(r) * shrink
        starts.append(Start(centre, radius, (0.0, 0.0), U_GRADIENT_RELATIVE * radius, CONFIDENCE_OF_GRADIENT))
    return starts
