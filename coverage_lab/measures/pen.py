"""The floor that decoys were laid on: what was cleaned of it, and what was left out for caution."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from coverage_lab.measures.around_decoy import NEAR_MM
from coverage_lab.measures.avoidance import Drive
from coverage_lab.measures.budget import contributions
from coverage_lab.measures.coverage import covered_percent, total
from coverage_lab.measures.uncertainty import combined_points, quantity
from coverage_lab.measures.values import Pen, Pocket
from coverage_lab.room.room import Area


def measure_pen(drive: Drive, pockets: Sequence[Pocket]) -> Pen:
    """Return what became of the floor beyond 100 mm from every decoy.

    Lost to caution is what of it lies in pockets of missed floor that reach within 100 mm of a decoy.
    """
    plan = drive.plan
    own: Area = shapely.union_all([decoy.footprint.buffer(NEAR_MM / 1000) for decoy in plan.room.decoys])
    region = np.minimum(plan.visible_share, 1 - plan.grid.weights(own))
    percent = covered_percent(drive.swept, region)
    parts = contributions(drive.swept, region, plan, drive.sources, inset_m=0.0)
    lost_m2, u_m2 = 0.0, 0.0
    for pocket in pockets:
        outline = shapely.Polygon(pocket.outline_m)
        if outline.intersects(own):
            beyond = float(outline.difference(own).area)
            lost_m2 += beyond
            u_m2 += pocket.area_cm2.u / 1e4 * beyond / outline.area
    visible_m2 = total(plan.visible_share) * plan.grid.cell_m2
    return Pen(
        beyond_100_percent=None if percent is None else quantity(percent, combined_points(parts), low=0.0, high=100.0),
        caution_m2=quantity(lost_m2, u_m2, low=0.0),
        caution_percent=quantity(100 * lost_m2 / visible_m2, 100 * u_m2 / visible_m2, low=0.0, high=100.0),
    )
