"""The rim network's pictures: what it is trained on is what it is shown in use, and perfect answers give the true rim."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
import torch
from shapely.geometry import Polygon

from train.rim import (
    CROP_PX,
    U_CENTRE,
    U_FLAT,
    U_RADIUS,
    RimNet,
    coins_of,
    drawn_one,
    dulled,
    export,
    foot_of,
    loss_of,
    unroll,
)
from train.rim_draw import SIDE, draw
from vision.fitting import fit_ellipse
from vision.label import Label, Shape
from vision.models import load
from vision.plane import FULL_FRAME_DIAGONAL_MM
from vision.scale.coins import COINS
from vision.scale.rim import Profile, Rim, Start, ellipse_start
from vision.scale.rim_network import (
    INNER,
    OVERLAP,
    PITCH,
    PLACES,
    RAYS,
    STEPS,
    look_at,
    nearer,
    ray_points,
    rim_of,
    rim_places,
    unrolled,
)

TURN = np.linspace(0, 2 * np.pi, 240, endpoint=False)


def ellipse(long: float = 70.0, short: float = 62.0, angle: float = 0.6) -> np.ndarray:
    u, v = long * np.cos(TURN), short * np.sin(TURN)
    return np.column_stack([210 + u * np.cos(angle) - v * np.sin(angle), 160 + u * np.sin(angle) + v * np.cos(angle)])


class Knowing:
    """A network that knows the truth: the place where each ray leaves the polygon, spread over two samples."""

    def __init__(self, polygon: np.ndarray) -> None:
        self.polygon, self.starts = polygon.astype(np.float32), []

    def run(self, rows: np.ndarray) -> dict[str, np.ndarray]:
        assert rows.shape == (len(self.starts), RAYS + 2 * OVERLAP, STEPS, 3)
        edges = []
        for start in self.starts:
            points = ray_points(start)[:, INNER:].reshape(-1, 2)
            away = np.array([cv2.pointPolygonTest(self.polygon, (float(x), float(y)), True) for x, y in points])
            inside = np.clip(away / (PITCH * start.radius_px) + 0.5, 0, 1).reshape(RAYS, PLACES)
            place = inside.sum(axis=1) - 0.5
            edge = np.exp(-0.5 * ((np.arange(PLACES) - place[:, None]) / 0.7) ** 2)
            edges.append(edge / np.maximum(edge.sum(axis=1, keepdims=True), 1e-9))
        return {
            "edge": np.array(edges, np.float32),
            "outer": np.array(edges, np.float32),
            "coin": np.full(len(edges), 0.97, np.float32),
        }


def read_with(
    knowing: Knowing, start: Start, profile: Profile | None = None, size: tuple[int, int] = (320, 420)
) -> Rim:
    pixels = np.full((*size, 3), 120, np.uint8)
    for _ in range(4):
        knowing.starts = [start]
        (look,) = look_at(pixels, [start], knowing)
        start = nearer(look)
        assert start is not None
    return rim_of(look, profile)


def test_a_network_that_is_right_gives_the_true_ellipse():
    start = Start(np.array([214.0, 157.0]), 63.0, (2.0, -1.0), 2.0, 1.0)
    rim = read_with(Knowing(ellipse()), start)
    assert (rim.ellipse.long, rim.ellipse.short) == pytest.approx((70.0, 62.0), rel=2e-3)
    assert rim.centre_px == pytest.approx((210.0, 160.0), abs=0.15)
    assert rim.support > 0.85 and rim.confidence == pytest.approx(0.97)
    assert 0.002 < rim.u_radius_relative < 0.012

    seven = COINS["gb-50p"]
    edge = np.interp((TURN * 7 / (2 * np.pi)) % 1.0, np.linspace(0, 1, 121), seven.edge_mm) * 5.0
    polygon = np.array([210.0, 160.0]) + edge[:, None] * np.column_stack([np.cos(TURN), np.sin(TURN)])
    profile = Profile(7, 2.0 * seven.edge_mm / seven.mean_diameter_mm)
    rim = read_with(Knowing(polygon), start, profile)
    assert rim.ellipse.long == pytest.approx(seven.mean_diameter_mm / 2 * 5.0, rel=4e-3)


def test_a_coin_that_the_frame_cuts_has_no_rim():
    start = Start(np.array([214.0, 157.0]), 66.0, (2.0, -1.0), 2.0, 1.0)
    assert read_with(Knowing(ellipse()), start, size=(320, 240)) is None


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
    true = unroll(torch.from_numpy(crop[None]), torch.from_numpy(truth[None]), dice, train=False)
    # the same wrong ellipse, in photo pixels
    scale = 70.0 / (truth[2] + np.hypot(truth[3], truth[4]))
    n = noise[0].numpy()
    centre = np.array([210.0, 160.0]) + n[:2] * U_CENTRE * truth[2] * scale
    flat = (truth[3:5] + n[3:5] * U_FLAT * truth[2]) * scale
    start = Start(centre, float(truth[2] * (1 + U_RADIUS * n[2]) * scale), (float(flat[0]), float(flat[1])), 1.0, 1.0)
    shown = unrolled(cv2.cvtColor(cv2.imread(str(tmp_path / "000000.jpg")), cv2.COLOR_BGR2RGB), start)
    trained = true.rgb[0].permute(1, 2, 0).numpy()
    assert np.abs(shown.astype(float) - trained)[:, INNER:].mean() < 4.0
    # the truth's edge lies where the polygon's does: interpolated on the rays, it is zero pixels from it
    points = ray_points(start)[:, INNER:]
    place = true.place[0, OVERLAP:-OVERLAP].numpy()
    for row in range(0, RAYS, 6):
        at = [np.interp(place[row], np.arange(PLACES), points[row, :, k]) for k in (0, 1)]
        away = cv2.pointPolygonTest(polygon.astype(np.float32), (float(at[0]), float(at[1])), True)
        assert abs(away) < 0.012 * 70.0
    assert true.shown.float().mean() > 0.9 and float(true.coin[0]) == 1.0
    assert dulled(true.rgb, dice).shape == true.rgb.shape


def test_a_step_of_training_and_the_exported_file_agree(tmp_path):
    torch.manual_seed(0)
    network = RimNet()
    things = [drawn_one(seed) for seed in range(6)]
    pixels, truth = (torch.from_numpy(np.stack([t[k] for t in things])) for k in (0, 1))
    true = unroll(pixels, truth, torch.Generator().manual_seed(0), train=False)
    assert (true.coin == truth[:, 5]).all()
    loss, away, right = loss_of(network(true.rgb / 255.0), true)
    loss.backward()
    assert float(away) >= 0.0 and 0.0 <= float(right) <= 1.0
    assert all(p.grad is not None for p in network.parameters())
    path = tmp_path / "rim.onnx"
    assert export(network.eval(), path, (), {"steps": 1}) < 1e-4
    assert path.stat().st_size < 100_000  # what is left of the ten megabytes a download may be
    model = load(path, "rim")
    assert model.card["which"] == "rim" and json.dumps(model.card)
    out = model.run(np.zeros((1, RAYS + 2 * OVERLAP, STEPS, 3), np.uint8))
    assert out["coin"].shape == (1,)
    for places in (out["edge"], out["outer"]):
        assert places.shape == (1, RAYS, PLACES)
        assert places.sum(axis=2) == pytest.approx(1.0, abs=1e-4)
    assert len(rim_places()) == PLACES


@pytest.mark.parametrize("coin", [True, False])
def test_drawn_things_lie_where_they_say(coin):
    for seed in range(4):
        crop, edge, outer = draw(np.random.default_rng(seed), coin=coin)
        assert crop.shape == (SIDE // 2, SIDE // 2, 3) and crop.std() > 0.5
        found = fit_ellipse(edge)
        assert found.long == pytest.approx(SIDE / 4 / 1.45, rel=0.02)
        assert (found.x, found.y) == pytest.approx(((SIDE // 2 - 1) / 2,) * 2, abs=0.6)
        assert Polygon(outer).buffer(0.3).contains(Polygon(edge)) and Polygon(outer).area < 1.5 * Polygon(edge).area


def test_the_foot_of_a_coins_wall_lies_where_opencvs_camera_puts_it():
    """A part and a coin on one tilted bench, projected by `cv2.projectPoints`."""
    coin, focal, size = COINS["us-quarter"], 1500.0, (1280, 960)
    camera = np.array([[focal, 0.0, (size[0] - 1) / 2], [0.0, focal, (size[1] - 1) / 2], [0.0, 0.0, 1.0]])
    tilt = np.array([0.3, -0.25, 0.0])

    def seen(points: np.ndarray, height: float) -> np.ndarray:
        solid = np.column_stack([points * [1.0, -1.0], np.full(len(points), -height)])
        return cv2.projectPoints(solid, tilt, np.array([4.0, -3.0, 260.0]), camera, None)[0].reshape(-1, 2)

    part = np.array(
        [(0.0, 0.0), (9.0, -2.0), (12.0, 3.0), (10.0, 8.0), (6.0, 20.0), (0.0, 22.0), (-5.0, 9.0), (-4.0, 2.0)]
    )
    disc = np.array([-26.0, 5.0]) + coin.mean_diameter_mm / 2 * np.column_stack([np.cos(TURN), np.sin(TURN)])
    face, foot = seen(disc, coin.thickness_mm), seen(disc, 0.0)
    label = Label(
        "a.jpg", *size, "taper", outline_mm=tuple(map(tuple, part.tolist())), scale_kind="coin", scale_reference=coin.id,
        tilt_deg=float(np.degrees(np.hypot(*tilt[:2]))), focal_35mm=focal * FULL_FRAME_DIAGONAL_MM / np.hypot(*size),
        shapes=(Shape("coin", tuple(map(tuple, face.tolist()))), Shape("part", tuple(map(tuple, seen(part, 2.3).tolist())))),
    )  # fmt: skip
    assert foot_of(label, face) == pytest.approx(foot, abs=0.05)
    assert np.abs(face - foot).max() > 3.0
    assert foot_of(replace(label, scale_reference="au-1"), face) is None  # whose thickness is in no table


def test_a_rough_outline_gives_a_start():
    start = ellipse_start(ellipse(), 2.0, 0.9)
    assert start is not None
    assert start.radius_px == pytest.approx(66.0, abs=0.05)
    assert np.hypot(*start.flattening_px) == pytest.approx(4.0, abs=0.05)
    assert ellipse_start(ellipse(70, 20), 2.0, 0.9) is None
