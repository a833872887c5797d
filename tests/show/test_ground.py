from __future__ import annotations

import numpy as np
import pytest
from pictured import scene

from coverage_lab.show.ground import paint, toned
from coverage_lab.show.scale import PlanScale

SWEPT_AT, MISSED_AT, FRINGE_AT, HIDDEN_AT, BOX_AT = (0.7, 0.6), (1.5, 0.6), (1.2, 0.07), (0.3, 1.3), (0.65, 1.3)


def around(picture, scale, xy_m, half_px=12):
    col, row = np.rint(scale.to_px(xy_m)).astype(int)
    return picture[row - half_px : row + half_px, col - half_px : col + half_px].astype(float)


@pytest.fixture(scope="module")
def painted():
    s = scene()
    scale = PlanScale.fitting(s.plan.grid, 1000, 1000)
    tone = toned(s.light, s.plan.free_share, scale.size).tone
    return paint(tone, s.plan, s.swept, None, scale), scale


def test_each_kind_of_floor_has_its_own_tint(painted):
    picture, scale = painted
    red, _, blue = around(picture, scale, SWEPT_AT).mean((0, 1))
    assert blue > red + 40
    red, _, blue = around(picture, scale, MISSED_AT).mean((0, 1))
    assert red > blue + 80
    red, green, blue = around(picture, scale, HIDDEN_AT).mean((0, 1))
    assert blue > red > green
    fringe = around(picture, scale, FRINGE_AT).mean((0, 1))
    assert np.ptp(fringe) < 30  # nearly grey
    assert around(picture, scale, BOX_AT).mean() > 200  # nearly paper


def test_trails_stay_visible_where_the_floor_is_swept(painted):
    picture, scale = painted
    assert around(picture, scale, SWEPT_AT).mean(2).std() > 15


def test_floor_whose_light_is_too_strong_is_neither_swept_nor_missed():
    s = scene()
    scale = PlanScale.fitting(s.plan.grid, 1000, 1000)
    tone = toned(s.light, s.plan.free_share, scale.size).tone
    unknown = np.zeros_like(s.swept)
    centre = np.rint(s.plan.grid.to_cell(SWEPT_AT)).astype(int)
    unknown[centre[0] - 15 : centre[0] + 15, centre[1] - 15 : centre[1] + 15] = 1
    without = around(paint(tone, s.plan, s.swept, None, scale), scale, SWEPT_AT)
    judged = around(paint(tone, s.plan, s.swept, unknown, scale), scale, SWEPT_AT)
    assert np.abs(judged - without).mean() > 40


def test_without_a_swept_share_free_floor_is_the_bare_grey_exposure():
    s = scene()
    scale = PlanScale.fitting(s.plan.grid, 1000, 1000)
    picture = paint(toned(s.light, s.plan.free_share, scale.size).tone, s.plan, None, None, scale)
    for at in (SWEPT_AT, MISSED_AT):
        assert np.ptp(around(picture, scale, at), axis=2).max() < 12


def test_swept_share_beyond_the_floor_is_not_tinted():
    s = scene()
    scale = PlanScale.fitting(s.plan.grid, 1000, 1000)
    tone = toned(s.light, s.plan.free_share, scale.size).tone
    everywhere = paint(tone, s.plan, np.ones_like(s.swept), None, scale)
    assert np.array_equal(everywhere[:20], paint(tone, s.plan, s.swept, None, scale)[:20])


@pytest.mark.parametrize("factor", [0.5, 2.0, 8.0])
def test_the_picture_is_as_legible_at_any_exposure(factor):
    s = scene()
    size = (500, 400)
    once = toned(s.light, s.plan.free_share, size).tone.astype(int)
    again = toned(s.light * np.float32(factor), s.plan.free_share, size).tone.astype(int)
    assert np.abs(once - again).max() <= 1


def test_half_of_the_floor_is_darker_than_the_middle_tone():
    s = scene()
    rng = np.random.default_rng(5)
    strong = rng.beta(8, 2, s.light.shape).astype(np.float32)
    tone = toned(strong, s.plan.free_share, (s.light.shape[1], s.light.shape[0])).tone
    assert 0.25 < np.median(tone[s.plan.free_share == 1]) / 255 < 0.55


def test_the_levels_named_for_black_middle_and_white_are_true():
    s = scene()
    ramp = np.linspace(0.1, 0.6, s.light.size, dtype=np.float32).reshape(s.light.shape)
    found = toned(ramp, s.plan.free_share, (s.light.shape[1], s.light.shape[0]))
    middle = ramp[np.abs(found.tone.astype(int) - 128) <= 1].mean()
    assert found.middle == pytest.approx(middle, abs=0.005)
    assert ramp[found.tone == 255].min() == pytest.approx(found.white, abs=0.005)
    assert ramp[found.tone == 0].max() == pytest.approx(found.black, abs=0.008)


def test_noise_of_a_black_exposure_is_not_stretched():
    s = scene()
    noise = np.random.default_rng(2).normal(0, 1e-4, s.light.shape).astype(np.float32)
    found = toned(noise, s.plan.free_share, (300, 240))
    assert found.white - found.black >= 0.004


def test_light_that_is_no_number_is_black():
    s = scene()
    holed = s.light.copy()
    holed[:60] = np.nan
    tone = toned(holed, s.plan.free_share, (s.light.shape[1], s.light.shape[0])).tone
    assert not tone[:55].any()
    assert tone[60:].any()
