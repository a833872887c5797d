"""How even the spaces between neighbouring lanes are, read from the edges of passes.

Across a set of lanes every pass adds one edge where the level rises and one where it falls, whether
neighbours overlap, leave a gap, or neither. Of two successive distances d1, d2 between edges of one kind the ratio
min/max is taken: 1 for even lanes, 2 ln 2 − 1 = 0.386 on average for edges strewn at random (the ratio of
consecutive level spacings: Oganesyan & Huse, Phys. Rev. B 75, 155111, 2007). It needs no lane width, and one
crooked lane spoils only its own distances.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.field import TravelField

STATION_M = 0.1  # distance between two cuts across the lanes
ALONG_M = 0.2  # a cut is averaged over so much length of lane
LEAST_STEP = 0.10  # change of log level over two cells that counts as the edge of a pass
SEAMLESS_NOZZLES = 1.9  # swept floor without an edge over so many nozzle widths is lanes that abut exactly
AROUND_NOZZLES = 2.0  # side of the square in which travel must run one way: a skipped lane fits in
BRIDGED_NOZZLES = 0.5  # clipped floor that is narrower than this hides no lane

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Distances:
    """Compared distances between lanes: how alike (0-1), how long (field cells), in which block of floor."""

    alike: FloatArray
    length: FloatArray
    block: NDArray[np.int64]


def lane_distances(field: TravelField, nozzle_m: float, axis_rad: float, blocks: NDArray[np.int32]) -> Distances:
    """Compare neighbouring lane distances in both families: along `axis_rad` and across it.

    blocks : (rows, cols), the block of floor that each cell belongs to.  A family is looked for where travel
    runs along it, or both ways. Lengths are in cells of floor: a floor full of lanes of one family adds about
    2 (two kinds of edges) times its number of cells.
    """
    nozzle = nozzle_m / field.grid.cell_m
    level = np.log(np.maximum(field.level, 0) + 0.2 * _typical_level(field))
    found = []
    for family_rad in (axis_rad, axis_rad + np.pi / 2):
        good = _legible(field, nozzle, family_rad)
        planes = [_level_out(plane, family_rad, field.grid.cell_m) for plane in (level, good, field.missed)]
        tiles = _cut(_turned(blocks.astype(np.float32), family_rad, cv2.INTER_NEAREST), field.grid.cell_m)
        for sign in (1, -1):
            found.append(_compare(sign * planes[0], planes[1] > 0.7, planes[2], tiles, nozzle))
    stride = _stride(field.grid.cell_m)
    alike, length, block = (np.concatenate(part) for part in zip(*found, strict=True))
    return Distances(alike, length * stride, block.astype(np.int64))


def _typical_level(field: TravelField) -> float:
    read = field.level[field.weight > 0.3]
    return max(float(np.median(read)), 1e-9) if read.size else 1.0


def _legible(field: TravelField, nozzle: float, family_rad: float) -> Picture:
    """Mark the cells where an edge of this family would be seen: travel this way all around, not clipped."""
    turn = np.exp(-2j * family_rad)
    box = (int(AROUND_NOZZLES * nozzle) | 1,) * 2
    total = cv2.blur(field.weight, box) + np.float32(1e-6)
    along = cv2.blur((field.weight * (field.axis * turn).real).astype(np.float32), box) / total
    square = cv2.blur((field.weight * (field.fourfold * turn**2).real).astype(np.float32), box) / total
    family = (along > 0.4) | ((square > 0.5) & (along > -0.4))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (int(BRIDGED_NOZZLES * nozzle) | 1,) * 2)
    burnt = cv2.morphologyEx((field.burnt > 0.5).astype(np.uint8), cv2.MORPH_OPEN, disc)
    return np.asarray(family & (burnt == 0) & (field.floor > 0.5), dtype=np.float32)


def _level_out(plane: Picture, family_rad: float, cell_m: float) -> Picture:
    """Turn a plane so that the family runs along its rows, average along the lanes, and keep the cuts."""
    turned = _turned(np.ascontiguousarray(plane, dtype=np.float32), family_rad, cv2.INTER_LINEAR)
    return _cut(np.asarray(cv2.blur(turned, (int(ALONG_M / cell_m) | 1, 1)), dtype=np.float32), cell_m)


def _turned(plane: Picture, family_rad: float, how: int) -> Picture:
    rows, cols = plane.shape
    side = int(np.ceil(np.hypot(rows, cols)))
    matrix = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), -float(np.degrees(family_rad)), 1.0)
    matrix[:, 2] += (side - cols) / 2, (side - rows) / 2
    return np.asarray(cv2.warpAffine(plane, matrix, (side, side), flags=how), dtype=np.float32)


def _cut(plane: Picture, cell_m: float) -> Picture:
    return np.ascontiguousarray(plane[:, :: _stride(cell_m)].T)  # a cut per row


def _stride(cell_m: float) -> int:
    return max(1, round(STATION_M / cell_m))


def _compare(
    level: Picture, good: NDArray[np.bool_], missed: Picture, tiles: Picture, nozzle: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Compare successive distances between rising edges along each cut (a row)."""
    step = np.zeros_like(level)
    step[:, 1:-1] = level[:, 2:] - level[:, :-2]
    edge = np.zeros(level.shape, bool)
    peak = (step[:, 1:-1] >= step[:, :-2]) & (step[:, 1:-1] > step[:, 2:]) & (step[:, 1:-1] > LEAST_STEP)
    edge[:, 1:-1] = peak & good[:, 1:-1]
    cut, place = np.nonzero(edge | ~good)  # illegible cells break a chain of edges
    real = edge[cut, place]
    where = place + np.where(real, _summit(step, cut, place), 0)
    distance = np.diff(where)
    gap = np.cumsum(missed, axis=1)[cut, place]
    same = np.diff(cut) == 0
    seamless = same & (distance > SEAMLESS_NOZZLES * nozzle) & (np.diff(gap) < 0.2 * distance)
    lane = same & real[:-1] & real[1:] & ~seamless
    pair = lane[:-1] & lane[1:]
    pair &= np.append(pair[1:], False) | np.append(False, pair[:-1])  # by chance two may be alike, seldom more
    first, second = distance[:-1][pair], distance[1:][pair]
    alike = np.concatenate([np.minimum(first, second) / np.maximum(first, second), np.ones(seamless.sum())])
    length = np.concatenate([(first + second) / 2, distance[seamless]])
    tile = tiles[cut, place]
    return alike, length, np.concatenate([tile[1:-1][pair], tile[1:][seamless]])


def _summit(step: Picture, cut: NDArray[np.intp], place: NDArray[np.intp]) -> FloatArray:
    """Return how far beside its cell each edge is steepest, in cells, by a parabola."""
    before, at = step[cut, np.maximum(place - 1, 0)], step[cut, place]
    after = step[cut, np.minimum(place + 1, step.shape[1] - 1)]
    bend = before - 2 * at + after
    aside = np.divide(before - after, 2 * bend, out=np.zeros_like(at), where=bend < 0)
    return np.asarray(aside.clip(-0.5, 0.5), dtype=np.float64)
