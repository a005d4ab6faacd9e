"""Which scale reference is in the photo, and whether several of them agree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.models import CLASSES
from vision.photo import Photo
from vision.plane import Plane, fit_plane
from vision.quantity import NotMeasured, Quantity
from vision.scale import CircleReference, Scale
from vision.scale.coin import find_coin
from vision.scale.cylinder import DIAMETER_MM, find_cylinder
from vision.segment import Regions

if TYPE_CHECKING:
    from vision.scale.ruler import Unit

KINDS: Final = ("auto", "coin", "ruler", "card", "cylinder", "none")
SEEN: Final = 0.5  # probability of a cell that counts as seen
LEAST_CELLS: Final = 12
DISAGREE: Final = 2.0  # standard uncertainties of the difference: JCGM 100:2008, 6.3.3, an interval of about 95 %
U_ELSEWHERE: Final = 0.005  # two references lie at different places and heights: left of tilt and lens; memory


@dataclass(frozen=True, slots=True)
class ScaleRequest:
    """What the user says about the scale reference; everything else is found out."""

    kind: str = "auto"
    coin: str | None = None
    ruler_unit: str | None = None
    card_bar_mm: float | None = None
    cylinder_diameter_mm: Quantity = DIAMETER_MM

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"scale is {self.kind!r}; allowed: {', '.join(KINDS)}")
        if self.ruler_unit not in (None, "mm", "inch"):
            raise ValueError(f"ruler unit is {self.ruler_unit!r}; allowed: mm, inch")


def find_scale(
    photo: Photo,
    request: ScaleRequest | None = None,
    *,
    regions: Regions | None = None,
    part_mask: NDArray[np.bool_] | None = None,
) -> tuple[Scale | None, tuple[NotMeasured, ...]]:
    """Find the reference that the request names, or the surest there is.

    Parameters
    ----------
    photo : Photo
    request : ScaleRequest, optional
        What the user says; `auto` when None.
    regions : Regions, optional
        What the finder network saw.
    part_mask : ndarray of shape (h, w), bool, optional
        The part, on the cells of `regions`.

    Returns
    -------
    tuple of Scale or None, and a tuple of NotMeasured
        The scale and what the user should know; without a scale the first warning says why and what to do.

    Raises
    ------
    ValueError
        If the request names a coin that is not in the table: an error of usage.
    """
    wish = ScaleRequest() if request is None else request
    if wish.kind == "none":
        return None, ()
    if wish.kind == "coin":
        if wish.coin is None:
            return None, (_coin_not_named(),)
        return _one(find_coin(photo, wish.coin, regions=regions, part_mask=part_mask))
    if wish.kind == "card":
        return _one(_card(photo, wish))
    if wish.kind == "ruler":
        return _one(_ruler(photo, wish, regions, part_mask))
    if wish.kind == "cylinder":
        return _one(find_cylinder(photo, wish.cylinder_diameter_mm, regions=regions, part_mask=part_mask))
    return _auto(photo, wish, regions, part_mask)


def _one(found: Scale | NotMeasured) -> tuple[Scale | None, tuple[NotMeasured, ...]]:
    return (found, found.warnings) if isinstance(found, Scale) else (None, (found,))


def _auto(
    photo: Photo, wish: ScaleRequest, regions: Regions | None, part_mask: NDArray[np.bool_] | None
) -> tuple[Scale | None, tuple[NotMeasured, ...]]:
    """Card first, quickest and surest; then the coin if it is named; then the ruler where one can be."""
    found: list[Scale] = []
    missed: list[NotMeasured] = []
    likely = regions is None or wish.card_bar_mm is not None or _sees(regions, "card")
    card = _card(photo, wish, hurried=not likely)
    if isinstance(card, Scale):
        found.append(card)
    elif card.code != "card-not-found" or wish.card_bar_mm is not None:
        missed.append(card)
    if wish.coin is not None:
        coin = find_coin(photo, wish.coin, regions=regions, part_mask=part_mask)
        if isinstance(coin, Scale):
            found.append(coin)
        else:
            missed.append(coin)
    sees_ruler = regions is None or _sees(regions, "ruler")
    if wish.ruler_unit is not None or sees_ruler or not found:
        sought = wish.ruler_unit is not None
        ruler = _ruler(photo, wish, regions, part_mask, thorough=sought or not found, hurried=not sought)
        if isinstance(ruler, Scale):
            found.append(ruler)
        elif wish.ruler_unit is not None or (regions is not None and sees_ruler):
            missed.append(ruler)
    if found:
        best = found[0]
        notes = [*best.warnings, *missed, *_disagreements(photo, found)]
        return best, tuple(notes)
    if regions is not None and wish.coin is None and _sees(regions, "coin"):
        missed.insert(0, _coin_not_named())
    if not missed:
        text = (
            "no coin, ruler or card is seen, so there are no lengths: lay one flat beside the part, or print the card"
        )
        missed.append(NotMeasured("no-scale", text))
    return None, tuple(missed)


def _coin_not_named() -> NotMeasured:
    return NotMeasured("coin-not-named", "a coin gives the scale only when it is named: say which coin it is")


def _card(photo: Photo, wish: ScaleRequest, *, hurried: bool = False) -> Scale | NotMeasured:
    from vision.scale.card import find_card  # here and for the ruler: a reading by coin need not wait for them

    return find_card(photo, bar_mm=wish.card_bar_mm, hurried=hurried)


def _ruler(
    photo: Photo,
    wish: ScaleRequest,
    regions: Regions | None,
    part_mask: NDArray[np.bool_] | None,
    *,
    thorough: bool = True,
    hurried: bool = False,
) -> Scale | NotMeasured:
    """The ruler, with the network's maps cut to the picture: they reach a little beyond it."""
    from vision.scale.ruler import find_ruler

    likely = None
    mask = part_mask
    if regions is not None:
        rows = min(regions.probability.shape[1], round(photo.pixels.shape[0] / regions.step_px))
        columns = min(regions.probability.shape[2], round(photo.pixels.shape[1] / regions.step_px))
        likely = regions.probability[CLASSES.index("ruler")][:rows, :columns]
        mask = None if part_mask is None else part_mask[:rows, :columns]
        if not thorough and not (likely > SEEN).any():
            return NotMeasured("ruler-not-found", "no ruler is seen")
    unit = cast("Unit | None", wish.ruler_unit)
    cells = None if regions is None or mask is None else _extent(mask)
    part_px = None if cells is None or regions is None else cells * regions.step_px
    return find_ruler(photo, unit, ruler_probability=likely, exclude_mask=mask, part_px=part_px, hurried=hurried)


def _extent(mask: NDArray[np.bool_]) -> float | None:
    """Longest side of the smallest rectangle about the mask, in cells; None where it runs out of the map."""
    if not mask.any() or mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any():
        return None
    return float(max(cv2.minAreaRect(np.argwhere(mask).astype(np.float32))[1])) + 1.0


def _sees(regions: Regions, kind: str) -> bool:
    return int((regions.probability[CLASSES.index(kind)] > SEEN).sum()) >= LEAST_CELLS


def _disagreements(photo: Photo, found: list[Scale]) -> list[NotMeasured]:
    """Each further reference held against the first: do both give one size to one place of the bench?"""
    notes = []
    planes = [(s, p) for s in found if isinstance(p := _plane(photo, s), Plane)]
    if not planes:
        return []
    first, reference = planes[0]
    for scale, plane in planes[1:]:
        at = 0.5 * (_middle(first) + _middle(scale))
        ratio = plane.mm_per_px_at(at, 0.0) / reference.mm_per_px_at(at, 0.0)
        u = float(np.sqrt(plane.covariance[3, 3] + reference.covariance[3, 3] + U_ELSEWHERE**2))
        if abs(np.log(ratio)) > DISAGREE * u:
            percent = 100.0 * abs(float(np.log(ratio)))
            text = (
                f"the {first.kind} and the {scale.kind} give sizes that differ by {percent:.1f} %: check the coin's name, "
                "the ruler's unit and the card's bar; the sizes here are the first one's"
            )
            notes.append(NotMeasured("scales-disagree", text))
    return notes


def _plane(photo: Photo, scale: Scale) -> Plane | NotMeasured:
    size = (photo.pixels.shape[1], photo.pixels.shape[0])
    return fit_plane(
        scale.references, image_size=size, focal_35mm=photo.focal_35mm, u_size_relative=scale.u_size_relative
    )


def _middle(scale: Scale) -> NDArray[np.float64]:
    points = [r.edge_px if isinstance(r, CircleReference) else r.image_px for r in scale.references]
    return np.asarray(np.concatenate(points).mean(axis=0))
