"""What the nozzle passed over between two frames, while the shutter was closed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.trails.caps import Cap, Join, go_on, join
from coverage_lab.trails.near import within

Mask = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

USUAL_M_S = 0.28  # where no two frames have told the speed yet (common practice, no source)
LEAST_FILL, MOST_FILL = 0.12, 1.15  # of a straight step's area
TOUCHING = 0.45  # of the nozzle: how far a fill must lie along each of both strips
ROUND_M = 0.014  # how much farther than half a step a turn's gap reaches


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A frame's strip, and its square ends."""

    mask: Mask  # (rows, cols), 1 = passed
    caps: tuple[Cap, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Bridge:
    """What was passed over between two frames: between two square ends, else the gap in a turn; or nothing found."""

    join: Join | None = None
    fill: Mask | None = None  # (rows, cols) of the strips' cells


def bridge(
    before: Strip,
    after: Strip,
    *,
    blind_s: float,
    speed_m_s: float | None,
    nozzle_m: float,
    cell_m: float,
    origin_m: tuple[float, float],
    used: Sequence[Cap] = (),
) -> Bridge:
    """Find what the nozzle passed over in `blind_s` between two frames.

    used : ends of `before` that are known to be its beginning. Both square ends are best; one, with the robot's
    speed, does where the other lies in the frame's own trail; where a robot turned, what lies between both strips is
    filled in.
    """
    found = join(before.caps, after.caps, nozzle_m, blind_s)
    if found is not None:
        return Bridge(found)
    step_m = (speed_m_s or USUAL_M_S) * blind_s
    if step_m < cell_m:
        return Bridge()
    ends = tuple(cap for cap in before.caps if all(cap is not other for other in used))
    one = go_on(before.mask, after.mask, (ends, after.caps), step_m, nozzle_m, cell_m, origin_m)
    if one is not None:
        return Bridge(one)
    return Bridge(fill=_turned(before.mask, after.mask, step_m, nozzle_m, cell_m))


def _turned(before: Mask, after: Mask, step_m: float, nozzle_m: float, cell_m: float) -> Mask | None:
    """Return the largest narrow gap between two strips that lies along both, or None."""
    reach = int((step_m / 2 + ROUND_M) / cell_m)
    both = before | after
    rows, cols = np.nonzero(within(before, 2 * reach) & within(after, 2 * reach))
    if not len(rows):
        return None
    margin = 3 * reach
    window = np.s_[max(rows.min() - margin, 0) : rows.max() + margin, max(cols.min() - margin, 0) : cols.max() + margin]
    here = both[window]
    closed = cv2.morphologyEx(here, cv2.MORPH_CLOSE, _disc(reach), borderValue=0)
    gaps = ((closed > 0) & (here == 0)).astype(np.uint8)
    count, labels, facts, _ = cv2.connectedComponentsWithStats(gaps)
    beside = [cv2.dilate(mask[window], np.ones((5, 5), np.uint8)) > 0 for mask in (before, after)]
    step_cells = nozzle_m * step_m / cell_m**2
    best: tuple[float, Mask] | None = None
    for number in range(1, count):
        area = float(facts[number, cv2.CC_STAT_AREA])
        if not LEAST_FILL * step_cells < area < MOST_FILL * step_cells or (best is not None and area <= best[0]):
            continue
        part = labels == number
        along = min(float((part & side).sum()) for side in beside)  # two cells deep
        if along * cell_m > TOUCHING * nozzle_m:
            whole = np.zeros_like(both)
            whole[window] = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
            best = (area, whole)
    return None if best is None else best[1]


def _disc(radius: int) -> Mask:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)), np.uint8)
