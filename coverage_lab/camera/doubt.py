"""How far points of the plan move when the camera is not quite what the fit says."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.camera.model import CameraFit

FloatArray = NDArray[np.float64]


def plan_moves_m(fit: CameraFit, points_m: ArrayLike, height_m: float) -> FloatArray:
    """Return how far floor points (N, 2) at `height_m` move, by one standard uncertainty each: (P, N, 2) metres.

    One move per principal direction of the fit's covariance; the directions are independent, so effects add in
    squares (JCGM 100:2008, 5.2 by way of uncorrelated inputs).
    """
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    pixels = fit.camera.project(np.column_stack([points, np.full(len(points), height_m)]))
    variances, directions = np.linalg.eigh(fit.covariance)
    moves = []
    for variance, direction in zip(variances, directions.T, strict=True):
        step = np.sqrt(max(float(variance), 0.0)) * direction
        there, back = (fit.with_parameters(fit.parameters + sign * step) for sign in (1, -1))
        moves.append((there.lift(pixels, height_m) - back.lift(pixels, height_m)) / 2)
    return np.asarray(moves)


def bar_height_moves_m(fit: CameraFit, points_m: ArrayLike, bar_height_m: float, u_m: float) -> FloatArray:
    """Return how far floor points (N, 2) move if the bar is higher by `u_m`: (N, 2) metres.

    Relief displacement: towards the camera's foot, by the distance from it over the camera's height above the bar.
    """
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    foot, above_m = fit.camera.centre_m[:2], float(fit.camera.centre_m[2]) - bar_height_m
    return np.asarray((foot - points) * (u_m / above_m))
