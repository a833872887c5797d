"""The pictures in a night's folder, and finding among them the frames that a run sheet names."""

from __future__ import annotations

import re
from collections.abc import Set
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath

from coverage_lab.files.checking import MistakeError, quoted, suggest
from coverage_lab.files.places import (
    folded,
    is_junk,
    is_picture,
    leaves,
    locate,
    natural,
)
from coverage_lab.frames.kinds import JPEG_SUFFIXES, RAW_SUFFIXES
from coverage_lab.frames.stamps import WRAP, counter_of
from coverage_lab.job import Night

RESULTS = "results"  # written by us, never a run


@dataclass(frozen=True, slots=True)
class Shelf:
    """A night's pictures in natural order; each folder's own before those of its sub-folders.

    A JPEG and a raw file of one stem are one frame: that which the night's `source` asks for stands for both.
    """

    night: Night
    pictures: tuple[Path, ...]

    @classmethod
    def of(cls, night: Night) -> Shelf:
        """Return the shelf of a night: all its pictures but the reference, dark and ambient ones."""
        spoken_for = {night.reference, night.reference_after, night.dark, night.ambient}
        return cls(night, pictures_below(night.folder, night.camera.source, spoken_for))

    def inside(self, folder: Path) -> tuple[Path, ...]:
        """Return the pictures directly in a folder."""
        return tuple(path for path in self.pictures if path.parent == folder)

    def find(self, text: str) -> tuple[Path, ...]:
        """Return the frames that `text` names: a picture, a folder, a glob or a range `FIRST..LAST`.

        Raises MistakeError where it names none, or a picture that may not be used.
        """
        place = PurePosixPath(text.replace("\\", "/"))
        if ".." in place.parts:
            raise MistakeError(f"{quoted(text)} leaves the night's folder", "Name pictures inside the night")
        try:
            frames = self._named(text)
        except MistakeError:
            if ".." in text:
                frames = self._range(text)
            elif _is_glob(text):
                frames = self._glob(text)
            else:
                raise
        for frame in frames:
            self.check(frame)
        return frames

    def names_last(self, text: str) -> bool:
        """Say whether `text` names its last frame: a picture or a range. Others may come to a folder or a glob."""
        try:
            return not locate(text, self.night.folder, self.night.folder).is_dir()
        except MistakeError:
            return ".." in text or not _is_glob(text)

    def _named(self, text: str) -> tuple[Path, ...]:
        """Return the picture or the folder's pictures; a picture may be named without its ending."""
        try:
            place = locate(text, self.night.folder, self.night.folder)
        except MistakeError:
            with_stem = [path for path in self.pictures if folded(self._name(path, stem=True)) == folded(text)]
            if len(with_stem) == 1:
                return (with_stem[0],)
            raise
        if place.is_dir():
            frames = self.inside(place.resolve())
            if not frames:
                wrong = f"there is no picture in the folder {quoted(text)}"
                raise MistakeError(wrong, "Copy the frames into it", absent=text)
            return frames
        frames = tuple(path for path in self.pictures if _twin_key(path) == _twin_key(place))
        if not frames:
            kind = "the night's own reference, dark or ambient picture" if is_picture(place) else "no picture"
            raise MistakeError(f"{quoted(text)} is {kind}", "Name the run's exposures")
        return frames

    def _glob(self, text: str) -> tuple[Path, ...]:
        pattern = PurePosixPath(folded(text)).parts
        frames = tuple(path for path in self.pictures if _fits(self._name(path), pattern))
        if not frames:
            wrong = f"no picture fits {quoted(text)}"
            raise MistakeError(wrong, "Correct it, or copy the frames into the night", absent=text)
        return frames

    def _range(self, text: str) -> tuple[Path, ...]:
        """Return the pictures from FIRST to LAST, walking folders in order, as cameras fill them.

        In one folder the counter may begin again in between, after 9999.
        """
        ends = [self._end(part.strip(), text) for part in text.split("..", 1)]
        first, last = (self.pictures.index(end) for end in ends)
        found = self.pictures[first : last + 1]
        if last < first:
            if not _begins_again(*ends):
                raise MistakeError(f"{quoted(text)} ends before it begins", "Swap the two names")
            own = self.inside(ends[0].parent)
            found = own[own.index(ends[0]) :] + own[: own.index(ends[1]) + 1]
        prefix = _prefix(ends[0])
        return tuple(path for path in found if _prefix(path) == prefix)

    def _end(self, name: str, text: str) -> Path:
        """Return the one picture that an end of the range `text` names, with or without folder and ending."""
        forms = ((True, True), (True, False), (False, True), (False, False))
        fitting = [
            path
            for path in self.pictures
            if any(folded(name) == folded(self._name(path, stem, bare)) for stem, bare in forms)
        ]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            where = " and ".join(quoted(self._name(path)) for path in fitting[:2])
            raise MistakeError(f"{quoted(name)} is there more than once ({where})", "Put the folder before it")
        known = [self._name(path, stem=True, bare=True) for path in self.pictures]
        mend = suggest(name, known, "Correct the range, or copy the frames into the night")
        wrong = f"there is no picture {quoted(name)} to begin or end the range {quoted(text)}"
        raise MistakeError(wrong, mend, absent=name)

    def _name(self, path: Path, stem: bool = False, bare: bool = False) -> str:
        """Return a picture's name as written: from the night on or `bare`, with its ending or as `stem`."""
        place = PurePosixPath(path.relative_to(self.night.folder).as_posix())
        shown = place.with_suffix("") if stem else place
        return shown.name if bare else str(shown)

    def check(self, frame: Path) -> None:
        """Raise MistakeError if a picture may not be a frame of this night: a link out of it, or of the other kind."""
        if leaves(frame, self.night.folder):
            raise MistakeError(f"{quoted(frame.name)} is a link that leaves the night", "Copy the file into it")
        source = self.night.camera.source
        if not _is_wanted(frame, source):
            wrong = f"{quoted(frame.name)} does not fit source = {quoted(source)} in night.toml"
            raise MistakeError(wrong, "Use one kind of picture for the whole night")


def pictures_below(folder: Path, source: str, but: Set[Path | None] = frozenset()) -> tuple[Path, ...]:
    """Return the pictures below a folder in natural order, without those in `but`.

    Of a JPEG and a raw file of one stem it is that which a night's `source` asks for.
    """
    chosen: dict[Path, Path] = {}
    for path in sorted(_walk(folder), key=lambda path: _order(path, folder)):
        if path not in but:
            twin = _twin_key(path)
            if twin not in chosen or _is_wanted(path, source):
                chosen[twin] = path
    return tuple(chosen.values())


def _walk(folder: Path) -> list[Path]:
    """Return all pictures below a folder; not in hidden folders, results, or behind linked folders."""
    files = []
    for entry in folder.iterdir():
        if is_junk(entry.name):
            continue
        if entry.is_dir():
            if not entry.is_symlink() and entry.name != RESULTS:
                files.extend(_walk(entry))
        elif is_picture(entry):
            files.append(entry)
    return files


def _order(path: Path, top: Path) -> tuple[tuple[bool, object], ...]:
    """Return the key for a folder's own files before its sub-folders', both in natural order."""
    *folders, name = path.relative_to(top).parts
    return (*((True, natural(folder)) for folder in folders), (False, natural(name)))


def _twin_key(path: Path) -> Path:
    """Return what a JPEG and the raw file taken with it have in common; any other picture is its own."""
    suffix = path.suffix.casefold()
    if suffix in JPEG_SUFFIXES | RAW_SUFFIXES:
        return path.with_name(f"{folded(path.stem)}.jpeg-or-raw")
    return path


def _is_wanted(path: Path, source: str) -> bool:
    """Say whether a picture may be a frame of a night with this `source`; PNG and TIFF may always."""
    unwanted = RAW_SUFFIXES if source == "jpeg" else JPEG_SUFFIXES
    return path.suffix.casefold() not in unwanted


def _is_glob(text: str) -> bool:
    return bool(re.search(r"[*?\[]", text))


def _prefix(path: Path) -> str:
    """Return the letters before a camera's counter."""
    return folded(re.sub(r"\d+$", "", path.stem))


def _begins_again(first: Path, last: Path) -> bool:
    """Say whether a counter went over its end from one picture to a later one of the same folder."""
    counters = [counter_of(path) for path in (first, last)]
    if first.parent != last.parent or None in counters:
        return False
    before, after = (int(counter or 0) for counter in counters)
    return before - after > WRAP


def _fits(name: str, pattern: tuple[str, ...]) -> bool:
    parts = PurePosixPath(folded(name)).parts
    return len(parts) == len(pattern) and all(map(fnmatchcase, parts, pattern))
