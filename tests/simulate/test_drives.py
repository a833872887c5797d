import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box

from coverage_lab.simulate.drives import (
    Motion,
    follow,
    lanes,
    laps,
    spiral,
    start_near,
    timed,
    widest_place,
)
from coverage_lab.simulate.robots import FLOCK, drive
from coverage_lab.simulate.rooms import study, where_it_fits
from coverage_lab.simulate.routes import Routes

OPEN = box(0, 0, 3, 2)
HOLED = OPEN.difference(box(1, 0.5, 2, 1.5))


def test_a_leg_takes_its_length_over_the_speed_and_a_turn_its_angle_over_the_rate():
    poses = timed(follow(np.array([[0, 0], [1, 0], [1, 2.0]])), Motion(0.25, 1.5))
    assert poses[-1, 0] == pytest.approx(3 / 0.25 + (np.pi / 2) / 1.5)
    assert poses[-1, 1:] == pytest.approx([1, 2, np.pi / 2])


def test_poses_are_dense():
    step = np.abs(np.diff(timed(follow(np.array([[0, 0], [1, 0], [0, 0.1]])), Motion()), axis=0))
    assert np.hypot(step[:, 1], step[:, 2]).max() <= 0.005 + 1e-12
    assert step[:, 3].max() <= np.deg2rad(2) + 1e-12


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 2 * np.pi), st.floats(0, 0.8), st.integers(0, 9))
def test_lanes_stay_where_the_robot_may_be(heading_rad, jitter_rad, seed):
    way = lanes(
        HOLED,
        spacing_m=0.2,
        heading_rad=heading_rad,
        jitter_rad=jitter_rad,
        rng=np.random.default_rng(seed),
    )
    assert HOLED.buffer(3e-4).covers(shapely.LineString(way))


@settings(max_examples=15, deadline=None)
@given(st.floats(0, np.pi), st.floats(0.1, 0.4))
def test_lanes_leave_nothing_wider_than_their_spacing(heading_rad, spacing_m):
    way = lanes(OPEN, spacing_m=spacing_m, heading_rad=heading_rad, rng=np.random.default_rng(0))
    assert shapely.LineString(way).buffer(spacing_m / 2 + 0.002).covers(OPEN.buffer(-spacing_m / 2))


def test_a_lane_left_out_leaves_a_gap():
    rng = np.random.default_rng(0)
    way = shapely.LineString(lanes(OPEN, spacing_m=0.2, skipped=(4,), rng=rng))
    middle = box(0.2, 0.61, 2.8, 0.99)
    assert way.intersection(middle).is_empty
    assert not shapely.LineString(lanes(OPEN, spacing_m=0.2, rng=rng)).intersection(middle).is_empty


def test_jitter_is_the_standard_deviation_of_the_lanes_headings():
    way = lanes(box(0, 0, 40, 40), spacing_m=0.1, jitter_rad=0.02, rng=np.random.default_rng(3))
    legs = np.diff(way, axis=0)
    long = np.hypot(legs[:, 0], legs[:, 1]) > 30
    slope = np.arctan(legs[long, 1] / legs[long, 0])
    assert long.sum() > 350
    assert slope.std() == pytest.approx(0.02, rel=0.12)


def test_laps_follow_every_wall_and_obstacle():
    way = shapely.LineString(laps(HOLED))
    assert HOLED.buffer(3e-4).covers(way)
    assert way.buffer(1e-3).covers(HOLED.exterior)
    assert way.buffer(1e-3).covers(HOLED.interiors[0])


def test_a_spiral_winds_at_its_spacing_and_ends_inside():
    way = spiral(OPEN, (1.5, 1.0), spacing_m=0.15)
    radius_m = np.hypot(*(way - [1.5, 1.0]).T)
    assert radius_m[180:] - radius_m[:-180] == pytest.approx(0.15, rel=0.01)
    assert OPEN.covers(shapely.MultiPoint(way))
    assert 0.85 < radius_m[-1] < 1.1


def test_the_shortest_way_goes_around_the_corners():
    way = Routes(HOLED).join(np.array([[0.5, 1.0], [2.5, 1.0]]))
    length_m = shapely.LineString(way).length
    assert length_m == pytest.approx(2 * np.hypot(0.5, 0.5) + 1.0, abs=1e-6)


def test_no_way_to_another_part_is_an_error():
    apart = shapely.union_all([box(0, 0, 1, 1), box(2, 0, 3, 1)])
    with pytest.raises(ValueError, match="no way"):
        Routes(apart).join(np.array([[0.5, 0.5], [2.5, 0.5]]))


def test_start_and_widest_place():
    assert start_near(OPEN, (5.0, 1.0)) == pytest.approx((3.0, 1.0), abs=2e-4)
    assert OPEN.covers(shapely.Point(start_near(OPEN, (-1.0, -1.0))))
    assert OPEN.covers(shapely.Point(start_near(OPEN, None)))
    assert widest_place(box(0, 0, 1, 1).union(box(1, 0.4, 4, 0.6))) == pytest.approx((0.5, 0.5), abs=0.03)


@pytest.mark.parametrize("driver", FLOCK, ids=lambda driver: driver.manner)
def test_every_robot_of_the_flock_drives_where_it_fits_and_without_a_jump(driver):
    room = study()
    poses = drive(driver, room, np.random.default_rng(2))
    allowed = where_it_fits(room, driver.robot)
    assert shapely.contains_xy(allowed.buffer(3e-4), poses[:, 1:3]).all()
    step = np.diff(poses, axis=0)
    assert (step[:, 0] >= 0).all()
    assert np.hypot(step[:, 1], step[:, 2]).max() < 0.02
    assert np.abs(step[:, 3]).max() < 0.06


def test_a_bouncer_takes_several_times_as_long_as_a_lane_driver():
    # Common practice, no source: bump-and-turn robots need several times a lane driver's time.
    poses = [drive(driver, study(), np.random.default_rng(1)) for driver in FLOCK[:2]]
    assert poses[1][-1, 0] > 2 * poses[0][-1, 0]
