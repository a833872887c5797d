"""Where tags may stand on the drawn plan, so that none covers another or what it speaks of."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from coverage_lab.show.palette import Picture

TAG_PX = 18  # height of a tag
TURNS = np.deg2rad(np.arange(0, 360, 30) - 30)

Box = tuple[int, int, int, int]  # left, top, right, bottom


class Board:
    """Which pixels of the plan are taken by tags and by what no tag may cover."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._taken = np.zeros(shape[:2], bool)

    def free(self, box: Box) -> bool:
        """Say whether a box lies inside the picture and covers nothing."""
        left, top, right, bottom = box
        rows, cols = self._taken.shape
        inside = left >= 1 and top >= 1 and right < cols and bottom < rows
        return bool(inside and not self._taken[top:bottom, left:right].any())

    def take(self, box: Box) -> None:
        """Keep later tags off a box."""
        left, top, right, bottom = (max(edge, 0) for edge in box)
        self._taken[top:bottom, left:right] = True

    def take_mask(self, mask: Picture) -> None:
        """Keep later tags off what is not 0 in a mask (rows, cols)."""
        self._taken |= mask > 0

    def centred(self, at_px: NDArray[np.float64], wide: int) -> Box | None:
        """Return the box of a tag in the middle of a point, or None where it is not free."""
        left, top = round(at_px[0] - wide / 2), round(at_px[1] - TAG_PX / 2)
        box = left, top, left + wide, top + TAG_PX
        return box if self.free(box) else None

    def place(self, at_px: NDArray[np.float64], wide: int, reaches: Iterable[float], round_px: float) -> Box | None:
        """Return the nearest free box of a tag beside a thing of radius `round_px` around a point, or None."""
        for reach in reaches:
            for turn in TURNS:
                toward = np.array([np.cos(turn), -np.sin(turn)]).round(9)
                half = np.array([wide, TAG_PX]) / 2
                box = self.centred(at_px + toward * (reach + round_px) + np.sign(toward) * half, wide)
                if box:
                    return box
        return None
