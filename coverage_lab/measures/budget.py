"""The uncertainty budget of a covered share: every source with its size in points and what else shares it.

After JCGM 100:2008, 5.1: each source is moved by one standard uncertainty and the change of coverage is its
contribution. What moves the plan (camera, bar height) does so by a small displacement of the swept edge, integrated
along that edge instead of repeating the analysis.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.measures.coverage import total
from coverage_lab.measures.tolerances import outline_contributions
from coverage_lab.measures.uncertainty import (
    combined,
    displacement_points,
    edge_points,
    rectangular_u,
    swept_boundary,
)
from coverage_lab.measures.values import Contribution
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan


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


def contributions(
    swept: ShareArray, region: ShareArray, plan: FloorPlan, sources: Sources, *, inset_m: float
) -> dict[str, Contribution]:
    """Return each source's contribution, in points, to the covered share of `region`; arrays are (rows, cols).

    `inset_m` is how far off the walls the region begins, see `outline_contributions`.
    """
    region_cells = total(region)
    if region_cells == 0:
        return {}
    boundary = swept_boundary(swept, region, plan.grid)
    camera = combined(displacement_points(boundary, move.at(boundary.at_m)) for move in sources.camera)
    bar = abs(displacement_points(boundary, sources.bar_height.at(boundary.at_m)))
    doubtful = 100 * total(sources.doubtful * region) / region_cells
    return {
        "edge": Contribution(edge_points(boundary, sources.edge_u_m), "run"),
        "threshold": Contribution(rectangular_u(doubtful), "run"),
        "camera": Contribution(camera, "night"),
        "bar height": Contribution(bar, "robot"),
        **outline_contributions(swept, region, plan, inset_m=inset_m),
    }
