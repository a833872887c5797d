"""What hair went and what stayed, drawn over the pictures of a test bed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.pickup.hair import Hair, Mask
from coverage_lab.pickup.register import Registration
from coverage_lab.pickup.values import SINGLE_RUN
from coverage_lab.show.palette import INK, MISSED, PAPER, SWEPT, Colour, Picture
from coverage_lab.show.rows import blank, heading, line, meter, stacked, triple
from coverage_lab.show.text import SMALL

_BED_PX, _PANEL_PX, _GAP_PX = 900, 420, 24
_GONE: Colour = SWEPT.unlit
_STAYED: Colour = MISSED.unlit


def hair_overlay(
    pictures: tuple[NDArray[np.uint16], NDArray[np.uint16]],
    inside: Mask,
    found: Hair,
    how: Registration,
    names: tuple[str, str],
) -> Picture:
    """Return the picture (rows, cols, 3): what stayed on the bed, the bed before, and the numbers.

    pictures : light before and after, on the same pixels; inside : where both show the bed.
    """
    before, after = pictures
    went, stayed = (found.found_before & ~found.found_after, _GONE), (found.found_after, _STAYED)
    large = stacked(
        [
            heading("What stayed", _BED_PX, f"over {names[1]}"),
            _bed(after, [(~inside, PAPER), went, stayed], _BED_PX),
            line("Orange: hair after the pass. Blue: hair that is gone.", _BED_PX, SMALL),
        ]
    )
    panel = stacked([*_numbers(found, how), *_small("Before", names[0], before, found.found_before)])
    height = max(len(large), len(panel)) + 2 * _GAP_PX
    picture = blank(height, _BED_PX + _PANEL_PX + 3 * _GAP_PX)
    picture[_GAP_PX : _GAP_PX + len(large), _GAP_PX : _GAP_PX + _BED_PX] = large
    right = _BED_PX + 2 * _GAP_PX
    picture[_GAP_PX : _GAP_PX + len(panel), right : right + _PANEL_PX] = panel
    return picture


def _numbers(found: Hair, how: Registration) -> list[Picture]:
    wide, residual = _PANEL_PX, found.residual_percent
    low, high = residual.interval_95
    value = f"{residual.value:.1f} %"
    return [
        heading("Hair on the test bed", wide, SINGLE_RUN),
        meter("Residual", value, min(residual.value / 100, 1.0), f"{low:.1f} to {high:.1f}", wide),
        triple("Bed covered before", f"{found.before_percent:.2f} %", "of the bed", wide),
        triple("Bed covered after", f"{found.after_percent:.2f} %", "of the bed", wide),
        triple("Clumps before", str(len(found.clumps_before)), _largest(found.clumps_before), wide),
        triple("Clumps after", str(len(found.clumps_after)), _largest(found.clumps_after), wide),
        triple("Floor taken for hair", f"{found.false_percent:.2f} %", "taken off", wide),
        triple("Pictures laid by", how.basis, f"{how.rms_px:.2f} px left over", wide),
        line(f"{SINGLE_RUN.capitalize()}: no repeat tells how far another pass would differ.", wide, SMALL),
    ]


def _largest(clumps: tuple[float, ...]) -> str:
    return f"largest {clumps[0]:.2f} %" if clumps else ""


def _small(title: str, name: str, light: NDArray[np.uint16], hair: Mask) -> list[Picture]:
    return [heading(title, _PANEL_PX, name), _bed(light, [(hair, INK)], _PANEL_PX)]


def _bed(light: NDArray[np.uint16], hair: list[tuple[Mask, Colour]], wide_px: int) -> Picture:
    """Return the bed in grey with hair in colours, `wide_px` wide; a pale floor lets the colours stand out."""
    size = (wide_px, round(light.shape[0] * wide_px / light.shape[1]))
    tone = np.sqrt(light / np.percentile(light, 99)).clip(0, 1)
    grey = cv2.resize((120 + 130 * tone).astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    picture = cv2.merge([grey, grey, grey]).astype(np.float32)
    for mask, colour in hair:
        share = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)[..., None]
        picture += (np.asarray(colour, np.float32) - picture) * share
    drawn = np.rint(picture).astype(np.uint8)
    cv2.rectangle(drawn, (0, 0), (size[0] - 1, size[1] - 1), INK, 1)
    return np.asarray(drawn, np.uint8)
