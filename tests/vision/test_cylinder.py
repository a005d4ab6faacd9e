"""A cam on a drawn cylinder's end: the circle's true radius is the drawing's own."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.ruler_pictures import bench, finish
from vision.models import CLASSES
from vision.photo import Photo
from vision.quantity import NotMeasured, Quantity
from vision.scale import CircleReference, Scale
from vision.scale.cylinder import CHAMFER_MM, DIAMETER_MM, find_cylinder
from vision.segment import Regions


def mounted(
    seed: int, *, body: bool = True, coin: bool = False, wall: tuple[float, float] | None = None
) -> tuple[Photo, np.ndarray, tuple[float, float, float]]:
    """A picture 1000 x 750, the cam's mask, and the body's centre and radius in px."""
    rng = np.random.default_rng(seed)
    picture = np.ascontiguousarray(bench(rng, 750, 1000))
    x, y = float(rng.uniform(400, 600)), float(rng.uniform(300, 450))
    radius = float(rng.uniform(110, 160))
    hub = radius * float(rng.uniform(0.55, 0.8))
    tone = float(picture.mean())
    metal = (tone + 80.0 if tone < 140 else tone - 70.0) * np.array([1.0, 0.9, 0.7])
    if wall is not None:  # the foot of the body, seen smaller and aside, and the wall from there to the end
        foot = np.array([x, y]) + np.array(wall) * radius
        turns = np.linspace(0, 2 * np.pi, 720)
        ring = np.stack([np.cos(turns), np.sin(turns)], axis=1)
        both = np.concatenate([foot + 0.9 * radius * ring, np.array([x, y]) + radius * ring])
        hull = cv2.convexHull(np.round(both).astype(np.int32))
        cv2.fillPoly(picture, [hull], (0.7 * metal).tolist(), cv2.LINE_AA)
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


def drawn_regions(cam: np.ndarray, thing: np.ndarray, step: int = 8) -> Regions:
    """What a finder that errs nowhere says of a drawing: cam, other thing, bench, each by its share of a cell."""
    share = [
        cv2.resize(m.astype(np.float32), None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
        for m in (cam, thing & ~cam)
    ]
    probability = np.zeros((len(CLASSES), *share[0].shape), np.float32)
    probability[CLASSES.index("cam")], probability[CLASSES.index("other")] = share
    probability[CLASSES.index("background")] = 1.0 - share[0] - share[1]
    return Regions(probability, float(step))


@pytest.mark.parametrize("seed", range(6))
def test_the_walls_foot_is_not_taken_for_the_end(seed: int):
    """The end is the drawing's own circle; the silhouette about end, wall and foot is longer by a fifth of the radius."""
    turn = 1.1 * seed
    wall = (0.3 * np.cos(turn), 0.3 * np.sin(turn))
    photo, cam, (x, y, radius) = mounted(seed, wall=wall)
    yy, xx = np.mgrid[: cam.shape[0], : cam.shape[1]]
    end = np.hypot(xx - x, yy - y) < radius
    foot = np.hypot(xx - x - wall[0] * radius, yy - y - wall[1] * radius) < 0.9 * radius
    hull = np.zeros(cam.shape, np.uint8)
    cv2.fillPoly(hull, [cv2.convexHull(np.argwhere(end | foot)[:, ::-1].astype(np.int32))], 1)
    scale = find_cylinder(photo, regions=drawn_regions(cam, hull > 0), part_mask=cam)
    assert isinstance(scale, Scale)
    distance = np.linalg.norm(scale.references[0].edge_px - [x, y], axis=1)  # type: ignore[union-attr]
    assert float(np.median(distance)) == pytest.approx(radius, rel=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_a_hub_is_no_body_where_the_finder_sees_the_body_about_it(seed: int):
    """Only the hub's edge shows in the picture, and the mask lies well inside it, as masks of worn metal do."""
    photo, cam, (x, y, radius) = mounted(seed, body=False)
    yy, xx = np.mgrid[: cam.shape[0], : cam.shape[1]]
    shrunk = cv2.erode(cam.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=round(0.14 * radius)) > 0
    body = np.hypot(xx - x, yy - y) < radius
    assert not find_cylinder(photo, regions=drawn_regions(shrunk, body | cam), part_mask=shrunk)
