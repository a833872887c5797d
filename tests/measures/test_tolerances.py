from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon, box

from coverage_lab.measures.coverage import covered_percent
from coverage_lab.measures.tolerances import outline_contributions
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Obstacle, Room

FLOOR = box(0, 0, 3, 2)
SWEPT = shapely.union_all([box(0.06, 0.06, 2.94, 1.9), box(1.0, -1, 1.4, 1), box(2, 1, 4, 1.3)]) - Point(
    1.5, 1.2
).buffer(0.2)
GRID = FloorGrid.over(FLOOR, 0.005)


def plan_of(floor=FLOOR, post_m=0.1, tolerance_m=0.003) -> FloorPlan:
    post = box(1.5 - post_m, 1.2 - post_m, 1.5 + post_m, 1.2 + post_m)
    return floor_plan(
        Room(floor, floor_tolerance_m=tolerance_m, obstacles=(Obstacle("post", post, 0.05, tolerance_m),)),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.1,
        camera_centre_m=(1.5, 1.0, 2.8),
        seen=None,
        grid=GRID,
    )


def percent(name: str, **room) -> float:
    return covered_percent(GRID.weights(SWEPT), getattr(plan_of(**room), name))


@pytest.mark.parametrize(("region", "inset_m"), [("visible_share", 0.0), ("reachable_share", 0.05)])
def test_contributions_are_those_of_moved_walls_and_swollen_furniture(region: str, inset_m: float):
    found = outline_contributions(GRID.weights(SWEPT), getattr(plan_of(), region), plan_of(), inset_m=inset_m)
    step_m = 0.003
    moved = [box(-step_m, 0, 3, 2), box(0, -step_m, 3, 2), box(0, 0, 3 + step_m, 2), box(0, 0, 3, 2 + step_m)]
    by_wall = [(percent(region, floor=floor) - percent(region)) / sqrt(3) for floor in moved]
    by_post = (percent(region, post_m=0.1 + step_m) - percent(region)) / sqrt(3)
    assert found["walls"].points == pytest.approx(np.sqrt(np.square(by_wall).sum()), rel=0.1)
    assert found["footprints"].points == pytest.approx(abs(by_post), rel=0.2)
    assert found["walls"].shared_by == found["footprints"].shared_by == "room"


def test_walls_do_not_matter_where_the_floor_is_swept_evenly():
    half = np.full(GRID.shape, 0.5, np.float32)
    found = outline_contributions(half, plan_of().visible_share, plan_of())
    assert found["walls"].points == pytest.approx(0, abs=1e-6)


def test_no_tolerance_no_contribution():
    exact = plan_of(tolerance_m=0.0)
    found = outline_contributions(GRID.weights(SWEPT), exact.visible_share, exact)
    assert found["walls"].points == found["footprints"].points == 0


def test_a_region_without_floor_has_no_contributions():
    assert outline_contributions(GRID.weights(SWEPT), GRID.weights(Polygon()), plan_of()) == {}
