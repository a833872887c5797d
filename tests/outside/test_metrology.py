"""Uncertainty and analysis of variance against published examples, certified values and other libraries."""

from __future__ import annotations

from math import cos, log, pi, sin, sqrt

import numpy as np
import pytest
import scipy.stats
import statsmodels.formula.api
from pandas import DataFrame
from statsmodels.stats.anova import anova_lm
from uncertainties import correlated_values, correlation_matrix, umath

from coverage_lab.camera.doubt import independent_steps
from coverage_lab.compare.anova import crossed, nested, pooled
from coverage_lab.compare.study import Exposed, study
from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import combined, coverage_factor_95, effective_dof, quantity, rectangular_u
from coverage_lab.trails.comb import Comb
from coverage_lab.trails.edge import fit_edges
from coverage_lab.trails.outline import trace_outline


def groups_of(rows):
    """Values and the number of the row that each is from."""
    return np.concatenate(rows), np.repeat(np.arange(len(rows)), [len(row) for row in rows])


# --- JCGM 100:2008 -----------------------------------------------------------------------------------------------


def test_gum_h1_end_gauge():
    # JCGM 100:2008, H.1 (quoted in several public test suites). Lengths in nm.
    length, alpha, theta = 50.000623e6, 11.5e-6, -0.1
    d = [5.8, 3.9, 6.7]
    d_dof = effective_dof(np.square(d), [24, 5, 8])
    u_delta_alpha, u_delta_theta = rectangular_u(1e-6), rectangular_u(0.05)
    parts = [25.0, combined(d), length * abs(theta) * u_delta_alpha, length * alpha * u_delta_theta]
    assert combined(d) == pytest.approx(9.7, abs=0.05)
    assert d_dof == pytest.approx(25.6, abs=0.2)  # printed with 9.7 nm, rounded
    assert (u_delta_alpha, u_delta_theta) == pytest.approx((0.58e-6, 0.029), rel=0.01)
    assert parts[2:] == pytest.approx([2.9, 16.6], abs=0.05)
    u, dof = combined(parts), effective_dof(np.square(parts), [18, d_dof, 50, 2])
    assert u == pytest.approx(32, abs=0.5)
    assert dof == pytest.approx(16.7, abs=0.1)
    # The example expands to 99 % with 16 degrees of freedom; ours is 95 %: table G.2 gives both factors.
    assert coverage_factor_95(16) == pytest.approx(2.12, abs=0.005)
    assert coverage_factor_95(16) / 2.12 * 2.92 * u == pytest.approx(93, abs=1)
    # With the second-order terms.
    assert combined([*parts, 11.7, 1.7]) == pytest.approx(34, abs=0.5)


# H.2: simultaneous readings of voltage (V), current (A) and phase (rad). From memory; they give the printed results.
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPERES = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASES = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def impedance(volts, amperes, phase):
    return np.array([volts / amperes * cos(phase), volts / amperes * sin(phase), volts / amperes])


def test_gum_h2_correlated_inputs():
    # JCGM 100:2008, H.2, table H.4; the inputs move together as camera parameters do.
    readings = np.array([VOLTS, AMPERES, PHASES])
    means, covariance = readings.mean(axis=1), np.cov(readings) / readings.shape[1]
    for row, variance in zip(readings, np.diag(covariance), strict=True):
        assert nested(row, [], ["reading"]).variances[0] / len(row) == pytest.approx(variance, rel=1e-9)
    steps = independent_steps(covariance)
    moves = np.array([(impedance(*(means + step)) - impedance(*(means - step))) / 2 for step in steps])
    u = np.array([combined(moves[:, column]) for column in range(3)])
    correlation = moves.T @ moves / np.outer(u, u)
    assert impedance(*means) == pytest.approx([127.732, 219.847, 254.260], abs=1e-3)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    assert correlation[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)

    volts, amperes, phase = correlated_values(means, covariance)
    other = [volts / amperes * umath.cos(phase), volts / amperes * umath.sin(phase), volts / amperes]
    assert u == pytest.approx([one.s for one in other], rel=1e-5)
    assert correlation == pytest.approx(np.array(correlation_matrix(other)), abs=1e-5)


@pytest.mark.parametrize(
    ("dof", "factor"),
    # NIST/SEMATECH e-Handbook, 1.3.6.7.2, upper 0.025 (from memory).
    list(
        zip(
            [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 14, 20, 30, 100, None],
            [12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.145, 2.086, 2.042, 1.984, 1.960],
            strict=True,
        )
    ),
)
def test_student_factors(dof: int | None, factor: float):
    assert coverage_factor_95(dof) == pytest.approx(factor, abs=5e-4)
    assert quantity(10, 2, dof=dof).interval_95[1] == pytest.approx(10 + 2 * factor, abs=1e-3)


def test_welch_interval_of_two_means():
    # Student's sleep data, Welch's t-test in the documentation of R: nu 17.776, 95 % -3.3655 to 0.2055 (from memory).
    drugs = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0], [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    variances = [nested(drug, [], ["sleep"]).variances[0] / len(drug) for drug in drugs]
    dof = effective_dof(variances, [9, 9])
    change = quantity(np.mean(drugs[0]) - np.mean(drugs[1]), sqrt(sum(variances)), dof=dof)
    assert dof == pytest.approx(17.776, abs=5e-4)
    assert change.interval_95 == pytest.approx((-3.3655, 0.2055), abs=5e-5)


# --- Certified values --------------------------------------------------------------------------------------------

# A. A. Michelson, speed of light, NIST StRD Michelso: 299 + these / 1000.
MICHELSON = """
850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960 960 940 960 940 880 800 850 880
900 840 830 790 810 880 880 830 800 790 760 800 880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850
840 840 840 890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780 890 840 780 810 760 810
790 810 820 850 870 870 810 740 810 940 950 800 810 870
"""


@pytest.mark.parametrize(
    ("values", "mean", "deviation"),
    [
        ([299 + int(one) / 1000 for one in MICHELSON.split()], 299.852400000000, 0.0790105478190518),
        ([10000001, 10000003, 10000002], 10000002, 1),
        ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1),
    ],
    ids=["Michelso", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_nist_means_and_deviations(values, mean: float, deviation: float):
    # NIST Statistical Reference Datasets, univariate summary statistics. The digits that all share cost none.
    found = nested(values, [], ["reading"])
    assert np.mean(values) == pytest.approx(mean, rel=1e-12)
    assert sqrt(found.variances[0]) == pytest.approx(deviation, rel=1e-8)


SILVER = [
    "1568 1465 1572 1785 1446 1903 1526 1494 1616 1587 1519 1486 1419 1569 1508 1672 1385 1518 1662 1424 1360 1333 "
    "1610 1477",
    "1079 1344 1513 1197 1604 1385 1642 1365 1151 1082 1517 1448 1198 1482 1334 1609 1101 1512 1469 1360 1254 1261 "
    "1450 1368",
]
SILICON = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]


@pytest.mark.parametrize(
    ("rows", "between", "within", "f", "residual", "rel"),
    [
        (
            [[float(f"107.868{one}") for one in row.split()] for row in SILVER],
            3.63834187500000e-09,
            1.04951729166667e-08,
            15.9467335677930,
            1.51048314446410e-05,
            1e-8,
        ),
        (SILICON, 0.0511462616000000, 0.216636560000000, 1.18046237440255, 0.104076068334656, 1e-11),
    ],
    ids=["AtmWtAg", "SiRstv"],
)
def test_nist_one_way(rows, between: float, within: float, f: float, residual: float, rel: float):
    # NIST Statistical Reference Datasets, analysis of variance; data and values as in SciPy's tests.
    table = nested(*(lambda values, labels: (values, [labels]))(*groups_of(rows)), ["between", "within"])
    assert table.squares == pytest.approx([between, within], rel=rel)
    assert table.mean_squares[0] / table.mean_squares[1] == pytest.approx(f, rel=rel)
    assert sqrt(table.variances[1]) == pytest.approx(residual, rel=rel)
    assert table.mean_squares[0] / table.mean_squares[1] == pytest.approx(scipy.stats.f_oneway(*rows)[0], rel=1e-8)


# --- Gauge studies -----------------------------------------------------------------------------------------------

# "ANOVA gage R&R", tutorial at spcforexcel.com (table in the README of owodunni/GageRnR): three operators measure five
# parts three times each. A part stands for a trail, an operator for a set-up.
OPERATORS = [
    [3.29, 3.41, 3.64, 2.44, 2.32, 2.42, 4.34, 4.17, 4.27, 3.47, 3.50, 3.64, 2.20, 2.08, 2.16],
    [3.08, 3.25, 3.07, 2.53, 1.78, 2.32, 4.19, 3.94, 4.34, 3.01, 4.03, 3.20, 2.44, 1.80, 1.72],
    [3.04, 2.89, 2.85, 1.62, 1.87, 2.04, 3.88, 4.09, 3.67, 3.14, 3.20, 3.11, 1.54, 1.93, 1.55],
]
PARTS = np.array(OPERATORS).reshape(3, 5, 3).transpose(1, 0, 2)  # (part, operator, repeat)


def test_published_gauge_study():
    table = crossed(PARTS, ["heron"] * 5)
    assert table.names == ("repeat", "set-up", "set-up × trail", "exposure")
    assert table.squares == pytest.approx([28.9094, 1.63035, 0.0650044, 1.71213], rel=1e-5)
    mean_squares = table.mean_squares
    assert mean_squares[:2] / mean_squares[2] == pytest.approx([889.458, 100.322], rel=1e-5)
    assert mean_squares[2] / mean_squares[3] == pytest.approx(0.142376, rel=1e-5)
    assert table.variances == pytest.approx([0.802135, 0.0538033, 0, 0.0570711], rel=1e-5)
    assert pooled(table).variances == pytest.approx([0.7978417, 0.0512273, 0.0467668], rel=1e-5)


def test_published_gauge_study_from_exposures():
    exposed = [
        Exposed(f"{part}{operator}{n}", "heron", f"{part}", f"{operator}", f"{part}{operator}{n}", {"mm": stated})
        for (part, operator, n), value in np.ndenumerate(PARTS)
        for stated in [Quantity(value, 0.3, (value - 0.6, value + 0.6))]
    ]
    found = study("mm", exposed)
    assert found is not None and found.instrument is not None
    shares = {source.name: source.percent_of_variance for source in found.sources}
    assert shares["set-up"] + shares["exposure"] == pytest.approx(10.94, abs=0.005)
    total = sum(source.sd**2 for source in found.sources)
    assert found.instrument.sd / sqrt(total) == pytest.approx(0.3307, abs=5e-5)
    assert found.instrument.categories == int(1.41 * sqrt(0.7978417 / (0.0512273 + 0.0467668)))


def test_crossed_table_against_statsmodels():
    rng = np.random.default_rng(3)
    cells = rng.normal(size=(4, 3, 2)) + rng.normal(size=(4, 1, 1)) + rng.normal(size=(4, 3, 1))
    trail, set_up, _ = (axis.ravel() for axis in np.indices(cells.shape))
    data = DataFrame({"y": cells.ravel(), "trail": trail, "set_up": set_up})
    fit = statsmodels.formula.api.ols("y ~ C(trail) * C(set_up)", data).fit()
    assert crossed(cells, ["heron"] * 4).squares == pytest.approx(anova_lm(fit)["sum_sq"].to_numpy(), rel=1e-9)


# ISO 5725-2:1994, B.1: sulfur in coal, mass fraction in %; eight laboratories, four levels (from memory; the data give
# every printed digit of the result).
SULFUR = [
    ".71 .71 .70 .71 | .69 .67 .68 | .66 .65 .69 | .67 .65 .66 | .70 .69 .66 .71 .69 | .73 .74 .73 | .71 .71 .69 |"
    " .70 .65 .68",
    "1.20 1.18 1.23 1.21 | 1.22 1.21 1.22 | 1.28 1.31 1.30 | 1.23 1.18 1.20 | 1.31 1.22 1.22 1.24 | 1.39 1.36 1.37 |"
    " 1.20 1.26 1.26 | 1.24 1.22 1.30",
    "1.68 1.70 1.68 1.69 | 1.64 1.64 1.65 | 1.61 1.61 1.62 | 1.68 1.66 1.66 | 1.64 1.67 1.60 1.66 1.68 |"
    " 1.70 1.73 1.73 | 1.69 1.70 1.68 | 1.67 1.68 1.67",
    "3.26 3.26 3.20 3.24 | 3.20 3.20 3.20 | 3.37 3.36 3.38 | 3.16 3.22 3.23 | 3.20 3.19 3.18 3.27 3.24 |"
    " 3.27 3.31 3.29 | 3.27 3.24 3.23 | 3.25 3.26 3.26",
]


@pytest.mark.parametrize(
    ("level", "mean", "s_r", "s_big_r"),
    [(0, 0.690, 0.015, 0.026), (1, 1.252, 0.029, 0.061), (2, 1.667, 0.017, 0.035), (3, 3.250, 0.026, 0.058)],
)
def test_iso_5725_precision_of_a_method(level: int, mean: float, s_r: float, s_big_r: float):
    values, labs = groups_of([[float(one) for one in lab.split()] for lab in SULFUR[level].split("|")])
    between, within = nested(values, [labs], ["laboratory", "repeat"]).variances
    assert values.mean() == pytest.approx(mean, abs=5e-4)
    assert (sqrt(within), sqrt(between + within)) == pytest.approx((s_r, s_big_r), abs=5e-4)


def test_two_exposures_within_is_the_repeatability_limit():
    # ISO 5725-6:1994, 4.1.4: r = 2.8 s_r where s_r is well known (from memory).
    rng = np.random.default_rng(1)
    values = rng.normal(50, 0.1, 4000)
    exposed = [
        Exposed(f"{n}", "heron", "one", "one", f"{n}", {"percent": Quantity(value, 0.1, (0, 0))})
        for n, value in enumerate(values)
    ]
    found = study("percent", exposed)
    assert found is not None and found.instrument is not None
    assert found.instrument.two_exposures_within == pytest.approx(2.8 * np.std(values, ddof=1), rel=0.015)


# --- Edges -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma", [1.1, 1.4, 1.7, 2.2, 2.8])
def test_blur_of_an_edge_after_iso_12233(sigma: float):
    """Edge response of ISO 12233: 10-90 % rise and MTF50 of a Gaussian edge, in cells (definitions from memory).

    Rise 2.563103 sigma, MTF50 sqrt(ln 2 / 2) / (pi sigma) = 0.187391 / sigma cycles per cell. A tube's strip with such
    an edge is drawn at an angle; the blur that its flank is fitted with must be sigma, and what reading light linearly
    between cells adds: a variance of f (1 - f) at the fraction f of a cell, 1/6 on average.
    """
    rows, cols = np.indices((240, 320))
    angle = np.deg2rad(7)
    across = (rows - 120) * cos(angle) + (cols - 160) * sin(angle)
    light = (0.02 + 0.4 * scipy.stats.norm.cdf((45 - np.abs(across)) / sigma)).astype(np.float32)
    outline = trace_outline((light > 0.22).astype(np.uint8), smallest_extent=20)
    keep = np.all((outline.points > 25) & (outline.points < np.array(light.shape) - 25), axis=1)
    assert keep.sum() > 150
    nowhere = np.zeros(len(outline.points), bool)
    fitted = fit_edges(light, outline, Comb(None, 0, 90.0, 2.0), clip=1.0, px=1.0, cut=nowhere)

    distance = np.arange(-12, 12, 0.05)
    edge = scipy.stats.norm.cdf(distance / sigma)
    rise = np.interp(0.9, edge, distance) - np.interp(0.1, edge, distance)
    spread = np.gradient(edge, distance)
    frequency = np.linspace(0.01, 0.5, 4000)
    transfer = np.abs(np.exp(-2j * pi * np.outer(frequency, distance)) @ spread) * 0.05
    mtf50 = np.interp(-0.5, -transfer, frequency)
    assert rise == pytest.approx(2.563103 * sigma, rel=0.01)
    assert mtf50 == pytest.approx(sqrt(log(2) / 2) / (pi * sigma), rel=0.01)
    read = sqrt(fitted.sigma**2 - 1 / 6)
    assert read == pytest.approx(rise / 2.563103, rel=0.02)
    assert read == pytest.approx(0.187391 / mtf50, rel=0.02)
