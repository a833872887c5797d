"""Measure many runs and keep what was found. A bad run is named and the others go on."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import scipy
import shapely

from coverage_lab import __version__
from coverage_lab.errors import CannotWrite, CoverageLabError, ExitCode, Refused
from coverage_lab.files.night import results_folder
from coverage_lab.files.results import PlanArrays, read_measures, write_results, write_summary
from coverage_lab.job import METHOD, Night, Quality, Run
from coverage_lab.measures.values import Measures
from coverage_lab.run import MeasuredRun, SetUp, measure, set_up
from coverage_lab.season.draw import draw
from coverage_lab.season.jobs import NightJob

LIBRARIES = (cv2, np, scipy, shapely)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one run."""

    key: str
    verdict: str  # measured, refused or failed
    text: str  # coverage with its interval, or the reason
    results: Path


@dataclass(frozen=True, slots=True)
class Summary:
    """What became of a pass over many runs."""

    outcomes: tuple[Outcome, ...]

    @property
    def exit_code(self) -> ExitCode:
        """0 if every run was measured, else 1."""
        good = all(outcome.verdict == "measured" for outcome in self.outcomes)
        return ExitCode.DONE if good else ExitCode.SOME_FAILED

    def __str__(self) -> str:
        counts = dict.fromkeys(("measured", "refused", "failed"), 0)
        for outcome in self.outcomes:
            counts[outcome.verdict] += 1
        return ", ".join(f"{count} {verdict}" for verdict, count in counts.items())


def measure_all(jobs: tuple[NightJob, ...], report: Callable[[Outcome], None]) -> Summary:
    """Measure every run of `jobs`, store its results, and tell `report` of each as it is done."""
    outcomes = []
    for job in jobs:
        for outcome in _measure_night(job):
            report(outcome)
            outcomes.append(outcome)
        _summarise(job.night)
    return Summary(tuple(outcomes))


def _measure_night(job: NightJob) -> Iterator[Outcome]:
    """Measure a night's runs; those with one reference frame share its camera."""
    settings: dict[Path | None, SetUp | CoverageLabError] = {}
    for run in job.runs:
        reference = run.reference or job.night.reference
        if reference not in settings:
            try:
                settings[reference] = set_up(replace(job.night, reference=reference), job.runs)
            except CoverageLabError as error:
                settings[reference] = error
        yield _measure_run(run, job.night, settings[reference])


def _measure_run(run: Run, night: Night, setting: SetUp | CoverageLabError) -> Outcome:
    folder = results_folder(night, run.id)
    try:
        if isinstance(setting, CoverageLabError):
            raise setting
        measured = measure(run, setting)
        store(measured, night, folder)
        return _outcome(measured.measures, folder)
    except CannotWrite as error:
        return Outcome(run.key, "failed", str(error), folder)
    except CoverageLabError as error:
        measures = _without_numbers(run, error)
        try:
            write_results(folder, measures, _made(night, {}), None, None)
        except CannotWrite as storing:
            return Outcome(run.key, "failed", f"{error}\n{storing}", folder)
        return _outcome(measures, folder)


def store(measured: MeasuredRun, night: Night, folder: Path) -> None:
    """Write a measured run into its results folder. Raises CannotWrite."""
    plan, swept = measured.plan, measured.swept
    share = None if swept is None else swept.share
    arrays = (
        None
        if share is None
        else PlanArrays(plan.grid, share, plan.free_share, plan.hidden_share, plan.reachable_share)
    )
    write_results(folder, measured.measures, _made(night, measured.digests), arrays, draw(measured))


def _without_numbers(run: Run, error: CoverageLabError) -> Measures:
    """A run that gave no numbers at all: refused by its picture, or failed by its files."""
    refused = isinstance(error, Refused)
    text = str(error)
    quality = (Quality(error.code, "refused", text),) if isinstance(error, Refused) else ()
    return Measures(
        key=run.key,
        robot=run.robot,
        repeat=run.repeat,
        trial=run.trial,
        conditions=run.conditions,
        verdict="refused" if refused else "failed",
        reason=text,
        quality=quality,
    )


def _outcome(measures: Measures, folder: Path) -> Outcome:
    if measures.coverage is None:
        return Outcome(measures.key, measures.verdict, measures.reason or "", folder)
    low, high = measures.coverage.percent.interval_95
    text = f"{measures.coverage.percent.value:.1f} % of visible floor (95 %: {low:.1f} to {high:.1f})"
    return Outcome(measures.key, measures.verdict, text, folder)


def _made(night: Night, digests: dict[str, str]) -> dict[str, Any]:
    """How a result came about; facts of this run of the program, so not part of the measures."""
    return {
        "schema": "coverage-lab/made/1",
        "made_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "host": platform.node(),
        "coverage_lab": __version__,
        "method": METHOD,
        "python": platform.python_version(),
        "libraries": {library.__name__: library.__version__ for library in LIBRARIES},
        "settings": asdict(night.settings),
        "sha256": dict(sorted(digests.items())),
    }


def _summarise(night: Night) -> None:
    """Write the night's summary from all results that lie there, also those of earlier passes."""
    folder = night.folder / "results"
    rows = [read_measures(path) for path in sorted(folder.glob("*/measures.json"))]
    if rows:
        write_summary(folder, rows)
