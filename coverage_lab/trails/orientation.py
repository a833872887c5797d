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

from math import ceil

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.field import FIELD_CELL_M, TravelField
from coverage_lab.room.grid import FloorGrid, ShareArray

TRACK_SAMPLES = 3.8  # working cells per LED pitch, at least
STRIP_CELL_M = 0.004  # working cell where there are no single tracks
STRIP_EDGE_M = 0.044  # wavelength that the edge of a strip without tracks is taken for
BLUR_CELLS = 0.85  # sigma of the derivative filters: below it they favour the axes of the grid
FAINTEST_CONTRAST = 0.05  # rms of a track's ripple over the mean light at which half of its say is left
CLIPPED_SHARE = 0.93  # of the brightest light: background was taken off, so clipped floor is not quite level

Light = NDArray[np.float32]
Shape = tuple[int, int]


def travel_field(light: Light, swept: ShareArray, floor: ShareArray, grid: FloorGrid, bar: Bar) -> TravelField:
    """Return the directions of travel that the plan view of linear light shows.

    light : (rows, cols), background removed, possibly clipped, any scale.  swept, floor : shares of the same
    shape; `floor` is the visible floor that the nozzle can reach, and what is not swept of it was missed. The
    field's cells are `FIELD_CELL_M` wide, or the whole multiple of the grid's cells nearest to it; what is left
    over at the south and east (margin) is cut off.
    """
    step = max(1, round(FIELD_CELL_M / grid.cell_m))
    coarse = FloorGrid(grid.west_m, grid.north_m, grid.rows // step, grid.cols // step, step * grid.cell_m)
    light, swept, floor = (plane[: coarse.rows * step, : coarse.cols * step] for plane in (light, swept, floor))
    finest_m = bar.pitch_m / TRACK_SAMPLES if bar.pitch_m else STRIP_CELL_M
    parts = min(ceil(coarse.cell_m / finest_m), step)
    moments = _moments(_reduce(light, coarse.shape, parts))
    double_x, double_y, four_x, four_y, energy = (_smooth(_reduce(m, coarse.shape)) for m in moments)
    level, burnt = _even_out(light, coarse, min(ceil(coarse.cell_m / STRIP_CELL_M), step), bar)
    within, swept_within = _reduce(floor, coarse.shape), _reduce(swept * floor, coarse.shape)
    say = _say(energy, level, 2 * np.pi * coarse.cell_m / parts / (bar.pitch_m or STRIP_EDGE_M))
    return TravelField(
        grid=coarse,
        axis=_mean_direction(double_x, double_y, energy),
        fourfold=_mean_direction(four_x, four_y, energy),
        weight=(swept_within * say).astype(np.float32),
        floor=within,
        missed=np.maximum(within - swept_within, 0),
        burnt=burnt,
        level=level,
    )


def _moments(light: Light) -> tuple[Light, Light, Light, Light, Light]:
    """Return the products of second derivatives whose means are the moments of the direction of TRAVEL.

    Travel runs across the gradient, which turns the sign of the doubled angle and not that of the fourfold
    one; rows run south, which turns the sign of the sine.
    """
    at = np.arange(-3.0, 4.0)
    blur = np.exp(-(at**2) / (2 * BLUR_CELLS**2))
    blur /= blur.sum()
    slope = at * blur / np.sum(at**2 * blur)
    bend = (at**2 - np.sum(at**2 * blur)) * blur
    bend *= 2 / np.sum(at**2 * bend)
    east = cv2.sepFilter2D(light, cv2.CV_32F, bend, blur)
    south = cv2.sepFilter2D(light, cv2.CV_32F, blur, bend)
    mixed = cv2.sepFilter2D(light, cv2.CV_32F, 2 * slope, slope)
    laplace, difference = east + south, east - south
    return (
        -difference * laplace,
        mixed * laplace,
        difference * difference - mixed * mixed,
        -2 * difference * mixed,
        laplace * laplace,
    )


def _say(energy: Light, level: Light, wave: float) -> Light:
    """Return how far a direction is more than noise, [0, 1]; `wave` is the tracks' wave number per working cell."""
    bright = max(float(level.max(initial=0.0)), 1e-12)
    passed = wave**4 * np.exp(-((BLUR_CELLS * wave) ** 2))  # what the filters leave of a ripple's power
    contrast = energy / (passed * (level**2 + (0.01 * bright) ** 2))
    return np.asarray(contrast / (contrast + FAINTEST_CONTRAST**2), dtype=np.float32)


def _mean_direction(east: Light, north: Light, energy: Light) -> NDArray[np.complex64]:
    """Divide a moment by the energy; where a window cuts a track the length may pass 1 and is held there."""
    length = np.maximum(np.hypot(east, north), np.maximum(energy, np.float32(1e-20)))
    return ((east + 1j * north) / length).astype(np.complex64)


def _even_out(light: Light, coarse: FloorGrid, parts: int, bar: Bar) -> tuple[Light, Light]:
    """Average the light over field cells, its comb blurred away first lest tracks and cells make moiré.

    Returns also the share of each field cell that is as bright as it gets, which is clipped or a dwell.
    """
    strip = _reduce(light, coarse.shape, parts)
    burnt = (strip >= CLIPPED_SHARE * strip.max(initial=1e-12)).astype(np.float32)
    if bar.pitch_m:
        sigma = bar.pitch_m / 2 / (coarse.cell_m / parts)
        strip = np.asarray(cv2.GaussianBlur(strip, (0, 0), sigma), dtype=np.float32)
    return _reduce(strip, coarse.shape), _reduce(burnt, coarse.shape)


def _reduce(picture: Light, shape: Shape, parts: int = 1) -> Light:
    """Average a picture to `parts` × `parts` working cells per field cell."""
    rows, cols = shape[0] * parts, shape[1] * parts
    if picture.shape == (rows, cols):
        return picture
    return np.asarray(cv2.resize(picture, (cols, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)


def _smooth(picture: Light) -> Light:
    """Average over 3 × 3 field cells, so that tracks and cells make no moiré."""
    return np.asarray(cv2.blur(picture, (3, 3)), dtype=np.float32)
