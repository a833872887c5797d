"""Measure many runs and keep what was found. A bad run is named and the others go on.

    nights ──► what is not done yet ──► a task per run ──► workers, into staging folders ──► moved into place

Nights follow each other without a pause: workers begin the next while the last runs of one are still under way.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import BrokenExecutor, Executor
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from coverage_lab.errors import BadInput, CannotWrite, CoverageLabError, Problem
from coverage_lab.files.night import results_folder
from coverage_lab.files.results import place_results, read_measures
from coverage_lab.files.store import make_folder, remove_parts, write_file
from coverage_lab.files.summary import write_summary
from coverage_lab.job import Run
from coverage_lab.season.indexing import Indexing
from coverage_lab.season.jobs import NightJob
from coverage_lab.season.ledger import remember
from coverage_lab.season.lock import Locked, locked
from coverage_lab.season.pool import Here, Pool, processes
from coverage_lab.season.summary import Summary
from coverage_lab.season.wanted import Wanted, look_at
from coverage_lab.season.work import Outcome, Shared, Task, fail, outcome_of, share, told_in, without_numbers, work

STAGING = ".staging"


@dataclass(slots=True, eq=False)
class _Open:
    """A night that is being worked on."""

    job: NightJob
    left: int
    lock: ExitStack


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
    with closing(batch), Pool(work, start, in_flight) as pool:
        try:
            for task, outcome in pool.results(batch.tasks(wanted)):
                batch.finish(task, outcome)
        except KeyboardInterrupt:
            for task, outcome in pool.finished():
                batch.finish(task, outcome)
            raise
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
            try:
                runs = self._begin(one)
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

    def _begin(self, one: Wanted) -> tuple[Run, ...]:
        """Lock a night and return its wanted runs but those that another batch has measured meanwhile."""
        job = one.job
        if len(one.reasons) < len(job.runs):
            self.summary.add(job.night.name, "done", len(job.runs) - len(one.reasons))
        if not one.reasons and not one.touched and _is_closed(job):
            return ()
        with ExitStack() as stack:
            try:
                stack.enter_context(locked(job.night.results))
            except Locked:
                if not one.reasons:
                    return ()  # whoever has it does what is left
                raise
            if _staging(job).exists():  # a batch was killed
                shutil.rmtree(_staging(job), ignore_errors=True)
                remove_parts(job.night.results)
            make_folder(_staging(job))
            left = look_at(job, one.runs, self._again, verify=False)
            self._remember(job, {**one.touched, **left.touched})
            self.summary.add(job.night.name, "done", len(one.reasons) - len(left.reasons))
            self._keep_sheet(job)
            self._open[job.night.folder] = _Open(job, len(left.reasons), stack.pop_all())
        if not left.reasons:
            self._end(job)
        return left.runs

    def finish(self, task: Task, outcome: Outcome | Exception) -> None:
        """Move a run's results into place, and close its night after the last one."""
        if isinstance(outcome, Exception):
            outcome = fail(task, _mendable(outcome))
        night = task.night
        if outcome.stored:
            try:
                place_results(task.staged, results_folder(night, task.run.id))
                if night.elsewhere is None:  # an index is of a season with its nights
                    self._indexing.take(results_folder(night, task.run.id))
            except CannotWrite as error:
                outcome = replace(outcome_of(without_numbers(task.run, night, error)), stored=False)
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
            self._indexing.write()
            self._summarise(job)
            shutil.rmtree(_staging(job), ignore_errors=True)  # last: as long as it is there, the night is not closed

    def _remember(self, job: NightJob, touched: Mapping[str, Mapping[str, list[str | int]]]) -> None:
        """Write down new stamps of files that did not change; where that can't be, they are read again next time."""
        with suppress(CannotWrite):
            for run, stamps in touched.items():
                remember(results_folder(job.night, run), stamps)

    def _keep_sheet(self, job: NightJob) -> None:
        """Copy the run sheet as it is used now beside the results that follow from it."""
        sheet, kept = job.night.folder / "runs.csv", job.night.results / "runs.csv"
        try:
            if sheet.is_file() and not (kept.is_file() and kept.read_bytes() == sheet.read_bytes()):
                write_file(kept, sheet.read_bytes())
        except CoverageLabError as error:
            self.summary.troubles.append(str(error))

    def _summarise(self, job: NightJob) -> None:
        """Write the night's summary from all results that lie there."""
        folder = job.night.results
        runs = []
        for path in folder.glob("[!.]*/measures.json"):
            try:
                runs.append(read_measures(path))
            except BadInput as error:
                self.summary.troubles.append(str(error))
        try:
            if runs:
                write_summary(folder, runs)
        except CannotWrite as error:
            self.summary.troubles.append(str(error))

    def close(self) -> None:
        """Give back the nights that were not done to the end, and close the indexes."""
        for opened in tuple(self._open.values()):
            self._end(opened.job)
        self._indexing.close()
        self.summary.notes += self._indexing.notes


def _mendable(error: Exception) -> Exception:
    """Say what to do about a worker that died, which nobody can tell the reason of."""
    if not isinstance(error, BrokenExecutor):
        return error
    wrong = "the worker process died twice while it measured this run (killed, or out of memory)"
    return CoverageLabError(Problem(None, "", wrong, "Free some memory, or measure with fewer workers"))


def _staging(job: NightJob) -> Path:
    return job.night.results / STAGING


def _is_closed(job: NightJob) -> bool:
    """Say whether the last pass over a night came to its end; time stamps would mislead once the clock was set back."""
    return not _staging(job).exists() and (job.night.results / "summary.csv").is_file()
