"""How much was covered, how long it took, and how it grew, robot beside robot."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from coverage_lab.compare.values import HEADLINE, Comparison
from coverage_lab.show.chart_style import BAND, DOT, LINE, short, unit
from coverage_lab.show.palette import INK
from coverage_lab.show.report.layout import MOST_ROBOTS, compared_runs, one_panel, panels, robot_rows
from coverage_lab.show.report.values import Runs

MOST_CURVES = 12
_ISO_RATES = 5


def ranking(comparison: Comparison) -> Figure | None:
    """Robots by coverage, best first, with intervals, single runs and groups."""
    robots = [one for one in comparison.robots if one.estimate_percent is not None][:MOST_ROBOTS]
    if not robots:
        return None
    figure, axes = one_panel(1.1 + 0.36 * len(robots))
    by_robot = compared_runs(comparison)
    for row, robot in enumerate(robots):
        values = [run.values[HEADLINE] for run in by_robot.get(robot.robot, ()) if HEADLINE in run.values]
        axes.plot(values, [row] * len(values), "o", color=unit(DOT), markersize=4.5, alpha=0.65, zorder=2)
        assert robot.estimate_percent is not None
        if robot.estimate_95 is not None:
            axes.plot(robot.estimate_95, [row, row], color=unit(LINE), linewidth=3.2, solid_capstyle="butt", zorder=3)
        axes.plot(robot.estimate_percent, row, "D", color=unit(LINE), markersize=7, markeredgecolor="white", zorder=4)
        axes.annotate(robot.group, (1.01, row), xycoords=("axes fraction", "data"), va="center", color=unit(INK))
    robot_rows(axes, [robot.robot for robot in robots])
    low = min([min(one.estimate_95 or (one.estimate_percent or 0,)) for one in robots])
    axes.set_xlim(max(0.0, low - 4), 100)
    axes.set_xlabel("coverage, % (axis does not begin at 0)" if low > 4 else "coverage, %")
    if any(robot.group for robot in robots):
        axes.set_title("one letter in common: not told apart", loc="right", fontsize=9.5, color=unit(INK))
    return figure


def coverage_against_duration(comparison: Comparison) -> Figure | None:
    """Mean coverage over mean duration per robot, with lines of equal rate."""
    points = {
        robot.robot: (robot.summaries["duration_min"].mean, robot.summaries[HEADLINE].mean)
        for robot in comparison.robots
        if "duration_min" in robot.summaries and HEADLINE in robot.summaries
    }
    if len(points) < 2:
        return None
    figure, axes = one_panel(5.2, "both")
    minutes, percent = np.array(list(points.values())).T
    longest = float(minutes.max()) * 1.12
    axes.set_xlim(0, longest)
    axes.set_ylim(max(0.0, float(percent.min()) - 6), 100)
    each = percent / minutes
    rates = np.linspace(float(each.min()), float(each.max()), _ISO_RATES)
    for rate in np.unique(rates.round(2)):
        axes.plot([0, longest], [0, rate * longest], color=unit(BAND), linewidth=0.9, zorder=1)
        at = min(longest * 0.97, 99 / rate)
        if axes.get_ylim()[0] < rate * at < 100:
            axes.annotate(f"{rate:.1f} %/min", (at, rate * at), fontsize=8.5, color=unit(DOT), ha="right", va="bottom")
    for run in (run for own in compared_runs(comparison).values() for run in own):
        if "duration_min" in run.values and HEADLINE in run.values:
            axes.plot(run.values["duration_min"], run.values[HEADLINE], ".", color=unit(DOT), alpha=0.6, zorder=2)
    for name, (x, y) in points.items():
        axes.plot(x, y, "D", color=unit(LINE), markersize=7, markeredgecolor="white", zorder=3)
        axes.annotate(short(name), (x, y), xytext=(7, 4), textcoords="offset points", color=unit(INK))
    axes.set_xlabel("duration, minutes")
    axes.set_ylabel("coverage, %")
    axes.set_title("better is up and to the left", loc="right", fontsize=9.5, color=unit(INK))
    return figure


def growth_curves(comparison: Comparison, runs: Runs) -> Figure | None:
    """Growth of coverage per robot: median and range over its runs."""
    curves = {name: found for name, found in _growth(comparison, runs).items() if found}
    names = [robot.robot for robot in comparison.robots if robot.robot in curves][:MOST_CURVES]
    if not names:
        return None
    columns = min(3, len(names))
    lines = -(-len(names) // columns)
    figure, grid = panels(lines, columns, 2.2, "y")
    longest = max(float(t[-1]) for name in names for t, _ in curves[name]) / 60
    for axes, name in zip(grid, names, strict=False):
        t = np.linspace(0, longest * 60, 200)
        each = np.array([np.interp(t, times, percent) for times, percent in curves[name]])
        axes.fill_between(t / 60, each.min(axis=0), each.max(axis=0), color=unit(BAND), linewidth=0)
        axes.plot(t / 60, np.median(each, axis=0), color=unit(LINE), linewidth=2)
        axes.set_title(f"{short(name)}, {len(each)} runs", loc="left", fontsize=10, color=unit(INK))
        axes.set_xlim(0, longest)
        axes.set_ylim(0, 100)
    grid[0].set_ylabel("coverage, %")
    grid[(lines - 1) * columns].set_xlabel("minutes")
    return figure


def _growth(comparison: Comparison, runs: Runs) -> dict[str, list[tuple[np.ndarray, np.ndarray]]]:
    curves: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    for name, own in compared_runs(comparison).items():
        for points in (runs[run.key].growth for run in own if run.key in runs):
            if points is not None:
                t_s, percent = np.vstack([np.zeros((1, 2)), points]).T
                curves.setdefault(name, []).append((t_s, percent))
    return curves
