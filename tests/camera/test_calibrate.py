"""Lens calibration on boards photographed through known lenses, and what it refuses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from boards import SIZE, fisheye, photograph, plain, poses, wide

from coverage_lab.camera.board import find_board, is_mirrored
from coverage_lab.camera.calibrate import BoardView, calibrate, empty_corners
from coverage_lab.camera.model import Lens
from coverage_lab.errors import Refused
from coverage_lab.frames.light import srgb_to_light

GRID = np.stack(np.meshgrid(np.linspace(20, SIZE[0] - 20, 10), np.linspace(20, SIZE[1] - 20, 10)), -1).reshape(-1, 2)
CORNERS = np.stack(np.meshgrid(np.arange(10), np.arange(6)), -1).reshape(-1, 2).astype(float)


def seen(lens: Lens, rotation: np.ndarray, shift: np.ndarray, board: np.ndarray) -> np.ndarray:
    """Where inner corners (the first lies one square from the board's edge) appear."""
    return lens.pixels(np.column_stack([board + 1, np.zeros(len(board))]) @ rotation.T + shift)


def measured_views(lens: Lens, count: int = 15, noise_px: float = 0.05, tilt_deg: float = 40.0) -> list[BoardView]:
    """Views as a detector would give them, without pictures."""
    rng = np.random.default_rng(7)
    views = []
    for number, (rotation, shift) in enumerate(poses(count, 3, lens, tilt_deg)):
        pixels = seen(lens, rotation, shift, CORNERS)
        inside = np.all((pixels > 3) & (pixels < np.array(SIZE) - 4), axis=1)
        if inside.sum() >= 12:
            noisy = pixels[inside] + rng.normal(0, noise_px, (int(inside.sum()), 2))
            views.append(BoardView(f"board {number}", CORNERS[inside], noisy))
    return views


@pytest.mark.parametrize(("lens", "model"), [(plain(), "brown"), (wide(), "rational"), (fisheye(), "fisheye")])
def test_photographed_boards_give_the_lens(lens: Lens, model: str):
    views = []
    for number, (rotation, shift) in enumerate(poses(18, 5, lens)):
        light = srgb_to_light()[photograph(lens, rotation, shift, seed=number)]
        view = find_board(light, f"board {number}")
        if view is None:
            continue
        off_px = np.hypot(*(view.pixels - seen(lens, rotation, shift, view.board)).T)
        assert np.median(off_px) < 0.06
        views.append(view)
    assert len(views) >= 12
    found = calibrate(views, SIZE)
    assert found.lens.model == model
    assert found.lens.matrix[[0, 1], [0, 1]] == pytest.approx(lens.matrix[[0, 1], [0, 1]], rel=1e-3)
    off_px = found.lens.pixels(np.column_stack([lens.rays(GRID), np.ones(len(GRID))])) - GRID
    assert np.sqrt((off_px**2).sum(axis=1).mean()) < 0.3
    assert found.u["fx"] < 0.001 * lens.matrix[0, 0]


def test_uncertainties_are_those_of_repeated_calibrations():
    lens = plain()
    rng = np.random.default_rng(11)
    values, stated = [], []
    for _ in range(12):
        views = [
            BoardView(view.name, view.board, view.pixels + rng.normal(0, 0.2, view.pixels.shape))
            for view in measured_views(lens, noise_px=0.0)
        ]
        found = calibrate(views, SIZE)
        values.append(found.lens.matrix[0, 0])
        stated.append(found.u["fx"])
    # Twelve repeats tell a standard deviation to about a fifth.
    assert np.std(values, ddof=1) == pytest.approx(np.sqrt(np.mean(np.square(stated))), rel=0.5)


def test_a_picture_that_does_not_fit_is_left_out_by_name():
    views = measured_views(plain())
    bent = views[4]
    views[4] = BoardView(bent.name, bent.board, bent.pixels + 2.0 * np.sin(bent.board * 1.3))
    found = calibrate(views, SIZE)
    assert list(found.left_out) == [bent.name]
    assert found.rms_px < 0.1


def test_a_single_odd_corner_does_not_cost_its_picture():
    views = measured_views(plain())
    spoilt = views[4].pixels.copy()
    spoilt[7] += 3.0
    views[4] = BoardView(views[4].name, views[4].board, spoilt)
    found = calibrate(views, SIZE)
    assert found.left_out == {}
    assert len(found.views[4].pixels) == len(spoilt) - 1


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda views: views[:4], "4 pictures show the board; 6 are needed"),
        (lambda views: [v for v in views if v.pixels[:, 0].min() > SIZE[0] * 0.34], "no picture shows the board in"),
    ],
)
def test_says_what_to_shoot_next(spoil: Callable[[list[BoardView]], list[BoardView]], said: str):
    views = measured_views(plain(), 30)
    with pytest.raises(Refused, match=said) as refusal:
        calibrate(spoil(views), SIZE)
    assert "Shoot" in str(refusal.value)


def test_boards_all_from_one_side_are_refused():
    views = measured_views(plain(), 20, tilt_deg=3.0)
    with pytest.raises(Refused, match="nearly one side"):
        calibrate(views, SIZE)


def test_empty_corners_are_named():
    points = np.array([[10, 10], [900, 20], [500, 400]], dtype=float)
    assert empty_corners(points, SIZE) == ["lower left", "lower right"]


def test_mirrored_and_missing_boards_are_told_apart():
    rotation, shift = poses(5, 5, plain())[4]
    picture = srgb_to_light()[photograph(plain(), rotation, shift)]
    mirrored = np.ascontiguousarray(picture[:, ::-1])
    assert find_board(picture, "sound") is not None
    assert find_board(mirrored, "mirrored") is None
    assert is_mirrored(mirrored)
    assert not is_mirrored(np.full_like(picture, 20000))
    assert find_board(np.full_like(picture, 20000), "bare") is None


def test_a_partly_hidden_board_still_counts():
    rotation, shift = poses(5, 5, plain())[4]
    picture = srgb_to_light()[photograph(plain(), rotation, shift)].copy()
    whole = find_board(picture, "whole")
    picture[:, : SIZE[0] // 2] = 9000
    half = find_board(picture, "half")
    assert whole and half
    assert 12 <= len(half.board) < len(whole.board)
