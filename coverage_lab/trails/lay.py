"""A way through one frame, laid on the frame's light.

A way that was followed is known to a centimetre or two; light tells it to a millimetre or two. So the way is taken as
poses an eighth of a second apart, and they and the times between them are moved until the light that they would leave
is that which the frame shows: by least squares, from a blurred picture to the sharp one.

Source: steps as by K. Levenberg, Quarterly of Applied Mathematics 2 (1944) 164-168, and D. Marquardt, SIAM Journal 11
(1963) 431-441; Cauchy's loss by weights anew at each step as in P. J. Huber, Robust Statistics (1981); the inverse of
the normal equations' matrix is the covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, diags, hstack
from scipy.sparse.linalg import splu

from coverage_lab.job import Bar
from coverage_lab.trails.frame_light import Picture, coarser
from coverage_lab.trails.glow import Line, glow
from coverage_lab.trails.habits import habits_of

FloatArray = NDArray[np.float64]
Plane = NDArray[np.float32]

NODE_S = 0.13  # between two poses
FEWEST = 4  # steps
STAGES = ((0.025, 8), (0.012, 8), (0.0, 12))  # blur (metres) beside the picture's own, and steps at the most
LIGHT_U = 0.08  # of the logarithm of 1 + passes; what is farther off counts for less and less
ALIKE = 3.0  # cells are off together
DARK = 0.02  # passes
BLUR_U = 0.15  # of the logarithm of the picture's blur
OPTICS_M, TUBE_BLUR_M = 0.005, 0.004  # blur by lens, pixels and cells; the picture's own for want of a comb
MOST_M, MOST_RAD, MOST_LOG = 0.03, float(np.deg2rad(15)), 0.7  # in one step
SETTLED = 1e-4  # of the cost: less is no gain
DAMPED_FIRST, DAMPED_LEAST, DAMPED_MOST = 1e-3, 1e-6, 1e3
STEADY_RAD = float(np.deg2rad(1))
PATCH_M = 0.03  # side of a square over which a way must explain the light


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A way as it fits its frame."""

    poses: FloatArray  # (n, 3)
    dwell_s: FloatArray  # (n - 1,) from one to the next
    gain: float  # light shown over light that the bar should have left
    cost: float  # of the light that is off, in squares of its uncertainty
    off: float  # root mean square of the logarithm of what is off
    worst: float  # mean of that over the worst patch
    covariance: FloatArray  # (n, 3, 3) of each pose

    @property
    def way_m(self) -> float:
        """How far the turning centre drove."""
        step = np.diff(self.poses[:, :2], axis=0)
        return float(np.hypot(step[:, 0], step[:, 1]).sum())

    @property
    def turned_rad(self) -> float:
        """By how much it turned, either way; less than `STEADY_RAD` from one pose to the next is none."""
        turn = np.abs(np.diff(self.poses[:, 2]))
        return float(turn[turn > STEADY_RAD].sum())


@dataclass(frozen=True, slots=True, eq=False)
class _Guess:
    """A way on the way to be laid, with the picture's gain and blur."""

    poses: FloatArray
    dwell_s: FloatArray
    log_gain: float
    log_blur: float

    def moved(self, step: FloatArray) -> _Guess:
        """Return it with all parameters moved by a step (4 n + 1,), or by as much of that as is safe."""
        count = len(self.poses)
        move, times = step[: 3 * count].reshape(-1, 3), step[3 * count :]
        most = max(np.abs(move[:, :2]).max() / MOST_M, np.abs(move[:, 2]).max() / MOST_RAD)
        far = max(1.0, float(most), float(np.abs(times).max()) / MOST_LOG)
        dwell_s = self.dwell_s * np.exp(times[: count - 1] / far)
        return _Guess(
            self.poses + move / far, dwell_s, self.log_gain + times[-1] / far, self.log_blur + times[-2] / far
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """What a way is laid on."""

    picture: Picture
    line: Line
    pace_u: float  # of the line's pace, relative
    begun: _Guess
    extra_m: float = 0.0  # blur beside the picture's own

    def equations(self, guess: _Guess) -> tuple[csr_matrix, FloatArray, float]:
        """Return the normal equations' matrix and right side at a guess, and what it costs."""
        count = len(guess.poses)
        left, slope, by = self.light(guess)
        weight = 1 / (1 + (left / LIGHT_U) ** 2) / LIGHT_U**2 / ALIKE
        rows = np.flatnonzero(slope)
        by = diags(slope[rows]) @ by[rows]
        weighed = by.multiply(weight[rows][:, None])
        habits = habits_of(
            guess.poses, guess.dwell_s, (self.begun.poses, self.begun.dwell_s), self.picture.open_s, 4 * count + 1
        )
        habits.keep_pace(guess.poses, self.line.pace, self.picture.open_s, self.pace_u)
        habits.add(guess.log_blur - self.begun.log_blur, BLUR_U, [(4 * count - 1, 1.0)])
        habits.add(guess.log_gain, self.pace_u, [(4 * count, 1.0)])
        matrix, right, cost = habits.equations()
        return by.T @ weighed + matrix, weighed.T @ left[rows] + right, cost_of(left) + cost

    def light(self, guess: _Guess) -> tuple[FloatArray, FloatArray, csr_matrix]:
        """Return the logarithm of light shown over light left, (cells,), its slope, and how light moves with a way.

        Where light is burnt, less light than the way would leave is none too little.
        """
        picture, blur_m = self.picture, np.exp(guess.log_blur)
        whole_m = float(np.hypot(blur_m, self.extra_m))
        passes, by = glow(guess.poses, guess.dwell_s, self.line, whole_m, picture.cells)
        shown = self._shown()
        gain = np.exp(guess.log_gain)
        left = np.where(picture.told.ravel(), np.log1p(shown) - np.log1p(gain * passes), 0.0)
        left[picture.burnt.ravel() & (left < 0)] = 0.0
        left[(gain * passes < DARK) & (shown < DARK)] = 0.0
        by = by @ diags(np.append(np.ones(by.shape[1] - 1), (blur_m / whole_m) ** 2))
        slope = np.where(left == 0, 0.0, gain / (1 + gain * passes))
        return left, slope, hstack([by, csr_matrix(passes[:, None])]).tocsr()

    def _shown(self) -> FloatArray:
        passes, sigma = self.picture.passes, self.extra_m / self.picture.cells.cell_m
        blurred = cv2.GaussianBlur(passes, (0, 0), sigma) if sigma else passes
        return np.maximum(blurred, 0).astype(float).ravel()


def cost_of(left: FloatArray) -> float:
    """Return what light costs that is off by so much, (cells,)."""
    return float(np.log1p((left / LIGHT_U) ** 2).sum()) / ALIKE


def nodes(way: FloatArray, when: FloatArray, open_s: float) -> tuple[FloatArray, FloatArray]:
    """Return poses (n, 3) evenly in time on a way (N, 3), passed at `when` (N,) of 0 to 1, and their times (n - 1,)."""
    count = max(FEWEST, round(open_s / NODE_S))
    later = np.concatenate([[True], np.diff(when) > 0])
    at = np.linspace(0, 1, count + 1)
    columns = [np.interp(at, when[later], values[later]) for values in (*way[:, :2].T, np.unwrap(way[:, 2]))]
    return np.column_stack(columns), np.full(count, open_s / count)


def blur_of(bar: Bar) -> float:
    """Return how wide the picture of a bar is blurred, as a standard deviation in metres."""
    return float(np.hypot(bar.pitch_m / 2 if bar.pitch_m else TUBE_BLUR_M, OPTICS_M))


def lay(picture: Picture, way: tuple[FloatArray, FloatArray], line: Line, blur_m: float, pace_u: float) -> Laid:
    """Return a way as it fits a frame.

    way : poses (n, 3) and times (n - 1,), as `nodes` gives them; pace_u : relative standard uncertainty of the line's
    pace, by which light and time tell how far the robot drove and turned.
    """
    begun = _Guess(*way, 0.0, float(np.log(blur_m)))
    wide, guess = coarser(picture), begun
    for extra_m, rounds in STAGES:
        fit = _Fit(wide if extra_m else picture, line, pace_u, begun, extra_m)
        guess = _descended(fit, guess, rounds)
    sharp = _Fit(picture, line, pace_u, begun)
    matrix, _, _ = sharp.equations(guess)
    at = 3 * np.arange(len(guess.poses))[:, None] + np.arange(3)
    inverse = splu(matrix.tocsc()).solve(np.eye(matrix.shape[0]))
    left, _, _ = sharp.light(guess)
    lit = left != 0
    return Laid(
        guess.poses,
        guess.dwell_s,
        float(np.exp(guess.log_gain)),
        cost_of(left),
        float(np.sqrt((left[lit] ** 2).mean())) if lit.any() else float("inf"),
        _worst(left.reshape(picture.passes.shape), picture.cells.cell_m),
        inverse[at[:, :, None], at[:, None, :]],
    )


def _descended(fit: _Fit, guess: _Guess, rounds: int) -> _Guess:
    """Return the guess after steps downhill."""
    damped = DAMPED_FIRST
    matrix, right, cost = fit.equations(guess)
    for _ in range(rounds):
        step = splu((matrix + damped * diags(matrix.diagonal())).tocsc()).solve(right)
        moved = guess.moved(step)
        equations = fit.equations(moved)
        if equations[2] >= cost:
            damped *= 10
            if damped > DAMPED_MOST:
                break
            continue
        settled = cost - equations[2] < SETTLED * cost
        guess, (matrix, right, cost), damped = moved, equations, max(damped / 5, DAMPED_LEAST)
        if settled:
            break
    return guess


def _worst(left: FloatArray, cell_m: float) -> float:
    """Return the mean of what is off over the worst patch of cells that tell something."""
    side = round(PATCH_M / cell_m) | 1
    sums, told = (cv2.blur(plane.astype(np.float32), (side, side)) for plane in (left, left != 0))
    return float(np.max(np.abs(sums) / np.maximum(told, 0.5), initial=0.0, where=told > 0.5))
