"""Raw files of a camera that does not exist, made tag by tag."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import tifffile

BLACK, WHITE = 512, 16383


def write_dng(path: Path, mosaic, *, orientation: int = 1, taken: str = "2031:02:11 21:14:05", exposure_s: int = 30):
    """Store a mosaic (H, W) of 14 bit, red first, green beside and below it, as an uncompressed DNG.

    Tags: Adobe DNG Specification 1.4, TIFF/EP (ISO 12234-2) for the colour filter's pattern.
    """
    one = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)  # the unit matrix, in fractions
    tags = [
        (274, "H", 1, orientation, True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, bytes([0, 1, 1, 2]), True),
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),
        (50708, "s", 0, "Simulated camera", True),
        (50714, "H", 1, BLACK, True),
        (50717, "H", 1, WHITE, True),
        (50721, "2i", 9, one, True),
        (50728, "2I", 3, (1, 1, 1, 1, 1, 1), True),
        (50778, "H", 1, 21, True),
        (0x829A, "2I", 1, (exposure_s, 1), True),
        (0x8827, "H", 1, 200, True),
        (0x9003, "s", 0, taken, True),
    ]
    tifffile.imwrite(path, np.asarray(mosaic, np.uint16), photometric="cfa", extratags=tags, metadata=None)
    return path
