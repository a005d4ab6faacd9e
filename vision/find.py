"""The one cam in the picture: candidates from the finder and the photo's colours, confirmed by the reader's close look."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.classify import Look, PatchReading, look_once, read_part
from vision.colour_cut import close_in
from vision.models import MAPS
from vision.patch import Patch
from vision.quantity import NotMeasured
from vision.segment import Region, Regions, look_closer

Circle = tuple[tuple[float, float], float]  # centre and radius, photo pixels

KINDS: Final = (("cam", 0.5), ("cam+other", 0.4), ("cam+other+coin", 0.5))  # the finder errs most between these three
LOOKS: Final = 12  # close looks at most in one picture
SETTLED: Final = 0.65  # a look this good needs no other candidate at the same place
WORTH_A_LOOK: Final = 0.3  # mean cam probability of a thing elsewhere that may be a second part
MISFIT: Final = 1.5  # how much a face that does not fill its candidate's circle counts against it
STILL: Final = 0.12  # of the radius: the reader's face and the candidate's circle are the same
SAME_PLACE: Final = 0.3  # of the radius between centres
SAME_SIZE: Final = 1.15
ON_CARD: Final = (0.3, 0.2)  # of a card's radius: circles in its middle that a part may fill
# Of 1,118 held-out path-traced parts 9 were cut short by more than 15 %; 75 looks fit worse than this, 8 of those among them.
FITS: Final = 0.8
WIDER: Final = 1.45
LARGER: Final = 1.1
# A face that reaches the patch's border goes on beyond it, also where it is faint: of 4 such among 1,228 parts read 3 show.
RIM: Final = 8  # pixels of the border
PERHAPS_FACE, STILL_FACE = 0.15, 0.4
SURE_CAM: Final = 0.87  # two things both this surely cams are two parts
SEVERAL_PARTS_AREA: Final = 0.3  # of the greatest part's area: a second cam at least this large is a second part


@dataclass(frozen=True, slots=True)
class Found:
    """The part the reader network confirmed, or what stands against it."""

    region: Region | None
    patch: Patch | None
    words: PatchReading | None
    outcome: str
    warnings: tuple[NotMeasured, ...] = ()


@dataclass(frozen=True, slots=True)
class Candidate:
    """A thing that may be the part: its circle, and how much the finder takes it for a cam."""

    circle: Circle
    cam: float
    area_px: float


@dataclass(frozen=True, slots=True)
class Seen:
    """A candidate after a close look. `worth` is the probability of a cam, less when its face does not fill the circle."""

    circle: Circle
    look: Look
    worth: float


def find_part(pixels: NDArray[np.uint8], regions: Regions) -> Found:
    """The one cam in the picture, confirmed by a close look; or the outcome that says why there is none.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
        Upright RGB photo.
    regions : Regions
        What the finder says of the whole photo. Where all things lie in a small part of it, that part is looked at again.
    """
    seen = _looks(pixels, regions)
    if not seen:
        text = "no part is seen: put the cam flat on a plain sheet and fill about a third of the frame with it"
        return Found(None, None, None, "retake", (NotMeasured("no-part", text),))
    best = _wider(pixels, max(seen, key=lambda s: s.worth))
    words, patch = read_part(pixels, *best.circle, first_look=best.look.seen)
    if not words.is_cam:
        text = "what lies there does not look like a cam: if it is one, lay it flat, screw side up, and photograph it again"
        return Found(_region(words, patch, regions), patch, words, "not-a-cam", (NotMeasured("not-a-cam", text),))
    region = _region(words, patch, regions)
    for rival in _apart(best, seen):
        if rival.look.cam_probability > SURE_CAM and rival.circle[1] ** 2 > SEVERAL_PARTS_AREA * best.circle[1] ** 2:
            other, _ = read_part(pixels, *rival.circle, first_look=rival.look.seen)
            if other.is_cam and min(other.cam_probability, words.cam_probability) > SURE_CAM:
                text = "more than one part is in the picture: photograph one at a time"
                return Found(region, patch, words, "retake", (NotMeasured("several-parts", text),))
    return Found(region, patch, words, "read")


def _wider(pixels: NDArray[np.uint8], best: Seen) -> Seen:
    """A look that fits badly may have cut a tail off that the finder took for bench: what a wider look shows, if better."""
    if best.worth > FITS:
        return best
    wide = look_once(pixels, best.circle[0], WIDER * best.circle[1])
    if wide.face is None or best.look.face is None or wide.face[1] < LARGER * best.look.face[1]:
        return best
    again = look_once(pixels, *wide.face)
    if again.face is None:
        return best
    return max(best, Seen(wide.face, again, _worth(wide.face, again)), key=lambda s: s.worth)


def runs_out(words: PatchReading) -> bool:
    """True when the face seems to go on beyond its patch."""
    face = words.maps[MAPS.index("face")]
    border = (face[:RIM], face[-RIM:], face[:, :RIM], face[:, -RIM:])
    if not any(float(side.max()) > STILL_FACE for side in border):
        return False
    count, pieces = cv2.connectedComponents((face > PERHAPS_FACE).astype(np.uint8))
    if count < 2:
        return False
    own = pieces == np.argmax(np.bincount(pieces.ravel())[1:]) + 1
    inner = np.zeros(face.shape, np.bool_)
    inner[RIM:-RIM, RIM:-RIM] = True
    return bool((face[own & ~inner] > STILL_FACE).any())


def _looks(pixels: NDArray[np.uint8], regions: Regions) -> list[Seen]:
    """Close looks at the candidates, until the rest can change nothing."""
    closer = look_closer(pixels, regions)
    views = [regions] if closer is None else [closer, regions]
    seen: list[Seen] = []
    looked: list[Circle] = []
    for candidate in sorted(_candidates(views), key=lambda c: -c.cam * math.sqrt(c.area_px)):
        settled = [s for s in seen if s.worth > SETTLED]
        if any(_inside(candidate.circle, s.circle) for s in settled):
            continue
        if settled and candidate.cam < WORTH_A_LOOK:
            continue
        for circle in _circles(pixels, views, candidate):
            if len(looked) >= LOOKS:
                return seen
            if any(_alike(circle, other) for other in looked):
                continue
            looked.append(circle)
            seen += _look(pixels, circle, looked)
            if seen and seen[-1].worth > SETTLED:
                break
    if not any(s.worth > SETTLED for s in seen):
        for circle in _on_card(views):
            seen += _look(pixels, circle, looked)
            if seen and seen[-1].worth > SETTLED:
                break
    return seen


def _on_card(views: list[Regions]) -> Iterator[Circle]:
    """Where a part lies on a card's empty middle: the finder may take the whole for card."""
    for view in views:
        for piece in view.components("card", at_least=0.5):
            for share in ON_CARD:
                yield piece.centre_px, share * piece.radius_px


def _candidates(views: list[Regions]) -> Iterator[Candidate]:
    for view in views:
        for kind, at_least in KINDS:
            for piece in view.components(kind, at_least=at_least):
                yield Candidate((piece.centre_px, piece.radius_px), view.mean_of("cam", piece.mask), piece.area_px)


def _circles(pixels: NDArray[np.uint8], views: list[Regions], candidate: Candidate) -> Iterator[Circle]:
    """The candidate's circle as the photo's colours tighten it, by each view, and then as the finder has it."""
    for view in views:
        tight = close_in(pixels, view, *candidate.circle)
        if tight is not None:
            yield tight
    yield candidate.circle


def _look(pixels: NDArray[np.uint8], circle: Circle, looked: list[Circle]) -> list[Seen]:
    """One close look, and a second one at the face it saw when that lies elsewhere than the circle."""
    first = look_once(pixels, *circle)
    if first.face is None:
        return []
    seen = [Seen(circle, first, _worth(circle, first))]
    if _misfit(circle, first.face) > STILL and not any(_alike(first.face, other) for other in looked):
        looked.append(first.face)
        second = look_once(pixels, *first.face)
        if second.face is not None:
            seen.append(Seen(first.face, second, _worth(first.face, second)))
    return sorted(seen, key=lambda s: s.worth)


def _worth(circle: Circle, look: Look) -> float:
    assert look.face is not None
    return look.cam_probability * math.exp(-MISFIT * _misfit(circle, look.face))


def _misfit(circle: Circle, face: Circle) -> float:
    return _between(circle, face) / circle[1] + abs(math.log(face[1] / circle[1]))


def _between(a: Circle, b: Circle) -> float:
    return math.hypot(a[0][0] - b[0][0], a[0][1] - b[0][1])


def _alike(a: Circle, b: Circle) -> bool:
    ratio = a[1] / b[1]
    return _between(a, b) < SAME_PLACE * max(a[1], b[1]) / 2.0 and 1.0 / SAME_SIZE < ratio < SAME_SIZE


def _inside(a: Circle, b: Circle) -> bool:
    """True when most of one circle lies in the other."""
    return _between(a, b) < 0.75 * max(a[1], b[1])


def _apart(best: Seen, seen: list[Seen]) -> list[Seen]:
    """The best look at every other place, surest first."""
    kept: list[Seen] = []
    for other in sorted(seen, key=lambda s: -s.worth):
        if not any(_between(other.circle, k.circle) < other.circle[1] + 0.5 * k.circle[1] for k in (best, *kept)):
            kept.append(other)
    return kept


def _region(words: PatchReading, patch: Patch, regions: Regions) -> Region:
    """The part on the cells of the finder's map, from the reader's face."""
    face = words.maps[MAPS.index("face")]
    rows, columns = regions.probability.shape[1:]
    to_cell = patch.to_px.copy()
    to_cell[:, 2] = (to_cell[:, 2] - regions.origin_px + 0.5) / regions.step_px - 0.5
    to_cell[:, :2] /= regions.step_px
    on_cells = cv2.warpAffine(face, to_cell, (columns, rows), flags=cv2.INTER_LINEAR)
    mask = on_cells >= 0.5
    (x, y), radius = cv2.minEnclosingCircle(_outer(face))
    centre = patch.photo_points(np.array([[x, y]]))[0]
    edge = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    return Region(
        kind="cam",
        mask=np.asarray(mask, dtype=np.bool_),
        centre_px=(float(centre[0]), float(centre[1])),
        radius_px=float(radius) * patch.px_per_patch_px,
        area_px=float((face >= 0.5).sum()) * patch.px_per_patch_px**2,
        confidence=words.cam_probability,
        touches_frame=bool(edge.any()),
    )


def _outer(face: NDArray[np.float32]) -> NDArray[np.int32]:
    """Border points of the greatest piece of the face; its middle when there is no face."""
    contours, _ = cv2.findContours((face >= 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return np.full((1, 1, 2), (face.shape[0] - 1) // 2, dtype=np.int32)
    return np.asarray(max(contours, key=cv2.contourArea), dtype=np.int32)
