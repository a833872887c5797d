"""A robot that stands still: its light's halo is flagged and left out, and short waits are not."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from shapely import wkt

import coverage_lab.simulate.night as simulated
from coverage_lab import measure, read_night, read_runs, set_up
from coverage_lab.run import MeasuredRun
from coverage_lab.simulate.exposure import Exposure
from coverage_lab.simulate.robots import FLOCK, Driver
from coverage_lab.simulate.rooms import study
from coverage_lab.simulate.trail import Optics

HERON, WREN = FLOCK[:2]


def waited(
    folder: Path, monkeypatch: pytest.MonkeyPatch, driver: Driver, wait_s: float, halo: float, level: float
) -> tuple[MeasuredRun, float]:
    """Measure a run whose robot waits at the dock; return it and by how much its coverage is off, in points.

    The truth is taken over the floor that the run calls visible.
    """
    drive = simulated.drive

    def drive_later(*how: object) -> np.ndarray:
        poses = drive(*how)
        return np.concatenate([poses[:1], poses + np.array([wait_s, 0, 0, 0])])

    monkeypatch.setattr(simulated, "drive", drive_later)
    exposure = Exposure(level=level, optics=Optics(halo_energy=halo))
    plan = simulated.NightPlan(
        room=study(), drivers=(driver,), megapixels=1.2, exposure=exposure, draw_tolerances=False
    )
    night = read_night(simulated.write_season(folder, plan))
    runs = read_runs(night)
    measured = measure(runs[0], set_up(night, runs))
    truth = json.loads((night.folder / "truth.json").read_text())["runs"][f"{driver.robot.name}-1"]["truth"]
    visible = measured.plan.free.difference(measured.plan.hidden)
    coverage = measured.measures.coverage
    true_percent = 100 * wkt.loads(truth["swept_wkt"]).intersection(visible).area / visible.area
    return measured, coverage.percent.value - true_percent if coverage is not None else np.nan


def level_of(measured: MeasuredRun) -> str | None:
    return next((remark.level for remark in measured.measures.quality if remark.code == "dwell"), None)


@pytest.mark.parametrize(("driver", "wait_s", "halo"), [(HERON, 600, 0.04), (WREN, 300, 0.024)])
def test_a_halo_is_flagged_and_coverage_of_the_other_floor_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, driver: Driver, wait_s: float, halo: float
):
    measured, off = waited(tmp_path, monkeypatch, driver, wait_s, halo, 0.45)
    assert measured.measures.verdict == "measured"
    assert level_of(measured) == "warning"
    assert abs(off) < 0.3
    coverage, floor = measured.measures.coverage, measured.measures.floor
    assert coverage is not None
    percent = coverage.percent
    assert percent.interval_95[0] <= percent.value - off <= percent.interval_95[1]
    assert coverage.whole_floor_95[1] - coverage.whole_floor_95[0] > 100 * floor.hidden_m2 / floor.free_m2 > 3


def test_a_halo_under_clipped_light_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    measured, _ = waited(tmp_path, monkeypatch, HERON, 300, 0.024, 2.5)
    assert level_of(measured) == "refused"


def test_a_short_wait_is_not_flagged_and_moves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    measured, off = waited(tmp_path, monkeypatch, HERON, 60, 0.012, 0.45)
    assert level_of(measured) is None
    assert abs(off) < 0.3
