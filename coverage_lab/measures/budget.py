"""The uncertainty budget of a covered share: every source with its size in points and what else shares it.

After JCGM 100:2008, 5.1: each source is moved by one standard uncertainty and the change of coverage is its
contribution. What moves the plan (camera, bar height) does so by a small displacement of the swept edge, integrated
along that edge instead of repeating the analysis.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.measures.uncertainty import (
    combined,
    displacement_points,
    edge_points,
    rectangular_u,
    swept_boundary,
)
from coverage_lab.measures.values import Contribution
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area

WALL_STEP_M = 0.02
INTO_FLOOR_M = 0.1  # how far from a wall its floor is looked up, beyond the unreachable fringe of most robots


@dataclass(frozen=True, slots=True, eq=False)
class Displacement:
    """Where a point of the plan would lie instead: (x, y) in metres on nodes `step_m` apart.

    Node [0, 0] lies at (`west_m`, `north_m`), rows go south.
    """

    west_m: float
    north_m: float
    step_m: float
    moved_m: NDArray[np.float32]  # (rows, cols, 2)

    def at(self, points_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the displacement at points (N, 2), between nodes linearly."""
        if len(points_m) == 0:
            return np.zeros((0, 2))
        col = ((points_m[:, 0] - self.west_m) / self.step_m).astype(np.float32)
        row = ((self.north_m - points_m[:, 1]) / self.step_m).astype(np.float32)
        side = int(np.ceil(np.sqrt(len(points_m))))  # remap takes at most 32767 points in a row
        spare = side * side - len(points_m)
        square = [np.pad(axis, (0, spare)).reshape(side, side) for axis in (col, row)]
        moved = cv2.remap(self.moved_m, square[0], square[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(moved, dtype=np.float64).reshape(-1, 2)[: len(points_m)]


@dataclass(frozen=True, slots=True, eq=False)
class Sources:
    """What a run's coverage hangs on, each by one standard uncertainty."""

    edge_u_m: float  # how far the whole swept edge may lie outward
    doubtful: ShareArray  # cells that are swept or missed depending on the trail's level
    camera: tuple[Displacement, ...]  # one per independent direction of the camera's parameters
    bar_height: Displacement


def contributions(swept: ShareArray, region: ShareArray, plan: FloorPlan, sources: Sources) -> dict[str, Contribution]:
    """Return each source's contribution, in points, to the covered share of `region`; arrays are (rows, cols)."""
    boundary = swept_boundary(swept, region, plan.grid)
    region_cells = float(region.sum(dtype=np.float64))
    if region_cells == 0:
        return {}
    percent = 100 * float((swept * region).sum(dtype=np.float64)) / region_cells
    per_area = percent / (region_cells * plan.grid.cell_m2)
    doubtful = 100 * float((sources.doubtful * region).sum(dtype=np.float64)) / region_cells
    camera = combined(displacement_points(boundary, move.at(boundary.at_m)) for move in sources.camera)
    bar = abs(displacement_points(boundary, sources.bar_height.at(boundary.at_m)))
    return {
        "edge": Contribution(edge_points(boundary, sources.edge_u_m), "run"),
        "threshold": Contribution(rectangular_u(doubtful), "run"),
        "camera": Contribution(camera, "night"),
        "bar height": Contribution(bar, "robot"),
        "walls": Contribution(per_area * _walls_m2(region, plan), "room"),
        "footprints": Contribution(per_area * _footprints_m2(region, plan), "room"),
    }


def _walls_m2(region: ShareArray, plan: FloorPlan) -> float:
    """Standard uncertainty of the region's area from its walls, each of which may stand elsewhere by itself."""
    corners = shapely.get_coordinates(shapely.orient_polygons(plan.room.floor).exterior)
    u_m = rectangular_u(plan.room.floor_tolerance_m)
    return combined(u_m * _length_along(start, end, region, plan.grid) for start, end in pairwise(corners))


def _footprints_m2(region: ShareArray, plan: FloorPlan) -> float:
    """Standard uncertainty of the region's area from the sizes of the furniture that stands in it."""
    parts = []
    for obstacle in plan.room.obstacles:
        rings = [_outer_ring(part) for part in shapely.get_parts(obstacle.footprint)]
        sides = [side for ring in rings for side in pairwise(ring)]
        length_m = sum(_length_along(start, end, region, plan.grid) for start, end in sides)
        parts.append(rectangular_u(obstacle.tolerance_m) * length_m)
    return combined(parts)


def _outer_ring(part: Area) -> NDArray[np.float64]:
    """Corners of a footprint, clockwise, so that free floor lies to the left as it does of walls."""
    return np.asarray(shapely.get_coordinates(shapely.orient_polygons(part).exterior)[::-1])


def _length_along(start: NDArray[np.float64], end: NDArray[np.float64], region: ShareArray, grid: FloorGrid) -> float:
    """Length of a side, in metres, that has floor of `region` to its left."""
    side = end - start
    length_m = float(np.hypot(*side))
    count = max(int(length_m / WALL_STEP_M), 1)
    left = np.array([-side[1], side[0]]) / max(length_m, 1e-9)
    points = start + (np.arange(count)[:, None] + 0.5) / count * side + INTO_FLOOR_M * left
    cell = np.rint(grid.to_cell(points)).astype(int)
    inside = ((cell >= 0) & (cell < grid.shape)).all(axis=1)
    there = region[cell[inside, 0], cell[inside, 1]] > 0.5
    return length_m * float(np.count_nonzero(there)) / count
