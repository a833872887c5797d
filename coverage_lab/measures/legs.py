"""A way of straight legs with turns on the spot between them, and how its places move with its corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.track import Track

FloatArray = NDArray[np.float64]

SAME_M = 0.02  # corners are farther apart
STEP_M = 0.04
STEP_RAD = float(np.deg2rad(6.0))


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """Corners, and what else is needed to know each pose."""

    corner_m: FloatArray  # (m, 2)
    backwards: NDArray[np.bool_]  # (m - 1,) driven with the back ahead
    first_rad: float  # heading at the very beginning
    last_rad: float  # and at the end
    came_s: FloatArray  # (m,) to each corner
    left_s: FloatArray  # (m,)


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """A way in small steps, with derivatives by the corners (x0, y0, x1, y1, ...) and by the headings at both ends."""

    t_s: FloatArray  # (n,)
    centre_m: FloatArray  # (n, 2)
    heading_rad: FloatArray  # (n,)
    place: FloatArray  # (n, 2, 2 m + 2) of the centre
    turn: FloatArray  # (n, 2 m + 2) of the heading


def way_through(track: Track) -> Way:
    """Return the corners of a track; poses of one place, as in a turn on the spot, are one corner."""
    far = np.hypot(*np.diff(track.centre_m, axis=0).T) >= SAME_M
    groups: list[list[int]] = [[0]]
    for number in range(1, len(track.t_s)):
        here = track.centre_m[groups[-1][0]]
        if far[number - 1] or np.hypot(*(track.centre_m[number] - here)) >= SAME_M:
            groups.append([number])
        else:
            groups[-1].append(number)
    if len(groups) == 1:  # it only turned: two corners, a step apart
        groups = [[0], list(range(1, len(track.t_s)))]
    corner_m = np.array([track.centre_m[group].mean(axis=0) for group in groups])
    step = np.diff(corner_m, axis=0)
    middle = track.heading_rad[[group[-1] for group in groups[:-1]]]
    ahead = step[:, 0] * np.cos(middle) + step[:, 1] * np.sin(middle)
    return Way(
        corner_m,
        ahead < 0,
        float(track.heading_rad[0]),
        float(track.heading_rad[-1]),
        track.t_s[[group[0] for group in groups]],
        track.t_s[[group[-1] for group in groups]],
    )


def turns_of(way: Way) -> tuple[FloatArray, FloatArray]:
    """Return by how much a way turns at each corner, (m,), and how that moves with corners and end headings."""
    heading, by = _headings(way)
    turn = np.diff(heading)
    return (turn + np.pi) % (2 * np.pi) - np.pi, np.diff(by, axis=0)


def _headings(way: Way) -> tuple[FloatArray, FloatArray]:
    """Return the headings at the beginning, on each leg and at the end, (m + 1,), and their derivatives."""
    count = len(way.corner_m)
    step = np.diff(way.corner_m, axis=0)
    heading = np.arctan2(step[:, 1], step[:, 0]) + np.pi * way.backwards
    across = np.column_stack([-step[:, 1], step[:, 0]]) / np.maximum((step**2).sum(axis=1), SAME_M**2 / 4)[:, None]
    by = np.zeros((count + 1, 2 * count + 2))
    for leg in range(count - 1):
        by[leg + 1, 2 * leg : 2 * leg + 4] = [*-across[leg], *across[leg]]
    by[0, -2] = by[-1, -1] = 1.0
    return np.concatenate([[way.first_rad], heading, [way.last_rad]]), by


def steps_of(way: Way, step_m: float = STEP_M) -> Steps:
    """Return a way's poses, in turns `STEP_RAD` and on legs `step_m` apart at the most."""
    count = len(way.corner_m)
    step = np.diff(way.corner_m, axis=0)
    heading, by_corner = _headings(way)
    turn, by_turn = turns_of(way)
    rows: list[tuple[float, FloatArray, float, FloatArray, FloatArray]] = []
    for number in range(count):
        place = np.zeros((2, 2 * count + 2))
        place[0, 2 * number] = place[1, 2 * number + 1] = 1.0
        for part in np.linspace(0, 1, int(np.ceil(abs(turn[number]) / STEP_RAD)) + 1):
            t_s = way.came_s[number] + part * (way.left_s[number] - way.came_s[number])
            by = by_corner[number] + part * by_turn[number]
            rows.append((t_s, way.corner_m[number], heading[number] + part * turn[number], place, by))
        if number < count - 1:
            further = np.roll(place, 2, axis=1)
            pieces = int(np.ceil(np.hypot(*step[number]) / step_m))
            for part in np.arange(1, pieces) / max(pieces, 1):
                t_s = way.left_s[number] + part * (way.came_s[number + 1] - way.left_s[number])
                at = way.corner_m[number] + part * step[number]
                moved = (1 - part) * place + part * further
                rows.append((t_s, at, heading[number + 1], moved, by_corner[number + 1]))
    return Steps(*(np.array([row[column] for row in rows]) for column in range(5)))
