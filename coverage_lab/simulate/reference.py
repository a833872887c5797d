"""The lights-on frame that shows the markers."""

from __future__ import annotations

import cv2
import numpy as np

from coverage_lab.simulate.scene import Scene
from coverage_lab.simulate.sensor import Codes, Sensor, develop

_LAMP = 0.95  # light on a surface of reflectance 1 below the camera, in shares of full scale
_FALLOFF = 1.2  # lamps near the camera: the corners of the room get less


def reference_frame(
    scene: Scene, rng: np.random.Generator, *, core_sigma_px: float = 0.8, sensor: Sensor | None = None
) -> Codes:
    """Return the picture (rows, cols, 3), blue first, of the scene with the lights on."""
    rows, cols = scene.floor.shape
    matrix = scene.camera.lens.matrix
    across = (np.arange(cols) - matrix[0, 2]) / matrix[0, 0]
    down = (np.arange(rows) - matrix[1, 2]) / matrix[1, 1]
    lamp = _LAMP * (1 + across**2 + down[:, None] ** 2) ** (-_FALLOFF / 2)
    light = scene.reflectance * lamp[..., None].astype(np.float32)
    return develop(cv2.GaussianBlur(light, (0, 0), core_sigma_px), sensor or Sensor(hot_per_megapixel=0), rng)
