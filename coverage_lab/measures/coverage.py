"""How much of the floor was swept: shares of the visible, the reachable and the whole floor, and of zones.

All arrays are shares of cells in [0, 1], shape (rows, cols). Hidden floor is never part of a measured share;
it is a bound beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import cv2
import numpy as np

from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import combined_points, coverage_factor_95, quantity
from coverage_lab.measures.values import Contribution, Coverage, FloorFacts
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan

Doubt = Callable[[ShareArray, float], Mapping[str, Contribution]]


def floor_facts(plan: FloorPlan) -> FloorFacts:
    """Return the areas of the floor, from its polygons."""
    return FloorFacts(
        free_m2=float(plan.free.area),
        visible_m2=float(plan.free.area - plan.hidden.area),
        hidden_m2=float(plan.hidden.area),
        reachable_m2=float(plan.reachable.area),
        fringe_m2=float(plan.free.area - plan.reachable.area),
    )


def area_m2(share: ShareArray, plan: FloorPlan) -> float:
    """Return how much visible floor a share of each cell is, square metres."""
    return total(share * plan.visible_share) * plan.grid.cell_m2


def measure_coverage(
    swept: ShareArray, plan: FloorPlan, doubt: Doubt, bridged_m2: float | None = None
) -> Coverage | None:
    """Return the coverage by `swept`; None where no free floor is visible.

    `bridged_m2` is how much of it was filled in between frames.

    `doubt(region, inset_m)` gives the contributions, in points, to the uncertainty of a region's share; the region
    begins `inset_m` off the walls.
    """
    contributions = doubt(plan.visible_share, 0.0)
    percent = _share_of(swept, plan.visible_share, contributions)
    if percent is None:
        return None
    visible_m2 = total(plan.visible_share) * plan.grid.cell_m2
    swept_m2 = quantity(percent.value / 100 * visible_m2, percent.u / 100 * visible_m2, low=0.0, high=visible_m2)
    return Coverage(
        percent=percent,
        percent_of_reachable=_share_of_visible(swept, plan, plan.reachable_share, doubt, plan.fringe_m),
        whole_floor_95=whole_floor_95(percent, floor_facts(plan)),
        swept_m2=swept_m2,
        bridged_m2=bridged_m2,
        zones={name: _share_of_visible(swept, plan, zone, doubt, 0.0) for name, zone in plan.zone_shares.items()},
        contributions=contributions,
    )


def covered_percent(swept: ShareArray, region: ShareArray) -> float | None:
    """Return the swept share of `region` in percent; None for a region without floor."""
    region_cells = total(region)
    return 100 * total(swept * region) / region_cells if region_cells > 0 else None


def whole_floor_95(percent: Quantity, floor: FloorFacts) -> tuple[float, float]:
    """Return the bounds of the share of all free floor, from the share of its visible part.

    Low: hidden floor counted as missed; high: as swept; each widened by the expanded uncertainty.
    """
    visible = floor.visible_m2 / floor.free_m2
    reach = coverage_factor_95() * percent.u * visible
    low = percent.value * visible
    high = low + 100 * floor.hidden_m2 / floor.free_m2
    return max(low - reach, 0.0), min(high + reach, 100.0)


def total(share: ShareArray) -> float:
    """Return the sum over all cells, in double precision."""
    return float(cv2.sumElems(share)[0])


def _share_of_visible(
    swept: ShareArray, plan: FloorPlan, part: ShareArray, doubt: Doubt, inset_m: float
) -> Quantity | None:
    """Return the swept share of the visible floor in `part`."""
    region = np.minimum(part, plan.visible_share)
    return _share_of(swept, region, doubt(region, inset_m)) if region.any() else None


def _share_of(swept: ShareArray, region: ShareArray, contributions: Mapping[str, Contribution]) -> Quantity | None:
    """Return the swept share of `region` with its uncertainty."""
    percent = covered_percent(swept, region)
    return None if percent is None else quantity(percent, combined_points(contributions), low=0.0, high=100.0)
