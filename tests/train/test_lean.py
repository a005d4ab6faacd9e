"""What the lean network is trained on: drops as OpenCV projects them, densities as scipy counts them, and a whole go."""

from __future__ import annotations

import cv2
import numpy as np
import onnxruntime as ort
import pytest
import scipy.special
import scipy.stats
import torch

from train.card import read_card
from train.edge import ROOM, waves
from train.lean import Strips, disturbed, drop_loss, drop_of, export, moved, train, usual_drops
from train.outline_nets import Drop, LeanNet, Ring
from vision.face_edge import OVERLAP, PLACES, ROWS
from vision.label import Label
from vision.lean import DROPS, SCHEMA
from vision.tilt import lean_of

TURN = np.arange(ROWS) * (2.0 * np.pi / ROWS)


def strips(n: int) -> Strips:
    """Bright faces on dark benches whose edge lies where `place` says."""
    rng = np.random.default_rng(n)
    place = rng.uniform(-5.0, 5.0, (n, 1)) + 2.0 * np.sin(TURN)[None]
    at = np.arange(ROOM) - ROOM / 2.0 + 0.5
    bright = np.clip(place[..., None] - at + 0.5, 0.0, 1.0)
    picture = np.repeat((40.0 + 160.0 * bright)[..., None], 4, axis=3)
    normals = np.tile(np.column_stack([np.cos(TURN), np.sin(TURN)]), (n, 1, 1))
    drop = rng.normal(0.0, 3.0, (n, 2))
    wall = np.maximum((normals * drop[:, None]).sum(axis=2), 0.0)
    return Strips(np.rint(picture).astype(np.uint8), *(v.astype(np.float32) for v in (wall, place, normals, drop)))


def as_tensors(s: Strips) -> tuple[torch.Tensor, ...]:
    return tuple(torch.from_numpy(x) for x in s.fields)


def edge_of(seen: torch.Tensor) -> torch.Tensor:
    """Where the red channel passes its middle on every row, samples from the strip's middle."""
    red = seen[:, 0, OVERLAP:-OVERLAP]
    low, high = red.amin(dim=2, keepdim=True), red.amax(dim=2, keepdim=True)
    return ((red - low) / (high - low)).sum(dim=2) - PLACES / 2.0


def test_shifted_strips_show_the_edge_where_the_label_says():
    picture, wall, *rest = as_tensors(strips(3))
    dice = torch.Generator().manual_seed(0)
    shift = 6.0 * waves(3, 8.0, dice, wall.device).clamp(-1.5, 1.5)
    batch = moved(picture, 0.0 * wall, (wall, *rest), shift, None)
    assert batch.seen.shape == (3, 7, ROWS + 2 * OVERLAP, PLACES)
    assert (edge_of(batch.seen) - batch.place).abs().max() < 0.25
    assert torch.allclose(batch.foot - batch.place, wall, atol=1e-5) and torch.equal(batch.drop, rest[2])
    shown = moved(picture, wall, (wall, *rest), shift, None)
    assert shown.drop.isnan().all()  # told where the wall is, it could say the drop from that alone
    blind = 0
    for _ in range(6):
        turned = disturbed(picture, wall + 4.0, *rest, dice)
        assert torch.isfinite(turned.seen).all()
        for seen, drop, normals, place, foot in zip(
            turned.seen, turned.drop, turned.normals, turned.place, turned.foot, strict=True
        ):
            marked = bool(seen[5].amax() > 0.5)  # the wall's mark is there
            assert marked != bool(drop.isfinite().all())
            if not marked:  # turned and mirrored as they may be, the drop and the normals still tell the wall
                width = (normals[OVERLAP:-OVERLAP] @ drop).clamp_min(0.0)
                assert (foot - place - 4.0 - width).abs().max() < 1e-3
                blind += 1
    assert 0 < blind < 18


def test_a_labels_drop_is_what_opencv_projects():
    focal, depth, thickness = 1200.0, 210.0, 2.4
    camera = np.array([[focal, 0.0, 0.0], [0.0, focal, 0.0], [0.0, 0.0, 1.0]])
    for tilt in ((0.3, 0.0), (-0.1, 0.25), (0.02, -0.01)):
        turn = cv2.Rodrigues(np.array([*tilt, 0.0]))[0] @ np.diag([1.0, -1.0, -1.0])
        points = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, -thickness], [0.05, 0.0, 0.0], [0.0, 0.05, 0.0]])
        at = np.array([10.0, -6.0, depth])
        top, foot, right, up = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], at, camera, np.zeros(5))[0][:, 0]
        unit = 0.05 / np.sqrt(abs(np.linalg.det(np.stack([right - top, up - top]))))
        label = Label("x.jpg", 9, 9, "finger", thickness_mm=thickness, mm_per_px=unit, lean_rad=lean_of(turn[:, 2], at))
        assert drop_of(label) == pytest.approx(foot - top, abs=0.25)  # px, of up to 4: the foot is farther away
    assert np.isnan(drop_of(Label("x.jpg", 9, 9, "finger"))).all()


def test_what_is_usual_is_the_mixture_the_drops_came_from():
    rng = np.random.default_rng(3)
    wide = np.where(rng.random(20000) < 0.4, 1.0, 5.0)
    share, deviation = np.array(usual_drops((rng.normal(0.0, 1.0, (20000, 2)) * wide[:, None]).astype(np.float32))).T
    assert share.sum() == pytest.approx(1.0, abs=1e-3)
    at = np.array([0.0, 2.0, 6.0, 10.0])
    found = (share / deviation**2 * np.exp(-0.5 * (at[:, None] / deviation) ** 2)).sum(axis=1)
    wanted = 0.4 * np.exp(-0.5 * at**2) + 0.6 / 25.0 * np.exp(-0.5 * (at / 5.0) ** 2)
    assert found == pytest.approx(wanted, rel=0.15)


def test_what_a_ring_and_a_drop_say_turns_with_the_picture():
    torch.manual_seed(1)
    ring, drop = Ring(8, 6).double(), Drop(6).double().eval()
    angle = torch.rand((3, 68), dtype=torch.float64) * 6.3
    normals = torch.stack([angle.cos(), angle.sin()], dim=2)
    seen = torch.randn((3, 8, 68, 14), dtype=torch.float64)
    turn = torch.tensor([[0.6, -0.8], [0.8, 0.6]], dtype=torch.float64)
    with torch.no_grad():
        said, same = drop(*ring(seen, normals)), drop(*ring(seen, normals @ turn.T))
    assert said[:, :-1, 1:3].norm(dim=2).min() > 1e-4
    assert torch.allclose(said[..., 1:3] @ turn.T, same[..., 1:3], atol=1e-12)
    assert torch.allclose(said[..., [0, 3]], same[..., [0, 3]], atol=1e-12)


def test_a_density_costs_what_scipy_says():
    rng = np.random.default_rng(5)
    said = torch.from_numpy(rng.normal(0.0, 1.0, (4, 3, 4))).float()
    true = torch.from_numpy(rng.normal(0.0, 2.0, (4, 2))).float()
    share = scipy.special.softmax(said[..., 0].numpy(), axis=1)
    wanted = []
    for i in range(4):
        parts = [
            scipy.stats.multivariate_normal(said[i, k, 1:3].numpy(), np.exp(2.0 * float(said[i, k, 3]))).pdf(
                true[i].numpy()
            )
            for k in range(3)
        ]
        wanted.append(-np.log(share[i] @ parts))
    assert float(drop_loss(said, true)[0]) == pytest.approx(float(np.mean(wanted)), rel=1e-4)
    true[1:] = float("nan")
    assert float(drop_loss(said, true)[0]) == pytest.approx(wanted[0], rel=1e-4)


def test_a_go_of_training_learns_and_its_file_is_read_back(tmp_path):
    network, record = train(strips(48), 4, "cpu", steps=40)
    assert record["blind_off"] < 0.8 * record["off_before_samples"]
    assert export(network, tmp_path / "lean.onnx", (tmp_path,), record, [[1.0, 3.0]]) < 1e-4
    assert read_card(tmp_path / "lean.onnx", SCHEMA)["training"]["steps"] == 40
    session = ort.InferenceSession(str(tmp_path / "lean.onnx"), providers=["CPUExecutionProvider"])
    strip = np.zeros((1, ROWS + 2 * OVERLAP, PLACES, 5), np.uint8)
    edge, drop = session.run(
        ["edge", "drop"], {"strip": strip, "normals": np.zeros((1, ROWS + 2 * OVERLAP, 2), np.float32)}
    )
    assert drop.shape == (1, DROPS, 4)
    assert edge.shape == (1, ROWS, PLACES) and edge.sum(axis=2) == pytest.approx(np.ones((1, ROWS)), abs=1e-4)
    assert sum(p.numel() for p in LeanNet().parameters()) < 300_000
