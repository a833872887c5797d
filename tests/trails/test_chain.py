"""The ways through several frames: what was not followed, or followed wrongly, is found from the neighbours."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from lit import PACE, PACE_M_S, TURN_RAD_S, driven, part, picture

from coverage_lab.job import Bar
from coverage_lab.room.track import Pace
from coverage_lab.trails.chain import chained, goes_on
from coverage_lab.trails.joined import FrameWay

BAR = Bar(0.2, 11, 0.19, 0.09, 0.0, 0.03)
POSES = driven((0.3, 0.5), (1.5, 0.5), (1.5, 0.68), (0.5, 0.68), (0.5, 1.3), (1.4, 1.3), (1.4, 1.5), (0.4, 1.5))
GAP_S = 0.3
UNKNOWN = FrameWay(np.zeros((0, 3)), False, (False, False))


def frames(count: int = 4) -> list[np.ndarray]:
    """The way in so many frames, with pauses between them."""
    open_s = (float(POSES[-1, 0]) - (count - 1) * GAP_S) / count
    return [part(POSES, at * (open_s + GAP_S), at * (open_s + GAP_S) + open_s) for at in range(count)]


def followed(poses: np.ndarray, *, about: bool = False) -> FrameWay:
    """A frame's way; `about`: as if the robot had driven it the other way round."""
    way = poses[:, 1:]
    if about:
        middle = way[:, :2] + 2 * BAR.forward_m * np.column_stack([np.cos(way[:, 2]), np.sin(way[:, 2])])
        way = np.column_stack([middle, way[:, 2] + np.pi])[::-1]
    return FrameWay(way, True, (True, True))


def errors_m(laid, seen: list[np.ndarray]) -> list[float]:
    return [
        float("nan")
        if one is None
        else shapely.LineString(one.poses[:, :2]).hausdorff_distance(shapely.LineString(poses[:, 1:3]))
        for one, poses in zip(laid, seen, strict=True)
    ]


def test_frames_without_a_way_are_found_from_their_neighbours():
    seen = frames()
    ways = [UNKNOWN, followed(seen[1]), UNKNOWN, UNKNOWN]
    found = chained([picture(one, BAR) for one in seen], ways, np.full(3, GAP_S), BAR, PACE)
    assert max(errors_m(found.laid, seen)) < 0.02
    assert found.pace.m_s == pytest.approx(PACE_M_S, rel=0.03)


def test_a_way_that_was_followed_the_wrong_way_round_is_turned():
    seen = frames()
    ways = [followed(seen[0]), followed(seen[1]), followed(seen[2], about=True), followed(seen[3])]
    found = chained([picture(one, BAR) for one in seen], ways, np.full(3, GAP_S), BAR, PACE)
    assert max(errors_m(found.laid, seen)) < 0.02
    turn = found.laid[2].poses[0, 2] - seen[2][0, 3]
    assert np.cos(turn) > 0.9


def test_the_pace_is_told_by_light_and_time():
    seen = frames()
    slow = Pace(0.9 * PACE_M_S, 1.3 * TURN_RAD_S)
    found = chained([picture(one, BAR) for one in seen], [followed(one) for one in seen], np.full(3, GAP_S), BAR, slow)
    assert found.pace.m_s == pytest.approx(PACE_M_S, rel=0.03)
    assert found.pace.rad_s == pytest.approx(TURN_RAD_S, rel=0.1)


def test_light_that_no_way_explains_is_left_without_one():
    first, second = frames()[:2]
    shown = [picture(first, BAR), picture(driven((0.3, 0.3), (1.0, 0.3)), BAR)]
    found = chained(shown, [followed(first), followed(second)], np.full(1, GAP_S), BAR, PACE)
    assert found.laid[0] is not None
    assert found.laid[1] is None


def test_frames_without_light_have_no_ways_and_no_say():
    seen = frames()
    pictures = [picture(seen[0], BAR), None, None, picture(seen[3], BAR)]
    found = chained(pictures, [followed(one) for one in seen], np.full(3, GAP_S), BAR, PACE)
    assert [one is None for one in found.laid] == [False, True, True, False]


@given(st.floats(0, 0.5), st.floats(0, 1), st.floats(-3, 3), st.floats(0, 1))
def test_a_robot_goes_on_to_where_it_can_go(blind_s: float, share: float, heading: float, turned: float):
    """It drives for a share of the time, then turns; so fast it can be there, and not so far."""
    before = np.array([1.0, 1.0, heading])
    far_m, turn = share * blind_s * PACE_M_S, turned * (1 - share) * blind_s * TURN_RAD_S
    ahead = np.array([np.cos(heading), np.sin(heading), 0])
    after = before + far_m * ahead + np.array([0, 0, turn])
    assert goes_on(before, after, blind_s, PACE)
    assert not goes_on(before, after + 0.3 * ahead, blind_s, PACE)
    assert not goes_on(before, before - 0.1 * ahead, 1.0, PACE)
