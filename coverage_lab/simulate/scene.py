"""What the camera looks down on: floor boards, walls, furniture and markers, as reflectances per pixel."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from zlib import crc32

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from coverage_lab.camera.markers import known_dictionaries
from coverage_lab.camera.model import Camera
from coverage_lab.room.plan import hidden_floor
from coverage_lab.room.room import Area, Decoy, Marker, Obstacle, Room
from coverage_lab.simulate.cameras import pixels_of

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
Colour = tuple[float, float, float]  # blue, green, red reflectance

_TEXEL_M = 0.004
_FOOT_M = 0.2  # over which a wall becomes light, as seen through the floor's plane
_BEYOND_M = 2.0  # how far the walls are drawn around the floor plan, as seen through the floor's plane
_WALL: Colour = (0.52, 0.57, 0.60)
_FLOOR: Colour = (0.26, 0.38, 0.50)
_PAPER, _INK = 0.82, 0.05
_COATS: tuple[Colour, ...] = ((0.42, 0.50, 0.56), (0.40, 0.36, 0.24), (0.22, 0.30, 0.42), (0.36, 0.44, 0.38))
_BRIGHT: Colour = (0.82, 0.86, 0.88)
_DARK: Colour = (0.05, 0.06, 0.07)
_SHIFT = 6  # binary places of a pixel in OpenCV's drawing
_QUIET = 1.36  # side of a marker's white sheet over the marker's own: a cell of the coarsest all around

# Points in a pixel, no two on one row or column (Fibonacci lattice): an edge moves in steps of 1/34 px.
_WITHIN_PIXEL = (np.column_stack([np.arange(34), np.arange(34) * 21 % 34]) + 0.5) / 34 - 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One room under one camera; pictures are (rows, cols) or (rows, cols, 3), blue first as in OpenCV."""

    room: Room
    camera: Camera
    reflectance: Picture  # (rows, cols, 3)
    upright: Picture  # (rows, cols): share of the pixel that lamps light from the side: walls, sides of furniture
    floor: Picture  # (rows, cols): share that shows floor


def look_down(room: Room, camera: Camera, rng: np.random.Generator) -> Scene:
    """Draw what `camera` sees of `room`. Walls do not hide floor: the camera must see all of it."""
    x_m, y_m = floor_points(camera)
    texture, west_m, north_m = _plan_picture(room, rng)
    columns = ((x_m - west_m) / _TEXEL_M - 0.5).astype(np.float32)
    rows = ((north_m - y_m) / _TEXEL_M - 0.5).astype(np.float32)
    seen = cv2.remap(texture, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    picture = np.array(seen[..., :3], dtype=np.float32, order="C")
    floor = np.array(seen[..., 3], dtype=np.float32, order="C")
    upright = _walls_seen(floor, camera)
    for marker in room.markers:
        _lay_marker(picture, marker, camera)
    for solid in _solids(room, camera):
        _stand(picture, upright, floor, solid, camera)
    return Scene(room, camera, picture, upright, floor)


def hidden_in_picture(scene: Scene, height_m: float) -> Picture:
    """Return the share of each pixel (rows, cols) in which furniture hides the plane at `height_m`."""
    shadow = hidden_floor(scene.room, scene.room.floor, bar_height_m=height_m, camera_centre_m=scene.camera.centre_m)
    mask = np.zeros(scene.floor.shape, np.uint8)
    for part in shapely.get_parts(shadow):
        _fill(
            mask,
            [pixels_of(scene.camera, shapely.get_coordinates(ring), height_m) for ring in shapely.get_rings(part)],
            255,
        )
    return np.asarray(mask / np.float32(255), dtype=np.float32)


def floor_points(camera: Camera) -> tuple[Picture, Picture]:
    """Return where on the floor's plane each pixel looks, (rows, cols) twice; every 8th pixel is exact."""
    width, height = camera.lens.image_size
    every = 8
    cols = np.arange(-every, width + 2 * every, every)
    rows = np.arange(-every, height + 2 * every, every)
    grid = np.stack(np.meshgrid(cols, rows), axis=-1).reshape(-1, 2)
    coarse = camera.lift(grid, 0.0).reshape(len(rows), len(cols), 2).astype(np.float32)
    at_cols, at_rows = np.meshgrid(
        np.arange(width, dtype=np.float32) / every + 1, np.arange(height, dtype=np.float32) / every + 1
    )
    x_m, y_m = cv2.split(cv2.remap(coarse, at_cols, at_rows, cv2.INTER_LINEAR))
    return np.asarray(x_m, dtype=np.float32), np.asarray(y_m, dtype=np.float32)


def _plan_picture(room: Room, rng: np.random.Generator) -> tuple[Picture, float, float]:
    """Return floor and walls as seen through the floor's plane (rows, cols, 4), with its west and north edge.

    The fourth channel is 1 on floor. A wall appears beyond the floor, its top farthest.
    """
    west, south, east, north = (float(edge) for edge in room.floor.bounds)
    west_m, north_m = west - _BEYOND_M, north + _BEYOND_M
    shape = (round((north_m - south + _BEYOND_M) / _TEXEL_M), round((east + _BEYOND_M - west_m) / _TEXEL_M))
    picture = np.empty((*shape, 4), np.float32)
    picture[..., :3] = _walls(room, shape, (west_m, north_m), rng)
    inside = np.zeros(shape, np.uint8)
    ring = shapely.get_coordinates(room.floor.exterior)
    _fill(inside, [np.column_stack([ring[:, 0] - west_m, north_m - ring[:, 1]]) / _TEXEL_M - 0.5], 255)
    picture[..., 3] = inside / np.float32(255)
    picture[..., :3] += picture[..., 3:] * (_boards(shape, rng) - picture[..., :3])
    return picture, west_m, north_m


def _walls_seen(floor: Picture, camera: Camera) -> Picture:
    """Return the share (rows, cols) of wall that lamps light; its foot, below the height of the lamps, stays dark."""
    pixel_m = camera.centre_m[2] / camera.lens.matrix[0, 0]
    foot = np.maximum(1 - 2 * cv2.GaussianBlur(floor, (0, 0), _FOOT_M / pixel_m), 0)
    return np.asarray((1 - floor) * foot, dtype=np.float32)


def _walls(room: Room, shape: tuple[int, int], corner: tuple[float, float], rng: np.random.Generator) -> Picture:
    """Return the walls, each of another shade, as fans that open outward from the middle of the floor."""
    picture = np.full((*shape, 3), _WALL, np.float32)
    middle = np.array([room.floor.centroid.x, room.floor.centroid.y])
    ring = shapely.get_coordinates(room.floor.exterior)
    for start, end in pairwise(ring):
        fan = np.array([start, end, middle + 6 * (end - middle), middle + 6 * (start - middle)])
        pixels = np.column_stack([fan[:, 0] - corner[0], corner[1] - fan[:, 1]]) / _TEXEL_M
        shade = float(rng.uniform(0.86, 1.06))
        _fill(picture, [pixels], tuple(shade * channel for channel in _WALL))
    return picture


def _boards(shape: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Return floor boards that run east–west, each of another tint, with grain and dark joints."""
    deep = round(0.118 / _TEXEL_M)
    tint = np.empty((*shape, 3), np.float32)
    for top in range(0, shape[0], deep):
        ends = np.cumsum(rng.uniform(0.7, 1.9, 1 + int(shape[1] * _TEXEL_M / 0.7)) / _TEXEL_M).astype(int)
        start = -int(rng.uniform(0, 0.7) / _TEXEL_M)
        for end in ends + start:
            left, start = max(start, 0), int(end)
            board = tint[top : top + deep, left : int(end)]
            board[:] = np.array(_FLOOR, np.float32) * rng.uniform(0.86, 1.12) * rng.uniform(0.97, 1.03, 3)
            board[:, -1:] *= 0.55
        tint[top : top + 1] *= 0.72
    noise = rng.normal(0, 1, shape).astype(np.float32)
    grain = cv2.GaussianBlur(noise, (0, 0), sigmaX=30, sigmaY=0.7)
    return np.asarray(tint * (1 + 0.05 / grain.std() * grain)[..., None], dtype=np.float32)


def _lay_marker(picture: Picture, marker: Marker, camera: Camera) -> None:
    """Draw a marker on its white sheet, averaged over each pixel on 34 points."""
    sheet = _sheet(marker)
    corners = marker.corners_m
    middle = corners.mean(axis=0)
    rim = camera.project(middle + 1.05 * _QUIET * (corners - middle))
    low = np.maximum(np.floor(rim.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(rim.max(axis=0)).astype(int) + 1, picture.shape[1::-1])
    if (high <= low).any():
        return
    cols, rows = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    pixels = np.stack([cols, rows], axis=-1)[:, :, None] + _WITHIN_PIXEL
    points = camera.lift(pixels.reshape(-1, 2), marker.z_m)
    right, down = corners[1, :2] - corners[0, :2], corners[3, :2] - corners[0, :2]
    away = points - middle[:2]
    place = np.column_stack([away @ right, away @ down]) / marker.side_m**2 / _QUIET + 0.5
    inside = ((place >= 0) & (place < 1)).all(axis=1)
    cell = np.clip((place * len(sheet)).astype(int), 0, len(sheet) - 1)
    cover = inside.reshape(pixels.shape[:3]).mean(axis=2)[..., None]
    value = (inside * sheet[cell[:, 1], cell[:, 0]]).reshape(pixels.shape[:3]).mean(axis=2)[..., None]
    window = picture[low[1] : high[1], low[0] : high[0]]
    window[:] = window * (1 - cover) + value


def _sheet(marker: Marker) -> FloatArray:
    """Return a marker and its white margin as reflectances."""
    code = known_dictionaries()[marker.dictionary]
    side = 1680  # whole cells for every dictionary of 4 × 4 to 6 × 6 bits
    bits = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(code), marker.id, side)
    margin = round((_QUIET - 1) / 2 * side)
    sheet = cv2.copyMakeBorder(bits, margin, margin, margin, margin, cv2.BORDER_CONSTANT, value=(255,))
    return np.where(sheet > 127, _PAPER, _INK)


@dataclass(frozen=True, slots=True, eq=False)
class _Solid:
    """A prism to draw: its outline between two heights, and its colour."""

    outline: Polygon
    low_m: float
    high_m: float
    colour: Colour


def _solids(room: Room, camera: Camera) -> list[_Solid]:
    """Return what stands or hangs, the farthest from the camera's foot first, tops that hang last."""
    standing: tuple[Obstacle | Decoy, ...] = (*room.obstacles, *room.decoys)
    things: list[tuple[str, Area, float, float]] = [
        (solid.name, solid.footprint, 0.0, solid.height_m) for solid in standing
    ]
    things += [(top.name, top.outline, top.clearance_m, top.height_m) for top in room.overhangs]
    foot = shapely.Point(camera.centre_m[:2])
    solids = [
        _Solid(part, low, high, _coat(name))
        for name, area, low, high in things
        for part in shapely.get_parts(shapely.orient_polygons(area))
    ]
    return sorted(solids, key=lambda solid: (solid.low_m, -solid.outline.distance(foot)))


def _coat(name: str) -> Colour:
    """Return the colour of a thing: bright or dark where its name says so; all legs of a table share theirs."""
    if name.startswith(("bright ", "dark ")):
        return _BRIGHT if name.startswith("bright ") else _DARK
    return _COATS[crc32(name.split(" leg")[0].encode()) % len(_COATS)]


def _stand(picture: Picture, upright: Picture, floor: Picture, solid: _Solid, camera: Camera) -> None:
    """Draw a prism: the sides that face the camera, then its top."""
    foot = camera.centre_m[:2]
    ring = shapely.get_coordinates(solid.outline.exterior)
    for start, end in pairwise(ring):
        along = end - start
        outward = np.array([along[1], -along[0]]) / np.hypot(*along)
        if outward @ (foot - start) <= 0:
            continue
        low, high = (pixels_of(camera, np.array([start, end]), z) for z in (solid.low_m, solid.high_m))
        face = [np.concatenate([low, high[::-1]])]
        shade = 0.72 + 0.2 * float(outward @ np.array([0.6, 0.8]))
        _fill(picture, face, tuple(shade * channel for channel in solid.colour))
        _fill(upright, face, (1.0,))
        _fill(floor, face, (0.0,))
    top = [pixels_of(camera, ring, solid.high_m)]
    _fill(picture, top, solid.colour)
    _fill(upright, top, (0.0,))
    _fill(floor, top, (0.0,))


def _fill(picture: Picture | NDArray[np.uint8], rings: Iterable[FloatArray], value: float | tuple[float, ...]) -> None:
    """Fill rings (holes by even-odd) given in pixels."""
    fixed = [np.rint(ring * (1 << _SHIFT)).astype(np.int32) for ring in rings]
    colour = tuple(value) if isinstance(value, tuple) else (value,)
    line = cv2.LINE_AA if picture.dtype == np.uint8 else cv2.LINE_8
    cv2.fillPoly(picture, fixed, colour, line, _SHIFT)
