"""Paints how a robot drove as light in plan view: truth for the pattern tests."""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate

from coverage_lab.job import Bar
from coverage_lab.room.bounce import bounce_path
from coverage_lab.room.grid import FloorGrid

ROOM = shapely.box(0, 0, 4.0, 3.2)
FURNITURE = (
    rotate(shapely.box(0.9, 1.2, 1.4, 1.7), 15),
    shapely.box(2.2, 2.75, 3.2, 3.2),
    shapely.Point(2.6, 1.4).buffer(0.03),
    shapely.Point(3.2, 1.4).buffer(0.03),
)
FURNISHED = ROOM - shapely.union_all(FURNITURE)
BODY_M = 0.33
BAR = Bar(nozzle_m=0.22, led_count=14, lit_length_m=0.215, height_m=0.095, height_tolerance_m=0.002, forward_m=0.0)
TUBE = Bar(nozzle_m=0.22, led_count=0, lit_length_m=0.22, height_m=0.095, height_tolerance_m=0.002, forward_m=0.0)
STEP_M = 0.004
TURN_RAD = np.deg2rad(2)
TURN_RATE = np.deg2rad(90)  # per second
SPEED_M_S = 0.25

Poses = NDArray[np.float64]


def follow(points, heading=None) -> Poses:
    """Drive along a polyline, turning on the spot at its corners."""
    points = np.asarray(points, dtype=float)
    legs = np.diff(points, axis=0)
    legs_m = np.hypot(*legs.T)
    keep = legs_m > 1e-6
    starts, legs, legs_m = points[:-1][keep], legs[keep], legs_m[keep]
    headings = np.unwrap(np.arctan2(legs[:, 1], legs[:, 0]))
    out, before = [], headings[0] if heading is None else heading
    for start, leg, leg_m, to in zip(starts, legs, legs_m, headings, strict=True):
        turn = (to - before + np.pi) % (2 * np.pi) - np.pi
        steps = int(np.ceil(abs(turn) / TURN_RAD))
        spin = before + turn * np.arange(1, steps + 1) / max(steps, 1)
        out.append(np.column_stack([np.tile(start, (steps, 1)), spin]))
        at = np.linspace(0, 1, int(np.ceil(leg_m / STEP_M)) + 1)[1:, None]
        before = before + turn
        out.append(np.column_stack([start + at * leg, np.full(len(at), before)]))
    return np.concatenate(out)


def lanes(area, *, spacing_m=0.2, axis_deg=0.0, jitter_deg=0.0, skip=(), seed=0) -> list[Poses]:
    """Lanes across the floor, one turn after the other, around furniture by leaving it out."""
    allowed = rotate(area.buffer(-BODY_M / 2), -axis_deg, origin=(2, 1.6))
    west, south, east, north = allowed.bounds
    rng = np.random.default_rng(seed)
    line, drives = [], []
    for number, y in enumerate(np.arange(south, north + 1e-9, spacing_m)):
        slope = np.tan(np.clip(np.deg2rad(jitter_deg) * rng.standard_normal(), -1.4, 1.4))
        if number in skip:
            continue
        begin = west if number % 2 == 0 else east
        reach = (east - west) * (1 if number % 2 == 0 else -1)
        lane = shapely.LineString([(begin, y), (begin + reach, y + slope * abs(reach))]) & allowed
        for part in sorted(shapely.get_parts(lane), key=lambda p: abs(p.coords[0][0] - begin)):
            points = [*part.coords]
            if len(points) < 2:
                continue
            if abs(points[0][0] - begin) > abs(points[-1][0] - begin):
                points.reverse()
            if line and not shapely.covers(allowed.buffer(1e-6), shapely.LineString([line[-1], points[0]])):
                drives.append(line)
                line = []
            line.extend(points)
    drives.append(line)
    back = [shapely.get_coordinates(rotate(shapely.LineString(d), axis_deg, origin=(2, 1.6))) for d in drives]
    return [follow(d) for d in back]


def laps(area, *, count=1, spacing_m=0.2) -> list[Poses]:
    """Laps along the walls and around the furniture, each `spacing_m` further in."""
    drives = []
    for lap in range(count):
        inner = area.buffer(-BODY_M / 2 - lap * spacing_m, join_style="mitre")
        rings = shapely.get_rings(shapely.get_parts(inner))
        drives += [follow(ring.coords) for ring in rings if ring.length > 0.3]
    return drives


def wander(area, *, jitter_deg, seed=0, **how) -> list[Poses]:
    """Lanes whose heading wanders by `jitter_deg` (smooth over 0.2 m) about the right course."""
    rng = np.random.default_rng(seed)
    drives = []
    for poses in lanes(area, **how):
        noise = cv2.GaussianBlur(rng.standard_normal((len(poses), 1)), (1, 0), 50.0)[:, 0]
        noise *= np.deg2rad(jitter_deg) / noise.std()
        step = np.hypot(*np.diff(poses[:, :2], axis=0, prepend=poses[:1, :2]).T)
        aside = cv2.GaussianBlur((step * noise).cumsum()[:, None], (1, 0), 1.0)[:, 0]
        aside -= cv2.GaussianBlur(aside[:, None], (1, 0), 250.0)[:, 0]
        across = np.column_stack([-np.sin(poses[:, 2]), np.cos(poses[:, 2])])
        drives.append(np.column_stack([poses[:, :2] + aside[:, None] * across, poses[:, 2] + noise * (step > 0)]))
    return drives


def bounce(area, *, length_m=110.0, seed=0) -> list[Poses]:
    allowed = area.buffer(-BODY_M / 2)
    return [bounce_path(allowed, (0.5, 0.5), length_m, np.random.default_rng(seed), step_m=STEP_M)]


def spiral(area, *, spacing_m=0.2, centre=(2.0, 1.6)) -> list[Poses]:
    """An Archimedean spiral, where the floor allows it."""
    turn = np.linspace(0.3, 2 * np.pi * 6.5, 12000)
    radius = spacing_m * turn / (2 * np.pi)
    line = shapely.LineString(np.column_stack([centre[0] + radius * np.cos(turn), centre[1] + radius * np.sin(turn)]))
    parts = shapely.get_parts(line & area.buffer(-BODY_M / 2))
    return [follow(part.coords) for part in parts if part.length > 0.2]


def paint(
    drives, grid: FloorGrid, *, bar: Bar = BAR, level=0.4, sigma_m=0.0025, clip=1.0, noise=0.0, area=None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return light and swept share, shape of `grid`: one straight pass is `level` high on an LED's track."""
    count = bar.led_count or int(bar.lit_length_m / 0.001)
    along = np.linspace(-bar.lit_length_m / 2, bar.lit_length_m / 2, count)
    blurred = cv2.GaussianBlur(_exposed(drives, along, grid, bar) / grid.cell_m, (0, 0), sigma_m / grid.cell_m)
    spread_m = np.sqrt(2 * np.pi) * sigma_m if bar.led_count else bar.lit_length_m / (count - 1)
    peak = grid.cell_m / spread_m
    light = level * blurred / peak
    if noise:
        light += noise * np.random.default_rng(1).standard_normal(light.shape)
    swept = swept_share(drives, grid, bar)
    if area is not None:
        light *= grid.weights(area)
    return np.minimum(light, clip).astype(np.float32), swept


def _exposed(drives, along, grid: FloorGrid, bar: Bar) -> NDArray[np.float64]:
    """How long each cell was lit, shape of `grid`: each light is shared out among the four cells about it."""
    cells, times = [], []
    for poses in drives:
        step = np.hypot(*np.diff(poses[:, :2], axis=0, prepend=poses[:1, :2]).T)
        spin = np.abs(np.diff(poses[:, 2], prepend=poses[0, 2]))
        times.append(np.repeat(np.where(step > 1e-9, step, spin / TURN_RATE * SPEED_M_S), len(along)))
        cells.append(grid.to_cell(_lights(poses, along, bar.forward_m)[0]).reshape(-1, 2))
    row, col = np.concatenate(cells).T + 1  # into a frame one cell wider, which takes what falls beyond the grid
    low_row, low_col = np.floor(row).astype(int), np.floor(col).astype(int)
    shape = grid.rows + 2, grid.cols + 2
    keep = (low_row >= 0) & (low_row < shape[0] - 1) & (low_col >= 0) & (low_col < shape[1] - 1)
    first = (low_row * shape[1] + low_col)[keep]
    down, right, time = (row - low_row)[keep], (col - low_col)[keep], np.concatenate(times)[keep]
    light = np.zeros(shape[0] * shape[1])
    for offset, share in ((0, 1 - down), (shape[1], down)):
        light += np.bincount(first + offset, time * share * (1 - right), light.size)
        light += np.bincount(first + offset + 1, time * share * right, light.size)
    return light.reshape(shape)[1:-1, 1:-1]


def _lights(poses, along, forward_m):
    ahead = np.column_stack([np.cos(poses[:, 2]), np.sin(poses[:, 2])])
    across = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    return poses[:, None, :2] + forward_m * ahead[:, None] + along[None, :, None] * across[:, None], across


def swept_share(drives, grid: FloorGrid, bar: Bar) -> NDArray[np.float32]:
    """The strip of the whole nozzle, as cells that are in or out."""
    out = np.zeros(grid.shape, np.uint8)
    half = np.array([-bar.nozzle_m / 2, bar.nozzle_m / 2])
    for poses in drives:
        ends, _ = _lights(poses, half, bar.forward_m)
        cell = grid.to_cell(ends)[..., ::-1]
        quads = np.concatenate([cell[:-1], cell[1:, ::-1]], axis=1)
        for quad in np.rint(quads * 16).astype(np.int32):
            cv2.fillConvexPoly(out, quad, 1, shift=4)
    return out.astype(np.float32)
