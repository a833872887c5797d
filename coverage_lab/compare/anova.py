"""Analysis of variance with random effects: how much each source makes values differ.

The ANOVA method: every mean square is set equal to its expectation, a sum of the sources' variances with known
multipliers, and the equations are solved. Exact for balanced data; for unbalanced data the multipliers hold the group
sizes, which keeps the estimates unbiased (method of moments; S. R. Searle, Linear Models, 1971, chapters 10 and 11).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, fdtrc

from coverage_lab.measures.uncertainty import effective_dof

FloatArray = NDArray[np.float64]

POOLED_ABOVE_P = 0.25  # an interaction less significant than this is counted as noise; common practice


@dataclass(frozen=True, slots=True, eq=False)
class Anova:
    """One row per source of variation, the noise last; all degrees of freedom are at least 1."""

    names: tuple[str, ...]
    squares: FloatArray  # (K,): sums of squared deviations
    dof: FloatArray  # (K,)
    expected: FloatArray  # (K, K): expectation of mean square k is expected[k] · variances

    @property
    def mean_squares(self) -> FloatArray:
        """Squares per degree of freedom, (K,)."""
        return np.asarray(self.squares / self.dof)

    @property
    def variances(self) -> FloatArray:
        """The sources' variances (K,); one that comes out below zero by chance is zero."""
        return np.asarray(np.maximum(np.linalg.solve(self.expected, self.mean_squares), 0.0))

    def dof_of(self, sources: Sequence[str]) -> float:
        """Degrees of freedom of the named sources' variances together, after Welch and Satterthwaite."""
        return effective_dof(self._parts(sources), self.dof)

    def interval_95(self, sources: Sequence[str]) -> tuple[float, float]:
        """Return the 95 % interval of the named sources' variances together; it must be a sum of mean squares.

        Graybill and Wang's modified large-sample interval (J. Amer. Statist. Assoc. 75, 1980, 869): exact for one mean
        square, and it holds for few degrees of freedom, where an interval by Satterthwaite's is too narrow.
        """
        parts = self._parts(sources)
        below = (1 - self.dof / chdtri(self.dof, 0.025)) * parts
        above = (self.dof / chdtri(self.dof, 0.975) - 1) * parts
        together = float(parts.sum())
        return together - float(np.hypot.reduce(below)), together + float(np.hypot.reduce(above))

    def _parts(self, sources: Sequence[str]) -> FloatArray:
        """Return what each mean square adds to the named sources' variances together, (K,)."""
        chosen = np.isin(self.names, sources).astype(np.float64)
        return np.asarray(np.linalg.solve(self.expected.T, chosen) * self.mean_squares)


def nested(values: ArrayLike, groups: Sequence[ArrayLike], names: Sequence[str]) -> Anova:
    """Split the variation of `values` (N,) into that between groups, between groups inside them, ..., and the rest.

    groups : labels (N,) of each value's group, the outermost first; equal labels in different outer groups are
    different groups. `names` : one per level, then one for the values themselves. Every level must have more groups
    than the one around it, and the values be more than the groups. Deviations are taken from means, never from sums of
    squares, so that digits which all values share cost no precision.
    """
    observed = np.asarray(values, dtype=np.float64)
    levels = _levels(groups, len(observed))
    means = [_means(observed, level) for level in levels]
    counts = np.array([level.max() + 1 for level in levels])
    squares = [float(np.sum((inner - outer) ** 2)) for outer, inner in pairwise(means)]
    dof = np.diff(counts).astype(np.float64)
    held = np.array([[_weight(inner, outer) for inner in levels[1:]] for outer in levels])
    return Anova(tuple(names), np.array(squares), dof, np.triu(np.diff(held, axis=0)) / dof[:, None])


def _levels(groups: Sequence[ArrayLike], count: int) -> list[NDArray[np.intp]]:
    """Return numbers (N,) of the groups on each level, from all values together to each by itself."""
    level = np.zeros(count, np.intp)
    levels = [level]
    for labels in groups:
        inner = np.unique(np.asarray(labels), return_inverse=True)[1]
        level = np.unique(np.column_stack([level, inner]), axis=0, return_inverse=True)[1].reshape(-1)
        levels.append(level)
    return [*levels, np.arange(count)]


def _means(values: FloatArray, level: NDArray[np.intp]) -> FloatArray:
    """Return each value's group mean (N,), corrected for the rounding of the first pass."""
    counts = np.bincount(level)
    first = (np.bincount(level, weights=values) / counts)[level]
    return np.asarray(first + (np.bincount(level, weights=values - first) / counts)[level])


def _weight(inner: NDArray[np.intp], outer: NDArray[np.intp]) -> float:
    """Return the sum, over the inner groups, of their size squared over that of the outer group around them.

    So often is the inner groups' variance held in the sum, over the outer groups, of size times squared mean.
    """
    sizes = np.bincount(outer)[outer]
    return float(np.sum(np.bincount(inner)[inner] / sizes))


def crossed(cells: ArrayLike, robots: ArrayLike) -> Anova:
    """Split the variation of repeated exposures of the same trails under the same set-ups.

    cells : (T, S, N): trail, set-up, exposure, two or more of trails and set-ups. robots : (T,) whose trail each is.
    Sources: "robot" and "repeat" as far as there is more than one of them, "set-up", "set-up × trail" and "exposure";
    with N = 1 the last two cannot be told apart and are "exposure".
    """
    values = np.asarray(cells, dtype=np.float64)
    trails, set_ups, repeats = values.shape
    cell = values.mean(axis=2)
    by_trail, by_set_up = cell.mean(axis=1), cell.mean(axis=0)
    mixed = cell - by_trail[:, None] - by_set_up[None, :] + cell.mean()
    between = _between_trails(by_trail, np.asarray(robots))
    each = set_ups * repeats  # exposures of a trail
    count = len(between.names)
    names = (*between.names, "set-up", "set-up × trail", "exposure")
    squares = np.concatenate(
        [
            each * between.squares,
            [
                trails * repeats * float(np.sum((by_set_up - by_set_up.mean()) ** 2)),
                repeats * float(np.sum(mixed**2)),
                float(np.sum((values - cell[..., None]) ** 2)),
            ],
        ]
    )
    free = [set_ups - 1, (trails - 1) * (set_ups - 1), trails * set_ups * (repeats - 1)]
    dof = np.concatenate([between.dof, free])
    expected = np.zeros((count + 3, count + 3))
    expected[:count, :count] = each * between.expected
    expected[count, count] = trails * repeats
    expected[: count + 2, count + 1] = repeats
    expected[:, count + 2] = 1
    table = Anova(names, squares, dof, expected)
    return without_interaction(table) if repeats == 1 else table


def _between_trails(means: FloatArray, robots: NDArray[np.generic]) -> Anova:
    """Split the variation of trail means (T,) into that of robots and of their repeats, as far as there are both."""
    groups = len(np.unique(robots))
    if groups == 1:
        return nested(means, [], ["repeat"])
    if groups == len(means):
        return nested(means, [], ["robot"])
    return nested(means, [robots], ["robot", "repeat"])


def without_interaction(table: Anova) -> Anova:
    """Return the table with the interaction counted as noise: squares and degrees of freedom are added."""
    keep = np.arange(len(table.names)) != len(table.names) - 2
    squares, dof = table.squares[keep].copy(), table.dof[keep].copy()
    squares[-1] += table.squares[-2]
    dof[-1] += table.dof[-2]
    names = tuple(name for name, kept in zip(table.names, keep, strict=True) if kept)
    return Anova(names, squares, dof, table.expected[np.ix_(keep, keep)])


def pooled(table: Anova) -> Anova:
    """Count an interaction as noise where it is not significant at `POOLED_ABOVE_P`; table of `crossed`."""
    if "set-up × trail" not in table.names:
        return table
    interaction, noise = table.mean_squares[-2:]
    if noise == 0 or fdtrc(table.dof[-2], table.dof[-1], interaction / noise) <= POOLED_ABOVE_P:
        return table
    return without_interaction(table)
