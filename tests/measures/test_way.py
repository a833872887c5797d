"""How far a run was driven and how often it turned: by the track where there is one, else by light."""

from __future__ import annotations

import numpy as np
import pytest

from coverage_lab.measures.way import driven
from coverage_lab.room.track import Track, in_steps, turn_count


def track(*frames: list[tuple[float, float, float]], followed: bool = True) -> Track:
    """A track of poses (x, y, heading in degrees), frame by frame; not followed from one frame to the next."""
    poses = np.array([pose for frame in frames for pose in frame])
    number = np.repeat(np.arange(len(frames)), [len(frame) for frame in frames])
    inside = number[1:] == number[:-1]
    return Track(np.arange(len(poses)), poses[:, :2], np.deg2rad(poses[:, 2]), number, inside & followed, 0.01)


SQUARE = [(0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (1.0, 0.0, 90.0), (1.0, 1.0, 90.0)]
BACK = [(1.0, 1.0, 180.0), (0.0, 1.0, 180.0)]


def test_a_run_that_was_followed_is_as_long_as_its_track():
    way = driven(track(SQUARE, BACK), by_light_m=4.0, covered_m2=np.array([0.4, 0.2]), seen_of_all=1.0)
    assert way.distance_m is not None and way.turns is not None
    assert way.distance_m.value == pytest.approx(3.0)
    assert way.distance_m.u == pytest.approx(0.045)
    assert way.turns.value == pytest.approx(2)  # one seen, one from frame to frame
    assert way.followed_percent == pytest.approx(100)


def test_frames_that_were_not_followed_count_by_their_light():
    way = driven(track(SQUARE), by_light_m=3.3, covered_m2=np.array([0.4, 0.2]), seen_of_all=1.1)
    assert way.distance_m is not None
    assert way.distance_m.value == pytest.approx(1.1 * (2 + 1.1))
    assert way.turns is None  # too little was followed
    assert way.followed_percent == pytest.approx(100 * 2 / 3.1)


def test_the_rest_of_a_run_may_have_more_turns():
    way = driven(track(SQUARE), by_light_m=2.2, covered_m2=np.array([1.0, 0.1]), seen_of_all=1.0)
    assert way.turns is not None
    share = 2 / 2.2
    assert way.turns.value == pytest.approx(1 / share)
    assert way.turns.u == pytest.approx(np.hypot(0.04, 3 * (1 - share)) / share)


def test_where_light_is_burnt_they_count_by_their_strips_and_less_surely():
    way = driven(track(SQUARE), by_light_m=np.nan, covered_m2=np.array([0.4, 0.2]), seen_of_all=1.0)
    assert way.distance_m is not None
    assert way.distance_m.value == pytest.approx(3.0)
    assert way.distance_m.u == pytest.approx(0.2, rel=0.02)


def test_without_a_track_it_is_the_light_alone_and_turns_are_not_told():
    way = driven(None, by_light_m=5.0, covered_m2=np.array([0.4, np.nan, 0.2]), seen_of_all=1.0)
    assert way.distance_m is not None
    assert way.distance_m.value == pytest.approx(5.0)
    assert way.distance_m.u == pytest.approx(0.2)
    assert way.turns is None
    nothing = driven(None, by_light_m=np.nan, covered_m2=np.array([0.4]), seen_of_all=1.0)
    assert nothing.distance_m is None


@pytest.mark.parametrize(
    ("poses", "turns"),
    [
        ([(0, 0, 0), (1, 0, 0), (2, 0, 40)], 0),  # steering
        ([(0, 0, 0), (1, 0, 0), (1, 0, 90), (2, 1, 90)], 1),
        ([(0, 0, 0), (1, 0, 0), (1, 0, 180), (0, 0, 180)], 1),
        ([(0, 0, 0), (1, 0, 0), (1, 0, 90), (1, 0.3, 90), (1, 0.3, 180), (0, 0.3, 180)], 2),  # into the next lane
        ([(0, 0, 0), (1, 0, 0), (1, 0, 40), (1.04, 0.03, 40), (1.04, 0.03, 80), (1.1, 0.4, 80)], 1),
        ([(0.5 * np.sin(a), 0.5 - 0.5 * np.cos(a), np.rad2deg(a)) for a in np.linspace(0, 3, 31)], 0),  # a wide bend
    ],
)
def test_turns(poses: list[tuple[float, float, float]], turns: int):
    assert turn_count(track(poses)) == turns
    assert turn_count(track(poses, followed=False)) == 0


def test_a_track_in_steps_goes_the_same_way():
    poses, followed = in_steps(track(SQUARE, BACK), 0.05, np.deg2rad(5))
    step = np.diff(poses, axis=0)
    assert np.hypot(step[:, 0], step[:, 1]).max() <= 0.05 + 1e-9
    assert np.abs(step[:, 2]).max() <= np.deg2rad(5) + 1e-9
    assert np.hypot(step[:, 0], step[:, 1])[followed].sum() == pytest.approx(3.0)
    assert len(followed) == len(poses) - 1
    assert poses[-1, :2] == pytest.approx([0, 1])
