"""What is wrong with rows of a filled-in soil test sheet: names, missing cells, units, rows that are there twice."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from decimal import Decimal
from pathlib import Path
from statistics import median
from unicodedata import normalize

from coverage_lab.errors import Problem
from coverage_lab.files.checking import nearest, quoted, suggest
from coverage_lab.files.pickup_sheet import PickupRow
from coverage_lab.files.spreadsheet import Line
from coverage_lab.pickup.settings import PickupSettings
from coverage_lab.pickup.weigh import looks_like_kilograms

_NEEDED = ("bin_empty_g", "dosed_g", "bin_after_g")
_BINS = ("bin_empty_g", "bin_after_g", "bin_cleaned_g")
_NEARLY_A_ROBOT = 0.75  # a cleaner's name that is so like a registered one is a typing error


def row_problems(
    lines: Sequence[Line[PickupRow]], settings: PickupSettings, robots: Collection[str], path: Path
) -> dict[int, list[Problem]]:
    """Return what is wrong with each row, by its number; `robots` are the registered ones, others are allowed."""
    usual = _Usual(lines)
    found = {
        line.number: [*line.problems, *_names(line, settings, robots, path), *_masses(line, usual, path)]
        for line in lines
    }
    for number, problem in _repeated([line for line in lines if line.row.use], path):
        found[number].append(problem)
    return found


def _names(line: Line[PickupRow], settings: PickupSettings, robots: Collection[str], path: Path) -> Iterator[Problem]:
    """Yield what is wrong with the names of cleaner, floor and soil."""
    robot = normalize("NFC", line.row.robot)
    near = None if robot in robots else nearest(robot, robots, _NEARLY_A_ROBOT)
    if not robot:
        yield Problem(path, line.place("robot"), "is empty", "Name the cleaner")
    elif near is not None:
        wrong = f"{quoted(robot)} is nearly the registered {quoted(near)}"
        yield Problem(path, line.place("robot"), wrong, f"Write {near}, or give another cleaner a name less like it")
    for column, name, known in (("floor", line.row.floor, settings.floors), ("soil", line.row.soil, settings.soils)):
        if name not in known:
            wrong = f"{quoted(name)} is no {column} of this test" if name else "is empty"
            yield Problem(path, line.place(column), wrong, suggest(name, known))
    if line.row.repeat is None:
        yield Problem(path, line.place("repeat"), "is empty", "Number the repeats of one soil on one floor from 1")


class _Usual:
    """What readings of one kind usually are in this sheet."""

    def __init__(self, lines: Sequence[Line[PickupRow]]) -> None:
        self._bins: dict[str, list[Decimal]] = {}
        self._doses: dict[tuple[str, str, str], list[Decimal]] = {}
        for line in lines:
            row = line.row
            self._bins.setdefault(row.robot, []).extend(
                mass for column in _BINS if (mass := getattr(row, column)) is not None
            )
            if row.dosed_g is not None:
                self._doses.setdefault((row.robot, row.floor, row.soil), []).append(row.dosed_g)

    def bin_g(self, row: PickupRow) -> Decimal:
        return median(self._bins[row.robot])

    def dose_g(self, row: PickupRow) -> Decimal:
        """The planned dose, or where none was, the usual one of this soil and floor."""
        return row.dose_g or median(self._doses[row.robot, row.floor, row.soil])


def _masses(line: Line[PickupRow], usual: _Usual, path: Path) -> Iterator[Problem]:
    """Yield what is wrong with the weights: missing, none that can be, or in another unit."""
    row = line.row
    for column in dict.fromkeys((*_NEEDED, *_BINS)):
        mass: Decimal | None = getattr(row, column)
        if mass is None:
            if column in _NEEDED:
                mend = "Enter what the balance showed, or write no under use"
                yield Problem(path, line.place(column), f"is empty in run {row.run}", mend)
            continue
        is_bin = column in _BINS
        if mass <= 0:
            yield Problem(path, line.place(column), f"{mass} g is no weight", "Enter what the balance showed")
        elif looks_like_kilograms(mass, usual.bin_g(row) if is_bin else usual.dose_g(row), is_bin):
            wrong = f"{mass} g looks like kilograms"
            yield Problem(path, line.place(column), wrong, f"Write {(mass * 1000).normalize():f}: the unit is g")


def _repeated(lines: Sequence[Line[PickupRow]], path: Path) -> Iterator[tuple[int, Problem]]:
    """Yield rows that are there twice: a copy by its number, and both where their weights differ."""
    first: dict[tuple[object, ...], Line[PickupRow]] = {}
    for line in lines:
        row = line.row
        key = (row.robot, row.floor, row.soil, row.repeat)
        other = first.setdefault(key, line)
        if other is line or row.repeat is None:
            continue
        what = f"repeat {row.repeat} of {row.soil} on {row.floor} is already in row {other.number}"
        if all(getattr(row, name) == getattr(other.row, name) for name in (*_NEEDED, "bin_cleaned_g")):
            yield line.number, Problem(path, line.place("repeat"), f"{what}, with the same weights", "Remove the copy")
            continue
        mend = "Correct repeat, or write no under use of one of them"
        yield line.number, Problem(path, line.place("repeat"), f"{what}, with other weights", mend)
        again = f"repeat {row.repeat} of {row.soil} on {row.floor} is again in row {line.number}, with other weights"
        yield other.number, Problem(path, other.place("repeat"), again, mend)
