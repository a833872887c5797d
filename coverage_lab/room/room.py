"""A test room as its file describes it: metres, x east and y north of the south-west floor corner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

Area: TypeAlias = Polygon | MultiPolygon


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Furniture that stands on the floor."""

    name: str
    footprint: Area
    height_m: float
    tolerance_m: float = 0.003


@dataclass(frozen=True, slots=True)
class Overhang:
    """A top above free floor: the robot may pass beneath, the camera cannot see through."""

    name: str
    outline: Area
    clearance_m: float
    height_m: float


@dataclass(frozen=True, slots=True)
class Decoy:
    """A thing laid in the robot's way that it should not touch."""

    name: str
    footprint: Area
    height_m: float
    approach_deg: int | None = None  # 360, 180 or 90; None = derived from where it stands
    tolerance_m: float = 0.003


@dataclass(frozen=True, slots=True)
class Zone:
    """A part of the floor whose coverage is also given by itself."""

    name: str
    outline: Area


@dataclass(frozen=True, slots=True)
class Marker:
    """A square marker lying on the floor (or raised by `z_m`)."""

    dictionary: str  # e.g. "apriltag_36h11"
    id: int
    centre_m: tuple[float, float]
    side_m: float
    turn_deg: float  # counter-clockwise from above; 0 = its top edge to the north
    z_m: float = 0.0
    tolerance_m: float = 0.002

    @property
    def corners_m(self) -> NDArray[np.float64]:
        """The corners in the room (4, 3): top left, top right, bottom right, bottom left as printed."""
        half = self.side_m / 2
        square = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
        turn = np.deg2rad(self.turn_deg)
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        plan = square @ rotation.T + np.asarray(self.centre_m)
        return np.column_stack([plan, np.full(4, self.z_m)])


@dataclass(frozen=True, slots=True)
class Room:
    """Everything the room file says."""

    floor: Polygon
    floor_tolerance_m: float = 0.003
    obstacles: tuple[Obstacle, ...] = ()
    overhangs: tuple[Overhang, ...] = ()
    decoys: tuple[Decoy, ...] = ()
    zones: tuple[Zone, ...] = ()
    markers: tuple[Marker, ...] = ()
    dock_m: tuple[float, float] | None = None

    @property
    def standing(self) -> tuple[Obstacle | Decoy, ...]:
        """All that stands on the floor and takes it away: obstacles and decoys."""
        return (*self.obstacles, *self.decoys)
