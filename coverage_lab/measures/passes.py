"""How often the same floor was passed over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import quantity
from coverage_lab.room.grid import ShareArray

# Relative standard uncertainties of what light says, from rendered series whose truth is known: it piles up where a
# robot turns, and how much of it is turning is not known well.
PASSED_U = 0.05
SINGLE_U = 0.06  # of a single exposure, in which turning cannot be told from passing again


def repeat_ratio(passed_m2: float, swept_m2: float, relative_u: float = PASSED_U) -> Quantity | None:
    """Return floor passed over, repeats counted, over swept floor; None where light does not tell."""
    if not np.isfinite(passed_m2) or swept_m2 <= 0:
        return None
    ratio = passed_m2 / swept_m2
    return quantity(ratio, relative_u * ratio, low=1.0)


def visit_shares(visits: NDArray[np.uint8], swept: ShareArray, visible: ShareArray) -> dict[str, float]:
    """Return the shares of visible floor, percent, that were visited once, twice and more; planes are (rows, cols).

    A visit is a maximal run of consecutive frames. A swept cell that lay in no frame's strip, as at the very edge,
    counts once.
    """
    floor = float(visible.sum(dtype=np.float64))
    there = swept * visible
    kinds = {"once": visits <= 1, "twice": visits == 2, "more": visits > 2}
    return {name: 100 * float(there[kind].sum(dtype=np.float64)) / floor for name, kind in kinds.items()}
