"""From which sides a robot can come to a decoy: all around, half a circle at a wall, a quarter in a corner."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from coverage_lab.room.room import Area, Decoy

AT_WALL_M = 0.15  # the widest ring around a decoy reaches the wall: no robot passes between

FloatArray = NDArray[np.float64]
Degrees = Literal[360, 180, 90]


@dataclass(frozen=True, slots=True)
class Approach:
    """The sector that a decoy can be approached from, in bearings clockwise from north."""

    deg: Degrees
    first_deg: float  # where it begins, [0, 360)


def approach_of(footprint: Area, floor: Polygon) -> Approach:
    """Return the sector for a thing that stands on `floor` (metres).

    Within `AT_WALL_M` of two walls that meet in a corner it is a quarter, centred on the way out of the corner; of one
    wall half a circle, centred on the way straight off the (nearest) wall; else the whole circle.
    """
    corners = shapely.get_coordinates(shapely.orient_polygons(floor).exterior)
    along = np.diff(corners, axis=0)
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    into = np.column_stack([-along[:, 1], along[:, 0]])
    away_m = shapely.distance([LineString(ends) for ends in pairwise(corners)], footprint)
    near = away_m <= AT_WALL_M
    turn_left = along[:, 0] * np.roll(along[:, 1], -1) - along[:, 1] * np.roll(along[:, 0], -1)
    cornered = near & np.roll(near, -1) & (turn_left > 0.5)
    if cornered.any():
        wall = int(np.flatnonzero(cornered)[np.argmin((away_m + np.roll(away_m, -1))[cornered])])
        return _centred(90, into[wall] + np.roll(into, -1, axis=0)[wall])
    if near.any():
        return _centred(180, into[int(np.argmin(away_m))])
    return Approach(360, 0.0)


def approach_mistake(decoy: Decoy, floor: Polygon) -> str | None:
    """Say what is wrong with a decoy's stated approach, or None."""
    stands = approach_of(decoy.footprint, floor).deg
    if decoy.approach_deg is None or decoy.approach_deg == stands:
        return None
    reach = f"{1000 * AT_WALL_M:.0f} mm"
    where = {
        360: f"farther than {reach} from every wall",
        180: f"within {reach} of one wall",
        90: f"within {reach} of both walls of a corner",
    }
    return f"is {decoy.approach_deg}, but it stands {where[stands]}, which makes {stands}"


def _centred(deg: Degrees, toward: FloatArray) -> Approach:
    """Return the sector of `deg` degrees around a direction (x, y)."""
    middle = float(np.degrees(np.arctan2(toward[0], toward[1])))
    return Approach(deg, round(middle - deg / 2, 6) % 360)
