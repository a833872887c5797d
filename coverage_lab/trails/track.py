"""Follow a run of many frames, frame by frame, while they are folded.

    strip of a frame · where the bar was as the shutter opened and closed ──► the way between, if it explains the strip

A frame is followed when the next one has told where it ended; only it is kept until then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import overload

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.trails.caps import FASTEST_M_S, Cap, Join
from coverage_lab.trails.explain import PLENTY, Scene, Way
from coverage_lab.trails.follow import Follower
from coverage_lab.trails.joined import FrameWay
from coverage_lab.trails.probe import LIT, ROW_M, Probe

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

CELL_M = 0.012  # that light is followed on
BURNT = 0.85  # of the clip: light that no longer tells how many passes
COUNTED = 3.0  # passes: more light than that is a turn, and does not tell either
OFF_STRIP = 0.3  # pass: light off the strip is no more
END_M = 0.08  # a way that ends so near the place where the next frame begins ends there
END_RAD = float(np.deg2rad(40))  # in a bend, the heading at an end is not known well
MOST_CAPS = 3  # square ends that are tried
FARTHEST_M = 0.5  # that a robot may have gone on unseen, to be found again by where it was


@dataclass(slots=True, eq=False)
class Tracker:
    """Follows the bar from frame to frame."""

    bar: Bar
    _probe: Probe = field(init=False)
    _tail_first: Probe = field(init=False)
    _scene: Scene | None = None
    _start: FloatArray | None = None  # pose as the shutter opened for the frame that waits
    _ways: list[FrameWay] = field(default_factory=list)
    _waiting: bool = False
    _last: FloatArray | None = None  # pose at the end of the frame before the one that waits
    _reach_m: float = 0.0  # that the robot may have gone on since
    _caps: Sequence[Cap] = ()  # square ends of the strip that waits
    _either: FloatArray | None = None  # the way through the frame before, if it may as well have been driven backwards

    def __post_init__(self) -> None:
        """Make the probes, whose tables serve all frames."""
        self._probe = Probe(self.bar.nozzle_m, self.bar.forward_m)
        self._tail_first = self._probe.reversed()

    def add(self, scene: Scene | None, caps: Sequence[Cap], found: Join | None, blind_s: float) -> None:
        """Add the next frame, whose strip has square ends `caps`.

        `found` is where the bar was before and after the gap of `blind_s` that leads to it.
        """
        believed = self._close(None if found is None else self._pose(found.end, 1))
        self._scene, self._caps, self._waiting = scene, caps, True
        self._reach_m = FASTEST_M_S * blind_s + END_M
        self._start = None if found is None or not believed else self._pose(found.start, -1)

    def done(self) -> tuple[FrameWay, ...]:
        """Return the ways of all frames, in their order."""
        self._close(None)
        return tuple(self._ways)

    def _pose(self, cap: Cap, outward: int) -> FloatArray:
        """Return the turning centre's pose at a square end that the robot drove out of (1) or away from (-1)."""
        ahead = outward * cap.outward
        return np.array([*(cap.centre_m - self.bar.forward_m * ahead), np.arctan2(ahead[1], ahead[0])])

    def _close(self, end: FloatArray | None) -> bool:
        """Follow the frame that waits, which ends at a pose if that is known; say whether that is believed."""
        if not self._waiting:
            return True
        poses = None if self._scene is None else self._follow(self._scene, end)
        believed = True
        if (
            poses is None
            and self._scene is not None
            and end is not None
            and self._start is not None
            and self._led_here()
        ):
            poses = _good(Follower(self._scene, self._probe).follow(self._start), None)
            believed = poses is None
            end = end if believed else None
        ends = (self._start is not None, end is not None)
        self._either = None
        if poses is not None:
            self._ways.append(FrameWay(poses, True, ends))
            self._last = poses[-1]
        else:
            self._ways.append(_ends_only(self._start, end))
            self._last = end
            if self._scene is not None and not any(ends):
                self._either = self._from_any_cap(self._scene)
        self._waiting, self._scene = False, None
        return believed

    def _led_here(self) -> bool:
        """Say whether the robot was followed through the frame before to where this one begins.

        Then a way from there outweighs a square end that it does not lead to: of a strip that lies beside itself, as a
        spiral's, the wrong ends may face each other.
        """
        if not self._ways or not self._ways[-1].followed or self._start is None:
            return False
        return float(np.hypot(*(self._ways[-1].poses[-1] - self._start)[:2])) <= self._reach_m

    def _follow(self, scene: Scene, end: FloatArray | None) -> FloatArray | None:
        """Return the way from the frame's beginning, or back from its end, if it is the one."""
        if self._start is not None:
            poses = _good(Follower(scene, self._probe).follow(self._start), end)
            if poses is not None:
                return poses
        if end is not None:
            back = _good(Follower(scene, self._tail_first).follow(_about(end)), _about(self._start))
            if back is not None:
                return _backwards(back)
        if self._start is not None or self._reach_m > FARTHEST_M:
            return None
        if self._last is not None:
            return self._go_on(scene, self._last, end)
        # The frame before was followed, but not told which way; this one tells if it can be followed from either end.
        for before in () if self._either is None else (self._either, _backwards(self._either)):
            poses = self._go_on(scene, before[-1], end)
            if poses is not None:
                self._ways[-1] = FrameWay(before, True, (False, False))
                return poses
        return None

    def _go_on(self, scene: Scene, last: FloatArray, end: FloatArray | None) -> FloatArray | None:
        """Return the way through a frame that begins near a pose."""
        for start in self._caps_near(last):
            poses = _good(Follower(scene, self._probe).follow(start), end)
            if poses is not None:
                return poses
        return _good(Follower(scene, self._probe).begin(last, self._reach_m), end)

    def _from_any_cap(self, scene: Scene) -> FloatArray | None:
        """Return the way from a square end of the strip, which may be its beginning or its end."""
        for cap in self._caps[:MOST_CAPS]:
            poses = _good(Follower(scene, self._probe).follow(self._pose(cap, -1)), None)
            if poses is not None:
                return poses
        return None

    def _caps_near(self, last: FloatArray) -> list[FloatArray]:
        """Return poses at square ends near the place where the frame before ended, the nearest first."""
        poses = [self._pose(cap, -1) for cap in self._caps]
        away_m = [float(np.hypot(*(pose - last)[:2])) for pose in poses]
        reach_m = self._reach_m + END_M
        return [poses[at] for at in np.argsort(away_m)[:MOST_CAPS] if away_m[at] <= reach_m]


def _good(way: Way | None, end: FloatArray | None) -> FloatArray | None:
    """Return the poses of a way if it explains its frame and leads to a pose, if that is known; it then ends there."""
    if way is None or not way.good:
        return None
    poses = way.poses.copy()
    if end is not None:
        last = poses[-1]
        turn = (last[2] - end[2] + np.pi) % (2 * np.pi) - np.pi
        if float(np.hypot(*(last - end)[:2])) > END_M or abs(turn) > END_RAD:
            return None
        poses[-1] = end
    elif len(poses) > 1 and np.any(poses[-1, :2] != poses[-2, :2]):
        # Light was looked for in steps, and the last one fell short by anything up to a whole one.
        poses[-1, :2] += ROW_M / 2 * np.array([np.cos(poses[-1, 2]), np.sin(poses[-1, 2])])
    return poses


def _ends_only(start: FloatArray | None, end: FloatArray | None) -> FrameWay:
    known = [pose for pose in (start, end) if pose is not None]
    return FrameWay(np.array(known).reshape(-1, 3), False, (start is not None, end is not None))


def _backwards(poses: FloatArray) -> FloatArray:
    """Return a way (N, 3) as driven the other way round."""
    return np.asarray(poses[::-1] + np.array([0, 0, np.pi]))


@overload
def _about(pose: FloatArray) -> FloatArray: ...
@overload
def _about(pose: None) -> None: ...
def _about(pose: FloatArray | None) -> FloatArray | None:
    """Return a pose turned about."""
    return None if pose is None else np.asarray(pose + np.array([0, 0, np.pi]))


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
