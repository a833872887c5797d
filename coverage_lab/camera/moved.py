"""Did the camera stay where it was between the reference frame and the exposure?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.camera.landmarks import Shift
from coverage_lab.camera.model import Camera

FloatArray = NDArray[np.float64]


def plan_shift_m(before: Camera, after: Camera, points_m: ArrayLike, height_m: float) -> FloatArray:
    """Return by how much points (N, 2) at `height_m` are misplaced, (N, 2) metres.

    They are seen by the camera as it was `after`, and lifted with the camera as it was `before`.
    """
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    pixels = after.project(np.column_stack([points, np.full(len(points), height_m)]))
    return np.asarray(before.lift(pixels, height_m) - points)


def shifted_plan_m(camera: Camera, shift: Shift, points_m: ArrayLike, height_m: float) -> FloatArray:
    """Return by how much points (N, 2) at `height_m` are misplaced, (N, 2) metres, if the picture moved by `shift`."""
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    pixels = camera.project(np.column_stack([points, np.full(len(points), height_m)]))
    return np.asarray(camera.lift(shift.moved(pixels), height_m) - points)
