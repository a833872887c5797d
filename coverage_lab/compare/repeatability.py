"""One measure over repeats: mean, spread, interval, repeatability limit, and repeats that lie far out.

After ISO 5725-2 (repeatability standard deviation, Grubbs' test) and ISO 5725-6 (repeatability limit).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import hypot, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr
from scipy.stats import bartlett

from coverage_lab.compare.values import Outlier, Spread, Summary
from coverage_lab.measures.uncertainty import coverage_factor_95, effective_dof

LIMIT_PER_SD = 2.8  # ISO 5725-6:1994, 4.1.4: 1.96 √2, rounded there
GRUBBS_FROM = 6  # repeats; with fewer the test finds next to nothing
STRAGGLER_P, OUTLIER_P = 0.05, 0.01  # ISO 5725-2:1994, 7.3


def summary(measure: str, values: Mapping[str, float], u_shared: float | None = None) -> Summary:
    """Return what one robot's repeats say; `values` by run's key, at least one.

    `u_shared` is the standard uncertainty, in the measure's unit, that all repeats have in common.
    """
    found = np.array(list(values.values()), dtype=np.float64)
    n, mean = len(found), float(found.mean())
    sd = float(found.std(ddof=1)) if n > 1 else None
    return Summary(
        measure=measure,
        n=n,
        mean=mean,
        sd=sd,
        interval_95=None if sd is None else _around(mean, sd / sqrt(n), n - 1),
        repeatability_limit=None if sd is None else LIMIT_PER_SD * sd,
        u_shared=u_shared,
        interval_with_shared_95=None if sd is None or u_shared is None else _with_shared(mean, sd, n, u_shared),
        outliers=outliers(values),
    )


def _around(mean: float, u: float, dof: float) -> tuple[float, float]:
    reach = coverage_factor_95(dof) * u
    return mean - reach, mean + reach


def _with_shared(mean: float, sd: float, n: int, u_shared: float) -> tuple[float, float]:
    own = sd / sqrt(n)
    # Stated uncertainties count as known; below one degree of freedom there is no factor.
    dof = max(1.0, effective_dof([own**2, u_shared**2], [n - 1, np.inf]))
    return _around(mean, hypot(own, u_shared), dof)


def spread(measure: str, by_robot: Sequence[Sequence[float]]) -> Spread | None:
    """Return the repeatability pooled over robots that have two repeats or more; None if there is none.

    Source: ISO 5725-2:1994, 7.4.5.1 (variances weighted by their degrees of freedom).
    """
    repeated = [np.asarray(values, dtype=np.float64) for values in by_robot if len(values) > 1]
    dof = sum(len(values) - 1 for values in repeated)
    if dof == 0:
        return None
    sd = sqrt(sum(float(np.sum((values - values.mean()) ** 2)) for values in repeated) / dof)
    return Spread(measure, len(repeated), dof, sd, LIMIT_PER_SD * sd)


def equal_spread_p(by_robot: Sequence[Sequence[float]]) -> float | None:
    """Return how likely spreads as unequal as these are by chance (Bartlett's test); None with fewer than two.

    Robots with one repeat have none. Source: M. S. Bartlett, Proc. R. Soc. Lond. A 160 (1937) 268.
    """
    repeated = [np.asarray(values, dtype=np.float64) for values in by_robot if len(values) > 1]
    if len(repeated) < 2:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):  # of a robot whose repeats are all the same
        p_value = float(bartlett(*repeated).pvalue)
    return 1.0 if np.isnan(p_value) else p_value


def grubbs_p(values: ArrayLike) -> tuple[int, float]:
    """Return which of `values` (n,) lies farthest out, and how likely one so far out is by chance (Bonferroni's bound).

    Two-sided, for three values or more; equal values lie nowhere far out.
    Source: F. E. Grubbs, Technometrics 11 (1969) 1; NIST e-Handbook, 1.3.5.17.
    """
    found = np.asarray(values, dtype=np.float64)
    n, sd = len(found), float(found.std(ddof=1))
    off = np.abs(found - found.mean())
    farthest = int(np.argmax(off))
    if sd == 0 or off[farthest] <= 1e-12 * abs(found.mean()):
        return farthest, 1.0
    g2 = float(off[farthest] / sd) ** 2
    room = (n - 1) ** 2 / n - g2  # 0 where all others are equal, so that nothing is left of the spread
    if room <= 0:
        return farthest, 0.0
    t = sqrt(g2 * (n - 2) / room)
    return farthest, min(1.0, 2 * n * float(stdtr(n - 2, -t)))


def outliers(values: Mapping[str, float]) -> tuple[Outlier, ...]:
    """Return the repeat that Grubbs' test finds far out, by run's key; none with fewer than six repeats."""
    if len(values) < GRUBBS_FROM:
        return ()
    farthest, p_value = grubbs_p(list(values.values()))
    if p_value >= STRAGGLER_P:
        return ()
    run, value = list(values.items())[farthest]
    return (Outlier(run, float(value), p_value, "outlier" if p_value < OUTLIER_P else "straggler"),)
