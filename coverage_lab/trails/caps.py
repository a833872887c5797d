"""Where a frame's strip ends square: there the bar was when the shutter opened or closed.

Between two frames the camera is blind for a moment. The end of the strip in one frame and its beginning in the next
say where the bar was before and after, and what it passed over meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

SMOOTH_M = 0.008  # how far the polygon may leave the mask's outline
SHORTEST, LONGEST = 0.72, 1.15  # of the bar's length; blur rounds the corners of an end
DEPTH = 0.25  # of the bar's length: so far back the strip must be whole
FREE_M = 0.030  # and so far ahead the floor dark
LATERAL = 0.25  # of the bar's length: how far two ends may be off each other's line
FACING = 0.75  # cosine of the angle by which two ends may fail to face each other
FASTEST_M_S = 0.7  # no cleaning robot drives faster (common practice, no source)
SIDES = 0.15  # of the bar's length: how wide a strip may seem to be off
OVERLAP_M = 0.03  # ends may overlap by blur
SEAM_M = 0.010  # what is filled in reaches so far into both strips: no seam is left where they were cut too short


@dataclass(frozen=True, slots=True, eq=False)
class Cap:
    """A square end of a strip: the bar's place as the shutter opened or closed."""

    centre_m: FloatArray  # (2,) its middle, x and y
    outward: FloatArray  # (2,) unit vector away from the strip
    length_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Join:
    """The end of one frame's strip and the beginning of the next one's."""

    end: Cap
    start: Cap

    @property
    def length_m(self) -> float:
        """How far the bar moved between them."""
        return float(np.hypot(*(self.start.centre_m - self.end.centre_m)))

    @property
    def along(self) -> FloatArray:
        """The direction of travel, (2,)."""
        mean = self.end.outward - self.start.outward
        return np.asarray(mean / np.hypot(*mean))


def find_caps(strip: Mask, nozzle_m: float, cell_m: float, origin_m: tuple[float, float]) -> tuple[Cap, ...]:
    """Return the square ends of a frame's strip.

    strip : (rows, cols), 1 where the nozzle passed while the shutter was open, row 0 north; origin_m : west and north
    edge of the first cell. An end in the middle of the frame's own trail, or in a turn, is not seen.
    """
    contours, _ = cv2.findContours(strip, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = []
    for contour in contours:
        corners = cv2.approxPolyDP(contour, SMOOTH_M / cell_m, True).reshape(-1, 2).astype(np.float64)
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            length = float(np.hypot(*(b - a))) + 1.0  # contours run through the middles of the outermost cells
            if SHORTEST * nozzle_m <= length * cell_m <= LONGEST * nozzle_m:
                cap = _cap(strip, a, b, length, nozzle_m / cell_m, FREE_M / cell_m)
                if cap is not None:
                    centre, outward = _refined(strip, contour.reshape(-1, 2), *cap, nozzle_m / cell_m)
                    place = np.array(
                        [origin_m[0] + (centre[0] + 0.5) * cell_m, origin_m[1] - (centre[1] + 0.5) * cell_m]
                    )
                    found.append(Cap(place, outward * [1, -1], length * cell_m))
    return tuple(found)


def _cap(
    strip: Mask, a: FloatArray, b: FloatArray, length: float, nozzle: float, free: float
) -> tuple[FloatArray, FloatArray] | None:
    """Return middle and outward normal (column, row) of an edge if the strip is whole behind it and dark before."""
    along = (b - a) / np.hypot(*(b - a))
    normal = np.array([along[1], -along[0]])
    middle = (a + b) / 2
    across = np.linspace(-0.4, 0.4, 9)[:, None] * length * along
    for outward in (normal, -normal):
        behind = [middle + across - outward * depth for depth in np.linspace(2, DEPTH * nozzle, 4)]
        ahead = [middle + across + outward * depth for depth in np.linspace(0.4 * free, free, 3)]
        if _mean(strip, np.concatenate(behind)) > 0.95 and _mean(strip, np.concatenate(ahead)) < 0.1:
            return middle, outward
    return None


def _refined(
    strip: Mask, contour: NDArray[Any], centre: FloatArray, outward: FloatArray, nozzle: float
) -> tuple[FloatArray, FloatArray]:
    """Return an end's middle and normal (column, row) from the outline along it and the strip's sides behind it.

    The polygon's corners lie anywhere within its tolerance.
    """
    aside = np.array([-outward[1], outward[0]])
    off = contour - centre
    on_end = (np.abs(off @ aside) < 0.3 * nozzle) & (np.abs(off @ outward) < 0.1 * nozzle)
    if np.count_nonzero(on_end) >= 8:
        slope, level = np.polyfit(off[on_end] @ aside, off[on_end] @ outward, 1)
        centre = centre + (level + 0.5) * outward  # the outer side of the outermost cells
        turned = outward - slope * aside
        outward = turned / np.hypot(*turned)
        aside = np.array([-outward[1], outward[0]])
    reach = np.arange(-0.7 * nozzle, 0.7 * nozzle, 0.5)
    across = centre - DEPTH / 2 * nozzle * outward + reach[:, None] * aside
    lit = reach[_values(strip, across) > 0]
    if len(lit) and abs(lit[-1] - lit[0] + 0.5 - nozzle) < SIDES * nozzle:  # nothing else lies beside it
        centre = centre + (lit[0] + lit[-1]) / 2 * aside
    return centre, outward


def _values(strip: Mask, points: FloatArray) -> NDArray[np.uint8]:
    """Return the mask at points (N, 2) as column and row; 0 outside."""
    col, row = np.rint(points).astype(int).T
    inside = (row >= 0) & (row < strip.shape[0]) & (col >= 0) & (col < strip.shape[1])
    found = np.zeros(len(points), np.uint8)
    found[inside] = strip[row[inside], col[inside]]
    return found


def _mean(strip: Mask, points: FloatArray) -> float:
    return float(_values(strip, points).mean())


def join(before: Sequence[Cap], after: Sequence[Cap], nozzle_m: float, blind_s: float) -> Join | None:
    """Return the ends of two frames' strips that face each other and lie nearest, or None.

    blind_s : time between the two frames; the bar cannot have gone farther than that allows.
    """
    reach_m = FASTEST_M_S * blind_s + OVERLAP_M
    best: tuple[float, Join] | None = None
    for end in before:
        for start in after:
            if float(end.outward @ start.outward) > -FACING:
                continue
            found = Join(end, start)
            step = start.centre_m - end.centre_m
            ahead, aside = float(step @ found.along), float(abs(step[0] * found.along[1] - step[1] * found.along[0]))
            if not -OVERLAP_M <= ahead <= reach_m or aside > LATERAL * nozzle_m:
                continue
            if best is None or ahead + aside < best[0]:
                best = (ahead + aside, found)
    return None if best is None else best[1]


def passed_between(found: Join, nozzle_m: float) -> FloatArray:
    """Return the outline (4, 2) of the floor that the nozzle passed over between two frames."""
    half = nozzle_m / 2 * np.array([-found.along[1], found.along[0]])
    end, start = found.end.centre_m - SEAM_M * found.along, found.start.centre_m + SEAM_M * found.along
    return np.array([end - half, end + half, start + half, start - half])


def go_on(
    before: Mask,
    after: Mask,
    caps: tuple[Sequence[Cap], Sequence[Cap]],
    step_m: float,
    nozzle_m: float,
    cell_m: float,
    origin_m: tuple[float, float],
) -> Join | None:
    """Return the join of two frames of which only one shows a square end, the bar going straight on by `step_m`.

    The other frame's end lies in its own trail, as in a turn. The strip that is filled in must be dark in the frame
    that shows the end, and the other frame's strip must lie beyond it.
    """
    best: tuple[float, Join] | None = None
    for own, other, ends, onward in ((before, after, caps[0], True), (after, before, caps[1], False)):
        for cap in ends:
            far = Cap(cap.centre_m + step_m * cap.outward, -cap.outward, cap.length_m)
            found = Join(cap, far) if onward else Join(far, cap)
            lit = [_lit(mask, cap, (0.15 * step_m, 0.9 * step_m), nozzle_m, cell_m, origin_m) for mask in (own, other)]
            beyond = _lit(other, cap, (step_m + 0.01, step_m + 0.04), nozzle_m, cell_m, origin_m)
            if lit[0] > 0.15 or lit[1] > 0.75 or beyond < 0.6:
                continue
            if best is None or lit[0] + lit[1] - beyond < best[0]:
                best = (lit[0] + lit[1] - beyond, found)
    return None if best is None else best[1]


def _lit(
    strip: Mask,
    cap: Cap,
    ahead_m: tuple[float, float],
    nozzle_m: float,
    cell_m: float,
    origin_m: tuple[float, float],
) -> float:
    """Return the lit share of the rectangle as wide as the nozzle that lies `ahead_m` (from, to) of an end."""
    aside = np.array([-cap.outward[1], cap.outward[0]])
    across, along = np.meshgrid(np.linspace(-0.42, 0.42, 13) * nozzle_m, np.linspace(*ahead_m, 9))
    places = cap.centre_m + across.reshape(-1, 1) * aside + along.reshape(-1, 1) * cap.outward
    cells = np.column_stack([(places[:, 0] - origin_m[0]) / cell_m, (origin_m[1] - places[:, 1]) / cell_m]) - 0.5
    return _mean(strip, cells)
