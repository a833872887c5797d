"""What stands still in a run's exposure, held against the reference frame: did the camera move meanwhile?"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.landmarks import Landmarks, Shift, picture_shift
from coverage_lab.camera.model import Camera
from coverage_lab.room.grid import FloorGrid
from coverage_lab.trails.outline import Outline


def shift_since(
    before: Landmarks, picture: NDArray[np.float32], outline: Outline, grid: FloorGrid, camera: Camera, height_m: float
) -> Shift | None:
    """Return by how much the `picture` of an exposure moved since the reference frame; None where nothing tells.

    picture : as `landmarks.reduced` gives it; outline : of the trail at `height_m`, on `grid`.
    """
    floor_m = grid.to_floor(outline.points.astype(np.float64))
    pixels = camera.project(np.column_stack([floor_m, np.full(len(floor_m), height_m)]))
    return picture_shift(before, picture, [pixels[first:last] for first, last in pairwise(outline.starts)])
