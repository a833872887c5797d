"""Calibrate a lens from pictures of a flat board, and say how well it is known and what to shoot next.

Z. Zhang, A flexible new technique for camera calibration, IEEE PAMI 22 (2000), as OpenCV does it.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.model import COEFFICIENTS, Lens, LensModel
from coverage_lab.errors import Problem, Refused

FloatArray = NDArray[np.float64]

FEWEST_VIEWS = 6
_LEAST_TILT_DEG = 15.0  # between the two views that differ most: less does not tell focal length from distance
_CORNER_SHARE = 1 / 3  # of width and height: what counts as a corner of the picture
_AS_GOOD = 1.10  # a simpler model whose residual is at most this much larger is taken
_OUTLIER = 3.0  # times the usual residual of a view
_MOST_LEFT_OUT = 1 / 3  # of the views
_ODD_CORNER = 8.0  # times the usual miss of a corner
_MOST_ODD = 0.2  # of a view's corners
_SMALL_PX = 0.1  # no corner or view with a smaller residual is an outlier
_MODELS: tuple[LensModel, ...] = ("brown", "fisheye", "rational")  # the simplest first
_ENDS = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-9)


@dataclass(frozen=True, slots=True, eq=False)
class BoardView:
    """The board as one picture shows it."""

    name: str
    board: FloatArray  # (N, 2) inner corners on the board, in squares
    pixels: FloatArray  # (N, 2) where they appear


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A calibrated lens, and how well it is known."""

    lens: Lens
    views: tuple[BoardView, ...]  # those used, without odd corners
    rms_px: float  # of all corners used
    u: dict[str, float]  # standard uncertainties of fx, fy, cx, cy and the distortion, by name
    view_rms_px: dict[str, float]  # of each view used
    misses_px: dict[str, FloatArray]  # (N, 2) measured minus modelled, of each view used
    left_out: dict[str, float]  # views that do not fit the others, with their residual
    model_rms_px: dict[str, float]  # what every model that could be fitted left


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    lens: Lens
    misses_px: list[FloatArray]
    normals: list[FloatArray]

    @property
    def rms_px(self) -> float:
        return float(np.sqrt(np.mean(np.concatenate([(miss**2).sum(axis=1) for miss in self.misses_px]))))

    @property
    def views_px(self) -> list[float]:
        return [float(np.sqrt((miss**2).sum(axis=1).mean())) for miss in self.misses_px]


def calibrate(views: Sequence[BoardView], image_size: tuple[int, int], source: str = "jpeg") -> Calibration:
    """Calibrate from views of one board in pictures of `image_size` (width, height).

    The simplest model that fits as well as any is taken. Uncertainties are jackknife estimates over the pictures
    (B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans, SIAM 1982), so that what the model cannot
    follow counts too. Raises Refused with what to shoot next.
    """
    check_views(views, image_size)
    kept = list(views)
    left_out: dict[str, float] = {}
    while True:
        fits = {model: fit for model in _MODELS if (fit := _fit(kept, image_size, model, source)) is not None}
        best = min(fit.rms_px for fit in fits.values())
        model = next(name for name in _MODELS if name in fits and fits[name].rms_px <= _AS_GOOD * best)
        fit = fits[model]
        trimmed = _without_odd_corners(kept, fit)
        if trimmed is not None:
            kept = trimmed
            continue
        worst = int(np.argmax(fit.views_px))
        usual = float(np.median(fit.views_px))
        few = len(left_out) + 1 > _MOST_LEFT_OUT * len(views) or len(kept) <= FEWEST_VIEWS
        if fit.views_px[worst] <= max(_OUTLIER * usual, _SMALL_PX) or few:
            break
        left_out[kept[worst].name] = fit.views_px[worst]
        del kept[worst]
    check_views(kept, image_size)
    _check_tilts(fit.normals)
    return Calibration(
        lens=fit.lens,
        views=tuple(kept),
        rms_px=fit.rms_px,
        u=_jackknife(kept, fit.lens),
        view_rms_px={view.name: rms for view, rms in zip(kept, fit.views_px, strict=True)},
        misses_px={view.name: miss for view, miss in zip(kept, fit.misses_px, strict=True)},
        left_out=left_out,
        model_rms_px={name: one.rms_px for name, one in fits.items()},
    )


def _without_odd_corners(views: Sequence[BoardView], fit: _Fit) -> list[BoardView] | None:
    """Return the views without the corners that lie far off the model, or None if there are none.

    A marker's edge, a reflection or a shadow caught a corner by itself; the rest of its picture is sound.
    """
    usual = float(np.median(np.concatenate([np.hypot(*miss.T) for miss in fit.misses_px])))
    limit_px = max(_ODD_CORNER * usual, _SMALL_PX)
    sound = [np.hypot(*miss.T) <= limit_px for miss in fit.misses_px]
    few = [kept.mean() < 1 - _MOST_ODD for kept in sound]  # such a view is odd as a whole
    if all(kept.all() or rare for kept, rare in zip(sound, few, strict=True)):
        return None
    return [
        view if rare else BoardView(view.name, view.board[kept], view.pixels[kept])
        for view, kept, rare in zip(views, sound, few, strict=True)
    ]


def check_views(views: Sequence[BoardView], image_size: tuple[int, int]) -> None:
    """Refuse views that cannot tell the lens, with what to shoot next. Raises Refused."""
    if len(views) < FEWEST_VIEWS:
        wrong = f"{len(views)} pictures show the board; {FEWEST_VIEWS} are needed, 15 are better"
        raise _refusal(wrong, "Shoot more, each from another side, the board filling a third of the picture or more")
    empty = empty_corners(np.concatenate([view.pixels for view in views]), image_size)
    if empty:
        wrong = f"no picture shows the board in the {' and '.join(empty)} of the picture"
        raise _refusal(wrong, "Shoot some there, the board reaching as far into the corner as it can")


def empty_corners(pixels: FloatArray, image_size: tuple[int, int]) -> list[str]:
    """Return which corners of the picture no board point (N, 2) lies in."""
    share = pixels / image_size
    near = [share < _CORNER_SHARE, share > 1 - _CORNER_SHARE]
    corners = {
        f"{'lower' if down else 'upper'} {'right' if right else 'left'}": near[right][:, 0] & near[down][:, 1]
        for down in (0, 1)
        for right in (0, 1)
    }
    return [name for name, inside in corners.items() if not inside.any()]


def _check_tilts(normals: Sequence[FloatArray]) -> None:
    cosines = [abs(float(one @ other)) for one, other in combinations(normals, 2)]
    widest_deg = float(np.degrees(np.arccos(min(min(cosines), 1.0))))
    if widest_deg < _LEAST_TILT_DEG:
        wrong = f"all pictures show the board from nearly one side (within {widest_deg:.0f} degrees)"
        raise _refusal(wrong, "Tilt the board by 20 to 45 degrees, to the left, right, front and back, and shoot again")


def _refusal(wrong: str, mend: str) -> Refused:
    return Refused(Problem(None, "lens", wrong, mend))


def _fit(
    views: Sequence[BoardView], image_size: tuple[int, int], model: LensModel, source: str, start: Lens | None = None
) -> _Fit | None:
    """Fit one model, from `start` if given; None where it does not converge to a camera."""
    board = [np.column_stack([view.board, np.zeros(len(view.board))]) for view in views]
    pixels = [view.pixels for view in views]
    found: Sequence[Any]
    try:
        if model == "fisheye":
            found = _fit_fisheye(board, pixels, image_size, start)
        else:
            flags = cv2.CALIB_RATIONAL_MODEL if model == "rational" else 0
            flags |= 0 if start is None else cv2.CALIB_USE_INTRINSIC_GUESS
            found = cv2.calibrateCamera(
                [part.astype(np.float32) for part in board],
                [part.astype(np.float32).reshape(-1, 1, 2) for part in pixels],
                image_size,
                None if start is None else start.matrix.copy(),
                None if start is None else start.distortion.copy(),
                flags=flags,
                criteria=_ENDS,
            )
    except cv2.error:
        return None
    matrix, distortion, turns, shifts = found[1:]
    coefficients = np.asarray(distortion, dtype=np.float64).ravel()[: COEFFICIENTS[model]]
    lens = Lens(image_size, np.asarray(matrix, dtype=np.float64), coefficients, source, model)
    if not np.isfinite(lens.matrix).all() or not np.isfinite(coefficients).all():
        return None
    rotations = [np.asarray(cv2.Rodrigues(np.asarray(turn))[0], dtype=np.float64) for turn in turns]
    misses = [
        seen - lens.pixels(points @ rotation.T + np.asarray(shift).ravel())
        for points, seen, rotation, shift in zip(board, pixels, rotations, shifts, strict=True)
    ]
    return _Fit(lens, misses, [rotation[:, 2] for rotation in rotations])


def _fit_fisheye(
    board: Sequence[FloatArray], pixels: Sequence[FloatArray], image_size: tuple[int, int], start: Lens | None
) -> Sequence[Any]:
    """Fit the fisheye model; from too small a focal length OpenCV 5.0 finds no board before the camera and gives up."""
    width, height = image_size
    flags = cv2.CALIB_RECOMPUTE_EXTRINSIC | cv2.CALIB_FIX_SKEW | cv2.CALIB_USE_INTRINSIC_GUESS
    guesses = [np.diag([focal, focal, 1.0]) for focal in (width / np.pi, 0.5 * width, 0.7 * width)]
    for guess in guesses:
        guess[:2, 2] = (width - 1) / 2, (height - 1) / 2
    starts = [(guess, np.zeros(4)) for guess in guesses]
    if start is not None:
        starts = [(start.matrix.copy(), start.distortion.copy())]
    found = []
    for matrix, distortion in starts:
        with suppress(cv2.error):
            found.append(
                cv2.fisheye.calibrate(
                    [part.reshape(1, -1, 3) for part in board],
                    [part.reshape(1, -1, 2) for part in pixels],
                    image_size,
                    matrix,
                    distortion,
                    flags=flags,
                    criteria=_ENDS,
                )
            )
    if not found:
        raise cv2.error("no start leads to a fisheye camera")
    return min(found, key=lambda one: one[0])


def _jackknife(views: Sequence[BoardView], lens: Lens) -> dict[str, float]:
    """Return the standard uncertainty of each value from leaving each view out in turn."""
    others = [[*views[:at], *views[at + 1 :]] for at in range(len(views))]
    without = [_fit(some, lens.image_size, lens.model, lens.source, lens) for some in others]
    values = np.array([list(lens_values(fit.lens).values()) for fit in without if fit is not None])
    spread = np.sqrt((len(values) - 1) / len(values) * ((values - values.mean(axis=0)) ** 2).sum(axis=0))
    return dict(zip(lens_values(lens), spread.tolist(), strict=True))


def lens_values(lens: Lens) -> dict[str, float]:
    """Return all numbers of a lens by name."""
    names = ("k1", "k2", "k3", "k4") if lens.model == "fisheye" else ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
    matrix = {"fx": lens.matrix[0, 0], "fy": lens.matrix[1, 1], "cx": lens.matrix[0, 2], "cy": lens.matrix[1, 2]}
    found = matrix | dict(zip(names, lens.distortion, strict=False))
    return {name: float(value) for name, value in found.items()}
