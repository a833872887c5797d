"""The bump-and-turn driver stays where it may go, drives as far as told, and turns on the spot."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Polygon

from coverage_lab.room.bounce import TURN_STEP_RAD, bounce_path

ROOM = shapely.box(0, 0, 4, 3) - shapely.box(1, 1, 1.5, 2) - shapely.Point(3, 1).buffer(0.3)


def drive(seed: int, *, area=ROOM, start=(0.5, 0.5), length_m=40.0, step_m=0.02):
    return bounce_path(area, start, length_m, np.random.default_rng(seed), step_m=step_m)


@given(seed=st.integers(0, 2**32), turn_deg=st.floats(0, 360))
@settings(max_examples=30, deadline=None)
def test_never_leaves_the_allowed_area(seed, turn_deg):
    area = shapely.affinity.rotate(ROOM, turn_deg, origin=(0.5, 0.5))
    poses = drive(seed, area=area)
    outside = shapely.distance(area, shapely.points(poses[:, :2]))
    assert outside.max() < 1e-8
    steps = shapely.linestrings(np.stack([poses[:-1, :2], poses[1:, :2]], axis=1))
    assert shapely.covers(area.buffer(1e-7), steps).all()


@given(seed=st.integers(0, 2**32), acute_m=st.floats(0.05, 3))
@settings(max_examples=30, deadline=None)
def test_gets_out_of_sharp_corners(seed, acute_m):
    wedge = Polygon([(0, 0), (4, 0), (4, acute_m)])
    poses = drive(seed, area=wedge, start=(3.9, acute_m / 4))
    assert shapely.distance(wedge, shapely.points(poses[:, :2])).max() < 1e-7


def test_drives_the_length_it_is_given_and_starts_where_told():
    poses = drive(3, length_m=37.7)
    assert tuple(poses[0, :2]) == (0.5, 0.5)
    assert np.hypot(*np.diff(poses[:, :2], axis=0).T).sum() == pytest.approx(37.7, abs=1e-9)


def test_goes_ahead_or_turns_but_never_both():
    poses = drive(4, step_m=0.02)
    move = np.diff(poses[:, :2], axis=0)
    far, turn = np.hypot(*move.T), np.abs(np.diff(poses[:, 2]))
    assert ((far < 1e-12) | (turn < 1e-12)).all()
    assert far.max() <= 0.02 + 1e-12 and turn.max() <= TURN_STEP_RAD + 1e-12
    driven = far > 1e-12
    ahead = np.column_stack([np.cos(poses[1:, 2]), np.sin(poses[1:, 2])])
    np.testing.assert_allclose(move[driven] / far[driven, None], ahead[driven], atol=1e-9)


def test_headings_after_a_bounce_follow_the_cosine_law():
    square = shapely.box(0, 0, 1, 1)
    poses = drive(5, area=square, length_m=3000, step_m=10)
    off_the_floor = poses[(poses[:, 1] < 1e-9) & (poses[:, 0] > 1e-9) & (poses[:, 0] < 1 - 1e-9)]
    place = np.unique(off_the_floor[:, 0])
    assert len(place) > 500
    headings = [off_the_floor[off_the_floor[:, 0] == x][-1, 2] for x in place[:500]]
    sine = np.cos(headings)  # the inward normal points north: sin(angle to it) = -cos(heading)
    assert abs(sine.mean()) < 4 / np.sqrt(3 * 500)
    assert np.mean(sine**2) == pytest.approx(1 / 3, abs=0.06)  # uniform in (-1, 1); a uniform angle gives 1/2


def test_same_seed_same_path():
    np.testing.assert_array_equal(drive(6), drive(6))
    assert drive(6).shape != drive(7).shape


def test_stays_in_its_part_of_a_divided_area():
    parts = MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 0, 3, 1)])
    assert drive(8, area=parts)[:, 0].max() <= 1 + 1e-9


def test_refuses_a_start_outside():
    with pytest.raises(ValueError, match="does not lie"):
        drive(9, start=(1.2, 1.5))
