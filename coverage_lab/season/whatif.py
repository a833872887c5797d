"""What would lower the expected uncertainty most: the forecast again, with one input at a time known better."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from coverage_lab.camera.fit import fit_camera, tape_tolerance_m
from coverage_lab.camera.markers import FoundMarker
from coverage_lab.camera.model import Camera
from coverage_lab.job import PickedCorner, Robot
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Marker, Room
from coverage_lab.season.forecast import Forecast, forecast
from coverage_lab.setting import SetUp
from coverage_lab.trails.rectify import seen_area

# What care and common tools reach (common practice, no source).
BAR_HEIGHT_M, TAPE_M, MARKER_M, OUTLINE_M = 0.0005, 0.002, 0.0005, 0.001
MORE_MARKERS = 4
LEAST_GAIN = 0.005  # points: less would read as nothing
_OFF_WALLS = 1.2  # of a marker's side, from a wall or furniture to a new marker's centre
_STEP_M = 0.25  # between places for a new marker


@dataclass(frozen=True, slots=True)
class Improvement:
    """One thing done better, and what it is worth."""

    text: str  # e.g. "bar height to ± 0.5 mm instead of ± 2"
    gain_points: float  # by which the standard uncertainty of coverage falls

    def __str__(self) -> str:
        return f"{self.text}: \N{MINUS SIGN}{self.gain_points:.2f} points"


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """All that a forecast is made from."""

    setting: SetUp
    robot: Robot
    plan: FloorPlan
    blur_px: float
    px_m: float
    focal_u_px: float | None  # of the focal length, as far as the picture's own facts tell it

    def forecast(self) -> Forecast | None:
        """Return what is expected, see `forecast`."""
        return forecast(self.setting, self.robot, self.plan, self.blur_px, self.px_m)


def improvements(case: Case, now: Forecast) -> tuple[Improvement, ...]:
    """Return what would lower the uncertainty of `now`, the forecast of `case`, the most first."""
    found = []
    for text, better in (*_better_bar(case), *_better_outlines(case), *_better_camera(case)):
        then = better.forecast()
        if then is not None and now.u_points - then.u_points >= LEAST_GAIN:
            found.append(Improvement(text, now.u_points - then.u_points))
    return tuple(sorted(found, key=lambda one: -one.gain_points))


def _better_bar(case: Case) -> Iterator[tuple[str, Case]]:
    bar = case.robot.bar
    if bar.height_tolerance_m > BAR_HEIGHT_M:
        robot = replace(case.robot, bar=replace(bar, height_tolerance_m=BAR_HEIGHT_M))
        yield _text("bar height", BAR_HEIGHT_M, bar.height_tolerance_m), replace(case, robot=robot)
    yield "pixels half as large (twice as many along each side)", replace(case, px_m=case.px_m / 2)


def _better_outlines(case: Case) -> Iterator[tuple[str, Case]]:
    room = case.plan.room
    if room.floor_tolerance_m > OUTLINE_M:
        better = replace(room, floor_tolerance_m=OUTLINE_M)
        yield _text("walls", OUTLINE_M, room.floor_tolerance_m), _in_room(case, better)
    worst_m = max((obstacle.tolerance_m for obstacle in room.obstacles), default=0.0)
    if worst_m > OUTLINE_M:
        measured = [replace(one, tolerance_m=min(one.tolerance_m, OUTLINE_M)) for one in room.obstacles]
        better = replace(room, obstacles=tuple(measured))
        yield _text("footprints of furniture", OUTLINE_M, worst_m), _in_room(case, better)


def _in_room(case: Case, room: Room) -> Case:
    return replace(case, plan=replace(case.plan, room=room))


def _better_camera(case: Case) -> Iterator[tuple[str, Case]]:
    setup, fit = case.setting.night.camera, case.setting.camera.fit
    seen = {*(one.name for one in fit.residuals), *fit.dropped}
    markers = tuple(one for one in case.setting.room.markers if f"{one.dictionary} {one.id}" in seen)
    if setup.height_m is None:
        yield f"camera height by tape, {_mm(TAPE_M)}", _refitted(case, markers, tape_m=TAPE_M)
    elif (tolerance_m := tape_tolerance_m(setup.height_tolerance_m)) > TAPE_M:
        yield _text("camera height by tape", TAPE_M, tolerance_m), _refitted(case, markers, tape_m=TAPE_M)
    if case.setting.night.lens is None:
        yield "a lens file (coverage-lab lens)", _refitted(case, markers, lens_known=True)
    if not markers:
        return
    worst_m = max(one.tolerance_m for one in markers)
    if worst_m > MARKER_M:
        better = tuple(replace(one, tolerance_m=min(one.tolerance_m, MARKER_M)) for one in markers)
        yield _text("places of the markers", MARKER_M, worst_m), _refitted(case, better)
    more = _more_markers(case, markers, worst_m)
    if more:
        yield f"{len(more)} more markers, {_mm(worst_m)}", _refitted(case, (*markers, *more))


def _refitted(case: Case, markers: Sequence[Marker], *, tape_m: float | None = None, lens_known: bool = False) -> Case:
    """Return the case with the camera as it would be fitted to `markers` seen just where it now sees their places."""
    setting = case.setting
    camera, setup = setting.camera.fit.camera, setting.night.camera
    if tape_m is None and setup.height_m is not None:
        tape_m = tape_tolerance_m(setup.height_tolerance_m)
    focal = None if case.focal_u_px is None else (float(camera.lens.matrix[0, 0]), case.focal_u_px)
    corners = [PickedCorner(_pixel(camera, one.floor_m), one.floor_m) for one in setup.corners]
    fitted = fit_camera(
        [FoundMarker(one.dictionary, one.id, camera.project(one.corners_m)) for one in markers],
        markers,
        setting.image_size,
        lens=camera.lens if lens_known or setting.night.lens is not None else None,
        focal_px_prior=focal,
        height_m=None if tape_m is None else float(camera.centre_m[2]),
        height_tolerance_m=tape_m,
        corners=corners,
    )
    return replace(case, setting=replace(setting, camera=fitted))


def _pixel(camera: Camera, floor_m: tuple[float, float]) -> tuple[float, float]:
    col, row = camera.project([[*floor_m, 0.0]])[0].tolist()
    return col, row


def _more_markers(case: Case, markers: Sequence[Marker], tolerance_m: float) -> tuple[Marker, ...]:
    """Return markers on free floor that the camera sees, each as far from all others as there is room."""
    side_m = float(np.median([one.side_m for one in markers]))
    camera = case.setting.camera.fit.camera
    room = case.plan.free.difference(case.plan.hidden).intersection(seen_area(camera, 0.0)).buffer(-_OFF_WALLS * side_m)
    west, south, east, north = room.bounds if not room.is_empty else (0.0, 0.0, 0.0, 0.0)
    steps = np.meshgrid(np.arange(west, east + 1e-9, _STEP_M), np.arange(south, north + 1e-9, _STEP_M))
    places = np.stack(steps, axis=-1).reshape(-1, 2)
    places = places[shapely.intersects_xy(room, *places.T)]
    taken = [np.array(one.centre_m) for one in markers]
    for _ in range(min(MORE_MARKERS, len(places))):
        nearest = np.min([np.linalg.norm(places - place, axis=1) for place in taken], axis=0)
        taken.append(places[int(nearest.argmax())])
    new = enumerate(taken[len(markers) :], start=1 + max(one.id for one in markers))
    return tuple(
        Marker(markers[0].dictionary, number, (float(x_m), float(y_m)), side_m, 0.0, tolerance_m=tolerance_m)
        for number, (x_m, y_m) in new
    )


def _text(what: str, better_m: float, now_m: float) -> str:
    return f"{what} to {_mm(better_m)} instead of ± {1000 * now_m:g}"


def _mm(length_m: float) -> str:
    return f"± {1000 * length_m:g} mm"
