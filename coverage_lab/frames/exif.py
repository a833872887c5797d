"""What a camera wrote about a picture: when, how long, through which lens, and which camera it was.

Tag numbers: CIPA DC-008-2023 (Exif 3.0), 4.6.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Exif:
    """What the camera wrote about the picture; None where it wrote nothing."""

    exposure_s: float | None
    focal_length_mm: float | None
    focal_length_35mm: float | None
    taken: str | None  # "YYYY:MM:DD HH:MM:SS", then ".fraction" and "+HH:MM" where the camera gives them
    camera: str | None = None  # make, model and serial number, as far as given
    iso: float | None = None


def exif_of(header: Any) -> Exif | None:
    """Return the few EXIF values in use of a picture that Pillow has opened; None if there are none, or damaged."""
    try:
        main = header.getexif()
        tags: Mapping[int, Any] = {**main, **main.get_ifd(0x8769)}
    except (SyntaxError, OSError, ValueError, KeyError, struct.error, TypeError):
        return None  # damaged EXIF says nothing; the pixels are sound
    if not tags:
        return None
    return Exif(
        exposure_s=_positive(tags.get(0x829A)),
        focal_length_mm=_positive(tags.get(0x920A)),
        focal_length_35mm=_positive(tags.get(0xA405)),
        taken=_taken(tags),
        camera=" ".join(filter(None, (_text(tags.get(tag)) for tag in (0x010F, 0x0110, 0xA431)))) or None,
        iso=_positive(tags.get(0x8827)),
    )


def _positive(value: Any) -> float | None:
    try:
        number = float(value[0] if isinstance(value, tuple) and value else value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < float("inf") else None


def _text(value: Any) -> str:
    return str(value or "").strip("\x00 ")


def _taken(tags: Mapping[int, Any]) -> str | None:
    moment = _text(tags.get(0x9003))
    if not moment:
        return None
    fraction = _text(tags.get(0x9291))
    return moment + (f".{fraction}" if fraction.isdigit() else "") + _text(tags.get(0x9011))
