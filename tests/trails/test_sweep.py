"""The swept floor of straight passes whose strips are known exactly."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from strips import COMB, DENSE, FLOOR, TUBE, Pass, light_of, plan_of, swept_by

from coverage_lab.room.room import Obstacle, Room
from coverage_lab.trails.level import trail_level
from coverage_lab.trails.sweep import sweep

ACROSS = Pass((0.3, 0.7), (1.5, 0.7))
SLANTING = Pass((0.4, 0.4), (1.4, 1.0))


def off_by_mm(passes, bar, *, cell_m=0.002, blur_m=0.0026, clip=1.0, floor=0.0, plan=None):
    """How far, on the mean, the outline of the swept floor lies too far out."""
    plan = plan or plan_of(bar, cell_m)
    light = light_of(passes, bar, plan.grid, blur_m=blur_m, clip=clip, floor=floor)
    found = sweep(light, plan, bar, clip, px_m=0.002)
    true = swept_by(passes, bar) & plan.free
    area_m2 = float((found.share * plan.free_share).sum(dtype=float)) * plan.grid.cell_m2
    return 1000 * (area_m2 - true.area) / true.length


@pytest.mark.parametrize("bar", [COMB, DENSE, TUBE], ids=["comb", "dense", "tube"])
@pytest.mark.parametrize("level", [0.05, 0.4, 0.9])
def test_unclipped_passes_end_where_their_strips_do(bar, level):
    passes = [Pass(ACROSS.start_m, ACROSS.end_m, level), Pass(SLANTING.start_m, SLANTING.end_m, 1.1 * level)]
    assert abs(off_by_mm(passes, bar, clip=10.0)) < 0.6


@pytest.mark.parametrize("bar", [COMB, DENSE, TUBE], ids=["comb", "dense", "tube"])
@pytest.mark.parametrize("times_full_scale", [2.5, 10.0, 50.0])
def test_clipping_does_not_widen_passes(bar, times_full_scale):
    passes = [Pass(ACROSS.start_m, ACROSS.end_m, times_full_scale)]
    assert abs(off_by_mm(passes, bar)) < 1.0


def test_passes_that_almost_coincide_are_not_taken_for_a_single_one():
    """They are wider than the bar, and would make a blur of it that is not there."""
    fast = Pass((0.3, 0.2), (1.5, 0.2), 0.4)
    pairs = [(0.6, 0.008), (0.9, 0.016), (1.2, 0.024)]
    slow = [Pass((0.3, y_m + off_m), (1.5, y_m + off_m), 3.0) for y_m, apart_m in pairs for off_m in (0, apart_m)]
    assert abs(off_by_mm([fast, *slow], TUBE)) < 0.8


@pytest.mark.parametrize("bar", [COMB, DENSE, TUBE], ids=["comb", "dense", "tube"])
def test_a_halo_is_not_taken_for_blur(bar):
    plan = plan_of(bar)
    light = light_of([ACROSS, SLANTING], bar, plan.grid, blur_m=0.0026)
    blurs_m = [
        sweep((light + halo * gaussian_filter(light, 12)).astype(np.float32), plan, bar, 10.0, px_m=0.002).blur_m
        for halo in (0.0, 0.1)
    ]
    assert blurs_m[1] == pytest.approx(blurs_m[0], rel=0.03)


@pytest.mark.parametrize(("brightnesses", "swept"), [((51,), 1.0), ((12, 13, 14, 15, 16), 0.05)])
def test_a_spot_in_a_fast_pass_is_missed_only_if_it_is_dark_beyond_doubt(brightnesses, swept):
    """As the track of a weak LED is, in a pass that is hardly brighter than the level.

    What is found of a dark spot as small as this one jumps at times with a light's last digit, so several tell.
    """
    plan = plan_of(COMB)
    passes = [Pass((0.3, 0.5), (1.5, 0.5), 0.1), Pass((0.3, 1.0), (1.5, 1.0), 0.5)]
    light = light_of(passes, COMB, plan.grid, blur_m=0.0026)
    spot = plan.grid.weights(shapely.Point(0.9, 0.5).buffer(0.012)) > 0.5
    shares = []
    for brightness in brightnesses:
        light[spot] = (brightness / 255) ** 2
        found = sweep(light, plan, COMB, 1.0, px_m=0.002)
        assert found.level.low < 51 < found.level.level
        shares.append(found.share[spot].mean())
    assert np.median(shares) == pytest.approx(swept, abs=0.05)


def test_a_slow_pass_beside_a_fast_one_is_as_wide():
    """Tenfold the light at the same place: a level would move the edge, the flank's shape does not."""
    slow = Pass((0.3, 1.05), (1.5, 1.05), 4.0)
    fast = Pass((0.3, 0.35), (1.5, 0.35), 0.4)
    assert abs(off_by_mm([slow, fast], COMB, clip=100.0)) < 0.6


def test_even_glow_of_the_floor_changes_nothing():
    passes = [ACROSS, SLANTING]
    assert off_by_mm(passes, COMB, floor=0.1) == pytest.approx(off_by_mm(passes, COMB), abs=0.15)


@pytest.mark.parametrize(("cell_m", "limit_mm"), [(0.001, 0.5), (0.004, 1.2)])
def test_the_cell_size_hardly_matters(cell_m, limit_mm):
    assert abs(off_by_mm([ACROSS, SLANTING], COMB, cell_m=cell_m)) < limit_mm


@settings(max_examples=12, deadline=None)
@given(turn_deg=st.floats(0, 180), blur_mm=st.floats(2.0, 4.5))
def test_any_direction_and_blur(turn_deg, blur_mm):
    way = 0.45 * np.array([np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))])
    one = Pass(tuple(np.array([0.9, 0.7]) - way), tuple(np.array([0.9, 0.7]) + way))
    assert abs(off_by_mm([one], COMB, blur_m=blur_mm / 1000)) < 0.8


def test_nothing_between_the_tracks_of_a_pass_counts_as_missed():
    plan = plan_of(COMB)
    found = sweep(light_of([ACROSS], COMB, plan.grid, blur_m=0.0022), plan, COMB, 1.0, px_m=0.002)
    well_inside = plan.grid.weights(ACROSS.strip(COMB).buffer(-0.01)) == 1
    assert found.share[well_inside].min() == 1


@pytest.mark.parametrize("gap_m", [0.025, 0.05])
def test_a_gap_wider_than_the_pitch_stays_open(gap_m):
    apart = COMB.nozzle_m + gap_m
    passes = [Pass((0.3, 0.5), (1.5, 0.5)), Pass((0.3, 0.5 + apart), (1.5, 0.5 + apart))]
    plan = plan_of(COMB)
    found = sweep(light_of(passes, COMB, plan.grid, blur_m=0.0022), plan, COMB, 1.0, px_m=0.002)
    middle = shapely.box(0.4, 0.5 + COMB.nozzle_m / 2, 1.4, 0.5 + COMB.nozzle_m / 2 + gap_m)
    missed_m2 = float(((1 - found.share) * plan.grid.weights(middle)).sum()) * plan.grid.cell_m2
    assert missed_m2 == pytest.approx(middle.area, rel=0.06)


def test_a_lamp_that_is_no_trail_is_left_out():
    plan = plan_of(COMB)
    spot = shapely.Point(1.0, 1.1).buffer(0.02)
    small = 0.5 * plan.grid.weights(spot)
    light = light_of([ACROSS], COMB, plan.grid, blur_m=0.0026)
    with_lamp = sweep(np.maximum(light, small), plan, COMB, 1.0, px_m=0.002)
    assert not with_lamp.share[plan.grid.weights(spot.buffer(0.05)) > 0].any()
    without = sweep(light, plan, COMB, 1.0, px_m=0.002)
    assert with_lamp.share.sum() == pytest.approx(without.share.sum(), rel=1e-3)


def test_a_trail_that_furniture_cuts_off_goes_on_behind_it():
    """Light ends at the shadow of a tall box; visible floor beside the shadow is swept all the same."""
    tall = Obstacle("box", shapely.box(0.85, 0.52, 0.95, 0.6), 1.5)
    plan = plan_of(COMB, room=Room(FLOOR, obstacles=(tall,)))
    one = Pass((0.3, 0.4), (1.5, 0.4))
    light = light_of([one], COMB, plan.grid, blur_m=0.0026)
    light[plan.hidden_share > 0.5] = 0
    found = sweep(light, plan, COMB, 1.0, px_m=0.002)
    beside = plan.grid.weights(one.strip(COMB).buffer(-0.004)) * (plan.visible_share == 1)
    assert float((found.share * beside).sum() / beside.sum()) > 0.9995


def test_the_first_valley_parts_trail_from_floor():
    """Passes of two speeds leave a valley between them too; it must not be taken for the floor's."""
    closed = np.concatenate([np.full(9000, 20), np.full(3000, 120), np.full(3000, 250)]).astype(np.uint8)[:, None]
    level = trail_level(closed, np.ones_like(closed, bool), closed == 20)
    assert 20 < level.level < 120


def test_clipped_passes_are_told_from_floor_by_a_level_just_under_the_clip():
    """Their light is more than it looks, and so is their halo's."""
    closed = np.concatenate([np.arange(40, 250).repeat(20), np.full(9000, 40), np.full(9000, 254)])
    closed = closed.astype(np.uint8)[:, None]
    level = trail_level(closed, np.ones_like(closed, bool), closed == 40)
    assert 200 < level.level < 250


def test_a_dark_floor_has_no_trail():
    plan = plan_of(COMB)
    noise = np.random.default_rng(0).normal(0.002, 0.0005, plan.grid.shape).astype(np.float32)
    assert sweep(noise, plan, COMB, 1.0, px_m=0.002) is None
    assert sweep(np.zeros(plan.grid.shape, np.float32), plan, COMB, 1.0, px_m=0.002) is None


def test_swept_floor_is_reproducible():
    plan = plan_of(COMB)
    light = light_of([ACROSS, SLANTING], COMB, plan.grid, blur_m=0.0026)
    assert np.array_equal(
        sweep(light, plan, COMB, 1.0, px_m=0.002).share, sweep(light.copy(), plan, COMB, 1.0, px_m=0.002).share
    )
