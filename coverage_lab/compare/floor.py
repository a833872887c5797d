"""The floor that all compared runs show, and their coverage of it.

Robots with lights at different heights and nights with the camera at different places hide different floor; shares of
different floor are not compared. Floor is counted in square blocks of a few cells, and a block of which a run hides
anything is left out for all of them: so a run's share of the rest is exact, and small enough to be kept for thousands.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.grid import FloorGrid, ShareArray

BLOCK_M = 0.020

BlockMask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class FloorBlocks:
    """The floor of one run in blocks, shape (rows, cols) of `grid`, whose cells they are."""

    grid: FloorGrid
    free: ShareArray
    hidden: BlockMask  # where some of the free floor cannot be seen


def floor_blocks(
    grid: FloorGrid, swept: ShareArray, free: ShareArray, hidden: ShareArray
) -> tuple[FloorBlocks, ShareArray]:
    """Return a run's floor in blocks and the share of each that is free, visible and swept.

    From shares of cells (rows, cols). A block is a whole number of cells.
    """
    side = max(1, round(BLOCK_M / grid.cell_m))
    seen = np.maximum(free - hidden, 0)
    rows, cols = -(-grid.rows // side), -(-grid.cols // side)
    below, right = rows * side - grid.rows, cols * side - grid.cols

    def means(share: ShareArray) -> ShareArray:
        padded = cv2.copyMakeBorder(share, 0, below, 0, right, cv2.BORDER_CONSTANT, value=0)
        return np.asarray(cv2.resize(padded, (cols, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)

    blocks = FloorGrid(grid.west_m, grid.north_m, rows, cols, grid.cell_m * side)
    return FloorBlocks(blocks, means(free), means(hidden) > 0), means(swept * seen)


@dataclass(frozen=True, slots=True, eq=False)
class Common:
    """The blocks of one room that all its runs show."""

    grid: FloorGrid
    free: ShareArray
    shown: BlockMask
    hidden_by: NDArray[np.int32]  # how many runs hide some of each block
    visible_m2: tuple[float, float]  # least and most of a single run

    @property
    def area_m2(self) -> float:
        """Free floor in these blocks."""
        return _area_m2(self.free, self.shown, self.grid)

    def covered_percent(self, swept: ShareArray) -> float:
        """Return the coverage of this floor, of which there must be some, by a run's `swept` shares of blocks."""
        return 100 * _area_m2(swept, self.shown, self.grid) / self.area_m2

    def alone_hides_m2(self, run: FloorBlocks) -> float:
        """Return the floor that is left out for this run only."""
        return _area_m2(self.free, run.hidden & (self.hidden_by == 1), self.grid)


class OtherFloorError(ValueError):
    """A run's floor is not laid out as the others' is: other cells, or another room."""


def common_floor(runs: Iterable[FloorBlocks]) -> Common | None:
    """Return the floor that all runs of one room show, taken one at a time; None without runs.

    Raises OtherFloorError where a run's blocks are not the first one's.
    """
    found: Common | None = None
    for run in runs:
        visible_m2 = _area_m2(run.free, ~run.hidden, run.grid)
        if found is None:
            hidden_by = run.hidden.astype(np.int32)
            found = Common(run.grid, run.free, ~run.hidden, hidden_by, (visible_m2, visible_m2))
            continue
        if run.grid != found.grid or not np.array_equal(run.free, found.free):
            raise OtherFloorError
        found.hidden_by[run.hidden] += 1
        low, high = found.visible_m2
        found = replace(found, visible_m2=(min(low, visible_m2), max(high, visible_m2)))
    return None if found is None else replace(found, shown=found.hidden_by == 0)


def missed_share(runs: Iterable[tuple[FloorBlocks, ShareArray]]) -> ShareArray:
    """Return how often each block was missed over a robot's runs, one or more, in [0, 1]; NaN where none shows floor.

    `runs` are floors with swept shares of their blocks. A block counts as far as its floor was missed, in the runs that
    show it whole.
    """
    missed: NDArray[np.float64] | None = None
    shown: NDArray[np.float64] | None = None
    for floor, swept in runs:
        seen = ~floor.hidden & (floor.free > 0)
        share = np.where(seen, 1 - swept / np.where(seen, floor.free, 1), 0).clip(0, 1)
        missed = share.astype(np.float64) if missed is None else missed + share
        shown = seen.astype(np.float64) if shown is None else shown + seen
    if missed is None or shown is None:
        raise ValueError("no run")
    return np.where(shown > 0, missed / np.maximum(shown, 1), np.nan).astype(np.float32)


def _area_m2(share: ShareArray, where: BlockMask, grid: FloorGrid) -> float:
    return float(share[where].sum(dtype=np.float64)) * grid.cell_m2
