"""The outline of the trail: points along its boundary, holes too, the trail on their left.

Points are (row, col) in cells of the plan view.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Float = NDArray[np.float32]

SPACING = 2.0  # cells between two points: half a trail's blur or so
SMOOTHING = 2.0  # cells, standard deviation
SHORTEST_RING = 12  # cells


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """Points about `SPACING` apart along closed contours, the trail on their left; unit normals point into it."""

    points: Float  # (M, 2)
    normals: Float  # (M, 2)
    starts: NDArray[np.intp]  # (C + 1,): contour c is points[starts[c]:starts[c + 1]]


def trace_outline(mask: NDArray[np.uint8], *, smallest_extent: float) -> Outline:
    """Trace every boundary of `mask` (non-zero = trail), holes too.

    Parts whose bounding box is smaller than `smallest_extent` both ways are left out with their holes; of holes, those
    of a few cells.
    """
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    links = tree[0] if len(contours) else ()
    small = [max(cv2.boundingRect(contour)[2:]) < smallest_extent for contour in contours]
    points, normals, lengths = [], [], []
    for index, (contour, (_, _, _, parent)) in enumerate(zip(contours, links, strict=True)):
        if small[index if parent < 0 else parent] or len(contour) < SHORTEST_RING:
            continue
        ring = contour.reshape(-1, 2)[:, ::-1].astype(np.float32)
        # The trail lies inside an outer ring and outside a hole's: walk either with the trail on the left.
        if (_clockwise_area(ring) > 0) == (parent < 0):
            ring = ring[::-1]
        smooth = gaussian_filter1d(_evenly(ring), SMOOTHING / SPACING, axis=0, mode="wrap")
        tangent = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-6)
        points.append(smooth)
        normals.append(normal)
        lengths.append(len(smooth))
    if not points:
        return Outline(np.zeros((0, 2), np.float32), np.zeros((0, 2), np.float32), np.zeros(1, np.intp))
    starts = np.concatenate([[0], np.cumsum(lengths)])
    return Outline(np.vstack(points).astype(np.float32), np.vstack(normals).astype(np.float32), starts)


def _evenly(ring: Float) -> Float:
    """Resample a closed ring at steps of about `SPACING` cells."""
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, along[-1], max(int(along[-1] / SPACING), 6), endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, i]) for i in (0, 1)]).astype(np.float32)


def _clockwise_area(ring: Float) -> float:
    """Area inside a ring, positive if it runs clockwise seen with north up."""
    row, col = ring[:, 0], ring[:, 1]
    return float(np.sum(col * np.roll(row, -1) - np.roll(col, -1) * row)) / 2
