"""Start a night on disk from the register and the night before it; nothing that is there is ever overwritten."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from statistics import median

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import suggest
from coverage_lab.files.newnight import blank_sheet, carried_night, first_night
from coverage_lab.files.night import find_nights, read_night, results_folder
from coverage_lab.files.results import read_measures
from coverage_lab.files.robots import read_robots
from coverage_lab.files.rows import read_sheet
from coverage_lab.files.sheet import read_runs_so_far
from coverage_lab.files.shelf import pictures_below
from coverage_lab.files.store import write_files
from coverage_lab.frames.stamps import moment_of, read_exif
from coverage_lab.job import Night, Robot, Run
from coverage_lab.season.newnight import Effort, Planned, Taken, Usual, runs_by_pauses
from coverage_lab.show.night_page import NightPage, night_page

PAGE = "night.html"
_PICTURES = {
    "reference": "lights on, the markers clear to see, no robot on the floor",
    "dark": "lens capped, the exposure's settings",
    "ambient": "lights off, no robot, the exposure's settings",
    "reference_after": "the same again after the last run, to see whether the camera moved",
}


@dataclass(frozen=True, slots=True)
class Before:
    """What an earlier night hands down."""

    night: Night | None = None
    table: str = ""  # night.toml to be
    copies: tuple[Path, ...] = ()  # room and lens, where they lie in the night, and its own register
    conditions: tuple[str, ...] = ()  # columns of its sheet
    usual: Usual = field(default_factory=Usual)


def night_before(folder: Path) -> Before:
    """Return what the last night beside `folder` hands down; nothing but a blank table if there is none.

    Raises BadInput where that night's own file makes no sense.
    """
    night = last_night(folder)
    if night is None:
        return Before(table=first_night())
    register = night.folder / "robots.toml"
    named = [path for path in (night.room, night.lens) if path is not None and path.is_relative_to(night.folder)]
    return Before(
        night=night,
        table=carried_night(night.folder / "night.toml"),
        copies=(*named, *([register] if register.is_file() else [])),
        conditions=_conditions(night.folder / "runs.csv"),
        usual=usual_of(night),
    )


def last_night(folder: Path) -> Night | None:
    """Return the last night beside `folder` whose pictures are there; others are no more than planned yet."""
    try:
        others = [night for night in find_nights(folder.resolve().parent) if night.resolve() != folder.resolve()]
    except BadInput:
        return None  # the season's first night
    for other in reversed(others):
        try:
            return read_night(other)
        except BadInput as error:
            if not all(problem.absent for problem in error.problems):
                raise
    return None


def robots_for(folder: Path, before: Before, wanted: Sequence[str]) -> tuple[Robot, ...]:
    """Return the robots that are to drive: those `wanted`, or all of the register. Raises BadInput."""
    found: list[Problem] = []
    known: Mapping[str, Robot] = before.night.robots if before.night else read_robots(folder.resolve(), {}, None, found)
    unknown = [name for name in wanted if name not in known]
    if not found and unknown:
        mend = suggest(unknown[0], known, "Add it to robots.toml")
        found.append(Problem(None, "--robots", f"{unknown[0]!r} is not in the register of robots", mend))
    if found:
        raise BadInput(found)
    return tuple(known[name] for name in dict.fromkeys(wanted or known))


def proposed_runs(pictures: Path, folder: Path, before: Before) -> tuple[Planned, ...]:
    """Return the runs that the pauses between a card's pictures tell of; names are as they will be in the night.

    Raises BadInput where there are no pictures.
    """
    source = before.night.camera.source if before.night else "jpeg"
    found = pictures_below(pictures, source) if pictures.is_dir() else ()
    if not found:
        raise BadInput(Problem(pictures, "--from", "there are no pictures in it", "Name the card's folder"))
    inside = pictures.resolve().is_relative_to(folder.resolve())
    top = folder.resolve() if inside else pictures.resolve()
    taken = []
    for path in found:
        exif = read_exif(path)
        moment = moment_of(exif.taken) if exif else None
        name = path.resolve().relative_to(top).with_suffix("").as_posix()
        # Offsets from UTC are left aside: a camera writes them for all its pictures or for none.
        taken.append(Taken(name, moment and moment.replace(tzinfo=None), exif.exposure_s if exif else None))
    return runs_by_pauses(taken)


def start_night(folder: Path, before: Before, rows: Sequence[Planned], page: NightPage | None) -> tuple[Path, ...]:
    """Write the papers of a night and return them: night.toml, runs.csv, a page to print, copies of room and lens.

    Raises BadInput, and writes nothing, if any of them is there already; CannotWrite.
    """
    sheet = [{**asdict(row), "use": "" if row.use else "no"} for row in rows]
    contents = {
        folder / "night.toml": before.table.encode(),
        folder / "runs.csv": blank_sheet(sheet, before.conditions),
    }
    if page is not None:
        contents[folder / PAGE] = night_page(page).encode()
    for path in before.copies:
        assert before.night is not None
        contents[folder / path.relative_to(before.night.folder)] = path.read_bytes()
    there = [path for path in contents if path.exists()]
    if there:
        mend = "Choose another folder, or move the file away"
        raise BadInput([Problem(path, "", "is there already", mend) for path in there])
    write_files(contents)
    return tuple(contents)


def page_of(
    folder: Path, before: Before, rows: Sequence[Planned], robots: Sequence[Robot], takes: Effort, order: str
) -> NightPage:
    """Return what is printed of the night."""
    night = before.night
    named = {key: getattr(night, key) if night else None for key in _PICTURES}
    pictures = [(path.name, _PICTURES[key]) for key, path in named.items() if path is not None]
    height_m = night.camera.height_m if night else None
    return NightPage(
        night=folder.resolve().name,
        order=order,
        runs=[(row.run, row.robot, row.repeat) for row in rows],
        pictures=pictures or [("reference.jpg", _PICTURES["reference"])],
        height="unknown" if height_m is None else f"{height_m * 1000:g} mm",
        effort=[("Runs", str(len(rows))), *effort_lines(takes, folder)],
        robots=[(one.name, f"{one.bar.nozzle_m * 1000:g} mm", f"{one.bar.height_m * 1000:g} mm") for one in robots],
    )


def effort_lines(takes: Effort, folder: Path) -> list[tuple[str, str]]:
    """Return what a night takes, in words; what nothing tells is said to be unknown."""
    unknown = "not known: no night before tells"
    place = next(parent for parent in (folder.resolve(), *folder.resolve().parents) if parent.is_dir())
    free = shutil.disk_usage(place).free
    size = unknown
    if takes.size_bytes is not None:
        short = ": NOT ENOUGH" if takes.size_bytes > free else ""
        size = f"{size_text(takes.size_bytes)} of {size_text(free)} free{short}"
    hours = (
        "not known: give --minutes" if takes.drive_s is None else f"{takes.drive_s / 3600:.1f} h, and the time between"
    )
    frames = unknown if takes.frames is None else f"about {takes.frames}"
    return [("Frames", frames), ("Disk space", size), ("Driving", hours)]


def size_text(size_bytes: int) -> str:
    """Return a size as people read it."""
    return f"{size_bytes / 1e9:.1f} GB" if size_bytes >= 1e9 else f"{size_bytes / 1e6:.0f} MB"


def _conditions(sheet: Path) -> tuple[str, ...]:
    if not sheet.is_file():
        return ()
    lines = read_sheet(sheet, []).lines
    return tuple(dict.fromkeys(name for line in lines for name in line.conditions))


def usual_of(night: Night) -> Usual:
    """Return what a run took that night; nothing if its sheet makes no sense any more."""
    try:
        runs = read_runs_so_far(night).runs
    except BadInput:
        return Usual()
    sizes = [frame.stat().st_size for run in runs for frame in run.frames if frame.is_file()]
    durations_s = [duration_s for run in runs if (duration_s := _duration_s(run, night)) is not None]
    return Usual(
        frames=median(len(run.frames) for run in runs) if runs else None,
        frame_bytes=median(sizes) if sizes else None,
        duration_s=median(durations_s) if durations_s else None,
    )


def _duration_s(run: Run, night: Night) -> float | None:
    """How long a run lasted: as it was measured, else as the sheet says."""
    try:
        time = read_measures(results_folder(night, run.id) / "measures.json")["time"]
    except BadInput:
        return run.duration_s
    measured = time.get("duration_s") if isinstance(time, dict) else None
    return run.duration_s if measured is None else float(measured)
