"""How near the body came, from frames whose way is known and frames whose way is not."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from shapely import Point, box

from coverage_lab.job import Bar, Robot
from coverage_lab.measures.body import Followed, follow, followed_body
from coverage_lab.measures.contact import after
from coverage_lab.measures.smear import smeared_area, way_after
from coverage_lab.room.field import TravelField, field_of_track
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Decoy, Room
from coverage_lab.room.track import LaidTrack, Pace, Track

FLOOR = box(0, 0, 2, 2)
PUCK = Point(1, 1).buffer(0.04, quad_segs=64)
HERON = Robot("heron", Bar(0.2, 0, 0.2, 0.09, 0.0, 0.0), 0.3, 0.1)


def frame(number: int, *points: tuple[float, float], followed: bool = True) -> Track:
    """Straight on between points, at 0.25 m/s, a pose every few centimetres; a frame begins every 10 s."""
    centre = np.concatenate([np.linspace(a, b, 25) for a, b in pairwise(points)])
    step = np.diff(centre, axis=0)
    heading = np.concatenate([np.full(25, np.arctan2(b[1] - a[1], b[0] - a[0])) for a, b in pairwise(points)])
    t_s = 10.0 * number + np.concatenate([[0.0], np.cumsum(np.hypot(*step.T) / 0.25)])
    count = len(centre)
    return Track(t_s, centre, heading, np.full(count, number), np.full(count - 1, followed), 0.012)


def run(*frames: Track) -> Track:
    """The frames one after the other; nothing is known of the time between."""
    legs = [part for one in frames for part in (one.followed, np.array([False]))][:-1]
    names = ("t_s", "centre_m", "heading_rad", "frame")
    return Track(
        **{name: np.concatenate([getattr(one, name) for one in frames]) for name in names},
        followed=np.concatenate(legs),
        u_m=0.012,
    )


def seen(*frames: Track) -> tuple[Followed, TravelField, FloorPlan]:
    """What a camera makes of a run: every frame's strip, and the swept floor of all."""
    plan = floor_plan(
        Room(FLOOR, decoys=(Decoy("puck", PUCK, 0.03),)),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.09,
        camera_centre_m=(1, 1, 2.5),
        seen=None,
        grid=FloorGrid.over(FLOOR, 0.002),
    )
    strips = [smeared_area(replace(one, followed=np.ones(len(one.t_s) - 1, bool)), HERON.bar) for one in frames]
    swept: ShareArray = np.max([plan.grid.weights(strip) for strip in strips], axis=0)
    places = np.concatenate(
        [np.linspace(a, b, 8) for one in frames for a, b in zip(one.poses[:-1], one.poses[1:], strict=True)]
    )
    return follow(laid(run(*frames)), 30.0, strips, swept, plan), field_of_track(places, HERON.bar, FLOOR), plan


def laid(track: Track) -> LaidTrack:
    """The ways that were followed are laid on their light, to a millimetre."""
    ways = {number: bool(track.followed[track.frame[:-1] == number].any()) for number in set(track.frame.tolist())}
    known = np.array([ways[number] for number in track.frame.tolist()])
    return LaidTrack(track, np.tile(1e-6 * np.eye(2), (len(known), 1, 1)), known, Pace(0.25, 1.5))


def body_of(*frames: Track):
    found, travel, plan = seen(*frames)
    return followed_body(found, travel, plan.grid, PUCK, HERON, 0.001)


PAST = frame(0, (0.4, 1.25), (1.6, 1.25))  # 60 mm from the puck
NEARER = ((1.6, 1.0 - 0.22), (0.4, 1.0 - 0.22))  # 30 mm


def test_a_way_that_fits_its_frame_is_known_to_some_millimetres():
    one = body_of(PAST)
    assert one.value == pytest.approx(60, abs=2)
    low, high = one.interval_95
    assert low < 60 < high
    assert high - low < 20


def test_a_frame_without_a_way_that_came_nearer_decides():
    one = body_of(PAST, frame(1, *NEARER, followed=False))
    low, high = one.interval_95
    assert one.value == pytest.approx(30, abs=6)
    assert low < 30 < high


def test_a_frame_without_a_way_that_stayed_farther_off_changes_nothing():
    far = frame(1, (0.4, 0.3), (1.6, 0.3), followed=False)
    assert body_of(PAST, far).interval_95 == pytest.approx(body_of(PAST).interval_95, abs=0.01)


def test_without_any_way_frames_still_bound_it():
    one = body_of(frame(0, (0.4, 1.25), (1.6, 1.25), followed=False))
    low, high = one.interval_95
    assert low < 60 < high


def test_the_way_after_a_contact_goes_on_where_the_robot_was_not_followed():
    through = frame(0, (0.4, 1.0), (1.6, 1.0))
    unseen = frame(1, (1.6, 0.6), (0.4, 0.6), followed=False)
    found, _, _ = seen(through, unseen)
    (moment,) = found.contacts(PUCK, HERON)
    true_m = 1.6 - (1 - 0.19)  # in the first frame; then 0.25 m/s to the end of the last one, at 30 s
    way = way_after(found, moment)
    assert way.value == pytest.approx(true_m + 0.25 * (30 - 1.2 / 0.25), rel=0.03)
    assert way.interval_95[0] < way.value < way.interval_95[1]
    assert after(found.laid.track, moment).t_s[0] == pytest.approx((1 - 0.19 - 0.4) / 0.25, abs=0.05)


def test_a_pause_with_time_left_over_may_have_brought_it_nearer():
    """Two ways end and begin beside the puck; in between there was time to go there and back."""
    first = frame(0, (0.4, 1.3), (0.8, 1.3))
    second = replace(frame(1, (0.8, 1.3), (1.6, 1.3)))
    shift_s = first.t_s[-1] - second.t_s[0]
    at_once, late = (body_of(first, replace(second, t_s=second.t_s + shift_s + pause_s)) for pause_s in (0.05, 1.05))
    assert late.value == pytest.approx(110, abs=3)
    assert at_once.interval_95[0] > 90
    assert late.interval_95[0] == pytest.approx(at_once.interval_95[0] - 250 / 2, abs=35)
    assert late.interval_95[1] == pytest.approx(at_once.interval_95[1], abs=0.1)


def test_the_end_of_a_way_is_believed_less_than_its_middle():
    """A way that ends at the puck: its last place may be too far on."""
    away = body_of(frame(0, (1.0, 1.7), (1.0, 1.21)))  # 20 mm from the puck at its end
    assert away.value == pytest.approx(28, abs=6)
    assert away.interval_95[0] < 20 < away.interval_95[1]
    assert away.interval_95[1] > 40
