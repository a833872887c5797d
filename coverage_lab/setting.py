"""What the runs of a night share: room, camera, dark and ambient frames; and the floor as one robot finds it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from coverage_lab.camera.doubt import bar_height_moves_m, plan_moves_m
from coverage_lab.camera.fit import FittedCamera, focal_prior_px
from coverage_lab.camera.landmarks import Landmarks, Shift, landmarks
from coverage_lab.camera.locate import locate_camera
from coverage_lab.camera.model import Camera, Lens
from coverage_lab.camera.moved import plan_shift_m, shifted_plan_m
from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.lens import read_lens
from coverage_lab.files.room import read_room
from coverage_lab.frames.read import Frame, read_frame
from coverage_lab.job import Night, Quality, Robot, Run
from coverage_lab.measures.budget import Mover, Nodes
from coverage_lab.measures.uncertainty import combined, rectangular_u
from coverage_lab.measures.values import SharedBy
from coverage_lab.remarks import moved_camera, moved_since
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Marker, Room
from coverage_lab.series import Exposure, Shared, check_size, expose
from coverage_lab.trails.moved_decoys import moved_decoys
from coverage_lab.trails.outline import Outline
from coverage_lab.trails.rectify import seen_area
from coverage_lab.trails.standing import shift_since

MARGIN_M = 0.05  # of floor drawn around the room


@dataclass(frozen=True, slots=True, eq=False)
class SetUp:
    """What the runs of a night share: room, camera, and the frames that are taken off every exposure."""

    night: Night
    room: Room
    camera: FittedCamera
    image_size: tuple[int, int]
    dark: Frame | None
    ambient: Frame | None
    digests: dict[str, str]  # SHA-256 of each shared file's content
    camera_after: Camera | None = None  # as the second reference frame shows it
    moved_decoys: tuple[str, ...] = ()  # that the second reference frame shows elsewhere
    landmarks: Landmarks | None = None  # in the reference frame
    last_plan: dict[Robot, FloorPlan] = field(default_factory=dict)


def set_up(night: Night, runs: Sequence[Run]) -> SetUp:
    """Read what the night's runs share, and fit the camera to the markers in the reference frame.

    With hand-picked corners alone the night needs no reference frame: a frame of its `runs` then tells the size.
    Raises BadInput for files that do not make sense, UnreadableFrame, and Refused where the camera cannot be found.
    """
    room = read_room(night.room)
    lens = None if night.lens is None else read_lens(night.lens)
    reference = read_frame(night.reference or runs[0].frames[0])
    height, width = reference.light.shape
    after, dark, ambient = (
        None if path is None else read_frame(path) for path in (night.reference_after, night.dark, night.ambient)
    )
    shared = {"reference": reference, "reference_after": after, "dark": dark, "ambient": ambient}
    digests = {name: frame.digest for name, frame in shared.items() if frame is not None}
    for frame in (after, dark, ambient):
        if frame is not None:
            check_size(frame, (width, height), reference.path)
    camera, camera_after = locate(reference, night, room.markers, lens), None
    decoys: tuple[str, ...] = ()
    if after is not None:
        camera_after = locate(after, night, room.markers, lens).fit.camera
        corners_m = np.array(room.floor.exterior.coords)[:, :2]
        moved = moved_camera(plan_shift_m(camera.fit.camera, camera_after, corners_m, 0.0))
        camera = replace(camera, quality=(*camera.quality, *moved))
        if night.reference is not None:
            decoys = moved_decoys(room, (reference.light, camera.fit.camera), (after.light, camera_after))
    standing = None if night.reference is None else landmarks(reference.light, camera.fit.camera)
    return SetUp(night, room, camera, (width, height), dark, ambient, digests, camera_after, decoys, standing)


def look(run: Run, setting: SetUp, plan: FloorPlan) -> Exposure:
    """Read a run's frames and lift them to the height of the robot's bar.

    Raises UnreadableFrame, and BadInput for a frame of another size than the night's.
    """
    night = setting.night
    shared = Shared(
        folder=night.folder,
        camera=setting.camera.fit.camera,
        size=setting.image_size,
        like=night.reference or run.frames[0],
        dark=setting.dark,
        ambient=setting.ambient,
        setup=night.camera,
        every=None if setting.landmarks is None else setting.landmarks.every,
    )
    return expose(run.frames, shared, plan, night.robots[run.robot].bar, run.duration_s)


def lay_out(setting: SetUp, robot: Robot) -> FloorPlan:
    """Lay out the floor for one robot: what is free, reachable for it, and visible at the height of its bar.

    The last robot's is kept, since its repeats mostly follow. Raises BadInput if the bar is not below the camera.
    """
    if robot not in setting.last_plan:
        setting.last_plan.clear()
        setting.last_plan[robot] = _laid_out(setting, robot)
    return setting.last_plan[robot]


def _laid_out(setting: SetUp, robot: Robot) -> FloorPlan:
    camera = setting.camera.fit.camera
    if robot.bar.height_m >= camera.centre_m[2]:
        wrong = f"the bar ({robot.bar.height_m:.3f} m) is not below the camera ({camera.centre_m[2]:.3f} m)"
        raise BadInput(Problem(setting.night.folder, f"robot.{robot.name}.bar_height_mm", wrong, "Measure it again"))
    return floor_plan(
        setting.room,
        body_diameter_m=robot.body_diameter_m,
        body_height_m=robot.body_height_m,
        nozzle_m=robot.bar.nozzle_m,
        forward_m=robot.bar.forward_m,
        bar_height_m=robot.bar.height_m,
        camera_centre_m=tuple(camera.centre_m),
        seen=seen_area(camera, robot.bar.height_m),
        grid=FloorGrid.over(setting.room.floor, setting.night.settings.cell_m, MARGIN_M),
    )


def shift_since_reference(
    setting: SetUp, exposure: Exposure, trail: Outline, robot: Robot
) -> tuple[Shift | None, tuple[Quality, ...]]:
    """Return by how much the picture moved since the reference frame, and what to say of it, if an exposure shows that.

    trail : the outline of what was found in the exposure.
    """
    if setting.landmarks is None or exposure.picture is None:
        return None, ()
    camera, grid = setting.camera.fit.camera, lay_out(setting, robot).grid
    shift = shift_since(setting.landmarks, exposure.picture, trail, grid, camera, robot.bar.height_m)
    remarks = moved_since(shift, camera, setting.room.floor)
    return (shift if remarks else None), remarks


def plan_movers(
    setting: SetUp, robot: Robot, nodes: Nodes, height_off_m: float = 0.0, shift: Shift | None = None
) -> dict[str, Mover]:
    """Return what moves the plan at the height of the robot's bar, each by one standard uncertainty.

    `height_off_m` is by how much the bar's height seems wrong in the light, `shift` by how much the picture moved
    before the exposure or in the middle of it.
    """
    fit, height_m = setting.camera.fit, robot.bar.height_m
    shared_by: dict[str, SharedBy] = {"camera": "night", "tape": "night", "markers": "room"}
    movers = {
        cause: Mover(plan_moves_m(fit, fit.causes[cause], nodes.points_m, height_m), sharing)
        for cause, sharing in shared_by.items()
    }
    bar_u_m = combined([rectangular_u(robot.bar.height_tolerance_m), height_off_m])
    by_bar_m = bar_height_moves_m(fit, nodes.points_m, height_m, bar_u_m)
    movers["bar height"] = Mover(by_bar_m[None], "robot", bar_u_m)
    if setting.camera_after is not None:
        # At the time of the exposure the camera was anywhere between where both reference frames show it.
        shift_m = plan_shift_m(fit.camera, setting.camera_after, nodes.points_m, height_m)
        movers["camera moved"] = Mover(shift_m[None] / np.sqrt(3), "night")
    if shift is not None:
        shift_m = shifted_plan_m(fit.camera, shift, nodes.points_m, height_m)
        movers["camera moved"] = Mover(shift_m[None] / np.sqrt(3), "run")
    return movers


def locate(reference: Frame, night: Night, markers: Sequence[Marker], lens: Lens | None) -> FittedCamera:
    """Fit the camera to what a lights-on frame shows; errors name the file they are about.

    Raises BadInput and Refused as `locate_camera` does.
    """
    markers = () if night.reference is None else markers
    try:
        return locate_camera(
            reference.path, reference.light, markers, night.camera, lens=lens, focal_px_prior=known_focal_px(reference)
        )
    except BadInput as error:
        files = {"lens": night.lens}
        problems = [replace(problem, path=files.get(problem.field, night.room)) for problem in error.problems]
        raise BadInput(problems) from None


def known_focal_px(reference: Frame) -> tuple[float, float] | None:
    """Return the focal length in px and its uncertainty as far as the picture's own facts tell it."""
    exif = reference.exif
    if exif is None or exif.focal_length_35mm is None:
        return None
    height, width = reference.light.shape
    return focal_prior_px(exif.focal_length_35mm, (width, height))
