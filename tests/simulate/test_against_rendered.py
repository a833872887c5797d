"""Our exposure of a rendered night's own drive against that night's picture."""

import json

import cv2
import numpy as np
import pytest
import shapely

from coverage_lab.camera.model import Camera, Lens
from coverage_lab.frames.read import read_frame
from coverage_lab.job import Bar
from coverage_lab.room.room import Obstacle, Room
from coverage_lab.simulate.exposure import Exposure, colour_light
from coverage_lab.simulate.growth import passed_m2
from coverage_lab.simulate.scene import look_down
from coverage_lab.simulate.trail import Optics

GREY = np.array([0.114, 0.587, 0.299])  # of blue, green, red (ITU-R BT.601)


@pytest.fixture(scope="module")
def pair(rendered):
    """Their light and ours on one crop of the baseline night, and the rows of a single lane in it."""
    told = json.loads((rendered / "lanes" / "truth.json").read_text(encoding="utf-8"))
    shot, bar = told["exposure"], told["bar"]
    lit_m = bar["length_m"] - bar["led_diameter_m"]
    scene = look_down(room_of(told), camera_of(told), np.random.default_rng(0))
    psf = shot["psf"]
    optics = Optics(bar["led_diameter_m"], psf["core_sigma_px"], psf["halo_energy"], psf["halo_exponential_scale_px"])
    exposure = Exposure(
        level=shot["one_pass_stripe_peak_fraction_of_full_scale"],
        optics=optics,
        led_colour=tuple(reversed(shot["led_rgb"])),
    )
    poses = np.load(rendered / "lanes" / "poses.npz")["poses"]
    light = colour_light(
        poses,
        Bar(bar["length_m"], bar["led_count"], lit_m, bar["height_m"], 0.002, bar["forward_offset_m"]),
        scene,
        exposure,
        np.random.default_rng(0),
    )
    theirs = read_frame(rendered / "lanes" / "heron-1.jpg").light / 65535
    return theirs, light @ GREY


def camera_of(told):
    camera = told["camera"]
    lens = Lens(tuple(camera["image_size"]), np.array(camera["K"]), np.array(camera["dist"]))
    return Camera(lens, np.array(camera["R"]), np.array(camera["t"]))


def room_of(told):
    solids = [(one["name"], shapely.Polygon(one["polygon"]), one["height_m"]) for one in told["obstacles"]]
    return Room(shapely.Polygon(told["room"]["polygon"]), obstacles=tuple(Obstacle(*solid) for solid in solids))


def test_light_agrees_pixel_by_pixel(pair):
    theirs, ours = pair
    in_range = (theirs < 0.85) & (ours < 0.85)
    assert np.corrcoef(theirs[in_range], ours[in_range])[0, 1] > 0.985
    assert np.abs(theirs - ours)[in_range].mean() < 0.03


def test_peaks_and_valleys_across_lanes_agree(pair):
    theirs, ours = (light[1060:1600, 1500:1540].mean(axis=1) for light in pair)
    for high in (True, False):
        levels = [extremes(profile, high) for profile in (theirs, ours)]
        assert np.median(levels[1]) == pytest.approx(np.median(levels[0]), abs=0.025)


def extremes(profile, high):
    kernel = np.ones((5, 1), np.uint8)
    column = profile.astype(np.float32)[:, None]
    near = (cv2.dilate if high else cv2.erode)(column, kernel)
    return column[column == near]


def test_walls_and_unlit_floor_glow_about_as_much(pair):
    theirs, ours = pair
    for rows, cols in ((slice(20, 100), slice(1180, 1220)), (slice(880, 920), slice(20, 60))):
        assert ours[rows, cols].mean() == pytest.approx(theirs[rows, cols].mean(), rel=0.25)
    assert ours[956:964, 1301:1309].mean() == pytest.approx(theirs[956:964, 1301:1309].mean(), rel=0.3)


@pytest.mark.parametrize(
    "name", ("lanes", "bounce", "clipped", "faint", "pen", "camera-look", "series-lanes", "series-bounce")
)
def test_the_repeat_ratio_is_defined_as_theirs(rendered, name):
    told = json.loads((rendered / name / "truth.json").read_text(encoding="utf-8"))
    poses, bar = np.load(rendered / name / "poses.npz")["poses"], told["bar"]
    nozzle = Bar(bar["length_m"], bar["led_count"], bar["length_m"], bar["height_m"], 0.0, bar["forward_offset_m"])
    ratio = passed_m2(poses, nozzle) / told["truth"]["swept_area_m2"]
    assert ratio == pytest.approx(told["truth"]["repeat_ratio"]["value"], abs=0.001)
