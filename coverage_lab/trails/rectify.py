"""The one resampling: from the frame to the plan view at bar height, with lens distortion and parallax in it."""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from coverage_lab.camera.model import Camera
from coverage_lab.room.grid import FloorGrid

LATTICE_CELLS = 16  # the camera is evaluated on every 16th cell; between them the map is straight to 0.02 px
EDGE_POINTS = 60  # points along each border of the frame when it is laid on the floor

Light = NDArray[np.uint16]
Plane = NDArray[np.float32]


def plan_view(light: Light, camera: Camera, grid: FloorGrid, height_m: float) -> Plane:
    """Return the light seen at height `height_m` above each cell: (rows, cols) float32, 1 = full scale.

    light : (H, W) uint16 linear light of the whole frame. Where the frame is finer than the grid, light is first
    averaged over blocks as large as a cell, so that nothing between two sampling points is lost. Cells outside the
    frame are 0.
    """
    return resampled(light, pixel_map(camera, grid, height_m))


def resampled(light: Light, pixels: Plane) -> Plane:
    """Return the light at the `pixels` (rows, cols, 2) that `pixel_map` gives, as `plan_view` does."""
    rows = len(pixels)
    step_px = np.linalg.norm(np.diff(pixels[rows // 2], axis=0), axis=1)
    block = max(1, round(float(np.median(step_px))))
    if block > 1:
        high, wide = (size // block for size in light.shape)
        whole = light[: high * block, : wide * block]
        light = np.asarray(cv2.resize(whole, (wide, high), interpolation=cv2.INTER_AREA), dtype=np.uint16)
        pixels = (pixels - np.float32((block - 1) / 2)) / np.float32(block)
    # The map is one array of pixels, not one per axis; OpenCV's stubs do not know that the second may be None.
    seen = cv2.remap(light, pixels, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)  # type: ignore[call-overload]
    return np.asarray(seen.astype(np.float32) * np.float32(1 / 65535))


def floor_per_pixel_m(camera: Camera, grid: FloorGrid, height_m: float) -> float:
    """Return how much of the plane at `height_m` a pixel shows in the middle of the floor, metres."""
    middle = grid.to_floor(np.array([[grid.rows / 2, grid.cols / 2], [grid.rows / 2, grid.cols / 2 + 1]]))
    pixels = camera.project(np.column_stack([middle, np.full(2, height_m)]))
    return grid.cell_m / float(np.linalg.norm(pixels[1] - pixels[0]))


def pixel_map(camera: Camera, grid: FloorGrid, height_m: float) -> Plane:
    """Return the pixel (column, row) in which the point above each cell's centre appears: (rows, cols, 2)."""
    lattice = [-(-size // LATTICE_CELLS) + 2 for size in grid.shape]
    nodes = [(np.arange(size) - 0.5) * LATTICE_CELLS - 0.5 for size in lattice]
    floor = grid.to_floor(np.stack(np.meshgrid(*nodes, indexing="ij"), axis=-1)).reshape(-1, 2)
    coarse = camera.project(np.column_stack([floor, np.full(len(floor), height_m)]))
    fine = cv2.resize(
        coarse.reshape(*lattice, 2).astype(np.float32),
        (lattice[1] * LATTICE_CELLS, lattice[0] * LATTICE_CELLS),
        interpolation=cv2.INTER_LINEAR,
    )
    inner = slice(LATTICE_CELLS, None)
    return np.asarray(fine[inner, inner][: grid.rows, : grid.cols])


def seen_area(camera: Camera, height_m: float) -> Polygon:
    """Return the part of the plane at `height_m` that lies inside the picture, as a polygon in the room (metres)."""
    width, height = camera.lens.image_size
    along = np.linspace(0, 1, EDGE_POINTS, endpoint=False)
    zero, one = np.zeros_like(along), np.ones_like(along)
    border = np.vstack(
        [
            np.column_stack([along, zero]),
            np.column_stack([one, along]),
            np.column_stack([1 - along, one]),
            np.column_stack([zero, 1 - along]),
        ]
    ) * [width - 1, height - 1]
    area = shapely.make_valid(Polygon(camera.lift(border, height_m)))
    return max(shapely.get_parts(area), key=lambda part: float(part.area))
