"""Evidence for tilts against OpenCV's own rotations and pinhole camera, on outlines drawn by shapely."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely.geometry import Point, box

from vision.plane import Plane, fit_plane
from vision.quantity import Quantity
from vision.scale import CircleReference
from vision.tilt import TILTS, PartOutline, TiltEvidence, about_ray, frame_of_tilt, lean_of, part_evidence

FOCAL_PX, SIZE = 1500.0, (1280, 960)
CENTRE = np.array([(SIZE[0] - 1) / 2.0, (SIZE[1] - 1) / 2.0])
HUB_MM = 10.0


def test_frame_is_rodrigues() -> None:
    """Right, up and normal are OpenCV's rotation of x, -y and -z."""
    for tilt in TILTS[::40]:
        turn, _ = cv2.Rodrigues(np.array([*tilt, 0.0]))
        right, up, normal = (v[0] for v in frame_of_tilt(tilt[None]))
        assert np.column_stack([right, up, normal]) == pytest.approx(turn @ np.diag([1.0, -1.0, -1.0]), abs=1e-12)


def test_tilts_about_a_ray_keep_their_angle_to_it() -> None:
    slope = np.array([0.25, -0.15])
    ray = np.array([*slope, 1.0]) / np.linalg.norm([*slope, 1.0])
    for tilt, about in zip(TILTS[::25], about_ray(TILTS[::25], slope), strict=True):
        normal = cv2.Rodrigues(np.array([*about, 0.0]))[0] @ np.array([0.0, 0.0, -1.0])
        assert np.arccos(np.clip(-normal @ ray, -1.0, 1.0)) == pytest.approx(float(np.hypot(*tilt)), abs=1e-6)
        across, along = lean_of(normal, 3.0 * ray)
        assert (along, -across) == pytest.approx(tilt, abs=1e-6)


def _part(tilt: np.ndarray, place_mm: tuple[float, float], noise_px: float) -> PartOutline:
    """A hub with a tail, tail to the right of the picture, 260 mm away."""
    shape = Point(0.0, 0.0).buffer(HUB_MM, quad_segs=64).union(box(0.0, -4.0, 22.0, 4.0))
    along = np.linspace(0.0, 1.0, 480, endpoint=False)
    outline = np.array([shape.exterior.interpolate(a, normalized=True).coords[0] for a in along])
    points = np.column_stack([np.concatenate([outline, [[0.0, 0.0], [22.0, 0.0]]]), np.zeros(482)])
    camera = np.array([[FOCAL_PX, 0.0, CENTRE[0]], [0.0, FOCAL_PX, CENTRE[1]], [0.0, 0.0, 1.0]])
    turn = cv2.Rodrigues(np.array([*tilt, 0.0]))[0]
    shift = turn @ np.array([*place_mm, 0.0]) + [0.0, 0.0, 260.0]
    seen = cv2.projectPoints(points, np.array([*tilt, 0.0]), shift, camera, None)[0].reshape(-1, 2)
    seen[:480] += np.random.default_rng(5).normal(0.0, noise_px, (480, 2))
    return PartOutline(seen[:480], seen[480], seen[481], FOCAL_PX * HUB_MM / 260.0, True)


@pytest.mark.parametrize("tilt", [(0.3, 0.1), (-0.25, 0.2), (0.0, -0.35), (0.1, 0.05)])
def test_a_hub_beside_the_middle_tells_a_tilt_from_the_coins_mirror_image(tilt: tuple[float, float]) -> None:
    """The coin lies 30 mm to the left: of its two tilts the hub favours the true one."""
    true = np.array(tilt)
    part = _part(true, (28.0, 10.0), 0.3)
    slope = np.array([-30.0, -8.0]) / 260.0
    ray = np.array([*slope, 1.0]) / np.linalg.norm([*slope, 1.0])
    normal = cv2.Rodrigues(np.array([*tilt, 0.0]))[0] @ np.array([0.0, 0.0, -1.0])
    mirrored = 2.0 * (normal @ ray) * ray - normal
    angle = np.arccos(-mirrored[2])
    other = np.array([mirrored[1], -mirrored[0]]) * angle / np.sin(angle)
    log = part_evidence(part, np.zeros(2), np.stack([true, other]), FOCAL_PX, CENTRE)
    assert log[0] > log[1] + 3.0


def test_the_likeliest_tilt_of_the_part_alone() -> None:
    """Within 4 degrees, or the mirror image about the ray to the hub: its outline alone cannot tell these two apart."""
    true, place = np.array([0.2, -0.22]), (24.0, -12.0)
    part = _part(true, place, 0.3)
    log = part_evidence(part, np.zeros(len(TILTS)), TILTS, FOCAL_PX, CENTRE)
    best = TILTS[int(np.argmax(log))]
    slope = (part.axis_px - CENTRE) / FOCAL_PX
    ray = np.array([*slope, 1.0]) / np.linalg.norm([*slope, 1.0])
    normal = cv2.Rodrigues(np.array([*true, 0.0]))[0] @ np.array([0.0, 0.0, -1.0])
    found = cv2.Rodrigues(np.array([*best, 0.0]))[0] @ np.array([0.0, 0.0, -1.0])
    mirrored = 2.0 * (normal @ ray) * ray - normal
    assert np.degrees(np.arccos(max(found @ normal, found @ mirrored))) < 4.0


FOCAL_35MM = FOCAL_PX * 43.2666 / float(np.hypot(*SIZE))  # diagonal of the 36 x 24 mm frame, CIPA DCG-001
COIN_MM, COIN_THICK_MM = 24.26, 1.75  # United States Mint, "Coin Specifications": quarter


def _coin(true: np.ndarray, place_mm: tuple[float, float]) -> CircleReference:
    """A coin whose picture allows two tilts alike: the true one, and its mirror image about the ray to the coin."""
    turn = cv2.Rodrigues(np.array([*true, 0.0]))[0]
    middle = turn @ np.array([*place_mm, -COIN_THICK_MM]) + [0.0, 0.0, 260.0]
    slope = middle[:2] / middle[2]
    apart = np.hypot(*(about_ray(TILTS, slope) - true).T)
    about = TILTS[int(np.argmin(apart))]
    tilts = np.stack([about, -about])
    at = np.tile(slope * FOCAL_PX + CENTRE, (2, 1))
    radius = np.full(2, FOCAL_PX * COIN_MM / 2.0 / middle[2])
    evidence = TiltEvidence(tilts, np.zeros(2), at, radius)
    return CircleReference(at, Quantity(COIN_MM, 0.05), Quantity(COIN_THICK_MM, 0.05), evidence=evidence)


def test_two_tilts_alike_are_stated_as_wide_as_they_lie_apart() -> None:
    true = np.array([0.22, -0.12])
    coin = _coin(true, (-30.0, 5.0))
    plane = fit_plane([coin], image_size=SIZE, focal_35mm=FOCAL_35MM)
    assert isinstance(plane, Plane)
    off = plane.parameters[1:3] - true
    u = float(np.sqrt(off @ plane.covariance[1:3, 1:3] @ off)) / float(np.linalg.norm(off))
    assert 0.5 < np.linalg.norm(off) / u < 2.0


def test_the_parts_outline_decides_between_them() -> None:
    """Camera, and with it a length of 22 mm on the part, as OpenCV projected them: to 2 %, with a spread no larger."""
    true, place = np.array([0.22, -0.12]), (22.0, 8.0)
    part = _part(true, place, 0.3)
    plane = fit_plane([_coin(true, (-30.0, 5.0))], image_size=SIZE, focal_35mm=FOCAL_35MM, part=part)
    assert isinstance(plane, Plane)
    assert np.degrees(np.hypot(*(plane.parameters[1:3] - true))) < 3.0
    ends = plane.to_mm(np.stack([part.axis_px, part.tail_px]), 0.0)
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(22.0, rel=0.02)
    assert np.degrees(np.sqrt(np.diag(plane.covariance)[1:3])).max() < 2.0
