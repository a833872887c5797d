"""Fold the frames of a series, one after the other, into one exposure and what it was like in time.

    frame ──► blocks as large as a cell ──► their sum over all frames ──► plan view, once
                     └──► coarse plan view ──► strip of this frame ──► first swept, visits, ends, light

Memory holds a few planes of the floor and a frame, however many frames there are.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from coverage_lab.camera.model import Camera
from coverage_lab.frames.correct import HOT_LIGHT
from coverage_lab.frames.light import FULL_LIGHT
from coverage_lab.job import Bar
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.trails.blind import Bridge, Strip, bridge
from coverage_lab.trails.caps import Join, find_caps
from coverage_lab.trails.frame_light import FrameLight
from coverage_lab.trails.joined import FrameWay
from coverage_lab.trails.rectify import Lift, floor_per_pixel_m, pixel_map
from coverage_lab.trails.strip import StripFinder
from coverage_lab.trails.tally import Tally
from coverage_lab.trails.track import Tracker, scene_of

Plane = NDArray[np.float32]
Mask = NDArray[np.uint8]

UNIT = np.float32(1 / FULL_LIGHT)
AT_CLIP = 0.95  # of the clip: what a resampled burnt pixel still reaches
BURNT = 0.3  # share of a coarse cell
PASS_BURNT = 0.85  # of the clip: light of one pass
FEWEST_FOR_HOT = 3  # frames, that a spot that stays is told from the trail
LONGEST_BRIDGE_S = 2.5  # a longer hole is reported and not filled in
LEAST_BLIND_S = 0.1  # shorter gaps do not tell a speed
_FEWEST_SPEEDS = 3


@dataclass(frozen=True, slots=True)
class FrameFacts:
    """Where the robot was in one frame."""

    covered_m2: float  # of its strip; nan for a frame that cannot be read
    lit_m: tuple[float, float] | None  # middle of its strip, x and y


@dataclass(frozen=True, slots=True, eq=False)
class Gap:
    """What is known of the time between two frames."""

    join: Join | None  # where the bar was before and after
    turned: bool  # the robot turned, and the gap was filled in


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """All frames of a run, folded."""

    light: Plane  # (rows, cols) of all frames together
    clip: float  # light from which on a value only says "at least so bright"
    first: NDArray[np.uint16]  # (rows, cols) number of the frame, from 1, in whose strip a cell first lay; 0 = none
    visits: NDArray[np.uint8]  # (rows, cols) maximal runs of frames that a cell was swept in, 255 at most
    frames: tuple[FrameFacts, ...]
    passed_m2: float  # floor passed over, repeats counted, while the shutter was open; nan where light is burnt
    driven_m2: float  # the same without turns on the spot
    gaps: tuple[Gap, ...]  # between a frame and the next
    filled: NDArray[np.uint16]  # (rows, cols) number of the frame before which a cell was passed in a turn; 0 = none
    ways: tuple[FrameWay, ...]  # of the robot through each frame
    at_decoys: tuple[Area, ...]  # outline of each frame's strip around decoys, metres
    lights: tuple[FrameLight | None, ...]  # of each frame whose strip comes near a decoy
    once: float | None  # light of one pass


@dataclass(slots=True, eq=False)
class Fold:
    """A series that is being folded."""

    plan: FloorPlan
    bar: Bar
    camera: Camera
    blind_s: NDArray[np.float64]  # (frames - 1,) from a frame's end to the next one's start; nan where not known
    _lift: Lift = field(init=False)  # from the frame to the plan's cells
    _coarse: Lift = field(init=False)  # from its blocks to coarse cells
    _finder: StripFinder = field(init=False)
    _sum: Plane | None = None  # light of each block, in units of the frames
    _first: NDArray[np.uint16] = field(init=False)
    _visits: NDArray[np.uint8] = field(init=False)
    _steady: NDArray[np.uint16] | None = None  # darkest that each block was
    _before: Strip | None = None
    _tally: Tally = field(init=False)
    _facts: list[FrameFacts] = field(default_factory=list)
    _gaps: list[Gap] = field(default_factory=list)
    _filled: NDArray[np.uint16] = field(init=False)
    _clip: float = 0.0
    _tracker: Tracker = field(init=False)
    _at_decoys: list[Area] = field(default_factory=list)
    _lights: list[FrameLight | None] = field(default_factory=list)
    _number: int = 0  # frames so far, with those that cannot be read
    _added: int = 0  # without them

    def __post_init__(self) -> None:
        """Lay out the planes."""
        grid = self.plan.grid
        px_m = floor_per_pixel_m(self.camera, grid, self.bar.height_m)
        self._finder = StripFinder(self.plan, self.bar, px_m)
        self._lift = Lift.by(pixel_map(self.camera, grid, self.bar.height_m))
        places = [self._finder.coarse(np.ascontiguousarray(self._lift.places[..., axis])) for axis in (0, 1)]
        self._coarse = Lift.by(np.stack(places, axis=-1))
        coarse = self._finder.coarse(self.plan.free_share).shape
        self._first, self._visits = np.zeros(coarse, np.uint16), np.zeros(coarse, np.uint8)
        self._filled = np.zeros(coarse, np.uint16)
        self._tally = Tally(self.bar, self._finder.cell_m)
        self._tracker = Tracker(self.bar)

    def add(self, light: NDArray[np.uint16], clip: float) -> None:
        """Add the next frame's linear light (H, W); `clip` (of 1) is where its light is burnt."""
        blocks = self._lift.averaged(light)
        if self._sum is None or self._steady is None:
            self._sum, self._steady = np.zeros(blocks.shape, np.float32), blocks.copy()
        cv2.accumulate(blocks, self._sum)
        cv2.min(self._steady, blocks, self._steady)
        self._clip = clip
        smooth = self._finder.smooth(self._coarse.seen(self._coarse.averaged(blocks)) * UNIT)
        if self._finder.learning:
            self._finder.learn(smooth, self._lift.seen(blocks) * UNIT, clip)
        mask = self._finder.strip(smooth)
        self._number += 1
        fresh = (self._first == 0) & (mask > 0)
        self._first[fresh] = self._number
        before = np.zeros_like(mask) if self._before is None else self._before.mask
        self._visits = np.asarray(cv2.add(self._visits, mask & (before ^ 1)), np.uint8)  # 255 stays 255
        self._added += 1
        burnt = self._burnt(blocks)
        self._tally.add(smooth, mask, np.where(burnt > BURNT * 255, np.uint8(255), np.uint8(0)), clip)
        self._facts.append(self._place(mask))
        self._at_decoys.append(self._finder.at_decoys(mask, smooth))
        self._lights.append(self._finder.light_at_decoys(mask, smooth, burnt))
        self._connect(mask, smooth)

    def _burnt(self, blocks: NDArray[np.uint16]) -> Mask:
        """Return how much of each coarse cell a frame burnt, (rows, cols), 255 for all of it."""
        burnt = cv2.inRange(blocks, AT_CLIP * self._clip * FULL_LIGHT, FULL_LIGHT)
        if not cv2.hasNonZero(burnt):
            return np.zeros(self._first.shape, np.uint8)
        return np.asarray(self._coarse.seen(self._coarse.averaged(np.asarray(burnt))), np.uint8)

    def skip(self) -> None:
        """Leave out the next frame, which cannot be read."""
        self._number += 1
        self._facts.append(FrameFacts(float("nan"), None))
        self._at_decoys.append(Polygon())
        self._lights.append(None)
        if self._number > 1:
            self._gaps.append(Gap(None, False))
        self._before = None
        self._tracker.add(None, (), None, 0.0)

    def done(self) -> Series:
        """Return the folded series."""
        light = self._whole()
        self._tally.judge()
        once = self._tally.once
        # Passes in range add up to more than a single frame can hold, which is no burnt light. Only where each pass is
        # burnt by itself does light from the clip on say no more than "at least so bright".
        each_burnt = once is None or once >= PASS_BURNT * self._clip
        clip = self._clip if each_burnt else max(self._clip, 1.001 * float(light.max()))
        fine = self._finder.fine
        return Series(
            light=light,
            clip=clip,
            first=fine(self._first).astype(np.uint16),
            visits=fine(self._visits).astype(np.uint8),
            frames=tuple(self._facts),
            passed_m2=self._tally.passed_m2,
            driven_m2=self._tally.driven_m2,
            gaps=tuple(self._gaps),
            filled=fine(self._filled).astype(np.uint16),
            ways=self._tracker.done(),
            at_decoys=tuple(self._at_decoys),
            lights=tuple(self._lights),
            once=once,
        )

    def _connect(self, mask: Mask, smooth: Plane) -> None:
        grid, nozzle_m, cell_m = self.plan.grid, self.bar.nozzle_m, self._finder.cell_m
        origin_m = (grid.west_m, grid.north_m)
        strip = Strip(mask, find_caps(mask, nozzle_m, cell_m, origin_m))
        found = Bridge()
        if self._number > 1:
            blind_s = float(self.blind_s[self._number - 2])
            if self._before is not None and blind_s <= LONGEST_BRIDGE_S:
                last = self._gaps[-1].join if self._gaps else None
                found = bridge(
                    self._before,
                    strip,
                    blind_s=blind_s,
                    speed_m_s=self._speed_m_s(),
                    nozzle_m=nozzle_m,
                    cell_m=cell_m,
                    origin_m=origin_m,
                    used=() if last is None else (last.start,),
                )
            if found.fill is not None:
                self._filled[(found.fill > 0) & (self._filled == 0)] = self._number
            self._gaps.append(Gap(found.join, found.fill is not None))
        once = self._tally.once
        scene = None if once is None else scene_of(smooth, mask, once, self._clip, cell_m, origin_m)
        blind_s = float(self.blind_s[self._number - 2]) if self._number > 1 else 0.0
        self._tracker.add(scene, strip.caps, found.join, blind_s)
        self._before = strip

    def _speed_m_s(self) -> float | None:
        """The usual speed while the shutter was closed, from the frames so far; None where they do not tell."""
        pairs = zip(self._gaps, self.blind_s, strict=False)
        speeds = [one.join.length_m / s for one, s in pairs if one.join is not None and s > LEAST_BLIND_S]
        return float(np.median(speeds)) if len(speeds) >= _FEWEST_SPEEDS else None

    def _place(self, mask: Mask) -> FrameFacts:
        """Return how much strip a frame shows, and where its middle is."""
        moments = cv2.moments(mask)
        if moments["m00"] == 0:
            return FrameFacts(0.0, None)
        grid, cell_m = self.plan.grid, self._finder.cell_m
        col, row = (moments[first] / moments["m00"] for first in ("m10", "m01"))
        middle = (grid.west_m + (col + 0.5) * cell_m, grid.north_m - (row + 0.5) * cell_m)
        return FrameFacts(moments["m00"] * cell_m**2, middle)

    def _whole(self) -> Plane:
        """Return the light of all frames on the plan's cells.

        Blocks that shine in all frames and stand out from their neighbours are hot pixels, and come off.
        """
        if self._sum is None or self._steady is None:
            return np.zeros(self.plan.grid.shape, np.float32)
        light = self._sum
        if self._added >= FEWEST_FOR_HOT:
            extra = np.asarray(cv2.subtract(self._steady, cv2.medianBlur(self._steady, 5)))
            extra[extra < HOT_LIGHT / self._lift.block**2] = 0
            light = np.maximum(light - np.float32(self._added) * extra, 0)
        return self._lift.seen(light) * UNIT
