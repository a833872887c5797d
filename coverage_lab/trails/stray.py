"""Trail where no floor is: over footprints and beyond the walls. It tells that room file or camera are wrong.

Light there is nothing unusual: furniture and walls glow, often as bright as a single pass. What glows is smooth and
below the clip; a trail is a comb, or clipped, or (where there is no comb to see) as bright as trail is on average.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.trails.likeness import filled, patch_cells, trail_like

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

CORE_M = 0.025  # so far inside a footprint nothing but a wrong room file brings a trail
BEYOND_M = 0.015  # beyond a wall: its tolerance, the trail's blur and what the camera may be off
STRIP_M = 0.06  # so far beyond a wall light is looked at, or to the margin of the plan
BEFORE_M = 0.012  # floor before a wall or around a footprint that the body's edge keeps every nozzle off
ACROSS_M = 0.075  # from that floor, trail counts so far behind the line: what glows brightly has dark floor before it


@dataclass(frozen=True, slots=True)
class Stray:
    """Trail on one thing that carries none."""

    kind: Literal["obstacle", "wall"]
    name: str
    area_m2: float


def find_strays(light: Plane, plan: FloorPlan, bar: Bar, clip: float, trail: float) -> tuple[Stray, ...]:
    """Return where trail lies over obstacles' footprints or beyond walls, the largest first.

    light : (rows, cols) in plan view; `clip` as in `sweep`; `trail` (0-255) is the trail's mean brightness. Decoys
    are left out, since a robot may well drive over one.
    """
    strays = []
    cell_m = plan.grid.cell_m
    patch, across = patch_cells(bar, cell_m), 2 * round(ACROSS_M / cell_m) + 1
    for place in _places(plan):
        like = trail_like(light[place.box], bar, cell_m, clip, trail)
        before = filled(like, place.before, patch)
        crossed = cv2.dilate(before.astype(np.uint8), np.ones((across, across), np.uint8)) > 0
        behind = filled(like, place.behind, patch) & crossed
        strays.append(Stray(place.kind, place.name, float(np.count_nonzero(behind)) * plan.grid.cell_m2))
    return tuple(sorted((s for s in strays if s.area_m2 > 0), key=lambda stray: -stray.area_m2))


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """Both sides of a line that no trail can cross, as cells of the part `box` of the plan."""

    kind: Literal["obstacle", "wall"]
    name: str
    box: tuple[slice, slice]
    before: Mask  # visible floor along the line
    behind: Mask


@lru_cache(maxsize=1)
def _places(plan: FloorPlan) -> tuple[_Place, ...]:
    """Every line's two sides as cells; kept for the next run of the same robot."""
    places = []
    for kind, name, before, behind in _lines(plan):
        box, grid = _window(shapely.union(behind, before), plan.grid)
        if grid.rows and grid.cols:
            seen = (grid.weights(before) > 0.5) & (plan.visible_share[box] > 0.5)
            places.append(_Place(kind, name, box, seen, grid.weights(behind) > 0.5))
    return tuple(places)


def _lines(plan: FloorPlan) -> Iterator[tuple[Literal["obstacle", "wall"], str, Area, Area]]:
    """Every footprint with the floor around it, and a strip on both sides of every wall: kind, name, before, behind."""
    floor = plan.room.floor
    for thing in plan.room.obstacles:
        around = thing.footprint.buffer(BEFORE_M).difference(thing.footprint).intersection(floor)
        yield "obstacle", thing.name, around, thing.footprint.buffer(-CORE_M)
    near = floor.buffer(BEYOND_M, join_style="mitre")
    ring = shapely.get_coordinates(shapely.orient_polygons(floor).exterior)
    for number, ends in enumerate(pairwise(ring), start=1):
        before, behind = (LineString(ends).buffer(width, cap_style="flat") for width in (BEFORE_M, STRIP_M))
        yield "wall", f"wall {number}", before.intersection(floor), behind.difference(near)


def _window(area: Area, grid: FloorGrid) -> tuple[tuple[slice, slice], FloorGrid]:
    """The rows and columns around an area, and the grid of these cells alone; of no cells where there is no area."""
    if area.is_empty:
        return (slice(0), slice(0)), FloorGrid(grid.west_m, grid.north_m, 0, 0, grid.cell_m)
    west, south, east, north = area.bounds
    ends = grid.to_cell([[west, north], [east, south]])
    (top, left), (bottom, right) = (np.rint(ends).astype(int) + np.array([[-1], [2]])).clip(0, grid.shape).tolist()
    inner = FloorGrid(
        grid.west_m + left * grid.cell_m, grid.north_m - top * grid.cell_m, bottom - top, right - left, grid.cell_m
    )
    return (slice(top, bottom), slice(left, right)), inner
