"""In which order the frames of a series were taken, and what is wrong with their names, stamps and cameras."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from coverage_lab.frames.stamps import WRAP, Stamp
from coverage_lab.job import CameraSetup, Quality

FloatArray = NDArray[np.float64]

_HOUR_S = 3600.0
_LONGEST_PAUSE_S = 6 * _HOUR_S  # a longer step within one run is a clock that was set anew
_NAMES = 4  # so many are listed, the rest counted


@dataclass(frozen=True, slots=True, eq=False)
class Arranged:
    """A series in the order in which it was taken."""

    order: tuple[int, ...]  # which of the given frames
    stamp_s: FloatArray  # (n,) camera clock in seconds, made continuous; NaN where a frame has no date
    resolution_s: float
    quality: tuple[Quality, ...]


def arrange(stamps: Sequence[Stamp], setup: CameraSetup) -> Arranged:
    """Put the frames of a series, given in file order, into the order in which they were taken."""
    kept = _unwrapped(stamps, [at for at, stamp in enumerate(stamps) if stamp.same_as is None])
    stamp_s, resolution_s = _on_one_axis(stamps)
    quality = [*_doubled(stamps), *_cameras(stamps), *_unreadable(stamps)]
    order, clock_s, remarks = _ordered(stamps, kept, stamp_s, setup)
    return Arranged(tuple(order), clock_s, resolution_s, (*quality, *remarks))


def listed(names: Sequence[str]) -> str:
    """Return names as a sentence lists them: the first few, and how many more."""
    more = f" and {len(names) - _NAMES} more" if len(names) > _NAMES else ""
    return ", ".join(names[:_NAMES]) + more


def _unwrapped(stamps: Sequence[Stamp], kept: list[int]) -> list[int]:
    """Return frames with those after a counter's 9999 behind it, where both lie in one folder."""
    counters = [stamps[at].counter for at in kept]
    if len({stamps[at].path.parent for at in kept}) != 1 or None in counters:
        return kept
    steps = [after - before for before, after in pairwise(counters) if before is not None and after is not None]
    if not steps or max(steps) <= WRAP:
        return kept
    cut = steps.index(max(steps)) + 1
    return kept[cut:] + kept[:cut]


def _on_one_axis(stamps: Sequence[Stamp]) -> tuple[FloatArray, float]:
    """Return the stamps in seconds, by UTC if all have an offset, else by the camera's wall clock; and their step."""
    moments = [stamp.moment for stamp in stamps]
    given = [moment for moment in moments if moment is not None]
    if not given:
        return np.full(len(stamps), np.nan), 1.0
    if not all(moment.tzinfo is not None for moment in given):
        moments = [None if moment is None else moment.replace(tzinfo=None) for moment in moments]
        given = [moment for moment in moments if moment is not None]
    first = given[0]
    seconds = [float("nan") if moment is None else (moment - first).total_seconds() for moment in moments]
    # A fraction that never changes (many cameras write 00) tells nothing.
    fractions = {moment.microsecond for moment in given}
    if (len(fractions) == 1 and len(given) > 2) or fractions == {0}:
        return np.array(seconds), 1.0
    digits = min(_digits(stamp.taken) for stamp in stamps if stamp.taken is not None)
    return np.array(seconds), float(10.0**-digits)


def _digits(taken: str) -> int:
    """Return how many digits of a second a date is given to."""
    fraction = re.search(r"\.(\d+)", taken)
    return len(fraction[1]) if fraction else 0


def _ordered(
    stamps: Sequence[Stamp], kept: list[int], stamp_s: FloatArray, setup: CameraSetup
) -> tuple[list[int], FloatArray, list[Quality]]:
    """Return the frames in time order, their clock made continuous, and what had to be done for it.

    File order is kept where its stamps increase, after an hour's jump was taken out; else the stamps' order, if that
    leaves no gap longer than a run has; else the clock was set in mid-run, and time goes on by one period there.
    """
    clock_s = stamp_s[kept]
    known = np.flatnonzero(np.isfinite(clock_s))
    if len(known) < 2:
        return kept, clock_s, []
    moved_s, jumps = _without_hours(clock_s, known, stamps, kept, setup)
    if not _odd(moved_s[known]).any():
        return kept, moved_s, [_hour_jump(stamps, kept, jumps)] if jumps else []
    by_time = np.argsort(np.where(np.isnan(clock_s), _carried(clock_s), clock_s), kind="stable")
    sorted_s = clock_s[by_time]
    if not _odd(sorted_s[np.isfinite(sorted_s)]).any():
        order = [kept[at] for at in by_time]
        return order, sorted_s, [_out_of_order(stamps, kept, order)]
    return _set_anew(stamps, kept, moved_s, known)


def _odd(clock_s: FloatArray) -> NDArray[np.bool_]:
    """Say which steps no running clock makes within one run: backwards, or longer than any pause."""
    step_s = np.diff(clock_s)
    return np.asarray((step_s < 0) | (step_s > _LONGEST_PAUSE_S))


def _carried(clock_s: FloatArray) -> FloatArray:
    """Return the clock with frames that have no date held at the one before them."""
    filled = clock_s.copy()
    for at in range(1, len(filled)):
        if np.isnan(filled[at]):
            filled[at] = filled[at - 1]
    return np.where(np.isnan(filled), -np.inf, filled)


def _without_hours(
    clock_s: FloatArray, known: NDArray[np.intp], stamps: Sequence[Stamp], kept: list[int], setup: CameraSetup
) -> tuple[FloatArray, list[int]]:
    """Return the clock without jumps of an hour between two frames, and before which frames they were."""
    moved_s = clock_s.copy()
    usual_s = float(np.median(np.abs(np.diff(clock_s[known]))))
    jumps = []
    for before, after in pairwise(known):
        step_s = moved_s[after] - moved_s[before]
        for hour_s in (_HOUR_S, -_HOUR_S):
            left_s = step_s - hour_s
            usual = abs(left_s - usual_s * (after - before)) <= 0.25 * usual_s + 1
            if usual and _may_jump(stamps[kept[after]], setup.timezone):
                moved_s[after:] -= hour_s
                jumps.append(int(after))
    return moved_s, jumps


def _may_jump(stamp: Stamp, timezone: str | None) -> bool:
    """Say whether clocks may have been changed about then: always, where the night names no time zone."""
    moment = stamp.moment
    if timezone is None or moment is None:
        return moment is not None
    zone = ZoneInfo(timezone)
    plain = moment.replace(tzinfo=None)
    around = {zone.utcoffset(plain + timedelta(days=days)) for days in (-1, 1)}
    return len(around) > 1


def _set_anew(
    stamps: Sequence[Stamp], kept: list[int], clock_s: FloatArray, known: NDArray[np.intp]
) -> tuple[list[int], FloatArray, list[Quality]]:
    """Return file order, with a clock that goes on by one usual step wherever it was set in mid-run."""
    step_s = np.diff(clock_s[known])
    odd = _odd(clock_s[known])
    usual_s = float(np.median(step_s[~odd])) if (~odd).any() else 0.0
    where = []
    for at in np.flatnonzero(odd):
        before, after = known[at], known[at + 1]
        clock_s[after:] += clock_s[before] + usual_s * (after - before) - clock_s[after]
        where.append(f"between {stamps[kept[before]].path.name} and {stamps[kept[after]].path.name}")
    text = (
        f"the camera's clock was set in mid-run, {listed(where)}; how long the camera paused there is not known and "
        "taken as one frame period. Set the clock before the night, and leave it"
    )
    return kept, clock_s, [Quality("clock-jump", "warning", text)]


def _hour_jump(stamps: Sequence[Stamp], kept: list[int], jumps: list[int]) -> Quality:
    names = listed([stamps[kept[at]].path.name for at in jumps])
    text = f"the camera's clock jumps by an hour at {names}, as for daylight saving; the hour is taken out"
    return Quality("clock-jump", "note", text)


def _out_of_order(stamps: Sequence[Stamp], before: list[int], after: list[int]) -> Quality:
    """Name the frames that lie elsewhere by their stamps: all outside a longest run that both orders share."""
    place = {frame: at for at, frame in enumerate(before)}
    stayed = _longest_increasing([place[frame] for frame in after])
    moved = [stamps[frame].path.name for frame in after if place[frame] not in stayed]
    text = (
        f"by the camera's clock these frames are not where their names put them: {listed(moved)}; the clock is followed"
    )
    return Quality("frame-order", "warning", text)


def _longest_increasing(places: list[int]) -> set[int]:
    """Return a longest increasing subsequence (Fredman 1975, by patience)."""
    tops: list[int] = []
    back: dict[int, int | None] = {}
    for place in places:
        at = int(np.searchsorted(tops, place))
        back[place] = tops[at - 1] if at else None
        tops[at : at + 1] = [place]
    chain: set[int] = set()
    last: int | None = tops[-1] if tops else None
    while last is not None:
        chain.add(last)
        last = back[last]
    return chain


def _doubled(stamps: Sequence[Stamp]) -> list[Quality]:
    twice = [f"{s.path.name} (as {stamps[s.same_as].path.name})" for s in stamps if s.same_as is not None]
    if not twice:
        return []
    return [Quality("frame-twice", "warning", f"the same picture twice, left out once: {listed(twice)}")]


def _cameras(stamps: Sequence[Stamp]) -> list[Quality]:
    """Refuse a series of two cameras: only one of them hangs where the reference frame was taken from."""
    by = Counter(stamp.exif.camera for stamp in stamps if stamp.exif is not None and stamp.exif.camera is not None)
    if len(by) < 2:
        return []
    (usual, _), *others = by.most_common()
    names = [s.path.name for s in stamps if s.exif is not None and s.exif.camera not in (None, usual)]
    text = (
        f"frames of {len(by)} cameras are mixed: {usual}, and {listed([str(name) for name, _ in others])} in "
        f"{listed(names)}. Take the frames of the other camera out of the run"
    )
    return [Quality("cameras-mixed", "refused", text)]


def _unreadable(stamps: Sequence[Stamp]) -> list[Quality]:
    """Name dates that are there but are none."""
    wrong = [s for s in stamps if s.taken is not None and s.moment is None]
    if not wrong:
        return []
    shown = f'"{wrong[0].taken}" in {listed([s.path.name for s in wrong])}'
    text = (
        f"a date that cannot be read: {shown}; EXIF writes YYYY:MM:DD HH:MM:SS. These frames are placed by their names"
    )
    return [Quality("clock-unknown", "warning", text)]
