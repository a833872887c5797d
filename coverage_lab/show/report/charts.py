"""The charts of the report, each drawn from a comparison; None where its runs have nothing to show."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle

from coverage_lab.compare.decoys import DecoyMatrix
from coverage_lab.compare.values import HEADLINE, ComparedRun, Comparison
from coverage_lab.show.pickup_chart import pickup_chart
from coverage_lab.show.report.style import (
    BAND,
    CAUTION,
    DOT,
    INK,
    LINE,
    STEPS,
    blank_figure,
    files_of,
    house,
    plain,
    unit,
)
from coverage_lab.show.report.values import Chart, MissMap, Runs
from coverage_lab.show.text import clean

LONGEST_NAME = 28
MOST_ROBOTS = 40  # in a chart with a row for each
MOST_CURVES = 12
_ISO_RATES = 5
_WIDTH_IN = 8.6


def all_charts(comparison: Comparison, runs: Runs, maps: Sequence[MissMap]) -> list[Chart]:
    """Return the charts that the runs have something to show for, in the order of the page."""
    drawn: list[tuple[str, str, str, Callable[[], Figure | None]]] = [
        (
            "ranking",
            "Coverage of the floor that all runs show",
            "Robots from best to worst, each with its estimate, its 95 % interval, its single runs as dots, and the "
            "letters of the groups that cannot be told apart.",
            lambda: ranking(comparison),
        ),
        (
            "coverage-duration",
            "Coverage against duration",
            "Each robot's mean coverage over its mean duration; up and to the left is better. Thin lines join what is "
            "swept at one rate.",
            lambda: coverage_against_duration(comparison),
        ),
        (
            "growth",
            "How coverage grew",
            "For each robot coverage over time: the median of its runs, and their range as a band.",
            lambda: growth_curves(comparison, runs),
        ),
        (
            "misses",
            "Where floor was missed again and again",
            "For each robot the room from above, north up: the darker orange, the more of its runs missed the place; "
            "furniture is hatched.",
            lambda: misses(maps),
        ),
        (
            "passes",
            "How often floor was visited",
            "For each robot the shares of visible floor visited more than twice, twice, once and never.",
            lambda: visits(comparison, runs),
        ),
        (
            "pattern",
            "How regular the driving was",
            "For each robot alignment, spacing and straightness, from 0 (random bouncing) to 1 (perfect lanes).",
            lambda: pattern_parts(comparison, runs),
        ),
        (
            "decoys",
            "Decoys: kept off, touched, driven over",
            "Robots by decoys: of how many tries the robot kept off, with the 95 % interval of that share.",
            lambda: decoy_table(comparison.decoys),
        ),
        (
            "pickup",
            "Soil picked up in straight-line tests",
            "What each robot picked up, by floor and soil, with 95 % intervals; single runs are only indicative.",
            lambda: pickup_chart(comparison.pickup) if any(one.summaries for one in comparison.pickup) else None,
        ),
    ]
    found = []
    with house():
        for name, title, words, draw in drawn:
            figure = draw()
            if figure is not None:
                found.append(Chart(name, title, words, *files_of(figure)))
    return found


def ranking(comparison: Comparison) -> Figure | None:
    """Robots by coverage, best first, with intervals, single runs and groups."""
    robots = [one for one in comparison.robots if one.estimate_percent is not None][:MOST_ROBOTS]
    if not robots:
        return None
    figure, axes = blank_figure(_WIDTH_IN, 1.1 + 0.36 * len(robots))
    by_robot = _runs_of(comparison)
    for row, robot in enumerate(robots):
        values = [run.values[HEADLINE] for run in by_robot.get(robot.robot, ()) if HEADLINE in run.values]
        axes.plot(values, [row] * len(values), "o", color=unit(DOT), markersize=4.5, alpha=0.65, zorder=2)
        assert robot.estimate_percent is not None
        if robot.estimate_95 is not None:
            axes.plot(robot.estimate_95, [row, row], color=unit(LINE), linewidth=3.2, solid_capstyle="butt", zorder=3)
        axes.plot(robot.estimate_percent, row, "D", color=unit(LINE), markersize=7, markeredgecolor="white", zorder=4)
        axes.annotate(robot.group, (1.01, row), xycoords=("axes fraction", "data"), va="center", color=unit(INK))
    _robot_rows(axes, [robot.robot for robot in robots])
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
    figure, axes = blank_figure(_WIDTH_IN, 5.2)
    plain(axes, "both")
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
    for run in _inside(comparison):
        if "duration_min" in run.values and HEADLINE in run.values:
            axes.plot(run.values["duration_min"], run.values[HEADLINE], ".", color=unit(DOT), alpha=0.6, zorder=2)
    for name, (x, y) in points.items():
        axes.plot(x, y, "D", color=unit(LINE), markersize=7, markeredgecolor="white", zorder=3)
        axes.annotate(_short(name), (x, y), xytext=(7, 4), textcoords="offset points", color=unit(INK))
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
    figure, grid = _grid(lines, columns, 2.2)
    longest = max(float(t[-1]) for name in names for t, _ in curves[name]) / 60
    for axes, name in zip(grid, names, strict=False):
        t = np.linspace(0, longest * 60, 200)
        each = np.array([np.interp(t, times, percent) for times, percent in curves[name]])
        axes.fill_between(t / 60, each.min(axis=0), each.max(axis=0), color=unit(BAND), linewidth=0)
        axes.plot(t / 60, np.median(each, axis=0), color=unit(LINE), linewidth=2)
        axes.set_title(f"{_short(name)}, {len(each)} runs", loc="left", fontsize=10, color=unit(INK))
        axes.set_xlim(0, longest)
        axes.set_ylim(0, 100)
        plain(axes, "y")
    grid[0].set_ylabel("coverage, %")
    grid[(lines - 1) * columns].set_xlabel("minutes")
    return figure


def misses(maps: Sequence[MissMap]) -> Figure | None:
    """How often each place was missed, in plan, per robot."""
    if not maps:
        return None
    columns = min(3, len(maps))
    lines = -(-len(maps) // columns)
    rows, cols = maps[0].missed.shape
    figure, grid = _grid(lines, columns, _WIDTH_IN / columns * rows / cols + 0.3)
    steps = [(0.94, 0.96, 0.97), (0.98, 0.76, 0.42), (0.63, 0.23, 0.02)]
    shades = LinearSegmentedColormap.from_list("missed", steps).with_extremes(bad=(0.72, 0.70, 0.78))
    shown = None
    for axes, one in zip(grid, maps, strict=False):
        shown = axes.imshow(one.missed, cmap=shades, vmin=0, vmax=1, interpolation="nearest")
        solid = np.where(one.free > 0.5, np.nan, 0.85)
        axes.imshow(solid, cmap="gray", vmin=0, vmax=1, interpolation="nearest")
        axes.contourf(one.free < 0.5, levels=[0.5, 1.5], colors="none", hatches=["////"])
        axes.set_title(f"{_short(one.robot)}, {one.runs} runs", loc="left", fontsize=10, color=unit(INK))
        axes.axis("off")
    if shown is not None:
        bar = figure.colorbar(shown, ax=list(grid), shrink=0.5, pad=0.02)
        bar.set_label("share of the runs that missed the place", color=unit(INK))
    return figure


def visits(comparison: Comparison, runs: Runs) -> Figure | None:
    """Shares of floor by visits per robot."""
    parts: dict[str, np.ndarray] = {}
    for name, own in _runs_of(comparison).items():
        found = [_visits(runs, run) for run in own]
        known = [one for one in found if one is not None]
        if known:
            parts[name] = np.mean(known, axis=0)
    return _stacked(comparison, parts, ("more than twice", "twice", "once", "never"), "of the visible floor, %")


def _visits(runs: Runs, run: ComparedRun) -> list[float] | None:
    shown = runs.get(run.key)
    passes = None if shown is None else shown.measures.passes
    if passes is None or passes.visits is None:
        return None
    shares = [passes.visits[name] for name in ("more", "twice", "once")]
    return [*shares, 100 - sum(shares)]


def _stacked(
    comparison: Comparison, parts: Mapping[str, np.ndarray], labels: Sequence[str], what: str
) -> Figure | None:
    names = [robot.robot for robot in comparison.robots if robot.robot in parts][:MOST_ROBOTS]
    if not names:
        return None
    figure, axes = blank_figure(_WIDTH_IN, 1.3 + 0.34 * len(names))
    left = np.zeros(len(names))
    for number, label in enumerate(labels):
        wide = np.array([parts[name][number] for name in names])
        axes.barh(range(len(names)), wide, left=left, color=unit(STEPS[number]), edgecolor="white", label=label)
        left += wide
    _robot_rows(axes, names)
    axes.set_xlim(0, 100)
    axes.set_xlabel(what)
    figure.legend(loc="outside upper right", ncols=len(labels), frameon=False, fontsize=9.5)
    return figure


def pattern_parts(comparison: Comparison, runs: Runs) -> Figure | None:
    """Alignment, spacing and straightness per robot, each run a mark."""
    names = ("alignment", "spacing", "straightness")
    parts: dict[str, list[list[float]]] = {}
    for name, own in _runs_of(comparison).items():
        patterns = [runs[run.key].measures.pattern for run in own if run.key in runs]
        parts[name] = [[getattr(one, part) for part in names] for one in patterns if one is not None]
    robots = [robot.robot for robot in comparison.robots if parts.get(robot.robot)][:MOST_ROBOTS]
    if not robots:
        return None
    figure, grid = _grid(1, 3, 1.1 + 0.34 * len(robots))
    for number, (axes, part) in enumerate(zip(grid, names, strict=True)):
        for row, robot in enumerate(robots):
            values = [one[number] for one in parts[robot]]
            axes.plot(values, [row] * len(values), "o", color=unit(DOT), markersize=4.5, alpha=0.65)
            axes.plot(np.mean(values), row, "D", color=unit(LINE), markersize=7, markeredgecolor="white")
        _robot_rows(axes, robots if number == 0 else [""] * len(robots))
        axes.set_xlim(-0.02, 1.02)
        axes.set_title(part, loc="left", fontsize=10, color=unit(INK))
        plain(axes)
    return figure


def decoy_table(decoys: DecoyMatrix | None) -> Figure | None:
    """Robots by decoys: how often the robot kept off."""
    if decoys is None or not decoys.cells:
        return None
    figure, axes = blank_figure(_WIDTH_IN, 1.2 + 0.5 * len(decoys.robots))
    for row, robot in enumerate(decoys.robots):
        for column, decoy in enumerate(decoys.decoys):
            cell = decoys.cell(robot, decoy)
            if cell is None or cell.clear.n == 0:
                words, share = "not told" if cell else "—", np.nan
            else:
                low, high = cell.clear.wilson_95 or (0.0, 100.0)
                share = cell.clear.k / cell.clear.n
                words = f"{cell.clear.k} of {cell.clear.n}\n{low:.0f}–{high:.0f} %"
            shade = (
                (0.93, 0.93, 0.93)
                if np.isnan(share)
                else tuple(
                    (1 - share) * np.array(unit(CAUTION)) * 0.5 + (1 - share) * 0.5 + share * np.array(unit(BAND))
                )
            )
            axes.add_patch(_box(column, row, shade))
            axes.annotate(words, (column, row), ha="center", va="center", fontsize=9, color=unit(INK))
    _robot_rows(axes, list(decoys.robots))
    axes.set_xlim(-0.5, len(decoys.decoys) - 0.5)
    axes.set_xticks(range(len(decoys.decoys)), [_short(name) for name in decoys.decoys])
    axes.xaxis.tick_top()
    axes.grid(visible=False)
    return figure


def _box(column: int, row: int, shade: Any) -> Patch:
    return Rectangle((column - 0.47, row - 0.45), 0.94, 0.9, facecolor=shade, edgecolor="white")


def _grid(lines: int, columns: int, height_in: float) -> tuple[Figure, list[Axes]]:
    figure, first = blank_figure(_WIDTH_IN, max(height_in * lines, 1.6))
    first.remove()
    axes = list(np.atleast_1d(figure.subplots(lines, columns, squeeze=False).ravel()))
    for one in axes:
        plain(one)
    return figure, axes


def _robot_rows(axes: Axes, names: Sequence[str]) -> None:
    axes.set_yticks(range(len(names)), [_short(name) for name in names])
    axes.set_ylim(len(names) - 0.5, -0.5)


def _short(name: str) -> str:
    text = clean(name)
    return text if len(text) <= LONGEST_NAME else f"{text[: LONGEST_NAME - 1]}…"


def _inside(comparison: Comparison) -> list[ComparedRun]:
    return [run for run in comparison.runs if run.left_out is None]


def _runs_of(comparison: Comparison) -> dict[str, list[ComparedRun]]:
    found: dict[str, list[ComparedRun]] = {}
    for run in _inside(comparison):
        found.setdefault(run.robot, []).append(run)
    return found


def _growth(comparison: Comparison, runs: Runs) -> dict[str, list[tuple[np.ndarray, np.ndarray]]]:
    curves: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    for name, own in _runs_of(comparison).items():
        for run in own:
            timing = None if run.key not in runs else runs[run.key].measures.timing
            if timing is None or not timing.growth or timing.growth[0].t_s is None:
                continue
            t_s = np.array([0.0, *(point.t_s or 0.0 for point in timing.growth)])
            percent = np.array([0.0, *(point.percent for point in timing.growth)])
            curves.setdefault(name, []).append((t_s, percent))
    return curves
