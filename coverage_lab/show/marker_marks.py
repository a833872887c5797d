"""Markers on the drawn plan: where the room file has them, and how far from there the camera sees them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from coverage_lab.room.room import Marker
from coverage_lab.show.palette import ALARM, INK, Colour, Picture
from coverage_lab.show.scale import SHIFT, PlanScale
from coverage_lab.show.tags import TAG_PX, Board
from coverage_lab.show.text import Style, width_px, write

_ARROW: Colour = (255, 214, 92)
_PAPER: Colour = (250, 249, 246)
_LONGEST_PX = 70  # of an arrow
_AWAY_PX = 8
_TAG = Style(13, 600)


@dataclass(frozen=True, slots=True)
class MarkerMark:
    """A marker of the room file and where it is seen."""

    marker: Marker
    off_m: tuple[float, float] | None  # from its place to where it is seen; None where it is not
    used: bool  # False: left out, as it lies elsewhere

    @property
    def text(self) -> str:
        """What its tag says."""
        if self.off_m is None:
            return f"{self.marker.id} not seen"
        off_mm = 1000 * float(np.hypot(*self.off_m))
        return f"{self.marker.id}: {off_mm:.1f} mm" + ("" if self.used else ", left out")


def exaggeration(marks: Sequence[MarkerMark], scale: PlanScale) -> float:
    """Return how many times too long the markers' misses are drawn: a round number."""
    longest_px = max((float(np.hypot(*one.off_m)) for one in marks if one.off_m), default=0.0) * scale.px_per_m
    most = _LONGEST_PX / max(longest_px, 1e-3)
    ten = 10 ** np.floor(np.log10(most))
    return float(max(step * ten for step in (1, 2, 5) if step * ten <= most))


def draw_markers(picture: Picture, marks: Sequence[MarkerMark], times: float, scale: PlanScale, board: Board) -> None:
    """Draw each marker's outline, its miss `times` too long, and a tag; what is amiss in the colour of alarm."""
    boxes = []
    for one in marks:
        corners = scale.to_px(one.marker.corners_m[:, :2])
        colour = ALARM if one.off_m is None or not one.used else INK
        _polygon(picture, corners, _PAPER, 4)
        _polygon(picture, corners, colour, 2)
        left, top = np.floor(corners.min(axis=0)).astype(int) - 2
        right, bottom = np.ceil(corners.max(axis=0)).astype(int) + 2
        board.take((int(left), int(top), int(right), int(bottom)))
        boxes.append((int(right - left) // 2, scale.to_px(one.marker.centre_m)))
        if one.off_m is None:
            for start, end in ((0, 2), (1, 3)):
                _line(picture, corners[start], corners[end], ALARM, 3)
    for one, (half, at_px) in zip(marks, boxes, strict=True):
        if one.off_m is not None:
            off_px = times * scale.px_per_m * np.array([one.off_m[0], -one.off_m[1]])
            _arrow(picture, at_px, at_px + off_px)
        wide = width_px(one.text, _TAG) + 10
        box = board.place(at_px, wide, (_AWAY_PX, 3 * _AWAY_PX, 6 * _AWAY_PX), half)
        if box is not None:
            cv2.rectangle(picture, box[:2], (box[2] - 1, box[3] - 1), _PAPER, -1)
            alarm = one.off_m is None or not one.used
            write(picture, one.text, (box[0] + 5, box[1] + TAG_PX - 5), Style(13, 600, ALARM if alarm else INK))
            board.take(box)


def draw_found(picture: Picture, corners_px: np.ndarray) -> None:
    """Draw the outline (4, 2) of a marker that is recognised."""
    _polygon(picture, corners_px, INK, 6)
    _polygon(picture, corners_px, _ARROW, 3)


def _arrow(picture: Picture, start: np.ndarray, end: np.ndarray) -> None:
    tip = min(12 / max(float(np.hypot(*(end - start))), 1.0), 0.5)
    ends = [tuple(np.rint(at).astype(int).tolist()) for at in (start, end)]
    cv2.arrowedLine(picture, ends[0], ends[1], INK, 6, cv2.LINE_AA, 0, tip)
    cv2.arrowedLine(picture, ends[0], ends[1], _ARROW, 3, cv2.LINE_AA, 0, tip)


def _polygon(picture: Picture, corners: np.ndarray, colour: Colour, width_px: int) -> None:
    points = np.rint(corners * (1 << SHIFT)).astype(np.int32)
    cv2.polylines(picture, [points], True, colour, width_px, cv2.LINE_AA, SHIFT)


def _line(picture: Picture, start: np.ndarray, end: np.ndarray, colour: Colour, width_px: int) -> None:
    ends = [tuple(np.rint(at).astype(int).tolist()) for at in (start, end)]
    cv2.line(picture, ends[0], ends[1], colour, width_px, cv2.LINE_AA)
