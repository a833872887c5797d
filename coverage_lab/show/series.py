"""All pictures of a run that was shot frame by frame, by the names that they are stored under."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from coverage_lab.show.film import gif_bytes, mp4_bytes
from coverage_lab.show.growth import draw_growth
from coverage_lab.show.intime import RunInTime
from coverage_lab.show.overlay import encode_png
from coverage_lab.show.palette import Picture
from coverage_lab.show.timelapse import HOLD_S, STEP_S, Timelapse

LARGEST_GIF = 8_000_000


@dataclass(frozen=True, slots=True)
class Drawn:
    """Pictures by the names that they are stored under, and why others could not be made."""

    pictures: Mapping[str, bytes]
    failed: Mapping[str, str] = field(default_factory=dict)


def draw_series(run: RunInTime) -> Drawn:
    """Return growth chart, film and poster of a run whose frames have times; all from what results keep.

    The MP4 is made by a program of its own, which may fail; nothing else waits for it. Raises ValueError for a run
    without frames or times.
    """
    film = Timelapse.of(run)
    pictures = list(film.pictures())
    drawn = {
        "growth.png": draw_growth(run.name, run.growth),
        "poster.png": encode_png(pictures[-1]),
        "timelapse.gif": small_gif(pictures),
    }
    try:
        return Drawn(drawn | {"timelapse.mp4": mp4_bytes(pictures, film.size, STEP_S, HOLD_S)})
    except OSError as error:
        return Drawn(drawn, {"timelapse.mp4": str(error)})


def small_gif(pictures: Sequence[Picture], largest_bytes: int = LARGEST_GIF) -> bytes:
    """Return a film's GIF; one that is too large to be sent around shows fewer pictures, each for longer."""
    every = 1
    while True:
        kept = pictures[::-1][::every][::-1]  # the last picture stays
        content = gif_bytes(kept, STEP_S * every, HOLD_S)
        if len(content) <= largest_bytes or len(kept) < 2:
            return content
        every *= 2
