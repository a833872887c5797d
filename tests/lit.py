"""Light of ways through frames, counted point by point: independent of how ways are laid on it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.track import Pace
from coverage_lab.trails.frame_light import Cells, Picture

FloatArray = NDArray[np.float64]

PACE_M_S, TURN_RAD_S = 0.28, 1.6
PACE = Pace(PACE_M_S, TURN_RAD_S)
FINE_M, CELL_M = 0.002, 0.008
BLUR_M = 0.008


def driven(*points: tuple[float, float], every_s: float = 0.01) -> FloatArray:
    """Poses (n, 4) of time, place and heading on the way through points: turn on the spot, then drive."""
    corner = np.array(points, float)
    step = np.diff(corner, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    keys = [(0.0, *corner[0], heading[0])]
    for number, (at, towards) in enumerate(zip(corner[1:], heading, strict=True)):
        t_s = keys[-1][0]
        if number:
            t_s += abs(towards - keys[-1][3]) / TURN_RAD_S
            keys.append((t_s, *corner[number], towards))
        keys.append((t_s + float(np.hypot(*step[number])) / PACE_M_S, *at, towards))
    key = np.array(keys)
    t_s = np.append(np.arange(0, key[-1, 0], every_s), key[-1, 0])
    return np.column_stack([t_s, *(np.interp(t_s, key[:, 0], key[:, column]) for column in (1, 2, 3))])


def part(poses: FloatArray, start_s: float, end_s: float) -> FloatArray:
    """The poses of a part of a way, both ends with them."""
    t_s = np.unique(np.concatenate([[start_s], poses[(poses[:, 0] > start_s) & (poses[:, 0] < end_s), 0], [end_s]]))
    return np.column_stack([t_s, *(np.interp(t_s, poses[:, 0], poses[:, column]) for column in (1, 2, 3))])


def picture(poses: FloatArray, bar: Bar, *, noise: float = 0.01, burnt_from: float = np.inf, seed: int = 0) -> Picture:
    """What a frame shows of poses (n, 4) within the square from (0, 0) to (2, 2) metres."""
    side = round(2 / FINE_M)
    along = (np.arange(401) / 400 - 0.5) * (bar.lit_length_m + (bar.pitch_m or 0))
    middle = (poses[1:] + poses[:-1]) / 2
    cos, sin = np.cos(middle[:, 3:]), np.sin(middle[:, 3:])
    x_m = middle[:, 1:2] + bar.forward_m * cos - along * sin
    y_m = middle[:, 2:3] + bar.forward_m * sin + along * cos
    cell = np.rint((2 - y_m) / FINE_M - 0.5).astype(int) * side + np.rint(x_m / FINE_M - 0.5).astype(int)
    metres = np.repeat(PACE_M_S * np.diff(poses[:, 0]) * (along[-1] - along[0]) / len(along), len(along))
    light = np.bincount(cell.ravel(), metres, side * side).reshape(side, side) / FINE_M**2
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), BLUR_M / FINE_M)
    passes = cv2.resize(light, (round(2 / CELL_M),) * 2, interpolation=cv2.INTER_AREA)
    passes = passes + np.random.default_rng(seed).normal(0, noise, passes.shape).astype(np.float32)
    cells = Cells(CELL_M / 2, 2 - CELL_M / 2, CELL_M, passes.shape)
    burnt = passes > burnt_from
    told = np.ones(passes.shape, bool)
    return Picture(np.minimum(passes, np.float32(burnt_from)), told, burnt, cells, float(np.ptp(poses[:, 0])))
