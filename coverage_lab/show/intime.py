"""What pictures of a run in time are drawn from: the plan's cells with the frame that first swept them, and growth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from coverage_lab.room.grid import FloorGrid, ShareArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Growth:
    """Coverage of the visible floor at the end of each frame."""

    t_s: FloatArray  # (n,) since the first frame's start, rising
    percent: FloatArray  # (n,)
    u_points: FloatArray  # (n,) standard uncertainty
    visible_m2: float

    @property
    def swept_m2(self) -> FloatArray:
        """Visible floor swept so far, (n,)."""
        return self.percent / 100 * self.visible_m2

    @property
    def rate_m2_min(self) -> FloatArray:
        """New floor per minute in each frame, (n,), counted from the end of the frame before."""
        took_s = np.diff(self.t_s, prepend=0.0)
        return np.asarray(60 * np.diff(self.swept_m2, prepend=0.0) / np.where(took_s > 0, took_s, np.inf))

    def reached_s(self, percent: float) -> float | None:
        """Return when coverage first reached `percent`, interpolated between frames; None if it never did."""
        after = int(np.argmax(self.percent >= percent))
        if self.percent[after] < percent:
            return None
        if after == 0:
            return float(self.t_s[0] * percent / self.percent[0]) if self.percent[0] > 0 else float(self.t_s[0])
        span = slice(after - 1, after + 1)
        return float(np.interp(percent, self.percent[span], self.t_s[span]))


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
