"""Directions of travel from one long exposure.

A pass draws tracks (or, from a tube or an unresolved bar, a strip with two edges), so light changes across
the direction of travel and not along it. Second derivatives of the light f see that: with D = (d/dx + i d/dy)²
and the Laplacian L, a pattern with spectrum P(k, φ) has

    mean(D f · L f) = ∫ k⁴ P exp(2iφ),   mean((D f)²) = ∫ k⁴ P exp(4iφ),   mean((L f)²) = ∫ k⁴ P.

Their ratios are the mean doubled and fourfold angle of the spectrum. They add up over crossing passes, where
the gradients of the structure tensor (Bigün & Granlund 1987) mix: two equal gratings at right angles give 0
and 1. They do not depend on exposure; clipped floor has no derivatives and so no say.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.field import FIELD_CELL_M, TravelField
from coverage_lab.room.grid import FloorGrid, ShareArray

TRACK_SAMPLES = 3.9  # working cells per LED pitch, at least
STRIP_CELL_M = 0.004  # working cell where there are no single tracks
CLIPPED_SHARE = 0.93  # of the brightest light: background was taken off, so clipped floor is not quite level
FAINTEST_CONTRAST = 0.05  # rms of a track's ripple over the mean light at which half of its say is left

Light = NDArray[np.float32]


def travel_field(light: Light, swept: ShareArray, floor: ShareArray, grid: FloorGrid, bar: Bar) -> TravelField:
    """Return the directions of travel that the plan view of linear light shows.

    light : (rows, cols), background removed, possibly clipped, any scale.  swept, floor : shares of the same
    shape; `floor` is the visible floor that the nozzle can reach, and what is not swept of it was missed. The
    field's cells are `FIELD_CELL_M` wide, or the whole multiple of the grid's cells nearest to it.
    """
    coarse = max(1, round(FIELD_CELL_M / grid.cell_m))
    fine = _working_step(grid.cell_m, bar, coarse)
    reduced = _reduce(light, fine)
    moments = [_reduce(moment, coarse // fine) for moment in _moments(reduced)]
    double_x, double_y, four_x, four_y, energy = (_smooth(moment) for moment in moments)
    level, burnt = _even_out(light, grid.cell_m, coarse, bar)
    bright = max(float(level.max(initial=0.0)), 1e-12)
    wave = 2 * np.pi * fine * grid.cell_m / (bar.pitch_m or 2 * bar.nozzle_m / 10)
    contrast = energy / (wave**4 * (level**2 + (0.01 * bright) ** 2))
    say = contrast / (contrast + FAINTEST_CONTRAST**2)
    within = _reduce(floor, coarse)
    swept_within = _reduce(swept * floor, coarse)
    rows, cols = level.shape
    return TravelField(
        grid=FloorGrid(grid.west_m, grid.north_m, rows, cols, coarse * grid.cell_m),
        axis=_mean_direction(double_x, double_y, energy),
        fourfold=_mean_direction(four_x, four_y, energy),
        weight=(swept_within * say).astype(np.float32),
        floor=within,
        missed=np.maximum(within - swept_within, 0),
        burnt=burnt,
        level=level,
    )


def _mean_direction(east: Light, north: Light, energy: Light) -> NDArray[np.complex64]:
    """Divide a moment by the energy; where a window cuts a track the length may pass 1 and is held there."""
    length = np.maximum(np.hypot(east, north), np.maximum(energy, np.float32(1e-20)))
    return ((east + 1j * north) / length).astype(np.complex64)


def _working_step(cell_m: float, bar: Bar, coarse: int) -> int:
    """Return how many grid cells make a working cell: few enough to keep the tracks apart, and a divisor."""
    wanted_m = bar.pitch_m / TRACK_SAMPLES if bar.pitch_m else STRIP_CELL_M
    return max(step for step in range(1, coarse + 1) if coarse % step == 0 and (step * cell_m <= wanted_m or step == 1))


def _moments(light: Light) -> tuple[Light, Light, Light, Light, Light]:
    """Return the products of second derivatives whose means are the moments of the direction of TRAVEL.

    Travel runs across the gradient, which turns the sign of the doubled angle and not that of the fourfold
    one; rows run south, which turns the sign of the sine.
    """
    east = cv2.Sobel(light, cv2.CV_32F, 2, 0, ksize=3, scale=0.25)
    south = cv2.Sobel(light, cv2.CV_32F, 0, 2, ksize=3, scale=0.25)
    mixed = cv2.Sobel(light, cv2.CV_32F, 1, 1, ksize=3, scale=0.5)
    laplace, difference = east + south, east - south
    return (
        -difference * laplace,
        mixed * laplace,
        difference * difference - mixed * mixed,
        -2 * difference * mixed,
        laplace * laplace,
    )


def _reduce(picture: Light, step: int) -> Light:
    """Average over blocks of `step` cells; a remainder at the south and east edge (margin) is left out."""
    if step == 1:
        return picture
    rows, cols = picture.shape[0] // step, picture.shape[1] // step
    whole = picture[: rows * step, : cols * step]
    return np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)


def _even_out(light: Light, cell_m: float, coarse: int, bar: Bar) -> tuple[Light, Light]:
    """Average the light over field cells, its comb blurred away first lest tracks and cells make moiré.

    Returns also the share of each field cell that is as bright as it gets, which is clipped or a dwell.
    """
    step = max(s for s in range(1, coarse + 1) if coarse % s == 0 and (s * cell_m <= STRIP_CELL_M or s == 1))
    strip = _reduce(light, step)
    burnt = (strip >= CLIPPED_SHARE * strip.max(initial=1e-12)).astype(np.float32)
    if bar.pitch_m:
        strip = np.asarray(cv2.GaussianBlur(strip, (0, 0), bar.pitch_m / 2 / (step * cell_m)), dtype=np.float32)
    return _reduce(strip, coarse // step), _reduce(burnt, coarse // step)


def _smooth(picture: Light) -> Light:
    """Average over 3 × 3 field cells, so that tracks and cells make no moiré."""
    return np.asarray(cv2.blur(picture, (3, 3)), dtype=np.float32)
