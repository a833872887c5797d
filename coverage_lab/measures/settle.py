"""The way through a frame settled on what the frame shows: its nozzle's strip is made to agree with the frame's.

A way is followed to a centimetre or two, the edges of a frame's strip are known to a millimetre or two. So a way near a
decoy is taken for straight legs with turns on the spot between them (an arc is many short ones), and its corners are
moved by least squares until the outline of what the nozzle passes over lies on the frame's strip: a point of the one
outline on the nearest point of the other that faces the same way.

Source: matched points and distances along the normal as in Y. Chen and G. Medioni, Object modelling by registration of
multiple range images, Image and Vision Computing 10 (1992) 145-155; the normal equations' inverse is the covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree

from coverage_lab.job import Robot
from coverage_lab.measures.legs import Steps, Way, steps_of, turns_of, way_through
from coverage_lab.room.room import Area
from coverage_lab.room.track import Track, bar_ends

FloatArray = NDArray[np.float64]

ROUNDS = 12
FINE_M = 0.01  # between the poses of the outcome
STILL = 0.0005  # metres and radians: it moves no more
MOST_M = 0.012  # that a corner is moved in one of them
NEAR_M = 0.05  # beyond the body's radius: a way that passes so near a decoy is settled
EVERY_M = 0.012  # along outlines
MATCH_U = 4.0  # standard uncertainties of a place: what is farther off is another edge
FACING = 0.7  # cosine of the angle between the two outlines' normals
EDGE_U_M = 0.003  # of one matched point
BESIDE_UNSEEN_M = 0.01  # swept floor ends here for want of sight
OUTLIER_M = 0.006  # what is farther off counts for less and less (Huber)
TURN_RAD = float(np.deg2rad(5))  # a robot turns no more than it must: where edges leave a choice, by little
SHARP_RAD = float(np.deg2rad(10))  # from here on a turn counts by its size, not its square
END_U_RAD = float(np.deg2rad(30))  # of the heading at either end of a frame's way
MOST_RAD = float(np.deg2rad(10))
OFF_STRIP_M = 0.005
LEFT_M = 0.0038  # root mean square of what is left between the outlines: more is another way
_TINY_M, _TINY_M2 = 1e-9, 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A track after settling, and how well each place is known."""

    track: Track
    spread_m2: FloatArray  # (n, 2, 2) covariance of each place, beside what shifts all outlines
    fits: NDArray[np.bool_]  # (n,) whether the way explains the pose's frame, and the nozzle is on its strip


def settle(track: Track, strips: Sequence[Area], places: Area, unseen: Area, robot: Robot) -> Settled:
    """Return the track with the ways that pass near `places` as they fit their frames' strips.

    strips : of each frame, what the nozzle passed over within some decimetres of `places`, metres; unseen : floor where
    an outline says nothing.
    """
    parts: list[tuple[Track, FloatArray, NDArray[np.bool_]]] = []
    for frame in np.unique(track.frame).tolist():
        one = _of_frame(track, frame)
        if len(one.t_s) > 1 and one.followed.all() and _passes(one, places, robot):
            parts.append(_settled(one, strips[frame], unseen, robot))
        else:
            parts.append((one, np.tile(track.u_m**2 * np.eye(2), (len(one.t_s), 1, 1)), np.zeros(len(one.t_s), bool)))
    between = track.followed[np.flatnonzero(np.diff(track.frame))]
    return Settled(
        _joined([part for part, *_ in parts], between),
        np.concatenate([spread for _, spread, _ in parts]),
        np.concatenate([fits for *_, fits in parts]),
    )


def _of_frame(track: Track, frame: int) -> Track:
    at = np.flatnonzero(track.frame == frame)
    return Track(
        track.t_s[at],
        track.centre_m[at],
        np.unwrap(track.heading_rad[at]),
        track.frame[at],
        track.followed[at[:-1]],
        track.u_m,
    )


def _joined(parts: Sequence[Track], between: NDArray[np.bool_]) -> Track:
    """Return one track; `between` says which frames' ends and beginnings are joined by a way that is known."""
    legs = [parts[0].followed]
    for part, joined in zip(parts[1:], between, strict=True):
        legs += [np.array([joined]), part.followed]
    names = ("t_s", "centre_m", "heading_rad", "frame")
    whole = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return Track(**whole, followed=np.concatenate(legs), u_m=parts[0].u_m)


def _passes(track: Track, places: Area, robot: Robot) -> bool:
    """Say whether a way comes so near that it matters where exactly it was."""
    away_m = float(shapely.LineString(track.centre_m).distance(places))
    return away_m < robot.body_diameter_m / 2 + NEAR_M + MATCH_U * track.u_m


def _settled(track: Track, strip: Area, unseen: Area, robot: Robot) -> tuple[Track, FloatArray, NDArray[np.bool_]]:
    """Return one frame's way as it fits the frame's strip, in small steps; covariances; which steps fit."""
    begun = way = way_through(track)
    count = len(way.corner_m)
    hold = np.append(np.full(2 * count, track.u_m**-2), [END_U_RAD**-2] * 2)
    normal_matrix, steps, left_m = np.diag(hold), steps_of(way), np.nan
    for _ in range(ROUNDS):
        rows, off_m = _edge(steps, strip, unseen, robot, MATCH_U * track.u_m)
        turn, by_turn = turns_of(way)
        bent = TURN_RAD**-2 * np.minimum(1, SHARP_RAD / np.maximum(np.abs(turn), _TINY_M))
        weight = EDGE_U_M**-2 * np.minimum(1, OUTLIER_M / np.maximum(np.abs(off_m), _TINY_M))
        normal_matrix = rows.T @ (weight[:, None] * rows) + by_turn.T @ (bent[:, None] * by_turn) + np.diag(hold)
        pull = rows.T @ (weight * off_m) - by_turn.T @ (bent * turn) + hold * _differ(begun, way)
        move = np.linalg.solve(normal_matrix, pull)
        way = _moved(way, np.asarray(move, np.float64))
        steps = steps_of(way)
        left_m = float(np.sqrt(np.mean(off_m**2))) if len(off_m) else np.nan
        if np.abs(move).max() < STILL:
            break
    steps = steps_of(way, FINE_M)
    on = _on_strip(steps, strip, robot)
    kept = slice(int(np.argmax(on)), len(on) - int(np.argmax(on[::-1])))
    spread = (steps.place @ np.linalg.inv(normal_matrix) @ steps.place.transpose(0, 2, 1))[kept]
    number = np.full(len(spread), track.frame[0])
    legs = np.ones(max(len(spread) - 1, 0), bool)
    found = Track(steps.t_s[kept], steps.centre_m[kept], steps.heading_rad[kept], number, legs, track.u_m)
    return found, spread, on[kept] & (left_m < LEFT_M)


def _differ(begun: Way, way: Way) -> FloatArray:
    """Return by how much corners and end headings were changed, back again."""
    ends = [begun.first_rad - way.first_rad, begun.last_rad - way.last_rad]
    return np.append((begun.corner_m - way.corner_m).ravel(), ends)


def _moved(way: Way, move: FloatArray) -> Way:
    """Return a way with its corners and end headings moved, by a little at a time."""
    by = move[:-2].reshape(-1, 2)
    by = by * np.minimum(1, MOST_M / np.maximum(np.hypot(*by.T), _TINY_M))[:, None]
    first, last = np.clip(move[-2:], -MOST_RAD, MOST_RAD).tolist()
    return replace(way, corner_m=way.corner_m + by, first_rad=way.first_rad + first, last_rad=way.last_rad + last)


def _on_strip(steps: Steps, strip: Area, robot: Robot) -> NDArray[np.bool_]:
    """Say at which steps the whole nozzle is on the frame's strip.

    Where a frame ends in a turn, a way may have been followed too far; elsewhere steps off the strip are wrong.
    """
    ends = bar_ends(steps.centre_m, steps.heading_rad, robot.bar)
    part = np.linspace(0.05, 0.95, 7)[:, None, None]
    points = (1 - part) * ends[:, 0] + part * ends[:, 1]
    wide = strip.buffer(OFF_STRIP_M)
    shapely.prepare(wide)
    return np.asarray(shapely.contains_xy(wide, points[..., 0], points[..., 1]).all(axis=0))


def _edge(steps: Steps, strip: Area, unseen: Area, robot: Robot, most_m: float) -> tuple[FloatArray, FloatArray]:
    """Return how matched points of the outline move with the corners (k, 2 m) along their normals, and how far they are
    off (k,) what they are matched with.
    """
    nothing = np.zeros((0, steps.place.shape[2])), np.zeros(0)
    ends = bar_ends(steps.centre_m, steps.heading_rad, robot.bar)
    corners = np.concatenate([ends[:-1], ends[1:]], axis=1).reshape(-1, 2)
    pieces = shapely.convex_hull(shapely.multipoints(corners, indices=np.repeat(np.arange(len(ends) - 1), 4)))
    real = np.flatnonzero(shapely.area(pieces) > _TINY_M2)
    pieces = pieces[real]
    own, normal = _outline(shapely.union_all(pieces))
    seen, facing = _outline(strip)
    if len(own) == 0 or len(seen) == 0:
        return nothing
    # Each point of the one with the nearest of the other, and the other way round.
    _, to_seen = KDTree(seen).query(own)
    _, to_own = KDTree(own).query(seen)
    at = np.concatenate([np.arange(len(own)), to_own])
    to = np.concatenate([to_seen, np.arange(len(seen))])
    away = seen[to] - own[at]
    fits = (np.hypot(*away.T) < most_m) & ((normal[at] * facing[to]).sum(axis=1) > FACING)
    if not unseen.is_empty:
        fits &= shapely.distance(shapely.points(seen[to]), unseen) > BESIDE_UNSEEN_M
    at, away = at[fits], away[fits]
    if len(at) == 0:
        return nothing
    point, normal = own[at], normal[at]
    first = real[shapely.STRtree(pieces).nearest(shapely.points(point))]
    start, step = steps.centre_m[first], np.diff(steps.centre_m, axis=0)[first]
    part = (((point - start) * step).sum(axis=1) / np.maximum((step**2).sum(axis=1), _TINY_M2)).clip(0, 1)[:, None]
    arm = point - start - part * step
    turned = (normal[:, 1] * arm[:, 0] - normal[:, 0] * arm[:, 1])[:, None]
    moved = (1 - part)[..., None] * steps.place[first] + part[..., None] * steps.place[first + 1]
    turn = (1 - part) * steps.turn[first] + part * steps.turn[first + 1]
    return (normal[:, :, None] * moved).sum(axis=1) + turned * turn, (away * normal).sum(axis=1)


def _outline(area: Area) -> tuple[FloatArray, FloatArray]:
    """Return points (k, 2) along the outline of an area and their outward normals."""
    points, normals = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for ring in shapely.get_rings(shapely.get_parts(shapely.orient_polygons(area))):
        corners = shapely.get_coordinates(shapely.segmentize(ring, EVERY_M))
        side = np.diff(corners, axis=0)
        points.append((corners[:-1] + corners[1:]) / 2)
        normals.append(np.column_stack([side[:, 1], -side[:, 0]]) / np.hypot(*side.T)[:, None])
    return np.concatenate(points), np.concatenate(normals)
