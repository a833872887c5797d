"""Follow the bar through the strip of one frame.

Light adds up, so the strip of a frame is the sum of the places where the bar was. From a known place the bar is
followed as long as there is light for one more pass under all of it; where it cannot go on the robot turned on the
spot, and goes on in a direction in which there is light enough. What was followed is taken off the light, so that a
place that was passed twice is followed twice. A way counts if it explains the strip and leaves it nowhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.trails.probe import BENDS, CHANGE, LIT, ROW_M, TURNS, Probe, placed

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

PLENTY = 4.0  # passes: light that does not tell how many
WHOLE = 8  # of nine points along the bar that must have light
STEP_ROWS = 4  # that a bend is followed before the next is looked for
STRAIGHT = 0.35  # 1/m: a bend that may be none
LEAST_RUN_ROWS = 8  # a straight way is longer
LEAST_ROWS = 3  # that it goes on after a turn
LEAST_TURN = float(np.deg2rad(8))
APART = float(np.deg2rad(20))  # directions that are told apart
BACK = 0.8  # of the nozzle: how far before the end of light it may have turned
SECTOR = 0.85  # of what the bar passed over in a turn has light
CHOICES = 3  # directions that are tried at a turn
MOST_WALKS = 12
LEAST_GAIN = 0.005  # of the strip that the way after a turn explains
LEFT_OVER = 0.03  # of the strip that a way may leave unexplained
LEFT_NOZZLES = 0.3  # and of the nozzle squared
OFF = 0.02  # of the strip's area that it may lie off the strip
LONGEST_ROWS = 400
CORNER_M = 0.003  # by how much a way may be off its corners
SHORTEST_M = 0.045  # of a leg between two turns
TURNS_NOZZLES = 1.2  # of the nozzle squared: more is not left by turns at the two ends
LEAST_END_NOZZLES = 0.05  # of it that a turn at an end explains
END_TURNS = np.deg2rad(np.arange(0, 181, 20))
END_DARK = 0.1  # of the floor that the bar passes over in such a turn
END_COST = 0.02  # of it that must be missing for a turn to be taken for a larger one
_SQUARE = np.ones((3, 3), np.uint8)
_SHIFT = 4  # binary places of drawn points


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """The light of one frame, in passes."""

    passes: Plane  # (rows, cols); PLENTY where light is too bright to be counted
    west_m: float
    north_m: float
    cell_m: float

    def sample(self, plane: Plane, points: Plane) -> Plane:
        """Return a plane's values (11, ...) at points (2, 11, ...)."""
        col = (points[0] - np.float32(self.west_m)) * np.float32(1 / self.cell_m) - np.float32(0.5)
        row = (np.float32(self.north_m) - points[1]) * np.float32(1 / self.cell_m) - np.float32(0.5)
        flat = cv2.remap(plane, col.reshape(len(col), -1), row.reshape(len(row), -1), cv2.INTER_LINEAR)
        return np.asarray(flat.reshape(points.shape[1:]), np.float32)

    def drawn(self, points_m: FloatArray) -> NDArray[np.int32]:
        """Return points (..., 2) as drawing functions want them."""
        cells = (points_m - [self.west_m, self.north_m]) * [1 / self.cell_m, -1 / self.cell_m] - 0.5
        return np.rint(cells * (1 << _SHIFT)).astype(np.int32)


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """The way through one frame."""

    poses: FloatArray  # (N, 3) turning centre x_m, y_m and heading; straight on or a turn on the spot between two
    left: float  # share of the strip that it does not explain
    off: float  # area that it covers without light for it, over the strip's
    good: bool  # it explains the strip and leaves it nowhere


def look(light: Plane) -> tuple[NDArray[np.intp], FloatArray]:
    """Of samples (11, ..., rows): rows with light under the bar from the first on, and the change at its ends there."""
    good = (light[1:10] > LIT).sum(axis=0) >= WHOLE
    rows = np.where(good.all(axis=-1), good.shape[-1], np.argmin(good, axis=-1))
    capped = np.minimum(light[[0, 1, 9, 10]], CHANGE)
    change = np.clip(capped[1] - capped[0], -1, 1) + np.clip(capped[2] - capped[3], -1, 1)
    upto = np.arange(good.shape[-1]) < np.maximum(rows, LEAST_ROWS)[..., None]
    return rows, (change * upto).sum(axis=-1) / upto.sum(axis=-1)


class Follower:
    """Follows one frame; counts how often it set out."""

    def __init__(self, scene: Scene, probe: Probe) -> None:
        self.scene, self.probe = scene, probe
        self.walks = 0
        self.best: Way | None = None
        self._strip = (scene.passes > LIT).astype(np.uint8)
        self._area = int(self._strip.sum())

    def follow(self, start: FloatArray) -> Way | None:
        """Return the way from a pose (3,) that explains most."""
        self._go_on(self.scene.passes, [], start, 1 + LEAST_GAIN)
        return self.best

    def begin(self, before: FloatArray, reach_m: float) -> Way | None:
        """Return the way that explains most of those that begin near a pose (3,), up to `reach_m` ahead of it.

        So the last frame ended; the robot may since have turned or gone on.
        """
        rows = np.arange(int(reach_m / ROW_M) + 1)[:, None] * ROW_M
        ahead = np.array([np.cos(before[2]), np.sin(before[2]), 0.0])
        path = before + rows * ahead
        for at, heading in self._turns(self.scene.passes, path, beginning=True):
            if self._go_on(self.scene.passes, [], np.array([*path[at, :2], heading]), 1 + LEAST_GAIN):
                break
        return self.best

    def _go_on(self, left: Plane, parts: list[FloatArray], pose: FloatArray, before: float) -> bool:
        """Go on from a pose; say whether to stop. `before` is the share of the strip that was unexplained."""
        if self.walks >= MOST_WALKS:
            return True
        path = self._walk(left, pose)
        way = self._rated([*parts, path])
        if way.left > before - LEAST_GAIN:
            return False
        if self.best is None or way.left + way.off < self.best.left + self.best.off:
            self.best = way
        if way.good:
            return True
        for at, heading in self._turns(left, path):
            rest = self._less(left, path[: at + 1])
            turned = np.array([*path[at, :2], heading])
            if self._go_on(rest, [*parts, path[: at + 1]], turned, way.left):
                return True
        return False

    def _walk(self, left: Plane, pose: FloatArray) -> FloatArray:
        """Return poses (N, 3) from `pose` on as far as there is light for one pass."""
        self.walks += 1
        path = [pose[None]]
        rows = 0
        while rows < LONGEST_ROWS:
            found = self._ahead(left, path[-1][-1])
            if not len(found):
                break
            path.append(found)
            rows += len(found)
        return np.concatenate(path)

    def _ahead(self, left: Plane, pose: FloatArray) -> FloatArray:
        """Return the next poses, few on a bend, many straight on, or none."""
        probe = self.probe
        rows, change = look(self.scene.sample(left, _moved(probe.bend_points, pose)))
        full = probe.bends.shape[1]
        best = int(np.argmax(rows / full + 0.5 * change - 0.04 * np.abs(BENDS)))
        if abs(BENDS[best]) < STRAIGHT and rows[best] == full:
            light = self.scene.sample(left, _moved(probe.fan_points, pose))
            run, change = look(light)
            at = int(np.argmax(run * (0.4 + 0.5 * change)))
            if run[at] >= LEAST_RUN_ROWS:
                return placed(probe.fan[at, : run[at]], pose)
        return placed(probe.bends[best, : min(int(rows[best]), STEP_ROWS)], pose)

    def _turns(self, left: Plane, path: FloatArray, *, beginning: bool = False) -> list[tuple[int, float]]:
        """Return where it may have turned (number of a pose) and its heading afterwards, the likeliest first.

        At the beginning of a frame it need not have turned, or may have done so before.
        """
        probe = self.probe
        step = np.hypot(*np.diff(path[:, :2], axis=0).T)
        to_end = np.append(np.cumsum(step[::-1])[::-1], 0)
        near = np.flatnonzero(beginning | (to_end <= BACK * probe.nozzle_m))
        at = path[near]
        points = probe.turn_points[:, :, None] + at[:, :2].T.astype(np.float32)[:, None, :, None, None]
        rows, change = look(self.scene.sample(left, points))
        turn = (TURNS - at[:, 2:] + np.pi) % (2 * np.pi) - np.pi  # (places, turns)
        between = np.empty((*turn.shape, 3, 3))
        between[..., :2] = at[:, None, None, :2]
        between[..., 2] = at[:, None, None, 2] + turn[..., None] * [0.25, 0.5, 0.75]
        sector = self.scene.sample(left, probe.points(between)[:, 1:10])
        swept = (sector > LIT).mean(axis=(0, -1))
        bright = np.minimum(sector[3:6], 3).mean(axis=(0, -1)) / 3
        score = rows / probe.turns.shape[1] + 0.5 * change + 0.5 * bright - 0.25 * np.abs(turn) / np.pi
        possible = (rows >= LEAST_ROWS) & (beginning | ((swept > SECTOR) & (np.abs(turn) > LEAST_TURN)))
        score = np.where(possible, score, -np.inf)
        found: list[tuple[int, float]] = []
        while len(found) < CHOICES and np.isfinite(score.max()):
            place, towards = np.unravel_index(int(np.argmax(score)), score.shape)
            found.append((int(near[place]), float(at[place, 2] + turn[place, towards])))
            score[:, np.abs((TURNS - TURNS[towards] + np.pi) % (2 * np.pi) - np.pi) < APART] = -np.inf
        return found

    def _less(self, left: Plane, path: FloatArray) -> Plane:
        """Return the light less one pass along a path, at whose end it turns: there it does not tell how many."""
        rest = left - self._passes([path]) * (left < PLENTY - 1)
        disc = np.zeros(left.shape, np.uint8)
        radius = float(np.hypot(self.probe.nozzle_m / 2, self.probe.forward_m)) / self.scene.cell_m
        col, row = self.scene.drawn(path[-1, :2]).tolist()
        cv2.circle(disc, (col, row), int(radius * (1 << _SHIFT)), 1, -1, cv2.LINE_8, _SHIFT)
        rest[(disc & self._strip) > 0] = PLENTY
        return rest

    def _passes(self, parts: Sequence[FloatArray]) -> Plane:
        """Return how often a bar passed over each cell on the way, turns on the spot left out."""
        count = np.zeros(self.scene.passes.shape, np.float32)
        for path in parts:
            ends = self.probe.ends(path[corners(path)])
            for quad in self.scene.drawn(np.concatenate([ends[:-1], ends[1:, ::-1]], axis=1)):
                one = np.zeros(count.shape, np.uint8)
                cv2.fillConvexPoly(one, quad, 1, cv2.LINE_8, _SHIFT)
                count += one
        return count

    def _sector(self, pose: FloatArray, turn_rad: float) -> Mask:
        """Return 1 where the bar passes as the robot turns on the spot."""
        swept = np.zeros(self.scene.passes.shape, np.uint8)
        heading = pose[2] + np.linspace(0, turn_rad, 9)
        ends = self.probe.ends(np.column_stack([np.tile(pose[:2], (9, 1)), heading]))
        halves = np.concatenate([ends[:-1], ends[1:]], axis=1)
        for piece in self.scene.drawn(halves[:, [[0, 1, 2], [1, 3, 2]]].reshape(-1, 3, 2)):
            cv2.fillConvexPoly(swept, piece, 1, cv2.LINE_8, _SHIFT)
        return swept

    def _rated(self, parts: Sequence[FloatArray]) -> Way:
        """Count what a way explains of the light, and where it has none."""
        light = self.scene.passes
        drawn = self._passes(parts)
        short = ((light - drawn > 0.6) & (light < PLENTY - 1)) | ((light > LIT) & (drawn < 1))
        for before, after in pairwise(parts):
            turn = (after[0, 2] - before[-1, 2] + np.pi) % (2 * np.pi) - np.pi
            short &= self._sector(before[-1], turn) == 0
        missing = np.asarray(cv2.erode(short.astype(np.uint8), _SQUARE), np.uint8)
        # As the shutter opens or closes a robot may be turning.
        if missing.sum() * self.scene.cell_m**2 <= TURNS_NOZZLES * self.probe.nozzle_m**2:
            parts = list(parts)
            for at, place in ((len(parts), parts[-1][-1]), (0, parts[0][0])):
                turn = self._turn_at_end(place, missing)
                if turn:
                    missing &= self._sector(place, turn) ^ 1
                    parts.insert(at, np.array([[*place[:2], place[2] + turn]]))
        dark = cv2.erode((drawn - light > 0.65).astype(np.uint8), _SQUARE)
        poses = np.concatenate([path[corners(path)] for path in parts])
        left, off = float(missing.sum()) / self._area, float(dark.sum()) / self._area
        little = missing.sum() * self.scene.cell_m**2 <= LEFT_NOZZLES * self.probe.nozzle_m**2
        return Way(tidied(poses), left, off, bool(little and left <= LEFT_OVER and off <= OFF))

    def _turn_at_end(self, pose: FloatArray, missing: Mask) -> float:
        """Return the turn on the spot at an end of a way that explains most of what is missing; 0 if none does.

        A point at polar coordinates (r, φ) around the turning centre lies under the bar's line, which runs ahead of
        it by f, at the headings φ ± acos(f/r).
        """
        scene, forward_m = self.scene, self.probe.forward_m
        reach_m = float(np.hypot(self.probe.nozzle_m / 2, forward_m))
        col, row = scene.drawn(pose[:2]) / (1 << _SHIFT)
        around = int(np.ceil(reach_m / scene.cell_m))
        window = np.s_[
            max(int(row) - around, 0) : int(row) + around + 2, max(int(col) - around, 0) : int(col) + around + 2
        ]
        rows, cols = np.indices(missing[window].shape).reshape(2, -1)
        there = missing[window].ravel() > 0, self._strip[window].ravel() == 0
        away = np.column_stack([cols + window[1].start - col, row - rows - window[0].start]) * scene.cell_m
        radius_m = np.hypot(*away.T)
        under = (radius_m > abs(forward_m)) & (radius_m <= reach_m)
        apart = np.arccos(forward_m / radius_m[under])
        angle = np.arctan2(away[under, 1], away[under, 0]) - pose[2]
        least, found = LEAST_END_NOZZLES * self.probe.nozzle_m**2 / scene.cell_m**2, 0.0
        for sense in (1, -1):
            turn = np.minimum(*((sense * (angle + side * apart)) % (2 * np.pi) for side in (1, -1)))
            counts = [
                np.histogram(turn[cells[under]], END_TURNS)[0].cumsum() for cells in (*there, np.ones(len(under), bool))
            ]
            gain = np.where(counts[1] <= END_DARK * counts[2], counts[0] - END_COST * counts[2], 0)
            if gain.max() > least:
                least, found = float(gain.max()), sense * float(END_TURNS[1 + int(np.argmax(gain))])
        return found


def _moved(points: Plane, pose: FloatArray) -> Plane:
    """Return local points (2, ...) as seen from a pose."""
    cos, sin = np.float32(np.cos(pose[2])), np.float32(np.sin(pose[2]))
    x = cos * points[0] - sin * points[1] + np.float32(pose[0])
    y = sin * points[0] + cos * points[1] + np.float32(pose[1])
    return np.stack([x, y])


def corners(path: FloatArray) -> NDArray[np.intp]:
    """Return the numbers of the poses (N, 3) that a way bends at (Douglas and Peucker, 1973), both ends with them."""
    if len(path) < 3:
        return np.arange(len(path))
    numbered = shapely.linestrings(np.column_stack([path[:, :2], np.arange(len(path))]))
    kept = shapely.simplify(numbered, CORNER_M, preserve_topology=False)
    return np.asarray(shapely.get_coordinates(kept, include_z=True)[:, 2], np.intp)


def tidied(poses: FloatArray) -> FloatArray:
    """Return poses (N, 3) without legs so short that they only come of looking for a turn's place in steps."""
    kept = [poses[0]]
    turned = False  # at the last place
    for number, pose in enumerate(poses[1:], start=1):
        way_m = float(np.hypot(*(pose - kept[-1])[:2]))
        if way_m >= SHORTEST_M or (way_m > 0 and number == len(poses) - 1):
            kept.append(pose)
            turned = False
            continue
        there = np.array([*kept[-1][:2], pose[2]])
        if turned:
            kept[-1] = there
        elif abs(pose[2] - kept[-1][2]) > LEAST_TURN:
            kept.append(there)
            turned = True
    return np.array(kept)
