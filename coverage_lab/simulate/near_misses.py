"""What really happened around decoys: distances, rings, contacts and smear, from exact polygons and poses.

Keys as in the truth file of our rendered pen, and what that one lacks.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from coverage_lab.job import Robot
from coverage_lab.room.room import Area, Decoy, Room

FloatArray = NDArray[np.float64]

_RINGS_MM = (50, 100, 150)


def avoidance_truth(poses: FloatArray, robot: Robot, room: Room, swept: Area) -> dict[str, Any]:
    """Return the truth about each decoy; `poses` (N, 4) as in `simulate.drives`, `swept` the floor passed over."""
    return {"decoys": [_decoy_truth(poses, robot, room, swept, decoy) for decoy in room.decoys]}


def _decoy_truth(poses: FloatArray, robot: Robot, room: Room, swept: Area, decoy: Decoy) -> dict[str, Any]:
    radius_m = robot.body_diameter_m / 2
    path = LineString(poses[:, 1:3])
    away_m = shapely.distance(shapely.points(poses[:, 1:3]), decoy.footprint) - radius_m
    contact = int(np.argmax(away_m <= 0)) if (away_m <= 0).any() else None
    return {
        "name": decoy.name,
        "height_m": decoy.height_m,
        "nearest_distance_to_swept_m": round(_signed_m(decoy.footprint, swept), 6),
        "body_clearance_m": round(float(path.distance(decoy.footprint)) - radius_m, 6),
        "footprint_swept_fraction": round(float(decoy.footprint.intersection(swept).area / decoy.footprint.area), 6),
        "rings_swept_percent": {str(width): _ring(width, decoy, room, swept) for width in _RINGS_MM},
        "first_contact_s": None if contact is None else round(float(poses[contact, 0]), 4),
        "driven_after_contact_m": None if contact is None else round(float(_length_m(poses[contact:])), 4),
    }


def _signed_m(footprint: Area, swept: Area) -> float:
    """Return the distance, or below 0 how deep swept floor reaches into the footprint, on points 0.5 mm apart."""
    inside = footprint.intersection(swept)
    if inside.area < 1e-8:
        return float(footprint.distance(swept))
    west, south, east, north = inside.bounds
    x_m, y_m = np.meshgrid(np.arange(west, east, 0.0005), np.arange(south, north, 0.0005))
    points = shapely.points(np.column_stack([x_m.ravel(), y_m.ravel()]))
    points = np.concatenate([points[shapely.covers(inside, points)], shapely.points(shapely.get_coordinates(inside))])
    return -float(shapely.distance(points, footprint.boundary).max())


def _ring(width_mm: int, decoy: Decoy, room: Room, swept: Area) -> float:
    standing = shapely.union_all([thing.footprint for thing in room.standing])
    ring = decoy.footprint.buffer(width_mm / 1000, quad_segs=64).intersection(room.floor).difference(standing)
    return round(100 * float(ring.intersection(swept).area / ring.area), 4)


def _length_m(poses: FloatArray) -> float:
    step = np.diff(poses[:, 1:3], axis=0)
    return float(np.hypot(step[:, 0], step[:, 1]).sum())
