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

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from coverage_lab.trails.comb import Comb
from coverage_lab.trails.outline import Outline

Float = NDArray[np.float32]

OFFSETS = np.arange(-10, 14.25, 0.5, dtype=np.float32)  # samples across the outline, inward, for an ordinary blur
SHIFT_STEP = 0.2  # between two trial positions of the first track
SIGMAS = np.array([0.6, 0.8, 1.0, 1.25, 1.55, 1.9, 2.4, 3.0, 3.8, 4.8, 6.0])
REACH_OUT = 3.2  # how far out the flank is used, in sigmas
REACH_IN_FLANK = 0.5  # how far in when only the outer flank is trusted
REACH_IN_BLUR = 1.5  # how far in when the blur is looked for
REACH_IN_WHOLE = 2.5  # how far in when the track is fitted on both its sides
RESOLVED = 2.9  # pitch over blur from which on tracks are told apart
FOR_SIGMA = 700  # points that the blur is fitted to
NEAREST, HALO_SEEN = 0.15, 0.5  # of the outermost sample's place: light beside the trail, and far enough for halo alone
TAIL, FARTHEST = 3.0, 0.8  # sigmas that the flank's own tail reaches; of the outermost sample's place: enough are left
TRACKS_SEEN = 6  # tracks of a pass that can reach into the fitted window


@dataclass(frozen=True, slots=True, eq=False)
class Profiles:
    """Light across the outline: column s of `light` (M, S) lies `offsets[s]` cells inside.

    From `clip` on a value only says "at least so bright".
    """

    light: Float
    offsets: Float
    comb: Comb
    clip: float

    def __len__(self) -> int:
        return len(self.light)

    def some(self, rows: slice | NDArray[np.generic]) -> Profiles:
        """Return the profiles at some points alone."""
        return Profiles(self.light[rows], self.offsets, self.comb, self.clip)

    def thinned(self, count: int) -> Profiles:
        """Return at most about `count` profiles, evenly chosen."""
        return self.some(slice(None, None, max(1, len(self) // count)))

    @property
    def clipped(self) -> NDArray[np.bool_]:
        """Where light runs into the clip, (M,)."""
        return np.asarray((self.light >= self.clip).any(axis=1))


def profiles_across(light: Float, outline: Outline, comb: Comb, clip: float, widened: float = 1.0) -> Profiles:
    """Sample `light` (rows, cols) across the outline; `widened` stretches the samples for a wide blur."""
    offsets = OFFSETS * np.float32(widened)
    at = outline.points[:, None, :] + offsets[None, :, None] * outline.normals[:, None, :]
    parts = [
        cv2.remap(light, np.ascontiguousarray(part[..., 1]), np.ascontiguousarray(part[..., 0]), cv2.INTER_LINEAR)
        for part in np.array_split(at, len(at) // 16384 + 1)  # remap takes at most 32767 rows
    ]
    return Profiles(np.vstack(parts), offsets, comb, clip)


@dataclass(frozen=True, slots=True, eq=False)
class FlankFit:
    """Where the first track lies, cells inside the outline, (M,) each."""

    at: Float
    misfit: Float  # relative
    valley: NDArray[np.bool_]  # light falls again within a pitch


def fit_flank(profiles: Profiles, sigma: float, reach_in: float) -> FlankFit:
    """Fit the first track's place at all points at once, for a blur of `sigma` cells.

    Least squares over trial positions, from `REACH_OUT` sigmas outside the track to `reach_in` inside (two matrix
    products); amplitude and background are free at every point.
    """
    offsets = profiles.offsets
    lifted = profiles.light - _background(profiles, sigma)
    censored = profiles.light >= profiles.clip
    usable = (~censored).astype(np.float32)
    # The outline runs on the first track's outer flank: the second track must not be taken for it.
    furthest = REACH_OUT * sigma
    if profiles.comb.pitch is not None and profiles.comb.pitch > RESOLVED * sigma:
        furthest = min(furthest, 0.75 * profiles.comb.pitch)
    shifts = np.arange(-2.0, furthest + SHIFT_STEP / 2, SHIFT_STEP, dtype=np.float32)
    x = offsets[:, None] - shifts[None, :]
    window = ((x > -REACH_OUT * sigma) & (x < reach_in * sigma)).astype(np.float32)
    shape = _shape(x, sigma, profiles.comb) * window
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
    rows = np.arange(len(profiles))
    at = shifts[best] + _vertex(misfit, best) * SHIFT_STEP
    inner = (offsets[None, :] > at[:, None]) & (offsets[None, :] < at[:, None] + (profiles.comb.pitch or 0))
    valley = np.asarray(np.where(inner, lifted, np.inf).min(axis=1) < 0.8 * lifted.max(axis=1))
    return FlankFit(at.astype(np.float32), misfit[rows, best], valley)


def _background(profiles: Profiles, sigma: float) -> Float:
    """Light beside the trail, (M, S): the lowest there is, and what of the trail's own halo falls off outward.

    The halo rises towards the trail. Taken for the flank's tail it would make the blur too wide, and where light is
    clipped little but the tail is seen.
    """
    offsets = profiles.offsets
    beside = offsets <= NEAREST * offsets[0]
    far = offsets <= max(min(HALO_SEEN * offsets[0], -TAIL * sigma), FARTHEST * offsets[0])
    about = offsets[far] - offsets[far].mean()
    slope = np.maximum(profiles.light[:, far] @ about / (about @ about), 0)
    rise = slope[:, None] * (offsets - offsets[0])
    low = (profiles.light - rise)[:, beside].min(axis=1)
    return np.asarray(low[:, None] + rise, np.float32)


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


def _shape(x: Float, sigma: float, comb: Comb) -> Float:
    """The light of one pass across its edge, first track at 0, trail at x > 0; 1 at a single track's centre."""
    if comb.pitch is None:
        return np.asarray(ndtr(x / sigma), np.float32)
    tracks = np.arange(min(comb.led_count, TRACKS_SEEN)) * comb.pitch
    return np.asarray(np.exp(-0.5 * ((x[..., None] - tracks) / sigma) ** 2).sum(-1), np.float32)


def best_sigma(profiles: Profiles) -> float:
    """The blur that leaves the smallest median misfit; between two trial values by a parabola in log sigma."""
    some, pitch = profiles.thinned(FOR_SIGMA), profiles.comb.pitch
    misfits = []
    for sigma in SIGMAS:
        reach = REACH_IN_BLUR if pitch is None else min(REACH_IN_BLUR, pitch / 2 / sigma)
        misfits.append(np.median(fit_flank(some, float(sigma), reach).misfit))
    values = np.array(misfits)
    best = int(values.argmin())
    if not 0 < best < len(SIGMAS) - 1:
        return float(SIGMAS[best])
    logs = np.log(SIGMAS[best - 1 : best + 2])
    curve = np.polyfit(logs, values[best - 1 : best + 2], 2)
    return float(np.exp(np.clip(-curve[1] / (2 * curve[0]), logs[0], logs[2])))
