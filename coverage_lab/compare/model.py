"""The one model for differences between robots, declared before any result was seen.

    logit(missed share) = robot + night + repeat

Robots are fixed, nights and repeats random; all robots spread alike. A share near 0 or 1 spreads less the nearer it is;
on a logit scale (log of missed over swept) it spreads about evenly.

Fitted by residual maximum likelihood (Patterson & Thompson, Biometrika 58 (1971) 545). With robots absorbed, the
likelihood of the nights falls apart into independent squares, whose variances are v + w d with v of the repeats, w of
the nights and d known; so the fit is a search along one line, however many robots there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar

FloatArray = NDArray[np.float64]

_SMALLEST_SHARE = 5e-6  # half of the last decimal that results are stored with: "nothing missed" has a logit too
_TINY = 1e-9  # of a number of runs: below this a night stands by itself


def logit_missed(covered_percent: ArrayLike) -> FloatArray:
    """Return the logit of the missed share: log(missed / covered)."""
    missed = 1 - np.asarray(covered_percent, dtype=np.float64) / 100
    missed = missed.clip(_SMALLEST_SHARE, 1 - _SMALLEST_SHARE)
    return np.asarray(np.log(missed / (1 - missed)))


def covered_percent(logit: ArrayLike) -> FloatArray:
    """Return coverage in percent: the inverse of `logit_missed`."""
    return np.asarray(100 / (1 + np.exp(np.asarray(logit, dtype=np.float64))))


# Whether nights can be told from robots and from repeats; "in spread": from robots only, so they are part of the
# repeats' variance; "unknown": not from robots, since no robot ran in two nights.
NightsTold = Literal["apart", "in spread", "unknown"]


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The fitted model of R robots over M nights."""

    means: FloatArray  # (R,), logit
    counts: NDArray[np.intp]  # (R,): runs
    variance: float  # between repeats within a night
    night_variance: float
    nights_told: NightsTold
    covariance: FloatArray  # (2, 2) of the two variances' estimates
    _share: FloatArray  # (R, M): share of a robot's runs in each night
    _absorbed: FloatArray  # (M, M): what of the nights robots leave

    @property
    def dof(self) -> float:
        """Degrees of freedom of the repeats' variance (Satterthwaite)."""
        spread = self.covariance[0, 0]
        plain = int(self.counts.sum()) - len(self.counts)
        return float(2 * self.variance**2 / spread) if spread > 0 else float(plain)

    def contrasts(self, robots: ArrayLike, against: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the variance and the degrees of freedom of differences between means, each (K,).

        `robots` and `against` are robots' numbers (K,). Source of the latter: Satterthwaite, as in Giesbrecht & Burns,
        Biometrics 41 (1985) 477.
        """
        one, other = np.atleast_1d(robots), np.atleast_1d(against)
        plain = 1 / self.counts[one] + 1 / self.counts[other]
        return self._variances(plain, self._share[one] - self._share[other])

    def single(self) -> tuple[FloatArray, FloatArray]:
        """Return the variance and the degrees of freedom of each robot's mean, each (R,)."""
        return self._variances(1 / self.counts, self._share)

    def _variances(self, plain: FloatArray, share: FloatArray) -> tuple[FloatArray, FloatArray]:
        now = self._variance(plain, share, self.variance, self.night_variance)
        if self.night_variance == 0:
            return now, np.full(len(plain), self.dof)
        steps = (1e-4 * self.variance, 1e-4 * self.night_variance)
        slopes = np.stack(
            [
                self._variance(plain, share, self.variance + steps[0], self.night_variance)
                - self._variance(plain, share, self.variance - steps[0], self.night_variance),
                self._variance(plain, share, self.variance, self.night_variance + steps[1])
                - self._variance(plain, share, self.variance, self.night_variance - steps[1]),
            ]
        ) / (2 * np.array(steps)[:, None])
        spread = np.einsum("ik,ij,jk->k", slopes, self.covariance, slopes)
        return now, 2 * now**2 / spread

    def _variance(self, plain: FloatArray, share: FloatArray, variance: float, nights: float) -> FloatArray:
        """Henderson's mixed-model equations: what the nights add, after robots were absorbed."""
        if nights == 0:
            return variance * plain
        inner = np.linalg.solve(self._absorbed + np.eye(len(self._absorbed)) * variance / nights, share.T)
        return np.asarray(variance * (plain + np.einsum("km,mk->k", share, inner)))


def fit(logits: ArrayLike, robots: ArrayLike, nights: Sequence[str]) -> Fit | None:
    """Fit the model to runs (N,): their logits, their robots' numbers (from 0, none missing), their nights.

    None where no robot has a second run, so that nothing tells the spread.
    """
    y, robot = np.asarray(logits, dtype=np.float64), np.asarray(robots, dtype=np.intp)
    night = np.unique(np.asarray(nights), return_inverse=True)[1].reshape(-1)
    counts = np.bincount(robot)
    if len(y) == len(counts):
        return None
    times = np.zeros((len(counts), int(night.max()) + 1))
    np.add.at(times, (robot, night), 1)
    means = np.bincount(robot, weights=y) / counts
    rest = y - means[robot]
    share = times / counts[:, None]
    absorbed = np.diag(times.sum(axis=0)) - times.T @ share
    d, vectors = np.linalg.eigh(absorbed)
    known = d > _TINY * len(y)
    d = d[known]
    squares = (vectors[:, known].T @ np.bincount(night, weights=rest, minlength=len(absorbed))) ** 2 / d
    inside = max(0.0, float(rest @ rest) - float(squares.sum()))
    free = len(y) - len(counts) - len(d)
    variance, nights_variance, told = _likeliest(inside, free, squares, d)
    fitted = Fit(
        means=means,
        counts=counts,
        variance=variance,
        night_variance=nights_variance,
        nights_told=told,
        covariance=_information(variance, nights_variance, free, d),
        _share=share,
        _absorbed=absorbed,
    )
    return fitted if nights_variance == 0 else _with_means(fitted, rest, night)


def _likeliest(inside: float, free: int, squares: FloatArray, d: FloatArray) -> tuple[float, float, NightsTold]:
    """Return the repeats' and the nights' variance, and whether the two can be told apart.

    `inside` is a sum of `free` squares of variance v; each of `squares` has the variance v + w d.
    """
    count = free + len(d)
    total = inside + float(squares.sum())
    if not len(d) or total == 0:
        return total / count, 0.0, "apart" if len(d) else "unknown"
    if free == 0 and float(np.ptp(d)) <= _TINY:
        return total / count, 0.0, "in spread"

    def variance(ratio: float) -> float:
        return (inside + float(np.sum(squares / (1 + ratio * d)))) / count

    def minus_twice_log(log_ratio: float) -> float:
        ratio = float(np.exp(log_ratio))
        return count * float(np.log(max(variance(ratio), 1e-300))) + float(np.sum(np.log1p(ratio * d)))

    # From nights that are nothing to nights that are all; the likelihood of none at all is tried beside it.
    tried = np.linspace(-16, 16, 65)
    best = tried[int(np.argmin([minus_twice_log(at) for at in tried]))]
    found = minimize_scalar(minus_twice_log, bounds=(best - 0.5, best + 0.5), method="bounded", options={"xatol": 1e-9})
    ratio = float(np.exp(found.x))
    if found.fun >= count * np.log(total / count) - 1e-9:
        return total / count, 0.0, "apart"
    return variance(ratio), ratio * variance(ratio), "apart"


def _information(variance: float, nights: float, free: int, d: FloatArray) -> FloatArray:
    """Return the covariance (2, 2) of both variances' estimates: the inverse of the expected information."""
    if nights == 0 or variance == 0:
        return np.diag([2 * variance**2 / (free + len(d)), 0.0])
    each = variance + nights * d
    repeats = free / variance**2 + np.sum(1 / each**2)
    mixed = np.sum(d / each**2)
    return np.asarray(np.linalg.inv(np.array([[repeats, mixed], [mixed, np.sum(d**2 / each**2)]]) / 2))


def _with_means(fitted: Fit, rest: FloatArray, night: NDArray[np.intp]) -> Fit:
    """Take off each robot's mean what its nights were off, as far as other robots tell."""
    size = len(fitted._absorbed)
    ridge = np.eye(size) * fitted.variance / fitted.night_variance
    off = np.linalg.solve(fitted._absorbed + ridge, np.bincount(night, weights=rest, minlength=size))
    return replace(fitted, means=fitted.means - fitted._share @ off)
