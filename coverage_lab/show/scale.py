"""From the room to the pixels of the drawn plan."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from coverage_lab.room.grid import FloorGrid
from coverage_lab.show.palette import Colour, Picture

SHIFT = 4  # OpenCV draws at sixteenths of a pixel


@dataclass(frozen=True, slots=True)
class PlanScale:
    """How large a floor grid is drawn."""

    grid: FloorGrid
    size: tuple[int, int]  # width, height in pixels

    @classmethod
    def fitting(cls, grid: FloorGrid, widest_px: int, highest_px: int) -> PlanScale:
        """Return the largest drawing of the grid within the given room, at least one pixel each way."""
        per_cell = min(widest_px / grid.cols, highest_px / grid.rows)
        return cls(grid, (max(round(grid.cols * per_cell), 1), max(round(grid.rows * per_cell), 1)))

    @property
    def px_per_m(self) -> float:
        """Pixels for a metre of floor."""
        return self.size[0] / (self.grid.cols * self.grid.cell_m)

    def to_px(self, xy_m: ArrayLike) -> NDArray[np.float64]:
        """Return the pixels (…, 2) of floor points (…, 2): column, row; (0, 0) is the first one's centre."""
        row_col = self.grid.to_cell(xy_m)
        ratio = self.size[0] / self.grid.cols, self.size[1] / self.grid.rows
        return np.stack([(row_col[..., 1] + 0.5) * ratio[0], (row_col[..., 0] + 0.5) * ratio[1]], axis=-1) - 0.5

    def _fixed(self, xy_m: ArrayLike) -> NDArray[np.int32]:
        return np.rint(self.to_px(xy_m) * (1 << SHIFT)).astype(np.int32)

    def mask(self, areas: Iterable[BaseGeometry], shape: tuple[int, ...]) -> Picture:
        """Return 255 within the areas, 0 outside, (rows, cols), their outlines softened."""
        mask = np.zeros(shape[:2], np.uint8)
        for polygon in shapely.get_parts(list(areas)):
            rings = [self._fixed(shapely.get_coordinates(ring)) for ring in shapely.get_rings(polygon)]
            if rings:
                cv2.fillPoly(mask, rings, 255, cv2.LINE_AA, SHIFT)
        return mask

    def outline(self, picture: Picture, shape_m: BaseGeometry, colour: Colour, width_px: int = 1) -> None:
        """Draw every ring and line of a shape."""
        for part in shapely.get_parts(shapely.boundary(shape_m) if shape_m.area > 0 else shape_m):
            points = self._fixed(shapely.get_coordinates(part))
            cv2.polylines(picture, [points], False, colour, width_px, cv2.LINE_AA, SHIFT)

    def dashes(
        self, picture: Picture, shape_m: BaseGeometry, colour: Colour, dash_px: float = 7, width_px: int = 1
    ) -> None:
        """Draw a shape's outline dashed, dash and gap of one length."""
        for ring in shapely.get_rings(shape_m):
            count = max(round(ring.length * self.px_per_m / dash_px / 2), 2)
            starts = np.arange(count) / count
            ends = starts + 0.5 / count
            pairs = shapely.line_interpolate_point(ring, np.column_stack([starts, ends]), normalized=True)
            for start, end in self._fixed(shapely.get_coordinates(pairs.ravel())).reshape(-1, 2, 2):
                cv2.line(picture, start.tolist(), end.tolist(), colour, width_px, cv2.LINE_AA, SHIFT)
