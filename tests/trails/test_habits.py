"""What is unusual about a way: residuals of sound ways are small, derivatives are those of the residuals."""

from __future__ import annotations

import numpy as np
import pytest
from lit import PACE, driven

from coverage_lab.trails.habits import EXPOSURE_U_S, PACE_U_S, Habits, habits_of
from coverage_lab.trails.lay import nodes

POSES = driven((0.4, 0.5), (1.0, 0.5), (1.0, 0.9))
WAY = nodes(POSES[:, 1:], POSES[:, 0] / POSES[-1, 0], POSES[-1, 0])


def made(poses: np.ndarray, dwell_s: np.ndarray) -> Habits:
    open_s = float(POSES[-1, 0])
    habits = habits_of(poses, dwell_s, WAY, open_s, 4 * len(poses) + 1)
    habits.keep_pace(poses, PACE, open_s, 0.03)
    return habits


def left(poses: np.ndarray, dwell_s: np.ndarray) -> np.ndarray:
    return np.concatenate(made(poses, dwell_s).left)


def test_a_way_at_its_pace_takes_its_time():
    count = len(WAY[0])
    habits = left(*WAY)
    assert habits[-1] * (0.03 * POSES[-1, 0] + PACE_U_S) == pytest.approx(0, abs=0.1)
    straight = slice(1, 8)
    assert habits[: count - 1][straight] == pytest.approx(0, abs=1e-9)  # it does not slip
    longer_s = EXPOSURE_U_S * left(WAY[0], 1.1 * WAY[1])
    assert np.isclose(longer_s, 0.1 * WAY[1].sum()).sum() == 1


def test_a_way_that_is_too_short_is_unusual():
    cut = WAY[0].copy()
    cut[:, :2] = cut[0, :2] + 0.8 * (cut[:, :2] - cut[0, :2])
    assert made(cut, WAY[1]).equations()[2] > made(*WAY).equations()[2] + 1


@pytest.mark.parametrize("column", range(0, 70, 7))
def test_derivatives_are_those_of_the_residuals(column: int):
    rng = np.random.default_rng(column)
    poses, dwell_s = WAY[0] + rng.normal(0, 0.01, WAY[0].shape), WAY[1] * rng.uniform(0.8, 1.2, len(WAY[1]))
    count = len(poses)

    def moved(by: float) -> np.ndarray:
        place, longer = poses.copy().ravel(), dwell_s.copy()
        if column < 3 * count:
            place[column] += by
        else:
            longer[column - 3 * count] *= np.exp(by)
        return left(place.reshape(-1, 3), longer)

    numeric = (moved(1e-6) - moved(-1e-6)) / 2e-6
    habits = made(poses, dwell_s)
    _, right, _ = habits.equations()
    residual, at_once = np.concatenate(habits.left), np.concatenate(habits.at_once)
    weight = np.where(at_once, 1 / (1 + residual**2), 1)
    assert right[column] == pytest.approx(-(numeric * weight * residual).sum(), rel=1e-4, abs=1e-3)
