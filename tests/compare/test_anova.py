"""The tables against independent algebra, and what no table may depend on."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import assume, given
from hypothesis import strategies as st

from coverage_lab.compare.anova import Anova, crossed, nested, pooled, without_interaction
from coverage_lab.measures.uncertainty import effective_dof


def indicator(labels):
    """(N, G): which group each value is in."""
    return (np.asarray(labels)[:, None] == np.unique(labels)).astype(float)


def projection(labels):
    groups = indicator(labels)
    return groups @ np.linalg.inv(groups.T @ groups) @ groups.T


def by_algebra(values, levels):
    """Squares, degrees of freedom and expectations by quadratic forms: E y'Ay = tr(A V) (Searle, Linear Models)."""
    count = len(values)
    designs = [indicator(level) for level in levels] + [np.eye(count)]
    projections = [np.full((count, count), 1 / count), *(projection(level) for level in levels), np.eye(count)]
    forms = np.diff(projections, axis=0)
    dof = np.trace(forms, axis1=1, axis2=2)
    expected = [[np.trace(form @ design @ design.T) for design in designs] for form in forms]
    return [values @ form @ values for form in forms], dof, np.array(expected) / dof[:, None]


@given(st.lists(st.lists(st.integers(1, 4), min_size=1, max_size=4), min_size=2, max_size=4), st.integers(0, 99))
def test_unbalanced_nested_table(sizes, seed):
    """`sizes`: exposures of each trail, by robot."""
    trails = [(robot, trail, n) for robot, row in enumerate(sizes) for trail, n in enumerate(row)]
    assume(len(trails) > len(sizes) and sum(n for *_, n in trails) > len(trails))
    robots = np.repeat([robot for robot, *_ in trails], [n for *_, n in trails])
    numbers = np.repeat([trail for _, trail, _ in trails], [n for *_, n in trails])
    values = np.random.default_rng(seed).normal(50, 3, len(robots))
    table = nested(values, [robots, numbers], ["robot", "repeat", "exposure"])
    squares, dof, expected = by_algebra(values, [robots, robots * 10 + numbers])
    assert table.squares == pytest.approx(squares, rel=1e-6, abs=1e-9)
    assert table.dof == pytest.approx(dof)
    assert table.expected == pytest.approx(np.triu(expected), abs=1e-9)


def test_crossed_table_of_two_robots():
    cells = np.random.default_rng(2).normal(50, 3, (5, 3, 2))
    robots = ["heron", "heron", "wren", "wren", "wren"]
    table = crossed(cells, robots)
    trail, set_up, _ = (axis.ravel() for axis in np.indices(cells.shape))
    robot = np.array([0, 0, 1, 1, 1])[trail]
    upper = nested(cells.ravel(), [robot, trail], ["robot", "repeat", "exposure"])
    assert table.names == ("robot", "repeat", "set-up", "set-up × trail", "exposure")
    assert table.squares[:2] == pytest.approx(upper.squares[:2])
    assert table.squares.sum() == pytest.approx(upper.squares.sum())
    assert table.dof == pytest.approx([1, 3, 2, 8, 15])
    average = np.full((30, 30), 1 / 30)
    forms = {
        "robot": projection(robot) - average,
        "repeat": projection(trail) - projection(robot),
        "set-up": projection(set_up) - average,
        "set-up × trail": projection(trail * 3 + set_up) - projection(trail) - projection(set_up) + average,
        "exposure": np.eye(30) - projection(trail * 3 + set_up),
    }
    designs = [indicator(robot), indicator(trail), indicator(set_up), indicator(trail * 3 + set_up), np.eye(30)]
    for row, (form, dof) in enumerate(zip(forms.values(), table.dof, strict=True)):
        expected = [np.trace(form @ design @ design.T) / dof for design in designs]
        assert table.expected[row] == pytest.approx(expected, abs=1e-9)


def test_one_exposure_per_cell_leaves_no_interaction_to_tell():
    table = crossed(np.random.default_rng(2).normal(size=(4, 3, 1)), ["heron"] * 4)
    assert table.names == ("repeat", "set-up", "exposure")
    assert table.dof == pytest.approx([3, 2, 6])


@given(st.floats(-1e6, 1e6), st.floats(0.01, 100), st.integers(0, 99))
def test_shifting_changes_nothing_and_scaling_goes_with_the_square(shift, scale, seed):
    values = np.random.default_rng(seed).normal(size=(4, 2, 2))
    table, other = (crossed(cells, [0, 0, 1, 1]) for cells in (values, shift + scale * values))
    assert other.squares == pytest.approx(scale**2 * table.squares, rel=1e-4, abs=1e-9 * scale**2)


def test_known_spreads_come_out():
    rng = np.random.default_rng(8)
    found = []
    for _ in range(400):
        trails = (rng.normal(0, 3, (4, 1)) + rng.normal(0, 1, (4, 3))).reshape(12, 1, 1)
        cells = trails + rng.normal(0, 0.5, (3, 1)) + rng.normal(0, 0.4, (12, 3, 1)) + rng.normal(0, 0.2, (12, 3, 2))
        found.append(np.linalg.solve(*(lambda table: (table.expected, table.mean_squares))(crossed_robots(cells))))
    mean, error = np.mean(found, axis=0), np.std(found, axis=0) / 20
    assert np.all(np.abs(mean - [9, 1, 0.25, 0.16, 0.04]) < 3 * error)


def crossed_robots(cells) -> Anova:
    return crossed(cells, np.repeat(np.arange(4), 3))


def test_a_clear_interaction_is_kept_and_noise_is_pooled():
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 0.1, (5, 3, 3))
    clear = crossed(noise + rng.normal(0, 1, (5, 3, 1)), range(5))
    assert pooled(clear) is clear
    none = crossed(noise - noise.mean(axis=2, keepdims=True), range(5))
    assert pooled(none).names == ("robot", "set-up", "exposure")
    assert without_interaction(none).dof[-1] == none.dof[-2] + none.dof[-1]


def test_degrees_of_freedom_of_a_sum():
    table = crossed(np.random.default_rng(5).normal(size=(4, 3, 2)), ["heron"] * 4)
    assert table.dof_of(["exposure"]) == pytest.approx(12)
    squares = table.mean_squares
    # Variance of set-up and exposure together: (MS set-up - MS interaction) / 8 + MS exposure.
    weights = np.array([0, 1 / 8, -1 / 8, 1])
    assert table.dof_of(["set-up", "exposure"]) == pytest.approx(effective_dof(weights * squares, table.dof))


def test_effective_dof_lies_between_the_least_and_their_sum():
    assert effective_dof([1, 1], [4, 4]) == pytest.approx(8)
    assert effective_dof([1, 1e-9], [4, 7]) == pytest.approx(4)
    assert effective_dof([1, 1], [4, np.inf]) == pytest.approx(16)
    assert effective_dof([0, 0], [4, 4]) == np.inf


def test_interval_of_one_mean_square_is_exact():
    # Chi-square: (n - 1) s^2 / sigma^2.
    values = np.random.default_rng(6).normal(size=8)
    low, high = nested(values, [], ["exposure"]).interval_95(["exposure"])
    bounds = 7 * np.var(values, ddof=1) / scipy.stats.chi2.ppf([0.975, 0.025], 7)
    assert (low, high) == pytest.approx(tuple(bounds))
