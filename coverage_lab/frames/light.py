"""From the codes of an 8-bit picture to linear light."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

FULL_LIGHT = 65535  # the light of full scale

# A picture's brightest codes are not all 255 where the sensor was full: JPEG's rounding rings by a few codes.
# From this code on, a pixel counts as saturated.
_CLIP_CODE = 250


@cache
def srgb_to_light() -> NDArray[np.uint16]:
    """Return the light, 0 to 65535, of each of the 256 codes of an sRGB picture.

    Source: IEC 61966-2-1, 5.2 (inverse of the transfer function).
    """
    code = np.arange(256) / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    table: NDArray[np.uint16] = np.rint(light * FULL_LIGHT).astype(np.uint16)
    table.flags.writeable = False
    return table


def clip_light(depth: np.dtype[np.uint8] | np.dtype[np.uint16]) -> int:
    """Return the light at or above which a pixel of a picture of this depth counts as saturated."""
    if depth == np.uint8:
        return int(srgb_to_light()[_CLIP_CODE])
    return int(FULL_LIGHT * 0.98)
