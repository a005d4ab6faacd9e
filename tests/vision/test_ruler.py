"""Rulers of known graduation seen by a known pinhole camera, and things that only look like rulers.

Check values: the inch is 25.4 mm exactly (international yard and pound agreement, 1959); pictures in scikit-image's own
data, none of which shows a ruler; the projective map of equal steps from plain pinhole geometry.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data

from tests.vision.ruler_pictures import NOT_RULERS, RulerPicture, not_a_ruler, ruler_picture
from vision.photo import Photo
from vision.plane import Plane, fit_plane
from vision.quantity import NotMeasured
from vision.scale import PointReference, Scale
from vision.scale.ruler import RulerEdge, find_edges, find_ruler
from vision.scale.ruler_pattern import GRADUATIONS
from vision.scale.ruler_track import fit_spacing

SIZE = {"width": 1600, "height": 1200}


def photo(pixels: np.ndarray) -> Photo:
    return Photo(pixels, "made.jpg", "0" * 64)


def length_error(picture: RulerPicture, edge: RulerEdge) -> float:
    """Relative error of the longest distance between marks, measured back on the drawn ruler."""
    mm = picture.points_mm(edge.image_px[[0, -1]])
    said = abs(int(edge.index[-1]) - int(edge.index[0])) * edge.division_mm
    return float(said / np.linalg.norm(mm[1] - mm[0]) - 1.0)


@pytest.mark.parametrize(
    ("kinds", "tilt_deg"),
    [(("mm",), 0.0), (("mm", "inch16"), 15.0), (("inch16",), 25.0), (("inch8", "inch16"), 8.0), (("mm", "mm"), 28.0)],
)
def test_millimetres_along_the_ruler(kinds: tuple[str, ...], tilt_deg: float):
    found = 0
    for seed in range(3):
        rng = np.random.default_rng(1000 * len(kinds) + 10 * int(tilt_deg) + seed)
        picture = ruler_picture(rng, kinds, tilt_deg=tilt_deg, distance_mm=220.0, **SIZE)
        edges = find_edges(photo(picture.pixels))
        if isinstance(edges, NotMeasured):
            continue
        found += 1
        for edge in edges:
            assert length_error(picture, edge) == pytest.approx(0.0, abs=0.003)
            assert any(e.unit == edge.unit and e.division_mm == pytest.approx(edge.division_mm) for e in picture.edges)
    assert found >= 2


@pytest.mark.parametrize(
    ("seed", "kinds"),
    [(5, ("inch16",)), (9, ("inch8", "inch16")), (46, ("inch32", "half-mm"))],
)
def test_the_inch_is_never_doubled_or_halved(seed: int, kinds: tuple[str, ...]):
    """Covers and figures that touch marks make some of the longest longer or shorter; the inch stays 25.4 mm."""
    picture = ruler_picture(np.random.default_rng(seed), kinds)
    edges = find_edges(photo(picture.pixels))
    assert not isinstance(edges, NotMeasured)
    for edge in edges:
        assert length_error(picture, edge) == pytest.approx(0.0, abs=0.003)


def short_end(seed: int, kinds: tuple[str, ...], shown_mm: float) -> tuple[RulerPicture, np.ndarray, np.ndarray, float]:
    """A ruler of which the frame shows `shown_mm`: the picture, what is cut out of it and from where, pixels a millimetre."""
    picture = ruler_picture(np.random.default_rng(seed), kinds, distance_mm=200.0, **SIZE)
    edge = picture.edges[0]
    marks = picture.points_px(
        np.array([(edge.start_mm + i * edge.division_mm, edge.y_mm) for i in range(edge.count + 1)])
    )
    inside = np.flatnonzero(((marks > 0) & (marks < (1599, 1199))).all(axis=1))
    first, last = inside[0], inside[0] + int(shown_mm / edge.division_mm)
    px_per_mm = float(np.median(np.linalg.norm(np.diff(marks[first : last + 1], axis=0), axis=1))) / edge.division_mm
    ends = [(edge.start_mm + i * edge.division_mm, edge.y_mm + y) for i in (first, last) for y in (-12.0, 12.0)]
    corners = picture.points_px(np.array(ends))
    (x0, y0), (x1, y1) = np.clip(corners.min(axis=0), 0, None).astype(int), corners.max(axis=0).astype(int)
    return picture, np.ascontiguousarray(picture.pixels[y0:y1, x0:x1]), np.array([x0, y0]), px_per_mm


def test_a_short_end_beside_a_part_gives_the_right_inch():
    """Of 40 mm an eighth and a sixteenth of an inch look much alike: a part as long as cams are tells them apart."""
    found = 0
    for seed in range(6):
        for kinds in (("inch16",), ("inch32",)):
            picture, pixels, origin, px_per_mm = short_end(seed, kinds, 40.0)
            edges = find_edges(photo(pixels), part_px=33.0 * px_per_mm)
            if isinstance(edges, NotMeasured):
                continue
            found += 1
            for edge in edges:
                mm = picture.points_mm(edge.image_px + origin)
                length = float(np.linalg.norm(mm[-1] - mm[0]))
                assert np.ptp(edge.index) * edge.division_mm / length == pytest.approx(1.0, abs=0.03)
    assert found >= 10


def test_scatter_of_the_marks_is_as_stated():
    picture = ruler_picture(np.random.default_rng(5), ("mm",), tilt_deg=10.0, distance_mm=200.0, **SIZE)
    scale = find_ruler(photo(picture.pixels))
    assert isinstance(scale, Scale)
    (reference,) = scale.references
    assert isinstance(reference, PointReference)
    mm = picture.points_mm(reference.image_px)
    line = np.polyfit(reference.plane_mm[:, 0], mm[:, 0], 1)
    assert abs(line[0]) == pytest.approx(1.0, abs=0.002)
    scatter_mm = float((mm[:, 0] - np.polyval(line, reference.plane_mm[:, 0])).std())
    px_per_mm = np.linalg.norm(np.diff(reference.image_px[[0, -1]], axis=0)) / np.ptp(reference.plane_mm[:, 0])
    assert scatter_mm * px_per_mm < 3.0 * reference.sigma_px
    rows = np.unique(reference.plane_mm[:, 1])
    assert rows.size == 2


def test_marks_that_run_together_tell_the_tilt_about_the_ruler():
    """One edge alone, tilted by 20 degrees about any axis by plain pinhole geometry: a line of points could not tell."""
    for seed, kinds in ((3, ("inch8",)), (5, ("mm",))):
        picture = ruler_picture(np.random.default_rng(seed), kinds, tilt_deg=20.0, distance_mm=220.0, **SIZE)
        scale = find_ruler(photo(picture.pixels))
        assert isinstance(scale, Scale)
        plane = fit_plane(scale.references, image_size=(1600, 1200), focal_35mm=26.0)
        assert isinstance(plane, Plane)
        assert plane.tilt_deg.value == pytest.approx(20.0, abs=1.5)


def test_the_wrong_unit_is_refused_with_a_reason():
    picture = ruler_picture(np.random.default_rng(5), ("mm",), tilt_deg=5.0, distance_mm=200.0, **SIZE)
    assert find_ruler(photo(picture.pixels), "mm")
    wrong = find_ruler(photo(picture.pixels), "inch")
    assert isinstance(wrong, NotMeasured)
    assert wrong.code == "ruler-unit-conflict"
    assert "mm" in wrong.text


def test_a_probability_map_and_a_mask_steer_the_search():
    picture = ruler_picture(np.random.default_rng(5), ("mm",), tilt_deg=5.0, distance_mm=200.0, **SIZE)
    cells = np.zeros((96, 128), np.float32)
    at = picture.points_px(np.array([(x, 8.0) for x in range(5, 110, 2)])) / 12.5
    for x, y in at.astype(int):
        if 0 <= x < 128 and 0 <= y < 96:
            cells[max(y - 3, 0) : y + 4, max(x - 3, 0) : x + 4] = 0.9
    assert find_ruler(photo(picture.pixels), ruler_probability=cells)
    everywhere = np.ones((96, 128), bool)
    assert not find_ruler(photo(picture.pixels), exclude_mask=everywhere)


def test_a_plain_ruler_is_found_in_a_hurry():
    picture = ruler_picture(np.random.default_rng(5), ("mm",), tilt_deg=5.0, distance_mm=200.0, **SIZE)
    assert find_ruler(photo(picture.pixels), hurried=True)


@pytest.mark.parametrize("kind", NOT_RULERS)
def test_nothing_else_is_taken_for_a_ruler(kind: str):
    for seed in range(2):
        pixels = not_a_ruler(np.random.default_rng(700 + seed), kind, width=1024, height=768)
        assert not find_ruler(photo(pixels))


@pytest.mark.parametrize("name", ["page", "text", "brick", "coins", "grass", "checkerboard"])
def test_pictures_without_a_ruler(name: str):
    picture = np.asarray(getattr(skimage.data, name)())
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    for factor in (1, 2):
        big = cv2.resize(grey.astype(np.uint8), None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
        assert not find_ruler(photo(cv2.cvtColor(big, cv2.COLOR_GRAY2RGB)))


def test_divisions_of_the_inch():
    inches = {g.name: g.division_mm * len(g.classes) for g in GRADUATIONS if g.unit == "inch"}
    assert inches
    assert all(v == pytest.approx(25.4, abs=1e-12) for v in inches.values())


def test_spacing_is_the_pinhole_cameras():
    """Points every millimetre on a tilted line, projected: f (x cos t) / (z + x sin t), no noise."""
    x = np.arange(-60.0, 61.0)
    along = 2000.0 * x * np.cos(0.5) / (250.0 + x * np.sin(0.5))
    spacing = fit_spacing(x, along, bend=False)
    assert np.abs(spacing.position(x) - along).max() < 1e-6
    assert spacing.step(np.array([0.0]))[0] == pytest.approx(2000.0 * np.cos(0.5) / 250.0, rel=1e-6)


def test_a_flat_picture_has_no_ruler():
    assert not find_ruler(photo(np.full((300, 400, 3), 128, np.uint8)))
    assert not find_ruler(photo(np.zeros((40, 40, 3), np.uint8)))
