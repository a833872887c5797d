"""The papers of a night to be: a blank run sheet, and a night.toml carried over from an earlier one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import read_text
from coverage_lab.files.table import csv_bytes

COLUMNS = (
    "run",
    "robot",
    "repeat",
    "trial",
    "frames",
    "start",
    "end",
    "duration_min",
    "use",
    "replaces",
    "contact_seen",
    "note",
)

_FIRST = """# What holds for the whole night: docs/file-formats.md explains each key.
room = "room.geojson"
reference = "reference.jpg"

[camera]
# height_mm = 2750            # by tape, floor to lens
# height_tolerance_mm = 10
"""


def blank_sheet(rows: Sequence[Mapping[str, object]], conditions: Sequence[str]) -> bytes:
    """Return a run sheet with a row for each run to be; `conditions` are further columns, left blank."""
    columns = (*COLUMNS, *conditions)
    return csv_bytes([columns, *([row.get(column) for column in columns] for row in rows)])


def first_night() -> str:
    """Return a night.toml to be filled in, where there is no night to carry one over from."""
    return _FIRST


def carried_night(path: Path) -> str:
    """Return a night.toml with what an earlier one says, comments and all.

    Hand-picked corners are left out: they are places in that night's reference frame. Raises BadInput where the
    file cannot be read.
    """
    try:
        table = tomlkit.parse(read_text(path, "Put it back"))
    except TOMLKitError as error:
        raise BadInput(Problem(path, "", f"is not TOML: {error}", "Correct it")) from None
    lines = [
        f"# Carried over from {path.parent.name}. Check what may be different tonight: the camera's height by tape,"
    ]
    lines.append("# its clock, and whether room, lens and robots are still the same.")
    camera = table.get("camera")
    if isinstance(camera, dict) and camera.pop("corners", None) is not None:
        lines.append(
            "# Corners picked by hand hold for one picture only: pick them again in tonight's reference frame."
        )
    return "\n".join([*lines, "", tomlkit.dumps(table).lstrip("\n")])
