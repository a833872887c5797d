"""A bump-and-turn robot: straight on to the edge of where it may go, then off in a random direction.

New headings follow the cosine law: sin(angle to the inward normal) is uniform in (-1, 1). With it the straight
runs are isotropic random lines and visit a convex room evenly, which is what the laws of random search assume
(Gage, "Many-robot search models"; mean straight run = pi A / P, Santalo 1976). Headings uniform over the half
plane would hug the walls.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.room.room import Area

FloatArray = NDArray[np.float64]

TURN_STEP_RAD = float(np.deg2rad(2.0))  # moves the end of a 300 mm bar by the default step of 5 mm
_SLACK = 1e-9  # metres beyond its end at which a segment is still hit, so that no run slips out at a corner


@dataclass(frozen=True, slots=True, eq=False)
class _Walls:
    """The boundary as segments, the allowed side to the left of each."""

    from_m: FloatArray  # (S, 2)
    along: FloatArray  # (S, 2) unit vectors
    length_m: FloatArray  # (S,)


def bounce_path(
    allowed: Area,
    start_m: tuple[float, float],
    length_m: float,
    rng: np.random.Generator,
    *,
    step_m: float = 0.005,
) -> FloatArray:
    """Drive the turning centre over `allowed` for `length_m` metres, bouncing off its boundary.

    Returns poses (N, 3): x_m, y_m, heading_rad, at most `step_m` apart on straight runs and `TURN_STEP_RAD`
    apart in the turns, which happen on the spot, the shorter way round; headings are continuous (not wrapped).
    Raises ValueError if the start does not lie in `allowed`.
    """
    if not allowed.covers(shapely.Point(start_m)):
        raise ValueError(f"the start {start_m} does not lie in the allowed area")
    walls = _walls(allowed)
    here = np.asarray(start_m, dtype=np.float64)
    heading = float(rng.uniform(-np.pi, np.pi))
    left_m = length_m
    poses = [np.array([[here[0], here[1], heading]])]
    while True:
        ahead = np.array([np.cos(heading), np.sin(heading)])
        run_m, wall = _hit(walls, here, ahead)
        run_m = min(run_m, left_m)
        poses.append(_straight(here, ahead, run_m, heading, step_m))
        left_m -= run_m
        if left_m <= 0:
            return np.concatenate(poses)
        here = here + run_m * ahead
        turn = _turn(heading, _inward(walls.along[wall], rng))
        poses.append(_on_the_spot(here, heading, turn))
        heading += turn


def _walls(allowed: Area) -> _Walls:
    parts = shapely.get_parts(shapely.orient_polygons(allowed))
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(parts)]
    start = np.concatenate([ring[:-1] for ring in rings])
    step = np.concatenate([np.diff(ring, axis=0) for ring in rings])
    length = np.hypot(step[:, 0], step[:, 1])
    real = length > 0
    return _Walls(start[real], step[real] / length[real, None], length[real])


def _hit(walls: _Walls, here: FloatArray, ahead: FloatArray) -> tuple[float, int]:
    """Return how far the first wall is that `ahead` would cross outward, and which."""
    outward = walls.along[:, 1] * ahead[0] - walls.along[:, 0] * ahead[1]
    crossed = np.nonzero(outward > 0)[0]
    along, outward = walls.along[crossed], outward[crossed]
    away = walls.from_m[crossed] - here
    run_m = (away[:, 0] * along[:, 1] - away[:, 1] * along[:, 0]) / outward
    place_m = (away[:, 0] * ahead[1] - away[:, 1] * ahead[0]) / outward
    met = (run_m >= -_SLACK) & (place_m >= -_SLACK) & (place_m <= walls.length_m[crossed] + _SLACK)
    first = int(np.argmin(np.where(met, run_m, np.inf)))
    return max(float(run_m[first]), 0.0), int(crossed[first])


def _inward(along: FloatArray, rng: np.random.Generator) -> float:
    """Draw a heading to the left of a wall by the cosine law."""
    normal = np.arctan2(along[1], along[0]) + np.pi / 2
    return float(normal + np.arcsin(rng.uniform(-1, 1)))


def _turn(heading: float, new: float) -> float:
    return float((new - heading + np.pi) % (2 * np.pi) - np.pi)


def _straight(here: FloatArray, ahead: FloatArray, run_m: float, heading: float, step_m: float) -> FloatArray:
    count = int(np.ceil(run_m / step_m))
    at_m = np.linspace(0, run_m, count + 1)[1:, None]
    return np.column_stack([here + at_m * ahead, np.full(count, heading)])


def _on_the_spot(here: FloatArray, heading: float, turn: float) -> FloatArray:
    count = int(np.ceil(abs(turn) / TURN_STEP_RAD))
    headings = heading + np.linspace(0, turn, count + 1)[1:]
    return np.column_stack([np.broadcast_to(here, (count, 2)), headings])
