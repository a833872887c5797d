"""The main job: one run, from its frame to its measures. Read this page first.

    reference frame + markers ──► camera
    frames ──► linear light ──► plan view at bar height ──► swept floor
    swept floor + floor plan ──► coverage · edges · pockets · pattern · passes · growth · avoidance, each with its
    uncertainty

`setting.set_up` does what a whole night shares, `measure` one run. Everything that counts is done by the functions
named here; this page only says in which order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coverage_lab.files.contacts import contacts_seen
from coverage_lab.job import Quality, Run
from coverage_lab.measures.avoidance import Drive, measure_avoidance
from coverage_lab.measures.budget import Nodes, Sources, contributions
from coverage_lab.measures.coverage import area_m2, floor_facts, measure_coverage
from coverage_lab.measures.edges import measure_edges
from coverage_lab.measures.pattern import measure_pattern, random_baseline
from coverage_lab.measures.pen import measure_pen
from coverage_lab.measures.pockets import find_pockets
from coverage_lab.measures.smear import smeared_share
from coverage_lab.measures.uncertainty import combined
from coverage_lab.measures.values import CameraFacts, Measures
from coverage_lab.measures.verdict import Seen, contact_remarks
from coverage_lab.pauses import around_decoys, blind_share, bridged, first_swept, followed_in
from coverage_lab.remarks import (
    ALL_BURNT,
    MOSTLY_BURNT,
    Judged,
    burnt_share,
    judge_light,
    lamp_or_wrong_room,
    nobody_drove,
    nothing_to_see,
    plan_remarks,
)
from coverage_lab.room.field import with_track
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.track import Track
from coverage_lab.series import passes_of, timing_of, track_in
from coverage_lab.setting import SetUp, lay_out, look, plan_movers, shift_since_reference
from coverage_lab.trails.orientation import travel_field
from coverage_lab.trails.rectify import floor_per_pixel_m
from coverage_lab.trails.seams import open_seams
from coverage_lab.trails.sweep import SweptFloor, sweep


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredRun:
    """The measures of a run and what overlay, comparison and review need beside them."""

    measures: Measures
    plan: FloorPlan
    light: NDArray[np.float32]  # (rows, cols), the exposure in plan view, 1 = full scale
    swept: SweptFloor | None
    digests: dict[str, str]
    bridged: ShareArray | None = None  # (rows, cols) passed over while the shutter was closed
    first_swept: NDArray[np.uint16] | None = None  # (rows, cols) number of the frame, from 1; 0 = never
    smeared: ShareArray | None = None  # (rows, cols), swept after the first contact with a decoy
    track: Track | None = None  # through the frames, as far as the robot was followed
    judged: Judged | None = None  # what the light says of itself; None where there is no trail


def measure(run: Run, setting: SetUp) -> MeasuredRun:
    """Measure one run. A picture that can't carry a number comes back refused, with the reason.

    Raises UnreadableFrame and BadInput for files that cannot be used at all.
    """
    robot, fit = setting.night.robots[run.robot], setting.camera.fit
    plan = lay_out(setting, robot)
    exposure = look(run, setting, plan)
    view, clip, digests = exposure.light, exposure.clip, {**setting.digests, **exposure.digests}
    quality = [*setting.camera.quality, *plan_remarks(fit, plan, robot), *exposure.remarks]
    measures = _without_numbers(run, setting, plan, quality)
    if any(remark.level == "refused" for remark in exposure.remarks):
        return MeasuredRun(_refused(measures, ()), plan, view, None, digests)

    burnt = burnt_share(view, plan, clip)
    px_m = floor_per_pixel_m(fit.camera, plan.grid, robot.bar.height_m)
    swept = sweep(view, plan, robot.bar, clip, px_m=px_m) if burnt < ALL_BURNT else None
    if swept is None or nobody_drove(swept, plan, robot):
        why = lamp_or_wrong_room(view, plan, robot.bar, clip) if burnt < MOSTLY_BURNT else ()
        nothing = nothing_to_see(run.frames[0].relative_to(setting.night.folder), burnt)
        return MeasuredRun(_refused(measures, why or (nothing,)), plan, view, None, digests)
    judged = judge_light(view, swept, plan, robot.bar, clip, float(fit.camera.centre_m[2]))
    plan = judged.plan
    measures = replace(measures, floor=floor_facts(plan))
    shift, moved = shift_since_reference(setting, exposure, swept.outline, robot)
    judged = replace(judged, remarks=(*judged.remarks, *moved))
    if any(remark.level == "refused" for remark in (*quality, *judged.remarks)):
        return MeasuredRun(_refused(measures, judged.remarks), plan, view, None, digests, judged=judged)

    between = bridged(exposure, plan, robot.bar)
    reached = np.minimum(plan.visible_share, plan.reachable_share)
    passed = swept.share if between is None else np.maximum(swept.share, between)
    travel = travel_field(swept.trail_light, passed, reached, plan.grid, robot.bar)
    swept, unseen_m2 = open_seams(swept, travel, plan.grid, robot.bar, clip)
    seen = swept.share
    if between is not None:
        swept = replace(swept, share=np.maximum(seen, between))
    nodes = Nodes.over(setting.room.floor)
    movers = plan_movers(setting, robot, nodes, judged.bar_height_off_m, shift)
    unseen_share = unseen_m2 / floor_facts(plan).visible_m2
    blind = blind_share(exposure, swept.share, plan, robot.bar)
    sources = Sources(swept.edge_u_m, swept.transfer_u_m, swept.doubtful, nodes, movers, unseen_share, blind)
    pockets = find_pockets(
        swept.share,
        plan,
        smallest_m=setting.night.settings.smallest_pocket_m,
        body_diameter_m=robot.body_diameter_m,
        sources=sources,
    )
    coverage = measure_coverage(
        swept.share,
        plan,
        lambda region, inset_m: contributions(swept.share, region, plan, sources, inset_m=inset_m),
        bridged_m2=None if between is None else area_m2(np.maximum(swept.share - seen, 0), plan),
    )
    first, track = first_swept(exposure, plan, robot.bar, swept.share), track_in(exposure)
    measured = replace(
        measures,
        quality=(*quality, *judged.remarks),
        coverage=coverage,
        edges=measure_edges(
            swept.share,
            plan,
            body_diameter_m=robot.body_diameter_m,
            step_m=setting.night.settings.edge_step_m,
            edge_u_m=combined([swept.edge_u_m, swept.transfer_u_m, sources.plan_u_m]),
        ),
        pockets=pockets,
        pattern=measure_pattern(
            travel if track is None else with_track(travel, track, robot.bar),
            robot.bar,
            random_baseline(plan.reachable, plan.poses, robot.bar),
        ),
        passes=passes_of(exposure, plan, robot.bar, swept.share),
        timing=timing_of(exposure, plan, robot.bar, swept.share, first, coverage, track, run.duration_s),
    )
    smeared = None
    if run.trial == "avoidance":
        everywhere = travel_field(swept.trail_light, swept.share, plan.visible_share, plan.grid, robot.bar)
        followed = followed_in(exposure, track, plan, robot, seen * (1 - sources.doubtful))
        here, doubtful = around_decoys((seen, swept.share), sources.doubtful, exposure, followed, plan, robot.bar)
        drive = Drive(here, plan, robot, replace(sources, doubtful=doubtful), everywhere, followed)
        measured = _with_decoys(measured, drive, contacts_seen(run.contact_seen, setting.room), setting.moved_decoys)
        smeared = smeared_share(drive.followed, measured.avoidance or (), robot, plan)
    return MeasuredRun(measured, plan, view, swept, digests, between, first, smeared, track, judged)


def _with_decoys(measures: Measures, drive: Drive, seen: Seen | None, moved: Sequence[str]) -> Measures:
    """Add what an avoidance trial is about."""
    found = measure_avoidance(drive, seen)
    remarks = contact_remarks(found, drive.robot.body_diameter_m, moved)
    pen = measure_pen(drive, measures.pockets or ())
    return replace(measures, avoidance=found, pen=pen, quality=(*measures.quality, *remarks))


def _refused(measures: Measures, remarks: Sequence[Quality]) -> Measures:
    """The measures of a run that has no numbers, with the first of all remarks that refuses it as the reason."""
    quality = (*measures.quality, *remarks)
    reason = next(remark.text for remark in quality if remark.level == "refused")
    return replace(measures, verdict="refused", reason=reason, quality=quality)


def _without_numbers(run: Run, setting: SetUp, plan: FloorPlan, quality: Sequence[Quality]) -> Measures:
    """What is known of a run before its light is judged: whose it is, the camera and the floor."""
    fit = setting.camera.fit
    x_m, y_m, z_m = (float(part) for part in fit.camera.centre_m)
    camera = CameraFacts(
        reprojection_rms_px=fit.rms_px,
        reprojection_rms_mm=fit.rms_mm,
        height_m=z_m,
        centre_m=(x_m, y_m, z_m),
        markers_used=len(fit.residuals),
        markers_dropped=fit.dropped,
    )
    return Measures(
        key=run.key,
        robot=run.robot,
        repeat=run.repeat,
        trial=run.trial,
        conditions=run.conditions,
        verdict="measured",
        reason=None,
        quality=tuple(quality),
        camera=camera,
        floor=floor_facts(plan),
    )
