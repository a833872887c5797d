"""A small furnished room with a run in it, for the tests of pictures: everything is known exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Quality, Quantity
from coverage_lab.measures.values import (
    CameraFacts,
    Contribution,
    Coverage,
    Edge,
    FloorFacts,
    Measures,
    Pattern,
    Pocket,
)
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Decoy, Obstacle, Overhang, Room, Zone

FLOOR = shapely.box(0, 0, 2.4, 1.8)
BOX = shapely.box(0.4, 1.1, 0.9, 1.5)
HIDDEN = shapely.box(0.2, 1.1, 0.4, 1.5)
MISSED = shapely.box(1.2, 0.4, 1.8, 0.8)
RIM_M = 0.15


@dataclass(frozen=True, eq=False)
class Scene:
    light: NDArray[np.float32]
    plan: FloorPlan
    swept: NDArray[np.float32]


def plan_of(floor: shapely.Polygon, **things) -> FloorPlan:
    """A plan whose fringe is a rim along walls and furniture, and whose hidden floor is beside the box."""
    room = Room(floor, **things)
    grid = FloorGrid.over(floor, 0.005)
    free = floor - shapely.union_all([thing.footprint for thing in room.standing])
    reachable, hidden = free.buffer(-RIM_M, join_style="mitre"), HIDDEN & free
    free_share, hidden_share = grid.weights(free), grid.weights(hidden)
    shares = free_share, grid.weights(reachable), hidden_share, free_share - hidden_share
    return FloorPlan(room, grid, free, reachable, reachable, RIM_M, hidden, *shares, {})


def scene(floor: shapely.Polygon = FLOOR, missed: shapely.Polygon = MISSED) -> Scene:
    """The floor swept but for `missed` and the rim; trails glow, all else is nearly dark."""
    things = {
        "obstacles": (Obstacle("box", BOX, 0.3),),
        "decoys": (Decoy("sock", shapely.box(2.0, 1.3, 2.1, 1.4), 0.05),),
        "overhangs": (Overhang("bed", shapely.box(1.1, 1.2, 1.7, 1.7), 0.2, 0.5),),
        "zones": (Zone("east", shapely.box(1.2, 0, 2.4, 1.8)),),
        "dock_m": (0.3, 0.3),
    }
    plan = plan_of(floor, **things)
    swept = plan.grid.weights(plan.reachable - missed)
    light = 0.01 + 0.4 * swept * (np.arange(plan.grid.rows) % 6 < 3)[:, None]
    return Scene(light.astype(np.float32), plan, swept)


def q(value: float, half: float) -> Quantity:
    return Quantity(value, half / 2, (value - half, value + half))


def pocket(number: int, x_m: float, y_m: float, diameter_m: float, outline=()) -> Pocket:
    area = q(7854 * diameter_m**2, 4)
    width = q(1000 * diameter_m, 2)
    return Pocket(number, area, width, (x_m, y_m), (x_m, y_m), "open floor", None, False, outline)


def measures(**changed) -> Measures:
    west, south, east, north = MISSED.bounds
    corners = ((west, south), (east, south), (east, north), (west, north), (west, south))
    values = {
        "key": "2031-02-11/heron-1",
        "robot": "heron",
        "repeat": 1,
        "trial": "coverage",
        "conditions": {"firmware": "2.4"},
        "verdict": "measured",
        "reason": None,
        "quality": (Quality("hidden-floor", "note", "2 % of the floor is hidden behind the box."),),
        "camera": CameraFacts(0.2, 0.4, 2.8, (2.0, 0.3, 2.8), 4, ("7",)),
        "floor": FloorFacts(4.1, 4.02, 0.08, 3.1, 1.0),
        "coverage": Coverage(
            q(80.12, 0.5),
            q(92.3, 0.6),
            (78.0, 82.0),
            q(3.2, 0.02),
            None,
            {"east": q(75.0, 0.6)},
            {"threshold": Contribution(0.2, "run"), "camera": Contribution(0.1, "night")},
        ),
        "edges": (Edge("wall 1", 180.0, q(150, 2), 151.0, 0.8), Edge("box", None, None, None, 0.0)),
        "pockets": (pocket(1, 1.5, 0.6, 0.4, corners),),
        "pattern": Pattern(q(91, 3), "lanes", 0.95, 0.9, 0.88),
    }
    return Measures(**{**values, **changed})
