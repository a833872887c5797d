"""What really happened in a simulated run: the swept floor as a polygon, and the shares that follow from it.

Keys as in the truth files of our rendered nights, so that one reader serves both.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from coverage_lab.camera.model import Camera
from coverage_lab.job import Bar, Robot
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Area, Room
from coverage_lab.simulate.near_misses import avoidance_truth

FloatArray = NDArray[np.float64]

_STRAIGHT_M = 5e-5  # a leg may leave its own line by this much
_STRAIGHT_RAD = 1e-3
_SPIN_RAD = float(np.deg2rad(2.0))  # an arc of the nozzle's end is then 0.02 mm off its chord
_WKT_M = 0.0003
_UNUSED_CELL_M = 0.5  # a plan comes with a grid; only its polygons are wanted here


def swept_area(poses: FloatArray, bar: Bar) -> Area:
    """Return the floor (metres) that the nozzle passed over, for poses (N, 4) as in `simulate.drives`.

    The union of the quadrilaterals between neighbouring places of the nozzle; where it turns about a point of
    its own they fall into two triangles.
    """
    pieces = swept_pieces(poses, bar)
    if len(pieces) == 0:
        raise ValueError("a robot that does not move sweeps no floor")
    # Neighbours overlap most: united in stretches first, the whole goes several times faster.
    stretches = [_united(pieces[first : first + 60]) for first in range(0, len(pieces), 60)]
    return _united(stretches)


def swept_pieces(poses: FloatArray, bar: Bar) -> NDArray[np.object_]:
    """Return the pieces of floor (metres) between neighbouring places of the nozzle, one after the other."""
    ends = nozzle_ends(poses[_turning_points(poses)], bar)
    rings = np.concatenate([ends[:-1], ends[1:, ::-1]], axis=1)
    pieces: NDArray[np.object_] = shapely.polygons(rings)
    pieces = pieces[shapely.length(pieces) > 0]
    crossed = ~shapely.is_valid(pieces)
    pieces[crossed] = shapely.make_valid(pieces[crossed])
    return pieces


def run_truth(poses: FloatArray, robot: Robot, room: Room, camera: Camera) -> dict[str, Any]:
    """Return the truth of a run as plain values; `robot` and `room` as they truly are."""
    swept = swept_area(poses, robot.bar)
    plan = true_plan(robot, room, camera)
    free, hidden, reachable = plan.free, plan.hidden, plan.reachable
    visible = free.difference(hidden)
    step = np.diff(poses, axis=0)
    return {
        "coverage_percent": _percent(swept, free),
        "free_area_m2": round(free.area, 6),
        "swept_area_m2": round(swept.area, 6),
        "swept_free_area_m2": round(swept.intersection(free).area, 6),
        "duration_s": round(float(poses[-1, 0] - poses[0, 0]), 4),
        "path_length_m": round(float(np.hypot(step[:, 1], step[:, 2]).sum()), 4),
        "hidden_from_camera": {
            "hidden_free_area_m2": round(hidden.area, 6),
            "coverage_percent_of_visible_free_floor": _percent(swept, visible),
        },
        "reachable": {
            "reachable_m2": round(reachable.area, 6),
            "fringe_m2": round(free.area - reachable.area, 6),
            "coverage_percent_of_reachable_visible": _percent(swept, reachable.difference(hidden)),
        },
        **({"avoidance": avoidance_truth(poses, robot, room, swept)} if room.decoys else {}),
        "swept_wkt": _wkt(swept),
        "free_floor_wkt": _wkt(free),
        "hidden_free_floor_wkt": _wkt(hidden),
        "wkt_simplify_tolerance_m": _WKT_M,
    }


def true_plan(robot: Robot, room: Room, camera: Camera) -> FloorPlan:
    """Lay out the floor as it truly is for one robot; only the plan's polygons are exact."""
    return floor_plan(
        room,
        body_diameter_m=robot.body_diameter_m,
        body_height_m=robot.body_height_m,
        nozzle_m=robot.bar.nozzle_m,
        forward_m=robot.bar.forward_m,
        bar_height_m=robot.bar.height_m,
        camera_centre_m=camera.centre_m,
        seen=None,
        grid=FloorGrid.over(room.floor, _UNUSED_CELL_M),
    )


def nozzle_ends(poses: FloatArray, bar: Bar) -> FloatArray:
    """Return the left and right end of the nozzle at each pose, shape (N, 2, 2)."""
    ahead = np.column_stack([np.cos(poses[:, 3]), np.sin(poses[:, 3])])
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]]) * bar.nozzle_m / 2
    middle = poses[:, 1:3] + bar.forward_m * ahead
    return np.stack([middle + left, middle - left], axis=1)


def _turning_points(poses: FloatArray) -> NDArray[np.int64]:
    """Return the poses to keep so that between two of them the robot drives straight on or turns a little."""
    kept = [0]
    x0, y0, h0 = poses[0, 1:].tolist()
    straight = spun = True  # what the leg from the last kept pose may still be
    for number, (x_m, y_m, heading) in enumerate(poses[1:, 1:].tolist(), start=1):
        turned = abs(heading - h0)
        aside = abs(-np.sin(h0) * (x_m - x0) + np.cos(h0) * (y_m - y0))
        straight = straight and turned < _STRAIGHT_RAD and aside < _STRAIGHT_M
        spun = spun and turned <= _SPIN_RAD and hypot(x_m - x0, y_m - y0) < _STRAIGHT_M
        if straight or spun:
            continue
        kept.append(number - 1 if number - 1 > kept[-1] else number)
        x0, y0, h0 = poses[kept[-1], 1:].tolist()
        turned = abs(heading - h0)
        straight, spun = turned < _STRAIGHT_RAD, hypot(x_m - x0, y_m - y0) < _STRAIGHT_M
    return np.unique([*kept, len(poses) - 1])


def _united(pieces: Sequence[BaseGeometry] | NDArray[np.object_]) -> Area:
    # Without the grid, GEOS may drop a sector of a turn on the spot, whose triangles touch in one point.
    area: Area = shapely.union_all(pieces, grid_size=1e-7)
    return area


def _percent(swept: Area, floor: Area) -> float:
    return round(100 * float(swept.intersection(floor).area / floor.area), 4)


def _wkt(area: Area) -> str:
    return str(shapely.to_wkt(area.simplify(_WKT_M), rounding_precision=5))
