"""Test rooms of our own: two fixed ones, and random ones from a seed."""

from __future__ import annotations

from typing import Literal

import numpy as np
import shapely
from shapely import Point, Polygon, affinity, box

from coverage_lab.job import Robot
from coverage_lab.room.room import Area, Marker, Obstacle, Overhang, Room, Zone

DICTIONARY = "apriltag_36h11"
_BODY_GAP_M = 0.45  # between random pieces of furniture, so that any robot of ours can pass


def study() -> Room:
    """Return a room of 3.6 × 2.8 m: a writing table on four legs, a chest at the wall, a turned pouf."""
    return Room(
        floor=box(0, 0, 3.6, 2.8),
        obstacles=(
            *_legs("table", (2.05, 1.45), (0.9, 0.6), leg_m=0.045, height_m=0.44),
            Obstacle("chest", box(0.2, 2.38, 1.15, 2.8), 0.42),
            Obstacle("pouf", _turned_box((0.85, 1.05), (0.42, 0.36), 22), 0.33),
        ),
        markers=corner_markers(3.6, 2.8, clear_of=box(0.2, 2.38, 1.15, 2.8)),
        zones=(Zone("under the table", box(1.6, 1.15, 2.5, 1.75)),),
        dock_m=(3.3, 0.25),
    )


def hall() -> Room:
    """Return a room of 5.0 × 3.8 m with a niche: two tables, a bench that the robot fits under, a column."""
    floor = box(0, 0, 5.0, 3.8).difference(box(3.9, 2.9, 5.0, 3.8))
    return Room(
        floor=Polygon(floor.exterior),
        obstacles=(
            *_legs("table", (1.5, 2.5), (1.1, 0.7), leg_m=0.05, height_m=0.45),
            *_legs("side table", (3.6, 1.2), (0.62, 0.62), leg_m=0.035, height_m=0.4),
            Obstacle("column", Point(2.6, 1.9).buffer(0.14, quad_segs=12), 0.5),
            Obstacle("cupboard", box(4.55, 1.5, 5.0, 2.5), 0.46),
        ),
        overhangs=(Overhang("bench", box(0.0, 0.7, 0.38, 1.7), clearance_m=0.16, height_m=0.22),),
        markers=corner_markers(5.0, 3.8, clear_of=box(3.9, 2.9, 5.0, 3.8)),
        zones=(Zone("west half", box(0, 0, 2.5, 3.8)),),
        dock_m=(0.3, 3.5),
    )


def named_room(name: Literal["study", "hall", "random"], seed: int) -> Room:
    """Return a room by its name; `seed` decides the random one."""
    if name == "random":
        return random_room(np.random.default_rng([seed, 1_000]))
    return {"study": study, "hall": hall}[name]()


def random_room(rng: np.random.Generator) -> Room:
    """Return a rectangular room with a table, up to three boxes and four markers, no two too close to pass."""
    width_m, depth_m = float(rng.uniform(3.0, 4.8)), float(rng.uniform(2.6, 3.8))
    floor = box(0, 0, width_m, depth_m)
    table = (float(rng.uniform(1.2, width_m - 1.2)), float(rng.uniform(1.0, depth_m - 1.0)))
    obstacles = list(_legs("table", table, (0.75, 0.6), leg_m=0.04, height_m=float(rng.uniform(0.38, 0.5))))
    taken = [*(thing.footprint for thing in obstacles)]
    for number in range(1, int(rng.integers(2, 5))):
        size = (float(rng.uniform(0.25, 0.6)), float(rng.uniform(0.25, 0.45)))
        place = (float(rng.uniform(0.7, width_m - 0.7)), float(rng.uniform(0.7, depth_m - 0.7)))
        piece = _turned_box(place, size, float(rng.uniform(0, 90)))
        if _keeps_clear(piece, floor, taken):
            taken.append(piece)
            obstacles.append(Obstacle(f"box {number}", piece, float(rng.uniform(0.25, 0.45))))
    clear_of = shapely.union_all(taken)
    markers = corner_markers(width_m, depth_m, clear_of=clear_of)
    return Room(floor=floor, obstacles=tuple(obstacles), markers=markers, dock_m=(width_m - 0.3, 0.25))


def where_it_fits(room: Room, robot: Robot, clearance_m: float = 0.006) -> Area:
    """Return where the turning centre may be: the body's radius and a clearance away from everything.

    The part with the dock, or the largest. Circles have 32 edges, so a body comes 1 mm nearer at most. Raises
    ValueError if the robot fits nowhere.
    """
    blocked = [solid.footprint for solid in room.obstacles] + [decoy.footprint for decoy in room.decoys]
    blocked += [top.outline for top in room.overhangs if top.clearance_m < robot.body_height_m]
    free = room.floor.difference(shapely.union_all(blocked))
    parts = shapely.get_parts(free.buffer(-(robot.body_diameter_m / 2 + clearance_m), quad_segs=8))
    if len(parts) == 0 or parts[0].is_empty:
        raise ValueError(f"{robot.name} fits nowhere in the room")
    if room.dock_m is None:
        return max(parts, key=lambda part: part.area)
    return min(parts, key=lambda part: part.distance(Point(room.dock_m)))


def _legs(
    name: str, centre_m: tuple[float, float], size_m: tuple[float, float], *, leg_m: float, height_m: float
) -> tuple[Obstacle, ...]:
    """Return four round legs at the corners of a table; its top is off so that the camera sees below."""
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    return tuple(
        Obstacle(
            f"{name} leg {number}",
            Point(centre_m[0] + right * size_m[0] / 2, centre_m[1] + up * size_m[1] / 2).buffer(leg_m / 2, quad_segs=8),
            height_m,
        )
        for number, (right, up) in enumerate(corners, start=1)
    )


def _turned_box(centre_m: tuple[float, float], size_m: tuple[float, float], turn_deg: float) -> Polygon:
    half_x, half_y = size_m[0] / 2, size_m[1] / 2
    flat = box(centre_m[0] - half_x, centre_m[1] - half_y, centre_m[0] + half_x, centre_m[1] + half_y)
    return affinity.rotate(flat, turn_deg)


def _keeps_clear(piece: Polygon, floor: Polygon, taken: list[Area]) -> bool:
    inside = floor.buffer(-_BODY_GAP_M).contains(piece)
    return bool(inside and all(piece.distance(other) > _BODY_GAP_M for other in taken))


def corner_markers(width_m: float, depth_m: float, *, clear_of: Area, side_m: float = 0.14) -> tuple[Marker, ...]:
    """Return four markers near the corners, each turned another way, off furniture."""
    inset = 0.32
    places = [
        (inset, inset),
        (width_m - inset, inset),
        (width_m - inset, depth_m - inset),
        (inset, depth_m - inset),
    ]
    markers = []
    for number, ((x_m, y_m), turn_deg) in enumerate(zip(places, (0.0, 90.0, 187.0, 12.0), strict=True)):
        toward = 0.05 if x_m < width_m / 2 else -0.05
        while clear_of.distance(Point(x_m, y_m)) < side_m:
            x_m += toward
        markers.append(Marker(DICTIONARY, number, (round(x_m, 3), y_m), side_m, turn_deg))
    return tuple(markers)
