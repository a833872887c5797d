"""Comparing robots against published examples, tables, and other libraries."""

from __future__ import annotations

from math import log

import numpy as np
import pytest
import scipy.optimize
import scipy.stats
import statsmodels.formula.api
from pandas import DataFrame
from statsmodels.stats.multicomp import pairwise_tukeyhsd
from statsmodels.stats.power import TTestIndPower

from coverage_lab.compare import tell_apart
from coverage_lab.compare.dunnett import LargestDifference
from coverage_lab.compare.model import fit
from coverage_lab.compare.repeatability import equal_spread_p, grubbs_p, spread, summary
from coverage_lab.compare.shared import Shared


def one_night(*groups) -> tell_apart.Robots:
    """Robots with these values as their logits, all of one night, that share nothing."""
    values = np.concatenate(groups)
    robots = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    fitted = fit(values, robots, ["n"] * len(values))
    assert fitted is not None
    names = tuple(str(index + 1) for index in range(len(groups)))
    none = Shared(np.zeros(len(groups)), np.zeros((len(groups), 0)))
    return tell_apart.Robots(names, fitted, none, (0,) * len(groups))


def intervals(family) -> dict[tuple[str, str], tuple[float, float, float]]:
    """Bounds of mean(against) − mean(robot) and the p value, by both names."""
    return {
        (one.against, one.robot): (
            -log(one.odds_ratio) - family.critical * one.se_logit,
            -log(one.odds_ratio) + family.critical * one.se_logit,
            one.p_value,
        )
        for one in family.differences
    }


NIST_TUKEY = (
    [6.9, 5.4, 5.8, 4.6, 4.0],
    [8.3, 6.8, 7.8, 9.2, 6.5],
    [8.0, 10.5, 8.1, 6.9, 9.3],
    [5.8, 3.8, 6.1, 5.6, 6.2],
)


def test_nist_tukey_example():
    # NIST/SEMATECH e-Handbook, 7.4.7.1; data as in SciPy's tests.
    robots = one_night(*NIST_TUKEY)
    family = tell_apart.tukey(robots)
    published = {
        ("2", "1"): (0.29, 4.47),
        ("3", "1"): (1.13, 5.31),
        ("4", "1"): (-1.93, 2.25),
        ("3", "2"): (-1.25, 2.93),
        ("4", "2"): (-4.31, -0.13),
        ("4", "3"): (-5.15, -0.97),
    }
    for pair, (low, high, _) in intervals(family).items():
        assert (low, high) == pytest.approx(published[pair], abs=0.005)
    assert robots.fit.variance == pytest.approx(1.33075, abs=1e-5)
    assert [(one.robot, one.against) for one in family.differences if one.different] == [
        ("1", "2"),
        ("1", "3"),
        ("2", "4"),
        ("3", "4"),
    ]
    assert tell_apart.groups(family, ("3", "2", "4", "1")) == {"3": "a", "2": "a", "4": "b", "1": "b"}
    assert tell_apart.places(family, ("3", "2", "4", "1")) == {"3": (3, 4), "2": (3, 4), "4": (1, 2), "1": (1, 2)}


def test_tukey_example_of_another_program():
    # SAS and Matlab output, as in SciPy's tests of tukey_hsd.
    family = tell_apart.tukey(
        one_night([24.5, 23.5, 26.4, 27.1, 29.9], [28.4, 34.2, 29.5, 32.2, 30.1], [26.1, 28.3, 24.3, 26.2, 27.8])
    )
    found = intervals(family)
    assert found["2", "1"] == pytest.approx((0.9508409751, 8.2491590249, 0.0144483269), abs=1e-6)
    assert found["3", "2"] == pytest.approx((-7.9891590249, -0.6908409751, 0.0203311369), abs=1e-6)
    assert found["3", "1"] == pytest.approx((-3.3891590249, 3.9091590249, 0.9803107241), abs=1e-6)


UNEQUAL = ([7.4, 8.5, 7.2, 8.24, 9.84, 8.32], [9.76, 8.8, 7.68, 9.36], [12.8, 9.68, 12.16, 9.2, 10.55])


def test_tukey_of_unequal_groups_against_statsmodels_and_scipy():
    found = intervals(tell_apart.tukey(one_night(*UNEQUAL)))
    labels = np.repeat(["1", "2", "3"], [6, 4, 5])
    other = pairwise_tukeyhsd(np.concatenate(UNEQUAL), labels)
    theirs = scipy.stats.tukey_hsd(*UNEQUAL)
    for at, pair in enumerate((("2", "1"), ("3", "1"), ("3", "2"))):
        assert found[pair][:2] == pytest.approx(other.confint[at], abs=1e-5)
        assert found[pair][2] == pytest.approx(theirs.pvalue[int(pair[0]) - 1, int(pair[1]) - 1], abs=1e-6)


def test_dunnett_of_blood_counts():
    # C. W. Dunnett, JASA 50 (1955) 1096, the example of SciPy's dunnett.
    control, *drugs = UNEQUAL
    family = tell_apart.dunnett(one_night(*UNEQUAL), 0)
    theirs = scipy.stats.dunnett(*drugs, control=control, random_state=np.random.default_rng(1))
    bounds = theirs.confidence_interval(0.95)
    for at, one in enumerate(family.differences):
        assert one.p_value == pytest.approx(theirs.pvalue[at], abs=5e-4)
        low, high = (log(one.odds_ratio) + side * family.critical * one.se_logit for side in (-1, 1))
        assert (low, high) == pytest.approx((bounds.low[at], bounds.high[at]), abs=0.01)


@pytest.mark.parametrize(
    ("others", "dof", "critical"),
    [(1, 5, 2.57), (2, 5, 3.03), (3, 10, 2.76), (9, 20, 2.95), (9, np.inf, 2.69), (5, 60, 2.58)],
)
def test_dunnetts_table(others: int, dof: float, critical: float):
    # Two-sided 5 % points for equal groups, C. W. Dunnett, Biometrics 20 (1964) 482, table II (from memory).
    assert LargestDifference(np.full(others, 0.5**0.5), dof).critical() == pytest.approx(critical, abs=0.011)


def with_one_far_out(n: int, distance: float) -> np.ndarray:
    """Values of which the last lies `distance` standard deviations above the mean."""
    others = np.random.default_rng(n).normal(size=n - 1)

    def beyond(value: float) -> float:
        every = np.append(others, value)
        return (value - every.mean()) / every.std(ddof=1) - distance

    return np.append(others, scipy.optimize.brentq(beyond, others.max(), 1000))


@pytest.mark.parametrize(
    ("n", "critical"), [(4, 1.481), (5, 1.715), (6, 1.887), (7, 2.020), (8, 2.126), (9, 2.215), (10, 2.290)]
)
def test_grubbs_table(n: int, critical: float):
    # ISO 5725-2:1994, table 5, one largest or smallest, 5 % (from memory; agrees with F. E. Grubbs 1969).
    assert grubbs_p(with_one_far_out(n, critical - 1e-3))[1] > 0.05 > grubbs_p(with_one_far_out(n, critical + 1e-3))[1]


def test_nist_grubbs_example():
    # NIST/SEMATECH e-Handbook, 1.3.5.17.1 (from memory): eight masses of uranium isotopes; G = 2.4687, and 2.032 is
    # critical at 5 % one-sided, which is 10 % two-sided.
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    farthest, p_value = grubbs_p(values)
    assert farthest == 7
    assert (values[7] - np.mean(values)) / np.std(values, ddof=1) == pytest.approx(2.4687, abs=1e-4)
    assert grubbs_p(with_one_far_out(8, 2.031))[1] > 0.10 > grubbs_p(with_one_far_out(8, 2.033))[1]
    assert p_value < 1e-5


@pytest.mark.parametrize("n", [4, 6, 12])
def test_a_value_at_the_critical_distance_has_its_p_value(n: int):
    # The critical distance by the formula of the NIST e-Handbook, 1.3.5.17.1, two-sided at 5 %.
    t2 = scipy.stats.t.ppf(1 - 0.05 / (2 * n), n - 2) ** 2
    values = with_one_far_out(n, (n - 1) / np.sqrt(n) * np.sqrt(t2 / (n - 2 + t2)))
    assert grubbs_p(values) == (n - 1, pytest.approx(0.05, abs=1e-9))


def test_iso_5725_repeatability_of_sulfur_in_coal():
    # ISO 5725-2:1994, B.1, level 1 (from memory; its printed s_r is 0.015); the limit is 2.8 s_r (ISO 5725-6, 4.1.4).
    laboratories = (
        (0.71, 0.71, 0.70, 0.71),
        (0.69, 0.67, 0.68),
        (0.66, 0.65, 0.69),
        (0.67, 0.65, 0.66),
        (0.70, 0.69, 0.66, 0.71, 0.69),
        (0.73, 0.74, 0.73),
        (0.71, 0.71, 0.69),
        (0.70, 0.65, 0.68),
    )
    found = spread("sulfur", laboratories)
    assert found.sd == pytest.approx(0.015, abs=5e-4)
    assert found.repeatability_limit == pytest.approx(2.8 * found.sd)
    assert (found.robots, found.dof) == (8, 19)
    fitted = one_night(*laboratories).fit
    assert fitted.variance == pytest.approx(found.sd**2, rel=1e-12)


def test_bartlett_of_r():
    # R documentation, bartlett.test(count ~ spray, InsectSprays): K² 25.960, 5 degrees of freedom, p 9.085e-05.
    sprays = (
        (10, 7, 20, 14, 14, 12, 10, 23, 17, 20, 14, 13),
        (11, 17, 21, 11, 16, 14, 17, 17, 19, 21, 7, 13),
        (0, 1, 7, 2, 3, 1, 2, 1, 3, 0, 1, 4),
        (3, 5, 12, 6, 4, 3, 5, 5, 5, 5, 2, 4),
        (3, 5, 3, 5, 3, 6, 1, 1, 3, 2, 6, 4),
        (11, 9, 15, 22, 15, 16, 13, 10, 26, 26, 24, 13),
    )
    assert equal_spread_p(sprays) == pytest.approx(9.085e-05, rel=1e-3)
    assert equal_spread_p([*sprays, (5,)]) == equal_spread_p(sprays)
    assert equal_spread_p(sprays[:1]) is None


def test_t_interval_of_sleep_data():
    # Student's sleep data, drug 1: R documentation prints the interval of t.test(extra, group 1) as −0.53 to 2.03.
    values = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    found = summary("extra", {str(at): value for at, value in enumerate(values)})
    theirs = scipy.stats.ttest_1samp(values, 0).confidence_interval(0.95)
    assert found.interval_95 == pytest.approx((theirs.low, theirs.high), rel=1e-12)
    assert found.interval_95 == pytest.approx((-0.5297804, 2.0297804), abs=1e-6)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_model_against_statsmodels(seed: int):
    rng = np.random.default_rng(seed)
    robots = np.repeat(np.arange(6), rng.integers(2, 7, size=6))
    nights = rng.integers(0, 6, len(robots))
    y = rng.normal(size=6)[robots] + 0.5 * rng.normal(size=6)[nights] + 0.3 * rng.normal(size=len(robots))
    fitted = fit(y, robots, [str(night) for night in nights])
    data = DataFrame({"y": y, "robot": robots.astype(str), "night": nights})
    theirs = statsmodels.formula.api.mixedlm("y ~ 0 + C(robot)", data, groups=data["night"]).fit(reml=True, gtol=1e-8)
    assert fitted.means == pytest.approx(theirs.fe_params.to_numpy(), abs=1e-4)
    assert fitted.variance == pytest.approx(theirs.scale, rel=1e-3)
    assert fitted.night_variance == pytest.approx(theirs.cov_re.to_numpy()[0, 0], rel=3e-3)


def test_power_against_statsmodels():
    # Two robots alone: the t test of two equal groups.
    for repeats, effect in ((3, 2.5), (5, 1.5), (20, 0.9)):
        dof = 2 * (repeats - 1)
        critical = scipy.stats.t.ppf(0.975, dof)
        found = tell_apart.power(effect / np.sqrt(2 / repeats), critical, dof)
        theirs = TTestIndPower().power(effect, repeats, 0.05)
        assert found == pytest.approx(theirs, abs=1e-4)
