"""The picture of a set-up check: what is amiss is seen, also without colour."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from camera.photograph import marker
from shapely import box

from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Obstacle, Room
from coverage_lab.show.marker_marks import MarkerMark, draw_markers, exaggeration
from coverage_lab.show.palette import ALARM
from coverage_lab.show.room_check import CheckLine, CheckSheet, Ground, draw_check
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.tags import Board

FLOOR = box(0, 0, 4, 3)
GOOD = CheckLine("tilt", "1.2°", "≤ 10°", "go")
BAD = CheckLine("markers found", "3 of 4", "all", "no-go", "marker 2 is not seen. Uncover it.")


@pytest.fixture(scope="module")
def plan() -> FloorPlan:
    return floor_plan(
        Room(FLOOR, obstacles=(Obstacle("chest", box(3, 1, 3.5, 2), 0.6),)),
        body_diameter_m=0.33,
        body_height_m=0.1,
        nozzle_m=0.22,
        forward_m=0.0,
        bar_height_m=0.1,
        camera_centre_m=(2.0, 1.5, 2.8),
        seen=None,
        grid=FloorGrid.over(FLOOR, 0.01, 0.05),
    )


def marks(*off_m: tuple[float, float] | None) -> tuple[MarkerMark, ...]:
    return tuple(MarkerMark(marker(n, 0.6 + n, 1.5), off, off is not None) for n, off in enumerate(off_m))


def sheet(plan: FloorPlan, *lines: CheckLine, markers: tuple[MarkerMark, ...] = ()) -> CheckSheet:
    light = np.full(plan.grid.shape, 0.3, np.float32)
    return CheckSheet(
        night="2031-02-11",
        lines=lines,
        ground=Ground(light, plan, (2.0, 1.5), markers),
        hidden_m2={"chest": 0.21},
        robot="heron",
        points={"walls": 0.08, "bar height": 0.04},
        gains=[("walls to ± 1 mm instead of ± 3", 0.03)],
    )


def alarm_px(picture: np.ndarray) -> int:
    return int(np.all(picture == ALARM, axis=-1).sum())


def test_verdict_is_no_go_if_one_line_says_so(plan: FloorPlan):
    assert sheet(plan, GOOD).state == "go"
    assert sheet(plan, GOOD, replace(GOOD, state="look")).state == "go"
    assert sheet(plan, GOOD, BAD).state == "no-go"


def test_alarm_is_seen_only_where_something_is_amiss(plan: FloorPlan):
    good = draw_check(sheet(plan, GOOD, markers=marks((0.001, 0.0), (0.0, 0.001))))
    bad = draw_check(sheet(plan, GOOD, BAD, markers=marks((0.001, 0.0), None)))
    assert alarm_px(good) == 0
    assert alarm_px(bad) > 500


def test_states_differ_in_form_in_a_grey_copy(plan: FloorPlan):
    one, other, third = (
        cv2.cvtColor(draw_check(sheet(plan, replace(GOOD, state=state))), cv2.COLOR_RGB2GRAY) < 160
        for state in ("go", "look", "no-go")
    )
    # The line's mark stands in a square of 20 px at the panel's left edge.
    where = np.s_[112 + 3 : 112 + 25, 36 + 1040 + 41 : 36 + 1040 + 41 + 20]
    for first, second in ((one, other), (other, third), (one, third)):
        assert np.count_nonzero(first[where] != second[where]) > 40


def test_arrow_points_where_the_marker_is_seen(plan: FloorPlan):
    scale = PlanScale.fitting(plan.grid, 1000, 1000)
    (one,) = marks((0.002, 0.001))
    times = exaggeration([one], scale)
    length_px = times * scale.px_per_m * np.hypot(0.002, 0.001)
    assert 70 / 2.5 <= length_px <= 70
    assert times in {10**n * step for n in range(1, 5) for step in (1, 2, 5)}
    picture = np.full((scale.size[1], scale.size[0], 3), 128, np.uint8)
    draw_markers(picture, [one], times, scale, Board(picture.shape))
    start = scale.to_px(one.marker.centre_m)
    middle = start + 0.8 * times * scale.px_per_m * np.array([0.002, -0.001])
    opposite = 2 * start - middle
    yellow = [picture[tuple(np.rint(at[::-1]).astype(int))] for at in (middle, opposite)]
    assert yellow[0][0] > 200
    assert yellow[0][2] < 150
    assert not (yellow[1][0] > 200 and yellow[1][2] < 150)


def test_night_whose_camera_is_not_found_shows_the_frame_itself():
    light = np.zeros((60, 90), np.float32)
    light[20:40, 30:60] = 0.8
    picture = draw_check(CheckSheet("2031-02-11", [BAD], Ground(light, None), {}, "", {}, []))
    assert picture[36 + 76 + 340, 36 + 520].min() > 200  # the bright square, enlarged
    assert picture[36 + 76 + 60, 36 + 520].max() < 60


def test_equal_checks_give_equal_pictures(plan: FloorPlan):
    one = sheet(plan, GOOD, BAD, markers=marks((0.001, 0.0), None))
    assert np.array_equal(draw_check(one), draw_check(one))
