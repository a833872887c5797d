"""What tells a trail from things that glow as bright as one: it is a comb, or clipped, or as bright as trail is."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.trails.comb import brightness, close_comb

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

RIPPLE = 0.15  # of brightness: a gap of the comb is darker by at least so much
BELOW_CLIP = 0.95
AS_BRIGHT = 0.9  # of the trail's mean brightness, where no comb can be seen
RESOLVED_CELLS = 4.0  # pitch from which on a comb may be seen
PATCH_PITCHES = 3.0  # patches in which comb or clip must fill `PATCH_SHARE`: a glint or a hot pixel does not
PATCH_SHARE = 0.3
TUBE_PATCH_M = 0.03


def trail_like(light: Plane, bar: Bar, cell_m: float, clip: float, trail: float) -> Mask:
    """Cells (rows, cols) of light that are clipped, dark gaps of a comb, or for want of one as bright as the trail.

    `clip` as in `sweep`; `trail` (0-255) is the trail's mean brightness.
    """
    bright, clipped = brightness(light), light >= BELOW_CLIP * clip
    if bar.pitch_m is None or bar.pitch_m < RESOLVED_CELLS * cell_m:
        return np.asarray(clipped | (bright >= AS_BRIGHT * trail))
    closed = close_comb(bright, bar.pitch_m / cell_m).astype(np.float32)
    return np.asarray(clipped | ((closed - bright > RIPPLE * closed) & (closed > trail / 3)))


def patch_cells(bar: Bar, cell_m: float) -> int:
    """Side in cells, odd, of the patches that are looked at."""
    return round((TUBE_PATCH_M if bar.pitch_m is None else PATCH_PITCHES * bar.pitch_m) / cell_m) | 1


def filled(like: Mask, region: Mask, side: int) -> Mask:
    """Cells of `region` in whose patch of `side` cells enough of the region's cells are `like` trail."""
    parts, whole = (cv2.blur(mask.astype(np.float32), (side, side)) for mask in (like & region, region))
    return np.asarray(region & (parts > PATCH_SHARE * whole))
