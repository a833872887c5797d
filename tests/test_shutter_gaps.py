"""One simulated drive, photographed with and without gaps between its frames: coverage must not notice them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import shapely

from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.job import Quantity
from coverage_lab.measures.values import Coverage, Measures
from coverage_lab.room.room import Room
from coverage_lab.run import measure
from coverage_lab.setting import set_up
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import corner_markers
from coverage_lab.simulate.series import Shutter

WIDTH_M, DEPTH_M = 2.2, 1.8
CLOSET = Room(
    shapely.box(0, 0, WIDTH_M, DEPTH_M),
    markers=corner_markers(WIDTH_M, DEPTH_M, clear_of=shapely.Polygon()),
    dock_m=(0.4, 0.4),
)
GAPS_S = (0.2, 0.5, 1.0)
FRAMES = 20


@dataclass(frozen=True)
class Cut:
    """The drive as one way of cutting it into frames shows it."""

    measures: Measures
    truth: dict[str, Any]

    @property
    def coverage(self) -> Coverage:
        assert self.measures.coverage is not None
        return self.measures.coverage

    @property
    def percent(self) -> Quantity:
        return self.coverage.percent

    @property
    def true_percent(self) -> float:
        return float(self.truth["hidden_from_camera"]["coverage_percent_of_visible_free_floor"])


@cache
def cut(folder: Path, gap_s: float) -> Cut:
    return photographed(folder / f"gap-{gap_s}", Shutter(FRAMES, gap_s))


def photographed(folder: Path, shutter: Shutter) -> Cut:
    """Photograph the drive through the closet into `folder`, and measure it."""
    plan = NightPlan(CLOSET, drivers=FLOCK[:1], megapixels=0.3, shutter=shutter, draw_tolerances=False)
    night_folder = write_season(folder, plan)
    truth = json.loads((night_folder / "truth.json").read_text(encoding="utf-8"))["runs"]["heron-1"]["truth"]
    night = read_night(night_folder)
    (run,) = read_runs(night)
    return Cut(measure(run, set_up(night, (run,))).measures, truth)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("gaps")


@pytest.mark.parametrize("gap_s", GAPS_S)
def test_gaps_between_frames_change_coverage_by_less_than_half_a_point(folder: Path, gap_s: float):
    whole, parts = cut(folder, 0.0), cut(folder, gap_s)
    assert parts.true_percent == whole.true_percent  # one and the same drive
    assert parts.percent.value == pytest.approx(whole.percent.value, abs=0.5)
    low, high = parts.percent.interval_95
    assert low <= parts.true_percent <= high


def test_longer_gaps_are_more_floor_bridged_and_more_doubt(folder: Path):
    found = [cut(folder, gap_s).coverage for gap_s in (0.0, *GAPS_S)]
    bridged_m2 = [one.bridged_m2 for one in found]
    assert None not in bridged_m2
    assert bridged_m2 == sorted(bridged_m2)
    # A robot that goes straight on all the time passes this much floor while the shutter is closed; turns take time.
    bar, speed_m_s = FLOCK[0].robot.bar, FLOCK[0].motion.speed_m_s
    for gap_s, area_m2 in zip(GAPS_S, bridged_m2[1:], strict=True):
        most_m2 = (FRAMES - 1) * gap_s * speed_m_s * bar.nozzle_m
        assert 0.15 * most_m2 < area_m2 < most_m2
    assert found[-1].percent.u > found[0].percent.u
