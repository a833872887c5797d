"""Gaps between passes without tracks (a tube, or a bar that is not resolved): a dip in the light between two plateaus.

Seen across, a pass without tracks is a plateau with blurred ends, at half of its height where it is lit to. Two passes
d apart leave a dip that falls to 2 Φ(−d / 2σ) of the plateau: from this, or from where the light passes half of either
plateau, follows d. A shallow dip is none: between strips passed over twice may lie one that was passed over once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from coverage_lab.job import Bar
from coverage_lab.trails.gaps import FloatArray, Gaps

Plane = NDArray[np.float32]

WIDEST_M = 0.020  # of the dark between two passes: more is seen to be missed by any level
SHOULDER = 3.0  # of the blur: so far beyond the dark the plateau begins
DEEP = 0.35  # light in a dip over that of the plateaus beside it, at most
DEEPER = 0.2  # from which on half of the plateau is a better measure of width than depth
AROUND_M = 0.006  # how far off a cut's middle its dip may be
SINGLE = 0.4  # of what a pass is bright at least: no dip is brighter
ODD_PER_M = 100.0  # a dip of a centimetre is as odd as 1


def reach_m(pitch_m: float, blur_m: float) -> float:
    """How far a cut must reach to both sides to show a dip and the plateaus beside it."""
    return WIDEST_M / 2 + AROUND_M + pitch_m + SHOULDER * blur_m


def dips(cuts: Plane, cell_m: float, bar: Bar, blur_m: float) -> Gaps:
    """Find gaps in `cuts` (N, 2 K + 1) across the passes, one sample per cell; `blur_m` is the trail's blur."""
    middle, near = cuts.shape[1] // 2, round(AROUND_M / cell_m)
    window = cuts[:, middle - near : middle + near + 1]
    lowest = window.argmin(axis=1)
    depth = window.min(axis=1)
    left, right = cuts[:, : middle - near].max(axis=1), cuts[:, middle + near + 1 :].max(axis=1)
    weaker = np.minimum(left, right)
    single = np.percentile(cuts.max(axis=1), 10)
    inner = (lowest > 0) & (lowest < 2 * near)
    found = np.nonzero(inner & (depth < DEEP * weaker) & (depth < SINGLE * single) & (weaker > single / 2))[0]
    lowest, depth, left, right, weaker = (part[found] for part in (lowest, depth, left, right, weaker))
    start = _half(cuts[found, ::-1], cuts.shape[1] - 1 - (middle - near + lowest), left)
    end = _half(cuts[found], middle - near + lowest, right)
    by_half_m = (start + end) * cell_m
    by_depth_m = -2 * blur_m * ndtri(np.clip(depth / weaker / 2, 1e-6, 0.5))
    dark_m = np.where(depth < DEEPER * weaker, by_half_m, by_depth_m)
    wide_m = np.maximum(dark_m + (bar.pitch_m or 0.0) - 2 * bar.overhang_m, 0.0)
    at_m = (lowest - near + (end - start) / 2) * cell_m
    return Gaps(found, at_m, wide_m, dark_m * ODD_PER_M, weaker, np.zeros(len(cuts), bool))


def _half(cuts: Plane, lowest: NDArray[np.intp], plateau: Plane) -> FloatArray:
    """Return how many samples after the lowest one the light passes half of the plateau there."""
    samples = np.arange(cuts.shape[1])
    above = (cuts >= plateau[:, None] / 2) & (samples > lowest[:, None])
    after = above.argmax(axis=1)
    rows = np.arange(len(cuts))
    low, high = cuts[rows, after - 1], cuts[rows, after]
    return np.asarray(after - (high - plateau / 2) / np.maximum(high - low, 1e-9) - lowest, dtype=np.float64)
