"""What the edge network is trained on: true places as shapely finds them, shifts that keep them true, and a whole go."""

from __future__ import annotations

import numpy as np
import onnxruntime as ort
import pytest
import torch
from shapely.geometry import LineString, Point, Polygon

from train.card import read_card
from train.edge import RECIPES, ROOM, Strips, crossing, disturbed, dulled, export, loss_of, moved, relit, train, waves
from vision.face_edge import OVERLAP, PITCH, PLACES, ROWS, SCHEMAS

TURN = np.arange(ROWS) * (2.0 * np.pi / ROWS)


def lobed(radius: float) -> np.ndarray:
    far = radius * (1.0 + 0.2 * np.cos(3.0 * TURN))
    return np.column_stack([200.0 + far * np.cos(TURN), 180.0 + far * np.sin(TURN)])


@pytest.mark.parametrize("way", [1, -1])
def test_the_true_place_is_where_shapely_crosses_the_outline(way):
    polygon = lobed(100.0)
    normals = np.column_stack([np.cos(TURN), np.sin(TURN)])
    points = np.array([200.0, 180.0]) + 101.0 * normals
    found = crossing(polygon[::way], points, normals, 40.0)
    ring = Polygon(polygon).exterior
    for i in range(0, ROWS, 9):
        cut = LineString([points[i] - 60.0 * normals[i], points[i] + 60.0 * normals[i]]).intersection(ring)
        assert found[i] == pytest.approx((np.array([cut.x, cut.y]) - points[i]) @ normals[i], abs=1e-6)
    assert np.isnan(crossing(polygon, points, normals, 5.0)).any()


def strips(n: int) -> Strips:
    """Bright faces on dark benches whose edge lies where `place` says."""
    rng = np.random.default_rng(n)
    place = rng.uniform(-5.0, 5.0, (n, 1)) + 2.0 * np.sin(TURN)[None]
    at = np.arange(ROOM) - ROOM / 2.0 + 0.5
    bright = np.clip(place[..., None] - at + 0.5, 0.0, 1.0)
    picture = np.repeat((40.0 + 160.0 * bright)[..., None], 4, axis=3)
    normals = np.column_stack([np.cos(TURN), np.sin(TURN)])
    shape = np.tile(np.concatenate([0.5 * normals + (0.3, 0.1), normals], axis=1), (n, 1, 1))
    wall = np.zeros((n, ROWS))
    return Strips(np.rint(picture).astype(np.uint8), *(x.astype(np.float32) for x in (wall, place, shape)))


def as_tensors(s: Strips) -> tuple[torch.Tensor, ...]:
    return tuple(torch.from_numpy(x) for x in (s.picture, s.wall, s.place, s.shape))


def edge_of(seen: torch.Tensor) -> torch.Tensor:
    """Where the red channel passes its middle on every row, samples from the strip's middle."""
    red = seen[:, 0, OVERLAP:-OVERLAP]
    low, high = red.amin(dim=2, keepdim=True), red.amax(dim=2, keepdim=True)
    return ((red - low) / (high - low)).sum(dim=2) - PLACES / 2.0


def test_shifted_strips_show_the_edge_where_the_label_says():
    picture, wall, place, shape = as_tensors(strips(3))
    dice = torch.Generator().manual_seed(0)
    shift = 6.0 * waves(3, 8.0, dice, wall.device).clamp(-1.5, 1.5)
    batch = moved(picture, wall, place, shape, shift, None)
    assert batch.seen.shape == (3, 7, ROWS + 2 * OVERLAP, PLACES)
    assert (edge_of(batch.seen) - batch.place).abs().max() < 0.25
    turned = disturbed(picture, wall + 4.0, place, shape, dice, dulled)
    inner = turned.seen[:, 5].amax()
    assert inner > 0.5  # the wall's mark is there
    assert torch.isfinite(turned.seen).all()


def test_the_true_outline_stays_where_it_is_however_strips_are_shifted_turned_and_mirrored():
    picture, wall, place, shape = as_tensors(strips(3))
    dice = torch.Generator().manual_seed(2)

    def outlines(given: torch.Tensor, at: torch.Tensor) -> np.ndarray:
        return (given[..., :2] + given[..., 2:] * (at * PITCH)[..., None]).numpy()

    true = outlines(shape, place)
    for _ in range(6):
        batch = disturbed(picture, wall, place, shape, dice, relit)
        rows = batch.shape[:, OVERLAP:-OVERLAP]
        assert torch.allclose(rows[..., 2:].norm(dim=2), torch.ones(3, ROWS), atol=1e-5)
        for was, now in zip(true, outlines(rows, batch.place), strict=True):
            before, after = Polygon(was), Polygon(now)  # a turn and a mirror image keep both
            assert after.area == pytest.approx(before.area, rel=1e-4)
            assert after.centroid.distance(Point(0.0, 0.0)) == pytest.approx(
                before.centroid.distance(Point(0.0, 0.0)), rel=1e-4
            )


@pytest.mark.parametrize("other_light", [dulled, relit])
def test_strips_in_other_light_stay_pictures(other_light):
    rgb = torch.from_numpy(strips(2).picture[..., :3]).float()
    out = other_light(rgb, torch.Generator().manual_seed(1))
    assert out.shape == rgb.shape and out.min() >= 0 and out.max() <= 255 and not torch.equal(out, rgb)


def test_perfect_logits_cost_little_and_unknown_places_nothing():
    place = torch.from_numpy(strips(2).place)
    at = torch.arange(PLACES) - PLACES / 2.0 + 0.5
    logits = -0.5 * ((at - place[..., None]) / 0.7) ** 2
    logits = torch.cat([logits[:, -OVERLAP:], logits, logits[:, :OVERLAP]], dim=1)
    _, off = loss_of(logits, place)
    assert off < 0.3
    unknown = place.clone()
    unknown[:, ::2] = float("nan")
    wrong = logits.clone()
    wrong[:, OVERLAP:-OVERLAP][:, ::2] = 0.0
    assert loss_of(wrong, unknown)[0] == pytest.approx(float(loss_of(logits, unknown)[0]))


@pytest.mark.parametrize(("sees", "steps", "most"), [("strip", 40, 60_000), ("shape", 80, 250_000)])
def test_a_go_of_training_learns_and_its_file_is_read_back(tmp_path, sees, steps, most):
    network, record = train(strips(48), 4, "cpu", sees=sees, steps=steps)
    assert record["off_samples"] < 0.8 * record["off_before_samples"]
    assert export(network, tmp_path / "edge.onnx", (tmp_path,), record) < 1e-4
    assert read_card(tmp_path / "edge.onnx", SCHEMAS[sees])["training"]["steps"] == steps
    session = ort.InferenceSession(str(tmp_path / "edge.onnx"), providers=["CPUExecutionProvider"])
    rows = ROWS + 2 * OVERLAP
    given = {"strip": np.zeros((1, rows, PLACES, 5), np.uint8), "shape": np.zeros((1, rows, 4), np.float32)}
    (edge,) = session.run(["edge"], {name: given[name] for name in RECIPES[sees].names})
    assert edge.shape == (1, ROWS, PLACES) and edge.sum(axis=2) == pytest.approx(np.ones((1, ROWS)), abs=1e-4)
    assert sum(p.numel() for p in network.parameters()) < most
