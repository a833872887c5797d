"""Which decoys lie elsewhere in the second lights-on frame: the robot, or somebody, moved them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.model import Camera
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.room import Decoy, Room
from coverage_lab.trails.rectify import plan_view

CELL_M = 0.002
RIM_M = 0.015  # of floor around a decoy that is compared with it
SEARCH_M = 0.06  # how far a decoy is looked for
MOVED_M = 0.006  # beyond what camera, marker and footprint leave open
ALIKE = 0.6  # correlation below which it is not the same thing that is seen there
LEAST_CONTRAST = 0.04  # of the mean: a decoy that looks like the floor cannot be followed

Light = NDArray[np.uint16]
Plane = NDArray[np.float32]


def moved_decoys(room: Room, before: tuple[Light, Camera], after: tuple[Light, Camera]) -> tuple[str, ...]:
    """Return the decoys of `room` that do not lie in `after` where they lie in `before`: frames (H, W) and cameras.

    A decoy is cut out of the first frame, with a rim of floor, and looked for in the second (normalised correlation:
    Lewis, Vision Interface 1995): it was moved if it is found elsewhere or not at all.
    """
    return tuple(decoy.name for decoy in room.decoys if _moved(decoy, before, after))


def _moved(decoy: Decoy, before: tuple[Light, Camera], after: tuple[Light, Camera]) -> bool:
    margin_m = RIM_M + SEARCH_M
    grid = FloorGrid.over(decoy.footprint, CELL_M, margin_m)
    # In the middle of its height its sides are displaced least, wherever the camera stands.
    first, second = (plan_view(light, camera, grid, decoy.height_m / 2) for light, camera in (before, after))
    search = round(SEARCH_M / CELL_M)
    own = first[search:-search, search:-search]
    if own.std() < LEAST_CONTRAST * own.mean():
        return False
    score = cv2.matchTemplate(second, own, cv2.TM_CCOEFF_NORMED)
    row, col = np.unravel_index(int(score.argmax()), score.shape)
    shift_m = CELL_M * float(np.hypot(row - search, col - search))
    return bool(shift_m > MOVED_M or score.max() < ALIKE)
