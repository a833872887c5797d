"""Read what holds for a whole night, `night.toml`, and find nights on disk.

Lengths in the file are millimetres and their keys say so; the values returned are SI.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import (
    MistakeError,
    Strict,
    check,
    field_name,
    length_mm,
    quoted,
    read_toml,
    suggest,
)
from coverage_lab.files.places import collisions, is_junk, leaves, locate, natural
from coverage_lab.files.robots import read_robots, without_bar
from coverage_lab.job import CameraSetup, Night, PickedCorner, Settings

_FEWEST_CORNERS = 4  # a pose needs three points, and one more to notice a mistake
_LONGEST_ROOM_M = 30.0
_PICTURES = ("reference", "reference_after", "dark", "ambient")


def _timezone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        mend = suggest(name, available_timezones(), 'Write it like "Europe/Paris"')
        raise MistakeError(f"{quoted(name)} is not a time zone", mend) from None
    return name


class _Corner(Strict):
    pixel: Annotated[list[float], Field(min_length=2, max_length=2)]
    floor_mm: Annotated[list[float], Field(min_length=2, max_length=2)]


class _Camera(Strict):
    source: Literal["jpeg", "raw"] = "jpeg"
    height_mm: Annotated[float, length_mm(1000, 10000)] | None = None
    height_tolerance_mm: Annotated[float, length_mm(1, 500, zero=True)] | None = None
    clock_offset_s: float = 0.0
    timezone: Annotated[str, AfterValidator(_timezone)] | None = None
    corners: list[_Corner] = Field(default_factory=list)

    def setup(self) -> CameraSetup:
        corners = tuple(
            PickedCorner((corner.pixel[0], corner.pixel[1]), (corner.floor_mm[0] / 1000, corner.floor_mm[1] / 1000))
            for corner in self.corners
        )
        return CameraSetup(
            source=self.source,
            height_m=_metres(self.height_mm),
            height_tolerance_m=_metres(self.height_tolerance_mm),
            clock_offset_s=self.clock_offset_s,
            timezone=self.timezone,
            corners=corners,
        )


class _Settings(Strict):
    cell_mm: Annotated[float, length_mm(0.5, 10)] | None = None
    smallest_pocket_mm: Annotated[float, length_mm(5, 500)] | None = None
    edge_step_mm: Annotated[float, length_mm(1, 100)] | None = None

    def settings(self) -> Settings:
        given = self.model_dump(exclude_none=True)
        return Settings(**{f"{key.removesuffix('_mm')}_m": value / 1000 for key, value in given.items()})


class _NightTable(Strict):
    room: str = "room.geojson"
    reference: str | None = None
    reference_after: str | None = None
    lens: str | None = None
    dark: str | None = None
    ambient: str | None = None
    camera: _Camera = _Camera()
    settings: _Settings = _Settings()
    robot: dict[str, Any] = Field(default_factory=dict)  # `read_robots` checks it


def _metres(length: float | None) -> float | None:
    return None if length is None else length / 1000


def read_night(folder: Path) -> Night:
    """Return what `night.toml` in `folder` says, with the robots that it and the register describe.

    The season is the parent of the night; no path may leave it. Raises BadInput with every mistake found.
    """
    night, unmeasured = read_night_to_be(folder)
    if unmeasured:
        raise BadInput([problem for problems in unmeasured.values() for problem in problems])
    return night


def read_night_to_be(folder: Path) -> tuple[Night, Mapping[str, tuple[Problem, ...]]]:
    """Return a night, and by name the robots whose bar nobody has measured yet, with the keys they lack.

    Before the night that is no mistake: the night is returned without them. Raises BadInput with every other mistake.
    """
    folder = Path(folder).resolve()
    path = folder / "night.toml"
    data = read_toml(path, _mend_missing(folder))
    found: list[Problem] = []
    table = check(_NightTable, data, path, "", found)
    override = data.get("robot", {})
    camera_mm = table.camera.height_mm if table else None
    robots = read_robots(folder, override if isinstance(override, dict) else {}, camera_mm, found)
    unmeasured = without_bar(found)
    files = _files(folder, path, data, found)
    if table is not None:
        found.extend(_doubts(path, table))
    found.extend(_links(_places(folder), folder.parent))
    if table is None or len(found) > sum(map(len, unmeasured.values())):
        raise BadInput(found)
    night = Night(
        folder=folder,
        name=folder.name,
        room=files["room"],
        reference=files.get("reference"),
        reference_after=files.get("reference_after"),
        lens=files.get("lens"),
        dark=files.get("dark"),
        ambient=files.get("ambient"),
        camera=table.camera.setup(),
        settings=table.settings.settings(),
        robots=robots,
    )
    return night, unmeasured


def _mend_missing(folder: Path) -> str:
    """Say what to do where `folder` holds no night.toml: it may be the season."""
    nights = sorted((path.parent.name for path in folder.glob("*/night.toml")), key=natural)
    if nights:
        return f"If {folder.name} is the season, name a night of it, as {folder.name}/{nights[-1]}"
    return "Write one: docs/file-formats.md has a template"


def find_nights(path: Path) -> tuple[Path, ...]:
    """Return the nights at `path`: itself, or its sub-folders in natural order, where a `night.toml` lies.

    Raises BadInput where there is none, for links that leave the season, and for names that are one on other systems.
    """
    path = Path(path)
    if path.is_file():
        raise BadInput(Problem(path, "", "is a file", "Give a night, a run of it, or a season folder"))
    if not path.is_dir():
        raise BadInput(Problem(path, "", "there is no such folder", "Give a night or a season folder"))
    if (path / "night.toml").is_file():
        return (path,)
    inner = sorted((entry for entry in path.iterdir() if not is_junk(entry.name)), key=lambda e: natural(e.name))
    there = [entry for entry in inner if (entry / "night.toml").is_file()]
    # A link to another night of the season is that night, and counts once.
    once = {os.path.realpath(night): night for night in sorted(there, key=Path.is_symlink, reverse=True)}
    nights = tuple(night for night in there if night in once.values())
    if not nights:
        raise BadInput(
            Problem(
                path,
                "",
                "is neither a night nor a season: there is no night.toml in it or one level below",
                "Give the folder that holds night.toml",
            )
        )
    problems = [*_links(nights, path.resolve()), *_same_names(path, nights)]
    if problems:
        raise BadInput(problems)
    return nights


def _places(folder: Path) -> Iterator[Path]:
    """Yield what we read and write of a night without a name being written anywhere."""
    yield from (folder / name for name in ("night.toml", "runs.csv", "robots.toml", "results"))
    yield folder.parent / "robots.toml"
    yield from (entry for entry in folder.glob("results/*") if entry.is_symlink())


def _links(places: Iterable[Path], season: Path) -> Iterator[Problem]:
    """Yield what lies outside the season: nobody would look for its results there, or write them."""
    for place in places:
        if leaves(place, season):
            yield Problem(
                place, "", f"is a link that leaves the season {quoted(season.name)}", "Move it into the season"
            )


def _same_names(season: Path, nights: Iterable[Path]) -> Iterator[Problem]:
    for one, other in collisions(night.name for night in nights):
        wrong = f"and {quoted(one)} are one name on other systems"
        yield Problem(season / other, "", wrong, "Rename one of the nights")


def results_folder(night: Night, run_id: str) -> Path:
    """Return where the results of one run are kept."""
    return night.results / run_id


def _files(folder: Path, path: Path, data: Mapping[str, Any], found: list[Problem]) -> dict[str, Path]:
    """Return the files that the night names, each inside the season folder and there."""
    files: dict[str, Path] = {}
    for key in ("room", "lens", *_PICTURES):
        text = data.get(key, "room.geojson" if key == "room" else None)
        if not isinstance(text, str):
            continue  # not given, or no text, which the night's own check has told
        try:
            files[key] = _file(key, text, folder)
        except MistakeError as mistake:
            found.append(mistake.at(path, key))
    return files


def _file(key: str, text: str, folder: Path) -> Path:
    starts = (folder, folder.parent / "rooms") if key == "room" else (folder,)
    first: MistakeError | None = None
    for start in starts:
        try:
            place = locate(text, start, folder.parent)
        except MistakeError as mistake:
            first = first or mistake
            continue
        if not place.is_file():
            raise MistakeError(f"{quoted(text)} is a folder", "Name a file")
        return place
    assert first is not None
    raise first


def _doubts(path: Path, table: _NightTable) -> Iterator[Problem]:
    """Yield what cannot be true of a night although each value by itself could."""
    camera, settings = table.camera, table.settings.settings()
    floor_mm = [length for corner in camera.corners for length in corner.floor_mm]
    if floor_mm and max(map(abs, floor_mm)) < _LONGEST_ROOM_M:
        wrong = "no point is farther than 30 mm from the room's corner, which looks like metres"
        yield Problem(path, "camera.corners floor_mm", wrong, "Write millimetres: 1.5 m is 1500")
    for at, corner in enumerate(camera.corners):
        for key in ("pixel", "floor_mm"):
            if any(getattr(corner, key) == getattr(other, key) for other in camera.corners[:at]):
                wrong = f"{getattr(corner, key)} is that of an earlier corner"
                yield Problem(path, field_name(("camera", "corners", at, key)), wrong, "Give each corner once")
    if table.reference is None and len(camera.corners) < _FEWEST_CORNERS:
        wrong = "is missing, and nothing else tells where the camera hangs"
        mend = f'Add reference = "reference.jpg", or {_FEWEST_CORNERS} or more tables [[camera.corners]]'
        yield Problem(path, "reference", wrong, mend)
    if camera.height_tolerance_mm is not None and camera.height_mm is None:
        wrong = "there is a tolerance but no height"
        yield Problem(path, "camera.height_mm", wrong, "Add height_mm, floor to lens by tape")
    if settings.smallest_pocket_m < 2 * settings.cell_m:
        wrong = f"a pocket of {settings.smallest_pocket_m * 1000:g} mm is not even two cells wide"
        yield Problem(path, "settings.smallest_pocket_mm", wrong, "Make it larger, or cell_mm smaller")
