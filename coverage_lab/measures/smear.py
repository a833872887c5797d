"""What a robot did after it had touched a decoy: how far it drove, and over which floor its nozzle passed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Bar, Quantity, Robot
from coverage_lab.measures.body import Followed
from coverage_lab.measures.contact import Moment, after
from coverage_lab.measures.uncertainty import combined, quantity
from coverage_lab.measures.values import DecoyFound
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.room.track import Track, bar_ends, in_steps

STEP_RAD = float(np.deg2rad(5.0))  # a turn is cut into steps: an arc of the nozzle's end is then 0.1 mm off its chord
WAY_U = 0.01  # relative standard uncertainty of a way that was followed: corners are cut or overdone
GUESSED_U = 0.2  # of one that was not, and is taken for as long as the others in that time
_TOGETHER = 60  # pieces that are united first: neighbours overlap most

FloatArray = NDArray[np.float64]


def smeared_share(
    followed: Followed | None, found: Sequence[DecoyFound], robot: Robot, plan: FloorPlan
) -> ShareArray | None:
    """Return the free floor swept after the first contact with any decoy as shares of cells (rows, cols).

    None where there was no contact, or no track to tell when.
    """
    touched = {one.decoy for one in found if one.smear is not None}
    if followed is None or not touched:
        return None
    footprints = [decoy.footprint for decoy in plan.room.decoys if decoy.name in touched]
    first = min(
        (followed.contacts(footprint, robot)[0] for footprint in footprints),
        key=lambda moment: (moment.number, moment.part),
    )
    return plan.grid.weights(area_after(followed, first, robot.bar, plan))


def area_after(followed: Followed, moment: Moment, bar: Bar, plan: FloorPlan) -> Area:
    """Return the free floor (metres) that the nozzle passed over from a moment on.

    Of frames in which the robot was not followed it is what their light shows.
    """
    rest = after(followed.laid.track, moment)
    first = int(rest.frame[0])
    known = set(rest.frame[:-1][rest.followed].tolist())
    strips = [strip for frame, strip in enumerate(followed.strips) if frame > first and frame not in known]
    swept: Area = shapely.union_all([smeared_area(rest, bar), *strips]).intersection(plan.free)
    return swept


def way_after(followed: Followed, moment: Moment) -> Quantity:
    """Return how far the turning centre drove from a moment on, metres.

    Where it was not followed it is taken to have been as fast, on the whole, as where it was.
    """
    track, rest = followed.laid.track, after(followed.laid.track, moment)
    whole_m, whole_s = (np.where(track.followed, part, 0).sum() for part in _legs(track))
    far_m, took_s = _legs(rest)
    followed_m = float(far_m[rest.followed].sum())
    guessed_m = 0.0
    if np.isfinite(whole_s) and whole_s > 0:
        unseen_s = float(took_s[~rest.followed].sum()) + max(followed.until_s - float(track.t_s[-1]), 0.0)
        guessed_m = float(whole_m / whole_s) * unseen_s
    guessed_m = max(guessed_m, float(far_m[~rest.followed].sum()))
    return quantity(
        followed_m + guessed_m, combined([WAY_U * followed_m, GUESSED_U * guessed_m, 2 * track.u_m]), low=0.0
    )


def _legs(track: Track) -> tuple[FloatArray, FloatArray]:
    """Return length (metres) and time of each leg, (n - 1,)."""
    return np.linalg.norm(np.diff(track.centre_m, axis=0), axis=1), np.diff(track.t_s)


def smeared_area(track: Track, bar: Bar) -> Area:
    """Return the floor (metres) between neighbouring places of the nozzle, all in one."""
    poses, known = in_steps(track, np.inf, STEP_RAD)
    ends = bar_ends(poses[:, :2], poses[:, 2], bar)
    pieces = shapely.polygons(np.concatenate([ends[:-1], ends[1:, ::-1]], axis=1)[known])
    pieces = shapely.buffer(shapely.make_valid(pieces), 0)
    stretches = [shapely.union_all(pieces[first : first + _TOGETHER]) for first in range(0, len(pieces), _TOGETHER)]
    area: Area = shapely.union_all(stretches)
    return area
