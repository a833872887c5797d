"""How much floor a series passed over, repeats counted, told by its light against that of one pass.

Light is added up over several frames in a row before it is judged, so that it makes no difference how finely a run was
cut into frames: a turn on the spot piles up as much light in one frame as in the four it may be cut into.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.trails.dose import FAINTEST, STEPS, light_counts, one_pass
from coverage_lab.trails.near import within

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]

STRETCH = 10.0  # of the nozzle squared: so much strip is judged together, if frames are no longer than that
MOST_PASSES = 3.0  # in one stretch; more light than that is a robot that turns on the spot
SLOW = 2.2  # times one pass' light: where a robot turns, or passes twice
ONCE = 1.0  # pass that a turn's place counts in the distance driven: half on the way in, half on the way out
SPECK_M = 0.012  # a slow place is wider


@dataclass(slots=True, eq=False)
class Tally:
    """Counts passes while a series is folded; planes are (rows, cols) of cells of `cell_m`."""

    bar: Bar
    cell_m: float
    passed_m2: float = 0.0  # passed over, repeats counted; nan where light is burnt
    driven_m2: float = 0.0  # the same without turns on the spot; over the nozzle's length it is the way driven
    once: float | None = None  # light of one pass, as all frames so far tell it
    _counts: NDArray[np.float64] = field(default_factory=lambda: np.zeros(STEPS))
    _light: Plane | None = None  # of the stretch under way
    _burnt: Mask | None = None
    _strip_m2: float = 0.0
    _clip: float = 0.0

    def add(self, smooth: Plane, mask: Mask, burnt: Mask, clip: float) -> None:
        """Add the next frame: its light (full scale is 1), its strip, and where its light is burnt (from `clip` on)."""
        self._counts += light_counts(smooth, mask)
        self.once = one_pass(self._counts)
        self._clip = clip
        if self._light is None or self._burnt is None:
            self._light, self._burnt = smooth.copy(), burnt.copy()
        else:
            cv2.add(self._light, smooth, self._light)
            cv2.bitwise_or(self._burnt, burnt, self._burnt)
        self._strip_m2 += cv2.countNonZero(mask) * self.cell_m**2
        if self._strip_m2 > STRETCH * self.bar.nozzle_m**2:
            self.judge()

    def judge(self) -> None:
        """Count the stretch under way, and begin the next one."""
        light, burnt, any_strip = self._light, self._burnt, self._strip_m2 > 0
        self._light = self._burnt = None
        self._strip_m2 = 0.0
        if light is None or burnt is None or self.once is None or not any_strip:
            return
        if SLOW * self.once > self._clip:
            self.passed_m2 = self.driven_m2 = float("nan")
            return
        passes = np.where(light > FAINTEST * self.once, light / np.float32(self.once), np.float32(0))
        counted = np.minimum(passes, np.float32(MOST_PASSES))
        whole = float(counted.sum(dtype=np.float64))
        clipped, turning = counted[(burnt > 0) & (passes > 2)], counted[self._turning(passes)]
        self.passed_m2 += (whole + float((MOST_PASSES - clipped).sum())) * self.cell_m**2
        self.driven_m2 += (whole - float(np.maximum(turning - ONCE, 0).sum())) * self.cell_m**2

    def _turning(self, passes: Plane) -> NDArray[np.bool_]:
        """Cells around places so bright that the robot must have turned there."""
        speck = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * int(SPECK_M / self.cell_m) + 1,) * 2)
        core = cv2.morphologyEx((passes > SLOW).astype(np.uint8), cv2.MORPH_OPEN, speck)
        return within(np.asarray(core), self.bar.nozzle_m / 2 / self.cell_m)
