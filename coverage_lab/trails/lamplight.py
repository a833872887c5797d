"""Light of a lamp that the robot carries: headlamps and line lasers of robots that find their way by camera.

It shines low over the floor, ahead, where no nozzle passed. A laser draws arcs there whenever the robot turns: lines
much narrower than any strip that a nozzle sweeps. A headlamp lights the foot of the walls, below the bar's own height:
the bar's LEDs look up and leave it darker than the wall above it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Quality
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan

Plane = NDArray[np.float32]
Bits = NDArray[np.bool_]

CELL_M = 0.004  # fine enough for a line
LINE_M = 0.040  # a wider strip is no line
STANDS_OUT = 0.15  # of the root of the trail's light, by which a line's is higher than beside it
NARROWEST = 0.3  # of the nozzle: a swept strip is wider wherever it ends
BESIDE_M = 0.030  # floor around the trail that its own light reaches
FOOT_M, WALL_M = (-0.035, -0.010), (0.015, 0.045)  # off the wall's line: the foot of a wall, and the wall above it
PAPER = 1.0  # of a marker's side around its centre
FEWEST_CELLS = 100
MANY_LINES = 0.012  # 0.005 on good frames; from 0.03 on with a laser whose light passes for trail
LIT_FOOT = 1.5  # up to 1.1 on good frames, 2 and more with a headlamp
MUCH_LIT_FOOT = 0.2  # of the light of the trail: up to it coverage was right, at 0.27 half a point off, at 0.31 fifty


@dataclass(frozen=True, slots=True)
class Lamplight:
    """What a lamp on the robot would leave; 0 where nothing can be seen of it."""

    lines: float  # share of the floor clear of the trail that bright lines cover, 0-1
    foot_over_wall: float  # light at the foot of the walls over that on the wall above it, medians
    foot_over_trail: float  # the first over the light of the trail


def lamplight(light: Plane, swept: Plane | None, plan: FloorPlan, nozzle_m: float, trail: float) -> Lamplight:
    """Look for a lamp's light on floor that was not swept.

    light : (rows, cols) in plan view; swept : (rows, cols) share of each cell, None where no trail was found (then a
    comb is as good as a lamp's lines, and no line is looked for); trail : its light, 1 = full scale.
    """
    places = _places(plan)
    view, clear, lines = _coarse(light, places.grid), np.ones(places.grid.shape, bool), 0.0
    if swept is not None:
        clear = _clear(_coarse(swept, places.grid), nozzle_m, places.grid.cell_m)
        lines = _line_share(view, places.floor & clear, STANDS_OUT * float(np.sqrt(trail)), places.grid.cell_m)
    foot, wall = (_median(view, band & clear) for band in (places.foot, places.wall))
    return Lamplight(lines, foot / wall if wall > 0 else 0.0, foot / trail)


def _clear(swept: Plane, nozzle_m: float, cell_m: float) -> Bits:
    """Cells well away from any strip that a nozzle may have swept; lines that pass for trail are none."""
    wide = cv2.morphologyEx((swept > 0.5).astype(np.uint8), cv2.MORPH_OPEN, _disc(NARROWEST * nozzle_m / cell_m))
    return np.asarray(cv2.dilate(wide, _disc(2 * BESIDE_M / cell_m)) == 0)


def _line_share(view: Plane, floor: Bits, higher: float, cell_m: float) -> float:
    """Return the share of `floor` under narrow bright lines: the root of light is `higher` than beside them."""
    if np.count_nonzero(floor) < FEWEST_CELLS:
        return 0.0
    lines = cv2.morphologyEx(cv2.sqrt(np.maximum(view, 0)), cv2.MORPH_TOPHAT, _disc(LINE_M / cell_m)) > higher
    return float(np.mean(lines[floor]))


def lamp_remarks(found: Lamplight, *, halo: bool = False) -> tuple[Quality, ...]:
    """What to say of a lamp whose light was found: it may pass for trail, and hides what was missed.

    halo : whether floor was found that burnt as if the robot had stood still; a headlamp burns it while it drives.
    """
    mend = "Cover the robot's lamps, or switch them off, and shoot again"
    if found.foot_over_wall > LIT_FOOT:
        text = (
            f"the foot of the walls is {found.foot_over_wall:.1f} times as bright as the wall above it, as a "
            f"headlamp on the robot lights it and no bar does: {100 * found.foot_over_trail:.0f} % of the trail's light"
        )
        refused = halo or found.foot_over_trail > MUCH_LIT_FOOT
        return (Quality("headlamp", "refused" if refused else "warning", f"{text}. {mend}"),)
    if found.lines > MANY_LINES:
        text = (
            f"lines of light, narrower than any strip that a nozzle sweeps, cover {100 * found.lines:.0f} % of the "
            "floor clear of the trail: a line laser or another lamp on the robot, whose light passes for trail"
        )
        return (Quality("headlamp", "refused", f"{text}. {mend}"),)
    return ()


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Cells of a coarser grid, (rows, cols), by what the plan says of them."""

    grid: FloorGrid
    floor: Bits  # visible floor without markers and decoys, well away from what hides it
    foot: Bits  # along walls, where their foot is seen
    wall: Bits  # above it


@lru_cache(maxsize=1)
def _places(plan: FloorPlan) -> _Places:
    """Sort the cells of a plan; kept for the next run of the same robot."""
    fine = plan.grid
    every = max(1, round(CELL_M / fine.cell_m))
    grid = FloorGrid(fine.west_m, fine.north_m, fine.rows // every, fine.cols // every, every * fine.cell_m)
    seen = _coarse(plan.hidden_share, grid) == 0
    seen = cv2.erode(seen.astype(np.uint8), _disc(2 * BESIDE_M / grid.cell_m)) > 0
    paper = [
        shapely.Point(marker.centre_m).buffer(PAPER * marker.side_m, cap_style="square") for marker in plan.room.markers
    ]
    # A decoy that the bar lights shines too, as narrow as itself, where the camera sees it.
    others = shapely.union_all([*paper, plan.decoys_seen.buffer(BESIDE_M)])
    floor = (_coarse(plan.visible_share, grid) > 0.99) & seen & (grid.weights(others) == 0)
    room = plan.room.floor
    foot, wall = (
        room.buffer(outer, join_style="mitre").difference(room.buffer(inner, join_style="mitre"))
        for inner, outer in (FOOT_M, WALL_M)
    )
    return _Places(grid, floor, (grid.weights(foot) > 0.5) & seen, (grid.weights(wall) > 0.5) & seen)


def _coarse(plane: Plane, grid: FloorGrid) -> Plane:
    """Average a plane of the plan's cells over those of a coarser grid; what is left over is cut off."""
    every = plane.shape[0] // grid.rows
    whole = np.ascontiguousarray(plane[: grid.rows * every, : grid.cols * every], np.float32)
    return np.asarray(cv2.resize(whole, (grid.cols, grid.rows), interpolation=cv2.INTER_AREA))


def _median(view: Plane, where: Bits) -> float:
    """Return the median of the cells, 0 where they are too few to tell."""
    return float(np.median(view[where])) if np.count_nonzero(where) >= FEWEST_CELLS else 0.0


def _disc(across: float) -> NDArray[np.uint8]:
    size = round(across) | 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)
