"""What has come into a night's folder, and which runs are whole. Looks at no disk and at no clock: it is told.

looks at the folder ──► files: steady? ──► decoded to the end? ──► runs: ended? ──► ready
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from statistics import median

STEADY_S = 2.0  # a file whose size and time stamp did not change for so long is looked into
QUIET_S = 10.0  # so long after its last frame a run has ended if the next one began meanwhile
SETTLE_S = 600.0  # so long after its last frame a run has ended in any case,
SETTLE_PERIODS = 5  # or after so many frame periods if that is longer


@dataclass(frozen=True, slots=True)
class Entry:
    """A file as it is found in one look."""

    size: int
    mtime_ns: int
    age_s: float  # since it was last changed, by the clocks of the disk and of this machine


@dataclass(frozen=True, slots=True)
class Expected:
    """A run that the night will have; names are those of the looks."""

    id: str
    frames: tuple[str, ...]  # those that are there
    shared: tuple[str, ...]  # pictures that it needs besides: reference, dark, ambient
    closed: bool  # whether the last frame is known to be among them


@dataclass(frozen=True, slots=True)
class Standing:
    """How far a run has come."""

    id: str
    ready: bool
    frames: int
    again_s: float | None  # when time alone may make it ready


@dataclass(slots=True)
class _File:
    stamp: tuple[int, int]
    first_s: float  # when the file came
    changed_s: float  # when it changed last
    seen_s: float  # when this state of it was first seen here
    looks: int = 1
    whole: bool | None = None  # decodes to its end; None: nobody has tried yet


class Arrivals:
    """The files of one night, from look to look. Times are seconds of one clock that never goes back."""

    def __init__(self, settle_s: float | None = None) -> None:
        self._settle_s = settle_s
        self._files: dict[str, _File] = {}
        self.looks = 0
        self._now_s = 0.0

    def look(self, entries: Mapping[str, Entry], now_s: float) -> None:
        """Take in what a look at the folder found at `now_s`.

        Only at the first look is a file's age believed: later it is known when a file came, and clocks of network
        drives are often wrong.
        """
        for name in self._files.keys() - entries.keys():
            del self._files[name]
        for name, entry in entries.items():
            known, stamp = self._files.get(name), (entry.size, entry.mtime_ns)
            if known is None:
                came_s = now_s if self.looks else now_s - max(entry.age_s, 0.0)
                self._files[name] = _File(stamp, came_s, came_s, now_s)
            elif known.stamp != stamp:
                self._files[name] = _File(stamp, known.first_s, now_s, now_s)
            else:
                known.looks += 1
        self.looks += 1
        self._now_s = now_s

    def know(self, names: Iterable[str]) -> bool:
        """Say whether all of these were there at the last look."""
        return all(name in self._files for name in names)

    def steady(self, name: str) -> bool:
        """Say whether a file is there and was the same in two looks or more, STEADY_S apart."""
        file = self._files.get(name)
        return file is not None and file.looks > 1 and self._now_s - file.seen_s >= STEADY_S

    def unchecked(self, names: Iterable[str]) -> list[str]:
        """Return those of `names` that are steady, and that nobody has tried to decode in their present state."""
        return [name for name in names if self.steady(name) and self._files[name].whole is None]

    def checked(self, name: str, whole: bool) -> None:
        """Note whether a file decodes to its end."""
        self._files[name].whole = whole

    def stamps(self, names: Iterable[str]) -> tuple[tuple[str, tuple[int, int] | None], ...]:
        """Return the files' states, to see later whether any is another."""
        return tuple((name, self._files[name].stamp if name in self._files else None) for name in names)

    def steady_from_s(self, names: Iterable[str]) -> float | None:
        """Return when all of those that are there may be found steady; None if they are."""
        waits = [self._files[name].seen_s + STEADY_S for name in names if name in self._files and not self.steady(name)]
        return max(waits, default=None)

    def standings(self, runs: Sequence[Expected]) -> tuple[Standing, ...]:
        """Say of each run how far it has come."""
        starts_s = {run.id: min(self._files[name].first_s for name in run.frames) for run in runs}
        latest = sorted(starts_s, key=starts_s.__getitem__)[-2:]  # the latest, and the latest but for that run itself
        others_s = {run.id: max((starts_s[id] for id in latest if id != run.id), default=-inf) for run in runs}
        return tuple(self._standing(run, others_s[run.id]) for run in runs)

    def _standing(self, run: Expected, next_start_s: float) -> Standing:
        names = (*run.frames, *(name for name in run.shared if name in self._files))
        again_s = self.steady_from_s(names)
        if again_s is not None:
            return Standing(run.id, False, len(run.frames), again_s)
        files = [self._files[name] for name in names]
        last_s = max(self._files[name].changed_s for name in run.frames)
        if not all(file.whole for file in files):
            # Perhaps the rest is still to come. If not, measuring it will say what is wrong with it.
            ends_s = max(file.changed_s for file in files) + self._settle(run)
        elif run.closed:
            ends_s = last_s
        elif next_start_s > last_s:
            ends_s = last_s + min(QUIET_S, self._settle(run))
        else:
            ends_s = last_s + self._settle(run)
        ready = self._now_s >= ends_s
        return Standing(run.id, ready, len(run.frames), None if ready else ends_s)

    def _settle(self, run: Expected) -> float:
        """How long nothing must come for a run to have ended."""
        if self._settle_s is not None:
            return self._settle_s
        times_ns = sorted(self._files[name].stamp[1] for name in run.frames)
        period_s = median(later - earlier for earlier, later in pairwise(times_ns)) / 1e9 if len(times_ns) > 2 else 0.0
        return max(SETTLE_S, SETTLE_PERIODS * period_s)
