"""Which runs a night has: from its run sheet `runs.csv`, or, without one, from the names on disk."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from unicodedata import normalize

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.by_clock import Span, frames_in, span_of, wall_moments
from coverage_lab.files.checking import MistakeError, attempt, quoted, suggest
from coverage_lab.files.places import is_junk, locate, natural
from coverage_lab.files.rows import Line, Sheet, read_sheet, run_id
from coverage_lab.files.shelf import RESULTS, Shelf
from coverage_lab.job import Night, Run

_ROBOT_AND_REPEAT = re.compile(r"(.+)-(\d{1,3})")
# Names that cameras count up: DSC_0101, IMG_2231, _MG_0042, P1010001; folders 100MEDIA, 101CANON, DCIM.
_COUNTER = re.compile(
    r"(dsc[fn]?|img|_mg|cimg|pict|mvi|dji|gopr|pxl|p|s)?[-_]?\d{3,}|\d{3}[a-z0-9_]{5}|dcim", re.IGNORECASE
)
_NEVER_A_RUN = re.compile(r"(reference|dark|ambient)([-_ .].*)?", re.IGNORECASE)


@dataclass(slots=True)
class _Reading:
    """A night's runs while they are being read."""

    shelf: Shelf
    path: Path  # what mistakes are told of
    found: list[Problem] = field(default_factory=list)
    taken: dict[tuple[str, Path], str] = field(default_factory=dict)  # who has a frame, by trial
    closed: set[str] = field(default_factory=set)  # runs whose last frame is named
    waiting: dict[str, tuple[Problem, ...]] = field(default_factory=dict)  # what is wrong with each run of no use yet
    moments: dict[Path, datetime] | None = None  # when each picture was begun; read where a row asks for it

    @property
    def night(self) -> Night:
        return self.shelf.night

    def moments_of_pictures(self) -> dict[Path, datetime]:
        """When each of the night's pictures was begun, read once."""
        if self.moments is None:
            self.moments = wall_moments(self.shelf.pictures, self.night.camera)
        return self.moments


@dataclass(frozen=True, slots=True)
class RunsSoFar:
    """The runs of a night whose pictures are still coming in."""

    runs: tuple[Run, ...]  # with the frames that are there
    closed: frozenset[str]  # ids of those whose last frame is named, and there
    absent: tuple[Problem, ...]  # what other runs wait for
    waiting: Mapping[str, tuple[Problem, ...]]  # the same of each of them, by its id


def read_runs(night: Night) -> tuple[Run, ...]:
    """Return the runs of a night that are to be measured, in the order of the sheet, else in natural order.

    Runs with `use` = no and runs that another one replaces are left out. Raises BadInput with every mistake
    found, with row and column, and where there is no run at all.
    """
    reading, runs = _read(night)
    if reading.found:
        raise BadInput(reading.found)
    return runs


def read_runs_so_far(night: Night) -> RunsSoFar:
    """Return the runs of a night some of whose files may not be there yet.

    Raises BadInput with every mistake found if any of them is more than an absent file.
    """
    reading, runs = _read(night)
    if not all(problem.absent for problem in reading.found):
        raise BadInput([problem for problem in reading.found if not problem.absent])
    return RunsSoFar(runs, frozenset(reading.closed), tuple(reading.found), reading.waiting)


def _read(night: Night) -> tuple[_Reading, tuple[Run, ...]]:
    sheet = night.folder / "runs.csv"
    reading = _Reading(Shelf.of(night), sheet if sheet.is_file() else night.folder)
    runs, rows = _runs_of_sheet(reading) if sheet.is_file() else _runs_on_disk(reading)
    if not rows and not reading.found:
        mend = "Name pictures or folders <robot>-<repeat>, or write a row per run into runs.csv"
        reading.found.append(Problem(reading.path, "", "has no run", mend, absent="a run"))
    return reading, tuple(runs)


def _runs_of_sheet(reading: _Reading) -> tuple[list[Run], int]:
    """Return the runs that the sheet names, and how many rows it has."""
    sheet = read_sheet(reading.path, reading.found)
    replaced = _replaced(sheet, reading)
    runs = []
    for line in sheet.lines:
        if not line.row.use or line.row.run in replaced:
            continue
        before = len(reading.found)
        run = _run(line, reading)
        if run is None:
            reading.waiting[line.row.run] = tuple(reading.found[before:])
        else:
            runs.append(run)
    return runs, len(sheet.ids)


def _replaced(sheet: Sheet, reading: _Reading) -> dict[str, str]:
    """Return which runs are replaced, and by which; each by one other run of this sheet."""
    by: dict[str, str] = {}
    for line in sheet.lines:
        run, old = line.row.run, line.row.replaces
        if not old:
            continue
        if old not in sheet.ids:
            wrong = f"{quoted(old)} is no run of this sheet"
            mend = suggest(old, set(sheet.ids) - {run}, "Name the run that it re-shoots")
        elif old in by:
            wrong, mend = f"{old} is already replaced by {by[old]}", f"Write {by[old]} if it is re-shot again"
        elif _leads_to(old, run, by):
            wrong, mend = f"{run} would replace itself", "Only the later run names the earlier one"
        else:
            by[old] = run
            continue
        reading.found.append(Problem(reading.path, line.place("replaces"), wrong, mend))
    return by


def _leads_to(old: str, run: str, by: dict[str, str]) -> bool:
    """Say whether replacing `old` by `run` closes a circle: `run` is `old`, or was itself replaced by it."""
    while run != old and run in by:
        run = by[run]
    return run == old


def _run(line: Line, reading: _Reading) -> Run | None:
    """Return the run of one row; None, and Problems, where it makes no sense."""
    row, night, before = line.row, reading.night, len(reading.found)
    path, found = reading.path, reading.found
    from_id = _ROBOT_AND_REPEAT.fullmatch(row.run)
    robot = attempt(path, line.place("robot"), found, lambda: _robot(row.robot, row.run, night))
    reference = attempt(path, line.place("reference"), found, lambda: _reference(row.reference, night))
    span = attempt(path, line.place("start"), found, lambda: _span(line))
    frames = None
    if len(found) == before or row.frames:
        frames = attempt(path, line.place("frames"), found, lambda: _frames(line, span, reference, reading))
    if robot is None or frames is None or len(found) > before:
        return None
    return Run(
        id=row.run,
        key=f"{night.name}/{row.run}",
        robot=robot,
        repeat=row.repeat if row.repeat is not None or not from_id else int(from_id[2]),
        trial=row.trial,
        frames=frames,
        reference=reference,
        duration_s=_duration_s(row.duration_min, span),
        contact_seen=row.contact_seen or None,
        note=row.note,
        conditions=line.conditions,
    )


def robot_name(name: str, run: str) -> str:
    """Return the robot that a row names in its column `robot`, or, where that is empty, in the id of its run."""
    if not name:
        from_id = _ROBOT_AND_REPEAT.fullmatch(run)
        name = from_id[1] if from_id else run
    return normalize("NFC", name)


def _robot(name: str, run: str, night: Night) -> str:
    """Return the register's name of a run's robot, which the run's id tells if `name` is empty."""
    name = robot_name(name, run)
    if name not in night.robots:
        mend = suggest(name, night.robots, "Name a robot of robots.toml, or add it there")
        raise MistakeError(f"{quoted(name)} is not in the register of robots", mend)
    return name


def _reference(text: str, night: Night) -> Path | None:
    if not text:
        return None
    place = locate(text, night.folder, night.folder)
    if not place.is_file():
        raise MistakeError(f"{quoted(text)} is a folder", "Name a picture")
    return place


def _duration_s(minutes: float | None, span: Span | None) -> float | None:
    if minutes is not None:
        return minutes * 60
    return None if span is None else span.duration_s


def _span(line: Line) -> Span | None:
    """Return the row's time; one end alone says something only where frames are chosen by it, and then not enough."""
    row = line.row
    return None if row.frames and not (row.start and row.end) else span_of(row.start, row.end)


def _frames(line: Line, span: Span | None, reference: Path | None, reading: _Reading) -> tuple[Path, ...]:
    row, shelf = line.row, reading.shelf
    if row.frames or span is None:
        named = row.frames or row.run
        frames, is_last = tuple(path for path in shelf.find(named) if path != reference), shelf.names_last(named)
    else:
        moments = reading.moments_of_pictures()
        frames = frames_in(span, moments, [path for path in shelf.pictures if path != reference])
        for frame in frames:
            shelf.check(frame)
        is_last = max(moments.values()) > max(moments[frame] for frame in frames)
    if not frames:
        raise MistakeError("names only the reference picture", "Name the run's exposures")
    _take(frames, row.trial, row.run, reading)
    if is_last:
        reading.closed.add(row.run)
    return frames


def _take(frames: tuple[Path, ...], trial: str, run: str, reading: _Reading) -> None:
    """Note whose frames these are; a frame that two runs of one kind have was copied into the wrong row."""
    for frame in frames:
        other = reading.taken.setdefault((trial, frame), run)
        if other != run:
            raise MistakeError(f"{quoted(frame.name)} is already a frame of {other}", "Name each run's own frames")


def _runs_on_disk(reading: _Reading) -> tuple[list[Run], int]:
    """Return the runs that folders and pictures stand for by their names, and how many there are."""
    night = reading.night
    names = {path.name: path.stem for path in reading.shelf.inside(night.folder) if _is_loose_run(path.stem)}
    for entry in night.folder.iterdir():
        if entry.is_dir() and _is_folder_of_run(entry, reading.shelf):
            names[entry.name] = entry.name
    ids: dict[str, str] = {}
    runs = []
    for name in sorted(names, key=natural):
        own = names[name]
        if own.casefold() in ids:
            wrong = f"is the same run as {quoted(ids[own.casefold()])}"
            reading.found.append(Problem(reading.path, name, wrong, "Rename one, or write runs.csv"))
        ids.setdefault(own.casefold(), name)
        run = attempt(reading.path, name, reading.found, partial(_named_run, name, own, reading))
        if run is not None:
            runs.append(run)
    return runs, len(names)


def _is_loose_run(stem: str) -> bool:
    return bool(_ROBOT_AND_REPEAT.fullmatch(stem)) and not _is_other(stem)


def _is_folder_of_run(folder: Path, shelf: Shelf) -> bool:
    if is_junk(folder.name) or folder.name == RESULTS or _is_other(folder.name):
        return False
    return folder.is_symlink() or bool(shelf.inside(folder))


def _is_other(name: str) -> bool:
    """Say whether a name is a camera's counter, or that of a picture that every night has."""
    return bool(_COUNTER.fullmatch(name) or _NEVER_A_RUN.fullmatch(name))


def _named_run(name: str, own: str, reading: _Reading) -> Run:
    """Return the run that the file or folder `name` stands for; `own` is its name without ending."""
    night = reading.night
    from_id = _ROBOT_AND_REPEAT.fullmatch(own)
    run = run_id(own)
    if reading.shelf.names_last(name):
        reading.closed.add(run)
    return Run(
        id=run,
        key=f"{night.name}/{run}",
        robot=_robot("", own, night),
        repeat=int(from_id[2]) if from_id else None,
        trial="coverage",
        frames=reading.shelf.find(name),
    )
