"""Read the rows of a table that a person filled in, each checked by itself.

What spreadsheets write is read: comma or semicolon, byte order mark, cp1252, decimal comma with semicolons. Every row
has an id of its own in the column `run`.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Generic, TypeVar

from pydantic import BaseModel, ConfigDict

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import check, nearest, quoted

_NEARLY_A_COLUMN = 0.85  # a header that is so like a column we know is a typing error, no condition


class Cells(BaseModel):
    """Base of the cells of a row whose columns we know."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    DECIMALS: ClassVar[frozenset[str]] = frozenset()  # columns of numbers, which may have a decimal comma

    run: str


Row = TypeVar("Row", bound=Cells)


@dataclass(frozen=True, slots=True)
class Line(Generic[Row]):
    """One row whose cells make sense: its number in a spreadsheet, its cells, and those of other columns."""

    number: int
    row: Row
    conditions: dict[str, str]
    problems: tuple[Problem, ...]  # of the row as a whole

    @property
    def run(self) -> str:
        """The row's id."""
        return self.row.run

    def place(self, column: str) -> str:
        """How messages call one of the cells."""
        return f"row {self.number}, column {column}"


@dataclass(frozen=True, slots=True)
class BrokenLine:
    """One row with a cell that makes no sense by itself."""

    number: int
    run: str  # as it stands there, "" if there is none
    problems: tuple[Problem, ...]


def read_lines(path: Path, model: type[Row], found: list[Problem]) -> tuple[Line[Row] | BrokenLine, ...]:
    """Return the rows of a table; Problems of its columns go to `found`, those of a row stand with it.

    Raises BadInput only where the file is no table of runs at all.
    """
    delimiter, table = _table(path)
    columns = _columns(table[0] if table else [], model, path, found)
    lines: list[Line[Row] | BrokenLine] = []
    first: dict[str, int] = {}  # the row of each id, without case: file systems may know none
    for number, cells in enumerate(table[1:], start=2):
        stripped = [cell.strip() for cell in cells]
        if not any(stripped):
            continue
        run = stripped[columns.index("run")] if columns.index("run") < len(stripped) else ""
        problems = _stray(number, columns, stripped, path)
        if run.casefold() in first:
            wrong = f"{quoted(run)} is already the run of row {first[run.casefold()]}"
            problems.append(Problem(path, f"row {number}, column run", wrong, "Give each run its own id"))
        first.setdefault(run.casefold(), number)
        named = {name: cell for name, cell in zip(columns, stripped, strict=False) if name}
        known = {name: cell for name, cell in named.items() if name in model.model_fields}
        if delimiter == ";":
            known |= {name: known[name].replace(",", ".") for name in model.DECIMALS & known.keys()}
        row = check(model, {"run": "", **known}, path, f"row {number}, column ", problems)
        others = {name: cell for name, cell in named.items() if name not in known and cell}
        if row is None:
            lines.append(BrokenLine(number, run, tuple(problems)))
        else:
            lines.append(Line(number, row, others, tuple(problems)))
    return tuple(lines)


def _stray(number: int, columns: list[str], cells: list[str], path: Path) -> list[Problem]:
    """Return a Problem if a row has a cell that stands in no column."""
    if any(cells[len(columns) :]) or any(cell for name, cell in zip(columns, cells, strict=False) if not name):
        mend = "Name the column in row 1, or put quotes around a cell with a comma"
        return [Problem(path, f"row {number}", "has a cell without a column", mend)]
    return []


def _table(path: Path) -> tuple[str, list[list[str]]]:
    """Return the delimiter and the cells of a CSV file as spreadsheets write it."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise BadInput(Problem(path, "", "there is no such file", "Name the sheet", absent=path.name)) from None
    except OSError as error:
        raise BadInput(Problem(path, "", f"cannot be read: {error.strerror}", "Check its access rights")) from None
    if content[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in content:
        raise BadInput(Problem(path, "", "is not a CSV file", "Save it as CSV, UTF-8, from the spreadsheet"))
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", "replace")
    header = text.split("\n", 1)[0]
    delimiter = ";" if header.count(";") > header.count(",") else ","
    try:
        return delimiter, list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise BadInput(Problem(path, "", f"is not CSV: {error}", "Save it again as CSV")) from None


def _columns(header: list[str], model: type[Row], path: Path, found: list[Problem]) -> list[str]:
    """Return the columns' names, those that we know in small letters."""
    stripped = [cell.strip() for cell in header]
    columns = [name.casefold() if name.casefold() in model.model_fields else name for name in stripped]
    named = [name for name in columns if name]
    if "run" not in named:
        raise BadInput(Problem(path, "row 1", "there is no column run", "Give each run its id in one"))
    for name in sorted({name for name in named if named.count(name) > 1}):
        found.append(Problem(path, f"row 1, column {name}", "is there twice", "Rename or remove one"))
    for name in sorted(set(named) - set(model.model_fields)):
        near = nearest(name, set(model.model_fields) - set(named), _NEARLY_A_COLUMN)
        if near is not None:
            mend = f"Write {near}, or choose another name for a condition"
            found.append(Problem(path, f"row 1, column {name}", f"is nearly the column {near}", mend))
    return columns
