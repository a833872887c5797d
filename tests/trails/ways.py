"""Frames of robots whose way is known, as light in passes: what an even bar leaves is the time it was over a cell."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.simulate.drives import Motion, follow, timed
from coverage_lab.trails.explain import PLENTY, Scene

FloatArray = NDArray[np.float64]

CELL_M = 0.012
BLUR_M = 0.007
POINTS = 60  # along the bar
BRIGHT = 3.0  # passes


def drive(*waypoints: tuple[float, float], motion: Motion | None = None) -> FloatArray:
    """Poses (N, 4) of a robot that turns on the spot at waypoints."""
    return timed(follow(np.array(waypoints)), motion or Motion())


def passes_of(poses: FloatArray, bar: Bar, motion: Motion, size_m: tuple[float, float]) -> NDArray[np.float32]:
    """Light (rows, cols) of a part of a run on a floor from (0, 0) to `size_m`; a straight pass is 1."""
    steps = np.linspace(0, len(poses) - 1, 6 * len(poses))
    fine = np.column_stack([np.interp(steps, np.arange(len(poses)), column) for column in poses.T])
    dwell_s = np.diff(fine[:, 0])
    middle = (fine[1:] + fine[:-1]) / 2
    along = (np.arange(POINTS) + 0.5) / POINTS * bar.nozzle_m - bar.nozzle_m / 2
    cos, sin = np.cos(middle[:, 3:]), np.sin(middle[:, 3:])
    x = middle[:, 1:2] + bar.forward_m * cos - along * sin
    y = middle[:, 2:3] + bar.forward_m * sin + along * cos
    each = np.repeat(dwell_s[:, None] * motion.speed_m_s * bar.nozzle_m / POINTS / CELL_M**2, POINTS, axis=1)
    cells = [round(size / CELL_M) for size in size_m]
    edges = [np.arange(count + 1) * CELL_M for count in cells]
    sums, _, _ = np.histogram2d(x.ravel(), y.ravel(), bins=edges, weights=each.ravel())
    light = sums.T[::-1].astype(np.float32)
    return np.asarray(cv2.GaussianBlur(light, (0, 0), BLUR_M / CELL_M), np.float32)


def scene(poses: FloatArray, bar: Bar, motion: Motion | None = None, size_m: tuple[float, float] = (3.0, 2.4)) -> Scene:
    light = passes_of(poses, bar, motion or Motion(), size_m)
    light[light > BRIGHT] = PLENTY
    return Scene(light, 0.0, len(light) * CELL_M, CELL_M)


def evenly(places: FloatArray, count: int = 300) -> FloatArray:
    """Places (count, 2) at even distances along a way (N, 2)."""
    way = np.append(0, np.cumsum(np.hypot(*np.diff(places, axis=0).T)))
    at = np.linspace(0, way[-1], count)
    return np.column_stack([np.interp(at, way, places[:, axis]) for axis in (0, 1)])


def off_m(found: FloatArray, true: FloatArray) -> FloatArray:
    """How far a way (N, 3) is off the true one (M, 4), place by place."""
    return np.hypot(*(evenly(found[:, :2]) - evenly(true[:, 1:3])).T)
