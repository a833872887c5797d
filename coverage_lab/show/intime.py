"""What pictures of a run in time are drawn from: the plan's cells with the frame that first swept them, and growth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from coverage_lab.measures.values import Timing
from coverage_lab.room.grid import FloorGrid, ShareArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Growth:
    """Coverage of the visible floor at the end of each frame."""

    t_s: FloatArray  # (n,) since the first frame's start, rising
    percent: FloatArray  # (n,)
    u_points: FloatArray  # (n,) standard uncertainty
    visible_m2: float
    reached_s: Mapping[str, float | None]  # when coverage reached so many percent

    @classmethod
    def of(cls, timing: Timing, visible_m2: float) -> Growth:
        """Return a run's growth as arrays; times that are not known are NaN."""
        points = timing.growth
        t_s = np.array([np.nan if point.t_s is None else point.t_s for point in points])
        percent, u_points = (np.array([getattr(point, name) for point in points]) for name in ("percent", "u"))
        return cls(t_s, percent, u_points, visible_m2, timing.time_to_s)

    @property
    def rate_m2_min(self) -> FloatArray:
        """New floor per minute in each frame, (n,), counted from the end of the frame before."""
        took_s = np.diff(self.t_s, prepend=0.0)
        new_m2 = np.diff(self.percent / 100 * self.visible_m2, prepend=0.0)
        return np.asarray(60 * new_m2 / np.where(took_s > 0, took_s, np.inf))


@dataclass(frozen=True, slots=True, eq=False)
class Touch:
    """The robot's body touched a decoy, for the first time or again."""

    decoy: str
    footprint: BaseGeometry
    t_s: float  # since the first frame's start


@dataclass(frozen=True, slots=True, eq=False)
class RunInTime:
    """One run as its results keep it; shares and frames have the grid's shape, row 0 at the north edge."""

    name: str
    grid: FloorGrid
    free: ShareArray
    hidden: ShareArray
    swept: ShareArray
    first_swept: NDArray[np.uint16]  # frame in which a cell was first swept, from 1; 0 = never
    furniture: tuple[BaseGeometry, ...]  # footprints, metres
    growth: Growth
    touches: tuple[Touch, ...] = ()  # in the order of time
