"""Photo -> the rim of a named coin, sub-pixel, told from the part, from holes and from other round things."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.colour_cut import round_outline
from vision.fitting import Ellipse, fit_ellipse, fit_ellipse_robust
from vision.models import CLASSES, Model, ModelError, shipped
from vision.outline import level_curves
from vision.patch import halved
from vision.photo import Photo
from vision.plane import ASSUMED_FOCAL_35MM, focal_px
from vision.quantity import NotMeasured, Quantity
from vision.scale import CircleReference, Scale
from vision.scale.coin_body import fit_body
from vision.scale.coins import COINS, RARE, Coin, coin_by_name
from vision.scale.rim import LEAST_RADIUS_PX, EdgeRays, Profile, Rim, Start, Wall, ellipse_start, trace_rim
from vision.scale.rim_network import look_at, nearer, rim_of
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
COST_OF_RARE: Final = 1.0  # of a coin seldom met that another rim would have to be, in steps of SAME_SIZE
SIGMA_PX: Final = 0.4
MOST_STARTS: Final = 6
MOST_CIRCLES: Final = 40
MOST_LOOKS: Final = 16  # of the rim network at once
LEAST_COIN: Final = 0.5  # of the rim network's probability that a thing is a coin
SURE_COIN: Final = 0.65  # less of it is a doubt to be told; 6 of 100 true coins, path-traced, have less
SURE_FINDER: Final = (
    0.8  # mean probability of a coin's cells from which it has a say beside those the rim network knows
)
DOUBTED: Final = 0.6  # where one network is sure of a coin and the other of none
CLEAR_COIN: Final = 0.5  # a rim this surely a coin's where the finder saw one: no other round thing is looked for
CLEAR_SUPPORT: Final = 0.6
NEAR_WINDOW: Final = 2.5  # radii to each side of a coin that the finder saw: round edges are looked for there next
NEAR_SIDE_PX: Final = 320.0
NEAR_SIZES: Final = (0.75, 1.35)  # of the finder's radius
MOST_ASIDE: Final = 0.11  # radii between the rim's middle and the finder's: 1 of 100 good rims lies further off
SAME_PLACE: Final = 0.7  # radii within which it is one coin
UNSURE_RIM: Final = 0.022  # relative uncertainty of the radius from which the rim is a doubt, too
CLOSER_LOOKS: Final = 3  # along the ellipse of the last one
LEAST_ROUND: Final = 0.1  # the same for a round thing of the user's own, which need not look like a coin
OTHER_WEIGHT: Final = 0.25  # of what the finder takes for another thing: washers, but dark or grey coins, too
LEAST_THING: Final = 0.5  # of the finder's probability that coin or other thing lies there
LEAST_DISC: Final = 0.8  # share of the circle round a thing that it fills when it is round, seen aslant at most
MOST_DISCS: Final = 6
PART_RADIUS_MM: Final = 17.0  # of the circle round a cam, from memory, give or take a quarter
U_PART_RADIUS: Final = 0.25
LEAST_WEIGHT: Final = 0.2  # of support, coin and "not the part" multiplied
OUTER_WEIGHT: Final = 0.6  # of the inner ring's weight makes the outer one the rim
WHOLE_OF_INNER: Final = 1.4  # a coin of two metals over its inner disc: 1.3 to 1.5
U_ASKEW_RAD: Final = 0.5  # of the camera from straight above the coin, for what may be one
CANNOT_TELL: Final = 0.7  # steps of SAME_SIZE by which misfits must differ: one size seen 1.4 % wrong
RIVAL: Final = 0.7  # of the surest rim's support and coin makes another one a coin, too
MOST_RIMS: Final = 4
U_NETWORK_ALONE: Final = 0.03  # with 0.02 the size held the truth in 75 % of 16 coins
LEAST_POINTS: Final = 30
CLEAR_WORD: Final = -1.2  # mean log density of a body that the network's word leaves no doubt about
U_BODY: Final = 0.0034  # this and the next three: errors of 138 path-traced coins, 137 others agree
U_BODY_PX: Final = 0.16
U_OF_UNSEEN: Final = 0.018  # an outline of which no edge is seen
U_OF_DOUBT: Final = 0.019
U_BODY_EDGE: Final = 0.010
U_OF_WALL: Final = 0.3  # of the mean width by which face and outline are not a wall apart: the rim is between
# A coin's edge is rounded, by one or two tenths of a millimetre (memory), and turned that far it mirrors the bench: the rim
# is seen within the greatest width, which is the mint's diameter. Path-traced rims of one renderer lie .02 mm within, of
# another, with edges rounded by .12 to .25 mm, .1 mm (432 and 15 coins).
ROUNDED_MM: Final = 0.04
U_ROUNDED_MM: Final = 0.045


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
    finders = [] if regions is None else _network_starts(regions)
    rims = find_rims(photo, coin=known, regions=regions, part_mask=part_mask, finders=finders)
    if not rims:
        text = "the coin was not found: lay it flat beside the part, whole in the picture and clear of its shadow"
        return NotMeasured("coin-not-found", text)
    ranked = _ranked(rims, known, _radius_of(part_mask, regions))
    chosen = ranked[0][1]
    same = [r for r in rims if r is not chosen and _same_coin(r, chosen, known)]
    notes: list[NotMeasured] = []
    rivals = [r for r in rims if r.support * r.confidence > RIVAL * chosen.support * chosen.confidence]
    if len(rivals) > 1 + len(same):
        notes.append(
            NotMeasured(
                "several-coins", f"{len(rivals)} coins are seen; the one whose size fits {known.id} best was used"
            )
        )
    # sizes tell coins apart; where the chosen one may be no coin at all, any of the others may be the one
    unsure = chosen.confidence < SURE_COIN
    as_likely = [rim for misfit, rim in ranked[1:] if unsure or misfit < ranked[0][0] + CANNOT_TELL]
    apart = max((abs(float(np.log(rim.radius_px / chosen.radius_px))) for rim in as_likely), default=0.0)
    aside = _aside(chosen, finders)
    if aside > MOST_ASIDE:  # an inner ring or a foot for a part of the rim
        u_radius = float(np.hypot(chosen.u_radius_relative, aside))
        chosen = replace(chosen, u_radius_relative=u_radius)
    if apart > 0.0:  # sizes alone do not tell which of them it is: the 95 % reach to the farthest
        u_radius = float(np.hypot(chosen.u_radius_relative, 0.5 * apart))
        chosen = replace(chosen, u_radius_relative=u_radius)
    unclear = unsure or chosen.u_radius_relative > UNSURE_RIM
    if unclear and known.id in COINS and _rim_network() is not None:
        text = "what is taken for the coin may be another round thing, or its rim is hard to see: check the overlay"
        notes.append(NotMeasured("coin-unsure", text))
    if chosen.support < 0.7:
        notes.append(NotMeasured("coin-half-seen", "the coin's rim is only partly clear: sizes are less sure"))
    circles = tuple(_reference(rim, known) for rim in (chosen, *same))
    return Scale("coin", known.id, circles, circles[0].diameter_mm.u / circles[0].diameter_mm.value, tuple(notes))


def _aside(rim: Rim, finders: Sequence[Start]) -> float:
    """How far the rim's middle lies from that of the coin the finder saw there, in radii; 0 where it saw none."""
    away = [float(np.hypot(*(f.centre_px - rim.centre_px))) / rim.radius_px for f in finders]
    return min((a for a in away if a < SAME_PLACE), default=0.0)


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
    edge, evidence, rounded = rim.edge_px, rim.evidence, 0.0
    if coin.id in COINS:
        larger = 1.0 + 2.0 * ROUNDED_MM / struck.value
        rounded = 2.0 * U_ROUNDED_MM
        middle = np.array(rim.centre_px)
        edge = middle + larger * (edge - middle)
        if evidence is not None:
            evidence = replace(evidence, radius_px=larger * evidence.radius_px)
    u = float(np.sqrt(struck.u**2 + (rim.u_radius_relative * struck.value) ** 2 + rounded**2))
    return CircleReference(edge, Quantity(struck.value, u), coin.height, max(rim.u_edge_px, SIGMA_PX), evidence)


def find_rims(
    photo: Photo,
    *,
    coin: Coin | None = None,
    regions: Regions | None = None,
    part_mask: NDArray[np.bool_] | None = None,
    most: int = MOST_STARTS,
    finders: Sequence[Start] | None = None,
) -> tuple[Rim, ...]:
    """Coin-like rims, the surest first; `coin` tells how thick they are and whether they have sides.

    At most `most` places are looked at, the likeliest first. `finders` are the ellipses of the finder's coins, where they
    are known already.
    """
    if finders is None:
        finders = [] if regions is None else _network_starts(regions)
    pixels = photo.pixels
    profile = None
    if coin is not None and coin.sides:
        profile = Profile(coin.sides, 2.0 * coin.edge_mm / coin.mean_diameter_mm)
    size = (pixels.shape[1], pixels.shape[0])
    ratio = USUAL_WALL if coin is None else coin.height.value / (coin.mean_diameter_mm / 2.0)
    middle = np.array([(size[0] - 1) / 2.0, (size[1] - 1) / 2.0])
    wall = Wall(ratio, focal_px(photo.focal_35mm or ASSUMED_FOCAL_35MM, size), middle)
    network = _rim_network()
    struck = coin is None or coin.id in COINS
    rims: list[Rim] = []
    if network is not None:
        least = LEAST_COIN if struck else LEAST_ROUND
        rims = _told_rims(pixels, network, wall, profile, regions, part_mask, least, finders)
    if not rims:
        alone = network is None or not struck  # what is no coin may look like none
        rims = _traced_rims(pixels, wall, profile, regions, part_mask, finders[:most], most, alone=alone)
    return tuple(sorted(rims, key=lambda r: -r.support * r.confidence))


def _told_rims(
    pixels: NDArray[np.uint8],
    network: Model,
    wall: Wall,
    profile: Profile | None,
    regions: Regions | None,
    part_mask: NDArray[np.bool_] | None,
    least: float,
    finders: Sequence[Start],
) -> list[Rim]:
    """The rims that the rim network knows for a coin's: where the finder saw one, else wherever something may be round.

    What differs from the bench in hue alone is looked for only when nothing else is found.
    """
    likely = [] if regions is None else [*finders, *_rough_starts(regions), *_disc_starts(regions)]
    told: list[Rim] = []
    for among in ("seen", "near", "grey", "colours") if likely else ("grey", "colours"):
        starts = _apart(likely)
        if among == "grey":
            rims = _finders_rims(pixels, network, wall, profile, finders[:MOST_STARTS])
            if rims:
                return rims
        if among == "near":
            starts = _apart(_round_near(pixels, starts))[:MOST_LOOKS]
        elif among != "seen":
            edges = _round_starts(pixels, regions, part_mask, in_colours=among == "colours", keen=True)
            starts = _apart([*likely, *edges])[:MOST_LOOKS]
        wider = [] if among == "near" else [_wider(start) for start in starts]
        looks = look_at(pixels, _apart([*starts, *wider]), network)
        looks = look_at(pixels, _apart([n for look in looks if (n := nearer(look)) is not None]), network)
        looks = [look for look in looks if look.coin > 0.4 * least]
        looks = look_at(pixels, _apart([n for look in looks if (n := nearer(look)) is not None]), network)
        seen = [rim for look in looks if look.coin > least and (rim := rim_of(look, profile)) is not None]
        told = told if among == "near" else []
        told += [_doubted(rim, regions, part_mask) for rim in seen if rim.support >= LEAST_SUPPORT]
        rims = _disjoint(told)
        if among in ("seen", "near") and not any(r.support > CLEAR_SUPPORT and r.confidence > CLEAR_COIN for r in rims):
            continue
        if rims:
            bodies = [_as_body(pixels, rim, wall, profile) for rim in rims[:MOST_RIMS]]
            missed = [f for f in finders[:MOST_STARTS] if f.confidence > SURE_FINDER and not _covered(f, bodies)]
            return bodies + _finders_rims(pixels, network, wall, profile, missed)
    return []


def _covered(start: Start, rims: Sequence[Rim]) -> bool:
    """Whether one of the rims is that of the finder's coin."""
    return any(
        np.hypot(*(start.centre_px - r.centre_px)) < SAME_PLACE * max(start.radius_px, r.radius_px) for r in rims
    )


def _finders_rims(
    pixels: NDArray[np.uint8], network: Model, wall: Wall, profile: Profile | None, starts: Sequence[Start]
) -> list[Rim]:
    """The rims of what the finder is sure are coins and the rim network is not: where it sees an edge all the same."""
    rims: list[Rim] = []
    for start in starts:
        looks = look_at(pixels, [start], network)
        for _ in range(CLOSER_LOOKS):
            looks = look_at(pixels, [n for look in looks if (n := nearer(look)) is not None], network)
        rim = rim_of(looks[0], profile) if looks else None
        if rim is not None and rim.support >= LEAST_SUPPORT:
            told_apart = looks[0].coin < LEAST_ROUND  # the two networks do not agree at all
            sure = min(start.confidence, DOUBTED) if told_apart else start.confidence
            rims.append(_as_body(pixels, replace(rim, confidence=sure), wall, profile))
    return _disjoint(rims)


def _wider(start: Start) -> Start:
    """The start again, as large as a coin is whose inner disc it may be."""
    return Start(start.centre_px, WHOLE_OF_INNER * start.radius_px, (0.0, 0.0), start.u_radius_px, start.confidence)


def _disjoint(rims: Sequence[Rim]) -> list[Rim]:
    """The likeliest rims that do not lie in one another; of two with one middle the outer, if it is nearly as likely."""
    kept: list[Rim] = []
    for rim in sorted(rims, key=lambda r: -r.support * r.confidence):
        if rim.support * rim.confidence < LEAST_WEIGHT:
            break
        for k, other in enumerate(kept):
            if np.hypot(*np.subtract(rim.centre_px, other.centre_px)) < 0.6 * max(rim.radius_px, other.radius_px):
                outer = rim.radius_px > 1.15 * other.radius_px
                if outer and rim.support * rim.confidence > OUTER_WEIGHT * other.support * other.confidence:
                    kept[k] = rim
                break
        else:
            kept.append(rim)
    return kept


def _as_body(pixels: NDArray[np.uint8], rim: Rim, wall: Wall, profile: Profile | None) -> Rim:
    """The network's rim as the face of a body with a wall."""
    told = rim.told
    rays = None if told is None else EdgeRays.cast(pixels, told.start)
    body = None if rays is None or told is None else fit_body(rays, told, wall, profile)
    ellipse = None if body is None else fit_ellipse(body.face_px)
    flat = not isinstance(ellipse, Ellipse) or ellipse.short < MOST_FLAT * ellipse.long
    if body is None or flat or len(body.edge_px) < LEAST_POINTS:
        return replace(rim, u_radius_relative=float(np.hypot(rim.u_radius_relative, U_NETWORK_ALONE)))
    assert isinstance(ellipse, Ellipse)
    of_doubt = U_OF_DOUBT * max(CLEAR_WORD - body.told, 0.0)
    of_unseen = U_OF_UNSEEN * (1.0 - body.support)
    u = float(np.sqrt(U_BODY**2 + (U_BODY_PX / ellipse.long) ** 2 + of_unseen**2 + of_doubt**2))
    u = float(np.hypot(u, U_OF_WALL * body.unlike_wall))
    return replace(
        rim,
        ellipse=ellipse,
        edge_px=body.edge_px,
        support=max(body.support, rim.support),
        u_radius_relative=u,
        u_edge_px=float(np.hypot(U_BODY_EDGE * ellipse.long, body.rms_px)),
        evidence=body.evidence,
    )


def _doubted(rim: Rim, regions: Regions | None, part_mask: NDArray[np.bool_] | None) -> Rim:
    """The rim, less sure if it is seen much askew or lies on the part."""
    tilt = float(np.arccos(min(rim.ellipse.short / rim.ellipse.long, 1.0)))
    square = float(np.exp(-0.5 * (tilt / U_ASKEW_RAD) ** 2))
    return replace(rim, confidence=rim.confidence * square * _not_part(rim, regions, part_mask))


def _not_part(rim: Rim, regions: Regions | None, part_mask: NDArray[np.bool_] | None) -> float:
    """1 where a disc lies on bench or coin, less where it lies on the part or on a washer, which are round, too."""
    if regions is None:
        return 1.0
    disc = np.zeros(regions.probability.shape[1:], np.uint8)
    centre = ((np.array(rim.centre_px) - regions.origin_px + 0.5) / regions.step_px - 0.5) * 16
    cv2.circle(
        disc, tuple(np.round(centre).astype(int).tolist()), round(16 * rim.radius_px / regions.step_px), 1, -1, 8, 4
    )
    inside = disc > 0
    if not inside.any():
        return 1.0
    if part_mask is not None and part_mask[inside].mean() > 0.5:
        return 0.1
    cam, coin, other = (
        float(regions.probability[CLASSES.index(kind)][inside].mean()) for kind in ("cam", "coin", "other")
    )
    return 1.0 - 0.6 * max(cam - coin, 0.0) - OTHER_WEIGHT * max(other - coin, 0.0)


def _apart(starts: Sequence[Start]) -> list[Start]:
    """Without those that another one before them nearly equals."""
    kept: list[Start] = []
    for start in starts:
        near = (k for k in kept if np.hypot(*(start.centre_px - k.centre_px)) < 0.08 * k.radius_px)
        if not any(abs(start.radius_px / k.radius_px - 1.0) < 0.08 for k in near):
            kept.append(start)
    return kept


def _traced_rims(
    pixels: NDArray[np.uint8],
    wall: Wall,
    profile: Profile | None,
    regions: Regions | None,
    part_mask: NDArray[np.bool_] | None,
    finders: Sequence[Start],
    most: int,
    *,
    alone: bool,
) -> list[Rim]:
    """The rims that gradients and colours show where the finder saw a coin; `alone` also wherever something is round."""
    starts = list(finders)
    if not starts and alone:
        starts = _round_starts(pixels, regions, part_mask)
    rims: list[Rim] = []
    for start in starts[:most]:
        rim = trace_rim(pixels, start, wall, profile)
        if (rim is None or rim.support < WHOLE_RIM) and start.confidence > CONFIDENCE_OF_GRADIENT:
            closer = start
            for _ in range(2):  # the second cut starts where the first ended
                closer = _by_colour(pixels, closer) or closer
            other = trace_rim(pixels, closer, wall, profile)
            if other is not None and (rim is None or other.support > rim.support):
                rim = other
        if rim is None or rim.support < (
            LEAST_SUPPORT if start.confidence > CONFIDENCE_OF_GRADIENT else LEAST_SUPPORT_ALONE
        ):
            continue
        if any(np.hypot(*np.subtract(rim.centre_px, r.centre_px)) < 0.6 * r.radius_px for r in rims):
            continue
        rims.append(rim)
    return rims


def _radius_of(part_mask: NDArray[np.bool_] | None, regions: Regions | None) -> float | None:
    """Radius of the circle round the part, px."""
    if part_mask is None or regions is None or not part_mask.any():
        return None
    rows, columns = np.nonzero(part_mask)
    _, radius = cv2.minEnclosingCircle(np.column_stack([columns, rows]).astype(np.float32))
    return float(radius + 0.5) * regions.step_px


def named_rim(rims: Sequence[Rim], coin: Coin, part_radius_px: float | None = None) -> Rim:
    """Which of several rims is the named coin."""
    return _ranked(rims, coin, part_radius_px)[0][1]


def _ranked(rims: Sequence[Rim], coin: Coin, part_radius_px: float | None) -> list[tuple[float, Rim]]:
    """Rims that may be the named coin with their misfit, in steps of SAME_SIZE, the likeliest first: the one that makes
    the others' sizes those of struck coins, too.

    Rims much less sure than the surest are no coins and have no say. `part_radius_px`, of the circle round the part, speaks
    against a rim that would make the part far larger or smaller than cams are.
    """
    most = max(rim.support * rim.confidence for rim in rims)
    rims = [rim for rim in rims if rim.support * rim.confidence > RIVAL * most]
    if len(rims) == 1:
        return [(0.0, rims[0])]
    family = coin.id.split("-")[0] + "-"
    others = [c for c in COINS.values() if c.id.startswith(family)] or [coin]
    sizes = np.array([c.mean_diameter_mm for c in others])
    seldom = np.array([COST_OF_RARE if c.id in RARE else 0.0 for c in others])

    def misfit(rim: Rim) -> float:
        mm_per_px = coin.mean_diameter_mm / (2.0 * rim.radius_px)
        total = 0.0
        for other in rims:
            if other is not rim:
                relative = np.abs(2.0 * other.radius_px * mm_per_px / sizes - 1.0)
                total += min(float((relative / SAME_SIZE + seldom).min()), 3.0)
        if part_radius_px is not None:
            total += 0.5 * (np.log(part_radius_px * mm_per_px / PART_RADIUS_MM) / U_PART_RADIUS) ** 2
        return float(total - 0.2 * rim.confidence * rim.support)

    return sorted(((misfit(rim), rim) for rim in rims), key=lambda pair: pair[0])


def _network_starts(regions: Regions) -> list[Start]:
    """Ellipses round the finder's coins."""
    starts = []
    coin_map = regions.probability[CLASSES.index("coin")]
    for piece in regions.components("coin", at_least=0.4):
        if piece.touches_frame or piece.confidence < 0.5 or piece.radius_px < LEAST_RADIUS_PX:
            continue
        alone = np.where(cv2.dilate(piece.mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0, coin_map, 0.0)
        curves = level_curves(alone.astype(np.float32))
        if not curves:
            continue
        outline = (curves[0] + 0.5) * regions.step_px - 0.5 + regions.origin_px
        radius = float(np.sqrt(piece.area_px / np.pi))
        start = ellipse_start(outline, max(U_MAP_CELLS * regions.step_px, U_MAP_RELATIVE * radius), piece.confidence)
        if start is not None and start.radius_px > 0.7 * piece.radius_px:
            starts.append(start)
    return starts


def _rough_starts(regions: Regions) -> list[Start]:
    """Circles round whatever the finder took for a coin in part."""
    starts = []
    for at_least in (0.4, 0.15):
        for piece in regions.components("coin", at_least=at_least)[:3]:
            u = 0.1 * piece.radius_px
            starts.append(Start(np.array(piece.centre_px), piece.radius_px, (0.0, 0.0), u, piece.confidence))
    return starts


def _disc_starts(regions: Regions) -> list[Start]:
    """Circles round what is as round as a coin and that the finder takes for a coin or another thing.

    A coin in poor light, or one unlike those it has learned, is another thing to it; the rim network tells them apart.
    """
    thing = regions.probability[CLASSES.index("coin")] + regions.probability[CLASSES.index("other")]
    shown = (thing > LEAST_THING).astype(np.uint8)
    outlines, _ = cv2.findContours(shown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    starts = []
    for outline in outlines:
        (x, y), radius = cv2.minEnclosingCircle(outline)
        radius += 0.5  # the outline runs through the middles of its cells
        filled = (cv2.contourArea(outline) + 0.5 * len(outline) + 1.0) / (np.pi * radius**2)
        if filled < LEAST_DISC or radius * regions.step_px < LEAST_RADIUS_PX:
            continue
        centre = (np.array([x, y]) + 0.5) * regions.step_px - 0.5 + regions.origin_px
        cells = np.zeros(thing.shape, np.uint8)
        cv2.drawContours(cells, [outline], -1, 1, cv2.FILLED)
        size = float(radius) * regions.step_px
        starts.append(Start(centre, size, (0.0, 0.0), 0.1 * size, float(thing[cells > 0].mean())))
    return sorted(starts, key=lambda s: -s.confidence * s.radius_px)[:MOST_DISCS]


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


def _round_near(pixels: NDArray[np.uint8], seen: Sequence[Start]) -> list[Start]:
    """Round edges near what the finder took for coins, about as large; what is smaller may be an inner disc."""
    found: list[Start] = []
    looked: list[Start] = []
    for start in seen:
        if any(np.hypot(*(start.centre_px - other.centre_px)) < other.radius_px for other in looked):
            continue
        looked.append(start)
        reach = NEAR_WINDOW * start.radius_px
        low = np.maximum(np.floor(start.centre_px - reach), 0.0).astype(int)
        high = np.ceil(start.centre_px + reach).astype(int)
        window = pixels[low[1] : high[1], low[0] : high[0]]
        if min(window.shape[:2]) < LEAST_RADIUS_PX:
            continue
        for edge in _round_starts(window, None, None, keen=True, long_side=NEAR_SIDE_PX):
            for as_seen in (edge, _wider(edge)):
                if NEAR_SIZES[0] < as_seen.radius_px / start.radius_px < NEAR_SIZES[1]:
                    found.append(replace(as_seen, centre_px=edge.centre_px + low))
    return found


def _round_starts(
    pixels: NDArray[np.uint8],
    regions: Regions | None,
    part_mask: NDArray[np.bool_] | None,
    *,
    in_colours: bool = False,
    keen: bool = False,
    long_side: float | None = None,
) -> list[Start]:
    """Round edges of the whole picture by the gradient Hough transform, off the part.

    `keen` takes whatever may be round, for a judge who knows coins; `in_colours` looks at hue beside lightness. It is
    looked at with `long_side` pixels of the longer side.
    """
    usual, gradient, least_round = (640.0, 80, 0.5) if keen else (900.0, 220, 0.72)
    shrink = max(1.0, max(pixels.shape[:2]) / (usual if long_side is None else long_side))
    size = (round(pixels.shape[1] / shrink), round(pixels.shape[0] / shrink))
    nearly = pixels
    while nearly.shape[0] >= 2 * size[1] and nearly.shape[1] >= 2 * size[0]:
        nearly = halved(nearly)
    small = cv2.resize(nearly, size, interpolation=cv2.INTER_AREA)
    layers = [cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)]
    if in_colours:
        lab = cv2.split(cv2.cvtColor(small, cv2.COLOR_RGB2LAB))
        layers = [cv2.normalize(layer, np.empty_like(layer), 0, 255, cv2.NORM_MINMAX) for layer in lab]
    least = max(10, round(0.02 * max(size)))
    circles = []
    for layer in layers:
        found = cv2.HoughCircles(
            cv2.medianBlur(layer, 5),
            cv2.HOUGH_GRADIENT_ALT,
            1.5,
            least if keen else 2 * least,
            param1=gradient,
            param2=least_round,
            minRadius=least,
            maxRadius=max(size) // 4,
        )
        circles += [] if found is None else list(found.reshape(-1, 3)[:MOST_CIRCLES])
    starts = []
    for x, y, r in circles:
        centre = (np.array([x, y]) + 0.5) * shrink - 0.5
        if part_mask is not None and regions is not None and not keen:
            row, column = ((centre - regions.origin_px + 0.5)[::-1] / regions.step_px).astype(int)
            if part_mask[np.clip(row, 0, part_mask.shape[0] - 1), np.clip(column, 0, part_mask.shape[1] - 1)]:
                continue
        radius = float(r) * shrink
        starts.append(Start(centre, radius, (0.0, 0.0), U_GRADIENT_RELATIVE * radius, CONFIDENCE_OF_GRADIENT))
    return starts
