"""How uncertain a pocket's area and diameter are: what moves each piece of its outline.

A piece of outline is the edge of swept floor, which moves with all that moves the plan, or the rim of the floor that
the robot can reach, which moves with the wall or the footprint beside it. Area changes by the piece's length times its
shift; the largest circle by twice the mean shift of the places it touches, each with the weight that balances it there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import nnls
from shapely import LineString, Polygon

from coverage_lab.measures.budget import Sources
from coverage_lab.measures.edges import walls
from coverage_lab.measures.uncertainty import SweptBoundary, combined, rectangular_u
from coverage_lab.room.plan import FloorPlan

FloatArray = NDArray[np.float64]

PIECE_M = 0.02  # length of the pieces of an outline
TOUCHING_M = 0.0007  # how far off the largest circle a place still counts as touched
BALANCED = 100.0  # how much more the weights' sum counts than that they balance


@dataclass(frozen=True, slots=True, eq=False)
class PocketDoubt:
    """What a pocket's outline hangs on: the plan's own sources, and the walls and obstacles."""

    sources: Sources
    edge_u_m: float  # standard uncertainty of where the swept edge lies
    rim: shapely.Geometry  # of the reachable floor
    hidden: shapely.Geometry
    solids: NDArray[np.object_]  # (S,): walls as lines, then footprints
    solid_u_m: FloatArray  # (S,): standard uncertainty of where each stands
    near_m: float  # an outline on cells is no nearer to the true rim

    @classmethod
    def on(cls, plan: FloorPlan, sources: Sources) -> PocketDoubt:
        """Return the doubt of pockets on `plan`."""
        lines = [shapely.linestrings(np.array(wall)) for wall in walls(plan.room.floor)]
        things = plan.room.obstacles
        tolerances = [plan.room.floor_tolerance_m] * len(lines) + [thing.tolerance_m for thing in things]
        rim, hidden = plan.reachable.boundary, plan.hidden
        shapely.prepare([rim, hidden])
        return cls(
            sources,
            combined([sources.edge_u_m, sources.transfer_u_m]),
            rim,
            hidden,
            np.array([*lines, *(thing.footprint for thing in things)], dtype=object),
            np.array([rectangular_u(tolerance) for tolerance in tolerances]),
            1.5 * plan.grid.cell_m,
        )

    def area_u_m2(self, part: Polygon) -> float:
        """Return the standard uncertainty of a pocket's area."""
        ring = shapely.get_coordinates(shapely.segmentize(shapely.orient_polygons(part).exterior, PIECE_M))
        step = np.diff(ring, axis=0)
        return self._u_m((ring[:-1] + ring[1:]) / 2, np.column_stack([step[:, 1], -step[:, 0]]))

    def diameter_u_m(self, part: Polygon, circle: LineString) -> float:
        """Return the standard uncertainty of the diameter of a pocket's largest circle, given as one of its radii."""
        pole = np.asarray(circle.coords[0])
        ring = shapely.get_coordinates(part.exterior)
        start, step = ring[:-1], np.diff(ring, axis=0)
        along = ((pole - start) * step).sum(axis=1) / np.maximum((step**2).sum(axis=1), 1e-12)
        nearest = start + along.clip(0, 1)[:, None] * step
        away_m = np.linalg.norm(nearest - pole, axis=1)
        touched = nearest[away_m < circle.length + TOUCHING_M]
        outward = (touched - pole) / np.linalg.norm(touched - pole, axis=1, keepdims=True)
        weights, _ = nnls(np.vstack([outward.T, np.full(len(touched), BALANCED)]), np.array([0, 0, BALANCED]))
        return self._u_m(touched, 2 * weights[:, None] * outward)

    def _u_m(self, at_m: FloatArray, outward: FloatArray) -> float:
        """Combine the effects of all sources on pieces at `at_m` (N, 2) that count by `outward` (N, 2)."""
        points = shapely.points(at_m)
        by_rim = shapely.distance(points, self.rim) < self.near_m
        by_edge = ~by_rim & ~shapely.dwithin(points, self.hidden, self.near_m)
        size = np.linalg.norm(outward, axis=1)
        beside = shapely.distance(points[by_rim, None], self.solids).argmin(axis=1)
        by_solid = np.bincount(beside, size[by_rim], len(self.solids)) * self.solid_u_m
        gathered = self.sources.nodes.gather(SweptBoundary(at_m[by_edge], outward[by_edge], 1.0)).outward_m
        moved = [float((gathered * by_m).sum()) for mover in self.sources.movers.values() for by_m in mover.by_m]
        return combined([size[by_edge].sum() * self.edge_u_m, *by_solid, *moved])
