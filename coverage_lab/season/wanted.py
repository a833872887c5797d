"""What is to be measured of nights: the runs that have no results, or none that still hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coverage_lab.files.night import results_folder
from coverage_lab.job import Run
from coverage_lab.season.jobs import NightJob
from coverage_lab.season.ledger import Look, look


@dataclass(frozen=True, slots=True)
class Wanted:
    """A night and why each of its runs is to be measured; runs whose results hold are not in it."""

    job: NightJob
    reasons: dict[str, str]  # by run id
    touched: dict[str, Mapping[str, list[str | int]]]  # of runs whose results hold, files' new stamps

    @property
    def runs(self) -> tuple[Run, ...]:
        """The runs that are to be measured."""
        return tuple(run for run in self.job.runs if run.id in self.reasons)


def look_through(jobs: tuple[NightJob, ...], *, again: bool = False, verify: bool = False) -> tuple[Wanted, ...]:
    """Return what is to be measured; `again`: everything, `verify`: read every file instead of trusting its stamp."""
    return tuple(look_at(job, job.runs, again, verify) for job in jobs)


def look_at(job: NightJob, runs: tuple[Run, ...], again: bool, verify: bool) -> Wanted:
    """Return what is to be measured of some runs of a night."""
    looks = {
        run.id: Look("again") if again else look(run, job.night, results_folder(job.night, run.id), verify=verify)
        for run in runs
    }
    reasons = {run: one.why for run, one in looks.items() if one.why is not None}
    return Wanted(job, reasons, {run: one.stamps for run, one in looks.items() if one.stamps is not None})


def orphans(job: NightJob) -> tuple[str, ...]:
    """Return the keys of results whose run is no longer among the night's runs; they are kept."""
    names = sorted(path.parent.name for path in job.night.results.glob("*/measures.json"))
    return tuple(f"{job.night.name}/{name}" for name in names if name not in job.ids)
