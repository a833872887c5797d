"""How far coverage hangs on where the room file says that walls and furniture stand."""

from __future__ import annotations

from coverage_lab.measures.coverage import covered_percent, total
from coverage_lab.measures.edges import Rays, along_wall, around, share_at, walls
from coverage_lab.measures.uncertainty import combined, rectangular_u
from coverage_lab.measures.values import Contribution
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Room


def outline_contributions(
    swept: ShareArray, region: ShareArray, plan: FloorPlan, *, inset_m: float = 0.0
) -> dict[str, Contribution]:
    """Return what the tolerances of walls and footprints add to the uncertainty of a region's share, in points.

    A wall that stands further out adds floor along it, swept to the share s found there: coverage c changes by
    (s - c) length · shift / area. Each wall stands by itself; an obstacle is wider or narrower all around.
    `swept` and `region` are shares of cells (rows, cols); `inset_m` is how far off the walls the region begins:
    nothing for visible floor, the width of the fringe for reachable floor.
    """
    grid, room = plan.grid, plan.room
    percent = covered_percent(swept, region)
    if percent is None:
        return {}
    area_m2 = total(region) * grid.cell_m2
    step_m = 2 * grid.cell_m

    def points_per_m(rays: Rays, inset_m: float) -> float:
        """Return the change of coverage, in points, when the outline moves by a metre."""
        beside_m = (rays.start_m + (inset_m + 1.5 * grid.cell_m) * rays.into)[:, None]
        surplus = 100 * share_at(swept, beside_m, grid) - percent
        return float((surplus * share_at(region, beside_m, grid)).sum()) * step_m / area_m2

    wall_u_m = rectangular_u(room.floor_tolerance_m)
    by_wall = [
        points_per_m(along_wall(start, end, 0.0, step_m), inset_m) * wall_u_m for start, end in walls(room.floor)
    ]
    by_obstacle = [
        points_per_m(around(obstacle.footprint.buffer(inset_m), step_m), 0.0) * rectangular_u(obstacle.tolerance_m)
        for obstacle in room.obstacles
    ]
    return {
        "walls": Contribution(combined(by_wall), "room", 1000 * wall_u_m),
        "footprints": Contribution(combined(by_obstacle), "room", _common_u_mm(room)),
    }


def _common_u_mm(room: Room) -> float | None:
    """Standard uncertainty of the footprints' sides where all are known equally well."""
    tolerances = {obstacle.tolerance_m for obstacle in room.obstacles}
    return 1000 * rectangular_u(tolerances.pop()) if len(tolerances) == 1 else None
