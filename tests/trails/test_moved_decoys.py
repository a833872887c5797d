"""Decoys that lie elsewhere in the second lights-on frame."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from shapely import affinity

from coverage_lab.camera.model import Camera
from coverage_lab.room.room import Room
from coverage_lab.simulate.cameras import ceiling_camera
from coverage_lab.simulate.pens import pen, random_pen
from coverage_lab.simulate.reference import reference_frame
from coverage_lab.simulate.scene import look_down
from coverage_lab.simulate.sensor import Sensor
from coverage_lab.trails.moved_decoys import moved_decoys


def camera_over(room: Room, seed: int) -> Camera:
    rng = np.random.default_rng(seed)
    return ceiling_camera(room.floor, megapixels=0.8, height_m=2.5, rng=rng)


@cache
def before() -> tuple[np.ndarray, Camera]:
    camera = camera_over(pen(), 1)
    return frame(pen(), camera, 1), camera


def frame(room: Room, camera: Camera, noise_seed: int) -> np.ndarray:
    """Lights on, linear grey 16 bit; the same boards each time."""
    scene = look_down(room, camera, np.random.default_rng(5))
    codes = reference_frame(scene, np.random.default_rng(noise_seed), sensor=Sensor("linear", hot_per_megapixel=0))
    return codes.mean(axis=2).astype(np.uint16)


def put(room: Room, name: str, right_m: float, up_m: float, turn_deg: float = 0.0) -> Room:
    def laid(decoy):
        shape = affinity.rotate(affinity.translate(decoy.footprint, right_m, up_m), turn_deg)
        return replace(decoy, footprint=shape) if decoy.name == name else decoy

    return replace(room, decoys=tuple(laid(decoy) for decoy in room.decoys))


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_moved_though_camera_and_noise_differ(seed: int):
    room = pen() if seed == 1 else random_pen(np.random.default_rng(seed))
    first, second = camera_over(room, seed), camera_over(room, seed + 10)
    assert moved_decoys(room, (frame(room, first, 1), first), (frame(room, second, 2), second)) == ()


@pytest.mark.parametrize(
    ("name", "right_m", "up_m"),
    [("bright knot", 0.012, 0.0), ("dark roll", 0.0, -0.02), ("dark roll", -0.03, -0.03), ("bright knot", 0.3, -0.2)],
)
def test_what_was_moved_is_named(name: str, right_m: float, up_m: float):
    after, camera = put(pen(), name, right_m, up_m), before()[1]
    assert moved_decoys(pen(), before(), (frame(after, camera, 2), camera)) == (name,)


def test_what_is_gone_was_moved():
    gone, camera = replace(pen(), decoys=pen().decoys[1:]), before()[1]
    assert moved_decoys(pen(), before(), (frame(gone, camera, 2), camera)) == ("bright knot",)
