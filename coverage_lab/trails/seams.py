"""Seams: narrow gaps between two neighbouring passes, which closing the comb has painted over.

Across one pass, tracks lie a pitch apart. Where the last track of one pass and the first of the next are at another
distance d, and both their other neighbours a pitch away, no track of either pass lies between: the floor between the
two nozzles' ends, d less both overhangs, was missed. Passes that overlap look otherwise (d and pitch − d in turns), a
dead LED leaves twice the pitch, and an LED that sits askew makes one distance longer and the next as much shorter.
Where two overlapping passes' tracks fall together, pairs merge into one, and their pattern begins at an odd distance
too, but brighter. A seam whose tracks happen to be a pitch apart looks like the comb itself: it cannot be seen.

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
from coverage_lab.trails.sweep import BELOW_CLIP, SweptFloor

Plane = NDArray[np.float32]
FloatArray = NDArray[np.float64]

ONE_WAY = 0.85  # length of the doubled mean direction from which on passes run one way
SWEPT = 0.5  # of a field cell
WIDEST = 2.1  # pitches between two tracks of a seam
ODD = 0.02  # pitches by which a seam, on average, differs from one or two pitches
ODD_HERE = 0.012  # in one cut
REGULAR = 0.06  # pitches: what the distances beside it may differ by
MERGED = 1.6  # of the trail's blur: by how much merged tracks begin off the pitch, at most
ALIKE = 1.2  # ratio of light beside a seam: merged tracks hold twice as much
ALIKE_CLIPPED = 1.07  # where light is clipped they are but a little wider
SMOOTH_CELLS = 1.2  # where tracks are clipped, so that flat tops have a middle
FAINTEST = 0.25  # of a cut's brightest track: light below is none
RESOLVED_CELLS = 2.5  # a pitch of fewer cells is not seen as tracks
EMPTY = 1.1  # light between a seam's tracks over that between tracks of one pass: a faint track hides beside a strong
CLEARLY_ODD = 0.05  # pitches
SHORTEST_M, SHORTEST_FINE_M = 0.09, 0.25  # a seam runs along a straight pass: a clearly odd one, a hardly odd one
EVERY = 3  # field cells on a slant pattern: so many along a pass are enough
REACH_M = 0.105  # to the next or next but one cut that shows the same seam
ASIDE_M = 0.0025  # how far the seam may be off its line there
STEP_M, FURTHER_M = 0.002, 0.08  # in which steps and how far seams go on beyond the last cut that shows them
DARK = 0.35  # light in the middle of a seam, of the light of the tracks beside it, at most
TWICE_M = 0.004  # two cuts nearer than this show the same place
RESOLVED = 2.2  # pitch over blur from which on tracks are told apart
_PAIRS = 8  # cuts looked at around each


def open_seams(
    swept: SweptFloor, field: TravelField, grid: FloorGrid, bar: Bar, clip: float
) -> tuple[SweptFloor, float]:
    """Take the gaps between parallel passes out of the swept floor, and say what may lie in gaps that cannot be seen.

    `field` is the directions of travel on the same floor, `clip` the light from which on a value only says "at least
    so bright". The second value is the area, in square metres, of gaps that look like the comb's own, going by those
    that do not. Nothing is found where the bar has no tracks that can be told apart.
    """
    if bar.pitch_m is None or bar.pitch_m < max(RESOLVED_CELLS * grid.cell_m, RESOLVED * swept.blur_m):
        return swept, 0.0
    light = swept.trail_light
    places, ways = _stations(field)
    across = np.column_stack([-ways[:, 1], ways[:, 0]])
    cuts = _cuts(light, grid, places, across, (WIDEST / 2 + 1.2) * bar.pitch_m)
    clipped = cuts.max(axis=1) >= BELOW_CLIP * clip
    if clipped.any():  # smoothed, flat tops have a middle
        cuts[clipped] = cv2.GaussianBlur(cuts[clipped], (0, 0), sigmaX=SMOOTH_CELLS, sigmaY=0.01)
    at_m, bright = _tracks(cuts, grid.cell_m)
    off, odd = _odd(at_m / bar.pitch_m)
    odd &= ~clipped | (np.abs(off) > CLEARLY_ODD)  # the middle of a flat top is not that sharp
    apart = np.abs(off) * bar.pitch_m > MERGED * swept.blur_m
    alike = np.where(clipped, ALIKE_CLIPPED, ALIKE)
    between, unlike = _held(cuts, at_m / grid.cell_m, bar.pitch_m / grid.cell_m)
    seam = odd & (between < EMPTY) & (apart | (unlike < alike))
    middle = places[seam] + across[seam] * at_m[seam, 1:3].mean(axis=1)[:, None]
    gap_m = np.maximum(at_m[seam, 2] - at_m[seam, 1] - 2 * bar.overhang_m, 0.0)
    links = _links(middle, ways[seam], off[seam], ASIDE_M / bar.pitch_m)
    if len(links) == 0:
        return swept, 0.0
    last, tip, last_m = _ends(light, grid, middle, gap_m, DARK * bright[seam, 1:3].mean(axis=1), links)
    start, end = np.concatenate([middle[links[:, 0]], last]), np.concatenate([middle[links[:, 1]], tip])
    width_m = np.concatenate([gap_m[links], np.column_stack([last_m, last_m])])
    missed = _strips(start, end, width_m, grid)
    unseen_m = float(np.linalg.norm(end - start, axis=1).sum()) * 2 * ODD / WIDEST
    share = np.minimum(swept.share, 1 - missed)
    return replace(swept, share=share), unseen_m * max(bar.pitch_m - 2 * bar.overhang_m, 0.0)


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


def _tracks(cuts: Plane, cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Return where the two tracks on either side of each cut's middle lie, (N, 4) in metres, and their light.

    ±inf and 0 where none is. A track is a maximum of the logarithm of light: for a Gaussian the parabola through three
    samples is exact.
    """
    faintest = FAINTEST * cuts.max(axis=1, keepdims=True)
    level = np.log(np.maximum(cuts, np.maximum(faintest, np.float32(1e-6))))
    before, at, after = level[:, :-2], level[:, 1:-1], level[:, 2:]
    cut, sample = np.nonzero((at >= before) & (at > after))
    left, mid, right = (part[cut, sample] for part in (before, at, after))
    place = (sample - (cuts.shape[1] - 3) / 2 + 0.5 * (left - right) / (left - 2 * mid + right)) * cell_m
    first_ahead = np.searchsorted(cut + 0.5 * (place > 0), np.arange(len(cuts)) + 0.25)
    found, bright = np.full((len(cuts), 4), np.inf), np.zeros((len(cuts), 4))
    found[:, :2] = -np.inf
    for column, shift in enumerate((-2, -1, 0, 1)):
        index = (first_ahead + shift).clip(0, len(cut) - 1)
        own = (cut[index] == np.arange(len(cuts))) & (index == first_ahead + shift)
        found[own, column] = place[index[own]]
        bright[own, column] = np.exp(mid[index[own]])
    return found, bright


def _odd(between: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Say by how much the middle distance of each cut (N, 4), in pitches, is odd, and where those beside are not."""
    with np.errstate(invalid="ignore"):
        before, middle, after = np.diff(between, axis=1).T
        off = middle - np.clip(np.rint(middle), 1, 2)
        beside = np.maximum(np.abs(before - 1), np.abs(after - 1))
        odd = (np.abs(off) > ODD_HERE) & (middle < WIDEST) & (beside < np.clip(np.abs(off) / 2, 0.012, REGULAR))
    return off, np.asarray(odd)


def _held(cuts: Plane, tracks: FloatArray, pitch: float) -> tuple[FloatArray, FloatArray]:
    """Compare the light that parts of each cut hold; `tracks` (N, 4) in samples off its middle.

    Returns how many times more there is between the two tracks in the middle than between those beside, and how many
    times more both tracks on one side hold than both on the other.
    """
    sums = np.cumsum(cuts - cuts.min(axis=1, keepdims=True), axis=1)
    middle, last = cuts.shape[1] // 2, cuts.shape[1] - 1

    def until(place: FloatArray) -> FloatArray:
        at = np.nan_to_num(middle + place - 0.5).clip(0, last - 1e-3)
        low = at.astype(np.intp)
        rows = np.arange(len(cuts))
        return np.asarray(sums[rows, low] + (at - low) * (sums[rows, low + 1] - sums[rows, low]))

    held = [until(place) for place in tracks.T]
    beside = (held[1] - held[0] + held[3] - held[2]) / 2
    one = until(tracks[:, 1] + pitch / 2) - until(tracks[:, 0] - pitch / 2)
    other = until(tracks[:, 3] + pitch / 2) - until(tracks[:, 2] - pitch / 2)
    unlike = np.maximum(one, other) / np.maximum(np.minimum(one, other), 1e-9)
    return (held[2] - held[1]) / np.maximum(beside, 1e-9), unlike


def _links(middle: FloatArray, ways: FloatArray, off: FloatArray, alike_off: float) -> NDArray[np.intp]:
    """Return pairs (L, 2) of cuts that show neighbouring places of one seam, long and odd enough seams only."""
    if len(middle) < 2:
        return np.zeros((0, 2), np.intp)
    tree = cKDTree(middle)
    twice = tree.query_pairs(TWICE_M, output_type="ndarray")
    single = np.ones(len(middle), bool)
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
    alike = (aside < ASIDE_M) & (np.abs(off[other] - off[here]) < alike_off)
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
    light: Plane, grid: FloorGrid, middle: FloatArray, gap_m: FloatArray, dark: FloatArray, links: NDArray[np.intp]
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
    free = np.cumprod(seen < dark[here, None], axis=1).sum(axis=1)
    return middle[here], middle[here] + (STEP_M * free)[:, None] * way, gap_m[here]


def _strips(start: FloatArray, end: FloatArray, width_m: FloatArray, grid: FloorGrid) -> Plane:
    """Return the share of each cell in strips from `start` to `end` (L, 2), `width_m` (L, 2) wide at either."""
    step = end - start
    length_m = np.linalg.norm(step, axis=1)
    left = np.column_stack([-step[:, 1], step[:, 0]]) / np.maximum(length_m, 1e-9)[:, None] / 2
    here, there = (width_m[:, side, None] * left for side in (0, 1))
    corners = np.stack([start - here, end - there, end + there, start + here, start - here], axis=1)
    number = np.repeat(np.arange(len(step)), corners.shape[1])
    return grid.ring_weights(grid.to_cell(corners.reshape(-1, 2)), number)
