"""Which way the floor was driven over, cell by cell: what a picture or a track says of directions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.room import Area
from coverage_lab.room.track import Track, in_steps

FIELD_CELL_M = 0.016
ACCOUNTED = 0.8  # of a cell's passes: light does not tell their number better
_STEP_RAD = float(np.deg2rad(3.0))  # between the poses that a track is drawn with
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
    ways = _driven_over(grid, np.asarray(poses, dtype=np.float64), bar)
    floor, swept = grid.weights(free), np.minimum(ways.passes, 1)
    return TravelField(
        grid=grid,
        axis=ways.axis,
        fourfold=ways.fourfold,
        weight=(floor * swept).astype(np.float32),
        floor=floor,
        missed=(floor * (1 - swept)).astype(np.float32),
        burnt=np.zeros(grid.shape, np.float32),
        level=ways.passes.astype(np.float32),
    )


def with_track(field: TravelField, track: Track, bar: Bar) -> TravelField:
    """Return a picture's field with the directions of the track, as far as its passes account for the light.

    Light has one level for all that passed over a cell; a track keeps its passes apart. Where the robot was not
    followed, the light's directions stay.
    """
    poses, followed = in_steps(track, FIELD_CELL_M / 4, _STEP_RAD)
    ways = _driven_over(field.grid, poses, bar, followed)
    plain = (ways.passes > 0.5) & (field.burnt < 0.5) & (field.level > 0)
    if not plain.any():
        return field
    once = np.median(field.level[plain] / ways.passes[plain])
    all_passes = np.maximum(field.level / once, ways.passes)
    share = np.divide(ways.passes, all_passes, out=np.zeros_like(ways.passes), where=all_passes > 0)
    share[share > ACCOUNTED] = 1.0
    swept = np.maximum(field.floor - field.missed, 0)
    readable = swept * np.minimum(ways.passes, 1)
    # Light tells a direction on a part of the swept floor: it stands for the rest where the robot was not followed.
    seen = float((share * field.weight).sum())
    of_light = np.minimum(field.weight * float((share * readable).sum()) / seen, swept) if seen > 0 else field.weight
    return replace(
        field,
        axis=(share * ways.axis + (1 - share) * field.axis).astype(np.complex64),
        fourfold=(share * ways.fourfold + (1 - share) * field.fourfold).astype(np.complex64),
        weight=(share * readable + (1 - share) * of_light).astype(np.float32),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Ways:
    """What a track says of each cell, (rows, cols)."""

    axis: NDArray[np.complex64]
    fourfold: NDArray[np.complex64]
    passes: FloatArray


def _driven_over(grid: FloorGrid, poses: FloatArray, bar: Bar, followed: NDArray[np.bool_] | None = None) -> _Ways:
    """Pool by cells the ways of all points of the bar between poses (N, 3), or of those `followed` (N - 1,)."""
    points, share = _bar_points(poses, bar)
    move = np.diff(points, axis=0) @ np.array([1, 1j])
    way = np.abs(move)
    once = np.divide(move, way, out=np.zeros_like(move), where=way > 0) ** 2
    cell = np.rint(grid.to_cell((points[:-1] + points[1:]) / 2)).astype(int)
    row, col = cell[..., 0].clip(0, grid.rows - 1), cell[..., 1].clip(0, grid.cols - 1)  # the margin is no floor
    flat = (row * grid.cols + col).ravel()
    driven = way * share if followed is None else way * share * followed[:, None]

    def pooled(values: FloatArray) -> FloatArray:
        sums = np.bincount(flat, (driven * values).ravel(), grid.rows * grid.cols)
        return np.asarray(sums.reshape(grid.shape), dtype=np.float64)

    ways = pooled(np.ones_like(driven))
    safe = np.where(ways > 0, ways, 1)
    twice = once**2
    return _Ways(
        axis=((pooled(once.real) + 1j * pooled(once.imag)) / safe).astype(np.complex64),
        fourfold=((pooled(twice.real) + 1j * pooled(twice.imag)) / safe).astype(np.complex64),
        passes=ways * _POINT_STEP_M / grid.cell_m2,
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
