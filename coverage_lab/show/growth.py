"""The growth chart: how fast a run covered the floor, how sure that is, and when it reached its milestones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coverage_lab.measures.growth import MILESTONES
from coverage_lab.show.chart_style import BAND, DPI, LINE, house, plain, png_of, unit
from coverage_lab.show.intime import Growth
from coverage_lab.show.palette import CAUTION, INK, PAPER, SOFT
from coverage_lab.show.text import clean

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LATE = 0.75  # of the run: what was reached later is named to the left of its mark


def draw_growth(name: str, growth: Growth) -> bytes:
    """Return the chart as PNG, 1400 × 1008 px: coverage with its 95 % band above, new floor per minute below.

    Raises ValueError for a run without frames or whose times are not known.
    """
    if len(growth.t_s) == 0 or not np.isfinite(growth.t_s).all():
        raise ValueError("a run whose frames have no times has no growth chart")
    with house():
        return png_of(_chart(name, growth))


def _chart(name: str, growth: Growth) -> Figure:
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    figure = Figure(figsize=(10.0, 7.2), dpi=DPI, facecolor=unit(PAPER))
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
    _coverage(above, growth)
    _rate(below, growth)
    above.set_title(clean(name), loc="left", fontsize=14, fontweight="bold", color=unit(INK), pad=12)
    below.set_xlabel("minutes since the first frame began", color=unit(INK))
    below.xaxis.set_major_locator(MaxNLocator(steps=[1, 2, 5, 10]))
    below.set_xlim(0, float(growth.t_s[-1]) / 60 * 1.02)
    for axes in (above, below):
        plain(axes, "y")
    figure.tight_layout()
    return figure


def _coverage(axes: Axes, growth: Growth) -> None:
    minutes = np.append(0.0, growth.t_s) / 60
    percent, doubt = np.append(0.0, growth.percent), np.append(0.0, 2 * growth.u_points)
    axes.fill_between(minutes, percent - doubt, percent + doubt, color=unit(BAND), linewidth=0, label="95 % interval")
    axes.plot(minutes, percent, color=unit(LINE), linewidth=2.2, label="swept, of visible floor")
    for milestone in MILESTONES:
        reached_s = growth.reached_s.get(str(milestone))
        if reached_s is None:
            continue
        at = reached_s / 60
        axes.plot([at, at, 0], [0, milestone, milestone], color=unit(SOFT), linewidth=0.8, linestyle=(0, (4, 3)))
        axes.plot(at, milestone, "o", color=unit(CAUTION), markersize=6, zorder=3)
        late = reached_s > _LATE * float(growth.t_s[-1])
        axes.annotate(
            f"{milestone} % after {at:.1f} min",
            (at, milestone),
            xytext=(-10, 6) if late else (10, -13),
            textcoords="offset points",
            horizontalalignment="right" if late else "left",
            fontsize=10,
            color=unit(INK),
        )
    final, u_points = float(growth.percent[-1]), float(growth.u_points[-1])
    axes.set_ylim(0, 100)
    axes.set_ylabel("coverage, %", color=unit(INK))
    axes.set_title(f"{final:.1f} ± {2 * u_points:.1f} % (95 %)", loc="right", fontsize=12, color=unit(INK), pad=12)
    axes.legend(loc="lower right", facecolor=unit(PAPER), edgecolor="none", framealpha=0.95, fontsize=10)


def _rate(axes: Axes, growth: Growth) -> None:
    edges = np.append(0.0, growth.t_s) / 60
    rate = np.maximum(growth.rate_m2_min, 0)
    axes.stairs(rate, edges, fill=True, color=unit(BAND))
    axes.stairs(rate, edges, color=unit(LINE), linewidth=1.0)
    axes.set_ylim(0, float(rate.max()) * 1.1 or 1.0)
    axes.set_ylabel("new floor, m²/min", color=unit(INK))
