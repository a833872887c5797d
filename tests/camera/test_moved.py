"""A camera that moved between two reference frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coverage_lab.camera.model import Camera, Lens
from coverage_lab.camera.moved import plan_shift_m

LENS = Lens((1200, 900), np.array([[600.0, 0, 600], [0, 600, 450], [0, 0, 1]]), np.zeros(5))
DOWN = np.diag([1.0, -1.0, -1.0])
POINTS_M = np.array([[0.5, 0.5], [3.0, 0.4], [1.2, 2.5]])


def camera(x_m: float, y_m: float, z_m: float) -> Camera:
    return Camera(LENS, DOWN, -DOWN @ np.array([x_m, y_m, z_m]))


def test_a_camera_that_stays_misplaces_nothing():
    still = camera(1.5, 1.5, 2.7)
    assert plan_shift_m(still, still, POINTS_M, 0.1) == pytest.approx(np.zeros((3, 2)), abs=1e-9)


def test_a_camera_moved_aside_misplaces_all_the_other_way():
    shift = plan_shift_m(camera(1.5, 1.5, 2.7), camera(1.51, 1.48, 2.7), POINTS_M, 0.1)
    assert shift == pytest.approx(np.tile([-0.01, 0.02], (3, 1)), abs=1e-9)


def test_a_sunk_camera_stretches_the_plan_about_its_foot():
    shift = plan_shift_m(camera(1.5, 1.5, 2.7), camera(1.5, 1.5, 2.6), POINTS_M, 0.1)
    assert shift == pytest.approx((POINTS_M - 1.5) * (2.6 / 2.5 - 1), abs=1e-9)


def test_a_turned_lens_matters_as_much_as_a_moved_one():
    turn = np.array([[np.cos(0.002), -np.sin(0.002), 0], [np.sin(0.002), np.cos(0.002), 0], [0, 0, 1]])
    still = camera(0.0, 0.0, 2.7)
    shift = plan_shift_m(
        still, replace(still, rotation=turn @ still.rotation, translation_m=still.translation_m), POINTS_M, 0
    )
    assert np.hypot(*shift.T) == pytest.approx(0.002 * np.hypot(*POINTS_M.T), rel=1e-3)
