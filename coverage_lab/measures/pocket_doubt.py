"""How uncertain a pocket's area and diameter are: what moves each piece of its outline.

A piece of outline is the edge of swept floor, which moves with all that moves the plan, or the rim of the floor that
the robot can reach, which moves with the wall or the footprint beside it. Area changes by the piece's length times its
shift; the largest circle by twice the mean shift of the places it touches, each with the weight that balances it there.
Where a pocket tapers it ends where the smallest pocket's disc no longer fits, and that end moves much further than the
outline does: area changes by more, and by how much is seen by making the pocket a little narrower.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import nnls
from shapely import LineString, Polygon

from coverage_lab.measures.budget import Sources
from coverage_lab.measures.edges import walls
from coverage_lab.measures.uncertainty import combined, rectangular_u
from coverage_lab.room.plan import FloorPlan

FloatArray = NDArray[np.float64]

PIECE_M = 0.02  # length of the pieces of an outline
TOUCHING_M = 0.0007  # how far off the largest circle a place still counts as touched
NARROWER_M = 0.001  # by which a pocket's outline is moved in to see what its ends do: about what edges are unsure by
BALANCED = 100.0  # how much more the weights' sum counts than that they balance


@dataclass(frozen=True, slots=True, eq=False)
class _Pieces:
    """Pieces of outline: where they lie, how much their moving outward counts (and for which of K numbers)."""

    at_m: FloatArray  # (N, 2)
    outward: FloatArray  # (N, 2)
    owner: NDArray[np.intp]  # (N,), rising


def pocket_doubt(
    pockets: Sequence[tuple[LineString, Polygon]], plan: FloorPlan, sources: Sources, *, smallest_m: float
) -> tuple[FloatArray, FloatArray]:
    """Return the standard uncertainties of all pockets' areas (m²) and of their largest circles' diameters (m).

    A pocket is a radius of its largest circle, from the centre outward, and its outline, opened by a disc of diameter
    `smallest_m`.
    """
    if not pockets:
        return np.zeros(0), np.zeros(0)
    pieces = [_of_area(part) for _, part in pockets] + [_of_diameter(part, circle) for circle, part in pockets]
    together = _Pieces(
        np.concatenate([at_m for at_m, _ in pieces]),
        np.concatenate([outward for _, outward in pieces]),
        np.repeat(np.arange(len(pieces)), [len(at_m) for at_m, _ in pieces]),
    )
    u = _combined(together, len(pieces), plan, sources)
    return u[: len(pockets)] * _with_ends([part for _, part in pockets], smallest_m / 2), u[len(pockets) :]


def _with_ends(parts: Sequence[Polygon], radius_m: float) -> FloatArray:
    """How many times more each pocket's area changes (P,) than by its outline's length times a shift of all of it.

    A pocket has been opened by a disc of `radius_m`. Moved in and opened again it also loses the ends, or the whole of
    it, that the disc then fits into no more.
    """
    narrowed = shapely.buffer(shapely.buffer(parts, -radius_m - NARROWER_M), radius_m)
    lost_m2 = shapely.area(parts) - shapely.area(narrowed)
    return np.asarray(np.maximum(lost_m2 / (NARROWER_M * shapely.length(parts)), 1.0))


def _of_area(part: Polygon) -> tuple[FloatArray, FloatArray]:
    """Pieces of a pocket's outline, islands in it included, each counting by its length, outward."""
    start, step = _sides(shapely.segmentize(shapely.orient_polygons(part), PIECE_M))
    return start + step / 2, np.column_stack([step[:, 1], -step[:, 0]])


def _of_diameter(part: Polygon, circle: LineString) -> tuple[FloatArray, FloatArray]:
    """The places that a pocket's largest circle touches, each counting by twice the weight that balances it."""
    pole = np.asarray(circle.coords[0])
    start, step = _sides(part)
    along = ((pole - start) * step).sum(axis=1) / np.maximum((step**2).sum(axis=1), 1e-12)
    nearest = start + along.clip(0, 1)[:, None] * step
    away_m = np.linalg.norm(nearest - pole, axis=1)
    touched = nearest[away_m < circle.length + TOUCHING_M]
    outward = (touched - pole) / np.linalg.norm(touched - pole, axis=1, keepdims=True)
    weights, _ = nnls(np.vstack([outward.T, np.full(len(touched), BALANCED)]), np.array([0, 0, BALANCED]))
    return touched, 2 * weights[:, None] * outward


def _sides(part: Polygon) -> tuple[FloatArray, FloatArray]:
    """Where each side of a polygon's rings begins, and where to it leads from there, both (N, 2)."""
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(part)]
    return np.concatenate([ring[:-1] for ring in rings]), np.concatenate([np.diff(ring, axis=0) for ring in rings])


def _combined(pieces: _Pieces, count: int, plan: FloorPlan, sources: Sources) -> FloatArray:
    """Combine the effects of all sources on `count` numbers made of pieces."""
    # By cells, since an outline on cells is no nearer to the true rim than a cell and a half.
    row, col = np.rint(plan.grid.to_cell(pieces.at_m)).astype(np.intp).T.clip(0, np.array(plan.grid.shape)[:, None] - 1)
    by_rim = _beside(plan.reachable_share < 0.999)[row, col]
    by_edge = ~by_rim & ~_beside(plan.hidden_share > 0.001)[row, col]
    size = np.linalg.norm(pieces.outward, axis=1)

    solids, solid_u_m = _solids(plan)
    beside = shapely.distance(shapely.points(pieces.at_m[by_rim])[:, None], solids).argmin(axis=1)
    lengths = np.bincount(pieces.owner[by_rim] * len(solids) + beside, size[by_rim], count * len(solids))
    by_solid = lengths.reshape(count, -1) * solid_u_m

    edge_u_m = combined([sources.edge_u_m, sources.transfer_u_m])
    by_shift = np.bincount(pieces.owner[by_edge], size[by_edge], count) * edge_u_m

    node, weight = sources.nodes.around(pieces.at_m[by_edge])
    squares = by_shift**2 + (by_solid**2).sum(axis=1)
    for by_m in (by_m for mover in sources.movers.values() for by_m in mover.by_m):
        moved_m = (by_m[node] * weight[..., None]).sum(axis=1)
        effect = (moved_m * pieces.outward[by_edge]).sum(axis=1)
        squares += np.bincount(pieces.owner[by_edge], effect, count) ** 2
    return np.asarray(np.sqrt(squares))


def _beside(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The cells and their neighbours, (rows, cols)."""
    return np.asarray(cv2.dilate(cells.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)


def _solids(plan: FloorPlan) -> tuple[NDArray[np.object_], FloatArray]:
    """Walls as lines, then footprints (S,), and the standard uncertainty of where each stands."""
    lines = [shapely.linestrings(np.array(wall)) for wall in walls(plan.room.floor)]
    things = plan.room.obstacles
    tolerances = [plan.room.floor_tolerance_m] * len(lines) + [thing.tolerance_m for thing in things]
    shapes = np.array([*lines, *(thing.footprint for thing in things)], dtype=object)
    return shapes, np.array([rectangular_u(tolerance) for tolerance in tolerances])
