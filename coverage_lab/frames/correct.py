"""Take off what the camera and the room add to every exposure: dark signal, stray room light, hot pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Light = NDArray[np.uint16]

HOT_LIGHT = 650  # of 65535: a dark frame's pixel that stands out by one percent of full scale is hot


def corrected(light: Light, *, dark: Light | None, ambient: Light | None) -> Light:
    """Return the exposure's light less the ambient frame (which holds the dark signal too), else the dark frame.

    light, dark, ambient : (H, W) linear light of one camera at the same settings. Pixels that are hot in the dark
    frame take the median of their neighbours. Light never falls below 0.
    """
    base = ambient if ambient is not None else dark
    if base is not None:
        light = np.asarray(cv2.subtract(light, base))
    return light if dark is None else _without_hot(light, dark)


def _without_hot(light: Light, dark: Light) -> Light:
    row, col = np.nonzero(dark > int(np.median(dark)) + HOT_LIGHT)
    if len(row) == 0:
        return light
    height, width = light.shape
    around = [(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1) if (down, right) != (0, 0)]
    neighbours = [light[(row + down).clip(0, height - 1), (col + right).clip(0, width - 1)] for down, right in around]
    mended = light.copy()
    mended[row, col] = np.median(neighbours, axis=0)
    return mended
