"""How robots move: what is usual from one pose to the next, as residuals of a way and their derivatives.

A robot slips sideways by little; most of the time it keeps its speed and its rate of turning, and now and then it
changes them at once. What does not fit counts for less and less there (Cauchy's loss), so that a sharp corner stays
sharp.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix

from coverage_lab.room.track import Pace

FloatArray = NDArray[np.float64]
Numbers = NDArray[np.intp]
Derivatives = Sequence[tuple[ArrayLike, ArrayLike]]  # number of a parameter, derivative by it

ASIDE_U_M = 0.0015  # that a robot slips sideways from one pose to the next
SPEED_U_M, BEND_U_RAD = 0.004, float(np.deg2rad(3))  # by which a step differs from the one before, most of the time
PAUSE_U = 0.5  # of the logarithm of a time from one pose to the next
EXPOSURE_U_S = 0.05  # cameras mark exposure times in steps
PACE_U_S = 0.1  # of the time that a way takes, beside its pace's uncertainty
STILL_M, STILL_RAD = 0.004, float(np.deg2rad(1))  # in a step
HOLD_M, HOLD_RAD = 0.15, float(np.deg2rad(120))  # from where a way was begun to be laid


@dataclass(slots=True)
class Habits:
    """Residuals over their uncertainties, row by row, with derivatives by `size` parameters."""

    size: int
    left: list[FloatArray] = field(default_factory=list)
    at_once: list[NDArray[np.bool_]] = field(default_factory=list)  # residuals that may be large now and then
    _rows: list[NDArray[np.intp]] = field(default_factory=list)
    _columns: list[NDArray[np.intp]] = field(default_factory=list)
    _values: list[FloatArray] = field(default_factory=list)
    _count: int = 0

    def add(self, left: ArrayLike, u: float, by: Derivatives, *, at_once: bool = False) -> None:
        """Add residuals (k,) of uncertainty `u`; `by` are pairs of a parameter's number and a derivative, (k,) each."""
        left = np.atleast_1d(np.asarray(left, float))
        rows = self._count + np.arange(len(left))
        for column, value in by:
            self._rows.append(rows)
            self._columns.append(np.broadcast_to(column, rows.shape))
            self._values.append(np.broadcast_to(np.asarray(value, float) / u, rows.shape))
        self.left.append(left / u)
        self.at_once.append(np.full(len(left), at_once))
        self._count += len(left)

    def keep_pace(self, poses: FloatArray, pace: Pace, open_s: float, pace_u: float) -> None:
        """Add by how much longer a way (n, 3) takes than its frame was exposed, at a pace known to `pace_u`, relative.

        Now and then a robot stands still for a while.
        """
        steps, turn, at = _Steps.of(poses), np.diff(poses[:, 2]), np.arange(len(poses) - 1)
        far_m, by_far = _size(steps.ahead, STILL_M)
        turned, by_turned = _size(turn, STILL_RAD)
        whole = np.zeros(self.size)
        for column, value in steps.by_ahead(at):
            np.add.at(whole, np.asarray(column), np.asarray(value) * by_far / pace.m_s)
        for end, sign in ((2, -1), (5, 1)):
            np.add.at(whole, 3 * at + end, sign * by_turned / pace.rad_s)
        took_s = far_m.sum() / pace.m_s + turned.sum() / pace.rad_s
        every = [(np.array([column]), whole[[column]]) for column in np.flatnonzero(whole).tolist()]
        self.add(took_s - open_s, pace_u * open_s + PACE_U_S, every, at_once=True)

    def equations(self) -> tuple[csr_matrix, FloatArray, float]:
        """Return the normal equations' matrix and right side, and what the residuals cost."""
        left, at_once = np.concatenate(self.left), np.concatenate(self.at_once)
        at = np.concatenate(self._rows), np.concatenate(self._columns)
        by = csr_matrix((np.concatenate(self._values), at), (self._count, self.size))
        weight = np.where(at_once, 1 / (1 + left**2), 1.0)
        cost = float(np.where(at_once, np.log1p(left**2), left**2).sum())
        return by.T @ by.multiply(weight[:, None]), -(by.T @ (weight * left)), cost


def habits_of(
    poses: FloatArray, dwell_s: FloatArray, begun: tuple[FloatArray, FloatArray], open_s: float, size: int
) -> Habits:
    """Return what is unusual about a way through a frame that was exposed for `open_s`.

    poses : (n, 3); dwell_s : (n - 1,), whose logarithms are parameters 3 n and following; begun : both as they were at
    first.
    """
    count, at = len(poses), np.arange(len(poses) - 1)
    found = Habits(size)
    steps = _Steps.of(poses)
    found.add(steps.aside, ASIDE_U_M, steps.by_aside(at))
    before = at[:-1]
    faster = [*steps.by_ahead(before + 1), *steps.by_ahead(before, -1)]
    found.add(np.diff(steps.ahead), SPEED_U_M, faster, at_once=True)
    bend: Derivatives = [(3 * before + 8, 1.0), (3 * before + 5, -2.0), (3 * before + 2, 1.0)]
    found.add(np.diff(poses[:, 2], n=2), BEND_U_RAD, bend, at_once=True)
    found.add(np.log(dwell_s / begun[1]), PAUSE_U, [(3 * count + at, 1.0)])
    whole = [(np.array([3 * count + one]), np.array([s])) for one, s in enumerate(dwell_s.tolist())]
    found.add(dwell_s.sum() - open_s, EXPOSURE_U_S, whole)
    for axis, u in enumerate((HOLD_M, HOLD_M, HOLD_RAD)):
        found.add(poses[:, axis] - begun[0][:, axis], u, [(3 * np.arange(count) + axis, 1.0)])
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """How far each step of a way goes ahead and aside of its mean heading, (n - 1,), with derivatives."""

    ahead: FloatArray
    aside: FloatArray
    cos: FloatArray
    sin: FloatArray

    @classmethod
    def of(cls, poses: FloatArray) -> _Steps:
        step, middle = np.diff(poses, axis=0), (poses[1:, 2] + poses[:-1, 2]) / 2
        cos, sin = np.cos(middle), np.sin(middle)
        return cls(cos * step[:, 0] + sin * step[:, 1], cos * step[:, 1] - sin * step[:, 0], cos, sin)

    def by_ahead(self, at: Numbers, sign: int = 1) -> list[tuple[ArrayLike, ArrayLike]]:
        """Derivatives of how far steps `at` go ahead, times a sign."""
        cos, sin, half = sign * self.cos[at], sign * self.sin[at], sign * self.aside[at] / 2
        return list(zip(_columns(at), (-cos, cos, -sin, sin, half, half), strict=True))

    def by_aside(self, at: Numbers) -> list[tuple[ArrayLike, ArrayLike]]:
        """Derivatives of how far steps `at` go aside."""
        cos, sin, half = self.cos[at], self.sin[at], -self.ahead[at] / 2
        return list(zip(_columns(at), (sin, -sin, -cos, cos, half, half), strict=True))


def _columns(at: Numbers) -> list[Numbers]:
    """Numbers of x, y and heading at both ends of steps `at`."""
    return [3 * at, 3 * at + 3, 3 * at + 1, 3 * at + 4, 3 * at + 2, 3 * at + 5]


def _size(value: FloatArray, still: float) -> tuple[FloatArray, FloatArray]:
    """Return how large values (k,) are, and the derivative; what is smaller than `still` hardly counts."""
    square = value**2 + still**2
    return value**2 / np.sqrt(square), value * (value**2 + 2 * still**2) / square**1.5
