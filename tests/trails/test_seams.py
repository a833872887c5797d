"""Gaps between passes, on painted passes whose distance is known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scenes import follow, paint

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.trails.level import TrailLevel
from coverage_lab.trails.orientation import travel_field
from coverage_lab.trails.outline import Outline
from coverage_lab.trails.seams import open_seams, unseen_gaps_m2
from coverage_lab.trails.sweep import SweptFloor

GRID = FloorGrid(0.0, 1.0, 500, 700, 0.002)  # 1.4 m by 1.0 m
BAR = Bar(nozzle_m=0.22, led_count=14, lit_length_m=0.215, height_m=0.095, height_tolerance_m=0.002, forward_m=0.0)
LENGTH_M = 1.0
CLIP = 0.95


def passes(*middles_m: float):
    return [follow([(0.2, y_m), (0.2 + LENGTH_M, y_m)]) for y_m in middles_m]


def opened_m2(drives, *, bar: Bar = BAR, level: float = 0.4, light=None) -> float:
    """Area that is taken out of floor which closing has painted over."""
    if light is None:
        light, _ = paint(drives, GRID, bar=bar, level=level)
    shown = (light > 0.02).astype(np.uint8)
    closed = cv2.morphologyEx(shown, cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8)).astype(np.float32)
    whole = np.ones(GRID.shape, np.float32)
    nothing = Outline(np.zeros((0, 2), np.float32), np.zeros((0, 2), np.float32), np.zeros(1, np.intp))
    level_ = TrailLevel(20.0, 15.0, 25.0, 5.0, 100.0)
    swept = SweptFloor(
        closed,
        light,
        0.0,
        0.0,
        np.zeros_like(closed),
        0.0,
        1.0,
        0.0025,
        level_,
        nothing,
        whole[:0, 0],
        whole[:0, 0] > 0,
    )
    field = travel_field(light, closed, whole, GRID, bar)
    opened, _ = open_seams(swept, field, GRID, bar, CLIP)
    return float((swept.share - opened.share).sum()) * GRID.cell_m2


@pytest.mark.parametrize(("gap_mm", "level"), [(5, 0.2), (8, 0.2), (12, 0.2), (8, 2.0), (15, 2.0)])
def test_gap_between_two_lanes_is_opened_as_wide_as_it_is(gap_mm: float, level: float):
    apart_m = BAR.nozzle_m + gap_mm / 1000
    area = opened_m2(passes(0.35, 0.35 + apart_m), level=level)
    assert area == pytest.approx(LENGTH_M * gap_mm / 1000, rel=0.12)


@pytest.mark.parametrize("overlap_mm", [0, 4, 9, 15, 22, 40, 61])
@pytest.mark.parametrize("level", [0.2, 2.0])
def test_overlapping_lanes_have_no_seam(overlap_mm: float, level: float):
    assert opened_m2(passes(0.35, 0.35 + BAR.nozzle_m - overlap_mm / 1000), level=level) < 1e-4


def test_weak_pass_beside_a_strong_one_that_overlaps_it_has_no_seam():
    weak, _ = paint(passes(0.35), GRID, level=0.2)
    for overlap_mm in (7, 23, 31):
        strong, _ = paint(passes(0.35 + BAR.nozzle_m - overlap_mm / 1000), GRID, level=0.6)
        assert opened_m2([], light=weak + strong) < 1e-4


def test_dead_led_is_no_seam():
    whole, _ = paint(passes(0.35, 0.53), GRID)
    single = replace(BAR, nozzle_m=0.005, led_count=1, lit_length_m=0.0)
    track, _ = paint(passes(0.35 + 1.5 * BAR.pitch_m), GRID, bar=single, level=0.4)
    assert opened_m2([], light=np.maximum(whole - track, 0)) < 1e-4


TUBE, DENSE = replace(BAR, led_count=0), replace(BAR, led_count=60)


@pytest.mark.parametrize("bar", [TUBE, DENSE], ids=["tube", "dense"])
@pytest.mark.parametrize("gap_mm", [5, 8, 12])
def test_gap_between_passes_without_tracks_is_opened(bar: Bar, gap_mm: float):
    area = opened_m2(passes(0.35, 0.35 + bar.nozzle_m + gap_mm / 1000), bar=bar)
    painted_longer_mm = 0.0 if bar.led_count else 1.0  # half a millimetre beyond either end
    assert area == pytest.approx(LENGTH_M * (gap_mm - painted_longer_mm) / 1000, rel=0.12)


@pytest.mark.parametrize("bar", [TUBE, DENSE], ids=["tube", "dense"])
@pytest.mark.parametrize("overlap_mm", [6, 20, 105])
def test_overlapping_passes_without_tracks_have_no_seam(bar: Bar, overlap_mm: float):
    apart_m = bar.nozzle_m - overlap_mm / 1000
    assert opened_m2(passes(0.3, 0.3 + apart_m, 0.3 + 2 * apart_m), bar=bar) == 0


def test_slanting_lanes():
    across = np.array([-np.sin(0.4), np.cos(0.4)])
    along = np.array([np.cos(0.4), np.sin(0.4)])
    middle = np.array([0.7, 0.5])
    drives = []
    for side in (-1, 1):
        at = middle + side * across * (BAR.nozzle_m + 0.008) / 2
        drives.append(follow([at - 0.35 * along, at + 0.35 * along]))
    assert opened_m2(drives) == pytest.approx(0.7 * 0.008, rel=0.12)


def test_lanes_a_pitch_apart_on_a_blurred_bar_are_doubted_and_overlapping_ones_are_not():
    unsure = unseen_m2(0.35, 0.35 + BAR.lit_length_m + BAR.pitch_m)
    assert unsure > 0.6 * 0.9 * (BAR.pitch_m - 2 * BAR.overhang_m)
    assert unseen_m2(0.35, 0.35 + 0.88 * BAR.nozzle_m) < 0.15 * unsure


def unseen_m2(*middles_m: float) -> float:
    light, _ = paint(passes(*middles_m), GRID, bar=BAR, sigma_m=0.0064)
    closed = (cv2.GaussianBlur(light, (0, 0), 4) > 0.1).astype(np.float32)
    field = travel_field(light, closed, np.ones(GRID.shape, np.float32), GRID, BAR)
    return unseen_gaps_m2(field, np.zeros_like(field.floor), None, BAR, 0.0064)
