"""Which floor is free, reachable, hidden and visible, for one room, one robot and one camera position."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.room import Area, Room


@dataclass(frozen=True, slots=True, eq=False)
class FloorPlan:
    """The floor as polygons (metres) and as exact shares of grid cells, shape (rows, cols), in [0, 1]."""

    room: Room
    grid: FloorGrid
    free: Area  # floor − footprints, decoys among them
    reachable: Area  # free floor that some permitted pose of the nozzle covers; free − reachable is the fringe
    hidden: Area  # free floor that the camera cannot see at bar height
    free_share: ShareArray
    reachable_share: ShareArray
    hidden_share: ShareArray
    visible_share: ShareArray  # free and not hidden
    zone_shares: Mapping[str, ShareArray]
