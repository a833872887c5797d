"""How far points of the plan move when the camera is not quite what the fit says."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.camera.model import CameraFit

FloatArray = NDArray[np.float64]


def independent_steps(covariance: ArrayLike) -> FloatArray:
    """Return by how much P correlated values change together, by one standard uncertainty each: (P, P), one per row.

    The rows lie along the principal directions of `covariance` (P, P), in which nothing is correlated: effects of the
    rows add in squares, which is JCGM 100:2008, 5.2, without its cross terms.
    """
    variances, directions = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    return np.asarray((np.sqrt(np.maximum(variances, 0.0)) * directions).T)


def plan_moves_m(fit: CameraFit, covariance: ArrayLike, points_m: ArrayLike, height_m: float) -> FloatArray:
    """Return how far floor points (N, 2) at `height_m` move, by one standard uncertainty each: (K, N, 2) metres.

    `covariance` is the fit's or one of its causes'. One move per independent step of the camera's parameters that
    moves the plan at all: effects add in squares.
    """
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    pixels = fit.camera.project(np.column_stack([points, np.full(len(points), height_m)]))
    moves = []
    for step in independent_steps(covariance):
        if not step.any():
            continue
        there, back = (fit.with_parameters(fit.parameters + sign * step) for sign in (1, -1))
        moves.append((there.lift(pixels, height_m) - back.lift(pixels, height_m)) / 2)
    return np.asarray(moves).reshape(-1, len(points), 2)


def bar_height_moves_m(fit: CameraFit, points_m: ArrayLike, bar_height_m: float, u_m: float) -> FloatArray:
    """Return how far floor points (N, 2) move if the bar is higher by `u_m`: (N, 2) metres.

    Relief displacement: towards the camera's foot, by the distance from it over the camera's height above the bar.
    """
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    foot, above_m = fit.camera.centre_m[:2], float(fit.camera.centre_m[2]) - bar_height_m
    return np.asarray((foot - points) * (u_m / above_m))
