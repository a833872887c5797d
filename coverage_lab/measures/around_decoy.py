"""How near swept floor comes to a decoy: plane geometry on the outline of swept floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from contourpy import contour_generator
from numpy.typing import NDArray
from shapely import MultiLineString, Polygon

from coverage_lab.room.approach import Approach
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area, Decoy

AROUND_M = 0.6  # from a decoy's outline: farther away swept floor does not count as beside it
STEP_DEG = 5.0
RINGS_MM = (50, 100, 150)
NEAR_MM = 100  # floor within it of a decoy is the decoy's own: what is left out there is not yet caution
_SPECK_M2 = 1e-5  # of the swept outline: smaller pieces are rounding
_DEPTH_M = 1e-5  # to which a depth inside the footprint is found
_CIRCLE = 64  # segments to a quarter circle: 0.02 mm at 150 mm

FloatArray = NDArray[np.float64]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Clearance:
    """The smallest distance between a footprint and swept floor, below 0 inside it, and where."""

    distance_m: float
    on_footprint_m: Point
    on_swept_m: Point


def swept_around(swept: ShareArray, grid: FloorGrid, footprint: Area) -> Area:
    """Return the outline (metres) of swept floor within `AROUND_M` of a footprint, to a part of a cell.

    `swept` is the swept share of cells (rows, cols); the outline runs where it is a half.
    """
    west, south, east, north = footprint.buffer(AROUND_M).bounds
    ends = np.rint(grid.to_cell([[west, north], [east, south]])).astype(int) + np.array([[0], [1]])
    (top, left), (bottom, right) = ends.clip(0, grid.shape).tolist()
    if bottom <= top or right <= left:
        return Polygon()
    window = np.pad(swept[top:bottom, left:right], 1)
    rings = contour_generator(z=window, name="serial").lines(0.5)
    first = np.array([top - 1, left - 1])
    outline = shapely.build_area(MultiLineString([grid.to_floor(np.asarray(ring)[:, ::-1] + first) for ring in rings]))
    parts = [part for part in shapely.get_parts(outline) if part.area > _SPECK_M2]
    return shapely.union_all(parts) if parts else Polygon()


def clearance(footprint: Area, swept: Area) -> Clearance | None:
    """Return how near `swept` comes to `footprint`; None where nothing is swept.

    Where swept floor reaches into the footprint the distance is below 0: how deep from the footprint's outline.
    """
    if swept.is_empty:
        return None
    inside = footprint.intersection(swept)
    if inside.area <= _SPECK_M2:
        ends = shapely.get_coordinates(shapely.shortest_line(footprint, swept))
        return Clearance(float(footprint.distance(swept)), _point(ends[0]), _point(ends[1]))
    depth_m, deepest = _depth(footprint, inside)
    rim = shapely.get_coordinates(shapely.shortest_line(footprint.boundary, deepest))[0]
    return Clearance(-depth_m, _point(rim), _point(shapely.get_coordinates(deepest)[0]))


def _depth(footprint: Area, inside: Area) -> tuple[float, shapely.Point]:
    """Return how far from the footprint's outline its part `inside` reaches, and where: found by halving."""
    low, high = 0.0, float(shapely.maximum_inscribed_circle(footprint, _DEPTH_M).length)
    deepest = inside.representative_point()
    while high - low > _DEPTH_M:
        middle = (low + high) / 2
        left = footprint.buffer(-middle, quad_segs=_CIRCLE).intersection(inside)
        if left.is_empty:
            high = middle
        else:
            low, deepest = middle, left.representative_point()
    return low, deepest


def profile(footprint: Area, swept: Area, approach: Approach) -> tuple[tuple[float, float | None], ...]:
    """Return (bearing in degrees, clearance in metres) in steps of 5 degrees over the sector of approach.

    A step is a wedge seen from the footprint's centroid; its clearance is the distance from the footprint to the
    nearest swept floor in it, 0 where swept floor is inside the footprint, None where there is none within reach.
    """
    bearings = approach.first_deg + STEP_DEG * (np.arange(round(approach.deg / STEP_DEG)) + 0.5)
    centre = shapely.get_coordinates(footprint.centroid)[0]
    west, south, east, north = footprint.bounds
    # A wedge this long reaches beyond `AROUND_M` at every bearing of its 5 degrees.
    reach_m = 1.01 * (AROUND_M + float(np.hypot(east - west, north - south)))
    sides = np.deg2rad(bearings[:, None] + STEP_DEG / 2 * np.array([-1, 1]))
    far = centre + reach_m * np.stack([np.sin(sides), np.cos(sides)], axis=-1)
    wedges = shapely.polygons(np.concatenate([np.broadcast_to(centre, (len(far), 1, 2)), far], axis=1))
    parts = shapely.intersection(wedges, swept)
    away_m = shapely.distance(parts, footprint)
    empty = shapely.area(parts) <= _SPECK_M2 / 10
    return tuple(
        (float(bearing % 360), None if none or away > AROUND_M else float(away))
        for bearing, away, none in zip(bearings, away_m, empty, strict=True)
    )


def ring(decoy: Decoy, width_m: float, plan: FloorPlan) -> ShareArray:
    """Return the visible free floor within `width_m` of a decoy as shares of cells (rows, cols).

    The pen's walls and everything else that stands there are cut off, other decoys among it.
    """
    band = decoy.footprint.buffer(width_m, quad_segs=_CIRCLE).difference(decoy.footprint)
    area = band.intersection(plan.free).difference(plan.hidden)
    return plan.grid.weights(_areas_of(area))


def _areas_of(shape: shapely.Geometry) -> Area:
    parts = shapely.get_parts(shape)
    return shapely.MultiPolygon(list(parts[shapely.get_dimensions(parts) == 2]))


def _point(xy: FloatArray) -> Point:
    return float(xy[0]), float(xy[1])
