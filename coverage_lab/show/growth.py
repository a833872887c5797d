"""The growth chart: how fast a run covered the floor, how sure that is, and when it reached its milestones."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from coverage_lab.measures.growth import MILESTONES
from coverage_lab.show.intime import Growth
from coverage_lab.show.palette import CAUTION, INK, PAPER, RULE, SOFT, Colour
from coverage_lab.show.text import clean

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LATE = 0.75  # of the run: what was reached later is named to the left of its mark
_LINE: Colour = (24, 92, 134)
_BAND: Colour = (172, 210, 228)


def draw_growth(name: str, growth: Growth) -> bytes:
    """Return the chart as PNG, 1400 × 1000 px: coverage with its 95 % band above, new floor per minute below.

    Raises ValueError for a run without frames or whose times are not known.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    if len(growth.t_s) == 0 or not np.isfinite(growth.t_s).all():
        raise ValueError("a run whose frames have no times has no growth chart")
    figure = Figure(figsize=(10.0, 7.2), dpi=140, facecolor=_unit(PAPER))
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
    _coverage(above, growth)
    _rate(below, growth)
    above.set_title(clean(name), loc="left", fontsize=14, fontweight="bold", color=_unit(INK), pad=12, parse_math=False)
    below.set_xlabel("minutes since the first frame began", color=_unit(INK))
    below.xaxis.set_major_locator(MaxNLocator(steps=[1, 2, 5, 10]))
    below.set_xlim(0, float(growth.t_s[-1]) / 60 * 1.02)
    for axes in (above, below):
        _plain(axes)
    figure.tight_layout()
    file = BytesIO()
    figure.savefig(file, format="png", metadata={"Software": None})
    return file.getvalue()


def _coverage(axes: Axes, growth: Growth) -> None:
    minutes = np.append(0.0, growth.t_s) / 60
    percent, doubt = np.append(0.0, growth.percent), np.append(0.0, 2 * growth.u_points)
    axes.fill_between(minutes, percent - doubt, percent + doubt, color=_unit(_BAND), linewidth=0, label="95 % interval")
    axes.plot(minutes, percent, color=_unit(_LINE), linewidth=2.2, label="swept, of visible floor")
    for milestone in MILESTONES:
        reached_s = growth.reached_s.get(str(milestone))
        if reached_s is None:
            continue
        at = reached_s / 60
        axes.plot([at, at, 0], [0, milestone, milestone], color=_unit(SOFT), linewidth=0.8, linestyle=(0, (4, 3)))
        axes.plot(at, milestone, "o", color=_unit(CAUTION), markersize=6, zorder=3)
        late = reached_s > _LATE * float(growth.t_s[-1])
        axes.annotate(
            f"{milestone} % after {at:.1f} min",
            (at, milestone),
            xytext=(-10, 6) if late else (10, -13),
            textcoords="offset points",
            horizontalalignment="right" if late else "left",
            fontsize=10,
            color=_unit(INK),
        )
    final, u_points = float(growth.percent[-1]), float(growth.u_points[-1])
    axes.set_ylim(0, 100)
    axes.set_ylabel("coverage, %", color=_unit(INK))
    axes.set_title(f"{final:.1f} ± {2 * u_points:.1f} % (95 %)", loc="right", fontsize=12, color=_unit(INK), pad=12)
    axes.legend(loc="lower right", facecolor=_unit(PAPER), edgecolor="none", framealpha=0.95, fontsize=10)


def _rate(axes: Axes, growth: Growth) -> None:
    edges = np.append(0.0, growth.t_s) / 60
    rate = np.maximum(growth.rate_m2_min, 0)
    axes.stairs(rate, edges, fill=True, color=_unit(_BAND))
    axes.stairs(rate, edges, color=_unit(_LINE), linewidth=1.0)
    axes.set_ylim(0, float(rate.max()) * 1.1 or 1.0)
    axes.set_ylabel("new floor, m²/min", color=_unit(INK))


def _plain(axes: Axes) -> None:
    """Leave of the frame what one reads by."""
    axes.set_facecolor(_unit(PAPER))
    axes.grid(axis="y", color=_unit(RULE), linewidth=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(colors=_unit(SOFT))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(_unit(SOFT))


def _unit(colour: Colour) -> Any:
    return tuple(part / 255 for part in colour)
