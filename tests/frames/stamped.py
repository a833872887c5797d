"""Frames with EXIF stamps and no picture worth the name, to try the clock on."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from coverage_lab.frames.exif import Exif
from coverage_lab.frames.stamps import Stamp

BEGAN = datetime(2031, 2, 11, 21, 14, 5)


def taken(moment: datetime, digits: int = 0, offset: str = "") -> str:
    """EXIF's date of a moment, cut off (not rounded) to `digits` of a second."""
    fraction = f".{moment.microsecond:06d}"[: digits + 1] if digits else ""
    return moment.strftime("%Y:%m:%d %H:%M:%S") + fraction + offset


def stamp(name: str, written: str | None, *, exposure_s: float | None = 8.0, camera: str = "Finch 1") -> Stamp:
    return Stamp(Path(name), Exif(exposure_s, None, None, written, camera))


def series(start_s, *, exposure_s: float | None = 8.0, digits: int = 0, first: int = 101, **more) -> list[Stamp]:
    """Frames that began at `start_s` seconds after BEGAN, named as a camera counts."""
    return [
        stamp(
            f"DSC_{first + at:04d}.jpg",
            taken(BEGAN + timedelta(seconds=float(s)), digits),
            exposure_s=exposure_s,
            **more,
        )
        for at, s in enumerate(start_s)
    ]


def write_frame(path: Path, written: str | None, *, exposure_s: float = 8.0, seed: int = 0) -> Path:
    """Store a small JPEG with EXIF; `seed` makes its content its own."""
    picture = Image.fromarray(np.random.default_rng(seed).integers(0, 255, (24, 32), np.uint8))
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    if written is not None:
        date, _, fraction = written.partition(".")
        inner[0x9003] = date
        if fraction:
            inner[0x9291] = fraction
    inner[0x829A] = exposure_s
    path.parent.mkdir(parents=True, exist_ok=True)
    picture.save(path, exif=exif)
    return path
