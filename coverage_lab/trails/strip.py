"""Which floor the nozzle passed over while one frame of a series was exposed.

A frame's strip says when floor was swept, never where exactly it ends: that is fitted on all frames' light together
(`sweep`). So it is found quickly, on cells twice as wide, and by a level that encloses as much floor as the fitted
edges of the first frames do.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import cv2
import numpy as np
import shapely
from contourpy import contour_generator
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.trails.comb import brightness, close_comb
from coverage_lab.trails.frame_light import FrameLight, light_of
from coverage_lab.trails.sweep import possible_floor, sweep, unreached_floor

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]

COARSE = 2  # of the plan's cells along the side of one of these
TUBE_BLUR_M = 0.004
LEARN_FROM = 3  # frames with a trail whose edges are fitted to learn the level, at least
LEARN_TRAIL = 4.0  # of the nozzle squared: so much trail they must have together
LEARN_MOST = 20  # frames
LEAST_TRAIL = 0.3  # of the nozzle squared: less says little about the level
AT_DECOYS_M = 0.6  # from a decoy: so far around it a frame's own strip is kept
NEAR_DECOYS_M = 0.3  # a strip that comes so near to one may be that of a robot that touched it
INSIDE_M = 0.012
ROUND = 1.2  # cells: an outline along the cells' sides would face only four ways


class StripFinder:
    """Finds the strip of each frame; learns the level from the first ones.

    px_m : how much floor a pixel of a frame shows; needed to find strips.
    """

    def __init__(self, plan: FloorPlan, bar: Bar, px_m: float) -> None:
        self.plan, self.bar, self.px_m = plan, bar, px_m
        self._levels: list[float] = []
        self._areas: list[float] = []  # of the trails they were learnt from, over the nozzle's square

    @property
    def cell_m(self) -> float:
        """Side of a coarse cell."""
        return COARSE * self.plan.grid.cell_m

    def coarse(self, plane: Plane) -> Plane:
        """Average a plane (rows, cols) of the plan's cells over coarse ones; what is left over is cut off."""
        rows, cols = (size // COARSE for size in self.plan.grid.shape)
        whole = plane[: rows * COARSE, : cols * COARSE]
        return np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)

    def fine(self, plane: NDArray[Any]) -> NDArray[Any]:
        """Return a coarse plane on the plan's cells; rows and columns left over repeat their neighbours."""
        grown = np.repeat(np.repeat(plane, COARSE, axis=0), COARSE, axis=1)
        rows, cols = self.plan.grid.shape
        return np.pad(grown, ((0, rows - grown.shape[0]), (0, cols - grown.shape[1])), mode="edge")

    def smooth(self, coarse: Plane) -> Plane:
        """Return a frame's light on coarse cells less the floor's own, its comb blurred away."""
        dark = coarse[self._unreached]
        coarse = coarse - np.float32(np.median(dark)) if dark.size else coarse
        blur_m = self.bar.pitch_m / 2 if self.bar.pitch_m else TUBE_BLUR_M
        return np.asarray(cv2.GaussianBlur(coarse, (0, 0), blur_m / self.cell_m))

    @property
    def learning(self) -> bool:
        """Whether the edges of the next frame are still to be fitted."""
        few = len(self._levels) < LEARN_FROM or sum(self._areas) < LEARN_TRAIL
        return few and len(self._levels) < LEARN_MOST

    def learn(self, smooth: Plane, view: Plane, clip: float) -> None:
        """Find the level whose strip is as large as the floor within the fitted edges of one frame.

        smooth : as `smooth` gives it; view : the same frame's light on the plan's cells, burnt from `clip` on.
        """
        swept = sweep(view, self.plan, self.bar, clip, px_m=self.px_m)
        if swept is None:
            return
        visible = self.coarse(self.plan.visible_share)
        area = float(np.vdot(self.coarse(swept.share), visible))
        trail = area * (self.cell_m / self.bar.nozzle_m) ** 2
        if trail < LEAST_TRAIL:
            return
        closed = self._closed(smooth)
        weights = np.bincount(closed[self._possible], weights=visible[self._possible], minlength=256)
        above = np.cumsum(weights[::-1])[::-1]  # floor at this brightness or brighter
        self._levels.append(float(np.interp(-area, -above, np.arange(256))) - 1)
        self._areas.append(trail)

    def strip(self, smooth: Plane) -> Mask:
        """Return 1 where the nozzle passed, (rows, cols) of coarse cells; `smooth` as `smooth` gives it."""
        if not self._levels:
            return np.zeros(smooth.shape, np.uint8)
        return ((self._closed(smooth) > self._level) & self._possible).astype(np.uint8)

    def at_decoys(self, strip: Mask, smooth: Plane) -> Area:
        """Return the outline (metres) of a frame's strip around the room's decoys; all of it is empty without any.

        Where the robot turned there is more light, and what the level encloses is too wide: there the edge is taken
        where light is half of what it is just inside.
        """
        if not self.plan.room.decoys or not strip.any():
            return shapely.Polygon()
        rows, cols = (slice(low, high) for low, high in self._decoy_window)
        mask, light = strip[rows, cols], smooth[rows, cols]
        beside = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(INSIDE_M / self.cell_m) + 1,) * 2)
        within = np.maximum(light > cv2.dilate(light, beside) / 2, cv2.erode(mask, beside))
        soft = cv2.GaussianBlur(np.pad(mask * within, 1).astype(np.float32), (0, 0), ROUND)
        grid, first = self.plan.grid, np.array([rows.start - 1, cols.start - 1])
        lines = []
        for line in contour_generator(z=soft, name="serial").lines(0.5):
            row, col = (np.asarray(line)[:, ::-1] + first + 0.5).T * self.cell_m
            lines.append(np.column_stack([grid.west_m + col, grid.north_m - row]))
        outline: Area = shapely.build_area(shapely.MultiLineString(lines))
        return outline

    def light_at_decoys(self, strip: Mask, smooth: Plane, burnt: Mask) -> FrameLight | None:
        """Return a frame's light around its strip, if that comes so near a decoy that the robot may have touched it.

        burnt : (rows, cols) of coarse cells, how much of each is burnt, 255 for all of it.
        """
        if not self.plan.room.decoys or not (strip & self._near_decoys).any():
            return None
        return light_of(smooth, strip, burnt, self.cell_m, (self.plan.grid.west_m, self.plan.grid.north_m))

    @cached_property
    def _near_decoys(self) -> Mask:
        """1 on coarse cells where a bar may shine whose robot is at a decoy."""
        near = shapely.union_all([decoy.footprint for decoy in self.plan.room.decoys]).buffer(NEAR_DECOYS_M)
        return (self.coarse(self.plan.grid.weights(near)) > 0).astype(np.uint8)

    @cached_property
    def _decoy_window(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """First and last row and column (excluded) of coarse cells around the decoys."""
        around = shapely.union_all([decoy.footprint for decoy in self.plan.room.decoys]).buffer(AT_DECOYS_M)
        west, south, east, north = around.bounds
        (top, left), (bottom, right) = self.plan.grid.to_cell([[west, north], [east, south]]) / COARSE
        rows, cols = (size // COARSE for size in self.plan.grid.shape)
        ends = ((max(int(top), 0), min(int(bottom) + 1, rows)), (max(int(left), 0), min(int(right) + 1, cols)))
        return ends

    @property
    def _level(self) -> float:
        """The median of what was learnt, by trail: a frame that only shows a turn, which is bright, tells little."""
        order = np.argsort(self._levels)
        share = np.cumsum(np.asarray(self._areas)[order]) - np.asarray(self._areas)[order] / 2
        return float(np.interp(share[-1] / 2 + self._areas[order[-1]] / 4, share, np.asarray(self._levels)[order]))

    def _closed(self, smooth: Plane) -> Mask:
        return close_comb(brightness(smooth), self.bar.pitch_m / self.cell_m if self.bar.pitch_m else None)

    @cached_property
    def _unreached(self) -> NDArray[np.bool_]:
        return self.coarse(unreached_floor(self.plan).astype(np.float32)) > 0.5

    @cached_property
    def _possible(self) -> NDArray[np.bool_]:
        return self.coarse(possible_floor(self.plan).astype(np.float32)) > 0.3
