"""Lamps on robots: what they leave on floor that was not swept, and how good frames differ from it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from coverage_lab.job import Run
from coverage_lab.measures.values import Measures
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import floor_plan
from coverage_lab.room.room import Decoy, Room
from coverage_lab.run import measure
from coverage_lab.simulate.exposure import Exposure, expose
from coverage_lab.simulate.lamps import Lamp
from coverage_lab.simulate.trail import Optics
from coverage_lab.trails.lamplight import Lamplight, lamp_remarks, lamplight
from tests.benchmarks.simulated import (
    Condition,
    known_set_up,
    lay_out,
    poses_of,
    robot_of,
    scene_of,
    swept_of,
    true_percent,
    write_frame,
)

SIZE = 2.6  # mm per pixel


def measured(manner: str, folder: Path, exposure: Exposure) -> tuple[Measures, float]:
    """Simulate and measure a run; return the measures and the true coverage in percent."""
    condition = Condition(manner, mm_per_px=SIZE)  # type: ignore[arg-type]
    robot, scene, poses = robot_of(condition), scene_of(SIZE, 0.0), poses_of(condition.manner, 0.0, 1)
    codes = expose(poses, robot.bar, scene, exposure, np.random.default_rng(7))
    path = write_frame(folder / "heron-1", codes, 92)
    setting = known_set_up(folder, scene.room, scene.camera, robot)
    run = measure(Run("heron-1", "night/heron-1", "heron", 1, "coverage", (path,)), setting)
    return run.measures, true_percent(swept_of(condition.manner, 0.0, 1), lay_out(setting, robot))


def level_of(measures: Measures) -> str | None:
    return next((remark.level for remark in measures.quality if remark.code == "headlamp"), None)


@pytest.mark.parametrize("manner", ["lanes", "bounce"])
def test_a_line_laser_is_refused_for_its_light_passes_for_trail(manner: str, tmp_path: Path):
    measures, _ = measured(manner, tmp_path, Exposure(glow=0.5, lamp=Lamp("line laser", 0.05)))
    assert measures.verdict == "refused"
    assert level_of(measures) == "refused"
    assert measures.reason is not None
    assert "line laser" in measures.reason


@pytest.mark.parametrize("manner", ["lanes", "bounce"])
def test_a_weak_headlamp_is_flagged_and_the_interval_holds_the_truth(manner: str, tmp_path: Path):
    measures, true = measured(manner, tmp_path, Exposure(glow=0.5, lamp=Lamp("headlamp", 0.008)))
    assert level_of(measures) == "warning"
    assert measures.coverage is not None
    low, high = measures.coverage.percent.interval_95
    assert low <= true <= high


@pytest.mark.parametrize(("manner", "light"), [("bounce", 0.045), ("lanes", 0.2)])
def test_a_strong_headlamp_is_the_reason_to_refuse(manner: str, light: float, tmp_path: Path):
    """Whether there still is something like a trail, or none stands out from the light of the lamp."""
    measures, _ = measured(manner, tmp_path, Exposure(glow=0.5, lamp=Lamp("headlamp", light)))
    assert measures.verdict == "refused"
    assert measures.reason is not None
    assert "headlamp" in measures.reason


@pytest.mark.parametrize(
    "exposure",
    [
        Exposure(),
        Exposure(level=1.5, optics=Optics(core_sigma_px=2.0, halo_energy=0.04)),
        Exposure(glow=3.0, leak=0.03),
    ],
    ids=["plain", "clipped, wide bloom, much halo", "white walls, leaking light"],
)
def test_good_frames_show_no_lamp(exposure: Exposure, tmp_path: Path):
    measures, _ = measured("bounce", tmp_path, exposure)
    assert level_of(measures) is None


@pytest.mark.parametrize(
    ("found", "level"),
    [
        (Lamplight(0.0, 0.0, 0.0), None),
        (Lamplight(0.011, 1.4, 0.9), None),
        (Lamplight(0.02, 0.8, 0.1), "refused"),
        (Lamplight(0.0, 2.0, 0.1), "warning"),
        (Lamplight(0.0, 2.0, 0.5), "refused"),
    ],
)
def test_what_is_said_of_each_kind(found: Lamplight, level: str | None):
    assert [remark.level for remark in lamp_remarks(found)] == ([] if level is None else [level])


def test_a_headlamp_that_burns_floor_is_refused_and_a_robot_that_stood_still_is_not():
    (remark,) = lamp_remarks(Lamplight(0.0, 2.0, 0.1), halo=True)
    assert remark.level == "refused"
    assert lamp_remarks(Lamplight(0.0, 1.0, 0.1), halo=True) == ()


@pytest.mark.parametrize(("where", "lamp"), [((0.3, 0.53), False), ((0.7, 0.53), True)])
def test_a_decoy_that_the_bar_lights_is_no_lamp(where: tuple[float, float], lamp: bool):
    """A narrow bright thing shines as a decoy does; it is one, or a lamp draws it elsewhere on the floor."""
    floor, roll = shapely.box(0, 0, 1, 0.7), shapely.box(0.2, 0.515, 0.4, 0.545)
    plan = floor_plan(
        Room(floor, decoys=(Decoy("roll", roll, 0.03),)),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.09,
        camera_centre_m=(0.5, -0.5, 2.0),
        seen=None,
        grid=FloorGrid.over(floor, 0.002),
    )
    shining = shapely.affinity.translate(plan.decoys_seen, where[0] - 0.3, where[1] - 0.53)
    swept = plan.grid.weights(shapely.box(0.1, 0.1, 0.9, 0.3))
    light = np.maximum(0.3 * swept, 0.3 * plan.grid.weights(shining)).astype(np.float32)
    remarks = lamp_remarks(lamplight(light, swept, plan, 0.2, 0.3))
    assert [remark.code for remark in remarks] == (["headlamp"] if lamp else [])
