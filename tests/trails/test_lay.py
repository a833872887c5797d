"""Laying a way on its frame's light: from centimetres to millimetres, and no further than light tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lit import CELL_M, PACE, driven, picture

from coverage_lab.job import Bar
from coverage_lab.trails.frame_light import Cells, coarser
from coverage_lab.trails.glow import Line
from coverage_lab.trails.lay import Laid, blur_of, lay, nodes

BAR = Bar(0.2, 11, 0.19, 0.09, 0.0, 0.03)
LINE = Line.of(BAR, PACE)
AROUND = ((0.4, 0.78), (0.9, 0.78), (1.1, 0.82), (1.22, 0.95), (1.22, 1.3))


def begun(poses: np.ndarray, off_m: float = 0.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """A way as it was followed: some centimetres off, bending here and there."""
    way = poses[:, 1:].copy()
    at = np.linspace(0, len(way) - 1, 6)
    off = np.random.default_rng(seed).normal(0, off_m, (6, 2))
    way[:, :2] += np.column_stack([np.interp(np.arange(len(way)), at, column) for column in off.T])
    open_s = float(poses[-1, 0])
    return nodes(way, poses[:, 0] / open_s, open_s)


def error_m(laid: Laid, poses: np.ndarray) -> float:
    """How far the way is from the true one, at most, but for its ends."""
    return float(shapely.distance(shapely.LineString(poses[:, 1:3]), shapely.points(laid.poses[1:-1, :2])).max())


@settings(max_examples=6)
@given(st.integers(0, 10_000))
def test_a_way_that_is_two_centimetres_off_is_brought_back(seed: int):
    poses = driven(*AROUND)
    laid = lay(picture(poses, BAR, seed=seed), begun(poses, 0.02, seed), LINE, blur_of(BAR), 0.05)
    assert error_m(laid, poses) < 0.005
    puck = shapely.Point(1, 1)
    true_m = shapely.LineString(poses[:, 1:3]).distance(puck)
    assert shapely.LineString(laid.poses[:, :2]).distance(puck) == pytest.approx(true_m, abs=0.003)
    assert laid.worst < 0.3
    assert laid.off < 0.1
    assert laid.gain == pytest.approx(1, abs=0.05)
    assert laid.dwell_s.sum() == pytest.approx(poses[-1, 0], abs=0.05)
    assert laid.way_m == pytest.approx(np.hypot(*np.diff(poses[:, 1:3], axis=0).T).sum(), rel=0.02)
    assert laid.covariance.shape == (len(laid.poses), 3, 3)
    assert np.sqrt(laid.covariance[:, 0, 0]).max() < 0.05


def test_burnt_light_tells_enough_at_its_rim():
    poses = driven(*AROUND)
    laid = lay(picture(poses, BAR, burnt_from=1.6), begun(poses, 0.015, 3), LINE, blur_of(BAR), 0.05)
    assert error_m(laid, poses) < 0.006


def test_what_is_not_told_does_not_count():
    poses = driven((0.4, 1.0), (1.5, 1.0))
    shown = picture(poses, BAR)
    passes, told = shown.passes.copy(), shown.told.copy()
    window = np.s_[115:135, 120:130]
    passes[window], told[window] = 0, False
    blind, told_wrong = replace(shown, passes=passes, told=told), replace(shown, passes=passes)
    assert lay(blind, begun(poses, 0.01), LINE, blur_of(BAR), 0.05).worst < 0.2
    assert lay(told_wrong, begun(poses, 0.01), LINE, blur_of(BAR), 0.05).worst > 0.3


def test_a_way_that_goes_elsewhere_does_not_explain_the_light():
    other = driven((0.4, 0.78), (0.9, 0.78), (1.0, 0.4), (1.5, 0.4))
    laid = lay(picture(driven(*AROUND), BAR), begun(other), LINE, blur_of(BAR), 0.05)
    assert laid.worst > 0.6


def test_a_brighter_frame_is_told_by_its_gain():
    poses = driven(*AROUND)
    shown = picture(poses, BAR)
    bright = replace(shown, passes=1.08 * shown.passes)
    assert lay(bright, begun(poses), LINE, blur_of(BAR), 0.05).gain == pytest.approx(1.08, abs=0.03)


def test_nodes_are_even_in_time():
    way = np.array([[0.0, 0, 3.0], [0.3, 0, 3.0], [0.3, 0, -3.0], [0.3, 0.1, -3.0]])
    poses, dwell_s = nodes(way, np.array([0.0, 0.5, 0.6, 1.0]), 1.3)
    assert len(poses) == 11
    assert dwell_s == pytest.approx(np.full(10, 0.13))
    assert poses[5] == pytest.approx([0.3, 0, 3.0])
    assert poses[-1] == pytest.approx([0.3, 0.1, 2 * np.pi - 3.0])  # the short way round


def test_coarser_cells_hold_the_same_light_at_the_same_place():
    shown = picture(driven(*AROUND), BAR, noise=0)
    wide = coarser(shown)
    assert wide.cells == Cells(CELL_M, 2 - CELL_M, 2 * CELL_M, (125, 125))
    assert wide.passes.sum() * 4 == pytest.approx(shown.passes.sum(), rel=1e-4)
    assert wide.passes[62, 40] == pytest.approx(shown.passes[124:126, 80:82].mean(), abs=1e-5)
