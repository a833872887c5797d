"""Small pens with decoys in a robot's way: a fixed one, and random ones from a seed."""

from __future__ import annotations

from typing import Literal

import numpy as np
import shapely
from shapely import LineString, Point, Polygon, affinity, box

from coverage_lab.room.room import Area, Decoy, Room
from coverage_lab.simulate.rooms import corner_markers, named_room

_APART_M = 0.5  # between decoys, so that a robot passes between and each is judged by itself
_FROM_WALL_M = 0.45  # what lies free in the middle can be passed on all sides
_AT_WALL_M = 0.05


def pen() -> Room:
    """Return a pen of 2.1 × 1.8 m: a pale knot in the middle, a dark roll along a wall, a puck in a corner."""
    knot = _lobed((1.12, 0.92), 0.1, 20.0)
    roll = affinity.translate(box(-0.055, -0.02, 0.055, 0.02), 1.5, 1.76)
    puck = Point(0.085, 0.085).buffer(0.035, quad_segs=12)
    return _furnished(
        2.1,
        1.8,
        (Decoy("bright knot", knot, 0.03), Decoy("dark roll", roll, 0.04), Decoy("puck", puck, 0.02)),
    )


def named_place(name: Literal["study", "hall", "random", "pen", "random-pen"], seed: int) -> Room:
    """Return a room or a pen by its name; `seed` decides the random ones."""
    if name == "pen":
        return pen()
    if name == "random-pen":
        return random_pen(np.random.default_rng([seed, 1_001]))
    return named_room(name, seed)


def random_pen(rng: np.random.Generator) -> Room:
    """Return a pen with a decoy in the middle, one at a wall and one in a corner.

    They are 30 to 120 mm across and 10 to 60 mm tall, round, lobed or long, dark, plain or bright.
    """
    width_m, depth_m = float(rng.uniform(1.9, 2.4)), float(rng.uniform(1.6, 2.0))
    floor = box(0, 0, width_m, depth_m)
    decoys: list[Decoy] = []
    for place in ("middle", "wall", "corner"):
        while True:
            coat = ("dark ", "", "bright ")[int(rng.integers(3))]
            shape = _set_down(_random_shape(rng), place, (width_m, depth_m), rng)
            if floor.covers(shape) and all(shape.distance(other.footprint) > _APART_M for other in decoys):
                break
        decoys.append(Decoy(f"{coat}{place}", shape, round(float(rng.uniform(0.01, 0.06)), 3)))
    return _furnished(width_m, depth_m, tuple(decoys))


def _furnished(width_m: float, depth_m: float, decoys: tuple[Decoy, ...]) -> Room:
    clear_of = shapely.union_all([decoy.footprint for decoy in decoys])
    return Room(
        floor=box(0, 0, width_m, depth_m),
        decoys=decoys,
        markers=corner_markers(width_m, depth_m, clear_of=clear_of, side_m=0.1),
        dock_m=(width_m - 0.25, 0.25),
    )


def _random_shape(rng: np.random.Generator) -> Area:
    """Return an outline around (0, 0)."""
    size_m, turn_deg = float(rng.uniform(0.03, 0.12)), float(rng.uniform(0, 180))
    kind = int(rng.integers(3))
    if kind == 0:
        return Point(0, 0).buffer(size_m / 2, quad_segs=12)
    if kind == 1:
        return _lobed((0.0, 0.0), size_m, turn_deg)
    half_m = size_m / 2 - 0.01
    return affinity.rotate(LineString([(-half_m, 0), (half_m, 0)]).buffer(0.01), turn_deg, origin=(0, 0))


def _lobed(centre_m: tuple[float, float], size_m: float, turn_deg: float) -> Polygon:
    """Return a shape of three lobes, `size_m` across."""
    turns = np.deg2rad(turn_deg + np.array([0.0, 120.0, 240.0]))
    away_m, radius_m = 0.26 * size_m, 0.26 * size_m
    lobes = [Point(centre_m[0] + away_m * np.cos(turn), centre_m[1] + away_m * np.sin(turn)) for turn in turns]
    shape = shapely.union_all([lobe.buffer(radius_m, quad_segs=10) for lobe in lobes])
    return Polygon(shape.exterior)


def _set_down(shape: Area, place: str, size_m: tuple[float, float], rng: np.random.Generator) -> Area:
    """Return the shape laid where it belongs."""
    west, south, east, north = shape.bounds
    width_m, depth_m = size_m
    free_x = float(rng.uniform(_FROM_WALL_M - west, width_m - _FROM_WALL_M - east))
    free_y = float(rng.uniform(_FROM_WALL_M - south, depth_m - _FROM_WALL_M - north))
    gap_x, gap_y = (float(gap) for gap in rng.uniform(0.005, _AT_WALL_M, 2))
    beside_x = gap_x - west if rng.random() < 0.5 else width_m - gap_x - east
    beside_y = gap_y - south if rng.random() < 0.5 else depth_m - gap_y - north
    if place == "corner":
        return affinity.translate(shape, beside_x, beside_y)
    if place == "wall":
        at_side = rng.random() < 0.5
        return affinity.translate(shape, beside_x if at_side else free_x, free_y if at_side else beside_y)
    return affinity.translate(shape, free_x, free_y)
