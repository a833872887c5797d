"""Light that is no trail: leak from doors and windows, and what the bar throws on floor nobody drove over."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

BLOCK_CELLS = 16
EVERY = 4  # a smooth surface needs no more cells than every fourth
ROUNDS = 4
HIGHEST = 75  # percentile of the fitted light above which the surface never rises
LOW_SIDE = 0.25  # weight of cells above the surface against cells below it: glow near walls must not lift it


def floor_glow(light: Plane, missed: NDArray[np.bool_]) -> Plane:
    """Return a smooth surface under the light of floor that is surely missed, (rows, cols), never below 0.

    light : (rows, cols) linear light; `missed` marks the cells the surface is fitted to. A quadratic in row and
    column, fitted by asymmetric least squares (Newey and Powell, Econometrica 55, 1987: expectiles), so that bright
    spots do not lift it. Zeros where fewer than a hundred blocks can be used.
    """
    small = tuple(max(size // BLOCK_CELLS, 1) for size in light.shape)
    thin = (slice(None, None, EVERY), slice(None, None, EVERY))
    there = missed[thin].astype(np.float32)
    weight = cv2.resize(there, small[::-1], interpolation=cv2.INTER_AREA)
    value = cv2.resize(light[thin] * there, small[::-1], interpolation=cv2.INTER_AREA)
    usable = weight > 0.3
    if np.count_nonzero(usable) < 100:
        return np.zeros_like(light)
    level = value[usable] / weight[usable]
    row, col = (axis.astype(np.float64) for axis in np.meshgrid(*map(_unit, small), indexing="ij"))
    terms = np.stack([np.ones(small), row, col, row * row, row * col, col * col], axis=-1)
    used, side = terms[usable], np.ones(len(level))
    for _ in range(ROUNDS):
        root = np.sqrt(side)
        factors, *_ = np.linalg.lstsq(used * root[:, None], level * root, rcond=None)
        side = np.where(level > used @ factors, LOW_SIDE, 1.0)
    # Between the places it was fitted to a quadratic may shoot over.
    surface = np.clip(terms @ factors, 0, np.percentile(level, HIGHEST)).astype(np.float32)
    return np.asarray(cv2.resize(surface, light.shape[::-1], interpolation=cv2.INTER_LINEAR))


def _unit(size: int) -> NDArray[np.float64]:
    return np.linspace(-1, 1, size)
