"""Folding frames whose light is drawn by hand: what stays in all of them is no trail."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from coverage_lab.files.night import find_nights, read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.setting import lay_out, set_up
from coverage_lab.trails.series import Fold

HOT = 40_000


@pytest.fixture(scope="module")
def ready(small_season: Path):
    (folder,) = find_nights(small_season)
    night = read_night(folder)
    setting = set_up(night, read_runs(night))
    robot = night.robots["heron"]
    return lay_out(setting, robot), robot.bar, setting.camera.fit.camera


def dark_frame(camera) -> np.ndarray:
    width, height = camera.lens.image_size
    return np.full((height, width), 300, np.uint16)


def test_a_hot_pixel_is_taken_off_as_often_as_it_was_seen(ready):
    plan, bar, camera = ready
    frame = dark_frame(camera)
    middle = np.array([plan.grid.to_floor([plan.grid.rows / 2, plan.grid.cols / 2])])
    col, row = np.rint(camera.project(np.column_stack([middle, [[bar.height_m]]]))[0]).astype(int)
    frame[row, col] = HOT
    fold = Fold(plan, bar, camera, np.full(4, 0.3))
    for number in range(5):
        if number == 2:
            fold.skip()  # cannot be read: it adds no light, and none is taken off for it
        else:
            fold.add(frame, 0.95)
    light = fold.done().light
    around = light[plan.grid.rows // 2 - 8 : plan.grid.rows // 2 + 8, plan.grid.cols // 2 - 8 : plan.grid.cols // 2 + 8]
    assert around == pytest.approx(4 * 300 / 65535, abs=2e-4)


def test_more_visits_than_a_byte_holds_do_not_begin_again(ready):
    plan, bar, camera = ready
    dark = dark_frame(camera)
    lit = dark.copy()
    west, south, east, _ = plan.reachable.bounds
    inner = np.array(
        [[west + 0.4, south + 0.4], [east - 0.4, south + 0.4], [east - 0.4, south + 0.9], [west + 0.4, south + 0.9]]
    )
    pixels = camera.project(np.column_stack([inner, np.full(4, bar.height_m)]))
    cv2.fillConvexPoly(lit, np.rint(pixels).astype(np.int32), 30_000)
    fold = Fold(plan, bar, camera, np.full(529, 0.3))
    for number in range(530):
        fold.add(lit if number % 2 == 0 else dark, 0.95)
    assert fold.done().visits.max() == 255
