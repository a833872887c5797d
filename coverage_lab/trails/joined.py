"""The track of a run, joined from the ways through its frames.

    ways of all frames · when each was exposed ──► the robot's pace ──► ways that took their time ──► track

A way that explains a frame's strip may still be too short or too long: where light is burnt, or a strip was passed
twice. It then took another time than the frame did at the pace of the other frames, and is not believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.track import Pace, Track

FloatArray = NDArray[np.float64]

USUAL_M_S, USUAL_RAD_S = 0.28, float(np.deg2rad(90))  # where few frames tell the pace (common practice, no source)
USUAL_SAY = 0.3  # of that against one frame
OUTLIER = 1.5  # times the usual deviation: what deviates more has less say
LEAST_DEVIATION = 0.01
ROUNDS = 8
OFF_PACE, OFF_PACE_S = 0.12, 0.5  # of the frame's time, and beside it, that a way may take too much or too little
BENT_RAD = 0.6  # ways that bend more say little about the pace
UNSEEN_TURN_RAD = float(np.pi)  # most that a robot may have turned as the shutter opened or closed in a turn
STRAIGHT_S = 1.0  # with the shutter closed no longer a robot went straight on between two poses in line
STRAIGHT_M, STRAIGHT_RAD = 0.05, float(np.deg2rad(15))  # off that line
PLACE_U_M = 0.022  # of a place on the way, along one axis (docs/time.md says how it was found)


@dataclass(frozen=True, slots=True, eq=False)
class FrameWay:
    """What is known of the robot's way through one frame."""

    poses: FloatArray  # (N, 3): the whole way, or the poses that are known: at its beginning, at its end, or none
    followed: bool
    ends: tuple[bool, bool]  # whether beginning and end were seen as square ends of the strip


def track_of(ways: Sequence[FrameWay], start_s: FloatArray, end_s: FloatArray) -> Track | None:
    """Return the track of a run whose frames were exposed from `start_s` to `end_s`, (n,) each; None without poses.

    Within a frame the robot is taken to drive and to turn at an even pace. Without a clock all ways are believed.
    """
    pace = pace_of(ways, end_s - start_s)
    ways = believed(ways, end_s - start_s, pace)
    known = [number for number, way in enumerate(ways) if len(way.poses)]
    if not known:
        return None
    poses = np.concatenate([ways[number].poses for number in known])
    t_s = np.concatenate(
        [start_s[number] + _when(ways[number], pace) * (end_s[number] - start_s[number]) for number in known]
    )
    frame = np.repeat(known, [len(ways[number].poses) for number in known])
    inside = frame[1:] == frame[:-1]
    followed = np.array([way.followed for way in ways])[frame[1:]] & inside
    for at in np.flatnonzero(~inside):
        next_to = frame[at + 1] == frame[at] + 1
        followed[at] = next_to and straight_on(poses[at], poses[at + 1], start_s[frame[at + 1]] - end_s[frame[at]])
    return Track(t_s - start_s[0], poses[:, :2], poses[:, 2], frame, followed, PLACE_U_M)


def pace_of(ways: Sequence[FrameWay], open_s: FloatArray) -> Pace:
    """Return the pace at which most ways take their frames' time (weighted least squares, outliers held down)."""
    pairs = [(way, seconds) for way, seconds in zip(ways, open_s.tolist(), strict=True) if way.followed and seconds > 0]
    rows = np.array([_took(way) / seconds for way, seconds in pairs if _bent_rad(way) < BENT_RAD]).reshape(-1, 2)
    usual = USUAL_SAY * np.eye(2)
    weight, times = np.ones(len(rows)), np.ones(2)
    for _ in range(ROUNDS):
        left = np.concatenate([rows * weight[:, None], usual])
        times = np.linalg.lstsq(left, np.concatenate([weight, np.diag(usual)]), rcond=None)[0]
        off = np.abs(rows @ times - 1)
        limit = OUTLIER * max(1.48 * float(np.median(off)), LEAST_DEVIATION) if len(off) else 1.0
        weight = 1 / np.maximum(1, off / limit)
    drive, turn = np.maximum(times, 0.1)
    return Pace(USUAL_M_S / float(drive), USUAL_RAD_S / float(turn))


def believed(ways: Sequence[FrameWay], open_s: FloatArray, pace: Pace) -> tuple[FrameWay, ...]:
    """Return the ways; of those that are off the pace only the ends that were seen.

    In the first and in the last frame the robot may have stood still.
    """
    return tuple(
        way if not way.followed or _in_time(way, float(seconds), pace, 0 < at < len(ways) - 1) else _ends_of(way)
        for at, (way, seconds) in enumerate(zip(ways, open_s, strict=True))
    )


def _in_time(way: FrameWay, open_s: float, pace: Pace, throughout: bool) -> bool:
    if not open_s > 0:  # no clock
        return True
    took_s = float(_took(way) @ _scale(pace))
    allowed_s = OFF_PACE * open_s + OFF_PACE_S
    unseen_s = (sum(not seen for seen in way.ends) * UNSEEN_TURN_RAD + _bent_rad(way)) / pace.rad_s
    return took_s <= open_s + allowed_s and (not throughout or took_s >= open_s - allowed_s - unseen_s)


def _ends_of(way: FrameWay) -> FrameWay:
    return FrameWay(way.poses[[0, -1]][list(way.ends)], False, way.ends)


def _took(way: FrameWay) -> FloatArray:
    """Return what driving and turning took (2,), in seconds at the usual pace."""
    return np.asarray(_steps(way.poses).sum(axis=0))


def _steps(poses: FloatArray) -> FloatArray:
    step = np.diff(poses, axis=0)
    turn = np.abs((step[:, 2] + np.pi) % (2 * np.pi) - np.pi)
    way_m = np.hypot(step[:, 0], step[:, 1])
    # A bend is turned while it is driven.
    return np.column_stack([way_m / USUAL_M_S, np.where(way_m > 0, 0, turn / USUAL_RAD_S)])


def _bent_rad(way: FrameWay) -> float:
    """Return by how much it turned as it drove; it may have stopped to turn a little, again and again."""
    step = np.diff(way.poses, axis=0)
    turn = np.abs((step[:, 2] + np.pi) % (2 * np.pi) - np.pi)
    return float(turn[np.hypot(step[:, 0], step[:, 1]) > 0].sum())


def _scale(pace: Pace) -> FloatArray:
    return np.array([USUAL_M_S / pace.m_s, USUAL_RAD_S / pace.rad_s])


def _when(way: FrameWay, pace: Pace) -> FloatArray:
    """Return when the robot was at each pose of a frame, from 0 to 1 of its time."""
    if not way.followed:
        return np.array([0.0, 1.0])[list(way.ends)]
    return when_of(way.poses, pace)


def when_of(poses: FloatArray, pace: Pace) -> FloatArray:
    """Return when a robot that went on at a pace was at each pose (n, 3) of a way, (n,) from 0 to 1."""
    at = np.concatenate([[0.0], np.cumsum(_steps(poses) @ _scale(pace))])
    return np.asarray(at / max(at[-1], 1e-9))


def straight_on(before: FloatArray, after: FloatArray, blind_s: float) -> bool:
    """Say whether a robot that was at one pose went straight on to the next while the shutter was closed."""
    step = after[:2] - before[:2]
    ahead = np.array([np.cos(before[2]), np.sin(before[2])])
    aside = abs(float(ahead[0] * step[1] - ahead[1] * step[0]))
    turn = (after[2] - before[2] + np.pi) % (2 * np.pi) - np.pi
    return bool(blind_s <= STRAIGHT_S and aside <= STRAIGHT_M and abs(turn) <= STRAIGHT_RAD)
