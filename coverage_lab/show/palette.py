"""The few colours of our pictures, and the tint and hatch that tell one kind of floor from another.

Every kind of floor differs from every other in lightness or in hatch, not in hue alone, so that the picture
reads the same to a colour-blind reviewer and in a grey copy. Colours are (red, green, blue), 0-255.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]
Hatch = Literal["plain", "rising", "falling", "dots", "grid", "level", "crosses"]

PAPER: Colour = (250, 249, 246)
INK: Colour = (27, 33, 38)
SOFT: Colour = (104, 110, 115)
RULE: Colour = (216, 213, 206)
ALARM: Colour = (168, 32, 32)
CAUTION: Colour = (186, 92, 10)

TILE_PX = 12  # side of the square that a hatch repeats


@dataclass(frozen=True, slots=True)
class Finish:
    """How one kind of floor looks: a tint from unlit to fully lit, and a hatch."""

    label: str
    unlit: Colour
    lit: Colour
    hatch: Hatch = "plain"
    hatch_strength: float = 0.0  # 0 = invisible; above 0 its lines are darker, below 0 lighter


OUTSIDE = Finish("outside the floor", (38, 41, 44), (148, 149, 148))
BARE = Finish("free floor", (12, 15, 18), (246, 246, 242))
SWEPT = Finish("swept", (12, 62, 92), (190, 226, 240))
BRIDGED = Finish("passed between two frames", (58, 150, 150), (200, 240, 232), "level", -0.45)
SMEARED = Finish("swept after touching a decoy", (88, 22, 70), (238, 186, 222), "falling", 0.30)
MISSED = Finish("missed", (240, 140, 48), (255, 226, 176), "rising", 0.42)
FRINGE = Finish("fringe, out of reach", (112, 104, 92), (206, 198, 182), "dots", -0.55)
HIDDEN = Finish("hidden from the camera", (70, 56, 88), (120, 104, 140), "grid", -0.40)
UNKNOWN = Finish("light too strong to judge", (214, 178, 198), (244, 226, 236), "crosses", 0.62)
OBSTACLE = Finish("obstacle", (226, 222, 212), (255, 254, 250), "falling", 0.16)
DECOY = Finish("decoy", (250, 249, 246), (255, 255, 255), "level", 0.30)


def tint(finish: Finish, tone: Picture) -> Picture:
    """Return `tone` (rows, cols), 0 = unlit to 255 = fully lit, in this finish: (rows, cols, 3)."""
    steps = np.linspace(0, 1, 256)[:, None]
    table = np.asarray(finish.unlit) * (1 - steps) + np.asarray(finish.lit) * steps
    picture = cv2.LUT(cv2.merge([tone, tone, tone]), np.rint(table).astype(np.uint8)[None])
    if finish.hatch == "plain":
        return np.asarray(picture, np.uint8)
    return _hatched(np.asarray(picture, np.uint8), finish)


def _hatched(picture: Picture, finish: Finish) -> Picture:
    """Draw the finish's hatch over a tinted picture."""
    rows, cols = picture.shape[:2]
    line = np.tile(_tile(finish.hatch), (rows // TILE_PX + 1, cols // TILE_PX + 1))[:rows, :cols]
    if finish.hatch_strength > 0:
        kept = np.rint(255 * (1 - finish.hatch_strength * line)).astype(np.uint8)
        return np.asarray(cv2.multiply(picture, cv2.merge([kept, kept, kept]), scale=1 / 255), np.uint8)
    added = np.rint(-160 * finish.hatch_strength * line).astype(np.uint8)
    return np.asarray(cv2.add(picture, cv2.merge([added, added, added])), np.uint8)


def _tile(hatch: Hatch) -> NDArray[np.float32]:
    """Return one tile of a hatch, (TILE_PX, TILE_PX), 1 = on the line, with softened sides."""
    row, col = np.mgrid[:TILE_PX, :TILE_PX].astype(np.float64)
    rising, falling = (row + col) / np.sqrt(2), (row - col) / np.sqrt(2)
    diagonal = TILE_PX / np.sqrt(2)
    lines = {
        "rising": _stripes(rising, diagonal, 0.9),
        "falling": _stripes(falling, diagonal, 0.6),
        "grid": np.maximum(_stripes(rising, diagonal, 0.4), _stripes(falling, diagonal, 0.4)),
        "level": _stripes(row, TILE_PX / 2, 0.6),
        "crosses": _crosses(row - 5.5, col - 5.5),
        "dots": np.clip(1.6 - np.hypot(row % 6 - 2.5, col % 6 - 2.5), 0, 1),
    }
    return np.asarray(lines[hatch], np.float32)


def _crosses(down_px: NDArray[np.float64], right_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1 on an upright cross, by the distance from its middle."""
    near, far = np.minimum(np.abs(down_px), np.abs(right_px)), np.maximum(np.abs(down_px), np.abs(right_px))
    return np.asarray(np.clip(1.5 - near, 0, 1) * np.clip(4.5 - far, 0, 1))


def _stripes(across_px: NDArray[np.float64], every_px: float, half_width_px: float) -> NDArray[np.float64]:
    """Return 1 on parallel lines, 0 between them, by the distance across them."""
    off = np.abs((across_px + every_px / 2) % every_px - every_px / 2)
    return np.asarray(np.clip(half_width_px + 0.5 - off, 0, 1))
