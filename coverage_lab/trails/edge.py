"""How the outline of the trail is moved to where the nozzle's edge ran, and how well that is known.

Where a track is told apart from the next, it is fitted whole: by symmetry its centre then hangs neither on the clip nor
on a bent transfer curve. Elsewhere the outer flank alone is fitted, and moved by the mean difference between both
kinds of fit where both succeed. A clipped flank without any whole track leaves blur and amplitude to trade against
each other: there the blur is what makes the bar as long as it is on straight passes, else what light in range shows,
else the usual one with all its doubt.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from coverage_lab.trails.comb import Comb
from coverage_lab.trails.flank import (
    FOR_SIGMA,
    REACH_IN_FLANK,
    REACH_IN_WHOLE,
    RESOLVED,
    SIGMAS,
    Float,
    Profiles,
    best_sigma,
    fit_flank,
    profiles_across,
)
from coverage_lab.trails.opposite import opposite_points
from coverage_lab.trails.outline import SMOOTHING, SPACING, Outline

WIDE_BLUR, ORDINARY_BLUR = 2.2, 1.6  # cells: from the first on, samples are stretched as if the blur were the second
MEDIAN_OF = 5  # neighbouring points
WELL_FITTED = 0.03  # relative misfit
FAIR_SHARE = 0.1  # of the outline: fewer whole tracks are chance
ENOUGH_OPEN, ENOUGH_RULED, ENOUGH_PAIRS = 150, 50, 30  # points, points, pairs
ALIKE = 0.2  # relative: blurs that pairs tell so near each other agree
# Relative standard uncertainty of the blur: fitted, set by whole tracks, by the bar's length, by light in range for
# clipped light, or by clipped light itself.
DOUBT_OPEN, DOUBT_BY_TRACK, DOUBT_BY_BAR, DOUBT_BY_OPEN, DOUBT_BY_CLIPPED = 0.08, 0.05, 0.05, 0.15, 0.25
USUAL_BLUR_PX = (0.8, 3.0)  # of lens, sensor and lamp together: the least and the most
LEAST_U = 0.07  # of the blur: an edge that everything is known of
FOR_TRANSFER = 150  # points that are fitted again with bent light
CODE_POWER = 2.2  # of a picture's codes that makes light of them: sRGB's curve over all, IEC 61966-2-1
BENT = 0.4  # of a smooth step, mixed into the transfer curve: a camera's strongest contrast setting

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeFit:
    """How far inside the outline (cells, along the normal) the first track lies, and how well that is known."""

    first_track: Float  # (M,)
    sigma: float  # blur of the trail in cells
    u: float  # standard uncertainty in cells, common to the whole outline
    transfer_u: float  # what a bent transfer curve adds to it, cells
    clipped: float  # share of points whose flank runs into the clip, 0-1
    ruled: float  # share of points where a track was seen whole, so that its centre needs no model


def fit_edges(light: Float, outline: Outline, comb: Comb, clip: float, px: float, cut: Bools) -> EdgeFit:
    """Fit the outermost track at every point of the outline.

    light : (rows, cols) linear light; `clip` the light above which a value only says "at least"; `px` the size of a
    pixel of the frame in cells; `cut` (M,) marks points where something hides what lies beside: no edge is seen there.
    """
    if cut.all():
        return EdgeFit(np.zeros(len(outline.points), np.float32), float(SIGMAS[4]), 0.0, 0.0, 0.0, 0.0)
    seen = ~cut
    profiles = profiles_across(light, outline, comb, clip)
    sigma = best_sigma(profiles.some(seen))
    if sigma > WIDE_BLUR:
        stretched = profiles_across(light, outline, comb, clip, sigma / ORDINARY_BLUR)
        wide = best_sigma(stretched.some(seen))
        profiles, sigma = (stretched, wide) if wide > WIDE_BLUR else (profiles, wide)
    whole, ruled = _whole_tracks(profiles, sigma, seen)
    clipped = profiles.clipped
    open_light = np.count_nonzero(~clipped & seen) >= ENOUGH_OPEN
    if open_light and not ruled.any():
        sigma = best_sigma(profiles.some(~clipped & seen))
        whole, ruled = _whole_tracks(profiles, sigma, seen)
    flank = fit_flank(profiles, sigma, REACH_IN_FLANK).at
    at, doubt = np.where(ruled, whole, flank), 0.0
    for kind in (clipped & seen, ~clipped & seen):
        rest = kind & ~ruled
        if rest.any():
            at[rest], doubt_of_kind = _by_flank(
                profiles, outline, sigma, px, kind & ruled, rest, flank, whole, bool(open_light)
            )
            doubt += doubt_of_kind * float(np.mean(rest[seen]))
    return EdgeFit(
        first_track=_steady(at, outline.starts),
        sigma=sigma,
        u=float(np.hypot(doubt, LEAST_U * sigma)),
        transfer_u=_transfer_u(profiles.some(seen), None if open_light or ruled.any() else sigma),
        clipped=float(clipped.mean()),
        ruled=float(ruled.mean()),
    )


def _whole_tracks(profiles: Profiles, sigma: float, seen: Bools) -> tuple[Float, Bools]:
    """Fit the first track on both its sides; return its place (M,) and where that succeeded for a fair share."""
    nowhere = np.zeros(len(profiles), bool)
    pitch = profiles.comb.pitch
    if pitch is None or pitch <= RESOLVED * sigma:
        return np.zeros(len(profiles), np.float32), nowhere
    fit = fit_flank(profiles, sigma, min(pitch / 2 / sigma, REACH_IN_WHOLE))
    ruled = (fit.misfit < WELL_FITTED) & fit.valley & seen
    return fit.at, ruled if np.mean(ruled[seen]) > FAIR_SHARE else nowhere


def _by_flank(
    profiles: Profiles,
    outline: Outline,
    sigma: float,
    px: float,
    both: Bools,
    rest: Bools,
    flank: Float,
    whole: Float,
    open_light: bool,
) -> tuple[Float, float]:
    """Return the place of the first track at the points `rest`, and its standard uncertainty in cells.

    All of them are clipped or none is; `both` marks points of that kind where a track was seen whole; `open_light`
    says that enough light in range tells the blur.
    """
    of_rest = profiles.some(rest)
    if np.count_nonzero(both) >= ENOUGH_RULED:
        by_track = float(np.median(whole[both] - flank[both]))
        return flank[rest] + by_track, DOUBT_BY_TRACK * _shift_per_sigma(of_rest, sigma)
    if not of_rest.clipped.all():
        return flank[rest], DOUBT_OPEN * _shift_per_sigma(of_rest, sigma)
    by_length = _by_length(profiles, outline, rest, sigma if open_light else None)
    if by_length is None and open_light:
        return flank[rest], DOUBT_BY_OPEN * _shift_per_sigma(of_rest, sigma)
    if by_length is None:
        sigma, doubt = _usual_blur(None if profiles.comb.pitch is None else sigma, px)
        return fit_flank(of_rest, sigma, REACH_IN_FLANK).at, doubt * _shift_per_sigma(of_rest, sigma)
    return fit_flank(of_rest, by_length, REACH_IN_FLANK).at, DOUBT_BY_BAR * _shift_per_sigma(of_rest, by_length)


def _usual_blur(sigma: float | None, px: float) -> tuple[float, float]:
    """Return the blur, cells, and its relative standard uncertainty where all light is clipped, and says `sigma`.

    It is what lenses and cameras usually make, anywhere between both ends (rectangular), weighed by what the light says
    (normal). That of a tube says nothing.
    """
    usual = np.linspace(*USUAL_BLUR_PX, 100) * px
    off = np.zeros(len(usual)) if sigma is None else np.log(usual / sigma) / DOUBT_BY_CLIPPED
    weight = np.exp(-(off**2) / 2)
    mean = float(np.average(usual, weights=weight))
    return mean, float(np.sqrt(np.average((usual - mean) ** 2, weights=weight))) / mean


def _shift_per_sigma(profiles: Profiles, sigma: float) -> float:
    """Change of the first track's place per relative change of the blur, cells: the outer flank's main doubt."""
    some = profiles.thinned(FOR_SIGMA)
    wide, narrow = (fit_flank(some, sigma * factor, REACH_IN_FLANK).at for factor in (1.1, 1 / 1.1))
    return abs(float(np.median(wide - narrow))) / 0.2


def _by_length(profiles: Profiles, outline: Outline, kind: Bools, about: float | None) -> float | None:
    """Return the blur for which straight single passes are as wide as the bar is lit; None where too few tell it.

    Each pair of opposite points says which blur makes it so wide. Two passes that overlap almost wholly look like a
    wide one, and ask for any blur that is too wide: what many pairs agree on is that of single passes. Where light in
    range tells a blur, it is `about` that.
    """
    lit = profiles.comb.lit
    pairs = opposite_points(outline, lit)
    pairs = pairs[kind[pairs].all(axis=1)]
    if len(pairs) < ENOUGH_PAIRS:
        return None
    pairs = pairs[:: max(1, len(pairs) // FOR_SIGMA)]
    width = np.linalg.norm(outline.points[pairs[:, 0]] - outline.points[pairs[:, 1]], axis=1)
    sides = profiles.some(pairs.ravel())
    inside = [fit_flank(sides, float(sigma), REACH_IN_FLANK).at.reshape(-1, 2).sum(axis=1) for sigma in SIGMAS]
    falling = np.minimum.accumulate(width - lit - np.array(inside))  # a wider blur: tracks further in
    logs = np.log(SIGMAS)
    least, most = (logs[0], logs[-1]) if about is None else np.log(about) + 2 * DOUBT_BY_OPEN * np.array([-1, 1])
    told = np.sort([np.interp(0.0, each[::-1], logs[::-1], -np.inf, np.inf) for each in falling.T])
    told = told[(told > least) & (told < most)]
    alike = np.searchsorted(told, told + ALIKE, side="right") - np.arange(len(told))
    if alike.max(initial=0) < ENOUGH_PAIRS:
        return None
    first = int(alike.argmax())
    return float(np.exp(np.median(told[first : first + alike[first]])))


def _transfer_u(profiles: Profiles, sigma: float | None) -> float:
    """Standard uncertainty of the outline, cells, from not knowing the camera's transfer curve.

    The curve may be S-shaped either way by up to `BENT` (rectangular): the whole fit, its blur too, is done again on
    some points with light so bent; where light does not tell the blur, it is `sigma`. Cameras bend codes, not light: so
    faint trails, whose codes are not low, are bent most. A mere power would change nothing: that of a Gaussian is one.
    """
    some = profiles.thinned(FOR_TRANSFER)
    code = np.clip(some.light / np.float32(some.clip), 0, 1) ** np.float32(1 / CODE_POWER)
    curve = code * code * (3 - 2 * code) - code
    bent = [(code + np.float32(side * BENT) * curve) ** np.float32(CODE_POWER) for side in (-1, 1)]
    ends = [_place_of(Profiles(light, some.offsets, some.comb, 1.0), sigma) for light in bent]
    return abs(float(np.median(ends[1] - ends[0]))) / 2 / float(np.sqrt(3))


def _place_of(profiles: Profiles, sigma: float | None) -> Float:
    """The first track's place (M,) by the fit alone, whole tracks where there are such; the blur too unless given."""
    sigma = sigma or best_sigma(profiles)
    whole, ruled = _whole_tracks(profiles, sigma, np.ones(len(profiles), bool))
    return np.where(ruled, whole, fit_flank(profiles, sigma, REACH_IN_FLANK).at)


def _steady(at: Float, starts: NDArray[np.intp]) -> Float:
    """Steady the positions along each contour: running median, then a short Gaussian."""
    steady = np.empty_like(at)
    for first, last in pairwise(starts):
        middle = median_filter(at[first:last], size=MEDIAN_OF, mode="wrap")
        steady[first:last] = gaussian_filter1d(middle, SMOOTHING / SPACING, mode="wrap")
    return steady
