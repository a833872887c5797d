"""The floor that the nozzle passed over along a track."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Bar, Robot
from coverage_lab.measures.contact import after, contacts
from coverage_lab.measures.values import DecoyFound
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.room.track import Track, bar_ends, in_steps

STEP_RAD = float(np.deg2rad(5.0))  # a turn is cut into steps: an arc of the nozzle's end is then 0.1 mm off its chord
_TOGETHER = 60  # pieces that are united first: neighbours overlap most

FloatArray = NDArray[np.float64]


def smeared_share(track: Track | None, found: Sequence[DecoyFound], robot: Robot, plan: FloorPlan) -> ShareArray | None:
    """Return the free floor swept after the first contact with any decoy as shares of cells (rows, cols).

    None where there was no contact, or no track to tell when.
    """
    touched = {one.decoy for one in found if one.smear is not None}
    if track is None or not touched:
        return None
    footprints = [decoy.footprint for decoy in plan.room.decoys if decoy.name in touched]
    first = min(
        (contacts(track, footprint, robot.body_diameter_m)[0] for footprint in footprints),
        key=lambda moment: (moment.number, moment.part),
    )
    return plan.grid.weights(smeared_area(after(track, first), robot.bar).intersection(plan.free))


def smeared_area(track: Track, bar: Bar) -> Area:
    """Return the floor (metres) between neighbouring places of the nozzle, all in one."""
    poses, _ = in_steps(track, np.inf, STEP_RAD)
    ends = bar_ends(poses[:, :2], poses[:, 2], bar)
    pieces = shapely.polygons(np.concatenate([ends[:-1], ends[1:, ::-1]], axis=1))
    pieces = shapely.buffer(shapely.make_valid(pieces), 0)
    stretches = [shapely.union_all(pieces[first : first + _TOGETHER]) for first in range(0, len(pieces), _TOGETHER)]
    area: Area = shapely.union_all(stretches)
    return area
