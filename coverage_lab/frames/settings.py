"""Were a run's frame and the dark or ambient frame that is taken off it shot with the same settings.

By what EXIF says, and by the light: whatever a camera adds and whatever leaks into the room is in the exposure too.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.frames.light import FULL_LIGHT
from coverage_lab.frames.read import Frame
from coverage_lab.job import Quality

_SAME = 0.1  # two exposure times or sensitivities that are nearer than this are marked differently at the most
_EVERY, _BLOCK = 4, 64  # pixels: those that are looked at, and the side of what noise is averaged over
_BRIGHTER, _STEP = 1.1, 0.0005 * FULL_LIGHT  # times and more: 1.5 steps of a JPEG's blacks
_SOME, _MOST = 0.02, 0.5  # share of the picture
_BRIGHT_PERCENTILE, _MUCH = 90.0, 0.05  # what stands for the trail, and the share of it that may be taken off too


def other_settings(frame: Frame, taken_off: Frame | None) -> Iterator[Quality]:
    """Yield a warning if EXIF says that `taken_off` has another exposure time or sensitivity than `frame`."""
    if taken_off is None or taken_off.exif is None or frame.exif is None:
        return
    pairs = (
        ("exposure", frame.exif.exposure_s, taken_off.exif.exposure_s, " s"),
        ("ISO", frame.exif.iso, taken_off.exif.iso, ""),
    )
    apart = [
        f"{what} {theirs:g}{unit} instead of {ours:g}{unit}"
        for what, ours, theirs, unit in pairs
        if ours is not None and theirs is not None and abs(theirs - ours) > _SAME * ours
    ]
    if apart:
        text = (
            f"{taken_off.path.name} was shot with other settings than {frame.path.name}: {', '.join(apart)}; what it "
            "takes off is not what the sensor added. Shoot it again with the settings of the exposure"
        )
        yield Quality("dark-mismatch", "warning", text)


def brighter(frame: Frame, taken_off: Frame | None) -> Iterator[Quality]:
    """Yield a remark if `taken_off` is brighter than `frame` on some of the picture.

    It refuses if that is most of the picture, or much against the bright places of `frame`. Both have one size.
    """
    if taken_off is None:
        return
    ours, theirs = _blocks(frame.light), _blocks(taken_off.light)
    over = theirs > _BRIGHTER * ours + _STEP
    share = float(np.mean(over))
    if share > _SOME:
        text = (
            f"{taken_off.path.name} is brighter than {frame.path.name} on {100 * share:.0f} % of the picture, so that "
            "light of the trail is taken off too. Shoot it again with the settings of the exposure, the room as dark"
        )
        too_much = np.percentile((theirs - ours)[over], _BRIGHT_PERCENTILE)
        much = share > _MOST or too_much > _MUCH * np.percentile(ours, _BRIGHT_PERCENTILE)
        yield Quality("dark-mismatch", "refused" if much else "warning", text)


def _blocks(light: NDArray[np.uint16]) -> NDArray[np.float32]:
    """Return the mean light of each block of the picture."""
    thin = np.ascontiguousarray(light[::_EVERY, ::_EVERY])
    size = tuple(max(side * _EVERY // _BLOCK, 1) for side in thin.shape[::-1])
    return np.asarray(cv2.resize(thin, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
