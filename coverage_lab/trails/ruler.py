"""The bar as a ruler: how long it is in the picture, over how long the register says.

Its tracks are equally far apart, whatever light, blur and overlap of lanes do. So where the comb is resolved, the
distance between tracks tells the bar's scale to a part in a thousand, from every straight edge of the trail; a wrong
lit length or LED count shows, and a wrong height of the bar, which scales the whole plan about the camera's foot by
1 + error / (camera's height - bar's). A tube has no tracks: there the width of straight single passes tells, if any.
The nozzle's own length leaves no mark in light.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.trails.across import across_outline
from coverage_lab.trails.comb import Comb
from coverage_lab.trails.opposite import opposite_points
from coverage_lab.trails.outline import Outline

Float = NDArray[np.float32]

STEP = 0.5  # cells
RESOLVED = 3.0  # cells: of a finer comb the grid leaves nothing, and what is found is something else
TRACKS = 6  # of a pass, looked at together
RATIOS = np.exp(np.linspace(np.log(0.6), np.log(1.7), 105))
CLEAR = 0.6  # share of a profile's variance that one spacing of tracks explains
FEWEST = 60  # profiles, or pairs of points
MOST_SPREAD = 0.02  # relative, 0.008 on good frames: what scatters more is no bar
NEIGHBOURS = 10.0  # profiles that say the same, since they lie side by side


@dataclass(frozen=True, slots=True)
class BarLength:
    """Length of the bar in the picture over the register's, with its standard uncertainty."""

    ratio: float
    u: float
    by_tracks: bool  # from their spacing; else from the width of single passes, which hangs on the trail's blur
    count: int  # of places


def bar_length(light: Float, outline: Outline, first_track: Float, comb: Comb, clip: float) -> BarLength | None:
    """Measure how long the bar is in `light`, (rows, cols) plan view; None where nothing tells.

    first_track : (M,) how far inside the outline (cells) the outermost track lies.
    """
    if len(outline.points) == 0:
        return None
    return _by_tracks(light, outline, first_track, comb, clip) or _by_passes(outline, first_track, comb)


def _by_tracks(light: Float, outline: Outline, first_track: Float, comb: Comb, clip: float) -> BarLength | None:
    """The length by the spacing of tracks, if enough straight parts of the outline show one clearly."""
    if comb.pitch is None or comb.pitch < RESOLVED or comb.led_count < 3:
        return None
    tracks = min(TRACKS, comb.led_count)
    inward = np.arange(-0.5 * comb.pitch, (tracks - 0.5) * comb.pitch, STEP, dtype=np.float32)
    profiles = across_outline(light, outline, first_track, inward)
    if len(profiles) < FEWEST:
        return None
    ratio, clear = _spacings(np.minimum(profiles, np.float32(clip)), inward, comb.pitch)
    return _summary(ratio[clear], by_tracks=True)


def _by_passes(outline: Outline, first_track: Float, comb: Comb) -> BarLength | None:
    """The length by the width of straight single passes, if enough are seen."""
    here, there = opposite_points(outline, comb.lit).T
    width = np.linalg.norm(outline.points[here] - outline.points[there], axis=1)
    return _summary((width - first_track[here] - first_track[there]) / comb.lit, by_tracks=False)


def _spacings(profiles: Float, inward: Float, pitch: float) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Spacing of the tracks in each profile over `pitch`, and where one spacing explains most of it.

    Each profile's periodogram (Hann window) is searched at 0.6 to 1.7 times the pitch, the peak found by a parabola.
    """
    window = np.hanning(len(inward) + 2)[1:-1]
    above = profiles - (profiles @ window / window.sum())[:, None]
    waves = np.exp(-2j * np.pi * np.outer(inward, 1 / (pitch * RATIOS))) * window[:, None]
    power = np.abs(above @ waves) ** 2
    best = power.argmax(axis=1)
    whole = np.maximum((above**2) @ window * window.sum() / 2, 1e-12)
    rows, middle = np.arange(len(power)), best.clip(1, len(RATIOS) - 2)
    left, mid, right = (power[rows, middle + step] for step in (-1, 0, 1))
    curve = left - 2 * mid + right
    vertex = np.clip(0.5 * (left - right) / np.where(curve < 0, curve, -1.0), -0.5, 0.5)
    step = np.log(RATIOS[1] / RATIOS[0])
    clear = (best == middle) & (curve < 0) & (power[rows, best] > CLEAR * whole)
    return RATIOS[middle] * np.exp(vertex * step), np.asarray(clear)


def _summary(ratio: NDArray[np.floating], *, by_tracks: bool) -> BarLength | None:
    if len(ratio) < FEWEST:
        return None
    middle = float(np.median(ratio))
    spread = 1.4826 * float(np.median(np.abs(ratio - middle)))
    if spread > MOST_SPREAD:
        return None
    u = 1.25 * spread / float(np.sqrt(len(ratio) / NEIGHBOURS))  # a median's, normal parent
    return BarLength(middle, u, by_tracks, len(ratio))
