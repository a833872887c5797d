"""Did the camera move between the reference frame and the exposure? What stands still in the room tells.

In an exposure the room shows faintly, lit by what the bar throws on it and by light that leaks in: the foot of walls,
furniture, markers, joints between floor boards. Lit from below, an edge may be bright on the other side than under
the ceiling's lamps, but it lies where it lay. So edges are compared by their orientation alone (the gradient's angle,
doubled, as in Bigun and Granlund, ICCV 1987), wherever there is no trail, tile by tile. What is found counts only if
it is the best shift and turn of the whole picture for nearly any half of the tiles.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.model import Camera

Plane = NDArray[np.float32]
FloatArray = NDArray[np.float64]

PIXEL_M = 0.0025  # what a pixel of the reduced picture shows at least
SEARCH_M = 0.03
SHARP, SLOW = 0.8, 2.0  # reduced pixels, standard deviations: what is looked at lies between
WEAK = 8.0  # times the median squared gradient: from there on all edges count alike
SHADE = 1e-4  # light, as a share of full scale, below which all is dark
TILES = 9  # along each side of the picture
FEWEST_TILES, LEAST_EDGES = 8, 20.0  # a tile's edges, in strong pixels
BESIDE_TRAIL = 2  # reduced pixels around the trail that its own edges reach
TURNS = np.arange(-6, 7)  # of the picture's corners, reduced pixels
HALVES, AGREE = 60, 0.9  # random halves of the tiles; share of them that must find the same
ALIKE = (2, 1, 1)  # turn, rows, columns by which what they find may differ


@dataclass(frozen=True, slots=True, eq=False)
class Landmarks:
    """Edges of what stands still, as the reference frame shows them."""

    edges: Plane  # (rows, cols, 2) of the reduced picture: cosine and sine of twice the gradient's angle, by strength
    every: int  # pixels of the frame along the side of one of these
    search: int  # reduced pixels


@dataclass(frozen=True, slots=True)
class Shift:
    """By how much the picture moved, in pixels of the frame, and turned about `middle_px`, the reference frame's."""

    right_px: float
    down_px: float
    turn_rad: float
    middle_px: tuple[float, float]

    def moved(self, pixels: FloatArray) -> FloatArray:
        """Return where what lay at `pixels` (N, 2) lies now."""
        right, down = (pixels - self.middle_px).T
        turned = self.turn_rad * np.column_stack([-down, right])
        return np.asarray(pixels + turned + [self.right_px, self.down_px])


def reduced(light: NDArray[np.uint16], every: int) -> Plane:
    """Return light (H, W) averaged over squares of `every` pixels, (H // every, W // every), 1 = full scale."""
    rows, cols = (side // every for side in light.shape)
    small = cv2.resize(light[: rows * every, : cols * every], (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(small * np.float32(1 / 65535))


def reduction(camera: Camera) -> int:
    """Return how many pixels of a frame make one of the reduced picture."""
    pixel_m = float(camera.centre_m[2] / camera.lens.matrix[0, 0])
    return max(1, int(np.ceil(PIXEL_M / pixel_m)))


def landmarks(light: NDArray[np.uint16], camera: Camera) -> Landmarks:
    """Return the edges that the reference frame's light (H, W) shows."""
    every = reduction(camera)
    pixel_m = float(camera.centre_m[2] / camera.lens.matrix[0, 0]) * every
    picture = reduced(light, every)
    return Landmarks(_edges(picture, np.ones(picture.shape, bool)), every, round(SEARCH_M / pixel_m))


def picture_shift(before: Landmarks, picture: Plane, trail_px: Iterable[FloatArray]) -> Shift | None:
    """Return by how much the camera's picture moved since the reference frame; None where nothing tells.

    picture : the exposure as `reduced` gives it; trail_px : rings (N, 2) in pixels of the frame that enclose the trail,
    holes among them (even-odd). Moves beyond 30 mm on the floor are not found.
    """
    surfaces, away = _surfaces(before, picture, _still(picture.shape, before.every, trail_px))
    if len(surfaces) < FEWEST_TILES:
        return None
    radius = float(np.hypot(*picture.shape)) / 2
    fits = _turned(surfaces, away / radius)
    best = _agreed(fits)
    if best is None:
        return None
    turn, row, col = best
    around = fits[:, turn, row - 1 : row + 2, col - 1 : col + 2].sum(axis=0)
    # The exposure's tiles were looked for in the reference frame: they moved the other way.
    down, right = before.search - row - _vertex(around[:, 1]), before.search - col - _vertex(around[1])
    height, width = (side * before.every for side in picture.shape)
    middle_px = ((width - 1) / 2, (height - 1) / 2)
    return Shift(right * before.every, down * before.every, -float(TURNS[turn]) / radius, middle_px)


def _agreed(fits: Plane) -> tuple[int, int, int] | None:
    """Return the turn, row and column at which all tiles' fits (T, turns, S, S) are best, if halves of them agree."""
    shape, flat = fits.shape[1:], fits.reshape(len(fits), -1)
    best = np.array(np.unravel_index(int(flat.sum(axis=0).argmax()), shape))
    halves = (np.random.default_rng(0).random((HALVES, len(flat))) < 0.5).astype(np.float32)
    found = np.stack(np.unravel_index((halves @ flat).argmax(axis=1), shape), axis=1)
    agree = (np.abs(found - best) <= ALIKE).all(axis=1)
    turn, row, col = best.tolist()
    at_rim = not (0 < row < shape[1] - 1 and 0 < col < shape[2] - 1)
    return None if at_rim or agree.mean() < AGREE else (turn, row, col)


def _edges(picture: Plane, where: NDArray[np.bool_]) -> Plane:
    """Return edges (rows, cols, 2) of a picture (rows, cols), 0 outside `where`; strong ones have length 1."""
    root = cv2.sqrt(np.maximum(picture, 0) + np.float32(SHADE))
    # Shades that end slowly lie elsewhere under other lamps: only what is sharp stays.
    smooth = cv2.GaussianBlur(root, (0, 0), SHARP) - cv2.GaussianBlur(root, (0, 0), SLOW)
    right, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    squared = right * right + down * down
    thin = (slice(None, None, 4), slice(None, None, 4))
    usual = float(np.median(squared[thin][where[thin]])) if where[thin].any() else 1.0
    strength = where / (squared + np.float32(WEAK * usual + 1e-12))
    return np.asarray(cv2.merge([(right * right - down * down) * strength, 2 * right * down * strength]), np.float32)


def _still(shape: tuple[int, ...], every: int, trail_px: Iterable[FloatArray]) -> NDArray[np.bool_]:
    """Which pixels (rows, cols) of the reduced picture show no trail."""
    trail = np.zeros(shape, np.uint8)
    rings = [np.rint(16 * ((ring + 0.5) / every - 0.5)).astype(np.int32) for ring in trail_px]
    cv2.fillPoly(trail, rings, (1,), shift=4)
    side = 2 * BESIDE_TRAIL + 1
    return np.asarray(cv2.dilate(trail, np.ones((side, side), np.uint8)) == 0)


def _surfaces(before: Landmarks, picture: Plane, still: NDArray[np.bool_]) -> tuple[Plane, FloatArray]:
    """Return how well each tile fits the reference frame at each shift, (T, S, S), and where it lies, (T, 2).

    Places count from the middle of the picture, right and down.
    """
    edges, search = _edges(picture, still), before.search
    high, wide = picture.shape
    fits, places = [], []
    for top, left in np.ndindex(TILES, TILES):
        first_row, last_row = max(top * high // TILES, search), min((top + 1) * high // TILES, high - search)
        first_col, last_col = max(left * wide // TILES, search), min((left + 1) * wide // TILES, wide - search)
        tile = edges[first_row:last_row, first_col:last_col]
        if float((tile * tile).sum()) < LEAST_EDGES:
            continue
        around = before.edges[first_row - search : last_row + search, first_col - search : last_col + search]
        fit = cv2.matchTemplate(around, tile, cv2.TM_CCORR)
        fits.append(fit - fit.mean())
        places.append(((first_col + last_col - wide) / 2, (first_row + last_row - high) / 2))
    side = 2 * search + 1
    return np.array(fits, np.float32).reshape(-1, side, side), np.array(places).reshape(-1, 2)


def _turned(surfaces: Plane, away: FloatArray) -> Plane:
    """Return the surfaces (T, turns, S, S), each shifted as a turn moves a tile at `away` (T, 2)."""
    side, most = surfaces.shape[1], int(TURNS.max())
    wide = np.pad(surfaces, ((0, 0), (most, most), (most, most)))
    turned = np.empty((len(surfaces), len(TURNS), side, side), np.float32)
    for tile, (right, down) in enumerate(away):
        for number, turn in enumerate(TURNS):
            col, row = most + round(-turn * down), most + round(turn * right)
            turned[tile, number] = wide[tile, row : row + side, col : col + side]
    return turned


def _vertex(three: Plane) -> float:
    """Return where the parabola through three samples has its top, off the middle one."""
    left, mid, right = three.tolist()
    bend = left - 2 * mid + right
    return 0.5 * (left - right) / bend if bend < 0 else 0.0
