"""The track of a robot: where its turning centre was and which way it headed, corner by corner."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar

FloatArray = NDArray[np.float64]

TURN_RAD = float(np.deg2rad(60.0))  # a smaller change of heading is steering
TURN_WAY_M = 0.1  # a turn is made on the spot, or on no longer a way


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Poses in the order of time; straight on, or turning on the spot, between two of them.

    A leg that was not followed has two known ends; what the robot did between them is not known, but for its having
    come from one to the other: inside a frame whose trail could not be told apart, or while the shutter was closed.
    """

    t_s: FloatArray  # (n,) from the first frame's start; NaN where no clock is known
    centre_m: FloatArray  # (n, 2), the turning centre
    heading_rad: FloatArray  # (n,), counter-clockwise from east
    frame: NDArray[np.intp]  # (n,) the frame that shows the pose, from 0 in the order of time
    followed: NDArray[np.bool_]  # (n - 1,) whether the way from each pose to the next one is known
    u_m: float  # standard uncertainty of a place, along one axis

    @property
    def poses(self) -> FloatArray:
        """(n, 3): x_m, y_m, heading_rad."""
        return np.column_stack([self.centre_m, self.heading_rad])


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast a robot drives and turns on the spot."""

    m_s: float
    rad_s: float


@dataclass(frozen=True, slots=True, eq=False)
class LaidTrack:
    """A track on which the ways through some frames were laid on their light, and how well each place is known."""

    track: Track
    spread_m2: FloatArray  # (n, 2, 2) covariance of each place, beside what shifts all of a frame
    laid: NDArray[np.bool_]  # (n,) whether the pose lies on a way that explains its frame's light
    pace: Pace

    @property
    def inner(self) -> NDArray[np.bool_]:
        """(n,) poses that were laid, without the first and the last of each frame.

        Only there light tells from both sides where the robot was.
        """
        frame = self.track.frame
        first = np.concatenate([[True], frame[1:] != frame[:-1]])
        return np.asarray(self.laid & ~first & ~np.append(first[1:], True))


def part_of(track: Track, here: NDArray[np.intp]) -> Track:
    """Return the poses numbered `here`, which follow each other, as a track."""
    return replace(
        track,
        t_s=track.t_s[here],
        centre_m=track.centre_m[here],
        heading_rad=track.heading_rad[here],
        frame=track.frame[here],
        followed=track.followed[here[:-1]],
    )


def in_steps(track: Track, step_m: float, step_rad: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return poses (m, 3) along a track, no farther apart than the steps, and which ways between them are known."""
    heading = np.unwrap(track.heading_rad)
    way_m = np.linalg.norm(np.diff(track.centre_m, axis=0), axis=1)
    parts = np.maximum(np.ceil(np.maximum(way_m / step_m, np.abs(np.diff(heading)) / step_rad)), 1).astype(int)
    at = np.concatenate([[0.0], np.cumsum(np.repeat(1 / parts, parts))])
    number = np.arange(len(heading))
    columns = [np.interp(at, number, values) for values in (*track.centre_m.T, heading)]
    return np.column_stack(columns), np.repeat(track.followed, parts)


def driven_m(track: Track) -> float:
    """Return the length of the turning centre's way."""
    return float(np.linalg.norm(np.diff(track.centre_m, axis=0), axis=1).sum())


def turned_rad(track: Track) -> float:
    """Return by how much the robot turned altogether, each turn taken the short way round."""
    turn = np.diff(track.heading_rad)
    return float(np.abs((turn + np.pi) % (2 * np.pi) - np.pi).sum())


def turn_count(track: Track) -> int:
    """Return how often the robot turned where it was followed: changed its heading by `TURN_RAD` within `TURN_WAY_M`.

    Turning from one lane into the next is two turns if there is a longer way between them. From one frame to the next
    headings tell of turns, whether or not they were seen.
    """
    step = np.diff(track.centre_m, axis=0)
    way_m, turn = np.hypot(step[:, 0], step[:, 1]), np.diff(track.heading_rad)
    turn = (turn + np.pi) % (2 * np.pi) - np.pi
    count, turned, gone_m = 0, 0.0, 0.0
    told = track.followed | (np.diff(track.frame) == 1)
    for leg_m, by, known in zip(way_m.tolist(), turn.tolist(), told.tolist(), strict=True):
        if not known or gone_m + leg_m > TURN_WAY_M:
            turned, gone_m = 0.0, 0.0
        if not known or leg_m > TURN_WAY_M:
            continue
        before, turned, gone_m = turned, turned + by, gone_m + leg_m
        count += abs(before) < TURN_RAD <= abs(turned)
    return count


def passed_m2(track: Track, bar: Bar) -> float:
    """Return the floor that the nozzle passed over, repeats counted: its length times the mean of its ends' ways.

    An end's way is what it moves across the nozzle, forwards or backwards (docs/time.md, repeat ratio). Straight on it
    is the robot's; on the spot half the nozzle times the angle, wherever the turning centre is.
    """
    return bar.nozzle_m * (driven_m(track) + bar.nozzle_m / 2 * turned_rad(track))


def bar_ends(centre_m: FloatArray, heading_rad: FloatArray, bar: Bar) -> FloatArray:
    """Return the nozzle's right and left end, (n, 2, 2), for poses (n, 2) and (n,)."""
    ahead = np.stack([np.cos(heading_rad), np.sin(heading_rad)], axis=-1)
    left = np.stack([-ahead[..., 1], ahead[..., 0]], axis=-1) * (bar.nozzle_m / 2)
    middle = centre_m + bar.forward_m * ahead
    return np.stack([middle - left, middle + left], axis=-2)
