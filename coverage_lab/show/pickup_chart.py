"""Charts of soil tests: pickup by floor and soil with robots side by side, and pickup against coverage."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from coverage_lab.job import Quantity
from coverage_lab.pickup.values import SINGLE_RUN, PickupResult, PickupSummary
from coverage_lab.show.chart_style import plain, short, unit
from coverage_lab.show.palette import CAUTION, INK, PAPER, RULE, SOFT, SWEPT, Colour

# Robots differ in shape as well as in lightness, so that a grey copy reads the same.
_MARKERS = ("o", "s", "D", "^", "v", "P", "X", "*")
_TONES: tuple[Colour, ...] = (SWEPT.unlit, CAUTION, SOFT, INK)
_OVERALL = "overall"
_MOST_ON_A_CHART = len(_MARKERS) * len(_TONES)


def pickup_chart(results: Sequence[PickupResult]) -> Figure:
    """Return the chart: a panel per floor, soils along it, a mark with its 95 % interval per robot.

    A hollow mark without interval rests on a single run. Raises ValueError without a summary.
    """
    summaries = [one for result in results for one in result.summaries]
    if not summaries:
        raise ValueError("no run is counted")
    floors = [floor for floor in _in_order(results, "floors") if any(one.floor == floor for one in summaries)]
    robots = list(dict.fromkeys(one.robot for one in summaries))[:_MOST_ON_A_CHART]
    soils = [*_in_order(results, "soils"), None]
    figure = Figure(figsize=(2.2 + 3.1 * len(floors), 4.4), layout="constrained", facecolor=unit(PAPER))
    panels = figure.subplots(1, len(floors), sharey=True, squeeze=False)[0]
    for panel, floor in zip(panels, floors, strict=True):
        plain(panel, "y")
        panel.tick_params(labelsize=8)
        panel.set_title(floor, loc="left", fontsize=10, color=unit(INK))
        for place, soil in enumerate(soils):
            these = {one.robot: one for one in summaries if (one.floor, one.soil) == (floor, soil)}
            _side_by_side(panel, place, these, robots)
        panel.set_xticks(range(len(soils)), [_OVERALL if soil is None else soil.replace(" ", "\n") for soil in soils])
        panel.set_xlim(-0.6, len(soils) - 0.4)
        panel.axvspan(len(soils) - 1.5, len(soils) - 0.4, color=unit(RULE), alpha=0.35, linewidth=0, zorder=0)
    panels[0].set_ylabel("pickup, % of the soil spread", fontsize=9)
    _legend(figure, robots)
    return figure


def pickup_against_coverage(
    results: Sequence[PickupResult], coverage: Mapping[str, Quantity], single: Collection[str] = frozenset()
) -> Figure | None:
    """Return the chart: a panel per floor, coverage across (percent, by robot), overall pickup up, both with intervals.

    Marks of robots whose coverage rests on a `single` run are hollow: its interval holds the measuring alone. None
    where no robot has both.
    """
    overall = [one for result in results for one in result.summaries if one.soil is None and one.robot in coverage]
    if not overall:
        return None
    floors = [floor for floor in _in_order(results, "floors") if any(one.floor == floor for one in overall)]
    robots = list(dict.fromkeys(one.robot for one in overall))[:_MOST_ON_A_CHART]
    figure = Figure(figsize=(1.4 + 3.1 * len(floors), 3.9), layout="constrained", facecolor=unit(PAPER))
    panels = figure.subplots(1, len(floors), sharex=True, sharey=True, squeeze=False)[0]
    for panel, floor in zip(panels, floors, strict=True):
        plain(panel, "both")
        panel.tick_params(labelsize=8)
        panel.set_title(floor, loc="left", fontsize=10, color=unit(INK))
        for one in (one for one in overall if one.floor == floor and one.robot in robots):
            across = coverage[one.robot]
            _mark(panel, across.value, one, robots.index(one.robot), across, one.robot in single)
        panel.set_xlabel("coverage, %", fontsize=9)
    panels[0].set_ylabel("overall pickup, %", fontsize=9)
    _legend(figure, robots)
    return figure


def _in_order(results: Sequence[PickupResult], names: str) -> list[str]:
    return list(dict.fromkeys(name for result in results for name in getattr(result, names)))


def _side_by_side(panel: Axes, place: int, these: Mapping[str, PickupSummary], robots: Sequence[str]) -> None:
    """Draw one soil's marks, each robot at its own stop."""
    apart = min(0.22, 0.8 / len(robots))
    for index, robot in enumerate(robots):
        if robot in these:
            _mark(panel, place + (index - (len(robots) - 1) / 2) * apart, these[robot], index)


def _mark(
    panel: Axes, at: float, one: PickupSummary, index: int, across: Quantity | None = None, hollow: bool = False
) -> None:
    """Draw one mark with its interval upward and, where there is one, across."""
    marker, tone = _look(index)
    whole = one.pickup_percent
    up = None if whole is None else _reach(one.mean_percent, whole)
    over = None if across is None else _reach(across.value, across)
    face = "none" if whole is None or hollow else tone
    style: dict[str, Any] = {"markersize": 5.5, "markerfacecolor": face, "elinewidth": 1.3, "capsize": 2.5, "zorder": 3}
    panel.errorbar([at], [one.mean_percent], yerr=up, xerr=over, fmt=marker, color=tone, **style)


def _reach(value: float, quantity: Quantity) -> list[list[float]]:
    low, high = quantity.interval_95
    return [[max(value - low, 0.0)], [max(high - value, 0.0)]]


def _look(index: int) -> tuple[str, tuple[float, float, float]]:
    return _MARKERS[index % len(_MARKERS)], unit(_TONES[index % len(_TONES)])


def _legend(figure: Figure, robots: Sequence[str]) -> None:
    marks = [_key(short(robot), *_look(index)) for index, robot in enumerate(robots)]
    hollow = _key(SINGLE_RUN, "o", unit(SOFT), "none")
    text = "bars: 95 % intervals"
    notes = Line2D([], [], linestyle="none", label=text)
    figure.legend(handles=[*marks, hollow, notes], loc="outside lower left", ncols=6, frameon=False, fontsize=8)


def _key(label: str, marker: str, tone: tuple[float, float, float], face: str | None = None) -> Line2D:
    return Line2D([], [], linestyle="none", marker=marker, color=tone, markerfacecolor=face or tone, label=label)
