"""Where a robot stood still: the light of thousands of passes in one spot, whose halo passes for trail.

No pass burns the floor along walls and furniture that no nozzle reaches, unless the whole picture is burnt. A bar that
stands for minutes does: the lens spreads some of its light over decimetres.
"""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area
from coverage_lab.trails.sweep import BELOW_CLIP, SweptFloor, unreached_floor

EVERY = 4  # rows and columns: a halo is larger than that
JOINED_M = 0.016  # burnt cells so near each other belong to one spot
LEAST_BURNT_M2 = 0.003  # of one spot: 0 on good frames
MOSTLY = 0.5  # of all burnt floor out of reach lies in that spot: more spots are too much light everywhere


def dwell_halo(
    light: NDArray[np.float32], swept: SweptFloor, plan: FloorPlan, nozzle_m: float, clip: float
) -> Area | None:
    """Return the floor (metres) on which the halo of a robot that stood still hides what is trail; None without halo.

    light : (rows, cols) in plan view; `clip` as in `sweep`. What is trail there cannot be told, so that all floor is
    unknown, swept or not, as far from the spot as floor out of reach looks like trail, and half a nozzle beyond.
    """
    thin = (slice(None, None, EVERY), slice(None, None, EVERY))
    trail_light, unreached = swept.trail_light[thin], unreached_floor(plan)[thin]
    cell_m = plan.grid.cell_m * EVERY
    burnt = unreached & (light[thin] >= BELOW_CLIP * clip)
    spot = _largest(burnt, burnt, cell_m)
    spot_m2 = np.count_nonzero(spot) * cell_m**2
    if spot_m2 < LEAST_BURNT_M2 or np.count_nonzero(spot) < MOSTLY * np.count_nonzero(burnt):
        return None
    like_trail = unreached & (trail_light >= (swept.level.low / 255) ** 2)
    centre = np.argwhere(spot).mean(axis=0)
    reach = np.linalg.norm(np.argwhere(_largest(like_trail, spot, cell_m)) - centre, axis=1).max()
    middle = shapely.Point(plan.grid.to_floor(EVERY * centre))
    return middle.buffer(float(reach) * cell_m + nozzle_m / 2)


def _largest(cells: NDArray[np.bool_], counted: NDArray[np.bool_], cell_m: float) -> NDArray[np.bool_]:
    """Cells of that group of neighbouring `cells`, both (rows, cols), which holds most of the `counted` ones."""
    side = 2 * round(JOINED_M / cell_m / 2) + 1
    joined = cv2.dilate(cells.astype(np.uint8), np.ones((side, side), np.uint8))
    count, label = cv2.connectedComponents(joined)
    held = np.bincount(label[counted], minlength=count)
    return np.asarray(cells & (label == held.argmax())) if held.any() else np.zeros_like(cells)
