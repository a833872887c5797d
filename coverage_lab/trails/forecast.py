"""How well the edge of a trail will be found before there is any: the analysis itself, on a pass as it will look."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from coverage_lab.job import Bar
from coverage_lab.trails.comb import Comb
from coverage_lab.trails.edge import fit_edges
from coverage_lab.trails.flank import RESOLVED
from coverage_lab.trails.outline import trace_outline
from coverage_lab.trails.seams import RESOLVED_CELLS

WIDENED_PX = 1.1  # lamp, glare and resampling: 0.8 to 1.3 px on rendered and simulated frames
MIDDLE_LIGHT = 0.35  # of full scale: a well exposed single pass
OUTER_LIGHT = 0.3  # of a track, where the outline of a trail runs
PASS_CELLS = 300  # long, and so much at each of its ends shows no straight edge:
END_CELLS = 40
SLANT = 0.15  # rad, so that the edge lies in cells in every way

Plane = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class ExpectedEdge:
    """How well the place of a trail's outline will be known."""

    blur_m: float  # standard deviation of the trail's blur
    u_m: float  # standard uncertainty of the outline's place, common to all of it
    transfer_u_m: float  # what a bent transfer curve adds to it


def trail_blur_m(blur_px: float, px_m: float) -> float:
    """Return how blurred a trail will be where a lights-on frame is blurred by `blur_px` and a pixel shows `px_m`."""
    return float(np.hypot(blur_px, WIDENED_PX)) * px_m


def comb_resolved(bar: Bar, blur_m: float, cell_m: float) -> bool:
    """Say whether the tracks of a bar will be told apart, as the analysis does."""
    return bar.pitch_m is not None and bar.pitch_m > max(RESOLVED * blur_m, RESOLVED_CELLS * cell_m)


def expected_edge(bar: Bar, cell_m: float, blur_m: float, px_m: float) -> ExpectedEdge:
    """Return how well the edge of a trail will be found that is `blur_m` blurred; a pixel shows `px_m` of floor.

    One straight pass in good light, without noise, is drawn and its edge fitted by the analysis itself.
    """
    comb = Comb.of(bar, cell_m)
    light, mask, along = _pass(comb, blur_m / cell_m)
    outline = trace_outline(mask, smallest_extent=comb.lit)
    row, col = np.rint(outline.points).astype(np.intp).T
    at_ends = np.abs(along[row, col]) > PASS_CELLS / 2 - END_CELLS
    fit = fit_edges(light, outline, comb, 1.0, px_m / cell_m, at_ends)
    return ExpectedEdge(blur_m, fit.u * cell_m, fit.transfer_u * cell_m)


def _pass(comb: Comb, blur: float) -> tuple[Plane, NDArray[np.uint8], Plane]:
    """Return a pass, (rows, cols): its light, where it is trail, and how far along it a cell lies; `blur` in cells."""
    margin = 12 + 6 * blur
    half = int(np.ceil((np.hypot(comb.lit, PASS_CELLS) + margin) / 2))
    down, right = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    along = right * np.float32(np.cos(SLANT)) + down * np.float32(np.sin(SLANT))
    across = down * np.float32(np.cos(SLANT)) - right * np.float32(np.sin(SLANT))
    if comb.pitch is None:
        light = ndtr((across + comb.lit / 2) / blur) - ndtr((across - comb.lit / 2) / blur)
    else:
        tracks = (np.arange(comb.led_count) - (comb.led_count - 1) / 2) * comb.pitch
        light = sum(np.exp(-0.5 * ((across - np.float32(track)) / np.float32(blur)) ** 2) for track in tracks)
    long = np.abs(along) < PASS_CELLS / 2
    flank = blur * np.sqrt(-2 * np.log(OUTER_LIGHT))
    trail = long & (np.abs(across) < comb.lit / 2 + flank)
    return (MIDDLE_LIGHT / light.max() * light * long).astype(np.float32), trail.astype(np.uint8), along
