"""The sheet of a soil test: written empty from a plan, read filled in, each row by itself."""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import BeforeValidator, Field

from coverage_lab.errors import Problem
from coverage_lab.files import spreadsheet
from coverage_lab.files.checking import MistakeError, quoted
from coverage_lab.files.rows import empty_as_none, yes_or_no
from coverage_lab.files.table import csv_bytes
from coverage_lab.pickup.plan import PickupPlan

_MASS = re.compile(r"([+-]?\d*\.?\d+|\d+\.)\s*(g|kg|mg)?", re.IGNORECASE)
_GRAMS = {"g": Decimal(1), "kg": Decimal(1000), "mg": Decimal("0.001")}
_PLANNED = ("run", "robot", "floor", "soil", "repeat", "dose_g", "dose_low_g", "dose_high_g")
_TO_FILL_IN = ("bin_empty_g", "dosed_g", "bin_after_g", "bin_cleaned_g", "use", "note")


def _grams(text: object) -> Decimal | None:
    """Return the mass in a cell, exactly as it was written; a unit beside it is honoured."""
    if not isinstance(text, str) or not text:
        return None
    parts = _MASS.fullmatch(text)
    if parts is None:
        raise MistakeError(f"{quoted(text)} is no mass", "Write grams as the balance showed them, for instance 512.34")
    try:
        return Decimal(parts[1]) * _GRAMS[(parts[2] or "g").lower()]
    except InvalidOperation:
        raise MistakeError(f"{quoted(text)} is no mass", "Write grams") from None


_Grams = Annotated[Decimal | None, BeforeValidator(_grams)]


class PickupRow(spreadsheet.Cells):
    """The cells of one run. Masses are exact; None where the cell is empty."""

    DECIMALS: ClassVar[frozenset[str]] = frozenset(
        {"dose_g", "dose_low_g", "dose_high_g", "bin_empty_g", "dosed_g", "bin_after_g", "bin_cleaned_g"}
    )

    run: Annotated[str, Field(min_length=1)]
    robot: str = ""
    floor: str = ""
    soil: str = ""
    repeat: Annotated[Annotated[int, Field(ge=1, le=999)] | None, BeforeValidator(empty_as_none)] = None
    dose_g: _Grams = None  # as planned
    dose_low_g: _Grams = None
    dose_high_g: _Grams = None
    bin_empty_g: _Grams = None
    dosed_g: _Grams = None  # weighed out
    bin_after_g: _Grams = None
    bin_cleaned_g: _Grams = None
    use: Annotated[bool, BeforeValidator(yes_or_no)] = True
    note: str = ""


PickupLine = spreadsheet.Line[PickupRow] | spreadsheet.BrokenLine


def read_pickup_sheet(path: Path, found: list[Problem]) -> tuple[PickupLine, ...]:
    """Return the rows of a filled-in sheet; Problems of its columns go to `found`, those of a row stand with it.

    Raises BadInput only where the file is no table of runs at all.
    """
    return spreadsheet.read_lines(path, PickupRow, found)


def empty_sheet(plan: PickupPlan) -> bytes:
    """Return the plan as CSV: a row per run in the order they are made, the cells to fill in empty."""
    rows = (
        (
            *(one.run, one.robot, one.floor, one.soil, one.repeat),
            *(one.dose.target_g, one.dose.low_g, one.dose.high_g),
            *(None for _ in _TO_FILL_IN),
        )
        for one in plan.runs
    )
    return csv_bytes([(*_PLANNED, *_TO_FILL_IN), *rows])
