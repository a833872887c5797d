"""From the paths a user gives to the runs that are to be measured; every mistake in their files at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from coverage_lab.camera.places import check_enough
from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import quoted, suggest
from coverage_lab.files.contacts import trial_problems
from coverage_lab.files.night import find_nights, read_night
from coverage_lab.files.places import folded
from coverage_lab.files.room import read_room
from coverage_lab.files.sheet import RunsSoFar, read_runs, read_runs_so_far
from coverage_lab.job import Night, Run
from coverage_lab.room.room import Room


@dataclass(frozen=True, slots=True)
class NightJob:
    """A night and those of its runs that are asked for."""

    night: Night
    runs: tuple[Run, ...]
    ids: frozenset[str]  # of all runs of the night


def find_jobs(paths: Sequence[Path], results: Path | None = None) -> tuple[NightJob, ...]:
    """Return the nights and runs at `paths`: seasons, nights, or NIGHT/RUN (also a run's frame or folder).

    Everything that people wrote is read here, so that nothing is measured before it all makes sense. Where runs are
    named, the pictures of the night's others may still be missing: the night may have only begun. Results go to a
    folder for each night below `results` instead of the nights. Raises BadInput with every mistake in every night.
    """
    wanted: dict[Path, set[str] | None] = {}
    for path in paths:
        night, run = _night_and_run(path)
        for folder in (night,) if run is not None else find_nights(night):
            chosen = wanted.setdefault(folder.resolve(), set())
            wanted[folder.resolve()] = None if run is None or chosen is None else chosen | {run}
    jobs: list[NightJob] = []
    problems: list[Problem] = []
    for folder, names in wanted.items():
        try:
            jobs.append(_job(folder, names))
        except BadInput as error:
            problems += error.problems
    if problems:
        raise BadInput(problems)
    return tuple(jobs if results is None else _stored_below(results.resolve(), jobs))


def _stored_below(results: Path, jobs: Sequence[NightJob]) -> list[NightJob]:
    """Return the jobs with a folder for each night below `results`. Raises BadInput where two would share one."""
    usual, count = Counter(folded(job.night.name) for job in jobs).most_common(1)[0]
    if count > 1:
        wrong = f"would hold the results of {count} nights called {quoted(usual)}"
        raise BadInput(Problem(results, "--results", wrong, "Measure them apart, each into a folder of its own"))
    return [replace(job, night=replace(job.night, elsewhere=results / job.night.name)) for job in jobs]


def _night_and_run(path: Path) -> tuple[Path, str | None]:
    """Split NIGHT/RUN; a path that is itself a night or a season has no run."""
    parent = path.resolve().parent
    if (parent / "night.toml").is_file() and not (path / "night.toml").is_file():
        return parent, path.name
    return path, None


def job_so_far(folder: Path) -> tuple[NightJob, RunsSoFar]:
    """Return what there is to measure in a night whose files are still coming in, and what its runs wait for.

    Raises BadInput with every mistake; one that is only an absent file says so in `Problem.absent`.
    """
    night = read_night(folder)
    so_far = _runs_in_room(night, read_runs_so_far)
    return NightJob(night, so_far.runs, _ids(so_far)), so_far


def _job(folder: Path, names: set[str] | None) -> NightJob:
    night = read_night(folder)
    found = _runs_in_room(night, _all_there if names is None else read_runs_so_far)
    chosen = found.runs if names is None else _chosen(night, found, names)
    return NightJob(night, chosen, _ids(found))


def _ids(found: RunsSoFar) -> frozenset[str]:
    return frozenset(run.id for run in found.runs) | found.waiting.keys()


def _all_there(night: Night) -> RunsSoFar:
    return RunsSoFar(read_runs(night), frozenset(), (), {})


def _runs_in_room(night: Night, read: Callable[[Night], RunsSoFar]) -> RunsSoFar:
    """Return what `read` gives, of a night whose room and runs make sense together.

    Raises BadInput with the mistakes of both.
    """
    problems: list[Problem] = []
    room, found = None, None
    try:
        room = _room(night)
    except BadInput as error:
        problems += error.problems
    try:
        found = read(night)
    except BadInput as error:
        problems += error.problems
    if room is not None and found is not None:
        problems += [problem for run in found.runs for problem in trial_problems(run, night, room)]
    if problems or found is None:
        raise BadInput(problems)
    return found


def _room(night: Night) -> Room:
    """The night's room, which must describe enough for the camera to be found."""
    room = read_room(night.room)
    try:
        check_enough(len(room.markers) if night.reference else 0, len(night.camera.corners))
    except BadInput as error:
        raise BadInput([replace(problem, path=night.room) for problem in error.problems]) from None
    return room


def _chosen(night: Night, found: RunsSoFar, names: set[str]) -> tuple[Run, ...]:
    """The runs called `names`: by id, or by the name of their frame or folder."""
    by_name = {name: run for run in found.runs for name in (*(frame.name for frame in run.frames), run.id)}
    not_there = sorted(names - set(by_name))
    problems = [problem for name in not_there for problem in found.waiting.get(name, ())]
    unknown = [name for name in not_there if name not in found.waiting]
    if unknown:
        mend = suggest(unknown[0], _ids(found), "Name a run of the night's sheet")
        problems.append(Problem(night.folder, unknown[0], "is no run of this night", mend))
    if problems:
        raise BadInput(problems)
    ids = {by_name[name].id for name in names}
    return tuple(run for run in found.runs if run.id in ids)
