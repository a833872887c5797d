"""How our charts look: one style, colour-blind safe, readable in grey, the same bytes for the same numbers."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Literal

from coverage_lab.show.palette import INK, PAPER, RULE, SOFT, Colour
from coverage_lab.show.text import clean

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LINE: Colour = (24, 92, 134)
BAND: Colour = (172, 210, 228)
DOT: Colour = (120, 128, 134)
LONGEST_NAME = 28
DPI = 140
_SETTINGS: Any = {
    "svg.hashsalt": "coverage-lab",
    "svg.fonttype": "none",  # words stay words: they can be found, read aloud, and set anew for print
    "text.parse_math": False,  # names of robots may hold any sign
}


def unit(colour: Colour) -> tuple[float, float, float]:
    """Return a colour as matplotlib takes it."""
    red, green, blue = colour
    return red / 255, green / 255, blue / 255


@contextmanager
def house() -> Iterator[None]:
    """Draw in the house style; matplotlib is loaded only here, as no other part of a run needs it."""
    from matplotlib import rc_context

    with rc_context(_SETTINGS):
        yield


def plain(axes: Axes, grid: Literal["x", "y", "both"]) -> None:
    """Leave of the frame what one reads by; a chart that is read from left to right needs no line at its left."""
    axes.set_facecolor(unit(PAPER))
    axes.grid(visible=False)
    axes.grid(axis=grid, color=unit(RULE), linewidth=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(colors=unit(SOFT), labelcolor=unit(INK))
    for side, spine in axes.spines.items():
        spine.set_visible(side == "bottom" or (side == "left" and grid != "x"))
        spine.set_color(unit(SOFT))


def short(name: str) -> str:
    """Return a name as a chart has room for it."""
    text = clean(name)
    return text if len(text) <= LONGEST_NAME else f"{text[: LONGEST_NAME - 1]}…"


def png_of(figure: Figure) -> bytes:
    """Return a figure as PNG."""
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=DPI, metadata={"Software": None})
    return content.getvalue()


def svg_of(figure: Figure) -> bytes:
    """Return a figure as SVG."""
    content = io.BytesIO()
    with house():  # what makes equal charts equal bytes counts while it is written
        figure.savefig(content, format="svg", metadata={"Date": None, "Creator": None})
    return content.getvalue()


def figure_files(figure: Figure, stem: str) -> dict[str, bytes]:
    """Return a figure as STEM.png and STEM.svg."""
    return {f"{stem}.png": png_of(figure), f"{stem}.svg": svg_of(figure)}
