"""Measure many runs and keep what was found. A bad run is named and the others go on."""

from __future__ import annotations

import platform
import traceback
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
    text: str  # coverage with its interval and what is doubtful, or the reason
    measures: Measures


@dataclass(frozen=True, slots=True)
class Summary:
    """What became of a pass over many runs."""

    outcomes: tuple[Outcome, ...]
    unsummarised: tuple[str, ...] = ()  # what kept a night's summary from being written

    @property
    def exit_code(self) -> ExitCode:
        """0 if every run was measured, else 1."""
        good = all(outcome.verdict == "measured" for outcome in self.outcomes) and not self.unsummarised
        return ExitCode.DONE if good else ExitCode.SOME_FAILED

    def __str__(self) -> str:
        counts = dict.fromkeys(("measured", "refused", "failed"), 0)
        for outcome in self.outcomes:
            counts[outcome.verdict] += 1
        return "\n".join([*self.unsummarised, ", ".join(f"{count} {verdict}" for verdict, count in counts.items())])


def measure_all(jobs: tuple[NightJob, ...], report: Callable[[Outcome], None]) -> Summary:
    """Measure every run of `jobs`, store its results, and tell `report` of each as it is done."""
    outcomes, unsummarised = [], []
    for job in jobs:
        for outcome in _measure_night(job):
            report(outcome)
            outcomes.append(outcome)
        try:
            _summarise(job.night)
        except CoverageLabError as error:
            unsummarised.append(str(error))
    return Summary(tuple(outcomes), tuple(unsummarised))


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
        return _outcome(measured.measures)
    except CannotWrite as error:
        return _outcome(_without_numbers(run, night, error))
    except Exception as error:  # a mistake of ours: it is named, and the other runs go on
        measures = _without_numbers(run, night, error)
        try:
            write_results(folder, measures, _made(night, {}), None, None)
        except CannotWrite as storing:
            return _outcome(replace(measures, reason=f"{measures.reason}\n{_told(storing, night)}"))
        return _outcome(measures)


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


def _without_numbers(run: Run, night: Night, error: Exception) -> Measures:
    """A run that gave no numbers at all: refused by its picture, or failed by its files."""
    text = _told(error, night)
    refused = isinstance(error, Refused)
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


def _told(error: Exception, night: Night) -> str:
    """What an error says, with paths from the night's folder on, so that it reads the same on any machine."""
    if not isinstance(error, CoverageLabError):
        place = traceback.extract_tb(error.__traceback__)[-1]
        what = f"{type(error).__name__}: {error}".splitlines()[0]
        return f"{what} ({Path(place.filename).name}, line {place.lineno}). This is our mistake: please report it."
    problems = [
        replace(problem, path=problem.path.relative_to(night.folder))
        if problem.path is not None and problem.path.is_relative_to(night.folder)
        else problem
        for problem in error.problems
    ]
    return "\n".join(str(problem) for problem in problems)


def _outcome(measures: Measures) -> Outcome:
    if measures.coverage is None:
        return Outcome(measures.key, measures.verdict, measures.reason or "no free floor is visible", measures)
    low, high = measures.coverage.percent.interval_95
    text = f"{measures.coverage.percent.value:.1f} % of visible floor (95 %: {low:.1f} to {high:.1f})"
    doubts = [f"{remark.code}: {remark.text}" for remark in measures.quality if remark.level == "warning"]
    return Outcome(measures.key, measures.verdict, "; ".join([text, *doubts]), measures)


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
