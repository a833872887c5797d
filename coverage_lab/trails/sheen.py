"""What decoys throw back of the bar's light: often as bright as trail, and no trail.

It can only lie where the camera sees a decoy. There, trail must be a comb, or clipped, or as bright as trail is, and it
must be swept by a nozzle of the known length. Where only its brightness speaks for it, it stays in doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.plan import FloorPlan
from coverage_lab.trails.comb import brightness
from coverage_lab.trails.likeness import AS_BRIGHT, BELOW_CLIP, RESOLVED_CELLS, RIPPLE, filled, patch_cells

Plane = NDArray[np.float32]
Bits = NDArray[np.bool_]

RIM_M = 0.012  # around a decoy's picture: blur, and what footprint, height and camera may be off
LEAST_BRIGHT = 20.0  # of 255: below it ripples are noise
NOZZLE = 0.9  # of its length must lie on trail
HEADINGS = 24
LONG = 1.4  # pitches: side of the square that a net of tracks covers at least; light and shade on a decoy do not
EDGE_CELLS = 13


@dataclass(frozen=True, slots=True, eq=False)
class Sheen:
    """Cells (rows, cols) where decoys are seen: what is no trail although it is bright, and what may be none."""

    none: Bits
    doubtful: Plane


def decoy_sheen(mask: NDArray[np.uint8], light: Plane, plan: FloorPlan, bar: Bar, clip: float, trail: float) -> Sheen:
    """Tell trail from sheen in `mask`, the cells (rows, cols) that are not 0 where light lies above the trail's level.

    `light` in plan view, `clip` as in `sweep`, `trail` (0-255) the trail's mean brightness.
    """
    if plan.decoys_seen.is_empty:
        return Sheen(np.zeros(mask.shape, bool), np.zeros(mask.shape, np.float32))
    cell_m, bright = plan.grid.cell_m, mask > 0
    # Closing the comb lets bright things grow together within half a pitch.
    rim_m = RIM_M + (bar.pitch_m or 0.0) / 2
    around = plan.grid.weights(plan.decoys_seen.buffer(rim_m)) > 0
    shown = around & bright
    strong = (brightness(light) >= AS_BRIGHT * trail) | (light >= BELOW_CLIP * clip)
    like = filled(strong, np.ones_like(strong), patch_cells(bar, cell_m))
    combed = np.zeros_like(bright)
    if bar.pitch_m is not None and bar.pitch_m >= RESOLVED_CELLS * cell_m:
        combed = _tracks(light, bar.pitch_m / cell_m)
    none = shown & ~(like | combed)
    none |= shown & ~_swept_whole(bright & ~none, shown, bar, cell_m)
    # The edge of what is swept is found later, up to so far outside the cells that are bright.
    unproven = _with_an_edge(shown & ~none & ~combed, bright & ~none)
    doubtful = cv2.dilate(unproven.astype(np.uint8), np.ones((EDGE_CELLS, EDGE_CELLS), np.uint8)) > 0
    return Sheen(none, (doubtful & around & ~combed).astype(np.float32))


def _with_an_edge(cells: Bits, bright: Bits) -> Bits:
    """Those groups of neighbouring `cells` that border on floor that is not bright: amid trail there is but trail."""
    count, number = cv2.connectedComponents(cells.astype(np.uint8), connectivity=8)
    rim = cv2.dilate((~bright).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    open_ = np.bincount(number[rim & cells], minlength=count) > 0
    return np.asarray(cells & open_[number])


def _tracks(light: Plane, pitch: float) -> Bits:
    """Cells of bright lines narrower than the comb's pitch (in cells), and between two of them.

    A decoy's sheen is smooth and wider than that: the top-hat transform leaves no more than specks of it.
    """
    bright = brightness(light)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(pitch) | 1,) * 2)
    ridges = cv2.morphologyEx(bright, cv2.MORPH_TOPHAT, disc) > RIPPLE * np.maximum(bright, LEAST_BRIGHT)
    wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(pitch / 2) + 3,) * 2)
    _, number, stats, _ = cv2.connectedComponentsWithStats(ridges.astype(np.uint8), connectivity=8)
    long = stats[:, cv2.CC_STAT_AREA] > (LONG * pitch) ** 2
    long[0] = False  # what is no ridge
    return np.asarray(cv2.morphologyEx(long[number].astype(np.uint8), cv2.MORPH_CLOSE, wide) > 0)


def _swept_whole(bright: Bits, shown: Bits, bar: Bar, cell_m: float) -> Bits:
    """Cells of `bright` that a nozzle lying on bright cells covers, in and around `shown`."""
    found = np.zeros_like(bright)
    side = round(NOZZLE * bar.nozzle_m / cell_m) | 1
    count, _, stats, _ = cv2.connectedComponentsWithStats(shown.astype(np.uint8), connectivity=8)
    for left, top, wide, high, _ in stats[1:count].tolist():
        box = np.s_[max(top - side, 0) : top + high + side, max(left - side, 0) : left + wide + side]
        part = bright[box].astype(np.uint8)
        for heading in np.arange(HEADINGS) * np.pi / HEADINGS:
            found[box] |= cv2.morphologyEx(part, cv2.MORPH_OPEN, _line(side, float(heading))) > 0
    return found


def _line(side: int, heading_rad: float) -> NDArray[np.uint8]:
    """Return a line across a square of `side` cells, through its middle."""
    kernel, half = np.zeros((side, side), np.uint8), side // 2
    reach = half * np.array([np.cos(heading_rad), np.sin(heading_rad)])
    start, end = (np.rint(half + sign * reach).astype(int).tolist() for sign in (-1, 1))
    cv2.line(kernel, start, end, (1,), 1)
    return kernel
