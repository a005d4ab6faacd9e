"""Patch -> maps, axis, tail and words with honest probabilities: the reader network and its calibration."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.models import MAPS, WORDS, Calibration, Model, shipped
from vision.patch import Patch, cut_patch
from vision.reading import Word
from vision.vocabulary import FACINGS, HANDS, mirror_hand

FACE_AT_LEAST: Final = 0.5  # probability from which a pixel counts as face
LEAST_FACE_PX: Final = 200  # of 65536: less than this is no part to centre the second look on


@dataclass(frozen=True, slots=True)
class RawReading:
    """What the reader network puts out for one patch, before any calibration.

    `maps` (5, 256, 256) are probabilities in the order of `MAPS`; `points` (2, 2) are axis and tail point in patch
    pixels; `spread` (2,) is the rms width of the two heat maps, patch pixels; `logits` are by word. `centres` (2, 64, 64)
    are heat maps of the centres of screw holes and of reliefs, one cell for four patch pixels.
    """

    maps: NDArray[np.float32]
    points: NDArray[np.float32]
    spread: NDArray[np.float32]
    hub_radius: float
    logits: dict[str, NDArray[np.float32]]
    feature: NDArray[np.float32]
    centres: NDArray[np.float32] | None = None


@dataclass(frozen=True, slots=True)
class PatchReading:
    """What the reader says about one patch. Points and lengths in patch pixels, angles in degrees.

    `hand_seen` is the hand as it looks in the patch; `part_hand` turns it into the part's. `tail_deg` is clockwise
    from the patch's up. `distance` is the Mahalanobis distance of the feature from known cams, None before calibration.
    `raw` is what all that was made of.
    """

    maps: NDArray[np.float32]
    axis_patch: tuple[float, float]
    tail_patch: tuple[float, float]
    axis_spread: float
    tail_deg: float
    hub_radius: float
    family: Word
    bottom: Word
    hand_seen: Word
    facing: Word
    cam_probability: float
    distance: float | None
    is_cam: bool
    raw: RawReading | None = None

    def map(self, name: str) -> NDArray[np.float32]:
        """One of `MAPS`, (256, 256) probabilities."""
        return np.asarray(self.maps[MAPS.index(name)], dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Look:
    """One quick look at a square: is it a cam, and the circle round the face in it (centre, radius; photo pixels).

    `seen` is what the network said of which patch, for a second look to go on from.
    """

    cam_probability: float
    face: tuple[tuple[float, float], float] | None
    seen: tuple[RawReading, Patch] | None = None


def run_reader(patches: NDArray[np.uint8], *, model: Model | None = None) -> list[RawReading]:
    """Run the reader network on (N, 256, 256, 3) uint8 patches."""
    reader = shipped("reader") if model is None else model
    out = reader.run(patches)
    splits = np.cumsum([len(labels) for labels in WORDS.values()])[:-1]
    readings = []
    for i in range(len(patches)):
        logits = dict(zip(WORDS, np.split(out["words"][i], splits), strict=True))
        readings.append(
            RawReading(
                maps=out["maps"][i],
                points=out["points"][i],
                spread=out["spread"][i],
                hub_radius=float(out["hub_radius"][i, 0]),
                logits=logits,
                feature=out["feature"][i],
                centres=out["centres"][i] if "centres" in out else None,
            )
        )
    return readings


def softmax(logits: NDArray[np.float32], temperature: float) -> NDArray[np.float64]:
    """softmax(z / T) over the last axis (Guo et al. 2017, arXiv 1706.04599)."""
    scaled = logits.astype(np.float64) / temperature
    powers = np.exp(scaled - scaled.max(axis=-1, keepdims=True))
    return np.asarray(powers / powers.sum(axis=-1, keepdims=True))


def plausible_labels(
    labels: tuple[str, ...], probabilities: NDArray[np.float64], least: tuple[float, ...]
) -> tuple[str, ...]:
    """The labels that cannot be ruled out, most probable first; the most probable one always is among them."""
    order = np.argsort(-probabilities, kind="stable")
    return tuple(labels[i] for rank, i in enumerate(order) if rank == 0 or probabilities[i] >= least[i])


def calibrated_word(word: str, logits: NDArray[np.float32], calibration: Calibration) -> Word:
    """One word with calibrated probabilities and its prediction set."""
    labels = WORDS[word]
    probabilities = softmax(logits, calibration.temperature[word])
    best = int(np.argmax(probabilities))
    return Word(
        label=labels[best],
        probability=float(probabilities[best]),
        plausible=plausible_labels(labels, probabilities, calibration.least_probability[word]),
        probabilities=dict(zip(labels, map(float, probabilities), strict=True)),
    )


def interpret(raw: RawReading, calibration: Calibration) -> PatchReading:
    """Turn the network's numbers into words under a calibration."""
    axis, tail = raw.points.astype(np.float64)
    cam = float(softmax(raw.logits["cam"], calibration.temperature["cam"])[1])
    distance = None if calibration.features is None else calibration.features.distance(raw.feature)
    too_far = (
        distance is not None
        and calibration.distance_threshold is not None
        and distance > calibration.distance_threshold
    )
    return PatchReading(
        maps=raw.maps,
        axis_patch=(float(axis[0]), float(axis[1])),
        tail_patch=(float(tail[0]), float(tail[1])),
        axis_spread=float(raw.spread[0]),
        tail_deg=math.degrees(math.atan2(tail[0] - axis[0], axis[1] - tail[1])) % 360.0,
        hub_radius=raw.hub_radius,
        family=calibrated_word("family", raw.logits["family"], calibration),
        bottom=calibrated_word("bottom", raw.logits["bottom"], calibration),
        hand_seen=calibrated_word("hand", raw.logits["hand"], calibration),
        facing=calibrated_word("facing", raw.logits["facing"], calibration),
        cam_probability=cam,
        distance=distance,
        is_cam=cam >= calibration.cam_threshold and not too_far,
        raw=raw,
    )


def read_patch(patch: Patch, *, model: Model | None = None) -> PatchReading:
    """What the reader network says about one patch.

    Parameters
    ----------
    patch : Patch
    model : Model, optional
        Another reader than the shipped one.

    Raises
    ------
    ModelError
        If the shipped network is missing or not understood.
    """
    reader = shipped("reader") if model is None else model
    return interpret(run_reader(patch.rgb[None], model=reader)[0], reader.calibration)


def look_twice(
    pixels: NDArray[np.uint8],
    centre_px: tuple[float, float],
    radius_px: float,
    *,
    model: Model | None = None,
    first_look: tuple[RawReading, Patch] | None = None,
) -> tuple[RawReading, Patch]:
    """Read the part in the photo's own roll, then again tail up and centred on the face the first look found.

    The words' logits of both looks are averaged: two different views of one part err less than one. Maps, points and
    feature are those of the second look, which the returned patch shows. `first_look` is the first one where it has been
    taken already.
    """
    if first_look is None:
        first_patch = cut_patch(pixels, centre_px, radius_px, 0.0)
        first = run_reader(first_patch.rgb[None], model=model)[0]
    else:
        first, first_patch = first_look
    axis, tail = first.points.astype(np.float64)
    up_deg = math.degrees(math.atan2(tail[0] - axis[0], axis[1] - tail[1]))
    circle = _face_circle(first.maps[MAPS.index("face")])
    if circle is not None:
        (x, y), radius = circle
        centre = first_patch.photo_points(np.array([[x, y]]))[0]
        centre_px, radius_px = (float(centre[0]), float(centre[1])), radius * first_patch.px_per_patch_px
    patch = cut_patch(pixels, centre_px, radius_px, up_deg)
    second = run_reader(patch.rgb[None], model=model)[0]
    logits = {word: ((first.logits[word] + second.logits[word]) / 2.0).astype(np.float32) for word in WORDS}
    return replace(second, logits=logits), patch


def look_once(
    pixels: NDArray[np.uint8], centre_px: tuple[float, float], radius_px: float, *, model: Model | None = None
) -> Look:
    """Whether a circle holds a cam, and where in it, by one run of the reader."""
    reader = shipped("reader") if model is None else model
    patch = cut_patch(pixels, centre_px, radius_px, 0.0)
    raw = run_reader(patch.rgb[None], model=reader)[0]
    cam = float(softmax(raw.logits["cam"], reader.calibration.temperature["cam"])[1])
    circle = _face_circle(raw.maps[MAPS.index("face")])
    if circle is None:
        return Look(cam, None, (raw, patch))
    centre = patch.photo_points(np.array([circle[0]]))[0]
    return Look(cam, ((float(centre[0]), float(centre[1])), circle[1] * patch.px_per_patch_px), (raw, patch))


def read_part(
    pixels: NDArray[np.uint8],
    centre_px: tuple[float, float],
    radius_px: float,
    *,
    model: Model | None = None,
    first_look: tuple[RawReading, Patch] | None = None,
) -> tuple[PatchReading, Patch]:
    """What the reader says about the part inside a circle, and the tail-up patch that its maps and points lie in.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
        Upright RGB photo.
    centre_px, radius_px
        Circle round the part, as `vision.segment` finds it.
    first_look : tuple of RawReading and Patch, optional
        What `look_once` saw in that circle.
    """
    reader = shipped("reader") if model is None else model
    raw, patch = look_twice(pixels, centre_px, radius_px, model=reader, first_look=first_look)
    return interpret(raw, reader.calibration), patch


def part_hand(hand_seen: Word, facing: Word) -> Word:
    """The hand of the part, seen from the screw side, from the hand as seen and which face is seen.

    The two are taken as independent. A hand is plausible when some plausible facing and plausible hand as seen give it.
    """
    probabilities = dict.fromkeys(HANDS, 0.0)
    plausible = set()
    for side in FACINGS:
        for seen in HANDS:
            hand = seen if side == "screw" else mirror_hand(seen)
            probabilities[hand] += facing.probabilities[side] * hand_seen.probabilities[seen]
            if side in facing.plausible and seen in hand_seen.plausible:
                plausible.add(hand)
    ranked = sorted(HANDS, key=lambda hand: -probabilities[hand])
    names = tuple(hand for hand in ranked if hand in plausible or hand == ranked[0])
    return Word(ranked[0], probabilities[ranked[0]], names, probabilities)


def _face_circle(face: NDArray[np.float32]) -> tuple[tuple[float, float], float] | None:
    """Smallest circle round the greatest piece of the face map, patch pixels; None when there is hardly any face."""
    count, pieces, stats, _ = cv2.connectedComponentsWithStats((face >= FACE_AT_LEAST).astype(np.uint8), connectivity=8)
    if count < 2:
        return None
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    if stats[best, cv2.CC_STAT_AREA] < LEAST_FACE_PX:
        return None
    contours, _ = cv2.findContours((pieces == best).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    (x, y), radius = cv2.minEnclosingCircle(np.concatenate(contours))
    return (float(x), float(y)), float(radius) + 0.5
