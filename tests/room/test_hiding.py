import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box, unary_union

from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.hiding import OUTSIDE_PICTURE, hidden_by
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Decoy, Obstacle, Overhang, Room

CAMERA = (2.0, 1.5, 2.8)
BAR_M = 0.1
FLOOR = box(0, 0, 4, 3)


def laid_out(room: Room, seen=None) -> FloorPlan:
    return floor_plan(
        room,
        body_diameter_m=0.33,
        body_height_m=0.1,
        nozzle_m=0.22,
        forward_m=0.0,
        bar_height_m=BAR_M,
        camera_centre_m=CAMERA,
        seen=seen,
        grid=FloorGrid.over(FLOOR, 0.1),
    )


def told(plan: FloorPlan):
    return hidden_by(plan, bar_height_m=BAR_M, camera_centre_m=CAMERA)


def test_shadow_of_a_box_by_hand():
    # A wall-like box from x = 3.0 to 3.2 along the whole depth, 1 m high: its far top edge, 1.2 m from the foot,
    # appears at 1.2 · 2.7 / 1.8 = 1.8 m, so that x = 3.2 to 3.8 is hidden.
    plan = laid_out(Room(FLOOR, obstacles=(Obstacle("bench", box(3.0, -5, 3.2, 8), 1.0),)))
    hidden = told(plan)
    assert list(hidden) == ["bench"]
    assert hidden["bench"].area == pytest.approx(0.6 * 3.0, rel=1e-6)


def test_largest_comes_first_and_low_things_hide_nothing():
    room = Room(
        FLOOR,
        obstacles=(Obstacle("plinth", box(0.5, 0.5, 0.8, 0.8), 0.05), Obstacle("stool", box(3, 2, 3.2, 2.2), 0.4)),
        overhangs=(Overhang("bed", box(0, 2, 1, 3), 0.3, 0.6),),
        decoys=(Decoy("shoe", box(1, 1, 1.2, 1.1), 0.2),),
    )
    hidden = told(laid_out(room))
    assert list(hidden) == ["bed", "stool", "shoe"]
    assert sorted((area.area for area in hidden.values()), reverse=True) == [area.area for area in hidden.values()]


def test_two_things_of_one_name_count_both():
    pair = (Obstacle("leg", box(3, 2, 3.05, 2.05), 0.7), Obstacle("leg", box(0.5, 0.5, 0.55, 0.55), 0.7))
    both = told(laid_out(Room(FLOOR, obstacles=pair)))["leg"].area
    each = [told(laid_out(Room(FLOOR, obstacles=(one,))))["leg"].area for one in pair]
    assert both == pytest.approx(sum(each))


def test_floor_outside_the_picture_is_named():
    hidden = told(laid_out(Room(FLOOR), seen=box(0, 0, 3.5, 3)))
    assert list(hidden) == [OUTSIDE_PICTURE]
    assert hidden[OUTSIDE_PICTURE].area == pytest.approx(1.5)


boxes = st.builds(
    lambda x, y, wide, deep, high: (box(x, y, x + wide, y + deep), high),
    *(st.floats(low, high) for low, high in ((0, 3.5), (0, 2.5), (0.05, 0.5), (0.05, 0.5), (0.02, 2.0))),
)


@settings(max_examples=30)
@given(st.lists(boxes, max_size=4), st.floats(2.0, 4.0))
def test_what_is_hidden_by_something_is_all_that_is_hidden(things, seen_to_m):
    room = Room(FLOOR, obstacles=tuple(Obstacle(f"thing {n}", *thing) for n, thing in enumerate(things)))
    plan = laid_out(room, seen=box(0, 0, seen_to_m, 3))
    together = unary_union(list(told(plan).values()))
    assert together.symmetric_difference(plan.hidden).area < 2e-5
    assert np.all([not area.is_empty for area in told(plan).values()])
