"""The light that a bar of LEDs leaves in the picture: where LEDs were seen, how long, how the lens spreads it.

Light is in shares of full scale, before clipping, noise and any transfer curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from coverage_lab.camera.model import Camera
from coverage_lab.job import Bar

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]

_STEP_PX = 0.7  # an LED moves no further between two samples
_CHUNK = 1_000_000
_SPLAT_VARIANCE = 0.25  # of the quadratic B-spline that shares a sample among 3 × 3 pixels, px²
_PIXEL_VARIANCE = 1 / 12  # of a pixel's own square, px²
_TUBE_STEP_M = 0.0015  # a tube is drawn as LEDs this near each other


@dataclass(frozen=True, slots=True)
class Optics:
    """How large an LED is, and how the lens spreads the light of a point."""

    led_diameter_m: float = 0.005
    core_sigma_px: float = 0.9  # of a Gaussian, before the pixel's own square; at least 0.5
    halo_energy: float = 0.012  # share of the light that bloom takes from the core
    halo_scale_px: float = 14.0  # bloom falls as exp(−r / scale)


def trail_light(
    poses: FloatArray,
    bar: Bar,
    strengths: FloatArray,
    camera: Camera,
    hidden: Picture,
    level: float,
    optics: Optics,
    speed_m_s: float | None = None,
) -> Picture:
    """Return the light (rows, cols) of a run, `level` at the peak of one straight pass below the camera.

    `poses` (N, 4) as in `simulate.drives`; `strengths`, one per place of `led_places`, have mean 1; `hidden`
    (rows, cols) is the share of each pixel that furniture hides at bar height. The pass that `level`
    refers to is driven at `speed_m_s`, the usual speed of `poses` if not given.
    """
    pixel_m = depth_m(camera, bar.height_m) / camera.lens.matrix[0, 0]
    raw = _collect(poses, bar, strengths, camera, _STEP_PX * pixel_m) * (1 - hidden)
    radius_px = optics.led_diameter_m / 2 / pixel_m
    speed_px_s = (speed_m_s or usual_speed_m_s(poses)) / pixel_m
    peak = _pass_peak(led_places(bar) / pixel_m, radius_px, optics) / speed_px_s
    return spread(raw * np.float32(level / peak), radius_px, optics)


def led_places(bar: Bar) -> FloatArray:
    """Return where the LEDs sit along the bar, metres left of its middle; a tube is many small ones.

    Each of these stands for a piece of the tube, in whose middle it sits: a tube is lit just to its ends.
    """
    if bar.led_count == 0:
        count = int(np.ceil(bar.lit_length_m / _TUBE_STEP_M))
        return ((np.arange(count) + 0.5) / count - 0.5) * bar.lit_length_m
    return np.linspace(-0.5, 0.5, bar.led_count) * bar.lit_length_m if bar.led_count > 1 else np.zeros(1)


def depth_m(camera: Camera, height_m: float) -> float:
    """Return how far below the camera the plane at `height_m` is, along the plumb line."""
    return float(camera.centre_m[2]) - height_m


def usual_speed_m_s(poses: FloatArray) -> float:
    """Return the speed of the turning centre at which half of the way is driven slower, half faster."""
    step = np.diff(poses, axis=0)
    way_m = np.hypot(step[:, 1], step[:, 2])
    moving = way_m > 0
    speed = way_m[moving] / step[moving, 0]
    order = np.argsort(speed)
    along = np.cumsum(way_m[moving][order])
    return float(speed[order][np.searchsorted(along, along[-1] / 2)])


def refined(poses: FloatArray, reach_m: float, step_m: float) -> FloatArray:
    """Return samples (M, 4) dwell_s, x_m, y_m, heading_rad, between which nothing moves more than `step_m`.

    Nothing that is no further than `reach_m` off the turning centre.
    """
    step = np.diff(poses, axis=0)
    moved_m = np.hypot(step[:, 1], step[:, 2]) + np.abs(step[:, 3]) * reach_m
    parts = np.maximum(1, np.ceil(moved_m / step_m)).astype(int)
    owner = np.repeat(np.arange(len(step)), parts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    share = ((place + 0.5) / parts[owner])[:, None]
    samples = np.asarray(poses[:-1][owner] + share * step[owner])
    samples[:, 0] = (step[:, 0] / parts)[owner]
    return samples


def spread(light: Picture, radius_px: float, optics: Optics) -> Picture:
    """Spread splatted light (rows, cols) by the LEDs' discs, the lens and its bloom."""
    variance = optics.core_sigma_px**2 + _PIXEL_VARIANCE - _SPLAT_VARIANCE
    core = cv2.filter2D(light, cv2.CV_32F, _core_kernel(radius_px, variance), borderType=cv2.BORDER_CONSTANT)
    if optics.halo_energy == 0:
        return np.asarray(core, dtype=np.float32)
    shrink = max(1, int(optics.halo_scale_px / 4))
    small_size = (-(-light.shape[1] // shrink), -(-light.shape[0] // shrink))
    small = cv2.resize(light, small_size, interpolation=cv2.INTER_AREA)
    halo = fftconvolve(small, _halo_kernel(optics.halo_scale_px / shrink), mode="same").astype(np.float32)
    halo = cv2.resize(halo, light.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray((1 - optics.halo_energy) * core + optics.halo_energy * halo, dtype=np.float32)


def _collect(poses: FloatArray, bar: Bar, strengths: FloatArray, camera: Camera, step_m: float) -> Picture:
    """Return the seconds (rows, cols) that LEDs were seen in each pixel, weighed by their strength."""
    cols, rows = camera.lens.image_size
    total = np.zeros(rows * cols)
    fine = refined(poses, float(np.hypot(bar.forward_m, bar.lit_length_m / 2)), step_m)
    places = led_places(bar)
    per_chunk = max(1, _CHUNK // len(places))
    for first in range(0, len(fine), per_chunk):
        part = fine[first : first + per_chunk]
        points = _led_points(part, bar, places)
        seconds = (part[:, :1] * strengths).ravel()
        depth = points @ camera.rotation[2] + camera.translation_m[2]
        # A lamp's picture shrinks with its depth, its seconds per pixel of track grow: here only area counts.
        seconds *= (depth_m(camera, bar.height_m) / depth) ** 2
        total += _splat(camera.project(points), seconds, rows, cols)
    return total.reshape(rows, cols).astype(np.float32)


def _led_points(samples: FloatArray, bar: Bar, places_m: FloatArray) -> FloatArray:
    """Return the room points (M · LEDs, 3) of all LEDs at all samples."""
    cos, sin = np.cos(samples[:, 3:]), np.sin(samples[:, 3:])
    x_m = samples[:, 1:2] + bar.forward_m * cos - places_m * sin
    y_m = samples[:, 2:3] + bar.forward_m * sin + places_m * cos
    return np.stack([x_m, y_m, np.full_like(x_m, bar.height_m)], axis=-1).reshape(-1, 3)


def _splat(pixels: FloatArray, weights: FloatArray, rows: int, cols: int) -> FloatArray:
    """Share each sample among 3 × 3 pixels by a quadratic B-spline, which keeps place and width exact."""
    nearest = np.rint(pixels).astype(np.int64)
    inside = (nearest >= 1).all(axis=1) & (nearest[:, 0] < cols - 1) & (nearest[:, 1] < rows - 1)
    nearest, weights = nearest[inside], weights[inside]
    off = pixels[inside] - nearest
    shares = (0.5 * (0.5 - off) ** 2, 0.75 - off**2, 0.5 * (0.5 + off) ** 2)
    index = nearest[:, 1] * cols + nearest[:, 0]
    total = np.zeros(rows * cols)
    for down in (-1, 0, 1):
        row_weight = weights * shares[down + 1][:, 1]
        for right in (-1, 0, 1):
            total += np.bincount(
                index + (down * cols + right), row_weight * shares[right + 1][:, 0], minlength=rows * cols
            )
    return total


def _disc(radius_px: float, count: int = 61) -> FloatArray:
    """Return points (count, 2) spread evenly over a disc (sunflower)."""
    number = np.arange(count) + 0.5
    angle = number * np.pi * (3 - np.sqrt(5))
    away = radius_px * np.sqrt(number / count)
    return np.column_stack([away * np.cos(angle), away * np.sin(angle)])


def _core_kernel(radius_px: float, variance_px2: float) -> Picture:
    """Return the picture of one LED: a disc under a Gaussian, sum 1."""
    half = int(np.ceil(radius_px + 4 * np.sqrt(variance_px2)))
    axis = np.arange(-half, half + 1)
    points = _disc(radius_px)
    across = np.exp(-((axis - points[:, :1]) ** 2) / (2 * variance_px2))
    down = np.exp(-((axis - points[:, 1:]) ** 2) / (2 * variance_px2))
    kernel = down.T @ across
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _halo_kernel(scale_px: float) -> FloatArray:
    half = int(np.ceil(8 * scale_px))
    axis = np.arange(-half, half + 1)
    kernel = np.exp(-np.hypot(axis[:, None], axis) / scale_px)
    return np.asarray(kernel / kernel.sum())


def _pass_peak(places_px: FloatArray, radius_px: float, optics: Optics) -> float:
    """Return the peak light per unit of (seconds per pixel) across a straight pass of the whole bar."""
    variance = optics.core_sigma_px**2 + _PIXEL_VARIANCE
    across = np.arange(places_px[0] - 3, places_px[-1] + 3, 0.05)
    line = np.zeros_like(across)
    for offset in _disc(radius_px)[:, 0]:
        line += np.exp(-((across[:, None] - places_px - offset) ** 2) / (2 * variance)).sum(axis=1)
    line /= len(_disc(radius_px)) * np.sqrt(2 * np.pi * variance)
    return float(line.max() * (1 - optics.halo_energy))
