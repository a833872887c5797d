"""From a reference frame to the camera: markers found, camera fitted, and errors that name the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.fit import FittedCamera, fit_camera
from coverage_lab.camera.markers import find_markers, known_dictionaries
from coverage_lab.camera.model import Lens
from coverage_lab.errors import Refused
from coverage_lab.job import CameraSetup
from coverage_lab.room.room import Marker


def locate_camera(
    path: Path,
    light: NDArray[np.uint16],
    markers: Sequence[Marker],
    setup: CameraSetup,
    *,
    lens: Lens | None = None,
    focal_px_prior: tuple[float, float] | None = None,
) -> FittedCamera:
    """Fit the camera to the markers in the reference frame `path`, whose linear light (H, W) is given.

    Raises what `find_markers` and `fit_camera` raise; a refusal names the file and, where the frame shows
    markers of another dictionary than the room file's, that dictionary.
    """
    dictionaries = {marker.dictionary for marker in markers}
    found = find_markers(light, dictionaries)
    height, width = light.shape
    try:
        return fit_camera(
            found,
            markers,
            (width, height),
            lens=lens,
            focal_px_prior=focal_px_prior,
            height_m=setup.height_m,
            height_tolerance_m=setup.height_tolerance_m,
            corners=setup.corners,
        )
    except Refused as refusal:
        problems = [replace(problem, path=path) for problem in refusal.problems]
        other = _other_dictionary(light, dictionaries) if refusal.code == "marker-missing" else None
        if other is not None:
            wrong = f"{problems[0].wrong}; the frame shows markers of {other}"
            problems[0] = replace(problems[0], wrong=wrong, mend=f"Check the room file's dictionary ({other}?)")
        raise Refused(problems, refusal.code) from None


def _other_dictionary(light: NDArray[np.uint16], wanted: set[str]) -> str | None:
    """Return the dictionary, not among those wanted, of which the frame shows most markers, at least two."""
    counts = {name: len(find_markers(light, [name])) for name in known_dictionaries() if name not in wanted}
    # Of dictionaries that contain each other, such as aruco_4x4_50 and aruco_4x4_100, the smallest wins.
    best = max(sorted(counts, key=lambda name: (len(name), name)), key=lambda name: counts[name])
    return best if counts[best] >= 2 else None
