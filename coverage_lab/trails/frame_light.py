"""The light of one frame in plan view: as it is kept until the whole run is known, and as ways are laid on it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.room.plan import FloorPlan

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]

CELL_M = 0.008  # that a frame's light is kept on: about as wide as its blur
BESIDE_M = 0.05  # kept around the strip
AROUND_M = 0.15  # dark, around what is kept
BURNT = 0.25  # of a cell: its light is more than it shows
PLENTY = 4.0  # passes: from here on the sensor's shoulder may begin
DOUBT_M = 0.01  # around what hides the trail or shines by itself


@dataclass(frozen=True, slots=True)
class Cells:
    """A lattice of cells, rows going south."""

    west_m: float  # the first cell's middle
    north_m: float
    cell_m: float
    shape: tuple[int, int]

    @property
    def middles_m(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """x and y of all cells, (rows, cols) twice."""
        rows, cols = self.shape
        x_m, y_m = self.west_m + np.arange(cols) * self.cell_m, self.north_m - np.arange(rows) * self.cell_m
        wide, high = np.meshgrid(x_m, y_m)
        return wide, high


@dataclass(frozen=True, slots=True, eq=False)
class FrameLight:
    """A frame's light around its strip."""

    light: NDArray[np.float16]  # (rows, cols), full scale of a frame is 1
    burnt: Mask  # (rows, cols), how much of a cell is burnt, 255 for all of it
    cells: Cells


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A frame's light in passes, and what it tells."""

    passes: Plane  # (rows, cols)
    told: NDArray[np.bool_]  # (rows, cols) where it is the trail's, and all of it
    burnt: NDArray[np.bool_]  # (rows, cols) where there was more than it shows
    cells: Cells
    open_s: float  # exposed


def light_of(
    smooth: Plane, strip: Mask, burnt: Mask, cell_m: float, origin_m: tuple[float, float]
) -> FrameLight | None:
    """Return the light around a strip; None without one.

    smooth, strip, burnt : (rows, cols) of cells of `cell_m`; the first has its north-west corner at `origin_m`.
    """
    rows, cols = np.flatnonzero(strip.any(axis=1)), np.flatnonzero(strip.any(axis=0))
    if not len(rows):
        return None
    parts, beside = max(1, round(CELL_M / cell_m)), round(BESIDE_M / cell_m)
    north, west = (max(int(at[0]) - beside, 0) for at in (rows, cols))
    ends = (min(int(at[-1]) + beside, size) for at, size in zip((rows, cols), smooth.shape, strict=True))
    high, wide = ((end - first) // parts for end, first in zip(ends, (north, west), strict=True))
    window = np.s_[north : north + high * parts, west : west + wide * parts]
    light, some = (cv2.resize(plane[window], (wide, high), interpolation=cv2.INTER_AREA) for plane in (smooth, burnt))
    west_m, north_m = origin_m[0] + (west + parts / 2) * cell_m, origin_m[1] - (north + parts / 2) * cell_m
    cells = Cells(west_m, north_m, parts * cell_m, (high, wide))
    return FrameLight(np.asarray(light, np.float16), np.asarray(some, np.uint8), cells)


def picture_of(frame: FrameLight, once: float, open_s: float, plan: FloorPlan) -> Picture:
    """Return a frame's light in passes; `once` is the light of one, `open_s` how long the frame was exposed."""
    around = round(AROUND_M / frame.cells.cell_m)
    passes, burnt = (
        np.pad(plane, around) for plane in (frame.light.astype(np.float32) / np.float32(once), frame.burnt)
    )
    near = frame.cells
    west_m, north_m = near.west_m - around * near.cell_m, near.north_m + around * near.cell_m
    cells = Cells(west_m, north_m, near.cell_m, (passes.shape[0], passes.shape[1]))
    x_m, y_m = cells.middles_m
    walls = plan.room.floor.boundary
    doubtful = shapely.union_all([plan.hidden, plan.decoys_seen, walls]).buffer(DOUBT_M)
    told = np.asarray(~shapely.contains_xy(doubtful, x_m, y_m))
    passes[~shapely.contains_xy(plan.room.floor, x_m, y_m)] = 0  # what shines there is no trail
    return Picture(passes, told, (burnt > BURNT * 255) | (passes > PLENTY), cells, open_s)


def coarser(picture: Picture) -> Picture:
    """Return a picture on cells twice as wide; what is left over at its rims is cut off."""
    cells, (rows, cols) = picture.cells, (size // 2 for size in picture.cells.shape)
    passes = cv2.resize(picture.passes[: 2 * rows, : 2 * cols], (cols, rows), interpolation=cv2.INTER_AREA)
    told, burnt = (
        plane[: 2 * rows, : 2 * cols].reshape(rows, 2, cols, 2).swapaxes(1, 2).reshape(rows, cols, 4)
        for plane in (picture.told, picture.burnt)
    )
    half_m = cells.cell_m / 2
    wide = Cells(cells.west_m + half_m, cells.north_m - half_m, 2 * cells.cell_m, (rows, cols))
    return Picture(
        np.asarray(passes, np.float32),
        np.asarray(told.all(axis=-1)),
        np.asarray(burnt.any(axis=-1)),
        wide,
        picture.open_s,
    )
