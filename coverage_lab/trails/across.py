"""Light across the trail, from straight parts of its outline inward: what both ruler and dead LEDs are read from."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from coverage_lab.trails.outline import Outline

Float = NDArray[np.float32]

STRAIGHT_OVER = 15  # outline points over which normals are averaged
MOST_BEND = 0.002  # 1 - length of the mean normal: 5 degrees or so
PROFILES = 1500


def across_outline(
    light: Float, outline: Outline, first_track: Float, inward: Float, but: NDArray[np.bool_] | None = None
) -> Float:
    """Return light (N, S) across straight parts of the outline, `inward` (S,) cells from the first track's centre.

    light : (rows, cols) plan view; first_track : (M,) how far inside the outline (cells) the outermost track lies;
    but : (M,) points to leave out. N is below twice `PROFILES`.
    """
    normals, straight = _steady_normals(outline)
    some = np.nonzero(straight if but is None else straight & ~but)[0]
    some = some[:: max(1, len(some) // PROFILES)]
    if len(some) == 0:
        return np.zeros((0, len(inward)), np.float32)
    start = outline.points[some] + first_track[some, None] * outline.normals[some]
    at = start[:, None, :] + inward[None, :, None] * normals[some, None, :]
    rows, cols = (np.ascontiguousarray(at[..., axis], dtype=np.float32) for axis in (0, 1))
    return np.asarray(cv2.remap(light, cols, rows, cv2.INTER_LINEAR))


def _steady_normals(outline: Outline) -> tuple[Float, NDArray[np.bool_]]:
    """Normals (M, 2) averaged along the outline, and where it is straight."""
    normals, length = np.empty_like(outline.normals), np.empty(len(outline.normals))
    for first, last in pairwise(outline.starts):
        mean = uniform_filter1d(outline.normals[first:last], STRAIGHT_OVER, axis=0, mode="wrap")
        length[first:last] = np.linalg.norm(mean, axis=1)
        normals[first:last] = mean / np.maximum(length[first:last, None], 1e-6)
    return normals, length > 1 - MOST_BEND
