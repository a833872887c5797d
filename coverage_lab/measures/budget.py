"""The uncertainty budget of a covered share: every source with its size in points and what else shares it.

After JCGM 100:2008, 5.1: each source is moved by one standard uncertainty and the change of coverage is its
contribution. What moves the plan (camera, markers, tape, bar height) does so by a small displacement of the swept edge,
integrated along that edge instead of repeating the analysis.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.measures.coverage import total
from coverage_lab.measures.tolerances import outline_contributions
from coverage_lab.measures.uncertainty import (
    SweptBoundary,
    combined,
    displacement_points,
    edge_points,
    rectangular_u,
    swept_boundary,
)
from coverage_lab.measures.values import Contribution, SharedBy
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area

NODE_M = 0.25  # a displacement of the plan changes so slowly that it is straight between nodes

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Nodes:
    """Places over the floor, `NODE_M` apart, at which displacements of the plan are worked out."""

    west_m: float
    south_m: float
    rows: int
    cols: int

    @classmethod
    def over(cls, floor: Area) -> Nodes:
        """Return nodes that reach beyond `floor` on all sides."""
        west, south, east, north = floor.bounds
        rows, cols = (int(np.ceil(length / NODE_M)) + 3 for length in (north - south, east - west))
        return cls(west - NODE_M, south - NODE_M, rows, cols)

    @property
    def points_m(self) -> FloatArray:
        """Where they lie, x and y: (rows · cols, 2)."""
        x_m = self.west_m + NODE_M * np.arange(self.cols)
        y_m = self.south_m + NODE_M * np.arange(self.rows)
        return np.stack(np.meshgrid(x_m, y_m), axis=-1).reshape(-1, 2)

    def gather(self, boundary: SweptBoundary) -> SweptBoundary:
        """Return a boundary of one piece per node on which displacements have the same effect (linear weights)."""
        node, weight = self.around(boundary.at_m)
        outward = [
            np.bincount(node.ravel(), (weight * part[:, None]).ravel(), self.rows * self.cols)
            for part in boundary.outward_m.T
        ]
        return SweptBoundary(self.points_m, np.column_stack(outward), boundary.region_m2)

    def around(self, points_m: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        """Return the four nodes around each point (N, 2), and their weights in linear interpolation: (N, 4) both."""
        place = (points_m - [self.west_m, self.south_m]) / NODE_M
        low = np.clip(np.floor(place), 0, [self.cols - 2, self.rows - 2]).astype(np.intp)
        right, up = (place - low).T
        node = low[:, 1] * self.cols + low[:, 0]
        nodes = np.stack([node, node + 1, node + self.cols, node + self.cols + 1], axis=1)
        weights = np.stack([(1 - right) * (1 - up), right * (1 - up), (1 - right) * up, right * up], axis=1)
        return nodes, weights


@dataclass(frozen=True, slots=True, eq=False)
class Mover:
    """A source that moves the plan: by how much at each node, one standard uncertainty in K independent ways."""

    by_m: FloatArray  # (K, N, 2)
    shared_by: SharedBy
    u_m: float | None = None  # the source's own standard uncertainty, if it is one length


@dataclass(frozen=True, slots=True, eq=False)
class Sources:
    """What a run's coverage hangs on, each by one standard uncertainty."""

    edge_u_m: float  # how far the whole swept edge may lie outward
    transfer_u_m: float  # how far a bent transfer curve may move it
    doubtful: ShareArray  # cells that are swept or missed depending on the trail's level
    nodes: Nodes
    movers: Mapping[str, Mover]
    comb_share: float = 0.0  # of the floor, that may lie in gaps between passes which look like the comb's own
    blind_share: float = 0.0  # of the floor, that may have been swept while the shutter was closed

    @property
    def plan_u_m(self) -> float:
        """Standard uncertainty of a place on the plan along one axis, mean over the floor."""
        return combined(np.sqrt(np.mean(move**2)) for mover in self.movers.values() for move in mover.by_m)


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
    gathered = sources.nodes.gather(boundary)
    doubtful = 100 * total(sources.doubtful * region) / region_cells
    moved = {
        name: Contribution(
            combined(displacement_points(gathered, move) for move in mover.by_m),
            mover.shared_by,
            None if mover.u_m is None else 1000 * mover.u_m,
        )
        for name, mover in sources.movers.items()
    }
    return {
        "edge": Contribution(edge_points(boundary, sources.edge_u_m), "run", 1000 * sources.edge_u_m),
        "transfer": Contribution(edge_points(boundary, sources.transfer_u_m), "night", 1000 * sources.transfer_u_m),
        "threshold": Contribution(rectangular_u(doubtful), "run"),
        "comb": Contribution(rectangular_u(100 * sources.comb_share), "run"),
        "closed shutter": Contribution(rectangular_u(100 * sources.blind_share), "run"),
        **moved,
        **outline_contributions(swept, region, plan, inset_m=inset_m),
    }
