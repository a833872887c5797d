"""What a night's run sheet says of the runs whose results lie there: to be compared, replaced, unused, or no row."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from coverage_lab.errors import Problem
from coverage_lab.files.rows import Sheet, read_sheet
from coverage_lab.season.stored import Standing


@dataclass(frozen=True, slots=True)
class Stand:
    """How a run stands, and the id of the run that re-shoots it."""

    standing: Standing
    replaced_by: str | None = None


def stands(night: Path, ids: Iterable[str]) -> dict[str, Stand]:
    """Say how the runs `ids` of a night stand. Without a sheet a run is current while its picture or folder is there.

    Raises BadInput where the sheet is no table of runs; single rows that make no sense are passed over.
    """
    path = night / "runs.csv"
    if path.is_file():
        problems: list[Problem] = []  # `measure` tells them
        sheet = read_sheet(path, problems)
        return {run: _by_sheet(run, sheet) for run in ids}
    there = {name.casefold() for entry in night.iterdir() for name in (entry.name, entry.stem)}
    return {run: Stand("current" if run in there else "orphaned") for run in ids}


def all_current(ids: Iterable[str]) -> dict[str, Stand]:
    """How runs stand whose sheet cannot be read: nothing speaks against them."""
    return {run: Stand("current") for run in ids}


def _by_sheet(run: str, sheet: Sheet) -> Stand:
    rows = [line.row for line in sheet.lines]
    by = next((row.run for row in rows if row.replaces == run), None)
    if by is not None:
        return Stand("replaced", by)
    if any(row.run == run and not row.use for row in rows):
        return Stand("unused")
    return Stand("current" if run in sheet.ids else "orphaned")
