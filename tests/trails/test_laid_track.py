"""The track of a run with ways laid on the light of some of its frames."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from lit import CELL_M, PACE, driven, part, picture
from shapely import box

from coverage_lab.job import Bar
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Room
from coverage_lab.room.track import LaidTrack
from coverage_lab.trails.frame_light import FrameLight
from coverage_lab.trails.joined import FrameWay, track_of
from coverage_lab.trails.laid_track import laid_track

BAR = Bar(0.2, 11, 0.19, 0.09, 0.0, 0.03)
POSES = driven((0.3, 0.5), (1.5, 0.5), (1.5, 0.9), (0.5, 0.9))
SPANS_S = np.array([[0.0, 4.0], [4.3, 8.3], [8.6, POSES[-1, 0]]])
ONCE = 0.2


@pytest.fixture(scope="module")
def plan() -> FloorPlan:
    floor = box(0, 0, 2, 2)
    return floor_plan(
        Room(floor),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.03,
        bar_height_m=0.09,
        camera_centre_m=(1, 1, 2.5),
        seen=None,
        grid=FloorGrid.over(floor, 0.01),
    )


def kept(poses: np.ndarray) -> FrameLight:
    shown = picture(poses, BAR)
    return FrameLight((ONCE * shown.passes).astype(np.float16), np.zeros(shown.passes.shape, np.uint8), shown.cells)


def laid(plan: FloorPlan, *, with_light: tuple[bool, ...], clock: bool = True) -> LaidTrack:
    """All three frames were followed, each way a centimetre off."""
    seen = [part(POSES, *span) for span in SPANS_S]
    ways = [FrameWay(one[:, 1:] + [0.01, 0.01, 0], True, (True, True)) for one in seen]
    lights = [kept(one) if on else None for one, on in zip(seen, with_light, strict=True)]
    start_s, end_s = 100 + SPANS_S.T if clock else np.full((2, 3), np.nan)
    track = track_of(ways, start_s, end_s)
    assert track is not None
    return laid_track(track, ways, lights, ONCE, (start_s, end_s), plan, BAR)


def off_m(found: LaidTrack, frame: int) -> float:
    line = shapely.LineString(part(POSES, *SPANS_S[frame])[:, 1:3])
    return float(shapely.distance(shapely.points(found.track.centre_m[found.track.frame == frame]), line).max())


def test_frames_with_light_are_laid_on_it_and_the_others_stay(plan: FloorPlan):
    found = laid(plan, with_light=(True, False, True))
    assert [found.laid[found.track.frame == frame].all() for frame in range(3)] == [True, False, True]
    assert max(off_m(found, 0), off_m(found, 2)) < 0.005 < off_m(found, 1)
    assert found.pace.m_s == pytest.approx(PACE.m_s, rel=0.03)


def test_times_are_those_of_the_frames(plan: FloorPlan):
    found = laid(plan, with_light=(True, True, True))
    assert (np.diff(found.track.t_s) >= 0).all()
    for frame, (start_s, end_s) in enumerate(SPANS_S.tolist()):
        t_s = found.track.t_s[found.track.frame == frame]
        assert (t_s[0], t_s[-1]) == pytest.approx((start_s, end_s))
    at = [np.interp(found.track.t_s, POSES[:, 0], POSES[:, column]) for column in (1, 2)]
    assert np.hypot(*(found.track.centre_m - np.column_stack(at)).T).max() < 3 * CELL_M


def test_the_ends_of_frames_are_no_inner_places(plan: FloorPlan):
    found = laid(plan, with_light=(True, False, True))
    for frame in (0, 2):
        inner = found.inner[found.track.frame == frame]
        assert (inner[0], inner[-1], inner[1:-1].all()) == (False, False, True)
    assert not found.inner[found.track.frame == 1].any()


def test_without_a_clock_all_stays_as_it_was_followed(plan: FloorPlan):
    found = laid(plan, with_light=(True, True, True), clock=False)
    assert not found.laid.any()
    assert min(off_m(found, frame) for frame in range(3)) > 0.005
