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

Float = NDArray[np.float32]

SPACING = 2.0  # between two points of the outline: half a trail's blur or so
SMOOTHING = 2.0  # of the outline and of the fitted positions along it, standard deviation
MEDIAN_OF = 5  # neighbouring points
STEP = 0.5  # between two samples across the outline
SHIFT_STEP = 0.2  # between two trial positions of the first track
SIGMAS = np.array([0.6, 0.8, 1.0, 1.25, 1.55, 1.9, 2.4, 3.0, 3.8])
REACH_OUT = 3.2  # how far out the flank is used, in sigmas
REACH_IN_FLANK = 0.5  # how far in when only the outer flank is trusted
FOR_SIGMA = 1200  # points that the blur is fitted to
SHORTEST_RING = 12  # points
TRACKS_SEEN = 6  # tracks of a pass that can reach into the fitted window


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """Points about `SPACING` apart along closed contours, the trail on their left; unit normals point into it."""

    points: Float  # (M, 2)
    normals: Float  # (M, 2)
    starts: NDArray[np.intp]  # (C + 1,): contour c is points[starts[c]:starts[c + 1]]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeFit:
    """How far inside the outline (cells, along the normal) the first track lies, and how well that is known."""

    first_track: Float  # (M,)
    amplitude: Float  # (M,): light of the first track above the background
    sigma: float  # blur of the trail in cells
    shift_per_sigma: float  # mean change of first_track per relative change of sigma: the fit's main doubt
    scatter: float  # robust standard deviation of first_track about its neighbours
    clipped: NDArray[np.bool_]  # (M,): the flank runs into the clip
    ruled: float  # share of points where a track was seen whole, so that its centre needs no model


def trace_outline(mask: NDArray[np.uint8], *, smallest_extent: float) -> Outline:
    """Trace every boundary of `mask` (non-zero = trail), holes too.

    Parts whose bounding box is smaller than `smallest_extent` both ways are left out with their holes; of holes, those
    of a few cells.
    """
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    links = tree[0] if len(contours) else ()
    small = [max(cv2.boundingRect(contour)[2:]) < smallest_extent for contour in contours]
    points, normals, lengths = [], [], []
    for index, (contour, (_, _, _, parent)) in enumerate(zip(contours, links, strict=True)):
        if small[index if parent < 0 else parent] or len(contour) < SHORTEST_RING:
            continue
        ring = contour.reshape(-1, 2)[:, ::-1].astype(np.float32)
        # The trail lies inside an outer ring and outside a hole's: walk either with the trail on the left.
        if (_clockwise_area(ring) > 0) == (parent < 0):
            ring = ring[::-1]
        smooth = gaussian_filter1d(_evenly(ring), SMOOTHING / SPACING, axis=0, mode="wrap")
        tangent = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-6)
        points.append(smooth)
        normals.append(normal)
        lengths.append(len(smooth))
    if not points:
        return Outline(np.zeros((0, 2), np.float32), np.zeros((0, 2), np.float32), np.zeros(1, np.intp))
    starts = np.concatenate([[0], np.cumsum(lengths)])
    return Outline(np.vstack(points).astype(np.float32), np.vstack(normals).astype(np.float32), starts)


def _evenly(ring: Float) -> Float:
    """Resample a closed ring at steps of about `SPACING` cells."""
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, along[-1], max(int(along[-1] / SPACING), 6), endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, i]) for i in (0, 1)]).astype(np.float32)


def _clockwise_area(ring: Float) -> float:
    """Area inside a ring, positive if it runs clockwise seen with north up."""
    row, col = ring[:, 0], ring[:, 1]
    return float(np.sum(col * np.roll(row, -1) - np.roll(col, -1) * row)) / 2


def fit_edges(light: Float, outline: Outline, *, clip: float, pitch: float | None, led_count: int) -> EdgeFit:
    """Fit the flank of the outermost track at every point of the outline.

    light : (rows, cols) linear light; `clip` the light above which a value only says "at least".
    pitch : distance between tracks, None for a tube; `led_count` of them.
    A pass whose tracks are told apart (pitch over 2.2 sigma) is fitted over the whole first track: by symmetry its
    centre then hangs neither on the clip nor on a bent transfer curve. Elsewhere the outer flank alone is fitted, and
    moved by the mean difference between both kinds of fit where both succeed.
    """
    count = len(outline.points)
    if count == 0:
        empty = np.zeros(0, np.float32)
        return EdgeFit(empty, empty, float(SIGMAS[4]), 0.0, 0.0, np.zeros(0, bool), 0.0)
    thin = slice(None, None, max(1, count // FOR_SIGMA))
    offsets = np.arange(-10, 14 + STEP / 2, STEP, dtype=np.float32)
    seen = _sample(light, outline, offsets)
    sigma = _best_sigma(seen[thin], offsets, clip, pitch, led_count)
    flank = _fit(seen, offsets, clip, sigma, pitch, led_count, REACH_IN_FLANK)
    wider = _fit(seen[thin], offsets, clip, sigma * 1.1, pitch, led_count, REACH_IN_FLANK)
    shift = float(np.median(wider.at - flank.at[thin])) / 0.1
    at, ruled = flank.at, np.zeros(count, bool)
    if pitch is not None and pitch > 2.2 * sigma:
        whole = _fit(seen, offsets, clip, sigma, pitch, led_count, min(pitch / 2 / sigma, 2.5))
        ruled = (whole.misfit < 0.03) & whole.valley
        at = np.where(ruled, whole.at, at)
        for kind in (flank.clipped, ~flank.clipped):
            both = ruled & kind
            if np.count_nonzero(both) > 50:
                at = np.where(kind & ~ruled, at + np.median(whole.at[both] - flank.at[both]), at)
    steady, scatter = _steady(at, outline.starts)
    return EdgeFit(steady, flank.amplitude, sigma, shift, scatter, flank.clipped, float(np.mean(ruled)))


def _sample(light: Float, outline: Outline, offsets: Float) -> Float:
    """Light across the outline, (M, S): column s lies `offsets[s]` cells inside."""
    at = outline.points[:, None, :] + offsets[None, :, None] * outline.normals[:, None, :]
    parts = [
        cv2.remap(light, np.ascontiguousarray(part[..., 1]), np.ascontiguousarray(part[..., 0]), cv2.INTER_LINEAR)
        for part in np.array_split(at, len(at) // 16384 + 1)  # remap takes at most 32767 rows
    ]
    return np.vstack(parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    at: Float
    amplitude: Float
    misfit: Float
    clipped: NDArray[np.bool_]
    valley: NDArray[np.bool_]


def _profile(x: Float, sigma: float, pitch: float | None, led_count: int) -> Float:
    """The light of one pass across its edge, first track at 0, trail at x > 0; 1 at a single track's centre."""
    if pitch is None:
        return np.asarray(ndtr(x / sigma), np.float32)
    tracks = np.arange(min(led_count, TRACKS_SEEN)) * pitch
    return np.asarray(np.exp(-0.5 * ((x[..., None] - tracks) / sigma) ** 2).sum(-1), np.float32)


def _fit(
    seen: Float,
    offsets: Float,
    clip: float,
    sigma: float,
    pitch: float | None,
    led_count: int,
    reach_in: float,
) -> _Fit:
    """Least squares over trial positions of the first track, all points at once (two matrix products)."""
    low = np.minimum(seen[:, offsets <= -1.5].min(axis=1), np.median(seen[:, offsets <= -4], axis=1))
    lifted = seen - low[:, None]
    censored = seen >= clip
    usable = (~censored).astype(np.float32)
    # The outline runs on the first track's outer flank: the second track must not be taken for it.
    furthest = min(3.2 * sigma, 0.75 * pitch) if pitch is not None and pitch > 2.2 * sigma else 3.2 * sigma
    shifts = np.arange(-2.0, furthest + SHIFT_STEP / 2, SHIFT_STEP, dtype=np.float32)
    x = offsets[:, None] - shifts[None, :]
    window = ((x > -REACH_OUT * sigma) & (x < reach_in * sigma)).astype(np.float32)
    shape = _profile(x, sigma, pitch, led_count) * window
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
    inner = (offsets[None, :] > at[:, None]) & (offsets[None, :] < at[:, None] + 12)
    valley = np.asarray(np.where(inner, lifted, np.inf).min(axis=1) < 0.8 * lifted.max(axis=1))
    return _Fit(at.astype(np.float32), amplitude[rows, best], misfit[rows, best], clipped, valley)


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


def _best_sigma(seen: Float, offsets: Float, clip: float, pitch: float | None, led_count: int) -> float:
    """The blur that leaves the smallest median misfit; between two trial values by a parabola in log sigma."""
    misfits = []
    for sigma in SIGMAS:
        reach = 1.5 if pitch is None else min(1.5, pitch / 2 / sigma)
        misfits.append(np.median(_fit(seen, offsets, clip, float(sigma), pitch, led_count, reach).misfit))
    values = np.array(misfits)
    best = int(values.argmin())
    if not 0 < best < len(SIGMAS) - 1:
        return float(SIGMAS[best])
    logs = np.log(SIGMAS[best - 1 : best + 2])
    curve = np.polyfit(logs, values[best - 1 : best + 2], 2)
    return float(np.exp(np.clip(-curve[1] / (2 * curve[0]), logs[0], logs[2])))


def _steady(at: Float, starts: NDArray[np.intp]) -> tuple[Float, float]:
    """Steady the positions along each contour: running median, then a short Gaussian; and their robust scatter."""
    steady = np.empty_like(at)
    for first, last in pairwise(starts):
        middle = median_filter(at[first:last], size=MEDIAN_OF, mode="wrap")
        steady[first:last] = gaussian_filter1d(middle, SMOOTHING / SPACING, mode="wrap")
    return steady, float(np.median(np.abs(at - steady)) * 1.4826)
