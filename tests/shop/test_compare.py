"""Two photos side by side: the decision is that of the list, the outlines lie axis on axis and tail on tail."""

import copy
import json
import math
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy.spatial.distance import directed_hausdorff

from shop.compare import compare, comparison_svg, outline_mm, part_of
from shop.fits import FitOptions, decide, measured_part_from_reading

HOLES = ((61.0, 4.55, 3.9), (209.0, 4.55, 3.9))


def outline(reach=21.4, hub=19.0, width=8.0):
    """A finger in mm: hub and a tail with parallel sides, x to 3 o'clock, y to 12."""
    turn = np.linspace(0.0, 2.0 * np.pi, 361)[:-1]
    x, y = hub / 2 * np.sin(turn), hub / 2 * np.cos(turn)
    foot = math.sqrt((hub / 2) ** 2 - (width / 2) ** 2)
    hub_part = np.column_stack([x, y])[~((np.abs(x) < width / 2) & (y > 0))]
    right = hub_part[hub_part[:, 0] >= 0]
    left = hub_part[hub_part[:, 0] < 0]
    tail = [(-width / 2, foot), (-width / 2, reach), (width / 2, reach), (width / 2, foot)]
    return np.vstack([tail, right, left])


def a_reading(name, *, scale=0.05, turn_deg=0.0, at=(900.0, 700.0), plug=False, holes=HOLES, u=0.03, **shape):
    """A reading of that finger as photographed at a scale (mm/px), turned, perhaps from the other face."""
    polygon = outline(**shape)
    reach = float(polygon[:, 1].max())

    def to_px(points):
        points = np.atleast_2d(np.asarray(points, dtype=float)) * ([-1.0, 1.0] if plug else [1.0, 1.0])
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
        x, y = c * points[:, 0] + s * points[:, 1], -s * points[:, 0] + c * points[:, 1]
        return np.column_stack([at[0] + x / scale, at[1] - y / scale])

    records = []
    for angle, radius, diameter in holes:
        xy = (radius * math.sin(math.radians(angle)), radius * math.cos(math.radians(angle)))
        records.append(
            {
                "position": "2",
                "angle": {"value": angle, "u95": 2 * math.degrees(u / radius)},
                "radius": {"value": radius, "u95": 2 * u},
                "diameter": {"value": diameter, "u95": 2 * u},
                "center_px": to_px(xy)[0].tolist(),
            }
        )
    return {
        "schema": "camdial.reading/1",
        "outcome": "read",
        "photo": {"name": name, "sha256": name.encode().hex()},
        "scale": {"kind": "card", "mm_per_px": scale},
        "family": {"label": "finger", "probability": 0.999},
        "bottom": {"label": "closed", "probability": 0.999},
        "hand": {"label": "none", "probability": 1.0},
        "facing": {"label": "plug" if plug else "screw", "probability": 1.0},
        "pattern": {"holes": records},
        "dimensions": {
            "reach": {"value": reach, "u95": 0.1},
            "hub_diameter": {"value": shape.get("hub", 19.0), "u95": 0.1},
            "tail_width": {"value": shape.get("width", 8.0), "u95": 0.1},
        },
        "outline": {
            "axis_px": list(at),
            "tail_px": to_px((0.0, reach))[0].tolist(),
            "polygon_px": to_px(polygon).tolist(),
        },
    }


@pytest.mark.parametrize(
    "view", [{}, {"turn_deg": 73.0}, {"plug": True}, {"plug": True, "turn_deg": -120.0, "scale": 0.08}]
)
def test_the_outline_comes_back_in_mm_however_it_was_photographed(view):
    reading = a_reading("a", **view)
    found = outline_mm(reading, measured_part_from_reading(reading))
    assert found == pytest.approx(outline(), abs=1e-6)


def test_holes_bend_a_picture_taken_askew():
    """A picture squeezed by 3 % to one side, as by a tilt: the holes' mm put the outline most of the way right."""
    reading = a_reading("a")
    for points in (reading["outline"]["polygon_px"], *[[h["center_px"]] for h in reading["pattern"]["holes"]]):
        for point in points:
            point[0] = 900.0 + 0.97 * (point[0] - 900.0)
    found = outline_mm(reading, measured_part_from_reading(reading))
    assert found[:, 0].max() == pytest.approx(9.5, abs=0.05)  # 9.215 without


def test_the_same_part_twice_fits_and_nothing_is_marked():
    comparison = compare(
        a_reading("a"), a_reading("b", turn_deg=40.0, scale=0.07, at=(400, 500)), FitOptions(screws=("#5-40",))
    )
    (candidate,) = comparison.report.candidates
    assert (candidate.part, candidate.verdict) == ("b", "fits")
    assert comparison.marks == ()
    assert all(abs(d.off_mm) < 1e-6 for d in comparison.differences)


def test_a_longer_tail_is_marked_with_its_gap():
    comparison = compare(a_reading("a"), a_reading("b", reach=22.6, turn_deg=15.0))
    assert comparison.report.candidates[0].verdict == "does-not-fit"
    reach = next(d for d in comparison.differences if d.name == "reach")
    assert (reach.off_mm, reach.u95_mm) == (pytest.approx(1.2), pytest.approx(0.1 * math.sqrt(2)))
    widest = comparison.marks[0]
    assert widest.gap_mm == pytest.approx(1.2, abs=0.02)
    assert max(widest.a_mm[1], widest.b_mm[1]) == pytest.approx(22.6, abs=0.05)
    a, b = comparison.outline_a_mm, comparison.outline_b_mm
    dense = [np.vstack([np.linspace(p, q, 40) for p, q in zip(o, np.roll(o, -1, 0), strict=True)]) for o in (a, b)]
    hausdorff = max(directed_hausdorff(dense[0], dense[1])[0], directed_hausdorff(dense[1], dense[0])[0])
    assert widest.gap_mm == pytest.approx(hausdorff, abs=0.05)  # scipy's Hausdorff distance


def test_other_screw_holes_do_not_fit_and_their_distance_is_said():
    other = a_reading("b", holes=((90.0, 4.55, 3.9), (270.0, 4.55, 3.9)))
    comparison = compare(a_reading("a"), other)
    assert comparison.report.candidates[0].verdict == "does-not-fit"
    far = [d.off_mm for d in comparison.differences if d.name.startswith("hole")]
    assert max(far) > 2.0


def test_a_photo_of_the_other_face_compares_the_same():
    options = FitOptions(screws=("#5-40",))
    straight = compare(a_reading("a"), a_reading("b"), options).report.candidates[0]
    turned = compare(a_reading("a"), a_reading("b", plug=True, turn_deg=30.0), options).report.candidates[0]
    assert turned.probability == pytest.approx(straight.probability, abs=0.002)
    unknown = a_reading("b")
    unknown["facing"]["probability"] = 0.6
    assert compare(a_reading("a"), unknown, options).report.candidates[0].probability == pytest.approx(0.6, abs=0.03)


def test_bs_own_uncertainty_counts():
    """The same as a list whose numbers are known as badly."""
    options = FitOptions(screws=("#5-40",))
    a, b = a_reading("a"), a_reading("b", reach=21.75, u=0.001)
    b["dimensions"]["reach"]["u95"] = 0.3
    first = measured_part_from_reading(a, screws=("#5-40",))
    from_list = decide(first, [part_of(measured_part_from_reading(b))], FitOptions(screws=("#5-40",), list_u95_mm=0.3))
    assert compare(a, b, options).report.candidates[0].checks["tail"] == pytest.approx(
        from_list.candidates[0].checks["tail"], abs=0.01
    )


def test_a_doubtful_bottom_of_b_counts():
    a, b = a_reading("a"), a_reading("b")
    a["bottom"] = {"label": "open", "probability": 1.0}
    b["bottom"] = {"label": "open", "probability": 0.8}
    found = compare(a, b, FitOptions(screws=("#5-40",))).report.candidates[0]
    assert found.checks["bottom"] == pytest.approx(0.8)
    assert found.probability == pytest.approx(0.8, abs=0.02)


def test_without_a_scale_outlines_are_drawn_but_nothing_is_said_in_mm():
    bare = copy.deepcopy(a_reading("b"))
    bare["scale"] = None
    bare["dimensions"] = {"reach": None}
    for hole in bare["pattern"]["holes"]:
        hole["radius"] = hole["diameter"] = None
    comparison = compare(a_reading("a"), bare)
    assert not comparison.has_scale
    assert comparison.marks == ()
    assert comparison.report.candidates[0].verdict == "measure"
    assert len(comparison.outline_b_mm)
    assert "drawn with the same reach" in comparison_svg(comparison)


def test_the_json_is_the_reports_with_the_differences_beside_it():
    record = json.loads(compare(a_reading("a"), a_reading("b", width=9.0)).to_json())
    assert record["schema"] == "camdial.fits/1"
    assert {d["quantity"] for d in record["comparison"]["differences"]} >= {"reach", "tail width", "hub diameter"}
    assert record["comparison"]["outline_gaps"][0]["gap_mm"] == pytest.approx(0.5, abs=0.05)


def test_the_drawing_is_well_formed_and_file_names_cannot_break_it():
    svg = comparison_svg(compare(a_reading("a"), a_reading("<b> & c.jpg", reach=23.0)))
    root = ElementTree.fromstring(svg)
    shapes = [element.tag.split("}")[1] for element in root.iter()]
    assert shapes.count("polygon") == 2
    assert shapes.count("circle") == 4
    assert "B: <b> & c.jpg" in [element.text for element in root.iter() if element.text]


def test_what_is_no_reading_is_refused():
    with pytest.raises(ValueError, match="no reading"):
        compare(a_reading("a"), {})


@pytest.mark.parametrize("name", ["b.jpg", "the cam from the back door of the bakery, second photo.jpg"])
def test_every_word_of_the_drawing_lies_inside_it(name):
    """Widths by Pillow's own scalable font, drawn 20 times as large."""
    from PIL import ImageFont

    wide = a_reading("a.jpg")
    narrow = a_reading(name, reach=25.0)
    points = np.array(narrow["outline"]["polygon_px"])
    middle = points.mean(axis=0)
    narrow["outline"]["polygon_px"] = (middle + (points - middle) * 1.2).tolist()
    comparison = compare(wide, narrow)
    assert comparison.marks
    root = ElementTree.fromstring(comparison_svg(comparison))
    left, _, width, _ = (float(number) for number in root.attrib["viewBox"].split())
    words = [one for one in root.iter() if one.tag.endswith("text")]
    assert len(words) > 3
    for one in words:
        size, x = float(one.attrib["font-size"]), float(one.attrib["x"])
        long = ImageFont.load_default(size=20 * size).getlength(one.text) / 20
        start = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[one.attrib["text-anchor"]] * long
        assert left <= start and start + long <= left + width, one.text


def test_what_is_found_on_either_part_counts():
    """Reach known to 0.05 mm on both, 0.2 mm apart: sure where two photos left it open."""
    a, b = (a_reading(name, reach=reach) for name, reach in (("a", 21.4), ("b", 21.6)))
    for reading in (a, b):
        reading["dimensions"]["reach"]["u95"] = 0.6
    options = FitOptions(screws=("#5-40",))
    before = compare(a, b, options).report.candidates[0]
    after = compare(a, b, options, found_a=["reach=21.4"], found_b=["reach=21.6"]).report.candidates[0]
    apart = compare(a, b, options, found_a=["reach=21.4"], found_b=["reach=22.2"]).report.candidates[0]
    assert before.checks["tail"] < 0.9 < 0.99 < after.checks["tail"]
    assert apart.verdict == "does-not-fit"
    with pytest.raises(ValueError, match="quantities"):
        compare(a, b, options, found_b=["girth=3"])
