"""A lamp on the robot that lights the floor ahead, as robots that navigate by camera carry: headlamp or line laser.

It shines low over the floor, moves with the robot, and ends at the first wall or piece of furniture, which it lights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.room.grid import FloorGrid
from coverage_lab.simulate.scene import Colour, Scene, floor_points
from coverage_lab.simulate.trail import refined

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
Beam = tuple[FloatArray, FloatArray, FloatArray]  # ahead, left, light: (rays, places) each

_CELL_M = {"headlamp": 0.010, "line laser": 0.004}
_STEP_M = {"headlamp": 0.020, "line laser": 0.003}
_AROUND_M = 0.1  # of walls that are lit, as seen through the floor's plane
_NEAREST_M, _FARTHEST_M = 0.03, 2.0  # from the lamp, that its light is followed
_ALONG, _ACROSS = 60, 41  # rays across the beam, places along each
_DOWN_RAD, _DEEP_RAD = 0.10, 0.20  # a headlamp's axis below the horizon, standard deviation of its light about it
_LINE_AHEAD_M = 0.18  # of the laser, where its plane meets the floor
_SMOOTH_CELLS = 1.2
_CHUNK = 400  # poses


@dataclass(frozen=True, slots=True)
class Lamp:
    """A headlamp's cone of light, or the line that a laser draws across the floor ahead."""

    kind: Literal["headlamp", "line laser"]
    level: float  # brightest light of one straight pass at the run's usual speed on usual floor, share of full scale
    ahead_m: float = 0.16  # of the turning centre
    height_m: float = 0.06
    half_angle_rad: float = 0.5  # to both sides: a headlamp's standard deviation, a laser's end
    colour: Colour = (1.0, 1.0, 1.0)  # blue, green, red; mean 1


def lamp_light(poses: FloatArray, lamp: Lamp, scene: Scene, speed_m_s: float) -> Picture:
    """Return the light (rows, cols) that a run leaves in the picture, for floor of the usual reflectance.

    `poses` (N, 4) as in `simulate.drives`; `lamp.level` refers to a pass driven at `speed_m_s`.
    """
    cell_m = _CELL_M[lamp.kind]
    grid = FloorGrid.over(scene.room.floor, cell_m, _AROUND_M)
    footprints = shapely.union_all([thing.footprint for thing in scene.room.obstacles])
    blocked = grid.weights(scene.room.floor.difference(footprints)) < 0.5
    ahead_m, left_m, light = _beam(lamp)
    total = np.zeros(grid.shape)
    fine = refined(poses, _FARTHEST_M / 4, _STEP_M[lamp.kind])
    for first in range(0, len(fine), _CHUNK):
        total += _cast(fine[first : first + _CHUNK], (ahead_m, left_m, light), lamp, blocked, grid)
    plan = cv2.GaussianBlur((total / cell_m**2).astype(np.float32), (0, 0), _SMOOTH_CELLS)
    plan = plan * np.float32(lamp.level * speed_m_s / _pass_peak(left_m, light, cell_m))
    x_m, y_m = floor_points(scene.camera)
    cols, rows = (x_m - grid.west_m) / cell_m - 0.5, (grid.north_m - y_m) / cell_m - 0.5
    seen = cv2.remap(plan, cols, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0,))
    return np.asarray(seen, dtype=np.float32)


def _beam(lamp: Lamp) -> Beam:
    """Return places on the floor ahead and left of the lamp, (rays, places), and the light that falls around each."""
    if lamp.kind == "line laser":
        angle = np.linspace(-1, 1, 1 + int(2 * np.tan(lamp.half_angle_rad) * _LINE_AHEAD_M / 0.002))
        left_m = _LINE_AHEAD_M * np.tan(lamp.half_angle_rad) * angle[:, None]
        # Equal light per angle: less per length towards the ends.
        return np.full_like(left_m, _LINE_AHEAD_M), left_m, 1 / (1 + (left_m / _LINE_AHEAD_M) ** 2)
    angle = np.linspace(-2.5, 2.5, _ALONG)[:, None] * lamp.half_angle_rad
    angle = angle[np.abs(angle[:, 0]) < np.pi / 2]
    edges_m = np.geomspace(_NEAREST_M, _FARTHEST_M, _ACROSS + 1)
    away_m = np.sqrt(edges_m[1:] * edges_m[:-1])
    below_rad = np.arctan2(lamp.height_m, away_m) - _DOWN_RAD
    strength = np.exp(-0.5 * (below_rad / _DEEP_RAD) ** 2 - 0.5 * (angle / lamp.half_angle_rad) ** 2)
    # Inverse square of the distance, and the floor is lit at a grazing angle.
    lit = strength * lamp.height_m / np.hypot(away_m, lamp.height_m) ** 3
    return np.cos(angle) * away_m, np.sin(angle) * away_m, lit * away_m * np.diff(edges_m)


def _cast(
    poses: FloatArray,
    beam: tuple[FloatArray, FloatArray, FloatArray],
    lamp: Lamp,
    blocked: NDArray[np.bool_],
    grid: FloorGrid,
) -> FloatArray:
    """Return what falls on each cell while the robot is at `poses` (M, 4): dwell_s, x_m, y_m, heading_rad."""
    ahead_m, left_m, light = beam
    cos, sin = (part[:, None, None] for part in (np.cos(poses[:, 3]), np.sin(poses[:, 3])))
    x_m = poses[:, 1, None, None] + cos * (lamp.ahead_m + ahead_m) - sin * left_m
    y_m = poses[:, 2, None, None] + sin * (lamp.ahead_m + ahead_m) + cos * left_m
    place = grid.to_cell(np.stack([x_m, y_m], axis=-1).reshape(-1, 2))
    row, col = np.rint(place).astype(np.intp).T.reshape(2, *x_m.shape)
    inside = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
    row, col = np.where(inside, row, 0), np.where(inside, col, 0)
    stopped = ~inside | blocked[row, col]
    passed = np.ones_like(stopped)
    passed[:, :, 1:] = ~np.logical_or.accumulate(stopped, axis=2)[:, :, :-1]
    light = light * poses[:, 0, None, None] * (passed & inside)
    if lamp.kind == "headlamp":
        # What stops a ray faces it, where floor is lit at a grazing angle.
        facing = np.minimum(np.hypot(ahead_m, left_m) / lamp.height_m, 5.0)
        light = np.where(stopped, light * facing, light)
    flat = np.bincount((row * grid.cols + col).ravel(), light.ravel(), minlength=grid.rows * grid.cols)
    return np.asarray(flat.reshape(grid.shape))


def _pass_peak(left_m: FloatArray, light: FloatArray, cell_m: float) -> float:
    """Return the largest light across a straight pass driven at 1 m/s."""
    across = np.rint(left_m / cell_m).astype(int)
    return float(np.bincount((across - across.min()).ravel(), light.ravel()).max() / cell_m)
