"""The picture of a set-up check: the floor as the camera sees it, what is hidden, how markers miss, go or no-go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.room.plan import FloorPlan
from coverage_lab.show.frame import BOTTOM_PX, LEFT_PX, RIGHT_PX, TOP_PX, framed, legend
from coverage_lab.show.ground import finishes_of, paint, toned
from coverage_lab.show.marker_marks import MarkerMark, draw_found, draw_markers, exaggeration
from coverage_lab.show.marks import draw_room
from coverage_lab.show.palette import ALARM, CAUTION, PAPER, SWEPT, Colour, Picture
from coverage_lab.show.rows import MINUS, blank, heading, line, meter, stacked, triple
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.tags import Board
from coverage_lab.show.text import BODY, LABEL, SMALL, Style, width_px, write

State = Literal["go", "look", "no-go"]
WORST_FIRST: tuple[State, ...] = ("no-go", "look", "go")

_PLAN_PX, _PANEL_PX, _GAP_PX, _MARGIN_PX = 1040, 640, 41, 36
_HIGHEST_PX = 1100
_TEXT_PX = 26  # where a line's words begin, beside its mark
_COLOURS: dict[State, Colour] = {"go": SWEPT.unlit, "look": CAUTION, "no-go": ALARM}
_LISTED = 6


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One thing that was looked at."""

    what: str
    value: str
    limit: str  # "" where there is none
    state: State
    mend: str = ""  # sentences, where the state is not "go"


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The lights-on frame as it is drawn."""

    light: NDArray[np.float32]  # (rows, cols) linear, 1 = full scale: in plan view at floor level on the plan's grid,
    plan: FloorPlan | None  # or, without a plan, as the camera took it
    foot_m: tuple[float, float] | None = None  # of the camera
    markers: tuple[MarkerMark, ...] = ()
    found_px: tuple[NDArray[np.float64], ...] = ()  # without a plan: the corners (4, 2) of each marker that is seen


@dataclass(frozen=True, slots=True, eq=False)
class CheckSheet:
    """All that the picture shows."""

    night: str
    lines: Sequence[CheckLine]
    ground: Ground
    hidden_m2: Mapping[str, float]  # by what hides it, most first
    robot: str  # of the largest expected uncertainty, and its contributions in points
    points: Mapping[str, float]
    gains: Sequence[tuple[str, float]]  # what would lower it, and by how many points

    @property
    def state(self) -> State:
        """The verdict: whether nothing speaks against starting the night."""
        return "no-go" if any(one.state == "no-go" for one in self.lines) else "go"


def draw_check(sheet: CheckSheet) -> Picture:
    """Return the picture (rows, cols, 3)."""
    left = stacked([_drawing(sheet.ground), blank(18, _PLAN_PX), _below(sheet)])
    right = stacked([row for one in sheet.lines for row in _line(one)])
    body = blank(max(len(left), len(right)), _PLAN_PX + _GAP_PX + _PANEL_PX)
    body[: len(left), :_PLAN_PX] = left
    body[: len(right), _PLAN_PX + _GAP_PX :] = right
    whole = stacked([_header(sheet, body.shape[1]), body])
    bordered = cv2.copyMakeBorder(
        whole, _MARGIN_PX, _MARGIN_PX, _MARGIN_PX, _MARGIN_PX, cv2.BORDER_CONSTANT, value=PAPER
    )
    return np.asarray(bordered, np.uint8)


def _header(sheet: CheckSheet, wide: int) -> Picture:
    row = blank(76, wide)
    verdict = Style(30, 600, _COLOURS[sheet.state])
    words = "go" if sheet.state == "go" else "NO-GO"
    write(row, f"Set-up of {sheet.night}", (-1, 33), Style(32, 500), room_px=wide - 260)
    write(row, words, (wide, 33), verdict, "right")
    _mark(row, sheet.state, (wide - width_px(words, verdict) - 26, 23), 11)
    counts = {state: sum(one.state == state for one in sheet.lines) for state in _COLOURS}
    told = f"{counts['no-go']} no-go  ·  {counts['look']} to look at  ·  {counts['go']} good"
    write(row, told, (0, 60), LABEL)
    return row


def _line(one: CheckLine) -> list[Picture]:
    """Return what was looked at, over its value and limit, and how to mend it."""
    wide, room = _PANEL_PX, _PANEL_PX - _TEXT_PX
    head = blank(24, wide)
    _mark(head, one.state, (9, 13), 8)
    taken = write(head, one.limit, (wide, 18), SMALL, "right", room // 2)
    write(head, one.what, (_TEXT_PX, 18), Style(15, 600), room_px=room - taken - 12)
    rows = [head, line(one.value, wide, BODY, 3, _TEXT_PX)]
    if one.mend:
        rows.append(line(one.mend, wide, Style(14, 400, _COLOURS[one.state]), 4, _TEXT_PX))
    return [*rows, blank(9, wide)]


def _mark(row: Picture, state: State, at: tuple[int, int], half: int) -> None:
    """Draw a state's mark, told apart by form as well as by colour: a disc, a triangle, a cross."""
    col, mid = at
    colour = _COLOURS[state]
    if state == "go":
        cv2.circle(row, (col, mid), half - 1, colour, -1, cv2.LINE_AA)
    elif state == "look":
        corners = np.array([[col, mid - half], [col - half, mid + half - 2], [col + half, mid + half - 2]])
        cv2.fillPoly(row, [corners], colour, cv2.LINE_AA)
    else:
        for side in (-1, 1):
            ends = (col - half + 2, mid - side * (half - 2)), (col + half - 2, mid + side * (half - 2))
            cv2.line(row, *ends, colour, max(half // 2, 3), cv2.LINE_AA)


def _drawing(ground: Ground) -> Picture:
    """Return the floor in its frame over its legend; the bare frame where there is no plan."""
    if ground.plan is None:
        scale = min(_PLAN_PX / ground.light.shape[1], _HIGHEST_PX / ground.light.shape[0])
        size = round(ground.light.shape[1] * scale), round(ground.light.shape[0] * scale)
        tone = toned(ground.light, np.ones(ground.light.shape, np.float32), size).tone
        frame = np.asarray(cv2.merge([tone, tone, tone]), np.uint8)
        for corners in ground.found_px:
            draw_found(frame, (corners + 0.5) * scale - 0.5)
        beside = blank(len(tone), _PLAN_PX - tone.shape[1])
        words = "the lights-on frame as the camera took it; outlined: markers that are recognised"
        return stacked([np.hstack([frame, beside]), line(words, _PLAN_PX, SMALL)])
    plan = ground.plan
    scale = PlanScale.fitting(plan.grid, _PLAN_PX - LEFT_PX - RIGHT_PX, _HIGHEST_PX - TOP_PX - BOTTOM_PX)
    exposure = toned(ground.light, plan.free_share, scale.size)
    picture = paint(exposure.tone, plan, None, None, scale)
    board = Board(picture.shape)
    times = exaggeration(ground.markers, scale)
    draw_markers(picture, ground.markers, times, scale, board)
    draw_room(picture, plan.room, ground.foot_m, scale, board)
    drawn = framed(picture, plan, scale)
    beside = blank(drawn.shape[0], _PLAN_PX - drawn.shape[1])
    key = legend(finishes_of(plan, None, None), exposure, scale, _PLAN_PX)
    words = (
        f"arrows at the markers: from the place in the room file to where the camera sees it, {times:g} times too "
        "long; hidden floor: at the height of the bar; the picture: at floor level"
    )
    return stacked([np.hstack([drawn, beside]), key, line(words, _PLAN_PX, SMALL, 2)])


def _below(sheet: CheckSheet) -> Picture:
    """Return what hides the floor, and what coverage will hang on, side by side."""
    wide = (_PLAN_PX - _GAP_PX) // 2
    columns = [stacked(part) for part in (_hidden(sheet, wide), _budget(sheet, wide)) if part]
    row = blank(max((len(part) for part in columns), default=0), _PLAN_PX)
    for number, part in enumerate(columns):
        left = number * (wide + _GAP_PX)
        row[: len(part), left : left + wide] = part
    return row


def _hidden(sheet: CheckSheet, wide: int) -> list[Picture]:
    if sheet.ground.plan is None:
        return []
    free_m2 = sheet.ground.plan.free.area
    rows = [heading("Floor hidden at bar height", wide, "m², share of the free floor")]
    for name, area_m2 in list(sheet.hidden_m2.items())[: 2 * _LISTED]:
        rows.append(triple(name, f"{area_m2:.3f} m²", f"{100 * area_m2 / free_m2:.2f} %", wide))
    if not sheet.hidden_m2:
        rows.append(line("none", wide, LABEL))
    return rows


def _budget(sheet: CheckSheet, wide: int) -> list[Picture]:
    if not sheet.points:
        return []
    largest = max(sheet.points.values())
    rows = [heading(f"Uncertainty of coverage to expect: {sheet.robot}", wide, "u, points")]
    for name, points in sorted(sheet.points.items(), key=lambda item: -item[1]):
        if points >= 0.001:
            rows.append(meter(name, f"{points:.3f}", points / largest, "", wide))
    rows += [blank(14, wide), heading("What would lower it most", wide, "points")]
    for text, gain in sheet.gains[:_LISTED]:
        row = blank(25, wide)
        write(row, f"{MINUS}{gain:.2f}", (wide, 17), BODY, "right")
        write(row, text, (0, 17), LABEL, room_px=wide - 70)
        rows.append(row)
    if not sheet.gains:
        rows.append(line("nothing that is listed in docs/room-check.md", wide, LABEL))
    return rows
