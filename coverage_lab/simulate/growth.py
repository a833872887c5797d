"""What is true of a run in time: how coverage grew, how often floor was visited."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.room import Area
from coverage_lab.simulate.truth import nozzle_ends, swept_area, swept_pieces

FloatArray = NDArray[np.float64]

_CELL_M = 0.002  # of the grid on which visits are counted


def between(poses: FloatArray, start_s: float, end_s: float) -> FloatArray:
    """Return the poses (M, 4) of a part of a run, its ends interpolated; M >= 2."""
    inside = (poses[:, 0] > start_s) & (poses[:, 0] < end_s)
    ends = np.column_stack([np.interp([start_s, end_s], poses[:, 0], column) for column in poses.T])
    ends[:, 0] = start_s, end_s
    return np.concatenate([ends[:1], poses[inside], ends[1:]])


def growth_truth(poses: FloatArray, bar: Bar, times_s: FloatArray, free: Area, visible: Area) -> dict[str, Any]:
    """Return what is true of a run in time: coverage at the end of each frame, visits by frames, repeat ratio.

    times_s : (frames, 2) start and end of each exposure, seconds from the run's start. Floor swept while the shutter
    was closed is swept floor, but no frame's visit. Percent of the free and of the visible free floor; visits as
    shares, a visit being a maximal run of consecutive frames in which a cell was swept.
    """
    first_s = float(poses[0, 0])
    frames = [swept_part(between(poses, first_s + start_s, first_s + end_s), bar) for start_s, end_s in times_s]
    swept: Area = shapely.Polygon()
    at_end = []
    closed_s = first_s + np.column_stack([times_s[:, 1], np.append(times_s[1:, 0], times_s[-1, 1])])
    for frame, (from_s, to_s) in zip(frames, closed_s.tolist(), strict=True):
        swept = _union([swept, frame])
        at_end.append(swept)
        if to_s > from_s:
            swept = _union([swept, swept_part(between(poses, from_s, to_s), bar)])
    return {
        "coverage_percent_at_end": [_percent(area, free) for area in at_end],
        "coverage_percent_of_visible_at_end": [_percent(area, visible) for area in at_end],
        "passes_by_frames": _visits(frames, visible),
        "repeat_ratio": {
            "definition": "nozzle length times the mean of its two ends' ways, over the swept area",
            "value": round(passed_m2(poses, bar) / swept.area, 4),
        },
    }


def passed_m2(poses: FloatArray, bar: Bar) -> float:
    """Return the floor passed over, repeats counted: the nozzle's length times the mean of its two ends' ways.

    An end's way is what it moves across the nozzle, forwards or backwards; docs/time.md says why.
    """
    across = poses[:-1, 3] + np.diff(poses[:, 3]) / 2
    step_m = np.diff(nozzle_ends(poses, bar), axis=0)
    way_m = np.abs(step_m[..., 0] * np.cos(across)[:, None] + step_m[..., 1] * np.sin(across)[:, None])
    return bar.nozzle_m * float(way_m.sum()) / 2


def swept_part(poses: FloatArray, bar: Bar) -> Area:
    """Return the floor swept in a part of a run; an empty area where the robot stood still."""
    return swept_area(poses, bar) if len(swept_pieces(poses, bar)) else shapely.Polygon()


def _union(areas: list[Area]) -> Area:
    area: Area = shapely.union_all(areas, grid_size=1e-7)
    return area


def visit_counts(parts: Sequence[Area], grid: FloorGrid) -> NDArray[np.int32]:
    """Return in how many maximal runs of parts each cell was swept, (rows, cols)."""
    count, before = np.zeros(grid.shape, np.int32), np.zeros(grid.shape, bool)
    for part in parts:
        swept = grid.weights(part) >= 0.5
        count += swept & ~before
        before = swept
    return count


def _visits(parts: list[Area], visible: Area) -> dict[str, Any]:
    grid = FloorGrid.over(visible, _CELL_M)
    weight, count = grid.weights(visible), visit_counts(parts, grid)
    total = float(weight.sum())
    share = [float(weight[count == visits].sum()) / total for visits in (0, 1, 2)]
    return {
        "definition": "a visit = a maximal run of consecutive frames in which the cell was swept; shares of the "
        "visible free floor",
        "mean": round(float((weight * count).sum()) / total, 4),
        "share_none": round(share[0], 4),
        "share_once": round(share[1], 4),
        "share_twice": round(share[2], 4),
        "share_more": round(1 - sum(share), 4),
    }


def _percent(swept: Area, floor: Area) -> float:
    return round(100 * float(swept.intersection(floor).area / floor.area), 4)
