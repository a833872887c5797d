"""Floor in blocks, and what all runs show of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coverage_lab.compare.floor import BLOCK_M, OtherFloorError, common_floor, floor_blocks, missed_share
from coverage_lab.room.grid import FloorGrid


def shares(grid: FloorGrid, seed: int):
    """Swept, free and hidden shares of cells, as a plan has them: hidden floor is free, and a connected patch."""
    rng = np.random.default_rng(seed)
    free = np.where(rng.random(grid.shape) < 0.9, 1, rng.random(grid.shape)).astype(np.float32)
    swept = rng.random(grid.shape).astype(np.float32)
    hidden = np.zeros(grid.shape, np.float32)
    row, col = rng.integers(0, grid.rows), rng.integers(0, grid.cols)
    hidden[row : row + 4, col : col + 4] = free[row : row + 4, col : col + 4]
    return swept, free, hidden


@settings(max_examples=40)
@given(st.integers(5, 40), st.integers(5, 40), st.sampled_from([0.002, 0.005, 0.01, 0.05]), st.integers(0, 10**6))
def test_a_runs_share_of_common_floor_is_that_of_its_cells(rows: int, cols: int, cell_m: float, seed: int):
    grid = FloorGrid(1.0, 3.0, rows, cols, cell_m)
    swept, free, hidden = shares(grid, seed)
    other = np.minimum(shares(grid, seed + 1)[2], free)
    by_block = floor_blocks(grid, swept, free, hidden)[1]
    runs = [floor_blocks(grid, swept, free, one)[0] for one in (hidden, other)]
    side = max(1, round(BLOCK_M / cell_m))
    common = common_floor(runs)
    inside = np.kron(common.shown, np.ones((side, side), bool))[:rows, :cols]
    assert not (hidden[inside].any() or other[inside].any())
    assert common.area_m2 == pytest.approx(free[inside].sum() * cell_m**2, rel=1e-4, abs=1e-9)
    if common.area_m2 > 0:
        share = 100 * (swept * free)[inside].sum() / free[inside].sum()
        assert common.covered_percent(by_block) == pytest.approx(share, rel=1e-4)
    alone = np.kron(runs[0].hidden & ~runs[1].hidden, np.ones((side, side), bool))[:rows, :cols]
    assert common.alone_hides_m2(runs[0]) == pytest.approx(free[alone].sum() * cell_m**2, rel=1e-4, abs=1e-9)
    assert common.visible_m2[0] <= common.visible_m2[1]
    assert common.area_m2 <= common.visible_m2[0] + 1e-9


def test_other_cells_or_another_room_are_no_common_floor():
    grid = FloorGrid(0.0, 1.0, 20, 20, 0.01)
    run, _ = floor_blocks(grid, *shares(grid, 1))
    with pytest.raises(OtherFloorError):
        common_floor([run, replace(run, grid=replace(run.grid, west_m=0.5))])
    with pytest.raises(OtherFloorError):
        common_floor([run, replace(run, free=run.free * 0.5)])
    assert common_floor([]) is None


def test_places_missed_again_and_again():
    grid = FloorGrid(0.0, 0.1, 10, 10, 0.01)
    free, hidden = np.ones(grid.shape, np.float32), np.zeros(grid.shape, np.float32)
    free[:, 8:] = 0
    swept = np.zeros(grid.shape, np.float32)
    swept[:, :4] = 1  # always swept
    other = swept.copy()
    other[:, 4:6] = 1  # swept in one of two runs
    behind = hidden.copy()
    behind[0:2, :8] = 1
    runs = [floor_blocks(grid, swept, free, hidden), floor_blocks(grid, other, free, behind)]
    found = missed_share(runs)
    assert found[1:, :4].tolist() == [[0, 0, 0.5, 1]] * 4
    assert found[0, :4].tolist() == [0, 0, 1, 1]  # the second run does not show the northern strip
    assert np.isnan(found[:, 4]).all()
