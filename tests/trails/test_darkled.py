"""A dead LED in the comb or at its end, on straight passes from formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from trails.strips import COMB, DENSE, TUBE, Pass, light_of, plan_of

from coverage_lab.job import Bar
from coverage_lab.remarks import dark_led_remarks
from coverage_lab.trails.comb import Comb
from coverage_lab.trails.darkled import dark_track_share, narrow_pass_share
from coverage_lab.trails.outline import Outline
from coverage_lab.trails.sweep import sweep

PLAN = plan_of(COMB)
LANES = [Pass((0.3, y), (1.5, y), level) for y, level in ((0.35, 0.3), (0.54, 0.5), (0.73, 0.4), (0.92, 0.4))]


def share_of(light: np.ndarray, bar: Bar = COMB) -> float:
    swept = sweep(light, PLAN, bar, 1.0, px_m=0.002)
    assert swept is not None
    return dark_track_share(swept.outline, swept.first_track, Comb.of(bar, PLAN.grid.cell_m), swept.cut)


def lit(passes: list[Pass], bar: Bar = COMB, dead: int | None = None) -> np.ndarray:
    light = light_of(passes, bar, PLAN.grid, blur_m=0.0018, floor=0.01)
    if dead is not None:
        off_m = (dead - (bar.led_count - 1) / 2) * (bar.pitch_m or 0.0)
        one = replace(bar, led_count=2, lit_length_m=1e-6)  # two LEDs on one spot: twice the light
        tracks = [
            Pass((p.start_m[0], p.start_m[1] + off_m), (p.end_m[0], p.end_m[1] + off_m), p.level / 2) for p in passes
        ]
        light = light - light_of(tracks, one, PLAN.grid, blur_m=0.0018)
    return np.maximum(light, 0).astype(np.float32)


@pytest.mark.parametrize("dead", [2, 4, 7])
def test_a_dead_led_is_told(dead: int):
    assert share_of(lit(LANES, dead=dead)) > 0.2


def test_a_whole_bar_shows_none():
    assert share_of(lit(LANES)) == 0


def test_lanes_some_way_apart_are_no_dead_led():
    apart = [Pass((0.3, y), (1.5, y + slant), 0.4) for y, slant in ((0.35, 0), (0.595, 0.01), (0.83, -0.01))]
    assert share_of(lit(apart)) < 0.05


def test_a_tube_has_no_led_to_lose():
    assert share_of(lit(LANES, TUBE), TUBE) == 0


@pytest.mark.parametrize(("shadow", "share"), [(False, 1.0), (True, 0.0)])
def test_dark_floor_between_trail_and_a_shadow_is_no_track(shadow: bool, share: float):
    """Two straight edges face each other across two pitches; one of them may be where something hides the floor."""
    comb = Comb.of(COMB, 0.002)
    assert comb.pitch is not None
    along, zeros = np.arange(0, 100, 2.0), np.zeros(50)
    points = np.vstack([np.column_stack([zeros, along]), np.column_stack([zeros - 2 * comb.pitch, along])])
    normals = np.repeat([[1.0, 0.0], [-1.0, 0.0]], 50, axis=0)
    outline = Outline(points.astype(np.float32), normals.astype(np.float32), np.array([0, 50, 100]))
    cut = np.repeat([False, shadow], 50)
    assert dark_track_share(outline, np.zeros(100, np.float32), comb, cut) == share


APART = [Pass((0.3, y), (1.5, y + slant), 0.4) for y, slant in ((0.3, 0.0), (0.65, 0.01), (1.05, -0.01))]


def narrow_of(light: np.ndarray, bar: Bar) -> float:
    swept = sweep(light, PLAN, bar, 1.0, px_m=0.002)
    assert swept is not None
    return narrow_pass_share(swept.outline, swept.first_track, Comb.of(bar, PLAN.grid.cell_m))


@pytest.mark.parametrize("bar", [COMB, DENSE])
@pytest.mark.parametrize("clip", [1.0, 0.3])
def test_a_dead_led_at_an_end_makes_passes_narrower(bar: Bar, clip: float):
    assert bar.pitch_m is not None
    rest = replace(bar, led_count=bar.led_count - 1, lit_length_m=bar.lit_length_m - bar.pitch_m)
    off_m = bar.pitch_m / 2
    beside = [Pass((p.start_m[0], p.start_m[1] + off_m), (p.end_m[0], p.end_m[1] + off_m), p.level) for p in APART]
    for lit_bar, passes, low, high in ((rest, beside, 0.8, 1.0), (bar, APART, 0.0, 0.02)):
        light = light_of(passes, lit_bar, PLAN.grid, blur_m=0.0018, floor=0.01, clip=clip)
        assert low <= narrow_of(light, bar) <= high


def test_lanes_that_overlap_tell_nothing_of_the_ends():
    assert narrow_of(lit(LANES), COMB) == 0


def test_a_tube_has_no_end_led():
    assert narrow_of(lit(APART, TUBE), TUBE) == 0


@pytest.mark.parametrize(
    ("dark", "narrow", "where"), [(0.3, 0.0, "two LED distances"), (0.0, 0.9, "at one of its ends")]
)
def test_a_dead_led_is_refused_with_where_it_is(dark: float, narrow: float, where: str):
    (remark,) = dark_led_remarks(dark, narrow)
    assert (remark.code, remark.level) == ("led-missing", "refused")
    assert where in remark.text


def test_a_whole_bar_is_no_reason_to_remark():
    assert dark_led_remarks(0.01, 0.2) == ()
