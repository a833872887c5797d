"""Laying a way along its strip: legs go where the bar's ends lie on the strip's sides, turns where legs meet."""

from __future__ import annotations

import numpy as np
import pytest
from ways import drive, scene

from coverage_lab.job import Bar
from coverage_lab.trails.probe import Probe
from coverage_lab.trails.straighten import straightened

BAR = Bar(0.22, 14, 0.215, 0.095, 0.002, 0.03)
TRUE = np.array(
    [[0.4, 0.5, 0.0], [2.2, 0.5, 0.0], [2.2, 0.5, 2.0], [2.2 + 1.4 * np.cos(2), 0.5 + 1.4 * np.sin(2), 2.0]]
)


def frame():
    return scene(drive(*map(tuple, TRUE[[0, 1, 3], :2])), BAR), Probe(BAR.nozzle_m, BAR.forward_m)


@pytest.mark.parametrize("off_m", [(0.0, 0.0), (0.01, -0.008), (-0.012, 0.01)])
def test_legs_and_turns_are_put_right(off_m: tuple[float, float]):
    rough = TRUE.copy()
    rough[0, 1] += off_m[0]
    rough[1:3, :2] += off_m
    found = straightened(*frame(), rough)
    assert np.hypot(*(found[1:3, :2] - TRUE[1:3, :2]).T).max() < 0.006
    assert found[[0, 1], 1] == pytest.approx(0.5, abs=0.005)
    assert found[:, 2] == pytest.approx(TRUE[:, 2], abs=np.deg2rad(1))


def test_short_legs_stay():
    short = np.array([[1.0, 1.0, 0.3], [1.1, 1.03, 0.3]])
    assert straightened(*frame(), short) == pytest.approx(short)


def test_headings_go_on_counting():
    rough = TRUE + np.array([0, 0, 4 * np.pi])
    assert straightened(*frame(), rough)[:, 2] == pytest.approx(TRUE[:, 2] + 4 * np.pi, abs=np.deg2rad(1))
