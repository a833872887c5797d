"""A dead LED: what it passed over counts as missed.

Between others it leaves a dark track through every pass, two pitches from neighbour to neighbour. At an end of the bar
it leaves passes that are one pitch narrower than the bar, which straight single passes show.

Which LED it is, the trail's outline tells: it runs along the bar's ends, and so many tracks inward there is a dark one
between two bright ones, unless another pass has covered it. A pass shows one end of the bar or the other, and nothing
in a single exposure says which: an LED is named by its number from either end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from coverage_lab.trails.across import across_outline
from coverage_lab.trails.comb import Comb
from coverage_lab.trails.opposite import opposite_points
from coverage_lab.trails.outline import Outline

FACING = -0.985  # cosine between the normals of both sides
ABOUT, JUST = 0.5, 0.08  # pitches by which a gap may differ from two, to be looked at and to be a dead LED's
FEWEST_JUST = 0.5  # share of such gaps that are just so wide: lanes lie apart by chance, one in six
NARROWER, FEWEST_PAIRS = 0.15, 30  # pitches by which a pass may differ from one pitch too narrow; pairs that tell it
FINEST = 3.0  # cells: of a finer comb a pitch is as little as the edge is unsure by
FINEST_TRACK = 2.5  # cells: of a finer comb no track stands alone
BESIDE = 0.15  # pitches by which a gap may differ from two beside which an outline is a dark track's, no end of the bar
# Light of a dark track over that of both its neighbours, at most; theirs over the tracks'. A dead LED's track has 0.03
# to 0.17, that of an LED of 0.3 times the others' strength 0.32 and more: such a one costs no coverage.
DARK, BRIGHT = 0.3, 0.2
FEWEST_LEDS, FEWEST_CUTS = 4, 200
# Share of cuts with a dark track in one place: 0.017 to 0.4 with a dead LED, 0.01 on good frames where one place stands
# out; from `SURELY` on it tells that an LED is dead.
OFTEN, SURELY = 0.015, 0.03
AS_OFTEN = 0.4  # of the place with most, for one more LED
ALONE = 3.0  # times as often as where most of the others are dark


@dataclass(frozen=True, slots=True)
class DarkTracks:
    """Dead LEDs by the dark tracks that they leave inward of the bar's ends."""

    leds: tuple[int, ...] = ()  # each by its number from the nearer end of the bar, from 1; empty where none is told
    often: float = 0.0  # share of cuts across the trail's ends that show the least clear of them, 0-1


def dark_tracks(
    light: NDArray[np.float32], outline: Outline, first_track: NDArray[np.float32], comb: Comb, cut: NDArray[np.bool_]
) -> DarkTracks:
    """Find which LEDs are dead.

    light : (rows, cols) plan view, no more than the clip; first_track, cut : (M,) as below. An LED at the very end,
    which leaves no dark track, is not among them; of two dead ones side by side neither is.
    """
    if comb.pitch is None or comb.pitch < FINEST_TRACK or comb.led_count < FEWEST_LEDS:
        return DarkTracks()
    count = comb.led_count
    inward = (np.repeat(np.arange(count), 3) + np.tile([-0.25, 0.0, 0.25], count)) * comb.pitch
    no_end = cut | _beside_dark(outline, first_track, comb)
    cuts = across_outline(light, outline, first_track, inward.astype(np.float32), no_end)
    if len(cuts) < FEWEST_CUTS:
        return DarkTracks()
    tracks = cuts.reshape(len(cuts), count, 3).max(axis=2)
    beside = np.minimum(tracks[:, :-2], tracks[:, 2:])
    dark = (tracks[:, 1:-1] < DARK * beside) & (beside > BRIGHT * np.median(tracks))
    return _clear(np.pad(dark.mean(axis=0), 1))


def _clear(often: NDArray[np.float64]) -> DarkTracks:
    """Name the LEDs whose places are dark, `often` (LEDs,) times counted from the outline, and no others nearly so."""
    either = ((often + often[::-1]) / 2)[: (len(often) + 1) // 2]
    dead = either > AS_OFTEN * either.max()
    alone = either.max() > ALONE * either[~dead].max(initial=0.0) and not (dead[1:] & dead[:-1]).any()
    least = float(either[dead].min(initial=1.0))
    if not alone or least < (OFTEN if np.count_nonzero(dead) == 1 else SURELY):
        return DarkTracks()
    return DarkTracks(tuple((np.nonzero(dead)[0] + 1).tolist()), least)


def _beside_dark(outline: Outline, first_track: NDArray[np.float32], comb: Comb) -> NDArray[np.bool_]:
    """Which points (M,) of the outline run along a dark track."""
    here, across, facing = _facing(outline.points, outline.normals, first_track, comb)
    beside = np.zeros(len(outline.points), bool)
    beside[here[facing & (np.abs(across - 2 * (comb.pitch or 0.0)) < BESIDE * (comb.pitch or 0.0))]] = True
    return beside


def dark_track_share(outline: Outline, first_track: NDArray[np.float32], comb: Comb, cut: NDArray[np.bool_]) -> float:
    """Return the share of the trail's outline, 0-1, that runs along gaps as wide as one dark track makes them.

    first_track : (M,) how far inside the outline (cells) the outermost track lies. A dead LED at an end of the bar
    makes no gap: see `narrow_pass_share`. At points marked `cut` (M,) something hides the floor: a strip of dark floor
    between trail and shadow is no track.
    """
    if comb.pitch is None or cut.all():
        return 0.0
    _, across, facing = _facing(outline.points[~cut], outline.normals[~cut], first_track[~cut], comb)
    just = np.count_nonzero(facing & (np.abs(across - 2 * comb.pitch) < JUST * comb.pitch))
    return just / np.count_nonzero(~cut) if just > FEWEST_JUST * np.count_nonzero(facing) else 0.0


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


def _facing(
    points: NDArray[np.float32], normals: NDArray[np.float32], first_track: NDArray[np.float32], comb: Comb
) -> tuple[NDArray[np.intp], NDArray[np.float32], NDArray[np.bool_]]:
    """Find outline points (M, 2) beyond which, about two pitches on, another part of the outline lies.

    Returns their numbers (P,), the distance (P,) of their outermost track from that of the other part, and which face
    it.
    """
    pitch = comb.pitch or 0.0
    tracks = points + first_track[:, None] * normals
    _, other = cKDTree(tracks).query(tracks - 2 * pitch * normals, distance_upper_bound=ABOUT * pitch)
    here = np.nonzero(other < len(tracks))[0]
    across = ((tracks[here] - tracks[other[here]]) * normals[here]).sum(axis=1)
    return here, across, (normals[here] * normals[other[here]]).sum(axis=1) < FACING
