"""A camera under the ceiling that sees a whole room."""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from coverage_lab.camera.model import Camera, Lens

_FILL = 0.92  # share of the picture, across and down, that the floor may take up
_DOWN = np.diag([1.0, -1.0, -1.0])  # picture columns to the east, rows to the south, depth downward


def ceiling_camera(
    floor: Polygon, *, megapixels: float, height_m: float, rng: np.random.Generator, oblique_rad: float = 0.0
) -> Camera:
    """Hang a 4 : 3 camera over a floor: slightly off its middle, tilted and turned, with barrel distortion.

    The focal length is the longest with which the whole floor stays in the picture. An oblique camera hangs to the
    west of the middle, by `oblique_rad` off the plumb line, and looks back at it.
    """
    width = round(float(np.sqrt(megapixels * 1e6 * 4 / 3)) / 4) * 4
    size = (width, width * 3 // 4)
    centre = np.array([floor.centroid.x, floor.centroid.y]) + rng.uniform(-0.12, 0.12, 2)
    tilt = np.deg2rad([rng.uniform(-1.5, 1.5), rng.uniform(-1.5, 1.5), rng.uniform(-2.5, 2.5)])
    turn, _ = cv2.Rodrigues(tilt)
    aslant, _ = cv2.Rodrigues(np.array([0.0, -oblique_rad, 0.0]))
    rotation = np.asarray(turn @ aslant @ _DOWN, dtype=np.float64)
    place = np.array([centre[0] - height_m * np.tan(oblique_rad), centre[1], height_m])
    distortion = np.array([rng.uniform(-0.07, -0.03), rng.uniform(0.0, 0.006), 0.0, 0.0, 0.0])
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2]) + rng.uniform(-6, 6, 2)

    def camera(focal_px: float) -> Camera:
        matrix = np.array([[focal_px, 0, middle[0]], [0, focal_px, middle[1]], [0, 0, 1]])
        return Camera(Lens(size, matrix, distortion), rotation, -rotation @ place)

    corners = shapely.get_coordinates(floor)
    unit = np.abs(camera(1.0).project(np.column_stack([corners, np.zeros(len(corners))])) - middle)
    return camera(float(np.min(_FILL * np.array(size) / 2 / unit.max(axis=0))))


def pixels_of(camera: Camera, outline_m: NDArray[np.float64], height_m: float) -> NDArray[np.float64]:
    """Return the pixels (N, 2) of a ring (M, 2) at one height, refined so that it bends as the lens does."""
    ring = shapely.get_coordinates(shapely.segmentize(shapely.linestrings(outline_m), 0.05))
    return camera.project(np.column_stack([ring, np.full(len(ring), height_m)]))
