"""Photographs of the calibration board through known lenses, ray by ray."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from coverage_lab.camera.board import COLUMNS, ROWS, charuco_board
from coverage_lab.camera.model import Lens

SQUARE_PX = 60  # of the board's own picture
SIZE = (960, 720)


def plain(focal: float = 760.0) -> Lens:
    return _lens(focal, [-0.12, 0.05, 0.0006, -0.0004, 0.0])


def wide() -> Lens:
    """A strong wide angle, over 110 degrees across the diagonal."""
    return _lens(430.0, [0.9, 0.12, 0.0003, -0.0002, 0.004, 1.25, 0.33, 0.02], "rational")


def fisheye() -> Lens:
    return _lens(430.0, [0.03, -0.012, 0.004, -0.001], "fisheye")


def _lens(focal: float, distortion: list[float], model: str = "brown") -> Lens:
    matrix = np.array([[focal, 0, 486.3], [0, focal * 1.001, 352.8], [0, 0, 1]])
    return Lens(SIZE, matrix, np.array(distortion), model=model)  # type: ignore[arg-type]


def poses(count: int, seed: int, lens: Lens, tilt_deg: float = 40.0) -> list[tuple[np.ndarray, np.ndarray]]:
    """Rotations and shifts (in squares) of boards that fill about half of the picture, all over it."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(count):
        tilt = np.deg2rad(tilt_deg) * rng.uniform(0.6, 1.0)
        axis = rng.uniform(0, 2 * np.pi)
        turn = cv2.Rodrigues(np.array([tilt * np.cos(axis), tilt * np.sin(axis), 0.0]))[0]
        spin = cv2.Rodrigues(np.array([0, 0, rng.uniform(-0.6, 0.6)]))[0]
        rotation = turn @ spin
        # The board's middle looks at one of nine places of the picture, corners included.
        aim = np.array([0.14, 0.5, 0.86])[[number % 3, number // 3 % 3]] * SIZE + rng.uniform(-25, 25, 2)
        ray = np.append(lens.rays(aim[None])[0], 1.0)
        depth = COLUMNS * lens.matrix[0, 0] / SIZE[0] / rng.uniform(0.5, 0.62)
        middle = np.array([COLUMNS / 2, ROWS / 2, 0.0])
        found.append((rotation, ray * depth / np.linalg.norm(ray) * 1.0 - rotation @ middle))
    return found


@cache
def _rays(model: str, matrix: bytes, distortion: bytes) -> np.ndarray:
    """The lines of sight of 2 × 2 places in every pixel; the same for all pictures of a lens."""
    lens = Lens(SIZE, np.frombuffer(matrix).reshape(3, 3), np.frombuffer(distortion), model=model)  # type: ignore[arg-type]
    columns, rows = np.meshgrid((np.arange(SIZE[0] * 2) - 0.5) / 2, (np.arange(SIZE[1] * 2) - 0.5) / 2)
    rays = lens.rays(np.column_stack([columns.ravel(), rows.ravel()]))
    return np.column_stack([rays, np.ones(len(rays))])


def photograph(
    lens: Lens, rotation: np.ndarray, shift: np.ndarray, *, blur_px: float = 0.7, noise: float = 1.0, seed: int = 0
) -> np.ndarray:
    """The board before a grey wall as 8-bit codes (rows, cols), averaged over 2 × 2 rays in each pixel."""
    board = charuco_board().generateImage((COLUMNS * SQUARE_PX, ROWS * SQUARE_PX), marginSize=0)
    board = cv2.copyMakeBorder(board, SQUARE_PX, SQUARE_PX, SQUARE_PX, SQUARE_PX, cv2.BORDER_CONSTANT, value=255)
    width, height = SIZE
    rays = _rays(lens.model, lens.matrix.tobytes(), lens.distortion.tobytes())
    # Where each ray meets the board's plane: normal · (ray · depth − shift) = 0.
    normal = rotation[:, 2]
    depth = normal @ shift / (rays @ normal)
    on_board = ((rays * depth[:, None] - shift) @ rotation)[:, :2]
    on_board[~(depth > 0)] = -50
    maps = ((on_board + 1) * SQUARE_PX - 0.5).astype(np.float32).reshape(height * 2, width * 2, 2)
    seen = cv2.remap(board, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=120)
    small = cv2.resize(seen.astype(np.float32), SIZE, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), blur_px) * 0.85 + 12
    noisy = small + np.random.default_rng(seed).normal(0, noise, small.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
