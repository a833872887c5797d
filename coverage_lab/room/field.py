"""Which way the floor was driven over, cell by cell: what a picture or a track says of directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.room import Area

FIELD_CELL_M = 0.016
_BAR_STEP_M = 0.012  # between the points of the bar that a track is drawn with

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TravelField:
    """Directions of travel and how often the floor was passed over, on coarse cells; arrays (rows, cols).

    A direction has no sense (up a lane is as good as down it), so its angle θ (counter-clockwise from east)
    is doubled before it is averaged; `fourfold` does not tell a direction from the one across it either.
    """

    grid: FloorGrid
    axis: NDArray[np.complex64]  # mean of exp(2iθ) over the passes of a cell; |axis| in [0, 1]
    fourfold: NDArray[np.complex64]  # mean of exp(4iθ)
    weight: NDArray[np.float32]  # share of the cell that is swept visible floor with a readable direction
    floor: NDArray[np.float32]  # share of the cell that is visible floor within reach
    missed: NDArray[np.float32]  # share of the cell that is visible free floor and not swept
    burnt: NDArray[np.float32]  # share of the cell where the light is clipped and edges of passes are lost
    level: NDArray[np.float32]  # light, or number of passes: only ratios within a field mean something


def field_of_track(poses: ArrayLike, bar: Bar, free: Area) -> TravelField:
    """Return the field of a known track: poses (N, 3) of the turning centre as x_m, y_m, heading_rad.

    Every point of the bar counts with the way it went, so that turns on the spot count little. Steps between
    poses should not be longer than a field cell.
    """
    grid = FloorGrid.over(free, FIELD_CELL_M)
    pose = np.asarray(poses, dtype=np.float64)
    ahead = np.column_stack([np.cos(pose[:, 2]), np.sin(pose[:, 2])])
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    count = max(2, round(bar.nozzle_m / _BAR_STEP_M))
    along = (np.arange(count) + 0.5) / count * bar.nozzle_m - bar.nozzle_m / 2
    points = pose[:, None, :2] + bar.forward_m * ahead[:, None] + along[None, :, None] * left[:, None]
    move = np.diff(points, axis=0).reshape(-1, 2)
    way = np.hypot(move[:, 0], move[:, 1])
    double = np.divide((move[:, 0] + 1j * move[:, 1]) ** 2, way, out=np.zeros(len(way), complex), where=way > 0)
    fourfold = np.divide(double**2, way, out=np.zeros(len(way), complex), where=way > 0)
    cell = np.rint(grid.to_cell((points[:-1] + points[1:]).reshape(-1, 2) / 2)).astype(int)
    row, col = cell[:, 0].clip(0, grid.rows - 1), cell[:, 1].clip(0, grid.cols - 1)  # the margin is no floor
    flat = row * grid.cols + col

    def pooled(values: FloatArray) -> FloatArray:
        sums = np.bincount(flat, values, grid.rows * grid.cols)
        return np.asarray(sums.reshape(grid.shape), dtype=np.float64)

    passes = pooled(way)
    safe = np.where(passes > 0, passes, 1)
    floor = grid.weights(free)
    swept = np.minimum(passes / (grid.cell_m * grid.cell_m / (bar.nozzle_m / count)), 1)
    return TravelField(
        grid=grid,
        axis=((pooled(double.real) + 1j * pooled(double.imag)) / safe).astype(np.complex64),
        fourfold=((pooled(fourfold.real) + 1j * pooled(fourfold.imag)) / safe).astype(np.complex64),
        weight=(floor * swept).astype(np.float32),
        floor=floor,
        missed=(floor * (1 - swept)).astype(np.float32),
        burnt=np.zeros(grid.shape, np.float32),
        level=(passes * (bar.nozzle_m / count) / grid.cell_m2).astype(np.float32),
    )
