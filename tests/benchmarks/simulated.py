"""Small simulated runs under stated conditions, measured by the main job, and their truth.

What the benchmarks beside this module share. A condition is one photograph's circumstances; `photograph` makes the
picture, `measured` measures it with everything known that a file can state.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import box

from coverage_lab.camera.fit import FittedCamera
from coverage_lab.camera.model import Camera, CameraFit
from coverage_lab.job import Bar, CameraSetup, Night, Robot, Run, Settings
from coverage_lab.room.bounce import bounce_path
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area, Obstacle, Room
from coverage_lab.run import MeasuredRun, measure
from coverage_lab.setting import SetUp, lay_out
from coverage_lab.simulate.cameras import ceiling_camera
from coverage_lab.simulate.drives import Motion, follow, lanes, laps, start_near, timed
from coverage_lab.simulate.exposure import Exposure, expose
from coverage_lab.simulate.rooms import where_it_fits
from coverage_lab.simulate.routes import Routes
from coverage_lab.simulate.scene import Scene, look_down
from coverage_lab.simulate.sensor import Codes, Sensor, Transfer
from coverage_lab.simulate.trail import Optics
from coverage_lab.simulate.truth import swept_area

FloatArray = NDArray[np.float64]
Manner = Literal["lanes", "bounce", "gaps"]

CAMERA_HEIGHT_M = 2.6
NOZZLE_M, OVERHANG_M, BODY_M = 0.22, 0.0025, 0.33
MOTION = Motion(0.28, 1.7)


@dataclass(frozen=True)
class Condition:
    """One photograph's circumstances; lengths as the name says, light in shares of full scale."""

    manner: Manner = "lanes"
    level: float = 0.45  # peak of one pass
    core_px: float = 0.9
    halo_percent: float = 1.2
    pitch_mm: float = 16.5  # 0 = a tube
    led_spread: float = 0.0
    mm_per_px: float = 2.0
    jpeg_quality: int = 92
    transfer: Transfer = "srgb"
    leak: float = 0.0
    glow: float = 1.0
    oblique_deg: float = 0.0
    gap_mm: float = 0.0  # between two neighbouring lanes of the manner "gaps"
    seed: int = 1


def den() -> Room:
    """Return a small room: a box, a chest at the wall and two legs."""
    return Room(
        floor=box(0, 0, 2.2, 1.8),
        obstacles=(
            Obstacle("box", shapely.affinity.rotate(box(0.75, 0.72, 1.05, 0.98), 20), 0.35),
            Obstacle("chest", box(1.5, 1.55, 2.2, 1.8), 0.4),
            Obstacle("leg 1", shapely.Point(1.55, 0.6).buffer(0.02), 0.4),
        ),
        dock_m=(0.25, 0.25),
    )


def robot_of(condition: Condition) -> Robot:
    """Return the robot; the pitch is the nearest that divides the lit length."""
    lit_m = NOZZLE_M - 2 * OVERHANG_M
    count = 0 if condition.pitch_mm == 0 else round(1000 * lit_m / condition.pitch_mm) + 1
    return Robot("heron", Bar(NOZZLE_M, count, lit_m, 0.095, 0.0, 0.0), BODY_M, 0.098)


def camera_over(floor: Area, mm_per_px: float, oblique_deg: float, seed: int) -> Camera:
    """Hang a camera that sees `mm_per_px` on the floor below it; oblique: aside, looking at the floor's middle."""
    width_m, depth_m = floor.bounds[2] - floor.bounds[0], floor.bounds[3] - floor.bounds[1]
    width_px = max(width_m, depth_m * 4 / 3) / 0.92 / mm_per_px * 1000
    return ceiling_camera(
        shapely.Polygon(floor.exterior),
        megapixels=width_px**2 * 3 / 4 / 1e6,
        height_m=CAMERA_HEIGHT_M,
        rng=np.random.default_rng([seed, 7]),
        oblique_rad=float(np.deg2rad(oblique_deg)),
    )


@cache
def scene_of(mm_per_px: float, oblique_deg: float) -> Scene:
    """Return the den under a camera."""
    room = den()
    return look_down(room, camera_over(room.floor, mm_per_px, oblique_deg, 1), np.random.default_rng(3))


@cache
def poses_of(manner: Manner, gap_mm: float, seed: int) -> FloatArray:
    """Return the poses (N, 4) of a short drive through the den."""
    rng = np.random.default_rng([seed, 11])
    room = den()
    allowed = where_it_fits(room, robot_of(Condition()))
    start = start_near(allowed, room.dock_m)
    if manner == "bounce":
        return timed(bounce_path(allowed, start, 45.0, rng), MOTION)
    if manner == "gaps":
        spacing_m = NOZZLE_M + gap_mm / 1000
        west, south, east, north = allowed.bounds
        whole = np.floor((north - south) / spacing_m) * spacing_m
        deep = allowed.intersection(box(west, south, east, south + whole))
        stops = lanes(deep, spacing_m=spacing_m * 1.002, rng=rng)
    else:
        stops = np.concatenate([laps(allowed), lanes(allowed, spacing_m=0.19, skipped=(3,), jitter_rad=0.01, rng=rng)])
    return timed(follow(Routes(allowed).join(np.concatenate([[start], stops]))), MOTION)


def photograph(condition: Condition, scene: Scene, poses: FloatArray, robot: Robot) -> Codes:
    """Return the exposure's codes (rows, cols, 3), blue first."""
    exposure = Exposure(
        level=condition.level,
        optics=Optics(core_sigma_px=condition.core_px, halo_energy=condition.halo_percent / 100),
        sensor=Sensor(condition.transfer),
        led_spread=condition.led_spread,
        glow=condition.glow,
        leak=condition.leak,
    )
    return expose(poses, robot.bar, scene, exposure, np.random.default_rng([condition.seed, 5]))


def write_frame(path: Path, codes: Codes, quality: int) -> Path:
    """Write codes as a camera does, JPEG with halved colour, or as linear PNG; return the path with its ending."""
    if codes.dtype == np.uint16:
        path, options = path.with_suffix(".png"), []
    else:
        path = path.with_suffix(".jpg")
        halved = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
        options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, halved]
    cv2.imwrite(str(path), codes, options)
    return path


def known_set_up(folder: Path, room: Room, camera: Camera, robot: Robot) -> SetUp:
    """Return a night whose camera, room and robot are known without doubt."""
    night = Night(
        folder,
        "night",
        folder / "room.geojson",
        None,
        None,
        None,
        None,
        None,
        CameraSetup(),
        Settings(),
        {robot.name: robot},
    )
    turn, _ = cv2.Rodrigues(camera.rotation)
    parameters = np.concatenate([turn.ravel(), camera.translation_m])
    sure = np.zeros((6, 6))
    causes = dict.fromkeys(("camera", "tape", "markers"), sure)
    fit = CameraFit(camera, ("rx", "ry", "rz", "tx", "ty", "tz"), parameters, sure, (), 0.0, 0.0, causes=causes)
    return SetUp(night, room, FittedCamera(fit, ()), camera.lens.image_size, None, None, {})


@dataclass(frozen=True)
class Outcome:
    """What was measured of a condition and what was true, in percent of visible free floor."""

    condition: Condition
    true_percent: float
    run: MeasuredRun
    swept: Area

    @property
    def refused(self) -> bool:
        return self.run.measures.coverage is None

    @property
    def error(self) -> float:
        """Points of coverage."""
        coverage = self.run.measures.coverage
        assert coverage is not None
        return coverage.percent.value - self.true_percent


def outcome(condition: Condition, folder: Path) -> Outcome:
    """Simulate and measure one condition; pictures are written into `folder`."""
    scene = scene_of(condition.mm_per_px, condition.oblique_deg)
    robot = robot_of(condition)
    poses = poses_of(condition.manner, condition.gap_mm, condition.seed)
    path = write_frame(folder / "frame", photograph(condition, scene, poses, robot), condition.jpeg_quality)
    setting = known_set_up(folder, scene.room, scene.camera, robot)
    run = measure(Run("heron-1", "night/heron-1", "heron", 1, "coverage", (path,)), setting)
    swept = swept_of(condition.manner, condition.gap_mm, condition.seed)
    return Outcome(condition, true_percent(swept, lay_out(setting, robot)), run, swept)


@cache
def swept_of(manner: Manner, gap_mm: float, seed: int) -> Area:
    """Return the floor that the nozzle truly passed over."""
    return swept_area(poses_of(manner, gap_mm, seed), robot_of(Condition()).bar)


def true_percent(swept: Area, plan: FloorPlan) -> float:
    """Return the swept share of the free floor that the camera sees."""
    visible = plan.free.difference(plan.hidden)
    return 100 * float(swept.intersection(visible).area / visible.area)
