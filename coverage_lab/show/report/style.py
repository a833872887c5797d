"""How our charts look: one style, colour-blind safe, readable in grey, the same bytes for the same numbers."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from coverage_lab.show.palette import CAUTION, INK, PAPER, RULE, SOFT, Colour

LINE: Colour = (24, 92, 134)
BAND: Colour = (172, 210, 228)
DOT: Colour = (120, 128, 134)
# Parts of a whole, from often to never: they differ in lightness, so that a grey copy reads the same.
STEPS: tuple[Colour, ...] = ((12, 52, 78), (70, 130, 170), (172, 210, 228), (240, 168, 92))
DPI = 130
_SETTINGS: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 10.5,
    "svg.hashsalt": "coverage-lab",
    "svg.fonttype": "path",
    "text.parse_math": False,
    "axes.unicode_minus": True,
}


def unit(colour: Colour) -> Any:
    """Return a colour as matplotlib takes it."""
    return tuple(part / 255 for part in colour)


@contextmanager
def house() -> Iterator[None]:
    """Draw in the house style."""
    with rc_context(_SETTINGS):
        yield


def blank_figure(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    """Return an empty chart."""
    figure = Figure(figsize=(width_in, height_in), dpi=DPI, facecolor=unit(PAPER), layout="constrained")
    axes = figure.subplots()
    plain(axes)
    return figure, axes


def plain(axes: Axes, grid: str = "x") -> None:
    """Leave of the frame what one reads by."""
    axes.set_facecolor(unit(PAPER))
    axes.grid(visible=False)
    axes.grid(axis=grid, color=unit(RULE), linewidth=0.8)  # type: ignore[arg-type]
    axes.set_axisbelow(True)
    axes.tick_params(colors=unit(INK), length=0)
    for side, spine in axes.spines.items():
        spine.set_visible(side == "bottom")
        spine.set_color(unit(SOFT))


def files_of(figure: Figure) -> tuple[bytes, bytes]:
    """Return a chart as SVG and as PNG."""
    svg, png = io.BytesIO(), io.BytesIO()
    figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
    figure.savefig(png, format="png", metadata={"Software": None})
    return svg.getvalue(), png.getvalue()


__all__ = ["BAND", "CAUTION", "DOT", "INK", "LINE", "STEPS", "blank_figure", "files_of", "house", "plain", "unit"]
