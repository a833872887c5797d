"""The cells that floor is counted in, and exact area weights of polygons on them.

A plan image has row 0 at the NORTH edge, so it looks like the room seen from above with north up. The only place
that turns cells into metres and back; see docs/coordinates.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from coverage_lab.room.room import Area

FloatArray = NDArray[np.float64]
ShareArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class FloorGrid:
    """A raster of square cells. `west_m` and `north_m` are the outer edges of the first column and row."""

    west_m: float
    north_m: float
    rows: int
    cols: int
    cell_m: float

    @classmethod
    def over(cls, area: Area, cell_m: float, margin_m: float = 0.1) -> FloorGrid:
        """Return the grid that covers `area` and a margin around it, its cell edges on multiples of `cell_m`."""
        west, south, east, north = area.bounds
        first_col = np.floor((west - margin_m) / cell_m + 1e-9)
        last_row = np.floor((south - margin_m) / cell_m + 1e-9)
        cols = ceil((east + margin_m) / cell_m - 1e-9) - int(first_col)
        rows = ceil((north + margin_m) / cell_m - 1e-9) - int(last_row)
        return cls(float(first_col * cell_m), float((last_row + rows) * cell_m), rows, cols, cell_m)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.cols

    @property
    def cell_m2(self) -> float:
        """Area of one cell."""
        return self.cell_m**2

    def to_floor(self, row_col: ArrayLike) -> FloatArray:
        """Turn cell coordinates (…, 2) as (row, col), whole numbers at cell centres, into (x, y) in metres."""
        rc = np.asarray(row_col, dtype=np.float64)
        x_m = self.west_m + (rc[..., 1] + 0.5) * self.cell_m
        y_m = self.north_m - (rc[..., 0] + 0.5) * self.cell_m
        return np.stack([x_m, y_m], axis=-1)

    def to_cell(self, xy_m: ArrayLike) -> FloatArray:
        """Turn floor points (…, 2) as (x, y) in metres into cell coordinates (row, col); inverse of `to_floor`."""
        xy = np.asarray(xy_m, dtype=np.float64)
        row = (self.north_m - xy[..., 1]) / self.cell_m - 0.5
        col = (xy[..., 0] - self.west_m) / self.cell_m - 0.5
        return np.stack([row, col], axis=-1)

    def weights(self, area: Area) -> ShareArray:
        """Return the share of each cell that lies in `area`, shape (rows, cols), exact to float32.

        Cells that the outline does not touch are 0 or 1; for the others the polygon is clipped to the cell. An
        empty area gives zeros.
        """
        share = np.zeros(self.shape, np.float32)
        if area.is_empty:
            return share
        touched = self._touched_by(area)
        share[~touched] = self._inside(area)[~touched]
        row, col = np.nonzero(touched)
        west = self.west_m + col * self.cell_m
        north = self.north_m - row * self.cell_m
        cells = shapely.box(west, north - self.cell_m, west + self.cell_m, north)
        shapely.prepare(area)
        inside = shapely.contains_properly(area, cells)
        clipped = np.ones(len(cells))
        clipped[~inside] = shapely.area(shapely.intersection(area, cells[~inside])) / self.cell_m2
        share[row, col] = clipped
        return share

    def _touched_by(self, area: Area) -> NDArray[np.bool_]:
        """Mark the cells that the outline may run through (a superset: each point's cell and its neighbours)."""
        line = shapely.segmentize(area.boundary, self.cell_m * 0.5)
        cell = np.rint(self.to_cell(shapely.get_coordinates(line))).astype(int)
        keep = (cell[:, 0] > -2) & (cell[:, 1] > -2) & (cell[:, 0] <= self.rows) & (cell[:, 1] <= self.cols)
        padded = np.zeros((self.rows + 4, self.cols + 4), bool)
        for down in (-1, 0, 1):
            for right in (-1, 0, 1):
                padded[cell[keep, 0] + 2 + down, cell[keep, 1] + 2 + right] = True
        return padded[2:-2, 2:-2]

    def _inside(self, area: Area) -> NDArray[np.bool_]:
        """Mark the cells whose centre lies in `area`, by the even-odd rule along each row."""
        crossings = np.zeros((self.rows, self.cols + 1), np.int32)
        y_m = self.to_floor(np.column_stack([np.arange(self.rows), np.zeros(self.rows)]))[:, 1]
        for ring in shapely.get_rings(area):
            xy = shapely.get_coordinates(ring)
            for (x0, y0), (x1, y1) in zip(xy[:-1], xy[1:], strict=True):
                rows = np.nonzero((y_m >= min(y0, y1)) & (y_m < max(y0, y1)))[0]
                if len(rows):
                    x_m = x0 + (y_m[rows] - y0) * (x1 - x0) / (y1 - y0)
                    col = np.ceil((x_m - self.west_m) / self.cell_m - 0.5).clip(0, self.cols).astype(int)
                    np.add.at(crossings, (rows, col), 1)
        return (np.cumsum(crossings[:, :-1], axis=1) % 2).astype(bool)
