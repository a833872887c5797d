"""From weighed runs to pickup per floor and soil.

Mean and standard deviation of the repeats, with Student's interval (JCGM 100:2008, 4.2.3 and G.3). The scatter of
repeats already holds the weighing; where it comes out smaller than weighing alone makes it, that counts. What repeats
cannot average out, soil that missed the strip, is added to the mean's uncertainty; degrees of freedom after
Welch and Satterthwaite (G.4.1). Overall on a floor is the plain mean of the repeated soils' means.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import sqrt
from statistics import correlation, linear_regression

from scipy.special import stdtr

from coverage_lab.job import Quality, Quantity
from coverage_lab.measures.uncertainty import effective_dof, quantity
from coverage_lab.pickup.settings import PickupSettings
from coverage_lab.pickup.values import PickupRun, PickupSummary
from coverage_lab.pickup.weigh import LIMIT, Pickup, Weighed, impossible, pickup, reading_u_g, remarks

_DRIFT_P = 0.01
_FEWEST_FOR_DRIFT = 5


@dataclass(frozen=True, slots=True)
class _Mean:
    """The mean of one soil's repeats, in percent and points."""

    percent: Decimal
    n: int
    sd: Decimal | None
    random_u: float  # of the mean, what repeats average out
    loss_u: float

    def quantity(self) -> Quantity | None:
        if self.n < 2:
            return None
        dof = effective_dof([self.random_u**2, self.loss_u**2], [self.n - 1, float("inf")])
        return quantity(float(self.percent), sqrt(self.random_u**2 + self.loss_u**2), dof=dof)


def score(weighed: Sequence[Weighed], settings: PickupSettings) -> tuple[tuple[PickupRun, ...], tuple[Quality, ...]]:
    """Return each run's pickup, and remarks on the sheet as a whole. `weighed` is in the order the runs were made."""
    u_g = reading_u_g(settings.resolution_g, settings.repeatability_g)
    runs: list[PickupRun] = []
    carried: dict[str, str] = {}  # by cleaner: the run before, if its bin was not clean
    for one in weighed:
        found = pickup(one.empty_g, one.after_g, one.dosed_g, u_g, settings.loss_g)
        reason = impossible(one, found)
        told = remarks(one, found, u_g)
        before = carried.pop(one.robot, None)
        if before is not None:
            told.append(Quality("doubtful", "warning", f"the bin was not clean after {before}"))
        if any(remark.code == "carry-over" for remark in told):
            carried[one.robot] = one.run
        runs.append(_run(one, found, reason, told))
    return tuple(runs), tuple(_drifts(weighed, u_g))


def _run(one: Weighed, found: Pickup, reason: str | None, told: Iterable[Quality]) -> PickupRun:
    return PickupRun(
        run=one.run,
        robot=one.robot,
        floor=one.floor,
        soil=one.soil,
        repeat=one.repeat,
        dosed_g=float(one.dosed_g),
        picked_g=float(one.picked_g),
        pickup_percent=None if reason else quantity(float(found.percent), float(found.u_points)),
        counted=reason is None,
        reason=reason,
        quality=tuple(told),
        conditions=one.conditions,
        note=one.note,
    )


def summaries(
    runs: Sequence[PickupRun], weighed: Sequence[Weighed], settings: PickupSettings
) -> tuple[PickupSummary, ...]:
    """Return mean, deviation and interval per cleaner, floor and soil, and overall per floor.

    `weighed` holds the readings of the counted runs among `runs`, by their id.
    """
    u_g = reading_u_g(settings.resolution_g, settings.repeatability_g)
    readings = {one.run: one for one in weighed}
    told: list[PickupSummary] = []
    for robot in dict.fromkeys(run.robot for run in runs):
        for floor in settings.floors:
            means: dict[str, tuple[_Mean, int]] = {}
            for soil in settings.soils:
                these = [
                    one for one in runs if one.counted and (one.robot, one.floor, one.soil) == (robot, floor, soil)
                ]
                if these:
                    mean = _mean([readings[one.run] for one in these], u_g, settings.loss_g)
                    means[soil] = mean, sum(_is_doubtful(one) for one in these)
            told += [_summary(robot, floor, soil, *mean) for soil, mean in means.items()]
            told += _overall(robot, floor, means, settings.repeated_soils)
    return tuple(told)


def _mean(weighed: Sequence[Weighed], u_g: Decimal, loss_g: Decimal) -> _Mean:
    each = [pickup(one.empty_g, one.after_g, one.dosed_g, u_g, loss_g) for one in weighed]
    n = len(each)
    mean = sum((one.percent for one in each), Decimal(0)) / n
    weighing = (sum((one.weighing_points**2 for one in each), Decimal(0)) / n).sqrt()
    loss = sum((one.loss_points for one in each), Decimal(0)) / n
    sd = (sum(((one.percent - mean) ** 2 for one in each), Decimal(0)) / (n - 1)).sqrt() if n > 1 else None
    return _Mean(mean, n, sd, float(max(sd or weighing, weighing)) / sqrt(n), float(loss))


def _is_doubtful(run: PickupRun) -> bool:
    return any(remark.level == "warning" for remark in run.quality)


def _summary(robot: str, floor: str, soil: str, mean: _Mean, doubtful: int) -> PickupSummary:
    return PickupSummary(
        robot=robot,
        floor=floor,
        soil=soil,
        n=mean.n,
        mean_percent=float(mean.percent),
        sd_points=None if mean.sd is None else float(mean.sd),
        pickup_percent=mean.quantity(),
        indicative=mean.n == 1,
        doubtful=doubtful,
    )


def _overall(
    robot: str, floor: str, means: Mapping[str, tuple[_Mean, int]], soils: Sequence[str]
) -> list[PickupSummary]:
    """Return the floor's overall pickup; nothing where a repeated soil was not run: another mix is another number."""
    if not soils or not all(soil in means for soil in soils):
        return []
    each = [means[soil][0] for soil in soils]
    k, n = len(each), sum(mean.n for mean in each)
    indicative = any(mean.n == 1 for mean in each)
    percent = sum((mean.percent for mean in each), Decimal(0)) / k
    whole = None
    if not indicative:
        parts = [(mean.random_u / k) ** 2 for mean in each] + [(sum(mean.loss_u for mean in each) / k) ** 2]
        dof = effective_dof(parts, [*(mean.n - 1 for mean in each), float("inf")])
        whole = quantity(float(percent), sqrt(sum(parts)), dof=dof)
    doubtful = sum(means[soil][1] for soil in soils)
    return [PickupSummary(robot, floor, None, n, float(percent), None, whole, indicative, doubtful)]


def _drifts(weighed: Sequence[Weighed], u_g: Decimal) -> Iterable[Quality]:
    """Yield a remark for each cleaner whose empty weights have a trend: the balance, or the bin, is not what it was."""
    for robot in dict.fromkeys(one.robot for one in weighed):
        empty = [float(one.empty_g) for one in weighed if one.robot == robot]
        n = len(empty)
        if n < _FEWEST_FOR_DRIFT or max(empty) == min(empty):
            continue
        order = [float(i) for i in range(n)]
        change_g = linear_regression(order, empty).slope * (n - 1)
        r = abs(correlation(order, empty))
        p = 2 * float(stdtr(n - 2, -r * sqrt((n - 2) / max(1 - r**2, 1e-12))))
        if p < _DRIFT_P and abs(change_g) > float(LIMIT * u_g):
            wrong = f"empty weights of {robot} change by {change_g:+.3f} g from the first run to the last"
            yield Quality("balance-drift", "warning", f"{wrong}: check the balance, and whether the bin keeps soil")
