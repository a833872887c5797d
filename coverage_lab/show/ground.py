"""The exposure in plan view, made legible, and tinted and hatched by what became of the floor."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.show.palette import (
    BARE,
    BRIDGED,
    DECOY,
    FRINGE,
    HIDDEN,
    MISSED,
    OBSTACLE,
    OUTSIDE,
    SMEARED,
    SWEPT,
    TILE_PX,
    UNKNOWN,
    Finish,
    Picture,
    tint,
)
from coverage_lab.show.scale import PlanScale

SMALLEST_SPAN = 0.004  # of full scale: a darker exposure stays dark instead of showing stretched noise
MIDDLE_TONE = 0.40  # where half of the floor is darker and half is brighter
CURVES = (0.4, 2.5)  # how far the tone curve may bend


@dataclass(frozen=True, slots=True)
class Toned:
    """An exposure made legible: grey levels, and the light that black, middle grey and white stand for."""

    tone: Picture  # (rows, cols)
    black: float
    middle: float
    white: float


def toned(light: NDArray[np.float32], free_share: ShareArray, size: tuple[int, int]) -> Toned:
    """Scale linear light (rows, cols) to `size` (width, height) and to grey levels.

    On the free floor the darkest hundredth is black and the brightest hundredth white; a power curve brings its
    median to a middle tone, so that one pass beside forty and the trails of a strong exposure stay visible. Light
    that is not a number is black.
    """
    small = cv2.resize(np.ascontiguousarray(light, np.float32), size, interpolation=cv2.INTER_AREA)
    small = np.nan_to_num(small, copy=False, nan=0.0, posinf=1.0, neginf=0.0)
    floor = small[::3, ::3][cv2.resize(free_share, size, interpolation=cv2.INTER_NEAREST)[::3, ::3] > 0.5]
    black, middle, white = (float(x) for x in np.percentile(floor if floor.size else small, (1, 50, 99)))
    white = max(white, black + SMALLEST_SPAN)
    halfway = min(max((middle - black) / (white - black), 1e-3), 1 - 1e-3)
    curve = min(max(float(np.log(MIDDLE_TONE) / np.log(halfway)), CURVES[0]), CURVES[1])
    level = np.clip((small - np.float32(black)) * np.float32(1 / (white - black)), 0, 1)
    tone = np.asarray(cv2.convertScaleAbs(cv2.pow(level, curve), alpha=255), np.uint8)
    return Toned(tone, black, black + (white - black) * 0.5 ** (1 / curve), white)


def finishes_of(
    plan: FloorPlan,
    swept_share: ShareArray | None,
    unknown_share: ShareArray | None,
    bridged_share: ShareArray | None = None,
    smeared_share: ShareArray | None = None,
) -> list[Finish]:
    """Return the finishes that a plan's picture uses, for its legend."""
    finishes = [BARE] if swept_share is None else [SWEPT, MISSED, FRINGE]
    finishes += [] if bridged_share is None else [BRIDGED]
    finishes += [] if smeared_share is None else [SMEARED]
    finishes += [] if unknown_share is None else [UNKNOWN]
    finishes += [HIDDEN, OBSTACLE]
    return finishes + ([DECOY] if plan.room.decoys else [])


def paint(
    tone: Picture,
    plan: FloorPlan,
    swept_share: ShareArray | None,
    unknown_share: ShareArray | None,
    scale: PlanScale,
    bridged_share: ShareArray | None = None,
    smeared_share: ShareArray | None = None,
) -> Picture:
    """Return the plan's picture (rows, cols, 3): the toned exposure under the finish of each kind of floor.

    Without a swept share (nothing could be measured) free floor shows the bare exposure.
    """
    picture = tint(OUTSIDE, tone)
    if swept_share is None:
        picture = _over(picture, BARE, tone, _shrunk(plan.free_share, tone))
    else:
        picture = _over(picture, FRINGE, tone, _shrunk(plan.free_share, tone))
        picture = _over(picture, MISSED, tone, _shrunk(plan.reachable_share, tone))
        swept = cv2.min(_shrunk(swept_share, tone), _shrunk(plan.free_share, tone))
        picture = _over(picture, SWEPT, tone, np.asarray(swept, np.uint8))
        if smeared_share is not None:
            smeared = cv2.min(_shrunk(smeared_share, tone), np.asarray(swept, np.uint8))
            picture = _over(picture, SMEARED, tone, np.asarray(smeared, np.uint8))
    if bridged_share is not None:
        picture = _over(picture, BRIDGED, tone, _shrunk(bridged_share, tone))
    if unknown_share is not None:
        picture = _over(picture, UNKNOWN, tone, _shrunk(unknown_share, tone))
    picture = _over(picture, HIDDEN, tone, _shrunk(plan.hidden_share, tone))
    obstacles = [obstacle.footprint for obstacle in plan.room.obstacles]
    picture = _over(picture, OBSTACLE, tone, scale.mask(obstacles, tone.shape))
    return _over(picture, DECOY, tone, scale.mask([decoy.footprint for decoy in plan.room.decoys], tone.shape))


def _shrunk(share: ShareArray, tone: Picture) -> Picture:
    """Return a share of cells as 0-255 at the picture's size, averaged over the area of each pixel."""
    bytes_ = cv2.convertScaleAbs(np.ascontiguousarray(share, np.float32), alpha=255)
    size = tone.shape[1], tone.shape[0]
    return np.asarray(cv2.resize(bytes_, size, interpolation=cv2.INTER_AREA), np.uint8)


def _over(picture: Picture, finish: Finish, tone: Picture, share: Picture) -> Picture:
    """Lay a finish over the picture where `share` says, mixed where it says so in part."""
    left, top, wide, high = cv2.boundingRect(share)
    if wide == 0 or high == 0:
        return picture
    # Whole hatch tiles, so that a hatch runs through from one part of the floor to the next.
    left, top, right, bottom = left - left % TILE_PX, top - top % TILE_PX, left + wide, top + high
    window = np.s_[top:bottom, left:right]
    layer = tint(finish, np.ascontiguousarray(tone[window]))
    part = np.ascontiguousarray(share[window])
    weight = cv2.merge([part, part, part])
    below = cv2.multiply(picture[window], cv2.bitwise_not(weight), scale=1 / 255)
    picture[window] = cv2.add(below, cv2.multiply(layer, weight, scale=1 / 255))
    return picture
