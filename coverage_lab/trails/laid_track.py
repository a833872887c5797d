"""The track of a run in which the ways near decoys are laid on their frames' light."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.track import LaidTrack, Track, part_of
from coverage_lab.trails.chain import Chain, chained
from coverage_lab.trails.frame_light import FrameLight, picture_of
from coverage_lab.trails.joined import FrameWay, believed, pace_of, straight_on
from coverage_lab.trails.lay import Laid

FloatArray = NDArray[np.float64]


def laid_track(
    track: Track,
    ways: Sequence[FrameWay],
    lights: Sequence[FrameLight | None],
    once: float | None,
    times: tuple[FloatArray, FloatArray],
    plan: FloorPlan,
    bar: Bar,
) -> LaidTrack:
    """Return a track with the ways of those frames laid whose light is given.

    track : joined from `ways`; once : light of one pass; times : (frames,) start and end of each frame.
    """
    start_s, end_s = times
    open_s = end_s - start_s
    pace = pace_of(ways, open_s)
    if once is None or not (open_s > 0).all():  # light and no clock do not tell where the robot was
        return LaidTrack(track, *_as_followed(track), pace)
    pictures = [
        None if light is None else picture_of(light, once, float(seconds), plan)
        for light, seconds in zip(lights, open_s, strict=True)
    ]
    blind_s = np.maximum(start_s[1:] - end_s[:-1], 0)
    chain = chained(pictures, believed(ways, open_s, pace), blind_s, bar, pace)
    return _joined(track, chain, start_s - start_s[0], open_s, blind_s)


def _as_followed(track: Track) -> tuple[FloatArray, NDArray[np.bool_]]:
    count = len(track.t_s)
    return np.tile(track.u_m**2 * np.eye(2), (count, 1, 1)), np.zeros(count, bool)


def _joined(track: Track, chain: Chain, start_s: FloatArray, open_s: FloatArray, blind_s: FloatArray) -> LaidTrack:
    """Return the track with the chain's ways instead of its own."""
    parts: list[tuple[Track, FloatArray, NDArray[np.bool_]]] = []
    for frame, laid in enumerate(chain.laid):
        if laid is None:
            here = np.flatnonzero(track.frame == frame)
            if len(here):
                one = part_of(track, here)
                parts.append((one, *_as_followed(one)))
            continue
        one = _as_laid(laid, frame, float(start_s[frame]), float(open_s[frame]), track.u_m)
        parts.append((one, laid.covariance[:, :2, :2], np.ones(len(laid.poses), bool)))
    names = ("t_s", "centre_m", "heading_rad", "frame")
    whole = {name: np.concatenate([getattr(one, name) for one, _, _ in parts]) for name in names}
    poses = np.column_stack([whole["centre_m"], whole["heading_rad"]])
    number = whole["frame"]
    followed = np.concatenate([np.append(one.followed, False) for one, _, _ in parts])[:-1]
    for at in np.flatnonzero(number[1:] == number[:-1] + 1):
        followed[at] = straight_on(poses[at], poses[at + 1], float(blind_s[number[at]]))
    spread, laid_here = (np.concatenate([part[column] for part in parts]) for column in (1, 2))
    return LaidTrack(Track(**whole, followed=followed, u_m=track.u_m), spread, laid_here, chain.pace)


def _as_laid(laid: Laid, frame: int, start_s: float, open_s: float, u_m: float) -> Track:
    """Return the way through one frame."""
    count = len(laid.poses)
    when = np.concatenate([[0.0], np.cumsum(laid.dwell_s)]) / laid.dwell_s.sum()
    place, heading = laid.poses[:, :2], laid.poses[:, 2]
    return Track(start_s + when * open_s, place, heading, np.full(count, frame), np.ones(count - 1, bool), u_m)
