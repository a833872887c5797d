"""A night whose trails are each exposed several times; the worked example of docs/study.md.

python tests/compare/fixed_trails.py FOLDER
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapely import box

from coverage_lab.camera.model import Camera
from coverage_lab.room.room import Obstacle, Room
from coverage_lab.simulate.cameras import ceiling_camera
from coverage_lab.simulate.exposure import Exposure, expose
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.reference import reference_frame
from coverage_lab.simulate.robots import FLOCK, drive
from coverage_lab.simulate.rooms import corner_markers
from coverage_lab.simulate.scene import look_down
from coverage_lab.simulate.sensor import write_picture


@dataclass(frozen=True)
class Design:
    robots: int = 2
    trails: int = 2
    set_ups: int = 2  # the camera is taken down and hung again before each but the first
    times: int = 2
    megapixels: float = 0.5


def closet() -> Room:
    """A room of 2.4 × 1.8 m with a crate: small, so that all exposures are measured in half a minute."""
    crate = box(1.3, 0.75, 1.65, 1.05)
    markers = corner_markers(2.4, 1.8, clear_of=crate)
    return Room(floor=box(0, 0, 2.4, 1.8), obstacles=(Obstacle("crate", crate, 0.3),), markers=markers)


def write_fixed_trails(folder: Path, design: Design) -> Path:
    """Write a season with one night into `folder` and return the night."""
    plan = NightPlan(
        closet(),
        drivers=FLOCK[: design.robots],
        megapixels=design.megapixels,
        exposure=Exposure(level=0.15),
        draw_tolerances=False,
    )
    night = write_season(folder, plan)
    hung = ceiling_camera(
        plan.room.floor,
        megapixels=plan.megapixels,
        height_m=plan.camera_height_m,
        rng=np.random.default_rng([plan.seed, 0]),  # as `write_season` hangs it: its lens.json holds
    )
    rng = np.random.default_rng(5)
    scenes = []
    for set_up in range(design.set_ups):
        moved_m = rng.normal(0, 0.005, 3) if set_up else np.zeros(3)
        scenes.append(look_down(plan.room, Camera(hung.lens, hung.rotation, hung.translation_m + moved_m), rng))
        write_picture(night / f"reference-{set_up + 1}.jpg", reference_frame(scenes[-1], rng))
    rows = ["run,robot,repeat,exposure,frames,reference"]
    for driver in plan.drivers:
        name = driver.robot.name
        (night / f"{name}-1.jpg").unlink()
        for trail in range(1, design.trails + 1):
            poses = drive(driver, plan.room, rng)
            for number in range(design.set_ups * design.times):
                set_up, run = number // design.times, f"{name}-{trail}-{number + 1}"
                picture = expose(poses, driver.robot.bar, scenes[set_up], plan.exposure, rng)
                write_picture(night / f"{run}.jpg", picture)
                rows.append(f"{run},{name},{trail},{number + 1},{run}.jpg,reference-{set_up + 1}.jpg")
    (night / "runs.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")
    return night


if __name__ == "__main__":
    write_fixed_trails(Path(sys.argv[1]), Design())
