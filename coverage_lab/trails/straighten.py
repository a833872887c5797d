"""Lay a followed way along the sides of its strip, leg by leg; two legs meet where the robot turned."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from coverage_lab.trails.explain import Scene
from coverage_lab.trails.probe import ROW_M, Probe, changes

FloatArray = NDArray[np.float64]

LONG_M = 0.18  # shorter legs say little about where they lie
ASIDE_M = np.linspace(-0.015, 0.015, 9)  # that are tried
TILT = np.deg2rad(np.linspace(-2.4, 2.4, 7))
MOST_ROWS = 24  # places along a leg that are looked at
NEARLY = 0.15  # of the change of light: positions whose change is so near the best one's have a say
FARTHEST_M = 0.045  # that a turn's place is moved
CROSSING = 0.35  # sine of the angle from which on two legs tell where they meet


def straightened(scene: Scene, probe: Probe, poses: FloatArray) -> FloatArray:
    """Return a way's poses (N, 3) with its long legs laid where light changes at both ends of the bar."""
    place = np.concatenate([[0], np.cumsum(np.any(np.diff(poses[:, :2], axis=0) != 0, axis=1))])  # of each pose
    places = poses[np.searchsorted(place, np.arange(place[-1] + 1)), :2]
    lines = [_line(scene, probe, one, other) for one, other in pairwise(places)]
    before, after = [None, *lines], [*lines, None]
    moved = np.array([_meeting(at, one, other) for at, one, other in zip(places, before, after, strict=True)])
    found = poses.copy()
    found[:, :2] = moved[place]
    for leg in np.flatnonzero(np.diff(place)):
        step = found[leg + 1, :2] - found[leg, :2]
        turn = np.arctan2(step[1], step[0]) - poses[leg, 2]
        if lines[place[leg]] is not None:
            found[leg : leg + 2, 2] = poses[leg, 2] + (turn + np.pi) % (2 * np.pi) - np.pi
    return found


Line = tuple[FloatArray, FloatArray]  # a point of it and its direction


def _line(scene: Scene, probe: Probe, start: FloatArray, end: FloatArray) -> Line | None:
    """Return the line of the turning centre on which a leg's bar lies best on its strip; None for short legs."""
    step = end - start
    length_m = float(np.hypot(*step))
    if length_m < LONG_M:
        return None
    heading = float(np.arctan2(step[1], step[0]))
    trim_m = min(probe.nozzle_m / 2, length_m / 4)
    rows = min(int((length_m - 2 * trim_m) / ROW_M) + 1, MOST_ROWS)
    along = np.linspace(trim_m, length_m - trim_m, rows) - length_m / 2
    middle = (start + end) / 2
    local = np.empty((len(ASIDE_M), len(TILT), len(along), 3))
    local[..., 0] = along * np.cos(TILT)[:, None]
    local[..., 1] = along * np.sin(TILT)[:, None] + ASIDE_M[:, None, None]
    local[..., 2] = TILT[:, None]
    cos, sin = np.cos(heading), np.sin(heading)
    places = np.stack(
        [
            middle[0] + cos * local[..., 0] - sin * local[..., 1],
            middle[1] + sin * local[..., 0] + cos * local[..., 1],
            heading + local[..., 2],
        ],
        axis=-1,
    )
    change = changes(scene.sample(scene.passes, probe.points(places))).mean(axis=-1)
    say = np.maximum(change - (change.max() - NEARLY), 0)
    aside_m = float((say * ASIDE_M[:, None]).sum() / say.sum())
    tilted = heading + float((say * TILT).sum() / say.sum())
    return middle + aside_m * np.array([-sin, cos]), np.array([np.cos(tilted), np.sin(tilted)])


def _meeting(at: FloatArray, one: Line | None, other: Line | None) -> FloatArray:
    """Return where two legs meet that met at `at`: where they cross, else on both as nearly as can be."""
    lines = [line for line in (one, other) if line is not None]
    if not lines:
        return at
    if one is not None and other is not None:
        sine = float(one[1][0] * other[1][1] - one[1][1] * other[1][0])
        if abs(sine) > CROSSING:
            gap = other[0] - one[0]
            cross = one[0] + float(gap[0] * other[1][1] - gap[1] * other[1][0]) / sine * one[1]
            return np.asarray(cross if np.hypot(*(cross - at)) <= FARTHEST_M else at)
    return np.asarray(np.mean([point + ((at - point) @ along) * along for point, along in lines], axis=0))
