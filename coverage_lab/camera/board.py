"""The calibration board: a chessboard whose white squares hold markers, so that any part of it tells where it is.

A plain chessboard, of which all inner corners must be seen, serves too.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.calibrate import BoardView
from coverage_lab.camera.markers import tone_mapped

COLUMNS, ROWS = 11, 7  # squares
MARKER_SHARE = 0.64  # of a square's side; the rest is its white margin
FEWEST_CORNERS = 12  # of a view that counts
_KEPT_CLEAR = 0.75  # of the margin beside a marker: its blurred edge does not count either
_SMALLEST_WINDOW_PX = 2  # half a window's side; in a smaller one noise tells where the corner is
_LONGEST_SIDE_PX = 3000  # a larger picture is searched reduced for a plain chessboard
_REFINE = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-4)


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


def find_board(light: NDArray[np.uint16], name: str, chessboard: tuple[int, int] | None = None) -> BoardView | None:
    """Find the board in a picture of linear light (H, W); None where too little of it is seen.

    chessboard : inner corners along and across of a plain chessboard, instead of ours.
    """
    picture = tone_mapped(light, 1)
    return _find_charuco(picture, name) if chessboard is None else _find_chessboard(picture, name, chessboard)


def is_mirrored(light: NDArray[np.uint16]) -> bool:
    """Return whether a picture of linear light (H, W) shows our board only when it is flipped."""
    return _find_charuco(np.ascontiguousarray(tone_mapped(light, 1)[:, ::-1]), "") is not None


def _find_charuco(picture: NDArray[np.uint8], name: str) -> BoardView | None:
    corners, ids, _, _ = cv2.aruco.CharucoDetector(charuco_board()).detectBoard(picture)
    if ids is None or len(ids) < FEWEST_CORNERS:
        return None
    numbers = np.asarray(ids).ravel()
    board = np.column_stack([numbers % (COLUMNS - 1), numbers // (COLUMNS - 1)]).astype(np.float64)
    found = np.asarray(corners, dtype=np.float32).reshape(-1, 2)
    reach = (1 - MARKER_SHARE) / 2 * _KEPT_CLEAR
    large = _squares_px(board, found) * reach >= _SMALLEST_WINDOW_PX
    if large.sum() < FEWEST_CORNERS:
        return None
    board, found = board[large], found[large]
    return _view(name, board, _refined(picture, board, found, reach))


def _squares_px(board: NDArray[np.float64], pixels: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return how far the nearest neighbour on the board is seen from each corner, (N,); inf where there is none."""
    neighbours = np.abs(board[:, None] - board[None]).sum(axis=2) == 1
    apart = np.linalg.norm(pixels[:, None].astype(np.float64) - pixels[None], axis=2)
    return np.asarray(np.where(neighbours, apart, np.inf).min(axis=1))


def _refined(
    picture: NDArray[np.uint8], board: NDArray[np.float64], pixels: NDArray[np.float32], reach: float
) -> NDArray[np.float32]:
    """Return the corners where the light of the four squares around each balances, within `reach` squares of it.

    A window that reaches beyond the white margin of the markers beside a corner is drawn to them, by a quarter of a
    pixel and more in simulated pictures.
    """
    squares_px = _squares_px(board, pixels)
    usual_px = float(np.median(squares_px[np.isfinite(squares_px)])) if np.isfinite(squares_px).any() else 0.0
    windows = np.maximum(_SMALLEST_WINDOW_PX, reach * np.where(np.isfinite(squares_px), squares_px, usual_px)).astype(
        int
    )
    refined = pixels.copy()
    for window in np.unique(windows).tolist():
        chosen = windows == window
        points = np.ascontiguousarray(pixels[chosen].reshape(-1, 1, 2))
        refined[chosen] = cv2.cornerSubPix(picture, points, (window, window), (-1, -1), _REFINE).reshape(-1, 2)
    return refined


def _find_chessboard(picture: NDArray[np.uint8], name: str, size: tuple[int, int]) -> BoardView | None:
    shrink = -(-max(picture.shape) // _LONGEST_SIDE_PX)
    small = cv2.resize(picture, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    found, corners = cv2.findChessboardCorners(small, size)
    if not found:
        return None
    rough = ((np.asarray(corners, dtype=np.float32).reshape(-1, 2) + 0.5) * shrink - 0.5).astype(np.float32)
    across = np.arange(size[0] * size[1])
    board = np.column_stack([across % size[0], across // size[0]]).astype(np.float64)
    return _view(name, board, _refined(picture, board, rough, 1 / 3))


def _view(name: str, board: NDArray[np.float64], corners: Any) -> BoardView | None:
    """Return the view, unless its corners lie in one row, which tells next to nothing."""
    if min(len(np.unique(board[:, 0])), len(np.unique(board[:, 1]))) < 2:
        return None
    return BoardView(name, board, np.asarray(corners, dtype=np.float64).reshape(-1, 2))
