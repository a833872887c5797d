"""Measure the hair in two photographs of a test bed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.errors import Refused
from coverage_lab.files.hair import hair_bytes
from coverage_lab.frames.read import read_frame
from coverage_lab.pickup.hair import Hair, measure_hair
from coverage_lab.pickup.register import laid, register
from coverage_lab.show.hair_overlay import hair_overlay
from coverage_lab.show.overlay import encode_png

_LONGEST_SIDE_PX = 2400  # finer pictures are made smaller: hair needs two pixels


def hair_files(before: Path, after: Path, out: Path) -> tuple[Hair, dict[Path, bytes]]:
    """Return what two pictures say, and the files to write: numbers and overlay, named after `after`.

    Raises UnreadableFrame for a picture that cannot be decoded whole, and Refused where the pair tells nothing.
    """
    first, second = (_sized(read_frame(path).light) for path in (before, after))
    names = (before.name, after.name)
    try:
        how = register(first, second)
        moved, inside = laid(second, how.matrix, first.shape)
        found = measure_hair(first, moved, inside)
    except Refused as error:
        raise Refused([replace(problem, path=after) for problem in error.problems]) from None
    drawn = encode_png(hair_overlay((first, moved), inside, found, how, names))
    stem = out / f"{after.stem}-hair"
    return found, {stem.with_suffix(".png"): drawn, stem.with_suffix(".json"): hair_bytes(found, how, names)}


def _sized(light: NDArray[np.uint16]) -> NDArray[np.uint16]:
    shrink = _LONGEST_SIDE_PX / max(light.shape)
    if shrink >= 1:
        return light
    return np.asarray(cv2.resize(light, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint16)
