"""From which brightness on light is a trail: a level that decides what is trail, never where exactly it ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

LEAST_CONTRAST = 6.0  # steps of brightness (of 255) between missed floor and the mean trail
EMPTY = 1e-5  # share of the floor per step of brightness that is as good as none
SMOOTHING = 2.0  # steps of brightness


@dataclass(frozen=True, slots=True)
class TrailLevel:
    """Brightness levels, 0-255."""

    level: float  # light above it is trail
    missed: float  # what most floor that is surely missed reaches (75th percentile: wall feet glow)
    trail: float  # mean brightness of the trail


def trail_level(closed: NDArray[np.uint8], floor: NDArray[np.bool_], missed: NDArray[np.bool_]) -> TrailLevel | None:
    """Find the emptiest brightness between missed floor and trail; None where there is no trail to see.

    closed : (rows, cols) brightness with the comb closed; `floor` the cells to judge by, `missed` such that no nozzle
    can have covered. The classes are first parted by Otsu's method (IEEE Trans. SMC 9, 1979), which on a
    floor passed over many times lies among the passes; the valley is looked for below the upper class's mean.
    """
    counts = np.bincount(closed[floor], minlength=256).astype(float)
    if counts.sum() == 0:
        return None
    sure = closed[missed]
    reach = float(np.percentile(sure, 75)) if len(sure) > 200 else float(np.percentile(closed[floor], 1))
    trail = _upper_mean(counts)
    if trail - reach < LEAST_CONTRAST:
        return None
    smooth = gaussian_filter1d(counts, SMOOTHING)
    first, last = int(reach) + 2, max(int(trail), int(reach) + 4)
    between = smooth[first:last]
    empty = between <= 1.2 * between.min() + EMPTY * counts.sum()
    # Between a fast pass and a slow one there is a valley too: the first valley counts.
    begin = int(empty.argmax())
    end = begin + int(np.append(~empty[begin:], True).argmax())
    return TrailLevel(first + (begin + end - 1) / 2, reach, trail)


def _upper_mean(counts: NDArray[np.float64]) -> float:
    """Mean of the brighter of Otsu's two classes."""
    value = np.arange(len(counts))
    below, below_sum = np.cumsum(counts), np.cumsum(counts * value)
    above = below[-1] - below
    gap = (below_sum[-1] * below / below[-1] - below_sum) ** 2 / np.maximum(below * above, 1e-9)
    split = int(gap.argmax())
    return float((below_sum[-1] - below_sum[split]) / max(above[split], 1e-9))
