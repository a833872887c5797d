"""The whole season as one table: CSV for spreadsheets, Parquet for statistics."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.store import write_file
from coverage_lab.files.summary import condition_column
from coverage_lab.files.table import csv_bytes
from coverage_lab.season.index import Index

SUFFIXES = (".csv", ".parquet")

# Columns that are text also where all their cells are empty, so that seasons' tables can be put together.
_TEXT = frozenset(
    {
        *("key", "robot", "trial", "verdict", "reason", "pattern_label", "duration_source", "quality"),
        *("night", "standing", "replaced_by", "review", "review_reason", "review_by", "review_said_utc"),
        *("measures_sha256", "settings_digest", "room_digest", "made_utc", "version"),
    }
)


def check_out(out: Path) -> None:
    """Raise BadInput if a table cannot be written to `out`: for its ending, or for want of a library."""
    suffix = out.suffix.casefold()
    if suffix not in SUFFIXES:
        raise BadInput(Problem(out, "--out", "is neither .csv nor .parquet", "Give the file one of these endings"))
    if suffix == ".parquet" and find_spec("pyarrow") is None:
        mend = 'Run pip install "coverage-lab[parquet]", or choose .csv'
        raise BadInput(Problem(out, "--out", "Parquet needs the library pyarrow, which is not installed", mend))


def export(index: Index, out: Path) -> int:
    """Write a row per run of the season to `out`, conditions as columns; return how many.

    In CSV, text that a spreadsheet would run as a formula begins with an apostrophe; Parquet holds it as it is.
    Raises BadInput where there is no result or for another ending, CannotWrite.
    """
    check_out(out)
    runs = list(index.rows())  # some 2 kB each
    if not runs:
        raise BadInput(Problem(index.season, "", "has no results", "Measure it first"))
    conditions = sorted({name for run in runs for name in run["conditions"]})
    rows = [_row(run, conditions) for run in runs]
    as_parquet = out.suffix.casefold() == ".parquet"
    write_file(out, _parquet(rows) if as_parquet else csv_bytes([list(rows[0]), *(row.values() for row in rows)]))
    return len(rows)


def _row(run: Mapping[str, Any], conditions: Sequence[str]) -> dict[str, Any]:
    said = run["review"] or {}
    holds = said.get("measures_sha256") == run["measures_sha256"] if said else None
    plain = {name: value for name, value in run.items() if name not in ("conditions", "review")}
    review = {
        "review": said.get("decision"),
        **{f"review_{name}": said.get(name) for name in ("reason", "by", "said_utc")},
        "review_holds": holds,
    }
    return {**plain, **review, **{condition_column(name): run["conditions"].get(name) for name in conditions}}


def _parquet(rows: Sequence[Mapping[str, Any]]) -> bytes:
    import pyarrow
    from pyarrow import parquet

    columns = {name: [row[name] for row in rows] for name in rows[0]}
    arrays = {name: pyarrow.array(cells, _kind(name, cells)) for name, cells in columns.items()}
    stream = io.BytesIO()
    parquet.write_table(pyarrow.table(arrays), stream)
    return stream.getvalue()


def _kind(name: str, cells: Sequence[object]) -> str:
    if name in _TEXT or name.startswith(condition_column("")) or any(isinstance(cell, str) for cell in cells):
        return "string"
    if name == "review_holds":
        return "bool"
    return "int64" if all(isinstance(cell, int) for cell in cells) else "double"
