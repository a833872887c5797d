"""What a reviewer should know of a run beside its numbers: quality codes with a sentence each.

The codes are listed in docs/file-formats.md.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.fit import uncertain_plan
from coverage_lab.camera.model import CameraFit
from coverage_lab.errors import Problem
from coverage_lab.job import Quality, Robot
from coverage_lab.room.plan import FloorPlan
from coverage_lab.trails.sweep import SweptFloor

ALL_BURNT = 0.98  # share of visible floor at the clip from which on nothing can be told
LITTLE_HIDDEN, MUCH_HIDDEN = 0.05, 5.0  # percent of the free floor
MUCH_CLIPPED = 0.5  # share of the trail's outline


def burnt_share(view: NDArray[np.float32], plan: FloorPlan, clip: float) -> float:
    """Return the share of visible floor whose light, (rows, cols), is at the clip; 1 where no floor is visible."""
    thin = (slice(None, None, 4), slice(None, None, 4))
    visible = plan.visible_share[thin] > 0.5
    return float(np.mean(view[thin][visible] >= clip)) if visible.any() else 1.0


def plan_remarks(fit: CameraFit, plan: FloorPlan, robot: Robot) -> tuple[Quality, ...]:
    """What the reviewer should know of camera and floor before looking at the light."""
    corners = np.asarray(plan.room.floor.exterior.coords)[:-1, :2]
    remark = uncertain_plan(fit, corners, robot.bar.height_m)
    hidden = 100 * plan.hidden.area / plan.free.area if plan.free.area else 0.0
    remarks = [] if remark is None else [remark]
    if hidden > LITTLE_HIDDEN:
        text = f"{hidden:.1f} % of the free floor cannot be seen from the camera at bar height"
        remarks.append(Quality("hidden-floor", "note" if hidden < MUCH_HIDDEN else "warning", text))
    return tuple(remarks)


def nothing_to_see(frame: Path, burnt: float) -> Quality:
    """Why the picture `frame`, in which no trail was found, is refused, and what to shoot instead."""
    if burnt >= ALL_BURNT:
        wrong = "the whole floor is burnt out: no trail can be told from light"
        problem = Problem(frame, "", wrong, "Darken the room or stop down, and shoot again")
        return Quality("saturated", "refused", str(problem))
    wrong = "no trail stands out from the floor"
    problem = Problem(frame, "", wrong, "Check that the bar was on and the shutter open, and shoot again")
    return Quality("no-trail", "refused", str(problem))


def nobody_drove(swept: SweptFloor, plan: FloorPlan, robot: Robot) -> bool:
    """Say whether less was swept than by a robot that moves once by its nozzle's length: stray light, not a run."""
    swept_m2 = float(np.vdot(swept.share, plan.visible_share)) * plan.grid.cell_m2
    return swept_m2 < robot.bar.nozzle_m**2


def light_remarks(swept: SweptFloor) -> tuple[Quality, ...]:
    """What the light of the trail itself gives reason to doubt."""
    remarks = []
    if swept.clipped > MUCH_CLIPPED:
        text = f"light is clipped along {100 * swept.clipped:.0f} % of the trail's outline: expose less"
        remarks.append(Quality("saturated", "warning", text))
    return tuple(remarks)
