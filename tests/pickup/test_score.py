"""Pickup from weights, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from math import sqrt

import numpy as np
import pytest

from coverage_lab.pickup.score import score, summaries
from coverage_lab.pickup.settings import DEFAULTS, PickupSettings
from coverage_lab.pickup.values import PickupRun, PickupSummary
from coverage_lab.pickup.weigh import Weighed, pickup, reading_u_g

D = Decimal
PLAIN = replace(DEFAULTS, loss_g=D(0))


def weighed(run: str, percent: str, *, soil: str = "fine sand", empty: str = "512.34", **other: object) -> Weighed:
    gained = D(percent) * 25 / 100
    values = {
        "number": 2,
        "run": run,
        "robot": "heron",
        "floor": "hardwood",
        "soil": soil,
        "repeat": 1,
        "window_g": (D(24), D(26)),
        "empty_g": D(empty),
        "dosed_g": D(25),
        "after_g": D(empty) + gained,
        "cleaned_g": D(empty),
        "conditions": {},
        "note": "",
    }
    return Weighed(**(values | other))  # type: ignore[arg-type]


def scored(*runs: Weighed, settings: PickupSettings = PLAIN) -> tuple[tuple[PickupRun, ...], list[PickupSummary]]:
    found, _ = score(runs, settings)
    return found, list(summaries(found, runs, settings))


def codes(run: PickupRun) -> list[str]:
    return [remark.code for remark in run.quality]


def test_means_and_intervals_by_hand():
    # 84, 85, 86: mean 85, deviation 1; t(2) = 4.303, so ± 4.303 / √3 = 2.484.
    _, told = scored(weighed("a", "84"), weighed("b", "85"), weighed("c", "86"))
    (sand,) = told
    assert (sand.n, sand.mean_percent, sand.sd_points, sand.indicative) == (3, 85.0, 1.0, False)
    assert sand.pickup_percent is not None
    assert sand.pickup_percent.u == pytest.approx(1 / sqrt(3))
    assert sand.pickup_percent.interval_95 == pytest.approx((85 - 2.484, 85 + 2.484), abs=0.001)


def test_equal_repeats_do_not_hide_the_balance():
    # u of one reading: √(0.01² + 0.01²/12) = 0.010 408 g; of one run: 100/25 · 0.010 408 · √(2 + 0.85²) = 0.068 70.
    _, (sand,) = scored(weighed("a", "85"), weighed("b", "85"), weighed("c", "85"))
    assert sand.sd_points == 0
    assert sand.pickup_percent is not None
    assert sand.pickup_percent.u == pytest.approx(0.06870 / sqrt(3), rel=1e-3)


def test_soil_that_missed_the_strip_is_not_averaged_out():
    # Half-width 0.5 g of 25 g: u = 85 % · 0.5/√3/25 = 0.9815 points, for one run as for many.
    lossy = replace(PLAIN, loss_g=D("0.5"))
    runs = [weighed(f"r{i}", "85") for i in range(30)]
    _, (sand,) = scored(*runs, settings=lossy)
    assert sand.pickup_percent is not None
    assert sand.pickup_percent.u == pytest.approx(0.9815, rel=2e-3)


def test_overall_is_the_mean_of_the_repeated_soils():
    runs = [weighed(f"s{i}", p) for i, p in enumerate(["80", "82"])]
    runs += [weighed(f"g{i}", p, soil="coarse grain") for i, p in enumerate(["90", "90", "93"])]
    runs.append(weighed("hair", "20", soil="pet hair"))
    _, told = scored(*runs)
    by_soil = {one.soil: one for one in told}
    assert by_soil[None].mean_percent == pytest.approx((81 + 91) / 2)
    assert by_soil[None].n == 5
    assert by_soil["pet hair"].indicative
    assert by_soil["pet hair"].pickup_percent is None
    assert by_soil[None].pickup_percent is not None
    # Deviations √2 and √3: variances of the means 1 and 1; of their mean (1 + 1)/4.
    assert by_soil[None].pickup_percent.u == pytest.approx(sqrt(0.5))


def test_no_overall_number_without_one_of_its_soils():
    _, told = scored(weighed("a", "80"), weighed("b", "82"))
    assert [one.soil for one in told] == ["fine sand"]
    _, told = scored(weighed("a", "80"), weighed("b", "82"), weighed("c", "90", soil="coarse grain"))
    assert told[-1].soil is None
    assert told[-1].indicative
    assert told[-1].pickup_percent is None


def test_a_bin_that_was_not_clean_puts_the_next_run_in_doubt():
    runs, told = scored(
        weighed("a", "85", cleaned_g=D("512.38")),  # 0.04 g more than ± 2.8 · 0.0104 g = 0.029 g
        weighed("other", "85", robot="wren"),
        weighed("b", "86"),
        weighed("c", "87", cleaned_g=D("512.36")),
    )
    assert [codes(run) for run in runs] == [["carry-over"], [], ["doubtful"], []]
    assert "after a" in runs[2].quality[0].text
    assert all(run.counted for run in runs)
    assert next(one for one in told if one.robot == "heron").doubtful == 2


def test_over_100_and_negative_only_within_uncertainty():
    runs, told = scored(weighed("a", "100.1"), weighed("b", "100.3"), weighed("c", "-0.1"), weighed("d", "-1"))
    assert [run.counted for run in runs] == [True, False, True, False]
    assert codes(runs[0]) == codes(runs[2]) == ["outside-0-100"]
    assert "over 100 %" in (runs[1].reason or "")
    assert runs[1].pickup_percent is None
    assert told[0].n == 2


def test_swapped_bins_are_seen():
    (run,), _ = scored(weighed("a", "85", empty_g=D("533.59"), after_g=D("512.34")))
    assert run.reason == "-85.00 % is negative: bin_empty_g and bin_after_g look swapped"


def test_a_dose_outside_its_window_is_told():
    (run,), _ = scored(weighed("a", "85", window_g=(D("21.84"), D("22.72"))))
    assert codes(run) == ["dose-off"]


def test_a_drifting_balance_is_told_and_a_steady_one_is_not():
    rng = np.random.default_rng(5)
    steady = [weighed(f"r{i}", "85", empty=f"{512.34 + rng.normal(0, 0.01):.2f}") for i in range(21)]
    assert score(steady, PLAIN)[1] == ()
    drifting = [weighed(f"r{i}", "85", empty=f"{512.34 + 0.004 * i + rng.normal(0, 0.01):.2f}") for i in range(21)]
    (remark,) = score(drifting, PLAIN)[1]
    assert remark.code == "balance-drift"
    assert "+0.08" in remark.text or "+0.07" in remark.text or "+0.09" in remark.text


def test_steady_balances_are_seldom_suspected():
    rng = np.random.default_rng(8)
    sheets = [[weighed(f"r{i}", "85", empty=f"{512 + rng.normal(0, 0.01):.2f}") for i in range(21)] for _ in range(200)]
    assert sum(bool(score(sheet, PLAIN)[1]) for sheet in sheets) <= 4


def test_intervals_hold_the_truth_as_often_as_they_say():
    # Repeats scatter by 1.5 points around 80 %; every operator loses his own share of 0.2 g beside the strip.
    rng = np.random.default_rng(2)
    lossy = replace(DEFAULTS, loss_g=D("0.2"))
    held, sheets = 0, 600
    for _ in range(sheets):
        lost = rng.uniform(-0.2, 0.2)
        truths = rng.normal(80, 1.5, 3)
        runs = [
            weighed(f"r{i}", "80", after_g=D(f"{512.34 + (25 - lost) * true / 100 + rng.normal(0, 0.01):.2f}"))
            for i, true in enumerate(truths)
        ]
        _, (sand,) = scored(*runs, settings=lossy)
        assert sand.pickup_percent is not None
        low, high = sand.pickup_percent.interval_95
        held += low <= 80 <= high
    assert 0.93 < held / sheets < 0.985


def test_numbers_are_exact_in_decimal():
    found = pickup(D("512.34"), D("533.59"), D("25.00"), reading_u_g(D("0.01"), D("0.01")), D(0))
    assert found.percent == D(85)
    assert pickup(D("0.1"), D("0.3"), D("0.3"), D("0.01"), D(0)).percent * 3 == pytest.approx(200)
