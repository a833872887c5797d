"""A whole season folder with one night whose truth is known, as docs/file-formats.md lays it down.

What the files state is what a careful lab would have measured; what is photographed differs from it within
the stated tolerances.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.model import Camera
from coverage_lab.files.lens import write_lens
from coverage_lab.files.room import write_room
from coverage_lab.files.store import write_file
from coverage_lab.job import Robot
from coverage_lab.room.room import Room
from coverage_lab.simulate.cameras import ceiling_camera
from coverage_lab.simulate.exposure import Exposure, expose
from coverage_lab.simulate.growth import growth_truth
from coverage_lab.simulate.reference import reference_frame
from coverage_lab.simulate.robots import FLOCK, Driver, drive
from coverage_lab.simulate.scene import Scene, look_down
from coverage_lab.simulate.sensor import develop, write_picture
from coverage_lab.simulate.series import Film, Shutter, write_series
from coverage_lab.simulate.truth import run_truth, true_plan

FloatArray = NDArray[np.float64]

NIGHT = "2031-02-11"
PEN_NIGHT = "2031-02-12"  # beside it in one season: avoidance trials
_TAPE_TOLERANCE_M = 0.01
_FIRST_RUN = datetime(2031, 2, 11, 21, 0)  # the others follow by the hour


@dataclass(frozen=True, slots=True)
class NightPlan:
    """What to simulate. Equal plans give equal nights."""

    room: Room
    name: str = NIGHT
    seed: int = 1
    drivers: tuple[Driver, ...] = FLOCK[:3]
    repeats: int = 1
    megapixels: float = 3.0
    camera_height_m: float = 2.75
    exposure: Exposure = field(default_factory=Exposure)
    lens_file: bool = True  # write lens.json, as after a calibration
    shutter: Shutter | None = None  # None: one exposure of the whole run
    draw_tolerances: bool = True  # True: bars, markers and tape are off within their tolerances


def write_season(folder: Path, plan: NightPlan) -> Path:
    """Write a season with one night into `folder` and return the night's folder.

    Raises CannotWrite where a file cannot be stored.
    """
    rng = np.random.default_rng([plan.seed, 0])
    night = folder / plan.name
    night.mkdir(parents=True, exist_ok=True)
    camera = ceiling_camera(plan.room.floor, megapixels=plan.megapixels, height_m=plan.camera_height_m, rng=rng)
    true_room = _moved_markers(plan.room, rng) if plan.draw_tolerances else plan.room
    scene = look_down(true_room, camera, rng)
    write_picture(night / "reference.jpg", reference_frame(scene, rng))
    robots = [_true_robot(driver.robot, rng) if plan.draw_tolerances else driver.robot for driver in plan.drivers]
    tape_m = float(camera.centre_m[2]) + (rng.uniform(-1, 1) * _TAPE_TOLERANCE_M if plan.draw_tolerances else 0)
    _write_papers(folder, night, plan, camera, tape_m)
    runs: dict[str, Any] = {}
    for number, (driver, robot) in enumerate(zip(plan.drivers, robots, strict=True)):
        for repeat in range(1, plan.repeats + 1):
            run_rng = np.random.default_rng([plan.seed, 1 + number, repeat])
            began = _FIRST_RUN + timedelta(hours=len(runs))
            place = night / f"{robot.name}-{repeat}{_frames_ending(plan)}"
            runs[f"{robot.name}-{repeat}"] = _write_run(
                place, replace(driver, robot=robot), scene, plan, began, run_rng
            )
    _write_json(night / "truth.json", {**_scene_truth(scene), "runs": runs})
    return night


def _write_run(
    place: Path, driver: Driver, scene: Scene, plan: NightPlan, began: datetime, rng: np.random.Generator
) -> dict[str, Any]:
    """Drive, photograph and store one run; return its part of the truth."""
    robot = driver.robot
    poses = drive(driver, scene.room, rng)
    in_time = _photograph(place, poses, robot, scene, plan, began, rng)
    told: dict[str, Any] = {
        "manner": driver.manner,
        "bar": _bar_truth(robot),
        "robot": {
            "radius_m": robot.body_diameter_m / 2,
            "speed_m_s": driver.motion.speed_m_s,
            "turn_rate_deg_s": round(float(np.rad2deg(driver.motion.turn_rate_rad_s)), 3),
        },
        "truth": run_truth(poses, robot, scene.room, scene.camera),
    }
    if in_time:
        floor = true_plan(robot, scene.room, scene.camera)
        spans_s = np.array([[frame["start_s"], frame["end_s"]] for frame in in_time["frames"]])
        told["timing"] = in_time
        told["truth"] |= growth_truth(poses, robot.bar, spans_s, floor.free, floor.free.difference(floor.hidden))
    return told


def _photograph(
    place: Path,
    poses: FloatArray,
    robot: Robot,
    scene: Scene,
    plan: NightPlan,
    began: datetime,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Store a run's one exposure, or its frames in a folder and return what is true of their times."""
    if plan.shutter is None:
        write_picture(place, expose(poses, robot.bar, scene, plan.exposure, rng))
        return {}
    film = Film(plan.exposure, plan.shutter, _ending(plan))
    return write_series(place, poses, robot.bar, scene, film, began, rng)


def _write_papers(folder: Path, night: Path, plan: NightPlan, camera: Camera, tape_m: float) -> None:
    """Write what the lab states: robots, room, night, run sheet, lens and dark frame."""
    robots = [driver.robot for driver in plan.drivers]
    write_file(folder / "robots.toml", "\n".join(_robot_entry(robot) for robot in robots).encode())
    write_room(plan.room, night / "room.geojson")
    pictures = ['room = "room.geojson"', 'reference = "reference.jpg"']
    if plan.lens_file:
        write_lens(camera.lens, night / "lens.json")
        pictures.append('lens = "lens.json"')
    if plan.exposure.sensor.transfer == "linear":
        dark = np.zeros((*camera.lens.image_size[::-1], 3), np.float32)
        write_picture(night / "dark.png", develop(dark, plan.exposure.sensor, np.random.default_rng([plan.seed, 99])))
        pictures.append('dark = "dark.png"')
    tolerance_mm = 1000 * _TAPE_TOLERANCE_M + 0.5  # and the tape is read to the millimetre
    lines = [
        *pictures,
        "",
        "[camera]",
        f"height_mm = {1000 * tape_m:.0f}",
        f"height_tolerance_mm = {tolerance_mm:g}",
        "",
    ]
    write_file(night / "night.toml", "\n".join(lines).encode())
    trial = "avoidance" if plan.room.decoys else "coverage"
    rows = ["run,robot,repeat,frames,trial"] + [
        f"{robot.name}-{repeat},{robot.name},{repeat},{robot.name}-{repeat}{_frames_ending(plan)},{trial}"
        for repeat in range(1, plan.repeats + 1)
        for robot in robots
    ]
    write_file(night / "runs.csv", "\n".join([*rows, ""]).encode())


def _frames_ending(plan: NightPlan) -> str:
    """Return what follows a run's name where its frames lie: a picture's ending, or nothing for a folder."""
    return _ending(plan) if plan.shutter is None else ""


def _ending(plan: NightPlan) -> str:
    return ".png" if plan.exposure.sensor.transfer == "linear" else ".jpg"


def _robot_entry(robot: Robot) -> str:
    """Return a robot's entry for robots.toml."""
    bar = robot.bar
    entries = {
        "nozzle_mm": bar.nozzle_m,
        "lit_length_mm": bar.lit_length_m,
        "bar_height_mm": bar.height_m,
        "bar_height_tolerance_mm": bar.height_tolerance_m,
        "bar_forward_mm": bar.forward_m,
        "body_diameter_mm": robot.body_diameter_m,
        "body_height_mm": robot.body_height_m,
    }
    lines = [f"[{robot.name}]", f"led_count = {bar.led_count}"]
    return "\n".join([*lines, *(f"{key} = {1000 * value:.6g}" for key, value in entries.items()), ""])


def _moved_markers(room: Room, rng: np.random.Generator) -> Room:
    """Return the room with each marker off its stated place, by a rectangle of its tolerance on each axis."""
    markers = []
    for marker in room.markers:
        x_m, y_m = np.array(marker.centre_m) + marker.tolerance_m * rng.uniform(-1, 1, 2)
        markers.append(replace(marker, centre_m=(float(x_m), float(y_m))))
    return replace(room, markers=tuple(markers))


def _true_robot(robot: Robot, rng: np.random.Generator) -> Robot:
    """Return the robot with its bar's height off the stated one within the tolerance."""
    height_m = robot.bar.height_m + robot.bar.height_tolerance_m * float(rng.uniform(-1, 1))
    return replace(robot, bar=replace(robot.bar, height_m=height_m))


def _scene_truth(scene: Scene) -> dict[str, Any]:
    """Return the true room and camera."""
    camera, room = scene.camera, scene.room
    return {
        "units": "metres, seconds; room frame: origin at the SW floor corner, x east, y north, z up",
        "room": {"polygon": np.asarray(room.floor.exterior.coords)[:-1].tolist()},
        "markers": {
            "items": [{"id": marker.id, "corners_m": marker.corners_m.round(6).tolist()} for marker in room.markers]
        },
        "camera": {
            "model": "OpenCV pinhole + k1 k2 p1 p2 k3; pixel (0,0) = centre of the first pixel; x_cam = R x_room + t",
            "image_size": list(camera.lens.image_size),
            "K": camera.lens.matrix.tolist(),
            "dist": camera.lens.distortion.tolist(),
            "R": camera.rotation.tolist(),
            "t": camera.translation_m.tolist(),
            "centre_m": camera.centre_m.tolist(),
        },
    }


def _bar_truth(robot: Robot) -> dict[str, Any]:
    bar = robot.bar
    return {
        "length_m": bar.nozzle_m,
        "height_m": bar.height_m,
        "forward_offset_m": bar.forward_m,
        "led_count": bar.led_count,
        "led_pitch_m": bar.pitch_m,
    }


def _write_json(path: Path, content: dict[str, Any]) -> None:
    write_file(path, (json.dumps(content, indent=1, allow_nan=False) + "\n").encode())
