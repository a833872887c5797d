"""What the picture tests share: a plain camera that looks straight down, and one straight pass."""

import cv2
import numpy as np
import shapely

from coverage_lab.camera.model import Camera, Lens
from coverage_lab.job import Bar
from coverage_lab.room.room import Room
from coverage_lab.simulate.drives import Motion, follow, timed

DOWN = np.diag([1.0, -1.0, -1.0])
BAR = Bar(nozzle_m=0.22, led_count=8, lit_length_m=0.21, height_m=0.095, height_tolerance_m=0.002, forward_m=0.0)
FLOOR = shapely.box(0, 0, 2, 1.5)


def camera_over(x_m=1.0, y_m=0.75, height_m=2.5, focal_px=500.0, size=(420, 320), k1=0.0) -> Camera:
    matrix = np.array([[focal_px, 0, (size[0] - 1) / 2], [0, focal_px, (size[1] - 1) / 2], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(np.array([0.01, -0.008, 0.0]))
    rotation = turn @ DOWN
    return Camera(Lens(size, matrix, np.array([k1, 0, 0, 0, 0])), rotation, -rotation @ [x_m, y_m, height_m])


def straight_pass(*points, speed_m_s=0.25):
    return timed(follow(np.array(points, dtype=float)), Motion(speed_m_s, np.pi / 2))


def empty_room() -> Room:
    return Room(FLOOR)
