"""The bar as a ruler, on straight passes from formulas."""

from __future__ import annotations

from dataclasses import replace

import pytest
from trails.strips import COMB, DENSE, TUBE, Pass, light_of, plan_of

from coverage_lab.job import Bar
from coverage_lab.trails.comb import Comb
from coverage_lab.trails.ruler import BarLength, bar_length
from coverage_lab.trails.sweep import sweep

CELL_M = 0.002
APART = [Pass((0.3, 0.35), (1.5, 0.35)), Pass((0.35, 0.68), (1.5, 0.78)), Pass((0.3, 1.08), (1.5, 1.08))]
LANES = [Pass((0.3, y), (1.5, y), level) for y, level in ((0.35, 0.2), (0.53, 0.5), (0.71, 0.4), (0.89, 0.3))]


def length_of(passes: list[Pass], driven: Bar, registered: Bar, clip: float = 1.0) -> BarLength | None:
    plan = plan_of(registered, CELL_M)
    blur_m = 0.0018 if registered is DENSE else 0.0028
    light = light_of(passes, driven, plan.grid, blur_m=blur_m, clip=clip, floor=0.01)
    swept = sweep(light, plan, registered, clip, px_m=0.002)
    assert swept is not None
    return bar_length(light, swept.outline, swept.first_track, Comb.of(registered, CELL_M), clip)


def scaled(bar: Bar, factor: float) -> Bar:
    return replace(bar, nozzle_m=bar.nozzle_m * factor, lit_length_m=bar.lit_length_m * factor)


@pytest.mark.parametrize("bar", [COMB, DENSE], ids=["comb", "dense"])
@pytest.mark.parametrize("passes", [APART, LANES], ids=["apart", "overlapping"])
@pytest.mark.parametrize("factor", [0.93, 0.99, 0.996, 1.0, 1.004, 1.01, 1.07])
def test_tracks_tell_the_bar_s_length(bar: Bar, passes: list[Pass], factor: float):
    length = length_of(passes, scaled(bar, factor), bar)
    assert length is not None
    assert length.by_tracks
    assert length.ratio == pytest.approx(factor, abs=0.0015)
    assert length.u < 0.001


def test_clipped_tracks_tell_it_too():
    length = length_of([replace(one, level=2.0) for one in APART], scaled(COMB, 1.01), COMB)
    assert length is not None
    assert length.ratio == pytest.approx(1.01, abs=0.0015)


@pytest.mark.parametrize("factor", [0.97, 1.0, 1.04])
def test_single_passes_tell_the_length_of_a_tube(factor: float):
    length = length_of(APART, scaled(TUBE, factor), TUBE)
    assert length is not None
    assert not length.by_tracks
    assert length.ratio == pytest.approx(factor, abs=0.006)


def test_overlapping_lanes_of_a_tube_tell_nothing():
    assert length_of(LANES, TUBE, TUBE) is None
