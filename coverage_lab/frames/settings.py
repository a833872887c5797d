"""Were a run's frame and the dark or ambient frame that is taken off it shot with the same settings."""

from __future__ import annotations

from collections.abc import Iterator

from coverage_lab.frames.read import Frame
from coverage_lab.job import Quality

_SAME = 0.1  # two exposure times or sensitivities that are nearer than this are marked differently at the most


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
