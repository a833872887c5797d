"""The swept floor: which share of each cell the nozzle passed over, from the plan view of one exposure.

What is trail is decided by a level (`level`), where exactly it ends by the flank of its outermost track (`edge`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan
from coverage_lab.trails.background import floor_glow
from coverage_lab.trails.comb import Comb, brightness, close_comb, shows_comb
from coverage_lab.trails.edge import fit_edges
from coverage_lab.trails.level import TrailLevel, trail_level
from coverage_lab.trails.outline import Outline, trace_outline
from coverage_lab.trails.sheen import decoy_sheen

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]

BEYOND_REACH_M = 0.020  # how far outside the reachable floor a trail is still believed
AROUND_DECOY_M = 0.25  # so near a decoy a trail is believed although the plan says that nothing can come there
PAPER = 1.0  # of a marker's side: half the side of the square around its centre that holds it however it is turned
SMALLEST_TRAIL = 0.6  # of the nozzle: what is shorter is a lamp, a reflection or a hot pixel
HIDDEN_RIM_CELLS = 2  # light beside a hidden place is cut by what hides it
BELOW_CLIP = 0.9  # averaging over a cell, and JPEG, pull clipped light below the clip


@dataclass(frozen=True, slots=True, eq=False)
class SweptFloor:
    """Swept share of every cell and how it was found."""

    share: Plane  # (rows, cols) in [0, 1]; only meaningful where the floor is visible
    trail_light: Plane  # (rows, cols) light of the trail: the plan view less the floor's glow
    edge_u_m: float  # standard uncertainty of the outline's place, common to all of it
    transfer_u_m: float  # what a bent transfer curve adds to it
    doubtful: Plane  # (rows, cols) in {0, 1}: trail or not depends on the level
    clipped: float  # share of the outline where light runs into the clip, 0-1
    ruled: float  # share of the outline fitted over a whole track, 0-1
    blur_m: float  # standard deviation of the trail's blur
    level: TrailLevel
    outline: Outline  # of what lies above the level, in cells
    first_track: Plane  # (M,) cells from the outline inward to the outermost track's centre
    cut: NDArray[np.bool_]  # (M,) where the outline ends at a hidden place, and shows no edge


def sweep(light: Plane, plan: FloorPlan, bar: Bar, clip: float, *, px_m: float) -> SweptFloor | None:
    """Find the swept floor in `light`, (rows, cols) linear light in plan view at bar height; None without a trail.

    `clip` is the light from which on a value only says "at least so bright"; `px_m` how much floor a pixel of the
    frame shows.
    """
    cell_m = plan.grid.cell_m
    comb = Comb.of(bar, cell_m)
    place = _places(plan)
    trail_light = light - floor_glow(light, place.unreached) * _unclipped(light, clip)
    closed = _closed(trail_light, place.rim, comb.pitch)
    level = trail_level(closed, place.judged, place.unreached)
    if level is not None and not shows_comb(brightness(trail_light), closed, level.level):
        # Nothing needs closing, and closing would hide gaps between passes.
        closed = _closed(trail_light, place.rim, None)
        level = trail_level(closed, place.judged, place.unreached)
    if level is None:
        return None
    mask = (_trail(closed, level) & place.possible) | place.rim
    sheen = decoy_sheen(mask, light, plan, bar, clip, level.trail)
    mask = np.where(sheen.none, 0, mask).astype(np.uint8)
    outline = trace_outline(mask, smallest_extent=SMALLEST_TRAIL * bar.nozzle_m / cell_m)
    cut = _near(place.rim, outline, 2)
    fit = fit_edges(light, outline, comb, BELOW_CLIP * clip, px_m / cell_m, cut)
    inward = np.where(cut, HIDDEN_RIM_CELLS + 2, fit.first_track - comb.overhang)
    return SweptFloor(
        share=_fill(outline, inward, plan.grid),
        trail_light=trail_light,
        edge_u_m=fit.u * cell_m,
        transfer_u_m=fit.transfer_u * cell_m,
        doubtful=np.maximum(_doubtful(closed, level, outline, plan), sheen.doubtful),
        clipped=fit.clipped,
        ruled=fit.ruled,
        blur_m=fit.sigma * cell_m,
        level=level,
        outline=outline,
        first_track=fit.first_track,
        cut=cut,
    )


def _trail(closed: Mask, level: TrailLevel) -> Mask:
    """1 where light lies above the level, and in holes that are nowhere darker than the lowest level that would do.

    Such a hole is the track of a weak LED in a fast pass.
    """
    count, hole = cv2.connectedComponents((closed <= level.level).view(np.uint8), connectivity=4)
    dark = np.zeros(count, bool)
    dark[hole[closed <= level.low]] = True
    return np.asarray(~dark[hole]).view(np.uint8)


def unreached_floor(plan: FloorPlan) -> NDArray[np.bool_]:
    """Cells (rows, cols) of visible floor that cannot be trail: no nozzle comes near, and no marker lies there."""
    return _places(plan).unreached


def possible_floor(plan: FloorPlan) -> NDArray[np.bool_]:
    """Cells (rows, cols) that the nozzle can have come to."""
    return _places(plan).possible > 0


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """What the plan says of each cell before any light is looked at."""

    possible: Mask  # 1 where the nozzle can have come
    rim: Mask  # 255 where hidden, and so near to it that light is cut
    judged: NDArray[np.bool_]  # visible floor that can be trail or not
    unreached: NDArray[np.bool_]  # visible floor that cannot be trail


@lru_cache(maxsize=1)
def _places(plan: FloorPlan) -> _Places:
    """Sort the cells of a plan; kept for the next run of the same robot."""
    possible, visible = _possible(plan), plan.visible_share > 0.99
    rim = _grown((plan.hidden_share > 0.01).astype(np.uint8) * np.uint8(255), HIDDEN_RIM_CELLS)
    # White paper around a marker is brighter than the floor, and no trail.
    paper = [
        shapely.Point(marker.centre_m).buffer(PAPER * marker.side_m, cap_style="square") for marker in plan.room.markers
    ]
    plain = visible & (plan.grid.weights(shapely.union_all(paper)) == 0)
    return _Places(possible, rim, plain & (possible > 0), plain & (possible == 0))


def _possible(plan: FloorPlan) -> Mask:
    """Cells that the nozzle can have come to, with some room for a wrong body diameter.

    The reachable floor keeps clear of decoys; a robot may not, and may drive over them.
    """
    reached = _grown((plan.reachable_share > 0.5).astype(np.uint8), round(BEYOND_REACH_M / plan.grid.cell_m))
    if plan.room.decoys:
        decoys = shapely.union_all([decoy.footprint for decoy in plan.room.decoys])
        around = decoys.buffer(AROUND_DECOY_M).intersection(plan.free.union(decoys))
        reached |= (plan.grid.weights(around) > 0.5).astype(np.uint8)
    return reached


def _grown(mask: Mask, cells: int) -> Mask:
    """`mask` grown by a square of `cells` on each side."""
    return np.asarray(cv2.dilate(mask, np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)))


def _closed(trail_light: Plane, rim: Mask, pitch: float | None) -> Mask:
    """Brightness with the comb closed.

    What hides floor cuts tracks off, and the gaps between their ends would stay open: in a hidden place and its rim
    light goes on for half a pitch.
    """
    bright = brightness(trail_light)
    closed = close_comb(bright & ~rim, pitch)
    if not rim.any():
        return closed
    half = max(1, round((pitch or 0) / 2))
    return close_comb(np.maximum(bright & ~rim, _grown(closed, half) & rim), pitch)


def _unclipped(light: Plane, clip: float) -> Plane:
    """How much of the floor's glow, 0 to 1, is taken off: of clipped light, which is brighter than it looks, nothing.

    From half the clip on less and less: a step would leave brightness that no cell has, and pass for the level.
    """
    return np.asarray(np.clip((clip - light) * np.float32(2 / clip), 0, 1), np.float32)


def _near(rim: Mask, outline: Outline, cells: int) -> NDArray[np.bool_]:
    """Which points of the outline lie within `cells` of a hidden place and its rim."""
    row, col = _cells_of(outline, rim.shape)
    return np.asarray(_grown(rim, cells)[row, col] > 0)


def _cells_of(outline: Outline, shape: tuple[int, ...]) -> NDArray[np.intp]:
    """Rows and columns (2, M) of the cells that the outline's points lie in."""
    nearest = np.rint(outline.points).astype(np.intp).T
    return np.clip(nearest, 0, np.array(shape)[:, None] - 1)


def _fill(outline: Outline, inward: Plane, grid: FloorGrid) -> Plane:
    """Share of each cell inside the outline after its points moved `inward` (cells) along their normals."""
    moved = outline.points + inward[:, None] * outline.normals
    rings = [np.arange(first, last + 1) for first, last in pairwise(outline.starts)]
    if not rings:
        return np.zeros(grid.shape, np.float32)
    for ring, first in zip(rings, outline.starts, strict=False):
        ring[-1] = first  # closed
    number = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    return grid.ring_weights(moved[np.concatenate(rings)], number)


def _doubtful(closed: Mask, level: TrailLevel, outline: Outline, plan: FloorPlan) -> Plane:
    """Cells away from the outline that a somewhat lower or higher level would count the other way."""
    between = (closed > level.low) & (closed <= level.high)
    along = np.zeros_like(closed)
    row, col = _cells_of(outline, closed.shape)
    along[row, col] = 1
    return np.asarray(between & (_grown(along, 4) == 0) & (plan.visible_share > 0), np.float32)
