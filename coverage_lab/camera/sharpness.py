"""How sharp a lights-on frame is: the response to the straight edges of its markers.

After ISO 12233 (slanted edge): pixels beside an edge, put in order by their distance from it, give the edge spread
function finer than the pixels are. Here the spread is taken for that of a Gaussian, as everywhere in this package, and
its standard deviation is fitted; a Gaussian of σ px halves contrast at 0.1874 / σ cycles per pixel.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from coverage_lab.camera.markers import FoundMarker, marker_dictionary

FloatArray = NDArray[np.float64]

_ENDS_LEFT_OUT = 0.12  # of an edge, each side: there its neighbour's blur is felt
_REACH = 0.9  # of a module to each side of the edge: the border, and the margin at least, are one module wide
_NEIGHBOUR, _TELLS = 2.5, 1.3  # blurs: so far what lies beyond the border is kept, but so far the edge is looked at
_LEAST_REACH_PX = 2.0
_ROUNDS = 3
_BIN_PX = 0.25  # ISO 12233: four bins to a pixel
_FEWEST_BINS = 8
_SIGMAS_PX = np.geomspace(0.2, 8.0, 120)
_MTF50_SIGMA = float(np.sqrt(np.log(2) / 2) / np.pi)  # cycles per pixel times σ


@dataclass(frozen=True, slots=True)
class Sharpness:
    """The blur of a frame at one marker, all that blurs in it: lens, sensor and the pixel's own size."""

    name: str
    blur_px: float  # standard deviation of the edge's spread

    @property
    def mtf50(self) -> float:
        """Cycles per pixel at which contrast has fallen to a half."""
        return _MTF50_SIGMA / self.blur_px


def marker_sharpness(light: NDArray[np.uint16], found: Iterable[FoundMarker]) -> tuple[Sharpness, ...]:
    """Return the blur at each of the markers `found` in linear light (H, W); markers too small to tell are left out."""
    measured = []
    for marker in found:
        modules = marker_dictionary(marker.dictionary).markerSize + 2
        blur_px = _blur_px(light, marker.corners_px, modules)
        if blur_px is not None:
            measured.append(Sharpness(marker.name, blur_px))
    return tuple(measured)


def usual_blur_px(measured: Sequence[Sharpness]) -> float | None:
    """Return the median blur over the markers; None where none tells."""
    return float(np.median([one.blur_px for one in measured])) if measured else None


def _blur_px(light: NDArray[np.uint16], corners_px: FloatArray, modules: int) -> float | None:
    """Return the median blur of the four edges of a marker; first roughly, then away from what else blurs into them."""
    sides = list(zip(corners_px, np.roll(corners_px, -1, axis=0), strict=True))
    module_px = float(np.median([np.hypot(*(end - start)) for start, end in sides])) / modules
    reach_px, blur_px = _REACH * module_px, None
    for _ in range(_ROUNDS):
        if reach_px < _LEAST_REACH_PX:
            return blur_px
        found = [_fitted(*_binned(*_beside(light, *ends, reach_px))) for ends in sides]
        sigmas = [sigma for sigma in found if sigma is not None]
        if not sigmas:
            return blur_px
        blur_px = float(np.median(sigmas))
        reach_px = float(np.clip(module_px - _NEIGHBOUR * blur_px, _TELLS * blur_px, _REACH * module_px))
    return blur_px


def _beside(
    light: NDArray[np.uint16], start: FloatArray, end: FloatArray, reach: float
) -> tuple[FloatArray, FloatArray]:
    """Return the pixels beside the edge from `start` to `end`: how far outside it (N,), and their light (N,)."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    outward = np.array([along[1], -along[0]])  # corners run clockwise in the picture
    box = np.array([start, end])
    low = np.maximum(np.floor(box.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(box.max(axis=0) + reach) + 1, light.shape[::-1]).astype(int)
    row, col = np.mgrid[low[1] : high[1], low[0] : high[0]]
    from_start = np.stack([col.ravel(), row.ravel()], axis=-1) - start
    place, outside = from_start @ along / length, from_start @ outward
    near = (place > _ENDS_LEFT_OUT) & (place < 1 - _ENDS_LEFT_OUT) & (np.abs(outside) < reach)
    return outside[near], light[low[1] : high[1], low[0] : high[0]].ravel()[near].astype(np.float64)


def _binned(outside: FloatArray, light: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the edge spread function: mean distance and mean light of each quarter of a pixel that has pixels."""
    number = np.floor((outside - outside.min(initial=0.0)) / _BIN_PX).astype(np.intp)
    count = np.bincount(number)
    some = count > 0
    return tuple(np.bincount(number, values)[some] / count[some] for values in (outside, light))  # type: ignore[return-value]


def _fitted(outside: FloatArray, light: FloatArray) -> float | None:
    """Return the standard deviation of the Gaussian whose edge fits best; black and white levels are free."""
    if len(outside) < _FEWEST_BINS:
        return None
    shapes = ndtr(outside / _SIGMAS_PX[:, None])  # (S, N)
    mean = light.mean()
    above = shapes - shapes.mean(axis=1, keepdims=True)
    slope = above @ (light - mean) / (above**2).sum(axis=1)
    misfit = ((light - mean - slope[:, None] * above) ** 2).sum(axis=1)
    best = int(misfit.argmin())
    if slope[best] <= 0 or not 0 < best < len(_SIGMAS_PX) - 1:
        return None
    logs = np.log(_SIGMAS_PX[best - 1 : best + 2])
    curve = np.polyfit(logs, misfit[best - 1 : best + 2], 2)
    return float(np.exp(np.clip(-curve[1] / (2 * curve[0]), logs[0], logs[2])))
