"""A run's frames, one or many, become one exposure in plan view; of many, also what the run was like in time.

frames ──► when each was taken ──► folded, one after the other ──► light · first swept · gaps between frames
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.landmarks import reduced
from coverage_lab.camera.model import Camera
from coverage_lab.errors import BadInput, Problem, UnreadableFrame
from coverage_lab.frames.clock import FrameTimes, frame_times
from coverage_lab.frames.correct import corrected
from coverage_lab.frames.kinds import VIDEO_SUFFIXES
from coverage_lab.frames.light import FULL_LIGHT
from coverage_lab.frames.read import Frame
from coverage_lab.frames.settings import brighter, other_settings
from coverage_lab.frames.stack import frames_of
from coverage_lab.frames.stamps import read_stamps
from coverage_lab.frames.video import CLIP, content_digest, spans_s, takes, video_times
from coverage_lab.job import Bar, CameraSetup, Quality
from coverage_lab.measures.coverage import area_m2
from coverage_lab.measures.growth import (
    FrameSpan,
    growth,
    growth_percent,
    times_to,
    when_moving,
)
from coverage_lab.measures.most_driven import most_driven
from coverage_lab.measures.passes import SINGLE_U, repeat_ratio, visit_shares
from coverage_lab.measures.values import Coverage, Passes, Timing
from coverage_lab.measures.way import driven
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.track import Track
from coverage_lab.trails.dose import passed_by_light_m2
from coverage_lab.trails.joined import track_of
from coverage_lab.trails.rectify import plan_view
from coverage_lab.trails.series import LONGEST_BRIDGE_S, Fold, Series

UNKNOWN_GAP_S = 1.0  # taken for the gap between frames without a clock
NAMED_HOLES = 4
MOST_UNREADABLE = 0.5  # of the frames


@dataclass(frozen=True, slots=True, eq=False)
class Exposure:
    """A run's light in plan view at bar height."""

    light: NDArray[np.float32]  # (rows, cols), linear; full scale of one frame is 1
    clip: float  # light from which on a value only says "at least so bright"
    digests: Mapping[str, str]  # SHA-256 of each frame's content, by its path in the night
    remarks: tuple[Quality, ...] = ()
    series: Series | None = None
    times: FrameTimes | None = None
    unreadable: tuple[int, ...] = ()  # frames, in time order
    picture: NDArray[np.float32] | None = None  # the frame, reduced, of a run that is one frame


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """What all frames of a run have in common."""

    folder: Path  # of the night
    camera: Camera
    size: tuple[int, int]  # of pictures, width and height
    like: Path  # a picture of that size
    dark: Frame | None
    ambient: Frame | None
    setup: CameraSetup
    every: int | None = None  # pixels along the side of one of the reduced picture; None where none is needed


def expose(frames: Sequence[Path], shared: Shared, plan: FloorPlan, bar: Bar, sheet_s: float | None) -> Exposure:
    """Read a run's frames and lift them to the height of the bar.

    sheet_s : what the run sheet says that the run took. Raises UnreadableFrame for a single frame that cannot be read,
    or for a series of which most cannot, and BadInput for one of another size.
    """
    if len(frames) == 1 and frames[0].suffix.lower() in VIDEO_SUFFIXES:
        return _expose_video(frames[0], shared, plan, bar)
    if len(frames) == 1:
        (frame,) = frames_of(frames)
        if isinstance(frame, UnreadableFrame):
            raise frame
        light = plan_view(_light(frame, shared), shared.camera, plan.grid, bar.height_m)
        return Exposure(
            light,
            frame.clip / FULL_LIGHT,
            {_name(frame.path, shared): frame.digest},
            _others(frame, shared),
            picture=None if shared.every is None else reduced(frame.light, shared.every),
        )
    times = frame_times(read_stamps(frames), setup=shared.setup, sheet_s=sheet_s)
    ordered = [frames[at] for at in times.order]
    return _fold(ordered, frames_of(ordered), times, shared, plan, bar)


def _expose_video(path: Path, shared: Shared, plan: FloorPlan, bar: Bar) -> Exposure:
    """Fold a video's exposures; they are cut out in a first pass, which tells their times."""
    times, digest = video_times(path, spans_s(path)), content_digest(path)
    frames = (Frame(path, take.light, CLIP, digest, None) for take in takes(path))
    return _fold([path] * len(times.order), frames, times, shared, plan, bar)


def _fold(
    ordered: Sequence[Path],
    frames: Iterable[Frame | UnreadableFrame],
    times: FrameTimes,
    shared: Shared,
    plan: FloorPlan,
    bar: Bar,
) -> Exposure:
    """Fold frames in time order; `ordered` are the files they come from."""
    fold = Fold(plan, bar, shared.camera, blind_times_s(times))
    digests: dict[str, str] = {}
    errors: dict[int, UnreadableFrame] = {}
    others: tuple[Quality, ...] = ()
    for at, frame in enumerate(frames):
        if isinstance(frame, UnreadableFrame):
            errors[at] = frame
            fold.skip()
            continue
        digests[_name(frame.path, shared)] = frame.digest
        others = others or _others(frame, shared)
        fold.add(_light(frame, shared), frame.clip / FULL_LIGHT)
    if len(errors) > MOST_UNREADABLE * len(ordered):
        raise next(iter(errors.values()))
    series = fold.done()
    remarks = (*times.quality, *others, *_holes(ordered, times, errors))
    return Exposure(series.light, series.clip, digests, remarks, series, times, tuple(errors))


def _light(frame: Frame, shared: Shared) -> NDArray[np.uint16]:
    """Return a frame's light less dark and ambient light. Raises BadInput for one of another size than the night's."""
    check_size(frame, shared.size, shared.like)
    dark, ambient = (None if taken is None else taken.light for taken in (shared.dark, shared.ambient))
    return corrected(frame.light, dark=dark, ambient=ambient)


def _others(frame: Frame, shared: Shared) -> tuple[Quality, ...]:
    """What to say of a dark or ambient frame that was shot with other settings. Raises BadInput as `_light`."""
    check_size(frame, shared.size, shared.like)
    return tuple(
        remark
        for taken in (shared.dark, shared.ambient)
        for remark in (*other_settings(frame, taken), *brighter(frame, taken))
    )


def _name(path: Path, shared: Shared) -> str:
    return path.relative_to(shared.folder).as_posix()


def check_size(frame: Frame, size: tuple[int, int], like: Path) -> None:
    """Refuse a frame of another size than the night's other frames: it is of another camera or was cut."""
    height, width = frame.light.shape
    if (width, height) != size:
        wrong = f"is {width} × {height} pixels, {like.name} is {size[0]} × {size[1]}"
        raise BadInput(Problem(frame.path, "", wrong, "Use frames of one camera at one size, uncropped"))


def blind_times_s(times: FrameTimes) -> NDArray[np.float64]:
    """Return the time from each frame's end to the next one's start, (n − 1,)."""
    blind_s = np.asarray(times.start_s[1:]) - np.asarray(times.end_s[:-1])
    return np.where(np.isnan(blind_s), UNKNOWN_GAP_S, np.maximum(blind_s, 0))


def _holes(ordered: Sequence[Path], times: FrameTimes, errors: Mapping[int, UnreadableFrame]) -> tuple[Quality, ...]:
    """What to say of frames that cannot be read, and of pauses that are too long to be bridged."""
    holes = [f"{error.problems[0]}" for error in errors.values()]
    for at in np.flatnonzero(blind_times_s(times) > LONGEST_BRIDGE_S).tolist():
        if at not in errors and at + 1 not in errors:
            blind_s = blind_times_s(times)[at]
            holes.append(f"{blind_s:.1f} s are missing between {ordered[at].name} and {ordered[at + 1].name}")
    if not holes:
        return ()
    more = f" and {len(holes) - NAMED_HOLES} more" if len(holes) > NAMED_HOLES else ""
    text = "what was swept in the series' holes is not known, and the interval is widened for it"
    return (Quality("frame-hole", "warning", f"{text}: {'; '.join(holes[:NAMED_HOLES])}{more}"),)


# ---- the run in time -------------------------------------------------------------------------------------------


def track_in(exposure: Exposure) -> Track | None:
    """Return the robot's track through a run's frames; None for a single exposure, or where no place is known."""
    if exposure.series is None or exposure.times is None:
        return None
    return track_of(exposure.series.ways, np.asarray(exposure.times.start_s), np.asarray(exposure.times.end_s))


def passes_of(exposure: Exposure, plan: FloorPlan, bar: Bar, swept: ShareArray) -> Passes:
    """Return how often floor was passed over."""
    series, times = exposure.series, exposure.times
    swept_m2 = area_m2(swept, plan)
    if series is None or times is None:
        passed_m2 = passed_by_light_m2(exposure.light, swept, plan, bar, exposure.clip)
        return Passes("light", repeat_ratio(passed_m2, swept_m2, SINGLE_U), None, None)
    # Light was missed while the shutter was closed, at the usual speed as while it was open.
    passed_m2 = _seen_of_all(times) * series.passed_m2
    return Passes(
        basis="frames",
        repeat_ratio=repeat_ratio(passed_m2, swept_m2),
        visits=visit_shares(series.visits, swept, plan.visible_share),
        frame_s=None if np.isnan(times.period_s) else times.period_s,
        most_driven=most_driven(series.visits, swept, plan.visible_share, plan.grid, bar.nozzle_m),
    )


def _seen_of_all(times: FrameTimes) -> float:
    """Return the time of the run over the time that the shutter was open."""
    open_s = float(np.sum(np.asarray(times.end_s) - np.asarray(times.start_s)))
    whole_s = times.end_s[-1] - times.start_s[0]
    return whole_s / open_s if open_s > 0 else 1.0


def timing_of(
    exposure: Exposure,
    plan: FloorPlan,
    bar: Bar,
    swept: ShareArray,
    first: NDArray[np.uint16] | None,
    coverage: Coverage | None,
    track: Track | None,
    sheet_s: float | None,
) -> Timing | None:
    """Return the run in time; of a single exposure what the run sheet says."""
    series, times = exposure.series, exposure.times
    if series is None or times is None or first is None or coverage is None:
        if sheet_s is None or coverage is None:
            return None
        rate = coverage.swept_m2.value / sheet_s * 60
        return Timing(sheet_s, None, "sheet", 1, (), {}, rate, None, None, None, None)
    count = len(series.frames)
    end_s = np.asarray(times.end_s)
    points = growth(growth_percent(swept, plan.visible_share, first, count), coverage.percent.u, end_s)
    span = FrameSpan(
        np.asarray(times.start_s),
        end_s,
        np.array([frame.covered_m2 for frame in series.frames]),
        [frame.lit_m for frame in series.frames],
    )
    moving = when_moving(span, bar.nozzle_m, plan.room.dock_m)
    duration_s = sheet_s if moving is None else moving.end_s - moving.begin_s
    covered_m2 = np.array([frame.covered_m2 for frame in series.frames])
    way = driven(track, series.driven_m2 / bar.nozzle_m, covered_m2, _seen_of_all(times))
    going_s = None if moving is None or duration_s is None else duration_s - moving.still_s
    return Timing(
        duration_s=duration_s,
        # The first and the last movement lie somewhere in their frames.
        duration_u_s=None if moving is None else float(np.hypot(times.period_s / np.sqrt(6), times.u_s)),
        duration_source="sheet" if moving is None and sheet_s is not None else None if moving is None else "frames",
        frames=count,
        growth=points,
        time_to_s=times_to(points),
        rate_m2_min=None if not duration_s else coverage.swept_m2.value / duration_s * 60,
        still_s=None if moving is None else moving.still_s,
        at_dock_s=None if moving is None or plan.room.dock_m is None else moving.at_dock_s,
        distance_m=way.distance_m,
        speed_m_s=None if way.distance_m is None or not going_s else way.distance_m.value / going_s,
        turns=way.turns,
        followed_percent=way.followed_percent,
    )
