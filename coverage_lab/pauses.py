"""What is known of the moments between a run's frames, when the shutter was closed: floor passed over, and the way.

Between two frames the nozzle passed over a strip from where one ends to where the next one begins. Around decoys, where
millimetres decide, the ways through the frames are laid on their light first.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.job import Bar, Robot
from coverage_lab.measures.body import Followed, follow
from coverage_lab.measures.coverage import area_m2, covered_percent
from coverage_lab.measures.growth import first_everywhere
from coverage_lab.measures.smear import smeared_area
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.track import Track
from coverage_lab.series import Exposure, blind_times_s
from coverage_lab.trails.blind import USUAL_M_S
from coverage_lab.trails.caps import passed_between
from coverage_lab.trails.laid_track import laid_track

STRAIGHT_RAD = float(np.deg2rad(3))  # having turned more, a robot may have gone on before it turned, or after
AT_DECOYS_M = 0.25  # so far around a decoy floor between two frames is what laid ways tell


def bridged(exposure: Exposure, plan: FloorPlan, bar: Bar) -> ShareArray | None:
    """Return the share of each cell that was passed over between two frames, (rows, cols); None for one exposure."""
    series = exposure.series
    if series is None:
        return None
    outlines = [shapely.Polygon(passed_between(gap.join, bar.nozzle_m)) for gap in series.gaps if gap.join is not None]
    share = plan.grid.weights(shapely.union_all(outlines)) if outlines else np.zeros(plan.grid.shape, np.float32)
    share = np.maximum(share, series.filled > 0)
    return np.asarray(np.minimum(share, plan.free_share), np.float32)


def blind_share(exposure: Exposure, swept: ShareArray, plan: FloorPlan, bar: Bar) -> float:
    """Return the share of visible floor that may have been swept in gaps of which nothing was found.

    A robot may have passed over missed floor as well as over swept floor.
    """
    covered = covered_percent(swept, plan.visible_share)
    if exposure.series is None or exposure.times is None or covered is None:
        return 0.0
    blind_s = blind_times_s(exposure.times)
    start_s, end_s = np.asarray(exposure.times.start_s), np.asarray(exposure.times.end_s)
    unknown = [gap.join is None and not gap.turned for gap in exposure.series.gaps]
    lost_s = float(blind_s[unknown].sum())
    lost_s += sum(float(np.nan_to_num(end_s[at] - start_s[at])) for at in exposure.unreadable)
    passed_m2 = bar.nozzle_m * USUAL_M_S * lost_s
    return (1 - covered / 100) * passed_m2 / area_m2(np.ones_like(swept), plan)


def first_swept(exposure: Exposure, plan: FloorPlan, bar: Bar, swept: ShareArray) -> NDArray[np.uint16] | None:
    """Return the number of the frame, from 1, in which each cell was first swept; 0 where it was not."""
    series = exposure.series
    if series is None:
        return None
    first = series.first.copy()
    earlier = (series.filled > 0) & ((first == 0) | (series.filled < first))
    first[earlier] = series.filled[earlier]
    for at, gap in enumerate(series.gaps):
        if gap.join is None:
            continue
        cells = plan.grid.to_cell(passed_between(gap.join, bar.nozzle_m))[:, ::-1]
        inside = np.zeros(first.shape, np.uint8)
        cv2.fillConvexPoly(inside, np.rint(cells).astype(np.int32), 1)
        first[(inside > 0) & ((first == 0) | (first > at + 2))] = at + 2
    first = first_everywhere(first)
    first[swept <= 0] = 0
    return first


def followed_in(
    exposure: Exposure, track: Track | None, plan: FloorPlan, robot: Robot, swept: ShareArray
) -> Followed | None:
    """Return the robot's way as each frame's light around decoys has it; None where no place is known."""
    if track is None or exposure.series is None or exposure.times is None:
        return None
    start_s, end_s = (np.asarray(ends) for ends in (exposure.times.start_s, exposure.times.end_s))
    series = exposure.series
    laid = laid_track(track, series.ways, series.lights, series.once, (start_s, end_s), plan, robot.bar)
    return follow(laid, float(end_s[-1] - start_s[0]), series.at_decoys, swept, plan)


def around_decoys(
    swept: tuple[ShareArray, ShareArray],
    doubtful: ShareArray,
    exposure: Exposure,
    followed: Followed | None,
    plan: FloorPlan,
    bar: Bar,
) -> tuple[ShareArray, ShareArray]:
    """Return swept floor and doubtful floor, (rows, cols) 0-1 each, as they are known around decoys.

    swept : floor that light shows to be swept, and with what was passed over between frames; doubtful : floor that
    hangs on the light's level.

    Of all floor it hardly matters what is taken to have been passed in a pause. But a narrow gap between two frames'
    strips may be what a robot left out around a decoy just as well. So what was passed between two ways that were laid
    is told by them, and is in doubt if the robot turned; between others it is in doubt.
    """
    seen, passed = swept
    if exposure.series is None or followed is None or not plan.room.decoys:
        return passed, doubtful
    series, laid = exposure.series, followed.laid
    decoys = shapely.union_all([decoy.footprint for decoy in plan.room.decoys])
    near = plan.grid.weights(decoys.buffer(AT_DECOYS_M)) > 0
    seen, doubtful = _decided(seen, doubtful, near, followed, plan, bar)
    between = (np.diff(laid.track.frame) == 1) & laid.laid[1:] & laid.laid[:-1]
    known = laid.track.frame[:-1][between]  # numbers of gaps, from 0
    straight, turned = (_passed(laid.track, between & (laid.track.followed == on), plan, bar) for on in (True, False))
    outlines = [
        shapely.Polygon(passed_between(gap.join, bar.nozzle_m))
        for number, gap in enumerate(series.gaps)
        if gap.join is not None and number not in known
    ]
    joined = plan.grid.weights(shapely.union_all(outlines))
    filled = (series.filled > 0) & ~np.isin(series.filled.astype(int) - 2, known)
    surely, guessed = np.maximum(seen, straight), np.max([turned, joined, filled], axis=0)
    here = np.where(near, np.maximum(surely, guessed), passed)
    return here, np.where(near & (guessed > surely), 1.0, doubtful).astype(np.float32)


def _decided(
    seen: ShareArray, doubtful: ShareArray, near: NDArray[np.bool_], followed: Followed, plan: FloorPlan, bar: Bar
) -> tuple[ShareArray, ShareArray]:
    """Return floor that light shows to be swept, and doubtful floor, where ways decide about doubtful light.

    A decoy that the bar lights may look swept. It is if a laid way passed over it, and it is not if none did, unless a
    frame whose way is not known shows a strip there.
    """
    laid = followed.laid
    inside = (np.diff(laid.track.frame) == 0) & laid.laid[1:]
    driven = _passed(laid.track, inside, plan, bar)
    explained = set(laid.track.frame[laid.laid].tolist())
    others = [strip for frame, strip in enumerate(followed.strips) if frame not in explained]
    decides = near & (doubtful > 0) & ((driven > 0) | (plan.grid.weights(shapely.union_all(others)) == 0))
    return np.where(decides, driven, seen).astype(np.float32), np.where(decides, 0, doubtful).astype(np.float32)


def _passed(track: Track, legs: NDArray[np.bool_], plan: FloorPlan, bar: Bar) -> ShareArray:
    """Return the share of each cell that the nozzle passed over on some of a track's legs (n - 1,)."""
    return plan.grid.weights(smeared_area(replace(track, followed=legs), bar))
