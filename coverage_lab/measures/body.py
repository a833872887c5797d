"""How near the body came to a decoy, from all that a run shows of it.

Of one exposure that is what its light leaves possible. Of a run of many frames it is the way through each frame where
that was followed and explains the frame's strip; of the other frames, what the light of each leaves possible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import box

from coverage_lab.job import Quantity, Robot
from coverage_lab.measures.around_decoy import AROUND_M, clearance, swept_around
from coverage_lab.measures.contact import BodyBounds, Moment, contacts, leg_clearances, light_bounds
from coverage_lab.measures.settle import Settled, settle
from coverage_lab.measures.uncertainty import combined, coverage_factor_95, quantity, rectangular_u
from coverage_lab.room.field import TravelField
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.room.track import Track

WAY_U_M = 0.01  # of a place on a way that fits its frame's strip, beside what the fit tells (docs/avoidance.md)
TOO_NEAR_M = 0.0035  # the nearest of many places, each some millimetres off, is too near by so much (docs/avoidance.md)
STRIP_U_M = 0.004  # of the edges of one frame's strip
FASTEST_M_S = 0.35  # while the shutter is closed; robots clean at 0.2 to 0.3 m/s (common practice, no source)
LONGEST_S = 2.5  # of a pause; the time between the ends of two frames that were not followed is longer

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A robot's way through a run of many frames, and what each frame shows around decoys."""

    settled: Settled
    strips: tuple[Area, ...]  # of each frame, metres
    until_s: float  # the end of the last frame, on the track's clock; NaN where none is known

    @property
    def sure(self) -> NDArray[np.bool_]:
        """(n - 1,) on which legs of the track the way is known to some millimetres."""
        fits = self.settled.fits
        return np.asarray(self.settled.track.followed & fits[:-1] & fits[1:])

    def contacts(self, footprint: Area, robot: Robot) -> tuple[Moment, ...]:
        """Return when the body came to touch a footprint: where the way is known well, else where at all."""
        track, diameter_m = self.settled.track, robot.body_diameter_m
        return contacts(track, footprint, diameter_m, self.sure) or contacts(track, footprint, diameter_m)


def follow(
    track: Track, until_s: float, strips: Sequence[Area], swept: ShareArray, plan: FloorPlan, robot: Robot
) -> Followed:
    """Return a track as it fits its frames.

    until_s : the end of the last frame; strips : of each frame, its strip's outline around decoys, metres; swept : the
    swept share of cells (rows, cols) of all frames together, whose edge is better known: no strip reaches beyond it.
    """
    footprints = [decoy.footprint for decoy in plan.room.decoys]
    known = shapely.union_all([swept_around(swept, plan.grid, one) for one in footprints])
    windows = shapely.union_all([box(*one.buffer(AROUND_M).bounds) for one in footprints])
    kept = known.union(plan.room.floor.difference(windows))
    cut: tuple[Area, ...] = tuple(strip.intersection(kept) for strip in strips)
    return Followed(settle(track, cut, shapely.union_all(footprints), plan.hidden, robot), cut, until_s)


def followed_body(
    found: Followed, travel: TravelField, grid: FloorGrid, footprint: Area, robot: Robot, edge_u_m: float
) -> Quantity | None:
    """Return the body's clearance from a footprint in mm; None where nothing tells.

    What a frame without a known way leaves possible widens the interval. The likeliest value is where a robot was that
    passed the nearest swept floor with the end of its nozzle, as those do that drive past or around a decoy.

    edge_u_m : standard uncertainty of where swept floor lies about the footprint.
    """
    sure = _from_way(found, footprint, robot, edge_u_m)
    nearest_m = np.inf if sure is None else sure.interval_95[1] / 1000
    wider_mm = 1000 * coverage_factor_95() * combined([edge_u_m, STRIP_U_M])
    others = _others(found, travel, grid, footprint, robot, nearest_m)
    if not others:
        return sure
    low_mm = min(1000 * one.low_m for one in others) - wider_mm
    high_mm = 1000 * (min(one.high_m for one in others) + TOO_NEAR_M) + wider_mm
    likely_mm = 1000 * min(one.high_m for one in others)
    if sure is not None:
        if low_mm >= sure.interval_95[0]:
            return sure
        # One frame's strip alone, in which a decoy may shine, is no proof of a contact.
        high_mm, likely_mm = max(high_mm, sure.interval_95[1]), min(likely_mm, sure.value)
    likely_mm = float(np.clip(likely_mm, low_mm, high_mm))
    u_mm = rectangular_u((high_mm - low_mm) / 2)
    return Quantity(likely_mm, u_mm, (low_mm, high_mm))


def _from_way(found: Followed, footprint: Area, robot: Robot, edge_u_m: float) -> Quantity | None:
    """Return the clearance on those legs that are known."""
    settled, legs = found.settled, np.flatnonzero(found.sure)
    if len(legs) == 0:
        return None
    away_m = leg_clearances(settled.track, footprint, robot.body_diameter_m)[legs]
    at = int(np.argmin(away_m))
    centre_m = settled.track.centre_m[legs[at] : legs[at] + 2]
    nearer = legs[at] + int(np.argmin(shapely.distance(shapely.points(centre_m), footprint)))
    ends = shapely.get_coordinates(shapely.shortest_line(footprint, shapely.Point(settled.track.centre_m[nearer])))
    toward = ends[1] - ends[0]
    toward = toward / np.hypot(*toward) if toward.any() else np.sqrt([0.5, 0.5])
    u_m = combined([float(np.sqrt(toward @ settled.spread_m2[nearer] @ toward)), WAY_U_M, edge_u_m])
    return quantity(1000 * (float(away_m[at]) + TOO_NEAR_M), 1000 * u_m)


def _others(
    found: Followed, travel: TravelField, grid: FloorGrid, footprint: Area, robot: Robot, nearest_m: float
) -> list[BodyBounds]:
    """Return what frames and pauses without a known way leave possible, as far as it is nearer than `nearest_m`."""
    track, radius_m = found.settled.track, robot.body_diameter_m / 2
    explained = set(track.frame.tolist()) - set(track.frame[~found.settled.fits].tolist())
    bounds = []
    for frame, strip in enumerate(found.strips):
        beside_m = np.inf if strip.is_empty else float(strip.distance(footprint))
        if frame in explained or beside_m - radius_m - abs(robot.bar.forward_m) > nearest_m:
            continue
        one = _by_frame(found.strips, frame, travel, grid, footprint, robot)
        if one is not None and one.low_m < nearest_m:
            bounds.append(one)
    return bounds + _pauses(track, footprint, robot, nearest_m)


def _by_frame(
    strips: Sequence[Area], frame: int, travel: TravelField, grid: FloorGrid, footprint: Area, robot: Robot
) -> BodyBounds | None:
    """Return what the strip of one frame leaves possible; the robot came over it or over that of the frame before."""
    near = clearance(footprint, strips[frame])
    if near is None:
        return None
    strip, came = (
        shapely.union_all(list(strips[first : frame + 1])).buffer(STRIP_U_M) for first in (frame, max(frame - 1, 0))
    )
    return light_bounds(grid.weights(strip), grid, travel, footprint, near.on_swept_m, robot, grid.weights(came))


def _pauses(track: Track, footprint: Area, robot: Robot, nearest_m: float) -> list[BodyBounds]:
    """Return how near the robot may have come between two frames whose ends are known and no straight line joins.

    From one to the other it came at `FASTEST_M_S` at the most.
    """
    leg = np.flatnonzero(~track.followed & (track.frame[1:] != track.frame[:-1]))
    away_m = shapely.distance(shapely.points(track.centre_m), footprint) - robot.body_diameter_m / 2
    far_m = np.hypot(*(track.centre_m[leg + 1] - track.centre_m[leg]).T)
    longest_m = np.fmax(far_m, FASTEST_M_S * (track.t_s[leg + 1] - track.t_s[leg]))
    low_m = (away_m[leg] + away_m[leg + 1] - longest_m) / 2
    high_m = np.minimum(away_m[leg], away_m[leg + 1])
    near = (
        (low_m < nearest_m)
        & (track.t_s[leg + 1] - track.t_s[leg] < LONGEST_S)
        & (track.frame[leg + 1] - track.frame[leg] == 1)
    )
    return [BodyBounds(float(low), float(high)) for low, high in zip(low_m[near], high_m[near], strict=True)]
