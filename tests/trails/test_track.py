"""The track of a run from its frames: where each began and ended, and what is known between."""

from __future__ import annotations

import numpy as np
import pytest
from ways import CELL_M, drive, off_m, scene

from coverage_lab.job import Bar
from coverage_lab.room.track import driven_m
from coverage_lab.simulate.drives import Motion
from coverage_lab.simulate.growth import between
from coverage_lab.trails.caps import Cap, Join
from coverage_lab.trails.joined import FrameWay, track_of
from coverage_lab.trails.track import Tracker, scene_of

BAR = Bar(0.22, 14, 0.215, 0.095, 0.002, 0.03)
RUN = drive((0.4, 0.4), (2.4, 0.4), (2.4, 1.0), (0.5, 1.0), (0.8, 1.9), (2.2, 1.9), motion=Motion(0.25, 1.5))
SPANS_S = np.array([[0.0, 7.0], [7.4, 15.0], [15.4, 22.0], [22.3, float(RUN[-1, 0])]])


def cap(pose: np.ndarray, outward: int) -> Cap:
    """The bar's place at a pose, the strip behind it (1) or before it (-1)."""
    ahead = np.array([np.cos(pose[3]), np.sin(pose[3])])
    return Cap(pose[1:3] + BAR.forward_m * ahead, outward * ahead, BAR.nozzle_m)


def tracked(hidden: tuple[int, ...] = ()) -> tuple[FrameWay, ...]:
    """Follow the run; frames in `hidden` cannot be read."""
    tracker = Tracker(BAR)
    parts = [between(RUN, *span) for span in SPANS_S]
    for number, part in enumerate(parts):
        known = number > 0 and number not in hidden and number - 1 not in hidden
        join = Join(cap(parts[number - 1][-1], 1), cap(part[0], -1)) if known else None
        tracker.add(None if number in hidden else scene(part, BAR, Motion(0.25, 1.5)), (), join, 0.4)
    return tracker.done()


def test_a_run_is_followed_through_all_its_frames():
    ways = tracked()
    assert [way.followed for way in ways] == [True] * 4
    for way, span in zip(ways, SPANS_S, strict=True):
        assert off_m(way.poses, between(RUN, *span)).max() < 0.06
    track = track_of(ways, *SPANS_S.T)
    assert track is not None
    assert track.followed.all()
    assert driven_m(track) == pytest.approx(np.hypot(*np.diff(RUN[:, 1:3], axis=0).T).sum(), rel=0.02)
    assert np.all(np.diff(track.t_s) >= 0)
    true = np.column_stack([np.interp(track.t_s, RUN[:, 0], RUN[:, axis]) for axis in (1, 2)])
    assert np.hypot(*(track.centre_m - true).T).max() < 0.25


def test_beside_a_frame_that_cannot_be_read_nothing_is_made_up():
    ways = tracked(hidden=(2,))
    assert not ways[2].followed
    assert len(ways[2].poses) == 0
    track = track_of(ways, *SPANS_S.T)
    assert track is not None
    assert 2 not in track.frame
    across = np.flatnonzero((track.frame[:-1] == 1) & (track.frame[1:] == 3))
    assert not track.followed[across].any()


def test_a_way_that_does_not_end_where_the_next_frame_begins_is_none():
    parts = [between(RUN, *span) for span in SPANS_S[:2]]
    elsewhere = parts[1][0] + [0, 0.3, 0, 0]
    tracker = Tracker(BAR)
    tracker.add(scene(parts[0], BAR, Motion(0.25, 1.5)), (), None, 0.0)
    tracker.add(scene(parts[1], BAR, Motion(0.25, 1.5)), (), Join(cap(elsewhere, 1), cap(elsewhere, -1)), 0.4)
    first, second = tracker.done()
    assert not first.followed and not second.followed
    assert (first.ends, second.ends) == ((False, True), (True, False))


def test_a_way_from_a_sure_beginning_outweighs_a_square_end_that_it_does_not_lead_to():
    parts = [between(RUN, *span) for span in (*SPANS_S[:2], (15.4, 20.0))]
    elsewhere = parts[1][-1] + [0, 0.3, 0.4, 0]
    tracker = Tracker(BAR)
    tracker.add(scene(parts[0], BAR, Motion(0.25, 1.5)), (cap(parts[0][0], -1),), None, 0.0)
    tracker.add(scene(parts[1], BAR, Motion(0.25, 1.5)), (), Join(cap(parts[0][-1], 1), cap(parts[1][0], -1)), 0.4)
    tracker.add(scene(parts[2], BAR, Motion(0.25, 1.5)), (), Join(cap(elsewhere, 1), cap(elsewhere, -1)), 0.4)
    ways = tracker.done()
    assert [way.followed for way in ways] == [True] * 3
    assert ways[1].ends == (True, False)
    for way, part in zip(ways, parts, strict=True):
        assert off_m(way.poses, part).max() < 0.08


def test_without_any_known_place_there_is_no_track():
    tracker = Tracker(BAR)
    tracker.add(None, (), None, 0.0)
    assert track_of(tracker.done(), np.zeros(1), np.ones(1)) is None


def test_a_scene_is_the_strip_in_passes_where_it_lies():
    smooth = np.full((120, 160), 0.05, np.float32)
    smooth[40:80, 50:130] = 0.4
    smooth[40:80, 90:100] = 0.9
    strip = (smooth > 0.2).astype(np.uint8)
    found = scene_of(smooth, strip, 0.4, 0.95, 0.004, (1.0, 3.0))
    assert found is not None
    assert found.cell_m == pytest.approx(CELL_M)
    row, col = (int(index[0]) for index in np.nonzero(found.passes == found.passes.max()))
    assert found.west_m + (col + 0.5) * found.cell_m == pytest.approx(1.0 + 95 * 0.004, abs=0.025)
    assert found.north_m - (row + 0.5) * found.cell_m == pytest.approx(3.0 - 41 * 0.004, abs=0.02)
    assert np.median(found.passes[found.passes > 0.5]) == pytest.approx(1.0)
    assert scene_of(smooth, np.zeros_like(strip), 0.4, 0.95, 0.004, (1.0, 3.0)) is None
