"""Whether an exposure is fit to be measured, on straight passes from formulas."""

from __future__ import annotations

import numpy as np
import pytest
from trails.strips import COMB, Pass, light_of, plan_of

from coverage_lab.trails.exposure import Exposure, judge_exposure
from coverage_lab.trails.sweep import sweep

PLAN = plan_of(COMB, 0.004)
PASSES = [Pass((0.3, y), (1.5, y), 0.4) for y in (0.35, 0.54, 0.73, 0.92)]


def judged(light: np.ndarray, clip: float = 1.0) -> Exposure:
    swept = sweep(light, PLAN, COMB, clip, px_m=0.002)
    assert swept is not None
    return judge_exposure(light, swept, PLAN, clip)


def lit(floor: float = 0.01, scale: float = 1.0, noise: float = 0.0) -> np.ndarray:
    light = scale * light_of(PASSES, COMB, PLAN.grid, blur_m=0.005, clip=9.0, floor=floor)
    light = light + noise * np.random.default_rng(1).standard_normal(light.shape)
    return np.clip(light, 0, 1).astype(np.float32)


def test_a_good_exposure():
    exposure = judged(lit(noise=0.001))
    assert exposure.missed_at_clip == 0
    assert exposure.missed_over_trail < 0.1
    assert exposure.trail_over_noise > 150


def test_burnt_floor_is_told_by_its_share():
    light = lit()
    swept = sweep(light, PLAN, COMB, 1.0, px_m=0.002)
    assert swept is not None
    west = np.zeros(PLAN.grid.shape, bool)
    west[:, : PLAN.grid.cols // 2] = True
    light[west & (PLAN.reachable_share == 0)] = 1.0
    exposure = judge_exposure(light, swept, PLAN, 1.0)
    assert exposure.missed_at_clip == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("leak", [0.1, 0.3])
def test_leak_is_told_against_the_trail(leak: float):
    # A pass is 0.4 high on its tracks and hardly less on average once its comb is closed.
    assert judged(lit(floor=leak)).missed_over_trail == pytest.approx(leak / (leak + 0.4), rel=0.3)


@pytest.mark.parametrize("noise", [0.003, 0.01])
def test_noise_is_told_against_the_trail(noise: float):
    assert judged(lit(noise=noise)).trail_over_noise == pytest.approx(0.4 / noise, rel=0.3)


def test_a_frame_without_floor_out_of_reach_is_judged_by_nothing():
    light = lit()
    swept = sweep(light, PLAN, COMB, 1.0, px_m=0.002)
    assert swept is not None
    everywhere = plan_of(COMB, 0.004)
    everywhere.reachable_share[:] = 1.0
    exposure = judge_exposure(light, swept, everywhere, 1.0)
    assert (exposure.missed_at_clip, exposure.missed_over_trail) == (0.0, 0.0)
    assert exposure.trail_over_noise == np.inf


@pytest.mark.parametrize("lost", [0.0, 0.02, 0.08])
def test_passes_that_were_taken_for_missed_floor_are_told_against_the_trail(lost: float):
    light = lit()
    swept = sweep(light, PLAN, COMB, 1.0, px_m=0.002)
    assert swept is not None
    light[(swept.share < 0.01) & (PLAN.reachable_share > 0.99)] += lost
    left = judge_exposure(light, swept, PLAN, 1.0).left_over_trail
    assert left == pytest.approx(lost / 0.4, rel=0.3, abs=0.005)
