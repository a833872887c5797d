"""Which thing in the room hides which floor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from numpy.typing import ArrayLike

from coverage_lab.room.plan import FloorPlan, hidden_floor
from coverage_lab.room.room import Area, Decoy, Obstacle, Overhang, Room

OUTSIDE_PICTURE = "outside the picture"


def hidden_by(plan: FloorPlan, *, bar_height_m: float, camera_centre_m: ArrayLike) -> Mapping[str, Area]:
    """Return the free floor (metres) that each thing in the room hides at bar height, largest first.

    Each is taken by itself: floor behind two things is hidden by both. What none of them hides lies outside the
    picture, and has that for its name. Things that hide nothing are left out; of one name, each counts.
    """
    hidden: dict[str, Area] = {}
    for number, thing in enumerate(_things(plan.room)):
        alone = _alone(plan.room, number)
        area = hidden_floor(alone, plan.free, bar_height_m=bar_height_m, camera_centre_m=camera_centre_m)
        if not area.is_empty:
            hidden[thing.name] = hidden[thing.name].union(area) if thing.name in hidden else area
    rest = plan.hidden
    for area in hidden.values():
        rest = rest.difference(area.buffer(1e-6))
    if rest.area > 1e-5:
        hidden[OUTSIDE_PICTURE] = rest
    return dict(sorted(hidden.items(), key=lambda item: -item[1].area))


def _things(room: Room) -> tuple[Obstacle | Overhang | Decoy, ...]:
    return (*room.obstacles, *room.overhangs, *room.decoys)


def _alone(room: Room, number: int) -> Room:
    """Return the room with one of its obstacles, overhangs and decoys, counted through, and no other."""
    obstacles, overhangs = len(room.obstacles), len(room.overhangs)
    return replace(
        room,
        obstacles=room.obstacles[number : number + 1],
        overhangs=room.overhangs[max(number - obstacles, 0) : max(number - obstacles + 1, 0)],
        decoys=room.decoys[max(number - obstacles - overhangs, 0) : max(number - obstacles - overhangs + 1, 0)],
    )
