"""Coverage by random straight passes against an exact law of integral geometry."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString, Point

from coverage_lab.measures.coverage import covered_percent
from coverage_lab.room.grid import FloorGrid

WIDTH_M = 0.1


@pytest.mark.parametrize(("passes", "share"), [(10, 0.40126), (20, 0.64151), (40, 0.87149)])
def test_isotropic_random_lines_across_a_disc(passes: int, share: float):
    """Check 1 - (1 - pi w / P)^N for floor further than w/2 from the wall.

    Crofton's formula, in L. A. Santalo, Integral Geometry and Geometric Probability, 1976, chapter 3 (from memory):
    isotropic uniform lines that hit a convex room of perimeter P meet a disc of diameter w in it with the
    probability pi w / P. Room: unit disc.
    """
    assert 1 - (1 - np.pi * WIDTH_M / (2 * np.pi)) ** passes == pytest.approx(share, abs=5e-6)
    rng = np.random.default_rng(2031)
    room = Point(0, 0).buffer(1, quad_segs=128)
    inner = room.buffer(-WIDTH_M / 2)
    grid = FloorGrid.over(room, 0.02)
    region = grid.weights(inner)
    percents = []
    for _ in range(60):
        angle, offset = rng.uniform(0, np.pi, passes), rng.uniform(-1, 1, passes)
        normal = np.column_stack([np.cos(angle), np.sin(angle)])
        along = np.column_stack([-normal[:, 1], normal[:, 0]])
        foot = offset[:, None] * normal
        lines = [LineString([p - 2 * a, p + 2 * a]) for p, a in zip(foot, along, strict=True)]
        swept = shapely.union_all(shapely.buffer(lines, WIDTH_M / 2, cap_style="flat")).intersection(room)
        percents.append(covered_percent(grid.weights(swept), region))
    error = np.std(percents, ddof=1) / np.sqrt(len(percents))
    assert np.mean(percents) == pytest.approx(100 * share, abs=4 * error)
    assert error < 2
