"""Intervals for a share of few tries, against published tables."""

from __future__ import annotations

import pytest
from statsmodels.stats.proportion import proportion_confint

from coverage_lab.compare.decoys import share


# Newcombe, Statistics in Medicine 17 (1998) 857, Table I: method 3 (score, no continuity correction) and
# method 5 (Clopper-Pearson); from memory, and checked against statsmodels below.
@pytest.mark.parametrize(
    ("k", "n", "wilson", "exact"),
    [
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_newcombes_table(k: int, n: int, wilson: tuple[float, float], exact: tuple[float, float]):
    found = share(k, n)
    assert found.wilson_95 == pytest.approx([100 * end for end in wilson], abs=0.0051)
    assert found.clopper_pearson_95 == pytest.approx([100 * end for end in exact], abs=0.0051)


@pytest.mark.parametrize("n", [1, 2, 3, 5, 10, 30])
def test_like_statsmodels(n: int):
    for k in range(n + 1):
        found = share(k, n)
        assert found.wilson_95 == pytest.approx([100 * x for x in proportion_confint(k, n, method="wilson")], abs=1e-6)
        assert found.clopper_pearson_95 == pytest.approx(
            [100 * x for x in proportion_confint(k, n, method="beta")], abs=1e-6
        )
