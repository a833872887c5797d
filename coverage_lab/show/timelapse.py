"""A run as a short film: swept floor growing over the dim room, with clock, percent and the line of growth.

Old floor is blue, floor of the last few frames bright, so that the eye finds the robot; lightness alone tells them
apart. The last picture is a map of when floor was swept. Every picture uses the same few colours, so that nothing
flickers when a GIF keeps 255 of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.show.intime import RunInTime
from coverage_lab.show.palette import HIDDEN, PAPER, SWEPT, Colour, Picture, tint
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.text import Style, write

WIDTH_PX = 800
HIGHEST_PLAN_PX = 620
MARGIN_PX, HEAD_PX, FOOT_PX = 24, 58, 148
STEPS = 132  # pictures of growth; a run of fewer frames fades each frame in over several of them
STEP_S = 1 / 12
HOLD_S = 2.0  # how long the last picture stays

_NIGHT: Colour = (16, 19, 23)
_FLOOR: Colour = (38, 43, 48)
_FURNITURE: Colour = (92, 92, 88)
_RIM: Colour = (150, 149, 143)
_OLD: Colour = (40, 104, 142)
_NEW: Colour = (226, 244, 250)
_DIM: Colour = (150, 156, 160)
_LINE: Colour = (74, 82, 88)
_FRESH = 5.0  # frames after which floor has cooled to a third of its brightness
_TOUCH: Colour = (240, 150, 60)  # beside blues of every lightness
_TOUCH_PX = 9  # between a decoy and the ring around it, once it was touched
_SHADES = 40  # of floor, from old to new: few enough for a GIF's palette

_TITLE = Style(21, 600, PAPER)
_CLOCK = Style(21, 400, PAPER)
_BIG = Style(46, 600, PAPER)
_NOTE = Style(15, 400, _DIM)


@dataclass(frozen=True, slots=True, eq=False)
class Timelapse:
    """A film of a run: pictures (rows, WIDTH_PX, 3) of one even size, drawn one by one."""

    run: RunInTime
    scale: PlanScale
    ground: Picture
    _first: NDArray[np.uint16]  # (rows, cols) of the plan's picture: frame of the first sweep, 0 = never
    _share: NDArray[np.float32]  # (rows, cols, 1), how much of each pixel is swept at the end

    @classmethod
    def of(cls, run: RunInTime) -> Timelapse:
        """Prepare what all pictures share. Raises ValueError for a run without frames."""
        if len(run.growth.t_s) == 0:
            raise ValueError("a run without frames has no timelapse")
        scale = PlanScale.fitting(run.grid, WIDTH_PX - 2 * MARGIN_PX, HIGHEST_PLAN_PX)
        first = cv2.resize(run.first_swept, scale.size, interpolation=cv2.INTER_NEAREST)
        # Beyond its edge swept floor goes on as it is at the edge, so that the share alone softens the edge.
        first = np.where(first > 0, first, cv2.dilate(first, np.ones((5, 5), np.uint8)))
        swept = np.where(run.first_swept > 0, np.minimum(run.swept, run.free), 0).astype(np.float32)
        share = cv2.resize(swept, scale.size, interpolation=cv2.INTER_AREA)
        ground = _ground(run, scale)
        # What the camera cannot see stays hatched, whatever it was taken for.
        hidden = cv2.resize(np.ascontiguousarray(run.hidden, np.float32), scale.size, interpolation=cv2.INTER_AREA)
        share = np.asarray(share * (1 - hidden), np.float32)
        share[scale.mask(run.furniture, ground.shape) > 127] = 0
        return cls(run, scale, ground, np.asarray(first, np.uint16), np.asarray(share, np.float32)[..., None])

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels, both even, as video needs them."""
        return WIDTH_PX, (HEAD_PX + self.scale.size[1] + FOOT_PX + 1) // 2 * 2

    def frames_shown(self) -> NDArray[np.float64]:
        """Return how many frames, in parts, each picture shows: (pictures,), from near 0 to all."""
        count = len(self.run.growth.t_s)
        pictures = STEPS if count > STEPS else count * round(STEPS / count)
        return np.asarray(np.linspace(count / pictures, count, pictures))

    def pictures(self) -> Iterator[Picture]:
        """Yield all pictures in order; each is shown for STEP_S, the last for HOLD_S."""
        for frames in self.frames_shown():
            yield self.picture(float(frames))

    def picture(self, frames: float) -> Picture:
        """Return the picture after so many frames; a part of a frame is faded in."""
        sheet = np.full((self.size[1], WIDTH_PX, 3), _NIGHT, np.uint8)
        left = (WIDTH_PX - self.scale.size[0]) // 2
        window = np.s_[HEAD_PX : HEAD_PX + self.scale.size[1], left : left + self.scale.size[0]]
        sheet[window] = self._floor(frames)
        time_s = _at(frames, self.run.growth.t_s)
        write(sheet, self.run.name, (MARGIN_PX, 38), _TITLE, room_px=WIDTH_PX - 3 * MARGIN_PX - 200)
        whole = clock(float(self.run.growth.t_s[-1]))
        wide = write(sheet, f"/ {whole}", (WIDTH_PX - MARGIN_PX, 38), Style(21, 400, _DIM), "right")
        write(sheet, clock(time_s), (WIDTH_PX - MARGIN_PX - wide - 8, 38), _CLOCK, "right")
        self._foot(sheet, frames)
        self._touched(sheet, time_s, left)
        return sheet

    def _touched(self, sheet: Picture, time_s: float, left: int) -> None:
        """Ring the decoys that were touched so far, and name the last one beside the room's top."""
        so_far = [touch for touch in self.run.touches if touch.t_s <= time_s]
        for touch in so_far:
            centre = self.scale.to_px(shapely.get_coordinates(touch.footprint.centroid)[0])
            corners = self.scale.to_px(shapely.get_coordinates(touch.footprint))
            radius_px = float(np.hypot(*(corners - centre).T).max()) + _TOUCH_PX
            at = _fixed(centre + np.array([left, HEAD_PX]))
            cv2.circle(sheet, at, round(16 * radius_px), _TOUCH, 3, cv2.LINE_AA, 4)
        if so_far:
            last = so_far[-1]
            text = f"touched {last.decoy} at {clock(last.t_s)}"
            write(sheet, text, (MARGIN_PX, HEAD_PX + self.scale.size[1] + 20), Style(15, 600, _TOUCH), room_px=220)

    def _floor(self, frames: float) -> Picture:
        """Return the plan's picture: floor swept so far over the ground, the younger the brighter.

        The last picture shows all floor by when it was swept, from dark to bright.
        """
        count = len(self.run.growth.t_s)
        number = np.arange(int(self._first.max()) + 1)
        seen = np.where(number > 0, np.clip(frames - number + 1, 0, 1), 0)
        heat = np.exp(-np.maximum(frames - number, 0) / _FRESH) * seen
        if frames >= count:
            heat = 0.8 * number / count
        heat = (np.rint(heat * _SHADES) / _SHADES)[:, None]
        weight = np.minimum(2 * seen, 1)[:, None].astype(np.float32)
        colour = (np.array(_OLD) * (1 - heat) + np.array(_NEW) * heat).astype(np.float32)
        laid = self._share * weight.take(self._first, axis=0, mode="clip")
        floor = colour.take(self._first, axis=0, mode="clip")
        return np.asarray(np.rint(self.ground * (1 - laid) + floor * laid), np.uint8)

    def _foot(self, sheet: Picture, frames: float) -> None:
        """Draw the percent so far and the line of growth."""
        growth, top = self.run.growth, HEAD_PX + self.scale.size[1]
        percent, doubt = _at(frames, growth.percent), 2 * _at(frames, growth.u_points)
        wide = write(sheet, f"{percent:.1f}", (MARGIN_PX, top + 64), _BIG)
        write(sheet, "%", (MARGIN_PX + wide + 8, top + 64), Style(24, 400, _DIM))
        write(sheet, "of visible floor swept", (MARGIN_PX, top + 88), _NOTE)
        write(sheet, f"± {doubt:.1f} (95 %)", (MARGIN_PX, top + 108), _NOTE)
        if frames >= len(growth.t_s):
            write(sheet, "the darker, the earlier", (MARGIN_PX, top + 128), _NOTE)
        left, right, base, height = MARGIN_PX + 240, WIDTH_PX - MARGIN_PX - 44, top + FOOT_PX - 34, 86
        for level in (0, 50, 100):
            row = base - round(level / 100 * height)
            cv2.line(sheet, (left, row), (right, row), _LINE, 1)
            write(sheet, f"{level} %", (WIDTH_PX - MARGIN_PX, row + 5), Style(13, 400, _DIM), "right")
        time_s, all_percent = np.append(0.0, growth.t_s), np.append(0.0, growth.percent)
        points = np.column_stack([left + (right - left) * time_s / time_s[-1], base - all_percent / 100 * height])
        _line(sheet, points, _LINE, 2)
        tip = np.array([np.interp(frames, np.arange(len(points)), column) for column in points.T])
        _line(sheet, np.vstack([points[: int(frames) + 1], tip]), SWEPT.lit, 3)
        cv2.circle(sheet, _fixed(tip), 5 * 16, _NEW, -1, cv2.LINE_AA, 4)
        for touch in self.run.touches:
            column = left + (right - left) * touch.t_s / time_s[-1]
            if touch.t_s <= _at(frames, growth.t_s):
                cv2.line(sheet, (round(column), base), (round(column), base - height), _TOUCH, 2)
        write(sheet, "0:00", (left, base + 20), Style(13, 400, _DIM))
        write(sheet, clock(float(growth.t_s[-1])), (right, base + 20), Style(13, 400, _DIM), "right")


def clock(time_s: float) -> str:
    """Return a time as minutes and seconds, with hours from one hour on."""
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}" if minutes >= 60 else f"{minutes}:{seconds:02d}"


def _ground(run: RunInTime, scale: PlanScale) -> Picture:
    """Return the dim room (rows, cols, 3): floor, hidden floor hatched, furniture with its rim."""
    free, hidden = (
        cv2.resize(np.ascontiguousarray(share, np.float32), scale.size, interpolation=cv2.INTER_AREA)[..., None]
        for share in (run.free, run.hidden)
    )
    night = np.array(_NIGHT) * (1 - free) + np.array(_FLOOR) * free
    dim = tint(HIDDEN, np.zeros(scale.size[::-1], np.uint8)) * 0.6
    picture = np.asarray(np.rint(night * (1 - hidden) + dim * hidden), np.uint8)
    solid = scale.mask(run.furniture, picture.shape)[..., None] / 255
    picture = np.asarray(np.rint(picture * (1 - solid) + np.array(_FURNITURE) * solid), np.uint8)
    for footprint in run.furniture:
        scale.outline(picture, footprint, _RIM, 1)
    return picture


def _at(frames: float, values: NDArray[np.float64]) -> float:
    """Return a value of growth after so many frames, from 0 at the beginning."""
    return float(np.interp(frames, np.arange(len(values) + 1), np.append(0.0, values)))


def _line(sheet: Picture, points: NDArray[np.float64], colour: Colour, width_px: int) -> None:
    fixed = np.rint(points * 16).astype(np.int32)
    cv2.polylines(sheet, [fixed], False, colour, width_px, cv2.LINE_AA, 4)


def _fixed(point: NDArray[np.float64]) -> tuple[int, int]:
    return round(float(point[0]) * 16), round(float(point[1]) * 16)
