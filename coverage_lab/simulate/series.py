"""A run shot as consecutive short exposures, and the times that are true of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coverage_lab.errors import BadInput, Problem
from coverage_lab.job import Bar
from coverage_lab.simulate.exposure import Exposure, expose, light_up
from coverage_lab.simulate.growth import between
from coverage_lab.simulate.scene import Scene
from coverage_lab.simulate.sensor import write_picture

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shutter:
    """How a run is cut into frames: `frames` exposures of one length, closed for `gap_s` between two."""

    frames: int
    gap_s: float = 0.0

    def times(self, duration_s: float) -> FloatArray:
        """Return start and end of each exposure, (frames, 2), seconds from the run's start; the last ends with it.

        Raises BadInput if the gaps leave no time for exposures.
        """
        exposure_s = (duration_s - (self.frames - 1) * self.gap_s) / self.frames
        if exposure_s <= 0:
            wrong = f"{self.frames - 1} gaps do not fit into a run of {duration_s:.0f} s"
            raise BadInput(Problem(None, "--shutter-gap-s", wrong, "Make the gap shorter, or the frames fewer"))
        start_s = np.arange(self.frames) * (exposure_s + self.gap_s)
        return np.column_stack([start_s, start_s + exposure_s])


@dataclass(frozen=True, slots=True)
class Film:
    """How the frames of a series are exposed and stored."""

    exposure: Exposure
    shutter: Shutter
    ending: str = ".jpg"
    jpeg_quality: int = 90


def write_series(
    folder: Path,
    poses: FloatArray,
    bar: Bar,
    scene: Scene,
    film: Film,
    began: datetime,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Photograph a run frame by frame into `folder`; return what is true of their times.

    The run begins within the second after `began`. Stamps are whole seconds, cut off, as most cameras write them; the
    marked exposure time is the true one, to a tenth of a second.
    """
    folder.mkdir(parents=True, exist_ok=True)
    began += timedelta(milliseconds=int(rng.integers(0, 1000)))
    first_s = float(poses[0, 0])
    lit = light_up(poses, bar, scene, film.exposure, rng)
    frames = []
    for number, (start_s, end_s) in enumerate(film.shutter.times(float(poses[-1, 0]) - first_s).tolist()):
        part = between(poses, first_s + start_s, first_s + end_s)
        stamp = (began + timedelta(seconds=start_s)).strftime("%Y:%m:%d %H:%M:%S")
        marked_s, name = round(end_s - start_s, 1), f"{number + 1:04d}{film.ending}"
        codes = expose(part, bar, scene, film.exposure, rng, lit)
        write_picture(folder / name, codes, jpeg_quality=film.jpeg_quality, exif=_exif(stamp, marked_s))
        frames.append(
            {
                "index": number,
                "file": f"{folder.name}/{name}",
                "start_s": round(start_s, 4),
                "exposure_s": round(end_s - start_s, 4),
                "end_s": round(end_s, 4),
                "datetime_original": stamp,
                "exposure_time_s": marked_s,
            }
        )
    return {"start_local": began.isoformat(), "gap_between_frames_s": film.shutter.gap_s, "frames": frames}


def _exif(stamp: str, exposure_s: float) -> bytes:
    """Return the EXIF block of a frame: which camera, when it began, how long it was."""
    from PIL import Image

    exif = Image.Exif()
    exif[0x0110] = "Simulated camera"  # Model
    inner = exif.get_ifd(0x8769)
    inner[0x9003], inner[0x829A] = stamp, exposure_s  # DateTimeOriginal, ExposureTime
    return exif.tobytes().removeprefix(b"Exif\0\0")
