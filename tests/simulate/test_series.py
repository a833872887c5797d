import itertools
import json
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
import shapely
from looking import BAR

from coverage_lab.errors import BadInput
from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.frames.clock import frame_times
from coverage_lab.frames.read import read_frame
from coverage_lab.frames.stamps import moment_of, read_stamps
from coverage_lab.room.room import Room
from coverage_lab.simulate.drives import Motion, follow, timed
from coverage_lab.simulate.exposure import Exposure
from coverage_lab.simulate.growth import between, growth_truth
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.sensor import Sensor
from coverage_lab.simulate.series import Shutter

CLOSET = Room(shapely.box(0, 0, 1.5, 1.2))
PLAN = NightPlan(room=CLOSET, drivers=FLOCK[:1], megapixels=0.35, exposure=Exposure(glow=0), shutter=Shutter(12, 0.5))


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_season(tmp_path_factory.mktemp("season"), PLAN)


def told(night, run="heron-1"):
    return json.loads((night / "truth.json").read_text(encoding="utf-8"))["runs"][run]


def test_the_stamps_are_cut_off_to_seconds_and_the_clock_finds_the_true_times(night):
    (run,) = read_runs(read_night(night))
    timing = told(night)["timing"]
    began = datetime.fromisoformat(timing["start_local"])
    stamps = read_stamps(run.frames)
    for stamp, true in zip(stamps, timing["frames"], strict=True):
        late_s = (began - stamp.moment).total_seconds() + true["start_s"]
        assert 0 <= late_s < 1
        assert stamp.taken == true["datetime_original"]
        assert moment_of(stamp.taken).microsecond == 0
    times = frame_times(stamps, setup=read_night(night).camera)
    assert times.source == "frames"
    off_s = np.array(times.start_s) - [true["start_s"] for true in timing["frames"]]
    assert np.abs(off_s).max() < 3 * times.u_s + 1e-3
    assert times.exposure_s == pytest.approx(timing["frames"][0]["exposure_s"], abs=0.05)
    assert times.quality == ()


def test_frames_and_gaps_make_up_the_run(night):
    frames = told(night)["timing"]["frames"]
    assert len(frames) == 12
    for one, other in itertools.pairwise(frames):
        assert other["start_s"] - one["end_s"] == pytest.approx(0.5, abs=2e-4)
    assert frames[-1]["end_s"] == pytest.approx(told(night)["truth"]["duration_s"], abs=1e-3)


def test_the_frames_light_together_is_that_of_one_exposure(tmp_path):
    plan = replace(PLAN, exposure=Exposure(glow=0, sensor=Sensor("linear", hot_per_megapixel=0)))
    one = write_season(tmp_path / "one", replace(plan, shutter=None))
    many = write_season(tmp_path / "many", replace(plan, shutter=Shutter(9)))
    whole = read_frame(one / "heron-1.png").light.astype(float)
    parts = sum(read_frame(path).light.astype(float) for path in sorted((many / "heron-1").iterdir()))
    unclipped = whole < 60000
    off = (parts - whole)[unclipped] - np.median((parts - whole)[whole < 500])  # each frame has its own black
    assert abs(off.mean()) < 0.01 * whole[unclipped].mean()
    assert np.corrcoef(parts[unclipped], whole[unclipped])[0, 1] > 0.98


def test_growth_of_two_passes_by_hand():
    """One metre there and back on one strip, with a pause: the second half sweeps nothing new."""
    there = timed(follow(np.array([[0.5, 0.5], [1.5, 0.5], [0.5, 0.5]])), Motion(0.25, np.pi / 2))
    room = shapely.box(0, 0, 2, 1)
    spans_s = Shutter(5).times(float(there[-1, 0]))  # 4 s, 2 s of turning, 4 s: frames of 2 s
    growth = growth_truth(there, BAR, spans_s, room, room)
    strip = 100 * 1.0 * BAR.nozzle_m / 2  # percent of 2 m²
    turn = 100 * np.pi * (BAR.nozzle_m / 2) ** 2 / 2 / 2  # half a disc beyond the strip's end
    expected = [strip / 2, strip, strip + turn, strip + turn, strip + turn]
    assert growth["coverage_percent_at_end"] == pytest.approx(expected, abs=0.01)
    visits = growth["passes_by_frames"]
    # Frames 1, 2 and 4, 5 run over the strip; frame 3 turns over half a disc of it, which joins frames 2, 3 and 4.
    assert visits["share_none"] == pytest.approx(1 - (strip + turn) / 100, abs=0.002)
    assert visits["share_twice"] == pytest.approx((strip - turn) / 100, abs=0.003)
    assert visits["share_once"] == pytest.approx(2 * turn / 100, abs=0.003)
    passed = 2 * 1.0 * BAR.nozzle_m + np.pi * BAR.nozzle_m**2 / 2  # in half a turn each end goes half a circle
    assert growth["repeat_ratio"]["value"] == pytest.approx(passed / (2 * (strip + turn) / 100), abs=0.002)


def test_growth_never_falls_and_ends_at_the_runs_coverage(night):
    truth = told(night)["truth"]
    for key, final in (
        ("coverage_percent_at_end", truth["coverage_percent"]),
        (
            "coverage_percent_of_visible_at_end",
            truth["hidden_from_camera"]["coverage_percent_of_visible_free_floor"],
        ),
    ):
        assert np.all(np.diff(truth[key]) >= 0)
        assert truth[key][-1] == pytest.approx(final, abs=0.01)


def test_a_part_of_a_run_begins_and_ends_where_the_robot_was():
    poses = np.array([[0, 0, 0, 0], [2, 1, 0, 0], [4, 1, 1, 1.0]])
    assert between(poses, 1, 3).tolist() == [[1, 0.5, 0, 0], [2, 1, 0, 0], [3, 1, 0.5, 0.5]]
    assert between(poses, 2.5, 3)[:, 0].tolist() == [2.5, 3]


def test_gaps_longer_than_the_run_are_refused(tmp_path):
    with pytest.raises(BadInput, match="--shutter-gap-s"):
        write_season(tmp_path, replace(PLAN, shutter=Shutter(40, 30.0)))


def test_growth_agrees_with_the_rendered_truth(rendered):
    """An independent computation: the renderer's own, from the same poses."""
    folder = rendered / "series-lanes"
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    bar = replace(BAR, nozzle_m=truth["bar"]["length_m"], forward_m=truth["bar"]["forward_offset_m"])
    free = shapely.from_wkt(truth["truth"]["free_floor_wkt"])
    visible = free.difference(shapely.from_wkt(truth["truth"]["hidden_free_floor_wkt"]))
    frames = truth["timing"]["frames"]
    spans_s = np.array([[frame["start_s"], frame["end_s"]] for frame in frames])
    growth = growth_truth(np.load(folder / "poses.npz")["poses"], bar, spans_s, free, visible)
    for key in ("coverage_percent_at_end", "coverage_percent_of_visible_at_end"):
        assert growth[key] == pytest.approx([frame[key] for frame in frames], abs=0.02)
    for key in ("share_none", "share_once", "share_twice", "share_more"):  # theirs is on a coarser grid
        assert growth["passes_by_frames"][key] == pytest.approx(truth["truth"]["passes_by_frames"][key], abs=0.01)
