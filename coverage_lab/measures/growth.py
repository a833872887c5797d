"""How coverage grew, and how long the run took, from what each frame of a series added.

All planes are (rows, cols); `first` is the number, from 1, of the frame in which a cell was first swept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from coverage_lab.measures.uncertainty import combined
from coverage_lab.measures.values import GrowthPoint
from coverage_lab.room.grid import ShareArray

FloatArray = NDArray[np.float64]

MILESTONES = (50, 80, 90, 95)  # percent
LESS_THAN_FINAL = 1.0  # points: from there on a run adds next to nothing
# Two frames' strips are told apart to some millimetres where they adjoin, so that before the end a little floor counts
# too early or too late: up to 0.3 points on rendered series.
BETWEEN_FRAMES_POINTS = 0.25
LEAST_MOVED = 0.35  # of the nozzle squared: a strip that covers less is a robot that stands
AT_DOCK_M = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class FrameSpan:
    """When a series' frames were exposed, and what each covered; nan where not known."""

    start_s: FloatArray  # (n,)
    end_s: FloatArray
    covered_m2: FloatArray  # of the frame's strip; nan for a frame that cannot be read
    lit_m: Sequence[tuple[float, float] | None]  # middle of the strip


def first_everywhere(first: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Return `first` with every cell that lay in no strip taking the number of the nearest one that did."""
    if not first.any():
        return first
    rows, cols = distance_transform_edt(first == 0, return_distances=False, return_indices=True)
    return np.asarray(first[rows, cols])


def growth_percent(swept: ShareArray, visible: ShareArray, first: NDArray[np.uint16], frames: int) -> FloatArray:
    """Return the swept share of visible floor after each of `frames` frames, percent, (frames,)."""
    added = np.bincount(first.ravel(), weights=(swept * visible).ravel(), minlength=frames + 1)
    return np.asarray(100 * np.cumsum(added)[1 : frames + 1] / float(visible.sum(dtype=np.float64)))


def growth(percent: FloatArray, u_final: float, end_s: FloatArray) -> tuple[GrowthPoint, ...]:
    """Return the points of growth with their uncertainty.

    What makes the final coverage `percent[-1]` unsure by `u_final` makes each point unsure in proportion; before the
    end comes what is not known of the border between two frames.
    """
    share = percent / percent[-1] if percent[-1] > 0 else np.zeros_like(percent)
    between = BETWEEN_FRAMES_POINTS * 2 * np.sqrt(np.clip(share * (1 - share), 0, None))
    return tuple(
        GrowthPoint(None if np.isnan(t) else float(t), float(value), combined([u_final * part, doubt]))
        for t, value, part, doubt in zip(end_s, percent, share, between, strict=True)
    )


def times_to(points: Sequence[GrowthPoint]) -> dict[str, float | None]:
    """Return when coverage reached each milestone, and its final value less a point; None: never, or no clock.

    Between two frames it grows evenly.
    """
    if not points or any(point.t_s is None for point in points):
        return {}
    t_s = np.array([0.0, *(point.t_s or 0.0 for point in points)])
    percent = np.array([0.0, *(point.percent for point in points)])
    wanted = {str(value): float(value) for value in MILESTONES} | {"final_less_1": percent[-1] - LESS_THAN_FINAL}
    return {name: _reached(t_s, percent, value) for name, value in wanted.items()}


def _reached(t_s: FloatArray, percent: FloatArray, value: float) -> float | None:
    beyond = np.flatnonzero(percent >= value)
    if not len(beyond) or value <= 0:
        return None
    at = int(beyond[0])
    rise = percent[at] - percent[at - 1]
    part = (value - percent[at - 1]) / rise if rise > 0 else 1.0
    return float(t_s[at - 1] + part * (t_s[at] - t_s[at - 1]))


@dataclass(frozen=True, slots=True)
class Moving:
    """When a robot moved, seconds from the first frame's start."""

    begin_s: float
    end_s: float
    still_s: float  # stood in between
    at_dock_s: float  # of it, at its dock


def when_moving(span: FrameSpan, nozzle_m: float, dock_m: tuple[float, float] | None) -> Moving | None:
    """Return from when to when the robot moved, frame by frame; None where no frame shows it or no clock told.

    A frame that cannot be read counts as one that moved: nothing says that it stood.
    """
    known = np.isfinite(span.start_s).all()
    moves = ~(span.covered_m2 < LEAST_MOVED * nozzle_m**2)
    shown = np.flatnonzero(moves & np.isfinite(span.covered_m2))
    if not known or not len(shown):
        return None
    first, last = int(shown[0]), int(shown[-1])
    still = [at for at in range(first, last + 1) if not moves[at]]
    # While a robot stands it is at its dock, or not, from one frame's start to the next one's.
    length_s = np.append(np.diff(span.start_s), span.end_s[-1] - span.start_s[-1])
    at_dock = [at for at in still if _near(span.lit_m, at, dock_m)]
    return Moving(
        begin_s=float(span.start_s[first]),
        end_s=float(span.end_s[last]),
        still_s=float(length_s[still].sum()),
        at_dock_s=float(length_s[at_dock].sum()),
    )


def _near(lit_m: Sequence[tuple[float, float] | None], at: int, dock_m: tuple[float, float] | None) -> bool:
    """Say whether the last light before the end of frame `at` was near the dock: docked, a bar may go dark."""
    places = [place for place in lit_m[: at + 1] if place is not None]
    if dock_m is None or not places:
        return False
    return float(np.hypot(places[-1][0] - dock_m[0], places[-1][1] - dock_m[1])) < AT_DOCK_M
