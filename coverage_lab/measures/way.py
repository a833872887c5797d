"""The way that a run of many frames was driven: how long, and how often it turned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import combined, quantity
from coverage_lab.room.track import Track, turn_count

FloatArray = NDArray[np.float64]

# Relative standard uncertainties, from series whose truth is known (docs/time.md): of a way that was followed, of one
# told by its light, of one told by the strips of frames that were followed, and of turns counted.
FOLLOWED_U, BY_LIGHT_U, BY_STRIPS_U, TURNS_U = 0.015, 0.04, 0.2, 0.04
LEAST_FOLLOWED = 0.8  # of the way: from less, turns are not told
UNFOLLOWED_TURNS = 3.0  # times as many as elsewhere there may be where it was not followed, being full of turns


@dataclass(frozen=True, slots=True)
class Driven:
    """A run's way."""

    distance_m: Quantity | None  # of the turning centre
    turns: Quantity | None
    followed_percent: float  # of the way, along which the robot was followed


def driven(track: Track | None, by_light_m: float, covered_m2: FloatArray, seen_of_all: float) -> Driven:
    """Return a run's way: followed in some frames, in the others by light, in proportion to their strips.

    by_light_m : the way that all frames' light tells, NaN where it is burnt; covered_m2 : (frames,) of each strip, NaN
    where a frame cannot be read; seen_of_all : the time of the run over that of its frames. While the shutter was
    closed the robot is taken to have gone on as before and after.
    """
    followed_m = _followed_m(track, len(covered_m2))
    known = ~np.isnan(followed_m)
    by_track_m, shown_m2 = float(followed_m[known].sum()), float(np.nansum(covered_m2[known]))
    rest_m2 = float(np.nansum(covered_m2[~known]))
    if np.isfinite(by_light_m) and shown_m2 + rest_m2 > 0:
        rest_m, rest_u = by_light_m * rest_m2 / (shown_m2 + rest_m2), BY_LIGHT_U
    elif shown_m2 > 0:
        rest_m, rest_u = by_track_m * rest_m2 / shown_m2, BY_STRIPS_U
    else:
        return Driven(None, None, 0.0)
    whole_m = by_track_m + rest_m
    share = by_track_m / whole_m if whole_m > 0 else 0.0
    u_m = combined([FOLLOWED_U * by_track_m, rest_u * rest_m])
    return Driven(
        distance_m=quantity(seen_of_all * whole_m, seen_of_all * u_m, low=0.0),
        turns=None if track is None or share < LEAST_FOLLOWED else _turns(track, share),
        followed_percent=100 * share,
    )


def _followed_m(track: Track | None, frames: int) -> FloatArray:
    """Return the way through each frame, (frames,); NaN where it was not followed."""
    way_m = np.full(frames, np.nan)
    if track is None:
        return way_m
    inside = track.followed & (track.frame[1:] == track.frame[:-1])
    step_m = np.linalg.norm(np.diff(track.centre_m, axis=0), axis=1)
    sums = np.bincount(track.frame[1:][inside], step_m[inside], frames)
    there = np.unique(track.frame[1:][inside])
    way_m[there] = sums[there]
    return way_m


def _turns(track: Track, share: float) -> Quantity:
    """Return how many turns the run had, of which that share of the run shows some."""
    count = turn_count(track) / share
    return quantity(count, combined([TURNS_U * count, UNFOLLOWED_TURNS * (1 - share) * count]), low=0.0)
