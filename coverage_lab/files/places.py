"""Names and paths as people write them: natural order, either Unicode form, and never outside the season."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from unicodedata import normalize

from coverage_lab.files.checking import MistakeError, quoted, suggest
from coverage_lab.frames.kinds import PLAIN_SUFFIXES, RAW_SUFFIXES, VIDEO_SUFFIXES

_JUNK = frozenset({"thumbs.db", "desktop.ini", "__macosx"})


def folded(name: str) -> str:
    """Return a name in the form in which two names are compared: composed characters, no case."""
    return normalize("NFC", name).casefold()


def natural(name: str) -> tuple[tuple[str | int, ...], str]:
    """Return the key that sorts `heron-2` before `heron-10`."""
    parts = re.split(r"(\d+)", folded(name))
    return tuple(int(part) if at % 2 else part for at, part in enumerate(parts)), name


def is_junk(name: str) -> bool:
    """Say whether a name belongs to a program rather than to the user: hidden, thumbnails, an office program's lock."""
    return name.startswith((".", "~$")) or name.casefold() in _JUNK


def is_picture(path: Path) -> bool:
    """Say whether a file's name is that of a picture or video we could read."""
    return not is_junk(path.name) and path.suffix.casefold() in PLAIN_SUFFIXES | RAW_SUFFIXES | VIDEO_SUFFIXES


def locate(text: str, start: Path, boundary: Path) -> Path:
    """Return the file or folder that `text` names, read from `start`, which must lie inside `boundary`.

    A name is found in either Unicode form (composed or not) and in other case if no other fits. Both slashes
    separate folders. `boundary` must be resolved. Raises MistakeError where nothing is found, or outside it.
    """
    path = Path(os.path.normpath(start / text.replace("\\", "/")))
    if not path.is_relative_to(boundary):
        raise MistakeError(f"{quoted(text)} leaves the folder {quoted(boundary.name)}", "Copy the file into it")
    place = boundary
    for name in path.relative_to(boundary).parts:
        place = _entry(place, name, text)
    if leaves(place, boundary):
        raise MistakeError(
            f"{quoted(text)} is a link that leaves the folder {quoted(boundary.name)}",
            "Copy the file into it",
        )
    return place


def leaves(place: Path, boundary: Path) -> bool:
    """Say whether a file or folder really lies outside `boundary`, which must be resolved, or is a link to itself."""
    real = Path(os.path.realpath(place))  # Path.resolve would fail for a circle of links
    return not real.is_relative_to(boundary) or real.is_symlink()


def collisions(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return pairs of different names that are one on other systems, which know no case or one Unicode form only."""
    first: dict[str, str] = {}
    return [(first[folded(name)], name) for name in names if first.setdefault(folded(name), name) != name]


def _entry(folder: Path, name: str, text: str) -> Path:
    """Return the entry of `folder` that is called `name`; `text` is what the user wrote."""
    try:
        names = sorted(entry.name for entry in folder.iterdir())
    except OSError:
        names = []
    composed = normalize("NFC", name)
    for same in (name.__eq__, lambda n: normalize("NFC", n) == composed, lambda n: folded(n) == folded(name)):
        fitting = [entry for entry in names if same(entry)]
        if len(fitting) == 1:
            return folder / fitting[0]
    shown = [entry for entry in names if not is_junk(entry)]
    mend = suggest(name, shown, "Correct the name, or put the file there")
    raise MistakeError(f"there is no {quoted(text)}", mend, absent=text)
