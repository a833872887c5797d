"""Strip and dose, worked by hand, and what is said of sizes that cannot be."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coverage_lab.errors import BadInput
from coverage_lab.pickup.dose import Strip, dose, strip
from coverage_lab.pickup.plan import plan_runs
from coverage_lab.pickup.settings import DEFAULTS, PickupSettings, Soil

D = Decimal


def test_a_strip_by_hand():
    # 280 − 25.4 = 254.6 mm; 0.2546 m × 0.7 m = 0.178 22 m²; × 125 g/m² = 22.2775 g, × 50 g/m² = 8.911 g.
    on = strip(D(280), D(700))
    assert (on.width_mm, on.area_m2) == (D("254.6"), D("0.17822"))
    carpet = dose(D(125), on, D("0.01"), D(2))
    assert (carpet.exact_g, carpet.target_g) == (D("22.2775"), D("22.28"))
    assert (carpet.low_g, carpet.high_g) == (D("21.84"), D("22.72"))  # 21.831 95 rounded up, 22.723 05 down
    assert dose(D(50), on, D("0.01"), D(2)).target_g == D("8.91")


def test_a_balance_that_counts_in_fives():
    on = Strip(D(200), D(500))  # 0.1 m²
    assert dose(D("61.3"), on, D("0.05"), D(2)).target_g == D("6.15")  # 6.13 lies nearer to 6.15 than to 6.10
    assert dose(D("61.25"), on, D("0.05"), D(2)).target_g == D("6.15")  # 6.125 is half-way: up


@given(
    density=st.decimals("1", "500", places=1),
    width=st.decimals("60", "650", places=1),
    length=st.decimals("100", "5000", places=0),
    step=st.sampled_from([D("0.001"), D("0.01"), D("0.02"), D("0.1")]),
)
def test_whatever_is_shown_within_the_window_is_good(density: Decimal, width: Decimal, length: Decimal, step: Decimal):
    on = Strip(width, length)
    exact = density * width * length / 1_000_000
    try:
        planned = dose(density, on, step, D(2))
    except BadInput:
        assert step > exact * D("0.02")  # the window holds no step
        return
    assert planned.exact_g == exact
    assert abs(planned.target_g - exact) <= step / 2
    assert exact * D("0.98") <= planned.low_g <= planned.target_g <= planned.high_g <= exact * D("1.02")
    assert all(mass % step == 0 for mass in (planned.low_g, planned.target_g, planned.high_g))


@pytest.mark.parametrize(
    ("nozzle", "told"),
    [
        ("28", "looks like centimetres. Write 280"),
        ("0.28", "leaves no strip, 25.4 mm are margin; it looks like metres. Write 280"),
        ("11", "leaves no strip, 25.4 mm are margin; it looks like centimetres or inches. Write 110 or 279.4"),
        ("25.4", "leaves no strip"),
        ("-3", "leaves no strip, 25.4 mm are margin. Give 60 to 700 mm"),
        ("2800", "2800 mm is out of range. Give 60 to 700 mm"),
    ],
)
def test_a_nozzle_that_cannot_be_is_refused_with_the_likely_unit(nozzle: str, told: str):
    with pytest.raises(BadInput) as error:
        strip(D(nozzle), D(700))
    assert told in str(error.value)
    assert str(error.value).startswith("--nozzle-mm: ")


def test_both_sizes_are_told_at_once():
    with pytest.raises(BadInput) as error:
        strip(D("0.28"), D("0.7"))
    assert [problem.field for problem in error.value.problems] == ["--nozzle-mm", "--bed-length-mm"]


def test_a_balance_that_is_too_coarse_is_refused():
    with pytest.raises(BadInput, match=r"steps of 1 g are too coarse for 0\.8911 g ± 2 %"):
        dose(D(5), strip(D(280), D(700)), D(1), D(2))


def test_the_plan_has_21_runs_each_once_in_an_order_of_its_own():
    plan = plan_runs("heron", D(280), D(700), DEFAULTS, seed=1)
    combinations = {(run.floor, run.soil, run.repeat) for run in plan.runs}
    assert len(plan.runs) == len(combinations) == 21
    floors = [run.floor for run in plan.runs]
    assert floors == sorted(floors, key=list(DEFAULTS.floors).index)  # one floor after the other
    orders = {tuple((run.soil, run.repeat) for run in plan.runs if run.floor == floor) for floor in DEFAULTS.floors}
    assert len(orders) == 3
    assert plan == plan_runs("heron", D(280), D(700), DEFAULTS, seed=1)
    assert plan != plan_runs("heron", D(280), D(700), DEFAULTS, seed=2)
    other = plan_runs("wren", D(280), D(700), DEFAULTS, seed=1)
    assert [run.soil for run in other.runs] != [run.soil for run in plan.runs]


def test_every_place_of_the_order_is_equally_likely():
    settings = PickupSettings({"oak": D(50)}, {"sand": Soil(2), "hair": Soil(1)})
    first = [plan_runs("heron", D(280), D(700), settings, seed).runs[0] for seed in range(900)]
    for wanted in (("sand", 1), ("sand", 2), ("hair", 1)):
        count = sum((run.soil, run.repeat) == wanted for run in first)
        assert abs(count - 300) < 4 * (900 * 2 / 9) ** 0.5
