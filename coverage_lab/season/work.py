"""One run's share of a batch: measure it and write its results into a staging folder. Runs in a worker process."""

from __future__ import annotations

import platform
import shutil
import time
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import scipy
import shapely

from coverage_lab import __version__
from coverage_lab.camera.landmarks import landmarks
from coverage_lab.errors import CannotWrite, CoverageLabError, Problem, Refused
from coverage_lab.files.results import PlanArrays, write_results
from coverage_lab.frames.read import read_frame
from coverage_lab.job import Night, Quality, Run
from coverage_lab.measures.values import Measures
from coverage_lab.run import MeasuredRun, measure
from coverage_lab.season import ledger
from coverage_lab.season.draw import draw_all
from coverage_lab.setting import SetUp, set_up

LIBRARIES = (cv2, np, scipy, shapely)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one run."""

    key: str
    verdict: str  # measured, refused or failed
    text: str  # coverage with its interval and what is doubtful, or the reason
    measures: Measures
    stored: bool = True  # whether results were written
    digest: str | None = None  # over all that decided the numbers, as in made.json
    seconds: float = 0.0  # of a worker's time


@dataclass(frozen=True, slots=True)
class Shared:
    """What a night's runs share, small enough to be sent with each of them; known by its `token`."""

    token: str
    # The set-up without its dark and ambient frames and landmarks; or why there is none.
    setting: SetUp | CoverageLabError = field(compare=False)
    stamps: Mapping[str, list[str | int]] = field(compare=False)  # of the shared files, from before they were read


@dataclass(frozen=True, slots=True)
class Task:
    """One run to be measured."""

    run: Run
    night: Night
    shared: Shared
    staged: Path  # a fresh folder on the disk of the results


def share(night: Night, runs: tuple[Run, ...], token: str) -> Shared:
    """Fit the night's camera once for all workers. `night.reference` is that of these runs."""
    stamps = ledger.stamps(ledger.sources(replace(runs[0], frames=(), reference=None), night), night)
    try:
        setting = set_up(night, runs)
    except CoverageLabError as error:
        return Shared(token, error, stamps)
    except Exception as error:  # a mistake of ours: this night is named, and the others go on
        return Shared(token, CoverageLabError(unexpected(error)), stamps)
    return Shared(token, replace(setting, dark=None, ambient=None, landmarks=None), stamps)


def work(task: Task) -> Outcome:
    """Measure a run and write what was found into `task.staged`; whatever goes wrong is in the outcome."""
    run, night, began = task.run, task.night, time.monotonic()
    files = ledger.sources(run, night)
    stamps = {**ledger.stamps(files, night), **task.shared.stamps}
    _empty(task.staged)
    try:
        measured = measure(run, _whole(task.shared))
        sha256 = _as_decoded(files, measured.digests)
        made = _made(run, night, sha256, {name: stamps[name] for name in files if name in stamps})
        _check_there(night)
        failed = _store(measured, made, task.staged)
        outcome = outcome_of(measured.measures, made["digest"])
        missing = [f"{name} could not be made ({why})" for name, why in failed.items()]
        outcome = replace(outcome, text="; ".join([outcome.text, *missing]))
    except CannotWrite as error:
        outcome = replace(outcome_of(without_numbers(run, night, error)), stored=False)
    except Exception as error:  # a mistake of ours: it is named, and the other runs go on
        outcome = fail(task, error)
    return replace(outcome, seconds=time.monotonic() - began)


def fail(task: Task, error: Exception) -> Outcome:
    """Write why a run gave no numbers into `task.staged`."""
    run, night = task.run, task.night
    measures = without_numbers(run, night, error)
    files = ledger.sources(run, night)
    stamps = {**ledger.stamps(files, night), **task.shared.stamps}
    made = _made(run, night, ledger.contents(files, stamps, {}, verify=False), stamps)
    facts = {"verdict": measures.verdict, "files": ["measures.json"]}
    _empty(task.staged)
    try:
        _check_there(night)
        write_results(task.staged, measures, made | facts, None, {})
    except CannotWrite as storing:
        told = replace(measures, reason=f"{measures.reason}\n{told_in(storing, night)}")
        return replace(outcome_of(told), stored=False)
    return outcome_of(measures, made["digest"])


def _empty(staged: Path) -> None:
    """Take away what a worker left that died over this run: pictures of it must not stay beside other numbers."""
    shutil.rmtree(staged, ignore_errors=True)


@lru_cache(maxsize=1)
def _whole(shared: Shared) -> SetUp:
    """Return the set-up with its large frames; kept, with the floor laid out last, until another night comes."""
    setting = shared.setting
    if isinstance(setting, CoverageLabError):
        raise setting
    night = setting.night
    dark, ambient = (None if path is None else read_frame(path) for path in (night.dark, night.ambient))
    # A new reading of the reference frame is cheaper than its landmarks sent with every run.
    standing = (
        None if night.reference is None else landmarks(read_frame(night.reference).light, setting.camera.fit.camera)
    )
    return replace(setting, dark=dark, ambient=ambient, landmarks=standing, last_plan={})


def _as_decoded(files: Mapping[str, Path], digests: Mapping[str, str]) -> dict[str, str]:
    """Return each file's SHA-256: of pictures as decoded, of the small files that people write as they are."""
    read = {name: digests.get(name) or ledger.content_sha256(path) for name, path in files.items()}
    return {name: sha256 for name, sha256 in read.items() if sha256 is not None}


def _check_there(night: Night) -> None:
    # Storing makes folders: it would set up a night anew that was renamed or deleted meanwhile.
    if not night.folder.is_dir():
        raise CannotWrite(Problem(None, "", "the night's folder is gone", "Put it back and measure again"))


def _store(measured: MeasuredRun, made: Mapping[str, Any], folder: Path) -> Mapping[str, str]:
    """Draw and store a run; return which pictures could not be made, and why."""
    plan, swept = measured.plan, measured.swept
    arrays = (
        None
        if swept is None
        else PlanArrays(
            plan.grid,
            swept.share,
            plan.free_share,
            plan.hidden_share,
            plan.reachable_share,
            first_swept=measured.first_swept,
            bridged=measured.bridged,
            smeared=measured.smeared,
        )
    )
    timing = measured.measures.timing
    there = {
        "plan.npz": arrays is not None,
        "pockets.geojson": measured.measures.pockets is not None,
        "growth.csv": timing is not None and bool(timing.growth),
        "track.csv": measured.track is not None,
    }
    drawn = draw_all(measured, arrays)
    files = ["measures.json", *drawn.pictures, *(name for name, is_there in there.items() if is_there)]
    facts = {"verdict": measured.measures.verdict, "files": files, "not_drawn": dict(drawn.failed)}
    write_results(folder, measured.measures, {**made, **facts}, arrays, drawn.pictures, measured.track)
    return drawn.failed


def without_numbers(run: Run, night: Night, error: Exception) -> Measures:
    """A run that gave no numbers at all: refused by its picture, or failed by its files."""
    text = told_in(error, night)
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


def told_in(error: Exception, night: Night) -> str:
    """What an error says, with paths from the night's folder on, so that it reads the same on any machine."""
    if not isinstance(error, CoverageLabError):
        return str(unexpected(error))
    return "\n".join(str(_from_night(problem, night)) for problem in error.problems)


def unexpected(error: Exception) -> Problem:
    """Return a mistake of ours as what a user is told of it, with its place."""
    what = f"{type(error).__name__}: {error}".splitlines()[0]
    for place in traceback.extract_tb(error.__traceback__)[-1:]:  # what a worker could not send has none
        what += f" ({Path(place.filename).name}, line {place.lineno})"
    return Problem(None, "", what, "This is our mistake: please report it")


def _from_night(problem: Problem, night: Night) -> Problem:
    if problem.path is None or not problem.path.is_relative_to(night.folder):
        return problem
    return replace(problem, path=problem.path.relative_to(night.folder))


def outcome_of(measures: Measures, digest: str | None = None) -> Outcome:
    """Return what is told of a run when it is done."""
    if measures.coverage is None:
        text = measures.reason or "no free floor is visible"
        return Outcome(measures.key, measures.verdict, text, measures, digest=digest)
    low, high = measures.coverage.percent.interval_95
    text = f"{measures.coverage.percent.value:.1f} % of visible floor (95 %: {low:.1f} to {high:.1f})"
    doubts = [f"{remark.code}: {remark.text}" for remark in measures.quality if remark.level == "warning"]
    return Outcome(measures.key, measures.verdict, "; ".join([text, *doubts]), measures, digest=digest)


def _made(run: Run, night: Night, sha256: Mapping[str, str], stamps: Mapping[str, list[str | int]]) -> dict[str, Any]:
    """How a result came about; facts of this run of the program, so not part of the measures."""
    decides = ledger.decided_by(run, night, sha256)
    return {
        "schema": ledger.MADE_SCHEMA,
        "made_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "host": platform.node(),
        "coverage_lab": __version__,
        "python": platform.python_version(),
        "libraries": {library.__name__: library.__version__ for library in LIBRARIES},
        "digest": ledger.digest(decides),
        "stamps": dict(stamps),
        **decides,
    }
