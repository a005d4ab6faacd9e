"""Pictures and their Labels. Truth: OpenCV's projection, the mirror rule of the vocabulary, and pictures drawn in plain colours."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon

from synthetic import compose as composing
from synthetic import negatives
from synthetic.compose import compose
from synthetic.contact_sheet import sheet
from synthetic.render import main, sample_picture
from synthetic.scene import Camera, Scene, sample_scene, seen_part
from synthetic.surfaces import Metal
from synthetic.truth import View, label, sample_view
from vision.label import Label
from vision.vocabulary import angle_from_xy, difference_deg, mirror_angle


def scenes(count: int, view: str, *, negative: bool = False) -> list[tuple[Scene, View]]:
    found: list[tuple[Scene, View]] = []
    seed = 0
    while len(found) < count:
        rng = np.random.default_rng((5, seed))
        seed += 1
        scene = sample_scene(rng, negative=negative)
        window = sample_view(rng, scene, view)
        if window is not None:
            found.append((scene, window))
    return found


def test_projection_agrees_with_opencv() -> None:
    rng = np.random.default_rng(0)
    for _ in range(20):
        camera = Camera(
            4032,
            3024,
            float(rng.uniform(13, 77)),
            float(rng.uniform(150, 450)),
            float(rng.uniform(0, 30)),
            float(rng.uniform(0, 360)),
            float(rng.uniform(0, 360)),
            (3.0, -8.0),
            float(rng.uniform(-0.02, 0.02)),
        )
        points = np.c_[rng.uniform(-60, 60, (30, 2)), rng.uniform(0, 10, 30)]
        rows, lens = camera.axes()
        f = camera.focal_px
        matrix = np.array([[f, 0, (camera.width - 1) / 2], [0, f, (camera.height - 1) / 2], [0, 0, 1]])
        k1 = camera.k1 * f**2 / (math.hypot(camera.width, camera.height) / 2) ** 2
        expected, _ = cv2.projectPoints(points, cv2.Rodrigues(rows)[0], -rows @ lens, matrix, np.array([k1, 0, 0, 0]))
        assert camera.project(points[:, :2], points[:, 2]) == pytest.approx(expected.reshape(-1, 2), abs=1e-6)
        assert camera.distance_mm == pytest.approx(np.linalg.norm(lens - [3.0, -8.0, 0.0]))
        view = View(camera, 100.5, 40.25, 0.7, 800, 600)
        assert view.unproject(view.project(points[:, :2], 2.0), 2.0) == pytest.approx(points[:, :2], abs=1e-3)


@pytest.mark.parametrize("view", ["full", "close"])
def test_clock_angles_in_the_picture_are_those_of_the_label(view: str) -> None:
    facings = set()
    for scene, window in scenes(14, view):
        truth = label(scene, window, "x.jpg")
        assert truth.axis_px is not None and truth.tail_px is not None and scene.main is not None
        flat = window.unproject(
            np.array([truth.axis_px, truth.tail_px, *(h.center_px for h in truth.holes)]), scene.main.z1_mm
        )
        tail = flat[1] - flat[0]
        for hole, at in zip(truth.holes, flat[2:] - flat[0], strict=True):
            # clockwise from the tail as the picture shows it: the bench frame is seen from above, y up
            seen = angle_from_xy(tail[1] * at[0] - tail[0] * at[1], float(tail @ at))
            true = angle_from_xy(hole.x_mm, hole.y_mm)
            expected = true if truth.facing == "screw" else mirror_angle(true)
            if scene.main.bend_mm == 0.0 and math.hypot(hole.x_mm, hole.y_mm) > 1:
                assert abs(difference_deg(seen, expected)) < 0.1
            if scene.main.bend_mm == 0.0:
                assert np.linalg.norm(at) == pytest.approx(math.hypot(hole.x_mm, hole.y_mm), abs=0.02)
        facings.add(truth.facing)
    assert facings == {"screw", "plug"}


def test_the_plug_side_is_the_mirror_image() -> None:
    for scene, _ in scenes(6, "close"):
        assert scene.part is not None
        outline, openings = seen_part(scene.part, "plug")
        assert Polygon(outline * [-1, 1]).symmetric_difference(Polygon(scene.part.outline_mm)).area == pytest.approx(
            0, abs=1e-9
        )
        assert Polygon(outline).exterior.is_ccw
        assert all(o.countersink_mm is None for o in openings)


def _plain(name: str, value: float) -> Metal:
    return Metal(name, (0.0, 0.0, 0.0), 0.5, (value, value, value), wave=0.0)


def test_outlines_lie_where_the_picture_shows_the_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """A white part on a black bench, before the phone: threshold and label polygons must cover the same pixels."""
    monkeypatch.setattr(composing, "bench_albedo", lambda rng, kind, h, w, px_mm: np.full((h, w, 3), 0.01, np.float32))
    for scene, window in scenes(6, "close"):
        assert scene.main is not None
        main = replace(scene.main, metal=_plain("white", 0.9), texture="", edge_mm=0.02)
        bare = replace(
            scene, main=main, bench="card", slabs=(), fillings=(), occluders=(), bench_z_mm=0.0, phone_shadow=0.0
        )
        truth = label(bare, window, "x.jpg")
        picture = compose(bare, window)
        bright = picture.mean(2)
        masks = {kind: np.zeros(bright.shape, np.uint8) for kind in ("body", "part", "hole", "countersink", "relief")}
        for shape in truth.shapes:
            cv2.fillPoly(
                masks[shape.kind], [np.round(np.array(shape.polygon_px) * 16).astype(np.int32)], 1, cv2.LINE_8, 4
            )
        openings = masks["hole"] | masks["countersink"] | masks["relief"]
        face = (masks["part"] > 0) & (openings == 0)
        outside = cv2.dilate(masks["body"], np.ones((5, 5), np.uint8)) == 0
        threshold = float(np.median(bright[face])) / 3
        inner = cv2.erode(face.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        assert (bright[inner] > threshold).mean() > 0.995
        assert (bright[outside] < threshold).mean() > 0.995
        seen = bright > threshold
        walls = (masks["body"] > 0) & (masks["part"] == 0)  # as dark as the bench where the light comes from behind
        seen = seen & (openings == 0) & ~walls
        assert (seen & face).sum() / (seen | face).sum() > 0.975


def test_a_picture_depends_on_seed_and_index_alone(tmp_path: Path) -> None:
    first = sample_picture(3, 17, view="mix", negatives=0.2)
    again = sample_picture(3, 17, view="mix", negatives=0.2)
    assert first[0] == again[0] and first[1] == again[1]
    assert (
        main(
            [
                "--out",
                str(tmp_path),
                "--count",
                "2",
                "--start",
                "16",
                "--seed",
                "3",
                "--view",
                "mix",
                "--negatives",
                "0.2",
            ]
        )
        == 0
    )
    assert (tmp_path / "000017.jpg").read_bytes() == first[0]
    assert sheet(tmp_path, 100, 120, 0).shape == (240, 120, 3)
    stored = Label.from_json((tmp_path / "000017.json").read_text(encoding="utf-8"))
    assert stored == first[1]
    assert sample_picture(4, 17, view="mix", negatives=0.2)[0] != first[0]


def test_no_draw_fails(capsys: pytest.CaptureFixture[str]) -> None:
    """A picture that cannot be drawn is said and drawn anew, so that a defect would only thin out what the pictures show."""
    for index in range(14):
        sample_picture(8, index, view="mix", negatives=0.2)
    assert capsys.readouterr().err == ""


def test_broken_edges_are_drawn() -> None:
    """A chamfer is a band of one tone beside the face; the face itself stays as it was."""
    for scene, window in scenes(1, "close"):
        assert scene.main is not None
        bare = replace(scene, slabs=(), fillings=(), occluders=(), bench_z_mm=0.0)
        sharp, broken = (
            compose(replace(bare, main=replace(scene.main, edge_mm=0.5, chamfered=c)), window) for c in (False, True)
        )
        changed = np.abs(sharp - broken).max(axis=2) > 1e-3
        part = np.zeros(changed.shape, np.uint8)
        truth = label(bare, window, "x.jpg")
        face = np.array(next(s for s in truth.shapes if s.kind == "part").polygon_px)
        cv2.fillPoly(part, [np.round(face).astype(np.int32)], 1)
        middle = cv2.erode(part, np.ones((3, 3), np.uint8), iterations=round(2.5 * window.px_per_mm(0.0)))
        assert 0 < changed.sum() < 0.8 * part.sum()
        holes = np.zeros_like(part)
        for shape in truth.shapes:
            if shape.kind in ("hole", "countersink", "relief"):
                cv2.fillPoly(holes, [np.round(np.array(shape.polygon_px)).astype(np.int32)], 1)
        holes = cv2.dilate(holes, np.ones((3, 3), np.uint8), iterations=round(2.5 * window.px_per_mm(0.0)))
        assert not changed[(middle > 0) & (holes == 0)].any()


def test_labels_are_complete_and_inside() -> None:
    for scene, window in scenes(10, "close"):
        truth = label(scene, window, "x.jpg")
        kinds = [s.kind for s in truth.shapes]
        assert kinds.count("part") == 1 and kinds.index("body") < kinds.index("part")
        assert scene.part is not None
        assert kinds.count("hole") == sum(o.kind == "screw" for o in scene.part.openings)
        points = np.array(next(s for s in truth.shapes if s.kind == "part").polygon_px)
        assert points.min() >= -0.5 and points.max() <= window.width - 0.5
        share = 2 * np.linalg.norm(points - points.mean(0), axis=1).max() / window.width
        assert 0.3 < share < 1.15
        if truth.facing == "plug":
            assert "countersink" not in kinds and not truth.facing_shows


def test_negatives_have_no_family_and_held_out_kinds_stay_out() -> None:
    assert not set(negatives.TRAINING) & set(negatives.HELD_OUT)
    for i in range(40):
        assert negatives.sample(np.random.default_rng(i), held_out=False)[0] not in negatives.HELD_OUT
        assert negatives.sample(np.random.default_rng(i), held_out=True)[0] not in negatives.TRAINING
    for scene, window in scenes(6, "close", negative=True):
        truth = label(scene, window, "x.jpg")
        assert truth.family is None and truth.holes == () and truth.tags["not_cam"]
        assert "part" not in {s.kind for s in truth.shapes}
