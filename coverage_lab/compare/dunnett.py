"""Dunnett's test: how far the largest of many differences from one reference goes by chance.

Source: C. W. Dunnett, JASA 50 (1955) 1096: with the reference in common, differences correlate by products, so that
their joint distribution is an integral over two variables, however many differences there are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import chi

FloatArray = NDArray[np.float64]

_NODES = 64  # of each integral
_CORRELATION_STEP = 5e-3  # loadings are rounded down to it: less correlation makes the test stricter
_FARTHEST = 60.0  # standard errors; beyond it a difference is beyond all doubt
_BY_CHANCE = 0.05


class LargestDifference:
    """The largest of K differences from one reference, in standard errors, if there is none in truth."""

    def __init__(self, loadings: ArrayLike, dof: float) -> None:
        """Lay out the integrals. `loadings` (K,) in [0, 1): correlations are their products; `dof` of the spread."""
        rounded = np.floor(np.asarray(loadings, dtype=np.float64) / _CORRELATION_STEP) * _CORRELATION_STEP
        self._loading, self._times = np.unique(rounded.clip(0, 1 - _CORRELATION_STEP), return_counts=True)
        nodes, weights = np.polynomial.legendre.leggauss(_NODES)
        self._z, density = 8 * nodes, np.exp(-((8 * nodes) ** 2) / 2) / np.sqrt(2 * np.pi)
        self._z_weights = 8 * weights * density
        self._spread, self._spread_weights = _spreads(dof, nodes, weights)

    def p_value(self, t: float) -> float:
        """Return the probability that the largest of all differences goes beyond ± `t`."""
        scaled = np.abs(t) * self._spread[:, None, None]
        shift = self._loading * self._z[:, None]
        width = np.sqrt(1 - self._loading**2)
        within = ndtr((scaled - shift) / width) - ndtr((-scaled - shift) / width)
        with np.errstate(divide="ignore"):
            together = np.exp(np.log(within) @ self._times.astype(np.float64))
        total = float(self._z_weights.sum() * self._spread_weights.sum())
        return float(np.clip(1 - self._spread_weights @ together @ self._z_weights / total, 0.0, 1.0))

    def p_values(self, t: ArrayLike) -> FloatArray:
        """Return the probability for each of many `t` (K,), read off a curve through 200 of them (to 1e-4)."""
        far = np.abs(np.asarray(t, dtype=np.float64)).clip(0, _FARTHEST)
        at = np.linspace(0, np.sqrt(_FARTHEST), 200) ** 2
        curve = PchipInterpolator(at, [self.p_value(one) for one in at])
        return np.asarray(curve(far)).clip(0.0, 1.0)

    def critical(self) -> float:
        """Return how many standard errors the largest difference stays within 95 times of 100."""
        return float(brentq(lambda t: self.p_value(t) - _BY_CHANCE, 0.5, _FARTHEST, xtol=1e-6))


def _spreads(dof: float, nodes: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return values and weights of the estimated spread over the true one; just 1 where it is known."""
    if np.isinf(dof):
        return np.ones(1), np.ones(1)
    law = chi(dof, scale=1 / np.sqrt(dof))
    low, high = law.ppf([1e-12, 1 - 1e-12])
    at = low + (high - low) * (nodes + 1) / 2
    return at, weights * law.pdf(at) * (high - low) / 2
