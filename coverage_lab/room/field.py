"""Which way the floor was driven over, cell by cell: what a picture or a track says of directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.room import Area

FIELD_CELL_M = 0.016
_POINT_STEP_M = FIELD_CELL_M / 2  # between the points of the bar that a track is drawn with

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
    points, share = _bar_points(np.asarray(poses, dtype=np.float64), bar)
    move = np.diff(points, axis=0) @ np.array([1, 1j])
    way = np.abs(move)
    once = np.divide(move, way, out=np.zeros_like(move), where=way > 0) ** 2
    cell = np.rint(grid.to_cell((points[:-1] + points[1:]) / 2)).astype(int)
    row, col = cell[..., 0].clip(0, grid.rows - 1), cell[..., 1].clip(0, grid.cols - 1)  # the margin is no floor
    flat = (row * grid.cols + col).ravel()
    driven = way * share

    def pooled(values: FloatArray) -> FloatArray:
        sums = np.bincount(flat, (driven * values).ravel(), grid.rows * grid.cols)
        return np.asarray(sums.reshape(grid.shape), dtype=np.float64)

    ways = pooled(np.ones_like(driven))
    safe = np.where(ways > 0, ways, 1)
    passes = ways * _POINT_STEP_M / grid.cell_m2
    floor, swept = grid.weights(free), np.minimum(passes, 1)
    twice = once**2
    return TravelField(
        grid=grid,
        axis=((pooled(once.real) + 1j * pooled(once.imag)) / safe).astype(np.complex64),
        fourfold=((pooled(twice.real) + 1j * pooled(twice.imag)) / safe).astype(np.complex64),
        weight=(floor * swept).astype(np.float32),
        floor=floor,
        missed=(floor * (1 - swept)).astype(np.float32),
        burnt=np.zeros(grid.shape, np.float32),
        level=passes.astype(np.float32),
    )


def _bar_points(pose: FloatArray, bar: Bar) -> tuple[FloatArray, FloatArray]:
    """Return where points along the nozzle are (N, M, 2) and the share of a step each stands for (M,).

    Two points to a cell, exactly, so that cells under a straight pass all count alike; the outermost count for
    what is left of the nozzle.
    """
    count = 2 * int(np.ceil(bar.nozzle_m / _POINT_STEP_M / 2))
    along = (np.arange(count) - (count - 1) / 2) * _POINT_STEP_M
    share = ((bar.nozzle_m / 2 - np.abs(along)) / _POINT_STEP_M + 0.5).clip(0, 1)
    ahead = np.column_stack([np.cos(pose[:, 2]), np.sin(pose[:, 2])])
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    return pose[:, None, :2] + bar.forward_m * ahead[:, None] + along[None, :, None] * left[:, None], share
