"""Text in pictures: cleaned, measured, shortened or wrapped to the room it has, and written crisply.

The face is the variable sans that OpenCV 5 carries inside the library: no font file to find, figures of one
width, a slashed zero, Latin with all its accents, and a fallback for far-eastern names.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import cache
from threading import Lock
from typing import Literal

import cv2

from coverage_lab.show.palette import INK, SOFT, Colour, Picture

Align = Literal["left", "right", "centre"]
_FACE_LOCK = Lock()  # the face caches glyphs inside and is shared by all threads


@dataclass(frozen=True, slots=True)
class Style:
    """Size (height of a line of type, px), weight (400 regular, 600 semibold) and colour."""

    size_px: int
    weight: int = 400
    colour: Colour = INK


BODY = Style(15)
LABEL = Style(15, colour=SOFT)
SMALL = Style(13, colour=SOFT)
HEADING = Style(14, 600)


@cache
def _face() -> cv2.FontFace:
    return cv2.FontFace("sans")


def clean(text: str) -> str:
    """Return `text` as one printable line: composed accents, no control characters, no broken surrogates."""
    composed = unicodedata.normalize("NFC", text.encode("utf-8", "replace").decode("utf-8"))
    printable = "".join(c if unicodedata.category(c)[0] != "C" else " " for c in composed)
    return " ".join(printable.split())


def width_px(text: str, style: Style) -> int:
    """Return how wide `text` will be."""
    with _FACE_LOCK:
        box = cv2.getTextSize((1 << 15, 1 << 15), clean(text), (0, 0), _face(), style.size_px, style.weight)
    return int(box[2])


def fit(text: str, style: Style, room_px: int) -> str:
    """Return `text`, closed with an ellipsis where it is wider than `room_px`; "" where nothing fits."""
    text = clean(text)
    if width_px(text, style) <= room_px:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width_px(text[:middle].rstrip() + "…", style) <= room_px:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…" if low else ""


def wrap(text: str, style: Style, room_px: int, most_lines: int = 12) -> list[str]:
    """Return `text` broken at spaces into lines no wider than `room_px`; a longer word or rest is cut."""
    lines: list[str] = []
    line = ""
    for word in clean(text).split():
        longer = f"{line} {word}".strip()
        if line and width_px(longer, style) > room_px:
            lines.append(line)
            line = word
        else:
            line = longer
    lines.append(line)
    if len(lines) > most_lines:
        lines = [*lines[: most_lines - 1], " ".join(lines[most_lines - 1 :])]
    return [fit(line, style, room_px) for line in lines]


def write(
    picture: Picture,
    text: str,
    at: tuple[int, int],
    style: Style,
    align: Align = "left",
    room_px: int | None = None,
) -> int:
    """Write one line with its baseline at `at` (column, row), cut to `room_px`; return its width in pixels."""
    text = clean(text) if room_px is None else fit(text, style, room_px)
    if not text:
        return 0
    wide = width_px(text, style)
    left = at[0] - {"left": 0, "right": wide, "centre": wide // 2}[align]
    with _FACE_LOCK:
        cv2.putText(picture, text, (left, at[1]), style.colour, _face(), style.size_px, style.weight)
    return wide
