"""The light that a bar leaves in a frame's cells as it moves, in passes, and how that changes with its way.

Light adds up: what a cell receives is the sum over the places of the bar, each weighed by the time spent there. The
bar is a line that shines evenly, seen through a blur; a straight pass at the usual pace leaves 1 in the middle of its
strip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.special import ndtr

from coverage_lab.job import Bar
from coverage_lab.room.track import Pace
from coverage_lab.trails.frame_light import Cells

FloatArray = NDArray[np.float64]
Numbers = NDArray[np.intp]

APART = 0.8  # of the blur: so far apart the places are that are added up
REACH = 3.2  # of the blur: light beyond is left out
_PEAK = 1 / np.sqrt(2 * np.pi)


@dataclass(frozen=True, slots=True)
class Line:
    """A bar as a line of light."""

    length_m: float
    forward_m: float  # ahead of the turning centre
    pace: Pace  # at which a pass leaves 1

    @classmethod
    def of(cls, bar: Bar, pace: Pace) -> Line:
        """Return the line of a bar; each LED stands for a pitch."""
        return cls(bar.lit_length_m + (bar.pitch_m or 0.0), bar.forward_m, pace)


@dataclass(frozen=True, slots=True, eq=False)
class Lit:
    """Pairs of a place of the bar and a cell that it lights, (k,) each."""

    place: Numbers
    cell: Numbers  # counted row by row
    ahead_m: FloatArray  # how far the cell lies ahead of the bar
    aside_m: FloatArray  # and to the left of its middle


def glow(
    poses: FloatArray, dwell_s: FloatArray, line: Line, blur_m: float, cells: Cells
) -> tuple[FloatArray, csr_matrix]:
    """Return the light of a way, (cells,), and its derivatives, (cells, 4 n).

    poses : (n, 3) of the turning centre, straight and even between two; dwell_s : (n - 1,) from one to the next. The
    derivatives are by x, y and heading of each pose, then by the logarithm of each time, then by that of the blur.
    """
    count, step = len(poses), np.diff(poses, axis=0)
    far_m = np.hypot(step[:, 0], step[:, 1]) + np.abs(step[:, 2]) * (line.length_m / 2 + abs(line.forward_m))
    parts = np.maximum(np.ceil(far_m / (APART * blur_m)), 1).astype(int)
    number = np.repeat(np.arange(count - 1), parts)
    share = (np.arange(len(number)) - np.repeat(np.cumsum(parts) - parts, parts) + 0.5) / parts[number]
    places = poses[number] + share[:, None] * step[number]
    lit = lit_cells(places, line, REACH * blur_m, cells)

    first, part = number[lit.place], share[lit.place]
    value, (by_ahead, by_aside, by_blur) = _shine(lit, line, blur_m)
    weight = line.pace.m_s * (dwell_s / parts)[first]
    value, by_ahead, by_aside, by_blur = (weight * one for one in (value, by_ahead, by_aside, by_blur))
    cos, sin = np.cos(places[lit.place, 2]), np.sin(places[lit.place, 2])
    by_pose = (
        -cos * by_ahead + sin * by_aside,
        -sin * by_ahead - cos * by_aside,
        lit.aside_m * by_ahead - (lit.ahead_m + line.forward_m) * by_aside,
    )
    columns, values = [3 * count + first, np.full(len(first), 4 * count - 1)], [value, by_blur]
    for axis, by in enumerate(by_pose):
        columns += [3 * first + axis, 3 * first + 3 + axis]
        values += [(1 - part) * by, part * by]
    size = cells.shape[0] * cells.shape[1]
    at = np.tile(lit.cell, len(columns)), np.concatenate(columns)
    by = coo_matrix((np.concatenate(values), at), (size, 4 * count)).tocsr()
    return np.bincount(lit.cell, value, size).astype(float), by


def lit_cells(places: FloatArray, line: Line, reach_m: float, cells: Cells) -> Lit:
    """Return which cells lie within `reach_m` of the bar at places (m, 3) of the turning centre."""
    cos, sin = np.cos(places[:, 2]), np.sin(places[:, 2])
    middle = places[:, :2] + line.forward_m * np.column_stack([cos, sin])
    around_m = line.length_m / 2 + reach_m
    side = np.arange(int(np.ceil(2 * around_m / cells.cell_m)) + 1)
    cols = np.ceil((middle[:, :1] - around_m - cells.west_m) / cells.cell_m).astype(int) + side
    rows = np.ceil((cells.north_m - middle[:, 1:] - around_m) / cells.cell_m).astype(int) + side
    x_m = cells.west_m + cols * cells.cell_m - middle[:, :1]
    y_m = cells.north_m - rows * cells.cell_m - middle[:, 1:]
    ahead_m = (cos[:, None] * x_m)[:, None, :] + (sin[:, None] * y_m)[:, :, None]
    inside = ((cols >= 0) & (cols < cells.shape[1]))[:, None, :] & ((rows >= 0) & (rows < cells.shape[0]))[:, :, None]
    at, down, along = np.nonzero((np.abs(ahead_m) < reach_m) & inside)
    aside_m = cos[at] * y_m[at, down] - sin[at] * x_m[at, along]
    near = np.abs(aside_m) < around_m
    at, down, along = at[near], down[near], along[near]
    return Lit(at, rows[at, down] * cells.shape[1] + cols[at, along], ahead_m[at, down, along], aside_m[near])


def shine(lit: Lit, line: Line, blur_m: float) -> FloatArray:
    """Return what a bar shines on cells, (k,), per metre of way."""
    half_m = line.length_m / 2
    across = ndtr((lit.aside_m + half_m) / blur_m) - ndtr((lit.aside_m - half_m) / blur_m)
    return np.asarray(_PEAK / blur_m * np.exp(-0.5 * (lit.ahead_m / blur_m) ** 2) * across)


def _shine(lit: Lit, line: Line, blur_m: float) -> tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray]]:
    """Return `shine` and its derivatives by `ahead_m`, by `aside_m` and by the blur's logarithm, (k,) each."""
    half_m, ahead = line.length_m / 2, lit.ahead_m / blur_m
    value = shine(lit, line, blur_m)
    along = _PEAK / blur_m * np.exp(-0.5 * ahead**2)
    right, left = (lit.aside_m + half_m) / blur_m, (lit.aside_m - half_m) / blur_m
    rim, other = (_PEAK * np.exp(-0.5 * end**2) for end in (right, left))
    by_blur = value * (ahead**2 - 1) - along * (right * rim - left * other)
    return value, (-ahead / blur_m * value, along * (rim - other) / blur_m, by_blur)
