"""Lay a second photograph of a test bed onto the first one.

By printed floor markers where both pictures show two or more of the same, else by features (SIFT: Lowe, International
Journal of Computer Vision 60, 2004) with a robust homography, since a flat bed seen by a pinhole maps by one. What the
pass took away has no partner and falls out as an outlier. Both are refined on the light itself (ECC: Evangelidis and
Psarakis, IEEE PAMI 30, 2008).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.markers import find_markers
from coverage_lab.errors import Problem, Refused

FloatImage = NDArray[np.float32]
LightArray = NDArray[np.uint16]
_DICTIONARIES = ("apriltag_36h11", "aruco_4x4_50")
_FEATURES = 6000
_RATIO = 0.75  # Lowe's: a match must be so much nearer than the next one
_FAR_PX = 2.0
_FEWEST = 25  # matches that agree
_LEAST_SPREAD = 0.2  # of the picture: what the agreeing matches' hull must cover
_REFINE_SIDE_PX = 800  # the refinement's pictures; finer ones gain nothing and take long
_SCALES = (0.5, 2.0)
_SLOW_SIDE_PX = 160  # of the picture on which uneven light is followed


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """How pixels of the second picture map to those of the first."""

    matrix: NDArray[np.float64]  # 3 × 3
    basis: Literal["markers", "features"]
    pairs: int  # of points that agree
    rms_px: float  # what they are off


def evened(light: LightArray, hair: NDArray[np.bool_] | None = None) -> FloatImage:
    """Return the logarithm of light with what changes slowly taken off, so that uneven light drops out.

    Where it is known where `hair` lies, what changes slowly is taken from the floor alone: a dense tangle would
    darken its own surroundings.
    """
    log = np.log(np.maximum(light, 16).astype(np.float32) / 65535)
    weight = np.ones(log.shape, np.float32) if hair is None else 1 - _grown(hair)
    shrink = _SLOW_SIDE_PX / max(log.shape)
    small = [
        cv2.resize(one, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) for one in (log * weight, weight)
    ]
    above, below = (cv2.GaussianBlur(one, (0, 0), _SLOW_SIDE_PX / 13) for one in small)
    slow = above / np.maximum(below, 1e-3)
    rows, cols = log.shape
    return np.asarray(log - cv2.resize(slow, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def _grown(mask: NDArray[np.bool_]) -> FloatImage:
    """Return a mask with its soft rim, 1 inside."""
    return np.asarray(cv2.dilate(mask.view(np.uint8), np.ones((5, 5), np.uint8)), np.float32)


def register(before: LightArray, after: LightArray) -> Registration:
    """Return how `after` lies on `before`. Raises Refused where the pictures have too little in common."""
    first, second = _codes(evened(before)), _codes(evened(after))
    by_markers = _marker_pairs(before, after)
    basis: Literal["markers", "features"] = "features" if by_markers is None else "markers"
    ours, theirs = by_markers or _feature_pairs(first, second)
    found, agree = cv2.findHomography(theirs, ours, cv2.USAC_MAGSAC, _FAR_PX, maxIters=10000, confidence=0.9999)
    matrix = None if found is None else np.asarray(found, np.float64)
    kept = np.zeros(len(ours), bool) if agree is None else agree.ravel().astype(bool)
    if matrix is None or basis == "features":
        matrix = _checked(matrix, ours[kept], first.shape)
    refined = _refined(first, second, matrix)
    mapped = cv2.perspectiveTransform(theirs[kept][:, None], refined)[:, 0]
    rms = float(np.sqrt(np.mean(np.sum((mapped - ours[kept]) ** 2, axis=1))))
    return Registration(refined, basis, int(kept.sum()), rms)


def laid(
    light: LightArray, matrix: NDArray[np.float64], shape: tuple[int, ...]
) -> tuple[LightArray, NDArray[np.bool_]]:
    """Return the second picture on the first one's pixels, and where it shows anything."""
    size = (shape[1], shape[0])
    there = cv2.warpPerspective(np.full(light.shape, 255, np.uint8), matrix, size, flags=cv2.INTER_LINEAR)
    moved = cv2.warpPerspective(light, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.erode(there, np.ones((9, 9), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0) == 255
    return np.asarray(moved, np.uint16), np.asarray(inside, bool)


def _codes(even: FloatImage) -> NDArray[np.uint8]:
    """Return evened light as bytes, for finders that want them."""
    low, high = np.percentile(even, (0.5, 99.5))
    return np.asarray(np.clip((even - low) / max(high - low, 1e-6) * 255, 0, 255), np.uint8)


def _marker_pairs(before: LightArray, after: LightArray) -> tuple[FloatImage, FloatImage] | None:
    """Return corners of markers that both pictures show, (N, 2) each; None with fewer than two markers."""
    seen = [
        {(m.dictionary, m.id): m.corners_px for m in find_markers(light, _DICTIONARIES)} for light in (before, after)
    ]
    both = sorted(seen[0].keys() & seen[1].keys())
    if len(both) < 2:
        return None
    first, second = (np.concatenate([one[key] for key in both]).astype(np.float32) for one in seen)
    return first, second


def _feature_pairs(first: NDArray[np.uint8], second: NDArray[np.uint8]) -> tuple[FloatImage, FloatImage]:
    """Return places that look alike in both pictures, (N, 2) each."""
    sift = cv2.SIFT.create(nfeatures=_FEATURES)
    (ours, our_words), (theirs, their_words) = (sift.detectAndCompute(one, None) for one in (first, second))
    if our_words is None or their_words is None or min(len(ours), len(theirs)) < _FEWEST:
        raise Refused(_trouble(f"{min(len(ours), len(theirs))} features found"))
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(our_words, their_words, k=2)
    good = [pair[0] for pair in pairs if len(pair) == 2 and pair[0].distance < _RATIO * pair[1].distance]
    if len(good) < _FEWEST:
        raise Refused(_trouble(f"{len(good)} places look alike"))
    return (
        np.asarray([ours[one.queryIdx].pt for one in good], np.float32),
        np.asarray([theirs[one.trainIdx].pt for one in good], np.float32),
    )


def _checked(matrix: NDArray[np.float64] | None, agreeing: FloatImage, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Refuse a mapping that few places agree on, that rests on a corner only, or that no tripod makes."""
    if matrix is None or len(agreeing) < _FEWEST:
        raise Refused(_trouble(f"{len(agreeing)} places agree, {_FEWEST} are needed"))
    spread = cv2.contourArea(cv2.convexHull(agreeing)) / (shape[0] * shape[1])
    if spread < _LEAST_SPREAD:
        raise Refused(_trouble(f"the places that agree cover {100 * spread:.0f} % of the picture"))
    scale = float(np.sqrt(abs(np.linalg.det(matrix[:2, :2]))))
    if not _SCALES[0] < scale < _SCALES[1]:
        raise Refused(_trouble(f"one picture is {scale:.2f} times as large as the other"))
    return matrix


def _refined(first: NDArray[np.uint8], second: NDArray[np.uint8], matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mapping that lets the pictures' light agree best, starting from one that nearly does."""
    shrink = min(1.0, _REFINE_SIDE_PX / max(first.shape))
    to_small = np.diag([shrink, shrink, 1.0])
    small = [cv2.resize(one, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) for one in (first, second)]
    start = np.linalg.inv(to_small @ matrix @ np.linalg.inv(to_small)).astype(np.float32)
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-5)
    try:
        _, found = cv2.findTransformECC(small[0], small[1], start, cv2.MOTION_HOMOGRAPHY, until)
    except cv2.error:  # it did not settle: what it started from is good enough to be judged
        return matrix
    refined = np.linalg.inv(to_small) @ np.linalg.inv(found.astype(np.float64)) @ to_small
    return np.asarray(refined / refined[2, 2], np.float64)


def _trouble(wrong: str) -> Problem:
    mend = "Photograph the same bed from the same place, or lay two or more printed markers beside it"
    return Problem(None, "", f"the pictures cannot be laid on each other: {wrong}", mend)
