"""Both sides of one pass: pairs of outline points that face each other about a bar's length apart.

The bar is the ruler that lies in every picture: between the outermost tracks of a straight pass it is as long as the
register says.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from coverage_lab.trails.outline import Outline

NARROWER, WIDER = 2.0, 16.0  # cells: by how much less or more than the bar's length the rough outline is wide
SHORTER = 0.05  # relative: by how much the bar may be shorter than the register says
FACING = -0.985  # cosine between the normals of both sides: straight to 10 degrees
AHEAD = 3.0  # cells: how far along the pass the two points may be apart


def opposite_points(outline: Outline, lit_cells: float) -> NDArray[np.intp]:
    """Return pairs (P, 2) of points of `outline` on the two sides of a straight pass with a bar `lit_cells` long.

    Where lanes overlap, the strip is wider than the bar and gives no pair. Empty where there is none.
    """
    if len(outline.points) == 0:
        return np.zeros((0, 2), np.intp)
    least, most = lit_cells * (1 - SHORTER) - NARROWER, lit_cells + WIDER
    middle, slack = (least + most) / 2, (most - least) / 2
    there = outline.points + middle * outline.normals
    _, other = cKDTree(outline.points).query(there, distance_upper_bound=slack + AHEAD)
    here = np.nonzero(other < len(outline.points))[0]
    other = other[here]
    across = outline.points[other] - outline.points[here]
    normal = outline.normals[here]
    width = (across * normal).sum(axis=1)
    along = np.abs(across[:, 0] * normal[:, 1] - across[:, 1] * normal[:, 0])
    facing = (normal * outline.normals[other]).sum(axis=1) < FACING
    keep = facing & (along < AHEAD) & (np.abs(width - middle) < slack) & (here < other)
    return np.column_stack([here[keep], other[keep]])
