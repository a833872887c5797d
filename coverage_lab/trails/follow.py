"""Follow the bar through the strip of one frame.

Light adds up, so the strip of a frame is the sum of the places where the bar was. From a known place the bar is
followed as long as there is light for one more pass under all of it; where it cannot go on the robot turned on the
spot, and goes on in a direction in which there is light enough. What was followed is taken off the light, so that a
place that was passed twice is followed twice. A way counts if it explains the strip and leaves it nowhere.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.trails.explain import LEAST_TURN, PLENTY, SHIFT, Explainer, Scene, Way
from coverage_lab.trails.probe import BENDS, LIT, ROW_M, TURNS, Probe, changes, placed
from coverage_lab.trails.straighten import straightened

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

WHOLE = 8  # of nine points along the bar that must have light
STEP_ROWS = 4  # that a bend is followed before the next is looked for
STRAIGHT = 0.35  # 1/m: a bend that may be none
LEAST_RUN_ROWS = 8  # a straight way is longer
LEAST_ROWS = 3  # that it goes on after a turn
APART = float(np.deg2rad(20))  # directions that are told apart
BACK = 0.8  # of the nozzle: how far before the end of light it may have turned
SECTOR = 0.85  # of what the bar passed over in a turn has light
RIM_SAY = 0.2  # of the change of light around a turn
CHOICES = 3  # directions that are tried at a turn
MOST_WALKS = 12
LEAST_GAIN = 0.005  # of the strip that the way after a turn explains
LONGEST_ROWS = 400


def look(light: Plane) -> tuple[NDArray[np.intp], FloatArray]:
    """Of samples (11, ..., rows): rows with light under the bar from the first on, and the change at its ends there."""
    good = (light[1:10] > LIT).sum(axis=0) >= WHOLE
    rows = np.where(good.all(axis=-1), good.shape[-1], np.argmin(good, axis=-1))
    change = changes(light)
    upto = np.arange(good.shape[-1]) < np.maximum(rows, LEAST_ROWS)[..., None]
    return rows, (change * upto).sum(axis=-1) / upto.sum(axis=-1)


class Follower:
    """Follows one frame; counts how often it set out."""

    def __init__(self, scene: Scene, probe: Probe) -> None:
        self.scene, self.probe = scene, probe
        self.walks = 0
        self.best: Way | None = None
        self._explainer = Explainer(scene, probe)

    def follow(self, start: FloatArray) -> Way | None:
        """Return the way from a pose (3,) that explains most."""
        self._go_on(self.scene.passes, [], start, 1 + LEAST_GAIN)
        return self._laid()

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
        return self._laid()

    def _laid(self) -> Way | None:
        """Return the best way, laid along the sides of the strip if it is good."""
        if self.best is None or not self.best.good:
            return self.best
        return replace(self.best, poses=straightened(self.scene, self.probe, self.best.poses))

    def _go_on(self, left: Plane, parts: list[FloatArray], pose: FloatArray, before: float) -> bool:
        """Go on from a pose; say whether to stop. `before` is the share of the strip that was unexplained."""
        if self.walks >= MOST_WALKS:
            return True
        path = self._walk(left, pose)
        way = self._explainer.rated([*parts, path])
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
        sector = self.scene.sample(left, probe.points(between))
        swept = (sector[1:10] > LIT).mean(axis=(0, -1))
        bright = np.minimum(sector[4:7], 3).mean(axis=(0, -1)) / 3
        round_ = changes(sector).mean(axis=-1)  # at the rim of the turn
        score = (
            rows / probe.turns.shape[1] + 0.5 * change + 0.5 * bright + RIM_SAY * round_ - 0.25 * np.abs(turn) / np.pi
        )
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
        rest = left - self._explainer.passes([path]) * (left < PLENTY - 1)
        disc = np.zeros(left.shape, np.uint8)
        radius = float(np.hypot(self.probe.nozzle_m / 2, self.probe.forward_m)) / self.scene.cell_m
        col, row = self.scene.drawn(path[-1, :2]).tolist()
        cv2.circle(disc, (col, row), int(radius * (1 << SHIFT)), 1, -1, cv2.LINE_8, SHIFT)
        rest[(disc & self._explainer.strip) > 0] = PLENTY
        return rest


def _moved(points: Plane, pose: FloatArray) -> Plane:
    """Return local points (2, ...) as seen from a pose."""
    cos, sin = np.float32(np.cos(pose[2])), np.float32(np.sin(pose[2]))
    x = cos * points[0] - sin * points[1] + np.float32(pose[0])
    y = sin * points[0] + cos * points[1] + np.float32(pose[1])
    return np.stack([x, y])
