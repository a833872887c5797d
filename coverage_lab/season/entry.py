"""One run's row in the season's index, and the tables it goes to."""

from __future__ import annotations

import hashlib
import json
import re
import zlib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from coverage_lab import __version__
from coverage_lab.errors import BadInput
from coverage_lab.files.measures import measures_to_json
from coverage_lab.files.places import folded
from coverage_lab.files.summary import summary_row
from coverage_lab.measures.values import Measures
from coverage_lab.season.stored import Found, read_found, stamp_of

DOCUMENTS = "pickup"  # the season's folder of pickup results

_NOTHING = measures_to_json(Measures("", "", None, "coverage", {}, "failed", None, ()))
_SUMMARY = tuple(summary_row(_NOTHING))
STAND = ("standing", "replaced_by")
_PLACE = ("night", "run", *STAND)
_MAKING = ("conditions", "review", "measures_sha256", "method", "settings_digest", "room_digest", "made_utc", "version")

COLUMNS = (*_SUMMARY, "night", *STAND, *_MAKING)  # of a listing
RUNS = (*_PLACE, "review", "measures_sha256", "content", "made")  # of a whole run

# Large contents stand last, so that a listing need not read over them. Columns have no type: values keep their own.
_RUN_COLUMNS = ("stamp", "problem", *_PLACE, *_SUMMARY, *_MAKING, "content", "made")
_QUOTED = ", ".join(f'"{name}"' for name in _RUN_COLUMNS)
TABLES = (
    f"CREATE TABLE runs (sort_key TEXT PRIMARY KEY, {_QUOTED})",
    "CREATE INDEX runs_by_night ON runs (night, run)",
    "CREATE TABLE nights (night TEXT PRIMARY KEY, stamp, problem)",
    "CREATE TABLE documents (name TEXT PRIMARY KEY, stamp, problem, content)",
)
# Another version reads results in its own way, so it makes its own index.
VERSION = zlib.crc32("".join((*TABLES, __version__)).encode()) >> 1


def sort_key(night: str, run: str) -> str:
    """Return a text that is one run's own and sorts `heron-2` before `heron-10`."""
    padded = [re.sub(r"[0-9]+", lambda digits: digits[0].zfill(20), folded(name)) for name in (night, run)]
    return "\0".join((*padded, night, run))


def entry(season: Path, folder: Path) -> dict[str, Any]:
    """Return the row of a run's results `folder`, all columns; a folder that is broken gives its problem only."""
    night, run = folder.parent.parent.name, folder.name
    empty = dict.fromkeys(_RUN_COLUMNS)
    # The stamp is taken first: what changes while it is read is read again.
    place = {"sort_key": sort_key(night, run), "stamp": stamp_of(folder), "night": night, "run": run}
    try:
        found = read_found(folder)
        row = {**empty, **summary_row(found.content), **_making(found), **place, "standing": "current"}
        return {name: _text(value) if isinstance(value, str) else value for name, value in row.items()}
    except BadInput as error:
        return {**empty, **place, "standing": "current", "problem": told(season, error)}


def told(season: Path, error: BadInput) -> str:
    """Return the first problem as the index keeps it: with its path from the season on."""
    problem = error.problems[0]
    path = season if problem.path is None else problem.path
    place = path.relative_to(season).as_posix() if path.is_relative_to(season) else str(path)
    return json.dumps({**asdict(problem), "path": place})


def _text(value: str) -> str:
    """Return text that SQLite can hold: file names that are no Unicode reach us as lone surrogates."""
    return value.encode("utf-8", "backslashreplace").decode()


def unpacked(content: bytes) -> Any:
    """Return JSON that a row holds."""
    return json.loads(zlib.decompress(content))


def _packed(content: Mapping[str, Any]) -> bytes:
    # Level 1 makes a tenth of it in less time than reading the file took.
    return zlib.compress(json.dumps(content).encode(), 1)


def _making(found: Found) -> dict[str, Any]:
    made = found.made
    settings = json.dumps(made["settings"], sort_keys=True)
    return {
        "conditions": json.dumps(found.content["run"]["conditions"]),
        "review": None if found.review is None else json.dumps(asdict(found.review)),
        "measures_sha256": found.measures_sha256,
        "method": made["method"],
        "settings_digest": hashlib.sha256(settings.encode()).hexdigest()[:12],
        "room_digest": made["sha256"].get("room"),
        "made_utc": made.get("made_utc"),
        "version": made.get("coverage_lab"),
        "content": _packed(found.content),
        "made": _packed(made),
    }
