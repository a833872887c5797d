"""Contact of the body with a decoy: from a track, and what the swept floor alone leaves possible."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, box

from coverage_lab.job import Bar, Robot
from coverage_lab.measures.around_decoy import clearance, swept_around
from coverage_lab.measures.contact import (
    BodyBounds,
    Moment,
    after,
    contacts,
    leg_clearances,
    light_bounds,
    time_s,
)
from coverage_lab.measures.smear import smeared_area
from coverage_lab.room.field import TravelField, field_of_track
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.room import Area
from coverage_lab.room.track import Track, driven_m

PUCK = Point(1, 1).buffer(0.04, quad_segs=64)
BODY_M = 0.3


def robot(nozzle_m: float = 0.2, forward_m: float = 0.0) -> Robot:
    return Robot("heron", Bar(nozzle_m, 0, nozzle_m, 0.09, 0.0, forward_m), BODY_M, 0.1)


def clearance_of(track: Track, footprint: Area, body_diameter_m: float) -> float:
    return float(leg_clearances(track, footprint, body_diameter_m).min())


def along(*points: tuple[float, float], speed_m_s: float = 0.25) -> Track:
    """Straight on between the points, turning on the spot in no time."""
    centre = np.repeat(np.array(points, dtype=float), 2, axis=0)[1:-1]
    step = np.diff(points, axis=0)
    ends_s = np.concatenate([[0.0], np.cumsum(np.hypot(step[:, 0], step[:, 1]) / speed_m_s)])
    heading = np.repeat(np.arctan2(step[:, 1], step[:, 0]), 2)
    return Track(
        np.repeat(ends_s, 2)[1:-1], centre, heading, np.arange(len(centre)), np.ones(len(centre) - 1, bool), 0.002
    )


@given(st.floats(-0.5, 2.5), st.floats(-0.5, 2.5), st.floats(-0.5, 2.5), st.floats(-0.5, 2.5))
def test_clearance_is_shapelys_distance_less_the_radius(x0: float, y0: float, x1: float, y1: float):
    x0, y0, x1, y1 = (round(at, 6) for at in (x0, y0, x1, y1))
    poses = Track(
        np.array([0.0, 1.0]), np.array([[x0, y0], [x1, y1]]), np.zeros(2), np.arange(2), np.ones(1, bool), 0.0
    )
    swath = LineString([(x0, y0), (x1, y1)]) if (x0, y0) != (x1, y1) else Point(x0, y0)
    assert clearance_of(poses, PUCK, BODY_M) == pytest.approx(swath.distance(PUCK) - BODY_M / 2)


def test_contact_is_when_the_bodys_edge_gets_there():
    poses = along((0, 1), (2, 1))
    (moment,) = contacts(poses, PUCK, BODY_M)
    assert time_s(poses, moment) == pytest.approx((1 - 0.04 - 0.15) / 0.25, abs=1e-3)
    assert contacts(along((0, 1.2), (2, 1.2)), PUCK, BODY_M) == ()
    assert clearance_of(along((0, 1.2), (2, 1.2)), PUCK, BODY_M) == pytest.approx(0.01, abs=1e-4)


def test_second_contacts_count_after_the_robot_has_left():
    there, pressed = (0.0, 1.0), (0.83, 1.0)  # its edge 20 mm into the decoy
    nudging = along(there, pressed, (0.8, 1.0), pressed, there)  # never 30 mm off: one contact
    assert len(contacts(nudging, PUCK, BODY_M)) == 1
    twice = along(there, pressed, (0.6, 1.0), pressed, there)
    first, second = (time_s(twice, moment) for moment in contacts(twice, PUCK, BODY_M))
    assert first == pytest.approx(0.81 / 0.25, abs=1e-3)
    assert second == pytest.approx((0.83 + 0.23 + 0.21) / 0.25, abs=1e-3)


def test_what_was_driven_after_the_contact():
    poses = along((0, 1), (2, 1), (2, 0))
    (moment,) = contacts(poses, PUCK, BODY_M)
    rest = after(poses, moment)
    assert rest.t_s[0] == pytest.approx(0.81 / 0.25, abs=1e-3)
    assert len(rest.frame) == len(rest.t_s) == len(rest.centre_m)
    assert driven_m(rest) == pytest.approx(2 - 0.81 + 1, abs=1e-3)
    assert driven_m(after(poses, Moment(0, 0.0))) == pytest.approx(3)


def test_without_a_clock_there_is_no_time_but_a_way():
    poses = replace(along((0, 1), (2, 1)), t_s=np.full(2, np.nan))
    (moment,) = contacts(poses, PUCK, BODY_M)
    assert time_s(poses, moment) is None
    assert driven_m(after(poses, moment)) == pytest.approx(2 - 0.81, abs=1e-3)


def test_what_was_not_followed_touches_nothing_on_its_way():
    poses = along((0, 1), (2, 1))
    unseen = replace(poses, followed=np.zeros(len(poses.t_s) - 1, bool))
    assert contacts(unseen, PUCK, BODY_M) == ()
    assert clearance_of(unseen, PUCK, BODY_M) == pytest.approx(1 - 0.04 - BODY_M / 2, abs=1e-3)
    assert contacts(poses, PUCK, BODY_M, sure=np.zeros(len(poses.t_s) - 1, bool)) == ()


@given(st.floats(-3.1, 3.1))
def test_headings_are_followed_the_short_way(turn: float):
    start = 3.0
    heading = np.array([start, start + turn - 2 * np.pi])
    poses = Track(np.array([0.0, 2.0]), np.zeros((2, 2)), heading, np.arange(2), np.ones(1, bool), 0.0)
    assert np.angle(np.exp(1j * (after(poses, Moment(0, 0.5)).heading_rad[0] - start - turn / 2))) == pytest.approx(
        0, abs=1e-6
    )


def test_smeared_floor_is_the_strip_of_the_nozzle():
    straight = along((0, 0), (1, 0))
    assert smeared_area(straight, robot().bar).area == pytest.approx(0.2)
    twice = along((0, 0), (1, 0), (0, 0))
    assert smeared_area(twice, robot().bar).buffer(0).area == pytest.approx(0.2 + np.pi * 0.01 / 2, rel=0.002)
    spin = Track(np.array([0.0, 4.0]), np.zeros((2, 2)), np.array([0.0, np.pi]), np.arange(2), np.ones(1, bool), 0.0)
    assert smeared_area(spin, robot().bar).area == pytest.approx(np.pi * 0.01, rel=0.002)
    ahead = smeared_area(straight, robot(forward_m=0.05).bar)
    assert ahead.bounds == pytest.approx((0.05, -0.1, 1.05, 0.1))


FLOOR = box(0, 0, 2, 2)
GRID = FloorGrid.over(FLOOR, 0.002)


def driven(poses: Track, one: Robot, *, told: bool) -> tuple[ShareArray, TravelField]:
    """The swept floor of a drive, and the directions that its light tells, or none."""
    steps = [
        np.linspace(start, end, 200) for start, end in pairwise(np.column_stack([poses.centre_m, poses.heading_rad]))
    ]
    field = field_of_track(np.concatenate(steps), one.bar, FLOOR)
    swept = GRID.weights(smeared_area(poses, one.bar).intersection(FLOOR))
    return swept, field if told else replace(field, weight=np.zeros_like(field.weight))


def bounds_of(poses: Track, one: Robot, *, told: bool = True) -> BodyBounds:
    swept, field = driven(poses, one, told=told)
    near = clearance(PUCK, swept_around(swept, GRID, PUCK))
    assert near is not None
    found = light_bounds(swept, GRID, field, PUCK, near.on_swept_m, one)
    assert found is not None
    return found


@settings(max_examples=20)
@given(st.floats(0.02, 0.3), st.floats(-0.06, 0.08), st.floats(0.14, 0.26), st.booleans())
def test_bounds_hold_a_robot_that_drives_past(gap_m: float, forward_m: float, nozzle_m: float, told: bool):
    one = robot(nozzle_m, forward_m)
    y_m = 1.04 + gap_m + nozzle_m / 2
    bounds = bounds_of(along((0.3, y_m), (1.7, y_m)), one, told=told)
    true_m = gap_m + nozzle_m / 2 - BODY_M / 2
    assert bounds.low_m - 0.007 <= true_m <= bounds.high_m + 0.007


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("reach_m", [0.18, 0.22, 0.3])  # of its edge from the decoy's middle
def test_bounds_hold_a_robot_that_comes_head_on_and_turns(reach_m: float, told: bool):
    stop = 1 - reach_m - BODY_M / 2
    poses = along((0.25, 1.0), (stop, 1.0), (stop, 1.7))
    bounds = bounds_of(poses, robot(), told=told)
    true_m = clearance_of(poses, PUCK, BODY_M)
    assert bounds.low_m - 0.007 <= true_m <= bounds.high_m + 0.007


def test_one_lap_around_a_decoy_is_bounded_too():
    away_m = 0.04 + 0.03 + BODY_M / 2
    turns = np.linspace(0, 2 * np.pi, 49)
    bounds = bounds_of(along(*((1 + away_m * np.cos(turn), 1 + away_m * np.sin(turn)) for turn in turns)), robot())
    assert bounds.low_m - 0.007 < 0.03 < bounds.high_m + 0.007


def test_the_lights_direction_narrows_the_bounds():
    """All floor but a disc around the decoy is swept, by a robot that goes around it and never straight at it."""
    gap_m = 0.08
    swept = GRID.weights(FLOOR.difference(PUCK.buffer(gap_m)))
    _, field = driven(along((0.3, 1.5), (1.7, 1.5)), robot(), told=True)
    rows, cols = np.mgrid[: field.grid.rows, : field.grid.cols]
    away = field.grid.to_floor(np.stack([rows, cols], axis=-1)) - 0.9999
    around = -(((away[..., 0] + 1j * away[..., 1]) / np.hypot(away[..., 0], away[..., 1])) ** 2)
    seeing = replace(field, axis=around.astype(np.complex64), weight=np.ones_like(field.weight))
    blind = replace(field, weight=np.zeros_like(field.weight))
    told, untold = (light_bounds(swept, GRID, one, PUCK, (1.12, 1.0), robot()) for one in (seeing, blind))
    assert told is not None
    assert untold is not None
    true_m = gap_m + 0.1 - BODY_M / 2
    assert untold.low_m < true_m - 0.06
    assert told.low_m == pytest.approx(true_m, abs=0.025)
    assert told.high_m == untold.high_m == pytest.approx(true_m, abs=0.02)


def test_what_no_nozzle_of_this_length_swept_has_no_bounds():
    swept = GRID.weights(Point(1.1, 1).buffer(0.04))
    _, field = driven(along((0.3, 1.5), (1.7, 1.5)), robot(), told=True)
    assert light_bounds(swept, GRID, field, PUCK, (1.06, 1.0), robot()) is None
