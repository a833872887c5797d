"""How near the body came to a decoy, from all that a run shows of it.

Of one exposure that is what its light leaves possible. Of a run of many frames it is the way through each frame where
one explains the frame's light; of the other frames what the light of each leaves possible, and between two frames what
a robot can have done in the time.
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
from coverage_lab.measures.uncertainty import combined, coverage_factor_95, quantity, rectangular_u
from coverage_lab.room.field import TravelField
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.room.track import LaidTrack

WAY_U_M = 0.003  # of a place on a way that was laid, beside what its light tells (docs/avoidance.md)
TOO_NEAR_M = 0.0013  # the nearest of many places, each some millimetres off, is too near by so much (docs/avoidance.md)
STRIP_U_M = 0.004  # of the edges of one frame's strip
FASTEST_M_S = 0.35  # while the shutter is closed; robots clean at 0.2 to 0.3 m/s (common practice, no source)
LONGEST_S = 2.5  # of a pause; the time between the ends of two frames that were not followed is longer
CLOCK_S, LEFT_S = 0.1, 0.03  # that a pause may have been longer, by the camera's clock and by what others tell
FEWEST_PAUSES = 5  # that tell
END_OFF_M = 0.008  # that an end of a frame's way is too far on, at times: where the robot began to turn

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A robot's way through a run of many frames, and what each frame shows around decoys."""

    laid: LaidTrack
    strips: tuple[Area, ...]  # of each frame, metres
    until_s: float  # the end of the last frame, on the track's clock; NaN where none is known

    @property
    def sure(self) -> NDArray[np.bool_]:
        """(n - 1,) on which legs of the track the way is known to some millimetres."""
        inner = self.laid.inner
        return np.asarray(self.laid.track.followed & inner[:-1] & inner[1:])

    def contacts(self, footprint: Area, robot: Robot) -> tuple[Moment, ...]:
        """Return when the body came to touch a footprint: where the way is known well, else where at all."""
        track, diameter_m = self.laid.track, robot.body_diameter_m
        return contacts(track, footprint, diameter_m, self.sure) or contacts(track, footprint, diameter_m)


def follow(laid: LaidTrack, until_s: float, strips: Sequence[Area], swept: ShareArray, plan: FloorPlan) -> Followed:
    """Return a track with what its frames show.

    until_s : the end of the last frame; strips : of each frame, its strip's outline around decoys, metres; swept : the
    swept share of cells (rows, cols) of all frames together, whose edge is better known: no strip reaches beyond it.
    """
    footprints = [decoy.footprint for decoy in plan.room.decoys]
    known = shapely.union_all([swept_around(swept, plan.grid, one) for one in footprints])
    windows = shapely.union_all([box(*one.buffer(AROUND_M).bounds) for one in footprints])
    kept = known.union(plan.room.floor.difference(windows))
    return Followed(laid, tuple(strip.intersection(kept) for strip in strips), until_s)


def followed_body(
    found: Followed, travel: TravelField, grid: FloorGrid, footprint: Area, robot: Robot, edge_u_m: float
) -> Quantity | None:
    """Return the body's clearance from a footprint in mm; None where nothing tells.

    What a frame without a known way leaves possible widens the interval. The likeliest value is where a robot was that
    passed its nearest swept floor with the end of its nozzle, as those do that drive past or around a decoy.

    edge_u_m : standard uncertainty of where swept floor lies about the footprint.
    """
    sure = _from_way(found, footprint, robot, edge_u_m)
    nearest_m = np.inf if sure is None else sure.interval_95[1] / 1000
    wider_mm = 1000 * coverage_factor_95() * combined([edge_u_m, STRIP_U_M])
    strips = _strips(found, travel, grid, footprint, robot, nearest_m)
    pauses = _pauses(found.laid, footprint, robot.body_diameter_m / 2)
    others = [one for one in (*strips, *pauses) if one.low_m < nearest_m]
    if not others:
        return sure
    low_mm = min(1000 * one.low_m for one in others) - wider_mm
    if sure is None:
        high_m = min(one.high_m for one in others)
        high_mm = 1000 * (high_m + TOO_NEAR_M) + wider_mm
        return Quantity(1000 * high_m, rectangular_u((high_mm - low_mm) / 2), (low_mm, high_mm))
    # One frame's strip alone, in which a decoy may shine, is no proof of a contact.
    likely_mm = min([sure.value, *(1000 * one.high_m for one in strips if one.high_m >= 0)])
    low_mm, high_mm = min(low_mm, sure.interval_95[0]), sure.interval_95[1]
    return Quantity(likely_mm, max(sure.u, rectangular_u((high_mm - low_mm) / 2)), (low_mm, high_mm))


def _from_way(found: Followed, footprint: Area, robot: Robot, edge_u_m: float) -> Quantity | None:
    """Return the clearance on those legs that are known."""
    laid, legs = found.laid, np.flatnonzero(found.sure)
    if len(legs) == 0:
        return None
    away_m = leg_clearances(laid.track, footprint, robot.body_diameter_m)[legs]
    at = int(np.argmin(away_m))
    centre_m = laid.track.centre_m[legs[at] : legs[at] + 2]
    nearer = legs[at] + int(np.argmin(shapely.distance(shapely.points(centre_m), footprint)))
    ends = shapely.get_coordinates(shapely.shortest_line(footprint, shapely.Point(laid.track.centre_m[nearer])))
    toward = ends[1] - ends[0]
    toward = toward / np.hypot(*toward) if toward.any() else np.sqrt([0.5, 0.5])
    u_m = combined([float(np.sqrt(toward @ laid.spread_m2[nearer] @ toward)), WAY_U_M, edge_u_m])
    told = quantity(1000 * (float(away_m[at]) + TOO_NEAR_M), 1000 * u_m)
    return _with_ends(told, _ends(laid, footprint, robot.body_diameter_m / 2))


def _with_ends(told: Quantity, ends: Sequence[tuple[float, float]]) -> Quantity:
    """Return a clearance (mm) with what the ends of ways and the pauses between them leave possible.

    ends : (metres) how near the robot came there if it went straight on, and by how much nearer it may have been.
    """
    low_mm, high_mm = told.interval_95
    half_mm, value_mm = high_mm - told.value, told.value
    for way_m, stray_m in ends:
        way_mm = 1000 * (way_m + TOO_NEAR_M)
        low_mm = min(low_mm, way_mm - float(np.hypot(half_mm, 1000 * stray_m)))
        value_mm = min(value_mm, way_mm + 1000 * END_OFF_M)
    u_mm = max(told.u, rectangular_u((high_mm - low_mm) / 2))
    return Quantity(value_mm, u_mm if low_mm < told.interval_95[0] else told.u, (low_mm, high_mm))


def _strips(
    found: Followed, travel: TravelField, grid: FloorGrid, footprint: Area, robot: Robot, nearest_m: float
) -> list[BodyBounds]:
    """Return what the strips of frames without a known way leave possible, as far as they come near enough."""
    explained = set(found.laid.track.frame[found.laid.laid].tolist())
    reach_m = nearest_m + robot.body_diameter_m / 2 + abs(robot.bar.forward_m)
    bounds = [
        _by_frame(found.strips, frame, travel, grid, footprint, robot)
        for frame, strip in enumerate(found.strips)
        if frame not in explained and not strip.is_empty and strip.distance(footprint) <= reach_m
    ]
    return [one for one in bounds if one is not None]


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


def _ends(laid: LaidTrack, footprint: Area, radius_m: float) -> list[tuple[float, float]]:
    """Return how near the robot came at the ends of laid ways, and by how much nearer it may have been, metres.

    Light does not tell the first and the last place of a frame well. From the last place but one the robot came to the
    second one of the next frame past both ends, and strayed from them no farther than the time left over allows.
    """
    frame = laid.track.frame
    changes = np.flatnonzero(np.diff(frame)) + 1
    joined = changes[(frame[changes] == frame[changes - 1] + 1) & laid.laid[changes] & laid.laid[changes - 1]]
    begins, ends = np.append(0, changes), np.append(changes, len(frame))
    begins, ends = np.setdiff1d(begins[laid.laid[begins]], joined), np.setdiff1d(ends[laid.laid[ends - 1]], joined)
    pauses = [slice(at - 2, at + 2) for at in joined]
    spare_s = np.array([_spare_s(laid, part) for part in pauses])
    # How long the shutter was closed is better known from many pauses than from the camera's clock.
    spare_s += CLOCK_S if len(spare_s) < FEWEST_PAUSES else LEFT_S - float(np.median(spare_s))
    parts = [*pauses, *(slice(at, at + 2) for at in begins), *(slice(at - 2, at) for at in ends)]
    strays_m = laid.pace.m_s / 2 * np.maximum(np.append(spare_s, np.zeros(len(parts) - len(pauses))), 0)
    ways = [shapely.LineString(laid.track.centre_m[part]) for part in parts]
    return list(zip((shapely.distance(ways, footprint) - radius_m).tolist(), strays_m.tolist(), strict=True))


def _spare_s(laid: LaidTrack, part: slice) -> float:
    """Return by how much longer a part of the track took than a robot takes for it that goes on at its pace."""
    step = np.diff(laid.track.poses[part], axis=0)
    turn = np.abs((step[:, 2] + np.pi) % (2 * np.pi) - np.pi)
    took_s = np.hypot(step[:, 0], step[:, 1]) / laid.pace.m_s + turn / laid.pace.rad_s
    return float(np.ptp(laid.track.t_s[part]) - took_s.sum())


def _pauses(laid: LaidTrack, footprint: Area, radius_m: float) -> list[BodyBounds]:
    """Return how near the robot may have come between two frames whose ends are known and no straight line joins.

    From one to the other it came at `FASTEST_M_S` at the most.
    """
    track = laid.track
    leg = np.flatnonzero(~track.followed & (np.diff(track.frame) == 1) & ~(laid.laid[1:] & laid.laid[:-1]))
    away_m = shapely.distance(shapely.points(track.centre_m), footprint) - radius_m
    far_m = np.hypot(*(track.centre_m[leg + 1] - track.centre_m[leg]).T)
    took_s = track.t_s[leg + 1] - track.t_s[leg]
    low_m = (away_m[leg] + away_m[leg + 1] - np.fmax(far_m, FASTEST_M_S * took_s)) / 2
    high_m = np.minimum(away_m[leg], away_m[leg + 1])
    near = took_s < LONGEST_S
    return [BodyBounds(float(low), float(high)) for low, high in zip(low_m[near], high_m[near], strict=True)]
