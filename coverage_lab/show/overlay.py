"""The reviewer's picture of one run: the exposure in plan view under what was found, with the numbers beside it.

The sheet has three columns. The plan takes two of them, all three where the room is long from west to east, one
where it is long from south to north; the panel's sections fill what is left, each where it can start highest.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.measures.values import Measures
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.show.frame import BOTTOM_PX, LEFT_PX, RIGHT_PX, TOP_PX, framed, legend
from coverage_lab.show.ground import finishes_of, paint, toned
from coverage_lab.show.marks import draw_marks
from coverage_lab.show.palette import PAPER, Picture
from coverage_lab.show.panel import header, refusal, sections
from coverage_lab.show.rows import blank, stacked
from coverage_lab.show.scale import PlanScale

MARGIN_PX, GAP_PX, COLUMN_PX = 40, 41, 506
WIDTH_PX = 2 * MARGIN_PX + 3 * COLUMN_PX + 2 * GAP_PX
HIGHEST_PLAN_PX = 1500
BETWEEN_PX = 22  # above a section


def draw_overlay(
    light: NDArray[np.float32],
    plan: FloorPlan,
    swept_share: ShareArray | None,
    measures: Measures,
    *,
    unknown_share: ShareArray | None = None,
    bridged_share: ShareArray | None = None,
    smeared_share: ShareArray | None = None,
) -> Picture:
    """Return the annotated picture of a run, (rows, WIDTH_PX, 3) as red, green, blue.

    `light` is the exposure in plan view, linear, 1 = full scale; it and the shares have the plan's grid.
    `swept_share` is None where nothing was measured; `unknown_share` is floor whose state the light hides;
    `bridged_share` was passed over while the shutter was closed between two frames; `smeared_share` was swept after the
    robot first touched a decoy.
    """
    spanned = _columns_of_plan(plan)
    wide = spanned * COLUMN_PX + (spanned - 1) * GAP_PX
    drawing = _drawing(light, plan, swept_share, measures, unknown_share, bridged_share, smeared_share, wide)
    inner = WIDTH_PX - 2 * MARGIN_PX
    head = [header(measures, inner), blank(18, inner)]
    if measures.verdict != "measured":
        head += [refusal(measures, inner), blank(24, inner)]
    body = _flow(drawing, sections(measures, COLUMN_PX), spanned)
    sheet = stacked([*head, body])
    bordered = cv2.copyMakeBorder(sheet, 36, 36, MARGIN_PX, MARGIN_PX, cv2.BORDER_CONSTANT, value=PAPER)
    return np.asarray(bordered, np.uint8)


def _columns_of_plan(plan: FloorPlan) -> int:
    """Return how many of the three columns the plan takes, by the shape of the room."""
    aspect = plan.grid.cols / plan.grid.rows
    return 3 if aspect > 2 else 1 if aspect < 0.45 else 2


def _drawing(
    light: NDArray[np.float32],
    plan: FloorPlan,
    swept_share: ShareArray | None,
    measures: Measures,
    unknown_share: ShareArray | None,
    bridged_share: ShareArray | None,
    smeared_share: ShareArray | None,
    wide: int,
) -> Picture:
    """Return the plan in its frame over its legend, `wide` pixels wide."""
    scale = PlanScale.fitting(plan.grid, wide - LEFT_PX - RIGHT_PX, HIGHEST_PLAN_PX - TOP_PX - BOTTOM_PX)
    exposure = toned(light, plan.free_share, scale.size)
    picture = paint(exposure.tone, plan, swept_share, unknown_share, scale, bridged_share, smeared_share)
    draw_marks(picture, plan, measures, scale)
    drawn = framed(picture, plan, scale)
    beside = blank(drawn.shape[0], wide - drawn.shape[1])
    kinds = finishes_of(plan, swept_share, unknown_share, bridged_share, smeared_share)
    most_driven = measures.passes is not None and bool(measures.passes.most_driven)
    key = legend(kinds, exposure, scale, wide, most_driven=most_driven)
    return stacked([np.hstack([drawn, beside]), key])


def _flow(drawing: Picture, parts: list[Picture], spanned: int) -> Picture:
    """Return the drawing in the first columns, and each part where its column is shortest so far."""
    depth = [drawing.shape[0] + BETWEEN_PX] * spanned + [0] * (3 - spanned)
    placed = []
    for part in parts:
        column = depth.index(min(depth))
        placed.append((part, column, depth[column]))
        depth[column] += part.shape[0] + BETWEEN_PX
    sheet = blank(max(depth), WIDTH_PX - 2 * MARGIN_PX)
    sheet[: drawing.shape[0], : drawing.shape[1]] = drawing
    for part, column, top in placed:
        left = column * (COLUMN_PX + GAP_PX)
        sheet[top : top + part.shape[0], left : left + COLUMN_PX] = part
    return sheet


def encode_png(picture: Picture) -> bytes:
    """Return the picture (rows, cols, 3; red, green, blue) as a PNG file; same picture, same bytes."""
    flags = [cv2.IMWRITE_PNG_COMPRESSION, 2, cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_DEFAULT]
    done, data = cv2.imencode(".png", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), flags)
    if not done:
        raise ValueError(f"a picture of shape {picture.shape} cannot be encoded")
    return data.tobytes()
