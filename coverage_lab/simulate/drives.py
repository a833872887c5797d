"""How robots drive: where the turning centre goes, and when.

Plans give waypoints or a path in the plan; `timed` turns a path into poses, shape (N, 4): t_s, x_m, y_m of
the turning centre, heading_rad (counter-clockwise from east, continuous).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon, affinity

from coverage_lab.room.room import Area
from coverage_lab.simulate.routes import Routes

FloatArray = NDArray[np.float64]

STEP_M = 0.005
STEP_RAD = float(np.deg2rad(2.0))
_INSIDE_M = 1e-4  # kept from the very edge, so that rounding does not put a point outside


@dataclass(frozen=True, slots=True)
class Motion:
    """How fast a robot is."""

    speed_m_s: float = 0.28
    turn_rate_rad_s: float = float(np.deg2rad(90.0))


def lanes(
    allowed: Area,
    *,
    spacing_m: float,
    heading_rad: float = 0.0,
    jitter_rad: float = 0.0,
    skipped: Sequence[int] = (),
    rng: np.random.Generator,
) -> FloatArray:
    """Return the waypoints (M, 2) of lanes to and fro over `allowed`, at most `spacing_m` apart.

    Each lane is turned about its middle by a normal deviate of standard deviation `jitter_rad`; lanes whose
    number (0 = the first) is in `skipped` are left out. A lane ends at an obstacle and goes on behind it.
    """
    level = affinity.rotate(allowed, -heading_rad, origin=(0, 0), use_radians=True)
    west, south, east, north = level.buffer(-_INSIDE_M).bounds
    half = np.hypot(east - west, north - south)
    count = int(np.ceil((north - south) / spacing_m)) + 1
    stops: list[tuple[float, float]] = []
    backwards = False
    for number, y_m in enumerate(np.linspace(south, north, count)):
        tilt = float(rng.normal(0, jitter_rad)) if jitter_rad else 0.0
        if number in skipped:
            continue
        middle = np.array([(west + east) / 2, y_m])
        reach = half * np.array([np.cos(tilt), np.sin(tilt)])
        stops += _along(level.intersection(LineString([middle - reach, middle + reach])), backwards)
        backwards = not backwards
    back = affinity.rotate(shapely.multipoints(stops), heading_rad, origin=(0, 0), use_radians=True)
    return Routes(allowed).join(shapely.get_coordinates(back))


def _along(cut: LineString, backwards: bool) -> list[tuple[float, float]]:
    """Return the ends of the parts of a lane, in driving order."""
    lines = [part for part in shapely.get_parts(cut) if part.length > 0]
    parts = sorted((sorted((part.coords[0], part.coords[-1])) for part in lines), reverse=backwards)
    return [point for part in parts for point in (reversed(part) if backwards else part)]


def laps(allowed: Area) -> FloatArray:
    """Return the waypoints (M, 2) of one lap along the walls and one around each piece of furniture."""
    outline = shapely.get_parts(allowed.simplify(_INSIDE_M))
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(outline)]
    routes = Routes(allowed)
    return np.concatenate([rings[0], *(routes.join(pair) for pair in _hops(rings)), rings[-1]])


def _hops(rings: list[FloatArray]) -> list[FloatArray]:
    """Return where to go from each ring's end to the next ring, and once around that."""
    return [np.concatenate([before[-1:], after]) for before, after in pairwise(rings)]


def spiral(allowed: Area, centre_m: tuple[float, float], *, spacing_m: float) -> FloatArray:
    """Return the waypoints (M, 2) of an Archimedean spiral outward until it would leave `allowed`."""
    angle = np.linspace(0, 60 * np.pi, 60 * 90)
    radius_m = spacing_m * angle / (2 * np.pi)
    line = np.asarray(centre_m) + radius_m[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    inside = shapely.contains_xy(allowed, line)
    return np.asarray(line[: int(np.argmin(inside))])


def follow(waypoints: FloatArray) -> FloatArray:
    """Return the path (N, 3) x_m, y_m, heading_rad along waypoints (M, 2): turn on the spot, then drive."""
    moves = np.diff(waypoints, axis=0)
    length_m = np.hypot(moves[:, 0], moves[:, 1])
    real = length_m > _INSIDE_M
    starts, moves, length_m = waypoints[:-1][real], moves[real], length_m[real]
    headings = np.unwrap(np.arctan2(moves[:, 1], moves[:, 0]))
    turns = np.diff(headings, append=headings[-1])
    path = [np.array([[*starts[0], headings[0]]])]
    for start, move, run_m, heading, turn in zip(starts, moves, length_m, headings, turns, strict=True):
        straight = np.linspace(0, 1, int(np.ceil(run_m / STEP_M)) + 1)[1:, None]
        path.append(np.column_stack([start + straight * move, np.full(len(straight), heading)]))
        spin = np.linspace(0, 1, int(np.ceil(abs(turn) / STEP_RAD)) + 1)[1:]
        path.append(np.column_stack([np.tile(start + move, (len(spin), 1)), heading + spin * turn]))
    return np.concatenate(path)


def timed(path: FloatArray, motion: Motion) -> FloatArray:
    """Turn a path (N, 3) into poses (N, 4): each step takes what the slower of driving and turning takes."""
    step = np.abs(np.diff(path, axis=0))
    took_s = np.maximum(np.hypot(step[:, 0], step[:, 1]) / motion.speed_m_s, step[:, 2] / motion.turn_rate_rad_s)
    return np.column_stack([np.concatenate([[0.0], np.cumsum(took_s)]), path])


def start_near(allowed: Area, place_m: tuple[float, float] | None) -> tuple[float, float]:
    """Return the point of `allowed` nearest to a place (None: a point well inside)."""
    if place_m is None:
        inside = allowed.representative_point()
        return float(inside.x), float(inside.y)
    shrunk = allowed.buffer(-_INSIDE_M)
    nearest = shapely.get_coordinates(shapely.shortest_line(shrunk, Point(place_m)))[0]
    return float(nearest[0]), float(nearest[1])


def widest_place(allowed: Area) -> tuple[float, float]:
    """Return the point of `allowed` that is farthest from its edges."""
    largest: Polygon = max(shapely.get_parts(allowed), key=lambda part: part.area)
    pole = shapely.get_coordinates(shapely.maximum_inscribed_circle(largest, 0.01))[0]
    return float(pole[0]), float(pole[1])
