"""Which cells lie near others: for reaches of many cells much faster than spreading a disc."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def within(mask: NDArray[np.uint8], reach_cells: float) -> NDArray[np.bool_]:
    """Say which cells' centres lie at most `reach_cells` from that of a cell with `mask` (rows, cols) above 0."""
    near = np.zeros(mask.shape, bool)
    col, row, wide, high = cv2.boundingRect(mask)
    if wide == 0:
        return near
    margin = int(reach_cells) + 1
    window = np.s_[max(row - margin, 0) : row + high + margin, max(col - margin, 0) : col + wide + margin]
    distance = cv2.distanceTransform((mask[window] == 0).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    near[window] = distance <= reach_cells
    return near
