"""Store files so that each is there whole or not at all, and what was there before survives a failure."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from coverage_lab.errors import CannotWrite, Problem

_PART = ".part"
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_IN_THE_WAY = frozenset({errno.ENOTDIR, errno.EEXIST})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})


def write_file(path: Path, content: bytes) -> None:
    """Write one file whole. Raises CannotWrite; then the former file is untouched."""
    write_files({path: content})


def write_files(contents: Mapping[Path, bytes]) -> None:
    """Write files, in order, each whole; their folders are made.

    All are written to temporary siblings first and moved into place only when everything is on the disk, so
    that a full disk leaves every former file as it was. Raises CannotWrite.
    """
    staged: list[tuple[Path, Path]] = []
    path = Path()
    try:
        for path, content in contents.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            # Plain open, since a NamedTemporaryFile would leave a file that only its owner can read.
            temporary = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}{_PART}")
            staged.append((temporary, path))
            with temporary.open("xb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        for temporary, path in staged:
            temporary.replace(path)
    except OSError as error:
        raise CannotWrite(_problem(path, error)) from error
    finally:
        for temporary, _ in staged:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)


def move_files(places: Mapping[Path, Path]) -> None:
    """Move each file to its new place on the same disk, in order; their folders are made. Raises CannotWrite."""
    path = Path()
    try:
        for source, path in places.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            source.replace(path)
    except OSError as error:
        raise CannotWrite(_problem(path, error)) from error


def make_folder(path: Path) -> None:
    """Make a folder and those above it. Raises CannotWrite."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CannotWrite(_problem(path, error)) from error


def remove_file(path: Path) -> None:
    """Remove a file if it is there. Raises CannotWrite."""
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise CannotWrite(_problem(path, error)) from error


def remove_parts(folder: Path) -> None:
    """Remove temporary files that a killed process left in a folder and those below; nobody may be writing there."""
    for path in folder.rglob(f".*{_PART}"):
        with suppress(OSError):
            path.unlink()


def _problem(path: Path, error: OSError) -> Problem:
    reason = (error.strerror or str(error)).lower()
    if error.errno in _FULL:
        return Problem(path, "", f"the disk is full ({reason})", "Free some space and measure again")
    if error.errno in _FORBIDDEN:
        return Problem(path, "", f"the folder is read-only ({reason})", "Allow writing there, or choose another")
    if error.errno in _IN_THE_WAY:
        file = next(parent for parent in path.parents if parent.exists())
        return Problem(file, "", "is a file, but results want a folder there", "Move it away and measure again")
    return Problem(path, "", f"cannot be written ({reason})", "Check the folder and measure again")
