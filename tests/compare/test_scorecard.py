"""Composites by given weights, and what they hang on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from comparing import a_run, nothing_shared
from hypothesis import given
from hypothesis import strategies as st

from coverage_lab.compare.scorecard import Card, points, score
from coverage_lab.compare.shared import Share
from coverage_lab.compare.values import HEADLINE, ScoredMeasure

COVERAGE = ScoredMeasure(HEADLINE, 3, 50, 100)
POCKETS = ScoredMeasure("pockets", 1, 20, 0)
CARD = Card("flat", False, (COVERAGE, POCKETS))


def runs_of(robot: str, *values: tuple[float, float]):
    return [a_run(robot, percent, repeat=at, pockets=pockets) for at, (percent, pockets) in enumerate(values)]


@given(st.floats(-1e3, 1e3), st.floats(0.1, 10), st.booleans())
def test_points_lie_on_a_line_and_end(value: float, width: float, falling: bool):
    line = ScoredMeasure("m", 1, width if falling else 0, 0 if falling else width)
    found = points(line, value)
    share = value / width
    assert found == pytest.approx(100 * min(1, max(0, 1 - share if falling else share)))


def test_a_composite_by_hand():
    runs = [*runs_of("heron", (95, 2), (93, 4)), *runs_of("wren", (90, 0), (90, 0))]
    card = score(CARD, runs, nothing_shared(runs))
    heron, wren = card.robots
    # (3 · 90 + 90) / 4 and (3 · 86 + 80) / 4; (3 · 80 + 100) / 4
    assert (heron.score, wren.score) == (pytest.approx((90 + 84.5) / 2), 85)
    assert heron.parts == {HEADLINE: pytest.approx(88), "pockets": pytest.approx(85)}
    own = scipy.stats.ttest_1samp([90, 84.5], 0).confidence_interval(0.95)
    assert heron.interval_95 == (pytest.approx(own.low), 100.0)
    assert wren.interval_95 == (85, 85)
    assert [one.weight_percent for one in card.measures] == [75, 25]
    # Heron is first where 88 w + 85 (1 − w) > 80 w + 100 (1 − w): w above 15/23.
    assert heron.first_percent == pytest.approx(100 * (1 - 15 / 23), abs=4)
    assert heron.first_percent + wren.first_percent == pytest.approx(100)


def test_what_repeats_share_widens_the_interval():
    runs = runs_of("heron", (80, 5), (80.2, 5), (79.8, 5))
    shared = [{"bar height": Share(1.0, "robot")} for _ in runs]
    (plain,) = score(CARD, runs, nothing_shared(runs)).robots
    (wide,) = score(CARD, runs, shared).robots
    u_shared = 0.75 * 1.0 * 2  # weight, points of coverage, points of the part per point of coverage
    spread = 0.2 * 2 * 0.75 / np.sqrt(3)
    assert plain.interval_95[1] - plain.score == pytest.approx(4.3027 * spread, rel=1e-3)
    assert wide.interval_95[1] - wide.score == pytest.approx(1.96 * np.hypot(u_shared, spread), rel=1e-2)


def test_robots_that_lack_a_measure_are_named_and_ties_are_shared():
    runs = [*runs_of("heron", (95, 2)), *runs_of("ibis", (95, 2)), a_run("wren", 99)]
    card = score(CARD, runs, nothing_shared(runs))
    assert [one.robot for one in card.robots] == ["heron", "ibis"]
    assert [one.first_percent for one in card.robots] == [50, 50]
    assert card.robots[0].interval_95 is None
    assert "pockets" in card.left_out["wren"]
    nothing = score(CARD, runs[-1:], [{}])
    assert (nothing.robots, list(nothing.left_out)) == ((), ["wren"])


def test_scores_do_not_hang_on_the_sum_of_weights():
    runs = [*runs_of("heron", (95, 2), (93, 4)), *runs_of("wren", (90, 0), (90, 0))]
    ten = Card("flat", False, tuple(replace(one, weight_percent=10 * one.weight_percent) for one in CARD.measures))
    assert score(ten, runs, nothing_shared(runs)) == score(CARD, runs, nothing_shared(runs))
