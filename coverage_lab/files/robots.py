"""Read the register of robots, `robots.toml`, with a night's own `[robot.NAME]` tables laid over it.

Lengths are millimetres and their keys say so; the values returned are SI.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any
from unicodedata import normalize

from pydantic import AfterValidator

from coverage_lab.errors import Problem
from coverage_lab.files.checking import (
    MISSING,
    MistakeError,
    Strict,
    check,
    known_keys,
    length_mm,
    quoted,
    read_toml,
)
from coverage_lab.files.places import collisions
from coverage_lab.job import Bar, Robot

_LIT_BEYOND_NOZZLE_MM = 20.0
_OF_BAR = frozenset({"nozzle_mm", "led_count", "lit_length_mm", "bar_height_mm", "bar_height_tolerance_mm"})


def _led_count(count: int) -> int:
    if count == 1 or not 0 <= count <= 2000:
        raise MistakeError(f"{count} LEDs make no bar", "Give the number of LEDs, or 0 for a continuous tube")
    return count


class _RobotTable(Strict):
    nozzle_mm: Annotated[float, length_mm(50, 700)]
    led_count: Annotated[int, AfterValidator(_led_count)]
    lit_length_mm: Annotated[float, length_mm(20, 720)]
    bar_height_mm: Annotated[float, length_mm(10, 400)]
    bar_height_tolerance_mm: Annotated[float, length_mm(0.1, 50, zero=True)]
    bar_forward_mm: Annotated[float, length_mm(1, 400, zero=True)]
    body_diameter_mm: Annotated[float, length_mm(100, 700)]
    body_height_mm: Annotated[float, length_mm(10, 400)]

    def robot(self, name: str) -> Robot:
        bar = Bar(
            nozzle_m=self.nozzle_mm / 1000,
            led_count=self.led_count,
            lit_length_m=self.lit_length_mm / 1000,
            height_m=self.bar_height_mm / 1000,
            height_tolerance_m=self.bar_height_tolerance_mm / 1000,
            forward_m=self.bar_forward_mm / 1000,
        )
        return Robot(name, bar, self.body_diameter_mm / 1000, self.body_height_mm / 1000)


def read_robots(
    night_folder: Path, override: Mapping[str, Any], camera_mm: float | None, found: list[Problem]
) -> dict[str, Robot]:
    """Return the register's robots, the night's own tables laid over it key by key.

    The register is `robots.toml` beside `night.toml`, else in the season folder; it may be missing where the
    night describes its robots. `camera_mm` is the camera's height if it is known. A Problem for each mistake
    goes to `found`; a robot with one is left out. Raises BadInput only where the register is no TOML.
    """
    night_path = night_folder / "night.toml"
    places = (night_folder / "robots.toml", night_folder.parent / "robots.toml")
    register_path = next((place for place in places if place.is_file()), None)
    register = read_toml(register_path, "") if register_path else {}
    if not register and not override:
        mend = "Write robots.toml: docs/file-formats.md has a template"
        absent = "" if register_path else places[1].name
        found.append(Problem(register_path or places[1], "", "no robot is described", mend, absent))
    robots = {}
    for name in {**register, **override}:
        entry, own = register.get(name, {}), override.get(name, {})
        if not (isinstance(entry, dict) and isinstance(own, dict)):
            path, key = (night_path, f"robot.{name}") if isinstance(entry, dict) else (register_path, name)
            found.append(Problem(path, key, "is a single value", "Make it a table of keys and values"))
            continue
        mistakes: list[Problem] = []
        table = check(_RobotTable, entry | own, night_path, "", mistakes)
        mistakes.extend(_doubts(night_path, entry | own, table, camera_mm))
        in_night = set(own) if name in register else {*own, *known_keys(_RobotTable, ())}
        last_word = {problem.field: problem for problem in mistakes}.values()  # one per field: it knows most
        found.extend(_at_home(problem, name, in_night, register_path) for problem in last_word)
        if table is not None:
            robots[normalize("NFC", name)] = table.robot(normalize("NFC", name))
    for one, other in collisions({**register, **override}):
        wrong = f"differs from {quoted(one)} in case or Unicode form only"
        found.append(Problem(register_path or night_path, other, wrong, "Rename one, or write both the same"))
    return robots


def without_bar(problems: Iterable[Problem]) -> dict[str, tuple[Problem, ...]]:
    """Return, by robot, those of `read_robots`' problems which say that something of a bar is not measured yet."""
    lacking: dict[str, tuple[Problem, ...]] = {}
    for problem in problems:
        place, _, key = problem.field.rpartition(".")
        if key in _OF_BAR and problem.wrong == MISSING:
            name = place.removeprefix("robot.")
            lacking[name] = (*lacking.get(name, ()), problem)
    return lacking


def _at_home(problem: Problem, name: str, in_night: set[str], register: Path | None) -> Problem:
    """Return a robot's problem with the file and the table that the mistaken key stands in."""
    if register is None or problem.field in in_night:
        return replace(problem, field=f"robot.{name}.{problem.field}")
    return replace(problem, path=register, field=f"{name}.{problem.field}")


def _doubts(
    path: Path, raw: Mapping[str, Any], table: _RobotTable | None, camera_mm: float | None
) -> Iterator[Problem]:
    """Yield what cannot be true of a robot although each value by itself could."""
    bar_mm = raw.get("bar_height_mm")
    if camera_mm is not None and isinstance(bar_mm, int | float) and bar_mm >= camera_mm:
        wrong = f"the bar at {bar_mm:g} mm is above the camera at {camera_mm:g} mm"
        yield Problem(path, "bar_height_mm", wrong, "Correct it, or height_mm under [camera]")
    if table is None:
        return
    lit, nozzle = table.lit_length_mm, table.nozzle_mm
    if lit > nozzle + _LIT_BEYOND_NOZZLE_MM:
        wrong = f"the lit length {lit:g} mm is longer than the nozzle of {nozzle:g} mm"
        yield Problem(path, "lit_length_mm", wrong, "Measure first to last LED centre again")
    if lit < nozzle / 2:
        wrong = f"the lit length {lit:g} mm is less than half the nozzle of {nozzle:g} mm"
        yield Problem(path, "lit_length_mm", wrong, "The bar must be as long as the nozzle")
    if nozzle > table.body_diameter_mm:
        wrong = f"the nozzle of {nozzle:g} mm is wider than the body of {table.body_diameter_mm:g} mm"
        yield Problem(path, "nozzle_mm", wrong, "Correct it, or body_diameter_mm")
