"""The calibration board: a chessboard whose white squares hold markers, so that any part of it tells where it is."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

COLUMNS, ROWS = 11, 7  # squares
MARKER_SHARE = 0.72  # of a square's side; the rest is its white margin
DICTIONARY = "aruco_5x5_100"  # not that of the floor's markers


def charuco_board() -> cv2.aruco.CharucoBoard:
    """Return the board in units of one square; inner corners count row by row from its top left."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    return cv2.aruco.CharucoBoard((COLUMNS, ROWS), 1.0, MARKER_SHARE, dictionary)


def marker_modules(dictionary: cv2.aruco.Dictionary, number: int) -> NDArray[np.bool_]:
    """Return a marker's modules as printed (M, M), True = black, its border of one module included."""
    side = dictionary.markerSize + 2
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, number, side, borderBits=1) < 128)


def board_marker_ids() -> list[tuple[int, int, int]]:
    """Return (column, row, marker number) of the board's white squares, from its top left."""
    corners = charuco_board().getObjPoints()
    numbers = np.asarray(charuco_board().getIds()).ravel()
    return [
        (int(np.asarray(points)[:, 0].mean()), int(np.asarray(points)[:, 1].mean()), int(number))
        for points, number in zip(corners, numbers, strict=True)
    ]
