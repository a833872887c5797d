"""Which robots differ: differences of their headline, judged together, and what would tell more of them apart.

A difference is divided by its standard error, which holds the pooled spread of repeats, the nights, and what repeats
share (`shared`); the last counts as known, which gives the sum its degrees of freedom (Welch and Satterthwaite). The
smallest of a family's degrees of freedom serve all its differences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import exp, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.special import nctdtr
from scipy.stats import studentized_range

from coverage_lab.compare.dunnett import LargestDifference
from coverage_lab.compare.model import Fit, covered_percent
from coverage_lab.compare.shared import Shared
from coverage_lab.compare.values import Difference, Family
from coverage_lab.measures.uncertainty import effective_dof

FloatArray = NDArray[np.float64]

MOST_FOR_TUKEY = 20  # robots; with more, differences from one reference say more
BY_CHANCE = 0.05
POWER = 0.8  # so often a difference that is there should be found
_MOST_REPEATS = 1000
_MOST_DOF = 1e6  # beyond it the spread counts as known

ONE_REPEAT = "one repeat does not tell how a robot differs from itself"
NO_COMMON_NIGHT = "they share no night, and nothing tells how much nights differ"


@dataclass(frozen=True, slots=True)
class Robots:
    """The fitted robots: names, and which of them share nights (equal numbers), directly or through others."""

    names: tuple[str, ...]
    fit: Fit
    shared: Shared
    linked: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    one: NDArray[np.intp]
    other: NDArray[np.intp]
    above: FloatArray  # logit of the missed share of `other` less that of `one`: above 0 where `one` covers more
    se: FloatArray
    u_shared: FloatArray
    dof: float
    not_judged: tuple[str | None, ...]

    @property
    def t(self) -> FloatArray:
        return np.asarray(self.above / self.se)


def tukey(robots: Robots) -> Family | None:
    """Return all differences between robots, by Tukey's test; None with fewer than two robots to be judged.

    Unequal numbers of repeats as by Kramer, Biometrics 12 (1956) 307, which makes the test stricter (Hayter, Annals of
    Statistics 12 (1984) 61). Robots with one repeat are not judged and do not make it stricter.
    """
    judged = int(np.sum(robots.fit.counts > 1))
    if judged < 2:
        return None
    one, other = np.array(list(combinations(range(len(robots.names)), 2)), dtype=np.intp).T
    pairs = _pairs(robots, one, other)
    critical = float(studentized_range.ppf(1 - BY_CHANCE, judged, pairs.dof)) / sqrt(2)
    p_values = studentized_range.sf(np.abs(pairs.t) * sqrt(2), judged, pairs.dof)
    return Family("Tukey", None, pairs.dof, critical, _differences(robots, pairs, critical, p_values))


def dunnett(robots: Robots, reference: int) -> Family | None:
    """Return the differences of all other robots from `reference` (a robot's number), by Dunnett's test.

    None if the reference, or every other robot, has one repeat only.
    """
    repeated = robots.fit.counts > 1
    if not repeated[reference] or np.sum(repeated) < 2:
        return None
    one = np.array([index for index in range(len(robots.names)) if index != reference], dtype=np.intp)
    pairs = _pairs(robots, one, np.full(len(one), reference))
    # What surely moves all differences alike: the reference's own repeats and its bar.
    alike = robots.fit.variance / robots.fit.counts[reference] + robots.shared.own[reference] ** 2
    judged = repeated[one]
    law = LargestDifference(np.sqrt(alike) / pairs.se[judged], pairs.dof)
    critical = law.critical()
    differences = _differences(robots, pairs, critical, law.p_values(pairs.t))
    return Family("Dunnett", robots.names[reference], pairs.dof, critical, differences)


def _pairs(robots: Robots, one: NDArray[np.intp], other: NDArray[np.intp]) -> _Pairs:
    variance, dof = robots.fit.contrasts(one, other)
    u_shared = np.array([robots.shared.u_difference(*pair) for pair in zip(one, other, strict=True)])
    not_judged = tuple(_not_judged(robots, *pair) for pair in zip(one, other, strict=True))
    each = [
        effective_dof([model, shared**2], [free, np.inf])
        for model, shared, free in zip(variance, u_shared, dof, strict=True)
    ]
    return _Pairs(
        one=one,
        other=other,
        above=robots.fit.means[other] - robots.fit.means[one],
        se=np.sqrt(variance + u_shared**2).clip(1e-12),
        u_shared=u_shared,
        dof=max(1.0, min(_MOST_DOF, *(free for free, why in zip(each, not_judged, strict=True) if why != ONE_REPEAT))),
        not_judged=not_judged,
    )


def _not_judged(robots: Robots, one: int, other: int) -> str | None:
    if min(robots.fit.counts[one], robots.fit.counts[other]) < 2:
        return ONE_REPEAT
    if robots.fit.nights_told == "unknown" and robots.linked[one] != robots.linked[other]:
        return NO_COMMON_NIGHT
    return None


def _differences(robots: Robots, pairs: _Pairs, critical: float, p_values: FloatArray) -> tuple[Difference, ...]:
    found = []
    for at, why_not in enumerate(pairs.not_judged):
        one, other, above, se = int(pairs.one[at]), int(pairs.other[at]), float(pairs.above[at]), float(pairs.se[at])
        middle = float(robots.fit.means[one] + robots.fit.means[other]) / 2
        low, points, high = (_points(middle, above + reach * se) for reach in (-critical, 0, critical))
        counts = robots.fit.counts[[one, other]]
        found.append(
            Difference(
                robot=robots.names[one],
                against=robots.names[other],
                points=points,
                interval_95=None if why_not else (low, high),
                p_value=None if why_not else float(p_values[at]),
                different=why_not is None and abs(above) > critical * se,
                not_judged=why_not,
                odds_ratio=exp(-above),
                se_logit=None if why_not else se,
                u_shared_logit=float(pairs.u_shared[at]),
                repeats_needed=None
                if why_not
                else repeats_needed(
                    above, robots.fit.variance, float(pairs.u_shared[at]), critical, pairs.dof, int(counts.min())
                ),
            )
        )
    return tuple(found)


def _points(middle: float, above: float) -> float:
    """Return by how many points coverage differs where logits differ by `above` about their `middle`."""
    one, other = covered_percent([middle - above / 2, middle + above / 2])
    return float(one - other)


def repeats_needed(
    above: float, variance: float, u_shared: float, critical: float, dof: float, least: int = 2
) -> int | None:
    """Return how many repeats of each robot find a difference `above` (logit) 4 times of 5; None if none up to 1000.

    `variance` is that of repeats, `u_shared` what repeats cannot average out; a difference counts from `critical`
    standard errors on, `dof` are those of the spread (more repeats only raise them). Repeats are in common nights. Not
    below `least`: the smaller number that was run. Source: the noncentral t distribution (NIST e-Handbook, 7.2.2.2).
    """

    def found(repeats: int) -> bool:
        off = abs(above) / sqrt(2 * variance / repeats + u_shared**2)
        return power(off, critical, dof) >= POWER

    if above == 0 or (variance == 0 and u_shared == 0) or not found(_MOST_REPEATS):
        return None
    low, high = max(2, least) - 1, _MOST_REPEATS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if found(middle) else (middle, high)
    return high


def power(off: float, critical: float, dof: float) -> float:
    """Return how often a difference of `off` standard errors comes out beyond `critical`."""
    free = min(dof, _MOST_DOF)
    return float(1 - nctdtr(free, off, critical))


def groups(family: Family, order: Sequence[str]) -> dict[str, str]:
    """Return letters by robot: two robots share one exactly if the test cannot tell them apart. `order`: best first.

    Source: H.-P. Piepho, J. Comput. Graph. Stat. 13 (2004) 456 (insert and absorb). A robot that nothing was judged of
    has no letter.
    """
    judged = {name for one in family.differences if one.not_judged is None for name in (one.robot, one.against)}
    names = [name for name in order if name in judged]
    columns = [frozenset(names)]
    for one in family.differences:
        if one.different:
            columns = _split(columns, one.robot, one.against)
    columns.sort(key=lambda column: sorted(names.index(name) for name in column))
    return {name: "".join(_letter(at) for at, column in enumerate(columns) if name in column) for name in names}


def _split(columns: Sequence[frozenset[str]], one: str, other: str) -> list[frozenset[str]]:
    parts: list[frozenset[str]] = []
    for column in columns:
        parts += [column - {one}, column - {other}] if one in column and other in column else [column]
    unique = list(dict.fromkeys(parts))
    return [column for column in unique if not any(column < larger for larger in unique)]


def _letter(at: int) -> str:
    return chr(ord("a") + at % 26) * (at // 26 + 1)


def places(family: Family, order: Sequence[str]) -> dict[str, tuple[int, int]]:
    """Return the best and the worst place, 1 = first, that each robot of a Tukey family may hold."""
    better, worse = dict.fromkeys(order, 0), dict.fromkeys(order, 0)
    for one in family.differences:
        if one.different:
            first, last = (one.robot, one.against) if one.points > 0 else (one.against, one.robot)
            better[last] += 1
            worse[first] += 1
    return {name: (1 + better[name], len(order) - worse[name]) for name in order}


def linked_nights(robots: ArrayLike, nights: Sequence[str]) -> tuple[int, ...]:
    """Return a number per robot, equal for robots that share a night, directly or through other robots."""
    robot = np.asarray(robots, dtype=np.intp)
    night = np.unique(np.asarray(nights), return_inverse=True)[1].reshape(-1)
    count = int(robot.max()) + 1
    size = count + int(night.max()) + 1
    graph = coo_array((np.ones(len(robot)), (robot, count + night)), shape=(size, size))
    return tuple(int(part) for part in connected_components(graph, directed=False)[1][:count])
