"""Straight passes as light in plan view, from formulas: a Gaussian across a track, an error function at its ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtr

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Room

COMB = Bar(0.210, 14, 0.205, 0.095, 0.002, 0.0)  # tracks 15.8 mm apart
DENSE = Bar(0.200, 31, 0.197, 0.095, 0.002, 0.0)  # 6.6 mm
TUBE = Bar(0.220, 0, 0.220, 0.095, 0.002, 0.0)
FLOOR = shapely.box(0, 0, 1.8, 1.4)


@dataclass(frozen=True)
class Pass:
    """One straight pass of the bar's middle."""

    start_m: tuple[float, float]
    end_m: tuple[float, float]
    level: float = 0.4  # light of a single track's centre, of a tube's plateau

    def strip(self, bar: Bar) -> shapely.Polygon:
        line = shapely.LineString([self.start_m, self.end_m])
        return line.buffer(bar.nozzle_m / 2, cap_style="flat")


def plan_of(bar: Bar, cell_m: float = 0.002, room: Room | None = None) -> FloorPlan:
    """A bare room under a camera so high that parallax plays no part, for a robot as wide as 0.33 m."""
    room = room or Room(FLOOR)
    return floor_plan(
        room,
        body_diameter_m=0.33,
        body_height_m=0.1,
        nozzle_m=bar.nozzle_m,
        forward_m=0.0,
        bar_height_m=bar.height_m,
        camera_centre_m=(0.9, 0.7, 2.8),
        seen=None,
        grid=FloorGrid.over(room.floor, cell_m, 0.05),
    )


def light_of(
    passes: list[Pass], bar: Bar, grid: FloorGrid, *, blur_m: float, clip: float = 1.0, floor: float = 0.0
) -> NDArray[np.float32]:
    """The light of all passes together, (rows, cols), cut at `clip`, over a floor that glows by `floor`."""
    cells = np.stack(np.meshgrid(np.arange(grid.rows), np.arange(grid.cols), indexing="ij"), axis=-1)
    xy = grid.to_floor(cells)
    light = np.full(grid.shape, floor)
    for one in passes:
        start, end = np.array(one.start_m), np.array(one.end_m)
        length = float(np.hypot(*(end - start)))
        along = (end - start) / length
        forth = (xy - start) @ along
        across = (xy - start) @ np.array([-along[1], along[0]])
        lasting = ndtr(forth / blur_m) - ndtr((forth - length) / blur_m)
        light += one.level * lasting * _profile(across, bar, blur_m)
    return np.minimum(light, clip).astype(np.float32)


def _profile(across_m: NDArray[np.float64], bar: Bar, blur_m: float) -> NDArray[np.float64]:
    """Light across a pass, from a table in steps of a fiftieth of the blur."""
    half = bar.lit_length_m / 2
    at = np.arange(-half - 8 * blur_m, half + 8 * blur_m, blur_m / 50)
    if bar.pitch_m is None:
        table = ndtr((at + half) / blur_m) - ndtr((at - half) / blur_m)
    else:
        tracks = np.linspace(-half, half, bar.led_count)
        table = sum(np.exp(-0.5 * ((at - track) / blur_m) ** 2) for track in tracks)
    return np.interp(across_m, at, table, left=0, right=0)


def swept_by(passes: list[Pass], bar: Bar) -> shapely.Geometry:
    return shapely.union_all([one.strip(bar) for one in passes])
