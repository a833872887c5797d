"""A long exposure of a run in the dark: the bar's trail, what it makes glow, leaking light, the camera."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.simulate.lamps import Lamp, lamp_light
from coverage_lab.simulate.scene import Colour, Scene, hidden_in_picture
from coverage_lab.simulate.sensor import Codes, Sensor, develop
from coverage_lab.simulate.sheen import sheen
from coverage_lab.simulate.trail import Optics, led_places, trail_light, usual_speed_m_s

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]

# How much of the light per floor area comes back from a surface of reflectance 1; read off rendered nights.
# LEDs look up, so walls and the sides of furniture get more than floor does.
_ON_UPRIGHT = 0.6
_ON_LEVEL = 0.14
_NEAR = 0.3  # share of the glow that depends on how bright the surroundings are
_REACH_M = 0.4  # how far a bright place makes its surroundings glow
_SHRINK = 16  # the glow is smooth: worked out on a picture this much smaller


@dataclass(frozen=True, slots=True)
class Exposure:
    """What an exposure looks like; light in shares of full scale."""

    level: float = 0.45  # peak of one straight pass at the run's usual speed, below the camera
    optics: Optics = field(default_factory=Optics)
    sensor: Sensor = field(default_factory=Sensor)
    led_spread: float = 0.0  # standard deviation of the LEDs' strengths over their mean
    led_colour: Colour = (0.82, 0.95, 1.0)  # blue, green, red
    glow: float = 1.0  # stray light on floor, walls and furniture; 1 = as in a white-walled room, 0 = none
    leak: float = 0.0  # light from outside on the middle of the floor
    lamp: Lamp | None = None  # that the robot carries
    vignetting_cos_power: float = 0.0  # light falls to the picture's corners as cos(angle) to this power


@dataclass(frozen=True, slots=True, eq=False)
class Lit:
    """What all frames of one run share: how strong each lamp is, the speed that `level` refers to, what is hidden."""

    strengths: FloatArray  # one per place of `led_places`, mean 1
    speed_m_s: float
    hidden: Picture  # (rows, cols), share of each pixel that furniture hides at bar height


def light_up(poses: FloatArray, bar: Bar, scene: Scene, exposure: Exposure, rng: np.random.Generator) -> Lit:
    """Draw a run's lamps; `poses` (N, 4) are those of the whole run."""
    strengths = np.maximum(rng.normal(1, exposure.led_spread, len(led_places(bar))), 0.05)
    return Lit(strengths / strengths.mean(), usual_speed_m_s(poses), hidden_in_picture(scene, bar.height_m))


def expose(
    poses: FloatArray, bar: Bar, scene: Scene, exposure: Exposure, rng: np.random.Generator, lit: Lit | None = None
) -> Codes:
    """Return the picture (rows, cols, 3), blue first, of a run with poses (N, 4) as in `simulate.drives`.

    8 bit, or 16 bit for a linear sensor. `bar` holds the true height of the lights. `poses` may be a part of a run,
    for one frame of a series; `lit` then is what `light_up` draws for the whole.
    """
    return develop(colour_light(poses, bar, scene, exposure, rng, lit), exposure.sensor, rng)


def colour_light(
    poses: FloatArray, bar: Bar, scene: Scene, exposure: Exposure, rng: np.random.Generator, lit: Lit | None = None
) -> Picture:
    """Return the light (rows, cols, 3) that reaches the sensor, before clipping and noise."""
    lit = lit or light_up(poses, bar, scene, exposure, rng)
    light = trail_light(
        poses, bar, lit.strengths, scene.camera, lit.hidden, exposure.level, exposure.optics, lit.speed_m_s
    )
    glow = exposure.glow * _glow(light, scene)
    colour = np.array(exposure.led_colour, np.float32)
    picture = light[..., None] * colour
    picture += ((glow + sheen(light, scene))[..., None] * scene.reflectance) * colour
    picture += (exposure.leak * _leak(light.shape))[..., None] * scene.reflectance / _typical(scene)
    if exposure.lamp is not None:
        beam = lamp_light(poses, exposure.lamp, scene, lit.speed_m_s)[..., None]
        picture += beam * scene.reflectance / _typical(scene) * np.array(exposure.lamp.colour, np.float32)
    picture *= _vignetting(scene, exposure.vignetting_cos_power)[..., None]
    return np.asarray(picture, dtype=np.float32)


def _glow(light: Picture, scene: Scene) -> Picture:
    """Return the stray light (rows, cols) on surfaces of reflectance 1: near bright trail, and everywhere."""
    size = (-(-light.shape[1] // _SHRINK), -(-light.shape[0] // _SHRINK))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    pixel_m = float(scene.camera.centre_m[2] / scene.camera.lens.matrix[0, 0]) * _SHRINK
    near = cv2.GaussianBlur(small, (0, 0), _REACH_M / pixel_m)
    mean = float(light.sum() / scene.floor.sum())
    field = cv2.resize(_NEAR * near + (1 - _NEAR) * mean, light.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(field * (_ON_LEVEL + (_ON_UPRIGHT - _ON_LEVEL) * scene.upright), dtype=np.float32)


def _leak(shape: tuple[int, ...]) -> Picture:
    """Return light that comes in at the picture's left side, 1 in the middle."""
    return np.broadcast_to(np.linspace(1.4, 0.6, shape[1], dtype=np.float32), shape)


def _typical(scene: Scene) -> float:
    return float((scene.reflectance.mean(axis=2) * scene.floor).sum() / scene.floor.sum())


def _vignetting(scene: Scene, power: float) -> Picture:
    """Return the share of light (rows, cols) that the lens lets through, 1 on its axis."""
    rows, cols = scene.floor.shape
    matrix = scene.camera.lens.matrix
    across = (np.arange(cols) - matrix[0, 2]) / matrix[0, 0]
    down = (np.arange(rows) - matrix[1, 2]) / matrix[1, 1]
    return np.asarray((1 + across**2 + down[:, None] ** 2) ** (-power / 2), dtype=np.float32)
