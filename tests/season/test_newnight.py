"""Planning a night: the order of runs, what it takes, and runs proposed from pauses between pictures."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coverage_lab.season.newnight import Effort, Planned, Taken, Usual, blocked_order, effort, runs_by_pauses

BIRDS = ["heron", "wren", "plover", "dipper"]
EVENING = datetime(2031, 2, 11, 19, 0, 0)


@given(st.integers(0, 2**32), st.integers(1, 6), st.integers(1, 20))
def test_each_block_holds_every_robot_once(seed: int, count: int, repeats: int):
    robots = [f"robot{number}" for number in range(count)]
    order = blocked_order(robots, repeats, seed)
    for block in range(repeats):
        rows = order[block * count : (block + 1) * count]
        assert sorted(row.robot for row in rows) == sorted(robots)
        assert {row.repeat for row in rows} == {block + 1}
    assert len({row.run for row in order}) == count * repeats
    assert order == blocked_order(robots[::-1], repeats, seed)


def test_every_order_of_a_block_is_as_likely():
    """Over 6,000 seeds each of 24 orders of four robots comes 250 times on average (chi-square, 23 df, p = 0.0001)."""
    orders = Counter(tuple(row.robot for row in blocked_order(BIRDS, 1, seed)) for seed in range(6000))
    assert len(orders) == 24
    assert sum((count - 250) ** 2 / 250 for count in orders.values()) < 56.5


def test_what_a_night_takes():
    usual = Usual(frames=100, frame_bytes=5e6, duration_s=3000)
    assert effort(12, usual, None) == Effort(1200, 6_000_000_000, 36_000)
    assert effort(12, usual, 1500) == Effort(600, 3_000_000_000, 18_000)  # half as long, half as many frames
    assert effort(12, Usual(1, 5e6, 3000), 1500) == Effort(12, 60_000_000, 18_000)  # but one exposure stays one
    assert effort(12, Usual(), None) == Effort(None, None, None)


def series(prefix: str, first: int, count: int, start_s: float, period_s: float = 30) -> list[Taken]:
    return [
        Taken(f"{prefix}{first + at:04}", EVENING + timedelta(seconds=start_s + at * period_s)) for at in range(count)
    ]


def test_runs_from_pauses():
    pictures = [
        *series("DSC_", 1, 1, 0),  # the reference
        *series("DSC_", 2, 80, 900),
        *series("DSC_", 82, 60, 4500),
        *series("DSC_", 142, 2, 9000),  # a trial shot
        *series("DSC_", 144, 70, 9600),
    ]
    rows = runs_by_pauses(pictures)
    assert [row.frames for row in rows] == [
        "DSC_0001",
        "DSC_0002..DSC_0081",
        "DSC_0082..DSC_0141",
        "DSC_0142..DSC_0143",
        "DSC_0144..DSC_0213",
    ]
    assert [row.use for row in rows] == [False, True, True, False, True]
    assert rows[1] == Planned(
        "run-2", "", None, "DSC_0002..DSC_0081", note="80 frames", start="19:15:00", end="19:54:30"
    )
    assert "trial shot" in rows[3].note


def test_single_exposures_are_runs_of_their_own():
    pictures = [Taken(f"IMG_{at}", EVENING + timedelta(minutes=50 * at), 2400.0) for at in range(4)]
    rows = runs_by_pauses([Taken("IMG_R", EVENING - timedelta(minutes=20), 0.1), *pictures])
    assert [row.frames for row in rows] == ["IMG_R", "IMG_0", "IMG_1", "IMG_2", "IMG_3"]
    assert all(row.use for row in rows)


def test_a_camera_that_takes_dark_frames_does_not_part_its_own_runs():
    pictures = [
        Taken(f"IMG_{at:02}", EVENING + timedelta(seconds=242 * at + 900 * (at > 9)), 120.0) for at in range(20)
    ]
    assert [row.frames for row in runs_by_pauses(pictures)] == ["IMG_00..IMG_09", "IMG_10..IMG_19"]


def test_a_clock_set_back_begins_a_run_and_an_unknown_time_does_not():
    pictures = [*series("A", 1, 10, 0), Taken("A0011", None), *series("B", 1, 10, -7200)]
    assert [row.frames for row in runs_by_pauses(pictures)] == ["A0001..A0011", "B0001..B0010"]
    assert runs_by_pauses([Taken("a", None), Taken("b", None)])[0].frames == "a..b"
    assert runs_by_pauses([]) == ()


@pytest.mark.parametrize("period_s", [1.0, 4.0, 30.0, 120.0, 600.0])
def test_changing_robots_is_told_from_the_step_between_frames(period_s: float):
    pause_s = max(61.0, 5.1 * period_s)
    pictures = [*series("A", 1, 20, 0, period_s), *series("A", 21, 20, 19 * period_s + pause_s, period_s)]
    assert [row.frames for row in runs_by_pauses(pictures)] == ["A0001..A0020", "A0021..A0040"]
