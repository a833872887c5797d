"""The one resampling: from the frame to the plan view at bar height, with lens distortion and parallax in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from coverage_lab.camera.model import Camera
from coverage_lab.frames.light import FULL_LIGHT
from coverage_lab.room.grid import FloorGrid

LATTICE_CELLS = 16  # the camera is evaluated on every 16th cell; between them the map is straight to 0.02 px
EDGE_POINTS = 60  # points along each border of the frame when it is laid on the floor

Light = NDArray[np.uint16]
Plane = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Lift:
    """Which part of a picture shows each cell; the same for all pictures of one camera.

    Where the picture is finer than the cells, light is first averaged over blocks of pixels as large as a cell, so that
    nothing between two sampling points is lost. Both steps are linear: pictures may be added up in between.
    """

    block: int  # pixels along a block's side
    places: Plane  # (rows, cols, 2), column and row of the block that shows a cell, with fractions

    @classmethod
    def by(cls, pixels: Plane) -> Lift:
        """Return the lift for the pixel (column, row) that shows each cell, (rows, cols, 2)."""
        step_px = np.linalg.norm(np.diff(pixels[len(pixels) // 2], axis=0), axis=1)
        block = max(1, round(float(np.median(step_px))))
        return cls(block, (pixels - np.float32((block - 1) / 2)) / np.float32(block))

    def averaged(self, picture: NDArray[Any]) -> NDArray[Any]:
        """Return a picture (H, W) averaged over blocks, of the same type; what is left over at its end is cut off."""
        if self.block == 1:
            return picture
        high, wide = (size // self.block for size in picture.shape)
        whole = picture[: high * self.block, : wide * self.block]
        return np.asarray(cv2.resize(whole, (wide, high), interpolation=cv2.INTER_AREA))

    def seen(self, blocks: NDArray[Any]) -> Plane:
        """Return above each cell what averaged blocks show, (rows, cols) in their unit; 0 outside the picture."""
        # The map is one array of pixels, not one per axis; OpenCV's stubs do not know that the second may be None.
        seen = cv2.remap(blocks, self.places, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)  # type: ignore[call-overload]
        return np.asarray(seen, np.float32)


def plan_view(light: Light, camera: Camera, grid: FloorGrid, height_m: float) -> Plane:
    """Return the light seen at height `height_m` above each cell: (rows, cols) float32, 1 = full scale.

    light : (H, W) uint16 linear light of the whole frame. Cells outside the frame are 0.
    """
    lift = Lift.by(pixel_map(camera, grid, height_m))
    return np.asarray(lift.seen(lift.averaged(light)) * np.float32(1 / FULL_LIGHT))


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
