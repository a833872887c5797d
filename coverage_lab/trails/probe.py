"""Where light is looked for under a bar that goes on from a known place: tables of points, made once per bar.

Points are (2, 11, ...): x and y, then along the bar (outside and inside of its right end, seven between, inside and
outside of its left end), then what is tried.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
FloatArray = NDArray[np.float64]

LIT = 0.5  # passes: where the edge of a pass is
ROW_M = 0.02  # from one place of the bar that is looked at to the next
RIM_M = 0.016  # inside and outside of the bar's ends
CHANGE = 2.5  # passes: more light is not told apart at the bar's ends
BENDS = 9.0 * np.sinh(np.linspace(-3, 3, 25)) / np.sinh(3)  # 1/m, of the turning centre's way
BEND_ROWS = 12
FAN = np.deg2rad(np.linspace(-3, 3, 13))
FAN_ROWS = 100
TURNS = np.deg2rad(np.arange(0, 360, 6.0))
TURN_ROWS = 10


class Probe:
    """The places of one bar relative to its turning centre."""

    def __init__(self, nozzle_m: float, forward_m: float) -> None:
        self.nozzle_m, self.forward_m = nozzle_m, forward_m
        half = nozzle_m / 2
        rims = half + RIM_M, half - RIM_M
        self.across_m = np.array([-rims[0], -rims[1], *np.linspace(-0.8, 0.8, 7) * half, rims[1], rims[0]])

    def reversed(self) -> Probe:
        """The bar of a robot that is followed backwards, as if it drove on with its tail ahead."""
        return Probe(self.nozzle_m, -self.forward_m)

    def points(self, poses: FloatArray) -> Plane:
        """Return the points (2, 11, ...) of poses (..., 3)."""
        cos, sin = np.cos(poses[..., 2]), np.sin(poses[..., 2])
        across = self.across_m.reshape(-1, *[1] * cos.ndim)
        x = poses[..., 0] + self.forward_m * cos - across * sin
        y = poses[..., 1] + self.forward_m * sin + across * cos
        return np.stack([x, y]).astype(np.float32)

    def ends(self, poses: FloatArray) -> FloatArray:
        """Return the bar's right and left end (N, 2, 2) of poses (N, 3)."""
        ahead = np.stack([np.cos(poses[:, 2]), np.sin(poses[:, 2])], axis=-1)
        left = np.stack([-ahead[:, 1], ahead[:, 0]], axis=-1) * (self.nozzle_m / 2)
        middle = poses[:, :2] + self.forward_m * ahead
        return np.stack([middle - left, middle + left], axis=1)

    @cached_property
    def bends(self) -> FloatArray:
        """Poses (bends, rows, 3) of ways that bend evenly, from (0, 0, 0) on."""
        way = np.arange(1, BEND_ROWS + 1) * ROW_M
        bend = np.where(BENDS == 0, 1e-9, BENDS)[:, None]
        turn = bend * way
        return np.stack([np.sin(turn) / bend, (1 - np.cos(turn)) / bend, turn], axis=-1)

    @cached_property
    def fan(self) -> FloatArray:
        """Poses (fan, rows, 3) of straight ways nearly ahead."""
        return _straight(FAN, FAN_ROWS)

    @cached_property
    def turns(self) -> FloatArray:
        """Poses (turns, rows, 3) of straight ways in all directions."""
        return _straight(TURNS, TURN_ROWS)

    @cached_property
    def bend_points(self) -> Plane:
        """Points of `bends`, (2, 11, bends, rows)."""
        return self.points(self.bends)

    @cached_property
    def fan_points(self) -> Plane:
        """Points of `fan`, (2, 11, fan, rows)."""
        return self.points(self.fan)

    @cached_property
    def turn_points(self) -> Plane:
        """Points of `turns`, (2, 11, turns, rows)."""
        return self.points(self.turns)


def _straight(headings: FloatArray, rows: int) -> FloatArray:
    way = np.arange(1, rows + 1) * ROW_M
    turn = np.broadcast_to(headings[:, None], (len(headings), rows))
    return np.stack([way * np.cos(turn), way * np.sin(turn), turn], axis=-1)


def placed(local: FloatArray, pose: FloatArray) -> FloatArray:
    """Return local poses (..., 3) as seen from `pose` (3,)."""
    cos, sin = np.cos(pose[2]), np.sin(pose[2])
    x = pose[0] + cos * local[..., 0] - sin * local[..., 1]
    y = pose[1] + sin * local[..., 0] + cos * local[..., 1]
    return np.stack([x, y, local[..., 2] + pose[2]], axis=-1)


def changes(light: Plane) -> Plane:
    """Return by how much light changes at the bar's two ends, -2 to 2, (...), of samples (11, ...)."""
    capped = np.minimum(light[[0, 1, 9, 10]], CHANGE)
    return np.asarray(np.clip(capped[1] - capped[0], -1, 1) + np.clip(capped[2] - capped[3], -1, 1), np.float32)
