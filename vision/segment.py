"""Photo -> what lies where: the finder network's class of every cell, and the connected pieces of a class."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.fitting import quantile
from vision.models import CLASSES, Model, shipped
from vision.patch import halved

LONG_SIDE_PX: Final = 512  # the photo's long side as the network sees it
CLOSER_PX: Final = 320  # the same for a second look: at 384 and 512 it found no more parts and read no more words right
STRIDE: Final = 4  # network pixels in a cell of its output
MULTIPLE: Final = 32  # the network's deepest stride
THING: Final = 0.4  # probability from which a cell is one of the small things
SPAN: Final = (0.03, 0.97)  # quantiles of their places: a stray cell does not widen the window
GROW: Final = 2.0  # window over the things' span: what the finder missed lies near what it found
LEAST_WINDOW: Final = 0.4  # of the photo's long side
MOST_WINDOW: Final = 0.75  # a window larger than this shows no more than the whole photo
LARGE_CELLS: Final = 16  # of the map: a part of this radius is seen as well in the whole photo as closer
LEAST_CELLS: Final = 6  # a piece smaller than this is noise: a part of 4 % of the frame still covers about 10 cells


class HasPixels(Protocol):
    """Anything with an upright RGB picture, such as `vision.photo.Photo`."""

    @property
    def pixels(self) -> NDArray[np.uint8]: ...


@dataclass(frozen=True, slots=True)
class Region:
    """One connected piece of a class.

    `mask` is (h, w) bool on the cells of the map. Centre and radius are of its smallest enclosing circle, in photo
    pixels. `confidence` is the mean probability of the class over the piece.
    """

    kind: str
    mask: NDArray[np.bool_]
    centre_px: tuple[float, float]
    radius_px: float
    area_px: float
    confidence: float
    touches_frame: bool


@dataclass(frozen=True, slots=True)
class Regions:
    """Probabilities (C, h, w) float32 over `CLASSES`; cell (i, j) is centred at origin + ((j, i) + 0.5) * step - 0.5 px."""

    probability: NDArray[np.float32]
    step_px: float
    origin_px: tuple[float, float] = (0.0, 0.0)  # left and top edge of the window of the photo that the map shows

    def components(self, kind: str, *, at_least: float = 0.5) -> tuple[Region, ...]:
        """Connected pieces where `kind` has at least that probability, the greatest mass of probability first.

        Kinds may be joined, as in ``cam+other``.
        """
        layer = self.probability[[CLASSES.index(name) for name in kind.split("+")]].sum(axis=0)
        above = layer >= at_least
        count, pieces, stats, _ = cv2.connectedComponentsWithStats(above.astype(np.uint8), connectivity=8)
        found = []
        for number in range(1, count):
            left, top, width, height, cells = (int(v) for v in stats[number])
            if cells < LEAST_CELLS:
                continue
            mask = pieces == number
            contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            (x, y), radius = cv2.minEnclosingCircle(np.concatenate(contours))
            rows, columns = layer.shape
            found.append(
                Region(
                    kind=kind,
                    mask=np.asarray(mask, dtype=np.bool_),
                    centre_px=(
                        self.origin_px[0] + (x + 0.5) * self.step_px - 0.5,
                        self.origin_px[1] + (y + 0.5) * self.step_px - 0.5,
                    ),
                    radius_px=(radius + 0.5) * self.step_px,
                    area_px=cells * self.step_px**2,
                    confidence=float(layer[mask].mean()),
                    touches_frame=left == 0 or top == 0 or left + width == columns or top + height == rows,
                )
            )
        return tuple(sorted(found, key=lambda region: -region.area_px * region.confidence))

    def main_part(self) -> Region | None:
        """The piece the reader network should look at: the greatest cam, or else the greatest other thing."""
        for kind in ("cam", "other"):
            for at_least in (0.5, 0.25):
                pieces = self.components(kind, at_least=at_least)
                if pieces:
                    return pieces[0]
        return None

    def at_px(self, kind: str, points_px: NDArray[np.float64]) -> NDArray[np.float32]:
        """Probability of a class at photo points (N, 2), by the nearest cell."""
        cells = np.floor((np.asarray(points_px) - self.origin_px + 0.5) / self.step_px).astype(int)
        rows, columns = self.probability.shape[1:]
        inside = np.clip(cells, 0, (columns - 1, rows - 1))
        return np.asarray(self.probability[CLASSES.index(kind), inside[:, 1], inside[:, 0]], dtype=np.float32)

    def mean_of(self, kind: str, mask: NDArray[np.bool_]) -> float:
        """Mean probability of a class over a mask of cells."""
        return float(self.probability[CLASSES.index(kind)][mask].mean())


def finder_input(
    pixels: NDArray[np.uint8], long_side: int = LONG_SIDE_PX
) -> tuple[NDArray[np.uint8], tuple[int, int], float]:
    """The picture the finder sees, the part of it that is photo (rows, columns), and photo pixels per pixel of it.

    A strip of under one network pixel at the right or bottom may be left out, so that one step holds for both axes.
    """
    height, width = pixels.shape[:2]
    step = max(height, width) / long_side
    rows, columns = max(1, int(height / step + 1e-6)), max(1, int(width / step + 1e-6))
    kept = pixels[: max(1, round(rows * step)), : max(1, round(columns * step))]
    while min(kept.shape[0] / rows, kept.shape[1] / columns) >= 2.0:
        kept = halved(kept)
    small = cv2.resize(kept, (columns, rows), interpolation=cv2.INTER_AREA if step > 1.0 else cv2.INTER_LINEAR)
    padded = cv2.copyMakeBorder(small, 0, -rows % MULTIPLE, 0, -columns % MULTIPLE, cv2.BORDER_REPLICATE)
    return np.asarray(padded, dtype=np.uint8), (rows, columns), step


def find_regions(photo: HasPixels, *, model: Model | None = None) -> Regions:
    """What lies where in the photo.

    Parameters
    ----------
    photo : Photo
        Upright RGB, (H, W, 3) uint8.
    model : Model, optional
        Another finder than the shipped one.

    Returns
    -------
    Regions

    Raises
    ------
    ModelError
        If the shipped network is missing or not understood.
    """
    return _run(photo.pixels, shipped("finder") if model is None else model)


def _run(pixels: NDArray[np.uint8], finder: Model, long_side: int = LONG_SIDE_PX) -> Regions:
    picture, (rows, columns), step = finder_input(pixels, long_side)
    probability = finder.run(picture[None])["probability"][0]
    seen = probability[:, : -(-rows // STRIDE), : -(-columns // STRIDE)]
    return Regions(probability=np.ascontiguousarray(seen), step_px=step * STRIDE)


def look_closer(pixels: NDArray[np.uint8], regions: Regions, *, model: Model | None = None) -> Regions | None:
    """The finder's second look, at the window that holds the small things; None where it would show no more.

    A part that is small in the frame is only some forty pixels to the finder, which then runs it into its neighbours.
    """
    height, width = pixels.shape[:2]
    things = regions.probability[[CLASSES.index(kind) for kind in ("cam", "other", "coin")]].sum(axis=0)
    rows, columns = np.nonzero(things > THING)
    if not len(rows):
        return None
    part = regions.main_part()
    if part is not None and part.radius_px > LARGE_CELLS * regions.step_px:
        return None
    (left, right), (top, bottom) = quantile(columns, SPAN), quantile(rows, SPAN)
    longest = float(max(height, width))
    side = max(GROW * max(right - left + 1.0, bottom - top + 1.0) * regions.step_px, LEAST_WINDOW * longest)
    if side > MOST_WINDOW * longest:
        return None
    x = float(np.clip((left + right + 1.0) / 2.0 * regions.step_px - side / 2.0, 0.0, max(0.0, width - side)))
    y = float(np.clip((top + bottom + 1.0) / 2.0 * regions.step_px - side / 2.0, 0.0, max(0.0, height - side)))
    window = pixels[int(y) : int(y + side), int(x) : int(x + side)]
    closer = _run(window, shipped("finder") if model is None else model, CLOSER_PX)
    return Regions(closer.probability, closer.step_px, (float(int(x)), float(int(y))))
