"""A camera that is posed anew between reference frame and exposure, in a simulated room that shows faintly."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from coverage_lab.camera.landmarks import landmarks
from coverage_lab.camera.model import Camera
from coverage_lab.frames.read import read_frame
from coverage_lab.job import Run
from coverage_lab.measures.values import Measures
from coverage_lab.run import measure
from coverage_lab.simulate.exposure import Exposure, expose
from coverage_lab.simulate.reference import reference_frame
from coverage_lab.simulate.scene import Scene, look_down
from tests.benchmarks.simulated import Condition, camera_over, den, known_set_up, poses_of, robot_of, write_frame

ROBOT = robot_of(Condition())
CAMERA = camera_over(den().floor, 2.0, 0.0, 1)


@cache
def scene(by_px: float) -> Scene:
    """Return the den under the camera, tilted so that the picture moves by `by_px`."""
    tilt = by_px / CAMERA.lens.matrix[0, 0]
    turn, _ = cv2.Rodrigues(np.array([0.6, -0.8, 0.0]) * tilt)
    moved = Camera(CAMERA.lens, turn @ CAMERA.rotation, turn @ CAMERA.translation_m)
    return look_down(den(), moved, np.random.default_rng(3))


def measured(by_px: float, leak: float, folder: Path) -> Measures:
    """Shoot the reference frame, tilt the camera, shoot a run, and measure it with what the reference frame told."""
    rng = np.random.default_rng(6)
    reference = read_frame(write_frame(folder / "reference", reference_frame(scene(0.0), rng), 92))
    poses = poses_of("lanes", 0.0, 1)
    codes = expose(poses, ROBOT.bar, scene(by_px), Exposure(leak=leak, glow=0.5), rng)
    path = write_frame(folder / "heron-1", codes, 92)
    setting = replace(known_set_up(folder, den(), CAMERA, ROBOT), landmarks=landmarks(reference.light, CAMERA))
    return measure(Run("heron-1", "night/heron-1", "heron", 1, "coverage", (path,)), setting).measures


@pytest.mark.parametrize(
    ("by_px", "leak", "level"), [(0.0, 0.005, None), (2.0, 0.03, "warning"), (8.0, 0.005, "refused")]
)
def test_a_moved_camera_is_told(by_px: float, leak: float, level: str | None, tmp_path: Path):
    found = [remark for remark in measured(by_px, leak, tmp_path).quality if remark.code == "camera-moved"]
    assert [remark.level for remark in found] == ([] if level is None else [level])
    if level == "warning":
        assert "up to 4 mm" in found[0].text or "up to 5 mm" in found[0].text  # 2 px of 2.0 mm, more in the corners
