"""The track of a run, drawn in its room: where the robot went, and when."""

from __future__ import annotations

import cv2
import numpy as np

from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.track import Track
from coverage_lab.show.frame import BOTTOM_PX, LEFT_PX, RIGHT_PX, TOP_PX, framed
from coverage_lab.show.palette import INK, MISSED, OBSTACLE, PAPER, SOFT, SWEPT, Colour, Picture
from coverage_lab.show.rows import blank, stacked
from coverage_lab.show.scale import SHIFT, PlanScale
from coverage_lab.show.text import LABEL, SMALL, Style, width_px, write

LONGEST_PX = 1300
MARGIN_PX = 28
_EARLY, _LATE = SWEPT.unlit, MISSED.unlit  # dark to bright, blue to orange: told apart in grey, too
_FLOOR: Colour = (236, 235, 230)
_TITLE = Style(20, 600, INK)
_SHADES = 24
_END_PX = 7


def draw_track(name: str, track: Track, plan: FloorPlan, followed_percent: float) -> Picture:
    """Return the way of the turning centre, (rows, cols, 3): dark where it went early, bright where late.

    Ways that are not known are left out; small rings are places that are known beside them.
    """
    scale = PlanScale.fitting(plan.grid, LONGEST_PX - LEFT_PX - RIGHT_PX, LONGEST_PX - TOP_PX - BOTTOM_PX)
    picture = np.full((*scale.size[::-1], 3), PAPER, np.uint8)
    picture[scale.mask([plan.room.floor], picture.shape) > 127] = _FLOOR
    picture[scale.mask([thing.footprint for thing in plan.room.standing], picture.shape) > 127] = OBSTACLE.unlit
    for thing in plan.room.standing:
        scale.outline(picture, thing.footprint, SOFT, 1)
    scale.outline(picture, plan.room.floor, INK, 2)
    _draw_way(picture, track, scale)
    drawn = framed(picture, plan, scale)
    sheet = stacked([_head(name, followed_percent, drawn.shape[1]), drawn, _key(drawn.shape[1])])
    px = MARGIN_PX
    return np.asarray(cv2.copyMakeBorder(sheet, px, px, px, px, cv2.BORDER_CONSTANT, value=PAPER), np.uint8)


def _draw_way(picture: Picture, track: Track, scale: PlanScale) -> None:
    points = np.rint(scale.to_px(track.centre_m) * (1 << SHIFT)).astype(np.int32)
    part = np.linspace(0, 1, len(points))
    width_px = 2 if scale.px_per_m > 150 else 1
    for at in np.flatnonzero(track.followed).tolist():
        colour = _colour(float(part[at]))
        cv2.line(picture, points[at].tolist(), points[at + 1].tolist(), colour, width_px, cv2.LINE_AA, SHIFT)
    alone = ~(np.append(track.followed, False) & np.append(True, track.followed))
    for at in (np.flatnonzero(alone[1:-1]) + 1).tolist():
        cv2.circle(picture, points[at].tolist(), 4 << SHIFT, _colour(float(part[at])), 1, cv2.LINE_AA, SHIFT)
    for end, colour in ((points[0], _EARLY), (points[-1], _LATE)):
        col, row = (end >> SHIFT).tolist()
        cv2.circle(picture, (col, row), _END_PX, colour, -1, cv2.LINE_AA)
        cv2.circle(picture, (col, row), _END_PX, INK, 1, cv2.LINE_AA)


def _colour(part: float) -> Colour:
    shade = round(part * _SHADES) / _SHADES
    red, green, blue = (round(early + (late - early) * shade) for early, late in zip(_EARLY, _LATE, strict=True))
    return red, green, blue


def _head(name: str, followed_percent: float, wide: int) -> Picture:
    sheet = blank(40, wide)
    write(sheet, name, (LEFT_PX, 24), _TITLE, room_px=wide - LEFT_PX - 240)
    write(sheet, f"followed along {followed_percent:.0f} % of its way", (wide - 4, 24), LABEL, "right")
    return sheet


def _key(wide: int) -> Picture:
    """Return which colour is when, and what the rings are."""
    sheet = blank(34, wide)
    at = LEFT_PX + write(sheet, "first", (LEFT_PX, 22), SMALL) + 8
    for step in range(_SHADES):
        cv2.rectangle(sheet, (at + 5 * step, 13), (at + 5 * step + 4, 23), _colour(step / (_SHADES - 1)), -1)
    at += 5 * _SHADES + 8
    at += write(sheet, "last", (at, 22), SMALL) + 32
    text = "ring: a known place beside a way that is not known"
    if at + 16 + width_px(text, SMALL) <= wide:
        cv2.circle(sheet, (at, 18), 4, INK, 1, cv2.LINE_AA)
        write(sheet, text, (at + 12, 22), SMALL)
    return sheet
