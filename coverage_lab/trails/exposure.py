"""Is the exposure fit to be measured: burnt, faint, or lit by something else than the bar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.plan import FloorPlan
from coverage_lab.trails.level import TrailLevel

Plane = NDArray[np.float32]

EVERY = 4  # rows; what is judged here is common to the whole picture
NEAR_CLIP = 0.9


@dataclass(frozen=True, slots=True)
class Exposure:
    """How light stands on floor that nobody can have driven over, and against the trail."""

    missed_at_clip: float  # share of that floor that is burnt, 0-1
    missed_over_trail: float  # its median light over the trail's mean
    trail_over_noise: float  # the trail's mean above that floor, over the noise there (standard deviation)


def judge_exposure(light: Plane, trail_light: Plane, plan: FloorPlan, level: TrailLevel, clip: float) -> Exposure:
    """Judge the plan view `light`, (rows, cols); `trail_light` is what the floor's glow leaves of it."""
    thin = slice(None, None, EVERY)
    visible = plan.visible_share[thin] > 0.99
    missed = visible & (plan.reachable_share[thin] == 0)
    if not missed.any():
        return Exposure(0.0, 0.0, float("inf"))
    rows = light[thin]
    floor_light = float(np.median(rows[missed]))
    above = (level.trail / 255) ** 2
    glow = float(np.median((rows - trail_light[thin])[visible]))
    return Exposure(
        missed_at_clip=float(np.mean(rows[missed] >= NEAR_CLIP * clip)),
        missed_over_trail=floor_light / max(above + glow, 1e-9),
        trail_over_noise=max(above + glow - floor_light, 0.0) / max(_noise(rows, missed), 1e-9),
    )


def _noise(rows: Plane, where: NDArray[np.bool_]) -> float:
    """Standard deviation of single cells, robust, from second differences along rows."""
    bend = (rows[:, :-4] - 2 * rows[:, 2:-2] + rows[:, 4:])[where[:, 2:-2]]
    return 1.4826 * float(np.median(np.abs(bend))) / float(np.sqrt(6)) if len(bend) else 0.0
