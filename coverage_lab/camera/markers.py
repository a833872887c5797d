"""Find square floor markers in the lights-on frame, their corners to a small part of a pixel.

Markers are those of OpenCV's aruco module (ArUco and AprilTag dictionaries). A marker's top edge is the top
edge of the picture that `cv2.aruco.generateImageMarker` draws; it is the one from which `turn_deg` counts in
the room file. The tables published with AprilTag 36h11 have the same tags upside down.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.errors import BadInput, Problem

FloatArray = NDArray[np.float64]

_LONGEST_SIDE_PX = 4000  # a larger picture is searched reduced; corners come from the full one
_STEP_PX = 0.25  # between two samples along an edge's normal
_ENDS_LEFT_OUT = 0.12  # of an edge, each side: there its neighbour's blur is felt
_FEWEST_CROSSINGS = 0.6  # share of an edge's normals that must cross it
_ROUNDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class FoundMarker:
    """One marker as seen."""

    dictionary: str
    id: int
    corners_px: FloatArray  # (4, 2) column, row; top left, top right, bottom right, bottom left as printed

    @property
    def name(self) -> str:
        """How messages call it."""
        return f"{self.dictionary} {self.id}"


def find_markers(light: NDArray[np.uint16], dictionaries: Iterable[str]) -> tuple[FoundMarker, ...]:
    """Return all markers of the named dictionaries in a frame of linear light (H, W), by dictionary and id.

    The search looks at a tone-mapped copy. Each corner is then the crossing of two straight edges located in
    linear light: under a tone curve a blurred black square shrinks. Markers whose edges are not all seen are
    left out. Raises BadInput for a dictionary that OpenCV does not know.
    """
    shrink = -(-max(light.shape) // _LONGEST_SIDE_PX)
    picture = tone_mapped(light, shrink)
    found = []
    for name in sorted(set(dictionaries)):
        dictionary = marker_dictionary(name)
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, _detection()).detectMarkers(picture)
        for quad, marker_id in zip(corners, [] if ids is None else ids.ravel(), strict=True):
            rough = (np.asarray(quad, dtype=np.float64).reshape(4, 2) + 0.5) * shrink - 0.5
            refined = _refined(light, rough, dictionary.markerSize + 2)
            if refined is not None:
                found.append(FoundMarker(name, int(marker_id), refined))
    return tuple(sorted(found, key=lambda marker: (marker.dictionary, marker.id, marker.corners_px[0, 0])))


@cache
def known_dictionaries() -> dict[str, int]:
    """Return OpenCV's dictionaries by the names in room files, e.g. "apriltag_36h11", "aruco_4x4_50"."""
    names = {}
    for key in (key for key in dir(cv2.aruco) if key.startswith("DICT_")):
        name = key.removeprefix("DICT_").lower()
        names[name if name.startswith(("apriltag", "aruco")) else f"aruco_{name}"] = getattr(cv2.aruco, key)
    return names


def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """Return OpenCV's dictionary by its name in room files. Raises BadInput for an unknown one."""
    known = known_dictionaries()
    if name not in known:
        mend = f"Use one of {', '.join(sorted(known))}"
        raise BadInput(Problem(None, "marker dictionary", f"{name!r} is unknown", mend))
    return cv2.aruco.getPredefinedDictionary(known[name])


def _detection() -> cv2.aruco.DetectorParameters:
    """Return how to read a code: from the middle of each module, as rough corners blur modules into another."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.3
    return parameters


def tone_mapped(light: NDArray[np.uint16], shrink: int) -> NDArray[np.uint8]:
    """Return a copy for the detector: reduced, its brightest part white, shadows lifted by a root."""
    # Cropped so that a reduced pixel is a whole number of full ones each way.
    height, width = (side // shrink * shrink for side in light.shape)
    size = (width // shrink, height // shrink)
    small = cv2.resize(light[:height, :width], size, interpolation=cv2.INTER_AREA)
    white = max(float(np.percentile(small[::4, ::4], 99.5)), 1.0)
    steps = np.sqrt(np.minimum(np.arange(65536) / white, 1)) * 255
    return np.asarray(np.rint(steps).astype(np.uint8)[small])


def _refined(light: NDArray[np.uint16], corners_px: FloatArray, modules: int) -> FloatArray | None:
    """Return the corners (4, 2) as crossings of the four edges, or None if an edge is not seen."""
    for _ in range(_ROUNDS):
        lines = []
        for start, end in zip(corners_px, np.roll(corners_px, -1, axis=0), strict=True):
            line = _edge_line(light, start, end, modules)
            if line is None:
                return None
            lines.append(line)
        corners_px = np.array([_crossing(lines[i - 1], lines[i]) for i in range(4)])
    return corners_px


def _edge_line(
    light: NDArray[np.uint16], start: FloatArray, end: FloatArray, modules: int
) -> tuple[FloatArray, FloatArray] | None:
    """Return a point on the edge from `start` to `end` and its direction; None where too little is seen.

    Along each normal the edge lies where the light is half way between the black border and the white margin.
    """
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    outward = np.array([along[1], -along[0]])  # corners run clockwise in the picture
    reach = 0.7 * length / modules  # the border is one module wide, and so is the margin at least
    if reach < 1.0:
        return None
    positions = np.linspace(_ENDS_LEFT_OUT, 1 - _ENDS_LEFT_OUT, max(int(length), 8)) * length
    offsets = np.linspace(-reach, reach, 2 * round(reach / _STEP_PX) + 1)
    at = start + positions[:, None, None] * along + offsets[:, None] * outward  # (N, M, 2)
    if at.min() < 0 or np.any(at.reshape(-1, 2).max(axis=0) > np.array(light.shape[::-1]) - 1):
        return None
    samples = _sampled(light, at)
    half = (np.median(samples[:, :2]) + np.median(samples[:, -2:])) / 2
    crossing = _half_level(samples - half, offsets)
    kept = _without_outliers(positions, crossing)
    if kept is None:
        return None
    slope, offset = np.polyfit(positions[kept] - length / 2, crossing[kept], 1)
    return start + along * length / 2 + outward * offset, along + outward * slope


def _sampled(light: NDArray[np.uint16], at: FloatArray) -> FloatArray:
    """Return the light at pixels `at` (N, M, 2), shape (N, M)."""
    low = np.floor(at.reshape(-1, 2).min(axis=0)).astype(int)
    high = np.ceil(at.reshape(-1, 2).max(axis=0)).astype(int) + 2
    crop = light[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    maps = (at - low).astype(np.float32)
    return cv2.remap(crop, maps[..., 0], maps[..., 1], cv2.INTER_CUBIC).astype(np.float64)


def _half_level(above: FloatArray, offsets: FloatArray) -> FloatArray:
    """Return where each row of `above` (N, M) rises through zero nearest the middle, or nan."""
    rising = (above[:, :-1] < 0) & (above[:, 1:] >= 0)
    distance = np.where(rising, np.abs(offsets[:-1] + _STEP_PX / 2), np.inf)
    column = np.argmin(distance, axis=1)
    row = np.arange(len(above))
    low, high = above[row, column], above[row, column + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = offsets[column] + (offsets[1] - offsets[0]) * low / (low - high)
    return np.where(np.isfinite(distance[row, column]), crossing, np.nan)


def _without_outliers(positions: FloatArray, crossing: FloatArray) -> NDArray[np.bool_] | None:
    """Return which crossings lie on one straight edge; None if they are too few."""
    kept = np.isfinite(crossing)
    for _ in range(2):
        if np.mean(kept) < _FEWEST_CROSSINGS:
            return None
        line = np.polynomial.Polynomial.fit(positions[kept], crossing[kept], 1)
        residual = np.abs(crossing - line(positions))
        kept = np.isfinite(crossing) & (residual <= max(3 * 1.483 * float(np.median(residual[kept])), 0.1))
    return kept if np.mean(kept) >= _FEWEST_CROSSINGS else None


def _crossing(first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Return the point (2,) in which two lines, each a point and a direction, cross."""
    steps = np.linalg.solve(np.column_stack([first[1], -second[1]]), second[0] - first[0])
    return np.asarray(first[0] + steps[0] * first[1])
