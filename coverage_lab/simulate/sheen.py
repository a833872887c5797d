"""What decoys throw back of the light of a bar that passes beside them.

In the picture an LED is a point of light on the floor plan; a small surface of reflectance ρ at the distance r from it
is lit by E = I cos θ / r² and shines with ρ E / π. So a decoy's sheen is the trail's own light, gathered over the
floor around it with the weight cos θ / (π r²), times what an LED that looks up sends sideways.
"""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from coverage_lab.simulate.cameras import pixels_of
from coverage_lab.simulate.scene import Scene

Picture = NDArray[np.float32]

_SIDEWAYS = 0.3  # of the light along the LED's axis
_REACH_M = 0.5
_DROP_M = 0.05  # height of the lamps above the middle of a decoy
_SHRINK = 4
_SHIFT = 4  # binary places of a pixel in OpenCV's drawing


def sheen(light: Picture, scene: Scene) -> Picture:
    """Return the light (rows, cols) that decoys of reflectance 1 would throw back of a trail's `light`."""
    shown = _decoys_seen(scene)
    if not shown.any():
        return np.zeros_like(light)
    pixel_m = float(scene.camera.centre_m[2] / scene.camera.lens.matrix[0, 0]) * _SHRINK
    size = (-(-light.shape[1] // _SHRINK), -(-light.shape[0] // _SHRINK))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    half = int(_REACH_M / pixel_m)
    axis_m = pixel_m * np.arange(-half, half + 1)
    squared = axis_m[:, None] ** 2 + axis_m**2 + _DROP_M**2
    # On average over sides and top the light comes in at 45 degrees.
    weight = np.sqrt(0.5) * _SIDEWAYS * pixel_m**2 / (np.pi * squared)
    gathered = fftconvolve(small, weight, mode="same").astype(np.float32)
    lit = cv2.resize(gathered, light.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.maximum(lit, 0) * shown, dtype=np.float32)


def _decoys_seen(scene: Scene) -> Picture:
    """Return the share of each pixel (rows, cols) that shows a decoy, its sides and its top."""
    mask = np.zeros(scene.floor.shape, np.uint8)
    for decoy in scene.room.decoys:
        for part in shapely.get_parts(decoy.footprint):
            ring = shapely.get_coordinates(part.exterior)
            low, high = (pixels_of(scene.camera, ring, height_m) for height_m in (0.0, decoy.height_m))
            sides = [np.array([low[k], low[k + 1], high[k + 1], high[k]]) for k in range(len(low) - 1)]
            for face in (low, high, *sides):
                fixed = np.rint(face * (1 << _SHIFT)).astype(np.int32)
                cv2.fillPoly(mask, [fixed], (255,), cv2.LINE_AA, _SHIFT)
    return np.asarray(mask / np.float32(255), dtype=np.float32)
