"""The drawn track: lines where the robot was followed, none where it was not."""

from __future__ import annotations

import numpy as np
import shapely

from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import floor_plan
from coverage_lab.room.room import Obstacle, Room
from coverage_lab.room.track import Track
from coverage_lab.show.frame import LEFT_PX, TOP_PX
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.track import LONGEST_PX, MARGIN_PX, draw_track

ROOM = Room(shapely.box(0, 0, 3, 2), obstacles=(Obstacle("chest", shapely.box(1.3, 1.4, 1.7, 2.0), 0.4),))
GRID = FloorGrid.over(ROOM.floor, 0.004, 0.05)
PLAN = floor_plan(
    ROOM,
    body_diameter_m=0.33,
    body_height_m=0.1,
    nozzle_m=0.2,
    forward_m=0.0,
    bar_height_m=0.095,
    camera_centre_m=(1.5, 1.0, 2.8),
    seen=None,
    grid=GRID,
)
HEAD_PX = 40
POSES = np.array([[0.3, 0.5, 0], [1.2, 0.5, 0], [2.0, 0.5, 0], [2.7, 0.5, 0]])


def picture(followed: list[bool]) -> np.ndarray:
    track = Track(np.arange(4.0), POSES[:, :2], POSES[:, 2], np.array([0, 0, 1, 2]), np.array(followed), 0.01)
    return draw_track("2031-02-11/heron-1", track, PLAN, 60.0)


def along(sheet: np.ndarray, x_m: float) -> np.ndarray:
    """The pixels across the track at a place, (9, 3)."""
    scale = PlanScale.fitting(GRID, LONGEST_PX - LEFT_PX - 4, LONGEST_PX - TOP_PX - 28)
    col, row = np.rint(scale.to_px((x_m, 0.5))).astype(int)
    top, left = MARGIN_PX + HEAD_PX + TOP_PX, MARGIN_PX + LEFT_PX
    return sheet[top + row - 4 : top + row + 5, left + col].astype(int)


def test_a_way_is_drawn_where_it_was_followed_and_left_out_where_not():
    sheet = picture([True, False, True])
    floor = np.array([236, 235, 230])
    assert np.abs(along(sheet, 0.8) - floor).max() > 120
    assert np.abs(along(sheet, 1.6) - floor).max() == 0
    assert np.abs(along(sheet, 2.3) - floor).max() > 60
    assert np.abs(along(picture([True, True, True]), 1.6) - floor).max() > 60


def test_late_ways_are_brighter_and_warmer_than_early_ones():
    sheet = picture([True, True, True])
    early, late = (along(sheet, x_m)[4] for x_m in (0.8, 2.3))
    grey = np.array([0.299, 0.587, 0.114])
    assert late @ grey > early @ grey + 20
    assert late[0] - late[2] > early[0] - early[2] + 60


def test_places_beside_an_unknown_way_are_ringed():
    ringed, plain = picture([True, False, True]), picture([True, True, True])
    scale = PlanScale.fitting(GRID, LONGEST_PX - LEFT_PX - 4, LONGEST_PX - TOP_PX - 28)
    col, row = np.rint(scale.to_px((1.2, 0.5))).astype(int)
    top, left = MARGIN_PX + HEAD_PX + TOP_PX + row, MARGIN_PX + LEFT_PX + col
    around = np.s_[top - 5 : top - 3, left - 2 : left + 3]
    assert np.abs(ringed[around].astype(int) - plain[around]).max() > 40
