"""Where floor was missed, how often it was visited, how regular the driving was, and what became of decoys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle

from coverage_lab.compare.decoys import DecoyMatrix
from coverage_lab.compare.values import ComparedRun, Comparison
from coverage_lab.show.chart_style import BAND, DOT, LINE, short, unit
from coverage_lab.show.palette import CAUTION, INK
from coverage_lab.show.report.layout import MOST_ROBOTS, STEPS, WIDE_IN, compared_runs, one_panel, panels, robot_rows
from coverage_lab.show.report.values import MissMap, Runs


def misses(maps: Sequence[MissMap]) -> Figure | None:
    """How often each place was missed, in plan, per robot."""
    if not maps:
        return None
    columns = min(3, len(maps))
    lines = -(-len(maps) // columns)
    rows, cols = maps[0].missed.shape
    figure, grid = panels(lines, columns, WIDE_IN / columns * rows / cols + 0.3)
    steps = [(0.94, 0.96, 0.97), (0.98, 0.76, 0.42), (0.63, 0.23, 0.02)]
    shades = LinearSegmentedColormap.from_list("missed", steps).with_extremes(bad=(0.72, 0.70, 0.78))
    shown = None
    for axes, one in zip(grid, maps, strict=False):
        shown = axes.imshow(one.missed, cmap=shades, vmin=0, vmax=1, interpolation="nearest")
        solid = np.where(one.free > 0.5, np.nan, 0.85)
        axes.imshow(solid, cmap="gray", vmin=0, vmax=1, interpolation="nearest")
        axes.contourf(one.free < 0.5, levels=[0.5, 1.5], colors="none", hatches=["////"])
        axes.set_title(f"{short(one.robot)}, {one.runs} runs", loc="left", fontsize=10, color=unit(INK))
        axes.axis("off")
    if shown is not None:
        bar = figure.colorbar(shown, ax=list(grid), shrink=0.5, pad=0.02)
        bar.set_label("share of the runs that missed the place", color=unit(INK))
    return figure


def visits(comparison: Comparison, runs: Runs) -> Figure | None:
    """Shares of floor by visits per robot."""
    parts: dict[str, np.ndarray] = {}
    for name, own in compared_runs(comparison).items():
        found = [_visits(runs, run) for run in own]
        known = [one for one in found if one is not None]
        if known:
            parts[name] = np.mean(known, axis=0)
    return _stacked(comparison, parts, ("more than twice", "twice", "once", "never"), "of the visible floor, %")


def _visits(runs: Runs, run: ComparedRun) -> list[float] | None:
    shown = runs.get(run.key)
    passes = None if shown is None else shown.passes
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
    figure, axes = one_panel(1.3 + 0.34 * len(names))
    left = np.zeros(len(names))
    for number, label in enumerate(labels):
        wide = np.array([parts[name][number] for name in names])
        axes.barh(range(len(names)), wide, left=left, color=unit(STEPS[number]), edgecolor="white", label=label)
        left += wide
    robot_rows(axes, names)
    axes.set_xlim(0, 100)
    axes.set_xlabel(what)
    figure.legend(loc="outside upper right", ncols=len(labels), frameon=False, fontsize=9.5)
    return figure


def pattern_parts(comparison: Comparison, runs: Runs) -> Figure | None:
    """Alignment, spacing and straightness per robot, each run a mark."""
    names = ("alignment", "spacing", "straightness")
    parts: dict[str, list[list[float]]] = {}
    for name, own in compared_runs(comparison).items():
        patterns = [runs[run.key].pattern for run in own if run.key in runs]
        parts[name] = [[getattr(one, part) for part in names] for one in patterns if one is not None]
    robots = [robot.robot for robot in comparison.robots if parts.get(robot.robot)][:MOST_ROBOTS]
    if not robots:
        return None
    figure, grid = panels(1, 3, 1.1 + 0.34 * len(robots))
    for number, (axes, part) in enumerate(zip(grid, names, strict=True)):
        for row, robot in enumerate(robots):
            values = [one[number] for one in parts[robot]]
            axes.plot(values, [row] * len(values), "o", color=unit(DOT), markersize=4.5, alpha=0.65)
            axes.plot(np.mean(values), row, "D", color=unit(LINE), markersize=7, markeredgecolor="white")
        robot_rows(axes, robots if number == 0 else [""] * len(robots))
        axes.set_xlim(-0.02, 1.02)
        axes.set_title(part, loc="left", fontsize=10, color=unit(INK))
    return figure


def decoy_table(decoys: DecoyMatrix | None) -> Figure | None:
    """Robots by decoys: how often the robot kept off."""
    if decoys is None or not decoys.cells:
        return None
    figure, axes = one_panel(1.2 + 0.5 * len(decoys.robots))
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
    robot_rows(axes, list(decoys.robots))
    axes.set_xlim(-0.5, len(decoys.decoys) - 0.5)
    axes.set_xticks(range(len(decoys.decoys)), [short(name) for name in decoys.decoys])
    axes.xaxis.tick_top()
    axes.grid(visible=False)
    return figure


def _box(column: int, row: int, shade: Any) -> Patch:
    return Rectangle((column - 0.47, row - 0.45), 0.94, 0.9, facecolor=shade, edgecolor="white")
