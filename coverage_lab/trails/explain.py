"""How much of a frame's strip a way explains, counted by passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.trails.probe import LIT, Probe

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

PLENTY = 4.0  # passes: light that does not tell how many
LEAST_TURN = float(np.deg2rad(8))
LEFT_OVER = 0.03  # of the strip that a way may leave unexplained
LEFT_NOZZLES = 0.3  # and of the nozzle squared
OFF = 0.02  # of the strip's area that it may lie off the strip
CORNER_M = 0.003  # by how much a way may be off its corners
SHORTEST_M = 0.045  # of a leg between two turns
TURNS_NOZZLES = 1.2  # of the nozzle squared: more is not left by turns at the two ends
LEAST_END_NOZZLES = 0.05  # of it that a turn at an end explains
END_TURNS = np.deg2rad(np.arange(0, 181, 20))
END_DARK = 0.1  # of the floor that the bar passes over in such a turn
END_COST = 0.02  # of it that must be missing for a turn to be taken for a larger one
_SQUARE = np.ones((3, 3), np.uint8)
SHIFT = 4  # binary places of drawn points


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
        return np.rint(cells * (1 << SHIFT)).astype(np.int32)


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """The way through one frame."""

    poses: FloatArray  # (N, 3) turning centre x_m, y_m and heading; straight on or a turn on the spot between two
    left: float  # share of the strip that it does not explain
    off: float  # area that it covers without light for it, over the strip's
    good: bool  # it explains the strip and leaves it nowhere


class Explainer:
    """Weighs ways through one frame against its light; ways are parts (N, 3) between which the robot turns."""

    def __init__(self, scene: Scene, probe: Probe) -> None:
        self.scene, self.probe = scene, probe
        self.strip = (scene.passes > LIT).astype(np.uint8)
        self._area = int(self.strip.sum())

    def passes(self, parts: Sequence[FloatArray]) -> Plane:
        """Return how often a bar passed over each cell on the way, turns on the spot left out."""
        count = np.zeros(self.scene.passes.shape, np.uint8)
        for path in parts:
            ends = self.probe.ends(path[corners(path)])
            for quad in self.scene.drawn(np.concatenate([ends[:-1], ends[1:, ::-1]], axis=1)):
                one = np.zeros(count.shape, np.uint8)
                cv2.fillConvexPoly(one, quad, 1, cv2.LINE_8, SHIFT)
                cv2.add(count, one, count)
        return count.astype(np.float32)

    def _sector(self, pose: FloatArray, turn_rad: float) -> Mask:
        """Return 1 where the bar passes as the robot turns on the spot."""
        swept = np.zeros(self.scene.passes.shape, np.uint8)
        heading = pose[2] + np.linspace(0, turn_rad, 9)
        ends = self.probe.ends(np.column_stack([np.tile(pose[:2], (9, 1)), heading]))
        halves = np.concatenate([ends[:-1], ends[1:]], axis=1)
        for piece in self.scene.drawn(halves[:, [[0, 1, 2], [1, 3, 2]]].reshape(-1, 3, 2)):
            cv2.fillConvexPoly(swept, piece, 1, cv2.LINE_8, SHIFT)
        return swept

    def rated(self, parts: Sequence[FloatArray]) -> Way:
        """Count what a way explains of the light, and where it has none."""
        light = self.scene.passes
        drawn = self.passes(parts)
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
        col, row = scene.drawn(pose[:2]) / (1 << SHIFT)
        around = int(np.ceil(reach_m / scene.cell_m))
        window = np.s_[
            max(int(row) - around, 0) : int(row) + around + 2, max(int(col) - around, 0) : int(col) + around + 2
        ]
        rows, cols = np.indices(missing[window].shape).reshape(2, -1)
        there = missing[window].ravel() > 0, self.strip[window].ravel() == 0
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
