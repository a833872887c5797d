"""What a pass would measure, and with what, before anything is measured."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from coverage_lab.job import Night, Robot, Run
from coverage_lab.season.wanted import Wanted

_MISSING = {
    "lens": "no lens file: focal length and distortion are fitted to the markers",
    "dark": "no dark frame",
    "ambient": "no ambient frame",
    "reference_after": "no second reference frame: a camera that moved is not noticed",
}


def preview(wanted: Wanted) -> Iterator[str]:
    """Yield lines that say what would be measured of a night, why, with which files, and what is missing."""
    night, runs = wanted.job.night, wanted.job.runs
    yield f"{night.name}: {len(wanted.reasons)} of {len(runs)} runs to measure"
    yield f"  room: {_place(night.room, night)}"
    for name in ("reference", *_MISSING):
        path = getattr(night, name)
        if path is not None:
            yield f"  {name.replace('_', ' ')}: {_place(path, night)}"
    if night.camera.height_m is None:
        yield "  missing: camera height by tape"
    yield from (f"  missing: {told}" for name, told in _MISSING.items() if getattr(night, name) is None)
    yield from (_line(run, night, wanted.reasons[run.id]) for run in runs if run.id in wanted.reasons)


def _line(run: Run, night: Night, why: str) -> str:
    frames = ", ".join(_place(path, night) for path in run.frames[:1])
    more = f" and {len(run.frames) - 1} more" if len(run.frames) > 1 else ""
    gone = [_place(path, night) for path in run.frames if not path.is_file() or not path.stat().st_size]
    missing = f"; missing or empty: {', '.join(gone)}" if gone else ""
    return f"  {run.key}: {why}; {_robot(night.robots[run.robot])}; {frames}{more}{missing}"


def _robot(robot: Robot) -> str:
    return f"{robot.name} (nozzle {robot.bar.nozzle_m * 1000:g} mm, bar at {robot.bar.height_m * 1000:g} mm)"


def _place(path: Path, night: Night) -> str:
    season = night.folder.parent
    return path.relative_to(night.folder if path.is_relative_to(night.folder) else season).as_posix()
