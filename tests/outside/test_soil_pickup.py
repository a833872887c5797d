"""Soil tests against what is published of them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from uncertainties import ufloat

from coverage_lab.pickup.dose import Strip, dose
from coverage_lab.pickup.settings import DEFAULTS
from coverage_lab.pickup.weigh import pickup

D = Decimal


def test_dose_of_a_published_test():
    # A published consumer test spreads 25 g of sand; at 125 g/m² (IEC 60312-1 / IEC 62885-2, from memory) that is a
    # strip of 0.70 m × 0.2857 m.
    assert dose(D(125), Strip(D("285.7"), D(700)), D("0.1"), D(2)).target_g == D("25.0")


def test_densities():
    # 125 g/m² on carpet: IEC dust-removal test, from memory. 40 % of it on hard floor: common practice, no source.
    assert DEFAULTS.floors == {"hardwood": D(50), "low-pile carpet": D(125), "high-pile carpet": D(125)}


def test_pickup_and_its_uncertainty():
    # Mass picked up over mass spread (DIN EN 60312-1:2017, as a maker of test sand quotes it); uncertainty by
    # JCGM 100:2008, 5.1.2: p = 100 (m1 − m0)/ms with u = 0.01 g each. Worked by hand: 85 %, 0.0660 %.
    found = pickup(D("512.34"), D("533.59"), D("25.00"), D("0.01"), D(0))
    assert found.percent == 85
    assert float(found.u_points) == pytest.approx(0.0660, abs=1e-4)


def test_the_same_by_another_program():
    # The library `uncertainties` propagates by automatic differentiation.
    empty, after, dosed = ufloat(498.21, 0.013), ufloat(515.02, 0.013), ufloat(22.31, 0.013)
    other = 100 * (after - empty) / dosed
    found = pickup(D("498.21"), D("515.02"), D("22.31"), D("0.013"), D(0))
    assert float(found.percent) == pytest.approx(other.nominal_value, rel=1e-12)
    assert float(found.u_points) == pytest.approx(other.std_dev, rel=1e-9)
    lost = 100 * (after - empty) / (dosed + ufloat(0, 0.05 / 3**0.5))
    with_loss = pickup(D("498.21"), D("515.02"), D("22.31"), D("0.013"), D("0.05"))
    assert float(with_loss.u_points) == pytest.approx(lost.std_dev, rel=1e-9)
