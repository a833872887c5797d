"""Growth, milestones, and when a robot moved, on cases that can be counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coverage_lab.measures.growth import (
    FrameSpan,
    first_everywhere,
    growth,
    growth_percent,
    times_to,
    when_moving,
)
from coverage_lab.measures.passes import repeat_ratio, visit_shares


def test_growth_counts_cells_in_the_frame_that_first_swept_them():
    first = np.array([[1, 1, 2, 0], [3, 3, 0, 0]], np.uint16)
    swept = np.array([[1, 1, 1, 0], [1, 0.5, 0, 0]], np.float32)
    visible = np.ones_like(swept)
    visible[0, 0] = 0
    percent = growth_percent(swept, visible, first, 4)
    assert percent == pytest.approx(np.array([1, 2, 3.5, 3.5]) / 7 * 100)


@given(st.integers(0, 2**32 - 1))
def test_growth_never_falls_and_ends_with_the_coverage(seed: int):
    rng = np.random.default_rng(seed)
    first = first_everywhere(rng.integers(0, 6, (12, 15)).astype(np.uint16))
    swept, visible = rng.random((2, 12, 15)).astype(np.float32)
    percent = growth_percent(swept, visible, first, 5)
    assert np.all(np.diff(percent) >= 0)
    if first.any():
        assert percent[-1] == pytest.approx(100 * float((swept * visible).sum() / visible.sum()), rel=1e-5)


def test_cells_between_strips_take_the_nearest_frame():
    assert first_everywhere(np.array([[1, 0, 0, 0, 2]], np.uint16)).tolist()[0][0:2] == [1, 1]
    assert first_everywhere(np.array([[1, 0, 0, 0, 2]], np.uint16)).tolist()[0][3] == 2
    assert not first_everywhere(np.zeros((2, 2), np.uint16)).any()


def test_milestones_lie_between_frames():
    points = growth(np.array([20.0, 60.0, 84.0, 85.0]), 0.3, np.array([10.0, 20.0, 30.0, 40.0]))
    reached = times_to(points)
    assert reached["50"] == pytest.approx(17.5)
    assert reached["80"] == pytest.approx(20 + 10 * 20 / 24)
    assert reached["90"] is None
    assert reached["final_less_1"] == pytest.approx(30.0)
    assert points[-1].u == pytest.approx(0.3)
    assert points[1].u > 0.3 * 60 / 85  # and what is not known of the border between two frames


def test_without_a_clock_nothing_is_timed():
    points = growth(np.array([20.0, 60.0]), 0.3, np.array([np.nan, np.nan]))
    assert [point.t_s for point in points] == [None, None]
    assert times_to(points) == {}
    span = FrameSpan(np.full(2, np.nan), np.full(2, np.nan), np.ones(2), [(0, 0), (0, 0)])
    assert when_moving(span, 0.24, None) is None


def span_of(covered_m2: list[float], places: list[tuple[float, float] | None]) -> FrameSpan:
    start_s = 10.0 * np.arange(len(covered_m2))
    return FrameSpan(start_s, start_s + 9.5, np.array(covered_m2), places)


def test_idle_ends_are_left_out_and_standing_is_counted_apart():
    at_dock, away = (0.3, 0.3), (2.0, 2.0)
    covered = [0.001, 0.5, 0.5, 0.002, 0.002, 0.5, 0.002, 0.4, 0.001]
    places: list[tuple[float, float] | None] = [at_dock, away, away, at_dock, at_dock, away, away, away, at_dock]
    moving = when_moving(span_of(covered, places), 0.24, (0.2, 0.2))
    assert moving
    assert (moving.begin_s, moving.end_s) == (10.0, 79.5)
    assert moving.still_s == pytest.approx(30.0)
    assert moving.at_dock_s == pytest.approx(20.0)


def test_a_bar_that_goes_dark_at_the_dock_is_at_the_dock():
    moving = when_moving(span_of([0.5, 0.3, 0.0, 0.0, 0.5], [(2, 2), (0.4, 0.3), None, None, (1, 1)]), 0.24, (0.2, 0.2))
    assert moving
    assert moving.at_dock_s == pytest.approx(20.0)


def test_a_frame_that_cannot_be_read_did_not_stand():
    moving = when_moving(span_of([0.5, float("nan"), 0.5], [(1, 1), None, (1, 1)]), 0.24, None)
    assert moving
    assert moving.still_s == 0


def test_visits_by_hand():
    visits = np.array([[0, 1, 2, 5]], np.uint8)
    swept = np.array([[1, 1, 1, 0.5]], np.float32)
    shares = visit_shares(visits, swept, np.ones_like(swept))
    assert shares == pytest.approx({"once": 50, "twice": 25, "more": 12.5})


def test_light_that_does_not_tell_gives_no_number():
    assert repeat_ratio(float("nan"), 1.0) is None
    ratio = repeat_ratio(3.0, 1.5)
    assert ratio is not None
    assert ratio.value == pytest.approx(2.0)
    assert ratio.interval_95[0] >= 1.0
