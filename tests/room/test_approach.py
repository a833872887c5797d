"""From which sides a decoy can be approached."""

from __future__ import annotations

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point, Polygon, affinity, box

from coverage_lab.room.approach import AT_WALL_M, approach_mistake, approach_of
from coverage_lab.room.room import Decoy

PEN = box(0, 0, 2.1, 1.9)


def disc(x_m: float, y_m: float, radius_m: float = 0.03) -> Polygon:
    return Point(x_m, y_m).buffer(radius_m)


@pytest.mark.parametrize(
    ("footprint", "deg", "first_deg"),
    [
        (disc(1, 1), 360, 0),
        (disc(1, 1.8), 180, 90),  # at the north wall: from east through south to west
        (disc(0.1, 1), 180, 0),
        (disc(2.0, 1), 180, 180),
        (disc(1, 0.1), 180, 270),
        (disc(0.1, 0.1), 90, 0),  # in the south-west corner: from north to east
        (disc(2.0, 0.1), 90, 270),
        (disc(0.08, 1.82), 90, 90),
        (disc(2.02, 1.82), 90, 180),
        (disc(1, 0.03 + AT_WALL_M - 1e-6), 180, 270),
        (disc(1, 0.03 + AT_WALL_M + 1e-6), 360, 0),
    ],
)
def test_sector_by_where_it_stands(footprint: Polygon, deg: int, first_deg: float):
    found = approach_of(footprint, PEN)
    assert (found.deg, found.first_deg) == (deg, pytest.approx(first_deg))


def test_corner_that_juts_into_the_room_is_no_corner_to_lie_in():
    niche = Polygon([(0, 0), (2, 0), (2, 1), (1, 1), (1, 2), (0, 2)])
    assert approach_of(disc(0.92, 0.92), niche).deg == 180  # off both walls that meet at (1, 1)
    assert approach_of(disc(1.08, 0.95), niche).deg == 180


@given(st.floats(0.05, 2.05), st.floats(0.05, 1.85), st.floats(0, 359))
def test_sector_turns_with_the_room(x_m: float, y_m: float, turn_deg: float):
    footprint = disc(x_m, y_m)
    turned = [affinity.rotate(shape, -turn_deg, origin=(0, 0)) for shape in (footprint, PEN)]
    before, after = approach_of(footprint, PEN), approach_of(*turned)
    if abs(shapely.distance(footprint, PEN.exterior) - AT_WALL_M) < 1e-6:
        return
    assert before.deg == after.deg
    if before.deg != 360:
        off = (after.first_deg - before.first_deg - turn_deg + 180) % 360 - 180
        assert off == pytest.approx(0, abs=1e-3)


def test_what_is_stated_is_checked():
    corner = Decoy("sock", disc(0.1, 0.1), 0.03, 90)
    assert approach_mistake(corner, PEN) is None
    assert approach_mistake(Decoy("sock", disc(1, 1), 0.03), PEN) is None
    wrong = approach_mistake(Decoy("sock", disc(1, 1), 0.03, 90), PEN)
    assert wrong == "is 90, but it stands farther than 150 mm from every wall, which makes 360"
