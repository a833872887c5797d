"""Gaps between passes whose tracks are told apart: an odd distance between two tracks.

Across one pass, tracks lie a pitch apart. Where the last track of one pass and the first of the next are at another
distance d, and both their other neighbours a pitch away, no track of either pass lies between: the floor between the
two nozzles' ends, d less both overhangs, was missed. Passes that overlap look otherwise (d and pitch − d in turns), a
dead LED leaves twice the pitch, and an LED that sits askew makes one distance longer and the next as much shorter.
Where two overlapping passes' tracks fall together, pairs merge into one, and their pattern begins at an odd distance
too, but brighter. A seam whose tracks happen to be a pitch apart looks like the comb itself: it cannot be seen.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.trails.gaps import FloatArray, Gaps

Plane = NDArray[np.float32]

WIDEST = 2.1  # pitches between two tracks of a seam
ODD_HERE = 0.012  # pitches: what a distance must differ by from one or two pitches
ODD_CLIPPED = 0.05  # the same where tracks are clipped: the middle of a flat top is not that sharp
REGULAR = 0.06  # pitches: what the distances beside it may differ by
MERGED = 1.6  # of the trail's blur: by how much merged tracks begin off the pitch, at most
ALIKE = 1.2  # ratio of light beside a seam: merged tracks hold twice as much
ALIKE_CLIPPED = 1.07  # where light is clipped they are but a little wider
ALIKE_GAPS = 1.5  # ratio of light in the gaps beside a seam: between merged tracks it is never dark
EMPTY = 1.1  # light between a seam's tracks over that between tracks of one pass: a faint track hides beside a strong
EMPTY_NARROW = 1.3  # the same where the tracks are less than a pitch apart: clipped light fills the gap
SMOOTH_CELLS = 1.2  # where tracks are clipped, so that flat tops have a middle
FAINTEST = 0.25  # of a cut's brightest track: light below is none


def reach_m(pitch_m: float) -> float:
    """How far a cut must reach to both sides to show a seam and a track more on either side."""
    return (WIDEST / 2 + 1.2) * pitch_m


def odd_distances(cuts: Plane, cell_m: float, bar: Bar, pitch_m: float, blur_m: float, clip: float) -> Gaps:
    """Find gaps in `cuts` (N, 2 K + 1) across the passes, one sample per cell.

    `blur_m` is the trail's blur, `clip` the light from which on a value only says "at least so bright".
    """
    clipped = cuts.max(axis=1) >= clip
    if clipped.any():
        cuts = cuts.copy()
        cuts[clipped] = cv2.GaussianBlur(cuts[clipped], (0, 0), sigmaX=SMOOTH_CELLS, sigmaY=0.01)
    at_m, bright = _tracks(cuts, cell_m)
    off, odd = _odd(at_m / pitch_m)
    odd &= ~clipped | (np.abs(off) > ODD_CLIPPED)
    between, unlike, unlike_gaps = _held(cuts, at_m / cell_m, pitch_m / cell_m)
    single = (unlike < np.where(clipped, ALIKE_CLIPPED, ALIKE)) | (np.abs(off) * pitch_m > MERGED * blur_m)
    found = np.nonzero(odd & (between < np.where(off > 0, EMPTY, EMPTY_NARROW)) & single & (unlike_gaps < ALIKE_GAPS))[
        0
    ]
    near, far = at_m[found, 1], at_m[found, 2]
    wide_m = np.maximum(far - near - 2 * bar.overhang_m, 0.0)
    with np.errstate(invalid="ignore"):
        regular = np.abs(np.diff(at_m / pitch_m, axis=1) - 1) < REGULAR
    return Gaps(
        found, (near + far) / 2, wide_m, off[found], bright[found, 1:3].mean(axis=1), np.asarray(~regular.all(axis=1))
    )


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
    if len(cut) == 0:
        return found, bright
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


def _held(cuts: Plane, tracks: FloatArray, pitch: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Compare the light that parts of each cut hold; `tracks` (N, 4) in samples off its middle.

    Returns how many times more there is between the two tracks in the middle than between those beside, how many times
    more both tracks on one side hold than both on the other, and how many times more the gap on one side.
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
    gaps = held[1] - held[0], held[3] - held[2]
    unlike_gaps = np.maximum(*gaps) / np.maximum(np.minimum(*gaps), 1e-9)
    return (held[2] - held[1]) / np.maximum(beside, 1e-9), unlike, unlike_gaps
