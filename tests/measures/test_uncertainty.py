from __future__ import annotations

from math import sqrt
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rendered_nights import load
from shapely import Point, box
from shapely.affinity import translate

from coverage_lab.measures.uncertainty import (
    combined,
    combined_points,
    coverage_factor_95,
    displacement_points,
    edge_points,
    quantity,
    rectangular_u,
    swept_boundary,
)
from coverage_lab.measures.values import Contribution
from coverage_lab.room.grid import FloorGrid

ROOM = box(0, 0, 2, 1.5)
GRID = FloorGrid.over(ROOM, 0.004)
REGION = GRID.weights(ROOM)


def test_interval_is_the_estimate_and_1_96_standard_uncertainties():
    measured = quantity(80.0, 0.5)
    assert measured.interval_95 == pytest.approx((80 - 0.97998, 80 + 0.97998), abs=1e-4)
    assert (measured.value, measured.u) == (80.0, 0.5)


def test_few_degrees_of_freedom_widen_the_interval():
    assert quantity(0, 1, dof=4).interval_95[1] == pytest.approx(2.776, abs=5e-4)
    assert coverage_factor_95(float("inf")) == coverage_factor_95()


def test_interval_is_cut_to_what_is_possible():
    assert quantity(99.5, 1, low=0, high=100).interval_95 == pytest.approx((97.54, 100), abs=0.01)
    assert quantity(0.5, 1, low=0, high=100).interval_95[0] == 0


def test_contributions_add_in_squares():
    assert combined([3, 4]) == pytest.approx(5)
    named = {"camera": Contribution(0.3, "night"), "threshold": Contribution(0.4, "run")}
    assert combined_points(named) == pytest.approx(0.5)
    assert combined_points({}) == 0


def test_a_tolerance_is_the_half_width_of_a_rectangle():
    assert rectangular_u(3.0) == pytest.approx(sqrt(3))


@settings(max_examples=20)
@given(st.floats(0.2, 0.5), st.floats(0, 360), st.floats(0, 0.01))
def test_length_of_the_boundary(half_m, turn_deg, x_m):
    swept = shapely.affinity.rotate(box(0.7 + x_m, 0.75 - half_m / 2, 0.7 + x_m + half_m, 0.75 + half_m / 2), turn_deg)
    boundary = swept_boundary(GRID.weights(swept), REGION, GRID)
    rounded_m = 2 * GRID.cell_m  # half a cell at each corner
    assert boundary.length_m == pytest.approx(swept.length, abs=0.005 * swept.length + rounded_m)


def test_only_the_boundary_inside_the_region_counts():
    swept = GRID.weights(box(-0.05, 0.5, 2.05, 1.0))
    boundary = swept_boundary(swept, REGION, GRID)
    assert boundary.length_m == pytest.approx(4.0, rel=0.01)
    assert boundary.region_m2 == pytest.approx(3.0, rel=1e-6)


def moved_points(swept, move) -> float:
    """Coverage after moving the swept floor forth, less that after moving it back, halved."""
    there = shapely.transform(swept, lambda xy: xy + move(xy)).intersection(ROOM).area
    back = shapely.transform(swept, lambda xy: xy - move(xy)).intersection(ROOM).area
    return 100 * (there - back) / 2 / ROOM.area


@settings(max_examples=25)
@given(st.floats(-0.002, 0.002), st.floats(-0.002, 0.002))
def test_a_shift_changes_coverage_as_warping_does(east_m, north_m):
    # A band that leaves the room on one side only: pushing it further in or out changes what is covered.
    swept = shapely.union_all([box(-0.5, 0.2, 0.8, 0.5), box(1.2, 1.0, 1.5, 2.0)])
    boundary = swept_boundary(GRID.weights(swept), REGION, GRID)
    step = np.array([east_m, north_m])
    assert displacement_points(boundary, step) == pytest.approx(moved_points(swept, lambda xy: step), abs=2e-4)


def test_a_stretch_about_a_point_changes_coverage_as_warping_does():
    swept = Point(1.1, 0.6).buffer(0.4).difference(box(1.0, 0.5, 1.1, 1.2))
    boundary = swept_boundary(GRID.weights(swept), REGION, GRID)

    def stretch(xy):
        return (xy - (0.3, 0.2)) * (0.004, -0.001)

    points = displacement_points(boundary, stretch(boundary.at_m))
    assert points == pytest.approx(moved_points(swept, stretch), rel=0.01)


def test_an_edge_moved_outward_changes_coverage_as_a_buffer_does():
    swept = Point(1.1, 0.5).buffer(0.4).union(box(-1, 1.0, 3, 1.2))
    boundary = swept_boundary(GRID.weights(swept), REGION, GRID)
    grown = swept.buffer(0.001).intersection(ROOM).area - swept.buffer(-0.001).intersection(ROOM).area
    assert edge_points(boundary, 0.001) == pytest.approx(100 * grown / 2 / ROOM.area, rel=0.01)


def test_a_soft_edge_counts_as_one_edge():
    swept = GRID.weights(box(0.5, -1, 1.0, 3))
    soft = sum(np.roll(swept, step, axis=1) for step in range(-3, 4)).astype(np.float32) / 7
    assert swept_boundary(soft, REGION, GRID).length_m == pytest.approx(3.0, rel=0.01)


def test_boundary_of_a_rendered_night(rendered: Path):
    known = load(rendered / "clipped")
    visible = known.plan.free - known.plan.hidden
    boundary = swept_boundary(known.swept_share, known.plan.visible_share, known.plan.grid)
    grown_m2 = sum(sign * known.swept.buffer(sign * 0.001).intersection(visible).area / 2 for sign in (1, -1))
    assert edge_points(boundary, 0.001) == pytest.approx(100 * grown_m2 / visible.area, rel=0.03)
    shifted = [translate(known.swept, sign * 0.002, sign * 0.001).intersection(visible).area for sign in (1, -1)]
    points = 50 * (shifted[0] - shifted[1]) / visible.area
    assert displacement_points(boundary, (0.002, 0.001)) == pytest.approx(points, abs=0.002)
