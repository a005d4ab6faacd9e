"""Evidence for tilts against OpenCV's own rotations and pinhole camera, on outlines drawn by shapely."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely.geometry import Point, box

from vision.tilt import TILTS, PartOutline, about_ray, frame_of_tilt, part_evidence

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
