"""A run's floor in small: what was swept, missed, hidden; to be told at a glance among hundreds."""

from __future__ import annotations

import cv2
import numpy as np

from coverage_lab.show.palette import FRINGE, HIDDEN, MISSED, OBSTACLE, PAPER, SWEPT, Colour, Finish, Picture
from coverage_lab.show.report.values import SmallPlan

WIDE_PX = 260
_TONE = 0.62  # from a finish's unlit colour to its lit one


def thumbnail(plan: SmallPlan) -> bytes:
    """Return the floor as a small PNG, north up."""
    rows, cols = plan.swept.shape
    size = (WIDE_PX, max(1, round(WIDE_PX * rows / cols)))
    shares = [
        (OBSTACLE, np.ones_like(plan.free)),
        (FRINGE, plan.free),
        (MISSED, np.minimum(plan.reachable, plan.free)),
        (SWEPT, np.minimum(plan.swept, plan.free)),
        (HIDDEN, plan.hidden),
    ]
    picture = np.full((size[1], size[0], 3), PAPER, np.float32)
    for finish, share in shares:
        weight = cv2.resize(np.ascontiguousarray(share, np.float32), size, interpolation=cv2.INTER_AREA)[..., None]
        picture += (np.array(_colour(finish), np.float32) - picture) * weight
    return _png(np.rint(picture).astype(np.uint8))


def _colour(finish: Finish) -> Colour:
    mixed = [round(dark + _TONE * (light - dark)) for dark, light in zip(finish.unlit, finish.lit, strict=True)]
    return mixed[0], mixed[1], mixed[2]


def _png(picture: Picture) -> bytes:
    # Few shades make small files: a season's page holds a thousand of these.
    coarse = (picture // 12 * 12 + 6).astype(np.uint8)
    _, data = cv2.imencode(".png", cv2.cvtColor(coarse, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 9])
    return data.tobytes()
