"""The light of a moving bar: against counting it point by point, and its derivatives against differences."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from lit import BLUR_M, CELL_M, PACE, PACE_M_S, driven, picture

from coverage_lab.job import Bar
from coverage_lab.trails.frame_light import Cells
from coverage_lab.trails.glow import APART, Line, glow

CELLS = Cells(CELL_M / 2, 2 - CELL_M / 2, CELL_M, (250, 250))
LED_BAR, TUBE = Bar(0.2, 11, 0.19, 0.09, 0.0, 0.03), Bar(0.2, 0, 0.19, 0.09, 0.0, 0.0)


def light_of(poses: np.ndarray, bar: Bar, blur_m: float = BLUR_M) -> np.ndarray:
    return glow(poses[:, 1:], np.diff(poses[:, 0]), Line.of(bar, PACE), blur_m, CELLS)[0].reshape(CELLS.shape)


def test_a_straight_pass_leaves_one_in_the_middle_of_its_strip():
    light = light_of(driven((0.4, 1.0), (1.6, 1.0), every_s=0.1), TUBE)
    x_m, y_m = CELLS.middles_m
    strip = (np.abs(x_m - 1) < 0.4) & (np.abs(y_m - 1) < 0.06)
    assert light[strip] == pytest.approx(1, abs=0.01)
    assert light[(np.abs(y_m - 1) > 0.14)].max() == 0
    rim = (np.abs(x_m - 1) < 0.4) & (np.abs(np.abs(y_m - 1) - 0.095) < CELL_M / 2)
    assert light[rim] == pytest.approx(0.5, abs=0.2)


@pytest.mark.parametrize("bar", [LED_BAR, TUBE])
def test_light_is_that_counted_point_by_point(bar: Bar):
    poses = driven((0.5, 0.6), (1.3, 0.7), (1.2, 1.4), (0.5, 1.3))
    counted = picture(poses, bar, noise=0).passes
    cell_blur_m = float(np.hypot(BLUR_M, CELL_M / np.sqrt(12)))  # a cell's mean is not its middle
    light = light_of(poses, bar, cell_blur_m)
    assert np.abs(np.log1p(light) - np.log1p(counted)).max() < 0.04
    assert light.sum() == pytest.approx(counted.sum(), rel=0.01)
    assert light.sum() * CELL_M**2 == pytest.approx(PACE_M_S * poses[-1, 0] * Line.of(bar, PACE).length_m, rel=0.01)


@settings(max_examples=10)
@given(st.integers(0, 10_000), st.integers(0, 18))
def test_derivatives_are_those_of_the_light(seed: int, column: int):
    rng = np.random.default_rng(seed)
    poses = np.array([1.0, 1.0, 0.5]) + np.cumsum(rng.normal(0, [0.02, 0.02, 0.1], (5, 3)), axis=0)
    dwell_s, line = rng.uniform(0.05, 0.2, 4), Line.of(LED_BAR, PACE)
    step = np.diff(poses, axis=0)
    parts = (np.hypot(step[:, 0], step[:, 1]) + np.abs(step[:, 2]) * (line.length_m / 2 + 0.03)) / (APART * BLUR_M)
    assume((np.abs(parts - np.rint(parts)) > 1e-3).all())

    def light(by: float) -> np.ndarray:
        moved, longer = poses.copy().ravel(), dwell_s.copy()
        if column < 15:
            moved[column] += by
        else:
            longer[column - 15] *= np.exp(by)
        return glow(moved.reshape(5, 3), longer, line, BLUR_M, CELLS)[0]

    _, by = glow(poses, dwell_s, line, BLUR_M, CELLS)
    found = by[:, [column]].toarray().ravel()
    true = (light(1e-6) - light(-1e-6)) / 2e-6
    # Where a cell comes into reach light is not smooth.
    lit = np.flatnonzero(found)
    assert np.quantile(np.abs(found - true)[lit], 0.9) < 1e-3 * np.abs(found).max() + 1e-6


def test_a_wider_blur_spreads_light_as_its_derivative_says():
    poses, line = driven((0.6, 1.0), (0.9, 1.1), every_s=0.05), Line.of(TUBE, PACE)
    dwell_s = np.diff(poses[:, 0])
    _, by = glow(poses[:, 1:], dwell_s, line, BLUR_M, CELLS)
    wide, narrow = (glow(poses[:, 1:], dwell_s, line, BLUR_M * np.exp(step), CELLS)[0] for step in (0.1, -0.1))
    found = by[:, [by.shape[1] - 1]].toarray().ravel()
    assert np.abs(found - (wide - narrow) / 0.2).max() < 0.1 * np.abs(found).max()
