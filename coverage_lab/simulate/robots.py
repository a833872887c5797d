"""Invented robots, named after birds, and how each of them drives."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import cycle
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar, Robot
from coverage_lab.room.bounce import bounce_path
from coverage_lab.room.room import Area, Room
from coverage_lab.simulate.avoiding import BEHAVIOURS, Behaviour, avoiding_path
from coverage_lab.simulate.drives import (
    Motion,
    follow,
    lanes,
    laps,
    spiral,
    start_near,
    timed,
    widest_place,
)
from coverage_lab.simulate.rooms import where_it_fits
from coverage_lab.simulate.routes import Routes

FloatArray = NDArray[np.float64]
Manner = Literal["lanes", "lanes left out", "bounce", "spiral", "crossed lanes", "slanted lanes"] | Behaviour

_OVERLAP = 0.88  # lane spacing over nozzle length
_BOUNCE_M_PER_M2 = 20.0  # how far a bouncer drives per square metre of floor


@dataclass(frozen=True, slots=True)
class Driver:
    """A robot and its manner of driving."""

    robot: Robot
    manner: Manner
    motion: Motion = field(default_factory=Motion)


FLOCK: tuple[Driver, ...] = (
    Driver(Robot("heron", Bar(0.22, 14, 0.215, 0.095, 0.002, 0.0), 0.33, 0.098), "lanes"),
    Driver(Robot("wren", Bar(0.18, 19, 0.176, 0.088, 0.002, 0.04), 0.31, 0.09), "bounce", Motion(0.3, 1.9)),
    Driver(
        Robot("plover", Bar(0.24, 16, 0.234, 0.102, 0.002, 0.02), 0.34, 0.105),
        "lanes left out",
        Motion(0.26, 1.4),
    ),
    Driver(Robot("dunlin", Bar(0.17, 0, 0.166, 0.08, 0.002, 0.0), 0.29, 0.084), "spiral", Motion(0.27, 1.6)),
    Driver(Robot("curlew", Bar(0.21, 22, 0.206, 0.098, 0.002, 0.0), 0.35, 0.1), "crossed lanes"),
    Driver(Robot("siskin", Bar(0.2, 11, 0.19, 0.092, 0.002, 0.03), 0.32, 0.095), "slanted lanes"),
)


# The same robots in a pen with decoys, each with another behaviour.
AVOIDERS: tuple[Driver, ...] = tuple(
    replace(driver, manner=behaviour) for driver, behaviour in zip(FLOCK, cycle(BEHAVIOURS), strict=False)
)


def drive(driver: Driver, room: Room, rng: np.random.Generator) -> FloatArray:
    """Return the poses (N, 4) of a whole run, as in `simulate.drives`, from the dock on."""
    if driver.manner in BEHAVIOURS:
        return timed(follow(avoiding_path(driver.robot, room, driver.manner, rng)), driver.motion)
    allowed = where_it_fits(room, driver.robot)
    start = start_near(allowed, room.dock_m)
    if driver.manner == "bounce":
        path = bounce_path(allowed, start, _BOUNCE_M_PER_M2 * room.floor.area, rng)
    elif driver.manner == "spiral":
        path = _spiral_then_bounce(driver, allowed, start, room, rng)
    else:
        path = follow(Routes(allowed).join(np.concatenate([[start], _planned(driver, allowed, rng)])))
    return timed(path, driver.motion)


def _planned(driver: Driver, allowed: Area, rng: np.random.Generator) -> FloatArray:
    """Return the waypoints (M, 2) of the robots that drive by plan."""
    spacing_m = _OVERLAP * driver.robot.bar.nozzle_m
    if driver.manner == "lanes":
        sets = [laps(allowed), lanes(allowed, spacing_m=spacing_m, rng=rng)]
    elif driver.manner == "lanes left out":
        sets = [lanes(allowed, spacing_m=spacing_m, skipped=(3, 8), jitter_rad=0.01, rng=rng), laps(allowed)]
    elif driver.manner == "crossed lanes":
        sets = [lanes(allowed, spacing_m=spacing_m, heading_rad=turn, rng=rng) for turn in (0.0, np.pi / 2)]
    else:
        sets = [lanes(allowed, spacing_m=spacing_m, heading_rad=0.5, jitter_rad=0.03, rng=rng)]
    return np.concatenate(sets)


def _spiral_then_bounce(
    driver: Driver, allowed: Area, start: tuple[float, float], room: Room, rng: np.random.Generator
) -> FloatArray:
    """Return the path (N, 3): to the widest place, a spiral there, then half the bouncing of a bouncer."""
    middle = widest_place(allowed)
    winding = spiral(allowed, middle, spacing_m=_OVERLAP * driver.robot.bar.nozzle_m)
    first = follow(Routes(allowed).join(np.concatenate([[start], winding])))
    there = (float(winding[-1, 0]), float(winding[-1, 1]))
    second = bounce_path(allowed, there, _BOUNCE_M_PER_M2 / 2 * room.floor.area, rng)
    # Bounces start in any direction: the turn into it is driven, not jumped.
    turn = (second[0, 2] - first[-1, 2] + np.pi) % (2 * np.pi) - np.pi
    second[:, 2] += first[-1, 2] + turn - second[0, 2]
    spin = first[-1, 2] + np.linspace(0, turn, 2 + int(abs(turn) / 0.035))[1:]
    return np.concatenate([first, np.column_stack([np.tile(first[-1, :2], (len(spin), 1)), spin]), second])
