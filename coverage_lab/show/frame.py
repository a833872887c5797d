"""What stands around the drawn plan: a rule in metres, the legend, the scale bar and the north mark."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np

from coverage_lab.room.plan import FloorPlan
from coverage_lab.show.ground import Toned
from coverage_lab.show.palette import (
    INK,
    MISSED,
    RULE,
    SOFT,
    SWEPT,
    Finish,
    Picture,
    tint,
)
from coverage_lab.show.rows import blank
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.text import LABEL, SMALL, Style, width_px, write

LEFT_PX, TOP_PX, RIGHT_PX, BOTTOM_PX = 40, 4, 4, 28  # room for the rule
SWATCH = (46, 24)  # width, height


def framed(picture: Picture, plan: FloorPlan, scale: PlanScale) -> Picture:
    """Return the plan's picture with a rule in metres along its west and south sides."""
    rows, cols = picture.shape[:2]
    sheet = blank(rows + TOP_PX + BOTTOM_PX, cols + LEFT_PX + RIGHT_PX)
    sheet[TOP_PX : TOP_PX + rows, LEFT_PX : LEFT_PX + cols] = picture
    _rule(sheet, plan, scale, rows)
    return sheet


def _rule(sheet: Picture, plan: FloorPlan, scale: PlanScale, rows: int) -> None:
    west, south, east, north = plan.room.floor.bounds
    step = next((s for s in (0.5, 1.0, 2.0, 5.0, 10.0) if s * scale.px_per_m >= 60), 20.0)
    for metre in np.arange(np.ceil(west / step), np.floor(east / step + 1e-9) + 1) * step:
        col = LEFT_PX + round(float(scale.to_px((metre, south))[0]))
        cv2.line(sheet, (col, TOP_PX + rows), (col, TOP_PX + rows + 5), SOFT, 1)
        write(sheet, _metres(metre), (col, TOP_PX + rows + 20), SMALL, "centre")
    for metre in np.arange(np.ceil(south / step), np.floor(north / step + 1e-9) + 1) * step:
        row = TOP_PX + round(float(scale.to_px((west, metre))[1]))
        cv2.line(sheet, (LEFT_PX - 6, row), (LEFT_PX - 1, row), SOFT, 1)
        write(sheet, _metres(metre), (LEFT_PX - 9, row + 5), SMALL, "right", LEFT_PX - 9)
    write(sheet, "m", (LEFT_PX - 9, TOP_PX + rows + 20), SMALL, "right")


def _metres(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def legend(
    finishes: Sequence[Finish], exposure: Toned, scale: PlanScale, wide: int, *, most_driven: bool = False
) -> Picture:
    """Return what the tints and hatches mean, the scale bar, the north mark and how the light is shown.

    most_driven : places that were driven over most often are marked.
    """
    sheet = blank(400, wide)
    col, row = 0, 8
    for finish in finishes:
        needed = SWATCH[0] + 10 + width_px(finish.label, LABEL)
        if col and col + needed > wide:
            col, row = 0, row + SWATCH[1] + 10
        _swatch(sheet, finish, col, row)
        write(sheet, finish.label, (col + SWATCH[0] + 10, row + 17), LABEL)
        col += needed + 24
    row += SWATCH[1] + 18
    right = _scale_bar(sheet, scale, (64, row + 14), wide - 64)
    _north(sheet, (22, row + 18))
    row = _notes(sheet, _reading(exposure, MISSED in finishes, most_driven), right + 48, row)
    return sheet[: row + (63 if most_driven else 44)]


def _reading(exposure: Toned, measured: bool, most_driven: bool) -> list[str]:
    """Return how to read the tags and the light."""
    shown = {"black": exposure.black, "middle": exposure.middle, "white": exposure.white}
    levels = ", ".join(f"{name} {100 * level:.3g} %" for name, level in shown.items())
    tags = ["tag at a pocket: its number, then its diameter in mm"] if measured else []
    tags += ["dashed circle: how often a most driven place was visited"] if most_driven else []
    return [*tags, f"light, of full scale: {levels}"]


def _notes(sheet: Picture, notes: Sequence[str], left: int, row: int) -> int:
    """Write notes beside the scale bar, or below it where they are too wide; return the row they start at."""
    wide = sheet.shape[1]
    if wide - left < max(width_px(note, SMALL) for note in notes):
        left, row = 0, row + 46
    for index, note in enumerate(notes):
        write(sheet, note, (left, row + 10 + 19 * index), SMALL, room_px=wide - left)
    return row


def _swatch(sheet: Picture, finish: Finish, col: int, row: int) -> None:
    tone = np.full((SWATCH[1], SWATCH[0]), 40, np.uint8)
    if finish is SWEPT:
        tone[4::6] = tone[5::6] = 190
    sheet[row : row + SWATCH[1], col : col + SWATCH[0]] = tint(finish, tone)
    cv2.rectangle(sheet, (col, row), (col + SWATCH[0] - 1, row + SWATCH[1] - 1), RULE, 1)


def _scale_bar(sheet: Picture, scale: PlanScale, at: tuple[int, int], room_px: int) -> int:
    """Draw a bar of a round length, in fifths; return where it ends, its numerals included."""
    fits = [s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if s * scale.px_per_m <= min(300, room_px - 40)]
    length_m = fits[-1] if fits else 0.05
    edges = [at[0] + round(length_m * scale.px_per_m * part / 5) for part in range(6)]
    for index, (left, right) in enumerate(pairwise(edges)):
        cv2.rectangle(sheet, (left, at[1]), (right, at[1] + 6), INK, -1 if index % 2 == 0 else 1)
    write(sheet, "0", (edges[0], at[1] - 6), SMALL, "centre")
    write(sheet, f"{length_m:g} m", (edges[-1], at[1] - 6), SMALL, "centre")
    return edges[-1] + 16


def _north(sheet: Picture, at: tuple[int, int]) -> None:
    col, row = at
    cv2.fillPoly(sheet, [np.array([[col, row - 18], [col - 8, row + 14], [col, row + 7]])], INK, cv2.LINE_AA)
    half = np.array([[col, row - 18], [col + 8, row + 14], [col, row + 7]])
    cv2.polylines(sheet, [half], True, INK, 1, cv2.LINE_AA)
    write(sheet, "N", (col - 22, row + 4), Style(15, 600), "left")
