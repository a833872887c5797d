"""Read the rows of a run sheet, `runs.csv`, each checked by itself.

What spreadsheets write is read: comma or semicolon, byte order mark, cp1252, decimal comma with semicolons.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal
from unicodedata import normalize

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import MistakeError, check, nearest, quoted

_RUN_ID = re.compile(r"[a-z0-9_-][a-z0-9._-]{0,59}")
_OURS = frozenset({"summary.csv", "runs.csv", "earlier"})  # they lie beside runs' results
# Source: Microsoft, "Naming Files, Paths, and Namespaces": no file or folder may be called so, with any ending.
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})
_NEARLY_A_COLUMN = 0.85  # a header that is so like a column we know is a typing error, no condition
_YES = {"": True, "yes": True, "y": True, "true": True, "1": True}
_NO = {"no": False, "n": False, "false": False, "0": False}


def run_id(text: str) -> str:
    """Return `text` if it can be a run's id. Raises MistakeError."""
    reserved = text in _OURS or text.split(".")[0] in _DEVICES
    if reserved:
        whose = "our own files" if text in _OURS else "a device on some systems, also with an ending"
        raise MistakeError(f"{quoted(text)} is the name of {whose}", f"Choose another, for instance run-{text}")
    if _RUN_ID.fullmatch(text) and not text.endswith("."):
        return text
    plain = normalize("NFKD", text.casefold()).encode("ascii", "ignore").decode()
    guess = re.sub(r"[^a-z0-9._-]+", "-", plain).strip(".-")[:60]
    mend = "Use 1 to 60 of a-z 0-9 . _ -" + (f", for instance {guess}" if guess else "")
    raise MistakeError(f"{quoted(text)} is not a run id", mend)


def _use(text: str) -> bool:
    choice = {**_YES, **_NO}
    if text.casefold() not in choice:
        raise MistakeError(f"{quoted(text)} is neither yes nor no", "Write yes or no")
    return choice[text.casefold()]


def _empty_as_none(text: str) -> str | None:
    return text or None


def _trial(text: str) -> str:
    return text.casefold() or "coverage"


class Row(BaseModel):
    """The cells of a row whose columns we know."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    run: Annotated[str, AfterValidator(run_id)]
    robot: str = ""
    repeat: Annotated[Annotated[int, Field(ge=1, le=999)] | None, BeforeValidator(_empty_as_none)] = None
    trial: Annotated[Literal["coverage", "avoidance"], BeforeValidator(_trial)] = "coverage"
    frames: str = ""
    start: str = ""
    end: str = ""
    duration_min: Annotated[Annotated[float, Field(gt=0, le=1440)] | None, BeforeValidator(_empty_as_none)] = None
    reference: str = ""
    use: Annotated[bool, BeforeValidator(_use)] = True
    replaces: str = ""
    contact_seen: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One row that is sound by itself: its number in a spreadsheet, its cells, and those of other columns."""

    number: int
    row: Row
    conditions: dict[str, str]

    def place(self, column: str) -> str:
        """How messages call one of the cells."""
        return f"row {self.number}, column {column}"


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows that are sound by themselves, and the ids of all rows."""

    lines: tuple[Line, ...]
    ids: tuple[str, ...]


def read_sheet(path: Path, found: list[Problem]) -> Sheet:
    """Return what a run sheet says; a Problem for each mistake goes to `found`.

    Raises BadInput only where the file is no table of runs at all.
    """
    delimiter, table = _table(path)
    columns = _columns(table[0] if table else [], path, found)
    lines: list[Line] = []
    first: dict[str, int] = {}  # the row of each id, without case: file systems may know none
    for number, cells in enumerate(table[1:], start=2):
        stripped = [cell.strip() for cell in cells]
        if not any(stripped):
            continue
        line = _line(number, columns, stripped, delimiter, path, found)
        run = stripped[columns.index("run")] if columns.index("run") < len(stripped) else ""
        if run.casefold() in first:
            wrong = f"{quoted(run)} is already the run of row {first[run.casefold()]}"
            found.append(Problem(path, f"row {number}, column run", wrong, "Give each run its own id"))
        first.setdefault(run.casefold(), number)
        if line is not None:
            lines.append(line)
    return Sheet(tuple(lines), tuple(first))


def _line(
    number: int, columns: list[str], cells: list[str], delimiter: str, path: Path, found: list[Problem]
) -> Line | None:
    if any(cells[len(columns) :]) or any(cell for name, cell in zip(columns, cells, strict=False) if not name):
        mend = "Name the column in row 1, or put quotes around a cell with a comma"
        found.append(Problem(path, f"row {number}", "has a cell without a column", mend))
    named = {name: cell for name, cell in zip(columns, cells, strict=False) if name}
    known = {name: cell for name, cell in named.items() if name in Row.model_fields}
    if delimiter == ";" and "duration_min" in known:
        known["duration_min"] = known["duration_min"].replace(",", ".")
    row = check(Row, {"run": "", **known}, path, f"row {number}, column ", found)
    others = {name: cell for name, cell in named.items() if name not in known and cell}
    return None if row is None else Line(number, row, others)


def _table(path: Path) -> tuple[str, list[list[str]]]:
    """Return the delimiter and the cells of a CSV file as spreadsheets write it."""
    content = path.read_bytes()
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


def _columns(header: list[str], path: Path, found: list[Problem]) -> list[str]:
    """Return the columns' names, those that we know in small letters."""
    stripped = [cell.strip() for cell in header]
    columns = [name.casefold() if name.casefold() in Row.model_fields else name for name in stripped]
    named = [name for name in columns if name]
    if "run" not in named:
        raise BadInput(Problem(path, "row 1", "there is no column run", "Give each run its id in one"))
    for name in sorted({name for name in named if named.count(name) > 1}):
        found.append(Problem(path, f"row 1, column {name}", "is there twice", "Rename or remove one"))
    for name in sorted(set(named) - set(Row.model_fields)):
        near = nearest(name, set(Row.model_fields) - set(named), _NEARLY_A_COLUMN)
        if near is not None:
            mend = f"Write {near}, or choose another name for a condition"
            found.append(Problem(path, f"row 1, column {name}", f"is nearly the column {near}", mend))
    return columns
