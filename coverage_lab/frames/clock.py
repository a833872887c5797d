"""When each frame of a series was exposed: from the camera's clock, else from the run sheet, else the order alone.

Marked exposure times are nominal (30 s is often 32 s) and most stamps are whole seconds; the period comes from a
fit over the series (`frames.period`). EXIF's date is taken as the exposure's start, as cameras do; the standard does
not say. A shift common to all frames changes no time within the run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from coverage_lab.frames.order import Arranged, arrange, listed
from coverage_lab.frames.period import Beat, fit_beat
from coverage_lab.frames.stamps import Stamp, local_moment
from coverage_lab.job import CameraSetup, Quality

FloatArray = NDArray[np.float64]

_FEWEST_STAMPED = 0.5  # share of the frames that must carry a time for the camera's clock to be used
_HALF_DARK = 0.4  # share of the time between first and last frame; noise reduction takes about half
_MARKED = 0.07  # marked exposures are off their true ones by up to this share: 30 s for 32 s
_SHORTEST_GAP_S = 0.02  # a camera needs at least this between two exposures


@dataclass(frozen=True, slots=True)
class FrameTimes:
    """The times of a series' frames, seconds from the first frame's start.

    `order` says which of the given frames these are, in time order; a second copy of a frame is left out. Where only
    the order is known (`source` "order"), every time is NaN. `u_s` is the standard uncertainty of a start against
    the first one, `exposure_u_s` that of an exposure. `began` is the first frame's start on the lab's wall clock.
    """

    order: tuple[int, ...]
    start_s: tuple[float, ...]
    end_s: tuple[float, ...]
    period_s: float
    exposure_s: float
    source: Literal["frames", "sheet", "order"]
    u_s: float
    exposure_u_s: float = 0.0
    began: datetime | None = None
    quality: tuple[Quality, ...] = ()


def frame_times(
    stamps: Sequence[Stamp], *, setup: CameraSetup, sheet_s: float | None = None, sheet_u_s: float = 0.0
) -> FrameTimes:
    """Return the times of frames given in file order, as `frames.stamps.read_stamps` reads them.

    sheet_s : what the run sheet says that the frames took together, used where the camera's clock is of no use;
    sheet_u_s : its standard uncertainty. Frames that are doubled, missing, out of order or of another camera are
    named in `quality`; of two cameras, the run is refused.
    """
    arranged = arrange(stamps, setup)
    known = np.flatnonzero(np.isfinite(arranged.stamp_s))
    if len(known) >= max(2, _FEWEST_STAMPED * len(arranged.order)):
        return _by_camera(stamps, arranged, known, setup)
    if sheet_s is not None:
        return _by_sheet(stamps, arranged, sheet_s, sheet_u_s)
    nan = (float("nan"),) * len(arranged.order)
    quality = arranged.quality
    if len(arranged.order) > 1:
        text = (
            "no frame carries a date that can be read, and the sheet gives no start and end: no time of this run is "
            "known. Let the camera write its date, or fill in start and end"
        )
        quality = (*quality, Quality("clock-unknown", "warning", text))
    return FrameTimes(arranged.order, nan, nan, nan[0], nan[0], "order", nan[0], nan[0], None, quality)


def _by_camera(stamps: Sequence[Stamp], arranged: Arranged, known: NDArray[np.intp], setup: CameraSetup) -> FrameTimes:
    beat = fit_beat(arranged.stamp_s[known], arranged.resolution_s)
    start_s = _all_starts(beat, known, len(arranged.order))
    exposure_s, exposure_u_s = _exposures(stamps, arranged.order, start_s, beat.period_s)
    offset_s = float(start_s[0])
    began = stamps[arranged.order[int(known[0])]].moment
    if began is not None:
        began = local_moment(began, clock_offset_s=setup.clock_offset_s, timezone=setup.timezone)
        began -= timedelta(seconds=float(arranged.stamp_s[known[0]]) - offset_s)
    quality = (*arranged.quality, *_missing(stamps, arranged, start_s, beat), *_half_lost(start_s, exposure_s, beat))
    return FrameTimes(
        order=arranged.order,
        start_s=tuple((start_s - offset_s).tolist()),
        end_s=tuple((start_s - offset_s + exposure_s).tolist()),
        period_s=beat.period_s,
        exposure_s=float(np.median(exposure_s)),
        source="frames",
        u_s=beat.u_s,
        exposure_u_s=exposure_u_s,
        began=began,
        quality=quality,
    )


def _by_sheet(stamps: Sequence[Stamp], arranged: Arranged, sheet_s: float, sheet_u_s: float) -> FrameTimes:
    """Share the sheet's time out evenly among the frames."""
    count = len(arranged.order)
    period_s = sheet_s / count
    start_s = period_s * np.arange(count, dtype=np.float64)
    exposure_s, exposure_u_s = _exposures(stamps, arranged.order, start_s, period_s)
    beat = Beat(period_s, start_s, sheet_u_s)
    return FrameTimes(
        order=arranged.order,
        start_s=tuple(start_s.tolist()),
        end_s=tuple((start_s + exposure_s).tolist()),
        period_s=period_s,
        exposure_s=float(np.median(exposure_s)),
        source="sheet",
        u_s=sheet_u_s,
        exposure_u_s=exposure_u_s,
        quality=(*arranged.quality, *_half_lost(start_s, exposure_s, beat)),
    )


def _all_starts(beat: Beat, known: NDArray[np.intp], count: int) -> FloatArray:
    """Return the start of every frame: one without a stamp follows the one before it (leads the one after it)."""
    at = np.arange(count)
    start_s = np.interp(at, known, beat.start_s)
    start_s[: known[0]] = beat.start_s[0] - beat.period_s * (known[0] - at[: known[0]])
    start_s[known[-1] :] = beat.start_s[-1] + beat.period_s * (at[known[-1] :] - known[-1])
    return np.asarray(start_s)


def _exposures(
    stamps: Sequence[Stamp], order: Sequence[int], start_s: FloatArray, period_s: float
) -> tuple[FloatArray, float]:
    """Return each frame's exposure and the standard uncertainty of one.

    Marked times of whole and third stops stand for powers of 2^(1/3): 30 s means 32 s, 15 s means 16 s (common
    practice, no source). The exact one is taken where it fits into the period, and the difference is its doubt.
    Without a marked time the shutter is taken to be open all the time.
    """
    exifs = [stamps[at].exif for at in order]
    marked_s = np.array([np.nan if exif is None or exif.exposure_s is None else exif.exposure_s for exif in exifs])
    usual_s = float(np.nanmedian(marked_s)) if np.isfinite(marked_s).any() else period_s
    marked_s = np.where(np.isnan(marked_s), usual_s, marked_s)
    exact_s = 2 ** (np.rint(3 * np.log2(marked_s)) / 3)
    nominal = (np.abs(exact_s / marked_s - 1) < _MARKED) & np.isin(marked_s.round(4), _MARKED_S)
    room_s = np.append(np.diff(start_s), period_s) - _SHORTEST_GAP_S
    exposure_s = np.where(nominal & (exact_s <= room_s), exact_s, marked_s)
    u_s = float(np.median(np.abs(exposure_s - marked_s))) / np.sqrt(3)
    return np.minimum(exposure_s, np.maximum(room_s + _SHORTEST_GAP_S, 0)), u_s


# Times that cameras mark, in whole and third stops; no others are rounded ones.
_MARKED_S = (1, 1.3, 1.6, 2, 2.5, 3, 3.2, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120)


def _half_lost(start_s: FloatArray, exposure_s: FloatArray, beat: Beat) -> tuple[Quality, ...]:
    """Warn where the shutter was closed for about half of each period or more; pauses do not count."""
    if len(start_s) < 3:
        return ()
    dark = 1 - float(np.median(exposure_s)) / beat.period_s
    if dark < _HALF_DARK:
        return ()
    text = (
        f"the shutter was closed for {100 * dark:.0f} % of the time: after every exposure the camera seems to take a "
        "dark one for itself. Switch its long-exposure noise reduction off, and shoot one dark frame for the night"
    )
    return (Quality("half-time-lost", "warning", text),)


def _missing(stamps: Sequence[Stamp], arranged: Arranged, start_s: FloatArray, beat: Beat) -> tuple[Quality, ...]:
    """Name the holes in a series where whole frames are missing, or the camera paused."""
    lost = np.rint(np.diff(start_s) / beat.period_s).astype(int) - 1
    holes = []
    for at in np.flatnonzero(lost > 0):
        before, after = (stamps[arranged.order[number]] for number in (at, at + 1))
        hole_s = float(start_s[at + 1] - start_s[at]) - beat.period_s
        where = f"between {before.path.name} and {after.path.name} ({hole_s:.0f} s)"
        skipped = _skipped(before.counter, after.counter)
        holes.append(f"{lost[at]} missing {where}" if skipped else f"a pause {where}")
    if not holes:
        return ()
    return (Quality("frame-missing", "warning", f"the series has holes: {listed(holes)}"),)


def _skipped(before: int | None, after: int | None) -> bool:
    """Say whether a camera's counter skips numbers between two frames; 9999 is followed by 0 or 1."""
    return before is not None and after is not None and after - before != 1 and not (before >= 9999 and after <= 1)
