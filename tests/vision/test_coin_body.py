"""The coin as a body with a wall, on pictures projected by OpenCV's own pinhole camera (`cv2.projectPoints`)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.models import shipped
from vision.scale.coin_body import Body, fit_body
from vision.scale.rim import EdgeRays, Start, Told, Wall
from vision.scale.rim_network import RAYS, look_at, nearer, rim_of, rim_places

FOCAL_PX, SIZE = 1500.0, (960, 720)
RADIUS_MM, THICK_MM = 12.0, 1.9


def _seen(points_mm: np.ndarray, tilt: tuple[float, float], at_mm: tuple[float, float]) -> np.ndarray:
    """Points of the coin (its face's middle the origin, z towards the bench) in the picture."""
    camera = np.array([[FOCAL_PX, 0.0, (SIZE[0] - 1) / 2.0], [0.0, FOCAL_PX, (SIZE[1] - 1) / 2.0], [0.0, 0.0, 1.0]])
    place = np.array([*at_mm, 260.0])
    return cv2.projectPoints(points_mm, np.array([*tilt, 0.0]), place, camera, None)[0].reshape(-1, 2)


def _picture(tilt: tuple[float, float], at_mm: tuple[float, float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A lit face, its darker wall and a bench; the face's and the whole outline's points."""
    turn = np.arange(720) * (2.0 * np.pi / 720)
    flat = RADIUS_MM * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(720)])
    face, foot = _seen(flat, tilt, at_mm), _seen(flat + [0.0, 0.0, THICK_MM], tilt, at_mm)
    fine = 6  # drawn so much larger: a filled polygon takes in half a pixel of its border
    large = np.full((SIZE[1] * fine, SIZE[0] * fine, 3), (95, 110, 100), np.uint8)
    whole = cv2.convexHull(np.concatenate([face, foot]).astype(np.float32))[:, 0]
    for curve, colour in ((whole, (60, 52, 40)), (face, (190, 182, 160))):
        cv2.fillPoly(large, [np.round(((curve + 0.5) * fine - 0.5) * 256).astype(np.int32)], colour, cv2.LINE_8, 8)
    pixels = cv2.resize(large, SIZE, interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(7).normal(0.0, 2.0, pixels.shape)
    return np.clip(cv2.GaussianBlur(pixels, (0, 0), 0.8) + noise, 0, 255).astype(np.uint8), face, whole


def _body(pixels: np.ndarray, start: Start, wall: Wall) -> Body | None:
    """The body from a first circle, with the shipped rim network's word; None where that sees no rim."""
    network = shipped("rim")
    looks = look_at(pixels, [start], network)
    for _ in range(3):
        looks = look_at(pixels, [n for look in looks if (n := nearer(look)) is not None], network)
    rim = rim_of(looks[0]) if looks else None
    if rim is None or rim.told is None:
        return None
    rays = EdgeRays.cast(pixels, rim.told.start)
    assert rays is not None
    return fit_body(rays, rim.told, wall)


@pytest.mark.parametrize("tilt", [(0.35, 0.0), (-0.35, 0.0), (0.2, -0.3), (-0.15, 0.2)])
def test_face_and_tilt(tilt: tuple[float, float]) -> None:
    """Size to 0.5 %, tilt to 2 degrees with its sign, from a start about the whole outline."""
    pixels, face, whole = _picture(tilt, (6.0, -4.0))
    (x, y), diameters, _ = cv2.fitEllipse(whole)
    start = Start(np.array([x, y]), sum(diameters) / 4.0, (0.0, 0.0), 1.0, 1.0)
    wall = Wall(THICK_MM / RADIUS_MM, FOCAL_PX, np.array([(SIZE[0] - 1) / 2.0, (SIZE[1] - 1) / 2.0]))
    body = _body(pixels, start, wall)
    assert body is not None
    (fx, fy), true, _ = cv2.fitEllipse(face.astype(np.float32))
    (bx, by), found, _ = cv2.fitEllipse(body.face_px.astype(np.float32))
    assert max(found) == pytest.approx(max(true), rel=0.005)
    assert min(found) == pytest.approx(min(true), rel=0.01)
    assert np.hypot(bx - fx, by - fy) < 0.8
    assert np.degrees(np.abs(body.parameters[3:5] - tilt)).max() < 2.0


@pytest.mark.parametrize("side", [0.4, 2.5, 4.4])
def test_a_dark_edge_is_no_sure_wall(side: float) -> None:
    """A rounded edge, dark on one side, of a coin seen from straight above: no tilt is read as if its wall showed."""
    turn = np.arange(720) * (2.0 * np.pi / 720)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    middle, radius, edge = np.array([(SIZE[0] - 1) / 2.0, (SIZE[1] - 1) / 2.0]), 70.0, 0.02
    lit = middle + radius * ((1.0 - edge) * unit - edge * np.array([np.cos(side), np.sin(side)]))
    fine = 6
    large = np.full((SIZE[1] * fine, SIZE[0] * fine, 3), (95, 110, 100), np.uint8)
    for curve, colour in ((middle + radius * unit, (60, 52, 40)), (lit, (190, 182, 160))):
        cv2.fillPoly(large, [np.round(((curve + 0.5) * fine - 0.5) * 256).astype(np.int32)], colour, cv2.LINE_8, 8)
    pixels = cv2.GaussianBlur(cv2.resize(large, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    body = _body(pixels, Start(middle, radius, (0.0, 0.0), 1.0, 1.0), Wall(THICK_MM / RADIUS_MM, FOCAL_PX, middle))
    assert body is not None
    tilts, log = body.evidence.tilts, body.evidence.log
    weight = np.exp(log - log.max()) / np.exp(log - log.max()).sum()
    mean = weight @ tilts
    spread = ((tilts - mean) * weight[:, None]).T @ (tilts - mean) + 0.017**2 * np.eye(2)
    assert mean @ np.linalg.solve(spread, mean) < 5.99  # 95 % of a normal distribution of two parts lie within


def test_a_plain_surface_has_no_body() -> None:
    """Texture alone shows no rim, or hardly an edge along it."""
    pixels = np.clip(np.random.default_rng(3).normal(120, 10, (SIZE[1], SIZE[0], 3)), 0, 255).astype(np.uint8)
    start = Start(np.array([480.0, 360.0]), 70.0, (0.0, 0.0), 1.0, 1.0)
    body = _body(pixels, start, Wall(0.15, FOCAL_PX, np.array([479.5, 359.5])))
    assert body is None or body.support < 0.45


def test_what_is_flatter_than_any_coin_on_a_bench_is_no_body() -> None:
    """An ellipse three fifths as high as long: a coin seen at 53 degrees, by acos of the ratio of its axes."""
    pixels, _, whole = _picture((0.0, 0.0), (0.0, 0.0))
    (x, y), diameters, _ = cv2.fitEllipse(whole)
    long = max(diameters) / 2.0
    start = Start(np.array([x, y]), 0.8 * long, (0.2 * long, 0.0), 1.0, 1.0)
    rays = EdgeRays.cast(pixels, start)
    assert rays is not None
    places = rim_places()
    said = np.full((RAYS, len(places)), 1.0 / len(places))
    wall = Wall(THICK_MM / RADIUS_MM, FOCAL_PX, np.array([(SIZE[0] - 1) / 2.0, (SIZE[1] - 1) / 2.0]))
    assert fit_body(rays, Told(start, places, said, said), wall) is None
