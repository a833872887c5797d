"""Fit the camera to the markers: least squares on reprojection, with everything else that is known as priors.

Gauss-Markov estimate with whitened residuals; a moved marker is found by leaving each out in turn (Cook &
Weisberg, Residuals and Influence in Regression, 1982, chapter 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.camera.doubt import plan_moves_m
from coverage_lab.camera.markers import FoundMarker
from coverage_lab.camera.model import Camera, CameraFit, Lens, MarkerResidual
from coverage_lab.camera.places import Place, match_places
from coverage_lab.camera.solve import LENS, POSE, Prior, Solution, covariance_by_cause, left_out, solve
from coverage_lab.errors import BadInput, Problem, Refused
from coverage_lab.job import PickedCorner, Quality
from coverage_lab.room.room import Marker

FloatArray = NDArray[np.float64]

_U_K1, _U_K2 = 0.3, 0.05  # about zero; ordinary lenses without a lens file
_U_CENTRE = 0.01  # principal point about the picture's centre, in picture widths
_GUESS_35MM, _U_GUESS = 24.0, 0.3  # focal length where nothing at all is known of it
_HEIGHT_TOLERANCE_M = 0.02  # where the tape height comes without one
_FINEST_TAPE_M = 0.001
_MOVED = 16.3  # chi-square with 3 degrees of freedom (shift and turn): 1 in 1000
TAPE_OFF = 10.8  # chi-square with 1 degree of freedom: 1 in 1000
_ENOUGH_TO_NAME = 6  # markers; with fewer, a moved one can be noticed but not named
_WORST_RMS_MM = 25.0
UNCERTAIN_M = 0.005


@dataclass(frozen=True, slots=True)
class FittedCamera:
    """A camera fit and what a reviewer should know of it."""

    fit: CameraFit
    quality: tuple[Quality, ...]


def focal_prior_px(focal_length_35mm: float, image_size: tuple[int, int]) -> tuple[float, float]:
    """Return the focal length in px and its uncertainty from the EXIF 35 mm equivalent.

    The equivalent is by the picture's diagonal (CIPA DCG-001), rounded by the camera and for focus at
    infinity: ± 5 %.
    """
    focal_px = focal_length_35mm / float(np.hypot(36, 24)) * float(np.hypot(*image_size))
    return focal_px, 0.05 * focal_px


def fit_camera(
    found: Sequence[FoundMarker],
    markers: Sequence[Marker],
    image_size: tuple[int, int],
    *,
    lens: Lens | None = None,
    focal_px_prior: tuple[float, float] | None = None,
    height_m: float | None = None,
    height_tolerance_m: float | None = None,
    corners: Sequence[PickedCorner] = (),
) -> FittedCamera:
    """Fit the pose and, without a lens file, focal length, principal point, k1 and k2.

    `height_m` is the tape height and `height_tolerance_m` the half-width of its rectangle; `focal_px_prior`
    is a value and its standard uncertainty. Raises Refused if too few markers are seen, lie on one line, or
    do not fit the room; BadInput if the room has too few or the lens file is for another picture size.
    """
    if lens is not None and tuple(lens.image_size) != tuple(image_size):
        (width, height), (ours, tall) = lens.image_size, image_size
        wrong = f"is for pictures of {width} × {height} pixels, not {ours} × {tall}"
        raise BadInput(Problem(None, "lens", wrong, "Calibrate at this size, or leave the lens file out"))
    places, remarks = match_places(found, markers, corners)
    tape = _tape_prior(height_m, height_tolerance_m)
    start, priors = _start(places, image_size, lens, focal_px_prior, height_m)
    names = POSE if lens is not None else POSE + LENS
    fit, moved, solution = _without_moved(places, names, start, (*tape, *priors), bool(tape))
    if fit.rms_mm > _WORST_RMS_MM:
        raise _misfit(f"miss their places in the room file by {fit.rms_mm:.0f} mm (root mean square)")
    remarks += moved
    focal_known = lens is not None or focal_px_prior is not None
    if tape and focal_known:  # else the tape is all that tells the height, and nothing can check it
        remarks += _tape_remark(solution, len(fit.residuals))
    if not tape and not focal_known and len(set(_heights_m(places))) == 1:
        text = "focal length and camera height cannot be told apart: give the tape height (camera.height_mm)"
        remarks += (Quality("camera-uncertain", "warning", text),)
    return FittedCamera(fit, remarks)


def plan_uncertainty_m(fit: CameraFit, points_m: ArrayLike, height_m: float) -> FloatArray:
    """Return the standard uncertainty (N,), both axes together, of the plan at floor points (N, 2)."""
    moves_m = plan_moves_m(fit, fit.covariance, points_m, height_m)
    return np.asarray(np.sqrt((moves_m**2).sum(axis=(0, 2))))


def uncertain_plan(fit: CameraFit, points_m: ArrayLike, height_m: float) -> Quality | None:
    """Return a remark if the plan at `height_m` is known worse than 5 mm at a floor point (N, 2)."""
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    u = plan_uncertainty_m(fit, points, height_m)
    worst = int(np.argmax(u))
    if u[worst] <= UNCERTAIN_M:
        return None
    x, y = points[worst]
    text = (
        f"the plan is uncertain by {u[worst] * 1000:.0f} mm at x = {x:.2f} m, y = {y:.2f} m: "
        "add markers there, a tape height or a lens file"
    )
    return Quality("camera-uncertain", "warning", text)


def _misfit(how: str) -> Refused:
    mend = "Look for markers exchanged or moved, a wrong side_m or a wrong lens file"
    return Refused(Problem(None, "reference", f"the markers {how}", mend), "marker-moved")


def _heights_m(places: Sequence[Place]) -> list[float]:
    return [float(height) for place in places for height in place.points_m[:, 2]]


def _tape_prior(height_m: float | None, tolerance_m: float | None) -> tuple[Prior, ...]:
    if height_m is None:
        return ()
    u = tape_tolerance_m(tolerance_m) / np.sqrt(3)
    return (Prior(lambda camera: float(camera.centre_m[2]), height_m, float(u)),)


def tape_tolerance_m(stated_m: float | None) -> float:
    """Return by how much a tape height may be off, the half-width of a rectangle; `stated_m` if it says so."""
    return _HEIGHT_TOLERANCE_M if stated_m is None else max(stated_m, _FINEST_TAPE_M)


def _start(
    places: Sequence[Place],
    image_size: tuple[int, int],
    lens: Lens | None,
    focal_px_prior: tuple[float, float] | None,
    height_m: float | None,
) -> tuple[Camera, tuple[Prior, ...]]:
    """Return a camera looking straight down that roughly fits, and the priors on its lens."""
    plan = np.concatenate([place.points_m[:, :2] for place in places])
    pixels = np.concatenate([place.pixels for place in places])
    design = np.column_stack([plan, np.ones(len(plan))])
    affine = np.linalg.lstsq(design, pixels, rcond=None)[0]  # (3, 2)
    scale = float(np.sqrt(abs(np.linalg.det(affine[:2]))))
    priors: tuple[Prior, ...] = ()
    if lens is None:
        lens, priors = _guessed_lens(image_size, focal_px_prior, height_m, scale)
    focal = float(lens.matrix[0, 0])
    # Seen from above, east and north turn into right and up: the nearest such turn to the affine's.
    turn = np.arctan2(affine[0, 1] + affine[1, 0], affine[0, 0] - affine[1, 1])
    cos, sin = np.cos(turn), np.sin(turn)
    rotation = np.array([[cos, sin, 0], [sin, -cos, 0], [0, 0, -1]])
    depth = focal / scale
    middle = plan.mean(axis=0)
    ray = (pixels.mean(axis=0) - lens.matrix[:2, 2]) / focal * depth
    translation = np.array([*ray, depth]) - rotation @ np.array([*middle, 0.0])
    return Camera(lens, rotation, translation), priors


def _guessed_lens(
    image_size: tuple[int, int],
    focal_px_prior: tuple[float, float] | None,
    height_m: float | None,
    scale: float,
) -> tuple[Lens, tuple[Prior, ...]]:
    width, height = image_size
    centre = ((width - 1) / 2, (height - 1) / 2)
    if focal_px_prior is None and height_m is None:
        guess = focal_prior_px(_GUESS_35MM, image_size)[0]
        focal_px_prior = (guess, _U_GUESS * guess)
    focal = focal_px_prior[0] if focal_px_prior is not None else (height_m or 0.0) * scale
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    priors = [
        Prior(lambda camera: float(camera.lens.matrix[0, 2]), centre[0], _U_CENTRE * width),
        Prior(lambda camera: float(camera.lens.matrix[1, 2]), centre[1], _U_CENTRE * width),
        Prior(lambda camera: float(camera.lens.distortion[0]), 0.0, _U_K1),
        Prior(lambda camera: float(camera.lens.distortion[1]), 0.0, _U_K2),
    ]
    if focal_px_prior is not None:
        priors.append(Prior(lambda camera: float(camera.lens.matrix[0, 0]), *focal_px_prior))
    return Lens(image_size, matrix, np.zeros(5)), tuple(priors)


def _without_moved(
    places: Sequence[Place],
    names: tuple[str, ...],
    start: Camera,
    priors: Sequence[Prior],
    taped: bool,
) -> tuple[CameraFit, tuple[Quality, ...], Solution]:
    """Fit, and leave out markers that lie elsewhere than the room file says while enough others show it."""
    kept, dropped, quality = list(places), [], []
    while True:
        solution = solve(kept, names, start, priors)
        tests = [left_out(solution, index) for index in range(len(kept))]
        worst = int(np.argmax([chi_square for _, chi_square in tests]))
        move, chi_square = tests[worst]
        if chi_square <= _MOVED or len(kept) < _ENOUGH_TO_NAME:
            break
        place = kept.pop(worst)
        dropped.append(place.name)
        off_mm = float(np.hypot(*move[:2])) * 1000
        text = f"{place.name} lies {off_mm:.0f} mm from where the others put it: left out"
        quality.append(Quality("marker-moved", "warning", text))
    widen = 1.0
    if chi_square > _MOVED:
        widen = chi_square / len(move)
        text = "the markers do not fit together: one lies elsewhere, but they are too few to say which"
        quality.append(Quality("marker-moved", "warning", text))
    return _camera_fit(solution, kept, names, widen, tuple(dropped), taped), tuple(quality), solution


def _camera_fit(
    solution: Solution,
    places: Sequence[Place],
    names: tuple[str, ...],
    widen: float,
    dropped: tuple[str, ...],
    taped: bool,
) -> CameraFit:
    camera = solution.camera
    if camera.centre_m[2] <= max(_heights_m(places)):
        raise _misfit("do not fit the room file from any place above them")
    off_px, off_mm = [], []
    for place in places:
        off_px.append(((camera.project(place.points_m) - place.pixels) ** 2).sum(axis=1))
        seen_m = camera.lift(place.pixels, float(place.points_m[0, 2]))
        off_mm.append(((seen_m - place.points_m[:, :2]) ** 2).sum(axis=1) * 1e6)
    residuals = tuple(
        MarkerResidual(place.name, float(np.sqrt(px.mean())), float(np.sqrt(mm.mean())))
        for place, px, mm in zip(places, off_px, off_mm, strict=True)
    )
    causes = covariance_by_cause(solution, places, len(places) if taped else None)
    causes = {name: part * widen for name, part in causes.items()}
    return CameraFit(
        camera=camera,
        names=names,
        parameters=solution.parameters[:-1],
        covariance=np.asarray(sum(causes.values())),
        residuals=residuals,
        rms_px=float(np.sqrt(np.concatenate(off_px).mean())),
        rms_mm=float(np.sqrt(np.concatenate(off_mm).mean())),
        dropped=dropped,
        causes=causes,
    )


def _tape_remark(solution: Solution, tape_row: int) -> tuple[Quality, ...]:
    move, chi_square = left_out(solution, tape_row)
    if chi_square <= TAPE_OFF:
        return ()
    text = f"the tape height is {move[0] * 1000:+.0f} mm off the height that the markers give"
    return (Quality("camera-uncertain", "warning", text),)
