"""Is the set-up of a night sound: everything that can be told before it, and what a first exposure adds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from coverage_lab.camera.fit import UNCERTAIN_M, uncertain_plan
from coverage_lab.camera.markers import FoundMarker, find_markers
from coverage_lab.camera.model import CameraFit
from coverage_lab.camera.sharpness import marker_sharpness, usual_blur_px
from coverage_lab.errors import BadInput, Problem, Refused
from coverage_lab.files.contacts import trial_problems
from coverage_lab.files.lens import read_lens
from coverage_lab.files.night import read_night_to_be
from coverage_lab.files.room import read_room
from coverage_lab.frames.read import Frame, read_frame
from coverage_lab.job import Night, Quality
from coverage_lab.measures.uncertainty import coverage_factor_95
from coverage_lab.room.hiding import hidden_by
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area, Room
from coverage_lab.season.exposure_lines import exposure_lines
from coverage_lab.season.forecast import Forecast
from coverage_lab.season.room_lines import (
    height_line,
    hidden_line,
    marker_lines,
    pixel_sizes_m,
    scale_line,
    sharpness_line,
    state_of,
    tilt_line,
)
from coverage_lab.season.tonight import Tonight, disk_line, first_runs, tonight
from coverage_lab.season.whatif import Case, Improvement, improvements
from coverage_lab.season.work import told_in
from coverage_lab.setting import SetUp, known_focal_px, lay_out, locate, set_up
from coverage_lab.show.room_check import WORST_FIRST, CheckLine, State
from coverage_lab.trails.edge import USUAL_BLUR_PX
from coverage_lab.trails.flank import RESOLVED
from coverage_lab.trails.forecast import trail_blur_m
from coverage_lab.trails.rectify import floor_per_pixel_m

_HIDES_GAPS = "Narrow gaps between passes may stay unseen: more pixels, a sharper picture, or LEDs further apart."


@dataclass(frozen=True, slots=True, eq=False)
class RoomCheck:
    """All that a check found."""

    night: Night
    reference: Frame
    found: tuple[FoundMarker, ...]
    room: Room
    lines: tuple[CheckLine, ...]
    setting: SetUp | None = None  # None where the camera could not be found
    plan: FloorPlan | None = None  # of the robot that most floor is hidden for
    hidden: Mapping[str, Area] = field(default_factory=dict)  # by what hides it
    forecasts: tuple[Forecast, ...] = ()
    better: tuple[Improvement, ...] = ()  # for the robot with the largest uncertainty, which comes first

    @property
    def go(self) -> bool:
        """Whether nothing speaks against starting the night."""
        return all(line.state != "no-go" for line in self.lines)


def check_room(folder: Path, report: Callable[[str], None]) -> RoomCheck:
    """Check the night in `folder`; what is worst is told first. `report` is told of each run before it is measured.

    Raises BadInput for files that make no sense, and UnreadableFrame.
    """
    check = _check(folder, report)
    return replace(check, lines=tuple(sorted(check.lines, key=lambda line: WORST_FIRST.index(line.state))))


def _check(folder: Path, report: Callable[[str], None]) -> RoomCheck:
    night, unmeasured = read_night_to_be(folder)
    if night.reference is None:
        wrong = "is missing: a set-up is checked on a lights-on frame"
        raise BadInput(Problem(night.folder / "night.toml", "reference", wrong, 'Add reference = "reference.jpg"'))
    plan, room = tonight(night, unmeasured), read_room(night.room)
    problems = [problem for run in plan.there for problem in trial_problems(run, night, room)]
    if problems:
        raise BadInput(problems)
    reference = read_frame(night.reference)
    found = find_markers(reference.light, {marker.dictionary for marker in room.markers})
    lines = [*_unmeasured(night, plan, unmeasured), disk_line(night, plan)]
    check = RoomCheck(night, reference, found, room, ())
    try:
        setting = set_up(night, plan.there)
    except Refused as refusal:
        why = CheckLine("camera", "not found", "found", "no-go", told_in(refusal, night))
        return replace(check, lines=(why, sharpness_line(marker_sharpness(reference.light, found)), *lines))
    for run in first_runs(plan):
        report(run.key)
        lines += exposure_lines(run, setting)
    return _checked(replace(check, setting=setting), setting, plan, lines)


def _checked(check: RoomCheck, setting: SetUp, plan: Tonight, other: Sequence[CheckLine]) -> RoomCheck:
    """Return the check of a night whose camera was found."""
    fit = setting.camera.fit
    sharp = marker_sharpness(check.reference.light, check.found)
    lines = [
        *marker_lines(setting.camera, check.room),
        height_line(fit, check.night.camera, _without_tape(check, setting)),
        tilt_line(fit.camera),
        sharpness_line(sharp),
        *(CheckLine(one.code, "seen", "none", state_of([one]), f"{one.text}.") for one in _of_camera(setting)),
    ]
    robots = _robots(check, setting, plan, usual_blur_px(sharp))
    if robots.most_hidden is not None:
        floor, bar_height_m = robots.most_hidden.plan, robots.most_hidden.robot.bar.height_m
        hidden = hidden_by(floor, bar_height_m=bar_height_m, camera_centre_m=tuple(fit.camera.centre_m))
        check = replace(check, plan=floor, hidden=hidden)
        lines += [scale_line(fit.camera, floor, bar_height_m), hidden_line(floor, hidden)]
    lines += robots.lines
    return replace(
        check,
        lines=(*lines, *other),
        forecasts=tuple(sorted(robots.forecasts, key=lambda one: -one.u_points)),
        better=() if robots.worst is None else improvements(*robots.worst),
    )


@dataclass(slots=True)
class _Robots:
    """What is expected of the robots that drive; of their floors, which are large, only two are kept."""

    lines: list[CheckLine] = field(default_factory=list)
    forecasts: list[Forecast] = field(default_factory=list)
    worst: tuple[Case, Forecast] | None = None  # of the largest uncertainty
    most_hidden: Case | None = None


def _robots(check: RoomCheck, setting: SetUp, plan: Tonight, blur_px: float | None) -> _Robots:
    """Return what is expected of each robot; a blur that no marker tells is taken for the worst that is usual."""
    camera, focal, robots = setting.camera.fit.camera, known_focal_px(check.reference), _Robots()
    for robot in (check.night.robots[name] for name in plan.robots if name in check.night.robots):
        floor = lay_out(setting, robot)
        px_m = floor_per_pixel_m(camera, floor.grid, robot.bar.height_m)
        focal_u_px = None if focal is None else focal[1]
        case = Case(setting, robot, floor, blur_px or USUAL_BLUR_PX[1], px_m, focal_u_px)
        if robots.most_hidden is None or floor.hidden.area > robots.most_hidden.plan.hidden.area:
            robots.most_hidden = case
        now = case.forecast()
        if now is None or floor.poses.is_empty:
            robots.lines.append(_no_floor(robot.name, now is None))
            continue
        robots.forecasts.append(now)
        robots.lines += _robot_lines(case, now)
        if robots.worst is None or now.u_points > robots.worst[1].u_points:
            robots.worst = case, now
    return robots


def _no_floor(robot: str, blind: bool) -> CheckLine:
    """Return why nothing can be expected of a robot: the camera is `blind` for all floor, or the body fits nowhere."""
    if blind:
        mend = "Hang the camera where it sees the floor."
        return CheckLine(f"{robot}: floor", "none is visible", "some", "no-go", mend)
    mend = "Check its body_diameter_mm and body_height_mm, and the room file."
    return CheckLine(f"{robot}: floor", "its body fits nowhere", "somewhere", "no-go", mend)


def _without_tape(check: RoomCheck, setting: SetUp) -> CameraFit | None:
    """Return the camera as it is found without its tape height; None where the markers alone cannot tell the height."""
    night, markers = check.night, check.room.markers
    heights = {marker.z_m for marker in markers}
    if night.lens is None and known_focal_px(check.reference) is None and len(heights) == 1:
        return None
    untaped = replace(night, camera=replace(night.camera, height_m=None, height_tolerance_m=None))
    lens = None if night.lens is None else read_lens(night.lens)
    try:
        return locate(check.reference, untaped, markers, lens).fit
    except Refused:
        return None


def _of_camera(setting: SetUp) -> Iterator[Quality]:
    """Yield what else there is to say of the camera; markers and tape have lines of their own."""
    for remark in setting.camera.quality:
        if remark.code.startswith("camera-") and "tape height" not in remark.text:
            yield remark


def _robot_lines(case: Case, now: Forecast) -> Iterator[CheckLine]:
    """Yield whether a robot's comb will be resolved, and how uncertain its coverage will be."""
    name, bar, fit = case.robot.name, case.robot.bar, case.setting.camera.fit
    state: State
    if bar.pitch_m is None:
        yield CheckLine(f"{name}: comb", "a tube has none", "", "go")
    else:
        _, *corners = pixel_sizes_m(fit.camera, case.plan, bar.height_m)
        worst = bar.pitch_m / trail_blur_m(case.blur_px, max(corners))
        value = f"LED pitch {1000 * bar.pitch_m:.1f} mm is {bar.pitch_m / now.edge.blur_m:.1f} times the blur"
        mend = "" if now.resolved else _HIDES_GAPS
        state = "go" if now.resolved else "look"
        yield CheckLine(f"{name}: comb", f"{value}, {worst:.1f} in the worst corner", f"> {RESOLVED:g}", state, mend)
    corners_m = np.asarray(case.plan.room.floor.exterior.coords)[:-1, :2]
    doubt = uncertain_plan(fit, corners_m, bar.height_m)
    reach = coverage_factor_95() * now.u_points
    value = f"{now.u_points:.2f} points (95 %: ± {reach:.2f})"
    limit = f"plan within {1000 * UNCERTAIN_M:g} mm"
    state = "go" if doubt is None else "no-go"
    yield CheckLine(f"{name}: uncertainty of coverage", value, limit, state, "" if doubt is None else f"{doubt.text}.")


def _unmeasured(night: Night, plan: Tonight, unmeasured: Mapping[str, Sequence[Problem]]) -> Iterator[CheckLine]:
    """Yield the robots that drive tonight, and whose bar nobody has measured."""
    for name in plan.robots:
        if name in unmeasured:
            mend = told_in(BadInput(unmeasured[name]), night).replace("\n", " ")
            keys = ", ".join(problem.field.rpartition(".")[2] for problem in unmeasured[name])
            yield CheckLine(f"{name}: bar", f"not measured: {keys}", "all keys", "no-go", mend)
