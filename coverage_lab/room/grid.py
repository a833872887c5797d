"""The cells that floor is counted in, and exact area weights of polygons on them.

A plan image has row 0 at the NORTH edge, so it looks like the room seen from above with north up. The only
place that turns cells into metres and back; see docs/coordinates.md.
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
        """Return the grid over `area` and a margin around it, its cell edges on multiples of `cell_m`."""
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
        """Turn cells (…, 2) as (row, col), whole numbers at cell centres, into (x, y) in metres."""
        rc = np.asarray(row_col, dtype=np.float64)
        x_m = self.west_m + (rc[..., 1] + 0.5) * self.cell_m
        y_m = self.north_m - (rc[..., 0] + 0.5) * self.cell_m
        return np.stack([x_m, y_m], axis=-1)

    def to_cell(self, xy_m: ArrayLike) -> FloatArray:
        """Turn points (…, 2) as (x, y) in metres into cells (row, col); inverse of `to_floor`."""
        xy = np.asarray(xy_m, dtype=np.float64)
        row = (self.north_m - xy[..., 1]) / self.cell_m - 0.5
        col = (xy[..., 0] - self.west_m) / self.cell_m - 0.5
        return np.stack([row, col], axis=-1)

    def weights(self, area: Area) -> ShareArray:
        """Return the share of each cell that lies in `area`, shape (rows, cols), exact to float32.

        The outline is cut at all cell edges; each piece tells how much of its own cell lies east of it and
        how much of the row's height it covers for all cells further east. An empty area gives zeros. Source:
        the accumulation of signed cell areas in font renderers (FreeType's smooth rasteriser, ftgrays.c).
        """
        west, south, east, north = area.bounds if not area.is_empty else (0.0, 0.0, 0.0, 0.0)
        bounds = self._bounds
        if west < bounds[0] or south < bounds[1] or east > bounds[2] or north > bounds[3]:
            area = area.intersection(shapely.box(*bounds))
        parts = shapely.get_parts(area)
        rings = shapely.get_rings(shapely.orient_polygons(parts[shapely.get_dimensions(parts) == 2]))
        xy, ring = shapely.get_coordinates(rings, return_index=True)
        return self.ring_weights(self.to_cell(xy), ring)

    def ring_weights(self, row_col: ArrayLike, ring: NDArray[np.integer]) -> ShareArray:
        """Return the share of each cell inside closed rings, as `weights` does.

        row_col : (N, 2) corners as `to_cell` gives them, the first of each ring again at its end; `ring` (N,) tells
        which ring a corner is of. What lies to the left of a ring (seen with north up) is inside. Where rings cross,
        a cell counts once at the most.
        """
        points = np.clip(np.asarray(row_col, dtype=np.float64) + 0.5, 0, self.shape)
        points[:, 0] = _round_fine(points[:, 0])
        same = ring[1:] == ring[:-1]
        pieces = _cut_at_cells(np.stack([points[:-1][same], points[1:][same]], axis=1))
        return self._accumulate(pieces) if len(pieces) else np.zeros(self.shape, np.float32)

    @property
    def _bounds(self) -> tuple[float, float, float, float]:
        """West, south, east and north edge."""
        south, east = self.north_m - self.rows * self.cell_m, self.west_m + self.cols * self.cell_m
        return self.west_m, south, east, self.north_m

    def _accumulate(self, pieces: FloatArray) -> ShareArray:
        """Sum pieces (P, 2, 2) of a closed outline, each within one cell, to shares of cells."""
        height = pieces[:, 1, 0] - pieces[:, 0, 0]
        middle = pieces.mean(axis=1)
        col = np.minimum(middle[:, 1].astype(np.int64), self.cols - 1)
        touched, index = np.unique(middle[:, 0].astype(np.int64) * self.cols + col, return_inverse=True)
        own = np.bincount(index, height * (col + 1 - middle[:, 1]), len(touched))
        east = np.cumsum(np.bincount(index, height, len(touched)))
        # Along the flat grid a touched cell is followed by a run of equal ones, which are 0 at a row's end.
        value = np.zeros(2 * len(touched) + 1)
        value[1::2] = own + np.concatenate([[0.0], east[:-1]])
        value[2::2] = east
        length = np.ones(2 * len(touched) + 1, np.int64)
        length[::2] = np.diff(touched, prepend=-1, append=self.rows * self.cols) - 1
        share = np.repeat(np.clip(value, 0, 1).astype(np.float32), length)
        return share.reshape(self.shape)


def _round_fine(rows: FloatArray) -> FloatArray:
    """Round to multiples of 2^-30, whose sums are exact in double precision.

    Sums of row differences are then exact, so that a cell which the outline does not touch is exactly 0 or 1.
    """
    return np.asarray(np.rint(rows * 2.0**30) / 2.0**30)


def _cut_at_cells(edges: FloatArray) -> FloatArray:
    """Cut edges (E, 2, 2) at all whole rows and columns; return the pieces (P, 2, 2) that are not level."""
    edges = edges[edges[:, 0, 0] != edges[:, 1, 0]]
    every = np.arange(len(edges))
    numbers, places = [every, every], [np.zeros(len(edges)), np.ones(len(edges))]
    for axis in (0, 1):
        start, end = edges[:, 0, axis], edges[:, 1, axis]
        first = np.floor(np.minimum(start, end)).astype(np.int64) + 1
        count = np.maximum(np.ceil(np.maximum(start, end)).astype(np.int64) - first, 0)
        number = np.repeat(every, count)
        line = np.arange(len(number)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
        numbers.append(number)
        places.append((line - start[number]) / (end - start)[number])
    number, place = np.concatenate(numbers), np.concatenate(places)
    order = np.lexsort((place, number))
    number, place = number[order], place[order, None]
    points = edges[number, 0] * (1 - place) + edges[number, 1] * place
    points[:, 0] = _round_fine(points[:, 0])
    same = (number[1:] == number[:-1]) & (points[1:, 0] != points[:-1, 0])
    return np.stack([points[:-1][same], points[1:][same]], axis=1)
