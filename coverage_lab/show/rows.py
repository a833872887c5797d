"""The rows that a panel is set from; each is a picture of the panel's width, to be stacked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from coverage_lab.job import Quantity
from coverage_lab.show.palette import MISSED, PAPER, RULE, SWEPT, Colour, Picture, tint
from coverage_lab.show.text import BODY, HEADING, LABEL, SMALL, Align, Style, wrap, write

ROW_PX = 25
MINUS = "−"
UNKNOWN_TEXT = "—"


def blank(height_px: int, width_px: int, colour: Colour = PAPER) -> Picture:
    """Return an empty sheet (height, width, 3)."""
    sheet = np.empty((height_px, width_px, 3), np.uint8)
    if sheet.size:
        cv2.rectangle(sheet, (0, 0), (width_px, height_px), colour, -1)  # ten times faster than broadcasting
    return sheet


def heading(text: str, width_px: int, note: str = "") -> Picture:
    """Return a section's heading over a thin rule, with a short note at the right."""
    row = blank(34, width_px)
    wide = write(row, text, (0, 18), HEADING, room_px=width_px)
    write(row, note, (width_px, 18), SMALL, "right", max(width_px - wide - 16, 0))
    row[26] = RULE
    return row


def line(text: str, width_px: int, style: Style = BODY, most_lines: int = 8, indent_px: int = 0) -> Picture:
    """Return a paragraph."""
    pitch = round(style.size_px * 1.4)
    lines = wrap(text, style, width_px - indent_px, most_lines)
    row = blank(pitch * len(lines) + 4, width_px)
    for index, part in enumerate(lines):
        write(row, part, (indent_px, style.size_px + 2 + pitch * index), style)
    return row


def triple(label: str, value: str, note: str, width_px: int) -> Picture:
    """Return a label, its value and a remark, the latter two flush right at fixed stops."""
    row = blank(ROW_PX, width_px)
    stop = round(width_px * 0.62)
    wide = write(row, value, (stop, 17), BODY, "right", stop // 2)
    write(row, label, (0, 17), LABEL, room_px=stop - wide - 12)
    write(row, note, (width_px, 17), LABEL, "right", width_px - stop - 12)
    return row


def meter(label: str, value: str, share: float, note: str, width_px: int) -> Picture:
    """Return a label, a bar as long as `share` (0-1) of its groove, the value and a remark."""
    row = blank(ROW_PX, width_px)
    left, right = round(width_px * 0.30), round(width_px * 0.58)
    write(row, label, (0, 17), LABEL, room_px=left - 10)
    row[11:14, left:right] = RULE
    row[9:16, left : left + round((right - left) * min(max(share, 0.0), 1.0))] = SWEPT.unlit
    wide = write(row, value, (right + 62, 17), BODY, "right", 56)
    write(row, note, (width_px, 17), LABEL, "right", width_px - right - max(62, wide) - 12)
    return row


def gauge(percent: float, bounds: tuple[float, float], width_px: int) -> Picture:
    """Return a bar from 0 to 100 %, swept and missed as on the plan, and a bracket for the bounds."""
    row = blank(46, width_px)
    at = round(width_px * min(max(percent, 0.0), 100.0) / 100)
    ground = np.full((18, width_px), 40, np.uint8)
    row[6:24, :at] = tint(SWEPT, ground)[:, :at]
    row[6:24, at:] = tint(MISSED, ground)[:, at:]
    low, high = (round((width_px - 1) * min(max(b, 0.0), 100.0) / 100) for b in bounds)
    cv2.line(row, (low, 31), (high, 31), BODY.colour, 1)
    for end in (low, high):
        cv2.line(row, (end, 27), (end, 35), BODY.colour, 1)
    return row


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: its head, the share of the width where it starts or ends, and how it is set."""

    head: str
    stop: float  # left edge for left-aligned, right edge for right-aligned columns, 0-1
    room: float  # width it may take, 0-1
    align: Align = "right"


def table(columns: Sequence[Column], body: Sequence[Sequence[str]], width_px: int) -> Picture:
    """Return a table with its heads."""
    sheet = blank(22 + 23 * len(body) + 4, width_px)
    for index, cells in enumerate([[c.head for c in columns], *body]):
        style = SMALL if index == 0 else BODY
        baseline = 14 if index == 0 else 22 + 23 * (index - 1) + 17
        for column, cell in zip(columns, cells, strict=True):
            at = (round(column.stop * width_px), baseline)
            write(sheet, cell, at, style, column.align, round(column.room * width_px))
    return sheet


def stacked(parts: Sequence[Picture]) -> Picture:
    """Return the rows below each other."""
    return np.vstack(parts)


def decimals(half_width: float) -> int:
    """Return the decimals that show an interval's half-width with two figures, between 0 and 2."""
    return 2 if half_width < 1 else 1 if half_width < 10 else 0


def number(value: float, places: int) -> str:
    """Return a number with a true minus sign."""
    return f"{value:.{places}f}".replace("-", MINUS)


def spread(quantity: Quantity | None, places: int) -> str:
    """Return a value ± half its 95 % interval, or a dash where it is unknown."""
    if quantity is None:
        return UNKNOWN_TEXT
    low, high = quantity.interval_95
    return f"{number(quantity.value, places)} ± {number((high - low) / 2, places)}"


def span(bounds: tuple[float, float], places: int) -> str:
    """Return an interval, low to high."""
    return f"{number(bounds[0], places)} – {number(bounds[1], places)}"
