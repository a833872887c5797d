"""Runs of many frames: rendered series with exact truth, and series in which something is wrong."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from coverage_lab.errors import BadInput, UnreadableFrame
from coverage_lab.files.measures import measures_from_json, measures_to_json
from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.measures.values import Measures
from coverage_lab.run import MeasuredRun, measure
from coverage_lab.setting import set_up

SERIES = ("series-lanes", "series-bounce")


def measured(night_folder: Path) -> MeasuredRun:
    night = read_night(night_folder)
    (run,) = read_runs(night)
    return measure(run, set_up(night, (run,)))


@cache
def whole(folder: Path) -> tuple[MeasuredRun, dict[str, Any]]:
    return measured(folder), json.loads((folder / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(params=SERIES)
def found(request: pytest.FixtureRequest, rendered: Path) -> tuple[MeasuredRun, dict[str, Any]]:
    return whole(rendered / request.param)


def test_final_coverage(found: tuple[MeasuredRun, dict[str, Any]]):
    (run, truth) = found
    coverage = run.measures.coverage
    assert coverage
    true = truth["truth"]["hidden_from_camera"]["coverage_percent_of_visible_free_floor"]
    assert coverage.percent.value == pytest.approx(true, abs=0.2)
    assert coverage.percent.interval_95[0] <= true <= coverage.percent.interval_95[1]


def test_growth(found: tuple[MeasuredRun, dict[str, Any]]):
    (run, truth) = found
    timing, frames = run.measures.timing, truth["timing"]["frames"]
    assert timing
    assert timing.frames == len(timing.growth) == len(frames)
    true = np.array([frame["coverage_percent_of_visible_at_end"] for frame in frames])
    percent = np.array([point.percent for point in timing.growth])
    u = np.array([point.u for point in timing.growth])
    assert np.abs(percent - true).max() < 0.5
    assert np.mean(np.abs(percent - true) <= 1.96 * u) >= 0.92
    assert [point.t_s for point in timing.growth] == pytest.approx(
        [f["end_s"] - frames[0]["start_s"] for f in frames], abs=0.2
    )
    for milestone in (50, 80):
        exact = np.interp(milestone, true, [frame["end_s"] for frame in frames])
        assert timing.time_to_s[str(milestone)] == pytest.approx(exact, abs=truth["truth"]["duration_s"] / 40)


def test_time_and_passes(found: tuple[MeasuredRun, dict[str, Any]]):
    (run, truth) = found
    timing, passes, true = run.measures.timing, run.measures.passes, truth["truth"]
    assert timing and passes
    assert timing.duration_s == pytest.approx(true["duration_s"], abs=passes.frame_s)
    assert passes.visits
    by_frames = true["passes_by_frames"]
    for name, share in passes.visits.items():
        assert share == pytest.approx(100 * by_frames[f"share_{name}"], abs=3)
    lanes = truth["robot"]["kind"] == "systematic"
    assert passes.repeat_ratio and timing.distance_m
    assert passes.repeat_ratio.value == pytest.approx(true["repeat_ratio"]["value"], rel=0.05 if lanes else 0.10)
    assert timing.distance_m.value == pytest.approx(true["path_length_m"], rel=0.05 if lanes else 0.08)


def test_gaps_between_frames_are_bridged_and_told_apart(rendered: Path):
    run, truth = whole(rendered / "series-lanes")
    coverage = run.measures.coverage
    assert coverage and coverage.bridged_m2 and run.bridged is not None
    true = truth["truth"]["hidden_from_camera"]["coverage_percent_of_visible_free_floor"]
    without = coverage.percent.value - 100 * coverage.bridged_m2 / run.measures.floor.visible_m2
    assert without < true - 1.5  # the gaps are worth two points
    gapless = whole(rendered / "series-bounce")[0].measures.coverage
    assert gapless and gapless.bridged_m2 is not None
    assert gapless.bridged_m2 < 0.001


def test_first_swept_frames_grow_as_coverage_does(found: tuple[MeasuredRun, dict[str, Any]]):
    (run, _) = found
    assert run.first_swept is not None and run.swept is not None and run.measures.timing
    visible = run.plan.visible_share
    for number in (1, 10, 40):
        share = float((run.swept.share * visible)[(run.first_swept > 0) & (run.first_swept <= number)].sum())
        percent = 100 * share / float(visible.sum(dtype=np.float64))
        assert percent == pytest.approx(run.measures.timing.growth[number - 1].percent, abs=0.01)


def test_numbers_come_back_from_the_file(found: tuple[MeasuredRun, dict[str, Any]]):
    (run, _) = found
    stored = measures_to_json(run.measures)
    again = measures_to_json(measures_from_json(json.loads(json.dumps(stored))))
    assert (again["passes"], again["time"]) == (stored["passes"], stored["time"])


# ---- series in which something is wrong ------------------------------------------------------------------------


@pytest.fixture
def short(rendered: Path, tmp_path: Path) -> Callable[[Callable[[list[Path]], object]], Measures]:
    """The first twelve frames of the lanes, spoilt and measured."""

    def measure_spoilt(spoil: Callable[[list[Path]], object]) -> Measures:
        night = tmp_path / "night"
        shutil.copytree(rendered / "series-lanes", night)
        frames = sorted((night / "heron-1").iterdir())
        for frame in frames[12:]:
            frame.unlink()
        spoil(frames[:12])
        return measured(night).measures

    return measure_spoilt


def test_a_frame_that_cannot_be_read_is_a_hole(short: Callable[..., Measures]):
    def cut(frames: list[Path]) -> None:
        frames[5].write_bytes(frames[5].read_bytes()[:-3000])

    run = short(cut)
    assert run.verdict == "measured" and run.coverage and run.timing
    (hole,) = [remark for remark in run.quality if remark.code == "frame-hole"]
    assert "cannot be decoded whole" in hole.text
    assert run.coverage.contributions["closed shutter"].points > 0.5
    low, high = run.coverage.percent.interval_95
    assert high - low > 3
    assert run.timing.growth[5].percent == pytest.approx(run.timing.growth[4].percent, abs=0.05)


def test_missing_frames_are_a_hole_and_a_doubled_one_counts_once(short: Callable[..., Measures]):
    def spoil(frames: list[Path]) -> None:
        for frame in frames[4:6]:
            frame.unlink()
        shutil.copy(frames[8], frames[8].with_name("f008-copy.jpg"))

    run = short(spoil)
    assert any(remark.code == "frame-hole" and "s are missing" in remark.text for remark in run.quality)
    assert any("f008-copy.jpg" in remark.text for remark in run.quality)
    assert run.timing and run.timing.frames == 10


def test_a_series_of_which_most_cannot_be_read_fails(short: Callable[..., Measures]):
    with pytest.raises(UnreadableFrame):
        short(lambda frames: [frame.write_bytes(b"") for frame in frames[:8]])


def test_a_frame_of_another_size_is_named(short: Callable[..., Measures]):
    def shrink(frames: list[Path]) -> None:
        picture = cv2.imread(str(frames[3]))
        cv2.imwrite(str(frames[3]), picture[:-8])

    with pytest.raises(BadInput, match="1200 × 892"):
        short(shrink)
