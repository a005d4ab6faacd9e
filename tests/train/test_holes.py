"""What the hole network is trained on: views that show a hole where the truth says, densities as torch counts them, a go."""

from __future__ import annotations

import json

import cv2
import numpy as np
import onnxruntime as ort
import pytest
import scipy.stats
import torch
from shapely.geometry import Point, Polygon
from torch import distributions as td

from train.card import read_card
from train.holes import (
    ROOM,
    ROOM_HALF,
    HoleNet,
    Holes,
    as_used,
    density,
    disturbed,
    export,
    log_density,
    loss_of,
    nearest,
    train,
)
from vision.hole_net import density_of
from vision.hole_view import CONES, GIVEN, HALF, PLAINS, SCHEMA, SIDE
from vision.label import Hole, Label

RING = 2.0 * np.pi * np.arange(180) / 180.0


def holes(n: int) -> Holes:
    """Dark ellipses on bright faces, as circles on a leaning face look, drawn by OpenCV four times finer."""
    rng = np.random.default_rng(n)
    pictures, truth = np.zeros((n, ROOM, ROOM, 6), np.uint8), np.zeros((n, 9 + 1))
    for i in range(n):
        angle, steep = rng.uniform(0.0, 6.3), rng.uniform(0.0, 0.6)
        lean = steep * np.array([np.cos(angle), np.sin(angle)])
        off, inner = rng.normal(0.0, 0.12, 2), rng.uniform(0.8, 1.1)
        outer = inner * rng.uniform(1.4, 1.7) if i % 2 else 0.0
        cos = 1.0 / np.sqrt(1.0 + steep**2)
        right = np.array([np.cos(angle), np.sin(angle)])
        axes = np.column_stack([right * np.sqrt(cos), np.array([-right[1], right[0]]) / np.sqrt(cos)])
        big = np.full((4 * ROOM, 4 * ROOM), 190, np.uint8)
        for radius, shade in ((outer, 120), (inner, 40)):
            ring = off + radius * np.column_stack([np.cos(RING), np.sin(RING)]) @ axes.T
            at = (ring / ROOM_HALF + 1.0) * ROOM * 2.0 - 0.5
            if radius > 0.0:
                cv2.fillPoly(big, [np.round(at).astype(np.int32)], shade)
        grey = cv2.resize(big, (ROOM, ROOM), interpolation=cv2.INTER_AREA)
        pictures[i, :, :, :3] = grey[:, :, None]
        pictures[i, :, :, 4] = np.where(grey < 80, 255, 0)
        truth[i] = (*lean, *off, inner, outer, 1.7, 2.0 if i % 2 else -2.0, True, True)
    return Holes(pictures, truth.astype(np.float32))


def opened(h: Holes) -> list[torch.Tensor]:
    return [torch.from_numpy(x) for x in h.fields]


def test_views_show_the_hole_where_the_truth_says():
    """Middle and area of the opening on the map, against the disc of the true place and radius by shapely."""
    h = holes(12)
    dice = torch.Generator().manual_seed(5)
    for batch, loose in ((as_used(*opened(h)), 0.03), (disturbed(*opened(h), dice), 0.12)):
        share = (batch.seen[:, 4] + 1.0).clamp(0.0, 2.0).numpy() / 2.0
        rows, columns = (np.mgrid[:SIDE, :SIDE] - (SIDE - 1.0) / 2.0) * 2.0 * HALF / SIDE
        for i in range(12):
            place, inner = batch.truth[i, :2].numpy(), float(batch.truth[i, 2])
            middle = np.array([(share[i] * columns).sum(), (share[i] * rows).sum()]) / share[i].sum()
            assert middle == pytest.approx(place, abs=loose)
            disc = Point(0.0, 0.0).buffer(inner)
            assert share[i].sum() * (2.0 * HALF / SIDE) ** 2 == pytest.approx(disc.area, rel=0.1)
            shown = share[i] > 0.5
            hull = cv2.convexHull(np.argwhere(shown).astype(np.float32))[:, 0]
            box = Polygon(hull).minimum_rotated_rectangle.exterior
            sides = [np.hypot(*np.diff(np.array(box.coords)[k : k + 2], axis=0)[0]) for k in (0, 1)]
            assert min(sides) > (0.9 if loose < 0.1 else 0.8) * max(sides)  # a circle again
        assert torch.isfinite(batch.numbers).all() and batch.numbers.shape == (12, GIVEN)


def test_a_density_is_what_torch_says():
    torch.manual_seed(2)
    plain, cone = density(torch.randn(5, PLAINS, 7), torch.randn(5, CONES, 9))
    assert torch.cat([plain[..., 0], cone[..., 0]], dim=1).exp().sum(dim=1) == pytest.approx(np.ones(5), abs=1e-5)
    for parts, d in ((plain, 3), (cone, 4)):
        true = 0.3 * torch.randn(5, d)
        each = td.Independent(td.Normal(parts[..., 1 : d + 1], parts[..., d + 1 :].exp()), 1)
        whole = td.MixtureSameFamily(td.Categorical(logits=parts[..., 0]), each)
        share = parts[..., 0].exp().sum(dim=1).log()  # torch norms the shares of one kind to one
        assert torch.allclose(log_density(parts, true), whole.log_prob(true) + share, atol=1e-4)


def test_a_loss_is_less_for_the_truth_than_beside_it():
    h = holes(6)
    true = as_used(*opened(h)).truth
    plain, cone = torch.zeros(6, PLAINS, 7), torch.zeros(6, CONES, 9)
    losses = []
    for shift in (0.0, 0.3):
        for raw in (plain, cone):
            raw[..., 1:3] = 2.0 * (true[:, None, :2] + shift)
        losses.append(float(loss_of(plain, cone, torch.full((6,), 4.0), true)[0]))
    assert losses[0] < losses[1] - 0.5


def test_an_opening_is_the_hole_it_lies_on():
    def at(x: float, y: float, kind: str = "screw") -> Hole:
        return Hole(x_mm=0.0, y_mm=0.0, diameter_mm=4.0, countersink_diameter_mm=None, kind=kind, center_px=(x, y))

    label = Label("x.jpg", 90, 90, "finger", mm_per_px=0.1, holes=(at(30.0, 30.0), at(60.0, 30.0)))
    assert nearest(label, np.array([57.0, 32.0])) == label.holes[1]
    assert nearest(label, np.array([45.0, 50.0])) is None


def test_a_go_of_training_learns_and_its_file_is_read_back(tmp_path):
    h = holes(80)
    network, record = train(h, 8, "cpu", steps=160)
    plain, cone = (h.truth[h.truth[:, 7] * way > 0] for way in (-1.0, 1.0))
    blind = np.mean(
        [  # what the best normals say that never look
            -sum(scipy.stats.norm(scale=v.std()).entropy() for v in values)
            for values in (
                (*plain[:, 2:4].T, np.log(plain[:, 4])),
                (*cone[:, 2:4].T, np.log(cone[:, 4]), np.log(cone[:, 5])),
            )
        ]
    )
    assert record["log"] > blind + 0.5 and record["screw_holes"] == 80
    assert export(network, tmp_path / "holes.onnx", (tmp_path,), record) < 1e-4
    card = read_card(tmp_path / "holes.onnx", SCHEMA)
    assert json.dumps(card) and card["training"]["steps"] == 160 and card["input"]["weights"] == "float16"
    assert (tmp_path / "holes.onnx").stat().st_size < 1.3e6
    view = torch.randint(0, 200, (2, SIDE, SIDE, 6), dtype=torch.uint8, generator=torch.Generator().manual_seed(1))
    told = torch.tensor([[0.2, 0.1, -0.5], [0.0, -0.2, 0.9]])
    session = ort.InferenceSession(str(tmp_path / "holes.onnx"), providers=["CPUExecutionProvider"])
    plain, cone, real = session.run(["plain", "cone", "real"], {"view": view.numpy(), "given": told.numpy()})
    with torch.no_grad():
        x = view.float()
        seen = torch.cat([(x[..., :3] - 115.0) / 60.0, x[..., 3:] / 128.0 - 1.0], dim=3).permute(0, 3, 1, 2)
        raw_plain, raw_cone, raw_real = network(seen, told)
        wanted = density(raw_plain, raw_cone)
    assert plain == pytest.approx(wanted[0].numpy(), abs=0.03) and cone == pytest.approx(wanted[1].numpy(), abs=0.03)
    assert real == pytest.approx(torch.sigmoid(raw_real).numpy(), abs=0.02)
    said = density_of(plain[0].astype(float), cone[0].astype(float), float(real[0]), np.eye(2), 1.0, 1.7)
    assert said.share.sum() == pytest.approx(1.0, abs=1e-4)
    assert sum(p.numel() for p in HoleNet().parameters()) < 600_000
