"""What decides a run's numbers, and whether the results that lie there still follow from it.

Whatever decides is written into the run's `made.json`. A run is done if that says the same as what lies on disk now;
contents are compared by SHA-256, and a file whose path, size and time stamp did not change is not read again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any

from coverage_lab.files.measures import to_bytes
from coverage_lab.files.store import write_file
from coverage_lab.job import METHOD, Night, Run

Stamp = tuple[int, int]  # size in bytes, time of the last change in ns

MADE_SCHEMA = "coverage-lab/made/1"
_NOT_DECIDING = ("id", "frames", "reference", "note")  # frames and reference decide by their contents
DECIDES = ("camera", "method", "robot", "run", "settings", "sha256")  # keys of made.json; versions are only recorded


def sources(run: Run, night: Night) -> dict[str, Path]:
    """Return the files that decide a run's numbers: by what they are to the night, frames by their path in it."""
    shared = {
        "room": night.room,
        "lens": night.lens,
        "reference": run.reference or night.reference,
        "reference_after": night.reference_after,
        "dark": night.dark,
        "ambient": night.ambient,
    }
    frames = {frame.relative_to(night.folder).as_posix(): frame for frame in run.frames}
    return {name: path for name, path in shared.items() if path is not None} | frames


def decided_by(run: Run, night: Night, sha256: Mapping[str, str]) -> dict[str, Any]:
    """Return all that decides a run's results, as JSON values; `sha256` tells the contents of its `sources`."""
    facts = {
        "camera": asdict(night.camera),
        "method": METHOD,
        "robot": asdict(night.robots[run.robot]),
        "run": {field.name: getattr(run, field.name) for field in fields(run) if field.name not in _NOT_DECIDING},
        "settings": asdict(night.settings),
        "sha256": dict(sha256),
    }
    return dict(json.loads(json.dumps(facts, sort_keys=True)))


def digest(facts: Mapping[str, Any]) -> str:
    """Return the SHA-256 of what decides a run's results, taken from `decided_by` or from a made.json."""
    text = json.dumps({key: facts[key] for key in DECIDES}, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()


def stamps(files: Mapping[str, Path], night: Night) -> dict[str, list[str | int]]:
    """Return path (from the night on), size and time stamp of each file; take them before the content is read.

    A file that is not there has none.
    """
    found: dict[str, list[str | int]] = {}
    for name, path in files.items():
        stamp = _stamp(path)
        if stamp is not None:
            found[name] = [_place(path, night), *stamp]
    return found


def contents(
    files: Mapping[str, Path], now: Mapping[str, list[str | int]], made: Mapping[str, Any], *, verify: bool
) -> dict[str, str]:
    """Return the SHA-256 of each file's content: as `made` recorded it if its stamp is the same `now`, else read.

    With `verify` all are read. A file that cannot be read has none.
    """
    known, recorded = made.get("sha256", {}), made.get("stamps", {})
    found = {}
    for name, stamp in now.items():
        trusted = not verify and recorded.get(name) == stamp and name in known
        sha256 = known[name] if trusted else content_sha256(files[name])
        if sha256 is not None:
            found[name] = sha256
    return found


def content_sha256(path: Path) -> str | None:
    """Return the SHA-256 of a file's content, None if it cannot be read. One that did not change is read once."""
    stamp = _stamp(path)
    try:
        return None if stamp is None else _read_sha256(path, stamp)
    except OSError:
        return None


@dataclass(frozen=True, slots=True)
class Look:
    """What a look at a run's results says."""

    why: str | None  # it is to be measured: "new" or what changed; None if its results still hold
    stamps: Mapping[str, list[str | int]] | None = None  # they hold, but files have these new stamps


def look(run: Run, night: Night, folder: Path, *, verify: bool = False) -> Look:
    """Say whether a run is to be measured, or the results in `folder` still hold.

    A refused run is done; a failed one is not, since its files may have been mended on the way.
    """
    made = read_made(folder)
    if not {*DECIDES, "verdict", "files"} <= made.keys():
        return Look("new" if not made else "made by an earlier version")
    if made["verdict"] == "failed":
        return Look("failed before")
    missing = [name for name in made["files"] if not (folder / name).is_file()]
    if missing:
        return Look(f"{missing[0]} is gone")
    files = sources(run, night)
    stamped = stamps(files, night)
    now = decided_by(run, night, contents(files, stamped, made, verify=verify))
    if digest(now) == made.get("digest"):
        return Look(None, None if stamped == made.get("stamps") else stamped)
    return Look(f"changed: {', '.join(changes(made, now)) or 'what its results say of themselves'}")


def remember(folder: Path, now: Mapping[str, list[str | int]]) -> None:
    """Write new stamps of unchanged files into made.json, so that they are not read each time. Raises CannotWrite."""
    write_file(folder / "made.json", to_bytes({**read_made(folder), "stamps": dict(now)}))


def changes(made: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[str, ...]:
    """Name what decides the numbers and is not the same `now`; files by what they are to the night."""
    before, after = made["sha256"], now["sha256"]
    files = [name for name in sorted({*before, *after}) if before.get(name) != after.get(name)]
    return (*(key for key in DECIDES if key != "sha256" and made[key] != now[key]), *files)


def read_made(folder: Path) -> dict[str, Any]:
    """Return what a results folder says of its making; nothing if it is not there or broken."""
    try:
        content = json.loads((folder / "made.json").read_bytes())
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _stamp(path: Path) -> Stamp | None:
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_size, facts.st_mtime_ns


def _place(path: Path, night: Night) -> str:
    # From the night on, so that a season that was moved as a whole is still trusted.
    return Path(os.path.relpath(path, night.folder)).as_posix()


@lru_cache(maxsize=64)
def _read_sha256(path: Path, stamp: Stamp) -> str:
    """Read a content; a night's runs ask for the same files, which the stamp tells from later ones."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
