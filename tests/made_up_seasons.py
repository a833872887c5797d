"""Seasons of results that nobody measured, whose robots cover a drawn room: quick to make, for what compares runs."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from stored_seasons import known, some_measures, store, write_sheet

from coverage_lab.files.plan import PlanArrays, plan_to_bytes
from coverage_lab.measures.values import Contribution
from coverage_lab.room.grid import FloorGrid, ShareArray

ROBOTS = (
    *("avocet", "bittern", "curlew", "dunlin", "egret", "finch"),
    *("godwit", "heron", "ibis", "jackdaw", "knot", "lapwing"),
)
GRID = FloorGrid(0.0, 4.0, 400, 500, 0.010)
_BODY = 15  # cells between a robot's middle and a wall


def free_floor() -> ShareArray:
    """A room of 4.9 m × 3.9 m with a cupboard in it."""
    free = np.zeros(GRID.shape, np.float32)
    free[5:-5, 5:-5] = 1
    free[100:180, 200:320] = 0
    return free


def hidden_floor(camera: float) -> ShareArray:
    """A strip behind the cupboard, whose width hangs on where the `camera` is, in [0, 1]."""
    hidden = np.zeros(GRID.shape, np.float32)
    hidden[180 : 190 + round(10 * camera), 200:320] = 1
    return hidden


def lanes(missed_of_all: float, rng: np.random.Generator) -> ShareArray:
    """Lanes over the whole room, some of which end early: about this share of the floor is missed."""
    swept = np.zeros(GRID.shape, np.float32)
    for col in range(_BODY, GRID.cols - _BODY, 20):
        end = GRID.rows - _BODY if rng.random() > 3 * missed_of_all else int(rng.uniform(0.4, 0.95) * GRID.rows)
        cv2.line(swept, (col, _BODY), (col, end), 1, 21)
    return np.asarray(swept * free_floor(), dtype=np.float32)


def plan_of(missed: float, camera: float, rng: np.random.Generator) -> PlanArrays:
    free = free_floor()
    return PlanArrays(GRID, lanes(missed, rng), free, hidden_floor(camera), free)


def percent_of(plan: PlanArrays) -> float:
    """Coverage of the floor that a run shows."""
    seen = plan.free - plan.hidden
    return float(100 * (plan.swept * seen).sum() / seen.sum())


def store_run(season: Path, key: str, plan: PlanArrays, **conditions: str) -> Path:
    """Write a run's results with its plan; return their folder."""
    share = percent_of(plan)
    measures = some_measures(key, share, pockets=1 + round(100 - share), **conditions)
    causes = {
        "edge": Contribution(0.10, "run"),
        "bar height": Contribution(0.15, "robot"),
        "camera": Contribution(0.10, "night"),
        "markers": Contribution(0.05, "room"),
    }
    coverage = replace(
        measures.coverage,
        percent=known(share, 0.21),
        percent_of_reachable=known(min(100.0, 1.02 * share), 0.2),
        contributions=causes,
    )
    folder = store(season, replace(measures, coverage=coverage))
    (folder / "plan.npz").write_bytes(_bytes_of(plan))
    return folder


@lru_cache(maxsize=64)  # large seasons have a few plans many times over; plans compare by identity
def _bytes_of(plan: PlanArrays) -> bytes:
    return plan_to_bytes(plan)


def write_season(season: Path, robots: tuple[str, ...] = ROBOTS, repeats: int = 3, seed: int = 1) -> None:
    """Write a season in which each robot runs once in each night; later robots miss more."""
    rng = np.random.default_rng(seed)
    for repeat in range(1, repeats + 1):
        night, camera = f"2031-02-{repeat + 10:02d}", float(rng.random())
        (season / night).mkdir(parents=True)
        write_sheet(season / night, *(f"{robot}-{repeat},{robot},{repeat},," for robot in robots))
        for at, robot in enumerate(robots):
            store_run(season, f"{night}/{robot}-{repeat}", plan_of(0.01 + 0.02 * at, camera, rng))


def write_large_season(season: Path, robots: int, per_night: int = 20) -> None:
    """Write three repeats of each robot in three nights, `per_night` robots a night, with fifty different floors."""
    rng = np.random.default_rng(7)
    plans = [[plan_of(missed, camera, rng) for missed in np.linspace(0.02, 0.2, 10)] for camera in np.linspace(0, 1, 5)]
    for first in range(0, robots, per_night):
        for repeat in range(3):
            number = 3 * first // per_night + repeat
            night, rows = f"night-{number:04d}", []
            for robot in range(first, min(first + per_night, robots)):
                rows.append(f"robot{robot}-{repeat},robot{robot},{repeat},,")
                plan = plans[number % 5][(7 * robot + repeat) % 10]
                store_run(season, f"{night}/robot{robot}-{repeat}", plan)
            write_sheet(season / night, *rows)
