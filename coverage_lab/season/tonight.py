"""What is planned for a night: which robots drive, what is there already, and whether the rest fits on the disk."""

from __future__ import annotations

import shutil
from collections.abc import Collection
from dataclasses import dataclass

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import quoted
from coverage_lab.files.rows import read_sheet
from coverage_lab.files.sheet import read_runs_so_far, robot_name
from coverage_lab.job import Night, Run
from coverage_lab.season.carry import last_night, size_text, usual_of
from coverage_lab.season.newnight import Usual, effort
from coverage_lab.show.room_check import CheckLine


@dataclass(frozen=True, slots=True)
class Tonight:
    """The runs of a night as far as anybody knows them."""

    robots: tuple[str, ...]  # that drive: those of the sheet, else of the runs there are, else of the register
    still_to_come: int | None  # runs whose frames are not there yet; None without a sheet
    there: tuple[Run, ...]  # runs with frames


def tonight(night: Night, unmeasured: Collection[str]) -> Tonight:
    """Return what is planned; `unmeasured` names robots that the register knows without their bar.

    Raises BadInput where the sheet makes no sense, or names a robot that the register does not know at all.
    """
    sheet = night.folder / "runs.csv"
    if not sheet.is_file():
        there = read_runs_so_far(night).runs if not unmeasured else ()
        robots = dict.fromkeys(run.robot for run in there) or dict.fromkeys((*night.robots, *unmeasured))
        return Tonight(tuple(robots), None, there)
    found: list[Problem] = []
    lines = [line for line in read_sheet(sheet, found).lines if line.row.use]
    named = [robot_name(line.row.robot, line.row.run) for line in lines]
    for line, name in zip(lines, named, strict=True):
        if name not in night.robots and name not in unmeasured:
            wrong = f"{quoted(name)} is not in the register of robots"
            found.append(Problem(sheet, line.place("robot"), wrong, "Name a robot of robots.toml, or add it there"))
    if found:
        raise BadInput(found)
    robots = dict.fromkeys(named)
    there = () if any(name in unmeasured for name in robots) else read_runs_so_far(night).runs
    return Tonight(tuple(robots), len(lines) - len(there), there)


def first_runs(plan: Tonight) -> tuple[Run, ...]:
    """Return the first run of each robot that has frames."""
    first: dict[str, Run] = {}
    for run in plan.there:
        first.setdefault(run.robot, run)
    return tuple(first.values())


def disk_line(night: Night, plan: Tonight) -> CheckLine:
    """Return whether the disk has room for the frames to come.

    A frame is as large, and a run has as many, as those that are there or those of the night before; else a run is one
    frame as large as the reference.
    """
    free = shutil.disk_usage(night.folder).free
    if plan.still_to_come is None:
        value = f"{size_text(free)} free; without runs.csv nobody knows how many frames come"
        mend = "Write the night's runs into runs.csv (coverage-lab night new)."
        return CheckLine("disk space", value, "", "look", mend)
    if plan.still_to_come == 0:
        return CheckLine("disk space", f"{size_text(free)} free; no run to come", "", "go")
    usual, basis = _usual(night)
    takes = effort(plan.still_to_come, usual, None)
    need = takes.size_bytes or 0
    value = f"{size_text(free)} free; {plan.still_to_come} runs to come, {takes.frames or 0} frames {basis}"
    limit = f"≥ {size_text(need)}"
    mend = "" if free > need else "Make room on this disk, or keep the season on another one."
    return CheckLine("disk space", value, limit, "go" if free > need else "no-go", mend)


def _usual(night: Night) -> tuple[Usual, str]:
    """Return what a run takes, and where that is known from."""
    own = usual_of(night)
    if own.frames:
        return own, "as those there are"
    before = last_night(night.folder)
    if before is not None and (usual := usual_of(before)).frames:
        return usual, f"as in {before.name}"
    size = night.reference.stat().st_size if night.reference else None
    return Usual(frames=1, frame_bytes=size), "at the least, as large as the reference"
