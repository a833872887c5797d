"""From contributions to a standard uncertainty and an interval, and how a moved edge changes coverage.

After JCGM 100:2008 (GUM): a tolerance is the half-width of a rectangular distribution (4.3.7), independent
contributions add in squares (5.1.2), the interval is the estimate ± a coverage factor times u (6.2, G.3).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isinf, sqrt

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from coverage_lab.job import Quantity
from coverage_lab.measures.values import Contribution
from coverage_lab.room.grid import FloorGrid, ShareArray

FloatArray = NDArray[np.float64]


def coverage_factor_95(dof: float | None = None) -> float:
    """Return by how many standard uncertainties a 95 % interval reaches to each side.

    Student's factor for `dof` degrees of freedom; the normal one where they are unlimited (None).
    """
    return float(ndtri(0.975) if dof is None or isinf(dof) else stdtrit(dof, 0.975))


def quantity(
    value: float, u: float, *, dof: float | None = None, low: float | None = None, high: float | None = None
) -> Quantity:
    """Return the measurand with its 95 % interval, cut to what is possible: `low` to `high`."""
    reach = coverage_factor_95(dof) * u
    bottom, top = value - reach, value + reach
    return Quantity(
        float(value),
        float(u),
        (
            float(bottom if low is None else max(bottom, low)),
            float(top if high is None else min(top, high)),
        ),
    )


def rectangular_u(half_width: float) -> float:
    """Return the standard uncertainty of a value that lies anywhere within ± `half_width`."""
    return half_width / sqrt(3)


def combined(points: Iterable[float]) -> float:
    """Return the standard uncertainty that independent contributions make together."""
    return sqrt(sum(value**2 for value in points))


def combined_points(contributions: Mapping[str, Contribution]) -> float:
    """Return the standard uncertainty in points of all named contributions together."""
    return combined(one.points for one in contributions.values())


def effective_dof(variances: ArrayLike, dof: ArrayLike) -> float:
    """Return the degrees of freedom of a sum of `variances`, each with its own `dof` (infinite where it is known).

    Welch and Satterthwaite, JCGM 100:2008, G.4.1. A variance that is taken off counts below zero.
    """
    parts, each = np.asarray(variances, dtype=np.float64), np.asarray(dof, dtype=np.float64)
    spread = float(np.sum(parts**2 / each))
    return float(parts.sum() ** 2 / spread) if spread > 0 else float("inf")


@dataclass(frozen=True, slots=True, eq=False)
class SweptBoundary:
    """The edge of swept floor inside a region, in small pieces.

    `outward_m` is each piece's unit normal, pointing out of swept floor, times its length: the swept area
    grows by the sum of outward · displacement.
    """

    at_m: FloatArray  # (N, 2): where the pieces lie, x and y
    outward_m: FloatArray  # (N, 2)
    region_m2: float

    @property
    def length_m(self) -> float:
        """Length of the boundary."""
        return float(np.hypot(self.outward_m[:, 0], self.outward_m[:, 1]).sum())


def swept_boundary(swept: ShareArray, region: ShareArray, grid: FloorGrid) -> SweptBoundary:
    """Find the edge of swept floor inside `region`; both are shares of cells, shape (rows, cols).

    The slope of the share, summed across an edge, is one step, however soft the edge is drawn. Sobel's operator
    takes it: plain differences make slanting edges 2 % too long. Cells beside the region's own edge are left
    out: what lies beyond it is not known.
    """
    square = np.ones((3, 3), np.uint8)
    coarse = cv2.convertScaleAbs(swept, alpha=255)  # the edge's cells are found on bytes, several times faster
    changing = cv2.compare(cv2.dilate(coarse, square), cv2.erode(coarse, square), cv2.CMP_NE)
    inside = cv2.erode((region > 0).view(np.uint8), square)
    found = cv2.findNonZero(cv2.bitwise_and(changing, inside))
    col, row = np.zeros((2, 0), np.intp) if found is None else found.reshape(-1, 2).T.astype(np.intp)

    def beside(down: int, right: int) -> FloatArray:
        at = (row + down).clip(0, grid.rows - 1), (col + right).clip(0, grid.cols - 1)
        return np.asarray(swept[at], np.float64)

    weights = ((-1, 1), (0, 2), (1, 1))  # Sobel's
    east = sum(weight * (beside(side, 1) - beside(side, -1)) for side, weight in weights)
    south = sum(weight * (beside(1, side) - beside(-1, side)) for side, weight in weights)
    share = np.min(
        [
            region[(row + down).clip(0, grid.rows - 1), (col + right).clip(0, grid.cols - 1)]
            for down in (-1, 0, 1)
            for right in (-1, 0, 1)
        ],
        axis=0,
    )
    outward = np.column_stack([-east, south]) / 8 * (grid.cell_m * share[:, None])
    area_m2 = cv2.sumElems(region)[0] * grid.cell_m2
    return SweptBoundary(grid.to_floor(np.column_stack([row, col])), outward, area_m2)


def displacement_points(boundary: SweptBoundary, displacement_m: ArrayLike) -> float:
    """Return by how many points coverage rises when the edge moves by (x, y), shape (N, 2) or (2,)."""
    moved = np.broadcast_to(np.asarray(displacement_m, dtype=np.float64), boundary.outward_m.shape)
    return 100 * float((boundary.outward_m * moved).sum()) / boundary.region_m2


def edge_points(boundary: SweptBoundary, outward_m: float) -> float:
    """Return by how many points coverage rises when the whole edge moves outward by `outward_m`."""
    return 100 * boundary.length_m * outward_m / boundary.region_m2
