"""Is the exposure fit to be measured: burnt, faint, or lit by something else than the bar."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.plan import FloorPlan
from coverage_lab.trails.sweep import SweptFloor

Plane = NDArray[np.float32]

EVERY = 4  # rows; what is judged here is common to the whole picture
NEAR_CLIP = 0.9
CLEAR_M = 0.03  # from trail: nearer to it floor is as bright as the trail's blur and bloom make it
FEW = 0.01  # of the floor in reach: if less is so clear of trail, next to nothing can be lost in it


@dataclass(frozen=True, slots=True)
class Exposure:
    """How light stands on floor that nobody can have driven over, and against the trail."""

    missed_at_clip: float  # share of that floor that is burnt, 0-1
    missed_over_trail: float  # its median light over the trail's mean
    trail_over_noise: float  # the trail's mean above that floor, over the noise there (standard deviation)
    left_over_trail: float  # how far floor that was left out lies above that floor (medians), over the trail's mean


def judge_exposure(light: Plane, swept: SweptFloor, plan: FloorPlan, clip: float) -> Exposure:
    """Judge the plan view `light`, (rows, cols), in which `swept` was found."""
    thin = slice(None, None, EVERY)
    visible = plan.visible_share[thin] > 0.99
    missed = visible & (plan.reachable_share[thin] == 0)
    if not missed.any():
        return Exposure(0.0, 0.0, float("inf"), 0.0)
    rows = light[thin]
    floor_light = float(np.median(rows[missed]))
    above = (swept.level.trail / 255) ** 2
    glow = float(np.median((rows - swept.trail_light[thin])[visible]))
    return Exposure(
        missed_at_clip=float(np.mean(rows[missed] >= NEAR_CLIP * clip)),
        missed_over_trail=floor_light / max(above + glow, 1e-9),
        trail_over_noise=max(above + glow - floor_light, 0.0) / max(_noise(rows, missed), 1e-9),
        left_over_trail=_left_over_trail(rows, swept, plan, floor_light),
    )


def _left_over_trail(rows: Plane, swept: SweptFloor, plan: FloorPlan, floor_light: float) -> float:
    """How bright floor in reach is that was not swept, above floor out of reach, over the trail's mean; 0 if unknown.

    Glow is stronger beside trail than along walls, and still good frames have next to nothing. Where passes have been
    taken for missed floor, most of that floor is brighter.
    """
    reached = (plan.visible_share[::EVERY] > 0.99) & (plan.reachable_share[::EVERY] > 0.99)
    side = 2 * int(np.ceil(CLEAR_M / plan.grid.cell_m)) + 1
    clear = cv2.erode((swept.share < 0.01).astype(np.uint8), np.ones((side, side), np.uint8))
    left = reached & (clear[::EVERY] > 0)
    trail = (swept.level.trail**2 - swept.level.missed**2) / 255**2
    if left.sum() < FEW * reached.sum() or trail <= 0:
        return 0.0
    return (float(np.median(rows[left])) - floor_light) / trail


def _noise(rows: Plane, where: NDArray[np.bool_]) -> float:
    """Standard deviation of single cells, robust, from second differences along rows."""
    bend = (rows[:, :-4] - 2 * rows[:, 2:-2] + rows[:, 4:])[where[:, 2:-2]]
    return 1.4826 * float(np.median(np.abs(bend))) / float(np.sqrt(6)) if len(bend) else 0.0
