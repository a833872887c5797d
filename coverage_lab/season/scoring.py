"""Score a filled-in sheet of soil tests: each row that makes sense counts, each that does not is named."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from decimal import Decimal
from pathlib import Path
from unicodedata import normalize

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.pickup_rows import row_problems
from coverage_lab.files.pickup_settings import read_pickup_settings
from coverage_lab.files.pickup_sheet import PickupRow, read_pickup_sheet
from coverage_lab.files.spreadsheet import BrokenLine, Line
from coverage_lab.job import Quality
from coverage_lab.pickup.score import score, summaries
from coverage_lab.pickup.values import Balance, PickupResult, PickupRun
from coverage_lab.pickup.weigh import Weighed


def score_sheet(path: Path) -> tuple[PickupResult, tuple[Problem, ...]]:
    """Return what a sheet says, and what is wrong with rows that could not be counted.

    `pickup.toml` is read from the sheet's folder or the one above. Raises BadInput where the sheet is no table of runs
    or its columns do not make sense.
    """
    settings = read_pickup_settings(path.parent)
    found: list[Problem] = []
    lines = read_pickup_sheet(path, found)
    if not lines and not found:
        found.append(Problem(path, "", "has no run", "Fill in a sheet that pickup plan wrote"))
    if found:
        raise BadInput(found)
    sound = [line for line in lines if not isinstance(line, BrokenLine)]
    problems = row_problems(sound, settings, _registered(path.parent), path)
    used = [line for line in sound if line.row.use and not problems[line.number]]
    weighed = [_weighed(line) for line in used]
    scored, quality = score(weighed, settings)
    by_row = dict(zip((line.number for line in used), scored, strict=True))
    runs = tuple(by_row.get(line.number) or _left_out(line, problems[line.number]) for line in sound)
    broken = [line for line in lines if isinstance(line, BrokenLine)]
    told = [problem for line in broken for problem in line.problems]
    lost = [Quality("row-unreadable", "warning", _words(problem)) for problem in told]
    result = PickupResult(
        sheet=path.name,
        balance=Balance(float(settings.resolution_g), float(settings.repeatability_g)),
        loss_g=float(settings.loss_g),
        floors=tuple(settings.floors),
        soils=tuple(settings.soils),
        repeated_soils=settings.repeated_soils,
        runs=runs,
        summaries=summaries(scored, weighed, settings),
        quality=(*lost, *quality),
    )
    wanted = [one for line in sound if line.row.use for one in problems[line.number]]
    return result, (*told, *wanted, *(_impossible(path, line, by_row) for line in used if by_row[line.number].reason))


def _impossible(path: Path, line: Line[PickupRow], scored: Mapping[int, PickupRun]) -> Problem:
    reason = scored[line.number].reason or ""
    return Problem(path, f"row {line.number}", f"{line.run}: {reason}", "Correct the row, or write no under use")


def _weighed(line: Line[PickupRow]) -> Weighed:
    row = line.row
    low, high = row.dose_low_g, row.dose_high_g
    return Weighed(
        number=line.number,
        run=row.run,
        robot=normalize("NFC", row.robot),
        floor=row.floor,
        soil=row.soil,
        repeat=row.repeat or 0,
        window_g=None if low is None or high is None else (low, high),
        empty_g=row.bin_empty_g or Decimal(0),
        dosed_g=row.dosed_g or Decimal(0),
        after_g=row.bin_after_g or Decimal(0),
        cleaned_g=row.bin_cleaned_g,
        conditions=line.conditions,
        note=row.note,
    )


def _left_out(line: Line[PickupRow], problems: Sequence[Problem]) -> PickupRun:
    row = line.row
    reason = "; ".join(_words(problem) for problem in problems) if row.use else "not used: " + (row.note or "no reason")
    mass = None if row.dosed_g is None else float(row.dosed_g)
    place = (row.run, row.robot, row.floor, row.soil, row.repeat or 0)
    return PickupRun(*place, mass, None, None, False, reason, (), line.conditions, row.note)


def _words(problem: Problem) -> str:
    return f"{problem.field}: {problem.wrong}"


def _registered(folder: Path) -> frozenset[str]:
    """Return the names in the season's and its nights' registers; a register that is broken is `measure`'s matter."""
    season = folder.resolve().parent
    names: set[str] = set()
    for register in (season / "robots.toml", *season.glob("*/robots.toml")):
        with suppress(OSError, ValueError):
            names |= {normalize("NFC", name) for name in tomllib.loads(register.read_text(encoding="utf-8-sig"))}
    return frozenset(names)
