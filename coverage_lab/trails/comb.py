"""The comb: a row of LEDs draws bright tracks with dark gaps that the nozzle covered all the same."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar

CLOSING_PER_PITCH = 1.1  # tracks of one pass are never further apart than the pitch; a tenth for uneven LEDs
TRACK_CELLS = 0.0  # the least width of a track, by which the dark gap is narrower
TUBE_CLOSING_CELLS = 3
FLAT = 0.8  # of brightness, two thirds of light: a gap that is brighter than this beside its tracks is none


@dataclass(frozen=True, slots=True)
class Comb:
    """The bar's tracks, in cells of the plan view."""

    pitch: float | None  # distance between two tracks; None for a tube
    led_count: int
    lit: float  # from the first track's centre to the last; a tube's lit length
    overhang: float  # how far the nozzle reaches beyond, each side

    @classmethod
    def of(cls, bar: Bar, cell_m: float) -> Comb:
        """Return the tracks of `bar` on cells of side `cell_m`."""
        pitch = None if bar.pitch_m is None else bar.pitch_m / cell_m
        return cls(pitch, bar.led_count, bar.lit_length_m / cell_m, bar.overhang_m / cell_m)


def brightness(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return light as 8-bit brightness, its square root: even steps of noise, and fast order statistics."""
    return np.asarray(cv2.convertScaleAbs(cv2.sqrt(np.maximum(light, 0)), alpha=255))


def shows_comb(bright: NDArray[np.uint8], closed: NDArray[np.uint8], level: float) -> bool:
    """Say whether gaps between tracks are dark enough to fall below `level` somewhere: brightness as is, and closed."""
    thin = (slice(None, None, 3), slice(None, None, 3))
    trail = closed[thin] > level
    deepest = np.percentile(bright[thin][trail] / closed[thin][trail], 5) if trail.any() else 0.0
    return bool(deepest < FLAT)


def close_comb(bright: NDArray[np.uint8], pitch_cells: float | None) -> NDArray[np.uint8]:
    """Fill the dark gaps between the tracks of one pass (grey closing by a disc a little wider than the pitch).

    bright : (rows, cols); pitch_cells : distance between tracks in cells, None for a tube. A gap between two passes
    that is narrower than the pitch closes too: light alone cannot tell it from a gap of the comb.
    """
    across = TUBE_CLOSING_CELLS if pitch_cells is None else pitch_cells * CLOSING_PER_PITCH - TRACK_CELLS
    size = max(TUBE_CLOSING_CELLS, 2 * round((across - 1) / 2) + 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx(bright, cv2.MORPH_CLOSE, disc))
