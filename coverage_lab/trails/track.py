"""The track of a run of many frames, followed frame by frame while they are folded.

    strip of a frame · where the bar was as the shutter opened and closed ──► the way between, if it explains the strip
    ways of all frames · their times ──► track

A frame is followed when the next one has told where it ended; only it is kept until then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.track import Track
from coverage_lab.trails.caps import Cap, Join
from coverage_lab.trails.follow import PLENTY, Follower, Scene, Way
from coverage_lab.trails.probe import LIT, Probe

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

CELL_M = 0.012  # that light is followed on
BURNT = 0.85  # of the clip: light that no longer tells how many passes
COUNTED = 3.0  # passes: more light than that is a turn, and does not tell either
OFF_STRIP = 0.3  # pass: light off the strip is no more
END_M = 0.05  # a way that ends so near the place where the next frame begins ends there
END_RAD = float(np.deg2rad(15))
STRAIGHT_S = 1.0  # between two square ends that face each other a robot goes straight on if the shutter opens so soon
PLACE_U_M = 0.012  # of a place on the way, along one axis (docs/time.md says how it was found)
USUAL_M_S, USUAL_RAD_S = 0.28, float(np.deg2rad(90))  # only their ratio counts, in times within a frame


@dataclass(frozen=True, slots=True, eq=False)
class FrameWay:
    """What is known of the robot's way through one frame."""

    poses: FloatArray  # (N, 3): the whole way, or the poses that are known: at the beginning, at the end, or none
    when: FloatArray  # (N,) in the frame's time, 0 to 1
    followed: bool


@dataclass(slots=True, eq=False)
class Tracker:
    """Follows the bar from frame to frame."""

    bar: Bar
    _probe: Probe = field(init=False)
    _scene: Scene | None = None
    _start: FloatArray | None = None  # pose as the shutter opened for the frame that waits
    _ways: list[FrameWay] = field(default_factory=list)
    _waiting: bool = False

    def __post_init__(self) -> None:
        """Make the probe, whose tables serve all frames."""
        self._probe = Probe(self.bar.nozzle_m, self.bar.forward_m)

    def add(self, scene: Scene | None, found: Join | None) -> None:
        """Add the next frame; `found` is where the bar was before and after the gap that leads to it."""
        self._close(None if found is None else self._pose(found.end, 1))
        self._scene, self._waiting = scene, True
        self._start = None if found is None else self._pose(found.start, -1)

    def done(self) -> tuple[FrameWay, ...]:
        """Return the ways of all frames, in their order."""
        self._close(None)
        return tuple(self._ways)

    def _pose(self, cap: Cap, outward: int) -> FloatArray:
        """Return the turning centre's pose at a square end that the robot drove out of (1) or away from (-1)."""
        ahead = outward * cap.outward
        return np.array([*(cap.centre_m - self.bar.forward_m * ahead), np.arctan2(ahead[1], ahead[0])])

    def _close(self, end: FloatArray | None) -> None:
        if not self._waiting:
            return
        way = None if self._scene is None else self._follow(self._scene, end)
        if way is None:
            known = [(pose, when) for pose, when in ((self._start, 0.0), (end, 1.0)) if pose is not None]
            poses = np.array([pose for pose, _ in known]).reshape(-1, 3)
            self._ways.append(FrameWay(poses, np.array([when for _, when in known]), False))
        else:
            self._ways.append(FrameWay(way.poses, _paced(way.poses), True))
        self._waiting, self._scene = False, None

    def _follow(self, scene: Scene, end: FloatArray | None) -> Way | None:
        """Return the way from the frame's beginning, or back from its end, if it is the one."""
        start = self._start
        if start is not None:
            way = Follower(scene, self._probe).follow(start)
            if way is not None and way.good and _meets(way.poses[-1], end):
                return way
        if end is not None:
            back = Follower(scene, self._probe.reversed()).follow(_about(end))
            if back is not None and back.good and _meets(_about(back.poses[-1]), start):
                return Way(np.array([_about(pose) for pose in back.poses[::-1]]), back.left, back.off)
        return None


def _about(pose: FloatArray) -> FloatArray:
    """Return a pose turned about."""
    return np.asarray(pose + np.array([0, 0, np.pi]))


def _meets(pose: FloatArray, known: FloatArray | None) -> bool:
    """Say whether a pose is the one that is known; if none is, it may be."""
    if known is None:
        return True
    turn = (pose[2] - known[2] + np.pi) % (2 * np.pi) - np.pi
    return float(np.hypot(*(pose - known)[:2])) <= END_M and abs(turn) <= END_RAD


def scene_of(
    smooth: Plane, strip: Mask, once: float, clip: float, cell_m: float, origin_m: tuple[float, float]
) -> Scene | None:
    """Return what is needed to follow the bar through a frame: light in passes on coarser cells, the strip alone.

    smooth : (rows, cols) light on cells of `cell_m` whose first has its north-west corner at `origin_m`; `once` the
    light of one pass; from `clip` on light is burnt. None without a strip.
    """
    rows, cols = np.flatnonzero(strip.any(axis=1)), np.flatnonzero(strip.any(axis=0))
    if not len(rows):
        return None
    parts = max(1, round(CELL_M / cell_m))
    north, west = (max(int(at[0]) - 2 * parts, 0) for at in (rows, cols))
    south, east = int(rows[-1]) + 2 * parts, int(cols[-1]) + 2 * parts
    window = smooth[north:south, west:east] / np.float32(once)
    window = np.where(strip[north:south, west:east] > 0, window, np.minimum(window, OFF_STRIP))
    height, width = window.shape[0] // parts, window.shape[1] // parts
    whole = window[: height * parts, : width * parts]
    passes = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.float32)
    passes[passes > min(BURNT * clip / once, COUNTED)] = PLENTY
    if not (passes > LIT).any():
        return None
    return Scene(passes, origin_m[0] + west * cell_m, origin_m[1] - north * cell_m, parts * cell_m)


def track_of(ways: Sequence[FrameWay], start_s: FloatArray, end_s: FloatArray) -> Track | None:
    """Return the track of a run whose frames were exposed from `start_s` to `end_s`, (n,) each; None without poses.

    Within a frame the robot is taken to drive and to turn at an even pace.
    """
    known = [number for number, way in enumerate(ways) if len(way.poses)]
    if not known:
        return None
    poses = np.concatenate([ways[number].poses for number in known])
    open_s = end_s - start_s
    t_s = np.concatenate([start_s[number] - start_s[0] + ways[number].when * open_s[number] for number in known])
    frame = np.repeat(known, [len(ways[number].poses) for number in known])
    inside = frame[1:] == frame[:-1]
    followed = np.array([way.followed for way in ways])[frame[1:]] & inside
    for at in np.flatnonzero(~inside):
        followed[at] = _straight_on(poses[at], poses[at + 1], start_s[frame[at + 1]] - end_s[frame[at]])
    return Track(t_s, poses[:, :2], poses[:, 2], frame, followed, PLACE_U_M)


def _paced(poses: FloatArray) -> FloatArray:
    """Return when a robot that drives and turns at an even pace is at each pose (N, 3), from 0 to 1."""
    step = np.diff(poses, axis=0)
    turn = np.abs((step[:, 2] + np.pi) % (2 * np.pi) - np.pi)
    took = np.maximum(np.hypot(step[:, 0], step[:, 1]) / USUAL_M_S, turn / USUAL_RAD_S)
    at = np.concatenate([[0.0], np.cumsum(took)])
    return np.asarray(at / max(at[-1], 1e-9))


def _straight_on(before: FloatArray, after: FloatArray, blind_s: float) -> bool:
    """Say whether a robot that was at one pose went straight on to the next while the shutter was closed."""
    step = after[:2] - before[:2]
    ahead = np.array([np.cos(before[2]), np.sin(before[2])])
    aside = abs(float(ahead[0] * step[1] - ahead[1] * step[0]))
    turn = (after[2] - before[2] + np.pi) % (2 * np.pi) - np.pi
    return bool(blind_s <= STRAIGHT_S and aside <= END_M and abs(turn) <= END_RAD)
