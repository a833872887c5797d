"""The plate: a run's exposure in plan view for publication, toned, in its room, without a word on it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.plan import FloorPlan
from coverage_lab.show.ground import toned
from coverage_lab.show.palette import PAPER, Colour, Picture
from coverage_lab.show.scale import PlanScale

LONGEST_PX = 2400
_BORDER = 0.035  # of the longer side, plain paper around the room
_LIT: Colour = (222, 240, 250)
_UNLIT: Colour = (14, 18, 24)
_SOLID: Colour = (64, 67, 70)
_WALL: Colour = (27, 33, 38)


def draw_plate(light: NDArray[np.float32], plan: FloorPlan) -> Picture:
    """Return the exposure (rows, cols in plan view; linear, 1 = full scale) as a picture (rows, cols, 3).

    Floor alone is shown: light on furniture and beyond the walls is stray. Decoys lie as furniture does.
    """
    scale = PlanScale.fitting(plan.grid, LONGEST_PX, LONGEST_PX)
    tone = toned(light, plan.free_share, scale.size).tone
    steps = np.linspace(0, 1, 256)[:, None]
    table = np.rint(np.array(_UNLIT) * (1 - steps) + np.array(_LIT) * steps).astype(np.uint8)
    floor = np.asarray(cv2.LUT(cv2.merge([tone, tone, tone]), table[None]), np.uint8)
    room = plan.room
    solids = [*(item.footprint for item in room.obstacles), *(item.footprint for item in room.decoys)]
    picture = _within(floor, PAPER, scale.mask([room.floor], tone.shape))
    picture = _within(np.full_like(picture, _SOLID), picture, scale.mask(solids, tone.shape))
    for solid in solids:
        scale.outline(picture, solid, _UNLIT, max(scale.size[0] // 800, 1))
    scale.outline(picture, room.floor, _WALL, max(scale.size[0] // 300, 2))
    edge = round(_BORDER * max(scale.size))
    bordered = cv2.copyMakeBorder(picture, edge, edge, edge, edge, cv2.BORDER_CONSTANT, value=PAPER)
    return np.asarray(bordered, np.uint8)


def _within(inside: Picture, outside: Picture | Colour, mask: Picture) -> Picture:
    """Return `inside` where the mask is 255 and `outside` where it is 0, mixed between."""
    share = mask[..., None] / np.float32(255)
    return np.asarray(np.rint(inside * share + np.asarray(outside, np.float32) * (1 - share)), np.uint8)
