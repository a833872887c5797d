"""Compare robots: from their runs' numbers to summaries, the model, and who differs from whom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from coverage_lab.compare import tell_apart
from coverage_lab.compare.model import Fit, covered_percent, fit, logit_missed
from coverage_lab.compare.repeatability import STRAGGLER_P, equal_spread_p, spread, summary
from coverage_lab.compare.shared import Share, Shared, shared_by_means
from coverage_lab.compare.values import HEADLINE, ComparedRun, Family, Measure, Model, Robot, Spread, Summary
from coverage_lab.measures.uncertainty import coverage_factor_95, effective_dof

FloatArray = NDArray[np.float64]

_SHARED_MEASURES = (HEADLINE, "coverage_percent")  # what runs' contributions are stated for


@dataclass(frozen=True, slots=True)
class Compared:
    """What runs say of robots."""

    robots: tuple[Robot, ...]  # best estimate first
    spreads: Mapping[str, Spread]
    model: Model | None
    tukey: Family | None
    dunnett: Family | None


def compare_robots(
    runs: Sequence[ComparedRun],
    shares: Sequence[Mapping[str, Share]],
    measures: Sequence[Measure],
    reference: str | None = None,
) -> Compared:
    """Compare robots by their `runs`, each of which has the headline; one run or more.

    `shares` are each run's contributions, by cause, in points of coverage. Tukey's test is made for up to 20 robots,
    Dunnett's against the robot `reference`.
    """
    names = tuple(dict.fromkeys(run.robot for run in runs))
    number = {name: index for index, name in enumerate(names)}
    robot = np.array([number[run.robot] for run in runs], dtype=np.intp)
    nights, rooms = [run.night for run in runs], [run.room for run in runs]
    percent = np.array([run.values[HEADLINE] for run in runs])
    in_points = shared_by_means(robot, nights, rooms, shares).u()
    by_robot: dict[str, list[ComparedRun]] = {}
    for run in runs:
        by_robot.setdefault(run.robot, []).append(run)
    plain = [
        Robot(
            robot=name,
            runs=len(own),
            nights=len({run.night for run in own}),
            summaries=_summaries(own, measures, float(in_points[number[name]])),
            estimate_percent=None,
            estimate_95=None,
            places=None,
            group="",
        )
        for name, own in by_robot.items()
    ]
    spreads = {one.key: found for one in measures if (found := _spread(one.key, by_robot)) is not None}
    fitted = fit(logit_missed(percent), robot, nights)
    if fitted is None:
        plain.sort(key=lambda one: (-one.summaries[HEADLINE].mean, one.robot))
        return Compared(tuple(plain), spreads, None, None, None)
    shared = shared_by_means(robot, nights, rooms, [_as_logits(*pair) for pair in zip(percent, shares, strict=True)])
    judged = tell_apart.Robots(names, fitted, shared, tell_apart.linked_nights(robot, nights))
    estimated = sorted(_estimated(plain, fitted, shared), key=lambda one: (-(one.estimate_percent or 0), one.robot))
    family = tell_apart.tukey(judged) if 2 <= len(names) <= tell_apart.MOST_FOR_TUKEY else None
    against = None if reference is None else tell_apart.dunnett(judged, number[reference])
    model = _model(fitted, nights, judged, _unequal(by_robot))
    return Compared(_placed(estimated, family), spreads, model, family, against)


def _summaries(runs: Sequence[ComparedRun], measures: Sequence[Measure], u_points: float) -> dict[str, Summary]:
    found = {}
    for measure in measures:
        values = {run.key: run.values[measure.key] for run in runs if measure.key in run.values}
        if values:
            u_shared = u_points if measure.key in _SHARED_MEASURES else None
            found[measure.key] = summary(measure.key, values, u_shared)
    return found


def _spread(measure: str, by_robot: Mapping[str, Sequence[ComparedRun]]) -> Spread | None:
    return spread(measure, [[run.values[measure] for run in own if measure in run.values] for own in by_robot.values()])


def _as_logits(percent: float, shares: Mapping[str, Share]) -> dict[str, Share]:
    """Return contributions in points as they move the logit: its slope is 1 / (p (1 − p))."""
    missed = float(covered_percent(-logit_missed(percent))) / 100  # never 0 or 1
    per_point = 0.01 / (missed * (1 - missed))
    return {cause: replace(share, moves=share.moves * per_point) for cause, share in shares.items()}


def _estimated(robots: Sequence[Robot], fitted: Fit, shared: Shared) -> list[Robot]:
    """Add each robot's coverage on a typical night, by the model. `robots` are in the order of their numbers."""
    variance, dof = fitted.single()
    u_all = shared.u()
    found = []
    for index, one in enumerate(robots):
        u_shared = float(u_all[index])
        free = effective_dof([variance[index], u_shared**2], [dof[index], np.inf])
        reach = coverage_factor_95(max(1.0, free)) * sqrt(float(variance[index]) + u_shared**2)
        mean = float(fitted.means[index])
        low, middle, high = (float(covered_percent(mean + off)) for off in (reach, 0.0, -reach))
        found.append(replace(one, estimate_percent=middle, estimate_95=(low, high)))
    return found


def _placed(robots: Sequence[Robot], family: Family | None) -> tuple[Robot, ...]:
    if family is None:
        return tuple(robots)
    order = [one.robot for one in robots]
    letters, places = tell_apart.groups(family, order), tell_apart.places(family, order)
    return tuple(replace(one, group=letters.get(one.robot, ""), places=places[one.robot]) for one in robots)


def _unequal(by_robot: Mapping[str, Sequence[ComparedRun]]) -> str | None:
    """Say so if robots do not repeat equally well, since one spread is used for all."""
    repeated = {name: [run.values[HEADLINE] for run in own] for name, own in by_robot.items() if len(own) > 1}
    p_value = equal_spread_p([[float(one) for one in logit_missed(values)] for values in repeated.values()])
    if p_value is None or p_value >= STRAGGLER_P:
        return None
    sds = {name: float(np.std(values, ddof=1)) for name, values in repeated.items()}
    low, high = min(sds, key=lambda name: sds[name]), max(sds, key=lambda name: sds[name])
    return (
        f"Spread: robots do not repeat equally well (Bartlett's test, p {p_value:.1g}): {low} by {sds[low]:.2f} "
        f"points, {high} by {sds[high]:.2f}. One spread is used for all, so differences between steady robots are "
        "surer than stated, those of unsteady ones less sure"
    )


def _model(fitted: Fit, nights: Sequence[str], judged: tell_apart.Robots, unequal: str | None) -> Model:
    notes = [] if unequal is None else [unequal]
    if len(set(nights)) == 1:
        notes.append("Nights: all runs are of one night, so what another night would change is in no interval")
    elif fitted.nights_told == "in spread":
        notes.append("Nights: they cannot be told from repeats, and are part of the repeats' spread")
    elif fitted.nights_told == "unknown":
        notes.append("Nights: no robot ran in two of them, so robots of different nights are not judged")
    single = [name for name, count in zip(judged.names, fitted.counts, strict=True) if count == 1]
    if single:
        listed = ", ".join(single[:5]) + (f" and {len(single) - 5} more" if len(single) > 5 else "")
        notes.append(f"One repeat only, so not judged: {listed}")
    return Model(
        runs=len(nights),
        robots=len(judged.names),
        nights=len(set(nights)),
        sd_logit=sqrt(fitted.variance),
        dof=fitted.dof,
        night_sd_logit=sqrt(fitted.night_variance) if fitted.nights_told == "apart" else None,
        notes=tuple(notes),
    )
