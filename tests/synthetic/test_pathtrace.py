"""The path tracer's meshes against shapely, its truth against its own pixels, and that pictures come out the same again."""

import dataclasses

import cv2
import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from synthetic import proxy, traced_props
from synthetic.pathtrace import Options, composed, taken_again
from synthetic.plate import Mesh, Plate, PlateError, PlateHole, circle, is_closed, plate_mesh, volume_mm3
from synthetic.traced_camera import Chain, develop, focal_px, jpeg_bytes, look_at
from synthetic.traced_marks import marked, part_coordinates
from synthetic.traced_scene import Flash, Scene, plain_surface
from vision.label import Label
from vision.vocabulary import BOTTOMS, FAMILIES, angle_from_xy, difference_deg

QUICK = Options(seed=3, set_name="heldout", long_side=320, spp=4, negatives=0.0)


@pytest.mark.parametrize("family", FAMILIES)
def test_plate_mesh_is_closed_and_holds_the_volume_that_shapely_says(family):
    for k, bottom in enumerate(BOTTOMS):
        cam = proxy.sample_cam(np.random.default_rng(40 + k), family=family, bottom=bottom)
        plate = dataclasses.replace(
            cam.plate,
            upper_edge_mm=1e-3,
            lower_edge_mm=1e-3,
            holes=tuple(dataclasses.replace(h, countersink_diameter_mm=None) for h in cam.plate.holes),
        )
        mesh = plate_mesh(plate)
        assert is_closed(mesh)
        area = Polygon(plate.outline_mm, list(plate.openings_mm)).area
        area -= sum(np.pi * (h.diameter_mm / 2) ** 2 for h in plate.holes)  # circles of true area, not polygons
        # edges of 0.04-0.06 mm in holes and openings take a little away
        assert volume_mm3(mesh) == pytest.approx(area * plate.thickness_mm, rel=2e-3)


def test_countersink_takes_away_a_frustum():
    square = np.array([(-10.0, -10.0), (10.0, -10.0), (10.0, 10.0), (-10.0, 10.0)])
    plain = Plate(square, 3.0, (PlateHole(0, 0, 3.4),), (), 0.01, 0.01)
    sunk = Plate(square, 3.0, (PlateHole(0, 0, 3.4, 6.3, 90.0),), (), 0.01, 0.01)
    # ISO 7721 sharp head diameter of M3 is 6.3 mm; frustum volume pi h (R^2 + R r + r^2) / 3 less the cylinder it contains
    depth, wide, narrow = (6.3 - 3.4) / 2, 6.3 / 2, 3.4 / 2
    frustum = np.pi * depth * (wide**2 + wide * narrow + narrow**2) / 3 - np.pi * narrow**2 * depth
    mesh = plate_mesh(sunk)
    assert is_closed(mesh)
    assert volume_mm3(plate_mesh(plain)) - volume_mm3(mesh) == pytest.approx(frustum, rel=0.02)


def test_crossing_holes_are_refused():
    square = np.array([(-10.0, -10.0), (10.0, -10.0), (10.0, 10.0), (-10.0, 10.0)])
    with pytest.raises(PlateError):
        plate_mesh(Plate(square, 2.0, (PlateHole(0, 0, 4.0), PlateHole(2, 0, 4.0))))
    with pytest.raises(PlateError):
        plate_mesh(Plate(square, 2.0, (PlateHole(9, 0, 4.0),)))
    with pytest.raises(PlateError):
        plate_mesh(Plate(square, 1.0, (PlateHole(0, 0, 3.0, 7.0),)))


def test_words_and_sizes_of_the_held_out_cams():
    rng = np.random.default_rng(9)
    for family in FAMILIES:
        for bottom in BOTTOMS:
            cam = proxy.sample_cam(rng, family=family, bottom=bottom)
            outline = Polygon(cam.plate.outline_mm)
            assert outline.is_valid
            assert (cam.hand != "none") == (family in ("hook", "offset"))
            assert 14.0 <= cam.reach_mm() <= 34.0
            at_bottom = outline.intersection(Polygon([(-0.5, -30), (0.5, -30), (0.5, 0), (-0.5, 0)])).bounds[1]
            if bottom == "open":  # the floor of the cut-out lies between the axis and 0.30 D short of it
                assert at_bottom > -0.31 * cam.hub_diameter_mm
            else:
                assert at_bottom < -0.42 * cam.hub_diameter_mm


def test_camera_agrees_with_the_homography_of_its_plane():
    camera = look_at(640, 480, 700.0, np.array([3.0, -2.0]), 250.0, 17.0, 40.0, 115.0)
    assert camera.tilt_deg == pytest.approx(17.0)
    assert camera.project(np.array([[3.0, -2.0, 0.0]]))[0] == pytest.approx((319.5, 239.5))
    # a plane maps by a homography H = K [r1 r2 t] (Hartley & Zisserman, Multiple View Geometry, 2nd ed., section 8.1.1)
    k = np.array([[700.0, 0, 319.5], [0, 700.0, 239.5], [0, 0, 1]])
    t = -camera.axes @ camera.centre_mm
    h = k @ np.column_stack([camera.axes[:, 0], camera.axes[:, 1], t])
    points = np.random.default_rng(0).uniform(-40, 40, (20, 2))
    p = np.column_stack([points, np.ones(20)]) @ h.T
    assert camera.flat(points, 0.0) == pytest.approx(p[:, :2] / p[:, 2:])
    assert np.linalg.det(camera.axes) == pytest.approx(1.0)


def test_distortion_agrees_with_opencv_and_the_bent_picture_with_both():
    import cv2

    for k1 in (-0.02, 0.015):
        camera = look_at(640, 480, 500.0, np.array([3.0, -2.0]), 200.0, 17.0, 40.0, 115.0, k1)
        points = np.random.default_rng(0).uniform(-60, 60, (30, 3)) * [1, 1, 0.1]
        matrix = np.array([[500.0, 0, 319.5], [0, 500.0, 239.5], [0, 0, 1]])
        radial = np.array([k1 * 500.0**2 / 400.0**2, 0, 0, 0])  # ours is relative at the corner, 400 px from the middle
        turn = cv2.Rodrigues(camera.axes)[0]
        expected, _ = cv2.projectPoints(points, turn, -camera.axes @ camera.centre_mm, matrix, radial)
        assert camera.project(points) == pytest.approx(expected.reshape(-1, 2), abs=1e-6)
        # a straight-lens picture of spots, bent, has them where the distorted camera projects them
        straight = camera.pinhole()
        spot = np.array([[20.0, 12.0, 0.0]])
        x0, y0 = straight.project(spot)[0]
        yy, xx = np.mgrid[0 : straight.height, 0 : straight.width]
        image = np.exp(-((xx - x0) ** 2 + (yy - y0) ** 2) / 18.0).astype(np.float32)[..., None].repeat(3, axis=2)
        seen = camera.bent(image)
        assert seen.shape == (480, 640, 3)
        yy, xx = np.mgrid[0:480, 0:640]
        light = np.clip(seen[..., 0], 0, None)
        centre = [(light * xx).sum() / light.sum(), (light * yy).sum() / light.sum()]
        assert camera.project(spot)[0] == pytest.approx(centre, abs=0.03)


def test_focal_length_by_the_diagonal():
    # 26 mm at 4032 x 3024 is 3028.66 px: 26 * 5040 / 43.2666 (diagonal of 36 x 24 mm)
    assert focal_px(26.0, 4032, 3024) == pytest.approx(3028.66, abs=0.02)


def test_camera_chain_moves_no_edge():
    image = np.zeros((60, 80, 3), np.float32) + 0.05
    image[:, 40:] = 0.45
    image[:, 39] = 0.25  # the edge lies on the middle of pixel 39
    chain = Chain(blur_px=1.0, noise=0.0, contrast=0.0, sharpening=0.0, vignette=0.0, saturation=1.0)
    row = develop(image, chain, np.random.default_rng(0))[30, :, 1].astype(float) / 255.0
    linear = np.where(row <= 0.04045, row / 12.92, ((row + 0.055) / 1.055) ** 2.4)
    share = (linear - linear[10]) / (linear[70] - linear[10])
    k = int(np.argmax(share > 0.5))
    assert k - 1 + (0.5 - share[k - 1]) / (share[k] - share[k - 1]) == pytest.approx(39.0, abs=0.05)


def test_written_focal_length_is_read_back_by_the_photo_reader():
    from vision.photo import open_photo

    data = jpeg_bytes(np.full((480, 640, 3), 128, np.uint8), Chain(), 26.0)
    photo = open_photo(data, name="p.jpg")
    assert photo.focal_35mm == 26.0
    assert photo.pixels.shape == (480, 640, 3)


def test_a_picture_depends_on_its_number_and_seed_alone():
    a, b, other = composed(QUICK, 5), composed(QUICK, 5), composed(QUICK, 6)
    assert a.label.to_json() == b.label.to_json()
    assert np.array_equal(a.scene.bench.colour, b.scene.bench.colour)
    assert a.chain == b.chain and np.array_equal(a.scene.light_map, b.scene.light_map)
    for (mesh, surface), (mesh2, surface2) in zip(a.scene.things, b.scene.things, strict=True):
        assert np.array_equal(mesh.vertices, mesh2.vertices) and np.array_equal(mesh.uv, mesh2.uv)
        assert np.array_equal(surface.colour, surface2.colour) and np.array_equal(surface.height_mm, surface2.height_mm)
    assert a.label.to_json() != other.label.to_json()
    assert Label.from_json(a.label.to_json()) == a.label


def test_a_labels_lean_is_the_pose_that_opencv_finds():
    """cv2.solvePnP turns the outline's mm into its pixels; the normal, turned with the ray to the axis to straight ahead,
    points where the Label says."""
    for number in range(3):
        take = composed(QUICK, number)
        label, camera = take.label, take.scene.camera
        (part,) = (camera.straightened(shape.polygon_px) for shape in label.shapes if shape.kind == "part")
        plan = np.column_stack([label.outline_mm, np.zeros(len(part))])
        _, turn, _ = cv2.solvePnP(plan, part, np.diag([camera.focal_px, camera.focal_px, 1.0]), None)
        normal = cv2.Rodrigues(turn)[0][:, 2]
        normal = -normal * np.sign(normal[2])
        ray = np.array([*camera.straightened(label.axis_px) / camera.focal_px, 1.0])
        away = np.arctan(np.hypot(*ray[:2]))
        about = np.array([ray[1], -ray[0], 0.0]) * away / np.hypot(*ray[:2])
        straight = cv2.Rodrigues(about)[0] @ normal
        angle = np.arccos(-straight[2])
        assert np.array(label.lean_rad) == pytest.approx(straight[:2] * angle / np.sin(angle), abs=2e-3)
        assert np.array(label.reference_lean_rad) == pytest.approx(np.array(label.lean_rad), abs=0.25)  # it lies beside


def test_label_agrees_with_itself_through_the_picture():
    """Clock angles and reach come back from the pixels of the label by the homography of the outline's points."""
    for number in range(4):
        take = composed(QUICK, number)
        label, camera = take.label, take.scene.camera
        assert label.axis_px is not None and label.tail_px is not None and label.thickness_mm is not None

        def bench(points, camera=camera, z=label.thickness_mm + 0.02):
            rays = camera.straightened(points) / camera.focal_px
            rays = np.column_stack([rays, np.ones(len(rays))]) @ camera.axes
            return (camera.centre_mm + rays * ((z - camera.centre_mm[2]) / rays[:, 2])[:, None])[:, :2]

        axis, tail = bench([label.axis_px, label.tail_px])
        up = tail - axis
        for hole in label.holes:
            if np.hypot(hole.x_mm, hole.y_mm) < 1.0:
                continue
            (seen,) = bench([hole.center_px]) - axis
            turn = np.degrees(np.arctan2(up[0] * -seen[1] + up[1] * seen[0], up @ seen))
            turn = turn if label.facing == "screw" else -turn
            assert difference_deg(turn, angle_from_xy(hole.x_mm, hole.y_mm)) == pytest.approx(0.0, abs=0.01)
            assert np.hypot(*seen) == pytest.approx(np.hypot(hole.x_mm, hole.y_mm), abs=1e-3)


def test_coins_are_those_of_the_reader():
    from synthetic.coin_table import coin_outline
    from vision.scale.coins import COINS

    assert set(traced_props.COINS) == set(COINS)
    for name, coin in COINS.items():
        assert traced_props.COINS[name][0] == pytest.approx(coin.diameter_mm)
        if coin.thickness_mm is not None:
            assert traced_props.COINS[name][1] == pytest.approx(coin.thickness_mm)
        ring = np.asarray(coin_outline(name).exterior.coords)
        turns = np.radians(np.arange(0, 180, 1.0))
        widths = np.ptp(ring @ np.stack([np.cos(turns), np.sin(turns)]), axis=0)
        across = widths.min() if coin.sides else widths.max()  # a notch is no flat
        assert across == pytest.approx(coin.diameter_mm, abs=0.2 if coin.sides else 0.03)


@pytest.mark.parametrize("name", ["eu-1", "gb-50p", "gb-1", "jp-5", "eu-20c", "ca-1"])
def test_coins_of_every_form_are_closed_bodies(name):
    coin = traced_props.coin(np.random.default_rng(2), name, heldout=False)
    assert is_closed(coin.mesh)
    assert np.ptp(coin.outline_mm, axis=0).max() == pytest.approx(traced_props.COINS[name][0], rel=0.025)


def _train(number, **more):
    return composed(Options(seed=4, set_name="train", long_side=320, spp=4, negatives=0.0, hard=0.0, **more), number)


def test_cams_on_their_cylinder_show_the_screw_side_with_heads_in_the_holes():
    seen = [_train(number, scales=(("cylinder", 1.0),)) for number in range(3)]
    assert all(take.label.scale_kind == "cylinder" and take.label.facing == "screw" for take in seen)
    for take in seen:
        kinds = [s.kind for s in take.label.shapes]
        filled = [h for h in take.label.holes if h.filled]
        assert kinds.count("screw_head") == len(filled)
        assert take.label.facing_shows == bool(filled or any(h.countersink_diameter_mm for h in take.label.holes))
        assert take.scene.bench_z_mm < -15.0
        for hole in filled:  # the head covers the middle of its hole
            heads = [Polygon(s.polygon_px) for s in take.label.shapes if s.kind == "screw_head"]
            assert min(h.distance(Polygon([hole.center_px] * 3).centroid) for h in heads) < 0.5
    assert any(h.filled for take in seen for h in take.label.holes)


def test_bent_tails_and_broken_edges_are_closed_and_bend_by_what_they_say():
    cam = proxy.sample_cam(np.random.default_rng(41), family="finger", bottom="closed")
    plate = dataclasses.replace(cam.plate, chamfered=True, upper_edge_mm=0.2)
    flat, bent = dataclasses.replace(cam, plate=plate), dataclasses.replace(cam, plate=plate, bend_mm=0.7)
    assert is_closed(flat.mesh()) and is_closed(bent.mesh())
    assert volume_mm3(bent.mesh()) == pytest.approx(volume_mm3(flat.mesh()), rel=1e-3)  # a shear keeps volume
    rise = bent.mesh().vertices[:, 2] - flat.mesh().vertices[:, 2]
    assert rise.max() == pytest.approx(0.7, abs=1e-6)
    hub = np.abs(flat.mesh().vertices[:, 1]) < 3
    assert np.abs(rise[hub]).max() == 0.0


def test_both_renderers_label_one_scene_alike():
    """The same part under the same camera: truth of the fast renderer against that of the path tracer."""
    from synthetic import truth
    from synthetic.pathtrace import cam_from_part, cam_placed
    from synthetic.scene import sample_scene, seen_part
    from synthetic.traced_camera import Camera
    from synthetic.traced_truth import cam_label

    compared = 0
    for seed in range(40):
        rng = np.random.default_rng((6, seed))
        scene = sample_scene(rng, negative=False)
        if scene.part is None or scene.main is None or scene.tags.get("mounted") or scene.fillings:
            continue
        part = dataclasses.replace(scene.part, edge_screw_mm=0.02, edge_plug_mm=0.02, bend_mm=0.0, chamfered=False)
        outline, openings = seen_part(part, scene.facing)
        main = dataclasses.replace(scene.main, outline_mm=outline, openings=openings, bend_mm=0.0, edge_mm=0.02)
        scene = dataclasses.replace(scene, part=part, main=main, slabs=(), occluders=())
        c = scene.camera
        view = truth.View(c, 0.0, 0.0, 1.0, c.width, c.height)
        fast = truth.label(scene, view, "x.jpg")
        rows, lens = c.axes()
        camera = Camera(c.width, c.height, c.focal_px, lens, rows, c.k1)
        surface = plain_surface((0.5, 0.5, 0.5))
        placed = cam_placed(np.random.default_rng(0), cam_from_part(part), surface, scene.facing, main.turn_deg)
        traced = cam_label("x.jpg", camera, placed, [], c.focal_35mm, {})
        near = 0.12 / traced.mm_per_px  # base, rounding and thinning of outlines in mm, in pixels
        for name in ("family", "bottom", "hand", "facing", "facing_shows", "reach_mm", "width_mm", "tail_width_mm"):
            a, b = getattr(fast, name), getattr(traced, name)
            assert a == b or a == pytest.approx(b, abs=0.03), name
        assert (fast.hub_diameter_mm is None) == (traced.hub_diameter_mm is None)
        assert np.hypot(*np.subtract(fast.axis_px, traced.axis_px)) < near
        assert np.hypot(*np.subtract(fast.tail_px, traced.tail_px)) < near
        a = sorted((h.kind, round(h.x_mm, 3), round(h.y_mm, 3), *h.center_px) for h in fast.holes)
        b = sorted((h.kind, round(h.x_mm, 3), round(h.y_mm, 3), *h.center_px) for h in traced.holes)
        assert [row[0] for row in a] == [row[0] for row in b]
        assert np.abs(np.array([row[3:] for row in a]) - np.array([row[3:] for row in b])).max() < near
        for kind in ("part", "body", "hole", "countersink", "relief"):
            ours = shapely.union_all([Polygon(s.polygon_px).buffer(0) for s in fast.shapes if s.kind == kind])
            theirs = shapely.union_all([Polygon(s.polygon_px).buffer(0) for s in traced.shapes if s.kind == kind])
            assert ours.is_empty == theirs.is_empty
            if not ours.is_empty:
                assert ours.hausdorff_distance(theirs) < near, kind
        compared += 1
        if compared == 6:
            break
    assert compared == 6


def test_the_sets_share_no_look():
    from synthetic import negatives, traced_light, traced_surfaces

    for train, heldout in (
        (traced_surfaces.TRAIN_METALS, traced_surfaces.HELDOUT_METALS),
        (traced_surfaces.TRAIN_BENCHES, traced_surfaces.HELDOUT_BENCHES),
        (traced_light.TRAIN, traced_light.HELDOUT),
        (traced_props.OTHERS_TRAIN, traced_props.OTHERS_HELDOUT),
        (traced_props.OTHERS_TRAIN, negatives.HELD_OUT),
        (negatives.TRAINING, traced_props.OTHERS_HELDOUT),  # a kind held out is held out of both renderers
    ):
        assert not set(train) & set(heldout)


@pytest.mark.parametrize("name", sorted(traced_props.OTHERS_TRAIN) + sorted(traced_props.OTHERS_HELDOUT))
def test_other_things_are_closed_bodies(name):
    table = traced_props.OTHERS_TRAIN | traced_props.OTHERS_HELDOUT
    shape = table[name](np.random.default_rng(1))
    prop = traced_props.from_outline("other", name, shape, 2.0, plain_surface((0.5, 0.5, 0.5)))
    assert is_closed(prop.mesh)


@pytest.fixture(scope="module")
def mitsuba():
    pytest.importorskip("mitsuba")
    from synthetic.traced_scene import load_mitsuba

    return load_mitsuba("scalar_rgb")


def test_rendered_edges_lie_where_the_label_says(mitsuba):
    """A white disc over black: sub-pixel edges of the rendered light against the projected outline, less than 0.1 px off."""
    from synthetic.traced_scene import render

    w, h = 200, 150
    camera = look_at(w, h, 320.0, np.array([2.0, 1.0]), 150.0, 15.0, 30.0, 200.0)
    ring = circle(0.0, 0.0, 16.0, points=400)
    t = 2.0
    mesh = plate_mesh(Plate(ring, t, (), (), 1e-3, 1e-3))
    white, black = plain_surface((0.9, 0.9, 0.9), 1.0), plain_surface((0.0, 0.0, 0.0), 1.0)
    black = dataclasses.replace(black, colour=np.zeros((4, 4, 3)))
    scene = Scene(
        camera, black, 0.0, ((Mesh(mesh.vertices, mesh.faces, mesh.normals, mesh.uv), white),),
        np.ones((16, 32, 3), np.float32), 0.0, Flash(camera.centre_mm + 10.0, 2.0, 0.0), 1e-3, False,
    )  # fmt: skip
    light = render(mitsuba, scene, spp=36, seed=1)[..., 1]
    edge = camera.flat(ring[::16], t)
    centre = edge.mean(axis=0)
    off = []
    for point in edge:
        out = (point - centre) / np.linalg.norm(point - centre)
        if out @ (camera.flat(np.zeros((1, 2)), 0.0)[0] - camera.flat(np.zeros((1, 2)), t)[0]) > 0.02:
            continue  # there the wall shows below the edge
        s = np.arange(-5.0, 5.01, 0.1)
        xy = point + s[:, None] * out
        x0, y0 = np.floor(xy).astype(int).T
        fx, fy = (xy - np.floor(xy)).T
        row = (
            light[y0, x0] * (1 - fx) * (1 - fy) + light[y0, x0 + 1] * fx * (1 - fy)
            + light[y0 + 1, x0] * (1 - fx) * fy + light[y0 + 1, x0 + 1] * fx * fy
        )  # fmt: skip
        row = (row - row[-15:].mean()) / (row[:15].mean() - row[-15:].mean())
        off.append(float(np.trapezoid(row, s) + s[0]))  # where a step of the same area would lie
    assert len(off) > 8
    assert abs(np.mean(off)) < 0.1
    assert np.std(off) < 0.2


def test_screw_heads_rub_their_rings_on_their_own_side_alone():
    """Beside the holes both sides of a part carry the same marks; near them the plug side has none of the rings."""
    surface = dataclasses.replace(
        plain_surface((0.5, 0.5, 0.5), 0.5),
        colour=np.full((256, 256, 3), 0.5, np.float32),
        roughness=np.full((256, 256), 0.5),
        height_mm=np.zeros((256, 256)),
        extent_mm=60.0,
    )
    turn, start, ringed = np.eye(2), np.array([0.5, 0.5]), 0
    for seed in range(40):
        cam = proxy.sample_cam(np.random.default_rng(seed), family="taper", bottom="closed")
        sides = [
            marked(np.random.default_rng(seed), surface, cam, turn, start, screw_side=side).roughness
            for side in (True, False)
        ]
        changed = np.abs(sides[0] - sides[1]) > 1e-4
        x, y = part_coordinates(surface, turn, start)
        near = np.min([np.hypot(x - h.x_mm, y - h.y_mm) for h in cam.plate.holes], axis=0)
        assert not changed.any() or near[changed].max() < 8.0
        ringed += bool(changed.any())
    assert 1 <= ringed <= 16  # one part in seven is rubbed


def test_a_scene_taken_again_is_the_same_scene_from_another_place(mitsuba):
    """The outline in mm goes to the second picture by a homography, as OpenCV finds it; a kept scene renders as a fresh one."""
    from synthetic.traced_scene import render

    options = Options(
        seed=7, set_name="train", long_side=160, spp=4, negatives=0.0, scales=(("coin", 1.0),), fingers=0.0
    )
    take = composed(options, 3)
    other = taken_again(take, options, 7, 1)
    assert other.label.outline_mm == take.label.outline_mm and other.label.family == take.label.family
    assert other.label.scale_reference == take.label.scale_reference
    assert np.abs(other.scene.camera.centre_mm - take.scene.camera.centre_mm).max() > 1.0
    assert taken_again(take, options, 7, 1).label == other.label != taken_again(take, options, 8, 2).label
    outline = np.array(other.label.outline_mm)
    face = np.array(next(s.polygon_px for s in other.label.shapes if s.kind == "part"))
    found, _ = cv2.findHomography(outline, face)
    assert np.abs(cv2.perspectiveTransform(outline[None], found)[0] - face).max() < 0.5
    built: dict[str, object] = {}
    kept = [render(mitsuba, t.scene, spp=4, seed=2, built=built) for t in (take, other)]
    assert {"sky", "bench", "thing0"} <= built.keys()
    fresh = render(mitsuba, other.scene, spp=4, seed=2)
    assert np.abs(kept[1] - fresh).mean() < 1e-3 * fresh.mean()
    assert kept[0].shape == (take.label.height, take.label.width, 3)
