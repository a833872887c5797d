"""Seasons of many runs that are made quickly, and workers that need not measure, for benchmarks of everything else."""

from __future__ import annotations

import os
import shutil
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

from coverage_lab.files.plan import PlanArrays
from coverage_lab.run import MeasuredRun, measure
from coverage_lab.season import work
from coverage_lab.season.batch import measure_all
from coverage_lab.season.jobs import find_jobs
from coverage_lab.season.pool import Here
from coverage_lab.season.summary import Summary
from coverage_lab.season.wanted import look_through
from coverage_lab.setting import SetUp
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import study

RUNS_OF_A_NIGHT = 40


def make_season(folder: Path, runs: int, megapixels: float = 0.5, cell_mm: int = 8) -> Path:
    """Write a season of nights of forty runs, all of one exposure, whose files share their place on the disk."""
    plan = NightPlan(room=study(), drivers=FLOCK[:1], megapixels=megapixels)
    made = write_season(folder / "made", plan)
    with (made / "night.toml").open("a", encoding="utf-8") as table:
        table.write(f"\n[settings]\ncell_mm = {cell_mm}\n")
    season = folder / "season"
    season.mkdir(parents=True)
    shutil.copy(folder / "made" / "robots.toml", season)
    for number in range(-(-runs // RUNS_OF_A_NIGHT)):
        night = season / f"night-{number + 1}"
        shutil.copytree(made, night, copy_function=os.link)
        frame = night / "heron-1.jpg"
        ids = range(1, 1 + min(RUNS_OF_A_NIGHT, runs - number * RUNS_OF_A_NIGHT))
        for repeat in ids[1:]:
            os.link(frame, night / f"heron-{repeat}.jpg")
        (night / "runs.csv").unlink()
        rows = [f"heron-{repeat},heron,{repeat},heron-{repeat}.jpg" for repeat in ids]
        (night / "runs.csv").write_text("\n".join(["run,robot,repeat,frames", *rows, ""]), encoding="utf-8")
    return season


def measure_season(season: Path, report=lambda outcome: None, **how) -> Summary:
    """Measure what is to be measured, as the command does."""
    return measure_all(look_through(find_jobs([season])), report, **how)


class Remembering:
    """Stands in for measuring and drawing in this process: the first run's numbers and picture serve for all.

    Everything else that a worker does (stamps, digests, writing and moving files) is done for each run.
    """

    def __init__(self, monkeypatch) -> None:
        self._first: MeasuredRun | None = None
        self._pictures: dict[str, bytes] = {}
        self._draw_all = work.draw_all
        monkeypatch.setattr(work, "measure", self._measure)
        monkeypatch.setattr(work, "draw_all", self._drawn)

    def _measure(self, run, setting: SetUp) -> MeasuredRun:
        if self._first is None:
            self._first = measure(run, setting)
        names = {path.name: digest for path in run.frames for digest in [self._first.digests["heron-1.jpg"]]}
        measures = replace(self._first.measures, key=run.key, repeat=run.repeat)
        return replace(self._first, measures=measures, digests={**self._first.digests, **names})

    def _drawn(self, measured: MeasuredRun, arrays: PlanArrays | None) -> dict[str, bytes]:
        self._pictures = self._pictures or self._draw_all(measured, arrays)
        return self._pictures


class Paused(Here):
    """Works in this process, and calls `between` before each run."""

    def __init__(self, between) -> None:
        self._between = between

    def submit(self, fn, /, *args, **kwargs) -> Future:
        self._between()
        return super().submit(fn, *args, **kwargs)
