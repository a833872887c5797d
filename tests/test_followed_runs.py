"""Runs whose way is known, from frames to track: where it went, how far, how often it turned, and in what pattern."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

import coverage_lab.run
from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.job import Bar
from coverage_lab.measures.pattern import RandomBaseline, measure_pattern
from coverage_lab.measures.values import Pattern, Timing
from coverage_lab.room.field import TravelField
from coverage_lab.room.room import Room
from coverage_lab.room.track import Track, turn_count
from coverage_lab.run import MeasuredRun, measure
from coverage_lab.setting import set_up
from coverage_lab.simulate.growth import between
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK, drive
from coverage_lab.simulate.rooms import corner_markers
from coverage_lab.simulate.series import Shutter
from tests.trails.ways import off_m

FloatArray = NDArray[np.float64]

WIDTH_M, DEPTH_M = 2.0, 1.7
CLOSET = Room(
    shapely.box(0, 0, WIDTH_M, DEPTH_M),
    markers=corner_markers(WIDTH_M, DEPTH_M, clear_of=shapely.Polygon()),
    dock_m=(0.4, 0.4),
)
SERIES = ("series-lanes", "series-bounce", "lanes", "bounce", "spiral")
FRAMES = 24
FALSE_M = 0.6


@dataclass(frozen=True, eq=False)
class Followed:
    """A measured run, its true poses (N, 4), and the pattern that its frames' light alone shows."""

    name: str
    run: MeasuredRun
    poses: FloatArray
    spans_s: FloatArray  # (frames, 2)
    by_light: Pattern

    @property
    def track(self) -> Track:
        assert self.run.track is not None
        return self.run.track

    @property
    def timing(self) -> Timing:
        assert self.run.measures.timing is not None
        return self.run.measures.timing

    def off_m(self) -> Iterator[FloatArray]:
        """How far the track is off in each frame that was followed, place by place."""
        for number in np.unique(self.track.frame):
            poses = self.track.poses[self.track.frame == number]
            inside = (self.track.frame[1:] == number) & (self.track.frame[:-1] == number)
            if (inside & self.track.followed).any():
                yield off_m(poses, between(self.poses, *self.spans_s[number]))


def simulated(folder: Path, manner: str) -> tuple[Path, FloatArray]:
    """A night with one run, seen by a small camera, and its true poses."""
    driver = next(driver for driver in FLOCK if driver.manner == manner)
    plan = NightPlan(CLOSET, drivers=(driver,), megapixels=0.35, shutter=Shutter(FRAMES, 0.3), draw_tolerances=False)
    poses = drive(driver, CLOSET, np.random.default_rng([plan.seed, 1, 1]))
    return write_season(folder / manner, plan), poses


def told(night: Path) -> dict[str, Any]:
    truth = json.loads((night / "truth.json").read_text(encoding="utf-8"))
    return dict(truth if "timing" in truth else next(iter(truth["runs"].values())))


@pytest.fixture(scope="module", params=SERIES)
def followed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Followed:
    """Measure a series; keep the field of directions that its light alone gives."""
    if request.param.startswith("series"):
        night_folder = request.getfixturevalue("rendered") / request.param
        poses = np.load(night_folder / "poses.npz")["poses"]
    else:
        night_folder, poses = simulated(tmp_path_factory.mktemp("followed"), request.param)
    kept: list[tuple[TravelField, Bar]] = []

    def keep(field: TravelField, _: Track, bar: Bar) -> TravelField:
        kept.append((field, bar))
        return with_track(field, _, bar)

    baselines: list[RandomBaseline] = []

    def scored(field: TravelField, bar: Bar, baseline: RandomBaseline) -> Pattern | None:
        baselines.append(baseline)
        return measure_pattern(field, bar, baseline)

    with_track = coverage_lab.run.with_track
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(coverage_lab.run, "with_track", keep)
        patch.setattr(coverage_lab.run, "measure_pattern", scored)
        night = read_night(night_folder)
        (run,) = read_runs(night)
        found = measure(run, set_up(night, (run,)))
    by_light = measure_pattern(*kept[0], baselines[0])
    assert by_light is not None
    frames = told(night_folder)["timing"]["frames"]
    spans_s = poses[0, 0] + np.array([[frame["start_s"], frame["end_s"]] for frame in frames])
    return Followed(request.param, found, poses, spans_s, by_light)


def test_what_was_followed_is_the_way_it_went(followed: Followed):
    off = list(followed.off_m())
    assert len(off) >= 0.45 * len(followed.spans_s)
    assert np.median(np.concatenate(off)) < 0.02
    assert np.percentile(np.concatenate(off), 95) < 0.17
    assert max(one.max() for one in off) < FALSE_M


def test_the_way_is_as_long_as_it_was(followed: Followed):
    true_m = float(np.hypot(*np.diff(followed.poses[:, 1:3], axis=0).T).sum())
    distance = followed.timing.distance_m
    assert distance is not None
    assert distance.value == pytest.approx(true_m, rel=0.03)
    low, high = distance.interval_95
    assert low <= true_m <= high


def test_turns_are_counted(followed: Followed):
    true = followed.poses
    every = Track(true[:, 0], true[:, 1:3], true[:, 3], np.zeros(len(true), int), np.ones(len(true) - 1, bool), 0.0)
    turns = followed.timing.turns
    assert followed.timing.followed_percent is not None
    if turns is None:
        assert followed.timing.followed_percent < 80
        return
    low, high = turns.interval_95
    assert low <= turn_count(every) <= high


def test_the_pattern_of_frames_is_that_of_their_light_together(followed: Followed):
    pattern = followed.run.measures.pattern
    assert pattern is not None
    # Around furniture light reads turns as crossing ways: exact poses score 70 where light scores 64, and frames 73.
    near = 10 if followed.name == "series-lanes" else 8
    assert pattern.score.value == pytest.approx(followed.by_light.score.value, abs=near)
    assert pattern.label == followed.by_light.label


def test_the_track_goes_with_time(followed: Followed):
    track = followed.track
    assert np.all(np.diff(track.t_s) >= -1e-9)
    at = [np.interp(track.t_s, followed.poses[:, 0] - followed.poses[0, 0], followed.poses[:, axis]) for axis in (1, 2)]
    there = np.append(track.followed, True)
    off = np.hypot(*(track.centre_m - np.column_stack(at)).T)[there]
    assert np.median(off) < 0.15
