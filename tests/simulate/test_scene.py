from dataclasses import replace

import numpy as np
import pytest
import shapely
from looking import BAR, camera_over, empty_room, straight_pass

from coverage_lab.camera.markers import find_markers
from coverage_lab.frames.read import read_frame
from coverage_lab.room.room import Marker, Obstacle, Overhang
from coverage_lab.simulate.exposure import Exposure, colour_light, expose
from coverage_lab.simulate.reference import reference_frame
from coverage_lab.simulate.scene import hidden_in_picture, look_down
from coverage_lab.simulate.sensor import Sensor, write_picture
from coverage_lab.simulate.trail import Optics

SIZE = (1200, 900)
MARKERS = tuple(
    Marker(dictionary, number, centre, 0.15, turn, z_m)
    for number, (dictionary, centre, turn, z_m) in enumerate(
        [
            ("apriltag_36h11", (0.3, 0.3), 0.0, 0.0),
            ("apriltag_36h11", (1.7, 0.3), 90.0, 0.0),
            ("aruco_4x4_50", (1.7, 1.2), 201.0, 0.0),
            ("apriltag_36h11", (0.3, 1.2), 33.0, 0.1),
        ]
    )
)


def test_markers_are_found_where_the_camera_projects_them(tmp_path):
    camera = camera_over(focal_px=1250, size=SIZE, k1=-0.06)
    scene = look_down(replace(empty_room(), markers=MARKERS), camera, np.random.default_rng(0))
    write_picture(tmp_path / "reference.jpg", reference_frame(scene, np.random.default_rng(1)), jpeg_quality=95)
    found = find_markers(read_frame(tmp_path / "reference.jpg").light, {"apriltag_36h11", "aruco_4x4_50"})
    assert {(marker.dictionary, marker.id) for marker in found} == {(m.dictionary, m.id) for m in MARKERS}
    seen = {marker.id: marker.corners_px for marker in found}
    off = np.array([seen[marker.id] - camera.project(marker.corners_m) for marker in MARKERS])
    assert np.abs(off).max() < 0.2
    assert np.sqrt(np.mean(off**2)) < 0.08
    assert np.abs(off.mean(axis=(0, 1))).max() < 0.03


def test_floor_and_walls_part_where_the_camera_sees_the_floors_edge():
    camera = camera_over(focal_px=900, size=SIZE, k1=-0.06)
    scene = look_down(empty_room(), camera, np.random.default_rng(0))
    for inside, beyond in (((0.02, 0.7), (-0.02, 0.7)), ((1.0, 1.48), (1.0, 1.52)), ((1.98, 0.2), (2.02, 0.2))):
        pixels = camera.project([[*inside, 0], [*beyond, 0]]).round().astype(int)
        assert scene.floor[pixels[0, 1], pixels[0, 0]] == 1
        assert scene.floor[pixels[1, 1], pixels[1, 0]] == 0


def test_what_is_hidden_is_where_a_sight_line_meets_furniture():
    cube = Obstacle("cube", shapely.box(1.4, 0.9, 1.6, 1.1), 0.4)
    shelf = Overhang("shelf", shapely.box(0.2, 0.2, 0.5, 0.5), clearance_m=0.2, height_m=0.3)
    camera = camera_over(size=(840, 640), focal_px=1000)
    room = replace(empty_room(), obstacles=(cube,), overhangs=(shelf,))
    hidden = hidden_in_picture(look_down(room, camera, np.random.default_rng(0)), BAR.height_m)
    rng = np.random.default_rng(1)
    points = rng.uniform([0.05, 0.05], [1.95, 1.45], (400, 2))
    pixels = camera.project(np.column_stack([points, np.full(400, BAR.height_m)])).round().astype(int)
    blocked = [
        meets(camera, point, cube.footprint, BAR.height_m, 0.4) or meets(camera, point, shelf.outline, 0.2, 0.3)
        for point in points
    ]
    read = hidden[pixels[:, 1], pixels[:, 0]]
    clear_cut = (read < 0.02) | (read > 0.98)
    assert clear_cut.mean() > 0.95
    assert ((read > 0.5) == blocked)[clear_cut].mean() > 0.99
    assert 20 < sum(blocked) < 200


def meets(camera, point, outline, low_m, high_m):
    """Walk from a lamp to the camera in small steps: an independent way to say what is hidden."""
    heights = np.linspace(low_m, high_m, 200)
    share = (heights - BAR.height_m) / (camera.centre_m[2] - BAR.height_m)
    on_way = point + share[:, None] * (camera.centre_m[:2] - point)
    return bool(shapely.contains_xy(outline, on_way).any())


def test_furniture_hides_trail_and_its_sides_glow():
    cube = Obstacle("cube", shapely.box(1.4, 1.0, 1.6, 1.2), 0.4)
    camera = camera_over(focal_px=500)
    scene = look_down(replace(empty_room(), obstacles=(cube,)), camera, np.random.default_rng(0))
    poses = straight_pass((0.4, 1.32), (1.8, 1.32))
    light = colour_light(poses, BAR, scene, Exposure(optics=Optics(halo_energy=0)), np.random.default_rng(0))[..., 2]
    behind = camera.project([[1.52, 1.24, BAR.height_m]])[0].round().astype(int)
    beside = camera.project([[0.8, 1.24, BAR.height_m]])[0].round().astype(int)
    assert light[behind[1] - 2 : behind[1] + 3, behind[0] - 2 : behind[0] + 3].max() < 0.1
    assert light[beside[1] - 6 : beside[1] + 7, beside[0] - 2 : beside[0] + 3].max() > 0.3
    side = camera.project([[1.4, 1.1, 0.2]])[0].round().astype(int)
    assert light[side[1], side[0]] > 0.002


def test_leak_and_vignetting_and_glow_do_what_they_say():
    scene = look_down(empty_room(), camera_over(), np.random.default_rng(0))
    poses = straight_pass((0.5, 0.75), (1.5, 0.75))
    plain, leaky, dim, dark = (
        colour_light(poses, BAR, scene, exposure, np.random.default_rng(0))
        for exposure in (Exposure(), Exposure(leak=0.05), Exposure(vignetting_cos_power=4), Exposure(glow=0))
    )
    floor = scene.floor == 1
    assert (leaky - plain).mean(axis=2)[floor].mean() == pytest.approx(0.05, rel=0.1)
    assert dim[5, 5, 1] / plain[5, 5, 1] == pytest.approx((1 + 0.416**2 + 0.316**2) ** -2, rel=0.02)
    assert dark[5, 5, 1] < 0.2 * plain[5, 5, 1]


def test_unequal_leds_keep_their_mean_and_the_seed_decides():
    scene = look_down(empty_room(), camera_over(), np.random.default_rng(0))
    poses = straight_pass((0.5, 0.75), (1.5, 0.75))
    uneven = Exposure(led_spread=0.2, glow=0, sensor=Sensor(hot_per_megapixel=0))
    first, again, other = (expose(poses, BAR, scene, uneven, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert (first == again).all()
    assert (first != other).any()
    total = [colour_light(poses, BAR, scene, e, np.random.default_rng(1)).sum() for e in (uneven, Exposure(glow=0))]
    assert total[0] == pytest.approx(total[1], rel=1e-3)
