"""How uncertain coverage will be with a set-up, before anything has driven, and what would lower that most.

The budget is the analysis' own (`measures.budget`), laid over an expected swept floor: nearly all that the nozzle can
reach and the camera can see. The rim that the robot's round body leaves along walls and furniture is then what is
missed, and its edge what errors of camera and bar move. What hangs on the run itself is expected as it usually is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from coverage_lab.job import Robot
from coverage_lab.measures.budget import Nodes, Sources, contributions
from coverage_lab.measures.uncertainty import combined
from coverage_lab.measures.values import Contribution
from coverage_lab.room.plan import FloorPlan
from coverage_lab.setting import SetUp, plan_movers
from coverage_lab.trails.forecast import ExpectedEdge, comb_resolved, expected_edge, trail_blur_m

# How runs usually are, with the figures behind it in docs/room-check.md.
SWEPT = 0.95  # of the reachable floor
LONGER = 1.4  # than the rim's outline is the trail's whole outline, that of missed pockets included
THRESHOLD_POINTS = 0.08  # doubt about what is trail, which hangs on the room's glow: next to none, or twice that


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected of one robot's coverage."""

    robot: Robot
    px_m: float  # how much of the plane at bar height a pixel shows, in the middle of the floor
    edge: ExpectedEdge
    resolved: bool  # tracks will be told apart
    contributions: Mapping[str, Contribution]

    @property
    def u_points(self) -> float:
        """Standard uncertainty of the share of visible free floor, in points."""
        return combined(one.points for one in self.contributions.values())


def forecast(setting: SetUp, robot: Robot, plan: FloorPlan, blur_px: float, px_m: float) -> Forecast | None:
    """Return what is expected of `robot` on its `plan`; None where no free floor is visible.

    The lights-on frame is blurred by `blur_px`, and a pixel shows `px_m` of the plane at bar height.
    """
    edge = expected_edge(robot.bar, plan.grid.cell_m, trail_blur_m(blur_px, px_m), px_m)
    nodes = Nodes.over(plan.room.floor)
    sources = Sources(
        edge_u_m=edge.u_m,
        transfer_u_m=edge.transfer_u_m,
        doubtful=np.zeros(plan.grid.shape, np.float32),
        nodes=nodes,
        movers=plan_movers(setting, robot, nodes),
    )
    swept = np.float32(SWEPT) * np.minimum(plan.reachable_share, plan.visible_share)
    found = contributions(swept, plan.visible_share, plan, sources, inset_m=0.0)
    if not found:
        return None
    for name in ("edge", "transfer"):
        found[name] = replace(found[name], points=LONGER * found[name].points)
    found["threshold"] = Contribution(THRESHOLD_POINTS, "run")
    return Forecast(robot, px_m, edge, comb_resolved(robot.bar, edge.blur_m, plan.grid.cell_m), found)
