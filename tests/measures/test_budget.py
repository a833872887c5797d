"""The budget of a covered share against brute force: the plan really moved, the outline really shifted."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from coverage_lab.measures.budget import Mover, Nodes, Sources, contributions
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import floor_plan
from coverage_lab.room.room import Room

FLOOR = shapely.box(0, 0, 3.0, 2.4)
SWEPT = shapely.union_all([shapely.box(0.3, 0.3, 2.6, 1.1), shapely.Point(1.5, 1.6).buffer(0.35)])


def plan_of():
    return floor_plan(
        Room(FLOOR, floor_tolerance_m=0.003),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.1,
        camera_centre_m=(1.4, 1.1, 2.7),
        seen=None,
        grid=FloorGrid.over(FLOOR, 0.004, 0.05),
    )


def sources(nodes, **movers):
    plan = plan_of()
    return Sources(0.0005, 0.0002, np.zeros(plan.grid.shape, np.float32), nodes, movers)


def test_a_displacement_of_the_plan_costs_what_moving_the_swept_floor_does():
    """A bar 5 mm higher than stated draws the swept floor nearer to the camera's foot, by a share of the distance."""
    plan, nodes = plan_of(), Nodes.over(FLOOR)
    foot, shrink = np.array([1.4, 1.1]), 0.005 / 2.6
    mover = Mover(((foot - nodes.points_m) * shrink)[None], "robot")
    found = contributions(plan.grid.weights(SWEPT), plan.visible_share, plan, sources(nodes, bar=mover), inset_m=0.0)
    moved = shapely.transform(SWEPT, lambda xy: xy + (foot - xy) * shrink)
    true = 100 * (moved.area - SWEPT.area) / FLOOR.area
    assert found["bar"].points == pytest.approx(abs(true), rel=0.03)
    assert found["bar"].shared_by == "robot"


def test_a_shift_of_the_whole_plan_costs_nothing_where_all_of_the_edge_is_seen():
    plan, nodes = plan_of(), Nodes.over(FLOOR)
    aside = Mover(np.broadcast_to([0.003, -0.002], (1, len(nodes.points_m), 2)), "night")
    found = contributions(plan.grid.weights(SWEPT), plan.visible_share, plan, sources(nodes, a=aside), inset_m=0.0)
    assert found["a"].points == pytest.approx(0, abs=1e-3)


def test_an_edge_further_out_adds_its_length():
    plan, nodes = plan_of(), Nodes.over(FLOOR)
    found = contributions(plan.grid.weights(SWEPT), plan.visible_share, plan, sources(nodes), inset_m=0.0)
    true = 100 * (SWEPT.buffer(0.0005).area - SWEPT.area) / FLOOR.area
    assert found["edge"].points == pytest.approx(true, rel=0.03)
    assert found["transfer"].points == pytest.approx(true * 0.4, rel=0.03)


def test_independent_moves_add_in_squares_and_doubtful_cells_are_rectangular():
    plan, nodes = plan_of(), Nodes.over(FLOOR)
    one = (np.array([1.4, 1.1]) - nodes.points_m) * 0.001
    doubtful = plan.grid.weights(shapely.box(2.7, 1.4, 2.9, 1.6))
    movers = {"one": Mover(one[None], "night"), "two": Mover(np.stack([one, one]), "night")}
    both = Sources(0.0, 0.0, doubtful, nodes, movers)
    found = contributions(plan.grid.weights(SWEPT), plan.visible_share, plan, both, inset_m=0.0)
    assert found["two"].points == pytest.approx(found["one"].points * np.sqrt(2))
    assert found["threshold"].points == pytest.approx(100 * 0.04 / FLOOR.area / np.sqrt(3), rel=1e-5)


def test_a_region_without_floor_has_no_budget():
    plan, nodes = plan_of(), Nodes.over(FLOOR)
    nothing = np.zeros(plan.grid.shape, np.float32)
    assert contributions(nothing, nothing, plan, sources(nodes), inset_m=0.0) == {}


def test_a_length_brings_its_own_uncertainty_so_that_the_sensitivity_can_be_told():
    plan, nodes = plan_of(), Nodes.over(FLOOR)
    mover = Mover(((np.array([1.4, 1.1]) - nodes.points_m) * 0.001)[None], "robot", u_m=0.0026)
    found = contributions(plan.grid.weights(SWEPT), plan.visible_share, plan, sources(nodes, bar=mover), inset_m=0.0)
    assert found["bar"].u_mm == pytest.approx(2.6)
    assert found["edge"].u_mm == pytest.approx(0.5)
    assert found["walls"].u_mm == pytest.approx(3 / np.sqrt(3))
    assert found["threshold"].u_mm is None
