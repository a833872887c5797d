"""Seams: narrow gaps between two neighbouring passes, which closing the comb, or a low level, has painted over.

Cuts across the passes show a gap at one place (`odd_tracks`, `dips`); gaps that line up along the passes are a seam.
Lengths are in metres, points (x, y) on the floor.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from coverage_lab.job import Bar
from coverage_lab.room.field import TravelField
from coverage_lab.room.grid import FloorGrid
from coverage_lab.trails import dips, odd_tracks
from coverage_lab.trails.gaps import FloatArray, Gaps
from coverage_lab.trails.sweep import BELOW_CLIP, SweptFloor

Plane = NDArray[np.float32]

ONE_WAY = 0.85  # length of the doubled mean direction from which on passes run one way
SWEPT = 0.5  # of a field cell
RESOLVED, RESOLVED_CELLS = 2.9, 2.5  # pitch over blur, and in cells, from which on tracks are told apart
RIPPLE = 0.6  # light between tracks over that on them, where the tracks are seen
PAINTED_OVER = 0.5  # share of the cell in a gap's middle: less, and the gap is open already
ODD = 0.02  # how odd a seam must be on the whole
CLEARLY_ODD = 0.05
SHORTEST_M, SHORTEST_FINE_M = 0.09, 0.25  # a seam runs along a straight pass: a clearly odd one, a hardly odd one
EVERY = 3  # field cells on a slant pattern: so many along a pass are enough
REACH_M = 0.105  # to the next or next but one cut that shows the same seam
ASIDE_M = 0.0025  # how far the seam may be off its line there
ALIKE = 0.15  # how different the oddness may be there
STEP_M, FURTHER_M = 0.002, 0.08  # in which steps and how far seams go on beyond the last cut that shows them
DARK = 0.35  # light in the middle of a seam, of the light beside it, at most
WINDOW = 1.15  # nozzles: in so much floor across the passes there must be a place where two of them meet
SEAMLESS = 1.5  # ratio of light within it from which on that place is seen
IRREGULAR = 0.04  # share of cuts: a strip of a centimetre is that
SEEN = -99.0  # logarithm of no light: stands for a place where it is known how passes meet
READABLE = 0.1  # of a field cell, where no single seam has to be placed
TWICE_M = 0.004  # two cuts nearer than this show the same place
_PAIRS = 8  # cuts looked at around each


def open_seams(
    swept: SweptFloor, field: TravelField, grid: FloorGrid, bar: Bar, clip: float
) -> tuple[SweptFloor, float]:
    """Take the gaps between parallel passes out of the swept floor, and say what may lie in gaps that cannot be seen.

    `field` is the directions of travel on the same floor, `clip` the light from which on a value only says "at least
    so bright". The second value is an area in square metres, see `unseen_gaps_m2`.
    """
    light, pitch_m, blur_m = swept.trail_light, bar.pitch_m or 0.0, swept.blur_m
    reach_m = max(odd_tracks.reach_m(pitch_m), dips.reach_m(pitch_m, blur_m))
    places, ways = _stations(field)
    if len(places) == 0:
        return swept, 0.0
    across = np.column_stack([-ways[:, 1], ways[:, 0]])
    cuts = _cuts(light, grid, places, across, reach_m)
    if _resolved(cuts, pitch_m, blur_m, grid.cell_m):
        gaps = odd_tracks.odd_distances(cuts, grid.cell_m, bar, pitch_m, blur_m, BELOW_CLIP * clip)
    else:
        gaps = dips.dips(cuts, grid.cell_m, bar, blur_m)
    middle = places[gaps.cut] + across[gaps.cut] * gaps.middle_m[:, None]
    irregular = _share_around(field, places, gaps.irregular, _window(field, bar))
    links = _links(middle, ways[gaps.cut], gaps.odd, _painted_over(swept.share, grid, middle))
    if len(links) == 0:
        return swept, unseen_gaps_m2(field, irregular, None, bar, blur_m)
    last, tip, last_m = _ends(light, grid, middle, gaps, links)
    start, end = np.concatenate([middle[links[:, 0]], last]), np.concatenate([middle[links[:, 1]], tip])
    width_m = np.concatenate([gaps.wide_m[links], np.column_stack([last_m, last_m])])
    missed = _strips(start, end, width_m, grid)
    opened = replace(swept, share=np.minimum(swept.share, 1 - missed))
    return opened, unseen_gaps_m2(field, irregular, missed, bar, blur_m)


def unseen_gaps_m2(field: TravelField, irregular: Plane, missed: Plane | None, bar: Bar, blur_m: float) -> float:
    """Return how much floor, in square metres, may lie in gaps between passes that no light shows.

    Lanes that overlap show bright strips or irregular tracks (`irregular`: share of a nozzle's surroundings, on the
    field's cells), most gaps are found (`missed`, on the cells that the field was made of). Where travel runs one way
    and within more than a nozzle's length none of this is seen, two passes meet all the same: a pitch apart, as if they
    were one, give or take the blur.
    """
    resolved = (bar.pitch_m or 0.0) > RESOLVED * blur_m
    gap_m = (bar.pitch_m or 0.0) - 2 * bar.overhang_m + (0.0 if resolved else blur_m)
    level = np.log(np.maximum(field.level, 1e-4)).astype(np.float32)
    if missed is not None:
        rows, cols = field.level.shape
        step = round(missed.shape[0] / rows)
        whole = cv2.resize(missed[: rows * step, : cols * step], (cols, rows), interpolation=cv2.INTER_AREA)
        level[whole > 0] = SEEN
    window = np.ones((_window(field, bar),) * 2, np.uint8)
    darkest = cv2.erode(level, window)
    alike = (irregular < IRREGULAR) & (darkest > SEEN) & (cv2.dilate(level, window) - darkest < np.log(SEAMLESS))
    one_way = (np.abs(field.axis) > ONE_WAY) & (field.weight > READABLE)
    length_m = (
        np.count_nonzero((cv2.dilate((alike & one_way).astype(np.uint8), window) > 0) & one_way)
        * field.grid.cell_m2
        / bar.nozzle_m
    )
    return float(length_m * max(gap_m, 0.0))


def _resolved(cuts: Plane, pitch_m: float, blur_m: float, cell_m: float) -> bool:
    """Say whether tracks are told apart: by the blur or, since clipped light does not tell it well, by sight."""
    pitch, middle = pitch_m / cell_m, cuts.shape[1] // 2
    if pitch < RESOLVED_CELLS or pitch_m > RESOLVED * blur_m:
        return pitch >= RESOLVED_CELLS
    half = int(np.ceil(pitch / 2))
    around = cuts[:, middle - half : middle + half + 1]
    return float(np.percentile(around.min(axis=1) / np.maximum(around.max(axis=1), 1e-6), 25)) < RIPPLE


def _window(field: TravelField, bar: Bar) -> int:
    """Side, in cells of the field, of the square in which two passes must meet."""
    return int(WINDOW * bar.nozzle_m / field.grid.cell_m) | 1


def _share_around(field: TravelField, places: FloatArray, which: NDArray[np.bool_], side: int) -> Plane:
    """Return the share of cuts in `which` (N,) among all in the square around each cell of the field; 0 if none."""
    row, col = np.rint(field.grid.to_cell(places)).astype(np.intp).T
    cell = row.clip(0, field.grid.rows - 1) * field.grid.cols + col.clip(0, field.grid.cols - 1)
    some, every = (
        cv2.blur(
            np.bincount(cell, weights, field.grid.rows * field.grid.cols).reshape(field.grid.shape).astype(np.float32),
            (side, side),
        )
        for weights in (which, np.ones(len(which)))
    )
    return np.asarray(some / np.maximum(every, np.float32(1e-6)))


def _stations(field: TravelField) -> tuple[FloatArray, FloatArray]:
    """Return where to cut across the passes, (N, 2), and the unit vectors along which they run there."""
    slant = np.add.outer(np.arange(field.grid.rows), np.arange(field.grid.cols)) % EVERY == 0
    row, col = np.nonzero((np.abs(field.axis) > ONE_WAY) & (field.weight > SWEPT) & slant)
    angle = np.angle(field.axis[row, col]) / 2
    way = np.column_stack([np.cos(angle), np.sin(angle)]).astype(np.float64)
    aside = field.grid.cell_m / 4 * np.column_stack([-way[:, 1], way[:, 0]])
    place = field.grid.to_floor(np.column_stack([row, col]))
    return np.concatenate([place - aside, place + aside]), np.concatenate([way, way])


def _cuts(light: Plane, grid: FloorGrid, places: FloatArray, across: FloatArray, reach_m: float) -> Plane:
    """Return the light along cuts through `places`, (N, 2 K + 1), one sample per cell, the middle one at the place."""
    steps = np.arange(-np.ceil(reach_m / grid.cell_m), np.ceil(reach_m / grid.cell_m) + 1, dtype=np.float32)
    middle = grid.to_cell(places).astype(np.float32)
    col = middle[:, 1:] + across[:, :1].astype(np.float32) * steps
    row = middle[:, :1] - across[:, 1:].astype(np.float32) * steps
    few = len(row) // 16384 + 1  # remap takes at most 32767 rows
    parts = zip(np.array_split(col, few), np.array_split(row, few), strict=True)
    return np.vstack([cv2.remap(light, *part, cv2.INTER_CUBIC) for part in parts])


def _painted_over(share: Plane, grid: FloorGrid, middle: FloatArray) -> NDArray[np.bool_]:
    row, col = (np.rint(axis).astype(np.intp) for axis in grid.to_cell(middle).T)
    return np.asarray(share[row.clip(0, grid.rows - 1), col.clip(0, grid.cols - 1)] > PAINTED_OVER)


def _links(middle: FloatArray, ways: FloatArray, off: FloatArray, usable: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return pairs (L, 2) of usable cuts that show neighbouring places of one seam, long and odd enough seams only."""
    if len(middle) < 2:
        return np.zeros((0, 2), np.intp)
    tree = cKDTree(middle)
    twice = tree.query_pairs(TWICE_M, output_type="ndarray")
    single = usable.copy()
    single[twice.max(axis=1)] = False
    distance, other = tree.query(middle, k=min(_PAIRS, len(middle)), distance_upper_bound=REACH_M)
    here = np.repeat(np.arange(len(middle)), other.shape[1])
    other, distance = other.ravel(), distance.ravel()
    keep = (other < len(middle)) & (other != here)
    keep[keep] &= single[here[keep]] & single[other[keep]]
    here, other, distance = here[keep], other[keep], distance[keep]
    step = middle[other] - middle[here]
    along = (step * ways[here]).sum(axis=1)
    aside = np.abs(step[:, 0] * ways[here, 1] - step[:, 1] * ways[here, 0])
    alike = (aside < ASIDE_M) & (np.abs(off[other] - off[here]) < ALIKE)
    alike &= off[other] * off[here] > 0
    pairs = [_nearest(here[side], other[side], distance[side]) for side in (alike & (along > 0), alike & (along < 0))]
    links = np.unique(np.sort(np.concatenate(pairs), axis=1), axis=0)
    length_m = np.linalg.norm(middle[links[:, 0]] - middle[links[:, 1]], axis=1)
    size = (len(middle), len(middle))
    _, seam = connected_components(coo_array((np.ones(len(links)), links.T), shape=size), directed=False)
    seam = seam[links[:, 0]]
    total_m = np.bincount(seam, length_m, len(middle))
    mean_off = np.bincount(seam, length_m * np.abs(off[links]).mean(axis=1), len(middle)) / np.maximum(total_m, 1e-9)
    long = (mean_off > ODD) & (total_m >= np.where(mean_off > CLEARLY_ODD, SHORTEST_M, SHORTEST_FINE_M))
    return np.asarray(links[long[seam]], dtype=np.intp)


def _nearest(here: NDArray[np.intp], other: NDArray[np.intp], distance: FloatArray) -> NDArray[np.intp]:
    """Keep each cut's nearest other."""
    order = np.lexsort((distance, here))
    _, first = np.unique(here[order], return_index=True)
    return np.column_stack([here, other])[order][first]


def _ends(
    light: Plane, grid: FloorGrid, middle: FloatArray, gaps: Gaps, links: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Follow each seam beyond its last cut as long as its middle stays dark.

    Close to a crossing pass directions mix, and cuts say nothing. Returns where the last cuts are (E, 2), how far each
    seam goes on (E, 2), and how wide it is there (E,).
    """
    count = np.bincount(links.ravel(), minlength=len(middle))
    last = np.concatenate([links[count[links[:, 0]] == 1], links[count[links[:, 1]] == 1][:, ::-1]])
    here = last[:, 0]
    way = middle[here] - middle[last[:, 1]]
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    step_m = np.arange(STEP_M, FURTHER_M, STEP_M)
    cell = grid.to_cell(middle[here, None] + step_m[:, None] * way[:, None]).astype(np.float32)
    seen = cv2.remap(light, cell[..., 1], cell[..., 0], cv2.INTER_LINEAR) if len(here) else np.zeros((0, len(step_m)))
    free = np.cumprod(seen < DARK * gaps.beside[here, None], axis=1).sum(axis=1)
    return middle[here], middle[here] + (STEP_M * free)[:, None] * way, gaps.wide_m[here]


def _strips(start: FloatArray, end: FloatArray, width_m: FloatArray, grid: FloorGrid) -> Plane:
    """Return the share of each cell in strips from `start` to `end` (L, 2), `width_m` (L, 2) wide at either."""
    step = end - start
    length_m = np.linalg.norm(step, axis=1)
    left = np.column_stack([-step[:, 1], step[:, 0]]) / np.maximum(length_m, 1e-9)[:, None] / 2
    here, there = (width_m[:, side, None] * left for side in (0, 1))
    corners = np.stack([start - here, end - there, end + there, start + here, start - here], axis=1)
    number = np.repeat(np.arange(len(step)), corners.shape[1])
    return grid.ring_weights(grid.to_cell(corners.reshape(-1, 2)), number)
