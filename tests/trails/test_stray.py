"""Trail where no floor is, on straight passes from formulas."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from trails.strips import COMB, FLOOR, TUBE, Pass, light_of, plan_of

from coverage_lab.job import Bar
from coverage_lab.room.room import Decoy, Obstacle, Room
from coverage_lab.trails.stray import Stray, find_strays

PASSES = [Pass((0.3, y), (1.5, y), 0.4) for y in (0.35, 0.54, 0.73, 0.92)]
CLEAR, DRIVEN_OVER = shapely.box(0.6, 1.1, 0.9, 1.4), shapely.box(0.6, 0.6, 0.9, 0.9)
BARS = pytest.mark.parametrize("bar", [COMB, TUBE], ids=["comb", "tube"])


def strays(bar: Bar, room: Room, glow: float = 0.0, clip: float = 1.0) -> tuple[Stray, ...]:
    """What is found where `glow` lies on all that is no floor and on all floor beside it."""
    plan = plan_of(bar, room=room)
    light = light_of(PASSES, bar, plan.grid, blur_m=0.0028, floor=0.01)
    light += np.float32(glow) * (1 - plan.free_share)
    trail = 255 * np.sqrt(0.4)
    return find_strays(np.minimum(light, clip), plan, bar, clip, float(trail))


@BARS
@pytest.mark.parametrize("glow", [0.0, 0.3])
def test_a_right_room_shows_none(bar: Bar, glow: float):
    assert strays(bar, Room(FLOOR, obstacles=(Obstacle("chest", CLEAR, 0.4),)), glow) == ()


@BARS
def test_burnt_furniture_is_no_trail_while_the_floor_before_it_is_dark(bar: Bar):
    assert strays(bar, Room(FLOOR, obstacles=(Obstacle("chest", CLEAR, 0.4),)), glow=2.0) == ()


@BARS
def test_trail_over_a_footprint_is_found_with_its_size(bar: Bar):
    room = Room(FLOOR, obstacles=(Obstacle("chest", CLEAR, 0.02), Obstacle("pouf", DRIVEN_OVER, 0.02)))
    (found,) = strays(bar, room)
    assert (found.kind, found.name) == ("obstacle", "pouf")
    assert 0.03 < found.area_m2 < 0.0625  # of a core of 0.25 m by 0.25 m, as far in as is looked at


def test_a_decoy_may_be_driven_over():
    assert strays(COMB, Room(FLOOR, decoys=(Decoy("sock", DRIVEN_OVER, 0.02),))) == ()


@BARS
def test_trail_beyond_a_wall_is_found_at_that_wall(bar: Bar):
    (found,) = strays(bar, Room(shapely.box(0, 0, 1.2, 1.4)))
    assert (found.kind, found.name) == ("wall", "wall 1")  # shapely's box begins in the south-east
    assert found.area_m2 == pytest.approx(0.78 * 0.035, rel=0.2)  # four lanes, from 15 to 50 mm beyond
