"""Following the bar through one frame: ways whose light is made from the time the bar was over each cell."""

from __future__ import annotations

import numpy as np
import pytest
from ways import drive, off_m, scene

from coverage_lab.job import Bar
from coverage_lab.room.bounce import bounce_path
from coverage_lab.simulate.drives import Motion, timed
from coverage_lab.trails.follow import Follower
from coverage_lab.trails.probe import Probe

LEVEL = Bar(0.22, 14, 0.215, 0.095, 0.002, 0.0)
AHEAD = Bar(0.20, 13, 0.195, 0.09, 0.002, 0.05)
WAYS = {
    "straight": drive((0.4, 0.5), (2.4, 1.1)),
    "one turn": drive((0.4, 0.5), (2.2, 0.5), (1.7, 1.9)),
    "sharp turn": drive((0.4, 0.5), (2.3, 0.9), (0.7, 1.4)),
    "zigzag": drive((0.4, 0.4), (1.9, 0.6), (1.0, 1.3), (2.5, 1.6), (2.6, 0.5)),
    "over its own strip": drive((0.4, 1.1), (2.4, 1.1), (2.3, 1.9), (1.3, 0.4)),
    "there and back": drive((0.4, 1.1), (2.4, 1.1), (1.2, 1.1)),
}


def follower(poses: np.ndarray, bar: Bar) -> Follower:
    return Follower(scene(poses, bar), Probe(bar.nozzle_m, bar.forward_m))


@pytest.mark.parametrize("bar", [LEVEL, AHEAD], ids=["over the centre", "ahead of it"])
@pytest.mark.parametrize("name", WAYS)
def test_the_way_is_found(name: str, bar: Bar):
    poses = WAYS[name]
    way = follower(poses, bar).follow(poses[0, 1:])
    assert way is not None and way.good
    off = off_m(way.poses, poses)
    assert np.median(off) < 0.03
    assert off.max() < 0.08


def test_a_curve_is_followed():
    turn = np.linspace(0, 1.5 * np.pi, 200)
    path = np.column_stack([1.5 + 0.5 * np.sin(turn), 0.6 + 0.5 * (1 - np.cos(turn)), turn])
    poses = timed(path, Motion())
    way = follower(poses, LEVEL).follow(poses[0, 1:])
    assert way is not None and way.good
    assert off_m(way.poses, poses).max() < 0.03


def test_a_strip_that_the_way_does_not_reach_is_not_explained():
    poses = WAYS["one turn"]
    both = scene(poses, LEVEL)
    both.passes[:30, :60] += scene(drive((0.2, 2.2), (0.6, 2.2)), LEVEL).passes[:30, :60]
    way = Follower(both, Probe(LEVEL.nozzle_m, 0.0)).follow(poses[0, 1:])
    assert way is not None and not way.good
    assert way.left == pytest.approx(0.4 / np.hypot(*np.ptp(poses[:, 1:3], axis=0)), abs=0.15)


@pytest.mark.parametrize("at", [0.3, 0.5, 0.8])
def test_from_the_middle_of_a_strip_no_way_is_good(at: float):
    poses = WAYS["one turn"]
    way = follower(poses, LEVEL).follow(poses[int(at * len(poses)), 1:])
    assert way is not None and not way.good


def test_light_of_one_pass_is_not_followed_twice():
    """A robot that went there and did not come back leaves light for one pass only."""
    there = WAYS["straight"]
    found = follower(there, LEVEL)
    way = found.follow(there[0, 1:])
    assert way is not None and way.good
    assert np.hypot(*np.diff(way.poses[:, :2], axis=0).T).sum() == pytest.approx(np.hypot(2.0, 0.6), abs=0.05)


def test_hardly_any_bouncing_way_is_taken_for_another():
    """Forty frames of a robot that bounces about: most are followed, and what is followed is right."""
    from shapely import box

    allowed = box(0.2, 0.2, 2.8, 2.2)
    good, wrong = 0, 0
    for seed in range(20):
        path = bounce_path(allowed, (0.5, 0.6), 5.0, np.random.default_rng(seed))
        poses = timed(path, Motion())
        way = follower(poses, AHEAD).follow(poses[0, 1:])
        if way is not None and way.good:
            good += 1
            wrong += bool(off_m(way.poses, poses).max() > 0.3)
    assert good >= 10
    assert wrong == 0
