"""The least squares behind the camera fit: whitened residuals, the minimum, and the test of a part left out.

A corner's error has three parts: noise in the picture, the marker lying off its place as a whole (shift and
turn, from its placement tolerance), and one spread common to all markers, by which a tone curve or ink moves
every black edge outward or inward.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.model import Camera, camera_of
from coverage_lab.camera.places import Place

FloatArray = NDArray[np.float64]

POSE = ("rx", "ry", "rz", "tx", "ty", "tz")
LENS = ("f", "cx", "cy", "k1", "k2")
_U_SPREAD_PX = 0.3  # common outward shift of marker corners


@dataclass(frozen=True, slots=True)
class Prior:
    """Something known of the camera before looking at the picture: `of(camera)` is `value` ± `u`."""

    of: Callable[[Camera], float]
    value: float
    u: float


@dataclass(frozen=True, slots=True)
class Solution:
    """The least-squares minimum: `rows[i]` are place i's whitened residuals and their derivatives."""

    camera: Camera
    parameters: FloatArray  # (P + 1,), the last is the common spread in px
    rows: tuple[tuple[FloatArray, FloatArray], ...]  # per place, then per prior: (n,), (n, P + 1)
    moves: tuple[FloatArray, ...]  # per place, then per prior: whitened effect (n, M) of moving it

    @property
    def information(self) -> FloatArray:
        """The normal matrix (P + 1, P + 1)."""
        return np.asarray(sum(slope.T @ slope for _, slope in self.rows))


def solve(places: Sequence[Place], names: tuple[str, ...], start: Camera, priors: Sequence[Prior]) -> Solution:
    """Find the least-squares camera, and with it the weights: a marker's shift weighs by its scale."""
    from scipy.optimize import least_squares

    camera, parameters = start, np.append(_parameters(start, names), 0.0)
    for _ in range(2):
        moves = [place.moves(camera) for place in places]
        whiteners = [place.whitener(move) for place, move in zip(places, moves, strict=True)]

        def residuals(x: FloatArray, whiteners: list[FloatArray] = whiteners) -> FloatArray:
            trial = camera_of(start.lens, names, x[:-1])
            return np.concatenate(_rows(places, whiteners, priors, trial, float(x[-1])))

        best = least_squares(residuals, parameters, jac="3-point", x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12)
        parameters = best.x
        camera = camera_of(start.lens, names, parameters[:-1])
    sizes = np.cumsum([place.pixels.size for place in places] + [1] * (len(priors) + 1))[:-1]
    rows = tuple(zip(np.split(best.fun, sizes), np.split(best.jac, sizes), strict=True))
    effects = [
        whitener @ (move if len(place.pixels) > 1 else move[:, :2])  # a single point has no turn
        for place, whitener, move in zip(places, whiteners, moves, strict=True)
    ]
    effects += [np.array([[1 / prior.u]]) for prior in priors]
    return Solution(camera, parameters, rows, tuple(effects))


def _rows(
    places: Sequence[Place],
    whiteners: Sequence[FloatArray],
    priors: Sequence[Prior],
    camera: Camera,
    spread_px: float,
) -> list[FloatArray]:
    """Return the whitened residuals, an array per place, per prior and for the common spread."""
    pixels = np.split(
        camera.project(np.concatenate([place.points_m for place in places])),
        np.cumsum([len(place.pixels) for place in places])[:-1],
    )
    rows = [
        whitener @ (projected + spread_px * place.outward - place.pixels).ravel()
        for place, whitener, projected in zip(places, whiteners, pixels, strict=True)
    ]
    rows += [np.array([(prior.of(camera) - prior.value) / prior.u]) for prior in priors]
    return [*rows, np.array([spread_px / _U_SPREAD_PX])]


def _parameters(camera: Camera, names: tuple[str, ...]) -> FloatArray:
    turn, _ = cv2.Rodrigues(camera.rotation)
    matrix, distortion = camera.lens.matrix, camera.lens.distortion
    values = dict(zip(POSE, (*turn.ravel(), *camera.translation_m), strict=True))
    values |= dict(zip(LENS, (matrix[0, 0], matrix[0, 2], matrix[1, 2], *distortion[:2]), strict=True))
    return np.array([values[name] for name in names])


def covariance_by_cause(solution: Solution, places: Sequence[Place], tape_row: int | None) -> dict[str, FloatArray]:
    """Return the covariance of the camera's parameters, (P, P) each, as it comes from each cause; they add up.

    "markers": where they lie in the room; "tape": the measured height; "camera": all the rest, which is noise in the
    picture and what is assumed of the lens. The common spread is not the camera's: leaving its row and column out of
    the inverse integrates over it.
    """
    whole = np.linalg.inv(solution.information)
    causes = {"markers": np.zeros_like(whole), "tape": np.zeros_like(whole)}
    for place, (_, slope), moves in zip(places, solution.rows, solution.moves, strict=False):
        size = np.array([place.u_shift_m, place.u_shift_m, place.u_turn])[: moves.shape[1]]
        effect = whole @ slope.T @ (moves * size)
        causes["markers"] += effect @ effect.T
    if tape_row is not None:
        effect = whole @ solution.rows[tape_row][1].T
        causes["tape"] += effect @ effect.T
    causes["camera"] = whole - causes["markers"] - causes["tape"]
    return {name: part[:-1, :-1] for name, part in causes.items()}


def left_out(solution: Solution, index: int) -> tuple[FloatArray, float]:
    """Return how far a place (or prior) lies from where all the rest puts it, and the chi-square of that.

    A marker's move is east and north in metres and a turn in radians (3,), a picked corner's (2,), a prior's
    its own quantity (1,); the chi-square has as many degrees of freedom. Linearised at the minimum (Cook &
    Weisberg, Residuals and Influence in Regression, 1982, chapter 2).
    """
    residual, slope = solution.rows[index]
    moves = solution.moves[index]
    covariance = np.linalg.inv(solution.information - slope.T @ slope)
    predicted = residual + slope @ (covariance @ (slope.T @ residual))
    weight = np.linalg.inv(np.eye(len(residual)) + slope @ covariance @ slope.T)
    normal = moves.T @ weight @ moves
    move = -np.linalg.solve(normal, moves.T @ weight @ predicted)
    return np.asarray(move), float(move @ normal @ move)
