"""The rim network's pictures: what it is trained on is what it is shown in use, and perfect answers give the true rim."""

import json

import cv2
import numpy as np
import pytest
import torch

from train.rim import CROP_PX, RimNet, coins_of, dulled, export, loss_of, unroll
from vision.label import Label, Shape
from vision.models import load
from vision.scale import rim_network
from vision.scale.coins import COINS
from vision.scale.rim import Profile, Start, ellipse_start
from vision.scale.rim_network import OVERLAP, RAYS, STEPS, network_rim, ray_points, unrolled

TURN = np.linspace(0, 2 * np.pi, 240, endpoint=False)


def ellipse(long: float = 70.0, short: float = 62.0, angle: float = 0.6) -> np.ndarray:
    u, v = long * np.cos(TURN), short * np.sin(TURN)
    return np.column_stack([210 + u * np.cos(angle) - v * np.sin(angle), 160 + u * np.sin(angle) + v * np.cos(angle)])


class Knowing:
    """A network that knows the truth: 1 inside the polygon, soft over one sample."""

    def __init__(self, polygon: np.ndarray, start: Start) -> None:
        self.polygon, self.starts = polygon.astype(np.float32), [start]

    def run(self, rows: np.ndarray) -> dict[str, np.ndarray]:
        assert rows.shape == (1, RAYS + 2 * OVERLAP, STEPS, 3)
        points = ray_points(self.starts[-1]).reshape(-1, 2)
        away = np.array([cv2.pointPolygonTest(self.polygon, (float(x), float(y)), True) for x, y in points])
        step = 0.48 / STEPS * self.starts[-1].radius_px
        inside = np.clip(away / step + 0.5, 0, 1).reshape(RAYS, STEPS).astype(np.float32)
        return {"inside": inside[None]}


def test_a_network_that_is_right_gives_the_true_ellipse(monkeypatch):
    polygon = ellipse()
    start = Start(np.array([214.0, 157.0]), 63.0, (2.0, -1.0), 2.0, 1.0)
    knowing = Knowing(polygon, start)
    keep = rim_network.unrolled

    def follow(pixels, at):
        knowing.starts.append(at)
        return keep(pixels, at)

    monkeypatch.setattr(rim_network, "unrolled", follow)
    rim = network_rim(np.full((320, 420, 3), 120, np.uint8), start, knowing)
    assert (rim.ellipse.long, rim.ellipse.short) == pytest.approx((70.0, 62.0), rel=2e-3)
    assert rim.centre_px == pytest.approx((210.0, 160.0), abs=0.1)
    assert rim.support > 0.85

    seven = COINS["gb-50p"]
    edge = np.interp((TURN * 7 / (2 * np.pi)) % 1.0, np.linspace(0, 1, 121), seven.edge_mm) * 5.0
    knowing.polygon = (np.array([210.0, 160.0]) + edge[:, None] * np.column_stack([np.cos(TURN), np.sin(TURN)])).astype(
        np.float32
    )
    profile = Profile(7, 2.0 * seven.edge_mm / seven.mean_diameter_mm)
    rim = network_rim(np.full((320, 420, 3), 120, np.uint8), start, knowing, profile)
    assert rim.ellipse.long == pytest.approx(seven.mean_diameter_mm / 2 * 5.0, rel=3e-3)


def test_training_sees_what_is_shown_in_use(tmp_path):
    rng = np.random.default_rng(0)
    polygon = ellipse()
    picture = cv2.GaussianBlur(rng.integers(0, 255, (320, 420, 3)).astype(np.uint8), (0, 0), 3.0)
    cv2.fillPoly(picture, [np.round(polygon * 16).astype(np.int32)], (40, 160, 220), shift=4)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.5)
    label = Label("000000.jpg", 420, 320, None, shapes=(Shape("coin", tuple(map(tuple, polygon.tolist()))),))
    cv2.imwrite(str(tmp_path / "000000.jpg"), picture[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 100])
    (tmp_path / "000000.json").write_text(label.to_json())
    ((crop, truth),) = coins_of(tmp_path / "000000.json")
    assert crop.shape == (CROP_PX, CROP_PX, 4)
    dice = torch.Generator().manual_seed(0)
    noise = torch.randn((1, 5), generator=torch.Generator().manual_seed(0))
    seen, inside, weight, _ = unroll(torch.from_numpy(crop[None]), torch.from_numpy(truth[None]), dice, train=False)
    # the same wrong ellipse, in photo pixels
    scale = 70.0 / (truth[2] + np.hypot(truth[3], truth[4]))
    n = noise[0].numpy()
    centre = np.array([210.0, 160.0]) + n[:2] * 0.035 * truth[2] * scale
    flat = (truth[3:5] + n[3:5] * 0.025 * truth[2]) * scale
    start = Start(centre, float(truth[2] * (1 + 0.045 * n[2]) * scale), (float(flat[0]), float(flat[1])), 1.0, 1.0)
    shown = unrolled(cv2.cvtColor(cv2.imread(str(tmp_path / "000000.jpg")), cv2.COLOR_BGR2RGB), start)
    trained = seen[0].permute(1, 2, 0).numpy()
    assert np.abs(shown.astype(float) - trained).mean() < 3.0
    # the truth's edge lies where the polygon's does
    points = ray_points(start)
    away = np.array(
        [
            [cv2.pointPolygonTest(polygon.astype(np.float32), (float(x), float(y)), True) for x, y in row[::9]]
            for row in points[::8]
        ]
    )
    assert np.sign(away[np.abs(away) > 1.0]) == pytest.approx(
        np.sign(inside[0, OVERLAP:-OVERLAP][::8, ::9].numpy()[np.abs(away) > 1.0])
    )
    assert weight.min() >= 0 and weight.mean() > 0.9
    assert dulled(seen, dice).shape == seen.shape


def test_a_step_of_training_and_the_exported_file_agree(tmp_path):
    torch.manual_seed(0)
    network = RimNet()
    rows = torch.rand((2, 3, RAYS + 2 * OVERLAP, STEPS))
    loss, away = loss_of(
        network(rows), torch.randn((2, RAYS + 2 * OVERLAP, STEPS)), torch.ones((2, RAYS + 2 * OVERLAP, STEPS))
    )
    loss.backward()
    assert float(away) >= 0.0 and all(p.grad is not None for p in network.parameters())
    path = tmp_path / "rim.onnx"
    assert export(network.eval(), path, (), {"steps": 1}) < 1e-4
    model = load(path, "rim")
    assert model.card["which"] == "rim" and json.dumps(model.card)
    out = model.run(np.zeros((1, RAYS + 2 * OVERLAP, STEPS, 3), np.uint8))["inside"]
    assert out.shape == (1, RAYS, STEPS)


def test_a_rough_outline_gives_a_start():
    start = ellipse_start(ellipse(), 2.0, 0.9)
    assert start is not None
    assert start.radius_px == pytest.approx(66.0, abs=0.05)
    assert np.hypot(*start.flattening_px) == pytest.approx(4.0, abs=0.05)
    assert ellipse_start(ellipse(70, 20), 2.0, 0.9) is None
