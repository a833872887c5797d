"""Where exactly a trail ends: the outer flank of its outermost track, fitted along the trail's outline.

A level of brightness is a fragile edge: a slow turn beside a fast lane differs tenfold in light, a clipped plateau has
no half. The *shape* of the flank is not fragile. Seen across its outline a trail is

    light(x) = background + amplitude · K((x − x0)/sigma)

with K the sum of the tracks of one pass (a Gaussian of the trail's blur for every LED, the first at x0; an error
function for a tube). Amplitude and background are free at every point of the outline, so exposure, speed and the number
of passes drop out; the blur `sigma` is one number per exposure and found by the same fit. Samples at the clip say only
"at least so bright" (a censored observation). What remains is x0, the outermost LED's centre, and from there the nozzle
reaches a known overhang further out. Figures of what else was tried are in docs/method.md.

All lengths here are in cells of the plan view; points are (row, col).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter
from scipy.special import ndtr

from coverage_lab.trails.comb import Comb
from coverage_lab.trails.opposite import opposite_points
from coverage_lab.trails.outline import SMOOTHING, SPACING, Outline

Float = NDArray[np.float32]

MEDIAN_OF = 5  # neighbouring points
OFFSETS = np.arange(-10, 14.25, 0.5, dtype=np.float32)  # samples across the outline, inward
SHIFT_STEP = 0.2  # between two trial positions of the first track
SIGMAS = np.array([0.6, 0.8, 1.0, 1.25, 1.55, 1.9, 2.4, 3.0, 3.8])
REACH_OUT = 3.2  # how far out the flank is used, in sigmas
REACH_IN_FLANK = 0.5  # how far in when only the outer flank is trusted
FOR_SIGMA = 1200  # points that the blur is fitted to
FOR_TRANSFER = 300  # points that are fitted again with bent light
BENT = 0.4  # of a smooth step, mixed into the transfer curve: a camera's strongest contrast setting
RESOLVED = 2.2  # pitch over blur from which on tracks are told apart
WELL_FITTED = 0.03  # relative misfit
FAIR_SHARE = 0.1  # of the outline: fewer whole tracks are chance
ENOUGH_OPEN, ENOUGH_RULED, ENOUGH_PAIRS = 150, 50, 30  # points, points, pairs
# Relative standard uncertainty of the blur: fitted, set by whole tracks, set by the bar's length, or unknown.
DOUBT_OPEN, DOUBT_BY_TRACK, DOUBT_BY_BAR, DOUBT_CLIPPED = 0.08, 0.05, 0.05, 0.3
LEAST_U = 0.1  # cells: an edge that everything is known of
TRACKS_SEEN = 6  # tracks of a pass that can reach into the fitted window


@dataclass(frozen=True, slots=True, eq=False)
class EdgeFit:
    """How far inside the outline (cells, along the normal) the first track lies, and how well that is known."""

    first_track: Float  # (M,)
    sigma: float  # blur of the trail in cells
    u: float  # standard uncertainty in cells, common to the whole outline
    transfer_u: float  # what a bent transfer curve adds to it, cells
    clipped: float  # share of points whose flank runs into the clip, 0-1
    ruled: float  # share of points where a track was seen whole, so that its centre needs no model


def fit_edges(light: Float, outline: Outline, comb: Comb, clip: float) -> EdgeFit:
    """Fit the flank of the outermost track at every point of the outline.

    light : (rows, cols) linear light; `clip` the light above which a value only says "at least".
    Where a track is told apart from the next (pitch over 2.2 sigma, a valley beyond it), it is fitted whole: by
    symmetry its centre then hangs neither on the clip nor on a bent transfer curve. Elsewhere the outer flank alone
    is fitted, and moved by the mean difference between both kinds of fit where both succeed. A clipped flank without
    any whole track leaves blur and amplitude to trade against each other: there the blur is what makes the bar as
    long as it is on straight passes.
    """
    if len(outline.points) == 0:
        return EdgeFit(np.zeros(0, np.float32), float(SIGMAS[4]), 0.0, 0.0, 0.0, 0.0)
    seen = _sample(light, outline)
    clipped = np.asarray((seen >= clip).any(axis=1))
    sigma = _best_sigma(seen, comb, clip)
    whole, ruled = _whole_tracks(seen, comb, clip, sigma)
    if not ruled.any() and np.count_nonzero(~clipped) >= ENOUGH_OPEN:
        sigma = _best_sigma(seen[~clipped], comb, clip)
        whole, ruled = _whole_tracks(seen, comb, clip, sigma)
    flank = _fit(seen, comb, clip, sigma, REACH_IN_FLANK)
    at = np.where(ruled, whole, flank.at)
    doubt = 0.0
    for kind in (clipped, ~clipped):
        both, rest = kind & ruled, kind & ~ruled
        share = float(np.mean(rest))
        if share == 0:
            continue
        if np.count_nonzero(both) >= ENOUGH_RULED:
            at = np.where(rest, at + np.median(at[both] - flank.at[both]), at)
            doubt += share * DOUBT_BY_TRACK * _shift_per_sigma(seen[both], comb, clip, sigma)
        elif kind is clipped:
            by_length = _sigma_by_length(seen, outline, rest, comb, clip)
            doubt += (
                share * (DOUBT_BY_BAR if by_length else DOUBT_CLIPPED) * _shift_per_sigma(seen[rest], comb, clip, sigma)
            )
            if by_length:
                at[rest] = _fit(seen[rest], comb, clip, by_length, REACH_IN_FLANK).at
        else:
            doubt += share * DOUBT_OPEN * _shift_per_sigma(seen[rest], comb, clip, sigma)
    return EdgeFit(
        _steady(at, outline.starts),
        sigma,
        float(np.hypot(doubt, LEAST_U)),
        _transfer_u(seen, comb, clip),
        float(clipped.mean()),
        float(ruled.mean()),
    )


def _transfer_u(seen: Float, comb: Comb, clip: float) -> float:
    """Standard uncertainty of the outline, cells, from not knowing the camera's transfer curve.

    The curve may be S-shaped either way by up to `BENT` (rectangular): the whole fit, its blur too, is done again on
    some points with light so bent. A mere power would change nothing: that of a Gaussian is one.
    """
    some = np.minimum(seen[:: max(1, len(seen) // FOR_TRANSFER)] / np.float32(clip), 1)
    curve = some * some * (3 - 2 * some) - some
    ends = [_place_of(some + side * BENT * curve, comb, 1.0) for side in (-1, 1)]
    return abs(float(np.median(ends[1] - ends[0]))) / 2 / float(np.sqrt(3))


def _place_of(seen: Float, comb: Comb, clip: float) -> Float:
    """The first track's place (M,) by the fit alone, whole tracks where there are such."""
    sigma = _best_sigma(seen, comb, clip)
    whole, ruled = _whole_tracks(seen, comb, clip, sigma)
    return np.where(ruled, whole, _fit(seen, comb, clip, sigma, REACH_IN_FLANK).at)


def _whole_tracks(seen: Float, comb: Comb, clip: float, sigma: float) -> tuple[Float, NDArray[np.bool_]]:
    """Fit the first track on both its sides; return its place (M,) and where that succeeded for a fair share."""
    if comb.pitch is None or comb.pitch <= RESOLVED * sigma:
        return np.zeros(len(seen), np.float32), np.zeros(len(seen), bool)
    whole = _fit(seen, comb, clip, sigma, min(comb.pitch / 2 / sigma, 2.5))
    ruled = (whole.misfit < WELL_FITTED) & whole.valley
    return whole.at, ruled if np.mean(ruled) > FAIR_SHARE else np.zeros(len(seen), bool)


def _shift_per_sigma(seen: Float, comb: Comb, clip: float, sigma: float) -> float:
    """Change of the first track's place per relative change of the blur, cells: the outer flank's main doubt."""
    some = seen[:: max(1, len(seen) // FOR_SIGMA)]
    wide, narrow = (_fit(some, comb, clip, sigma * factor, REACH_IN_FLANK).at for factor in (1.1, 1 / 1.1))
    return abs(float(np.median(wide - narrow))) / 0.2


def _sigma_by_length(seen: Float, outline: Outline, kind: NDArray[np.bool_], comb: Comb, clip: float) -> float | None:
    """The blur for which straight passes are as wide as the bar is lit; None where too few are seen on both sides."""
    pairs = opposite_points(outline, comb.lit)
    pairs = pairs[kind[pairs].all(axis=1)]
    if len(pairs) < ENOUGH_PAIRS:
        return None
    pairs = pairs[:: max(1, len(pairs) // FOR_SIGMA)]
    here, there = pairs.T
    width = np.linalg.norm(outline.points[here] - outline.points[there], axis=1)
    excess = []
    for sigma in SIGMAS:
        inside = _fit(seen[pairs.ravel()], comb, clip, float(sigma), REACH_IN_FLANK).at.reshape(-1, 2).sum(axis=1)
        excess.append(float(np.median(width - inside)) - comb.lit)
    falling = np.minimum.accumulate(excess)  # a wider blur puts the tracks further in
    return float(np.interp(0.0, falling[::-1], SIGMAS[::-1]))


def _sample(light: Float, outline: Outline) -> Float:
    """Light across the outline, (M, S): column s lies `OFFSETS[s]` cells inside."""
    at = outline.points[:, None, :] + OFFSETS[None, :, None] * outline.normals[:, None, :]
    parts = [
        cv2.remap(light, np.ascontiguousarray(part[..., 1]), np.ascontiguousarray(part[..., 0]), cv2.INTER_LINEAR)
        for part in np.array_split(at, len(at) // 16384 + 1)  # remap takes at most 32767 rows
    ]
    return np.vstack(parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    at: Float  # (M,)
    misfit: Float  # (M,), relative
    valley: NDArray[np.bool_]  # (M,): light falls again within the bar's length


def _profile(x: Float, sigma: float, comb: Comb) -> Float:
    """The light of one pass across its edge, first track at 0, trail at x > 0; 1 at a single track's centre."""
    if comb.pitch is None:
        return np.asarray(ndtr(x / sigma), np.float32)
    tracks = np.arange(min(comb.led_count, TRACKS_SEEN)) * comb.pitch
    return np.asarray(np.exp(-0.5 * ((x[..., None] - tracks) / sigma) ** 2).sum(-1), np.float32)


def _fit(seen: Float, comb: Comb, clip: float, sigma: float, reach_in: float) -> _Fit:
    """Least squares over trial positions of the first track, all points at once (two matrix products)."""
    low = np.minimum(seen[:, OFFSETS <= -1.5].min(axis=1), np.median(seen[:, OFFSETS <= -4], axis=1))
    lifted = seen - low[:, None]
    censored = seen >= clip
    usable = (~censored).astype(np.float32)
    # The outline runs on the first track's outer flank: the second track must not be taken for it.
    furthest = REACH_OUT * sigma
    if comb.pitch is not None and comb.pitch > RESOLVED * sigma:
        furthest = min(furthest, 0.75 * comb.pitch)
    shifts = np.arange(-2.0, furthest + SHIFT_STEP / 2, SHIFT_STEP, dtype=np.float32)
    x = OFFSETS[:, None] - shifts[None, :]
    window = ((x > -REACH_OUT * sigma) & (x < reach_in * sigma)).astype(np.float32)
    shape = _profile(x, sigma, comb) * window
    product = (usable * lifted) @ shape
    norm = usable @ (shape * shape)
    power = (usable * lifted * lifted) @ window
    amplitude = product / np.maximum(norm, 1e-6)
    error = power - amplitude * product
    clipped = np.asarray(censored.any(axis=1))
    if clipped.any():
        error[clipped] += _below_clip(lifted[clipped], censored[clipped], amplitude[clipped], shape, window)
        power[clipped] += (censored[clipped] * lifted[clipped] ** 2) @ window
    enough = usable @ window >= 3
    misfit = np.where(enough & (amplitude > 0), error / np.maximum(power, 1e-9), np.inf)
    best = misfit.argmin(axis=1)
    rows = np.arange(len(seen))
    at = shifts[best] + _vertex(misfit, best) * SHIFT_STEP
    inner = (OFFSETS[None, :] > at[:, None]) & (OFFSETS[None, :] < at[:, None] + 12)
    valley = np.asarray(np.where(inner, lifted, np.inf).min(axis=1) < 0.8 * lifted.max(axis=1))
    return _Fit(at.astype(np.float32), misfit[rows, best], valley)


def _below_clip(lifted: Float, censored: NDArray[np.bool_], amplitude: Float, shape: Float, window: Float) -> Float:
    """Squares by which the model stays below what is known to reach at least the clip, (M, J).

    Of the first run of clipped samples, as far as a trial's window goes, the model is lowest at one of the ends: the
    two stand for all between.
    """
    samples = np.arange(lifted.shape[1])
    first = censored.argmax(axis=1)
    after = ~censored & (samples > first[:, None])
    last = np.where(after.any(axis=1), after.argmax(axis=1) - 1, samples[-1])
    trials = np.arange(window.shape[1])
    opens, closes = window.argmax(axis=0), samples[-1] - window[::-1].argmax(axis=0)
    start = np.maximum(first[:, None], opens)
    end = np.minimum(last[:, None], closes)
    error = np.zeros_like(amplitude)
    for sample in (start, np.maximum(end, start)):
        known = np.take_along_axis(lifted, np.minimum(sample, samples[-1]), axis=1)
        short = known - amplitude * shape[np.minimum(sample, samples[-1]), trials]
        error += np.maximum(short, 0) ** 2
    return np.asarray(error * np.maximum(end - start + 1, 0) / 2, np.float32)


def _vertex(misfit: Float, best: NDArray[np.intp]) -> Float:
    """Offset of the parabola's vertex through the best trial and its neighbours, in steps, within ±0.5."""
    middle = best.clip(1, misfit.shape[1] - 2)
    rows = np.arange(len(best))
    left, mid, right = (misfit[rows, middle + i] for i in (-1, 0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        vertex = 0.5 * (left - right) / (left - 2 * mid + right)
    usable = np.isfinite(vertex) & (middle == best)
    return np.where(usable, np.clip(vertex, -0.5, 0.5), 0.0).astype(np.float32)


def _best_sigma(seen: Float, comb: Comb, clip: float) -> float:
    """The blur that leaves the smallest median misfit; between two trial values by a parabola in log sigma."""
    seen = seen[:: max(1, len(seen) // FOR_SIGMA)]
    misfits = []
    for sigma in SIGMAS:
        reach = 1.5 if comb.pitch is None else min(1.5, comb.pitch / 2 / sigma)
        misfits.append(np.median(_fit(seen, comb, clip, float(sigma), reach).misfit))
    values = np.array(misfits)
    best = int(values.argmin())
    if not 0 < best < len(SIGMAS) - 1:
        return float(SIGMAS[best])
    logs = np.log(SIGMAS[best - 1 : best + 2])
    curve = np.polyfit(logs, values[best - 1 : best + 2], 2)
    return float(np.exp(np.clip(-curve[1] / (2 * curve[0]), logs[0], logs[2])))


def _steady(at: Float, starts: NDArray[np.intp]) -> Float:
    """Steady the positions along each contour: running median, then a short Gaussian."""
    steady = np.empty_like(at)
    for first, last in pairwise(starts):
        middle = median_filter(at[first:last], size=MEDIAN_OF, mode="wrap")
        steady[first:last] = gaussian_filter1d(middle, SMOOTHING / SPACING, mode="wrap")
    return steady
