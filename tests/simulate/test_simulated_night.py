import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from coverage_lab.camera.model import Camera, Lens
from coverage_lab.files.lens import read_lens
from coverage_lab.files.night import read_night
from coverage_lab.files.room import read_room
from coverage_lab.files.sheet import read_runs
from coverage_lab.room.room import Room
from coverage_lab.simulate.exposure import Exposure
from coverage_lab.simulate.night import PEN_NIGHT, NightPlan, write_season
from coverage_lab.simulate.pens import pen
from coverage_lab.simulate.robots import AVOIDERS, FLOCK, drive
from coverage_lab.simulate.rooms import study
from coverage_lab.simulate.sensor import Sensor
from coverage_lab.simulate.series import Shutter

SMALL = NightPlan(room=study(), drivers=(FLOCK[0], FLOCK[5]), megapixels=0.35, exposure=Exposure(glow=0))
CLOSET = Room(shapely.box(0, 0, 1.5, 1.2))
SAMPLES = Path(__file__).parents[2] / "sample_frames"
# The command in sample_frames/README.md, for its first robot.
SAMPLE_PLAN = NightPlan(room=study(), seed=7, drivers=FLOCK[:1], exposure=Exposure(level=0.3))
SAMPLE_PEN = NightPlan(
    room=pen(), name=PEN_NIGHT, seed=1, drivers=AVOIDERS[:1], megapixels=1.5, exposure=Exposure(level=0.3)
)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_season(tmp_path_factory.mktemp("season"), SMALL)


def truth_of(night):
    return json.loads((night / "truth.json").read_text(encoding="utf-8"))


def true_camera(told):
    camera = told["camera"]
    lens = Lens(tuple(camera["image_size"]), np.array(camera["K"]), np.array(camera["dist"]))
    return Camera(lens, np.array(camera["R"]), np.array(camera["t"]))


def test_our_own_readers_accept_the_season(night):
    read = read_night(night)
    runs = read_runs(read)
    assert [run.id for run in runs] == ["heron-1", "siskin-1"]
    assert all(len(run.frames) == 1 for run in runs)
    assert read.robots["siskin"] == FLOCK[5].robot
    told = truth_of(night)
    lens = read_lens(read.lens)
    assert lens.matrix == pytest.approx(np.array(told["camera"]["K"]))
    assert lens.distortion == pytest.approx(np.array(told["camera"]["dist"]))


def test_what_is_stated_is_true_within_its_tolerance_but_not_exactly(night):
    told, read, room = truth_of(night), read_night(night), read_room(night / "room.geojson")
    height_m = told["camera"]["centre_m"][2]
    assert 0 < abs(read.camera.height_m - height_m) <= read.camera.height_tolerance_m
    for run, robot in (("heron-1", "heron"), ("siskin-1", "siskin")):
        bar = read.robots[robot].bar
        assert 0 < abs(bar.height_m - told["runs"][run]["bar"]["height_m"]) <= bar.height_tolerance_m
    for marker, true in zip(room.markers, told["markers"]["items"], strict=True):
        off = marker.corners_m - np.array(true["corners_m"])
        assert 0 < np.abs(off).max() <= marker.tolerance_m + 1e-6
        assert np.ptp(off, axis=0).max() < 2e-6  # moved, not turned


def test_a_night_without_tolerances_is_exact(tmp_path):
    night = write_season(tmp_path, replace(SMALL, drivers=FLOCK[:1], room=CLOSET, draw_tolerances=False))
    told, read = truth_of(night), read_night(night)
    assert read.robots["heron"].bar.height_m == told["runs"]["heron-1"]["bar"]["height_m"]
    assert read.camera.height_m == pytest.approx(told["camera"]["centre_m"][2], abs=1e-6)


def test_trail_lies_where_the_truth_says(night):
    told = truth_of(night)
    light = cv2.imread(str(night / "heron-1.jpg"), cv2.IMREAD_GRAYSCALE)
    run = told["runs"]["heron-1"]
    swept = shapely.from_wkt(run["truth"]["swept_wkt"])
    free = shapely.from_wkt(run["truth"]["free_floor_wkt"])
    hidden = shapely.from_wkt(run["truth"]["hidden_free_floor_wkt"])
    points = np.random.default_rng(0).uniform([0, 0], [3.6, 2.8], (4000, 2))
    spot = shapely.points(points)
    seen = shapely.contains(free.buffer(-0.01), spot) & ~shapely.contains(hidden.buffer(0.02), spot)
    inside = seen & shapely.contains(swept.buffer(-0.02), spot)
    outside = seen & ~shapely.contains(swept.buffer(0.02), spot)
    pixels = true_camera(told).project(np.column_stack([points, np.full(4000, run["bar"]["height_m"])]))
    columns, rows = pixels.round().astype(int).T
    brightest = cv2.dilate(light, np.ones((7, 7), np.uint8))[rows, columns]  # LEDs are some pixels apart
    assert outside.sum() > 100
    assert np.mean(brightest[inside] > 120) > 0.99
    assert np.mean(light[rows, columns][outside] < 80) > 0.99


def test_a_linear_night_brings_its_dark_frame(tmp_path):
    plan = replace(SMALL, drivers=FLOCK[:1], room=CLOSET, exposure=Exposure(sensor=Sensor("linear")), repeats=2)
    night = write_season(tmp_path, plan)
    read = read_night(night)
    assert [run.repeat for run in read_runs(read)] == [1, 2]
    dark = cv2.imread(str(read.dark), cv2.IMREAD_UNCHANGED)
    lit = cv2.imread(str(night / "heron-2.png"), cv2.IMREAD_UNCHANGED)
    assert dark.dtype == lit.dtype == np.uint16
    assert np.median(dark) < 100 < np.median(lit)


def test_repeats_of_one_bouncer_differ_and_equal_seeds_agree(tmp_path):
    plan = replace(SMALL, drivers=FLOCK[1:2], room=CLOSET)
    twice = write_season(tmp_path / "twice", replace(plan, repeats=2))
    once = write_season(tmp_path / "once", plan)
    assert (once / "wren-1.jpg").read_bytes() == (twice / "wren-1.jpg").read_bytes()
    assert (twice / "wren-2.jpg").read_bytes() != (twice / "wren-1.jpg").read_bytes()


@pytest.mark.parametrize("plan", [SAMPLE_PLAN, SAMPLE_PEN], ids=lambda plan: plan.name)
def test_the_sample_frames_are_what_their_command_makes(tmp_path, plan):
    made, kept = write_season(tmp_path, plan), SAMPLES / plan.name
    for name in ("reference.jpg", "heron-1.jpg"):
        new, old = (cv2.imread(str(folder / name)).astype(np.int16) for folder in (made, kept))
        # Another JPEG codec or processor rounds differently; another picture differs by far more.
        assert np.abs(new - old).mean() < 0.3
        assert np.percentile(np.abs(new - old), 99.9) <= 4
    new, old = truth_of(made)["runs"]["heron-1"]["truth"], truth_of(kept)["runs"]["heron-1"]["truth"]
    assert new["coverage_percent"] == pytest.approx(old["coverage_percent"], abs=1e-3)


def bytes_of(folder: Path) -> int:
    """What is handed out with the project: not what was measured of it since."""
    made = ("results", "comparison")
    files = [path for path in folder.rglob("*") if path.is_file() and not set(made) & set(path.parts)]
    return sum(path.stat().st_size for path in files if path.name != "season.db")


def test_the_sample_frames_stay_small():
    assert bytes_of(SAMPLES) < 12e6


def test_the_sample_series_is_the_drive_that_its_command_makes():
    """The frames themselves follow as the first night's pictures do; to make all of them again takes too long."""
    night = SAMPLES / "2031-02-11-series"
    kept = truth_of(night)["runs"]["heron-1"]
    poses = drive(FLOCK[0], study(), np.random.default_rng([8, 1, 1]))
    way_m = np.hypot(*np.diff(poses[:, 1:3], axis=0).T).sum()
    assert kept["truth"]["path_length_m"] == pytest.approx(way_m, abs=1e-3)
    spans_s = Shutter(40, 0.4).times(float(poses[-1, 0] - poses[0, 0]))
    frames = kept["timing"]["frames"]
    assert np.allclose(spans_s, [[frame["start_s"], frame["end_s"]] for frame in frames], atol=1e-3)
    (run,) = read_runs(read_night(night))
    assert [path.name for path in run.frames] == [Path(frame["file"]).name for frame in frames]
    assert bytes_of(night) < 6e6
