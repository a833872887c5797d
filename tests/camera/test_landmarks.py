"""Pictures of boxes that stand still, lit from above and from below, and moved by a known shift and turn."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from coverage_lab.camera.landmarks import Shift, landmarks, picture_shift, reduced
from coverage_lab.camera.model import Camera, Lens
from coverage_lab.camera.moved import plan_shift_m, shifted_plan_m

SIZE = (800, 600)
LENS = Lens(SIZE, np.array([[900.0, 0, 399.5], [0, 900, 299.5], [0, 0, 1]]), np.zeros(5))  # 3 mm per pixel
DOWN = np.diag([1.0, -1.0, -1.0])
CAMERA = Camera(LENS, DOWN, -DOWN @ np.array([1.2, 0.9, 2.7]))
TRAIL = np.array([[200.0, 150.0], [600.0, 150.0], [600.0, 450.0], [200.0, 450.0]])

Light = NDArray[np.uint16]


def boxes(tops: float, sides: float) -> NDArray[np.float32]:
    """Boxes at random, their tops and a side of each as bright as given, on a floor of 0.3."""
    rng = np.random.default_rng(8)
    picture = np.full(SIZE[::-1], 0.3, np.float32)
    for x, y, wide, high in rng.integers((0, 0, 20, 20), (760, 560, 90, 90), (60, 4)).tolist():
        cv2.rectangle(picture, (x, y), (x + wide, y + high), (sides,), -1)
        cv2.rectangle(picture, (x, y), (x + wide, y + high - 8), (tops,), -1)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def light_of(picture: NDArray[np.float32], noise: float = 0.0) -> Light:
    noisy = picture + noise * np.random.default_rng(2).standard_normal(picture.shape)
    return np.rint(65535 * np.clip(noisy, 0, 1)).astype(np.uint16)


def exposed(shift: Shift, noise: float = 0.001) -> Light:
    """The boxes dark on a floor that glows, the picture moved, and a bright trail on it that did not."""
    cos, sin = np.cos(shift.turn_rad), np.sin(shift.turn_rad)
    turn = np.array([[cos, -sin], [sin, cos]])
    middle = np.array(shift.middle_px)
    move = np.column_stack([turn, middle - turn @ middle + [shift.right_px, shift.down_px]])
    picture = cv2.warpAffine(0.05 * boxes(0.05, 0.7), move, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    stripes = np.zeros(SIZE[::-1], np.float32)
    stripes[155:445:7, 205:595] = 0.8
    return light_of(picture + cv2.GaussianBlur(stripes, (0, 0), 1.0), noise)


def found(light: Light) -> Shift | None:
    before = landmarks(light_of(boxes(0.7, 0.2)), CAMERA)
    return picture_shift(before, reduced(light, before.every), [TRAIL])


@pytest.mark.parametrize(
    ("right", "down", "turn_mrad"), [(0, 0, 0), (2, 0, 0), (-4, 3, 0), (7.5, -5, 0), (0, 0, 8), (3, -2, -6)]
)
def test_shift_and_turn_are_found_though_light_falls_otherwise(right: float, down: float, turn_mrad: float):
    shift = found(exposed(Shift(right, down, turn_mrad / 1000, (399.5, 299.5))))
    assert shift is not None
    assert (shift.right_px, shift.down_px) == pytest.approx((right, down), abs=0.5)
    assert shift.turn_rad == pytest.approx(turn_mrad / 1000, abs=0.002)


def test_noise_tells_nothing():
    assert found(light_of(np.full(SIZE[::-1], 0.02, np.float32), 0.004)) is None


def test_boxes_that_all_stand_elsewhere_tell_nothing():
    """Another room: each tile fits somewhere, and no two halves of them at one place."""
    assert found(light_of(0.05 * boxes(0.05, 0.7)[::-1, ::-1], 0.001)) is None


def test_a_move_beyond_what_is_searched_tells_nothing():
    assert found(exposed(Shift(40.0, 0.0, 0.0, (399.5, 299.5)))) is None


def test_a_shift_of_the_picture_misplaces_the_plan_as_a_turned_camera_does():
    turn, _ = cv2.Rodrigues(np.array([0.002, -0.001, 0.003]))
    after = Camera(LENS, turn @ DOWN, -turn @ DOWN @ CAMERA.centre_m)
    points_m = np.array([[0.9, 0.7], [1.5, 1.2], [1.2, 0.9]])
    shift = Shift(-0.9, -1.8, 0.003, (399.5, 299.5))
    expected = plan_shift_m(CAMERA, after, points_m, 0.095)
    assert shifted_plan_m(CAMERA, shift, points_m, 0.095) == pytest.approx(expected, abs=2e-4)
    assert np.linalg.norm(expected, axis=1).min() > 0.004
