from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rendered_nights import NIGHTS, load
from shapely import box

from coverage_lab.measures.coverage import covered_percent, floor_facts, measure_coverage, whole_floor_95
from coverage_lab.measures.uncertainty import quantity
from coverage_lab.measures.values import Contribution, FloorFacts
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Room, Zone

FLOOR = box(0, 0, 4, 3)


def doubt(region, inset_m):
    return {"threshold": Contribution(0.3, "run"), "camera": Contribution(0.4, "night")}


def plan_of(seen=None, zones=(), floor=FLOOR) -> FloorPlan:
    return floor_plan(
        Room(floor, zones=zones),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.1,
        camera_centre_m=(2.0, 1.5, 2.8),
        seen=seen,
        grid=FloorGrid.over(floor, 0.01),
    )


def test_coverage_of_a_half_swept_floor():
    plan = plan_of(zones=(Zone("west", box(0, 0, 1, 3)), Zone("elsewhere", box(9, 9, 10, 10))))
    result = measure_coverage(plan.grid.weights(box(-1, -1, 2.0, 4)), plan, doubt)
    assert result.percent.value == pytest.approx(50)
    assert result.percent.u == pytest.approx(0.5)
    assert result.percent_of_reachable.value == pytest.approx(50)
    assert result.swept_m2.value == pytest.approx(6) and result.swept_m2.u == pytest.approx(0.06)
    assert result.zones["west"].value == pytest.approx(100)
    assert result.zones["west"].interval_95[1] == 100
    assert result.zones["elsewhere"] is None
    assert set(result.contributions) == {"threshold", "camera"}


def test_doubt_is_asked_for_each_region_by_itself():
    plan = plan_of(zones=(Zone("west", box(0, 0, 1, 3)),))

    def wider_for_small(region, inset_m):
        return {"edge": Contribution(1200 / float(region.sum()), "run")}

    result = measure_coverage(plan.grid.weights(box(0, 0, 1, 1)), plan, wider_for_small)
    assert result.zones["west"].u == pytest.approx(4 * result.percent.u, rel=1e-3)


def test_hidden_floor_is_no_part_of_the_share_and_widens_the_bounds():
    plan = plan_of(seen=box(-1, -1, 3, 4))
    result = measure_coverage(plan.grid.weights(box(0, 0, 4, 1.5)), plan, doubt)
    assert result.percent.value == pytest.approx(50)
    reach = 1.959964 * 0.5 * 0.75
    assert result.whole_floor_95 == pytest.approx((37.5 - reach, 62.5 + reach), abs=1e-4)


def test_bounds_stay_within_0_and_100():
    floor = FloorFacts(10.0, 9.9, 0.1, 9.0, 1.0)
    assert whole_floor_95(quantity(99.9, 1.0), floor)[1] == 100
    assert whole_floor_95(quantity(0.1, 1.0), floor)[0] == 0


def test_nothing_visible_gives_no_coverage():
    plan = plan_of(seen=box(7, 7, 8, 8))
    assert measure_coverage(plan.free_share, plan, doubt) is None


def test_where_the_body_fits_nowhere_there_is_no_reachable_share():
    plan = plan_of(floor=box(0, 0, 0.25, 3))
    result = measure_coverage(plan.free_share, plan, doubt)
    assert result.percent.value == pytest.approx(100) and result.percent_of_reachable is None


def test_floor_facts_add_up():
    facts = floor_facts(plan_of(seen=box(-1, -1, 3, 4)))
    assert facts.free_m2 == pytest.approx(12) and facts.hidden_m2 == pytest.approx(3)
    assert facts.visible_m2 + facts.hidden_m2 == pytest.approx(facts.free_m2)
    assert facts.reachable_m2 + facts.fringe_m2 == pytest.approx(facts.free_m2)


@settings(max_examples=30)
@given(st.integers(0, 2**31))
def test_more_trail_never_lowers_coverage(seed):
    rng = np.random.default_rng(seed)
    region = rng.random((12, 9), np.float32)
    swept = rng.random((12, 9), np.float32)
    more = np.minimum(swept + rng.random((12, 9), np.float32), 1)
    assert 0 <= covered_percent(swept, region) <= covered_percent(more, region) <= 100.0001


def test_a_region_without_floor_has_no_share():
    assert covered_percent(np.ones((3, 3), np.float32), np.zeros((3, 3), np.float32)) is None


@pytest.mark.parametrize("night", NIGHTS)
def test_shares_of_the_true_sweep_of_rendered_nights(rendered: Path, night: str):
    # The stored outline is simplified by 0.3 mm, which by itself moves a share by up to 0.015 points.
    known = load(rendered / night)
    result = measure_coverage(known.swept_share, known.plan, doubt)
    visible = known.truth["hidden_from_camera"]["coverage_percent_of_visible_free_floor"]
    reachable = known.truth["reachable"]["coverage_percent_of_reachable_visible"]
    assert result.percent.value == pytest.approx(visible, abs=0.02)
    assert result.percent_of_reachable.value == pytest.approx(reachable, abs=0.02)
    low, high = result.whole_floor_95
    assert low < known.truth["coverage_percent"] < high


def test_coarser_cells_do_not_bias_coverage(rendered: Path):
    results = [
        measure_coverage(known.swept_share, known.plan, doubt).percent.value
        for known in (load(rendered / "bounce", cell_m) for cell_m in (0.002, 0.004, 0.01))
    ]
    assert results[1] == pytest.approx(results[0], abs=0.02)
    assert results[2] == pytest.approx(results[0], abs=0.1)
