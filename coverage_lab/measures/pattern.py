"""How regularly a robot drove: alignment, lane spacing and straightness, as one score from 0 (random) to 100.

Each part is scaled so that 0 is the mean of simulated random bouncing over the same floor with the same bar
and 1 is the ideal; the score is 100 times their geometric mean. Formulas and trials: docs/pattern.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.affinity import affine_transform, rotate

from coverage_lab.job import Bar, Quantity
from coverage_lab.measures.spacing import lane_distances
from coverage_lab.measures.values import Pattern
from coverage_lab.room.bounce import bounce_path
from coverage_lab.room.field import FIELD_CELL_M, TravelField, field_of_track
from coverage_lab.room.room import Area

BLOCK_M = 0.8  # side of the floor tiles that the jackknife leaves out in turn
AHEAD_NOZZLES = 1.5  # how far ahead straight travel is looked for
FULL_EVIDENCE = 0.25  # lane distances seen over this share of the floor count in full, over less in proportion
LEAST_READABLE = 0.03  # share of the floor that must show a direction
RANDOM_BELOW = 25.0  # score
RANDOM_DRIVES = 12
RANDOM_SWEEPS = 2.3  # length x nozzle over floor of a simulated drive: 90 % coverage by the law of random search

FloatArray = NDArray[np.float64]
Label = Literal["lanes", "crossed lanes", "contour", "spiral", "random"]


@dataclass(frozen=True, slots=True, eq=False)
class RandomBaseline:
    """What random bouncing scores on a floor before scaling: alignment, spacing, straightness, each (3,)."""

    parts: FloatArray
    u: FloatArray  # standard uncertainty of the mean


def measure_pattern(field: TravelField, bar: Bar, baseline: RandomBaseline) -> Pattern | None:
    """Return the pattern score with its parts and label; None where hardly any direction can be read.

    The uncertainty takes the three parts as moving together (for each a delete-one-block jackknife over floor
    tiles and the spread of the baseline), which is on the safe side.
    Source of the jackknife: Efron & Stein, Annals of Statistics 9, 1981.
    """
    sums = _sums(field, bar)
    total = sums.sum(axis=0)
    if total[_READ] < LEAST_READABLE * max(total[_FLOOR], 1.0):
        return None
    raw = _raw_parts(total)
    left_out = _raw_parts(total - sums[sums[:, _READ] > 0])
    count = len(left_out)
    u_raw = np.sqrt((count - 1) / count * np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0))
    scale = 1 / (1 - baseline.parts)
    parts = (raw - baseline.parts) * scale
    u_parts = np.hypot(u_raw * scale, (1 - raw) * scale**2 * baseline.u)
    low, high = _score(parts - u_parts), _score(parts + u_parts)
    interval = _score(parts - 2 * u_parts), _score(parts + 2 * u_parts)
    score = Quantity(_score(parts), (high - low) / 2, interval)
    alignment, spacing, straightness = (float(part) for part in parts.clip(0, 1))
    return Pattern(score, _label(field, total, score.value), alignment, spacing, straightness)


@lru_cache(maxsize=32)
def random_baseline(reachable: Area, allowed: Area, bar: Bar) -> RandomBaseline:
    """Simulate random bouncing of the turning centre over `allowed`, seen on the floor `reachable`.

    Of an `allowed` in several parts the largest is driven. The seeds are fixed, and the result is kept: it
    depends on room and robot alone, and not on how the room lies in its frame.
    """
    part, reachable = _laid_out(max(shapely.get_parts(allowed), key=lambda one: one.area), reachable)
    start = shapely.Point(shapely.maximum_inscribed_circle(part, 0.01).coords[0])
    length_m = RANDOM_SWEEPS * reachable.area / bar.nozzle_m
    raw = []
    for seed in range(RANDOM_DRIVES):
        rng = np.random.default_rng(seed)
        poses = bounce_path(part, (start.x, start.y), length_m, rng, step_m=FIELD_CELL_M)
        raw.append(_raw_parts(_sums(field_of_track(poses, bar, reachable), bar).sum(axis=0)))
    return RandomBaseline(np.mean(raw, axis=0), np.std(raw, axis=0, ddof=1) / np.sqrt(RANDOM_DRIVES))


def _laid_out(part: Polygon, reachable: Area) -> tuple[Polygon, Area]:
    """Turn, flip and shift both areas so that rooms that differ only in that come out the same."""
    corner = shapely.get_coordinates(shapely.oriented_envelope(part))
    sides = np.diff(corner[:3], axis=0)
    long_x, long_y = sides[np.argmax(np.hypot(sides[:, 0], sides[:, 1]))]
    east = rotate(part, -np.arctan2(long_y, long_x), origin=(0, 0), use_radians=True)
    away = shapely.get_coordinates(east.centroid)[0] - np.reshape(east.bounds, (2, 2)).mean(axis=0)
    cos, sin = np.array([long_x, long_y]) / np.hypot(long_x, long_y)
    flip_x, flip_y = np.where(away < 0, -1, 1)
    matrix = [flip_x * cos, flip_x * sin, -flip_y * sin, flip_y * cos, 0, 0]
    west, south, _, _ = affine_transform(part, matrix).bounds
    matrix[4:] = [-west, -south]
    return affine_transform(part, matrix), affine_transform(reachable, matrix)


def _score(parts: FloatArray) -> float:
    return float(100 * np.prod(parts.clip(0, 1)) ** (1 / 3))


# Columns of the sums per block of floor; everything that is measured is a ratio of such sums.
_AXIS, _FOURFOLD, _READ, _FLOOR, _STRAIGHT, _PAIRED, _ALIKE, _LENGTH = (
    slice(0, 2),
    slice(2, 4),
    4,
    5,
    6,
    7,
    8,
    9,
)


def _sums(field: TravelField, bar: Bar) -> FloatArray:
    """Return the sums that all parts are made of, (blocks, 10)."""
    weight, axis, fourfold = field.weight, field.axis, field.fourfold
    blocks = _blocks(field)
    straight, paired = _ahead(field, AHEAD_NOZZLES * bar.nozzle_m / field.grid.cell_m)
    planes = [axis.real * weight, axis.imag * weight, fourfold.real * weight, fourfold.imag * weight]
    planes += [weight, field.floor, straight, paired]
    count = int(blocks.max()) + 1
    out = [np.bincount(blocks.ravel(), plane.ravel(), count) for plane in planes]
    total = [plane.sum() for plane in planes[:4]]
    distances = lane_distances(field, bar.nozzle_m, _main_axis(complex(*total[:2]), complex(*total[2:])), blocks)
    out.append(np.bincount(distances.block, distances.alike * distances.length, count))
    out.append(np.bincount(distances.block, distances.length, count))
    return np.stack(out, axis=1)


def _raw_parts(sums: FloatArray) -> FloatArray:
    """Return alignment, spacing and straightness before scaling, (..., 3), from sums (..., 10)."""
    read = np.maximum(sums[..., _READ], 1e-9)
    two = np.hypot(*np.moveaxis(sums[..., _AXIS], -1, 0)) / read
    four = np.hypot(*np.moveaxis(sums[..., _FOURFOLD], -1, 0)) / read
    length = np.maximum(sums[..., _LENGTH], 1e-9)
    evidence = np.minimum(length / np.maximum(FULL_EVIDENCE * sums[..., _FLOOR], 1e-9), 1)
    spacing = sums[..., _ALIKE] / length * evidence
    straight = sums[..., _STRAIGHT] / np.maximum(sums[..., _PAIRED], 1e-9)
    return np.stack([np.maximum(two, four), spacing, straight], axis=-1)


def _main_axis(axis: complex, fourfold: complex) -> float:
    """Return the direction of the lanes, or of one of two families at right angles, in radians."""
    return float(np.angle(axis) / 2 if abs(axis) >= abs(fourfold) else np.angle(fourfold) / 4)


def _blocks(field: TravelField) -> NDArray[np.int32]:
    side = max(1, round(BLOCK_M / field.grid.cell_m))
    row, col = (np.arange(count) // side for count in field.grid.shape)
    return np.asarray(row[:, None] * (col[-1] + 1) + col[None, :], dtype=np.int32)


def _ahead(field: TravelField, ahead: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return how well the direction `ahead` cells further on agrees with each cell's, and that pair's weight.

    Agreement is that of the fourfold angles, so that a crossing lane is no bend.
    """
    rows, cols = field.grid.shape
    turn = np.angle(field.axis) / 2
    col = np.arange(cols)[None, :] + ahead * np.cos(turn)
    row = np.arange(rows)[:, None] - ahead * np.sin(turn)
    planes = np.stack([field.weight, field.weight * field.fourfold.real, field.weight * field.fourfold.imag], axis=-1)
    there = cv2.remap(planes, col.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR)
    agreed = field.weight * (field.fourfold.real * there[..., 1] + field.fourfold.imag * there[..., 2])
    return agreed, field.weight * there[..., 0]


def _label(field: TravelField, total: FloatArray, score: float) -> Label:
    two, four = np.hypot(*total[_AXIS]) / total[_READ], np.hypot(*total[_FOURFOLD]) / total[_READ]
    round_about = _circulation(field)
    if round_about > 0.45 and four < 0.5:
        return "spiral"
    if score < RANDOM_BELOW:
        return "random"
    if two >= 0.5 * four:
        return "lanes"
    return "contour" if round_about > 0.35 else "crossed lanes"


def _circulation(field: TravelField) -> float:
    """Return how well travel runs around one centre: 1 on circles, about 2/π on laps of a square, else 0.

    The centre is the point that the normals of the directions of travel pass nearest to (least squares).
    """
    row, col = np.nonzero(field.weight > 0.1)
    xy = field.grid.to_floor(np.column_stack([row, col]))
    weight, axis = field.weight[row, col].astype(np.float64), field.axis[row, col].astype(np.complex128)
    along = np.empty((len(row), 2, 2))
    along[:, 0, 0], along[:, 1, 1] = 1 + axis.real, 1 - axis.real
    along[:, 0, 1] = along[:, 1, 0] = axis.imag
    middle = np.average(xy, axis=0, weights=weight)
    pull = 0.01 * weight.sum() * np.eye(2)  # towards the middle, where all travel is parallel
    spread = np.einsum("n,nij->ij", weight, along) + pull
    centre = np.linalg.solve(spread, np.einsum("n,nij,nj->i", weight, along, xy) + pull @ middle)
    away = (xy - centre) @ np.array([1, 1j])
    outward = away**2 / np.maximum(np.abs(away) ** 2, 1e-12)
    return float(-np.sum(weight * (axis * outward.conj()).real) / weight.sum())
