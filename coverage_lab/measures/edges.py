"""How near the walls and the furniture were swept: inward distance to the first swept floor.

From points every `step_m` along an outline a ray goes straight into the floor, to where the swept share first
reaches a half (interpolated between cells), at most one body diameter far.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import combined, quantity, rectangular_u
from coverage_lab.measures.values import Edge
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan

MOST_ROWS = 30_000  # OpenCV 5.0 remaps no picture of 32767 rows or more

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """Where to measure from, (N, 2), and which way, unit vectors (N, 2)."""

    start_m: FloatArray
    into: FloatArray


def measure_edges(
    swept: ShareArray, plan: FloorPlan, *, body_diameter_m: float, step_m: float, edge_u_m: float
) -> tuple[Edge, ...]:
    """Measure along each wall, counter-clockwise from the floor's first vertex, then around each obstacle.

    `swept` (rows, cols) is the swept share of cells; `edge_u_m` the standard uncertainty of where a swept
    edge lies, to which the tolerance of wall or footprint is added. Left out: along walls what is within a
    body radius of a corner or of anything that stands on the floor; around an obstacle what is within a body
    radius of a wall or of another thing; and rays that meet hidden floor before swept floor.
    """
    radius_m = body_diameter_m / 2
    solids = {solid.name: solid.footprint for solid in plan.room.standing}
    field = _Field(swept, plan.hidden_share, plan.grid, body_diameter_m)
    edges = []
    wall_u_m = combined([edge_u_m, rectangular_u(plan.room.floor_tolerance_m)])
    for number, (start, end) in enumerate(walls(plan.room.floor), start=1):
        rays = along_wall(start, end, radius_m, step_m)
        allowed = _clear_of(rays.start_m, list(solids.values()), radius_m)
        distance_m = field.first_swept(rays)
        bearing = float(np.degrees(np.arctan2(end[1] - start[1], start[0] - end[0])) % 360)
        edges.append(_summary(f"wall {number}", bearing, distance_m, allowed, wall_u_m))
    for obstacle in plan.room.obstacles:
        rays = around(obstacle.footprint, step_m)
        others = [shape for name, shape in solids.items() if name != obstacle.name]
        allowed = _clear_of(rays.start_m, [*others, plan.room.floor.boundary], radius_m)
        u_m = combined([edge_u_m, rectangular_u(obstacle.tolerance_m)])
        edges.append(_summary(obstacle.name, None, field.first_swept(rays), allowed, u_m))
    return tuple(edges)


def walls(floor: shapely.Polygon) -> list[tuple[FloatArray, FloatArray]]:
    """Return start and end of each wall, counter-clockwise from the floor's first vertex."""
    corners = shapely.get_coordinates(shapely.orient_polygons(floor).exterior)
    return list(pairwise(corners))


@dataclass(frozen=True, slots=True, eq=False)
class _Field:
    """Swept and hidden floor, and how far to look."""

    swept: ShareArray
    hidden: ShareArray
    grid: FloorGrid
    longest_m: float

    def first_swept(self, rays: Rays) -> FloatArray:
        """Return the distance (N,) to the first swept floor; NaN where hidden floor comes before it."""
        if not len(rays.start_m):  # a wall shorter than its two margins
            return np.empty(0)
        along_m = np.append(np.arange(0, self.longest_m, self.grid.cell_m), self.longest_m)
        points_m = rays.start_m[:, None] + along_m[:, None] * rays.into[:, None]
        swept = share_at(self.swept, points_m, self.grid)
        first = np.argmax(swept >= 0.5, axis=1)
        every = np.arange(len(first))
        before = np.maximum(first - 1, 0)
        low, high = swept[every, before], swept[every, first]
        part = np.divide(0.5 - low, high - low, out=np.ones_like(low), where=high > low)
        distance_m = along_m[before] + np.clip(part, 0, 1) * (along_m[first] - along_m[before])
        distance_m[~(swept >= 0.5).any(axis=1)] = self.longest_m
        unseen = (share_at(self.hidden, points_m, self.grid) >= 0.5) & (along_m < distance_m[:, None])
        distance_m[unseen.any(axis=1)] = np.nan
        return np.asarray(distance_m)


def share_at(share: ShareArray, points_m: FloatArray, grid: FloorGrid) -> FloatArray:
    """Return `share` (rows, cols) at floor points (N, K, 2), interpolated between cells, 0 outside the grid."""
    if len(points_m) > MOST_ROWS:
        parts = np.array_split(points_m, -(-len(points_m) // MOST_ROWS))
        return np.concatenate([share_at(share, part, grid) for part in parts])
    cell = grid.to_cell(points_m).astype(np.float32)
    found = cv2.remap(share, cell[..., 1], cell[..., 0], cv2.INTER_LINEAR, borderValue=0)
    return np.asarray(found, dtype=np.float64)


def along_wall(start: FloatArray, end: FloatArray, margin_m: float, step_m: float) -> Rays:
    """Return rays every `step_m` into the floor, which lies to the left, all but `margin_m` at both ends."""
    length_m = float(np.hypot(*(end - start)))
    along = (end - start) / length_m
    at_m = np.arange(margin_m, length_m - margin_m, step_m)
    into = np.array([-along[1], along[0]])
    return Rays(start + at_m[:, None] * along, np.broadcast_to(into, (len(at_m), 2)))


def around(footprint: shapely.Polygon | shapely.MultiPolygon, step_m: float) -> Rays:
    """Return rays every `step_m` along the outer rings of a footprint, away from it."""
    starts, ways = [np.empty((0, 2))], [np.empty((0, 2))]
    for part in shapely.get_parts(shapely.orient_polygons(footprint)):
        corners = shapely.get_coordinates(part.exterior)
        side = np.diff(corners, axis=0)
        length_m = np.hypot(side[:, 0], side[:, 1])
        end_m = np.cumsum(length_m)
        at_m = np.arange(step_m / 2, end_m[-1], step_m)
        number = np.searchsorted(end_m, at_m, side="right").clip(max=len(side) - 1)
        along = side[number] / length_m[number, None]
        starts.append(corners[number + 1] - (end_m[number] - at_m)[:, None] * along)
        ways.append(np.column_stack([along[:, 1], -along[:, 0]]))
    return Rays(np.concatenate(starts), np.concatenate(ways))


def _clear_of(points_m: FloatArray, things: list[shapely.Geometry], margin_m: float) -> NDArray[np.bool_]:
    """Mark the points (N, 2) that are further than `margin_m` from all things."""
    clear = np.ones(len(points_m), bool)
    for thing in things:
        shapely.prepare(thing)
        clear &= ~shapely.dwithin(thing, shapely.points(points_m), margin_m)
    return clear


def _summary(
    along: str, bearing_deg: float | None, distance_m: FloatArray, allowed: NDArray[np.bool_], u_m: float
) -> Edge:
    """Summarise the distances (N,) that are allowed and known."""
    known = allowed & ~np.isnan(distance_m)
    if not known.any():
        return Edge(along, bearing_deg, None, None, 0.0)
    mean: Quantity = quantity(1000 * float(distance_m[known].mean()), 1000 * u_m, low=0.0)
    p95_mm = 1000 * float(np.percentile(distance_m[known], 95))
    return Edge(along, bearing_deg, mean, p95_mm, float(known.mean()))
