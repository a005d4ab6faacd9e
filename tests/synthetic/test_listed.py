"""Cams made for the rows of a list, measured with shapely on what was built, against the rows as the shop reads them."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon, box

from shop.parts import read_csv
from synthetic.listed import composed, listed_cam, rows_of
from synthetic.pathtrace import Options
from synthetic.plate import plate_mesh

LIST = Path(__file__).parents[2] / "shop" / "data" / "demo_parts.csv"
PARTS = {part.part: part for part in read_csv(LIST).parts}
ROWS = {row.part: row for row in rows_of(LIST)}
OFF_MM = 0.06  # manufacturing scatter of 0.05, and the outline's own steps
AXIS = Point(0.0, 0.0)
# every family and bottom, both hands, a countersunk part, one with a hole under the tail, one, three and four screws
SOME = ("NB-104", "NB-113", "NB-201", "NB-204", "NB-212", "NB-303", "NB-405", "NB-502", "NB-503", "NB-603", "NB-606",
        "NB-703", "NB-705", "NB-803", "NB-806")  # fmt: skip


def test_the_list_is_read_as_the_shop_reads_it():
    assert list(ROWS) == list(PARTS)
    for part in PARTS.values():
        row = ROWS[part.part]
        assert tuple((h.angle_deg, h.radius_mm, h.diameter_mm, h.countersink_mm) for h in part.holes) == row.holes
        for name in ("family", "bottom", "hand", "reach_mm", "hub_diameter_mm", "tail_width_mm", "thickness_mm"):
            assert getattr(row, name) == getattr(part, name)


@pytest.mark.parametrize("number", SOME)
def test_a_cam_has_the_sizes_of_its_row(number):
    part = PARTS[number]
    cam = listed_cam(np.random.default_rng(int(number[3:])), ROWS[number])
    outline = Polygon(cam.plate.outline_mm)
    assert outline.is_valid
    assert (cam.family, cam.bottom, cam.hand) == (part.family, part.bottom, part.hand)
    # the farthest point of the tail: one way round the Hausdorff distance between a shape and a point in it
    assert AXIS.hausdorff_distance(outline.intersection(box(-99, 0, 99, 99))) == pytest.approx(
        part.reach_mm, abs=OFF_MM
    )
    across = outline.intersection(LineString([(-99, part.reach_mm / 2), (99, part.reach_mm / 2)])).bounds
    assert across[2] - across[0] == pytest.approx(part.tail_width_mm, abs=0.1)  # flanks slope: at half the listed reach
    hub = AXIS.buffer(part.hub_diameter_mm / 2, 90)
    if part.family == "cloverleaf":  # leaves hide the hub's edge: it lies within, but for its cut-out and a flat
        assert outline.intersection(hub).area > (0.7 if part.bottom == "open" else 0.93) * hub.area
    else:
        below = outline.intersection(box(-99, -99, 99, -0.25 * part.hub_diameter_mm))
        assert AXIS.hausdorff_distance(below) == pytest.approx(part.hub_diameter_mm / 2, abs=OFF_MM)
    floor = outline.intersection(LineString([(0, 0), (0, -99)])).bounds[1]
    if part.bottom == "open":
        assert floor > -0.385 * part.hub_diameter_mm
    else:
        assert floor < -0.42 * part.hub_diameter_mm
    if part.hand != "none":  # the metal beyond the hub lies more on the hand's side, the tail up, x to the right
        tail = outline.intersection(box(-99, part.hub_diameter_mm / 2 + 1, 99, 99))
        assert (tail.centroid.x > 0) == (part.hand == "right")


@pytest.mark.parametrize("number", SOME)
def test_holes_lie_where_the_row_has_them_on_the_meshs_screw_side(number):
    part = PARTS[number]
    cam = listed_cam(np.random.default_rng(int(number[3:])), ROWS[number])
    mesh = plate_mesh(dataclasses.replace(cam.plate, openings_mm=()))
    high = float(mesh.vertices[:, 2].max())
    assert high - mesh.vertices[:, 2].min() == pytest.approx(part.thickness_mm, abs=0.05)
    corners = mesh.vertices[mesh.faces]
    top = corners[(np.abs(corners[:, :, 2] - high) < 1e-6).all(axis=1)][:, :, :2]  # seen from above: the screw side
    face = shapely.union_all([Polygon(corner).buffer(1e-3) for corner in top])
    rims = [Polygon(ring) for ring in face.interiors]
    assert len(rims) == len(part.holes)
    for hole in part.holes:
        turn = 0.0 if hole.angle_deg is None else math.radians(hole.angle_deg)  # clockwise from 12 o'clock
        at = Point(hole.radius_mm * math.sin(turn), hole.radius_mm * math.cos(turn))
        rim = min(rims, key=at.distance)
        assert rim.centroid.distance(at) < 0.05
        size = math.sqrt(4 * rim.area / math.pi)
        if hole.countersink_mm is None:  # its edge is broken by 0.06 mm all round
            assert size == pytest.approx(hole.diameter_mm + 0.12, abs=0.05)
        else:
            assert size == pytest.approx(hole.countersink_mm, abs=0.05)
    through = sorted(hole.diameter_mm for hole in cam.plate.holes)
    assert through == pytest.approx(sorted(hole.diameter_mm for hole in part.holes), abs=0.05)


def test_a_picture_shows_its_own_row_and_its_label_says_so():
    options = Options(seed=8, set_name="heldout", long_side=320, spp=4, negatives=0.0)
    rows = tuple(ROWS.values())
    for number in (14, 14 + len(rows)):
        label = composed(options, rows, number).label
        assert label.tags["part"] == rows[14].part
        assert (label.family, label.bottom) == (rows[14].family, rows[14].bottom)
        assert label.reach_mm == pytest.approx(rows[14].reach_mm, abs=0.05)
