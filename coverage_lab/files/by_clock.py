"""Frames that a run sheet names by the clock: those whose exposure began between the row's start and end."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

from coverage_lab.files.checking import MistakeError, quoted
from coverage_lab.frames.stamps import local_moment, moment_of, read_exif
from coverage_lab.job import CameraSetup

_TIME = re.compile(r"(?:(\d{4}-\d\d-\d\d)[ T])?(\d{1,2}:\d\d)(:\d\d)?")
_DAY = timedelta(days=1)
_NO_DATE = datetime(2000, 1, 1)  # the day of times whose date is not written


@dataclass(frozen=True, slots=True)
class Span:
    """A run's time on the lab's wall clock; without dates it is on whatever day the night's pictures are."""

    start: datetime
    end: datetime  # a time without seconds means its whole minute
    dated: bool

    @property
    def duration_s(self) -> float:
        """From start to end; without seconds to the end of the last minute."""
        return (self.end - self.start).total_seconds()

    def holds(self, moment: datetime) -> bool:
        """Say whether a moment on the wall clock lies in the span."""
        if self.dated:
            return self.start <= moment <= self.end
        return (moment - self.start) % _DAY <= self.end - self.start


def span_of(start: str, end: str) -> Span | None:
    """Return the span that a row's cells say, over midnight if the end is the earlier time; None if both are empty.

    Raises MistakeError.
    """
    if not start and not end:
        return None
    if not start or not end:
        wrong = f"there is {'a start' if start else 'an end'} but no {'end' if start else 'start'}"
        raise MistakeError(wrong, "Write both")
    (first, first_dated, _), (last, last_dated, in_minutes) = _moment(start), _moment(end)
    if last_dated and not first_dated:
        raise MistakeError(f"{quoted(end)} has a date and {quoted(start)} has none", "Write the date with the start")
    if first_dated and not last_dated:
        last = datetime.combine(first.date(), last.time())
    if in_minutes:
        last += timedelta(seconds=59.999)
    if last < first and last_dated:
        raise MistakeError(f"the end {quoted(end)} is before the start {quoted(start)}", "Swap or correct them")
    return Span(first, last if last >= first else last + _DAY, first_dated)


def _moment(text: str) -> tuple[datetime, bool, bool]:
    """Return a moment, whether its date is written, and whether it is given in minutes only."""
    match = _TIME.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        day, minutes, seconds = match.groups()
        clock = datetime.strptime(f"{minutes}{seconds or ':00'}", "%H:%M:%S").time()
        date = _NO_DATE.date() if day is None else datetime.strptime(day, "%Y-%m-%d").date()
    except ValueError:
        mend = "Write it like 21:05:30, or 2031-02-11 21:05:30"
        raise MistakeError(f"{quoted(text)} is no time", mend) from None
    return datetime.combine(date, clock), day is not None, seconds is None


def frames_in(span: Span, moments: Mapping[Path, datetime], pictures: Sequence[Path]) -> tuple[Path, ...]:
    """Return those of `pictures` that were begun in the span. Raises MistakeError where there is none."""
    known = {path: moments[path] for path in pictures if path in moments}
    if not known:
        wrong = "is empty, and no picture of the night carries a date to choose it by start and end"
        raise MistakeError(wrong, "Name the frames", absent="dated pictures")
    if not span.dated and max(known.values()) - min(known.values()) >= _DAY:
        wrong = "the night's pictures are of more than one day, and start and end say no date"
        raise MistakeError(wrong, f"Write them like {min(known.values()):%Y-%m-%d %H:%M:%S}")
    frames = tuple(path for path, moment in known.items() if span.holds(moment))
    if not frames:
        first, last = min(known.values()), max(known.values())
        wrong = f"no picture was begun then: those of the night are from {first:%Y-%m-%d %H:%M:%S} to {last:%H:%M:%S}"
        mend = "Correct the times, or the camera's clock with clock_offset_s and timezone in night.toml"
        raise MistakeError(wrong, mend, absent="its pictures")
    return frames


def wall_moments(pictures: Sequence[Path], camera: CameraSetup) -> dict[Path, datetime]:
    """Return when each picture was begun, as a right clock on the lab's wall shows it; without those with no date."""
    found = {}
    for path in pictures:
        facts = path.stat()
        moment = _taken(path, facts.st_size, facts.st_mtime_ns)
        if moment is not None:
            found[path] = local_moment(moment, clock_offset_s=camera.clock_offset_s, timezone=camera.timezone)
    return found


@lru_cache(maxsize=4096)
def _taken(path: Path, size: int, mtime_ns: int) -> datetime | None:
    """Read when a picture was begun; watched nights ask again and again, and the stamp tells it from a later file."""
    exif = read_exif(path)
    return None if exif is None else moment_of(exif.taken)
