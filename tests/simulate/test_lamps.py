"""A lamp on the robot: as bright as stated on a straight pass, and stopped by what stands in its way."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from shapely import box

from coverage_lab.camera.model import Camera
from coverage_lab.room.room import Obstacle, Room
from coverage_lab.simulate.lamps import Lamp, lamp_light
from coverage_lab.simulate.scene import Scene, look_down
from tests.benchmarks.simulated import camera_over

SPEED_M_S = 0.25


@cache
def scene(*, crate: bool) -> Scene:
    room = Room(box(0, 0, 2.4, 1.8), obstacles=(Obstacle("crate", box(1.6, 0.5, 1.8, 1.3), 0.3),) if crate else ())
    return look_down(room, camera_over(room.floor, 5.0, 0.0, 1), np.random.default_rng(3))


def pass_of(start_m: float, end_m: float) -> NDArray[np.float64]:
    """Drive east through the middle of the room."""
    return np.array([[0.0, start_m, 0.9, 0.0], [(end_m - start_m) / SPEED_M_S, end_m, 0.9, 0.0]])


def at(picture: NDArray[np.float32], camera: Camera, x_m: float, y_m: float) -> float:
    col, row = np.rint(camera.project(np.array([[x_m, y_m, 0.0]]))[0]).astype(int)
    return float(picture[row - 1 : row + 2, col - 1 : col + 2].mean())


@pytest.mark.parametrize("kind", ["headlamp", "line laser"])
def test_a_straight_pass_is_as_bright_as_stated(kind: str):
    room = scene(crate=False)
    picture = lamp_light(pass_of(0.2, 1.4), Lamp(kind, 0.1), room, SPEED_M_S)  # type: ignore[arg-type]
    assert at(picture, room.camera, 1.2, 0.9) == pytest.approx(0.1, rel=0.15)


def test_half_the_speed_is_twice_the_light():
    room, slow = scene(crate=False), pass_of(0.2, 1.4) * [2, 1, 1, 1]
    once, twice = (lamp_light(poses, Lamp("headlamp", 0.1), room, SPEED_M_S) for poses in (pass_of(0.2, 1.4), slow))
    assert twice == pytest.approx(2 * once, rel=1e-3, abs=1e-5)


def test_a_laser_s_line_ends_where_its_fan_does():
    room, lamp = scene(crate=False), Lamp("line laser", 0.1, half_angle_rad=1.0)
    picture = lamp_light(pass_of(0.2, 1.4), lamp, room, SPEED_M_S)
    reach_m = 0.18 * np.tan(1.0)
    assert at(picture, room.camera, 1.2, 0.9 + reach_m - 0.03) > 0.02
    assert at(picture, room.camera, 1.2, 0.9 + reach_m + 0.03) < 0.001


def test_no_light_falls_behind_what_stops_it():
    lamp = Lamp("headlamp", 0.1, half_angle_rad=0.3)
    free, behind = (
        at(lamp_light(pass_of(0.2, 1.2), lamp, room, SPEED_M_S), room.camera, 2.1, 0.9)
        for room in (scene(crate=False), scene(crate=True))
    )
    assert free > 0.002
    assert behind < 0.05 * free
