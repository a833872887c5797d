"""Whether a robot kept off the decoys in its way, how near it came, and what it left uncleaned around them.

Contact is judged on the body's outline: from the track of a run of many frames, else by bounds from the swept floor.
What the engineer saw outranks both. Formulas and trials: docs/avoidance.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from coverage_lab.job import Quantity, Robot
from coverage_lab.measures.around_decoy import (
    NEAR_MM,
    RINGS_MM,
    Clearance,
    clearance,
    profile,
    ring,
    swept_around,
)
from coverage_lab.measures.body import Followed, followed_body
from coverage_lab.measures.budget import Sources, contributions
from coverage_lab.measures.contact import BodyBounds, light_bounds, time_s
from coverage_lab.measures.coverage import covered_percent
from coverage_lab.measures.smear import WAY_U, area_after, way_after
from coverage_lab.measures.uncertainty import (
    combined,
    combined_points,
    coverage_factor_95,
    displacement_points,
    quantity,
    rectangular_u,
    swept_boundary,
)
from coverage_lab.measures.values import DecoyFound, Smear
from coverage_lab.measures.verdict import Seen, verdict_of
from coverage_lab.room.approach import approach_of
from coverage_lab.room.field import TravelField
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Decoy

BODY_U_M = 0.0015  # standard uncertainty of the register's body radius: a tape on a body that is no perfect disc


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """What an avoidance trial is judged by: swept floor, what its place hangs on, and the track if there is one."""

    swept: ShareArray  # (rows, cols) in [0, 1], with what is swept of footprints
    plan: FloorPlan
    robot: Robot
    sources: Sources
    travel: TravelField  # over all visible floor
    followed: Followed | None = None  # of a run of many frames


def measure_avoidance(drive: Drive, seen: Seen | None) -> tuple[DecoyFound, ...]:
    """Return what is found of each decoy in the room, in the room file's order."""
    plan = drive.plan
    # Beyond the walls, and on what else stands there, light is no trail.
    footprints = shapely.union_all([decoy.footprint for decoy in plan.room.decoys])
    inside = np.minimum(drive.swept, plan.visible_share + plan.grid.weights(footprints))
    within = replace(drive, swept=inside)
    return tuple(_found(decoy, within, seen) for decoy in plan.room.decoys)


def _found(decoy: Decoy, drive: Drive, seen: Seen | None) -> DecoyFound:
    """Return what is found of one decoy."""
    plan = drive.plan
    approach = approach_of(decoy.footprint, plan.room.floor)
    around = swept_around(drive.swept, plan.grid, decoy.footprint)
    near = clearance(decoy.footprint, around)
    nozzle = None if near is None else _nozzle(near, decoy, drive)
    body, basis = (None, None) if near is None else _body(near, decoy, drive)
    steps = profile(decoy.footprint, around, approach)
    was_seen = None if seen is None else decoy.name in seen.touched
    verdict = verdict_of(nozzle, body, drive.robot.body_diameter_m, was_seen)
    return DecoyFound(
        decoy=decoy.name,
        approach_deg=approach.deg,
        verdict=verdict,
        contact_seen=was_seen,
        nozzle_clearance_mm=nozzle,
        nearest_m=None if near is None else (near.on_footprint_m, near.on_swept_m),
        body_clearance_mm=body,
        body_basis=basis,
        profile=tuple((bearing, None if away is None else 1000 * away) for bearing, away in steps),
        approached_percent=100 * float(np.mean([away is not None and 1000 * away <= NEAR_MM for _, away in steps])),
        rings={width_mm: _ring_share(decoy, width_mm, drive) for width_mm in RINGS_MM},
        smear=_smear(decoy, drive) if verdict in ("touched", "driven over") else None,
    )


def _nozzle(near: Clearance, decoy: Decoy, drive: Drive) -> Quantity:
    """Return the nozzle's clearance in mm.

    Hidden floor nearer than that may be swept, and swept floor that is in doubt may be none: the interval reaches to
    both. Of one exposure the value is the middle; of many frames it leaves out what is in doubt, which is little more
    than what was passed in pauses: at the nearest place the shutter was open, most likely.
    """
    sure, hidden = _sure(decoy, drive), drive.plan.hidden
    doubt_mm = 0.0 if sure is None else max(1000 * (sure.distance_m - near.distance_m), 0.0)
    u_m = combined([_edge_u_m(near, drive), rectangular_u(decoy.tolerance_m)])
    low, high = quantity(1000 * near.distance_m, 1000 * u_m).interval_95
    hidden_mm = np.inf if hidden.is_empty else 1000 * float(hidden.distance(decoy.footprint))
    u_mm = combined([1000 * u_m, rectangular_u(doubt_mm / 2)])
    likely_mm = doubt_mm / 2 if drive.followed is None else doubt_mm
    return Quantity(1000 * near.distance_m + likely_mm, u_mm, (float(min(low, hidden_mm)), high + doubt_mm))


def _edge_u_m(near: Clearance, drive: Drive) -> float:
    """Return the standard uncertainty of where swept floor ends, along the line to the footprint."""
    sources = drive.sources
    gap = np.subtract(near.on_swept_m, near.on_footprint_m)
    length_m = float(np.hypot(*gap))
    toward = gap / length_m if length_m > 0 else np.sqrt([0.5, 0.5])
    node, weight = sources.nodes.around(np.array([near.on_swept_m]))
    moves = [
        float((move[node[0]] * weight[0][:, None]).sum(axis=0) @ toward)
        for mover in sources.movers.values()
        for move in mover.by_m
    ]
    return combined([sources.edge_u_m, sources.transfer_u_m, *moves])


def _body(near: Clearance, decoy: Decoy, drive: Drive) -> tuple[Quantity | None, Literal["frames", "light"] | None]:
    """Return the body's clearance in mm and what it is based on.

    Without frames it is the middle of the bounds, with the bounds as interval.
    """
    edge_u_m = combined([_edge_u_m(near, drive), rectangular_u(decoy.tolerance_m), BODY_U_M])
    bounds = _bounds(near, decoy, drive)
    if drive.followed is not None:
        found = followed_body(drive.followed, drive.travel, drive.plan.grid, decoy.footprint, drive.robot, edge_u_m)
        if found is not None:
            wider_mm = 1000 * coverage_factor_95() * edge_u_m
            agreed = found if bounds is None else _within(found, bounds, wider_mm)
            if agreed is not None:
                return agreed, "frames"
    if bounds is None:
        return None, None
    half_mm, middle_mm = 500 * (bounds.high_m - bounds.low_m), 500 * (bounds.high_m + bounds.low_m)
    wider_mm = half_mm + coverage_factor_95() * 1000 * edge_u_m
    u_mm = combined([rectangular_u(half_mm), 1000 * edge_u_m])
    return Quantity(middle_mm, u_mm, (middle_mm - wider_mm, middle_mm + wider_mm)), "light"


def _within(followed: Quantity, bounds: BodyBounds, wider_mm: float) -> Quantity | None:
    """Return what the ways tell as far as it lies within the bounds (by so much wider); None if they tell too much.

    A robot that came nearer than all ways tell did so where it was not followed. One that seems to have come nearer
    than light allows has moved in a way that the bounds leave out: then they are of no use.
    """
    low_mm, high_mm = 1000 * bounds.low_m - wider_mm, 1000 * bounds.high_m + wider_mm
    if followed.interval_95[0] >= high_mm:
        return None
    if followed.value < low_mm:
        return followed
    low, high = max(followed.interval_95[0], low_mm), min(followed.interval_95[1], high_mm)
    u_mm = min(followed.u, (high - low) / 2 / coverage_factor_95())
    return Quantity(min(max(followed.value, low), high), u_mm, (low, high))


def _bounds(near: Clearance, decoy: Decoy, drive: Drive) -> BodyBounds | None:
    """Return what light tells of the body, with and without the floor whose light is in doubt."""
    grid, hidden = drive.plan.grid, drive.plan.hidden
    bounds = light_bounds(drive.swept, grid, drive.travel, decoy.footprint, near.on_swept_m, drive.robot)
    sure = _sure(decoy, drive)
    if bounds is not None and sure is not None and sure.distance_m > near.distance_m + grid.cell_m:
        known = drive.swept * (1 - drive.sources.doubtful)
        others = light_bounds(known, grid, drive.travel, decoy.footprint, sure.on_swept_m, drive.robot)
        if others is not None:
            bounds = BodyBounds(min(bounds.low_m, others.low_m), max(bounds.high_m, others.high_m))
    if bounds is not None and not hidden.is_empty and hidden.distance(decoy.footprint) < near.distance_m:
        bounds = replace(bounds, low_m=-drive.robot.body_diameter_m / 2)  # it may have been anywhere in there
    return bounds


def _sure(decoy: Decoy, drive: Drive) -> Clearance | None:
    """Return the clearance from floor whose light leaves no doubt that it was swept."""
    known = drive.swept * (1 - drive.sources.doubtful)
    return clearance(decoy.footprint, swept_around(known, drive.plan.grid, decoy.footprint))


def _ring_share(decoy: Decoy, width_mm: int, drive: Drive) -> Quantity | None:
    """Return the swept share of a ring in percent; None where none of it is visible floor."""
    plan, region = drive.plan, ring(decoy, width_mm / 1000, drive.plan)
    percent = covered_percent(drive.swept, region)
    if percent is None:
        return None
    parts = contributions(drive.swept, region, plan, drive.sources, inset_m=0.0)
    boundary = swept_boundary(drive.swept, region, plan.grid)
    footprint_u_m = rectangular_u(decoy.tolerance_m)
    shifts = [displacement_points(boundary, shift) for shift in ((footprint_u_m, 0.0), (0.0, footprint_u_m))]
    return quantity(percent, combined([combined_points(parts), *shifts]), low=0.0, high=100.0)


def _smear(decoy: Decoy, drive: Drive) -> Smear | None:
    """Return what was driven after the first contact; None without a track, or where the track shows no contact."""
    moments = () if drive.followed is None else drive.followed.contacts(decoy.footprint, drive.robot)
    if drive.followed is None or not moments:
        return None
    track = drive.followed.laid.track
    area_m2 = float(area_after(drive.followed, moments[0], drive.robot.bar, drive.plan).area)
    later = (time_s(track, moment) for moment in moments[1:])
    return Smear(
        contact_t_s=time_s(track, moments[0]),
        later_contacts_t_s=tuple(one for one in later if one is not None),
        length_m=way_after(drive.followed, moments[0]),
        area_m2=quantity(area_m2, combined([WAY_U * area_m2, 2 * track.u_m * drive.robot.bar.nozzle_m]), low=0.0),
    )
