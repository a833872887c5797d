"""Measure many runs and keep what was found. A bad run is named and the others go on.

    nights ──► what is not done yet ──► a task per run ──► workers, into staging folders ──► moved into place

Nights follow each other without a pause: workers begin the next while the last runs of one are still under way.
"""

from __future__ import annotations

import secrets
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from coverage_lab.errors import CannotWrite, CoverageLabError, ExitCode, Problem
from coverage_lab.files.night import results_folder
from coverage_lab.files.results import place_results, read_measures
from coverage_lab.files.store import write_file
from coverage_lab.files.summary import write_summary
from coverage_lab.job import Run
from coverage_lab.season.indexing import Indexing
from coverage_lab.season.jobs import NightJob
from coverage_lab.season.ledger import why_measure
from coverage_lab.season.lock import locked
from coverage_lab.season.pool import Here, Pool, processes
from coverage_lab.season.work import Outcome, Shared, Task, fail, outcome_of, share, told_in, without_numbers, work

STAGING = ".staging"


@dataclass(slots=True)
class Summary:
    """What became of a pass over many runs: counts, so that it stays small."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)  # of each night, runs by verdict
    troubles: list[str] = field(default_factory=list)  # what kept a whole night or its summary from being done
    notes: list[str] = field(default_factory=list)  # what went wrong beside, with no harm to results

    def add(self, night: str, verdict: str, runs: int = 1) -> None:
        """Count runs of a night; the verdict "done" is for those whose results still hold."""
        self.counts.setdefault(night, Counter())[verdict] += runs

    @property
    def totals(self) -> Counter[str]:
        """Runs of all nights by verdict."""
        return sum(self.counts.values(), Counter())

    @property
    def exit_code(self) -> ExitCode:
        """0 if every run of this pass was measured, else 1."""
        totals = self.totals
        bad = totals["refused"] or totals["failed"] or self.troubles
        return ExitCode.SOME_FAILED if bad else ExitCode.DONE

    def __str__(self) -> str:
        totals = self.totals
        words = [f"{totals[verdict]} {verdict}" for verdict in ("measured", "refused", "failed")]
        if totals["done"]:
            words.append(f"{totals['done']} done before")
        nothing = totals["done"] == totals.total() and not self.troubles
        return "\n".join([*self.troubles, *self.notes, "nothing new to do" if nothing else ", ".join(words)])


@dataclass(frozen=True, slots=True)
class Wanted:
    """A night and why each of its runs is to be measured; runs whose results hold are not in it."""

    job: NightJob
    reasons: dict[str, str]  # by run id


@dataclass(slots=True, eq=False)
class _Open:
    """A night that is being worked on."""

    job: NightJob
    left: int
    lock: ExitStack


def look_through(jobs: tuple[NightJob, ...], *, again: bool = False, verify: bool = False) -> tuple[Wanted, ...]:
    """Return what is to be measured; `again`: everything, `verify`: read every file instead of trusting its stamp."""
    return tuple(Wanted(job, _reasons(job, job.runs, again, verify)) for job in jobs)


def _reasons(job: NightJob, runs: tuple[Run, ...], again: bool, verify: bool) -> dict[str, str]:
    found = {}
    for run in runs:
        why = "again" if again else why_measure(run, job.night, results_folder(job.night, run.id), verify=verify)
        if why is not None:
            found[run.id] = why
    return found


def crew(workers: int, runs: int) -> tuple[Callable[[], Executor], int]:
    """Return what starts an executor for `runs` runs, and how many to hand out at a time.

    There are no more processes than runs, and none but this one where it would be a single one.
    """
    workers = min(workers, runs)
    return (Here, 1) if workers <= 1 else (partial(processes, workers), 2 * workers)


def measure_all(
    wanted: tuple[Wanted, ...],
    report: Callable[[Outcome], None],
    *,
    start: Callable[[], Executor] = Here,
    in_flight: int = 1,
    again: bool = False,
) -> Summary:
    """Measure what is wanted, store its results, and tell `report` of each run as it is done.

    `start` makes the executor that does the work, with at most `in_flight` runs handed out. Ctrl-C passes through
    after the runs that were begun are stored.
    """
    batch = _Batch(report, again)
    with Pool(work, start, in_flight) as pool:
        try:
            for task, outcome in pool.results(batch.tasks(wanted)):
                batch.finish(task, outcome)
        except KeyboardInterrupt:
            for task, outcome in pool.finished():
                batch.finish(task, outcome)
            raise
        finally:
            batch.close()
    return batch.summary


class _Batch:
    """The parent's side: which nights are open, and what became of their runs."""

    def __init__(self, report: Callable[[Outcome], None], again: bool) -> None:
        self.summary = Summary()
        self._report, self._again = report, again
        self._open: dict[Path, _Open] = {}
        self._indexing = Indexing()

    def tasks(self, wanted: tuple[Wanted, ...]) -> Iterator[Task]:
        """Open night after night and yield its runs; those with one reference frame share its camera."""
        for one in wanted:
            job = one.job
            if len(one.reasons) < len(job.runs):
                self.summary.add(job.night.name, "done", len(job.runs) - len(one.reasons))
            runs = tuple(run for run in job.runs if run.id in one.reasons)
            try:
                runs = self._begin(job, runs)
            except CoverageLabError as error:
                self.summary.troubles.append(f"{job.night.name}: {told_in(error, job.night)}")
                continue
            shared: dict[Path | None, Shared] = {}
            for run in runs:
                reference = run.reference or job.night.reference
                if reference not in shared:
                    night = replace(job.night, reference=reference)
                    shared[reference] = share(night, job.runs, secrets.token_hex(8))
                yield Task(run, job.night, shared[reference], _staging(job) / run.id)

    def _begin(self, job: NightJob, runs: tuple[Run, ...]) -> tuple[Run, ...]:
        """Lock a night and return those of `runs` that no other batch has measured meanwhile."""
        if not runs:
            self._summarise(job)
            return ()
        with ExitStack() as stack:
            stack.enter_context(locked(job.night.folder / "results"))
            left = _reasons(job, runs, self._again, verify=False)
            self.summary.add(job.night.name, "done", len(runs) - len(left))
            shutil.rmtree(_staging(job), ignore_errors=True)  # what a killed batch left
            self._keep_sheet(job)
            self._open[job.night.folder] = _Open(job, len(left), stack.pop_all())
        if not left:
            self._end(job)
        return tuple(run for run in runs if run.id in left)

    def finish(self, task: Task, outcome: Outcome | None) -> None:
        """Move a run's results into place, and close its night after the last one."""
        if outcome is None:
            wrong = "the worker process died twice while it measured this run (killed, or out of memory)"
            error = CoverageLabError(Problem(None, "", wrong, "Free some memory, or measure with fewer workers"))
            outcome = fail(task, error)
        night = task.night
        if outcome.stored:
            try:
                place_results(task.staged, results_folder(night, task.run.id))
                self._indexing.take(results_folder(night, task.run.id))
            except CannotWrite as error:
                outcome = outcome_of(without_numbers(task.run, night, error))
        shutil.rmtree(task.staged, ignore_errors=True)
        self.summary.add(night.name, outcome.verdict)
        self._report(outcome)
        opened = self._open[night.folder]
        opened.left -= 1
        if not opened.left:
            self._end(opened.job)

    def _end(self, job: NightJob) -> None:
        opened = self._open.pop(job.night.folder)
        with opened.lock:
            shutil.rmtree(_staging(job), ignore_errors=True)
            self._summarise(job)

    def _keep_sheet(self, job: NightJob) -> None:
        """Copy the run sheet as it is used now beside the results that follow from it."""
        sheet, kept = job.night.folder / "runs.csv", job.night.folder / "results" / "runs.csv"
        try:
            if sheet.is_file() and not (kept.is_file() and kept.read_bytes() == sheet.read_bytes()):
                write_file(kept, sheet.read_bytes())
        except CoverageLabError as error:
            self.summary.troubles.append(str(error))

    def _summarise(self, job: NightJob) -> None:
        try:
            _write_summary(job.night.folder / "results")
        except CoverageLabError as error:
            self.summary.troubles.append(str(error))

    def close(self) -> None:
        """Give back the nights that were not done to the end, and close the indexes."""
        for opened in self._open.values():
            opened.lock.close()
        self._indexing.close()
        self.summary.notes += self._indexing.notes


def _staging(job: NightJob) -> Path:
    return job.night.folder / "results" / STAGING


def _write_summary(folder: Path) -> None:
    """Write the night's summary from all results that lie there, unless none is newer than it."""
    paths = sorted(folder.glob("*/measures.json"))
    summary = folder / "summary.csv"
    if paths and not (summary.is_file() and _newest_ns(paths) < summary.stat().st_mtime_ns):
        write_summary(folder, [read_measures(path) for path in paths])


def _newest_ns(paths: list[Path]) -> int:
    # A folder's own time stamp changes with each file that is moved into it.
    return max(path.parent.stat().st_mtime_ns for path in paths)


def orphans(job: NightJob) -> tuple[str, ...]:
    """Return the keys of results whose run is no longer among the night's runs; they are kept."""
    names = sorted(path.parent.name for path in (job.night.folder / "results").glob("*/measures.json"))
    return tuple(f"{job.night.name}/{name}" for name in names if name not in job.ids)
