"""How often floor was passed over, told by its light against the light of one pass.

A bar that moves at its usual speed leaves the same light on every strip. Where it turns on the spot or slows down it
leaves more, and light piles up as if it had come again.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from coverage_lab.job import Bar
from coverage_lab.room.plan import FloorPlan
from coverage_lab.trails.strip import StripFinder

Plane = NDArray[np.float32]

FAINTEST = 0.1  # of one pass' light: less is halo
FAIR = 0.2  # of the commonest light's floor: a mode with less is none
BURNT_LIGHT = 0.9  # of the clip: averaging pulls burnt light below it
MOST_BURNT = 0.1  # of the strip: with more, light does not tell how often
STEPS, LARGEST = 2000, 2.0  # of light; full scale of one frame is 1
_SMOOTHING = 4.0  # steps
_DARKEST = 20  # steps: less light than that is no pass


def light_counts(smooth: Plane, strip: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return how many cells of a strip have each step of light, (STEPS,)."""
    return np.asarray(cv2.calcHist([smooth], [0], strip, [STEPS], [0, LARGEST]).ravel(), np.float64)


def one_pass(counts: NDArray[np.float64]) -> float | None:
    """Return the light of one pass at the usual speed: the darkest that a fair part of the strips has, or None."""
    smooth = gaussian_filter1d(counts, _SMOOTHING)[_DARKEST:]
    if smooth.max(initial=0.0) <= 0:
        return None
    rises = np.diff(smooth, prepend=0.0, append=0.0) > 0
    modes = np.flatnonzero(rises[:-1] & ~rises[1:])
    fair = modes[smooth[modes] > FAIR * smooth.max()]
    return (int(fair[0]) + _DARKEST + 0.5) * LARGEST / STEPS


def passed_by_light_m2(light: Plane, swept: Plane, plan: FloorPlan, bar: Bar, clip: float) -> float:
    """Return the floor passed over in one exposure, repeats counted, square metres; nan where too much is burnt.

    light : (rows, cols) in plan view, whose values from `clip` on only say "at least"; `swept` the share of each cell.
    """
    finder = StripFinder(plan, bar, 0.0)
    smooth = finder.smooth(finder.coarse(light))
    strip = (finder.coarse(swept) > 0.5).astype(np.uint8)
    once = one_pass(light_counts(smooth, strip))
    if once is None or float(np.mean(smooth[strip > 0] > BURNT_LIGHT * clip)) > MOST_BURNT:
        return float("nan")
    return float(np.where(smooth > FAINTEST * once, smooth / once, 0).sum()) * finder.cell_m**2
