"""From what a check found to its picture."""

from __future__ import annotations

import numpy as np

from coverage_lab.camera.markers import FoundMarker
from coverage_lab.frames.light import FULL_LIGHT
from coverage_lab.room.room import Marker
from coverage_lab.season.room_check import RoomCheck
from coverage_lab.setting import SetUp
from coverage_lab.show.marker_marks import MarkerMark
from coverage_lab.show.overlay import encode_png
from coverage_lab.show.room_check import CheckSheet, Ground, draw_check
from coverage_lab.trails.rectify import plan_view


def picture_of(check: RoomCheck) -> bytes:
    """Return the picture of a check, PNG."""
    worst = check.forecasts[0] if check.forecasts else None
    sheet = CheckSheet(
        night=check.night.name,
        lines=check.lines,
        ground=_ground(check),
        hidden_m2={name: float(area.area) for name, area in check.hidden.items()},
        robot="" if worst is None else worst.robot.name,
        points={} if worst is None else {name: one.points for name, one in worst.contributions.items()},
        gains=[(one.text, one.gain_points) for one in check.better],
    )
    return encode_png(draw_check(sheet))


def _ground(check: RoomCheck) -> Ground:
    light, setting, plan = check.reference.light, check.setting, check.plan
    if setting is None or plan is None:
        found_px = tuple(one.corners_px for one in check.found)
        return Ground((light / np.float32(FULL_LIGHT)).astype(np.float32), None, found_px=found_px)
    camera = setting.camera.fit.camera
    x_m, y_m = camera.centre_m[:2].tolist()
    by_key = {(one.dictionary, one.id): one for one in check.found}
    marks = tuple(_mark(one, by_key.get((one.dictionary, one.id)), setting) for one in check.room.markers)
    return Ground(plan_view(light, camera, plan.grid, 0.0), plan, (x_m, y_m), marks)


def _mark(marker: Marker, seen: FoundMarker | None, setting: SetUp) -> MarkerMark:
    """Return a marker with the way from its place to where the camera sees its middle."""
    if seen is None:
        return MarkerMark(marker, None, False)
    middle_m = setting.camera.fit.camera.lift(seen.corners_px, marker.z_m).mean(axis=0)
    east_m, north_m = (middle_m - marker.centre_m).tolist()
    return MarkerMark(marker, (east_m, north_m), seen.name not in setting.camera.fit.dropped)
