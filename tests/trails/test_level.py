"""From which brightness on light is trail, on floors of stated brightness."""

from __future__ import annotations

import numpy as np
import pytest

from coverage_lab.trails.level import TrailLevel, trail_level

MISSED = 40_000  # cells of floor out of reach, at brightness 20


def level_of(floor: np.ndarray) -> TrailLevel:
    rng = np.random.default_rng(4)
    closed = np.concatenate([floor, rng.normal(20, 2, MISSED)])
    missed = np.arange(len(closed)) >= len(floor)
    found = trail_level(np.clip(closed, 0, 255).astype(np.uint8)[None], ~missed[None], missed[None])
    assert found is not None
    return found


def halo(*bump: float) -> np.ndarray:
    """Floor beside clipped trail: ever less of it, the brighter, and a bump of texture on it if asked for."""
    rng = np.random.default_rng(5)
    slope = 30 + rng.exponential(25, 40_000)
    return np.concatenate([slope[slope < 150], *(rng.normal(at, 4, 2_500) for at in bump)])


def passes(*at: float, cells: int = 60_000) -> np.ndarray:
    rng = np.random.default_rng(6)
    return np.concatenate([rng.normal(one, 6, cells) for one in at])


def test_a_bump_on_a_halo_s_slope_is_no_pass():
    found = level_of(np.concatenate([halo(70.0), passes(240.0)]))
    assert found.level > 110


@pytest.mark.parametrize("brightest", [180.0, 240.0])
def test_the_level_keeps_clear_of_a_fast_pass_whose_light_runs_over_into_that_of_slower_ones(brightest: float):
    rng = np.random.default_rng(7)
    fast, slower = rng.normal(70, 4, 8_000), rng.uniform(72, brightest, round(500 * (brightest - 72)))
    assert level_of(np.concatenate([fast, slower, passes(brightest)])).level < 53
