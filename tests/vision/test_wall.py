"""A plate drawn by shapely with its shadow: the shadow is taken off, a lit chamfer is not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely.affinity import translate
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from vision.outline import resample_closed
from vision.wall import inner_edge

SIDE, FINE = 420, 4
BENCH = 150


def plate() -> Polygon:
    shape = unary_union([Point(150, 210).buffer(90, 64), box(150, 180, 380, 240)])
    return shape.buffer(8, 32).buffer(-16, 32).buffer(8, 32)


def drawn(layers: list[tuple[Polygon, int]]) -> np.ndarray:
    picture = np.full((SIDE * FINE, SIDE * FINE), BENCH, dtype=np.uint8)
    for shape, shade in layers:
        points = np.asarray(shape.exterior.coords)[:-1]
        cv2.fillPoly(picture, [np.round((points + 0.5) * FINE - 0.5).astype(np.int32)], int(shade))
    small = cv2.resize(picture, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    noisy = cv2.GaussianBlur(small, (0, 0), 0.8) + np.random.default_rng(2).normal(0.0, 3.0, small.shape)
    return np.repeat(noisy.clip(0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


def ring(shape: Polygon) -> np.ndarray:
    return resample_closed(np.asarray(shape.exterior.coords)[:-1], 480)


def away(points: np.ndarray, shape: Polygon) -> np.ndarray:
    return np.array([shape.exterior.distance(Point(*p)) for p in points])


@pytest.mark.parametrize("turn_deg", [0.0, 60.0, 200.0, 290.0])
@pytest.mark.parametrize(("face", "band"), [(60, 100), (150, 105)])  # a dark plate's shadow, a lighter one's wall
def test_what_lies_beside_the_plate_is_taken_off(turn_deg, face, band):
    turn = np.radians(turn_deg)
    true = plate()
    shifted = translate(true, 8.0 * np.cos(turn), 8.0 * np.sin(turn))
    outer = unary_union([true, shifted]).buffer(2.0).buffer(-2.0)
    inner, taken = inner_edge(drawn([(outer, band), (true, face)]), ring(outer))
    assert taken
    way = taken[0].vector_px / np.linalg.norm(taken[0].vector_px)
    assert way @ (np.cos(turn), np.sin(turn)) > 0.85
    before, after = away(ring(outer), true), away(inner, true)
    assert np.quantile(before, 0.9) > 5.0
    assert np.median(after) < 1.3 and np.quantile(after, 0.9) < 3.0


@pytest.mark.parametrize("face", [60, 150, 220])
def test_a_plate_alone_stays_as_it_is(face):
    outline = ring(plate())
    inner, taken = inner_edge(drawn([(plate(), face)]), outline)
    assert taken == () and np.array_equal(inner, outline)


def test_a_lit_chamfer_belongs_to_the_plate():
    true = plate()
    face = true.intersection(translate(true, -6.0, 4.0))
    outline = ring(true)
    inner, taken = inner_edge(drawn([(true, 240), (face, 170)]), outline)
    assert taken == () and np.array_equal(inner, outline)


def test_a_part_too_small_for_a_second_edge_stays():
    tiny = ring(plate()) / 12.0
    assert inner_edge(np.full((60, 60, 3), BENCH, dtype=np.uint8), tiny)[1] == ()
