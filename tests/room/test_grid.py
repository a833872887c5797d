from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, Polygon, box

from coverage_lab.room.grid import FloorGrid

GRID = FloorGrid(-0.3, 1.1, 21, 34, 0.05)

coordinate = st.integers(-600, 1700).map(lambda mm: mm / 1000)
corner = st.tuples(coordinate, coordinate)


def cell_boxes(grid: FloorGrid) -> np.ndarray:
    row, col = np.indices(grid.shape)
    west, north = grid.west_m + col * grid.cell_m, grid.north_m - row * grid.cell_m
    return shapely.box(west, north - grid.cell_m, west + grid.cell_m, north)


def clipped_shares(grid: FloorGrid, area: shapely.Geometry) -> np.ndarray:
    return shapely.area(shapely.intersection(area, cell_boxes(grid))) / grid.cell_m2


@settings(max_examples=60)
@given(st.lists(corner, min_size=3, max_size=9), st.lists(corner, min_size=3, max_size=5))
def test_shares_equal_polygons_clipped_to_each_cell(outer, hole):
    area = shapely.make_valid(Polygon(outer)).buffer(0).difference(shapely.make_valid(Polygon(hole)).buffer(0))
    # Slivers without width are dropped: clipping them to a cell, the reference sometimes returns the whole cell.
    area = MultiPolygon([part for part in shapely.get_parts(area) if part.area > 1e-6])
    if area.is_empty:
        return
    assert np.abs(GRID.weights(area) - clipped_shares(GRID, area)).max() < 1e-6


@settings(max_examples=30)
@given(st.floats(0.05, 0.45), st.floats(0.1, 0.9), st.floats(0.1, 0.9), st.floats(0.002, 0.03))
def test_sum_of_shares_is_the_area(radius_m, x_m, y_m, cell_m):
    area = Point(x_m, y_m).buffer(radius_m).difference(box(x_m, y_m - 0.02, 3, y_m + 0.01))
    grid = FloorGrid.over(area, cell_m)
    total_m2 = grid.weights(area).sum(dtype=np.float64) * grid.cell_m2
    assert total_m2 == pytest.approx(area.area, rel=1e-6)


def test_cells_that_the_outline_does_not_touch_are_exactly_none_or_all():
    area = Polygon([(0.013, 0.017), (0.91, 0.33), (0.51, 0.97)])
    share = GRID.weights(area)
    inside = shapely.contains_properly(area, cell_boxes(GRID))
    outside = ~shapely.intersects(area, cell_boxes(GRID))
    assert (share[inside] == 1).all() and inside.sum() > 50
    assert (share[outside] == 0).all() and outside.sum() > 300


def test_a_cell_aligned_box_fills_whole_cells_only():
    share = FloorGrid(0, 1, 10, 10, 0.1).weights(box(0.2, 0.3, 0.5, 1.0))
    assert share.sum() == pytest.approx(21)
    assert np.allclose(share[:7, 2:5], 1)


def test_row_0_is_north_and_column_0_is_west():
    share = FloorGrid(0, 1, 10, 10, 0.1).weights(box(0, 0.9, 0.1, 1))
    assert share[0, 0] == pytest.approx(1) and share.sum() == pytest.approx(1)


@pytest.mark.parametrize("winding", [1, -1])
def test_winding_of_rings_does_not_matter(winding):
    ring, hole = [(0, 0), (1, 0), (1, 1), (0, 1)], [(0.2, 0.2), (0.4, 0.2), (0.4, 0.4), (0.2, 0.4)]
    grid = FloorGrid.over(box(0, 0, 1, 1), 0.03)
    share = grid.weights(Polygon(ring[::winding], [hole]))
    assert share.sum() * grid.cell_m2 == pytest.approx(0.96, rel=1e-5)


@pytest.mark.parametrize("nothing", [Polygon(), MultiPolygon(), box(5, 5, 6, 6)])
def test_an_area_without_floor_on_the_grid_gives_zeros(nothing):
    assert GRID.weights(nothing).shape == GRID.shape
    assert not GRID.weights(nothing).any()


def test_an_area_larger_than_the_grid_fills_it():
    assert (GRID.weights(box(-9, -9, 9, 9)) == 1).all()


def test_two_parts_that_share_a_cell_add_up():
    grid = FloorGrid(0, 1, 1, 1, 1.0)
    parts = MultiPolygon([box(0, 0, 0.25, 1), box(0.5, 0, 0.75, 0.5)])
    assert grid.weights(parts)[0, 0] == pytest.approx(0.375)


@settings(max_examples=50)
@given(st.floats(-50, 50), st.floats(-50, 50))
def test_floor_to_cell_and_back(x_m, y_m):
    assert GRID.to_floor(GRID.to_cell((x_m, y_m))) == pytest.approx([x_m, y_m], abs=1e-9)


def test_cell_0_0_is_the_centre_of_the_north_west_cell():
    assert GRID.to_floor((0, 0)) == pytest.approx([-0.275, 1.075])


@settings(max_examples=50)
@given(st.floats(-3, 3), st.floats(-3, 3), st.floats(0.3, 5), st.sampled_from([0.001, 0.002, 0.004]))
def test_grid_over_an_area_covers_it_with_margin_on_round_edges(west, south, side, cell_m):
    grid = FloorGrid.over(box(west, south, west + side, south + side), cell_m, margin_m=0.1)
    east, bottom = grid.west_m + grid.cols * cell_m, grid.north_m - grid.rows * cell_m
    assert grid.west_m <= west - 0.1 + 1e-8 and east >= west + side + 0.1 - 1e-8
    assert bottom <= south - 0.1 + 1e-8 and grid.north_m >= south + side + 0.1 - 1e-8
    assert grid.west_m / cell_m == pytest.approx(round(grid.west_m / cell_m), abs=1e-6)
    assert east - west - side < 0.1 + 2 * cell_m
