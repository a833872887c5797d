"""What names, EXIF and content tell of each frame of a series, before anything is decoded."""

from __future__ import annotations

import hashlib
import re
import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from coverage_lab.frames.exif import Exif, exif_of
from coverage_lab.frames.kinds import RAW_SUFFIXES
from coverage_lab.frames.raw import read_raw_exif

# Year first: with other separators than the standard's colons it still means the same.
_TAKEN = re.compile(r"(\d{4})[:/-](\d\d)[:/-](\d\d)[ T](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(Z|[+-]\d\d:?\d\d)?")
WRAP = 5000  # a hole in the counters wider than this is where they began again
_NOT_SET = re.compile(r"[0:/ -]*")  # what a camera writes whose clock was never set


@dataclass(frozen=True, slots=True)
class Stamp:
    """One frame as its file's head shows it."""

    path: Path
    exif: Exif | None
    same_as: int | None = None  # an earlier frame of the series whose content is the same, byte by byte

    @property
    def taken(self) -> str | None:
        """The camera's date as written; None where there is none, or the clock was never set."""
        text = None if self.exif is None else self.exif.taken
        return None if text is None or _NOT_SET.fullmatch(text) else text

    @property
    def moment(self) -> datetime | None:
        """When the exposure began, with the camera's offset from UTC if it wrote one; None if that can't be read."""
        return moment_of(self.taken)

    @property
    def counter(self) -> int | None:
        """The number at the end of the name, as cameras count frames up."""
        return counter_of(self.path)


def counter_of(path: Path) -> int | None:
    """Return the number at the end of a picture's name, as cameras count frames up."""
    digits = re.search(r"(\d+)$", path.stem)
    return int(digits[1]) if digits else None


def moment_of(taken: str | None) -> datetime | None:
    """Return the moment that EXIF's date, fraction and offset say; None where they say none."""
    match = _TAKEN.fullmatch(taken.strip()) if taken else None
    if match is None:
        return None
    year, month, day, hour, minute, second, fraction, offset = match.groups()
    micro = f"{fraction or 0:0<6}"[:6]
    try:
        return datetime.fromisoformat(f"{year}-{month}-{day}T{hour}:{minute}:{second}.{micro}{offset or ''}")
    except ValueError:
        return None  # a thirteenth month, or an offset of more than a day


def local_moment(moment: datetime, *, clock_offset_s: float, timezone: str | None) -> datetime:
    """Return what a right clock on the lab's wall shows at a camera's moment; without time zone in it.

    `clock_offset_s` is added to the camera's clock. A moment with an offset from UTC is moved to `timezone`.
    """
    if moment.tzinfo is not None and timezone is not None:
        moment = moment.astimezone(ZoneInfo(timezone))
    return moment.replace(tzinfo=None) + timedelta(seconds=clock_offset_s)


def read_stamps(paths: Sequence[Path]) -> tuple[Stamp, ...]:
    """Read the heads of a series' pictures, given in file order; a file that cannot be read has no EXIF.

    Content is compared only among files of one size.
    """
    sizes = [path.stat().st_size if path.is_file() else -1 for path in paths]
    shared = {size for size, count in Counter(sizes).items() if count > 1}
    first: dict[str, int] = {}
    stamps = []
    for at, (path, size) in enumerate(zip(paths, sizes, strict=True)):
        earlier = None
        if size in shared and size > 0:
            earlier = first.setdefault(_digest(path), at)
        stamps.append(Stamp(path, read_exif(path), None if earlier in (None, at) else earlier))
    return tuple(stamps)


def read_exif(path: Path) -> Exif | None:
    """Return what the camera wrote into a picture's head; None for a file that is no picture, or has no EXIF."""
    from PIL import Image

    if path.suffix.lower() in RAW_SUFFIXES:
        return read_raw_exif(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns of large pictures and damaged EXIF; nothing is decoded here
        try:
            with Image.open(path) as header:
                return exif_of(header)
        except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
            return None  # reading the frame itself will say what is wrong with it


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
