"""Ways through one frame that leave the light it shows, sought step by step from where the robot was before.

In each step a robot drives, turns, or does both for a share of the time. Many ways are kept at a time (beam search: B.
Lowerre, The Harpy Speech Recognition System, 1976), ordered by the light that they leave where none is shown, and by
light that is lacking elsewhere because of them: a robot that stays where light is burnt leaves too little for the rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.trails.frame_light import Cells, Picture, coarser
from coverage_lab.trails.glow import Line, lit_cells, shine

FloatArray = NDArray[np.float64]
Plane = NDArray[np.float32]
Numbers = NDArray[np.intp]

STEP_S = 0.2
FEWEST = 4  # steps
TURNING = (0.0, 0.12, 0.35, 0.7, 1.0)  # shares of a step's time
KEPT = 300  # ways at a time
SAME_M, SAME_RAD, KEPT_SAME = 0.03, float(np.deg2rad(15)), 2  # of ways that have come to one place, so many
BLUR_M, REACH_BLURS = 0.018, 2.5
PARTS = np.array([1, 3, 5]) / 6  # of a step, where the bar is taken to shine
FAINT = 0.04  # passes in one step: fainter light is not counted
TURN_COST, SWAY_COST = 0.15, 0.2  # of a turn, per radian, and of turning the other way than last, in cells
WASTE_COST = 0.7  # of a pass too much on a cell
SPARE = 1.03  # light that there may be, over what a robot at this pace leaves
LIGHT_U = 0.25  # of the logarithm of 1 + passes
APART_M, APART_RAD = 0.04, float(np.deg2rad(23))  # ways that are told apart
FOUND = 2  # ways, at the most


@dataclass(frozen=True, slots=True, eq=False)
class _Move:
    """What a robot may do in one step, as seen from where it begins."""

    far_m: float
    turn_rad: float
    points_m: FloatArray  # (k, 2) on a lattice, that it lights
    light: Plane  # (k,), passes

    def after(self, poses: FloatArray, part: float) -> FloatArray:
        """Return poses (n, 3) after a part of the move."""
        far_m, turn = self.far_m * part, self.turn_rad * part
        middle = poses[:, 2] + turn / 2
        step = np.column_stack([far_m * np.cos(middle), far_m * np.sin(middle), np.full(len(poses), turn)])
        return np.asarray(poses + step)


@dataclass(frozen=True, slots=True, eq=False)
class _Ways:
    """Ways that are kept, by where they have come to."""

    poses: FloatArray  # (n, 3)
    light: Plane  # (n, cells + 1) that they have left; the last is all that lies outside
    cost: FloatArray  # (n,)
    wasted: FloatArray  # (n,) light that none was shown for
    sense: FloatArray  # (n,) sign of the last turn


def seek(
    picture: Picture, before: FloatArray, blind_s: float, line: Line, *, backwards: bool = False
) -> list[tuple[FloatArray, FloatArray]]:
    """Return likely ways through a frame, best first: poses (n, 3) and when each was reached, (n,) from 0 to 1.

    before : the pose (3,) at which the robot was when the frame before ended, `blind_s` before this one began; of a way
    sought `backwards`, at which it was when the next one began.
    """
    wide = coarser(picture)
    field = _Field.of(wide, line)
    moves = _moves(line, wide.cells, -1 if backwards else 1)
    dark, count = int(np.ceil(blind_s / STEP_S)), max(FEWEST, round(picture.open_s / STEP_S))
    steps = [(True, blind_s / max(dark, 1))] * dark + [(False, picture.open_s / count)] * count
    ways = _Ways(before[None], np.zeros((1, field.limit.size), np.float32), *np.zeros((3, 1)))
    trace: list[tuple[Numbers, FloatArray]] = []
    for blind, step_s in steps:
        parent, ways = field.grown(ways, moves, step_s / STEP_S, blind=blind)
        trace.append((parent, ways.poses))
    found: list[FloatArray] = []
    for number in np.argsort(field.final_cost(ways)).tolist():
        path = _traced(trace, number, before)[dark:]
        if all(_apart(path, other) for other in found):
            found.append(path)
        if len(found) == FOUND:
            break
    when = np.linspace(0, 1, count + 1)
    return [(path[::-1] if backwards else path, when) for path in found]


@dataclass(frozen=True, slots=True, eq=False)
class _Field:
    """What a frame shows, for ways to be weighed by; (cells + 1,), the last one for all that lies outside."""

    picture: Picture
    line: Line
    shown: Plane  # logarithm of 1 + passes
    limit: Plane  # up to here light costs nothing
    wanted: Plane  # passes, at the least
    spare: float  # light that may be wasted: passes times cells

    @classmethod
    def of(cls, picture: Picture, line: Line) -> _Field:
        sigma = BLUR_M / picture.cells.cell_m
        passes = np.append(np.maximum(cv2.GaussianBlur(picture.passes, (0, 0), sigma), 0), np.float32(0))
        free = np.append(picture.burnt | ~picture.told, False)
        wanted = np.where(np.append(picture.told, True), passes, np.float32(0))
        shown = np.log1p(passes)
        made = SPARE * line.pace.m_s * picture.open_s * line.length_m / picture.cells.cell_m**2
        limit = np.where(free, np.float32(np.inf), shown)
        return cls(picture, line, shown, limit, wanted, max(made - float(wanted.sum()), 0.0))

    def grown(self, ways: _Ways, moves: list[_Move], scale: float, *, blind: bool) -> tuple[Numbers, _Ways]:
        """Return the best ways one step on, `scale` times as long, and the number of the way that each goes on from."""
        costs, wastes, senses = [], [], []
        for move in moves:
            over, wasted = (0.0, 0.0) if blind else self._weighed(ways, move)
            sense = np.sign(move.turn_rad)
            sways = (sense != 0) & (ways.sense == -sense)
            costs.append(ways.cost + over + TURN_COST * abs(move.turn_rad) + SWAY_COST * sways)
            wastes.append(ways.wasted + scale * np.asarray(wasted))
            senses.append(np.where(sense == 0, ways.sense, sense))
        poses = np.concatenate([move.after(ways.poses, scale) for move in moves])
        cost, wasted, sense = (np.concatenate(parts) for parts in (costs, wastes, senses))
        kept = _best(poses, cost + WASTE_COST * np.maximum(wasted - self.spare, 0))
        move_of, parent = np.divmod(kept, len(ways.poses))
        light = ways.light[parent]
        if not blind:
            for number in np.unique(move_of).tolist():
                at = np.flatnonzero(move_of == number)
                self._shine(light, at, ways.poses[parent[at]], moves[number], scale)
        return parent, _Ways(poses[kept], light, cost[kept], wasted[kept], sense[kept])

    def _weighed(self, ways: _Ways, move: _Move) -> tuple[FloatArray, FloatArray]:
        """Return what light a move leaves where none is shown, (n,), and what it wastes, (n,)."""
        cos, sin = np.cos(ways.poses[:, 2:]), np.sin(ways.poses[:, 2:])
        x_m = ways.poses[:, :1] + cos * move.points_m[:, 0] - sin * move.points_m[:, 1]
        y_m = ways.poses[:, 1:2] + sin * move.points_m[:, 0] + cos * move.points_m[:, 1]
        at = _cell_at(self.picture.cells, x_m, y_m)
        before, limit = np.take_along_axis(ways.light, at, axis=1), self.limit[at]
        over = (np.log1p(before + move.light) - limit).clip(0, 1) - (np.log1p(before) - limit).clip(0, 1)
        useful = np.minimum(move.light, (self.wanted[at] - before).clip(0, None))
        return over.sum(axis=1, dtype=float), move.light.sum(dtype=float) - useful.sum(axis=1, dtype=float)

    def _shine(self, light: Plane, at: Numbers, poses: FloatArray, move: _Move, scale: float) -> None:
        """Add to rows `at` of `light` what a move from poses leaves."""
        for part in PARTS.tolist():
            lit = lit_cells(move.after(poses, scale * part), self.line, REACH_BLURS * BLUR_M, self.picture.cells)
            value = self.line.pace.m_s * STEP_S * scale / len(PARTS) * shine(lit, self.line, BLUR_M)
            np.add.at(light, (at[lit.place], lit.cell), value.astype(np.float32))

    def final_cost(self, ways: _Ways) -> FloatArray:
        """Return what is off after the last step, (n,)."""
        left = (self.shown - np.log1p(ways.light))[:, :-1]
        left[:, ~self.picture.told.ravel()] = 0
        burnt = self.picture.burnt.ravel()
        left[:, burnt] = np.maximum(left[:, burnt], 0)
        return np.asarray(np.log1p((left / LIGHT_U) ** 2).sum(axis=1), float)


def _moves(line: Line, cells: Cells, sign: int) -> list[_Move]:
    """Return what a robot may do in one step, forwards or (-1) back in time."""
    made = []
    for share in TURNING:
        for sense in (1, -1)[: 2 if share else 1]:
            far_m, turn = sign * (1 - share) * line.pace.m_s * STEP_S, sense * share * line.pace.rad_s * STEP_S
            made.append(_stamped(_Move(far_m, turn, np.zeros((0, 2)), np.zeros(0, np.float32)), line, cells.cell_m))
    return made


def _stamped(move: _Move, line: Line, cell_m: float) -> _Move:
    """Return a move with the light that it leaves."""
    reach_m = line.length_m + abs(move.far_m) + abs(line.forward_m) + REACH_BLURS * BLUR_M
    side = 2 * int(np.ceil(reach_m / cell_m)) + 1
    cells = Cells(-(side // 2) * cell_m, side // 2 * cell_m, cell_m, (side, side))
    places = np.concatenate([move.after(np.zeros((1, 3)), part) for part in PARTS.tolist()])
    lit = lit_cells(places, line, REACH_BLURS * BLUR_M, cells)
    light = line.pace.m_s * STEP_S / len(PARTS) * np.bincount(lit.cell, shine(lit, line, BLUR_M), side * side)
    bright = light > FAINT
    points = np.column_stack([plane.ravel() for plane in cells.middles_m])
    return _Move(move.far_m, move.turn_rad, points[bright], light[bright].astype(np.float32))


def _cell_at(cells: Cells, x_m: FloatArray, y_m: FloatArray) -> Numbers:
    """Return the numbers of the cells at points; of those outside, one beyond the last."""
    rows, cols = cells.shape
    col = np.rint((x_m - cells.west_m) / cells.cell_m).astype(np.intp)
    row = np.rint((cells.north_m - y_m) / cells.cell_m).astype(np.intp)
    inside = (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
    return np.where(inside, row * cols + col, rows * cols)


def _best(poses: FloatArray, cost: FloatArray) -> Numbers:
    """Return the numbers of the best ways, of those that have come to one place only a few."""
    order = np.argsort(cost, kind="stable")
    places = np.column_stack([poses[:, :2] / SAME_M, poses[:, 2] % (2 * np.pi) / SAME_RAD])
    _, place = np.unique(np.floor(places[order]).astype(int), axis=0, return_inverse=True)
    place = place.ravel()
    grouped = np.argsort(place, kind="stable")  # within a place, the best first
    first = np.concatenate([[True], np.diff(place[grouped]) > 0])
    begins = np.maximum.accumulate(np.where(first, np.arange(len(place)), 0))
    rank = np.empty(len(place), int)
    rank[grouped] = np.arange(len(place)) - begins
    return np.asarray(order[rank < KEPT_SAME][:KEPT], np.intp)


def _traced(trace: list[tuple[Numbers, FloatArray]], number: int, before: FloatArray) -> FloatArray:
    """Return the poses of one way, from the one before its first step on."""
    path = []
    for parent, poses in reversed(trace):
        path.append(poses[number])
        number = int(parent[number])
    return np.array([*path, before])[::-1]


def _apart(one: FloatArray, other: FloatArray) -> bool:
    """Say whether two ways (n, 3) are told apart."""
    off = one - other
    turn = np.abs((off[:, 2] + np.pi) % (2 * np.pi) - np.pi)
    return bool((np.hypot(off[:, 0], off[:, 1]) > APART_M).any() or (turn > APART_RAD).any())
