"""Whether the body touched a decoy: from the track where there is one, else bounds from the swept floor.

The body is a disc of the register's diameter around the turning centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from coverage_lab.job import Robot
from coverage_lab.measures.edges import share_at
from coverage_lab.room.field import TravelField
from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.room import Area
from coverage_lab.room.track import Track

LATTICE_M = 0.006  # between the places of the nozzle that are tried
TURN_DEG = 15.0  # between the headings that are tried
POINTS = 9  # along the nozzle, all of which must lie on swept floor
PART_SEEN = 0.94  # of the nozzle: edges are known to some mm, and places are tried some mm apart
SWEPT = 0.5  # share of a cell
LEG = 1.0  # of the nozzle's length: so far straight on, at the least, a robot came to where it turned or stopped
LEAST_TOLD = 0.3  # of the light's say at a place, 0 to 1: below it any heading may be
WITHIN_DEG = 30.0  # of the light's direction a heading must be where the light tells one
PART_M = 0.03  # a contact ends when the body has left the decoy by so much

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BodyBounds:
    """Between what the smallest distance from the body's outline to a footprint lies, metres; below 0 is contact."""

    low_m: float
    high_m: float


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment on a track: the pose before it, and the part of the way to the next one, 0 to 1."""

    number: int
    part: float


def leg_clearances(track: Track, footprint: Area, body_diameter_m: float) -> FloatArray:
    """Return the smallest distance (n - 1,) from the body's outline to a footprint on each leg; below 0 is contact.

    Of a leg that was not followed it is that of the nearer end.
    """
    shapely.prepare(footprint)
    legs = shapely.linestrings(np.stack([track.centre_m[:-1], track.centre_m[1:]], axis=1))
    ends_m = shapely.distance(shapely.points(track.centre_m), footprint)
    away_m = np.where(track.followed, shapely.distance(legs, footprint), np.minimum(ends_m[:-1], ends_m[1:]))
    return np.asarray(away_m - body_diameter_m / 2)


def contacts(
    track: Track, footprint: Area, body_diameter_m: float, sure: NDArray[np.bool_] | None = None
) -> tuple[Moment, ...]:
    """Return when the body came to touch a footprint, each time anew after it had left it, in order.

    sure : (n - 1,) legs on which a contact can be told; None: all of them.
    """
    legs = shapely.linestrings(np.stack([track.centre_m[:-1], track.centre_m[1:]], axis=1))
    away_m = leg_clearances(track, footprint, body_diameter_m)
    away_m = away_m if sure is None else np.where(sure, away_m, np.inf)
    end_m = shapely.distance(shapely.points(track.centre_m[1:]), footprint) - body_diameter_m / 2
    zone = footprint.buffer(body_diameter_m / 2, quad_segs=64)
    moments: list[Moment] = []
    touching = False
    for number, (gap_m, left_m) in enumerate(zip(away_m.tolist(), end_m.tolist(), strict=True)):
        if not touching and gap_m <= 0:
            moments.append(Moment(number, _entry(legs[number], zone)))
            touching = True
        touching = touching and left_m <= PART_M
    return tuple(moments)


def _entry(leg: LineString, zone: Area) -> float:
    """Return at which part of one leg the turning centre comes into `zone`."""
    inside = leg.intersection(zone)
    if inside.is_empty or leg.length == 0:
        return 0.0
    return float(shapely.Point(leg.coords[0]).distance(inside)) / float(leg.length)


def time_s(track: Track, moment: Moment) -> float | None:
    """Return the time of a moment; None where no clock is known."""
    start, end = (float(track.t_s[moment.number + step]) for step in (0, 1))
    found = start + moment.part * (end - start)
    return found if np.isfinite(found) else None


def after(track: Track, moment: Moment) -> Track:
    """Return the track from a moment on."""
    first, rest = moment.number, slice(moment.number + 1, None)

    def cut(values: FloatArray) -> FloatArray:
        at = values[first] + moment.part * (values[first + 1] - values[first])
        return np.concatenate([at[None], values[rest]])

    return Track(
        cut(track.t_s),
        cut(track.centre_m),
        cut(np.unwrap(track.heading_rad)),
        np.concatenate([track.frame[first : first + 1], track.frame[rest]]),
        track.followed[first:],
        track.u_m,
    )


def light_bounds(
    swept: ShareArray,
    grid: FloorGrid,
    travel: TravelField | None,
    footprint: Area,
    nearest_m: tuple[float, float],
    robot: Robot,
    all_swept: ShareArray | None = None,
) -> BodyBounds | None:
    """Return what the swept floor around a footprint tells of the body; None where no place of the nozzle fits it.

    Tried are all places and headings of the nozzle near the footprint; possible are those whose nozzle lies on swept
    floor wholly. The body came at least as near as at one of those that swept the point `nearest_m`, and no nearer
    than at the nearest one that a robot can have come to by driving straight on over swept floor for `LEG` nozzle
    lengths, in a direction that the light does not contradict. (So a robot is taken not to have backed into a decoy.)

    `swept` is the swept share of cells (rows, cols) with what is swept of the footprint itself. Where it is what one
    frame shows, a robot may have come over floor that another one shows: `all_swept`.
    """
    bar, radius_m = robot.bar, robot.body_diameter_m / 2
    reach_m = max(radius_m + abs(bar.forward_m), footprint.distance(shapely.Point(nearest_m))) + bar.nozzle_m / 2
    west, south, east, north = footprint.buffer(reach_m).bounds
    x_m, y_m = np.meshgrid(np.arange(west, east, LATTICE_M), np.arange(south, north, LATTICE_M))
    middle = np.column_stack([x_m.ravel(), y_m.ravel()])
    middle = np.concatenate([middle, _beside(nearest_m, bar.nozzle_m)])
    middle = middle[share_at(swept, middle[:, None], grid)[:, 0] >= SWEPT]
    along_m = bar.nozzle_m * (np.arange(POINTS) / (POINTS - 1) - 0.5) * PART_SEEN
    shapely.prepare(footprint)
    low_m, nearest_gap_m, high_m = np.inf, np.inf, -np.inf
    for heading in np.deg2rad(np.arange(0, 360, TURN_DEG)):
        ahead, left = np.array([np.cos(heading), np.sin(heading)]), np.array([-np.sin(heading), np.cos(heading)])
        points = middle[:, None] + along_m[:, None] * left
        fits = (share_at(swept, points, grid) >= SWEPT).all(axis=1)
        if not fits.any():
            continue
        centre = middle[fits] - bar.forward_m * ahead
        gap_m = shapely.distance(footprint, shapely.points(centre)) - radius_m
        nearest_gap_m = min(nearest_gap_m, float(gap_m.min()))
        leg_m = LEG * bar.nozzle_m * np.linspace(0, 1, 5)
        behind = np.concatenate([points[fits] - back_m * ahead for back_m in leg_m], axis=1)
        came = (share_at(swept if all_swept is None else all_swept, behind, grid) >= SWEPT).all(axis=1) & _likely(
            travel, points[fits], heading
        )
        low_m = min(low_m, float(gap_m[came].min(initial=np.inf)))
        off = middle[fits] - nearest_m
        covers = (np.abs(off @ ahead) < LATTICE_M) & (np.abs(off @ left) <= bar.nozzle_m / 2 + LATTICE_M)
        high_m = max(high_m, float(gap_m[covers].max(initial=-np.inf)))
    # One that only went in curves came straight on nowhere.
    low_m = low_m if np.isfinite(low_m) else nearest_gap_m
    return BodyBounds(low_m, max(low_m, high_m)) if np.isfinite(high_m) else None


def _beside(point_m: tuple[float, float], nozzle_m: float) -> FloatArray:
    """Return further places (M, 2) to try: those of a nozzle that just reaches a point, at every heading."""
    turn = np.deg2rad(np.arange(0, 360, TURN_DEG / 2))[:, None]
    return np.asarray(point_m) + PART_SEEN / 2 * nozzle_m * np.concatenate([np.cos(turn), np.sin(turn)], axis=1)


def _likely(travel: TravelField | None, points_m: FloatArray, heading_rad: float) -> NDArray[np.bool_]:
    """Say which rows of points (N, K, 2) may have been swept at a heading, by the direction that the light tells."""
    if travel is None:
        return np.ones(len(points_m), bool)
    row, col = np.rint(travel.grid.to_cell(points_m)).astype(int).transpose(2, 0, 1)
    row, col = row.clip(0, travel.grid.rows - 1), col.clip(0, travel.grid.cols - 1)
    told = travel.axis[row, col] * np.minimum(travel.weight[row, col], 1)
    say = np.abs(told).mean(axis=1)
    along = (told * np.exp(-2j * heading_rad)).real.mean(axis=1)
    return np.asarray((say < LEAST_TOLD) | (along >= say * np.cos(2 * np.deg2rad(WITHIN_DEG))))
