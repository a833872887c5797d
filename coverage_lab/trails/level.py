"""From which brightness on light is a trail: a level that decides what is trail, never where exactly it ends."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, label

LEAST_CONTRAST = 6.0  # steps of brightness (of 255) between missed floor and the mean trail
NARROW, WIDE = 0.03, 0.12  # relative, of brightness: levels in doubt reach at least and at most so far
CONTRAST = 0.4  # a pass is brighter than missed floor by so much at least, relative
FASTEST = 0.25  # of the trail's mean brightness: no pass is darker; on good frames of 23 minutes of bouncing it is 0.46
STANDS_OUT = 1.5  # times the valley below it, that a mode is high
FAIR_MODE = 0.015  # share of the floor
MIDDLE = 0.45  # of the fastest pass' light over missed floor
MIDDLE_CLIPPED, CLIPPED = 0.75, 245  # the same where that light is at the clip, and so more than it looks
EMPTY_FACTOR = 2.0  # times the emptiest step of brightness that a valley is wide
EMPTY = 1e-5  # share of the floor per step of brightness that is as good as none
SMOOTHING = 2.0  # steps of brightness


@dataclass(frozen=True, slots=True)
class TrailLevel:
    """Brightness levels, 0-255."""

    level: float  # light above it is trail
    low: float  # the levels that would do as well
    high: float
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
    first = int(reach) + 2
    fastest = max(_first_pass(counts, smooth, reach, trail), first + 2)
    between = smooth[first:fastest]
    # As near to the middle as the valley goes, where neither halo nor a slow pass's neighbour is mistaken.
    share = MIDDLE if fastest < CLIPPED else MIDDLE_CLIPPED
    middle = float(np.sqrt(reach**2 + share * (fastest**2 - reach**2)))
    part, _ = label(between <= EMPTY_FACTOR * between.min() + EMPTY * counts.sum())
    empty = np.nonzero(part)[0]
    nearest = int(empty[np.abs(first + empty - middle).argmin()])
    run = np.nonzero(part == part[nearest])[0]
    level = float(first + nearest)
    wide = max(level * (1 - WIDE), first + run[0]), min(level * (1 + WIDE), first + run[-1])
    low, high = min(level * (1 - NARROW), wide[0]), max(level * (1 + NARROW), wide[1])
    return TrailLevel(level, float(low), float(high), reach, trail)


def _first_pass(counts: NDArray[np.float64], smooth: NDArray[np.float64], reach: float, trail: float) -> int:
    """Brightness of the fastest single passes: the first mode above missed floor that holds a fair share of the floor.

    White paper or a lamp make modes too, but small ones; a halo's slope has bumps, but flat ones. Without any such mode
    the trail's mean.
    """
    rises = np.diff(smooth, prepend=0, append=0) > 0
    modes = _outstanding(np.nonzero(rises[:-1] & ~rises[1:])[0], smooth)
    borders = [0, *(int(low + smooth[low:high].argmin()) for low, high in pairwise(modes))]
    held = np.add.reduceat(counts, borders) / counts.sum()
    above = modes > max(reach + max(LEAST_CONTRAST, CONTRAST * reach), FASTEST * trail)
    found = np.nonzero(above & (held >= FAIR_MODE))[0]
    return int(modes[found[0]]) if len(found) else int(trail)


def _outstanding(modes: NDArray[np.intp], smooth: NDArray[np.float64]) -> NDArray[np.intp]:
    """The `modes` that rise well out of the valley below them; what lies above may fall slowly, as passes overlap."""
    kept: list[int] = []
    for mode in modes.tolist():
        if smooth[mode] > STANDS_OUT * smooth[kept[-1] if kept else 0 : mode + 1].min():
            kept.append(mode)
    return np.array(kept, np.intp)


def otsu_split(counts: NDArray[np.float64]) -> int:
    """Return the last value of the darker of two classes, for the largest variance between them.

    counts : (K,) how often each value occurs. Source: Otsu, IEEE Trans. SMC 9, 1979.
    """
    value = np.arange(len(counts))
    below, below_sum = np.cumsum(counts), np.cumsum(counts * value)
    above = below[-1] - below
    between = (below_sum[-1] * below / below[-1] - below_sum) ** 2 / np.maximum(below * above, 1e-9)
    return int(between.argmax())


def _upper_mean(counts: NDArray[np.float64]) -> float:
    """Mean of the brighter of Otsu's two classes."""
    brighter = counts[otsu_split(counts) + 1 :]
    first = len(counts) - len(brighter)
    return first + float((brighter * np.arange(len(brighter))).sum() / max(brighter.sum(), 1e-9))
