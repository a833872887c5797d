"""Which floor is free, reachable, hidden and visible, for one room, one robot and one camera position."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import hypot

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely import MultiPolygon, Point, Polygon, affinity
from shapely.geometry.base import BaseGeometry

from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.room import Area, Room

_QUAD_SEGS = 64  # a circle of 256 edges: a body's radius is then 0.02 mm short at most
_ENDLESS_SCALE = 1000.0


@dataclass(frozen=True, slots=True, eq=False)
class FloorPlan:
    """The floor as polygons (metres) and as exact shares of grid cells, shape (rows, cols), in [0, 1]."""

    room: Room
    grid: FloorGrid
    free: Area  # floor − footprints, decoys among them
    poses: Area  # where the turning centre may be
    reachable: Area  # free floor that the nozzle covers from there; free − reachable is the fringe
    fringe_m: float  # how wide the fringe is along a wall
    hidden: Area  # free floor that the camera cannot see at bar height
    free_share: ShareArray
    reachable_share: ShareArray
    hidden_share: ShareArray
    visible_share: ShareArray  # free and not hidden
    zone_shares: Mapping[str, ShareArray]
    decoys_seen: Area = field(default_factory=Polygon)  # where decoys appear on the plane at bar height


def floor_plan(
    room: Room,
    *,
    body_diameter_m: float,
    body_height_m: float,
    nozzle_m: float,
    forward_m: float,
    bar_height_m: float,
    camera_centre_m: ArrayLike,
    seen: Area | None,
    grid: FloorGrid,
) -> FloorPlan:
    """Lay out the free, reachable and hidden floor of `room` for one robot under one camera.

    `camera_centre_m` is (x, y, z) in the room, above the bar; `seen` is the part of the plane at bar height
    inside the picture (None: all of it); floor outside it is hidden.
    """
    free = _only_polygons(room.floor.difference(_union(solid.footprint for solid in room.standing)))
    hidden = hidden_floor(room, free, bar_height_m=bar_height_m, camera_centre_m=camera_centre_m)
    if seen is not None:
        hidden = _only_polygons(hidden.union(free.difference(seen)))
    poses = permitted_poses(room, free, body_diameter_m=body_diameter_m, body_height_m=body_height_m)
    reach_m = hypot(forward_m, nozzle_m / 2)
    reachable = _only_polygons(poses.buffer(reach_m, quad_segs=_QUAD_SEGS).intersection(free))
    free_share, hidden_share = grid.weights(free), grid.weights(hidden)
    return FloorPlan(
        room=room,
        grid=grid,
        free=free,
        poses=poses,
        reachable=reachable,
        fringe_m=max(body_diameter_m / 2 - reach_m, 0.0),
        hidden=hidden,
        free_share=free_share,
        reachable_share=grid.weights(reachable),
        hidden_share=hidden_share,
        visible_share=np.maximum(free_share - hidden_share, 0),
        zone_shares={zone.name: grid.weights(zone.outline) for zone in room.zones},
        decoys_seen=_decoys_seen(room, bar_height_m, camera_centre_m),
    )


def with_unknown(plan: FloorPlan, unknown: Area) -> FloorPlan:
    """Return `plan` with the floor in `unknown` (metres) hidden too: what lies there cannot be told from the light."""
    hidden = _only_polygons(plan.hidden.union(plan.free.intersection(unknown)))
    hidden_share = plan.grid.weights(hidden)
    visible_share = np.maximum(plan.free_share - hidden_share, 0)
    return replace(plan, hidden=hidden, hidden_share=hidden_share, visible_share=visible_share)


def permitted_poses(room: Room, free: Area, *, body_diameter_m: float, body_height_m: float) -> Area:
    """Return where the turning centre may be; empty where the body fits nowhere.

    Free floor eroded by the body's radius; of that the part with (or next to) the dock, without dock the
    largest. What hangs lower than the body is tall keeps it out.
    """
    low = _union(top.outline for top in room.overhangs if top.clearance_m < body_height_m)
    poses = _polygons(free.difference(low).buffer(-body_diameter_m / 2, quad_segs=_QUAD_SEGS))
    if not poses:
        return Polygon()
    if room.dock_m is None:
        return max(poses, key=lambda part: part.area)
    dock = Point(room.dock_m)
    return min(poses, key=lambda part: part.distance(dock))


def hidden_floor(room: Room, free: Area, *, bar_height_m: float, camera_centre_m: ArrayLike) -> Area:
    """Return the part of `free` above which the plane at bar height cannot be seen from the camera.

    A thing that fills the heights from `low` to `high` hides its own outline, scaled about the camera's foot
    by (H − h) / (H − z) for each of these heights z at or above the bar h; see docs/method.md.
    """
    x_m, y_m, above_m = (float(value) for value in np.asarray(camera_centre_m, dtype=np.float64))
    solids = [(solid.footprint, 0.0, solid.height_m) for solid in room.standing]
    solids += [(top.outline, top.clearance_m, top.height_m) for top in room.overhangs]
    shadows = []
    for outline, low_m, high_m in solids:
        if high_m > bar_height_m:
            near = _shadow_scale(max(low_m, bar_height_m), bar_height_m, above_m)
            far = _shadow_scale(high_m, bar_height_m, above_m)
            shadows.append(_swept_scaling(outline, (x_m, y_m), near, far))
    return _only_polygons(_union(shadows).intersection(free))


def _decoys_seen(room: Room, bar_height_m: float, camera_centre_m: ArrayLike) -> Area:
    """Return where the camera sees decoys on the plane at bar height: nearer to its foot than they stand."""
    x_m, y_m, above_m = (float(value) for value in np.asarray(camera_centre_m, dtype=np.float64))
    return _union(
        _swept_scaling(
            decoy.footprint,
            (x_m, y_m),
            *(_shadow_scale(z_m, bar_height_m, above_m) for z_m in (0.0, decoy.height_m)),
        )
        for decoy in room.decoys
    )


def _shadow_scale(z_m: float, bar_height_m: float, camera_height_m: float) -> float:
    """Return how much larger an outline at height `z_m` appears on the plane at bar height.

    What reaches the camera's height or beyond throws an endless shadow: cut at a scale that leaves any room.
    """
    below_m = max(camera_height_m - z_m, (camera_height_m - bar_height_m) / _ENDLESS_SCALE)
    return (camera_height_m - bar_height_m) / below_m


def _swept_scaling(outline: Area, foot_m: tuple[float, float], near: float, far: float) -> Area:
    """Return what `outline` passes over when it is scaled about `foot_m` from `near` to `far`.

    That is its first and last place and what each of its edges passes over, which is a convex quadrilateral.
    """
    first, last = (affinity.scale(outline, scale, scale, origin=(*foot_m, 0)) for scale in (near, far))
    start, ring = shapely.get_coordinates(shapely.get_rings(first), return_index=True)
    end = shapely.get_coordinates(shapely.get_rings(last))
    same = ring[1:] == ring[:-1]
    corners = np.stack([start[:-1], start[1:], end[1:], end[:-1]], axis=1)[same]
    paths = shapely.convex_hull(shapely.multipoints(shapely.points(corners)))
    return _union([first, last, *paths])


def _polygons(geometry: BaseGeometry) -> list[Polygon]:
    """Return the polygons in `geometry`; lines and points, which have no area, are dropped."""
    return [part for part in shapely.get_parts(geometry) if isinstance(part, Polygon) and not part.is_empty]


def _only_polygons(geometry: BaseGeometry) -> Area:
    """Return `geometry` without its lines and points."""
    parts = _polygons(geometry)
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _union(geometries: Iterable[BaseGeometry]) -> Area:
    """Return the union of the areas among `geometries`."""
    return _only_polygons(shapely.union_all([part for one in geometries for part in _polygons(one)]))
