"""How robots behave towards decoys: keep clear of all, graze one, drive over one, or leave a whole box around one."""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, box

from coverage_lab.job import Robot
from coverage_lab.room.room import Area, Decoy, Room
from coverage_lab.simulate.drives import lanes, laps, start_near
from coverage_lab.simulate.routes import Routes

FloatArray = NDArray[np.float64]
Behaviour = Literal["keeps clear", "grazes", "drives over", "boxes in"]
BEHAVIOURS: tuple[Behaviour, ...] = get_args(Behaviour)

_OVERLAP = 0.88  # lane spacing over nozzle length
_WALL_M = 0.006  # kept off the walls
_CLEAR_M = (0.004, 0.06)  # kept off decoys
_GRAZE_M = (0.004, 0.022)  # how far the body's outline reaches over a grazed decoy
_BOX_M = (0.05, 0.12)  # between a decoy and the box left around it


def avoiding_path(robot: Robot, room: Room, behaviour: Behaviour, rng: np.random.Generator) -> FloatArray:
    """Return the waypoints (M, 2) of laps along walls and decoys, then lanes, around the room's decoys.

    One decoy, chosen at random, is what the behaviour is about; the others are kept clear of. All distances are drawn
    at random. A robot that drives over a decoy does not know of it: laps and lanes go where they would without.
    """
    special = room.decoys[int(rng.integers(len(room.decoys)))]
    radius_m = robot.body_diameter_m / 2
    kept_off = [
        shape
        for decoy in room.decoys
        if (shape := _kept_off(decoy, behaviour if decoy is special else "keeps clear", radius_m, rng)) is not None
    ]
    allowed = _with_dock(room.floor.buffer(-radius_m - _WALL_M).difference(shapely.union_all(kept_off)), room)
    ways = [laps(allowed), lanes(allowed, spacing_m=_OVERLAP * robot.bar.nozzle_m, rng=rng)]
    if behaviour == "drives over":
        ways.insert(1, np.array([start_near(allowed, _middle(special))]))
    return Routes(allowed).join(np.concatenate([[start_near(allowed, room.dock_m)], *ways]))


def _kept_off(decoy: Decoy, behaviour: Behaviour, radius_m: float, rng: np.random.Generator) -> Area | None:
    """Return where the turning centre does not come for the sake of a decoy; None where it takes no notice."""
    if behaviour == "drives over":
        return None
    if behaviour == "boxes in":
        return box(*decoy.footprint.buffer(radius_m + float(rng.uniform(*_BOX_M))).bounds)
    clear_m = float(rng.uniform(*_CLEAR_M)) if behaviour == "keeps clear" else -float(rng.uniform(*_GRAZE_M))
    return decoy.footprint.buffer(radius_m + clear_m, quad_segs=8)


def _with_dock(allowed: Area, room: Room) -> Area:
    """Return the part of `allowed` next to the dock."""
    parts = shapely.get_parts(allowed)
    if room.dock_m is None:
        return max(parts, key=lambda part: float(part.area))
    return min(parts, key=lambda part: float(part.distance(Point(room.dock_m))))


def _middle(decoy: Decoy) -> tuple[float, float]:
    return float(decoy.footprint.centroid.x), float(decoy.footprint.centroid.y)
