"""A composite of several measures by given weights, and how far the order of robots hangs on these weights."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from coverage_lab.compare.shared import Share, shared_by_means
from coverage_lab.compare.values import HEADLINE, ComparedRun, Scorecard, Scored, ScoredMeasure
from coverage_lab.measures.uncertainty import coverage_factor_95, effective_dof

FloatArray = NDArray[np.float64]

WEIGHTINGS = 1000
_SEED = 2031
_COVERAGES = (HEADLINE, "coverage_percent")  # what runs' contributions are stated for


@dataclass(frozen=True, slots=True)
class Card:
    """What somebody decided on: which measures count, by weights of any sum, and what earns 0 and 100 points."""

    title: str
    example: bool  # weights that nobody decided on
    measures: tuple[ScoredMeasure, ...]


def points(measure: ScoredMeasure, value: float) -> float:
    """Return the points, 0 to 100, that a value earns: on the line between what earns none and what earns all."""
    share = (value - measure.zero_at) / (measure.hundred_at - measure.zero_at)
    return 100 * min(1.0, max(0.0, share))


def score(card: Card, runs: Sequence[ComparedRun], shares: Sequence[Mapping[str, Share]]) -> Scorecard:
    """Return the robots' composites.

    `shares` are each run's contributions in points of coverage. A run that lacks one of the measures has no composite.
    """
    total = sum(one.weight_percent for one in card.measures)
    lines = tuple(replace(one, weight_percent=100 * one.weight_percent / total) for one in card.measures)
    by_robot: dict[str, list[ComparedRun]] = {}
    left_out: dict[str, str] = {}
    for run in runs:
        if all(one.measure in run.values for one in lines):
            by_robot.setdefault(run.robot, []).append(run)
    for run in runs:
        if run.robot not in by_robot:
            lacking = [one.measure for one in lines if one.measure not in run.values]
            left_out[run.robot] = f"no run has all of the scorecard's measures ({', '.join(lacking)} is missing)"
    u_shared = _u_shared(lines, by_robot, dict(zip((run.key for run in runs), shares, strict=True)))
    parts = {name: _parts(lines, own) for name, own in by_robot.items()}
    first = _first_percents([part.mean(axis=0) for part in parts.values()])
    scored = [
        _scored(name, lines, part, u_shared[name], float(first[at])) for at, (name, part) in enumerate(parts.items())
    ]
    scored.sort(key=lambda one: (-one.score, one.robot))
    return Scorecard(card.title, card.example, lines, tuple(scored), left_out, WEIGHTINGS)


def _parts(lines: Sequence[ScoredMeasure], runs: Sequence[ComparedRun]) -> FloatArray:
    """Return points (runs, measures)."""
    return np.array([[points(one, run.values[one.measure]) for one in lines] for run in runs])


def _scored(name: str, lines: Sequence[ScoredMeasure], parts: FloatArray, u_shared: float, first: float) -> Scored:
    each = parts @ np.array([one.weight_percent for one in lines]) / 100
    n, mean = len(each), float(each.mean())
    interval = None
    if n > 1:
        own = float(each.std(ddof=1)) / sqrt(n)
        free = max(1.0, effective_dof([own**2, u_shared**2], [n - 1, np.inf]))
        reach = coverage_factor_95(free) * sqrt(own**2 + u_shared**2)
        interval = (max(0.0, mean - reach), min(100.0, mean + reach))
    means = {one.measure: float(part) for one, part in zip(lines, parts.mean(axis=0), strict=True)}
    return Scored(name, n, mean, interval, means, first)


def _u_shared(
    lines: Sequence[ScoredMeasure],
    by_robot: Mapping[str, Sequence[ComparedRun]],
    shares: Mapping[str, Mapping[str, Share]],
) -> dict[str, float]:
    """Return what each robot's repeats share, in points of the composite; stated for coverage only."""
    runs = [(number, run) for number, own in enumerate(by_robot.values()) for run in own]
    if not runs:
        return {}
    moves = shared_by_means(
        [number for number, _ in runs],
        [run.night for _, run in runs],
        [run.room for _, run in runs],
        [shares[run.key] for _, run in runs],
    ).u()
    slope = sum(one.weight_percent / abs(one.hundred_at - one.zero_at) for one in lines if one.measure in _COVERAGES)
    return {name: float(moved) * slope for name, moved in zip(by_robot, moves, strict=True)}


def _first_percents(parts: Sequence[FloatArray]) -> FloatArray:
    """Return how many percent of random weightings put each robot first; parts (R, measures). A tie is shared.

    Weightings are spread evenly over all there are (Dirichlet's distribution with ones).
    """
    if not parts:
        return np.zeros(0)
    table = np.array(parts)
    weights = np.random.default_rng(_SEED).dirichlet(np.ones(table.shape[1]), WEIGHTINGS)
    scores = table @ weights.T
    best = np.isclose(scores, scores.max(axis=0), rtol=0, atol=1e-9)
    return np.asarray(100 * (best / best.sum(axis=0)).mean(axis=1))
