"""The places that a robot drove over most often."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.measures.uncertainty import quantity
from coverage_lab.measures.values import MostDriven
from coverage_lab.room.grid import FloorGrid, ShareArray

FEWEST_VISITS = 3  # two lanes overlap everywhere
LARGEST_SHARE = 0.02  # of the swept floor, at least, is so much visited that its places count
NARROWEST = 0.25  # of the nozzle's length: slivers between two strips' edges are no place
MOST = 5  # places told
EDGE_U_M = 0.004  # where one frame's strip ends: one of the cells on which it is found


def most_driven(
    visits: NDArray[np.uint8], swept: ShareArray, visible: ShareArray, grid: FloorGrid, nozzle_m: float
) -> tuple[MostDriven, ...]:
    """Return the places most often visited, the most visited first; none where nothing stands out.

    visits : (rows, cols), maximal runs of frames in which a cell was swept; `swept` and `visible` are shares of cells.
    So many visits count that at least `LARGEST_SHARE` of the swept floor has them, three at the least; connected
    floor with them that a disc of a quarter of the nozzle fits into is a place.
    """
    there = (swept * visible) >= 0.5
    least = _threshold(visits[there])
    if least is None:
        return ()
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(NARROWEST * nozzle_m / grid.cell_m) | 1,) * 2)
    often = cv2.morphologyEx((there & (visits >= least)).astype(np.uint8), cv2.MORPH_OPEN, disc)
    _, labels, facts, _ = cv2.connectedComponentsWithStats(np.asarray(often), connectivity=8)
    found = []
    for number, (col, row, wide, high, _) in enumerate(facts[1:].tolist(), start=1):
        window = np.s_[row : row + high, col : col + wide]
        found.append(_place(labels[window] == number, visits[window], (row, col), grid))
    found.sort(key=lambda place: (-place.visits, -place.area_cm2.value, place.pole_m))
    return tuple(found[:MOST])


def _threshold(visits: NDArray[np.uint8]) -> int | None:
    """Return the largest number of visits that a fair share of swept cells has, or None below `FEWEST_VISITS`."""
    if visits.size == 0:
        return None
    at_least = np.cumsum(np.bincount(visits, minlength=256)[::-1])[::-1]
    fair = np.flatnonzero(at_least >= LARGEST_SHARE * visits.size)
    return int(fair[-1]) if fair[-1] >= FEWEST_VISITS else None


def _place(own: NDArray[np.bool_], visits: NDArray[np.uint8], corner: tuple[int, int], grid: FloorGrid) -> MostDriven:
    """Describe one place, given on a window whose first cell is `corner` (row, col) of the grid."""
    padded = np.pad(own.astype(np.uint8), 1)
    inside = cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    _, deepest, _, (col, row) = cv2.minMaxLoc(inside)
    outlines, _ = cv2.findContours(padded, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    around_m = sum(cv2.arcLength(outline, True) for outline in outlines) * grid.cell_m
    area_m2 = float(np.count_nonzero(own)) * grid.cell_m2
    x_m, y_m = grid.to_floor((corner[0] + row - 1, corner[1] + col - 1)).tolist()
    return MostDriven(
        pole_m=(x_m, y_m),
        diameter_mm=(2 * deepest - 1) * grid.cell_m * 1000,
        area_cm2=quantity(1e4 * area_m2, 1e4 * EDGE_U_M * around_m, low=0.0),
        visits=float(visits[own].mean()),
    )
