"""A dead LED in the comb or at its end, on straight passes from formulas."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from trails.strips import COMB, DENSE, TUBE, Pass, light_of, plan_of

from coverage_lab.job import Bar, Run
from coverage_lab.remarks import dark_led_remarks
from coverage_lab.room.plan import FloorPlan
from coverage_lab.setting import lay_out, look
from coverage_lab.simulate.exposure import Exposure, expose, light_up
from coverage_lab.trails.comb import Comb
from coverage_lab.trails.darkled import DarkTracks, dark_track_share, dark_tracks, narrow_pass_share
from coverage_lab.trails.outline import Outline
from coverage_lab.trails.sweep import sweep
from tests.benchmarks.simulated import Condition, known_set_up, poses_of, robot_of, scene_of, write_frame

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
    ("dark", "narrow", "where"), [(0.3, 0.0, "which one can't be told"), (0.0, 0.9, "at one of its ends")]
)
def test_a_dead_led_is_refused_with_where_it_is(dark: float, narrow: float, where: str):
    (remark,) = dark_led_remarks(dark, narrow, DarkTracks(), 14)
    assert (remark.code, remark.level) == ("led-missing", "refused")
    assert where in remark.text


@pytest.mark.parametrize(
    ("leds", "count", "named"),
    [
        ((3,), 14, "LED 3 of 14 from one end, 12 from the other"),
        ((8,), 15, "the middle one of 15 LEDs"),
        ((3, 6), 14, "LEDs 3 and 6 of 14, each counted from one end or the other"),
    ],
)
def test_a_dead_led_has_a_number_from_either_end(leds: tuple[int, ...], count: int, named: str):
    (remark,) = dark_led_remarks(0.0, 0.0, DarkTracks(leds, 0.2), count)
    assert named in remark.text


def test_a_whole_bar_is_no_reason_to_remark():
    assert dark_led_remarks(0.01, 0.2, DarkTracks(), 14) == ()


def leds_of(light: np.ndarray, bar: Bar, clip: float, plan: FloorPlan = PLAN) -> tuple[int, ...]:
    swept = sweep(light, plan, bar, clip, px_m=0.002)
    assert swept is not None
    comb = Comb.of(bar, plan.grid.cell_m)
    capped = np.minimum(light, np.float32(clip))
    return dark_tracks(capped, swept.outline, swept.first_track, comb, swept.cut).leds


@pytest.mark.parametrize("dead", [1, 2, 4, 7])
def test_a_dead_led_is_named_from_the_nearer_end(dead: int):
    """Indices count from 0 and from one end, names from 1 and from the nearer."""
    assert leds_of(lit(LANES, dead=dead), COMB, 1.0) == (min(dead, COMB.led_count - 1 - dead) + 1,)


@pytest.mark.parametrize(("bar", "passes"), [(COMB, LANES), (COMB, APART), (DENSE, APART), (TUBE, APART)])
def test_no_led_of_a_whole_bar_is_named(bar: Bar, passes: list[Pass]):
    assert leds_of(lit(passes, bar), bar, 1.0) == ()


def test_at_least_nine_of_ten_dead_leds_are_named_right(tmp_path: Path):
    """Simulated runs, from fine combs to coarse ones, lanes and bouncing, faint and clipped, LEDs unequal."""
    rng = np.random.default_rng(4)
    right, wrong = 0, []
    for pitch_mm, manner in product((6.0, 8.0, 12.0, 16.5, 25.0), ("lanes", "bounce")):
        level = float(np.exp(rng.uniform(np.log(0.15), np.log(1.0))))
        size = 1.6 if pitch_mm < 8 else 2.0
        condition = Condition(manner, level=level, pitch_mm=pitch_mm, mm_per_px=size, led_spread=0.1)  # type: ignore[arg-type]
        count = robot_of(condition).bar.led_count
        dead = int(rng.integers(1, count - 1))
        named, true = _named_in_simulation(condition, dead, tmp_path), (min(dead, count - 1 - dead) + 1,)
        right += named == true
        wrong += [(condition, named, true)] if named not in ((), true) else []
    assert right >= 9
    assert not wrong


def _named_in_simulation(condition: Condition, dead: int, folder: Path) -> tuple[int, ...]:
    """Photograph a run with LED `dead`, counted from 0, dark; return which are named."""
    robot, scene = robot_of(condition), scene_of(condition.mm_per_px, 0.0)
    poses = poses_of(condition.manner, 0.0, condition.seed)
    exposure = Exposure(level=condition.level, led_spread=condition.led_spread)
    rng = np.random.default_rng(5)
    lamps = light_up(poses, robot.bar, scene, exposure, rng)
    strengths = np.where(np.arange(robot.bar.led_count) == dead, 0.0, lamps.strengths)
    codes = expose(poses, robot.bar, scene, exposure, rng, replace(lamps, strengths=strengths))
    path = write_frame(folder / "frame", codes, condition.jpeg_quality)
    setting = known_set_up(folder, scene.room, scene.camera, robot)
    plan = lay_out(setting, robot)
    seen = look(Run("heron-1", "night/heron-1", "heron", 1, "coverage", (path,)), setting, plan)
    return leds_of(seen.light, robot.bar, seen.clip, plan)


@pytest.mark.parametrize(("strength", "told"), [(0.0, True), (0.33, False)])
def test_a_weak_led_is_not_a_dead_one(strength: float, told: bool):
    whole, without = lit(LANES), lit(LANES, dead=4)
    swept = sweep(whole, PLAN, COMB, 1.0, px_m=0.002)
    assert swept is not None
    light = np.asarray(without + strength * (whole - without), np.float32)
    comb = Comb.of(COMB, PLAN.grid.cell_m)
    assert bool(dark_tracks(light, swept.outline, swept.first_track, comb, swept.cut).leds) is told
