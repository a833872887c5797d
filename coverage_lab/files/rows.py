"""The columns of a run sheet, `runs.csv`, and its rows, each checked by itself."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, ClassVar, Literal
from unicodedata import normalize

from pydantic import AfterValidator, BeforeValidator, Field

from coverage_lab.errors import Problem
from coverage_lab.files import spreadsheet
from coverage_lab.files.checking import MistakeError, quoted

_RUN_ID = re.compile(r"[a-z0-9_-][a-z0-9._-]{0,59}")
_OURS = frozenset({"summary.csv", "runs.csv", "earlier", "room-check.png"})  # they lie beside runs' results
# Source: Microsoft, "Naming Files, Paths, and Namespaces": no file or folder may be called so, with any ending.
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})
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


def yes_or_no(text: str) -> bool:
    """Return whether a cell says yes; an empty one does. Raises MistakeError."""
    choice = {**_YES, **_NO}
    if text.casefold() not in choice:
        raise MistakeError(f"{quoted(text)} is neither yes nor no", "Write yes or no")
    return choice[text.casefold()]


def empty_as_none(text: str) -> str | None:
    """Return a cell's text, None for an empty one."""
    return text or None


def _trial(text: str) -> str:
    return text.casefold() or "coverage"


class Row(spreadsheet.Cells):
    """The cells of a row whose columns we know."""

    DECIMALS: ClassVar[frozenset[str]] = frozenset({"duration_min"})

    run: Annotated[str, AfterValidator(run_id)]
    robot: str = ""
    repeat: Annotated[Annotated[int, Field(ge=1, le=999)] | None, BeforeValidator(empty_as_none)] = None
    trial: Annotated[Literal["coverage", "avoidance"], BeforeValidator(_trial)] = "coverage"
    frames: str = ""
    start: str = ""
    end: str = ""
    duration_min: Annotated[Annotated[float, Field(gt=0, le=1440)] | None, BeforeValidator(empty_as_none)] = None
    reference: str = ""
    use: Annotated[bool, BeforeValidator(yes_or_no)] = True
    replaces: str = ""
    contact_seen: str = ""
    note: str = ""


Line = spreadsheet.Line[Row]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows that are sound by themselves, and the ids of all rows."""

    lines: tuple[Line, ...]
    ids: tuple[str, ...]


def read_sheet(path: Path, found: list[Problem]) -> Sheet:
    """Return what a run sheet says; a Problem for each mistake goes to `found`.

    Raises BadInput only where the file is no table of runs at all.
    """
    lines = spreadsheet.read_lines(path, Row, found)
    found.extend(problem for line in lines for problem in line.problems)
    ids = dict.fromkeys(line.run.casefold() for line in lines)
    return Sheet(tuple(line for line in lines if not isinstance(line, spreadsheet.BrokenLine)), tuple(ids))
