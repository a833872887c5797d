import numpy as np
import pytest
import shapely

from coverage_lab.files.room import read_room, write_room
from coverage_lab.job import Bar, Robot
from coverage_lab.room.room import Room
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import hall, named_room, random_room, study, where_it_fits


def every_room():
    return [study(), hall(), *(random_room(np.random.default_rng(seed)) for seed in range(6))]


@pytest.mark.parametrize("room", every_room(), ids=lambda room: f"{room.floor.area:.1f} m2")
def test_rooms_are_rooms_that_our_own_reader_accepts(room, tmp_path):
    write_room(room, tmp_path / "room.geojson")
    again = read_room(tmp_path / "room.geojson")
    assert again.floor.equals(room.floor) or again.floor.symmetric_difference(room.floor).area < 1e-5
    assert [marker.id for marker in again.markers] == [0, 1, 2, 3]


@pytest.mark.parametrize("room", every_room(), ids=lambda room: f"{room.floor.area:.1f} m2")
def test_markers_lie_on_free_floor(room):
    solids = shapely.union_all([solid.footprint for solid in room.obstacles])
    for marker in room.markers:
        sheet = shapely.Polygon(marker.corners_m[:, :2])
        assert room.floor.contains(sheet)
        assert not solids.intersects(sheet)


@pytest.mark.parametrize("driver", FLOCK, ids=lambda driver: driver.robot.name)
def test_a_body_stays_off_everything_where_it_fits(driver):
    room = study()
    allowed = where_it_fits(room, driver.robot, clearance_m=0.006)
    solids = shapely.union_all([solid.footprint for solid in room.obstacles])
    nearest = min(allowed.distance(solids), allowed.distance(room.floor.exterior))
    assert driver.robot.body_diameter_m / 2 + 0.005 < nearest < driver.robot.body_diameter_m / 2 + 0.0061


def test_a_low_bench_lets_only_low_robots_under():
    bar = Bar(0.2, 14, 0.19, 0.09, 0.002, 0.0)
    low, tall = Robot("wren", bar, 0.3, 0.10), Robot("stork", bar, 0.3, 0.18)
    assert where_it_fits(hall(), low).area > where_it_fits(hall(), tall).area + 0.2


def test_the_seed_decides_a_random_room():
    assert named_room("random", 4) == named_room("random", 4)
    assert named_room("random", 4) != named_room("random", 5)


def test_a_robot_larger_than_the_room_is_refused():
    with pytest.raises(ValueError, match="wren fits nowhere"):
        where_it_fits(Room(shapely.box(0, 0, 0.2, 0.2)), FLOCK[1].robot)
