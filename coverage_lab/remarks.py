"""What a reviewer should know of a run beside its numbers: quality codes with a sentence each.

The codes are listed in docs/file-formats.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from coverage_lab.camera.fit import uncertain_plan
from coverage_lab.camera.landmarks import Shift
from coverage_lab.camera.model import Camera, CameraFit
from coverage_lab.camera.moved import shifted_plan_m
from coverage_lab.errors import Problem
from coverage_lab.job import Bar, Quality, Robot
from coverage_lab.room.plan import FloorPlan, with_unknown
from coverage_lab.room.room import Area
from coverage_lab.trails.comb import Comb, brightness
from coverage_lab.trails.darkled import SURELY, DarkTracks, dark_track_share, dark_tracks, narrow_pass_share
from coverage_lab.trails.dwell import dwell_halo
from coverage_lab.trails.exposure import Exposure, judge_exposure
from coverage_lab.trails.lamplight import lamp_remarks, lamplight
from coverage_lab.trails.ruler import BarLength, bar_length
from coverage_lab.trails.stray import Stray, find_strays
from coverage_lab.trails.sweep import SweptFloor

ALL_BURNT = 0.98  # share of visible floor at the clip from which on nothing can be told
MOSTLY_BURNT = 0.8  # and from which on that is why no trail is found; where one is found it was up to 0.73
LITTLE_HIDDEN, MUCH_HIDDEN = 0.05, 5.0  # percent of the free floor
MUCH_CLIPPED = 0.5  # share of the trail's outline
MISSED_BURNT = 0.05  # share of floor that no nozzle reaches: 0.01 on good frames; at 0.12 coverage is 2 points off
TOLD_APART = 0.1  # share of the outline with whole tracks from which on burnt floor is told from trail by them
LEAK, MUCH_LEAK = 0.5, 0.85  # of the trail's light: 0.45 on good frames
FAINT, TOO_FAINT = 20.0, 6.0  # times the noise: 200 on good frames; at 10 coverage is 0.7 points off, at 4 five
LEFT, MUCH_LEFT = 0.015, 0.03  # of the trail's light: below 0.01 on good frames; at 0.05 coverage is 5 points off
MOVED_MM, MOVED_FAR_MM = 2.0, 15.0
SEEN_MOVED_MM = 3.0  # by what shows in the exposure: up to 1.7 mm on good frames
TRACKS_OFF, TRACKS_FAR_OFF = 0.004, 0.02  # of the bar's length: 0.003 on good frames; coverage is off by twice that
PASSES_OFF, PASSES_FAR_OFF = 0.02, 0.06
BRIGHT_PERCENTILE, LEAST_BRIGHT = 90.0, 40.0  # what stands for the trail where its level is not known, of 255
DARK_TRACK = 0.05  # share of the outline: 0 on good frames; 0.1 to 0.6 with a dead LED
NARROW_PASSES = 0.5  # share of straight single passes: 0 on good frames, nearly all with a dead LED at the bar's end
HALO_IN_CLIP = 0.8  # share of the outline from which on a halo refuses: coverage up to 6 points off; good up to 0.7
SPREAD_IN_CLIP = 0.8  # and from which on trail where none can be may be burnt light that has spread
STRAY_WIDTH = 0.4  # of the nozzle: side of a square of trail; 0.27 on good frames


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
    if burnt >= MOSTLY_BURNT:
        all_or_most = "the whole floor is" if burnt >= ALL_BURNT else f"{100 * burnt:.0f} % of the floor are"
        wrong = f"{all_or_most} burnt out: no trail can be told from light"
        problem = Problem(frame, "", wrong, "Darken the room or stop down, and shoot again")
        return Quality("saturated", "refused", str(problem))
    wrong = "no trail stands out from the floor"
    problem = Problem(frame, "", wrong, "Check that the bar was on and the shutter open, and shoot again")
    return Quality("no-trail", "refused", str(problem))


def nobody_drove(swept: SweptFloor, plan: FloorPlan, robot: Robot) -> bool:
    """Say whether less was swept than by a robot that moves once by its nozzle's length: stray light, not a run."""
    swept_m2 = float(np.vdot(swept.share, plan.visible_share)) * plan.grid.cell_m2
    return swept_m2 < robot.bar.nozzle_m**2


@dataclass(frozen=True, slots=True)
class Judged:
    """Remarks on the light of one exposure, and what they make less certain."""

    remarks: tuple[Quality, ...]
    bar_height_off_m: float  # by how much the bar's height is wrong if that is why it appears too long or short
    plan: FloorPlan  # with the floor hidden on which the light does not tell what is trail
    exposure: Exposure
    length: BarLength | None  # of the bar in the picture; None where nothing tells


def judge_light(
    view: NDArray[np.float32], swept: SweptFloor, plan: FloorPlan, bar: Bar, clip: float, camera_height_m: float
) -> Judged:
    """Look for all that makes the light, (rows, cols) in plan view, unfit for a number or doubtful."""
    halo = dwell_halo(view, swept, plan, bar.nozzle_m, clip)
    of_halo = dwell_remarks(halo, plan, swept.clipped)
    lamp_found = lamplight(view, swept.share, plan, bar.nozzle_m, (swept.level.trail / 255) ** 2)
    if halo is not None:
        plan = with_unknown(plan, halo)  # else the halo is taken for burnt floor, or trail beyond a wall
    comb, above_m = Comb.of(bar, plan.grid.cell_m), camera_height_m - bar.height_m
    length = bar_length(view, swept.outline, swept.first_track, comb, clip)
    exposure = judge_exposure(view, swept, plan, clip)
    of_bar = bar_remarks(length, above_m)
    # Noise has ripples like a comb's, everywhere.
    quiet = exposure.trail_over_noise >= FAINT
    # Where floor is burnt that nobody drove over, walls and furniture are burnt too: only a comb tells trail then.
    says_trail = clip if exposure.missed_at_clip <= MISSED_BURNT or swept.ruled < TOLD_APART else np.inf
    strays = find_strays(view, plan, bar, says_trail, swept.level.trail) if quiet else ()
    dark = dark_track_share(swept.outline, swept.first_track, comb, swept.cut)
    tracks = dark_tracks(np.minimum(view, np.float32(clip)), swept.outline, swept.first_track, comb, swept.cut)
    narrow = narrow_pass_share(swept.outline, swept.first_track, comb)
    lamp = lamp_remarks(lamp_found, halo=halo is not None) if quiet else ()
    remarks = (
        *dark_led_remarks(dark, narrow, tracks, comb.led_count),  # first: tracks beside a dead LED's look like a lamp's
        *lamp,  # then: it is why other things look wrong
        *light_remarks(swept, exposure),
        *stray_remarks(strays, bar.nozzle_m, swept.clipped),
        *of_halo,
        *of_bar,
    )
    height_off_m = abs(length.ratio - 1) * above_m if length is not None and of_bar else 0.0
    return Judged(remarks, height_off_m, plan, exposure, length)


def lamp_or_wrong_room(view: NDArray[np.float32], plan: FloorPlan, bar: Bar, clip: float) -> tuple[Quality, ...]:
    """Why no trail was found if a lamp on the robot hides it, or if it lies where the plan says that none can be."""
    lamp = lamp_remarks(lamplight(view, None, plan, bar.nozzle_m, clip))
    if any(remark.level == "refused" for remark in lamp):
        return lamp
    thin = (slice(None, None, 4), slice(None, None, 4))
    trail = float(np.percentile(brightness(view[thin]), BRIGHT_PERCENTILE))
    strays = find_strays(view, plan, bar, clip, trail) if trail >= LEAST_BRIGHT else ()
    return stray_remarks(strays, bar.nozzle_m, 0.0)


def moved_camera(shift_m: NDArray[np.float64]) -> tuple[Quality, ...]:
    """What to say if the plan is misplaced by `shift_m` (N, 2) since the camera moved during the night."""
    return _moved(shift_m, "between both reference frames", MOVED_MM, "shoot the night again")


def moved_since(shift: Shift | None, camera: Camera, floor: Polygon) -> tuple[Quality, ...]:
    """What to say if an exposure shows what stands still elsewhere than the reference frame does, by `shift`."""
    if shift is None:
        return ()
    corners_m = np.asarray(floor.exterior.coords)[:, :2]
    mend = "shoot the run again, or a new reference frame for it if the camera has not moved since"
    return _moved(shifted_plan_m(camera, shift, corners_m, 0.0), "since the reference frame", SEEN_MOVED_MM, mend)


def _moved(shift_m: NDArray[np.float64], when: str, allowed_mm: float, mend: str) -> tuple[Quality, ...]:
    worst_mm = 1000 * float(np.linalg.norm(shift_m, axis=1).max(initial=0.0))
    if worst_mm <= allowed_mm:
        return ()
    text = f"{when} the camera moved: the plan is off by up to {worst_mm:.0f} mm"
    if worst_mm > MOVED_FAR_MM:
        return (Quality("camera-moved", "refused", f"{text}. Fix the camera, and {mend}"),)
    return (Quality("camera-moved", "warning", f"{text}, and the interval is widened for it. Fix the camera"),)


def light_remarks(swept: SweptFloor, exposure: Exposure) -> tuple[Quality, ...]:
    """What the light gives reason to doubt, or to refuse."""
    remarks = []
    if exposure.missed_at_clip > MISSED_BURNT:
        text = f"{100 * exposure.missed_at_clip:.0f} % of the floor that no nozzle reaches is burnt out"
        if swept.ruled < TOLD_APART:
            text = f"{text}: trail and halo look alike. Stop down, shoot again"
            remarks.append(Quality("saturated", "refused", text))
        else:
            remarks.append(Quality("saturated", "warning", f"{text}: there only the comb tells trail. Stop down"))
    elif swept.clipped > MUCH_CLIPPED:
        text = f"light is clipped along {100 * swept.clipped:.0f} % of the trail's outline: expose less"
        remarks.append(Quality("saturated", "warning", text))
    if exposure.missed_over_trail > LEAK:
        text = f"floor that no nozzle reaches is {100 * exposure.missed_over_trail:.0f} % as bright as the trail"
        if exposure.missed_over_trail > MUCH_LEAK:
            remarks.append(Quality("light-leak", "refused", f"{text}. Darken the room, and shoot again"))
        else:
            remarks.append(Quality("light-leak", "warning", f"{text}: darken the room"))
    if exposure.left_over_trail > LEFT:
        text = "floor that looks missed is brighter than floor that no nozzle reaches, so that passes may be lost in it"
        if exposure.left_over_trail > MUCH_LEFT:
            remarks.append(Quality("faint", "refused", f"{text}. Open the lens or darken the room, and shoot again"))
        else:
            remarks.append(Quality("faint", "warning", f"{text}: open the lens, or darken the room"))
    elif exposure.trail_over_noise < FAINT:
        text = f"the trail stands only {exposure.trail_over_noise:.0f} times the noise above the floor"
        if exposure.trail_over_noise < TOO_FAINT:
            remarks.append(Quality("faint", "refused", f"{text}. Open the lens, and shoot again"))
        else:
            remarks.append(Quality("faint", "warning", f"{text}: open the lens, or make the bar brighter"))
    return tuple(remarks)


def bar_remarks(length: BarLength | None, above_bar_m: float) -> tuple[Quality, ...]:
    """What to say if the bar's `length` in the picture is not the register's; the camera is `above_bar_m` above it."""
    if length is None:
        return ()
    allowed, far = (TRACKS_OFF, TRACKS_FAR_OFF) if length.by_tracks else (PASSES_OFF, PASSES_FAR_OFF)
    off = length.ratio - 1
    if abs(off) <= allowed + 3 * length.u:
        return ()
    text = (
        f"the bar appears {100 * abs(off):.1f} % {'longer' if off > 0 else 'shorter'} than the register says, as it "
        f"would be {1000 * abs(off) * above_bar_m:.0f} mm {'higher' if off > 0 else 'lower'}: "
        "measure its lit length and its height again, and count its LEDs"
    )
    return (Quality("bar-length-mismatch", "refused" if abs(off) > far else "warning", text),)


def dark_led_remarks(dark: float, narrow: float, tracks: DarkTracks, led_count: int) -> tuple[Quality, ...]:
    """Why a picture is refused in which a share `dark` of the outline runs along a dark track.

    Or in which `tracks` inward of the bar's ends are surely dark, or of straight single passes a share `narrow` is one
    LED distance too narrow.
    """
    if dark > DARK_TRACK or tracks.often > SURELY:
        told = _named(tracks.leds, led_count) if tracks.leds else "which one can't be told"
        seen = f"the trail has gaps of just two LED distances, as a dead LED leaves them: {told}"
    elif narrow > NARROW_PASSES:
        seen = "passes are just one LED distance narrower than the bar: the LED at one of its ends is dead"
    else:
        return ()
    text = f"{seen}. What it passes over would count as missed. Mend the bar, and shoot again"
    return (Quality("led-missing", "refused", text),)


def _named(leds: Sequence[int], led_count: int) -> str:
    """Say which LEDs of a bar `leds` are: a single exposure does not tell one end of the bar from the other."""
    if len(leds) > 1:
        return f"LEDs {' and '.join(map(str, leds))} of {led_count}, each counted from one end or the other"
    (led,) = leds
    if 2 * led == led_count + 1:
        return f"the middle one of {led_count} LEDs"
    return f"LED {led} of {led_count} from one end, {led_count + 1 - led} from the other"


def dwell_remarks(halo: Area | None, plan: FloorPlan, clipped: float) -> tuple[Quality, ...]:
    """What to say where the `halo` of a robot that stood still hides floor; `clipped` as in `SweptFloor`."""
    if halo is None:
        return ()
    place, unknown = halo.centroid, halo.intersection(plan.free)
    text = f"at ({place.x:.1f} m, {place.y:.1f} m) light of a robot that stood still has a halo that passes for trail"
    if clipped > HALO_IN_CLIP:
        return (Quality("dwell", "refused", f"{text}, and light is clipped elsewhere too. Stop down, and shoot again"),)
    return (Quality("dwell", "warning", f"{text}: {unknown.area:.2f} m² of floor there count as not visible"),)


def stray_remarks(strays: Sequence[Stray], nozzle_m: float, clipped: float) -> tuple[Quality, ...]:
    """Why a picture is refused that shows trail where none can be; `clipped` as in `SweptFloor`."""
    remarks = []
    kinds: tuple[tuple[str, str, str], ...] = (
        ("obstacle", "trail-on-obstacle", "over the footprint of"),
        ("wall", "trail-off-floor", "beyond"),
    )
    for kind, code, where in kinds:
        large = [stray for stray in strays if stray.kind == kind and stray.area_m2 > (STRAY_WIDTH * nozzle_m) ** 2]
        if large:
            named = ", ".join(f"{stray.name} ({1e4 * stray.area_m2:.0f} cm²)" for stray in large[:3])
            wrong, mend = "room file, bar height or camera are wrong", "Check the room as it stood"
            if clipped > SPREAD_IN_CLIP:
                wrong, mend = f"burnt light may have spread there, or {wrong}", "Stop down and shoot again first"
            text = f"trail runs {where} {named}: {wrong}. {mend}"
            remarks.append(Quality(code, "refused", text))
    return tuple(remarks)
