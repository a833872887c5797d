"""What charts with a row, or a panel, for each robot have in common."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from coverage_lab.compare.values import ComparedRun, Comparison
from coverage_lab.show.chart_style import plain, short, unit
from coverage_lab.show.palette import PAPER, Colour

MOST_ROBOTS = 40  # in a chart with a row for each
WIDE_IN = 8.6
# Parts of a whole, from often to never: they differ in lightness, so that a grey copy reads the same.
STEPS: tuple[Colour, ...] = ((12, 52, 78), (70, 130, 170), (172, 210, 228), (240, 168, 92))


def one_panel(height_in: float, grid: Literal["x", "y", "both"] = "x") -> tuple[Figure, Axes]:
    """Return an empty chart."""
    figure, (axes,) = panels(1, 1, height_in, grid)
    return figure, axes


def panels(
    lines: int, columns: int, height_in: float, grid: Literal["x", "y", "both"] = "x"
) -> tuple[Figure, list[Axes]]:
    """Return an empty chart of several panels, row by row; `height_in` is that of each line, inches."""
    figure = Figure(figsize=(WIDE_IN, max(height_in * lines, 1.6)), facecolor=unit(PAPER), layout="constrained")
    axes = list(np.asarray(figure.subplots(lines, columns, squeeze=False)).ravel())
    for one in axes:
        plain(one, grid)
    return figure, axes


def robot_rows(axes: Axes, names: Sequence[str]) -> None:
    """Give each robot a row, the first on top."""
    axes.set_yticks(range(len(names)), [short(name) for name in names])
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0)


def compared_runs(comparison: Comparison) -> dict[str, list[ComparedRun]]:
    """Return the runs that are compared, by robot."""
    found: dict[str, list[ComparedRun]] = {}
    for run in comparison.runs:
        if run.left_out is None:
            found.setdefault(run.robot, []).append(run)
    return found
