"""The frame period of a series from clock stamps that may be whole seconds, with pauses and lost frames in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
_OFF_BEAT = 0.12  # of a period: a frame this far from the beat begins a new one


@dataclass(frozen=True, slots=True, eq=False)
class Beat:
    """A series' period, and what it makes of the stamps."""

    period_s: float
    start_s: FloatArray  # (n,), seconds on the stamps' axis
    u_s: float  # standard uncertainty of a start against the first one


def fit_beat(stamp_s: FloatArray, resolution_s: float) -> Beat:
    """Fit one period to increasing stamps (n,), each cut off to its resolution; n >= 2.

    Where frames do not follow the beat (a pause, a lost frame) a new phase begins; the period is common to all. A
    start always lies within what its own stamp says: [stamp, stamp + resolution). Several passes, since the period
    decides how many beats lie between two stamps.
    """
    step_s = np.diff(stamp_s)
    period_s = _first_guess(step_s, resolution_s)
    for _ in range(4):
        beats, part = _counted(step_s, period_s, resolution_s)
        fitted_s = _common_slope(stamp_s, beats, part)
        if fitted_s is None or abs(fitted_s - period_s) < 1e-9:
            break
        period_s = fitted_s
    low_s, high_s = _possible_periods(stamp_s, beats, part, resolution_s)
    steady = low_s <= high_s
    period_s = (low_s + high_s) / 2 if steady else period_s
    start_s, slack_s = _phased(stamp_s, period_s * beats, part, resolution_s)
    by_period_s = (high_s - low_s) * float(beats[-1]) / np.sqrt(12) if steady else np.inf
    by_phase_s = slack_s / np.sqrt(6) if part[-1] else 0.0
    u_s = min(np.hypot(by_period_s, by_phase_s), resolution_s / np.sqrt(6))
    return Beat(float(period_s), start_s, float(u_s))


def _possible_periods(
    stamp_s: FloatArray, beats: FloatArray, part: NDArray[np.int64], resolution_s: float
) -> tuple[float, float]:
    """Return the lowest and highest period that every pair of stamps of one phase allows; crossed if there is none.

    Stamps s at beats k allow a phase if all intervals [s - pk, s - pk + resolution) share a point, which intervals
    do if each two of them do (Helly 1923).
    """
    low_s, high_s = 0.0, np.inf
    for number in range(int(part[-1]) + 1):
        own = part == number
        apart = beats[own] - beats[own][:, None]
        later = apart > 0
        step_s = (stamp_s[own] - stamp_s[own][:, None])[later]
        low_s = max(low_s, ((step_s - resolution_s) / apart[later]).max(initial=low_s))
        high_s = min(high_s, ((step_s + resolution_s) / apart[later]).min(initial=high_s))
    return float(low_s), float(high_s)


def _phased(
    stamp_s: FloatArray, beat_s: FloatArray, part: NDArray[np.int64], resolution_s: float
) -> tuple[FloatArray, float]:
    """Return the starts, each stretch at the middle of the phases its stamps allow, and the widest such interval."""
    start_s = np.empty_like(beat_s)
    widest_s = 0.0
    for number in range(int(part[-1]) + 1):
        own = part == number
        phase_s = stamp_s[own] - beat_s[own]
        first_s, last_s = phase_s.max(), phase_s.min() + resolution_s
        widest_s = max(widest_s, abs(last_s - first_s))
        # Where jitter leaves no common phase, each start still lies within what its own stamp says.
        start_s[own] = np.clip((first_s + last_s) / 2 + beat_s[own], stamp_s[own], stamp_s[own] + resolution_s)
    return start_s, float(widest_s)


def _first_guess(step_s: FloatArray, resolution_s: float) -> float:
    """Return the mean of the steps that are one period: whole-second stamps differ by one second among them."""
    usual_s = float(np.median(step_s))
    near = np.abs(step_s - usual_s) <= max(resolution_s, 0.02 * usual_s)
    return float(step_s[near].mean())


def _counted(step_s: FloatArray, period_s: float, resolution_s: float) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return each frame's beat, counted from the first, and which stretch of one phase it is in."""
    between = np.maximum(np.rint(step_s / period_s), 1)
    off_s = np.abs(step_s - between * period_s)
    breaks = off_s > max(resolution_s, 1e-6) + _OFF_BEAT * period_s
    beats = np.concatenate([[0.0], np.cumsum(between)])
    return beats, np.concatenate([[0], np.cumsum(breaks)]).astype(np.int64)


def _common_slope(stamp_s: FloatArray, beats: FloatArray, part: NDArray[np.int64]) -> float | None:
    """Return the seconds per beat, least squares with a phase for each stretch; None where no stretch is a line."""
    count = np.bincount(part)
    off_beat = beats - (np.bincount(part, beats) / count)[part]
    off_s = stamp_s - (np.bincount(part, stamp_s) / count)[part]
    spread = float(off_beat @ off_beat)
    return float(off_beat @ off_s) / spread if spread > 0 else None
