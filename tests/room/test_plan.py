from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rendered_nights import NIGHTS, load
from shapely import Point, Polygon, box

from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan, hidden_floor
from coverage_lab.room.room import Decoy, Obstacle, Overhang, Room, Zone

FLOOR = box(0, 0, 4, 3)


def plan_of(room: Room, *, camera=(2.0, 1.5, 2.8), seen=None, cell_m=0.01, forward_m=0.0) -> FloorPlan:
    return floor_plan(
        room,
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=forward_m,
        bar_height_m=0.1,
        camera_centre_m=camera,
        seen=seen,
        grid=FloorGrid.over(room.floor, cell_m),
    )


@pytest.mark.parametrize("night", NIGHTS)
def test_floor_of_rendered_nights(rendered: Path, night: str):
    known = load(rendered / night, cell_m=0.01)
    truth = known.truth
    assert known.plan.free.area == pytest.approx(truth["free_area_m2"], rel=1e-3)
    assert known.plan.reachable.area == pytest.approx(truth["reachable"]["reachable_m2"], rel=1e-3)
    fringe_m2 = known.plan.free.area - known.plan.reachable.area
    assert fringe_m2 == pytest.approx(truth["reachable"]["fringe_m2"], rel=1e-3)
    hidden_m2 = truth["hidden_from_camera"]["hidden_free_area_m2"]
    assert known.plan.hidden.area == pytest.approx(hidden_m2, rel=1e-3)


def test_shares_are_those_of_the_areas():
    room = Room(FLOOR, obstacles=(Obstacle("chest", box(1, 1, 1.5, 1.3), 0.5),), zones=(Zone("a", box(0, 0, 1, 1)),))
    plan = plan_of(room)
    for share, area in (
        (plan.free_share, plan.free),
        (plan.reachable_share, plan.reachable),
        (plan.hidden_share, plan.hidden),
        (plan.visible_share, plan.free - plan.hidden),
        (plan.zone_shares["a"], box(0, 0, 1, 1)),
    ):
        assert share.sum(dtype=np.float64) * plan.grid.cell_m2 == pytest.approx(area.area, rel=1e-6)


def test_decoys_take_floor_away_and_overhangs_do_not():
    room = Room(
        FLOOR,
        obstacles=(Obstacle("chest", box(1, 1, 2, 2), 0.5),),
        decoys=(Decoy("sock", box(3, 1, 3.1, 1.1), 0.03),),
        overhangs=(Overhang("bed", box(0, 2, 1, 3), 0.2, 0.4),),
    )
    assert plan_of(room).free.area == pytest.approx(12 - 1 - 0.01)


def test_empty_room_is_reached_to_a_strip_along_the_walls_and_rounded_corners():
    # Erosion by 0.15 m, dilation by 0.1 m: a strip of 0.05 m stays, and (4 - pi) r^2 in the four corners.
    reachable = plan_of(Room(FLOOR)).reachable
    assert reachable.area == pytest.approx(3.9 * 2.9 - (4 - np.pi) * 0.1**2, rel=1e-5)


def test_a_bar_ahead_of_the_centre_reaches_further():
    ahead = plan_of(Room(FLOOR), forward_m=0.05).reachable
    strip_m = 0.15 - np.hypot(0.05, 0.1)
    assert ahead.bounds == pytest.approx((strip_m, strip_m, 4 - strip_m, 3 - strip_m), abs=1e-4)


def test_only_the_part_with_the_dock_is_reachable():
    wall = Obstacle("wall", box(1.0, 0, 1.1, 2.8), 1.0)  # leaves a gap that the body does not fit through
    west = plan_of(Room(FLOOR, obstacles=(wall,), dock_m=(0.3, 0.3))).reachable
    east = plan_of(Room(FLOOR, obstacles=(wall,), dock_m=(3.0, 0.02))).reachable  # dock at the wall: next part
    largest = plan_of(Room(FLOOR, obstacles=(wall,))).reachable
    assert west.contains(Point(0.5, 0.5)) and not west.intersects(Point(3, 1))
    assert east.contains(Point(3, 1)) and not east.intersects(Point(0.5, 0.5))
    assert largest.equals(east)


def test_a_body_that_fits_nowhere_reaches_nothing():
    plan = plan_of(Room(box(0, 0, 0.25, 3)))
    assert plan.reachable.is_empty and not plan.reachable_share.any()


def test_a_low_top_keeps_the_robot_out_and_a_high_one_does_not():
    under = Point(2, 1.5)
    low = plan_of(Room(FLOOR, overhangs=(Overhang("sofa", box(1, 1, 3, 2), 0.09, 0.4),)))
    high = plan_of(Room(FLOOR, overhangs=(Overhang("sofa", box(1, 1, 3, 2), 0.11, 0.4),)))
    assert not low.reachable.intersects(under) and low.free.contains(under)
    assert high.reachable.contains(under)


def test_an_obstacle_hides_a_strip_of_its_height_away_from_the_camera():
    # From 2.8 m above the west wall's middle, an edge 2 m away and 0.5 m high is seen on the plane at
    # 0.1 m at 2 m x (2.8 - 0.1) / (2.8 - 0.5).
    room = Room(FLOOR, obstacles=(Obstacle("chest", box(1.8, 1.4, 2, 1.6), 0.5),))
    hidden = plan_of(room, camera=(0.0, 1.5, 2.8)).hidden
    assert hidden.bounds[0] == pytest.approx(1.8) and hidden.bounds[2] == pytest.approx(2 * 2.7 / 2.3)
    assert hidden.bounds[3] - 1.5 == pytest.approx(0.1 * 2.7 / 2.3)


def test_what_is_not_higher_than_the_bar_hides_nothing():
    assert plan_of(Room(FLOOR, obstacles=(Obstacle("sill", box(1, 1, 2, 2), 0.1),))).hidden.is_empty


def test_a_top_hides_floor_displaced_away_from_the_camera():
    # A thin top at 0.5 m, 2 m east of the camera's foot: nothing is hidden right beneath its near edge.
    room = Room(FLOOR, overhangs=(Overhang("table", box(2, 1, 2.5, 2), 0.5, 0.52),))
    hidden = plan_of(room, camera=(0.0, 1.5, 2.8)).hidden
    assert hidden.bounds[0] == pytest.approx(2 * 2.7 / 2.3)
    assert hidden.bounds[2] == pytest.approx(2.5 * 2.7 / 2.28)


def test_what_reaches_the_camera_hides_all_behind_it():
    room = Room(FLOOR, obstacles=(Obstacle("cupboard", box(1, 1, 1.2, 2), 2.8),))
    hidden = plan_of(room, camera=(0.5, 1.5, 2.8)).hidden
    behind = Polygon([(1.2, 1), (1.2, 2), (4, 3), (4, 0)])
    assert behind.difference(hidden).area < 1e-6
    assert not hidden.intersects(box(0, 0, 0.99, 3))


def test_floor_outside_the_picture_is_hidden():
    plan = plan_of(Room(FLOOR), seen=box(-1, -1, 3, 4))
    assert plan.hidden.area == pytest.approx(3) and plan.visible_share.sum() * plan.grid.cell_m2 == pytest.approx(9)


def blocked(point, foot_h, solids, bar_h, steps=400) -> bool:
    """Walk from a point of the plane at bar height to the camera and look whether anything is in the way."""
    z = np.linspace(bar_h, foot_h[2] - 1e-6, steps)
    along = ((z - bar_h) / (foot_h[2] - bar_h))[:, None]
    line = shapely.points(np.asarray(point) + along * (np.asarray(foot_h[:2]) - point))
    return any(
        (shapely.contains_properly(outline, line) & (z >= low) & (z <= high)).any() for outline, low, high in solids
    )


@settings(max_examples=25)
@given(
    st.floats(0.3, 3.7),
    st.floats(0.3, 2.7),
    st.floats(0.2, 1.5),
    st.integers(0, 3),
    st.floats(0, 0.4),
    st.integers(0, 2**31),
)
def test_hidden_is_what_lines_of_sight_cannot_pass(x_m, y_m, height_m, quarter, clearance_m, seed):
    horseshoe = Polygon([(1, 1), (2, 1), (2, 2), (1, 2), (1, 1.7), (1.6, 1.7), (1.6, 1.3), (1, 1.3)])
    shape = shapely.affinity.rotate(horseshoe, 90 * quarter)
    top = box(2.6, 1.2, 3.2, 1.9)
    room = Room(
        FLOOR,
        obstacles=(Obstacle("horseshoe", shape, height_m),),
        overhangs=(Overhang("top", top, clearance_m, clearance_m + 0.3),),
    )
    free = FLOOR - shape
    camera = (x_m, y_m, 2.8)
    hidden = hidden_floor(room, free, bar_height_m=0.1, camera_centre_m=camera)
    solids = [(shape, 0.0, height_m), (top, clearance_m, clearance_m + 0.3)]
    for point in np.random.default_rng(seed).uniform((0, 0), (4, 3), (20, 2)):
        spot = Point(point)
        if free.contains(spot) and hidden.boundary.distance(spot) > 0.01:
            assert hidden.contains(spot) == blocked(point, camera, solids, 0.1)
