"""Ways through frames, settled on the strips that the frames show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon

from coverage_lab.job import Bar, Robot
from coverage_lab.measures.legs import Way, steps_of, turns_of, way_through
from coverage_lab.measures.settle import settle
from coverage_lab.measures.smear import smeared_area
from coverage_lab.room.track import Track

PUCK = Point(1, 1).buffer(0.04, quad_segs=64)
NOWHERE = Polygon()


def robot(forward_m: float = 0.0) -> Robot:
    return Robot("heron", Bar(0.2, 0, 0.2, 0.09, 0.0, forward_m), 0.3, 0.1)


def along(*points: tuple[float, float], off: NDArray[np.float64] | None = None, u_m: float = 0.012) -> Track:
    """Straight on between the points of one frame, turning on the spot at each."""
    corner = np.array(points, dtype=float) + (0 if off is None else off)
    step = np.diff(corner, axis=0)
    heading = np.unwrap(np.repeat(np.arctan2(step[:, 1], step[:, 0]), 2))
    centre = np.repeat(corner, 2, axis=0)[1:-1]
    t_s = np.arange(len(centre)) * 1.0
    return Track(t_s, centre, heading, np.zeros(len(centre), int), np.ones(len(centre) - 1, bool), u_m)


AROUND = ((0.4, 0.78), (0.9, 0.78), (1.1, 0.8), (1.22, 0.95), (1.22, 1.3))


def error_m(found: Track, true: Track) -> float:
    """How far the true corners are from the way that was found."""
    return float(shapely.distance(shapely.points(true.centre_m), LineString(found.centre_m)).max())


@settings(max_examples=12)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.03]))
def test_a_way_that_is_a_centimetre_off_is_brought_back(seed: int, forward_m: float):
    true, one = along(*AROUND), robot(forward_m)
    off = np.random.default_rng(seed).normal(0, 0.01, (len(AROUND), 2))
    followed = along(*AROUND, off=off)
    found = settle(followed, (smeared_area(true, one.bar),), PUCK, NOWHERE, one)
    assert found.fits.all()
    assert error_m(found.track, true) < max(0.004, 0.4 * error_m(followed, true))
    nearest_m = LineString(true.centre_m).distance(PUCK)
    assert LineString(found.track.centre_m).distance(PUCK) == pytest.approx(nearest_m, abs=0.003)
    assert found.spread_m2.shape == (len(found.track.t_s), 2, 2)
    assert np.sqrt(found.spread_m2[:, 0, 0]).max() < 0.012


def test_times_stay_those_of_the_way():
    found = settle(along(*AROUND), (smeared_area(along(*AROUND), robot().bar),), PUCK, NOWHERE, robot()).track
    assert (found.t_s[0], found.t_s[-1]) == (0, 7)
    assert (np.diff(found.t_s) >= 0).all()


def test_a_way_that_explains_another_strip_does_not_fit():
    other = along((0.4, 0.78), (0.9, 0.78), (1.0, 0.5), (1.3, 0.5))
    found = settle(along(*AROUND), (smeared_area(other, robot().bar),), PUCK, NOWHERE, robot())
    assert not found.fits.any()


def test_a_way_that_was_followed_too_far_is_cut_where_its_strip_ends():
    short = along((0.4, 0.78), (0.9, 0.78))
    found = settle(along((0.4, 0.78), (0.99, 0.78)), (smeared_area(short, robot().bar),), PUCK, NOWHERE, robot()).track
    assert found.centre_m[-1] == pytest.approx((0.9, 0.78), abs=0.012)


def test_ways_far_from_decoys_and_ways_that_are_not_known_stay_as_they_are():
    far = along((0.2, 0.2), (0.6, 0.2))
    found = settle(far, (smeared_area(far, robot().bar),), PUCK, NOWHERE, robot())
    assert np.array_equal(found.track.centre_m, far.centre_m)
    near = along(*AROUND)
    unknown = replace(near, followed=np.zeros(len(near.t_s) - 1, bool))
    found = settle(unknown, (smeared_area(near, robot().bar),), PUCK, NOWHERE, robot())
    assert np.array_equal(found.track.centre_m, near.centre_m)
    assert not found.fits.any()


def test_frames_stay_apart():
    first, second = along(*AROUND[:3]), along(*AROUND[2:])
    both = Track(
        np.concatenate([first.t_s, 10 + second.t_s]),
        np.concatenate([first.centre_m, second.centre_m]),
        np.concatenate([first.heading_rad, second.heading_rad]),
        np.repeat([0, 2], [len(first.t_s), len(second.t_s)]),
        np.concatenate([first.followed, [False], second.followed]),
        0.012,
    )
    strips = (smeared_area(first, robot().bar), NOWHERE, smeared_area(second, robot().bar))
    found = settle(both, strips, PUCK, NOWHERE, robot()).track
    (change,) = np.flatnonzero(np.diff(found.frame))
    assert np.flatnonzero(~found.followed).tolist() == [change]
    assert set(found.frame.tolist()) == {0, 2}


def moved(way: Way, column: int, by: float) -> Way:
    shift = np.zeros(2 * len(way.corner_m) + 2)
    shift[column] = by
    return replace(
        way,
        corner_m=way.corner_m + shift[:-2].reshape(-1, 2),
        first_rad=way.first_rad + shift[-2],
        last_rad=way.last_rad + shift[-1],
    )


def test_derivatives_are_those_of_the_steps():
    way = replace(way_through(along(*AROUND)), first_rad=0.3, last_rad=1.2)
    steps, (turn, by_turn) = steps_of(way), turns_of(way)
    for column in range(steps.turn.shape[1]):
        other = steps_of(moved(way, column, 1e-6))
        assert (other.centre_m - steps.centre_m) / 1e-6 == pytest.approx(steps.place[:, :, column], abs=1e-3)
        assert (other.heading_rad - steps.heading_rad) / 1e-6 == pytest.approx(steps.turn[:, column], abs=1e-3)
        assert (turns_of(moved(way, column, 1e-6))[0] - turn) / 1e-6 == pytest.approx(by_turn[:, column], abs=1e-3)


def test_a_robot_that_backs_up_keeps_its_heading():
    poses = along((0.4, 0.78), (0.9, 0.78))
    back = replace(poses, heading_rad=poses.heading_rad + np.pi)
    way = way_through(back)
    assert way.backwards.all()
    assert np.cos(steps_of(way).heading_rad) == pytest.approx(-np.ones(len(steps_of(way).t_s)))
