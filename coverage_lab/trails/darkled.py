"""A dead LED: what it passed over counts as missed.

Between others it leaves a dark track through every pass, two pitches from neighbour to neighbour. At an end of the bar
it leaves passes that are one pitch narrower than the bar, which straight single passes show.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from coverage_lab.trails.comb import Comb
from coverage_lab.trails.opposite import opposite_points
from coverage_lab.trails.outline import Outline

FACING = -0.985  # cosine between the normals of both sides
ABOUT, JUST = 0.5, 0.08  # pitches by which a gap may differ from two, to be looked at and to be a dead LED's
FEWEST_JUST = 0.5  # share of such gaps that are just so wide: lanes lie apart by chance, one in six
NARROWER, FEWEST_PAIRS = 0.15, 30  # pitches by which a pass may differ from one pitch too narrow; pairs that tell it
FINEST = 3.0  # cells: of a finer comb a pitch is as little as the edge is unsure by


def dark_track_share(outline: Outline, first_track: NDArray[np.float32], comb: Comb, cut: NDArray[np.bool_]) -> float:
    """Return the share of the trail's outline, 0-1, that runs along gaps as wide as one dark track makes them.

    first_track : (M,) how far inside the outline (cells) the outermost track lies. A dead LED at an end of the bar
    makes no gap: see `narrow_pass_share`. At points marked `cut` (M,) something hides the floor: a strip of dark floor
    between trail and shadow is no track.
    """
    if comb.pitch is None or cut.all():
        return 0.0
    normals = outline.normals[~cut]
    tracks = outline.points[~cut] + first_track[~cut, None] * normals
    reach = ABOUT * comb.pitch
    _, other = cKDTree(tracks).query(tracks - 2 * comb.pitch * normals, distance_upper_bound=reach)
    here = np.nonzero(other < len(tracks))[0]
    across = ((tracks[here] - tracks[other[here]]) * normals[here]).sum(axis=1)
    facing = (normals[here] * normals[other[here]]).sum(axis=1) < FACING
    just = np.count_nonzero(facing & (np.abs(across - 2 * comb.pitch) < JUST * comb.pitch))
    return just / len(tracks) if just > FEWEST_JUST * np.count_nonzero(facing) else 0.0


def narrow_pass_share(outline: Outline, first_track: NDArray[np.float32], comb: Comb) -> float:
    """Return the share of what straight single passes show of the bar's length, 0-1, that is one pitch too short.

    first_track : as above. 0 where too few passes lie alone to tell.
    """
    if comb.pitch is None or comb.pitch < FINEST:
        return 0.0
    here, there = opposite_points(outline, comb.lit - comb.pitch).T
    if len(here) < FEWEST_PAIRS:
        return 0.0
    across = np.linalg.norm(outline.points[here] - outline.points[there], axis=1)
    short = (comb.lit - (across - first_track[here] - first_track[there])) / comb.pitch
    return float(np.mean(np.abs(short - 1) < NARROWER))
