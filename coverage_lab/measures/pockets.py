"""The missed pockets: connected parts of missed floor that a disc of the smallest pocket's size fits into.

Missed floor is visible, reachable and not swept. Its outline is taken between cells where the share is a
half, so that sizes are finer than a cell; opening and largest inscribed circle are plane geometry.
"""

from __future__ import annotations

from math import ceil, sqrt
from typing import Literal

import cv2
import numpy as np
import shapely
from contourpy import contour_generator
from numpy.typing import NDArray
from shapely import LineString, MultiLineString, Point, Polygon

from coverage_lab.measures.budget import Sources
from coverage_lab.measures.edges import walls
from coverage_lab.measures.pocket_doubt import pocket_doubt
from coverage_lab.measures.uncertainty import quantity
from coverage_lab.measures.values import Pocket
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area

_BLOCK = 8  # cells
_OUTLINE_M, _CIRCLE_M = 0.0001, 0.0002  # to which outlines are simplified and circles found

Place = Literal["corner", "along a wall", "at an obstacle", "open floor"]


def find_pockets(
    swept: ShareArray, plan: FloorPlan, *, smallest_m: float, body_diameter_m: float, sources: Sources
) -> tuple[Pocket, ...]:
    """Return the pockets in which a circle of diameter `smallest_m` fits, the largest circle first.

    `swept` (rows, cols) is the swept share of cells; `sources` says what its edge hangs on.
    """
    missed = np.minimum(plan.visible_share, plan.reachable_share) * (1 - swept)
    found = [
        (shapely.maximum_inscribed_circle(part, tolerance=_CIRCLE_M), part)
        for outline in _outlines(missed, plan.grid, smallest_m)
        for part in _opened(outline, smallest_m / 2)
    ]
    found.sort(key=lambda one: (-one[0].length, *one[0].coords[0]))
    surroundings = _Surroundings(plan, body_diameter_m / 2)
    area_u_m2, diameter_u_m = pocket_doubt(found, plan, sources, smallest_m=smallest_m)
    return tuple(
        _pocket(number, circle, part, surroundings, (float(area_u_m2[number - 1]), float(diameter_u_m[number - 1])))
        for number, (circle, part) in enumerate(found, start=1)
    )


def _pocket(
    number: int, circle: LineString, part: Polygon, surroundings: _Surroundings, u: tuple[float, float]
) -> Pocket:
    """Describe one pocket; `circle` is a radius of its largest inscribed circle, from the centre outward.

    `u` are the standard uncertainties of its area in m² and of the circle's diameter in m.
    """
    pole = circle.coords[0]
    place, near = surroundings.place(Point(pole), circle.length)
    corners = shapely.get_coordinates(part.exterior)
    return Pocket(
        id=number,
        area_cm2=quantity(1e4 * part.area, 1e4 * u[0], low=0.0),
        diameter_mm=quantity(2000 * circle.length, 1000 * u[1], low=0.0),
        pole_m=(float(pole[0]), float(pole[1])),
        centroid_m=(float(part.centroid.x), float(part.centroid.y)),
        place=place,
        near=near,
        touches_hidden=surroundings.touches_hidden(part),
        outline_m=tuple(zip(*corners.T.tolist(), strict=True)),
    )


class _Surroundings:
    """What a pocket can lie at: walls, things that stand on the floor, hidden floor."""

    def __init__(self, plan: FloorPlan, body_radius_m: float) -> None:
        self._walls = shapely.linestrings(np.array(walls(plan.room.floor)))
        self._solids = {solid.name: solid.footprint for solid in plan.room.standing}
        self._hidden = plan.hidden
        self._touching_m = 1.5 * plan.grid.cell_m
        self._body_radius_m = body_radius_m

    def place(self, pole: Point, radius_m: float) -> tuple[Place, str | None]:
        """Say at what the largest circle of a pocket lies: where less than a body radius is left beside it.

        The robot has to drive along that thing to clean it. A corner is where two neighbouring walls are so
        near and nothing else is nearer.
        """
        gap_m = {name: solid.distance(pole) - radius_m for name, solid in self._solids.items()}
        wall_m = shapely.distance(self._walls, pole) - radius_m
        nearest_wall = int(np.argmin(wall_m))
        nearest_solid = min(gap_m, key=lambda name: gap_m[name], default=None)
        if nearest_solid is not None and gap_m[nearest_solid] < wall_m[nearest_wall]:
            if gap_m[nearest_solid] <= self._body_radius_m:
                return "at an obstacle", nearest_solid
        elif wall_m[nearest_wall] <= self._body_radius_m:
            beside = wall_m[[nearest_wall - 1, (nearest_wall + 1) % len(wall_m)]]
            place: Place = "corner" if beside.min() <= self._body_radius_m else "along a wall"
            return place, f"wall {nearest_wall + 1}"
        return "open floor", None

    def touches_hidden(self, part: Polygon) -> bool:
        """Say whether a pocket may go on where the camera cannot see."""
        return bool(shapely.dwithin(self._hidden, part, self._touching_m))


def _outlines(missed: ShareArray, grid: FloorGrid, smallest_m: float) -> list[Area]:
    """Return outlines, in metres, that hold all discs of diameter `smallest_m` inside missed floor.

    Where such a disc lies, a square inside it is missed floor too. Around the centres of such squares, found
    in blocks of cells, floor further than a disc's radius away can be left out: opening never needs it.
    """
    radius_cells = smallest_m / 2 / grid.cell_m
    mask = np.greater_equal(missed, 0.5).view(np.uint8)
    side = max(2 * int(radius_cells / sqrt(2) - 0.5) + 1, 1)
    centres = cv2.erode(mask, np.ones((side, side), np.uint8), borderValue=0)
    around = 2 * ceil(radius_cells / _BLOCK + 1) + 1
    blocks = cv2.dilate(_most_in_blocks(np.asarray(centres, np.uint8)), np.ones((around, around), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(blocks, connectivity=8)
    outlines = []
    for label, (col, row, width, height, _) in enumerate(stats[1:], start=1):
        own = (labels[row : row + height, col : col + width] == label).astype(np.float32)
        top, left = row * _BLOCK, col * _BLOCK
        share = missed[top : top + height * _BLOCK, left : left + width * _BLOCK]
        own = own.repeat(_BLOCK, axis=0).repeat(_BLOCK, axis=1)[: share.shape[0], : share.shape[1]]
        rings = contour_generator(z=np.pad(share * own, 1), name="serial").lines(0.5)
        first = np.array([top - 1, left - 1])
        lines = MultiLineString([grid.to_floor(np.asarray(ring)[:, ::-1] + first) for ring in rings])
        outlines.append(shapely.build_area(lines))
    return outlines


def _most_in_blocks(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return for each block of cells the largest value that `mask` has in it."""
    rows, cols = (-(-size // _BLOCK) for size in mask.shape)
    whole = np.zeros((rows * _BLOCK, cols * _BLOCK), np.uint8)
    whole[: mask.shape[0], : mask.shape[1]] = mask
    strips = whole.reshape(rows, _BLOCK, -1).max(axis=1)
    return np.asarray(strips.reshape(rows, cols, _BLOCK).max(axis=2))


def _opened(outline: Area, radius_m: float) -> list[Polygon]:
    """Return the parts of `outline` that a disc of `radius_m` can lie in."""
    smooth = outline.simplify(_OUTLINE_M, preserve_topology=False)
    parts = shapely.get_parts(smooth.buffer(-radius_m).buffer(radius_m))
    return [part for part in parts if not part.is_empty]
