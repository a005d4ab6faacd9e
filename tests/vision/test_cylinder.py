"""A cam on a drawn cylinder's end: the circle's true radius is the drawing's own."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.ruler_pictures import bench, finish
from vision.photo import Photo
from vision.quantity import NotMeasured, Quantity
from vision.scale import CircleReference, Scale
from vision.scale.cylinder import CHAMFER_MM, DIAMETER_MM, find_cylinder


def mounted(
    seed: int, *, body: bool = True, coin: bool = False
) -> tuple[Photo, np.ndarray, tuple[float, float, float]]:
    """A picture 1000 x 750, the cam's mask, and the body's centre and radius in px."""
    rng = np.random.default_rng(seed)
    picture = np.ascontiguousarray(bench(rng, 750, 1000))
    x, y = float(rng.uniform(400, 600)), float(rng.uniform(300, 450))
    radius = float(rng.uniform(110, 160))
    hub = radius * float(rng.uniform(0.55, 0.8))
    tone = float(picture.mean())
    metal = (tone + 80.0 if tone < 140 else tone - 70.0) * np.array([1.0, 0.9, 0.7])
    if body:
        cv2.circle(picture, (round(x * 16), round(y * 16)), round(radius * 16), metal.tolist(), -1, cv2.LINE_AA, 4)
    if coin:
        cv2.circle(picture, (180, 150), 95, (190.0, 170.0, 120.0), -1, cv2.LINE_AA)
    off = radius * 0.1
    hx, hy = x + off, y - off
    mask = np.zeros((750, 1000), np.uint8)
    cv2.circle(mask, (round(hx), round(hy)), round(hub), 1, -1)
    turn = rng.uniform(0, 2 * np.pi)
    tip = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-tip[1], tip[0]]) * hub * 0.35
    at = np.array([hx, hy])
    tail = np.array([at + side, at + tip * 1.5 * radius + side, at + tip * 1.5 * radius - side, at - side])
    cv2.fillConvexPoly(mask, np.round(tail).astype(np.int32), 1)
    cam = metal * 0.55 + 60.0
    picture[mask > 0] = cam
    for angle in (turn + 1.0, turn + 3.7):
        hole = (round(hx + 0.5 * hub * np.cos(angle)), round(hy + 0.5 * hub * np.sin(angle)))
        cv2.circle(picture, hole, round(0.17 * hub), (40.0, 40.0, 42.0), -1, cv2.LINE_AA)
    photo = Photo(finish(rng, picture, 0.8, 2.0, 90), "made.jpg", "0" * 64)
    return photo, mask > 0, (x, y, radius)


@pytest.mark.parametrize("seed", range(8))
def test_the_body_is_the_circle_round_the_hub(seed: int):
    photo, cam, (x, y, radius) = mounted(seed, coin=seed % 2 == 1)
    scale = find_cylinder(photo, part_mask=cam)
    assert isinstance(scale, Scale)
    (reference,) = scale.references
    assert isinstance(reference, CircleReference)
    distance = np.linalg.norm(reference.edge_px - [x, y], axis=1)
    assert float(np.median(distance)) == pytest.approx(radius, rel=0.006)
    assert scale.u_size_relative == pytest.approx(np.hypot(DIAMETER_MM.u, CHAMFER_MM.u) / (29.0 - 0.4), rel=1e-6)
    assert "cylinder-diameter-assumed" in {w.code for w in scale.warnings}


def test_a_mask_that_bleeds_over_the_body_never_gives_a_wrong_circle():
    found = 0
    for seed in range(2, 8):
        photo, cam, (x, y, radius) = mounted(seed)
        yy, xx = np.mgrid[: cam.shape[0], : cam.shape[1]]
        scale = find_cylinder(photo, part_mask=cam | (np.hypot(xx - x, yy - y) < 0.93 * radius))
        if isinstance(scale, NotMeasured):
            continue
        found += 1
        distance = np.linalg.norm(scale.references[0].edge_px - [x, y], axis=1)  # type: ignore[union-attr]
        assert float(np.median(distance)) == pytest.approx(radius, rel=0.01)
    assert found >= 2


@pytest.mark.parametrize("seed", range(8))
def test_a_loose_cam_is_no_cylinder(seed: int):
    photo, cam, _ = mounted(seed, body=False, coin=True)
    assert not find_cylinder(photo, part_mask=cam)


def test_a_measured_body_is_taken_at_its_word():
    photo, cam, _ = mounted(1)
    scale = find_cylinder(photo, Quantity(30.0, 0.05), part_mask=cam)
    assert isinstance(scale, Scale)
    assert scale.references[0].diameter_mm.value == pytest.approx(29.6)  # type: ignore[union-attr]
    assert "cylinder-diameter-assumed" not in {w.code for w in scale.warnings}


def test_without_a_cam_nothing_is_looked_for():
    photo, cam, _ = mounted(1)
    for mask in (None, np.zeros_like(cam)):
        result = find_cylinder(photo, part_mask=mask)
        assert isinstance(result, NotMeasured)
        assert result.code == "cylinder-no-cam"
